"""The volume as the pictures take it: true micrometres, unit, mask; read block by block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

# Light that was never recorded, or lies beyond the photograph's edge, is not shown as light.
# uint8, so that a mask stays small when bits are taken from it.
UNSEEN = np.uint8(Flag.MISSING | Flag.OUTSIDE)
FULL = np.uint8(Flag.SATURATED)
_UNIT = {"electron": "e", "electrons": "e", "count": "counts"}


@dataclass(frozen=True)
class Axis:
    """Voxel centres along one axis.

    Parameters
    ----------
    name : str
        "z", "y" or "x".
    count : int
        Voxels.
    origin_um : float
        Centre of the first voxel, µm.
    step_um : float or None
        Distance between centres, µm; None for a single voxel whose step is not told.
    """

    name: str
    count: int
    origin_um: float
    step_um: float | None

    @property
    def last_um(self) -> float:
        """Centre of the last voxel, µm."""
        return self.at_um(max(0, self.count - 1))

    def at_um(self, index: float) -> float:
        """Return the place of a voxel's centre, µm."""
        return self.origin_um + index * (self.step_um or 0.0)

    def index(self, place_um: float) -> int:
        """Return the voxel that holds a place.

        Raises
        ------
        RangeProblem
            If the place lies outside the volume.
        """
        step_um = self.step_um or 1.0
        index = round((place_um - self.origin_um) / step_um)
        if not 0 <= index < self.count:
            raise RangeProblem(
                f"This place lies outside the volume along {self.name}.",
                got=f"{self.name} = {place_um:.6g} µm",
                expected=f"{self.origin_um:.6g} to {self.last_um:.6g} µm",
            )
        return index

    def needed_step_um(self) -> float:
        """Return the step, or refuse.

        Raises
        ------
        RangeProblem
            If it is not known.
        """
        if self.step_um is None:
            raise RangeProblem(
                f"The voxel's size along {self.name} is not known.",
                got=f"a single voxel along {self.name}, and no 'step_um'",
                do=f"name it: step_um={{'{self.name}': ...}} (µm)",
            )
        return self.step_um


@dataclass(frozen=True)
class Subject:
    """A volume to be drawn.

    Parameters
    ----------
    light : xarray.DataArray
        Dims (z, y, x), lazy or not.
    mask : xarray.DataArray or None
        Bits of `planewright.base.nouns.Flag` on the same grid.
    z, y, x : Axis
        The grid.
    unit : str
        Unit of light as it is shown, "" where the volume does not tell.
    shape_only : bool
        Display-referred light: no measure of light.
    """

    light: xarray.DataArray
    mask: xarray.DataArray | None
    z: Axis
    y: Axis
    x: Axis
    unit: str
    shape_only: bool

    @property
    def shape(self) -> tuple[int, int, int]:
        """Voxels along z, y, x."""
        return self.z.count, self.y.count, self.x.count

    def read(self, z: Any, y: Any, x: Any) -> tuple[Floats, Bools, int]:
        """Read a piece: light, what of it can be seen, and how many seen voxels are saturated.

        Parameters
        ----------
        z, y, x : slice or int
            The piece.

        Returns
        -------
        light : ndarray of float32
            Zero where nothing can be seen.
        seen : ndarray of bool
            Same shape.
        saturated : int
            Voxels.
        """
        place = {"z": z, "y": y, "x": x}
        light = np.array(self.light.isel(place).to_numpy(), dtype=np.float32)
        seen = np.isfinite(light)
        saturated = 0
        if self.mask is not None:
            mask = np.asarray(self.mask.isel(place).to_numpy(), dtype=np.uint8)
            if mask.any():
                seen &= (mask & UNSEEN) == 0
                saturated = int(np.count_nonzero(seen & ((mask & FULL) != 0)))
        if not seen.all():
            np.copyto(light, 0.0, where=~seen)
        return light, seen, saturated


def subject(
    volume: xarray.DataArray,
    mask: xarray.DataArray | None = None,
    *,
    unit: str | None = None,
    step_um: dict[str, float] | None = None,
) -> Subject:
    """Read a volume's grid and unit from its coordinates and attributes.

    Parameters
    ----------
    volume : xarray.DataArray
        Dims (z, y, x), with coordinates in µm; light, so pedestal and gain are already applied.
    mask : xarray.DataArray or None
        Same shape.
    unit : str or None
        Unit of light; None takes the attribute ``units``.
    step_um : dict or None
        Voxel size by axis, µm, for an axis of one voxel, whose coordinate cannot tell it.

    Returns
    -------
    Subject
        What the pictures are drawn from.

    Raises
    ------
    RangeProblem
        If dimensions, coordinates or the mask's shape do not fit.
    """
    if set(volume.dims) != {"z", "y", "x"}:
        raise RangeProblem(
            "A volume is drawn from three axes.",
            got=", ".join(str(dim) for dim in volume.dims),
            expected="z, y, x",
        )
    volume = volume.transpose("z", "y", "x")
    if mask is not None:
        mask = mask.transpose("z", "y", "x")
        if mask.shape != volume.shape:
            raise RangeProblem(
                "The mask belongs to another volume.",
                got=f"mask {mask.shape}",
                expected=f"{volume.shape} (z, y, x)",
            )
    axes = {name: _axis(volume, name, (step_um or {}).get(name)) for name in "zyx"}
    told = str(volume.attrs.get("units", "")) if unit is None else unit
    return Subject(
        light=volume,
        mask=mask,
        **axes,
        unit=_UNIT.get(told, told),
        shape_only=bool(volume.attrs.get("shape_only", False)),
    )


def _axis(volume: xarray.DataArray, name: str, told_um: float | None) -> Axis:
    count = volume.sizes[name]
    if name not in volume.coords:
        raise RangeProblem(
            f"The volume does not tell its micrometres along {name}.",
            expected=f"a coordinate '{name}' with the voxels' centres, µm",
        )
    places = np.asarray(volume.coords[name].to_numpy(), dtype=np.float64)
    if count < 2:
        return Axis(name, count, float(places[0]) if count else 0.0, told_um)
    steps = np.diff(places)
    step_um = float(steps.mean())
    if not (step_um > 0 and np.all(np.abs(steps - step_um) <= 1e-3 * step_um)):
        raise RangeProblem(
            f"The voxels are not evenly spaced along {name}.",
            got=f"steps of {steps.min():.6g} to {steps.max():.6g} µm",
            expected="one positive step",
        )
    return Axis(name, count, float(places[0]), step_um)
