"""The lines of a ruling in a photograph: their spacing and direction by local phase."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.calibrate.fitting import LinearFit, clustered, robust_fit, student_factor

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

FEWEST_LINES = 6.0
_DISTORTION_LINES = 10.0  # fewer cannot tell a cubic from the scatter of the lines
_WINDOW = 0.6  # standard deviation of the local window, periods: leaks 1e-3 of the next order
_MARGIN = 2.2  # of these from the edge: beyond, the window is cut
_SAMPLES = 4000  # places at which the phase is read, about
_SURE = 40.0  # peak power over the mean of the spectrum about it
_SECOND = 0.03  # power of the second direction over that of the first
_INCOHERENT = 0.12  # periods; rms of the phase about a smooth map when there are no lines
_REACH = 9.0  # robust standard deviations; lines err as wholes, so few of them must not be cut
_LOST = 0.45  # share of the field that dirt may take


@dataclass(frozen=True)
class Lines:
    """One direction of lines.

    Parameters
    ----------
    ok : bool
        Whether there are lines that can be measured.
    gradient : tuple of float
        Change of the line number per pixel along (x, y): the straight map nearest to the true
        one over the whole photograph.
    covariance : array of shape (2, 2)
        Of the gradient.
    bend : float or None
        Relative change of the spacing's integral at the corner, ``k R²``; None if not fitted.
    bend_sigma : float or None
        Its standard uncertainty.
    lines : float
        How many lines cross the photograph.
    lost : float
        Share of the field that was left out as dirt.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    gradient: tuple[float, float]
    covariance: Floats
    bend: float | None
    bend_sigma: float | None
    lines: float
    lost: float
    why: str = ""

    @property
    def period_px(self) -> float:
        """Mean distance between lines, pixels."""
        return float(1.0 / np.hypot(*self.gradient))

    @property
    def period_sigma_px(self) -> float:
        """Standard uncertainty of the period, pixels."""
        along = np.array(self.gradient) * self.period_px
        return float(np.sqrt(along @ self.covariance @ along)) * self.period_px**2


def no_lines(why: str) -> Lines:
    """Return the lack of lines, with its reason."""
    return Lines(False, (0.0, 0.0), np.zeros((2, 2)), None, None, 0.0, 0.0, why)


def find_lines(light: Image, usable: NDArray[np.bool_] | None = None) -> tuple[Lines, ...]:
    """Measure the lines of a ruling or a grid.

    The strongest peak of the spectrum gives a first spacing and direction, a second peak across
    it a second family. Each is demodulated, and the phase mapped by a smooth function of place:
    linear, with a tilt of the slide and a radial distortion where there are lines enough.

    Parameters
    ----------
    light : array of shape (y, x)
        Light. Lines, crossed lines or dots, dark or bright.
    usable : array of shape (y, x), bool, or None
        False where a pixel must not be used.

    Returns
    -------
    tuple of Lines
        One or two families, the stronger first; or one that is not ok and says why.

    References
    ----------
    .. [1] M. Takeda, H. Ina and S. Kobayashi, J. Opt. Soc. Am. 72, 156 (1982): the phase of a
       periodic pattern by demodulation.
    """
    if min(light.shape) < 64:
        return (no_lines("the photograph is smaller than 64 pixels on a side"),)
    flat = flattened(light, usable)
    if not float(flat.std()) > 0:
        return (no_lines("the photograph shows nothing"),)
    peaks, why = spectral_peaks(line_power(flat), flat.shape)
    if not peaks:
        return (no_lines(why),)
    found = [_measure(flat, usable, peak) for peak in peaks]
    good = tuple(lines for lines in found if lines.ok)
    return good if good else (found[0],)


