"""How much fine detail a photograph holds: noise-corrected power by scale and direction."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Image = NDArray[np.float32]

BAND_EDGES = (0.02, 0.04, 0.06, 0.085, 0.115, 0.15, 0.19, 0.235, 0.285, 0.34)  # cycles a pixel
SECTORS = 6  # of 30 degrees, the first centred on +x
_NOISE_FROM = 0.42  # cycles a pixel; a lens leaves nothing there but noise
_TILE = 256
_WHOLE = 700_000  # pixels up to which the image is looked at as a whole
_TAPER = 0.25  # share of a side over which a tile fades to zero
_MIDDLE = slice(0, 4)  # 0.02 to 0.115 cycles a pixel
_HIGH = slice(4, 7)  # 0.115 to 0.235 cycles a pixel


@dataclass(frozen=True)
class PolarPower:
    """Power of the structure by band and direction, the noise taken off.

    Parameters
    ----------
    ok : bool
        Whether the image was large enough.
    power : array of shape (bands, sectors), float64
        Mean power a mode, counts². May be slightly negative where there is only noise.
    sigma : array of shape (bands, sectors), float64
        Standard error of ``power`` from noise and from the number of modes.
    noise : float
        Power of the noise a mode, counts².
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    power: NDArray[np.float64]
    sigma: NDArray[np.float64]
    noise: float
    why: str = ""


def polar_power(light: Image, *, tiles: int = 16) -> PolarPower:
    """Measure the power spectrum of an image, or of its tiles that hold most structure.

    Parameters
    ----------
    light : array of shape (y, x)
        Levelled light; hot pixels replaced, since one is as bright in every band.
    tiles : int
        How many tiles of 256 × 256 pixels are looked at, at most, where the image is large.

    Returns
    -------
    PolarPower
        Mean over the tiles, the window's weight divided out.

    Notes
    -----
    The noise is taken from beyond 0.42 cycles a pixel: photon noise of independent pixels is
    white whatever the light, so its power there is its power everywhere.
    """
    shape = (len(BAND_EDGES) - 1, SECTORS)
    if min(light.shape) < 32:
        return PolarPower(
            False, np.zeros(shape), np.zeros(shape), 0.0, "smaller than 32 pixels on a side"
        )
    if light.size <= _WHOLE:
        rows, columns = (length // 2 * 2 for length in light.shape)
        stack = light[None, :rows, :columns].astype(np.float32)
    else:
        stack = _richest_tiles(light, min(_TILE, min(light.shape) // 2 * 2), tiles)
    window, weight, alike, cell, counts = _geometry(stack.shape[1], stack.shape[2])
    stack -= stack.mean(axis=(1, 2), keepdims=True, dtype=np.float64).astype(np.float32)
    stack *= window
    spectrum = scipy.fft.rfft2(stack, workers=1)
    power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0, dtype=np.float64)
    power /= len(stack) * weight
    sums = np.bincount(cell.ravel(), power.ravel(), minlength=counts.size) / np.maximum(counts, 1)
    noise = float(sums[-1])
    mean = sums[1:-1].reshape(shape)
    modes = np.maximum(1.0, counts * len(stack) / alike)
    sigma = np.hypot(mean / np.sqrt(modes[1:-1].reshape(shape)), noise / np.sqrt(modes[-1]))
    return PolarPower(True, mean - noise, sigma, noise)


def sharpness(found: PolarPower) -> float | None:
    """Return the amplitude of fine detail relative to that of coarse detail.

    Parameters
    ----------
    found : PolarPower
        Power by band and direction.

    Returns
    -------
    float or None
        Square root of the ratio of mean power in 0.115 to 0.235 cycles a pixel to that in 0.02
        to 0.115. No unit; blur lowers it, brightness and white noise do not change it. None
        where there is no structure to judge by.
    """
    if not found.ok:
        return None
    middle = float(found.power[_MIDDLE].mean())
    middle_sigma = float(np.sqrt(np.square(found.sigma[_MIDDLE]).sum())) / found.power[_MIDDLE].size
    if middle <= 3.0 * middle_sigma or middle <= 0.02 * found.noise:
        return None
    return float(np.sqrt(max(0.0, float(found.power[_HIGH].mean())) / middle))


def _richest_tiles(light: Image, side: int, tiles: int) -> NDArray[np.float32]:
    """Return copies of the tiles with most structure, in their order in the image."""
    rows, columns = light.shape
    places = [(top, left) for top in _starts(rows, side) for left in _starts(columns, side)]
    if len(places) > tiles:
        score = _structure(light, places, side)
        chosen = np.sort(np.argsort(-score, kind="stable")[:tiles])
        places = [places[index] for index in chosen]
    return np.stack([light[t : t + side, x : x + side] for t, x in places]).astype(np.float32)


def _starts(length: int, side: int) -> list[int]:
    count = length // side
    return [(length - count * side) // 2 + index * side for index in range(count)]


def _structure(light: Image, places: list[tuple[int, int]], side: int) -> NDArray[np.float64]:
    """Return the variance of 8 × 8 block means in each tile: structure, hardly any noise."""
    rows, columns = light.shape[0] // 8, light.shape[1] // 8
    blocks = cv2.resize(
        light[: rows * 8, : columns * 8], (columns, rows), interpolation=cv2.INTER_AREA
    )
    step = side // 8
    tiles = [blocks[t // 8 : t // 8 + step, x // 8 : x // 8 + step] for t, x in places]
    return np.array([tile.var(dtype=np.float64) for tile in tiles])


@cache
def _geometry(
    rows: int, columns: int
) -> tuple[Image, float, float, NDArray[np.intp], NDArray[np.float64]]:
    """Return what belongs to a tile's size.

    The window, the sum of its squares, how many neighbouring modes it makes one, the polar cell
    of each mode (0: none, last: noise) and how many modes each cell has.
    """
    window = np.outer(_taper(rows), _taper(columns))
    square = np.square(window)
    weight = float(square.sum())
    alike = float(square.size * np.square(square).sum() / weight**2)
    ky = np.fft.fftfreq(rows)[:, None]
    kx = np.fft.rfftfreq(columns)[None, :]
    radius = np.hypot(ky, kx)
    angle = np.mod(np.arctan2(ky, kx) + np.pi / (2 * SECTORS), np.pi)
    sector = np.minimum((angle / (np.pi / SECTORS)).astype(int), SECTORS - 1)
    band = np.searchsorted(BAND_EDGES, radius, side="right") - 1
    inside = (band >= 0) & (band < len(BAND_EDGES) - 1)
    last = (len(BAND_EDGES) - 1) * SECTORS + 1
    cell = np.where(inside, band * SECTORS + sector + 1, 0)
    cell = np.where(radius >= _NOISE_FROM, last, cell)
    cell[:, 0] = np.where(ky[:, 0] < 0, 0, cell[:, 0])  # its mirror image is counted already
    counts = np.bincount(cell.ravel(), minlength=last + 1).astype(np.float64)
    single = window.astype(np.float32)
    single.setflags(write=False)
    return single, weight, alike, cell.astype(np.intp), counts


def _taper(length: int) -> NDArray[np.float64]:
    """Return a window that is flat in the middle and falls to zero as a squared sine."""
    width = max(1, round(_TAPER * length))
    ramp = np.ones(length)
    slope = np.sin(0.5 * np.pi * (np.arange(width) + 0.5) / width) ** 2
    ramp[:width] = slope
    ramp[length - width :] = slope[::-1]
    return ramp
