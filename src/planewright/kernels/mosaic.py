"""The lattices of a colour mosaic with a 2×2 cell (Bayer)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

_BAND_CELLS = 32  # rows of cells worked on at once, so that they stay in the processor's cache
_HALF = 32767  # the largest number of which two fit into uint16

Site = tuple[int, int]


def cells(shape: tuple[int, ...]) -> tuple[int, int]:
    """Return the number of whole 2×2 cells, rows and columns, of a mosaic of this shape."""
    return shape[0] // 2, shape[1] // 2


def site_plane(mosaic: npt.NDArray[np.uint16], *, site: Site) -> npt.NDArray[np.uint16]:
    """Return a copy of one site of every whole cell.

    Parameters
    ----------
    mosaic : ndarray of uint16 of shape (Y, X)
        The mosaic.
    site : tuple of int
        Row and column within the cell, 0 or 1.

    Returns
    -------
    ndarray of uint16 of shape (Y // 2, X // 2)
        The site's numbers.
    """
    rows, columns = cells(mosaic.shape)
    row, column = site
    return mosaic[row : 2 * rows : 2, column : 2 * columns : 2].copy()


def site_full(mosaic: npt.NDArray[np.uint16], *, site: Site, white: float) -> npt.NDArray[np.bool_]:
    """Tell where one site of a cell has reached its white level.

    Parameters
    ----------
    mosaic : ndarray of uint16 of shape (Y, X)
        The mosaic.
    site : tuple of int
        Row and column within the cell.
    white : float
        Stored number at which the site is full.

    Returns
    -------
    ndarray of bool of shape (Y // 2, X // 2)
        True where full.
    """
    rows, columns = cells(mosaic.shape)
    row, column = site
    full: npt.NDArray[np.bool_] = mosaic[row : 2 * rows : 2, column : 2 * columns : 2] >= white
    return full


def pair_sum(
    mosaic: npt.NDArray[np.uint16], *, sites: tuple[Site, Site], white: tuple[float, float]
) -> tuple[npt.NDArray[np.uint16] | npt.NDArray[np.float32], npt.NDArray[np.bool_] | None]:
    """Add two sites of every whole cell, and tell where either is full.

    The sum is exact: nothing is rounded. It is float32 where the white levels are so high that
    two numbers may not fit into uint16. Elsewhere a number above 32767 lies above white: it is
    told as full, and counts as 32767 in the sum.

    Parameters
    ----------
    mosaic : ndarray of uint16 of shape (Y, X)
        The mosaic; read band by band, never copied as a whole.
    sites : tuple of two sites
        Row and column of each within the cell.
    white : tuple of two floats
        Stored number at which each is full.

    Returns
    -------
    total : ndarray of uint16 or float32 of shape (Y // 2, X // 2)
        Sum of the two.
    full : ndarray of bool of shape (Y // 2, X // 2) or None
        True where either is full; None where none is.
    """
    rows, columns = cells(mosaic.shape)
    wide = max(white) > _HALF
    total = np.empty((rows, columns), np.float32 if wide else np.uint16)
    full: npt.NDArray[np.bool_] | None = None
    lowest = min(white)
    parts = [mosaic[r : 2 * rows : 2, c : 2 * columns : 2] for r, c in sites]
    for start in range(0, rows, _BAND_CELLS):
        band = slice(start, min(rows, start + _BAND_CELLS))
        first, second = (np.ascontiguousarray(part[band]) for part in parts)
        if first.size and max(first.max(), second.max()) >= lowest:
            here = (first >= white[0]) | (second >= white[1])
            if here.any():
                if full is None:
                    full = np.zeros((rows, columns), np.bool_)
                full[band] = here
                if not wide:
                    first, second = np.minimum(first, _HALF), np.minimum(second, _HALF)
        if wide:
            np.add(first, second, out=total[band], dtype=np.float32)
        else:
            np.add(first, second, out=total[band])
    return total, full


def trimmed_mean(values: npt.ArrayLike, *, trim: float = 0.005) -> float:
    """Return the mean without the most extreme values at each end.

    Parameters
    ----------
    values : array_like
        Numbers; must not be empty.
    trim : float
        Fraction left out at each end.

    Returns
    -------
    float
        The mean, summed in float64.
    """
    ordered = np.sort(np.asarray(values).ravel())
    out = int(ordered.size * trim)
    kept = ordered[out : ordered.size - out]
    return float(kept.mean(dtype=np.float64))


def site_levels(
    mosaic: npt.NDArray[np.uint16], *, sites: Sequence[Site], samples: int = 16384
) -> list[float]:
    """Return each site's mean number over a regular subsample, without the extremes.

    Parameters
    ----------
    mosaic : ndarray of uint16 of shape (Y, X)
        The mosaic.
    sites : sequence of sites
        Row and column of each within the cell.
    samples : int
        About how many cells to take.

    Returns
    -------
    list of float
        One mean a site, stored numbers.
    """
    stride = regular_stride(cells(mosaic.shape), samples=samples)
    rows, columns = cells(mosaic.shape)
    return [
        trimmed_mean(mosaic[r : 2 * rows : 2 * stride, c : 2 * columns : 2 * stride])
        for r, c in sites
    ]


def regular_stride(shape: tuple[int, int], *, samples: int) -> int:
    """Return the stride at which about ``samples`` of a grid's points are met."""
    return max(1, round(math.sqrt(shape[0] * shape[1] / samples)))
