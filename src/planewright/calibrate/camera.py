"""Gain, read noise, full well and linearity of a camera, from pairs of darks and flats."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planewright.calibrate.fitting import linear_fit, robust_fit, student_factor
from planewright.calibrate.results import Estimate, Result, check_range, measured, missing

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Pair = tuple[Image, Image]

QUANTISATION = 1.0 / 12.0  # variance of rounding to whole counts [1]_ of `camera_noise`
_RANGE = 0.7  # share of saturation up to which variance is linear [1]
_DARK_LEAST = 0.24  # counts²; below, rounding decides the dark variance [1]
_BLOCKS = 6  # a side
_ALIKE = 0.05  # largest relative difference of the two flats of a pair
_CORRELATED = 0.06  # of neighbours' noise; raw photographs show 0.01 and less
_KEPT = 0.99893  # share of a Gaussian's variance within four standard deviations
_FULL = 0.001  # share of pixels at the top value that says the sensor is full there


@dataclass(frozen=True)
class CameraNoise(Result):
    """What a camera makes of light.

    Parameters
    ----------
    ok : bool
        Whether the gain was found.
    gain : Estimate
        Electrons a count.
    read_noise : Estimate
        Temporal noise of a dark pixel, rounding taken off, electrons.
    full_well : Estimate
        Electrons at which the sensor is full.
    black : Estimate
        Level without light, counts.
    linearity : Estimate
        Half the span of the relative deviations from the straight line through the means, %.
    largest_snr : float or None
        Root of the full well.
    means, variances : tuple of float
        Photon transfer curve: light above black and temporal variance of each pair, counts and
        counts².
    why : str
        Why not, where ``ok`` is false.
    notes : tuple of str
        What a person should know beside it.
    """

    ok: bool
    gain: Estimate
    read_noise: Estimate
    full_well: Estimate
    black: Estimate
    linearity: Estimate
    largest_snr: float | None = None
    means: tuple[float, ...] = ()
    variances: tuple[float, ...] = ()
    why: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Blocks:
    """Means above black, variances and pixel counts of the blocks of one pair."""

    mean: Floats
    variance: Floats
    count: Floats
    change: float  # second over first, less one
    alike: float  # correlation of neighbours' noise
    top: float
    levels: Floats  # mean of every block, NaN where it is full: for the linearity


def predicted_variance(
    light: float, *, gain_counts_per_electron: float, read_noise_e: float
) -> float:
    """Return the variance that the linear camera model predicts, counts².

    Parameters
    ----------
    light : float
        Mean above black, counts.
    gain_counts_per_electron : float
        System gain K, counts an electron.
    read_noise_e : float
        Dark temporal noise, electrons.

    Returns
    -------
    float
        ``K² σ_d² + 1/12 + K light`` [1]_.

    References
    ----------
    .. [1] EMVA Standard 1288, linear camera model, photon transfer.
    """
    k = gain_counts_per_electron
    return k**2 * read_noise_e**2 + QUANTISATION + k * light


def camera_noise(
    darks: Sequence[Pair],
    flats: Sequence[Pair],
    *,
    white: float = math.inf,
    exposure_s: Sequence[float] | None = None,
    averaged: int = 1,
) -> CameraNoise:
    """Measure a camera by photon transfer.

    Parameters
    ----------
    darks : sequence of pairs of arrays of shape (y, x)
        Two photographs each without light, at the flats' exposure and ISO; raw counts, black
        not taken off.
    flats : sequence of pairs of arrays of shape (y, x)
        Two photographs each of something even and out of focus, all settings equal within a
        pair. Several levels, the brightest near full, make the best measurement.
    white : float
        Count at which the sensor is full; found in the flats where it is not given.
    exposure_s : sequence of float or None
        True exposure of each pair of flats under one steady lamp, for the linearity. Nominal
        times are not the true ones: 1/60 s is 1/64 s in most cameras.
    averaged : int
        How many sensor pixels were averaged into one value: 2 for the mean of two greens.

    Returns
    -------
    CameraNoise
        Gain as electrons a count.

    Raises
    ------
    RangeProblem
        If ``averaged`` or an exposure is not sensible.

    Notes
    -----
    Blocks of each pair give mean and variance apart, so that uneven light adds points to the
    line and bends none. What differs between pixels cancels in a pair; a change of the lamp
    between its two is scaled out.

    References
    ----------
    .. [1] EMVA Standard 1288: the gain is the slope of the temporal variance over the mean up to
       70 % of saturation; the variance comes from the difference of two photographs.
    """
    check_range(averaged, "averaged", 1, 64)
    for second in exposure_s or ():
        check_range(second, "exposure_s", 0.0, 1e5, open_low=True)
    why = _unfit(darks, flats, exposure_s)
    if why:
        return _refused(why)
    level = np.array([np.mean(image, dtype=np.float64) for pair in darks for image in pair])
    black = float(level.mean())
    limit = _white(flats, white)
    dark = [_blocks(pair, black, math.inf, averaged, steady=True) for pair in darks]
    light = [_blocks(pair, black, limit, averaged) for pair in flats]
    why = _unlike(light, limit)
    if why:
        return _refused(why)
    used = [part for part in light if part.mean.size]
    if not used:
        return _refused(
            "every flat is brighter than 70 % of what the sensor holds: make darker ones"
        )
    return _fitted(dark, light, black, level, limit, exposure_s)


def _unfit(darks: Sequence[Pair], flats: Sequence[Pair], exposure_s: Sequence[float] | None) -> str:
    if not darks or not flats:
        return "it takes a pair of darks and a pair of flats at least"
    shapes = {image.shape for pair in (*darks, *flats) for image in pair}
    if len(shapes) != 1 or len(next(iter(shapes))) != 2:
        return "all photographs must have the same rows and columns"
    if min(next(iter(shapes))) < 8 * _BLOCKS:
        return f"the photographs are smaller than {8 * _BLOCKS} pixels on a side"
    if any(np.array_equal(first, second) for first, second in (*darks, *flats)):
        return "the two photographs of a pair are one and the same"
    if not all(np.isfinite(image).all() for pair in (*darks, *flats) for image in pair):
        return "there are pixels without a value"
    if exposure_s is not None and len(exposure_s) != len(flats):
        return "each pair of flats needs one exposure"
    return ""


def _white(flats: Sequence[Pair], white: float) -> float:
    """Return the count at which the sensor is full; infinite where none is."""
    if math.isfinite(white):
        return float(white)
    top = max(float(image.max()) for pair in flats for image in pair)
    share = max(float(np.mean(image == top)) for pair in flats for image in pair)
    return top if share > _FULL else math.inf


def _unlike(light: Sequence[_Blocks], limit: float) -> str:
    if math.isfinite(limit) and all(part.top >= limit and not part.mean.size for part in light):
        return "the flats are saturated"
    for index, part in enumerate(light, start=1):
        if part.mean.size and abs(part.change) > _ALIKE:
            return (
                f"the two flats of pair {index} differ by {100 * abs(part.change):.0f} %: lamp, "
                "exposure or scene was not the same"
            )
        if part.mean.size and abs(part.alike) > _CORRELATED:
            return (
                f"the noise of neighbouring pixels is alike (correlation {part.alike:.2f}): the "
                "photographs were processed; take raw ones"
            )
    return ""


def _blocks(
    pair: Pair, black: float, limit: float, averaged: int, *, steady: bool = False
) -> _Blocks:
    first, second = (np.asarray(image, dtype=np.float64) - black for image in pair)
    lowest = float(first.mean())
    ratio = 1.0 if steady or lowest <= 0 else float(second.mean()) / lowest
    difference = (second - ratio * first) / math.sqrt(1.0 + ratio**2)
    full = np.maximum(*pair) >= limit
    means, variances, counts, levels, alike = [], [], [], [], []
    rows = np.linspace(0, first.shape[0], _BLOCKS + 1).astype(int)
    columns = np.linspace(0, first.shape[1], _BLOCKS + 1).astype(int)
    for top, bottom in pairwise(rows):
        for left, right in pairwise(columns):
            place = (slice(top, bottom), slice(left, right))
            mean = 0.5 * float(first[place].mean() + second[place].mean())
            levels.append(math.nan if full[place].any() else mean)
            if full[place].any() or mean > _RANGE * (limit - black):
                continue
            block = difference[place]
            alike.append(_alike(block))
            means.append(mean)
            variances.append(averaged * _variance(block))
            counts.append(block.size)
    return _Blocks(
        np.array(means), np.array(variances), np.array(counts, dtype=np.float64),
        ratio - 1.0, float(np.median(alike)) if alike else 0.0, float(np.maximum(*pair).max()),
        np.array(levels),
    )  # fmt: skip


def _alike(block: Floats) -> float:
    """Return the correlation of neighbouring pixels' noise, sparks left out."""
    apart = block - np.median(block)
    calm = np.where(np.abs(apart) <= 5.0 * math.sqrt(_variance(block)), apart, 0.0)
    power = float(np.mean(calm**2))
    along = float(np.mean(calm[1:] * calm[:-1]) + np.mean(calm[:, 1:] * calm[:, :-1]))
    return 0.5 * along / power if power > 0 else 0.0