def flattened(light: Image, usable: NDArray[np.bool_] | None = None) -> Image:
    """Return the light over its slow part, less one; zero where it cannot be used.

    Parameters
    ----------
    light : array of shape (y, x)
        Light.
    usable : array of shape (y, x), bool, or None
        False where a pixel must not be used.

    Returns
    -------
    array of shape (y, x), float32
        Contrast, held to six standard deviations.
    """
    image = np.asarray(light, dtype=np.float32)
    good = np.isfinite(image) if usable is None else usable & np.isfinite(image)
    level = float(np.median(image[good])) if good.any() else 0.0
    image = np.where(good, image, np.float32(level))
    sigma = max(8.0, min(image.shape) / 10.0)
    small = max(1, int(sigma / 4))
    size = (max(1, image.shape[1] // small), max(1, image.shape[0] // small))
    coarse = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.GaussianBlur(coarse, (0, 0), sigma / small, borderType=cv2.BORDER_REFLECT)
    slow = cv2.resize(coarse, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
    floor = 0.02 * float(np.abs(slow).max()) + 1e-30
    flat = np.where(good, image / np.maximum(slow, floor) - 1.0, 0.0).astype(np.float32)
    spread = 6.0 * float(np.sqrt(np.mean(np.square(flat), dtype=np.float64)))
    return np.asarray(np.clip(flat, -spread, spread))  # a spark or a gap of light is no line


def line_power(flat: Image) -> Floats:
    """Return the power spectrum of a photograph under a Hann window.

    Parameters
    ----------
    flat : array of shape (y, x)
        Light less its slow part.

    Returns
    -------
    array of shape (y, x // 2 + 1)
        Power.
    """
    window = np.outer(np.hanning(flat.shape[0]), np.hanning(flat.shape[1])).astype(np.float32)
    return np.asarray(np.square(np.abs(scipy.fft.rfft2(flat * window, workers=1))), np.float64)


def spectral_peaks(
    power: Floats, shape: tuple[int, ...], *, lowest: float = 0.0
) -> tuple[list[Floats], str]:
    """Return the frequency of one or two families of lines in a power spectrum.

    Parameters
    ----------
    power : array of shape (y, x // 2 + 1)
        What `line_power` returned, or a sum of such.
    shape : tuple of int
        Rows and columns of the photograph.
    lowest : float
        Lowest frequency that is looked at, cycles a pixel.

    Returns
    -------
    peaks : list of arrays of shape (2,)
        Frequency along (x, y), cycles a pixel, to a bin; empty where there are no lines.
    why : str
        Why there are none.
    """
    rows, columns = shape
    fy = scipy.fft.fftfreq(rows)[:, None]
    fx = scipy.fft.rfftfreq(columns)[None, :]
    crossing = np.hypot(fx * columns, fy * rows)
    radius = np.hypot(fx, fy)
    allowed = (crossing >= 0.75 * FEWEST_LINES) & (radius < 0.45) & (radius >= lowest)
    allowed[:, 0] &= fy[:, 0] > 0
    if not allowed.any():
        return [], "the photograph is too small"
    first = _strongest(power, allowed, fx, fy)
    ring = allowed & (np.abs(radius - np.hypot(*first)) < 0.3 * np.hypot(*first))
    if _power_at(power, first, rows, columns) < _SURE * float(np.median(power[ring])) / np.log(2):
        return [], "there are no regular lines in it, or fewer than six"
    first = _fundamental(power, first, rows, columns, lowest)
    angle = np.arctan2(fy, fx) - np.arctan2(first[1], first[0])
    length = np.hypot(*first)
    across = allowed & (np.abs(np.sin(angle)) > 0.85) & (np.abs(radius / length - 1) < 0.25)
    peaks = [first]
    if across.any():
        second = _strongest(power, across, fx, fy)
        strength = _power_at(power, second, rows, columns)
        level = _SURE * float(np.median(power[across])) / np.log(2)
        if strength > max(level, _SECOND * _power_at(power, first, rows, columns)):
            peaks.append(second)
    return peaks, ""


def _strongest(power: Floats, allowed: NDArray[np.bool_], fx: Floats, fy: Floats) -> Floats:
    place = np.unravel_index(np.argmax(np.where(allowed, power, -1.0)), power.shape)
    return np.array([fx[0, place[1]], fy[place[0], 0]])


def _power_at(power: Floats, frequency: Floats, rows: int, columns: int) -> float:
    """Return the highest power within a bin and a half of a frequency."""
    x, y = frequency if frequency[0] >= 0 else -frequency
    column, row = round(x * columns), round(y * rows)
    place_y = np.arange(row - 1, row + 2) % rows
    place_x = np.clip(np.arange(column - 1, column + 2), 0, power.shape[1] - 1)
    return float(power[np.ix_(place_y, place_x)].max())


def _fundamental(power: Floats, peak: Floats, rows: int, columns: int, lowest: float) -> Floats:
    """Return the ground frequency where the strongest peak is one of its multiples."""
    best = _power_at(power, peak, rows, columns)
    for part in (3, 2):
        lower = peak / part
        crossing = np.hypot(lower[0] * columns, lower[1] * rows)
        if crossing < FEWEST_LINES or np.hypot(*lower) < lowest:
            continue
        if _power_at(power, lower, rows, columns) > 0.3 * best:
            return np.asarray(lower)
    return peak


def local_phase(
    flat: Image, frequency: Floats, *, window: float = _WINDOW
) -> NDArray[np.complex64]:
    """Return the light demodulated at a frequency: amplitude and phase of the lines.

    Parameters
    ----------
    flat : array of shape (y, x)
        Light less its slow part.
    frequency : array of shape (2,)
        Along (x, y), cycles a pixel.
    window : float
        Standard deviation of the Gaussian window, periods.

    Returns
    -------
    array of shape (y, x), complex64
        Phase from pixel (0, 0).
    """
    rows, columns = flat.shape
    turn_x = np.exp(-2j * np.pi * frequency[0] * np.arange(columns))
    turn_y = np.exp(-2j * np.pi * frequency[1] * np.arange(rows))
    turn = turn_y[:, None] * turn_x[None, :]
    sigma = window / float(np.hypot(*frequency))
    side = 2 * int(np.ceil(3.5 * sigma)) + 1
    parts = [
        cv2.GaussianBlur(
            np.ascontiguousarray(flat * part, dtype=np.float32),
            (side, side),
            sigma,
            borderType=cv2.BORDER_CONSTANT,
        )
        for part in (turn.real, turn.imag)
    ]
    return np.asarray(parts[0] + 1j * parts[1], dtype=np.complex64)


def _measure(flat: Image, usable: NDArray[np.bool_] | None, peak: Floats) -> Lines:
    rows, columns = flat.shape
    frequency = _refined(flat, peak)
    period = 1.0 / float(np.hypot(*frequency))
    lines = float(abs(frequency[0]) * columns + abs(frequency[1]) * rows)
    if lines < FEWEST_LINES:
        return no_lines(f"only {lines:.1f} lines cross it; it takes {FEWEST_LINES:.0f}")
    y, x = sample_places(rows, columns, period)
    if y.size < 16:
        return no_lines("the lines are too far apart for the size of the photograph")
    field = local_phase(flat, frequency)[y, x]
    if usable is not None:
        sigma = _WINDOW * period
        share = cv2.GaussianBlur(usable.astype(np.float32), (0, 0), sigma)[y, x]
        field = np.where(share > 0.9, field, 0)
    u = (x - (columns - 1) / 2).astype(np.float64)
    v = (y - (rows - 1) / 2).astype(np.float64)
    return fit_lines(field, u, v, frequency, lines, (columns / 2, rows / 2))


def sample_places(
    rows: int, columns: int, period: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where the phase is read: a period apart, away from the edge.

    Parameters
    ----------
    rows, columns : int
        Size of the photograph.
    period : float
        Distance between lines, pixels.

    Returns
    -------
    y, x : arrays of shape (N,), int
        Places.
    """
    margin = int(np.ceil(_MARGIN * _WINDOW * period))
    step = max(2, round(period), round(np.sqrt(rows * columns / _SAMPLES)))
    y, x = np.meshgrid(
        np.arange(margin, rows - margin, step),
        np.arange(margin, columns - margin, step),
        indexing="ij",
    )
    return y.ravel(), x.ravel()


def _refined(flat: Image, peak: Floats) -> Floats:
    """Return the frequency at the peak of the spectrum, between its bins."""
    frequency = peak
    rows, columns = flat.shape
    window = np.outer(np.hanning(rows), np.hanning(columns))
    weighted = flat * window
    for _ in range(2):  # phase of the two halves along each axis gives what is missing
        turn_y = np.exp(-2j * np.pi * frequency[1] * np.arange(rows))
        turn_x = np.exp(-2j * np.pi * frequency[0] * np.arange(columns))
        along_y = turn_y * (weighted @ turn_x)
        along_x = turn_x * (turn_y @ weighted)
        shift = [
            np.angle(part[len(part) // 2 :].sum() * np.conj(part[: len(part) // 2].sum()))
            / (2 * np.pi)
            / (0.297 * len(part))  # distance between the centres of a Hann window's halves
            for part in (along_x, along_y)
        ]
        frequency = frequency + np.array(shift)
    return np.asarray(frequency)


def fit_lines(
    field: NDArray[np.complex64],
    u: Floats,
    v: Floats,
    frequency: Floats,
    lines: float,
    half: tuple[float, float],
) -> Lines:
    """Fit the line number as a smooth function of place.

    Parameters
    ----------
    field : array of shape (N,), complex
        What `local_phase` gives at the places.
    u, v : arrays of shape (N,)
        Places along x and y from the photograph's centre, pixels.
    frequency : array of shape (2,)
        At which it was demodulated, cycles a pixel.
    lines : float
        How many lines cross the photograph.
    half : tuple of float
        Half its columns and rows.

    Returns
    -------
    Lines
        Not ok where the phase does not follow ruled lines, or dirt covers too much.
    """
    corner = float(np.hypot(*half))
    amplitude = np.abs(field).astype(np.float64)
    typical = float(np.median(amplitude[amplitude > 0])) if np.any(amplitude > 0) else 0.0
    if typical <= 0:
        return no_lines("there are no regular lines in it")
    weight = np.minimum(amplitude / typical, 1.0) ** 2
    weight[amplitude < 0.25 * typical] = 0.0
    along = (u * frequency[0] + v * frequency[1]) / float(np.hypot(*frequency))
    radius = np.hypot(u, v) / corner
    columns = [np.ones_like(u), u / corner, v / corner]
    bending = lines >= _DISTORTION_LINES
    if bending:
        columns += [(u / corner) ** 2, u * v / corner**2, (v / corner) ** 2]
        columns += [along / corner * radius**2 - _straight(u, v, frequency, half)]
    design = np.stack(columns, axis=1)
    phase = np.angle(field).astype(np.float64) / (2 * np.pi)
    value = np.zeros(design.shape[1])
    value[0] = float(np.angle(np.sum(field[radius < 0.35]))) / (2 * np.pi)
    for reach, terms in ((0.35, 3), (0.6, 3), (1.0, design.shape[1]), (1.0, design.shape[1])):
        inside = (radius <= max(reach, 3.0 * float(radius.min()))) & (weight > 0)
        if np.count_nonzero(inside) <= terms + 2:
            continue
        left = phase - design @ value
        left -= np.round(left)
        step = robust_fit(design[inside, :terms], left[inside], weight[inside], reach=_REACH)
        value[:terms] += step.value
    left = phase - design @ value
    left -= np.round(left)
    fit = robust_fit(design, left, weight, reach=_REACH)
    kept = fit.weight > 0
    lost = 1.0 - float(np.count_nonzero(kept)) / kept.size
    rms = float(np.sqrt(np.average(left[weight > 0] ** 2, weights=weight[weight > 0])))
    if rms > _INCOHERENT:
        return no_lines("what repeats in it does not repeat evenly: these are no ruled lines")
    if lost > _LOST:
        return no_lines(f"dirt or missing light covers {100 * lost:.0f} % of the lines")
    value = value + fit.value
    place = design @ value + u * frequency[0] + v * frequency[1]
    covariance = _covariance(fit, design, place, u, v, 1.0 / float(np.hypot(*frequency)))
    gradient = frequency + value[1:3] / corner
    size = float(np.hypot(*gradient)) * corner
    return Lines(
        True,
        (float(gradient[0]), float(gradient[1])),
        covariance[1:3, 1:3] / corner**2,
        float(value[6]) / size if bending else None,
        float(np.sqrt(covariance[6, 6])) / size if bending else None,
        lines,
        lost,
    )


def _straight(u: Floats, v: Floats, frequency: Floats, half: tuple[float, float]) -> Floats:
    """Return the straight line nearest to the radial cubic over the whole photograph.

    Least squares of ``u r²`` on ``u`` over a rectangle of half sides a, b: 3a²/5 + b²/3. With it
    taken off, the gradient is that of the best straight map, which a distortion does not touch.
    """
    corner = float(np.hypot(*half))
    a, b = half[0] / corner, half[1] / corner
    direction = frequency / float(np.hypot(*frequency))
    straight = direction[0] * u * (0.6 * a**2 + b**2 / 3)
    straight += direction[1] * v * (0.6 * b**2 + a**2 / 3)
    return np.asarray(straight / corner)


def _covariance(
    fit: LinearFit, design: Floats, place: Floats, u: Floats, v: Floats, period: float
) -> Floats:
    """Return the covariance: errors are alike along a line, and within a patch of dirt.

    The larger of the two. Each line is taken as misplaced by an error of its own, of which a
    sample sees the mean over its window; what the fit leaves over then gives their scatter
    without bias, however few lines there are.
    """
    number = np.round(place)
    lines = np.arange(number.min() - 2, number.max() + 3)
    seen = np.exp(-0.5 * ((place[:, None] - lines[None, :]) / _WINDOW) ** 2)
    seen /= seen.sum(axis=1, keepdims=True)
    effect = fit.bread @ (design.T @ (fit.weight[:, None] * seen))  # of each line on the fit
    left = seen - design @ effect
    index = np.unique(number, return_inverse=True)[1]
    groups = int(index.max()) + 1
    share = np.bincount(index, fit.weight, minlength=groups)
    mean = np.bincount(index, fit.weight * fit.residual, minlength=groups)
    shown = np.zeros((groups, lines.size))
    np.add.at(shown, index, fit.weight[:, None] * left)
    good = share > 0
    gram = shown[good] / np.sqrt(share[good])[:, None]
    gram = gram @ gram.T
    variance = float((mean[good] ** 2 / share[good]).sum()) / float(np.trace(gram))
    freedom = max(2.0, float(np.trace(gram) ** 2 / np.square(gram).sum()))
    by_line = variance * student_factor(freedom) ** 2 * (effect @ effect.T)
    side = min(4.0 * period, max(2.5 * period, float(np.sqrt(np.ptp(u) * np.ptp(v) / 60.0))))
    patch = np.floor(u / side) * 100_003 + np.floor(v / side)
    patch = np.unique(patch, return_inverse=True)[1].astype(np.intp)
    count = int(patch.max()) + 1
    by_patch = clustered(fit, design, patch) * count / max(1, count - design.shape[1])
    ratio = np.diag(by_patch) / np.maximum(np.diag(by_line), 1e-300)
    larger = np.sqrt(np.maximum(1.0, ratio))
    return np.asarray(by_line * np.outer(larger, larger))
