"""Defective pixels: what stands out from its neighbours as no lens can make it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]


def single_pixel_excess(light: Image) -> Image:
    """Return each pixel less the median of its 3 × 3 surroundings.

    Parameters
    ----------
    light : array of shape (y, x)
        Image, float32.

    Returns
    -------
    array of shape (y, x), float32
        The excess, in the units of ``light``. Next to zero on slopes and edges.
    """
    excess: Image = light - cv2.medianBlur(light, 3)
    return excess


def spread(values: NDArray[np.floating]) -> float:
    """Return a standard deviation from the median distance to the median (1.4826 MAD).

    Parameters
    ----------
    values : array
        Any shape; values that are not finite are left out.

    Returns
    -------
    float
        Same unit; 0 for an empty array.
    """
    flat = np.asarray(values, dtype=np.float64).ravel()
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(flat - np.median(flat))))


def replace_pixels(light: Image, bad: Mask) -> Image:
    """Replace bad pixels by the median of their good neighbours.

    Parameters
    ----------
    light : array of shape (y, x)
        Image.
    bad : bool array of shape (y, x)
        Which pixels to replace.

    Returns
    -------
    array of shape (y, x), float32
        A copy where anything is replaced, else ``light`` itself. A bad pixel without a good
        neighbour within two pixels gets the image's median.
    """
    ys, xs = np.nonzero(bad)
    if ys.size == 0:
        return light
    rows, columns = light.shape
    result = light.copy()
    value = np.full(ys.size, np.nan, np.float32)
    for reach in (1, 2):
        todo = np.flatnonzero(np.isnan(value))
        if todo.size == 0:
            break
        steps = [
            (dy, dx)
            for dy in range(-reach, reach + 1)
            for dx in range(-reach, reach + 1)
            if (dy, dx) != (0, 0)
        ]
        around = np.full((len(steps), todo.size), np.nan, np.float32)
        for line, (dy, dx) in zip(around, steps, strict=True):
            y, x = ys[todo] + dy, xs[todo] + dx
            inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
            y, x = np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)
            usable = inside & ~bad[y, x]
            line[usable] = light[y, x][usable]
        found = ~np.isnan(around).all(axis=0)
        value[todo[found]] = np.nanmedian(around[:, found], axis=0)
    if np.isnan(value).any():
        good = light[~bad]
        value[np.isnan(value)] = np.float32(np.median(good)) if good.size else np.float32(0)
    result[ys, xs] = value
    return result