def _variance(block: Floats) -> float:
    """Return the variance without sparks: a cosmic ray outweighs a thousand pixels."""
    apart = block.ravel() - np.median(block)
    limit = 4.0 * float(np.quantile(np.abs(apart), 0.95)) / 1.95996
    kept, middle = apart, 0.0
    for _ in range(6):
        kept = apart[np.abs(apart - middle) <= limit] if limit > 0 else apart
        middle = float(kept.mean())
        before, limit = limit, 4.0 * float(kept.std())
        if abs(limit - before) < 1e-6 * before:
            break
    return float(kept.var(ddof=1)) / _KEPT


def _fitted(
    dark: Sequence[_Blocks],
    light: Sequence[_Blocks],
    black: float,
    level: Floats,
    limit: float,
    exposure_s: Sequence[float] | None,
) -> CameraNoise:
    parts = (*dark, *light)
    mean = np.concatenate([part.mean for part in parts])
    variance = np.concatenate([part.variance for part in parts])
    count = np.concatenate([part.count for part in parts])
    lit = np.concatenate([part.mean for part in light])
    dark_variance = float(np.mean(np.concatenate([part.variance for part in dark])))
    if not lit.max() > 3.0 * math.sqrt(max(dark_variance, QUANTISATION)):
        return _refused("the flats are no brighter than the darks")
    design = np.stack([np.ones_like(mean), mean], axis=1)
    model = np.maximum(variance, 0.1 * max(dark_variance, QUANTISATION))
    for _ in range(5):  # a variance of n pixels scatters by its value times the root of 2 / n
        fit = robust_fit(design, variance, count / (2.0 * model**2))
        model = np.maximum(design @ fit.value, 0.1 * max(dark_variance, QUANTISATION))
    slope = float(fit.value[1])
    # The weights are known, so that a scatter below theirs is luck.
    inflate = max(1.0, 1.0 / fit.scatter) * student_factor(mean.size - 2)
    slope_sigma = float(np.sqrt(fit.covariance[1, 1])) * inflate
    if not slope > 3.0 * slope_sigma:
        return _refused("the noise does not grow with the light: these are no raw photographs")
    gain = 1.0 / slope
    relative = slope_sigma / slope
    read, notes = _read_noise(dark, dark_variance, gain, relative)
    full = missing("electron", "no flat reaches the sensor's limit, and no white level was given")
    if math.isfinite(limit):
        capacity = (limit - black) * gain
        full = measured(capacity, capacity * relative, "electron")
    if fit.scatter > 1.5:
        notes += ("the variance is no straight line in the light: distrust the bright end",)
    spread = float(level.std(ddof=1)) / math.sqrt(level.size)
    usual = math.sqrt(dark_variance / sum(float(part.count.sum()) for part in dark) / 2)
    return CameraNoise(
        True,
        measured(gain, gain * relative, "electron/count"),
        read,
        full,
        measured(black, math.hypot(spread, usual), "count"),
        _linearity(light, exposure_s, limit - black),
        math.sqrt(full.value) if full.value else None,
        tuple(float(part.mean.mean()) for part in parts if part.mean.size),
        tuple(float(part.variance.mean()) for part in parts if part.mean.size),
        notes=notes,
    )


