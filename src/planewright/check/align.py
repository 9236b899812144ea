"""Which photograph stands at which planned position, from the clock and from likeness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MISS = -4.6  # log odds of a missed trigger after any frame: one in a hundred
_MISS_MORE = -1.5  # and of each further one in the same gap
_REPEAT = -5.0
_LEAD_IN = -3.0  # stage that has not yet taken up its backlash; only at the start
_CUT = -4.0  # stack begun late or ended early, by any number of positions
_EXTRA = 8  # missed and repeated ones that may hide each other in the count
_STRAY = 1e-4  # share of time gaps that follow no rule
_TEMPER = 0.6  # likelihoods are softened by this when intervals are drawn
_DRAWS = 600


@dataclass(frozen=True)
class Likeness:
    """Similarity of each photograph to the one ``lag`` later.

    Parameters
    ----------
    value, sigma : arrays of shape (frames - lag,)
        Correlation of structure and its standard error from noise; NaN where it cannot be told.
    """

    value: Floats
    sigma: Floats


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


def estimate_cadence(moments_s: Floats) -> float | None:
    """Return the seconds from photograph to photograph, whatever the few missed.

    Parameters
    ----------
    moments_s : array of shape (frames,)
        Times; NaN where unknown.

    Returns
    -------
    float or None
        Median of slopes over many photographs, so that a clock of whole seconds does not round
        it; None for fewer than three times or where they do not grow.
    """
    known = np.flatnonzero(np.isfinite(moments_s))
    if known.size < 3:
        return None
    times = moments_s[known]
    lag = max(1, min(20, (known.size - 1) // 3))
    slope = (times[lag:] - times[:-lag]) / (known[lag:] - known[:-lag])
    cadence = float(np.median(slope))
    return cadence if cadence > 0 else None


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
    cadence = cadence_s or estimate_cadence(moments_s)
    odd = np.zeros(count, bool) if strange is None else strange
    stray = np.full(count, -np.inf) if stray_odds is None else stray_odds
    model = _Model(moments_s, likeness, planned, cadence, clock_step_s, odd, stray)
    path = model.best()
    draws = model.draws(np.random.default_rng(0))
    return _told(model, path, draws)


class _Model:
    """Log likelihoods of advances, and the sums over sequences of them."""

    def __init__(
        self,
        moments_s: Floats,
        likeness: dict[int, Likeness],
        planned: int | None,
        cadence_s: float | None,
        clock_step_s: float,
        strange: NDArray[np.bool_],
        stray_odds: Floats,
    ) -> None:
        self.count = moments_s.size
        self.strange = strange
        self.planned = planned
        self.cadence_s = cadence_s
        gaps = np.diff(moments_s)
        most = 4
        if cadence_s and np.isfinite(gaps).any():
            most = int(np.clip(np.ceil(np.nanmax(gaps) / cadence_s) + 1, 4, 24))
        if planned is not None:
            most = int(min(most, max(4, planned - self.count + 3)))
        self.most = most
        self.step = np.array([*range(most + 1), 1])  # the last action: stuck at the start
        self.seen = np.array([*range(most + 1), 0])
        self.prior = np.array(
            [_REPEAT, 0.0] + [_MISS + _MISS_MORE * (a - 2) for a in range(2, most + 1)] + [_LEAD_IN]
        )
        time = _time_table(gaps, self.step, cadence_s, clock_step_s)
        self.one, self.two = _likeness_tables(likeness, self.count, 2 * most)
        self.pair = time + self.one[:, self.seen] + self.prior
        for frame in range(1, self.count):
            again = self.pair[frame - 1, 0]
            self.pair[frame - 1, 0] = np.logaddexp(again, again - _REPEAT + stray_odds[frame])
        if planned is None:
            self.pair[:, -1] = -np.inf  # without a plan a lead-in is a repeat at the start
        if planned is None:
            self.low, self.high = 0, 0
        else:
            spare = planned - self.count
            self.low, self.high = min(0, spare) - _EXTRA, max(0, spare) + _EXTRA

    def _start(self) -> Floats:
        actions = len(self.step)
        start = np.full((self.high - self.low + 1, actions), -np.inf)
        for offset in range(self.low, self.high + 1):
            if offset >= 0:
                start[offset - self.low, 1] = self._ends(offset)
        return start

    def _ends(self, missing: int) -> float:
        return 0.0 if missing == 0 else max(_MISS + _MISS_MORE * (missing - 1), _CUT + _MISS)

    def _finish(self) -> Floats:
        if self.planned is None:
            return np.zeros(1)
        spare = self.planned - self.count
        return np.array(
            [
                self._ends(spare - offset) if spare - offset >= 0 else -np.inf
                for offset in range(self.low, self.high + 1)
            ]
        )

    def _move(self, pair: int, temper: float) -> Floats:
        """Return log weights (previous action, action) of one pair of photographs."""
        weight = temper * self.pair[pair][None, :]
        if pair > 0:
            totals = self.seen[:, None] + self.seen[None, :]
            share = 1.0 if self.strange[pair] else 0.5  # else lag 1 has told half of it
            weight = weight + temper * share * self.two[pair - 1][totals]
        weight = np.broadcast_to(weight, (self.step.size, self.step.size)).copy()
        if pair > 0:
            weight[:-1, -1] = -np.inf  # stuck only from the first photograph on
        return weight

    def _shifted(self, table: Floats, action: int) -> Floats:
        """Return scores by offset before a move, placed at the offset after it."""
        if self.planned is None:
            return table
        change = int(self.step[action]) - 1
        moved = np.full_like(table, -np.inf)
        if change == 0:
            return table
        if change < 0:
            moved[:change] = table[-change:]
        elif change < table.shape[0]:
            moved[change:] = table[:-change]
        return moved

    def best(self) -> NDArray[np.int64]:
        """Return [offset at the start, actions...] of the most likely sequence."""
        score, back = self._start(), []
        for pair in range(self.count - 1):
            weight = self._move(pair, 1.0)
            following, pointer = np.full_like(score, -np.inf), np.zeros(score.shape, np.int64)
            for action in range(self.step.size):
                options = self._shifted(score, action) + weight[:, action][None, :]
                pointer[:, action] = np.argmax(options, axis=1)
                following[:, action] = options.max(axis=1)
            back.append(pointer)
            score = following
        final = score + self._finish()[:, None]
        offset, action = divmod(int(np.argmax(final)), self.step.size)
        actions: list[int] = []
        for pointer in reversed(back):
            actions.append(action)
            previous = int(pointer[offset, action])
            if self.planned is not None:
                offset -= int(self.step[action]) - 1
            action = previous
        return np.array([offset + self.low, *reversed(actions)], dtype=np.int64)

    def draws(self, rng: np.random.Generator) -> NDArray[np.int64]:
        """Return sequences drawn from the softened posterior, one a row."""
        tables = [self._start()]
        for pair in range(self.count - 1):
            weight = self._move(pair, _TEMPER)
            following = np.full_like(tables[-1], -np.inf)
            for action in range(self.step.size):
                options = self._shifted(tables[-1], action) + weight[:, action][None, :]
                following[:, action] = np.logaddexp.reduce(options, axis=1)
            tables.append(following)
        final = tables[-1] + self._finish()[:, None]
        flat = _draw(np.broadcast_to(final.ravel(), (_DRAWS, final.size)), rng)
        offsets, actions = flat // self.step.size, flat % self.step.size
        out = np.empty((_DRAWS, self.count), np.int64)
        for pair in range(self.count - 2, -1, -1):
            out[:, pair + 1] = actions
            if self.planned is not None:
                offsets = offsets - (self.step[actions] - 1)
            weight = self._move(pair, _TEMPER)
            actions = _draw(tables[pair][offsets] + weight[:, actions].T, rng)
        out[:, 0] = offsets + self.low
        return out


def _draw(log_weights: Floats, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw one index a row."""
    top = log_weights.max(axis=1, keepdims=True)
    total = np.cumsum(np.exp(log_weights - np.where(np.isfinite(top), top, 0.0)), axis=1)
    point = rng.random((log_weights.shape[0], 1)) * total[:, -1:]
    chosen: NDArray[np.int64] = np.argmax(total > point, axis=1).astype(np.int64)
    return chosen


