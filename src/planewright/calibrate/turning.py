"""By how much and which way to turn what, so that the sheet lies where it should."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.base.problems import RangeProblem
from planewright.calibrate.results import Estimate, Result, measured, missing
from planewright.calibrate.sharp_map import Alignment

Floats = NDArray[np.float64]

_SEEN = 2.0  # standard uncertainties from which a turn is worth its while
_ROWS = ("waist", "offset", "tilt_x", "tilt_y")
_NAMES = {
    "waist": "the waist along x",
    "offset": "the sheet's distance from the focus",
    "tilt_x": "the sheet's tilt along x",
    "tilt_y": "the sheet's tilt along y",
}


@dataclass(frozen=True)
class Handle:
    """Something that can be turned or shifted, and what one unit of it does.

    Parameters
    ----------
    name : str
        What a person calls it.
    unit : str
        Unit of the turn or shift.
    waist_um, offset_um : float
        How far one unit moves the waist along x, and the sheet away from the lens, µm.
    tilt_x_deg, tilt_y_deg : float
        How far one unit tilts the sheet, °.
    forward, backward : str
        Words for a positive and a negative turn.
    conjugate : bool
        Whether it is a mirror conjugate to the rear focal plane of the lens that makes the
        sheet. Such a mirror moves the sheet sideways and never its waist along x.

    Raises
    ------
    RangeProblem
        If nothing is moved, or a conjugate mirror is said to move the waist.
    """

    name: str
    unit: str
    waist_um: float = 0.0
    offset_um: float = 0.0
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    forward: str = "forward"
    backward: str = "backward"
    conjugate: bool = False

    def __post_init__(self) -> None:
        if self.conjugate and self.waist_um != 0:
            raise RangeProblem(
                "A mirror conjugate to the rear focal plane does not move the waist along x.",
                where=self.name,
                got=f"{self.waist_um:g} µm of waist per {self.unit}",
                expected="0: such a mirror moves the sheet sideways",
                do="give its offset_um, and another handle for the waist",
            )
        if not any(self.effect) or not all(map(math.isfinite, self.effect)):
            raise RangeProblem(
                "A handle must move something.",
                where=self.name,
                got=str(self.effect),
                expected="a finite sensitivity other than zero",
            )

    @property
    def effect(self) -> tuple[float, float, float, float]:
        """What one unit does to waist, offset, tilt x and tilt y."""
        return self.waist_um, self.offset_um, self.tilt_x_deg, self.tilt_y_deg


@dataclass(frozen=True)
class Turn(Result):
    """One handle's turn.

    Parameters
    ----------
    handle : str
        Its name.
    amount : Estimate
        How far, positive forward.
    needed : bool
        Whether it is more than its own uncertainty.
    text : str
        The same in words.
    """

    handle: str
    amount: Estimate
    needed: bool
    text: str


@dataclass(frozen=True)
class Advice(Result):
    """What to turn.

    Parameters
    ----------
    ok : bool
        Whether anything can be advised.
    turns : tuple of Turn
        One a handle.
    left : tuple of str
        What stays wrong or unknown, and why.
    why : str
        Why there is no advice, where ``ok`` is false.
    """

    ok: bool
    turns: tuple[Turn, ...] = ()
    left: tuple[str, ...] = ()
    why: str = ""


def advise(
    alignment: Alignment, handles: Sequence[Handle], *, waist_wanted_um: float = 0.0
) -> Advice:
    """Return the turns that bring the sheet into focus, level, and its waist where it is wanted.

    Parameters
    ----------
    alignment : Alignment
        What was found.
    handles : sequence of Handle
        What can be turned, with sensitivities.
    waist_wanted_um : float
        Where along x the waist should be, µm from the middle of the field.

    Returns
    -------
    Advice
        The least turns that put right all that is known and can be moved. What no handle moves
        is named.
    """
    if not alignment.ok:
        return Advice(False, why=alignment.why)
    if not handles:
        return Advice(False, why="no handle was given")
    found = [getattr(alignment, name) for name in _ROWS]
    effect = np.array([handle.effect for handle in handles]).T
    left, rows, goal, errors = [], [], [], []
    for index, (name, value) in enumerate(zip(_ROWS, found, strict=True)):
        if value.value is None or value.sigma is None:
            left.append(f"{_NAMES[name]} is not known: {value.why}")
            continue
        away = value.value - (waist_wanted_um if name == "waist" else 0.0)
        if not effect[index].any():
            if abs(away) > _SEEN * value.sigma:
                left.append(_unmoved(name, away, value, handles))
            continue
        rows.append(index)
        goal.append(-away)
        errors.append(value.sigma)
    if not rows:
        return Advice(False, left=tuple(left), why="no handle moves what was found")
    return Advice(
        True, _turns(effect[rows], np.array(goal), np.array(errors), handles), tuple(left)
    )


def _unmoved(name: str, away: float, value: Estimate, handles: Sequence[Handle]) -> str:
    text = (
        f"no handle moves {_NAMES[name]}, which is off by {away:.3g} ± {value.sigma:.1g} "
        f"{value.unit}"
    )
    if name == "waist" and any(handle.conjugate for handle in handles):
        text += (
            "; a mirror conjugate to the rear focal plane moves the sheet sideways: shift the lens "
            "that focuses the sheet along the light"
        )
    return text


def _turns(
    effect: Floats, goal: Floats, errors: Floats, handles: Sequence[Handle]
) -> tuple[Turn, ...]:
    """Solve for the turns, each row in units of its uncertainty."""
    scale = np.maximum(errors, 1e-12)
    inverse = np.linalg.pinv(effect / scale[:, None])
    amount = inverse @ (goal / scale)
    sigma = np.sqrt((inverse**2).sum(axis=1))
    turns = []
    for handle, value, error in zip(handles, amount, sigma, strict=True):
        if not error > 0:
            lack = missing(handle.unit, "what it moves is not known")
            turns.append(Turn(handle.name, lack, False, f"leave the {handle.name}"))
            continue
        needed = abs(value) > _SEEN * error
        way = handle.forward if value > 0 else handle.backward
        text = (
            f"turn the {handle.name} {way} by {abs(value):.3g} ± {error:.1g} {handle.unit}"
            if needed
            else f"leave the {handle.name}: it is right to within {error:.1g} {handle.unit}"
        )
        turns.append(Turn(handle.name, measured(value, error, handle.unit), needed, text))
    return tuple(turns)
