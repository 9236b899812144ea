"""Orientation against an independent mapping of points, and the true hand of three points."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from planewright.base.nouns import Lattice, Scan
from planewright.base.problems import RangeProblem
from planewright.volume.orient import Orientation

ANGLES = (0.0, 37.0, 90.0, 211.0, -45.0, 45.0, 135.0, -135.0, 180.0, 300.0, 359.0, -211.5)
# pitch, offset_y, offset_x, rows, columns: monochrome, green, red and blue of a mosaic; odd sizes
LATTICES = (
    Lattice(1, 0.0, 0.0, 7, 10),
    Lattice(2, 0.5, 0.5, 8, 10),
    Lattice(2, 0.5, 0.5, 9, 11),
    Lattice(2, 0.0, 0.0, 9, 12),
    Lattice(2, 1.0, 0.0, 9, 11),
    Lattice(2, 1.0, 1.0, 10, 7),
)
PIXEL_UM = 0.412
SPACING_UM = 2.5


def plane_shape(lattice: Lattice) -> tuple[int, int]:
    """Count the lattice sites that lie wholly on the sensor."""
    rows = int((lattice.rows - 1 - math.ceil(lattice.offset_y)) // lattice.pitch) + 1
    columns = int((lattice.columns - 1 - math.ceil(lattice.offset_x)) // lattice.pitch) + 1
    return rows, columns


def orientation(lattice: Lattice, *, mirrored: bool, scan: Scan, angle: float, planes: int = 5):
    return Orientation(
        mirrored=mirrored,
        scan=scan,
        sheet_angle_deg=angle,
        lattice=lattice,
        plane_shape=plane_shape(lattice),
        sensor_pixel_um=PIXEL_UM,
        plane_spacing_um=SPACING_UM,
        planes=planes,
    )


def world_by_hand(lattice: Lattice, row: float, column: float, mirrored: bool, angle: float):
    """Map a sensor position to (y, x) µm with complex numbers about the sensor's middle.

    Independent of the code under test: the photograph is looked at as the eye at the lens sees
    it, then turned as a rigid picture by whichever quarter turn brings the light nearest to +x.
    """
    middle = complex((lattice.columns - 1) / 2, (lattice.rows - 1) / 2)
    point = complex(column, row) - middle
    light = complex(math.cos(math.radians(angle)), math.sin(math.radians(angle)))
    if mirrored:
        point, light = complex(-point.real, point.imag), complex(-light.real, light.imag)
    for turn in (1, -1j, -1, 1j):
        left = math.degrees(math.atan2((light * turn).imag, (light * turn).real))
        if -45 + 1e-9 < left <= 45 + 1e-9:
            break
    turned = point * turn
    columns, rows = lattice.columns, lattice.rows
    if turn in (-1j, 1j):
        columns, rows = rows, columns
    corner = turned + complex((columns - 1) / 2, (rows - 1) / 2)
    return corner.imag * PIXEL_UM, corner.real * PIXEL_UM, left


def sample(lattice: Lattice, sensor: np.ndarray) -> np.ndarray:
    """Read a lattice off a sensor-sized image; half offsets are means of neighbours."""
    rows, columns = plane_shape(lattice)
    out = np.zeros((rows, columns))
    for dy, dx in itertools.product((math.floor, math.ceil), repeat=2):
        y, x = dy(lattice.offset_y), dx(lattice.offset_x)
        out += sensor[y :: lattice.pitch, x :: lattice.pitch][:rows, :columns] / 4
    return out


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("lattice", LATTICES)
def test_a_marked_site_lands_where_the_rigid_picture_says(lattice, mirrored, angle):
    there = orientation(lattice, mirrored=mirrored, scan=Scan.AWAY, angle=angle)
    rows, columns = plane_shape(lattice)
    sites = ((0, 0), (rows - 1, 0), (0, columns - 1), (1, 2), (rows - 1, columns - 1))
    for row, column in sites:
        y = lattice.offset_y + lattice.pitch * row
        x = lattice.offset_x + lattice.pitch * column
        sensor = np.zeros((lattice.rows, lattice.columns))
        sensor[math.floor(y) : math.ceil(y) + 1, math.floor(x) : math.ceil(x) + 1] = 1.0
        found = there.apply(sample(lattice, sensor))
        assert found.shape == there.shape[1:]
        index = np.unravel_index(found.argmax(), found.shape)
        got = [
            origin + step * i
            for origin, step, i in zip(there.origin_um[1:], there.voxel_um[1:], index, strict=True)
        ]
        want_y, want_x, left = world_by_hand(lattice, y, x, mirrored, angle)
        assert got == pytest.approx([want_y, want_x], abs=1e-9)
        assert there.remaining_angle_deg == pytest.approx(left, abs=1e-9)
        assert there.point_to_volume(row, column) == pytest.approx(index)
        assert there.point_to_photograph(*index) == pytest.approx((row, column))


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 211.0, 300.0])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("scan", list(Scan))
def test_three_points_keep_their_hand(scan, mirrored, angle):
    lattice = Lattice(1, 0.0, 0.0, 21, 32)
    planes = 9
    # as the eye at the lens sees them: right, down, away from it; no mirror plane
    true = {1: (10, 10, 4), 2: (17, 11, 5), 3: (9, 16, 3), 4: (12, 9, 8)}
    stack = np.zeros((planes, 21, 32))
    for value, (right, down, away) in true.items():
        stack[away, down, right] = value
    shot = stack if scan == Scan.AWAY else stack[::-1]
    photographs = shot[..., ::-1] if mirrored else shot

    there = orientation(lattice, mirrored=mirrored, scan=scan, angle=angle, planes=planes)
    volume = np.zeros(there.shape)
    for position, photograph in enumerate(photographs):
        volume[there.z_of(position)] = there.apply(photograph)

    def corner(points):
        edges = np.subtract([points[k] for k in (2, 3, 4)], points[1])
        return np.linalg.det(edges)

    found = {value: tuple(int(i[0]) for i in np.nonzero(volume == value))[::-1] for value in true}
    assert corner(found) == pytest.approx(corner(true))
    assert [found[v][2] for v in true] == [true[v][2] for v in true]


def test_the_light_points_along_x_after_the_turn():
    """A streak drawn along the light lies within 45 degrees of +x in the volume."""
    for mirrored, angle in itertools.product((False, True), np.arange(-180, 181, 7.5)):
        lattice = Lattice(1, 0.0, 0.0, 201, 201)
        there = orientation(lattice, mirrored=mirrored, scan=Scan.AWAY, angle=float(angle))
        dy, dx = math.sin(math.radians(angle)), math.cos(math.radians(angle))
        y, x = there.shift_to_volume(dy, dx)
        assert math.degrees(math.atan2(y, x)) == pytest.approx(there.remaining_angle_deg)
        assert -45.0 < there.remaining_angle_deg <= 45.0


def test_ties_go_towards_plus_y():
    lattice = LATTICES[0]
    for angle, turns in ((45.0, 0), (135.0, 1), (-135.0, 2), (-45.0, 3)):
        there = orientation(lattice, mirrored=False, scan=Scan.AWAY, angle=angle)
        assert (there.quarter_turns, there.remaining_angle_deg) == (turns, 45.0)


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_windows_shifts_and_undo_agree_with_the_whole_plane(mirrored, angle):
    there = orientation(LATTICES[0], mirrored=mirrored, scan=Scan.AWAY, angle=angle)
    plane = np.arange(70).reshape(7, 10)
    plane.flags.writeable = False
    whole = there.apply(plane)
    assert np.shares_memory(whole, plane)
    assert np.array_equal(there.undo(whole), plane)
    rows, columns = whole.shape
    for y0, x0 in itertools.product(range(rows), range(columns)):
        for y1, x1 in itertools.product(range(y0 + 1, rows + 1), range(x0 + 1, columns + 1)):
            part = plane[there.window(y0, y1, x0, x1)]
            assert np.array_equal(there.apply(part), whole[y0:y1, x0:x1])
    dy, dx = there.shift_to_volume(1, 2)  # whole-pixel shifts, so that rolling tells the truth
    rolled = np.roll(plane, (1, 2), axis=(0, 1))
    assert np.array_equal(there.apply(rolled), np.roll(whole, (int(dy), int(dx)), axis=(0, 1)))
    assert there.shift_to_photograph(dy, dx) == (1, 2)


def test_a_scan_towards_the_lens_turns_the_planes_over():
    away = orientation(LATTICES[0], mirrored=False, scan=Scan.AWAY, angle=0.0)
    towards = orientation(LATTICES[0], mirrored=False, scan=Scan.TOWARDS, angle=0.0)
    assert [away.z_of(p) for p in range(5)] == [0, 1, 2, 3, 4]
    assert [towards.z_of(p) for p in range(5)] == [4, 3, 2, 1, 0]
    assert away.origin_um == towards.origin_um == (0.0, 0.0, 0.0)
    with pytest.raises(RangeProblem, match="no such plane") as problem:
        towards.z_of(5)
    assert problem.value.expected == "0 to 4"


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"sensor_pixel_um": 0.0}, "size of a sensor pixel must be positive"),
        ({"plane_spacing_um": float("nan")}, "distance between planes must be positive"),
        ({"planes": 0}, "number of planes must be positive"),
        ({"sheet_angle_deg": float("inf")}, "angle is not a number"),
        ({"plane_shape": (8, 10)}, "more rows than its sensor"),
        ({"plane_shape": (7, 11)}, "more columns than its sensor"),
        ({"plane_shape": (0, 10)}, "number of rows must be positive"),
    ],
)
def test_what_cannot_be_is_refused(change, text):
    good = {
        "mirrored": False,
        "scan": Scan.AWAY,
        "sheet_angle_deg": 0.0,
        "lattice": LATTICES[0],
        "plane_shape": (7, 10),
        "sensor_pixel_um": PIXEL_UM,
        "plane_spacing_um": SPACING_UM,
        "planes": 5,
    }
    with pytest.raises(RangeProblem, match=text):
        Orientation(**{**good, **change})
    with pytest.raises(RangeProblem, match="reaches beyond"):
        Orientation(**good).window(0, 8, 0, 3)
