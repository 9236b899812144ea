"""How light is written as whole numbers: step, pedestal, unit; nothing cut, nothing overflown."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from planewright.base.problems import RangeProblem

# The negative weights of a one-dimensional Lanczos kernel of four lobes, normalised to sum 1,
# add up to at most this, over all sub-pixel shifts (found by scanning them; a test repeats it).
LANCZOS4_NEGATIVE = 0.35729
_TOP = 65535


@dataclass(frozen=True)
class NumberFormat:
    """How stored numbers become light: ``light = (stored - pedestal) * gain``.

    Parameters
    ----------
    dtype : {"uint16", "float32"}
        Type of the stored numbers.
    pedestal : int
        Stored number of no light; 0 for float32.
    gain : float
        Light per stored number; 1 for float32.
    unit : {"electron", "count"}
        Unit of light.
    """

    dtype: Literal["uint16", "float32"]
    pedestal: int
    gain: float
    unit: Literal["electron", "count"]

    def __post_init__(self) -> None:
        if self.dtype not in ("uint16", "float32") or self.unit not in ("electron", "count"):
            raise RangeProblem(
                "This number format is not known.",
                got=f"{self.dtype}, {self.unit}",
                expected="uint16 or float32, electron or count",
            )
        if not (math.isfinite(self.gain) and self.gain > 0 and 0 <= self.pedestal <= _TOP):
            raise RangeProblem(
                "The number format's pedestal or gain is impossible.",
                got=f"pedestal {self.pedestal}, gain {self.gain}",
                expected="pedestal 0 to 65535, gain above 0",
            )
        if self.dtype == "float32" and (self.pedestal, self.gain) != (0, 1.0):
            raise RangeProblem(
                "Light in float32 is stored as it is.",
                got=f"pedestal {self.pedestal}, gain {self.gain}",
                expected="pedestal 0, gain 1",
            )

    @property
    def low(self) -> float:
        """Least light that can be stored."""
        return -self.pedestal * self.gain if self.dtype == "uint16" else -math.inf

    @property
    def high(self) -> float:
        """Most light that can be stored."""
        return (_TOP - self.pedestal) * self.gain if self.dtype == "uint16" else math.inf

    def encode(
        self, light: npt.NDArray[np.float32]
    ) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]:
        """Turn light into stored numbers.

        Parameters
        ----------
        light : ndarray of float32, any shape
            Light in ``unit``.

        Returns
        -------
        stored : ndarray of uint16 or float32
            The nearest numbers. Light beyond the range becomes the nearest end, NaN the
            pedestal; both are told in ``outside``.
        outside : ndarray of bool
            True where the light could not be stored as it is. The caller flags or refuses.
        """
        light = np.asarray(light, dtype=np.float32)
        if self.dtype == "float32":
            return light.copy(), ~np.isfinite(light)
        scaled = light * np.float32(1.0 / self.gain)
        scaled += np.float32(self.pedestal)
        np.rint(scaled, out=scaled)
        outside = np.zeros(light.shape, dtype=np.bool_)
        if scaled.size and not (scaled.min() >= 0 and scaled.max() <= _TOP):
            np.logical_not((scaled >= 0) & (scaled <= _TOP), out=outside)
            scaled[np.isnan(scaled)] = self.pedestal
            np.clip(scaled, 0, _TOP, out=scaled)
        return scaled.astype(np.uint16), outside

    def decode(self, stored: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Turn stored numbers into light.

        Parameters
        ----------
        stored : ndarray, any shape
            As the store holds them.

        Returns
        -------
        ndarray of float32
            Light in ``unit``.
        """
        light = np.asarray(stored).astype(np.float32)
        if self.dtype == "uint16":
            light -= np.float32(self.pedestal)
            light *= np.float32(self.gain)
        return light

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {**asdict(self), "formula": "light = (stored - pedestal) * gain"}


def float_format(unit: Literal["electron", "count"] = "count") -> NumberFormat:
    """Return the format of light that is kept in float32, as float photographs are."""
    return NumberFormat("float32", 0, 1.0, unit)


def choose_format(
    low: float,
    high: float,
    step: float,
    *,
    resampled: bool,
    unit: Literal["electron", "count"] = "count",
    finest: float = 0.25,
) -> NumberFormat:
    """Choose the step and the pedestal of a whole-number store.

    The step is ``step`` times a power of two: the finest for which no value between ``low`` and
    ``high`` is cut, but no finer than ``finest`` times ``step``. At a quarter of the
    photographs' own step, rounding adds 3 % to their own rounding noise; finer digits would
    be noise that costs disk and time.

    Parameters
    ----------
    low, high : float
        Least and most light that occurs, after flat and evening, in ``unit``.
    step : float
        The photographs' own step of light, in ``unit``.
    resampled : bool
        Planes are shifted by a Lanczos kernel of four lobes, which can overshoot. The range is
        widened to the worst that the kernel can do along y and x.
    unit : {"electron", "count"}
        Unit of light.
    finest : float
        Finest step worth storing, as a part of ``step``.

    Returns
    -------
    NumberFormat
        Of dtype uint16.

    Raises
    ------
    RangeProblem
        If the range is empty or not finite, or the step is not positive.
    """
    if not (math.isfinite(low) and math.isfinite(high) and low <= high):
        raise RangeProblem(
            "The range of light is not known.",
            got=f"{low} to {high}",
            expected="finite, the lower end first",
        )
    if not (math.isfinite(step) and step > 0 and finest > 0):
        raise RangeProblem("The step of light must be positive.", got=str(step), expected="above 0")
    if resampled:
        over = 2 * LANCZOS4_NEGATIVE * (1 + LANCZOS4_NEGATIVE) * (high - min(low, 0.0))
        low, high = low - over, high + over
    low = min(low, 0.0)
    high = max(high, 0.0)
    power = math.ceil(math.log2(finest))
    while True:
        gain = step * 2.0**power
        pedestal = math.ceil(-low / gain) + 1
        if pedestal + math.ceil(high / gain) + 1 <= _TOP:
            return NumberFormat("uint16", pedestal, gain, unit)
        power += 1
