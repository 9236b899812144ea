"""A small picture of a photograph by which neighbouring planes are told apart."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Image = NDArray[np.float32]

SIDE = 384  # pixels of a signature's longer side, at most
_FINE = 1.0  # standard deviation of the finer blur, signature pixels
_COARSE = 6.0  # and of the coarser
_INDEPENDENT = 0.159  # share of signature pixels that are independent after the fine blur


@dataclass(frozen=True)
class Signature:
    """Band-passed light of a photograph on a coarse grid.

    Parameters
    ----------
    image : array of shape (rows, columns), float32
        Light less its surroundings, tapered to zero at the edge.
    bin_pixels : int
        Side of a signature pixel, lattice pixels.
    signal_energy : float
        Sum of squares without the noise, from two halves with independent noise.
    noise_energy : float
        Sum of squares of the noise.
    """

    image: Image
    bin_pixels: int
    signal_energy: float
    noise_energy: float


@dataclass(frozen=True)
class Similarity:
    """How alike two photographs are, whatever their noise.

    Parameters
    ----------
    ok : bool
        Whether both hold enough structure to tell.
    value : float
        Correlation of their structure at the best shift: 1 for the same plane, less for others.
    sigma : float
        Standard error of ``value`` from noise.
    shift_y, shift_x : float
        By how much the second is moved against the first, lattice pixels.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    value: float
    sigma: float
    shift_y: float
    shift_x: float
    why: str = ""


@dataclass(frozen=True)
class Passing:
    """The largest thing that is in one photograph and in neither neighbour.

    Parameters
    ----------
    area : int
        Its size, signature pixels; 0 for none.
    row, column : float
        Its centre, lattice pixels.
    """

    area: int
    row: float
    column: float


def signature(main: Image, other: Image) -> Signature:
    """Reduce a photograph's two halves to a signature.

    Parameters
    ----------
    main, other : arrays of shape (y, x)
        What `planewright.kernels.noise.diagonal_halves` returned; half the lattice each way.

    Returns
    -------
    Signature
        At most 384 pixels on a side.
    """
    factor = max(1, int(np.ceil(max(main.shape) / SIDE)))
    first, second = (_band(_binned(half, factor)) for half in (main, other))
    image = (first + second) * np.float32(0.5)
    total = float(np.square(image, dtype=np.float64).sum())
    signal = float((first.astype(np.float64) * second).sum())
    return Signature(image, 2 * factor, signal, max(0.0, total - signal))


def similarity(first: Signature, second: Signature, *, reach: int = 24) -> Similarity:
    """Correlate two signatures at their best small shift, corrected for noise.

    Parameters
    ----------
    first, second : Signature
        Of two photographs of one size.
    reach : int
        Largest shift that is tried, signature pixels.

    Returns
    -------
    Similarity
        With ``ok`` false where sizes differ or there is too little structure.

    Notes
    -----
    The product of two photographs has no noise bias, their own energies have: these come from
    two halves of each photograph whose noise is independent.
    """
    if first.image.shape != second.image.shape:
        return Similarity(False, 0.0, 1.0, 0.0, 0.0, "of two sizes")
    noise = 1.0 / (_INDEPENDENT * first.image.size)
    for one in (first, second):
        error = np.sqrt(2.0 * noise * one.noise_energy * (one.signal_energy + one.noise_energy))
        if not one.signal_energy > max(5.0 * error, 1e-30):
            return Similarity(False, 0.0, 1.0, 0.0, 0.0, "too little structure")
    peak, shift_y, shift_x = _peak(first.image, second.image, reach)
    s1, s2, n1, n2 = (
        first.signal_energy,
        second.signal_energy,
        first.noise_energy,
        second.noise_energy,
    )
    value = peak / np.sqrt(s1 * s2)
    cross = noise * (s1 * n2 + s2 * n1 + n1 * n2) / (s1 * s2)
    own = value**2 * noise * (n1 * (s1 + n1) / s1**2 + n2 * (s2 + n2) / s2**2) / 2
    scale = first.bin_pixels
    return Similarity(
        True, float(value), float(np.sqrt(cross + own)), shift_y * scale, shift_x * scale
    )


