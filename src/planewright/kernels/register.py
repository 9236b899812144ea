"""How far the content of one plane stands from that of another, near the noise bound.

The noise is made white first (a stabilised scale), so that least squares on the planes weighs each
pixel by its light and the camera's noise. The cross-spectrum is then weighted by the coherence of
the two planes, ring of frequencies by ring: the maximum-likelihood delay estimator [1]_ in two
dimensions. It weighs neither noise (as phase-only correlation does) nor the few coarsest details
(as plain correlation does). The peak is found on a coarse map and then by Newton steps on the
weighted cross-spectrum itself, so no grid limits the answer.

References
----------
.. [1] C. H. Knapp and G. C. Carter, IEEE Trans. Acoust. Speech Signal Process. 24, 320 (1976),
   eqs. 27-30.
.. [2] M. Guizar-Sicairos, S. T. Thurman, J. R. Fienup, Opt. Lett. 33, 156 (2008): the local
   Fourier sum that refines a coarse peak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem

RINGS = 40  # rings of equal width from frequency 0 to BAND
BAND = 0.4  # highest frequency used, cycles per (binned) pixel
TAPER = 0.1  # share of each side over which the plane fades out
_MOST_PIXELS = 2_000_000  # a larger plane is binned 2x2, or more, first
_MAP_SIDE = 384  # most frequencies a side in the coarse map
_REPLACED = int(Flag.MISSING | Flag.HOT | Flag.OUTSIDE)

Rings = NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """A plane made ready for registration: its white-noise spectrum up to ``BAND``.

    Parameters
    ----------
    spectrum : ndarray of shape (rows, columns), complex64
        Rows hold frequencies 0 ... +, - ...; columns 0 ... +. White noise has power 1.
    padded : tuple of int
        Shape of the transform that it was cut from, binned px.
    bins : int
        Side of the bins, px.
    power : ndarray of shape (RINGS,), float64
        Mean power in each ring.
    noise : float
        Power of the noise: 1 where the noise was given, else estimated.
    spread : float
        How many neighbouring frequencies the taper ties together: mean independent share is
        ``1 / spread``.
    """

    spectrum: NDArray[np.complex64]
    padded: tuple[int, int]
    bins: int
    power: Rings
    noise: float
    spread: float


@dataclass(frozen=True)
class Shift:
    """How far plane b's content stands from plane a's: ``b(y, x) = a(y - dy, x - dx)``.

    Parameters
    ----------
    ok : bool
        Whether the answer can be used.
    dy, dx : float
        Displacement, px (0 where nothing was found).
    sigma_y, sigma_x, cov_yx : float
        Standard uncertainties, px, and covariance, px².
    quality : float
        Height of the correlation's peak over the map's own scatter; 6 is the least accepted.
    coherence : ndarray of shape (RINGS,)
        Coherence of the two planes, ring by ring, 0 to 1.
    why : str
        Reason where not ok.
    """

    ok: bool
    dy: float
    dx: float
    sigma_y: float
    sigma_x: float
    cov_yx: float
    quality: float
    coherence: Rings
    why: str = ""


@dataclass(frozen=True)
class Local:
    """The weighted cross-spectrum looked at near one displacement, px.

    ``shift`` is the maximum, ``hessian`` the curvature (2, 2), ``scatter`` (2, 2) the variance of
    the gradient as the phases' own scatter shows it, ``coherence`` per ring at the maximum.
    """

    shift: tuple[float, float]
    hessian: NDArray[np.float64]
    scatter: NDArray[np.float64]
    coherence: Rings

    def covariance(self) -> NDArray[np.float64]:
        """Return the covariance of ``shift``, px², shape (2, 2)."""
        inverse = np.linalg.inv(self.hessian)
        return np.asarray(inverse @ self.scatter @ inverse, dtype=np.float64)


@dataclass(frozen=True)
class _Grid:
    qy: NDArray[np.float64]
    qx: NDArray[np.float64]
    ring: NDArray[np.intp]
    count: Rings


def prepare(
    plane: NDArray[np.float32],
    mask: NDArray[np.uint8] | None = None,
    *,
    noise_slope: float | None = 1.0,
    noise_floor: float = 0.0,
    bins: int | None = None,
) -> View:
    """Transform a plane for registration.

    Parameters
    ----------
    plane : ndarray of shape (y, x), float32
        Light above black. Flat-fielded: a fixed pattern would tie the shift to zero.
    mask : ndarray of shape (y, x), uint8, optional
        Pixels flagged MISSING, HOT or OUTSIDE are replaced from their neighbours.
    noise_slope : float or None
        Variance of the noise per unit of light (1 for electrons, 1/gain for counts with gain in
        electrons per count). None: unknown, the noise is taken as equal everywhere.
    noise_floor : float
        Variance of the noise without light (read noise squared).
    bins : int, optional
        Side of bins averaged first. Default: 1 up to 2 million pixels, then 2, 4, ...

    Returns
    -------
    View
        What `pair_shift` needs.

    Raises
    ------
    RangeProblem
        If the plane is smaller than 16 x 16 binned px or the noise is negative.
    """
    if noise_floor < 0 or (noise_slope is not None and noise_slope <= 0):
        raise RangeProblem("A noise variance is negative.", got=f"{noise_slope}, {noise_floor}")
    if bins is None:
        bins = 1
        while plane.size > _MOST_PIXELS * bins * bins:
            bins *= 2
    rows, columns = plane.shape[0] // bins, plane.shape[1] // bins
    if min(rows, columns) < 16:
        raise RangeProblem(
            "A plane is too small to be registered.",
            got=f"{plane.shape[1]} x {plane.shape[0]} px",
            expected="at least 16 x 16 px after binning",
        )
    whole = _fill(plane, mask)
    if bins > 1:
        whole = cv2.resize(
            whole[: rows * bins, : columns * bins], (columns, rows), interpolation=cv2.INTER_AREA
        )
    white = _whiten(whole, noise_slope, noise_floor, bins)
    fade_y, fade_x = _fade(rows), _fade(columns)
    area = float((fade_y**2).sum() * (fade_x**2).sum())
    weight = fade_y[:, None].astype(np.float32) * fade_x[None, :].astype(np.float32)
    white = (white - np.float32(np.average(white, weights=weight))) * weight
    white *= np.float32(1.0 / math.sqrt(area))
    padded = (scipy.fft.next_fast_len(rows, real=True), scipy.fft.next_fast_len(columns, real=True))
    full = scipy.fft.rfft2(white, s=padded, workers=1)
    keep_y, keep_x = _kept(padded)
    spectrum = np.concatenate([full[: keep_y + 1, :keep_x], full[-keep_y:, :keep_x]])
    spectrum = np.ascontiguousarray(spectrum, dtype=np.complex64)
    grid = _grid(padded)
    power = _ring_sum(spectrum.real**2 + spectrum.imag**2, grid) / grid.count
    noise = 1.0 if noise_slope is not None else float(max(power[-4:].mean(), 1e-30))
    fourth = float((fade_y**4).sum() * (fade_x**4).sum())
    spread = fourth * padded[0] * padded[1] / area**2
    return View(spectrum, padded, bins, power, noise, spread)


def pair_shift(
    a: View,
    b: View,
    *,
    reach_px: float = 40.0,
    start: tuple[float, float] | None = None,
) -> Shift:
    """Measure how far plane b's content stands from plane a's.

    Parameters
    ----------
    a, b : View
        From `prepare`, of planes of one shape.
    reach_px : float
        Largest displacement looked for along each axis, px.
    start : tuple of float, optional
        A displacement (dy, dx) known to about 1 px; the coarse map is then not made.

    Returns
    -------
    Shift
        The displacement with its uncertainty, or why there is none.

    Raises
    ------
    RangeProblem
        If the views are of planes of different shapes.
    """
    _check_alike(a, b)
    prior = prior_coherence(a, b)
    weight = ring_weights(prior, a, b)
    none = np.zeros(RINGS)
    if not weight.any():
        return Shift(False, 0, 0, np.inf, np.inf, 0, 0, none, "no detail stands above the noise")
    quality = np.inf
    if start is None:
        start, quality = _coarse(a, b, weight, reach_px)
        if quality < 6.0:
            why = "no displacement stands out from the others"
            return Shift(False, 0, 0, np.inf, np.inf, 0, quality, none, why)
    local = refine(a, b, start=start, weight=weight, steps=3)
    if local is not None:
        weight = ring_weights(_smooth(local.coherence, a), a, b)
        if weight.any():
            local = refine(a, b, start=local.shift, weight=weight, steps=2) or local
    if local is None or max(abs(np.subtract(local.shift, start))) > 4.0 * a.bins:
        why = "the correlation has no maximum near its coarse peak"
        return Shift(False, 0, 0, np.inf, np.inf, 0, quality, none, why)
    cov = local.covariance()
    sigma_y, sigma_x = math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])
    ok = max(sigma_y, sigma_x) < a.bins
    why = "" if ok else "the displacement is uncertain by more than a pixel"
    return Shift(
        ok, *local.shift, sigma_y, sigma_x, float(cov[0, 1]), quality, local.coherence, why
    )


def refine(
    a: View,
    b: View,
    *,
    start: tuple[float, float],
    weight: Rings,
    steps: int = 2,
) -> Local | None:
    """Climb from ``start`` to the maximum of the weighted cross-spectrum by Newton steps.

    Parameters
    ----------
    a, b : View
        From `prepare`.
    start : tuple of float
        Displacement (dy, dx) to start from, px.
    weight : ndarray of shape (RINGS,)
        Weight of the cross-spectrum in each ring; may be negative where a joint solution over
        many planes asks for it.
    steps : int
        Newton steps.

    Returns
    -------
    Local or None
        None where the curvature is that of no maximum.

    References
    ----------
    The sum is eq. 3 of Guizar-Sicairos 2008 without its grid; d/ds of it is a sum of phases.
    """
    _check_alike(a, b)
    grid = _grid(a.padded)
    cross = np.conj(a.spectrum) * b.spectrum
    sheet = _spread_rings(weight, grid)
    py, px = 2 * np.pi * grid.qy / a.bins, 2 * np.pi * grid.qx / a.bins
    dy, dx = start
    for step in range(steps + 1):
        turn = np.exp(1j * py * dy).astype(np.complex64)[:, None] * np.exp(1j * px * dx).astype(
            np.complex64
        )
        turned = cross * turn
        slope = turned.imag * sheet
        curve = turned.real * sheet
        hessian = _moments(curve, py, px)
        if step == steps:
            break
        by_row = slope.sum(1, dtype=np.float64)
        by_column = slope.sum(0, dtype=np.float64)
        gradient = -np.array([py @ by_row, px @ by_column])
        if np.linalg.det(hessian) == 0.0:
            return None
        move = np.linalg.solve(hessian, gradient)
        dy, dx = dy + float(move[0]), dx + float(move[1])
    if np.all(weight >= 0) and np.linalg.eigvalsh(hessian)[0] <= 0:
        return None
    scatter = a.spread * _moments(slope * slope, py, px)
    both = np.sqrt(np.maximum(a.power * b.power, 1e-60))
    coherence = _ring_sum(turned.real, grid) / grid.count / both
    return Local((dy, dx), hessian, scatter, coherence)


def prior_coherence(a: View, b: View, *, most: float = 0.9) -> Rings:
    """Return the coherence that noise alone would leave, capped as planes differ anyhow."""
    out = np.full(RINGS, most)
    for view in (a, b):
        out *= np.sqrt(np.clip(1.0 - view.noise / np.maximum(view.power, 1e-30), 0.0, 1.0))
    return out


def ring_weights(coherence: Rings, a: View, b: View) -> Rings:
    """Return the maximum-likelihood weights of the cross-spectrum [1]_, eq. 30, ring by ring."""
    c = np.clip(coherence, 0.0, 0.995)
    return np.asarray(c / (1.0 - c * c) / np.sqrt(np.maximum(a.power * b.power, 1e-60)))


def _smooth(coherence: Rings, view: View) -> Rings:
    """Take the bias by chance off a measured coherence and even it out over three rings."""
    count = _grid(view.padded).count / view.spread
    c = np.where(coherence > 2.0 / np.sqrt(count), coherence, 0.0)
    padded = np.pad(c, 1, mode="edge")
    out = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
    out[c == 0] = 0.0
    return np.asarray(out)


def _check_alike(a: View, b: View) -> None:
    if a.padded != b.padded or a.bins != b.bins:
        raise RangeProblem(
            "Two planes of different shapes cannot be registered.",
            got=f"{a.padded} and {b.padded} binned px",
        )


def _fill(plane: NDArray[np.float32], mask: NDArray[np.uint8] | None) -> NDArray[np.float32]:
    """Return the plane with flagged pixels replaced by the mean of good ones within 2 px."""
    if mask is None:
        return plane
    bad = (mask & _REPLACED) != 0
    where = np.flatnonzero(bad)
    if where.size == 0:
        return plane
    if where.size == bad.size:
        return np.zeros_like(plane)
    out = plane.copy()
    rows, columns = plane.shape
    y, x = np.divmod(where, columns)
    total = np.zeros(where.size)
    count = np.zeros(where.size)
    for oy in range(-2, 3):
        for ox in range(-2, 3):
            ny, nx = np.clip(y + oy, 0, rows - 1), np.clip(x + ox, 0, columns - 1)
            good = ~bad[ny, nx]
            total += np.where(good, plane[ny, nx], 0.0)
            count += good
    sample = plane[::4, ::4][~bad[::4, ::4]]
    common = float(np.median(sample)) if sample.size else float(plane[~bad].mean())
    out[y, x] = np.where(count > 0, total / np.maximum(count, 1), common)
    return out


def _whiten(
    light: NDArray[np.float32], slope: float | None, floor: float, bins: int
) -> NDArray[np.float32]:
    """Put light on a scale where its noise has variance 1: the integral of 1/σ(light)."""
    if slope is None:
        return light
    slope = slope / bins**2
    floor = floor / bins**2 + 0.375 * slope**2
    root = np.sqrt(slope * np.maximum(light, 0) + floor, dtype=np.float32)
    white = (2.0 / slope) * (root - math.sqrt(floor))
    below = np.minimum(light, 0) * np.float32(1.0 / math.sqrt(floor))
    return np.asarray(white + below, dtype=np.float32)


def _fade(size: int) -> NDArray[np.float64]:
    edge = max(4, round(TAPER * size))
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    out = np.ones(size)
    out[:edge] = ramp
    out[-edge:] = ramp[::-1]
    return out


def _kept(padded: tuple[int, int]) -> tuple[int, int]:
    return int(BAND * padded[0]), int(BAND * padded[1]) + 1


@lru_cache(maxsize=4)
def _grid(padded: tuple[int, int]) -> _Grid:
    keep_y, keep_x = _kept(padded)
    qy = np.concatenate([np.arange(keep_y + 1), np.arange(-keep_y, 0)]) / padded[0]
    qx = np.arange(keep_x) / padded[1]
    radius = np.hypot(qy[:, None], qx[None, :])
    ring = np.minimum((radius * (RINGS / BAND)).astype(np.intp), RINGS)
    ring[0, 0] = RINGS  # the mean says nothing
    # Column 0 holds each frequency twice, as itself and as its conjugate.
    ring[keep_y + 1 :, 0] = RINGS
    count = np.bincount(ring.ravel(), minlength=RINGS + 1)[:RINGS].astype(np.float64)
    return _Grid(qy, qx, ring, np.maximum(count, 1.0))


def _ring_sum(values: NDArray[np.float32], grid: _Grid) -> Rings:
    total = np.bincount(grid.ring.ravel(), weights=values.ravel(), minlength=RINGS + 1)
    return np.asarray(total[:RINGS], dtype=np.float64)


def _spread_rings(weight: Rings, grid: _Grid) -> NDArray[np.float32]:
    return np.append(weight, 0.0).astype(np.float32)[grid.ring]


def _moments(
    values: NDArray[np.float32], py: NDArray[np.float64], px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the second moments of frequency under ``values``, shape (2, 2)."""
    yy = py**2 @ values.sum(1, dtype=np.float64)
    xx = px**2 @ values.sum(0, dtype=np.float64)
    yx = py @ (values.astype(np.float64) @ px)
    return np.array([[yy, yx], [yx, xx]])


