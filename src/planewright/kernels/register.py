"""How far the content of one plane stands from that of another, near the noise bound.

The noise is made white first (a stabilised scale), so that least squares on the planes weighs each
pixel by its light and the camera's noise. A coarse map of the whole gives the displacement to about
a pixel. Then both planes are cut into small tiles, those of the second at the displaced places, and
each tile's cross-spectrum is weighted by the coherence of the two planes, ring of frequencies by
ring: the maximum-likelihood delay estimator [1]_ in two dimensions. It weighs neither noise (as
phase-only correlation does) nor the few coarsest details (as plain correlation does). Newton steps
find the maximum, so no grid limits the answer.

Tiles are small on purpose. Neighbouring planes of a specimen differ, and what differs walks: coarse
detail walks further than fine detail. Small tiles do not see the coarsest, and each is weighed by
its own light.

References
----------
.. [1] C. H. Knapp and G. C. Carter, IEEE Trans. Acoust. Speech Signal Process. 24, 320 (1976),
   eqs. 27-30.
.. [2] M. Guizar-Sicairos, S. T. Thurman, J. R. Fienup, Opt. Lett. 33, 156 (2008): the Fourier sum
   near a coarse peak that the Newton steps climb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem
from planewright.kernels.shift import lanczos_taps

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

TILE = 32  # side of a tile, binned px
STEP = 24  # from tile to tile
RINGS = 14  # rings of equal width from frequency 0 to BAND
BAND = 0.42  # highest frequency used, cycles per binned pixel
MOST_TILES = 256
_LITTLE = "too little detail in common, or all of it runs along one direction"
_CLEAR = 3.0  # planes of different specimens reach 2.2 in 240 trials
_MOST_RIVAL = 0.8
_RIVAL_BINS = 6  # a peak as near as this to the highest belongs to it
_MOST_TURNS = 5
_SETTLED = 0.3  # steps below this share of the uncertainty end the search; a fifth is then left,
# as tapers stand still while content moves
_MOST_PIXELS = 2_000_000  # a larger plane is binned 2x2, or more, first
_COARSE_PIXELS = 400_000  # the same for the coarse map
_REPLACED = int(Flag.MISSING | Flag.HOT | Flag.OUTSIDE)


@dataclass(frozen=True)
class View:
    """A plane made ready for registration.

    Parameters
    ----------
    white : ndarray of shape (rows, columns), float16
        Light on a scale where its noise has variance 1, binned.
    energy : ndarray of shape (tile rows, tile columns), float32
        How much detail each tile holds.
    coarse : ndarray, complex64
        Half spectrum of the whole, tapered, binned further.
    coarse_shape : tuple of int
        Shape that it is the transform of.
    coarse_bins : int
        Bins of the coarse plane, binned px.
    bins : int
        Side of the bins, px.
    """

    white: NDArray[np.float16]
    energy: Image
    coarse: NDArray[np.complex64]
    coarse_shape: tuple[int, int]
    coarse_bins: int
    bins: int


@dataclass(frozen=True)
class Shift:
    """How far plane b's content stands from plane a's: ``b(y, x) = a(y - dy, x - dx)``.

    Parameters
    ----------
    ok : bool
        Whether the answer can be used.
    dy, dx : float
        Displacement, px (0 where nothing was found).
    sigma_y, sigma_x : float
        Standard uncertainties, px, from the noise and from how far the planes' content differs.
        A walk that all content shares is not in them: no pair of planes can show it.
    quality : float
        Height of the coarse map's peak over the map's own scatter; 6 is the least accepted.
    rival : float
        Height of the coarse map's next peak over that of the highest; 0.8 is the most accepted.
        Where few things are seen, one is easily taken for another.
    tiles : float
        How many tiles the answer rests on, by their information; a lone spot lies in up to four.
    why : str
        Reason where not ok.
    """

    ok: bool
    dy: float
    dx: float
    sigma_y: float
    sigma_x: float
    quality: float
    rival: float
    tiles: float
    why: str = ""


def _no(why: str, peak: _Peak) -> Shift:
    return Shift(False, 0.0, 0.0, math.inf, math.inf, peak.quality, peak.rival, 0.0, why)


def prepare(
    plane: Image,
    mask: NDArray[np.uint8] | None = None,
    *,
    noise_slope: float | None = 1.0,
    noise_floor: float = 0.0,
    bins: int | None = None,
) -> View:
    """Make a plane ready for registration.

    Parameters
    ----------
    plane : ndarray of shape (y, x), float32
        Light above black. Flat-fielded: a fixed pattern would tie the shift to zero.
    mask : ndarray of shape (y, x), uint8, optional
        Pixels flagged MISSING, HOT or OUTSIDE are replaced from their neighbours.
    noise_slope : float or None
        Variance of the noise per unit of light: 1 for electrons of one pixel, 1/2 for the mean of
        two. None: unknown; the noise is then taken as equal everywhere and estimated.
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
        If the plane is smaller than two tiles a side or the noise is negative.
    """
    if noise_floor < 0 or (noise_slope is not None and noise_slope <= 0):
        raise RangeProblem("A noise variance is negative.", got=f"{noise_slope}, {noise_floor}")
    if bins is None:
        bins = 1
        while plane.size > _MOST_PIXELS * bins * bins:
            bins *= 2
    rows, columns = plane.shape[0] // bins, plane.shape[1] // bins
    if min(rows, columns) < TILE + STEP:
        raise RangeProblem(
            "A plane is too small to be registered.",
            got=f"{plane.shape[1]} x {plane.shape[0]} px",
            expected=f"at least {TILE + STEP} px a side after binning",
        )
    light = _binned(_fill(plane, mask), bins)
    white = _whiten(light, noise_slope, noise_floor, bins)
    white -= np.float32(np.median(white[::4, ::4]))
    np.clip(white, -3e4, 3e4, out=white)
    coarse, coarse_shape, coarse_bins = _coarse_spectrum(white)
    return View(white.astype(np.float16), _energy(white), coarse, coarse_shape, coarse_bins, bins)


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
    if a.white.shape != b.white.shape or a.bins != b.bins:
        raise RangeProblem(
            "Two planes of different shapes cannot be registered.",
            got=f"{a.white.shape} and {b.white.shape} binned px",
        )
    if start is None:
        peak = _coarse(a, b, reach_px)
        if peak.quality < 6.0:
            return _no("no displacement stands out from the others", peak)
        if peak.rival > _MOST_RIVAL:
            return _no("two displacements fit almost equally well", peak)
    else:
        peak = _Peak(start, math.inf, 0.0)
    first = place = np.array(peak.place_px, dtype=np.float64) / a.bins
    content = np.full(RINGS, 0.9)
    moving = b.white.astype(np.float32)
    for turn in range(_MOST_TURNS):
        told = _from_tiles(a, b, moving, place, content)
        if isinstance(told, str):
            return _no(told, peak)
        answer = told
        place, content = place + answer.step, answer.content
        if turn > 0 and max(abs(answer.step)) < max(0.002, _SETTLED * answer.about):
            break
    certain = _covariance(a, answer)
    if certain is None:
        return _no(_LITTLE, peak)
    covariance, tiles = certain
    if not max(abs(place - first)) < 3.0:
        return _no("the correlation has no maximum near its coarse peak", peak)
    sigma_y, sigma_x = (a.bins * np.sqrt(np.diag(covariance))).tolist()
    ok = max(sigma_y, sigma_x) < 1.0
    return Shift(
        ok,
        float(place[0]) * a.bins,
        float(place[1]) * a.bins,
        sigma_y,
        sigma_x,
        peak.quality,
        peak.rival,
        tiles,
        "" if ok else "the displacement is uncertain by more than a pixel",
    )


# --- tiles ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answer:
    step: Floats
    content: Floats
    about: float  # how far the step may be off, px
    at_place: Image  # plane b, moved back by the fraction of the place
    corners: NDArray[np.intp]
    there: NDArray[np.intp]  # the same tiles in plane b
    sheet: Image  # weight of each frequency of each tile
    chance: float  # standard deviation of the curvature by what is not common to both planes


@dataclass(frozen=True)
class _Grid:
    taper: Image
    taper_slopes: tuple[Image, Image]  # along y and x
    py: Floats  # 2 pi times frequency, rad per px
    px: Floats
    ring: NDArray[np.intp]  # (TILE, TILE // 2 + 1); RINGS where not used
    count: Floats
    spread: float  # how many neighbouring frequencies the taper ties together


@lru_cache(maxsize=1)
def _grid() -> _Grid:
    edge = TILE - STEP
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    fade = np.ones(TILE)
    fade[:edge], fade[-edge:] = ramp, ramp[::-1]
    taper = fade[:, None] * fade[None, :]
    slope = np.zeros(TILE)
    slope[:edge] = 0.5 * np.pi / edge * np.sin(np.pi * (np.arange(edge) + 0.5) / edge)
    slope[-edge:] = -slope[:edge][::-1]
    qy = np.fft.fftfreq(TILE)
    qx = np.fft.rfftfreq(TILE)
    radius = np.hypot(qy[:, None], qx[None, :])
    lowest = 0.5 / TILE
    ring = np.floor((radius - lowest) * (RINGS / (BAND - lowest))).astype(np.intp)
    ring = np.clip(ring, 0, RINGS)
    ring[0, 0] = RINGS  # the mean says nothing
    # Column 0 holds each frequency twice, as itself and as its conjugate.
    ring[TILE // 2 :, 0] = RINGS
    ring[TILE // 2, :] = RINGS
    ring[:, -1] = RINGS
    py = np.asarray(2 * np.pi * qy, dtype=np.float64)
    px = np.asarray(2 * np.pi * qx, dtype=np.float64)
    count = np.bincount(ring.ravel(), minlength=RINGS + 1)[:RINGS].astype(np.float64)
    second = float((taper**2).sum())
    spread = float((taper**4).sum()) * taper.size / second**2
    norm = 1.0 / math.sqrt(second)
    slopes = (
        (norm * slope[:, None] * fade[None, :]).astype(np.float32),
        (norm * fade[:, None] * slope[None, :]).astype(np.float32),
    )
    return _Grid((norm * taper).astype(np.float32), slopes, py, px, ring, count, spread)


def _from_tiles(a: View, b: View, moving: Image, place: Floats, content: Floats) -> _Answer | str:
    """Find how far tiles of b, taken at ``place``, still are from those of a.

    b is resampled to the place first: a taper that stands still while content moves under it
    would pull the answer towards none.
    """
    whole = np.floor(place).astype(np.intp)
    corners = _corners(a, b, whole)
    if len(corners) == 0:
        return "the planes do not overlap"
    grid = _grid()
    at_place = _resample(moving, place - whole)
    fa = _transform(a.white, corners, grid)
    fb = _transform(at_place, corners + whole, grid)
    above_a, above_b = (_above(_rings(f.real**2 + f.imag**2, grid)) for f in (fa, fb))
    both = np.sqrt(above_a * above_b)
    total = np.sqrt((1.0 + above_a) * (1.0 + above_b))
    cross = np.conj(fa) * fb
    rest = np.zeros(2)
    for turn in range(2):
        turned = cross if turn == 0 else _turn(cross, rest, grid)
        coherence = np.minimum(content * both / total, 0.9999)
        weight = coherence / (1.0 - coherence**2)
        if not weight.any():
            return "no detail in common stands above the noise"
        sheet = _sheet(weight / total, grid)
        gradient, curvature = _derivatives(turned, sheet, grid)
        least, most = np.linalg.eigvalsh(curvature)
        if not least > 0.01 * most:
            return _LITTLE
        step = np.linalg.solve(curvature, gradient)
        rest = rest + np.clip(step, -0.75, 0.75)
        content = _content(_rings(_turn(cross, rest, grid).real, grid), both)
    about = math.sqrt(0.5 * grid.spread * float(np.linalg.inv(curvature).trace()))
    chance = _chance(weight, coherence, grid)
    return _Answer(rest, content, about, at_place, corners, corners + whole, sheet, chance)


def _covariance(a: View, answer: _Answer) -> tuple[Floats, float] | None:
    """Return the covariance of the displacement, binned px squared, and how many tiles it rests on.

    None if the displacement is not clear.

    The curvature is worked out from the slopes of the content under the taper. Those of the
    tapered content hold the taper's own, which stands still wherever the content is: a line would
    seem to be known along itself.
    """
    grid = _grid()
    slopes_a = _slopes(a.white, answer.corners, grid)
    slopes_b = _slopes(answer.at_place, answer.there, grid)
    parts = np.zeros((len(answer.corners), 2, 2))
    for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)):
        cross = _turn(np.conj(slopes_a[i]) * slopes_b[j], answer.step, grid)
        parts[:, i, j] = np.einsum("tyx,tyx->t", cross.real, answer.sheet, dtype=np.float64)
    curvature = parts.sum(axis=0)
    curvature = 0.5 * (curvature + curvature.T)
    least, most = np.linalg.eigvalsh(curvature)
    if not least > max(_CLEAR * answer.chance, 0.01 * most):
        return None
    # The expected curvature is that of the likelihood when weights are right [1].
    covariance = np.asarray(0.5 * grid.spread * np.linalg.inv(curvature), dtype=np.float64)
    each = np.maximum(parts[:, 0, 0] + parts[:, 1, 1], 0.0)
    return covariance, float(each.sum() ** 2 / (each**2).sum())


def _slopes(
    white: NDArray[Any], corners: NDArray[np.intp], grid: _Grid
) -> tuple[NDArray[np.complex64], NDArray[np.complex64]]:
    """Return transforms of the tapered slopes along y and x of each tile."""
    tiles = _tiles(white, corners, grid)
    whole = scipy.fft.rfft2(tiles * grid.taper, workers=1)
    along_y, along_x = (scipy.fft.rfft2(tiles * t, workers=1) for t in grid.taper_slopes)
    return (
        np.asarray(1j * grid.py[:, None] * whole - along_y, dtype=np.complex64),
        np.asarray(1j * grid.px[None, :] * whole - along_x, dtype=np.complex64),
    )


def _resample(image: Image, fraction: Floats) -> Image:
    """Return the image taken at positions a fraction of a pixel further on, Lanczos-4."""
    taps = [lanczos_taps(1.0 - float(f)) if f > 1e-6 else None for f in fraction]
    if taps[0] is None and taps[1] is None:
        return image
    one = np.ones(1, np.float32)
    return np.asarray(
        cv2.sepFilter2D(
            image,
            cv2.CV_32F,
            one if taps[1] is None else taps[1],
            one if taps[0] is None else taps[0],
            anchor=(0 if taps[1] is None else 3, 0 if taps[0] is None else 3),
            borderType=cv2.BORDER_REPLICATE,
        )
    )


def _corners(a: View, b: View, whole: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return first pixels of the tiles of a with most detail in both planes, (tiles, 2)."""
    # The grid begins where the planes begin to overlap: a small plane loses no row of tiles.
    begin = np.maximum(0, -whole)
    room = np.array(a.white.shape) - np.abs(whole)
    if (room < TILE).any():
        return np.zeros((0, 2), dtype=np.intp)
    tile_rows, tile_columns = (room - TILE) // STEP + 1
    y, x = np.divmod(np.arange(tile_rows * tile_columns), tile_columns)
    corners = np.stack([y, x], axis=1) * STEP + begin
    rank = _energy_at(a, corners) * _energy_at(b, corners + whole)
    best = np.argsort(-rank, kind="stable")[:MOST_TILES]
    return np.asarray(corners[np.sort(best)])


