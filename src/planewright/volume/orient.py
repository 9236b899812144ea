"""Which way a photograph goes into the volume: mirror, quarter turn, direction of z, origin.

A photograph has rows down and columns right. Its columns are flipped first where it is a mirror
image; then a quarter turn brings the light's direction of travel nearest to +x; planes are put
in order so that z grows away from the detection lens. All of it is exact: views of the array,
half-integer positions, no resampling. The angle that remains is metadata.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Lattice, Scan
from planewright.base.problems import RangeProblem


@dataclass(frozen=True)
class Orientation:
    """How planes as photographed become planes of the volume, and where they stand.

    World (0, 0, 0) µm is the centre of the first sensor pixel of the visible area after mirror
    and turn, in the planned plane nearest the lens.

    Parameters
    ----------
    mirrored : bool
        The photograph is a mirror image of what an eye at the lens sees.
    scan : Scan
        Direction in which the imaged plane travelled, first planned position to last.
    sheet_angle_deg : float
        Direction in which the light travels in the photograph as written, from +columns,
        positive towards +rows, degrees.
    lattice : Lattice
        Where the plane's pixels stand on the sensor.
    plane_shape : tuple of int
        Rows and columns of a plane as read (lattice pixels).
    sensor_pixel_um : float
        One sensor pixel in the specimen, µm, before any mosaic reduction.
    plane_spacing_um : float
        True distance between neighbouring planned positions, µm.
    planes : int
        Number of planned positions.

    Raises
    ------
    RangeProblem
        If a length or a number is not positive, the angle is not finite, or the plane is larger
        than the sensor area that its lattice states.
    """

    mirrored: bool
    scan: Scan
    sheet_angle_deg: float
    lattice: Lattice
    plane_shape: tuple[int, int]
    sensor_pixel_um: float
    plane_spacing_um: float
    planes: int

    def __post_init__(self) -> None:
        _positive("size of a sensor pixel", self.sensor_pixel_um, "µm")
        _positive("distance between planes", self.plane_spacing_um, "µm")
        _positive("number of planes", self.planes, "")
        if not math.isfinite(self.sheet_angle_deg):
            raise RangeProblem(
                "The sheet's angle is not a number.",
                got=str(self.sheet_angle_deg),
                expected="an angle in degrees",
            )
        rows, columns = self.plane_shape
        lattice = self.lattice
        for name, size, offset, room in (
            ("rows", rows, lattice.offset_y, lattice.rows),
            ("columns", columns, lattice.offset_x, lattice.columns),
        ):
            _positive(f"number of {name}", size, "")
            if offset + lattice.pitch * (size - 1) > room - 1:
                raise RangeProblem(
                    f"A plane has more {name} than its sensor.",
                    got=f"{size} {name} at pitch {lattice.pitch}",
                    expected=f"at most what fits into {room} sensor pixels",
                )

    @property
    def quarter_turns(self) -> int:
        """Quarter turns, counter-clockwise on the screen, after the mirror: 0 to 3."""
        return self._turn()[0] % 4

    @property
    def remaining_angle_deg(self) -> float:
        """Direction of the light in the volume, from +x towards +y, in (-45, 45] degrees.

        At a tie (45 degrees from two axes) the light goes towards +x and +y, never to -y.
        """
        return self._turn()[1]

    def _turn(self) -> tuple[int, float]:
        angle = 180.0 - self.sheet_angle_deg if self.mirrored else self.sheet_angle_deg
        angle = math.fmod(angle, 360.0)
        turns = math.ceil((angle - 45.0) / 90.0)
        return turns, angle - 90.0 * turns + 0.0

    @property
    def shape(self) -> tuple[int, int, int]:
        """Size of the volume (z, y, x), voxels."""
        rows, columns = self.plane_shape
        return (
            (self.planes, columns, rows) if self.quarter_turns % 2 else (self.planes, rows, columns)
        )

    @property
    def voxel_um(self) -> tuple[float, float, float]:
        """Distance between neighbouring voxels (z, y, x), µm."""
        pixel_um = self.lattice.pitch * self.sensor_pixel_um
        return self.plane_spacing_um, pixel_um, pixel_um

    @property
    def origin_um(self) -> tuple[float, float, float]:
        """World position (z, y, x) of the centre of voxel (0, 0, 0), µm."""
        row, column = self.point_to_photograph(0.0, 0.0)
        lattice = self.lattice
        y, x = self._move(
            lattice.offset_y + lattice.pitch * row,
            lattice.offset_x + lattice.pitch * column,
            (lattice.rows, lattice.columns),
        )
        return 0.0, y * self.sensor_pixel_um, x * self.sensor_pixel_um

    def apply(self, plane: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Turn a plane, or a window of one, into the volume's axes.

        Parameters
        ----------
        plane : ndarray of shape (..., rows, columns)
            As read.

        Returns
        -------
        ndarray
            A view; its last two axes are the volume's y and x.
        """
        view = plane[..., ::-1] if self.mirrored else plane
        return np.rot90(view, self.quarter_turns, axes=(-2, -1))

    def undo(self, plane: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Turn a plane of the volume back into the photograph's axes.

        Parameters
        ----------
        plane : ndarray of shape (..., y, x)
            In the volume's axes.

        Returns
        -------
        ndarray
            A view in the photograph's axes.
        """
        view = np.rot90(plane, -self.quarter_turns, axes=(-2, -1))
        return view[..., ::-1] if self.mirrored else view

    def z_of(self, position: int) -> int:
        """Return the z index of a planned position (and, equally, the position of a z index).

        Parameters
        ----------
        position : int
            Planned position in the order of shooting, from 0.

        Returns
        -------
        int
            Index along z, which grows away from the lens.

        Raises
        ------
        RangeProblem
            If there is no such position.
        """
        if not 0 <= position < self.planes:
            raise RangeProblem(
                "There is no such plane.",
                got=str(position),
                expected=f"0 to {self.planes - 1}",
            )
        return position if self.scan == Scan.AWAY else self.planes - 1 - position

    def window(self, y0: int, y1: int, x0: int, x1: int) -> tuple[slice, slice]:
        """Return the part of a plane as read that fills a window of the volume's plane.

        ``apply(plane[window(y0, y1, x0, x1)])`` equals ``apply(plane)[y0:y1, x0:x1]``.

        Parameters
        ----------
        y0, y1, x0, x1 : int
            Window in the volume's axes, ends left out.

        Returns
        -------
        tuple of slice
            Rows and columns of the plane as read.

        Raises
        ------
        RangeProblem
            If the window is empty or reaches beyond the plane.
        """
        _, rows, columns = self.shape
        if not (0 <= y0 < y1 <= rows and 0 <= x0 < x1 <= columns):
            raise RangeProblem(
                "A window reaches beyond the plane.",
                got=f"y {y0} to {y1}, x {x0} to {x1}",
                expected=f"within {rows} rows and {columns} columns",
            )
        first = self.point_to_photograph(y0, x0)
        last = self.point_to_photograph(y1 - 1, x1 - 1)
        (r0, r1), (c0, c1) = (sorted((int(a), int(b))) for a, b in zip(first, last, strict=True))
        return slice(r0, r1 + 1), slice(c0, c1 + 1)

    def shift_to_volume(self, dy: float, dx: float) -> tuple[float, float]:
        """Return a shift along (rows, columns) of the photograph as one along (y, x)."""
        if self.mirrored:
            dx = -dx
        for _ in range(self.quarter_turns):
            dy, dx = -dx, dy
        return dy + 0.0, dx + 0.0

    def shift_to_photograph(self, dy: float, dx: float) -> tuple[float, float]:
        """Return a shift along the volume's (y, x) as one along (rows, columns)."""
        for _ in range(self.quarter_turns):
            dy, dx = dx, -dy
        return dy + 0.0, (-dx if self.mirrored else dx) + 0.0

    def point_to_volume(self, row: float, column: float) -> tuple[float, float]:
        """Return where a point of the plane as read lies in the volume's plane, voxels."""
        return self._move(row, column, self.plane_shape)

    def point_to_photograph(self, y: float, x: float) -> tuple[float, float]:
        """Return where a point of the volume's plane lies in the plane as read, pixels."""
        rows, columns = self.shape[1:]
        for _ in range(self.quarter_turns):
            # undoing a counter-clockwise turn: the new rows are the old columns
            y, x = x, rows - 1 - y
            rows, columns = columns, rows
        return y, (columns - 1 - x if self.mirrored else x)

    def _move(self, y: float, x: float, size: tuple[int, int]) -> tuple[float, float]:
        rows, columns = size
        if self.mirrored:
            x = columns - 1 - x
        for _ in range(self.quarter_turns):
            y, x = columns - 1 - x, y
            rows, columns = columns, rows
        return y, x

    def to_dict(self) -> dict[str, Any]:
        """Return what the store's metadata tells of the orientation, JSON-ready."""
        return {
            "mirrored": self.mirrored,
            "scan": str(self.scan),
            "sheet_angle_in_photograph_deg": self.sheet_angle_deg,
            "quarter_turns": self.quarter_turns,
            "sheet_angle_deg": self.remaining_angle_deg,
            "sensor_pixel_um": self.sensor_pixel_um,
            "lattice_pitch": self.lattice.pitch,
        }


def _positive(name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise RangeProblem(
            f"The {name} must be positive.", got=f"{value} {unit}".strip(), expected="above 0"
        )
