"""From decoded pixels to a plane, for files without a mosaic."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Colour, Lattice
from planewright.base.problems import PhotographProblem
from planewright.frames.nouns import Plane
from planewright.kernels.mosaic import regular_stride, trimmed_mean
from planewright.kernels.srgb import srgb_table

Pixels = npt.NDArray[Any]
_CHANNELS = {Colour.RED: 0, Colour.GREEN: 1, Colour.BLUE: 2}
_EXACT = 2**24  # whole numbers up to here are exact in float32


def pick_channel(
    path: Path, pixels: Pixels, *, colour: Colour, coloured: bool
) -> tuple[Pixels, dict[str, Pixels]]:
    """Return the chosen colour's channel, and a sparse sample of every channel.

    Parameters
    ----------
    path : Path
        The file, for problems.
    pixels : ndarray of shape (y, x) or (y, x, channel)
        Decoded pixels; channels beyond the colours are transparency and left out.
    colour : Colour
        Which channel is wanted.
    coloured : bool
        The file holds red, green and blue.

    Returns
    -------
    channel : ndarray of shape (y, x)
        The chosen channel, or the only one.
    samples : dict
        A regular subsample by ``"red"``, ``"green"``, ``"blue"``, or ``"mono"``.
    """
    if pixels.ndim not in (2, 3) or (coloured and pixels.shape[2:] not in ((3,), (4,))):
        raise PhotographProblem(
            "This photograph is not a flat image.",
            where=str(path),
            got=f"an array of {' × '.join(str(n) for n in pixels.shape)}",
            expected="rows × columns, grey or red, green and blue",
        )
    stride = regular_stride((pixels.shape[0], pixels.shape[1]), samples=16384)
    sparse = pixels[::stride, ::stride]
    if not coloured:
        flat = pixels if pixels.ndim == 2 else pixels[..., 0]
        return flat, {"mono": sparse if sparse.ndim == 2 else sparse[..., 0]}
    samples = {one.value: sparse[..., channel] for one, channel in _CHANNELS.items()}
    return pixels[..., _CHANNELS[colour]], samples


@cache
def _table() -> npt.NDArray[np.uint16]:
    table = srgb_table()
    table.flags.writeable = False
    return table


def counted_plane(
    path: Path,
    picked: tuple[Pixels, dict[str, Pixels]],
    *,
    white: float | None,
    display: bool,
) -> Plane:
    """Make a plane of pixels that stand side by side.

    Parameters
    ----------
    path : Path
        The file, for problems.
    picked : tuple
        Channel and samples, from ``pick_channel``.
    white : float or None
        Stored number at which the sensor is full; None where it is not known. The largest
        number that the file can hold is full in any case.
    display : bool
        8-bit numbers on the sRGB curve: they become linear counts with white at 65535.

    Returns
    -------
    Plane
        uint16 for 8- and 16-bit numbers, float32 for signed and float ones.
    """
    pixels, samples = picked
    ceiling = float(np.iinfo(pixels.dtype).max) if pixels.dtype.kind in "iu" else math.inf
    limit = ceiling if white is None else min(float(white), ceiling)
    full = None
    if pixels.size and math.isfinite(limit) and pixels.max() >= limit:
        full = np.ascontiguousarray(pixels >= limit)
    level = math.inf if white is None else limit
    invalid = None
    counts: Pixels
    if display and pixels.dtype == np.uint8:
        counts, level = _table()[pixels], 65535.0
        samples = {name: _table()[sample] for name, sample in samples.items()}
    elif pixels.dtype in (np.uint8, np.uint16):
        counts = np.ascontiguousarray(pixels, np.uint16)
    elif pixels.dtype.kind in "iu":
        counts = _whole_to_float(path, pixels)
    elif pixels.dtype.kind == "f":
        counts, invalid = _finite(path, pixels)
    else:
        raise PhotographProblem(
            "This photograph does not hold measured light.",
            where=str(path),
            got=f"numbers of the kind {pixels.dtype}",
            expected="whole numbers of 8 to 16 bits, or float",
        )
    for array in (counts, full, invalid):
        if array is not None:
            array.flags.writeable = False
    return Plane(
        counts=counts,
        step=1.0,
        black=0.0,
        white=level,
        saturated=full,
        invalid=invalid,
        lattice=Lattice(1, 0.0, 0.0, counts.shape[0], counts.shape[1]),
        colour_light={name: _mean(sample) for name, sample in samples.items()},
        shape_only=display,
    )


def _mean(sample: Pixels) -> float:
    if sample.dtype.kind == "f":
        sample = sample[np.isfinite(sample)]
    return trimmed_mean(sample) if sample.size else math.nan


def _whole_to_float(path: Path, pixels: Pixels) -> npt.NDArray[np.float32]:
    low, high = (int(pixels.min()), int(pixels.max())) if pixels.size else (0, 0)
    if max(-low, high) > _EXACT:
        raise PhotographProblem(
            "This photograph holds numbers too large to be kept exactly.",
            where=str(path),
            got=f"{low} to {high}",
            expected=f"whole numbers from -{_EXACT} to {_EXACT}",
            do="save it as 16-bit TIFF, or as float",
        )
    return np.ascontiguousarray(pixels, np.float32)


def _finite(
    path: Path, pixels: Pixels
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_] | None]:
    with np.errstate(over="ignore", invalid="ignore"):
        counts = np.array(pixels, np.float32, order="C")
    good = np.isfinite(counts)
    if good.all():
        return counts, None
    if not good.any():
        raise PhotographProblem(
            "This photograph holds no finite number.",
            where=str(path),
            got="nothing but NaN or infinity",
            do="write it again from the program that made it",
        )
    counts[~good] = 0.0
    return counts, ~good