def _energy_at(view: View, corners: NDArray[np.intp]) -> Image:
    """Return the detail of the tiles of a view's own grid that are nearest to given tiles."""
    most = np.array(view.energy.shape) - 1
    near = np.clip(np.rint(corners / STEP).astype(np.intp), 0, most)
    return np.asarray(view.energy[near[:, 0], near[:, 1]])


def _transform(
    white: NDArray[Any], corners: NDArray[np.intp], grid: _Grid
) -> NDArray[np.complex64]:
    tiles = _tiles(white, corners, grid) * grid.taper
    return np.asarray(scipy.fft.rfft2(tiles, workers=1), dtype=np.complex64)


def _tiles(white: NDArray[Any], corners: NDArray[np.intp], grid: _Grid) -> Image:
    """Cut tiles out and take off the mean that each has under the taper."""
    windows = np.lib.stride_tricks.sliding_window_view(white, (TILE, TILE))
    tiles = windows[corners[:, 0], corners[:, 1]].astype(np.float32)
    mean = np.einsum("tyx,yx->t", tiles, grid.taper) / grid.taper.sum()
    return np.asarray(tiles - mean[:, None, None], dtype=np.float32)


def _rings(values: Image, grid: _Grid) -> Floats:
    """Sum over each ring, tile by tile: (tiles, RINGS)."""
    order, edges = _ring_order()
    flat = values.reshape(len(values), -1)[:, order]
    return np.add.reduceat(flat, edges, axis=1, dtype=np.float64) / grid.count