def _read_noise(
    dark: Sequence[_Blocks], variance: float, gain: float, relative: float
) -> tuple[Estimate, tuple[str, ...]]:
    if variance < _DARK_LEAST:
        bound = 0.4 * gain
        why = (
            f"the darks hardly leave one count: rounding hides it, it is below {bound:.2g} "
            "electrons [EMVA 1288]"
        )
        return missing("electron", why), ()
    pixels = sum(float(part.count.sum()) for part in dark)
    values = np.concatenate([part.variance for part in dark])
    uneven = float(values.std(ddof=1)) / math.sqrt(values.size)
    sigma = max(variance * math.sqrt(2.0 / pixels), uneven)
    inner = variance - QUANTISATION
    noise = math.sqrt(inner) * gain
    return measured(noise, noise * math.hypot(0.5 * sigma / inner, relative), "electron"), ()


def _linearity(
    light: Sequence[_Blocks], exposure_s: Sequence[float] | None, capacity: float
) -> Estimate:
    """Return half the span of the relative deviations from the line that fits them best."""
    if exposure_s is None:
        return missing("%", "it takes the true exposures of the flats")
    good = [index for index, part in enumerate(light) if np.isfinite(part.levels).sum() >= 9]
    if len(good) < 4:
        return missing("%", "it takes four exposures or more that are not saturated")
    levels = np.stack([light[index].levels for index in good])
    common = np.isfinite(levels).all(axis=0)
    second = np.array([exposure_s[index] for index in good])
    change = np.array([light[index].change for index in good])
    mean = levels[:, common].mean(axis=1)
    if second.max() < 3.0 * second.min():
        return missing("%", "the exposures must span a factor of three")
    if math.isfinite(capacity) and mean.max() < 0.3 * capacity:
        return missing("%", "no flat is brighter than 30 % of saturation")
    design = np.stack([np.ones_like(second), second], axis=1)
    fit = linear_fit(design, mean, 1.0 / mean**2)
    deviation = 100.0 * fit.residual / mean
    lamp = 100.0 * float(np.sqrt(np.mean(change**2))) / 2.0  # of the mean of a pair
    return measured(0.5 * float(np.ptp(deviation)), lamp, "%")


def _refused(why: str) -> CameraNoise:
    electron = missing("electron", why)
    return CameraNoise(
        False, missing("electron/count", why), electron, electron, missing("count", why),
        missing("%", why), why=why,
    )  # fmt: skip
