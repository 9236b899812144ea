"""How far the stage really goes for what it is told, and how much play it has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.calibrate.fitting import LinearFit, linear_fit, robust_fit, student_factor
from planewright.calibrate.results import (
    Estimate,
    Result,
    check_range,
    measured,
    missing,
    tolerance_sigma,
)

Floats = NDArray[np.float64]

_FEWEST = 6  # pairs
_WILD = 8.0  # robust standard deviations of a reading that is a slip of the pen
_SLIPS = 0.2  # share of them above which nothing is believed
_MARGIN = 1.15  # of the play that a run must cover before its readings count
_ALIKE = 0.9  # squared correlation of place and direction: play and slope look alike then
_TURNS = 2.0  # fewest turns of the screw: fewer, and its error looks like the slope
_FINE = 4.0  # fewest readings in a period that is looked for
_CHANCE = 1e-3  # probability that scatter alone makes a period look as strong
_ALIASED = 30.0  # growth of an uncertainty when the readings hardly sample a turn

_NO_SLIDE = missing("deg", "no tilted slide was used")


@dataclass(frozen=True)
class Travel(Result):
    """True travel of a stage over what was commanded.

    Parameters
    ----------
    ok : bool
        Whether the slope was found.
    slope : Estimate
        True over commanded travel. To go a way, command the way over the slope.
    backlash : Estimate
        True travel lost at a change of direction, µm.
    periodic : Estimate
        Amplitude of the error that comes back with each turn of the screw, µm.
    period : Estimate
        Its period, commanded µm.
    periodic_phase : float or None
        The error is ``amplitude · cos(2π commanded / period − phase)``, radians.
    scatter_um : float or None
        Standard deviation of a reading about all this, µm.
    covered_um : float
        Commanded travel that the readings cover, µm.
    left_out : tuple of int
        Readings that were not used, from 0: play not yet taken up, or far off.
    angle : Estimate
        Tilt of the ruled slide to the imaged plane, where one was used, °.
    amplification : float or None
        Relative error of the slope per relative error of the slide's foreshortening.
    why : str
        Why not, where ``ok`` is false.
    notes : tuple of str
        What a person should know beside it.
    """

    ok: bool
    slope: Estimate
    backlash: Estimate
    periodic: Estimate
    period: Estimate
    periodic_phase: float | None = None
    scatter_um: float | None = None
    covered_um: float = 0.0
    left_out: tuple[int, ...] = ()
    angle: Estimate = _NO_SLIDE
    amplification: float | None = None
    why: str = ""
    notes: tuple[str, ...] = ()


def no_travel(why: str) -> Travel:
    """Return the lack of a travel, with its reason."""
    um = missing("um", why)
    return Travel(False, missing("", why), um, um, um, why=why, angle=missing("deg", why))


def travel_from_pairs(
    commanded_um: ArrayLike,
    gauge_um: ArrayLike,
    *,
    gauge_tolerance_um: float,
    gauge_step_um: float = 0.0,
    turn_um: float | None = None,
) -> Travel:
    """Fit commanded positions and what a gauge showed, in the order they were taken.

    Parameters
    ----------
    commanded_um : array_like of shape (N,)
        Positions that the controller was told, µm. There and back again, or there is no play
        to be seen.
    gauge_um : array_like of shape (N,)
        Readings of the gauge, µm. It may count the other way.
    gauge_tolerance_um : float
        Half width of the maker's limits of error of the gauge over this travel, µm.
    gauge_step_um : float
        Smallest difference that the gauge shows, µm.
    turn_um : float or None
        Commanded travel of one turn of the screw, µm; looked for where None.

    Returns
    -------
    Travel
        Backlash is missing where one direction alone was run; the periodic error where the
        readings do not show one.

    Raises
    ------
    RangeProblem
        If a tolerance, a step or a turn is not sensible.

    Notes
    -----
    ``gauge = offset + slope · commanded − direction · backlash / 2 + A cos(…) + B sin(…)``.
    The gauge's error is taken as independent at the two ends of the travel.
    """
    at_end = tolerance_sigma(gauge_tolerance_um, what="gauge_tolerance_um", largest=1e4)
    check_range(gauge_step_um, "gauge_step_um", 0.0, 1e4)
    if turn_um is not None:
        check_range(turn_um, "turn_um", 0.0, 1e5, open_low=True)
    commanded = np.asarray(commanded_um, dtype=np.float64)
    gauge = np.asarray(gauge_um, dtype=np.float64)
    why = _unfit(commanded, gauge, turn_um)
    if why:
        return no_travel(why)
    backwards = bool(np.polyfit(commanded, gauge, 1)[0] < 0)
    gauge = -gauge if backwards else gauge
    direction, run = _runs(commanded)
    kept, why = _taken_up(commanded, gauge, direction, run)
    if why:
        return no_travel(why)
    period, design, fit = _with_screw(commanded, gauge, direction, kept, turn_um)
    wild = kept & (fit.weight == 0)
    if np.count_nonzero(wild) > _SLIPS * np.count_nonzero(kept):
        return no_travel("more than a fifth of the readings lie far from any line through them")
    notes = ["the gauge counts against the controller's direction"] if backwards else []
    if wild.any():
        notes.append(f"{np.count_nonzero(wild)} readings lie far from the line: look for slips")
    left = tuple(int(i) for i in np.flatnonzero(~kept | wild))
    return _told(commanded, direction, fit, design, period, turn_um, at_end, gauge_step_um, left,
                 tuple(notes))  # fmt: skip


def _unfit(commanded: Floats, gauge: Floats, turn_um: float | None) -> str:
    if commanded.ndim != 1 or commanded.shape != gauge.shape:
        return "commanded positions and readings must be two lists of one length"
    if not (np.isfinite(commanded).all() and np.isfinite(gauge).all()):
        return "a position or a reading is missing"
    if commanded.size < _FEWEST:
        return f"{commanded.size} pairs are too few; take {_FEWEST} or more"
    span = float(np.ptp(commanded))
    if not (span > 0 and np.ptp(gauge) > 0):
        return "the stage or the gauge did not move"
    if turn_um is not None and span < _TURNS * turn_um:
        return (
            f"the travel covers {span / turn_um:.2f} turns of the screw; under {_TURNS:.0f}, its "
            "periodic error cannot be told from the slope"
        )
    return ""


def _runs(commanded: Floats) -> tuple[Floats, Floats]:
    """Return the direction of the last move, and the way since its last change."""
    direction, run = np.zeros(commanded.size), np.zeros(commanded.size)
    for i in range(1, commanded.size):
        step = commanded[i] - commanded[i - 1]
        way = float(np.sign(step)) or direction[i - 1]
        direction[i] = way
        run[i] = abs(step) + (run[i - 1] if way == direction[i - 1] or not direction[i - 1] else 0)
    direction[0] = direction[1] if commanded.size > 1 else 0.0
    return direction, run


def _columns(commanded: Floats, direction: Floats, period: float | None) -> Floats:
    middle = (commanded.max() + commanded.min()) / 2
    columns = [np.ones_like(commanded), commanded - middle]
    if np.unique(direction[direction != 0]).size == 2:
        columns.append(-direction / 2)
    if period is not None:
        turn = 2 * np.pi * commanded / period
        columns += [np.cos(turn), np.sin(turn)]
    return np.stack(columns, axis=1)


def _taken_up(
    commanded: Floats, gauge: Floats, direction: Floats, run: Floats
) -> tuple[NDArray[np.bool_], str]:
    """Return which readings stand after the play was taken up."""
    both = np.unique(direction[direction != 0]).size == 2
    kept = run > 0
    if not both:
        return (kept, "") if np.count_nonzero(kept) >= _FEWEST else (kept, _SHORT)
    kept = run >= np.median(run[kept])
    for _ in range(8):
        design = _columns(commanded, direction, None)
        fit = robust_fit(design[kept], gauge[kept], reach=_WILD)
        play = max(0.0, float(fit.value[2])) / max(float(fit.value[1]), 1e-12)
        now = run > _MARGIN * play + 2.0 * fit.scatter
        sides = np.unique(direction[now])
        if np.count_nonzero(now) < _FEWEST or sides.size < 2:
            return kept, _SHORT
        if np.array_equal(now, kept):
            break
        kept = now
    alike = float(np.corrcoef(commanded[kept], direction[kept])[0, 1])
    return kept, _SHORT if alike**2 > _ALIKE else ""


_SHORT = "too few readings are left once the play is taken up: make longer runs, with stops"


def _with_screw(
    commanded: Floats,
    gauge: Floats,
    direction: Floats,
    kept: NDArray[np.bool_],
    turn_um: float | None,
) -> tuple[float | None, Floats, LinearFit]:
    """Fit, with the screw's period where it is known or stands out."""
    weight = kept.astype(np.float64)
    plain = _columns(commanded, direction, None)
    first = robust_fit(plain, gauge, weight, reach=_WILD)
    period = turn_um if turn_um is not None else _period(commanded, gauge, direction, first)
    if period is None:
        return None, plain, first
    design = _columns(commanded, direction, period)
    if np.count_nonzero(kept) < design.shape[1] + 3:
        return None, plain, first
    fit = robust_fit(design, gauge, weight, reach=_WILD)
    terms = plain.shape[1]
    growth = np.diag(fit.bread)[terms:] * np.count_nonzero(kept) / 2
    if growth.max() > _ALIASED:
        return None, plain, first
    return period, design, fit