@lru_cache(maxsize=1)
def _ring_order() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    ring = _grid().ring.ravel()
    order = np.argsort(ring, kind="stable")[: int((ring < RINGS).sum())]
    return order, np.searchsorted(ring[order], np.arange(RINGS))


def _above(power: Floats) -> Floats:
    """Return each tile's power above the noise: the common spectrum times the tile's strength."""
    shape = np.maximum(power.mean(axis=0) - 1.0, 0.0)
    # What is within chance of the noise's own power is noise.
    count = _grid().count * len(power) / _grid().spread
    shape[shape < 3.0 / np.sqrt(count)] = 0.0
    norm = float((_grid().count * shape**2 / (1 + shape) ** 2).sum())
    if norm == 0.0:
        return np.zeros_like(power)
    fit = _grid().count * shape / (1 + shape) ** 2
    strength = np.maximum((power - 1.0) @ fit, 0.0) / norm
    return np.asarray(strength[:, None] * shape)


def _content(common: Floats, both: Floats) -> Floats:
    """Return the coherence that is left when noise is taken off, ring by ring."""
    total = both.sum(axis=0)
    ratio = np.where(total > 0, common.sum(axis=0) / np.maximum(total, 1e-12), 0.0)
    padded = np.pad(np.clip(ratio, 0.0, 1.0), 1, mode="edge")
    return np.clip(0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:], 0.0, 0.9995)


