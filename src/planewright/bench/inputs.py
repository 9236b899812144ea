"""The inputs of a bench that state an uncertainty, and what answers owe to them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from planewright.base.problems import Problem
from planewright.base.settings import Settings
from planewright.base.units import Measured, Stated
from planewright.bench.model import BenchFile


@dataclass(frozen=True)
class Input:
    """One stated value with its uncertainty.

    Parameters
    ----------
    path : tuple of str or int
        Field names and places in lists, as the model has them.
    key : str
        As a person writes it: ``train.2.gap_after``, parts counted from 1.
    value, sigma : float
        Value and standard uncertainty, in the field's own unit.
    """

    path: tuple[str | int, ...]
    key: str
    value: float
    sigma: float


def stated_inputs(settings: Settings) -> tuple[Input, ...]:
    """Return every input that states an uncertainty.

    Parameters
    ----------
    settings : Settings
        The bench, or one of its tables.

    Returns
    -------
    tuple of Input
        In the order of the file.
    """
    return tuple(_walk(settings, (), ""))


def _walk(value: Any, path: tuple[str | int, ...], key: str) -> list[Input]:
    if isinstance(value, (Stated, Measured)):
        if not value.sigma:
            return []
        return [Input(path, key, float(value.value), float(value.sigma))]
    if isinstance(value, Settings):
        out = []
        for name, field in type(value).model_fields.items():
            own = f"{key}.{field.alias or name}".lstrip(".")
            out += _walk(getattr(value, name), (*path, name), own)
        return out
    if isinstance(value, tuple):
        return [
            one
            for place, entry in enumerate(value)
            for one in _walk(entry, (*path, place), f"{key}.{place + 1}")
        ]
    return []


def with_value(settings: Any, path: tuple[str | int, ...], value: float) -> Any:
    """Return a copy of the settings, one value changed.

    Parameters
    ----------
    settings : Settings
        The bench or one of its tables.
    path : tuple of str or int
        Where.
    value : float
        The new value; the uncertainty stays.

    Returns
    -------
    Settings
        The copy; it is not checked against ranges, so that a value may step over its range's end.
    """
    if not path:
        return type(settings)(value, settings.sigma)
    first, rest = path[0], path[1:]
    if isinstance(first, int):
        changed = with_value(settings[first], rest, value)
        return (*settings[:first], changed, *settings[first + 1 :])
    inner = with_value(getattr(settings, first), rest, value)
    return settings.model_copy(update={first: inner})


@dataclass(frozen=True)
class Spread:
    """The uncertainty of one answer.

    Parameters
    ----------
    sigma : float
        Standard uncertainty.
    mostly : str
        Key of the input that adds most.
    """

    sigma: float
    mostly: str


def spreads(
    bench: BenchFile,
    of: Callable[[BenchFile], dict[str, float]],
    values: dict[str, float],
    *,
    both_sides: bool = True,
) -> dict[str, Spread]:
    """Carry the stated uncertainties to every answer by finite differences over ± one sigma.

    Parameters
    ----------
    bench : BenchFile
        The bench.
    of : callable
        Gives the figures of a bench by key.
    values : dict
        Its figures for this bench.
    both_sides : bool
        False looks to the upper side only, for figures that take long.

    Returns
    -------
    dict
        Answers that depend on an input which states an uncertainty. Inputs count as independent.
        An input counts by the rms of the answer's moves to both sides, which for a straight
        dependence is the usual product; an answer that stands at an extreme (the thickness in
        the middle of a well focused sheet) moves to one side only, and this sees it. Where one
        side cannot be worked out, the other counts.
    """
    squares: dict[str, float] = dict.fromkeys(values, 0.0)
    worst: dict[str, tuple[float, str]] = {}
    for one in stated_inputs(bench):
        sides = [_figures(bench, one, of, sign) for sign in ((-1, 1) if both_sides else (1,))]
        for key, value in values.items():
            moves = [side[key] - value for side in sides if key in side]
            change = math.hypot(*moves) / math.sqrt(max(1, len(moves)))
            if change <= 1e-9 * abs(value):
                continue
            squares[key] += change**2
            if change > worst.get(key, (0.0, ""))[0]:
                worst[key] = (change, one.key)
    return {key: Spread(math.sqrt(squares[key]), worst[key][1]) for key in worst}


def _figures(
    bench: BenchFile, one: Input, of: Callable[[BenchFile], dict[str, float]], sign: int
) -> dict[str, float]:
    try:
        return of(with_value(bench, one.path, one.value + sign * one.sigma))
    except Problem:
        return {}
