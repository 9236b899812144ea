"""Place many trains at once, by ray matrices on arrays of shape (lenses, trains).

Before the cell everything stands in air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.bench.search_plans import Picks, Plan, Pool
from planewright.bench.search_wish import (
    HEIGHT_RADII,
    WALL_INDEX,
    Wish,
    cost,
    height_missed,
    light_missed,
    thickness_missed,
)
from planewright.optics.gauss import FWHM_OF_RADIUS

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_LEAST_GAP_MM = 5.0  # thin lenses have mounts
_LEAST_LAST_MM = 3.0


@dataclass(frozen=True)
class Many:
    """Many trains of one kind, placed so that their waists lie in the middle of the field.

    Parameters
    ----------
    plan : Plan
        The kind of train.
    picks : ndarray of shape (L, N)
        Lenses.
    gaps_mm : ndarray of shape (L, N)
        Free path behind each lens; the last one ends at the window.
    before_y, before_z, after_y, after_z : ndarray of shape (L, N)
        Complex radius before and behind each lens, mm.
    waist_um, rayleigh_um : ndarray of shape (N,)
        1/e² radius of the thin axis and its Rayleigh range in the medium, without edges and
        aberration.
    height_um : ndarray of shape (N,)
        Usable height over the whole field.
    radius_y_um : ndarray of shape (N,)
        1/e² half height where it is least in the field.
    """

    plan: Plan
    picks: Picks
    gaps_mm: Floats
    before_y: Complexes
    before_z: Complexes
    after_y: Complexes
    after_z: Complexes
    waist_um: Floats
    rayleigh_um: Floats
    height_um: Floats
    radius_y_um: Floats

    def some(self, keep: NDArray[Any]) -> Many:
        """Return some of the trains."""
        arrays = {k: v[..., keep] for k, v in self.__dict__.items() if k != "plan"}
        return Many(plan=self.plan, **arrays)

    def __len__(self) -> int:
        return int(self.picks.shape[1])


def place(plan: Plan, picks: Picks, free_mm: Floats, pool: Pool, wish: Wish) -> Many:
    """Place the lenses of many trains, and drop the trains that cannot stand.

    Parameters
    ----------
    plan : Plan
        The kind of train.
    picks : ndarray of shape (L, N)
        Lenses.
    free_mm : ndarray of shape (N,)
        The free gap, mm.
    pool : Pool
        The lenses.
    wish : Wish
        What is asked.

    Returns
    -------
    Many
        Those with every gap at least 5 mm (3 mm before the window) and not too long.
    """
    count = picks.shape[1]
    q = 1j * math.pi * wish.beam_radius_mm**2 / (wish.um * 1e-3)
    q_y, q_z = np.full(count, q), np.full(count, q)
    power = powers(plan, picks, pool)
    before: tuple[list[Complexes], list[Complexes]] = ([], [])
    after: tuple[list[Complexes], list[Complexes]] = ([], [])
    gaps: list[Floats] = []
    for k in range(len(picks)):
        before[0].append(q_y)
        before[1].append(q_z)
        q_y, q_z = (_through(q_y, power["y"][k]), _through(q_z, power["z"][k]))
        after[0].append(q_y)
        after[1].append(q_z)
        if k + 1 < len(picks):
            gaps.append(_gap(plan, k, picks, free_mm, pool, wish, q_y, q_z))
            q_y, q_z = q_y + gaps[-1], q_z + gaps[-1]
    window_mm = wish.wall_mm / WALL_INDEX + wish.depth_mm / wish.index
    gaps.append(-q_z.real - window_mm)
    waist, rayleigh = thin_waist(q_z, wish)
    least_y = least_radius_um(q_y, -q_z.real, wish)
    many = Many(
        plan,
        picks,
        np.array(gaps),
        before_y=np.array(before[0]),
        before_z=np.array(before[1]),
        after_y=np.array(after[0]),
        after_z=np.array(after[1]),
        waist_um=waist,
        rayleigh_um=rayleigh,
        height_um=2 * HEIGHT_RADII * least_y,
        radius_y_um=least_y,
    )
    least = np.full((len(picks), 1), _LEAST_GAP_MM)
    least[-1] = _LEAST_LAST_MM
    length = many.gaps_mm.sum(axis=0) + wish.wall_mm + wish.depth_mm
    keep = (many.gaps_mm >= least).all(axis=0) & (length <= wish.longest_mm)
    keep &= waist < least_y  # or the sheet would stand the wrong way
    return many.some(np.flatnonzero(keep))


def powers(plan: Plan, picks: Picks, pool: Pool) -> dict[str, Floats]:
    """Return the power of every lens along y and z, 1/mm."""
    power = 1.0 / pool.focal_mm[picks]
    on_y = np.array([a != "z" for a in plan.acts_on])[:, None]
    on_z = np.array([a != "y" for a in plan.acts_on])[:, None]
    return {"y": power * on_y, "z": power * on_z}


def _through(q: Complexes, power: Floats) -> Complexes:
    return 1.0 / (1.0 / q - power)


def _gap(
    plan: Plan,
    k: int,
    picks: Picks,
    free_mm: Floats,
    pool: Pool,
    wish: Wish,
    q_y: Complexes,
    q_z: Complexes,
) -> Floats:
    ahead = pool.focal_mm[picks[k + 1]]
    match plan.rules[k]:
        case "afocal":
            gap = pool.focal_mm[picks[k]] + ahead
        case "free":
            gap = free_mm
        case "y focus":
            gap = ahead - q_y.real
        case _:
            gap = ahead - q_z.real
    if wish.rail_mm is not None:
        gap = np.maximum(np.round(gap / wish.rail_mm), 1.0) * wish.rail_mm
    return np.asarray(gap)


def thin_waist(q_z: Complexes, wish: Wish) -> tuple[Floats, Floats]:
    """Return the 1/e² radius and the Rayleigh range in the cell of the thin axis, µm."""
    waist = np.sqrt(wish.um * 1e3 * q_z.imag / math.pi)
    return waist, q_z.imag * 1e3 * wish.index


def least_radius_um(q_y: Complexes, reduced_mm: Floats, wish: Wish) -> Floats:
    """Return the 1/e² radius of y, where it is least in the field, µm."""
    half = wish.field_um * 1e-3 / 2 / wish.index
    at = q_y + reduced_mm
    nearest = np.clip(0.0, at.real - half, at.real + half)
    return np.asarray(np.sqrt(wish.um * 1e3 / math.pi * (nearest**2 + at.imag**2) / at.imag))


def rough_cost(many: Many, wish: Wish) -> Floats:
    """Return the cost without edges, aberration and misplacement: the least it can be."""
    edge = many.waist_um * np.hypot(1.0, wish.field_um / 2 / many.rayleigh_um)
    thick = thickness_missed(FWHM_OF_RADIUS * many.waist_um, FWHM_OF_RADIUS * edge, wish)
    dark = light_missed(1.0, many.radius_y_um, wish)
    return np.asarray(
        cost(
            thick=thick,
            high=height_missed(many.height_um, wish),
            dark=dark,
            spoils=0.0,
            moves_um=0.0,
            valley_waves=0.0,
            lenses=len(many.picks),
            wish=wish,
        )
    )