def _period(commanded: Floats, gauge: Floats, direction: Floats, fit: LinearFit) -> float | None:
    """Return the period that stands out of the scatter beyond chance, commanded µm."""
    used = fit.weight > 0
    places = np.unique(commanded[used])
    if places.size < 10:
        return None
    span = float(np.ptp(places))
    shortest = _FINE * float(np.median(np.diff(places)))
    highest = 1.0 / shortest
    tries = np.arange(_TURNS / span, highest, 0.1 / span)
    if tries.size == 0:
        return None
    weight = used.astype(np.float64)
    before = float((fit.residual[used] ** 2).sum())
    left = [_misfit(commanded, gauge, direction, 1.0 / f, weight) for f in tries]
    best = int(np.argmin(left))
    freedom = int(np.count_nonzero(used)) - fit.value.size - 2
    if freedom < 4 or before <= 0:
        return None
    # Tail of an F(2, n) distribution: (1 + 2F/n)^(-n/2), which is the ratio of misfits to n/2.
    chance = (left[best] / before) ** (freedom / 2) * max(1, tries.size // 5)
    if chance > _CHANCE:
        return None
    near = np.linspace(tries[best] - 0.1 / span, tries[best] + 0.1 / span, 81)
    fine = [_misfit(commanded, gauge, direction, 1.0 / f, weight) for f in near]
    return float(1.0 / near[int(np.argmin(fine))])


def _misfit(
    commanded: Floats, gauge: Floats, direction: Floats, period: float, weight: Floats
) -> float:
    fit = linear_fit(_columns(commanded, direction, period), gauge, weight)
    return float((weight * fit.residual**2).sum())


def _told(
    commanded: Floats,
    direction: Floats,
    fit: LinearFit,
    design: Floats,
    period: float | None,
    turn_um: float | None,
    at_end: float,
    gauge_step_um: float,
    left: tuple[int, ...],
    notes: tuple[str, ...],
) -> Travel:
    used = fit.weight > 0
    span = float(np.ptp(commanded[used]))
    freedom = int(np.count_nonzero(used)) - design.shape[1]
    rounding = gauge_step_um / math.sqrt(12.0)
    scatter = max(fit.scatter, rounding)
    sigma = np.sqrt(np.diag(fit.bread)) * scatter * student_factor(freedom)
    slope = float(fit.value[1])
    ends = math.sqrt(2.0) * at_end / span
    both = np.unique(direction[direction != 0]).size == 2
    backlash = (
        _play(float(fit.value[2]), float(sigma[2]))
        if both
        else missing("um", "the stage was run in one direction only")
    )
    periodic, told_period, phase = _screw(fit, sigma, period, turn_um, span, scatter)
    return Travel(
        True,
        measured(slope, math.hypot(float(sigma[1]), ends), ""),
        backlash,
        periodic,
        told_period,
        phase,
        scatter,
        float(np.ptp(commanded)),
        left,
        notes=notes,
    )


def _play(value: float, sigma: float) -> Estimate:
    if value < -3.0 * sigma:
        return missing(
            "um", "the stage seems to gain way at a turn: are the readings in their order?"
        )
    return measured(value, sigma, "um")


def _screw(
    fit: LinearFit,
    sigma: Floats,
    period: float | None,
    turn_um: float | None,
    span: float,
    scatter: float,
) -> tuple[Estimate, Estimate, float | None]:
    if period is None:
        why = (
            "no period stands out of the scatter"
            if turn_um is None
            else "the readings stand at too few places within a turn"
        )
        return missing("um", why), missing("um", why), None
    a, b = float(fit.value[-2]), float(fit.value[-1])
    size = math.hypot(a, b)
    spread = math.hypot(a * float(sigma[-2]), b * float(sigma[-1])) / max(size, 1e-300)
    if size < 2.5 * spread:
        why = f"no error of one turn stands out; it is under {size + 2 * spread:.2g} µm"
        return missing("um", why), missing("um", why), None
    width = math.sqrt(6.0 / np.count_nonzero(fit.weight)) * scatter / (math.pi * size)
    told = measured(period, 0.0 if turn_um is not None else width * period**2 / span, "um")
    return measured(size, spread, "um"), told, math.atan2(b, a)