def _time_table(
    gaps: Floats, step: NDArray[np.int64], cadence_s: float | None, clock_step_s: float
) -> Floats:
    """Return log likelihoods (pair, action) of the time gaps."""
    table = np.zeros((gaps.size, step.size))
    if not cadence_s or not np.isfinite(gaps).any():
        return table
    usual = gaps[np.isfinite(gaps)]
    usual = usual[np.abs(usual - cadence_s) <= 0.5 * cadence_s + clock_step_s]
    spread2 = float(np.var(usual - cadence_s)) if usual.size > 2 else 0.0
    jitter = np.sqrt(max(spread2 - clock_step_s**2 / 6.0, (0.02 * cadence_s) ** 2))
    span = max(float(np.nanmax(gaps)), cadence_s) + 1.0
    for action, advance in enumerate(step):
        usual_gap = _clock_density(gaps - advance * cadence_s, jitter, clock_step_s)
        if advance == 0:  # fired twice at once, or the stage stood still for a whole step
            nodes = (np.arange(8) + 0.5) / 8 * cadence_s
            quick = np.mean(
                [_clock_density(gaps - node, jitter, clock_step_s) for node in nodes], axis=0
            )
            usual_gap = 0.5 * quick + 0.5 * _clock_density(gaps - cadence_s, jitter, clock_step_s)
        table[:, action] = np.log((1 - _STRAY) * usual_gap + _STRAY / span)
    table[~np.isfinite(gaps)] = 0.0
    return table


