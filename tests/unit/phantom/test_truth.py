"""World coordinates of the truth against pictures turned by plain array operations."""

import itertools

import numpy as np
import pytest

from planewright.base.nouns import Scan
from planewright.phantom.instrument import small_instrument
from planewright.phantom.render import clean_stack
from planewright.phantom.scene import Bead, Scene, small_urchin_scene
from planewright.phantom.truth import (
    Truth,
    angle_left_deg,
    make_truth,
    quarter_turns,
    to_photograph,
    to_world,
    world_shape,
)

PLACES = ((-9.0, -5.0, -1.2), (8.0, -4.0, 0.6), (-2.0, 7.0, 1.8))


def turned(photographs, instrument):
    """Undo mirror and turn as a person would: flip, then the turn that brings light to +x."""
    angle = np.radians(instrument.sheet_angle_deg)
    columns, rows = np.cos(angle), np.sin(angle)
    if instrument.mirrored:
        photographs, columns = photographs[:, :, ::-1], -columns
    best = (-2.0, photographs)
    for count in range(4):
        turn = np.rot90(photographs, count, axes=(1, 2))
        # np.rot90 turns against the clock on the screen: (right, down) goes to (down, -right)
        right, down = columns, rows
        for _ in range(count):
            right, down = down, -right
        if right > best[0] + 1e-9:
            best = (right, turn)
    return best[1] if instrument.scan is Scan.AWAY else best[1][::-1]


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 211.0, -120.0])
@pytest.mark.parametrize(("scan", "mirrored"), list(itertools.product(Scan, [False, True])))
def test_beads_are_where_the_truth_says(angle, scan, mirrored):
    lens = small_instrument(
        rows=96,
        columns=128,
        frames=9,
        step_um=1.0,
        scan=scan,
        mirrored=mirrored,
        sheet_angle_deg=angle,
        haze=0.0,
        vignette=0.0,
    )
    scene = Scene("b", beads=tuple(Bead(p) for p in PLACES))
    volume = turned(clean_stack(scene, lens), lens)
    assert volume.shape == world_shape(lens)
    for z, y, x in to_world(PLACES, lens):
        row, column, plane = y / lens.pixel_um, x / lens.pixel_um, z / lens.step_um
        r, c = round(row), round(column)
        patch = volume[:, r - 6 : r + 7, c - 6 : c + 7].astype(np.float64)
        at = np.array(np.unravel_index(patch.argmax(), patch.shape))
        assert np.abs(at - [plane, row - r + 6, column - c + 6]).max() <= 0.55
        k, i, j = at
        near = patch[k, i - 1 : i + 2, j - 1 : j + 2]
        dy = _peak(near.sum(axis=1)) + i + r - 6
        dx = _peak(near.sum(axis=0)) + j + c - 6
        dz = _peak(patch[k - 1 : k + 2, i, j]) + k
        assert [dy, dx] == pytest.approx([row, column], abs=0.05)
        assert dz == pytest.approx(plane, abs=0.05)


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 211.0])
@pytest.mark.parametrize(("scan", "mirrored"), list(itertools.product(Scan, [False, True])))
def test_photograph_coordinates_turn_into_world_coordinates(angle, scan, mirrored):
    lens = small_instrument(
        rows=96, columns=128, frames=9, scan=scan, mirrored=mirrored, sheet_angle_deg=angle
    )
    position, row, column = to_photograph(PLACES, lens).T
    plane = position if scan is Scan.AWAY else lens.frames - 1 - position
    size = np.array([lens.rows, lens.columns])
    if mirrored:
        column = lens.columns - 1 - column
    for _ in range(quarter_turns(lens)):  # against the clock: new row counts from the right edge
        row, column = size[1] - 1 - column, row
        size = size[::-1]
    want = to_world(PLACES, lens)
    got = np.stack([plane * lens.step_um, row * lens.pixel_um, column * lens.pixel_um], axis=1)
    np.testing.assert_allclose(got, want, atol=1e-9)


def _peak(three):
    a, b, c = np.log(three)
    return 0.5 * (a - c) / (a - 2 * b + c)


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 211.0])
@pytest.mark.parametrize(("scan", "mirrored"), list(itertools.product(Scan, [False, True])))
@pytest.mark.parametrize("hand", [1, -1])
def test_hand_does_not_depend_on_how_it_was_photographed(angle, scan, mirrored, hand):
    lens = small_instrument(scan=scan, mirrored=mirrored, sheet_angle_deg=angle)
    truth = make_truth(lens, small_urchin_scene(1, hand=hand), {}, 0, (), {})
    ends = truth.chiral_zyx_um()[..., ::-1]  # x, y, z
    assert np.sign(np.linalg.det(ends[:, 1] - ends[:, 0])) == hand == truth.hand


@pytest.mark.parametrize(
    ("angle", "mirrored", "turns", "left"),
    [
        (0.0, False, 0, 0.0),
        (37.0, False, 0, 37.0),
        (45.0, False, 0, 45.0),
        (-45.0, False, 3, 45.0),
        (90.0, False, 1, 0.0),
        (211.0, False, 2, 31.0),
        (0.0, True, 2, 0.0),
        (37.0, True, 2, -37.0),
        (211.0, True, 0, -31.0),
    ],
)
def test_turns_leave_an_angle_within_45_degrees(angle, mirrored, turns, left):
    lens = small_instrument(sheet_angle_deg=angle, mirrored=mirrored)
    assert quarter_turns(lens) == turns
    assert angle_left_deg(lens) == pytest.approx(left)


def test_truth_survives_json(tmp_path):
    truth = make_truth(small_instrument(), small_urchin_scene(1), {"missed": [3]}, 7, (), {})
    truth.save(tmp_path / "truth.json")
    again = Truth.load(tmp_path / "truth.json")
    assert again == truth
    assert again.nuclei_volumes_um3()[0] == pytest.approx(
        small_urchin_scene(1).nuclei[0].volume_um3
    )
    assert again.fibre_zyx_um().shape == (2, 3)