def _turn(cross: NDArray[np.complex64], rest: Floats, grid: _Grid) -> NDArray[np.complex64]:
    """Undo a displacement in the cross-spectrum."""
    ramp_y = np.exp(1j * grid.py * rest[0]).astype(np.complex64)
    ramp_x = np.exp(1j * grid.px * rest[1]).astype(np.complex64)
    return np.asarray(cross * (ramp_y[:, None] * ramp_x[None, :]), dtype=np.complex64)


def _sheet(weight: Floats, grid: _Grid) -> Image:
    """Lay the weight of each ring out over the frequencies of each tile."""
    sheet = np.concatenate([weight, np.zeros((len(weight), 1))], axis=1).astype(np.float32)
    return np.asarray(sheet[:, grid.ring])


def _derivatives(turned: NDArray[np.complex64], sheet: Image, grid: _Grid) -> tuple[Floats, Floats]:
    """Return slope (2,) and curvature (2, 2) of the weighted cross-spectra, all tiles together."""
    slope = np.einsum("tyx,tyx->yx", turned.imag, sheet, dtype=np.float64)
    curve = np.einsum("tyx,tyx->yx", turned.real, sheet, dtype=np.float64)
    py, px = grid.py, grid.px
    gradient = -np.array([py @ slope.sum(1), px @ slope.sum(0)])
    yx = float(py @ curve @ px)
    curvature = np.array([[py**2 @ curve.sum(1), yx], [yx, px**2 @ curve.sum(0)]])
    return gradient, curvature


