"""Search the trains that a drawer of lenses can make, and rank them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planewright.base.problems import RangeProblem
from planewright.bench.drawer import OwnedLens
from planewright.bench.search_place import Floats, Many, place, rough_cost
from planewright.bench.search_plans import Pool, choices, plans
from planewright.bench.search_rate import Rating, rate
from planewright.bench.search_wish import (
    QUARTER_WAVE,
    WALL_INDEX,
    Wish,
    cost,
    height_missed,
    light_missed,
    thickness_missed,
)
from planewright.optics.elements import Element, Facing, Gap, Lens, Train, Wall
from planewright.optics.gauss import trace
from planewright.optics.sheet import Sheet, sheet
from planewright.optics.truncate import cut_beam

THICK_LIMIT = 0.10  # how much thicker than asked a sheet may be and still count as what was asked
HEIGHT_LIMIT = 0.05
LEAST_PASSED = 0.90
_CHUNK = 8192
_LOOKED_AT = 10  # trains that are worked out one by one
_NEAR_FOCUS = 0.02  # of a Rayleigh range


@dataclass(frozen=True)
class Candidate:
    """One train, worked out on its own.

    Parameters
    ----------
    layout : str
        Which of the two ways to make a sheet.
    roles, names : tuple of str
        What each lens is there for, and what its owner calls it.
    train : Train
        The train, ending at the middle of the field.
    sheet : Sheet
        What it gives, edges and aberration included.
    edge_um : float
        FWHM at the edges of the field, the thicker of the two, µm.
    height_um : float
        Height lit to 80 % of the middle's light over the whole field, µm.
    moves_um, spoils : float
        As in `Rating`.
    length_mm : float
        From the first lens to the middle of the field, mm.
    cost : float
        The figure by which it is ranked.
    misses : tuple of str
        What it does not do; empty for a train that does what is asked.
    """

    layout: str
    roles: tuple[str, ...]
    names: tuple[str, ...]
    train: Train
    sheet: Sheet
    edge_um: float
    height_um: float
    moves_um: float
    spoils: float
    length_mm: float
    cost: float
    misses: tuple[str, ...]

    @property
    def does_it(self) -> bool:
        """Whether it does what is asked."""
        return not self.misses

    @property
    def over_quarter_wave(self) -> bool:
        """Whether its spherical aberration is over a quarter of a wave at best focus."""
        return self.sheet.aberration.peak_to_valley_waves > QUARTER_WAVE

    @property
    def order(self) -> tuple[bool, float, tuple[str, ...]]:
        """The key by which trains are ranked."""
        return (not self.does_it, round(self.cost, 6), self.names)


@dataclass(frozen=True)
class Found:
    """What a search found.

    Parameters
    ----------
    ok : bool
        Whether a train does what is asked.
    best : tuple of Candidate
        The best first; empty if nothing can be built at all.
    placed : int
        Trains that were placed and focused.
    rated : int
        Trains that were rated with edges, aberration and misplacement.
    why : str
        Why nothing does it; empty if something does.
    """

    ok: bool
    best: tuple[Candidate, ...]
    placed: int
    rated: int
    why: str


@dataclass(frozen=True)
class Rated:
    """A kind of train with its best trains and their ratings.

    Parameters
    ----------
    many : Many
        The trains.
    rating : Rating
        What they give.
    """

    many: Many
    rating: Rating


def search(
    lenses: Sequence[OwnedLens],
    wish: Wish,
    *,
    most_rated: int = 100_000,
    thought_of: Sequence[OwnedLens] = (),
    shown: int = 5,
    looked_at: int = _LOOKED_AT,
    falling_short: int = 3,
) -> Found:
    """Search the trains that a drawer can make.

    Parameters
    ----------
    lenses : sequence of OwnedLens
        The drawer.
    wish : Wish
        What is asked.
    most_rated : int
        Trains to rate in full; the most promising of all that can be placed.
    thought_of : sequence of OwnedLens
        Lenses to buy one of: every train then has exactly one of them.
    shown : int
        Trains to return.
    looked_at : int
        Trains to work out one by one; at least as many as shown.
    falling_short : int
        Of these, how many may fall short of what is asked.

    Returns
    -------
    Found
        Trains that do what is asked before those that do not, each by its cost; of trains with
        the same focal lengths (of either sign) only the best.
    """
    pool = Pool(lenses, thought_of)
    groups, placed = place_all(pool, wish, most=most_rated)
    kept = promising(groups, wish, most_rated)
    rated = [Rated(many, rate(many, pool, wish)) for many in kept]
    total = sum(len(many) for many in kept)
    worked_out = [
        candidate
        for group, at in _first(rated, pool, wish, max(looked_at, shown), falling_short)
        if (candidate := work_out(group, at, pool, wish)) is not None
    ]
    best = tuple(sorted(worked_out, key=lambda c: c.order))[:shown]
    ok = bool(best) and best[0].does_it
    return Found(ok, best, placed, total, "" if ok else _why(best, pool, placed, wish))


def place_all(pool: Pool, wish: Wish, *, most: int | None = None) -> tuple[list[Many], int]:
    """Place every train that a pool can make.

    Parameters
    ----------
    pool : Pool
        The lenses.
    wish : Wish
        What is asked.
    most : int or None
        Trains of each kind to keep, the most promising; None for all.

    Returns
    -------
    groups : list of Many
        Trains that can stand, by kind of train, in pieces.
    placed : int
        How many choices of lenses were tried.
    """
    groups: list[Many] = []
    tried = 0
    for plan in plans():
        picks, free = choices(plan, pool, free_mm=wish.free_mm, longest_mm=wish.longest_mm)
        tried += picks.shape[1]
        own: list[Many] = []
        for start in range(0, picks.shape[1], _CHUNK):
            part = slice(start, start + _CHUNK)
            many = place(plan, picks[:, part], free[part], pool, wish)
            if len(many):
                own.append(many)
        groups += own if most is None else promising(own, wish, most)
    return groups, tried


def promising(groups: Sequence[Many], wish: Wish, most: int) -> list[Many]:
    """Return the trains that could be best, by the least cost that each can have.

    Parameters
    ----------
    groups : sequence of Many
        Placed trains.
    wish : Wish
        What is asked.
    most : int
        How many to keep.

    Returns
    -------
    list of Many
        In the same order.
    """
    if not groups:
        return []
    rough = np.concatenate([rough_cost(many, wish) for many in groups])
    if len(rough) <= most:
        return list(groups)
    keep = np.zeros(len(rough), dtype=bool)
    keep[np.argsort(rough, kind="stable")[:most]] = True
    parts = np.split(keep, np.cumsum([len(many) for many in groups])[:-1])
    some = [many.some(np.flatnonzero(k)) for many, k in zip(groups, parts, strict=True)]
    return [many for many in some if len(many)]


def _first(
    rated: Sequence[Rated], pool: Pool, wish: Wish, count: int, falling_short: int
) -> list[tuple[Rated, int]]:
    """Return the trains that rank first by their ratings, one of each set of focal lengths."""
    if not rated:
        return []
    missed = np.concatenate([_misses_something(group.rating, wish) for group in rated])
    costs = np.concatenate([group.rating.cost for group in rated])
    owner = np.concatenate([np.full(len(group.many), k) for k, group in enumerate(rated)])
    within = np.concatenate([np.arange(len(group.many)) for group in rated])
    out: dict[tuple[object, ...], tuple[Rated, int]] = {}
    short = 0
    for k in np.lexsort((costs, missed)):
        if missed[k] and short == falling_short:
            break
        group, at = rated[owner[k]], int(within[k])
        focal = np.abs(pool.focal_mm[group.many.picks[:, at]]).tolist()
        key = (group.many.plan, *focal)
        short += int(bool(missed[k]) and key not in out)
        out.setdefault(key, (group, at))
        if len(out) == count:
            break
    return list(out.values())


def _misses_something(rating: Rating, wish: Wish) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    thick = thickness_missed(rating.fwhm_um, rating.edge_um, wish) > THICK_LIMIT
    low = height_missed(rating.height_um, wish) > HEIGHT_LIMIT
    dark = rating.passed < LEAST_PASSED
    return np.asarray(thick | low | dark | (rating.peak_to_valley_waves > QUARTER_WAVE))


def make_train(many: Many, at: int, pool: Pool, wish: Wish, turned: Sequence[bool]) -> Train:
    """Return one of many trains as optics knows it.

    Parameters
    ----------
    many : Many
        Placed trains.
    at : int
        Which one.
    pool : Pool
        The lenses.
    wish : Wish
        What is asked.
    turned : sequence of bool
        Which lenses stand flat side first.

    Returns
    -------
    Train
        Ends at the middle of the field.
    """
    picks = [int(pick) for pick in many.picks[:, at]]
    elements: list[Element] = []
    for k, (pick, name) in enumerate(zip(picks, pool.names(picks), strict=True)):
        own = pool.lenses[pick]
        width = None if math.isinf(own.clear_mm) else own.clear_mm
        facing = Facing.FLAT if turned[k] else Facing.CURVED
        elements.append(
            Lens(
                own.focal_length_mm,
                acts_on=many.plan.acts_on[k],
                shape=own.shape,
                facing=facing if own.faces_differ else None,
                diameter_mm=width if own.is_round else None,
                width_y_mm=None if own.is_round else width,
                width_z_mm=None if own.is_round else width,
                glass_index=own.glass_index,
                bending=own.bending,
                name=name,
            )
        )
        elements.append(Gap(float(many.gaps_mm[k, at]), f"behind {name}"))
    elements.append(Wall(wish.wall_mm, WALL_INDEX, wish.index, name="window"))
    elements.append(Gap(wish.depth_mm, "in the cell"))
    return Train(
        wish.wavelength_nm,
        wish.beam_radius_mm,
        wish.beam_radius_mm,
        tuple(elements),
        beam_quality_y=wish.beam_quality,
        beam_quality_z=wish.beam_quality,
    )


def work_out(group: Rated, at: int, pool: Pool, wish: Wish) -> Candidate | None:
    """Work out one train on its own, its last gap set to where the sheet is really thinnest.

    Parameters
    ----------
    group : Rated
        Rated trains.
    at : int
        Which one.
    pool : Pool
        The lenses.
    wish : Wish
        What is asked.

    Returns
    -------
    Candidate or None
        None where the light comes to no clear focus.
    """
    many, rating = group.many, group.rating
    train = make_train(many, at, pool, wish, [bool(t) for t in rating.turned[:, at]])
    try:
        train, made = focused(train)
    except RangeProblem:
        return None
    names = [element.name for element in train.elements if isinstance(element, Lens)]
    try:
        edge = edge_um(train, made, wish.field_um)
    except RangeProblem:  # far outside its thin part: the table is good enough there
        edge = float(rating.edge_um[at])
    height = float(many.height_um[at])
    radius_y = float(many.radius_y_um[at])
    valley = made.aberration.peak_to_valley_waves
    length = sum(e.length_mm for e in train.elements if isinstance(e, Gap)) + wish.wall_mm
    moves, spoils = float(rating.moves_um[at]), float(rating.spoils[at])
    value = cost(
        thick=thickness_missed(made.fwhm_um, edge, wish),
        high=height_missed(height, wish),
        dark=light_missed(made.passed, radius_y, wish),
        spoils=spoils,
        moves_um=moves,
        valley_waves=valley,
        lenses=len(names),
        wish=wish,
    )
    return Candidate(
        many.plan.layout,
        many.plan.roles,
        tuple(names),
        train,
        made,
        edge,
        height,
        moves,
        spoils,
        length,
        float(value),
        _misses(made, edge, height, wish),
    )


def focused(train: Train) -> tuple[Train, Sheet]:
    """Return a train whose sheet is brightest in the middle of the field, and that sheet.

    Parameters
    ----------
    train : Train
        Last the gap before the window, the window and the gap in the cell.

    Returns
    -------
    train : Train
        With the gap before the window changed.
    sheet : Sheet
        What it gives.
    """
    made = sheet(train)
    for _ in range(3):
        if abs(made.waist_at_um) < _NEAR_FOCUS * made.rayleigh_um:
            break
        last = train.elements[-3]
        assert isinstance(last, Gap)
        moved = Gap(max(last.length_mm + made.waist_at_um * 1e-3 / made.index, 0.0), last.name)
        train = replace(train, elements=(*train.elements[:-3], moved, *train.elements[-2:]))
        made = sheet(train)
    return train, made


def edge_um(train: Train, made: Sheet, field_um: float) -> float:
    """Return the FWHM at the edges of the field, the thicker of the two.

    Parameters
    ----------
    train : Train
        The train.
    made : Sheet
        What it gives.
    field_um : float
        Width of the field, µm.

    Returns
    -------
    float
        µm. Of a cut or aberrated beam by the diffraction integral: such a beam does not thicken
        alike on both sides, nor by the Rayleigh range of its waist.
    """
    ends = np.array([-0.5, 0.5]) * field_um
    simple = float(made.thickness_um(ends).max())
    counted = made.aberration.w040_um if abs(made.aberration.waves) > 0.01 else 0.0
    opening = cut_beam(train, made.thin_axis, w040_um=counted)
    if opening is None:
        return simple
    across: Floats = np.linspace(0.0, 2.0 * simple, 401)
    widths = []
    for end in ends:
        light = opening.profile(across, beyond_um=float(end))
        widths.append(2 * float(across[np.flatnonzero(light >= 0.5 * light.max())[-1]]))
    return max(widths)


def _misses(made: Sheet, edge_um: float, height_um: float, wish: Wish) -> tuple[str, ...]:
    out = []
    if made.fwhm_um > (1 + THICK_LIMIT) * wish.sheet_um:
        out.append(f"the sheet is {made.fwhm_um:.3g} µm thick where thinnest")
    if edge_um > (1 + THICK_LIMIT) * wish.edge_um:
        out.append(f"it is {edge_um:.3g} µm thick at the edges, where {wish.edge_um:.3g} can be")
    if height_missed(height_um, wish) > HEIGHT_LIMIT:
        out.append(f"it is {height_um:.0f} µm high")
    if made.passed < LEAST_PASSED:
        out.append(f"{100 * (1 - made.passed):.0f} % of the light is lost on rims")
    valley = made.aberration.peak_to_valley_waves
    if valley > QUARTER_WAVE:
        out.append(f"spherical aberration is {valley:.2g} waves, over the quarter")
    return tuple(out)


def _why(best: tuple[Candidate, ...], pool: Pool, tried: int, wish: Wish) -> str:
    if best:
        return "; ".join(best[0].misses)
    if not pool.of_kind("cylinder").size:
        return "there is no cylinder in the drawer, and a sheet needs one"
    if not tried:
        return "the drawer has too few lenses for any train"
    return (
        f"no choice of lenses fits between {wish.longest_mm:g} mm and the window "
        "with its waist in the middle of the field"
    )


def beam_at_lenses_mm(train: Train) -> list[tuple[float, float]]:
    """Return the 1/e² radius along y and z at every lens of a train, mm."""
    out = []
    for at_y, at_z in zip(trace(train, "y"), trace(train, "z"), strict=True):
        step = at_y.step
        if step is not None and isinstance(train.elements[step.element], Lens):
            out.append((at_y.beam.radius_um * 1e-3, at_z.beam.radius_um * 1e-3))
    return out
