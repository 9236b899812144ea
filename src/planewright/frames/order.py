"""The order in which photographs were shot, from their times and the camera's counter.

Times are believed as written; the zone is never. The counter breaks ties of one second, and
carries the order over a change of the clock by whole hours.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from planewright.base.files import same_name
from planewright.base.nouns import Finding, Severity
from planewright.frames.listing import counter_digits, natural_key
from planewright.frames.nouns import Photograph

_HOUR_S = 3600.0
_MOST_JUMPS = 2  # of the clock in one pass; more are no clock's doing
_WRITTEN_LATER = ("tiff", "png")  # may carry the time of their writing, not of the exposure
_EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True)
class Ordered:
    """Photographs in the order of shooting.

    Parameters
    ----------
    photographs : tuple of Photograph
        First to last.
    findings : tuple of Finding
        What was noticed about times and counters.
    """

    photographs: tuple[Photograph, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _File:
    """One file with what its place depends on."""

    pages: tuple[Photograph, ...]
    time_s: float | None  # seconds since an arbitrary day, sub-second included where all have it
    counter: int | None
    folder: str
    dcf: int | None  # the number of a camera's own folder, 100 to 999
    name: tuple[Any, ...]

    @property
    def first(self) -> Photograph:
        return self.pages[0]


def order_photographs(photographs: Sequence[Photograph]) -> Ordered:
    """Put the photographs of one pass into the order in which they were shot.

    Parameters
    ----------
    photographs : sequence of Photograph
        In any order; pages of one file stay together, in their own order.

    Returns
    -------
    Ordered
        The order; it does not depend on the order given. Findings tell of a counter that rolled
        over, a clock that jumped by whole hours, times and counter that contradict each other,
        photographs without time, and places that only names decide.
    """
    files = _files(photographs)
    if not files:
        return Ordered((), ())
    timed = [one for one in files if one.time_s is not None]
    counted = all(one.counter is not None for one in files)
    findings: list[Finding] = []
    if not timed:
        files, findings = _without_times(files, counted)
    elif len(timed) < len(files):
        files, findings = _some_without_times(files, counted)
    elif counted:
        files, findings = _with_both(files)
    else:
        files, findings = _without_counter(files)
    return Ordered(tuple(page for one in files for page in one.pages), tuple(findings))


def _files(photographs: Sequence[Photograph]) -> list[_File]:
    by_path: dict[Path, list[Photograph]] = {}
    for one in photographs:
        by_path.setdefault(one.path, []).append(one)
    groups = [tuple(sorted(pages, key=lambda one: one.page)) for pages in by_path.values()]
    exposures = [pages[0].header.exposure for pages in groups]
    fine = all(one.subsecond_s is not None for one in exposures if one.taken_at is not None)
    found = [_file(pages, fine) for pages in groups]
    return sorted(found, key=lambda one: (one.name, str(one.first.path)))


def _file(pages: tuple[Photograph, ...], fine: bool) -> _File:
    first = pages[0]
    exposure = first.header.exposure
    time_s: float | None = None
    if exposure.taken_at is not None:
        time_s = (exposure.taken_at - _EPOCH).total_seconds()
        if fine:
            time_s += exposure.subsecond_s or 0.0
    folder = first.path.parent
    camera_folder = re.fullmatch(r"([1-9]\d\d)\w{5}", folder.name, re.ASCII)
    return _File(
        pages=pages,
        time_s=time_s,
        counter=first.counter,
        folder=same_name(str(folder)),
        dcf=int(camera_folder[1]) if camera_folder else None,
        name=natural_key(first.path.as_posix()),
    )


# -- unrolling the counter -------------------------------------------------------------------


def _modulus(files: Sequence[_File]) -> int:
    """Return after how many photographs the counter begins again, 0 if it does not.

    A camera's counter has a fixed number of digits and goes from all nines to 1 (or 0).
    """
    widths = {len(counter_digits(one.first.path)) for one in files}
    width = widths.pop() if len(widths) == 1 else 0
    if width < 3:
        return 0
    return int(10**width) - (0 if any(one.counter == 0 for one in files) else 1)


def _unroll(counters: Sequence[int], modulus: int) -> dict[int, int]:
    """Give each counter its place on a line, cut where the largest run of numbers is missing.

    Only where the numbers reach up to the last and on from the first: else nothing rolled over.
    """
    present = sorted(set(counters))
    plain = {value: value for value in present}
    if modulus == 0 or len(present) < 2:
        return plain
    over = present[0] + modulus - present[-1]
    gaps = [(b - a, b) for a, b in pairwise(present)]
    widest, after = max(gaps)
    if over > max(20, modulus // 100) or widest <= over or widest < modulus // 3:
        return plain
    return {value: value if value >= after else value + modulus for value in present}


def _by_counter(files: Sequence[_File], *, folders: bool, roll: bool) -> list[_File]:
    """Order by the counter: within each camera folder, or over all."""
    modulus = _modulus(files) if roll else 0
    groups: dict[int, list[_File]] = {}
    for one in files:
        groups.setdefault((one.dcf or 0) if folders else 0, []).append(one)
    found: list[_File] = []
    for number in sorted(groups):
        place = _unroll([one.counter or 0 for one in groups[number]], modulus)
        found += sorted(
            groups[number],
            key=lambda one, at=place: (at[one.counter or 0], one.dcf or 0, one.name),  # type: ignore[misc]
        )
    return found


def _counter_orders(files: Sequence[_File]) -> list[list[_File]]:
    """Return what the counter may mean, likeliest first."""
    several = len({one.folder for one in files}) > 1
    numbered = several and all(one.dcf is not None for one in files)
    ways = [(True, True)] if numbered else []
    return [
        _by_counter(files, folders=f, roll=r) for f, r in [*ways, (False, True), (False, False)]
    ]


# -- with and without times ------------------------------------------------------------------


def _without_times(files: list[_File], counted: bool) -> tuple[list[_File], list[Finding]]:
    if counted:
        ordered = _counter_orders(files)[0]
        findings = [_no_times("the counter in their names")] if len(files) > 1 else []
        return ordered, [*findings, *_roll_overs(ordered)]
    return files, [_no_times("their names")] if len(files) > 1 else []


def _some_without_times(files: list[_File], counted: bool) -> tuple[list[_File], list[Finding]]:
    missing = [one.first.name for one in files if one.time_s is None]
    ordered = _counter_orders(files)[0] if counted else files
    finding = Finding(
        "time-missing",
        Severity.DOUBT,
        "Some photographs do not say when they were taken; the order is that of "
        f"{'the counter in their names' if counted else 'their names'}.",
        got=f"{len(missing)} of {len(files)} without time",
        expected="a time in every photograph of a pass",
        do="check that these are the camera's own files, not edited copies",
        photographs=tuple(missing),
    )
    return ordered, [finding, *_roll_overs(ordered)]


def _without_counter(files: list[_File]) -> tuple[list[_File], list[Finding]]:
    ordered = sorted(files, key=lambda one: (one.time_s or 0.0, one.name))
    ties = [(a, b) for a, b in pairwise(ordered) if a.time_s == b.time_s]
    if not ties:
        return ordered, []
    names = dict.fromkeys(one.first.name for pair in ties for one in pair)
    return ordered, [
        Finding(
            "tie-by-name",
            Severity.DOUBT,
            "Photographs of the same second carry no counter; their names decide the order.",
            got=f"{len(names)} photographs share a second with another",
            expected="a number at the end of each name",
            do="keep the names that the camera gives",
            photographs=tuple(names),
        )
    ]


def _with_both(files: list[_File]) -> tuple[list[_File], list[Finding]]:
    orders = _counter_orders(files)
    steps = [_steps(order) for order in orders]
    tolerance = _usual_step(files)
    for order, differences in zip(orders, steps, strict=True):
        back = [step for step in differences if step <= -1.0]
        if len(back) <= _MOST_JUMPS and all(_whole_hours(step, tolerance) for step in back):
            return order, [*_clock_findings(order, tolerance), *_roll_overs(order)]
    ordered = _by_time(files)
    if all(one.first.header.kind in _WRITTEN_LATER for one in files):
        return orders[0], [_disagree(orders[0], ordered, by="counter"), *_roll_overs(orders[0])]
    return ordered, _contradiction(ordered, orders[0])


def _steps(order: Sequence[_File]) -> list[float]:
    return [(b.time_s or 0.0) - (a.time_s or 0.0) for a, b in pairwise(order)]


def _usual_step(files: Sequence[_File]) -> float:
    """Return how much later than a whole hour a step may end that the clock's jump made, s."""
    times = sorted(one.time_s or 0.0 for one in files)
    steps = sorted(b - a for a, b in pairwise(times))
    usual = steps[len(steps) // 2] if steps else 0.0
    return min(600.0, max(30.0, 10.0 * usual))


def _whole_hours(step_s: float, tolerance_s: float) -> int:
    """Return by how many hours the clock jumped in this step, 0 if it did not."""
    if step_s < 0:
        hours = -int(-step_s // _HOUR_S) - (1 if -step_s % _HOUR_S > 1.0 else 0)
        rest = step_s - hours * _HOUR_S
        near = -1.0 <= rest <= tolerance_s
        return hours if near and -26 <= hours <= -1 else 0
    hours = round(step_s / _HOUR_S)
    rest = step_s - hours * _HOUR_S
    return hours if 1 <= hours <= 26 and -1.0 <= rest <= tolerance_s else 0


def _by_time(files: Sequence[_File]) -> list[_File]:
    """Order by time; within one time by the counter, unrolled within the tie."""
    modulus = _modulus(files)

    def place(one: _File, low: bool) -> int:
        return (one.counter or 0) + (modulus if low and (one.counter or 0) < modulus // 2 else 0)

    ties: dict[float, list[_File]] = {}
    for one in files:
        ties.setdefault(one.time_s or 0.0, []).append(one)
    ordered: list[_File] = []
    for time_s in sorted(ties):
        tie = ties[time_s]
        counters = [one.counter or 0 for one in tie]
        rolled = modulus > 0 and max(counters) - min(counters) > modulus // 2
        ordered += sorted(tie, key=lambda one, r=rolled: (one.dcf or 0, place(one, r), one.name))  # type: ignore[misc]
    return ordered


# -- findings --------------------------------------------------------------------------------


def _no_times(by: str) -> Finding:
    return Finding(
        "no-times",
        Severity.NOTE,
        f"No photograph says when it was taken; the order is that of {by}.",
        got="no time",
        expected="a time in every photograph",
        do="check the order in the contact sheet",
    )


def _roll_overs(order: Sequence[_File]) -> list[Finding]:
    modulus = _modulus(order)
    found: list[Finding] = []
    for a, b in pairwise(order):
        last, first = a.counter or 0, b.counter or 0
        if modulus and last - first > modulus // 2:
            found.append(
                Finding(
                    "roll-over",
                    Severity.NOTE,
                    "The camera's counter began again; the photographs stand in the order of "
                    "shooting.",
                    got=f"{counter_digits(a.first.path)}, then {counter_digits(b.first.path)}",
                    do="nothing",
                    photographs=(a.first.name, b.first.name),
                )
            )
    return found


def _clock_findings(order: Sequence[_File], tolerance_s: float) -> list[Finding]:
    found: list[Finding] = []
    disordered: list[str] = []
    for a, b, step in zip(order, order[1:], _steps(order), strict=False):
        hours = _whole_hours(step, tolerance_s)
        if hours:
            found.append(_jump(a, b, step, hours))
        elif step < 0:
            disordered += [a.first.name, b.first.name]
    if places := len(disordered) // 2:
        found.append(
            Finding(
                "sub-second-disorder",
                Severity.NOTE,
                "Fractions of a second run backwards; the counter decides the order there.",
                got=f"{places} place{'s' if places > 1 else ''}",
                do="nothing; this camera's fractions of a second cannot be trusted",
                photographs=tuple(dict.fromkeys(disordered)),
            )
        )
    return found


def _jump(a: _File, b: _File, step_s: float, hours: int) -> Finding:
    return Finding(
        "clock-jump",
        Severity.DOUBT,
        f"The camera's clock jumped by {hours:+d} h between two photographs (summer time, or "
        "another time zone); the counter decides the order."
        if hours < 0
        else f"Two photographs are {hours} h apart: a pause, or the camera's clock was moved.",
        got=f"{step_s:+.0f} s from one to the next",
        expected="the usual time between frames",
        do="leave the camera's clock alone during a pass",
        photographs=(a.first.name, b.first.name),
    )


def _contradiction(by_time: Sequence[_File], by_counter: Sequence[_File]) -> list[Finding]:
    drops = [(a, b) for a, b in pairwise(by_time) if (b.counter or 0) <= (a.counter or 0)]
    if len(drops) == 1 and drops[0][0].folder != drops[0][1].folder:
        a, b = drops[0]
        return [
            Finding(
                "counter-restarted",
                Severity.NOTE,
                "The camera's counter began again in a new folder; the order is that of the times.",
                got=f"{counter_digits(a.first.path)}, then {counter_digits(b.first.path)}",
                do="set the camera to number its files continuously",
                photographs=(a.first.name, b.first.name),
            )
        ]
    return [_disagree(by_time, by_counter, by="times")]


def _disagree(order: Sequence[_File], other: Sequence[_File], *, by: str) -> Finding:
    rank = {one.first.path: place for place, one in enumerate(other)}
    moved = [one.first.name for place, one in enumerate(order) if rank[one.first.path] != place]
    left = {"times": "counter", "counter": "times"}[by]
    return Finding(
        "time-and-counter-disagree",
        Severity.DOUBT,
        "The times and the counter of these photographs contradict each other; the order is "
        f"that of the {by}.",
        got=f"{len(moved)} of {len(order)} stand elsewhere by the {left}",
        expected="times that grow with the counter",
        do="check that no photograph of another pass is among them, and that none was renamed",
        photographs=tuple(moved),
    )
