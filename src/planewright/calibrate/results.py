"""What a calibration hands back: estimates with a standard uncertainty, or a reason for none."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np

from planewright.base.problems import RangeProblem

TOLERANCE_TO_SIGMA = 1.0 / math.sqrt(3.0)  # rectangular distribution [1]_ of `tolerance_sigma`


@dataclass(frozen=True)
class Estimate:
    """One measured value, or the reason why there is none.

    Parameters
    ----------
    ok : bool
        Whether there is a value.
    value : float or None
        The value; None where ``ok`` is false.
    sigma : float or None
        Its standard uncertainty (one sigma); None where ``ok`` is false.
    unit : str
        Unit of both; empty for a ratio.
    why : str
        Why there is none, where ``ok`` is false.
    """

    ok: bool
    value: float | None
    sigma: float | None
    unit: str
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return dict(_plain(self))


class Result:
    """Mixin of results: a JSON-ready copy of all fields, arrays as lists."""

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        found: dict[str, Any] = _plain(self)
        return found


def measured(value: float, sigma: float, unit: str) -> Estimate:
    """Return a value that was found."""
    return Estimate(True, float(value), float(sigma), unit)


def missing(unit: str, why: str) -> Estimate:
    """Return the lack of a value, with its reason."""
    return Estimate(False, None, None, unit, why)


def tolerance_sigma(tolerance: float, *, what: str, largest: float = math.inf) -> float:
    """Return the standard uncertainty that stands behind a maker's tolerance.

    Parameters
    ----------
    tolerance : float
        Half width of the interval that the maker promises.
    what : str
        Name of the argument, for the problem's text.
    largest : float
        Largest tolerance that is still sensible.

    Returns
    -------
    float
        The tolerance over the root of three: nothing is known but the interval.

    Raises
    ------
    RangeProblem
        If the tolerance is negative, not finite or too large.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7.
    """
    return check_range(tolerance, what, 0.0, largest) * TOLERANCE_TO_SIGMA


def check_range(
    value: float, what: str, low: float, high: float, *, open_low: bool = False
) -> float:
    """Return a number that lies where it must, or refuse it.

    Parameters
    ----------
    value : float
        The number.
    what : str
        Name of the argument.
    low, high : float
        Interval, ends included.
    open_low : bool
        Whether the lower end is left out.

    Returns
    -------
    float
        The number.

    Raises
    ------
    RangeProblem
        If it lies outside or is not a number.
    """
    good = low <= value <= high and not (open_low and value == low)
    if not good:
        bound = f"above {low:g}" if open_low else f"{low:g} or more"
        upper = "" if math.isinf(high) else f", {high:g} at most"
        raise RangeProblem(
            "A number lies outside what is sensible.",
            where=what,
            got=f"{value:g}",
            expected=bound + upper,
        )
    return float(value)


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