def passing(
    before: Signature,
    middle: Signature,
    after: Signature,
    *,
    moved_before: tuple[float, float],
    moved_after: tuple[float, float],
) -> Passing:
    """Find what is bright in one photograph and in neither of its neighbours.

    Parameters
    ----------
    before, middle, after : Signature
        Of one size.
    moved_before, moved_after : tuple of float
        By how much (down, right) the middle is moved against the one before, and the one after
        against the middle, lattice pixels.

    Returns
    -------
    Passing
        The largest connected part that exceeds both neighbours by a third of the level of the
        brightest hundredth, and by six standard deviations of the noise.
    """
    scale = float(middle.bin_pixels)
    image = middle.image
    # Positions fall into place when the one before is moved on, the one after moved back.
    first = _moved(before, moved_before[0] / scale, moved_before[1] / scale, middle)
    last = _moved(after, -moved_after[0] / scale, -moved_after[1] / scale, middle)
    new = image - np.maximum(first, last)
    noise = np.sqrt(2.0 * middle.noise_energy / image.size)
    level = float(
        np.partition(image.ravel(), -max(1, image.size // 100))[-max(1, image.size // 100)]
    )
    bright = (new > max(0.35 * level, 6.0 * noise, 1e-12)).view(np.uint8)
    count, _, stats, centres = cv2.connectedComponentsWithStats(bright, connectivity=8)
    if count < 2:
        return Passing(0, 0.0, 0.0)
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    x, y = centres[largest]
    return Passing(int(stats[largest, cv2.CC_STAT_AREA]), float(y * scale), float(x * scale))


def _moved(one: Signature, down: float, right: float, like: Signature) -> Image:
    """Return a signature moved, and brought up to another's strength.

    Never down to it: where content sets in, what the next plane shows better is not new here.
    """
    gain = max(1.0, np.sqrt(max(like.signal_energy, 0.0) / max(one.signal_energy, 1e-30)))
    matrix = np.array([[1.0, 0.0, right], [0.0, 1.0, down]])
    size = (one.image.shape[1], one.image.shape[0])
    moved: Image = cv2.warpAffine(one.image, matrix, size, flags=cv2.INTER_LINEAR)
    result: Image = moved * np.float32(gain)
    return result


def _binned(half: Image, factor: int) -> Image:
    rows, columns = half.shape[0] // factor, half.shape[1] // factor
    if factor == 1 or rows == 0 or columns == 0:
        return half
    cut = half[: rows * factor, : columns * factor]
    small: Image = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA)
    return small


def _band(image: Image) -> Image:
    edge = cv2.BORDER_REFLECT_101 if min(image.shape) > 1 else cv2.BORDER_REPLICATE
    fine = cv2.GaussianBlur(image, (0, 0), _FINE, borderType=edge)
    coarse = cv2.GaussianBlur(image, (0, 0), _COARSE, borderType=edge)
    fine -= coarse
    fine *= np.outer(_taper(image.shape[0]), _taper(image.shape[1]))
    result: Image = fine
    return result


def _taper(length: int) -> Image:
    width = max(1, min(8, length // 8))
    ramp = np.ones(length, np.float32)
    slope = np.sin(0.5 * np.pi * (np.arange(width) + 0.5) / width) ** 2
    ramp[:width] = slope
    ramp[length - width :] = slope[::-1]
    return ramp


def _peak(first: Image, second: Image, reach: int) -> tuple[float, float, float]:
    """Return height and place of the correlation's peak within reach, between pixels."""
    rows, columns = (scipy.fft.next_fast_len(n + reach, real=True) for n in first.shape)
    a = scipy.fft.rfft2(first, (rows, columns), workers=1)
    b = scipy.fft.rfft2(second, (rows, columns), workers=1)
    correlation = scipy.fft.irfft2(np.conj(a) * b, (rows, columns), workers=1)
    span = min(reach, (min(first.shape) - 1) // 2)
    index = np.arange(-span, span + 1)
    near = correlation[np.ix_(index % rows, index % columns)].astype(np.float64)
    top = int(np.argmax(near))
    y, x = divmod(top, near.shape[1])
    height = float(near[y, x])
    dy, up_y = _parabola(near[:, x], y)
    dx, up_x = _parabola(near[y, :], x)
    return height + up_y + up_x, float(index[y] + dy), float(index[x] + dx)


def _parabola(line: NDArray[np.float64], at: int) -> tuple[float, float]:
    if not 0 < at < line.size - 1:
        return 0.0, 0.0
    left, middle, right = line[at - 1 : at + 2]
    bend = left - 2.0 * middle + right
    if bend >= 0:
        return 0.0, 0.0
    offset = 0.5 * (left - right) / bend
    return float(offset), float(-0.25 * (left - right) * offset)