def _chance(weight: Floats, coherence: Floats, grid: _Grid) -> float:
    """Return the standard deviation of the curvature by what is not common to both planes."""
    spread = (weight**2 * (1.0 - coherence**2)).sum(axis=0)
    square = np.append(spread, 0.0)[grid.ring]
    fourth = max(float(grid.py**4 @ square.sum(1)), float(grid.px**4 @ square.sum(0)))
    return math.sqrt(0.5 * grid.spread * fourth)


# --- the whole plane -----------------------------------------------------------------------------


def _fill(plane: Image, mask: NDArray[np.uint8] | None) -> Image:
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


def _binned(image: Image, bins: int) -> Image:
    if bins == 1:
        return image
    rows, columns = image.shape[0] // bins, image.shape[1] // bins
    cut = image[: rows * bins, : columns * bins]
    return np.asarray(cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA))


def _whiten(light: Image, slope: float | None, floor: float, bins: int) -> Image:
    """Put light on a scale where its noise has variance 1: the integral of 1/σ(light)."""
    if slope is None:
        twist = (light[:-1, :-1] - light[1:, :-1] - light[:-1, 1:] + light[1:, 1:])[::2, ::2]
        sigma = 1.4826 * float(np.median(np.abs(twist))) / 2.0
        return light * np.float32(1.0 / max(sigma, 1e-12))
    slope = slope / bins**2
    floor = floor / bins**2 + 0.375 * slope**2
    root = np.sqrt(slope * np.maximum(light, 0) + floor, dtype=np.float32)
    white = (2.0 / slope) * (root - math.sqrt(floor))
    below = np.minimum(light, 0) * np.float32(1.0 / math.sqrt(floor))
    return np.asarray(white + below, dtype=np.float32)


