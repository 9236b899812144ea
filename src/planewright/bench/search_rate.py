"""Rate many trains at once: edges, aberration, misplacement.

What this gives is for ranking: the best trains are worked out again one by one. Shapes are
(lenses, trains).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from planewright.bench.search_bent import bent_edge, bent_waist, cut_waist
from planewright.bench.search_place import (
    Complexes,
    Floats,
    Many,
    least_radius_um,
    powers,
    thin_waist,
)
from planewright.bench.search_plans import Pool
from planewright.bench.search_wish import (
    HEIGHT_RADII,
    PLACEMENT_MM,
    WALL_INDEX,
    Wish,
    cost,
    height_missed,
    light_missed,
    thickness_missed,
)
from planewright.optics.aberration import plate_w040_um, thin_lens_w040_um
from planewright.optics.gauss import FWHM_OF_RADIUS, carry_many

_RIM_RADII = 1.5  # the rim of an uncut beam, for the quarter-wave rule, as in `spherical`
_AXIS = np.ones((1, 1))
_thin_lens: Callable[..., Any] = thin_lens_w040_um  # plain arithmetic: it takes arrays as well


@dataclass(frozen=True)
class Rating:
    """What many trains give; every array of shape (N,) unless told.

    Parameters
    ----------
    fwhm_um, edge_um : ndarray
        FWHM where thinnest, and at the edges of the field.
    height_um : ndarray
        Usable height.
    passed : ndarray
        Fraction of the power that passes the edges of all lenses.
    truncation : ndarray
        Beam over the tightest opening, in the thin axis.
    waves : ndarray
        Spherical aberration at the 1/e² radius.
    peak_to_valley_waves : ndarray
        The same at best focus.
    turned : ndarray of shape (L, N)
        True where a lens stands better with its flat side first.
    moves_um : ndarray
        Largest move of the waist when one gap is 0.5 mm off and nothing else is touched.
    spoils : ndarray
        By how much misplacement adds to thickness and height missed, after focusing again.
    cost : ndarray
        The figure by which trains are ranked.
    """

    fwhm_um: Floats
    edge_um: Floats
    height_um: Floats
    passed: Floats
    truncation: Floats
    waves: Floats
    peak_to_valley_waves: Floats
    turned: NDArray[np.bool_]
    moves_um: Floats
    spoils: Floats
    cost: Floats


def rate(many: Many, pool: Pool, wish: Wish) -> Rating:
    """Rate many trains.

    Parameters
    ----------
    many : Many
        Placed trains.
    pool : Pool
        The lenses.
    wish : Wish
        What is asked.

    Returns
    -------
    Rating
        Edges by the table of cut beams, aberration to third order with each lens the better
        way round, misplacement by following every train again with each gap 0.5 mm off.
    """
    half = pool.half_mm[many.picks]
    w_y, w_z = (_radius_mm(q, wish) for q in (many.before_y, many.before_z))
    passed = _passed(w_y, w_z, half, pool.is_round[many.picks])
    truncation = np.maximum((w_z / half).max(axis=0), 1e-6)
    waves, turned = _aberration(many, pool, wish, w_y, w_z)
    valley = np.abs(waves) * np.minimum(1.0 / truncation, _RIM_RADII) ** 4 / 4
    fwhm, edge = _true_widths(many.waist_um, many.rayleigh_um, truncation, waves, wish)
    moves, spoils = _misplaced(many, pool, wish, (truncation, waves), (fwhm, edge))
    total = cost(
        thick=thickness_missed(fwhm, edge, wish),
        high=height_missed(many.height_um, wish),
        dark=light_missed(passed, many.radius_y_um, wish),
        spoils=spoils,
        moves_um=moves,
        valley_waves=valley,
        lenses=len(many.picks),
        wish=wish,
    )
    return Rating(
        fwhm, edge, many.height_um, passed, truncation, waves, valley, turned, moves, spoils, total
    )


def _radius_mm(q: Complexes, wish: Wish) -> Floats:
    return np.asarray(np.sqrt(wish.um * 1e-3 / math.pi * (q.real**2 + q.imag**2) / q.imag))


def _passed(w_y: Floats, w_z: Floats, half: Floats, is_round: NDArray[np.bool_]) -> Floats:
    """Return the fraction of the power that passes every lens of each train."""
    passed = np.ones(w_y.shape[1])
    for y, z, h, rnd in zip(w_y, w_z, half, is_round, strict=True):
        near = np.flatnonzero(np.maximum(y, z) > 0.4 * h)  # less than 4e-6 is lost elsewhere
        if not near.size:
            continue
        y, z, h = y[near], z[near], h[near]
        straight = erf(math.sqrt(2) * h / y) * erf(math.sqrt(2) * h / z)
        circle = _through_circle(y, z, h)
        passed[near] *= np.where(rnd[near], circle, straight)
    return passed


def _through_circle(y: Floats, z: Floats, half: Floats) -> Floats:
    """Return the fraction through a circle, as `power_through_circle`, on a quarter turn."""
    out = np.empty_like(y)
    long = np.maximum(y / z, z / y) > 5.0
    for some, count in ((~long, 20), (long, 160)):  # a line needs finer angles than a spot
        w_y, w_z, edge = y[some], z[some], half[some]
        lost = np.zeros_like(w_y)
        for angle in (np.arange(count) + 0.5) * (math.pi / 2 / count):
            inverse = (math.cos(angle) / w_y) ** 2 + (math.sin(angle) / w_z) ** 2
            lost += np.exp(-2.0 * edge**2 * inverse) / (w_y * w_z * inverse)
        out[some] = 1.0 - lost / count
    return np.asarray(np.clip(out, 0.0, 1.0))


def _aberration(
    many: Many, pool: Pool, wish: Wish, w_y: Floats, w_z: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the waves of the thin axis, and which lenses stand flat side first."""
    n_wall, n = WALL_INDEX, wish.index
    aperture = wish.um / (math.pi * many.waist_um)
    plates = plate_w040_um(wish.wall_mm, index=n_wall, numerical_aperture=1.0)
    plates += plate_w040_um(wish.depth_mm, index=n, numerical_aperture=1.0) if n > 1 else 0.0
    total = -plates * aperture**4
    turned = np.zeros(many.picks.shape, dtype=bool)
    for k, acts_on in enumerate(many.plan.acts_on):
        pick = many.picks[k]
        thin = acts_on != "y"
        w, q = (w_z[k], many.before_z[k]) if thin else (w_y[k], many.before_y[k])
        both = [
            _thin_lens(
                w,
                focal_length_mm=pool.focal_mm[pick],
                bending=sign * pool.bending[pick],
                glass_index=pool.glass_index[pick],
                convergence_per_mm=-(1.0 / q).real,
            )
            for sign in (1.0, -1.0)
        ]
        turned[k] = np.abs(both[1]) < np.abs(both[0])
        if thin:
            total = total + np.where(pool.perfect[pick], 0.0, np.where(turned[k], both[1], both[0]))
    return total / (wish.wavelength_nm * 1e-3), turned


