"""Where a camera is full, judged over a stack whose files do not say.

A camera of 12 bits that writes into 16 leaves no trace of it but that no number lies above 4095
and that many lie there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

USUAL = (255.0, 1023.0, 4095.0, 16383.0, 65535.0)
_NEAR = 0.03
_PILE = 8
_EXCESS = 4.0


@dataclass(frozen=True)
class Top:
    """The top of one plane's numbers.

    Parameters
    ----------
    value : float
        Largest number.
    at : int
        Pixels that hold it.
    near : int
        Pixels within 3 % below it.
    """

    value: float
    at: int
    near: int


@dataclass(frozen=True)
class WhiteLevel:
    """Where the sensor is full, as far as a stack's numbers tell.

    Parameters
    ----------
    ok : bool
        A level was found.
    value : float
        Stored number at which the sensor is full; inf where none was found.
    quality : float
        Pixels at the level over those expected there from the numbers just below.
    why : str
        How it was found, or why not.
    """

    ok: bool
    value: float
    quality: float
    why: str


def top_of(counts: npt.NDArray[Any]) -> Top:
    """Return the top of one plane's numbers.

    Parameters
    ----------
    counts : ndarray of shape (y, x)
        Stored numbers.

    Returns
    -------
    Top
        Largest number, how many hold it, how many come near.
    """
    if counts.size == 0:
        return Top(0.0, 0, 0)
    value = float(counts.max())
    at = int(np.count_nonzero(counts == value))
    near = int(np.count_nonzero(counts > value * (1.0 - _NEAR))) - at
    return Top(value, at, near)


def judge_white(tops: Iterable[Top]) -> WhiteLevel:
    """Judge from the tops of a stack's planes where the sensor is full.

    Parameters
    ----------
    tops : iterable of Top
        One a plane, in any order.

    Returns
    -------
    WhiteLevel
        Found where pixels pile up at the largest number of all: at least eight, and four times
        as many as the numbers just below would put there. Two suffice at 1023, 4095, 16383.
    """
    known = list(tops)
    value = max((top.value for top in known), default=0.0)
    if value <= 0:
        return WhiteLevel(False, np.inf, 0.0, "all numbers are zero")
    highest = [top for top in known if top.value == value]
    at, near = sum(top.at for top in highest), sum(top.near for top in highest)
    expected = near / max(1.0, value * _NEAR)
    quality = at / max(expected, 1.0)
    usual = value in USUAL
    if at >= (2 if usual else _PILE) and quality >= (1.5 if usual else _EXCESS):
        return WhiteLevel(True, value, quality, f"{at} pixels stand at {value:.0f}, none above")
    return WhiteLevel(
        False, np.inf, quality, f"pixels do not pile up at the largest number, {value:.0f}"
    )
