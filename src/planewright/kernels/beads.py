"""Centres of sub-resolution beads in a volume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


@dataclass(frozen=True)
class Bead:
    """One bead.

    Parameters
    ----------
    ok : bool
        Whether the centre can be used.
    centre : tuple of float
        (z, y, x) in voxels; an integer is a voxel's centre.
    peak : float
        Highest light above the bead's surroundings.
    why : str
        Why it cannot be used.
    """

    ok: bool
    centre: tuple[float, float, float]
    peak: float
    why: str = ""


def find_beads(
    light: NDArray[np.float32],
    *,
    half_width: tuple[float, float, float],
    contrast: float,
    most: int = 1000,
) -> list[Bead]:
    """Find beads and their centres of light.

    The definition of a centre: the centroid of the light above its surroundings inside an
    ellipsoid with the given semi-axes, moved until the ellipsoid is centred on it. The
    surroundings are the median of the shell from one to one and a half semi-axes.

    Parameters
    ----------
    light : ndarray of shape (z, y, x)
        Light, any unit.
    half_width : tuple of float
        Semi-axes (z, y, x) of the ellipsoid in voxels; about one full width at half maximum.
    contrast : float
        A candidate's peak must stand this far above the volume's median, in the unit of
        ``light``.
    most : int
        Keep at most this many, the brightest first.

    Returns
    -------
    list of Bead
        The brightest first. Two candidates that share a centre are one.
    """
    light = np.asarray(light, dtype=np.float32)
    smooth = ndimage.gaussian_filter(light, [width / 3 for width in half_width])
    size = [max(3, 2 * round(width) + 1) for width in half_width]
    top = (smooth == ndimage.maximum_filter(smooth, size=size)) & (
        smooth > np.median(smooth[::2, ::4, ::4]) + contrast
    )
    places = np.argwhere(top)
    order = np.argsort(-smooth[tuple(places.T)], kind="stable")
    beads: list[Bead] = []
    for place in places[order]:
        bead = centre_of_light(light, tuple(float(p) for p in place), half_width=half_width)
        apart = np.array([b.centre for b in beads if b.ok]).reshape(-1, 3) - bead.centre
        if bead.ok and np.any(np.all(np.abs(apart) < np.array(half_width) / 2, axis=1)):
            continue
        beads.append(bead)
        if len(beads) >= most:
            break
    return beads


def centre_of_light(
    light: NDArray[np.float32],
    start: tuple[float, ...],
    *,
    half_width: tuple[float, float, float],
    turns: int = 30,
) -> Bead:
    """Refine one bead's centre by the definition of ``find_beads``.

    Parameters
    ----------
    light : ndarray of shape (z, y, x)
        Light, any unit.
    start : tuple of float
        First guess (z, y, x), voxels.
    half_width : tuple of float
        Semi-axes (z, y, x) of the ellipsoid, voxels.
    turns : int
        Most iterations.

    Returns
    -------
    Bead
        Not ok where the ellipsoid leaves the volume or the centre does not settle.
    """
    centre = np.array(start, dtype=np.float64)
    half = np.array(half_width, dtype=np.float64)
    reach = np.ceil(1.5 * half + 1).astype(int)
    peak = 0.0
    for _ in range(turns):
        middle = np.rint(centre).astype(int)
        low, high = middle - reach, middle + reach + 1
        if np.any(low < 0) or np.any(high > light.shape):
            return Bead(False, _triple(centre), peak, "too close to the edge of the volume")
        window = light[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
        grid = np.meshgrid(
            *(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij", sparse=True
        )
        radius2 = sum(((g - c) / h) ** 2 for g, c, h in zip(grid, centre, half, strict=True))
        # A soft edge of a tenth of the radius keeps the centroid a smooth function of the centre.
        weight = np.clip((1.1 - np.sqrt(radius2)) / 0.2, 0.0, 1.0)
        shell = window[(radius2 > 1.21) & (radius2 <= 2.25)]
        above = (window - np.median(shell)) * weight
        total = float(above.sum(dtype=np.float64))
        peak = float(above.max())
        if total <= 0:
            return Bead(False, _triple(centre), peak, "no light above the surroundings")
        found = np.array([float((above * g).sum(dtype=np.float64)) / total for g in grid])
        moved = found - centre
        centre = found
        if np.abs(moved).max() < 1e-4:
            return Bead(True, _triple(centre), peak)
        if np.any(np.abs(centre - start) > 2 * half):
            return Bead(False, _triple(centre), peak, "the centre wandered to another light")
    return Bead(False, _triple(centre), peak, "the centre did not settle")


def _triple(values: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
