"""Quantities as a person writes them. The only place where units are converted.

``"2.5 um"``, ``"0.412 um ± 0.002 um"``, ``"37 deg"``, ``"16 degC"``. A bare number where a unit
is needed is refused. Inside, floats with the unit in the name.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from planewright.base.problems import UnitProblem

if TYPE_CHECKING:
    import pint

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty, both in the unit that the field's name says.

    Parameters
    ----------
    value : float
        Best estimate.
    sigma : float or None
        Standard uncertainty (one sigma); None where it is not known.
    """

    value: float
    sigma: float | None = None


class Stated(float):
    """A float that remembers the uncertainty which it was stated with.

    Arithmetic gives plain floats: an uncertainty is carried to a result on purpose, never by
    the way.

    Parameters
    ----------
    value : float
        Best estimate.
    sigma : float or None
        Standard uncertainty (one sigma); None where none was stated.
    """

    __slots__ = ("sigma",)
    sigma: float | None

    def __new__(cls, value: float, sigma: float | None = None) -> Stated:
        """Make a float with its uncertainty."""
        made = super().__new__(cls, value)
        made.sigma = sigma
        return made

    @property
    def value(self) -> float:
        """The plain float."""
        return float(self)

    @property
    def measured(self) -> Measured:
        """The same as a `Measured`."""
        return Measured(float(self), self.sigma)

    def __reduce__(self) -> tuple[type[Stated], tuple[float, float | None]]:
        return Stated, (float(self), self.sigma)


@cache
def _registry() -> pint.UnitRegistry[float]:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def parse_measured(text: object, unit: str, *, where: str = "") -> Measured:
    """Read a quantity with its unit and, if given, its uncertainty.

    Parameters
    ----------
    text : str
        ``"0.412 um ± 0.002 um"``; the uncertainty may leave out a repeated unit.
    unit : str
        Unit of the result.
    where : str
        File, key and line, for the problem's text.

    Returns
    -------
    Measured
        Value and uncertainty in ``unit``.

    Raises
    ------
    UnitProblem
        If the unit is missing, unknown or of another kind, or the text is no number.
    """
    example = f'text with a unit, for example "{_example(unit)}"'
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitProblem("This is not a quantity.", where=where, got=repr(text), expected=example)
    if isinstance(text, (int, float)):
        raise UnitProblem(
            "A number stands here without its unit.",
            where=where,
            got=str(text),
            expected=example,
            do="write the number and its unit between quotation marks",
        )
    parts = _PLUS_MINUS.split(text.strip())
    if len(parts) > 2:
        raise UnitProblem("More than one ± stands here.", where=where, got=text, expected=example)
    value, written = _convert(parts[0], unit, "", where, text, example)
    if len(parts) == 1:
        return Measured(value)
    sigma, _ = _convert(parts[1], unit, written, where, text, example, difference=True)
    if sigma < 0:
        raise UnitProblem("An uncertainty is negative.", where=where, got=text, expected=example)
    return Measured(value, sigma)


def parse_ratio(text: object, *, where: str = "") -> Measured:
    """Read a pure number, as a number or as text that may carry its uncertainty.

    Parameters
    ----------
    text : float or str
        ``0.4``, or ``"1.10 ± 0.05"``.
    where : str
        File, key and line, for the problem's text.

    Returns
    -------
    Measured
        Value and uncertainty.

    Raises
    ------
    UnitProblem
        If it is no number, or has a unit.
    """
    parts = _PLUS_MINUS.split(text.strip()) if isinstance(text, str) else [text]
    try:
        if isinstance(text, bool) or len(parts) > 2:
            raise ValueError
        numbers = [float(part) for part in parts]  # type: ignore[arg-type]
        if not all(math.isfinite(n) for n in numbers) or min(numbers[1:], default=0.0) < 0:
            raise ValueError
    except (TypeError, ValueError):
        raise UnitProblem(
            "This is not a plain number.",
            where=where,
            got=repr(text),
            expected='a number without a unit, for example 1.1 or "1.1 ± 0.05"',
        ) from None
    return Measured(*numbers)


def parse_quantity(text: object, unit: str, *, where: str = "") -> float:
    """Read a quantity with its unit, without uncertainty.

    Parameters
    ----------
    text : str
        ``"488 nm"``.
    unit : str
        Unit of the result.
    where : str
        File, key and line, for the problem's text.

    Returns
    -------
    float
        The value in ``unit``.

    Raises
    ------
    UnitProblem
        If the unit is missing, unknown or of another kind.
    """
    return parse_measured(text, unit, where=where).value


def _convert(
    part: str,
    unit: str,
    default: str,
    where: str,
    whole: str,
    example: str,
    *,
    difference: bool = False,
) -> tuple[float, str]:
    match = _NUMBER.match(part)
    if match is None:
        raise UnitProblem("This is not a number.", where=where, got=whole, expected=example)
    number = float(match.group(1))
    written = match.group(2).replace("°C", "degC").replace("°", "deg") or default
    if not written:
        raise UnitProblem(
            "A number stands here without its unit.",
            where=where,
            got=f'"{whole}"',
            expected=example,
            do="write the unit after the number",
        )
    import pint

    registry = _registry()
    try:
        if unit == "degC" and difference:
            return number, written
        value = float(registry.Quantity(number, written).to(unit).magnitude)
    except pint.DimensionalityError as error:
        raise UnitProblem(
            "This unit measures something else.",
            where=where,
            got=f'"{whole}"',
            expected=example,
        ) from error
    except Exception as error:  # pint raises many kinds for text it cannot read
        comma = re.match(r"^\s*[+-]?\d+,\d", part) is not None
        raise UnitProblem(
            "This number has a comma in it." if comma else "This unit is not known.",
            where=where,
            got=f'"{whole}"',
            expected=example,
            do="write the decimal sign as a point" if comma else "",
        ) from error
    if not math.isfinite(value):
        raise UnitProblem("This is not a finite number.", where=where, got=f'"{whole}"')
    return value, written


def _example(unit: str) -> str:
    examples = {
        "um": "2.5 um",
        "nm": "488 nm",
        "mm": "75 mm",
        "deg": "37 deg",
        "degC": "16 degC",
        "s": "2 s",
        "mW": "20 mW",
        "MB": "4 GB",
    }
    return examples.get(unit, f"1 {unit}")


def show(value: float, unit: str, *, sigma: float | None = None, digits: int = 4) -> str:
    """Write a value with its unit for a person: ``"0.412 ± 0.002 µm"``.

    Parameters
    ----------
    value : float
        The value.
    unit : str
        Unit as inside the program; micrometres are shown as µm.
    sigma : float or None
        Standard uncertainty; decides the digits shown if given.
    digits : int
        Significant digits where no uncertainty decides them.

    Returns
    -------
    str
        Text with a decimal point, whatever the locale.
    """
    names = {"um": "µm", "deg": "°", "degC": "°C"}
    name = names.get(unit) or "/".join(names.get(part, part) for part in unit.split("/"))
    space = "" if name == "°" else " "
    if sigma is None or sigma <= 0 or not math.isfinite(sigma):
        return f"{value:.{digits}g}{space}{name}".rstrip()
    places = max(0, 1 - math.floor(math.log10(sigma)))
    return f"{value:.{places}f} ± {sigma:.{places}f}{space}{name}".rstrip()