def _coarse(a: View, b: View, weight: Rings, reach_px: float) -> tuple[tuple[float, float], float]:
    """Find the highest point of the weighted correlation on a map, and how far it stands out."""
    grid = _grid(a.padded)
    keep_y, keep_x = _kept(a.padded)
    half_y = min(keep_y, _MAP_SIDE // 2)
    half_x = min(keep_x, _MAP_SIDE // 2 + 1)
    rows = np.r_[0 : half_y + 1, -half_y:0]
    cross = np.conj(a.spectrum[rows, :half_x]) * b.spectrum[rows, :half_x]
    cross *= np.append(weight, 0.0).astype(np.float32)[grid.ring[rows, :half_x]]
    shape = (scipy.fft.next_fast_len(4 * half_y), scipy.fft.next_fast_len(4 * half_x, real=True))
    small = np.zeros((shape[0], half_x), np.complex64)
    small[: half_y + 1] = cross[: half_y + 1]
    small[-half_y:] = cross[half_y + 1 :]
    small[-half_y:, 0] = np.conj(small[half_y:0:-1, 0])
    # b stands at +d: the map of sum conj(a) b exp(+2 pi i q d) peaks there.
    table = scipy.fft.irfft2(small, s=shape, workers=1)
    pace = (a.padded[0] * a.bins / shape[0], a.padded[1] * a.bins / shape[1])
    near = [
        min(math.ceil(reach_px / step), (size - 1) // 2)
        for step, size in zip(pace, shape, strict=True)
    ]
    ys, xs = (np.arange(-n, n + 1) for n in near)
    window = table[np.ix_(ys, xs)]
    top = np.unravel_index(int(np.argmax(window)), window.shape)
    scatter = 1.4826 * float(np.median(np.abs(table - np.median(table))))
    quality = float(window[top]) / max(scatter, 1e-30)
    peak = []
    for axis, (line, index) in enumerate(
        ((window[:, top[1]], int(top[0])), (window[top[0], :], int(top[1])))
    ):
        offset = 0.0
        if 0 < index < line.size - 1:
            low, mid, high = (float(line[index + i]) for i in (-1, 0, 1))
            bend = low - 2 * mid + high
            offset = 0.5 * (low - high) / bend if bend < 0 else 0.0
        peak.append((index - near[axis] + offset) * pace[axis])
    return (peak[0], peak[1]), quality
