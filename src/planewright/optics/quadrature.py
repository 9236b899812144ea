"""Nodes and weights for integrals over openings and pupils."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

_PER_PANEL = 32


@cache
def _panel() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(_PER_PANEL)
    return nodes, weights


def panels(count: int, half: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Gauss-Legendre nodes in equal panels over ``−half`` to ``half``.

    Parameters
    ----------
    count : int
        Nodes wanted; rounded up to whole panels of 32.
    half : float
        Half of the range.

    Returns
    -------
    nodes, weights : ndarray of shape (N,)
        In ascending order. One rule for many nodes would cost the third power of their number.
    """
    number = max(1, math.ceil(count / _PER_PANEL))
    nodes, weights = _panel()
    width = half / number
    middles = -half + width * (2 * np.arange(number) + 1)
    return (middles[:, None] + width * nodes).ravel(), np.tile(weights * width, number)