def _true_widths(
    waist_um: Floats, rayleigh_um: Floats, truncation: Floats, waves: Floats, wish: Wish
) -> tuple[Floats, Floats]:
    """Return the FWHM at the waist and at the edges, with edges and aberration by table."""
    cut = cut_waist(truncation)
    bent = np.abs(waves) / wish.beam_quality * np.minimum(1.0 / truncation, 1.0) ** 4
    fwhm = FWHM_OF_RADIUS * waist_um * cut
    away = wish.field_um / 2 / (rayleigh_um * cut**2)
    return fwhm * bent_waist(bent), fwhm * np.hypot(1.0, away) * bent_edge(bent, away)


def _misplaced(
    many: Many,
    pool: Pool,
    wish: Wish,
    spoilt: tuple[Floats, Floats],
    widths: tuple[Floats, Floats],
) -> tuple[Floats, Floats]:
    """Return the largest move of the waist, and what is missed more, with each gap 0.5 mm off."""
    power = powers(many.plan, many.picks, pool)
    reach = -many.after_z[-1].real
    missed = thickness_missed(*widths, wish) + height_missed(many.height_um, wish)
    moves = np.full(len(many), PLACEMENT_MM * 1e3 * wish.index)  # the last gap, or the cell
    spoils = np.zeros(len(many))
    for k in range(len(many.picks) - 1):
        for off in (-PLACEMENT_MM, PLACEMENT_MM):
            ends = []
            for axis, after in (("y", many.after_y), ("z", many.after_z)):
                paths = np.concatenate([many.gaps_mm[k + 1 : -1], np.zeros((1, len(many)))])
                ends.append(
                    carry_many(
                        after[k] + many.gaps_mm[k] + off,
                        length_mm=paths,
                        power_per_mm=power[axis][k + 1 :],
                        index=_AXIS.repeat(len(paths), 0),
                        index_after=_AXIS.repeat(len(paths), 0),
                    )[-1]
                )
            q_y, q_z = ends
            moves = np.maximum(moves, np.abs(-q_z.real - reach) * 1e3 * wish.index)
            fwhm, edge = _true_widths(*thin_waist(q_z, wish), *spoilt, wish)
            height = 2 * HEIGHT_RADII * least_radius_um(q_y, -q_z.real, wish)
            now = thickness_missed(fwhm, edge, wish) + height_missed(height, wish)
            spoils = np.maximum(spoils, now - missed)
    return moves, spoils
