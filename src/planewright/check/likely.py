"""What similarity says of the advance from one photograph to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SAME = 0.06  # a repeat's lack of similarity, over that of the next plane (standard deviation)
_LEAST_SPREAD = 0.2  # of contrasts of log dissimilarity, at least
_LEAST_SCATTER = 0.3  # of log dissimilarity from gap to gap, at least
_OUTLIER = 0.005  # share of pairs whose similarity follows no rule
_AGAINST, _FOR = -5.0, 12.0  # log odds of a miss that the contrasts alone may give, at most
_REACH = 6  # pairs on each side in which the usual dissimilarity is read
_NEAR = 4  # pairs on each side beside which a repeat must stand out
_START = 8  # first pairs, where a run of repeats is backlash and no pair beside it tells


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


def likeness_tables(
    likeness: dict[int, Likeness], strange: Flags, most: int
) -> tuple[Floats, Floats]:
    """Return log likelihoods of advances from similarities.

    The logarithm of the dissimilarity (one less the similarity) grows with the advance by an
    amount that the stack itself shows at lags 1 to 4. A repeat has hardly any. A missed trigger
    raises, against the gaps beside it, the dissimilarity of all pairs that reach over it: three
    contrasts, whose scatter is also read from the stack, are weighed together.

    Parameters
    ----------
    likeness : dict
        By lag, from 1; may be empty.
    strange : bool array of shape (frames,)
        Photographs that say nothing.
    most : int
        Largest advance.

    Returns
    -------
    one : array of shape (frames - 1, most + 1)
        By pair of neighbours and advance.
    two : array of shape (frames - 2, 2 * most + 1)
        By pair of next-but-one neighbours and sum of two advances; zero unless the photograph
        between is strange.
    """
    count = strange.size
    one = np.zeros((max(0, count - 1), most + 1))
    two = np.zeros((max(0, count - 2), 2 * most + 1))
    if 1 not in likeness or count < 6:
        return one, two
    value, sigma = _filled(likeness, 1, count)
    chain = _chain(value, sigma, strange)
    logs, errors = {}, {}
    for lag in (1, 2, 3):
        logs[lag], errors[lag] = _chain_logs(likeness, chain, lag, strange)
    growth = _growth(likeness, chain, strange)
    if growth is None:
        return one, two
    usual = _usual(logs[1], chain, count)
    spread = _local_spread(logs[1] - usual[chain[:-1]], chain, count)
    _fill_one(one, value, sigma, _beside(value, sigma, usual), spread, growth)
    _add_contrasts(one, logs, errors, chain, growth)
    _fill_two(two, likeness, strange, usual, spread, growth, count)
    return one, two


def _filled(likeness: dict[int, Likeness], lag: int, count: int) -> tuple[Floats, Floats]:
    value, sigma = np.full(count, np.nan), np.full(count, np.nan)
    if lag in likeness:
        value[: count - lag] = likeness[lag].value
        sigma[: count - lag] = likeness[lag].sigma
    return value, sigma


def _log(value: Floats, sigma: Floats) -> Floats:
    """Return the log of the dissimilarity, no finer than its error."""
    return np.log(np.maximum(1.0 - value, np.maximum(0.01, 1.5 * sigma)))


def _chain(value: Floats, sigma: Floats, strange: Flags) -> NDArray[np.int64]:
    """Return photographs that are neither strange nor, plainly, a repeat of the one before."""
    log_one = _log(value, sigma)
    kept = []
    for index in range(value.size):
        if strange[index]:
            continue
        if index and np.isfinite(value[index - 1]):
            near = log_one[max(0, index - 1 - _REACH) : index + _REACH]
            near = near[np.isfinite(near)]
            usual = float(np.exp(np.quantile(near, 0.6))) if near.size >= 4 else 0.0
            apart = 1.0 - value[index - 1]
            if apart < 0.35 * usual and apart < 0.4 * usual - 2.0 * sigma[index - 1]:
                continue
        kept.append(index)
    return np.array(kept, dtype=np.int64)


def _chain_logs(
    likeness: dict[int, Likeness], chain: NDArray[np.int64], lag: int, strange: Flags
) -> tuple[Floats, Floats]:
    """Return log dissimilarities along the chain and their errors from noise.

    NaN over strange photographs and far lags.
    """
    out, error = (np.full(max(0, chain.size - 1), np.nan) for _ in range(2))
    for place in range(chain.size - lag):
        first, last = int(chain[place]), int(chain[place + lag])
        if strange[first:last].any():
            continue
        value, sigma = _filled(likeness, last - first, strange.size)
        out[place] = _log(value[first : first + 1], sigma[first : first + 1])[0]
        error[place] = sigma[first] / np.exp(out[place])
    return out, error


def _growth(
    likeness: dict[int, Likeness], chain: NDArray[np.int64], strange: Flags
) -> Floats | None:
    """Return log dissimilarity at advances 1, 2, 3, 4 over that at 1."""
    levels = []
    for lag in (1, 2, 3, 4):
        logs, _ = _chain_logs(likeness, chain, lag, strange)
        logs = logs[np.isfinite(logs)]
        if logs.size >= 3:
            levels.append(float(np.median(logs)))
        elif lag <= 2:
            return None
        else:
            levels.append(levels[-1] + 0.5 * (levels[-1] - levels[-2]))
    growth = np.maximum.accumulate(np.array(levels) - levels[0])
    return growth if growth[1] > 0.05 else None


def _at(growth: Floats, advance: int) -> float:
    """Return the growth at any advance: slower and slower beyond the last measured."""
    if advance <= 4:
        return float(growth[advance - 1])
    return float(growth[3] + (growth[3] - growth[2]) * (1.0 - 0.5 ** (advance - 4)))


def _usual(log_one: Floats, chain: NDArray[np.int64], count: int) -> Floats:
    """Return the usual log dissimilarity of neighbours at each photograph."""
    at = np.full(count, np.nan)
    at[chain[:-1]] = log_one
    out = np.full(count, np.nan)
    for index in range(count):
        near = at[max(0, index - _REACH) : index + _REACH + 1]
        near = near[np.isfinite(near)]
        if near.size >= 3:
            out[index] = np.median(near)
    return out


def _beside(value: Floats, sigma: Floats, usual: Floats) -> Floats:
    """Lower what is usual to what the pairs just beside show, where they are all alike.

    Near its focus a finely stepped stack hardly changes from plane to plane: a pair that is no
    more alike than those beside it is no repeat.
    """
    log = np.log(np.maximum(1.0 - value, np.maximum(0.003, sigma)))
    out = usual.copy()
    for pair in range(_START, value.size):
        near = log[pair - _NEAR : pair + _NEAR + 1]
        near = near[np.isfinite(near)]
        if near.size > _NEAR:
            out[pair] = min(out[pair], float(np.median(near)))
    return out


def _local_spread(residual: Floats, chain: NDArray[np.int64], count: int) -> Floats:
    """Return the scatter of log dissimilarity at each photograph: large where content sets in."""
    at = np.full(count, np.nan)
    at[chain[:-1]] = np.abs(residual)
    least = max(_LEAST_SCATTER, _spread(residual))
    out = np.full(count, least)
    for index in range(count):
        near = at[max(0, index - _REACH) : index + _REACH + 1]
        near = near[np.isfinite(near)]
        if near.size >= 3:
            out[index] = max(least, 1.4826 * float(np.median(near)))
    return out


def _spread(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if values.size else 0.0


def _density(value: Floats, sigma: Floats, mean_log: Floats, spread: Floats) -> Floats:
    """Return the density of a similarity whose log dissimilarity is normal, noise added."""
    apart = np.exp(mean_log)
    width = np.hypot(sigma, spread * apart)
    # Normal in the logarithm: a plane can be very unlike, but hardly ever the same by chance.
    seen = np.log(np.maximum(1.0 - value, np.maximum(0.003, sigma)))
    distance = (seen - mean_log) / np.hypot(spread, sigma / apart)
    result: Floats = np.exp(-0.5 * distance**2) / (width * np.sqrt(2 * np.pi))
    return result


def _fill_one(
    one: Floats, value: Floats, sigma: Floats, usual: Floats, spread: Floats, growth: Floats
) -> None:
    """Tell repeats, and large advances, by lag 1 alone; advance 2 is left to the contrasts."""
    pairs = one.shape[0]
    seen, noise, level, spread = value[:pairs], sigma[:pairs], usual[:pairs], spread[:pairs]
    known = np.isfinite(seen) & np.isfinite(level)
    next_plane = np.exp(level)
    same_width = np.hypot(noise, np.maximum(0.004, _SAME * next_plane))
    same = np.exp(-0.5 * ((seen - 1.0) / same_width) ** 2) / (same_width * np.sqrt(2 * np.pi))
    moved = _density(seen, noise, level, spread)
    table = np.zeros_like(one)
    table[:, 0] = np.log((1 - _OUTLIER) * same + 0.5 * _OUTLIER)
    # Any advance but none: as unlike as usual or more, so that misses are told by contrast only.
    beyond = np.maximum(moved, _density(seen, noise, level + growth[1], spread))
    table[:, 1:] = np.log((1 - _OUTLIER) * np.maximum(moved, 0.3 * beyond) + 0.5 * _OUTLIER)[
        :, None
    ]
    one += np.where(known[:, None], table, 0.0)


def _add_contrasts(
    one: Floats,
    logs: dict[int, Floats],
    errors: dict[int, Floats],
    chain: NDArray[np.int64],
    growth: Floats,
) -> None:
    """Add, for advances of 2 and more, the likelihood ratio against 1 from three contrasts."""
    pairs = [_contrast(logs[lag], errors[lag], lag) for lag in (1, 2, 3)]
    contrasts, noise = (np.stack(part, axis=1) for part in zip(*pairs, strict=True))
    spreads = np.array([max(_LEAST_SPREAD, _spread(contrasts[:, i])) for i in range(3)])
    bound = np.clip(contrasts / spreads, -3.0, 3.0)
    full = np.isfinite(bound).all(axis=1)
    correlation = np.eye(3)
    if full.sum() >= 12 and (np.ptp(bound[full], axis=0) > 0).all():
        correlation = 0.8 * np.corrcoef(bound[full].T) + 0.2 * np.eye(3)
    for place in range(chain.size - 1):
        known = np.isfinite(contrasts[place])
        if not known.any():
            continue
        wide = np.hypot(spreads, noise[place])
        covariance = (correlation * np.outer(wide, wide))[np.ix_(known, known)]
        for advance in range(2, one.shape[1]):
            shift = np.array(
                [_at(growth, advance + lag - 1) - growth[lag - 1] for lag in (1, 2, 3)]
            )
            shift = shift[known]
            seen = np.minimum(contrasts[place][known], shift)  # beyond is no evidence against
            weight = np.linalg.solve(covariance, shift)
            ratio = float(weight @ (seen - 0.5 * shift))
            one[int(chain[place + 1]) - 1, advance] += float(np.clip(ratio, _AGAINST, _FOR))


def _contrast(log: Floats, error: Floats, lag: int) -> tuple[Floats, Floats]:
    """Return how much more unlike pairs over each gap are than pairs just beside it, and errors."""
    size = log.size
    out, noise = np.full(size, np.nan), np.full(size, np.nan)
    for gap in range(size):
        over = [k for k in range(gap - lag + 1, gap + 1) if 0 <= k < size]
        beside = [k for k in (gap - lag, gap + 1) if 0 <= k < size]
        over, beside = ([k for k in part if np.isfinite(log[k])] for part in (over, beside))
        if over and beside:
            out[gap] = np.mean(log[over]) - np.mean(log[beside])
            # One photograph is in all pairs over the gap: their errors hardly average out.
            noise[gap] = np.hypot(error[over].max(), error[beside].max())
    return out, noise


def _fill_two(
    two: Floats,
    likeness: dict[int, Likeness],
    strange: Flags,
    usual: Floats,
    spread: Floats,
    growth: Floats,
    count: int,
) -> None:
    """Let the neighbours of a strange photograph tell the advance over it."""
    value, sigma = _filled(likeness, 2, count)
    for index in range(two.shape[0]):
        if not strange[index + 1] or not np.isfinite(value[index]) or np.isnan(usual[index]):
            continue
        seen, noise = value[index : index + 1], sigma[index : index + 1]
        next_plane = float(np.exp(usual[index]))
        width = float(np.hypot(noise[0], max(0.004, _SAME * next_plane)))
        for total in range(two.shape[1]):
            if total == 0:
                density = np.exp(-0.5 * ((seen - 1.0) / width) ** 2) / (width * 2.5066)
            else:
                level = usual[index : index + 1] + _at(growth, total)
                density = _density(seen, noise, level, spread[index : index + 1])
            two[index, total] = float(np.log((1 - _OUTLIER) * density[0] + 0.5 * _OUTLIER))
