"""Moving a plane by a fraction of a pixel, the mask with it."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem

TAPS = 8
NEGLIGIBLE = 0.02  # a tap with less weight than this neither flags nor needs its source pixel
_WHOLE = 5e-5  # a fraction below this is taken as none: 200 times finer than any shift is known


def halo_px(shift_px: float) -> int:
    """Return the halo that a window needs so that shifting it equals shifting the whole plane.

    Parameters
    ----------
    shift_px : float
        The shift along that axis, px.

    Returns
    -------
    int
        Pixels to add on both sides.
    """
    return TAPS + math.ceil(abs(shift_px))


def lanczos_taps(fraction_px: float) -> NDArray[np.float32]:
    """Return the eight Lanczos-4 weights that move content by a fraction of a pixel.

    Parameters
    ----------
    fraction_px : float
        From 0 up to 1, towards larger indices.

    Returns
    -------
    ndarray of shape (8,), float32
        Weights of the source pixels at -4 ... +3 from the target; their sum is one.

    References
    ----------
    .. [1] C. E. Duchon, J. Appl. Meteorol. 18, 1016 (1979), eq. 8: sinc windowed by the main
       lobe of a wider sinc.
    """
    distance = np.arange(-4, 4, dtype=np.float64) + fraction_px
    weights = np.sinc(distance) * np.sinc(distance / 4.0)
    return np.asarray(weights / weights.sum(), dtype=np.float32)


def shift_plane(
    image: NDArray[np.float32],
    mask: NDArray[np.uint8],
    *,
    dy: float,
    dx: float,
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Move a plane's content down by ``dy`` and right by ``dx``.

    Eight-tap Lanczos, built for the exact fraction. Nothing is made up beyond the edge: a pixel
    that would need light from there becomes 0 and ``Flag.OUTSIDE``. A flag in a source pixel
    passes to every target pixel that takes at least 2 % of its light from it. Whole shifts copy.

    Parameters
    ----------
    image : ndarray of shape (y, x), float32
        Finite values. Defective pixels must have been replaced.
    mask : ndarray of shape (y, x), uint8
        Flags of each pixel.
    dy, dx : float
        The shift, px.

    Returns
    -------
    tuple of two ndarrays of shape (y, x)
        Image (float32) and mask (uint8), new arrays.

    Raises
    ------
    RangeProblem
        If the shift is not finite, or image and mask are not two planes of one shape.
    """
    if image.ndim != 2 or image.shape != mask.shape:
        raise RangeProblem(
            "Image and mask are not two planes of one shape.",
            got=f"{image.shape} and {mask.shape}",
        )
    if not (math.isfinite(dy) and math.isfinite(dx)):
        raise RangeProblem("A shift is not a finite number.", got=f"dy {dy}, dx {dx}")
    whole_y, taps_y = _split(dy)
    whole_x, taps_x = _split(dx)
    moved = np.ascontiguousarray(image, dtype=np.float32)
    if taps_y.size > 1 or taps_x.size > 1:
        moved = cv2.sepFilter2D(
            moved,
            cv2.CV_32F,
            taps_x,
            taps_y,
            anchor=(_anchor(taps_x), _anchor(taps_y)),
            borderType=cv2.BORDER_REPLICATE,
        )
    flags = _spread(_spread(mask, taps_y, axis=0), taps_x, axis=1)
    rows, columns = image.shape
    inside_y = _inside(rows, whole_y, taps_y)
    inside_x = _inside(columns, whole_x, taps_x)
    out = np.zeros(image.shape, np.float32)
    out_flags = np.full(image.shape, int(Flag.OUTSIDE), np.uint8)
    if inside_y[0] < inside_y[1] and inside_x[0] < inside_x[1]:
        to = (slice(*inside_y), slice(*inside_x))
        source = (
            slice(inside_y[0] - whole_y, inside_y[1] - whole_y),
            slice(inside_x[0] - whole_x, inside_x[1] - whole_x),
        )
        out[to] = moved[source]
        out_flags[to] = flags[source]
        if (mask & Flag.OUTSIDE).any():
            out[(out_flags & Flag.OUTSIDE) != 0] = 0.0
    return out, out_flags


def _split(shift: float) -> tuple[int, NDArray[np.float32]]:
    whole = math.floor(shift + _WHOLE)
    fraction = shift - whole
    if fraction < _WHOLE:
        return whole, np.ones(1, np.float32)
    return whole, lanczos_taps(fraction)


def _anchor(taps: NDArray[np.float32]) -> int:
    return 4 if taps.size == TAPS else 0


def _reach(taps: NDArray[np.float32]) -> list[int]:
    """Return offsets of the source pixels that count."""
    if taps.size == 1:
        return [0]
    return [int(i) - 4 for i in np.flatnonzero(np.abs(taps) >= NEGLIGIBLE)]


def _inside(size: int, whole: int, taps: NDArray[np.float32]) -> tuple[int, int]:
    """Return first and last-but-one target index whose counting source pixels all exist."""
    reach = _reach(taps)
    first = max(0, whole - min(reach[0], 0))
    last = min(size, size + whole - max(reach[-1], 0))
    return min(first, size), max(last, 0)


def _spread(mask: NDArray[np.uint8], taps: NDArray[np.float32], *, axis: int) -> NDArray[np.uint8]:
    reach = _reach(taps)
    if reach == [0] or not mask.any():
        return mask
    out = np.zeros_like(mask)
    size = mask.shape[axis]
    for offset in reach:
        to: list[Any] = [slice(None), slice(None)]
        source: list[Any] = [slice(None), slice(None)]
        to[axis] = slice(max(0, -offset), min(size, size - offset))
        source[axis] = slice(max(0, offset), min(size, size + offset))
        if to[axis].start < to[axis].stop:
            out[tuple(to)] |= mask[tuple(source)]
    return out
