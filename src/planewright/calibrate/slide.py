"""True travel by a ruled slide that stands aslant in the imaged plane."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.base.units import Measured
from planewright.calibrate.fitting import LinearFit, clustered, robust_fit, student_factor
from planewright.calibrate.pixel import full_share
from planewright.calibrate.results import check_range, measured, missing, tolerance_sigma
from planewright.calibrate.ruling import (
    FEWEST_LINES,
    Lines,
    fit_lines,
    flattened,
    line_power,
    local_phase,
    sample_places,
    spectral_peaks,
)
from planewright.calibrate.travel import Travel, no_travel

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

LARGEST_AMPLIFICATION = 10.0

_LEAST = 0.95  # of the flat frequency: a tilt makes it higher only
_FEWEST = 6  # photographs
_SATURATED = 0.01  # share of pixels
_FAINT = 0.25  # of the typical contrast: below, a place is dirt
_PEAK = 0.55  # of its highest contrast: what counts to the peak at a place
_PLACES = 0.3  # share of the field at which the peak must stand within the photographs
_CROSSED = 0.6  # share of the field that the band must have touched
_SURE = 15.0  # standard deviations of the band's motion
_REACH = 6.0  # robust standard deviations


class Band(StrEnum):
    """What tells where the slide lies in the imaged plane."""

    CONTRAST = "contrast"  # the lamp lights all; the lines are sharp there
    LIGHT = "light"  # the sheet lights the slide there alone


@dataclass(frozen=True)
class _Slide:
    """Commanded travel a pixel along (x, y), its covariance, and the lines it moves over.

    ``walk`` is the relative error, alike in both, that following the lines sideways brings.
    """

    gradient: Floats
    covariance: Floats
    lines: Lines
    walk: float


def travel_from_slide(
    photographs: Sequence[Image],
    commanded_um: ArrayLike,
    *,
    pitch_um: float,
    ruling_tolerance: float,
    flat_period_px: Measured | None = None,
    pixel_um: Measured | None = None,
    band: Band = Band.CONTRAST,
    white: float = math.inf,
) -> Travel:
    """Measure true travel with a tilted ruled slide that the stage carries through the focus.

    The lines appear closer along the tilt than they are: that gives the slide's angle. Each
    place of the slide is sharpest, or lit, at one commanded position: that gives its slope as
    the stage sees it. The two together give true over commanded travel.

    Parameters
    ----------
    photographs : sequence of arrays of shape (y, x)
        Light, one a position, the stage moved the same way throughout, by no more than half the
        depth of field or half the sheet's radius a step. Each is looked at several times; a
        sequence that reads its photographs when asked keeps memory small.
    commanded_um : array_like of shape (N,)
        Position that the controller was told for each, µm.
    pitch_um : float
        Distance between the slide's lines, µm. The slide is turned about the lines' direction.
    ruling_tolerance : float
        Half width of the maker's tolerance of the ruling's length, as a fraction of it.
    flat_period_px : Measured or None
        Period of the same ruling in a photograph of the slide lying flat, pixels: the best way,
        since pitch and pixel drop out of the angle.
    pixel_um : Measured or None
        Pixel in the specimen, µm, where no flat photograph was taken.
    band : Band
        What marks the imaged plane.
    white : float
        Light at which the sensor is full.

    Returns
    -------
    Travel
        Slope, angle and amplification; backlash and periodic error are not seen this way.

    Raises
    ------
    RangeProblem
        If pitch or tolerance are not sensible, or not one of period and pixel is given.

    Notes
    -----
    With F the flat frequency, f the seen one along the tilt and g across it, in lines a pixel:
    ``cos α = sqrt(F² − g²) / f``; with h the commanded travel a pixel along the tilt,
    ``slope = pitch · F · tan α / h``. A relative error of f becomes one of 1/sin² α.
    """
    check_range(pitch_um, "pitch_um", 0.0, 1e5, open_low=True)
    systematic = tolerance_sigma(ruling_tolerance, what="ruling_tolerance", largest=0.2)
    known = [given for given in (flat_period_px, pixel_um) if given is not None]
    check_range(len(known), "flat_period_px or pixel_um, one of them", 1, 1)
    check_range(known[0].value, "flat_period_px or pixel_um", 0.0, 1e6, open_low=True)
    commanded = np.asarray(commanded_um, dtype=np.float64)
    why = _unfit(photographs, commanded, white)
    if why:
        return no_travel(why)
    if flat_period_px is not None:
        flat = 1.0 / flat_period_px.value
        flat_sigma = (flat_period_px.sigma or 0.0) * flat**2
    else:
        assert pixel_um is not None
        flat = pixel_um.value / pitch_um
        flat_sigma = flat * math.hypot((pixel_um.sigma or 0.0) / pixel_um.value, systematic)
    rows, columns = photographs[0].shape
    shape = (rows, columns)
    peaks, why = spectral_peaks(
        _moving_power(photographs, band, 1.0 / flat), shape, lowest=_LEAST * flat
    )
    seen = [_watched(photographs, commanded, shape, peak, band) for peak in peaks]
    good = [one for one in seen if isinstance(one, _Slide)]
    if not good:
        return no_travel(why or str(seen[0]))
    slide = max(good, key=_along)
    return _told(
        slide, flat, flat_sigma, pitch_um, systematic,
        by_pixel=pixel_um is not None, covered=float(np.ptp(commanded)),
    )  # fmt: skip


def _unfit(photographs: Sequence[Image], commanded: Floats, white: float) -> str:
    if commanded.ndim != 1 or len(photographs) != commanded.size:
        return "there must be one commanded position for each photograph"
    if commanded.size < _FEWEST:
        return f"{commanded.size} photographs are too few; take {_FEWEST} or more"
    if not np.isfinite(commanded).all() or np.unique(commanded).size < _FEWEST:
        return "the commanded positions must be numbers, and differ"
    turns = np.unique(np.sign(np.diff(commanded)))
    if turns[turns != 0].size > 1:
        return "the stage changed its direction: its play would enter; move one way only"
    shape = photographs[0].shape
    for index, photograph in enumerate(photographs):
        if photograph.ndim != 2 or photograph.shape != shape:
            return "the photographs must be of one size"
        share = full_share(photograph, white)
        if share > _SATURATED:
            return f"{100 * share:.1f} % of photograph {index + 1} is saturated"
    return ""


def _detail(photograph: Image, band: Band, period: float) -> tuple[Image, Image]:
    """Return the contrast of the lines, and the light that it is to be weighed by."""
    image = np.asarray(photograph, dtype=np.float32)
    if band is Band.CONTRAST:
        return flattened(image), np.ones_like(image)
    light = cv2.GaussianBlur(image, (0, 0), period)
    floor = np.float32(0.01 * float(light.max()) + 1e-30)
    return np.asarray(image / np.maximum(light, floor) - 1), np.asarray(light)


def _field(
    photographs: Sequence[Image],
    band: Band,
    frequency: Floats,
    y: NDArray[np.intp],
    x: NDArray[np.intp],
) -> NDArray[np.complex64]:
    """Return amplitude and phase of the lines in each photograph at each place."""
    rows = []
    for photograph in photographs:
        contrast, light = _detail(photograph, band, 1.0 / float(np.hypot(*frequency)))
        rows.append(local_phase(contrast, frequency)[y, x] * light[y, x])
    return np.stack(rows).astype(np.complex64)


def _moving_power(photographs: Sequence[Image], band: Band, period: float) -> Floats:
    """Return the power spectrum of what changes between the photographs: dirt does not."""
    mean = np.zeros(photographs[0].shape)
    for photograph in photographs:
        mean += _lines(photograph, band, period)
    still = (mean / len(photographs)).astype(np.float32)
    changed = (line_power(_lines(photograph, band, period) - still) for photograph in photographs)
    return np.asarray(sum(changed), dtype=np.float64)


def _lines(photograph: Image, band: Band, period: float) -> Image:
    contrast, light = _detail(photograph, band, period)
    return np.asarray(contrast * light)


def _watched(
    photographs: Sequence[Image],
    commanded: Floats,
    shape: tuple[int, int],
    peak: Floats,
    band: Band,
) -> _Slide | str:
    """Follow one family of lines through the photographs."""
    rows, columns = shape
    y, x = sample_places(rows, columns, 1.0 / float(np.hypot(*peak)))
    crossing = float(abs(peak[0]) * columns + abs(peak[1]) * rows)
    if crossing < FEWEST_LINES or x.size < 16:
        return f"only {crossing:.1f} lines cross it; it takes {FEWEST_LINES:.0f}"
    u = (x - (columns - 1) / 2.0).astype(np.float64)
    v = (y - (rows - 1) / 2.0).astype(np.float64)
    for _ in range(2):  # off the true frequency, an uneven band pulls the phase
        field = _field(photographs, band, peak, y, x)
        start = peak
        peak = _nearer((field * np.abs(field) ** 3).sum(axis=0), u, v, start)
    field *= np.exp(-2j * np.pi * (u * (peak - start)[0] + v * (peak - start)[1]))
    moved = _moved(field)
    still = field * np.exp(-2j * np.pi * moved)[:, None]
    best = (still * np.abs(still) ** 3).sum(axis=0)
    best *= np.abs(still).max(axis=0) / np.maximum(np.abs(best), 1e-300)
    strong = np.abs(best) > _FAINT * float(np.quantile(np.abs(best), 0.9))
    if np.mean(strong) < _CROSSED:
        return _short(float(np.mean(strong)))
    lines = fit_lines(best, u, v, peak, crossing, (columns / 2, rows / 2))
    if not lines.ok:
        return lines.why
    plane = _plane(np.abs(field), commanded, u, v, lines.period_px)
    if isinstance(plane, str):
        return plane
    gradient, covariance = plane
    # Lines that wander with the stage: the slide is followed, not the photograph.
    drift = float(np.polyfit(commanded, moved, 1)[0])
    across = np.array(lines.gradient) / float(np.hypot(*lines.gradient)) ** 2
    gradient = gradient / (1.0 + drift * float(gradient @ across))  # phase falls as lines advance
    # Errors of the steps add up over the field and look there like another spacing. Off its
    # straight line, a walk of end-to-end variance V has the variance V / 15.
    along = gradient / float(np.hypot(*gradient))
    trend = np.polyval(np.polyfit(commanded, moved, 1), commanded)
    walk = math.sqrt(15.0 * float(np.mean((moved - trend) ** 2)))
    walk /= abs(along[0]) * np.ptp(u) + abs(along[1]) * np.ptp(v)
    return _Slide(gradient, covariance, lines, walk / abs(float(along @ lines.gradient)))


def _short(share: float) -> str:
    return (
        f"the sharp band is seen to cross {100 * share:.0f} % of the field only: take finer "
        "steps, go on further, or tilt the slide less"
    )


def _moved(field: NDArray[np.complex64]) -> Floats:
    """Return how far the lines moved since the first photograph, periods.

    Places that are sharp in two neighbours tell it; a move by half a period would be missed.
    """
    size = np.abs(field)
    pairs = (field[1:] * np.conj(field[:-1]) * size[1:] * size[:-1]).sum(axis=1)
    return np.concatenate([[0.0], np.cumsum(np.angle(pairs) / (2 * np.pi))])


def _nearer(field: NDArray[np.complex64], u: Floats, v: Floats, frequency: Floats) -> Floats:
    """Return the frequency between the bins: the highest sum over the places."""
    found = frequency
    step = 0.4 / np.array([np.ptp(u), np.ptp(v)])
    reach = 12  # a narrow band spreads its peak over several bins
    for _ in range(14):
        tries = [
            found + step * np.array([i, j])
            for i in range(-reach, reach + 1)
            for j in range(-reach, reach + 1)
        ]
        sums = [
            abs(np.sum(field * np.exp(-2j * np.pi * (u * d[0] + v * d[1]))))
            for d in (t - frequency for t in tries)
        ]
        found = tries[int(np.argmax(sums))]
        step, reach = step * 0.6, 1
    return found


def _plane(
    strength: Floats, commanded: Floats, u: Floats, v: Floats, period: float
) -> tuple[Floats, Floats] | str:
    """Return the commanded travel a pixel along (x, y) and its covariance, or why there is none."""
    order = np.argsort(commanded, kind="stable")
    place, strength = commanded[order], strength[order].astype(np.float64)
    highest = strength.max(axis=0)
    faint = highest < _FAINT * float(np.median(highest))
    peak = np.full(u.size, np.nan)
    for index in np.flatnonzero(~faint):
        peak[index] = _peak(place, strength[:, index])
    good = np.isfinite(peak)
    if np.count_nonzero(good) < max(12, _PLACES * u.size):
        return _short(np.count_nonzero(good) / u.size)
    design = np.stack([np.ones_like(u), u, v], axis=1)[good]
    fit = robust_fit(design, peak[good], reach=_REACH)
    gradient = fit.value[1:]
    along = gradient / max(float(np.hypot(*gradient)), 1e-300)
    side = 3.0 * period
    covariance = max(
        (
            _grouped(fit, design, np.floor((u * c + v * d)[good] / side) * 100_003
                     + np.floor((v * c - u * d)[good] / across))
            for c, d in [along]
            for across in (side, 1e9)  # alike in a patch, or all across the band
        ),
        key=lambda found: float(along @ found @ along),
    )  # fmt: skip
    size = float(np.hypot(*gradient))
    if size < _SURE * math.sqrt(float(along @ covariance @ along)):
        return "the sharp band does not move with the stage: is the slide tilted?"
    return gradient, covariance


def _grouped(fit: LinearFit, design: Floats, key: Floats) -> Floats:
    group = np.unique(key, return_inverse=True)[1].astype(np.intp)
    count = int(group.max()) + 1
    few = student_factor(count - 3) ** 2 * count / max(1, count - 3)
    return clustered(fit, design, group)[1:, 1:] * few


def _peak(place: Floats, strength: Floats) -> float:
    """Return where a bell through the highest values peaks; NaN at the ends."""
    top = int(np.argmax(strength))
    if top in (0, strength.size - 1):
        return math.nan
    low, high = top, top
    while low > 0 and strength[low - 1] > _PEAK * strength[top]:
        low -= 1
    while high < strength.size - 1 and strength[high + 1] > _PEAK * strength[top]:
        high += 1
    if low == 0 or high == strength.size - 1:
        return math.nan
    low, high = min(low, top - 1), max(high, top + 1)
    part = slice(low, high + 1)
    middle = place[top]
    scale = place[high] - place[low]
    value = np.maximum(strength[part], 1e-12 * strength[top])
    fit = np.polyfit((place[part] - middle) / scale, np.log(value), 2, w=value)
    if fit[0] >= 0:
        return math.nan
    found = middle - scale * fit[1] / (2 * fit[0])
    return float(found) if place[low] <= found <= place[high] else math.nan


def _along(slide: _Slide) -> float:
    """Return how nearly the band moves across a family of lines."""
    across = np.array(slide.lines.gradient)
    size = np.hypot(*slide.gradient) * np.hypot(*across)
    return float(abs(slide.gradient @ across) / size)


def _told(
    slide: _Slide,
    flat: float,
    flat_sigma: float,
    pitch_um: float,
    systematic: float,
    *,
    by_pixel: bool,
    covered: float,
) -> Travel:
    centre = np.array([*slide.gradient, *slide.lines.gradient, flat])
    found = _geometry(centre, pitch_um)
    if found is None:
        return no_travel(
            "the lines are not closer together than on the flat slide: it is not tilted, or "
            "turned about another axis than its lines"
        )
    slope, angle, amplification = found
    if amplification > LARGEST_AMPLIFICATION:
        return no_travel(
            f"the slide is tilted by {angle:.1f}° only: an error of its foreshortening would "
            f"come out {amplification:.0f} times as large; tilt it to 30° or more"
        )
    spread = np.zeros((5, 5))
    spread[:2, :2], spread[2:4, 2:4], spread[4, 4] = (
        slide.covariance,
        slide.lines.covariance,
        flat_sigma**2,
    )
    alike = np.array([*slide.gradient, *slide.lines.gradient, 0.0]) * slide.walk
    spread += np.outer(alike, alike)
    slopes = np.zeros((2, 5))
    for index in range(5):
        step = 1e-5 * max(abs(centre[index]), 1e-3 * flat if index > 1 else 1e-6)
        moved = [_geometry(centre + sign * step * np.eye(5)[index], pitch_um) for sign in (1, -1)]
        up, down = (m if m is not None else found for m in moved)
        slopes[:, index] = [(up[0] - down[0]) / (2 * step), (up[1] - down[1]) / (2 * step)]
    variance = np.einsum("ij,jk,ik->i", slopes, spread, slopes)
    # By the pixel, the pitch's error stands in the flat frequency and cancels from pitch · F:
    # it is taken out of the one and counted once, as the angle amplifies it.
    pitch_part = slope * systematic * (amplification if by_pixel else 1.0)
    if by_pixel:
        variance[0] -= (slopes[0, 4] * flat * systematic) ** 2
    notes = ("backlash and the screw's error want commanded and measured pairs",)
    um = missing("um", "a tilted slide does not show it")
    return Travel(
        True,
        measured(slope, math.hypot(math.sqrt(max(0.0, float(variance[0]))), pitch_part), ""),
        um,
        um,
        um,
        covered_um=covered,
        angle=measured(angle, math.sqrt(float(variance[1])), "deg"),
        amplification=amplification,
        notes=notes,
    )


def _geometry(values: Floats, pitch_um: float) -> tuple[float, float, float] | None:
    """Return slope, angle in degrees and amplification from (h, lines' gradient, F)."""
    h, seen, flat = values[:2], values[2:4], float(values[4])
    size = float(np.hypot(*h))
    along = float(abs(h @ seen)) / size
    across = float(seen[0] * h[1] - seen[1] * h[0]) / size
    if flat <= abs(across):
        return None
    cosine = math.sqrt(flat**2 - across**2) / along if along > 0 else 1.0
    if cosine >= 1.0:
        return None
    sine = math.sqrt(1.0 - cosine**2)
    slope = pitch_um * flat * (sine / cosine) / size
    return slope, math.degrees(math.acos(cosine)), 1.0 / sine**2
