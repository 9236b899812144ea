"""Which photograph stands at which planned position, from the clock and from likeness."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.check.clock import Clock, estimate_cadence
from planewright.check.likely import Likeness, likeness_tables
from planewright.check.paths import Paths

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MISS = -4.6  # log odds of a missed trigger after any frame: one in a hundred
_MISS_MORE = -1.5  # and of each further one in the same gap
_REPEAT = -6.0
_REPEAT_STRANGE = -8.0  # the same, of a photograph that is wrong in another way as well
_LEAD_IN = -2.0  # repeat from the first on: the stage has not yet taken up its backlash
_LEAD_IN_MORE = -0.5  # and each further one: what backlash there is may take any number
_STUCK = -6.0  # the same, but the plan was not held back for it
_CUT = -4.0  # stack ended early, by any number of positions
_EXTRA = 8  # missed and repeated ones that may hide each other in the count
_TEMPER = 0.7  # likelihoods of similarity are softened by this when intervals are drawn
_DRAWS = 1000
_TAIL = 0.025  # of the draws that an interval leaves out at each end


@dataclass(frozen=True)
class Alignment:
    """Photographs put on planned positions.

    Parameters
    ----------
    positions : int array of shape (frames,)
        Position of each photograph; the first is 0 where no plan says otherwise.
    stuck : int
        How many of the first photographs show the plane of the one after the last of them.
    repeated : tuple of (int, int, int)
        For each photograph that shows the plane of the one before: its index, and the first and
        last index between which the true one lies.
    missed : tuple of (int, int, int)
        For each missed position: the position, and the first and last position between which
        the true one lies.
    cadence_s : float or None
        Seconds from photograph to photograph, where there are times.
    total : int
        Number of planned positions, or as many as were found where no plan is known.
    """

    positions: NDArray[np.int64]
    stuck: int
    repeated: tuple[tuple[int, int, int], ...]
    missed: tuple[tuple[int, int, int], ...]
    cadence_s: float | None
    total: int


def align(
    moments_s: Floats,
    likeness: dict[int, Likeness],
    *,
    planned: int | None,
    cadence_s: float | None = None,
    clock_step_s: float = 1.0,
    strange: NDArray[np.bool_] | None = None,
    stray_odds: Floats | None = None,
) -> Alignment:
    """Put photographs, in the order of shooting, on planned positions.

    The advance between two photographs is 1; 0 for a repeat; 2 and more past missed triggers.
    Each advance has a likelihood from the time gap, from the similarity of the two photographs
    and from that of the next but one; with a plan, the advances must fill it. The most likely
    sequence is found by dynamic programming, and intervals by drawing sequences from the
    posterior.

    Parameters
    ----------
    moments_s : array of shape (frames,)
        Times, seconds; NaN where unknown.
    likeness : dict
        Similarities by lag 1, 2, 3; may be empty.
    planned : int or None
        Number of planned positions.
    cadence_s : float or None
        Planned seconds between triggers; estimated where not given.
    clock_step_s : float
        Step of the camera's clock: 1 s, less where it writes parts of a second.
    strange : bool array of shape (frames,) or None
        Photographs whose similarity to others says nothing; their neighbours' to each other does.
    stray_odds : array of shape (frames,) or None
        Log odds that a photograph is one more than planned, whatever it shows; -inf for never.

    Returns
    -------
    Alignment
        Always one; with neither times nor structure it rests on counts alone.
    """
    count = moments_s.size
    if count == 0:
        total = planned or 0
        every = tuple((p, p, p) for p in range(total))
        return Alignment(np.zeros(0, np.int64), 0, (), every, cadence_s, total)
    cadence = cadence_s or estimate_cadence(moments_s, clock_step_s)
    odd = np.zeros(count, bool) if strange is None else strange
    stray = np.full(count, -np.inf) if stray_odds is None else stray_odds
    most = _most(np.diff(moments_s), cadence, planned, count)
    tables = likeness_tables(likeness, odd, most)

    def model_for(cadence_s: float | None) -> _Model:
        return _Model(moments_s, tables, planned, cadence_s, clock_step_s, odd, stray, most)

    model = model_for(cadence)
    path = model.best()
    if not cadence_s and cadence and model.clock.bins > 1:
        near_stray = np.isfinite(stray[1:]) | np.isfinite(stray[:-1])
        for _ in range(3):  # the cadence again, now that missed and repeated ones are known
            better = _refined(moments_s, model.positions(path), ~near_stray, model)
            if better is None or better <= 0 or abs(better - cadence) < 1e-3 * cadence:
                break
            cadence = better
            model = model_for(cadence)
            path = model.best()
    draws = model.draws(np.random.default_rng(0))
    return _told(model, _agreed(model, path, draws), draws)


def _agreed(model: _Model, path: Ints, draws: Ints) -> Ints:
    """Return the likeliest sequence among those that start as most draws do.

    A repeat among empty planes has many places, a lead-in one: each place alone is less likely
    than the lead-in, all of them together may be more.
    """

    def start(one: Ints) -> tuple[int, int]:
        lead_in = one[1:] == model.step.size - 2
        return int(one[0]), int(lead_in.sum())

    kinds = Counter(start(draw) for draw in draws)
    most, number = kinds.most_common(1)[0]
    if most == start(path) or number < 1.5 * kinds[start(path)]:
        return path
    alike = Counter(tuple(draw.tolist()) for draw in draws if start(draw) == most)
    return np.array(alike.most_common(1)[0][0], dtype=np.int64)


def _refined(moments_s: Floats, positions: Ints, usual: Floats, model: _Model) -> float | None:
    """Return the cadence again, from gaps between photographs that are one position apart."""
    gaps, steps = np.diff(moments_s), np.diff(positions)
    after_repeat = np.concatenate([[False], steps[:-1] == 0])
    plain = (steps == 1) & ~after_repeat & np.isfinite(gaps) & usual.astype(bool)
    cadence_s = model.clock.cadence_s or 0.0
    plain &= np.abs(gaps - cadence_s) <= 0.3 * cadence_s + model.clock.step
    return float(gaps[plain].mean()) if plain.sum() >= 5 else None


class _Model:
    """Log likelihoods of advances, and sequences of them."""

    def __init__(
        self,
        moments_s: Floats,
        tables: tuple[Floats, Floats],
        planned: int | None,
        cadence_s: float | None,
        clock_step_s: float,
        strange: NDArray[np.bool_],
        stray_odds: Floats,
        most: int,
    ) -> None:
        self.count = moments_s.size
        self.planned = planned
        self.strange = strange
        self.one, self.two = tables
        # After the plain advances two that only stand at the start: lead-in and stuck.
        self.step = np.array([*range(most + 1), 0, 1])
        self.seen = np.array([*range(most + 1), 0, 0])
        free = np.isfinite(stray_odds[1:]) | np.isfinite(stray_odds[:-1])
        slots = np.array([*range(most + 1), 1, 1])
        self.clock = Clock(moments_s, slots, cadence_s, clock_step_s, free)
        more = [_MISS + _MISS_MORE * (advance - 2) for advance in range(2, most + 1)]
        self.prior = np.tile(np.array([_REPEAT, 0.0, *more, _LEAD_IN, _STUCK]), (self.count, 1))
        self.prior[strange, 0] = _REPEAT_STRANGE
        self.prior[:, 0] = np.logaddexp(self.prior[:, 0], stray_odds)
        self.prior[2:, -2] = _LEAD_IN_MORE
        self.stray = np.isfinite(stray_odds)
        if planned is None:
            self.prior[:, -1] = -np.inf  # without a plan a lead-in is a repeat at the start
            self.low, self.high = 0, 0
        else:
            spare = planned - self.count
            self.low, self.high = min(0, spare) - _EXTRA, max(0, spare) + _EXTRA

    def _paths(self, temper: float) -> Paths:
        change = self.step - 1 if self.planned is not None else np.zeros_like(self.step)
        offsets = range(self.low, self.high + 1)
        start = np.array([self._ends(offset, -np.inf) for offset in offsets])
        finish = np.zeros(1)
        if self.planned is not None:
            spare = self.planned - self.count
            finish = np.array([self._ends(spare - offset, _CUT) for offset in offsets])
        return Paths(
            self.count, change, lambda pair: self._weights(pair, temper), self.clock, start, finish
        )

    def _ends(self, missing: int, cut: float) -> float:
        if missing < 0:
            return -np.inf
        return 0.0 if missing == 0 else max(_MISS + _MISS_MORE * (missing - 1), cut + _MISS)

    def _weights(self, pair: int, temper: float) -> Floats:
        """Return log weights (previous action, action) of one pair of photographs."""
        weight = (self.prior[pair + 1] + temper * self.one[pair, self.seen])[None, :]
        weight = np.broadcast_to(weight, (self.step.size, self.step.size)).copy()
        if pair > 0:
            weight[:-2, -2] = weight[-1, -2] = -np.inf  # only from the first photograph on
            weight[:-1, -1] = weight[-1, 0] = -np.inf
            if self.strange[pair]:
                totals = self.seen[:, None] + self.seen[None, :]
                weight += temper * self.two[pair - 1][totals]
        return weight

    def best(self) -> Ints:
        """Return [offset at the start, actions...] of the most likely sequence."""
        offset, actions = self._paths(1.0).best()
        return np.array([offset + self.low, *actions], dtype=np.int64)

    def draws(self, rng: np.random.Generator) -> Ints:
        """Return sequences drawn from the softened posterior, one a row."""
        offsets, actions = self._paths(_TEMPER).draws(_DRAWS, rng)
        return np.concatenate([offsets[:, None] + self.low, actions], axis=1)

    def again(self, path: Ints) -> NDArray[np.bool_]:
        """Tell of each photograph but the first whether it repeats the position before.

        Neither a lead-in nor a stray counts: these are told by other means, and their number
        must not move the place of a repeat.
        """
        repeats: NDArray[np.bool_] = (path[1:] == 0) & ~self.stray[1:]
        return repeats

    def positions(self, path: Ints) -> Ints:
        """Return the position of each photograph."""
        moved: Ints = path[0] + np.concatenate([[0], np.cumsum(self.step[path[1:]])])
        return moved


def _most(gaps: Floats, cadence_s: float | None, planned: int | None, count: int) -> int:
    """Return the largest advance that is worth trying."""
    most = 4
    if cadence_s and np.isfinite(gaps).any():
        most = int(np.clip(np.ceil(np.nanmax(gaps) / cadence_s) + 1, 4, 24))
    if planned is not None:
        most = int(min(most, max(4, planned - count + 3)))
    return most


def _told(model: _Model, path: NDArray[np.int64], draws: NDArray[np.int64]) -> Alignment:
    positions = model.positions(path)
    stuck = int(np.argmax(np.append(path[1:], 0) != model.step.size - 1))
    total = model.planned if model.planned is not None else int(positions[-1]) + 1
    missed = _missed(positions, total)
    repeated = np.flatnonzero(model.again(path)) + 1
    all_missed, all_repeated = [], []
    for draw in draws:
        at = model.positions(draw)
        places = _missed(at, max(total, int(at[-1]) + 1))
        if len(places) == len(missed):
            all_missed.append(places)
        again = np.flatnonzero(model.again(draw)) + 1
        if again.size == repeated.size:
            all_repeated.append(again)
    return Alignment(
        positions.astype(np.int64),
        stuck,
        _intervals(repeated.tolist(), all_repeated),
        _intervals(missed, all_missed),
        model.clock.cadence_s,
        total,
    )


def _missed(positions: NDArray[np.int64], total: int) -> list[int]:
    return sorted(set(range(total)) - set(positions.tolist()))


def _intervals(
    places: list[int], drawn: list[NDArray[np.int64]] | list[list[int]]
) -> tuple[tuple[int, int, int], ...]:
    if not places:
        return ()
    table = np.array([places, *drawn])
    low, high = np.quantile(table, [_TAIL, 1 - _TAIL], axis=0, method="nearest")
    low, high = np.minimum(low, places), np.maximum(high, places)
    return tuple((int(p), int(a), int(b)) for p, a, b in zip(places, low, high, strict=True))
