"""Evening flicker: the laser's power from frame to frame, read off the gel or medium.

The gel's or medium's own weak glow, and what leaks through the filter, are proportional to the
laser's power and the same in every plane. Where some part of the photograph shows nothing else,
its light over black gives each frame's factor. Specimen haze that spreads into that part is told
apart by following the photograph's total light; it is taken to fall to nothing in the tiles that
follow it least.

What is assumed: black is known to ``black_sigma`` in every frame; the gel is even along z to the
stated accuracy; light that does not come from the laser (room light) is absent. Without such a part
of the photograph no correction is made, and the reason is told.

No exponential is fitted for bleaching. In a light sheet each plane is lit only while it and its few
neighbours are photographed, so every plane has lost about the same share when its turn comes: a
constant, not a ramp [1]_. Dividing by a fitted exponential would bend the specimen's true profile
along z. Planes taken twice, or a stack taken again in the reverse order, can show bleaching.

References
----------
.. [1] For a Gaussian sheet the dose that a plane has had equals 1.0645 FWHM / step exposures,
   whatever its place in the stack: the area of a Gaussian over its height and step. Common
   fits are compared in K. Miura, F1000Research 9, 1494 (2020).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem

Floats = NDArray[np.float64]

_UNUSABLE = int(Flag.MISSING | Flag.HOT | Flag.OUTSIDE | Flag.SATURATED)


@dataclass(frozen=True)
class EvenSettings:
    """How flicker is evened.

    Parameters
    ----------
    accuracy : float
        Relative uncertainty of a frame's factor up to which it is used.
    black_sigma : float
        How well black is known in each frame, unit of light.
    noise_slope : float
        Variance per unit of light: 1 for electrons.
    noise_floor : float
        Variance without light (read noise squared).
    tiles : int
        Tiles along the photograph's longer side.
    least_tiles : int
        Fewest tiles that make a reference.
    """

    accuracy: float = 0.005
    black_sigma: float = 0.0
    noise_slope: float = 1.0
    noise_floor: float = 0.0
    tiles: int = 32
    least_tiles: int = 8


@dataclass(frozen=True)
class TileLight:
    """Mean light over black in the tiles of one plane.

    Parameters
    ----------
    light : ndarray of shape (rows, columns)
        Mean light of the good pixels of each tile; NaN where there are too few.
    pixels : int
        Pixels in a tile.
    total : float
        Mean light of the whole plane.
    """

    light: Floats
    pixels: int
    total: float

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {
            "light": [
                [v if math.isfinite(v) else None for v in row] for row in self.light.tolist()
            ],
            "pixels": self.pixels,
            "total": self.total,
        }

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> TileLight:
        """Return the figures that ``to_dict`` wrote."""
        rows = [[math.nan if v is None else v for v in row] for row in value["light"]]
        return cls(np.array(rows, dtype=np.float64), int(value["pixels"]), float(value["total"]))


@dataclass(frozen=True)
class Evening:
    """Each frame's factor.

    Parameters
    ----------
    ok : bool
        Whether light may be divided by ``factors``.
    factors : ndarray of shape (n,)
        Laser power over its mean; 1 where not known or not ok.
    sigma : ndarray of shape (n,)
        Relative standard uncertainty of each factor; inf where not known.
    why : str
        Reason where not ok; else what was assumed.
    tiles : int
        How many tiles were the reference.
    level : float
        Their mean light over black.
    """

    ok: bool
    factors: Floats
    sigma: Floats
    why: str
    tiles: int = 0
    level: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy; what is not finite becomes None."""
        return {
            "ok": self.ok,
            "factors": self.factors.tolist(),
            "sigma": [v if math.isfinite(v) else None for v in self.sigma.tolist()],
            "why": self.why,
            "tiles": self.tiles,
            "level": self.level,
        }

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> Evening:
        """Return the result that ``to_dict`` wrote."""
        fields = dict(value)
        fields["factors"] = np.array(fields["factors"], dtype=np.float64)
        fields["sigma"] = np.array([math.inf if v is None else v for v in fields["sigma"]])
        return cls(**fields)