def _clock_density(distance: Floats, jitter: float, step: float) -> Floats:
    """Return the density of a difference of two readings of a clock that cuts to its step."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    total = np.zeros_like(distance)
    width = max(step, 0.5 * jitter)
    for node, weight in zip(nodes, weights / weights.sum(), strict=True):
        away = np.abs(distance - node * jitter) / width
        total += weight * np.maximum(0.0, 1.0 - away) / width
    return total


def _likeness_tables(likeness: dict[int, Likeness], count: int, most: int) -> tuple[Floats, Floats]:
    """Return log likelihoods (pair, advance) of lag-1 and of lag-2 similarities."""
    means = _means(likeness, count, most)
    one = _one_table(likeness.get(1), means, count - 1, most)
    two = _one_table(likeness.get(2), means, count - 2, most)
    return one, two


def _means(likeness: dict[int, Likeness], count: int, most: int) -> Floats:
    """Return the similarity expected at each photograph for each advance; NaN where unknown."""
    means = np.full((count, most + 1), np.nan)
    means[:, 0] = 1.0
    for lag in (1, 2, 3):
        if lag in likeness:
            means[:, lag] = _local_median(likeness[lag].value, count, lag)
    if 2 not in likeness or most < 3:
        return means
    for advance in range(3, most + 1):
        ratio = np.clip(means[:, 2] / np.maximum(means[:, 1], 1e-3), 0.0, 1.0)
        guess = np.maximum(means[:, advance - 1] * ratio, 0.0)
        unknown = np.isnan(means[:, advance])
        means[unknown, advance] = guess[unknown]
    return means


def _local_median(values: Floats, count: int, lag: int, reach: int = 6) -> Floats:
    out = np.full(count, np.nan)
    for index in range(count):
        near = values[max(0, index - reach) : index + reach + 1]
        near = near[np.isfinite(near)]
        if near.size >= 3:
            out[index] = np.median(near)
    return out


def _one_table(one: Likeness | None, means: Floats, pairs: int, most: int) -> Floats:
    table = np.zeros((max(0, pairs), most + 1))
    if one is None or pairs <= 0:
        return table
    known = np.isfinite(one.value) & np.isfinite(one.sigma)
    lag = means.shape[0] - pairs
    usual = means[:pairs, lag]
    known &= np.isfinite(usual)
    if known.sum() < 3:
        return table
    residual = np.where(known, one.value - usual, np.nan)
    spread = _local_spread(residual)
    for advance in range(most + 1):
        mean = means[:pairs, advance]
        sigma = np.sqrt(np.where(known, one.sigma, 1.0) ** 2 + spread**2)
        density = np.exp(-0.5 * ((one.value - mean) / sigma) ** 2) / (sigma * 2.5066)
        value = np.log(0.97 * density + 0.03 * 0.5)
        table[:, advance] = np.where(known & np.isfinite(mean), value, 0.0)
    missing = known & ~np.isfinite(means[:pairs, : most + 1]).all(axis=1)
    table[missing] = 0.0
    return table


def _local_spread(residual: Floats, reach: int = 10) -> Floats:
    out = np.full(residual.size, 0.01)
    for index in range(residual.size):
        near = residual[max(0, index - reach) : index + reach + 1]
        near = near[np.isfinite(near)]
        if near.size >= 3:
            out[index] = max(0.01, 1.4826 * float(np.median(np.abs(near - np.median(near)))))
    return out


def _told(model: _Model, path: NDArray[np.int64], draws: NDArray[np.int64]) -> Alignment:
    positions = path[0] + np.concatenate([[0], np.cumsum(model.step[path[1:]])])
    stuck = int(np.argmax(np.append(path[1:], 0) != model.step.size - 1))
    total = model.planned if model.planned is not None else int(positions[-1]) + 1
    missed = _missed(positions, total)
    repeated = np.flatnonzero(path[1:] == 0) + 1
    all_missed, all_repeated = [], []
    for draw in draws:
        at = draw[0] + np.concatenate([[0], np.cumsum(model.step[draw[1:]])])
        places = _missed(at, max(total, int(at[-1]) + 1))
        if len(places) == len(missed):
            all_missed.append(places)
        again = np.flatnonzero(draw[1:] == 0) + 1
        if again.size == repeated.size:
            all_repeated.append(again)
    return Alignment(
        positions.astype(np.int64),
        stuck,
        _intervals(repeated.tolist(), all_repeated),
        _intervals(missed, all_missed),
        model.cadence_s,
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
    low, high = table.min(axis=0), table.max(axis=0)
    return tuple((int(p), int(a), int(b)) for p, a, b in zip(places, low, high, strict=True))
