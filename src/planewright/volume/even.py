"""Evening flicker: the laser's power from frame to frame, read off the gel or medium.

The gel's or medium's own weak glow, and what leaks through the filter, are proportional to the
laser's power and the same in every plane. Where some part of the photograph shows nothing else,
its light over black gives each frame's factor. The parts that change least from plane to plane are
taken for it, and only if others, which change a little more, tell the same: where the specimen's
haze reaches all of the photograph they do not, and no correction is made.

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
from scipy import ndimage

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem

Floats = NDArray[np.float64]

_SPARE = (3.0, 2.0)  # how much better than needed the chosen tiles could tell, as is tried
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
    grid = np.array([tiles[k].light for k in where])
    seen = np.isfinite(grid).all(axis=0)
    table, around = grid[:, seen], _with_neighbours(grid)[:, seen]
    total = np.array([tiles[k].total for k in where])
    pixels = tiles[where[0]].pixels
    if table.shape[1] < settings.least_tiles:
        return _none(n, "too few tiles are free of flagged pixels in all planes")
    noise = np.sqrt(
        (settings.noise_slope * np.maximum(np.median(table, 0), 0) + settings.noise_floor) / pixels
    )
    found = _separate(table, around, total, noise, settings)
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
            f"black is not known well enough: {level:.3g} over it gives the laser's power to "
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


def _with_neighbours(grid: Floats) -> Floats:
    """Return each tile's mean with its eight neighbours, those without light left out."""
    known = np.isfinite(grid).astype(np.float64)
    size = (1, 3, 3)
    total = ndimage.uniform_filter(np.where(known > 0, grid, 0.0), size=size, mode="nearest")
    share = ndimage.uniform_filter(known, size=size, mode="nearest")
    return np.asarray(total / np.maximum(share, 1e-12))


def _separate(
    table: Floats, around: Floats, total: Floats, noise: Floats, settings: EvenSettings
) -> tuple[Floats, NDArray[np.bool_], Floats, Floats] | str:
    """Find the tiles that nothing but the laser's power changes, and each frame's factor.

    Flicker changes all tiles alike, the specimen and its haze some more than others, and both
    add up. So the tiles that change least have least of the specimen in them. As many of these
    are taken as the accuracy needs; twice as many, the next in order, must agree with them.

    Returns factors, kept tiles, gel light of the kept ones, sigma of each factor; or why not.
    """
    level = np.asarray(np.median(table, axis=0), dtype=np.float64)
    lit = level > 5 * noise / math.sqrt(len(total))
    if lit.sum() < max(3 * settings.least_tiles, 0.1 * lit.size):
        return "no light of gel or medium stands above black"
    gel = _Gel(table, level, noise)
    best: tuple[float, Floats, Floats, NDArray[np.intp]] | None = None
    for spare in _SPARE:
        fast = np.ones(len(total))
        for _ in range(2):
            order = np.argsort(_unrest(around / fast[:, None], lit), kind="stable")
            order = order[: int(lit.sum())]
            enough = gel.enough(order, settings.accuracy / spare, settings.least_tiles)
            factor, sigma = gel.factors(order[:enough])
            fast = 1.0 + factor - ndimage.uniform_filter1d(factor, 7, mode="nearest")
        other, other_sigma = gel.factors(order[enough : 3 * enough])
        square = np.mean((factor - other) ** 2) - np.mean(sigma**2 + other_sigma**2)
        # The specimen's share grows from tile to tile in this order. If the second lot has at
        # least twice the first one's, their difference is no less than the first one's error.
        apart = max(math.sqrt(max(0.0, float(square))), _following(factor, total))
        error = math.hypot(float(np.median(sigma)), apart)
        if best is None or error < best[0]:
            best = error, factor, np.hypot(sigma, apart), order[:enough]
            weak = apart < float(np.median(sigma))
    assert best is not None
    error, factor, sigma, chosen = best
    if error > settings.accuracy:
        why = (
            f"the gel's light is too weak, {float(level[chosen].mean()):.3g} over black"
            if weak
            else "the specimen's own light reaches all of the photograph"
        )
        return (
            f"{why}: the laser's power can be told to {100 * error:.2g} %, "
            f"{100 * settings.accuracy:.2g} % is needed"
        )
    kept = np.zeros(len(level), dtype=bool)
    kept[chosen] = True
    return factor, kept, level[kept], sigma


def _unrest(around: Floats, lit: NDArray[np.bool_]) -> Floats:
    """Return the relative variance of each tile's light over the planes; inf where unlit."""
    middle = np.where(lit, np.median(around, axis=0), 1.0)
    return np.where(lit, np.var(around / middle, axis=0), np.inf)


def _following(factor: Floats, total: Floats) -> float:
    """Return how much of the factors follows the specimen's light, rms; 0 where chance would."""
    specimen = total / factor
    specimen = specimen - specimen.mean()
    norm = float((specimen**2).sum())
    if norm <= 0:
        return 0.0
    slope = float((specimen * (factor - 1.0)).sum()) / norm
    follows = abs(slope) * float(np.std(specimen))
    chance = float(np.std(factor)) / math.sqrt(len(total))
    return follows if follows > 3 * chance else 0.0


@dataclass(frozen=True)
class _Gel:
    """Light of tiles over the planes (n, tiles), its medians, its noise."""

    table: Floats
    level: Floats
    noise: Floats

    def enough(self, order: NDArray[np.intp], accuracy: float, least: int) -> int:
        """Return how many of the tiles, in order, give an accuracy; a third of them at most."""
        within = 1.0 / np.sqrt(np.cumsum((self.level[order] / self.noise[order]) ** 2))
        count = int(np.searchsorted(-within, -accuracy)) + 1
        return max(least, min(count, len(order) // 3))

    def factors(self, chosen: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Fit each frame's factor, mean 1, over tiles; its sigma is from their scatter."""
        gel, own = self.level[chosen], self.table[:, chosen]
        allowed = np.hypot(self.noise[chosen], 0.002 * gel)
        trust = np.ones_like(own)
        factor = np.ones(len(own))
        sigma = np.ones(len(own))
        for _ in range(4):
            weight = trust * (gel / allowed) ** 2
            factor = (weight * own / gel).sum(1) / weight.sum(1)
            off = (own - factor[:, None] * gel) / allowed
            # A bead that passes through a tile spoils some planes of it, not the tile.
            trust = np.minimum(1.0, 3.0 / np.maximum(np.abs(off), 1e-12)) ** 2
            scatter = np.sqrt((trust * off**2).sum(1) / trust.sum(1))
            sigma = np.maximum(scatter, 1.0) / np.sqrt(weight.sum(1))
        mean = float(factor.mean())
        return np.asarray(factor / mean), np.asarray(sigma / mean)


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