def tile_light(
    plane: NDArray[np.float32], mask: NDArray[np.uint8] | None, *, settings: EvenSettings
) -> TileLight:
    """Measure the mean light of a plane's tiles.

    Parameters
    ----------
    plane : ndarray of shape (y, x), float32
        Light over black, flat-fielded, before any steadying.
    mask : ndarray of shape (y, x), uint8, or None
        Missing, hot, saturated and outside pixels are left out.
    settings : EvenSettings
        How.

    Returns
    -------
    TileLight
        A few hundred numbers.

    Raises
    ------
    RangeProblem
        If the plane is smaller than two tiles of 8 px.
    """
    side = max(8, math.ceil(max(plane.shape) / settings.tiles))
    rows, columns = plane.shape[0] // side, plane.shape[1] // side
    if rows * columns < 2:
        raise RangeProblem(
            "A plane is too small to read its background.",
            got=f"{plane.shape[1]} x {plane.shape[0]} px",
            expected="at least 16 x 8 px",
        )
    cut = (slice(0, rows * side), slice(0, columns * side))
    size = (columns, rows)
    light = plane[cut]
    bad = None if mask is None else (mask[cut] & _UNUSABLE) != 0
    if bad is None or not bad.any():
        means = cv2.resize(light, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    else:
        good = (~bad).astype(np.float32)
        share = cv2.resize(good, size, interpolation=cv2.INTER_AREA).astype(np.float64)
        means = cv2.resize(np.where(bad, 0, light), size, interpolation=cv2.INTER_AREA)
        means = np.where(share > 0.5, means / np.maximum(share, 1e-6), np.nan)
    total = float(np.nanmean(means)) if np.isfinite(means).any() else 0.0
    return TileLight(np.asarray(means, dtype=np.float64), side * side, total)


def solve_flicker(tiles: Mapping[int, TileLight], n: int, *, settings: EvenSettings) -> Evening:
    """Find the tiles that show only the laser's power, and each frame's factor.

    Parameters
    ----------
    tiles : mapping of int to TileLight
        Figures by position; planes that are missing are left out.
    n : int
        Planes in the stack.
    settings : EvenSettings
        How.

    Returns
    -------
    Evening
        The factors, or why there are none.
    """
    where = sorted(tiles)
    if len(where) < 5:
        return _none(n, "fewer than five planes")
    table = np.array([tiles[k].light.ravel() for k in where])
    total = np.array([tiles[k].total for k in where])
    table = table[:, np.isfinite(table).all(axis=0)]
    pixels = tiles[where[0]].pixels
    if table.shape[1] < settings.least_tiles:
        return _none(n, "too few tiles are free of flagged pixels in all planes")
    noise = np.sqrt(
        (settings.noise_slope * np.maximum(np.median(table, 0), 0) + settings.noise_floor) / pixels
    )
    found = _separate(table, total, noise, settings)
    if isinstance(found, str):
        return _none(n, found)
    factor, kept, gel, sigma = found
    level = float(gel.mean())
    black = settings.black_sigma / max(level, 1e-12)
    sigma = np.hypot(sigma, black)
    typical = float(np.median(sigma))
    if typical > settings.accuracy:
        return _none(
            n,
            f"the gel's light is too weak: {level:.3g} over black gives a factor to "
            f"{100 * typical:.2g} %, {100 * settings.accuracy:.2g} % is needed",
        )
    factors, sigmas = np.ones(n), np.full(n, np.inf)
    factors[where], sigmas[where] = factor, sigma
    why = (
        "the light of gel or medium, which follows the laser's power; it is taken to be even along "
        "z, and light from elsewhere to be absent"
    )
    return Evening(True, factors, sigmas, why, int(kept.sum()), level)


def _none(n: int, why: str) -> Evening:
    return Evening(False, np.ones(n), np.full(n, np.inf), f"no correction: {why}")


def _separate(
    table: Floats, total: Floats, noise: Floats, settings: EvenSettings
) -> tuple[Floats, NDArray[np.bool_], Floats, Floats] | str:
    """Split tiles into ``factor * gel + haze * total`` and drop those that do not obey.

    Returns factors, kept tiles, gel light of the kept ones, sigma of each factor; or why not.
    """
    bright = np.quantile(table, 0.95, axis=0)
    kept = bright <= np.quantile(bright, 0.3)
    level = np.median(table, axis=0)
    if (level[kept] > 5 * noise[kept] / math.sqrt(len(total))).mean() < 0.5:
        return "no light of gel or medium stands above black"
    factor = np.median(table[:, kept] / np.median(table[:, kept], axis=0), axis=1)
    for _ in range(8):
        gel, haze, misfit = _tile_fit(table, factor, total, noise)
        # The tiles that follow the specimen least are taken to be free of its haze.
        relative = haze / np.maximum(gel, 1e-12)
        kept = (misfit < 1.5) & (gel > 0)
        if kept.sum() < settings.least_tiles:
            return "no part of the photograph shows the same light in all planes"
        haze = haze - gel * _free_of_haze(relative[kept], gel[kept], noise[kept], total)
        factor, sigma = _frame_fit(table[:, kept], gel[kept], haze[kept], total, noise[kept])
        mean = float(factor.mean())
        if not mean > 0:
            return "no light of gel or medium stands above black"
        factor, sigma = factor / mean, sigma / mean
    gel, _, _ = _tile_fit(table, factor, total, noise)
    return factor, kept, gel[kept], sigma


def _free_of_haze(relative: Floats, gel: Floats, noise: Floats, total: Floats) -> float:
    """Return the haze per gel of the tiles that have least of it, robust against their noise."""
    low = relative <= np.quantile(relative, 0.25)
    weight = (gel[low] / noise[low]) ** 2
    return float((relative[low] * weight).sum() / weight.sum())


def _tile_fit(
    table: Floats, factor: Floats, total: Floats, noise: Floats
) -> tuple[Floats, Floats, Floats]:
    """Fit gel and haze of each tile over the planes; return them and the rms misfit over noise."""
    trust = np.ones_like(table)
    allowed = np.hypot(noise, 0.002 * np.maximum(np.median(table, axis=0), 0))
    gel = haze = misfit = np.zeros(table.shape[1])
    for _ in range(4):
        ff = (trust * factor[:, None] ** 2).sum(0)
        fb = (trust * (factor * total)[:, None]).sum(0)
        bb = (trust * total[:, None] ** 2).sum(0)
        ft = (trust * factor[:, None] * table).sum(0)
        bt = (trust * total[:, None] * table).sum(0)
        det = np.maximum(ff * bb - fb * fb, 1e-12 * ff * bb + 1e-300)
        gel, haze = (bb * ft - fb * bt) / det, (ff * bt - fb * ft) / det
        off = (table - factor[:, None] * gel - total[:, None] * haze) / allowed
        # A bead that passes through a tile spoils some planes of it, not the tile.
        trust = np.minimum(1.0, 3.0 / np.maximum(np.abs(off), 1e-12)) ** 2
        misfit = np.sqrt(np.median(off**2, axis=0) / 0.4549)
        misfit = np.maximum(misfit, 3.0 * (np.abs(off) > 4).mean(axis=0) / 0.2)
    return gel, haze, misfit


def _frame_fit(
    table: Floats, gel: Floats, haze: Floats, total: Floats, noise: Floats
) -> tuple[Floats, Floats]:
    """Fit each frame's factor over the tiles; return it and its sigma from the tiles' scatter."""
    own = table - total[:, None] * haze
    allowed = np.hypot(noise, 0.002 * gel)
    trust = np.ones_like(table)
    factor = np.ones(len(table))
    sigma = np.ones(len(table))
    for _ in range(4):
        weight = trust * (gel / allowed) ** 2
        factor = (weight * own / gel).sum(1) / weight.sum(1)
        off = (own - factor[:, None] * gel) / allowed
        trust = np.minimum(1.0, 3.0 / np.maximum(np.abs(off), 1e-12)) ** 2
        scatter = np.sqrt((trust * off**2).sum(1) / trust.sum(1))
        sigma = np.maximum(scatter, 1.0) / np.sqrt(weight.sum(1))
    return factor, sigma


def factor_of(evening: Evening, k: int) -> float:
    """Return what to divide plane ``k``'s light by; 1 where there is no correction.

    Parameters
    ----------
    evening : Evening
        From `solve_flicker`.
    k : int
        Position of the plane.

    Returns
    -------
    float
        Greater than zero.
    """
    return float(evening.factors[k]) if evening.ok else 1.0
