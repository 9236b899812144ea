"""Noise of one photograph, apart from its structure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

_EDGES = (0.0, 0.15, 0.3, 0.45, 0.6, 0.7, 0.8, 0.88, 0.93, 0.96, 0.98, 0.99, 0.995, 1.0)
_FLAT = 0.5  # share of a class that is used: edges leak into the difference of the halves
_CLIP = 4.0  # standard deviations; a Gaussian loses 0.1 % of its variance beyond them


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a pixel as a straight line in light: ``floor + slope * light``.

    Parameters
    ----------
    ok : bool
        Whether there was enough to fit.
    floor : float
        Variance without light, counts². Never negative.
    slope : float
        Variance per light, counts; one over the electrons a count stands for. Never negative.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    floor: float
    slope: float
    why: str = ""

    def sigma(self, light: float) -> float:
        """Return the standard deviation at a level of light, counts."""
        return float(np.sqrt(self.floor + self.slope * max(0.0, light)))


def diagonal_halves(light: Image) -> tuple[Image, Image]:
    """Split an image into two of half size that share its structure but not its noise.

    Each 2 × 2 cell gives the mean of its main diagonal to the one and of its other diagonal to
    the other. Both means stand at the cell's centre, so a slope in the light is equal in both;
    their noise is independent.

    Parameters
    ----------
    light : array of shape (y, x)
        Image of at least 2 × 2 pixels. An odd last row or column is left out.

    Returns
    -------
    main, other : arrays of shape (y // 2, x // 2), float32
        The two half images. The variance of ``main - other`` is that of one pixel of ``light``;
        the mean of the two is the mean of the cell.
    """
    rows, columns = light.shape[0] // 2 * 2, light.shape[1] // 2 * 2
    half = np.float32(0.5)
    main = light[0:rows:2, 0:columns:2] + light[1:rows:2, 1:columns:2]
    other = light[0:rows:2, 1:columns:2] + light[1:rows:2, 0:columns:2]
    main *= half
    other *= half
    return main, other


def clipped_variance(difference: NDArray[np.floating], *, rounds: int = 4) -> float:
    """Return the variance of values about zero, the few far ones left out.

    Parameters
    ----------
    difference : array
        Values whose mean is zero by construction.
    rounds : int
        How often the clip, at four standard deviations, is drawn anew.

    Returns
    -------
    float
        Variance; 0 for an empty array.
    """
    squares = np.square(difference, dtype=np.float64).ravel()
    if squares.size == 0:
        return 0.0
    variance = float(squares.mean())
    for _ in range(rounds):
        kept = squares[squares <= _CLIP**2 * variance]
        if kept.size == squares.size or kept.size == 0:
            break
        squares, variance = kept, float(kept.mean())
    return variance


def noise_model(main: Image, other: Image, *, samples: int = 120_000) -> NoiseModel:
    """Fit pixel variance against light from the two halves of one photograph.

    Cells are sorted into classes by the mean light of the 3 × 3 cells about them, so that their
    own noise hardly decides their class. The flatter half of each class gives one clipped variance
    of the difference of the halves, and a weighted straight line goes through them. Bright
    classes are narrow: fine structure touches only its own class.

    Parameters
    ----------
    main, other : arrays of shape (y, x)
        What `diagonal_halves` returned.
    samples : int
        How many cells are looked at, at most, on a regular grid.

    Returns
    -------
    NoiseModel
        In the units of ``main``.

    References
    ----------
    .. [1] EMVA Standard 1288, linear camera model: the variance of the grey value is linear in
       its mean.
    """
    stride = max(1, int(np.ceil(np.sqrt(main.size / samples))))
    first = main[::stride, ::stride].ravel()
    second = other[::stride, ::stride].ravel()
    difference = first - second
    smooth = cv2.blur(main + other, (3, 3))
    steep = np.abs(cv2.Sobel(smooth, cv2.CV_32F, 1, 0)[::stride, ::stride])
    steep += np.abs(cv2.Sobel(smooth, cv2.CV_32F, 0, 1)[::stride, ::stride])
    level, slant = smooth[::stride, ::stride].ravel() * np.float32(0.5), steep.ravel()
    good = np.isfinite(difference) & np.isfinite(slant)
    if not good.all():
        difference, level, slant = difference[good], level[good], slant[good]
    if level.size < 50:
        return NoiseModel(False, 0.0, 0.0, "fewer than 50 cells to judge from")
    order = np.argsort(level, kind="stable")
    cuts = np.unique(np.round(np.array(_EDGES) * order.size).astype(int))
    groups = [order[a:b] for a, b in pairwise(cuts) if b - a >= 20]
    groups = [group[slant[group] <= np.quantile(slant[group], _FLAT)] for group in groups]
    mean = np.array([level[group].mean(dtype=np.float64) for group in groups])
    variance = np.array([clipped_variance(difference[group]) for group in groups])
    return _line(mean, variance, np.array([group.size for group in groups], dtype=float))


def _line(
    mean: NDArray[np.float64], variance: NDArray[np.float64], count: NDArray[np.float64]
) -> NoiseModel:
    if not variance.max() > 0:
        return NoiseModel(True, 0.0, 0.0)
    floor, slope = float(variance.mean()), 0.0
    for _ in range(4):  # weights from the model itself: the spread of a variance is its value
        model = np.maximum(floor + slope * mean, 1e-3 * variance.max())
        weight = count / model**2
        weight[variance > 2.0 * model] *= 0.1  # classes where fine structure leaks in
        centre = float((weight * mean).sum() / weight.sum())
        spread = float((weight * (mean - centre) ** 2).sum())
        level = float((weight * variance).sum() / weight.sum())
        covariance = float((weight * (mean - centre) * variance).sum())
        slope = 0.0 if spread <= 0 else max(0.0, covariance / spread)
        floor = level - slope * centre
        if floor < 0:  # shot noise alone: a line through the origin
            floor = 0.0
            positive = np.maximum(mean, 0.0)
            slope = float(
                (weight * positive * variance).sum() / max((weight * positive**2).sum(), 1e-300)
            )
    return NoiseModel(True, floor, slope)
