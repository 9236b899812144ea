"""Halving a block of voxels along some axes: light by mean over what was seen, mask by union."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Flag

NO_LIGHT = int(Flag.MISSING | Flag.OUTSIDE)
_BEYOND = 128  # padding at an odd edge; never leaves this module
_AT_ONCE = 1 << 13  # bounds the memory where a whole plane is missing
_LEFT_OUT = NO_LIGHT | int(Flag.HOT) | _BEYOND


def halve(
    light: npt.NDArray[Any],
    mask: npt.NDArray[np.uint8],
    *,
    factor: tuple[int, int, int],
    empty: float,
) -> tuple[npt.NDArray[Any], npt.NDArray[np.uint8]]:
    """Reduce a block by two along some axes.

    Light is the mean over the voxels that were seen: missing and outside ones are left out, hot
    ones too unless nothing else was seen. Saturated and doubtful ones count: leaving the full
    ones out would darken the brightest places. The mask is the union of the flags. An odd end
    makes a last voxel from what is there, so that no part of the volume is lost.

    Parameters
    ----------
    light : ndarray of shape (z, y, x), uint16 or float32
        Stored numbers.
    mask : ndarray of uint8, same shape
        Flags of `planewright.base.nouns.Flag`.
    factor : tuple of int
        1 or 2 for each axis.
    empty : float
        Stored number where nothing was seen.

    Returns
    -------
    light : ndarray of shape (ceil(z / factor[0]), ...)
        Same dtype as given. Whole numbers are rounded to the nearest, halves to even.
    mask : ndarray of uint8
        Union of the flags.
    """
    light, mask = _pad(light, mask, factor)
    flags = _union(mask, factor)
    if mask.flat[0] & NO_LIGHT and bool((mask & (NO_LIGHT | _BEYOND)).all()):  # a whole gap
        return np.full(flags.shape, empty, light.dtype), flags & np.uint8(0xFF ^ _BEYOND)
    count = int(np.prod(factor))
    if light.dtype == np.uint16:
        sums = _sum_whole(light, factor)
        bits = count.bit_length() - 1
        # halves go to even, so that mean light does not climb from level to level
        small = ((sums + (count // 2 - 1) + ((sums >> bits) & 1)) >> bits) if bits else sums
        small = small.astype(np.uint16)
    else:
        with np.errstate(invalid="ignore"):
            small = (_sum_float(light, factor) / count).astype(np.float32)
    _mend(small, flags, light, mask, factor, empty)
    flags &= np.uint8(0xFF ^ _BEYOND)
    return small, flags


def _pad(
    light: npt.NDArray[Any], mask: npt.NDArray[np.uint8], factor: tuple[int, int, int]
) -> tuple[npt.NDArray[Any], npt.NDArray[np.uint8]]:
    pad = [(0, -size % step) for size, step in zip(light.shape, factor, strict=True)]
    if not any(after for _, after in pad):
        return np.ascontiguousarray(light), np.ascontiguousarray(mask)
    return np.pad(light, pad), np.pad(mask, pad, constant_values=_BEYOND)


def _sum_whole(light: npt.NDArray[np.uint16], factor: tuple[int, int, int]) -> npt.NDArray[Any]:
    if factor[2] == 2:
        pairs = light.view(np.uint32)  # two neighbours at once: contiguous, so fast
        sums = (pairs & np.uint32(0xFFFF)) + (pairs >> np.uint32(16))
    else:
        sums = light.astype(np.uint32)
    return _add_rows_planes(sums, factor)


def _sum_float(light: npt.NDArray[Any], factor: tuple[int, int, int]) -> npt.NDArray[Any]:
    sums = light.astype(np.float64)
    if factor[2] == 2:
        sums = sums[..., 0::2] + sums[..., 1::2]
    return _add_rows_planes(sums, factor)


def _add_rows_planes(sums: npt.NDArray[Any], factor: tuple[int, int, int]) -> npt.NDArray[Any]:
    if factor[1] == 2:
        sums = sums[:, 0::2] + sums[:, 1::2]
    if factor[0] == 2:
        sums = sums[0::2] + sums[1::2]
    return sums


def _union(mask: npt.NDArray[np.uint8], factor: tuple[int, int, int]) -> npt.NDArray[np.uint8]:
    flags = mask
    if factor[2] == 2:
        pairs = flags.view(np.uint16)
        flags = (pairs | (pairs >> np.uint16(8))).astype(np.uint8)
    if factor[1] == 2:
        flags = flags[:, 0::2] | flags[:, 1::2]
    if factor[0] == 2:
        flags = flags[0::2] | flags[1::2]
    return flags.copy() if flags is mask else flags


def _mend(
    small: npt.NDArray[Any],
    flags: npt.NDArray[np.uint8],
    light: npt.NDArray[Any],
    mask: npt.NDArray[np.uint8],
    factor: tuple[int, int, int],
    empty: float,
) -> None:
    """Take the mean again where some voxels are to be left out; few, so gathered one by one."""
    found = np.flatnonzero((flags & _LEFT_OUT) != 0)
    for start in range(0, found.size, _AT_ONCE):
        places = np.unravel_index(found[start : start + _AT_ONCE], flags.shape)
        corners = [
            tuple(p * f + o for p, f, o in zip(places, factor, offset, strict=True))
            for offset in product(*(range(f) for f in factor))
        ]
        values = np.stack([light[corner] for corner in corners]).astype(np.float64)
        kinds = np.stack([mask[corner] for corner in corners])
        use = (kinds & _LEFT_OUT) == 0
        none = ~use.any(axis=0)
        use[:, none] = (kinds[:, none] & (NO_LIGHT | _BEYOND)) == 0
        seen = use.sum(axis=0)
        total = np.where(use, values, 0.0).sum(axis=0)
        mean = np.where(seen > 0, total / np.maximum(seen, 1), empty)
        small[places] = np.rint(mean) if small.dtype == np.uint16 else mean
