"""From voxels to the picture's pixels: each pixel is the mean of the voxels that it covers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from planewright.base.problems import RangeProblem


def overlap(voxels: int, pixels: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Return which voxels each pixel covers along one axis, and how much of the pixel each fills.

    Parameters
    ----------
    voxels, pixels : int
        Both span the same length.

    Returns
    -------
    first : ndarray of shape (pixels,), int
        The first voxel that a pixel touches.
    weights : ndarray of shape (pixels, n), float64
        Parts of the pixel filled by that voxel and the following ones; each row sums to 1.

    Raises
    ------
    RangeProblem
        If one of the numbers is not positive.
    """
    if voxels < 1 or pixels < 1:
        raise RangeProblem(
            "A picture needs voxels and pixels.", got=f"{voxels} voxels, {pixels} pixels"
        )
    # Whole-number arithmetic in units of 1 / (voxels * pixels), so that edges meet exactly.
    left = np.arange(pixels, dtype=np.int64) * voxels
    first = left // pixels
    reach = int(np.max((left + voxels - 1) // pixels - first)) + 1
    edges = (first[:, None] + np.arange(reach + 1)) * pixels
    inside = np.clip(edges, left[:, None], (left + voxels)[:, None])
    weights = np.diff(inside, axis=1) / voxels
    return first.astype(np.intp), weights


def fit(image: npt.NDArray[np.floating], shape: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Average an image over pixels of another size; nothing is interpolated.

    Parameters
    ----------
    image : ndarray of shape (rows, columns) or (rows, columns, n)
        Values of voxels.
    shape : tuple of int
        Rows and columns of pixels that cover the same area.

    Returns
    -------
    ndarray of shape ``shape`` or ``shape + (n,)``, float64
        Means over the area. Where pixels are smaller than voxels, the voxels show as they are.
    """
    out = _fit_axis(np.asarray(image), shape[0], axis=0)
    return _fit_axis(out, shape[1], axis=1)


def _fit_axis(
    image: npt.NDArray[np.floating], pixels: int, *, axis: int
) -> npt.NDArray[np.float64]:
    count = image.shape[axis]
    first, weights = overlap(count, pixels)
    if count == pixels:
        return np.asarray(image, dtype=np.float64)
    form = [1] * image.ndim
    form[axis] = pixels
    total = None
    for step in range(weights.shape[1]):
        part = np.take(image, np.minimum(first + step, count - 1), axis=axis)
        part = part * weights[:, step].reshape(form)  # float64 from here on
        total = part if total is None else total + part
    return np.asarray(total, dtype=np.float64)


def fit_seen(
    image: npt.NDArray[np.floating], seen: npt.NDArray[np.bool_], shape: tuple[int, int]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Average over the seen voxels of each pixel.

    Parameters
    ----------
    image : ndarray of shape (rows, columns) or (rows, columns, n)
        Zero where not seen.
    seen : ndarray of shape (rows, columns), bool
        Which voxels count.
    shape : tuple of int
        Rows and columns of pixels.

    Returns
    -------
    mean : ndarray, float64
        Zero where a pixel counts as unseen.
    shown : ndarray of shape ``shape``, bool
        False where half of a pixel or more was not seen.
    """
    part = fit(seen.astype(np.float64), shape)
    shown = part > 0.5
    weight = np.where(shown, part, 1.0)
    total = fit(image, shape)
    mean = total / (weight[..., None] if total.ndim == 3 else weight)
    mean[~shown] = 0.0
    return mean, shown