def _energy(white: Image) -> Image:
    """Return the detail in each tile: squared slopes of the smoothed plane, noise taken off."""
    smooth = cv2.GaussianBlur(white, (5, 5), 1.0)
    dy = smooth[2:, 1:-1] - smooth[:-2, 1:-1]
    dx = smooth[1:-1, 2:] - smooth[1:-1, :-2]
    square = np.zeros_like(white)
    square[1:-1, 1:-1] = dy * dy + dx * dx
    rows = (white.shape[0] - TILE) // STEP + 1
    columns = (white.shape[1] - TILE) // STEP + 1
    mean = cv2.blur(square, (TILE, TILE), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    tiles = mean[: rows * STEP : STEP, : columns * STEP : STEP]
    floor = np.float32(np.quantile(tiles, 0.1))
    return np.asarray(np.maximum(tiles - floor, np.float32(1e-6)), dtype=np.float32)


def _fade(size: int) -> Image:
    edge = max(4, size // 10)
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    out = np.ones(size, np.float32)
    out[:edge], out[-edge:] = ramp, ramp[::-1]
    return out


def _coarse_spectrum(white: Image) -> tuple[NDArray[np.complex64], tuple[int, int], int]:
    bins = 1
    while white.size > _COARSE_PIXELS * bins * bins:
        bins *= 2
    small = _binned(white, bins) * np.float32(bins)
    weight = _fade(small.shape[0])[:, None] * _fade(small.shape[1])[None, :]
    small = (small - np.float32(np.average(small, weights=weight))) * weight
    small *= np.float32(1.0 / math.sqrt(float((weight**2).sum(dtype=np.float64))))
    rows, columns = (scipy.fft.next_fast_len(n, real=True) for n in small.shape)
    spectrum = scipy.fft.rfft2(small, s=(rows, columns), workers=1)
    return np.asarray(spectrum, dtype=np.complex64), (rows, columns), bins


@dataclass(frozen=True)
class _Peak:
    place_px: tuple[float, float]
    quality: float
    rival: float


def _coarse(a: View, b: View, reach_px: float) -> _Peak:
    """Find the highest point of the weighted correlation and how far it stands out."""
    ring, count = _coarse_rings(a.coarse_shape)
    cross = np.conj(a.coarse) * b.coarse
    prior = np.full(count.size, 0.9)
    both = np.ones(count.size)
    for spectrum in (a.coarse, b.coarse):
        power = spectrum.real**2 + spectrum.imag**2
        mean = np.bincount(ring.ravel(), weights=power.ravel(), minlength=count.size) / count
        prior *= np.sqrt(np.clip(1.0 - 1.0 / np.maximum(mean, 1e-12), 0.0, 1.0))
        both *= np.sqrt(np.maximum(mean, 1e-12))
    weight = prior / (1 - prior**2) / both
    weight[-1] = 0.0
    table = scipy.fft.irfft2(cross * weight.astype(np.float32)[ring], s=a.coarse_shape, workers=1)
    pace = a.bins * a.coarse_bins
    near = [min(math.ceil(reach_px / pace), (size - 1) // 2) for size in table.shape]
    window = table[np.ix_(*(np.arange(-n, n + 1) for n in near))]
    top = np.unravel_index(int(np.argmax(window)), window.shape)
    sample = table[::2, ::2]
    scatter = 1.4826 * float(np.median(np.abs(sample - np.median(sample))))
    quality = float(window[top]) / max(scatter, 1e-30)
    rows, columns = (np.arange(size) - at for size, at in zip(window.shape, top, strict=True))
    others = window[np.hypot(rows[:, None], columns[None, :]) > _RIVAL_BINS]
    rival = float(others.max(initial=0.0)) / max(float(window[top]), 1e-30)
    peak = []
    lines: tuple[tuple[Any, int], ...] = (
        (window[:, top[1]], int(top[0])),
        (window[top[0], :], int(top[1])),
    )
    for axis, (line, index) in enumerate(lines):
        offset = 0.0
        if 0 < index < line.size - 1:
            low, mid, high = (float(line[index + i]) for i in (-1, 0, 1))
            bend = low - 2 * mid + high
            offset = 0.5 * (low - high) / bend if bend < 0 else 0.0
        peak.append((index - near[axis] + offset) * pace)
    return _Peak((peak[0], peak[1]), quality, rival)


@lru_cache(maxsize=2)
def _coarse_rings(shape: tuple[int, int]) -> tuple[NDArray[np.intp], Floats]:
    """Return the ring of each coarse frequency, 40 rings to BAND and one beyond, and counts."""
    radius = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    ring = np.minimum((radius * (40 / BAND)).astype(np.intp), 40)
    ring[0, 0] = 40
    count = np.bincount(ring.ravel(), minlength=41).astype(np.float64)
    return ring, np.maximum(count, 1.0)
