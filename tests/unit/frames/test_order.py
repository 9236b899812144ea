"""The order of shooting from times and counter, and what is said about it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planewright.base.nouns import Severity
from planewright.frames import Exposure, Header, Photograph, order_photographs
from planewright.frames.listing import counter_of

START = datetime(2026, 3, 28, 23, 10, 0)


def _shot(name: str, taken_s: float | None, *, fine: bool = False, page: int = 0) -> Photograph:
    exposure = Exposure()
    if taken_s is not None:
        whole = int(taken_s // 1)
        exposure = Exposure(
            taken_at=START + timedelta(seconds=whole),
            subsecond_s=round(taken_s - whole, 2) if fine else None,
        )
    path = Path("card") / name
    header = Header(path, "raw", 8, 8, 1, 14, "RGGB", exposure)
    return Photograph(path, page, name, header, counter_of(path))


def _codes(photographs: list[Photograph]) -> list[str]:
    return [finding.code for finding in order_photographs(photographs).findings]


def _number(start: int, step: int, last: int) -> int:
    """The camera's counter, ``step`` shots after ``start``: all nines, then 1."""
    return (start - 1 + step) % last + 1


@st.composite
def stacks(draw: st.DrawFn) -> tuple[list[Photograph], int | None, int]:
    """Shots in order; where the counter rolls over; by how many hours the clock jumps back."""
    count = draw(st.integers(2, 60))
    digits = draw(st.sampled_from([3, 4]))
    last = 10**digits - 1
    start = draw(st.one_of(st.integers(1, last), st.integers(last - count, last)))
    cadence_s = draw(st.floats(0.05, 20.0))
    missed = draw(st.sets(st.integers(1, count - 1), max_size=3))
    jump_at = draw(st.integers(1, count - 1)) if draw(st.booleans()) else count
    hours = draw(st.sampled_from([-1, -2, 1, -9])) if jump_at < count else 0
    fine = draw(st.booleans())
    folders = draw(st.booleans())
    shots = []
    rolled = None
    for step in range(count):
        if step in missed:
            continue
        number = _number(start, step, last)
        if number < start and rolled is None and shots:
            rolled = len(shots)
        folder = f"{100 + (rolled is not None)}FIELD/" if folders else ""
        taken = step * cadence_s + (3600 * hours if step >= jump_at else 0)
        shots.append(_shot(f"{folder}F_{number:0{digits}d}.dng", taken, fine=fine))
    return shots, rolled, hours


@settings(max_examples=300, deadline=None)
@given(stack=stacks(), seed=st.randoms(use_true_random=False))
def test_any_shuffled_stack_comes_out_right(
    stack: tuple[list[Photograph], int | None, int], seed: object
) -> None:
    shots, rolled, _ = stack
    mixed = list(shots)
    seed.shuffle(mixed)  # type: ignore[attr-defined]
    ordered = order_photographs(mixed)
    assert [one.name for one in ordered.photographs] == [one.name for one in shots]
    codes = [finding.code for finding in ordered.findings]
    assert codes.count("roll-over") == (rolled is not None)
    assert "time-and-counter-disagree" not in codes


@settings(max_examples=100, deadline=None)
@given(stack=stacks(), seed=st.randoms(use_true_random=False))
def test_without_times_the_counter_orders(
    stack: tuple[list[Photograph], int | None, int], seed: object
) -> None:
    shots = [replace(one, header=replace(one.header, exposure=Exposure())) for one in stack[0]]
    mixed = list(shots)
    seed.shuffle(mixed)  # type: ignore[attr-defined]
    ordered = order_photographs(mixed)
    assert [one.name for one in ordered.photographs] == [one.name for one in shots]


def test_roll_over_is_told() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 2.0 * i) for i, n in enumerate([9997, 9998, 9999, 1, 2])]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("roll-over", Severity.NOTE)
    assert finding.what == (
        "The camera's counter began again; the photographs stand in the order of shooting."
    )
    assert finding.got == "9999, then 0001"
    assert finding.photographs == ("F_9999.dng", "F_0001.dng")


def test_ties_of_one_second_with_roll_over() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 0.2 * i) for i, n in enumerate([9998, 9999, 1, 2, 3, 4, 5])]
    assert list(order_photographs(shots[::-1]).photographs) == shots


def test_clock_set_back_an_hour() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 5.0 * n - 3600 * (n > 20)) for n in range(1, 41)]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert finding.code == "clock-jump"
    assert finding.severity is Severity.DOUBT
    assert finding.what == (
        "The camera's clock jumped by -1 h between two photographs (summer time, or another time "
        "zone); the counter decides the order."
    )
    assert finding.got == "-3595 s from one to the next"
    assert finding.expected == "the usual time between frames"
    assert finding.do == "leave the camera's clock alone during a pass"
    assert finding.photographs == ("F_0020.dng", "F_0021.dng")


def test_clock_put_forward_or_a_pause() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 5.0 * n + 3600 * (n > 20)) for n in range(1, 41)]
    (finding,) = order_photographs(shots).findings
    assert finding.code == "clock-jump"
    assert finding.what == (
        "Two photographs are 1 h apart: a pause, or the camera's clock was moved."
    )


def test_times_against_the_counter() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 5.0 * n) for n in range(1, 11)]
    shots[3] = _shot("F_0004.dng", 5.0 * 8 + 1)
    ordered = order_photographs(shots)
    assert [one.counter for one in ordered.photographs] == [1, 2, 3, 5, 6, 7, 8, 4, 9, 10]
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("time-and-counter-disagree", Severity.DOUBT)
    assert finding.what == (
        "The times and the counter of these photographs contradict each other; the order is that "
        "of the times."
    )
    assert finding.got == "5 of 10 stand elsewhere by the counter"
    assert finding.expected == "times that grow with the counter"
    assert finding.do.startswith("check that no photograph of another pass is among them")
    assert "F_0004.dng" in finding.photographs


def test_times_of_writing_give_way_to_the_counter() -> None:
    """TIFF files that a program wrote in any order carry the time of that."""
    shots = [_shot(f"F_{n:04d}.tif", 5.0 * (n * 7 % 10)) for n in range(1, 10)]
    shots = [replace(one, header=replace(one.header, kind="tiff")) for one in shots]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("time-and-counter-disagree", Severity.DOUBT)
    assert finding.what.endswith("the order is that of the counter.")
    assert finding.got.endswith("of 9 stand elsewhere by the times")


def test_copy_beside_its_photograph() -> None:
    names = ["F_9998.dng", "F_9999.dng", "F_0001.dng", "F_0001 (1).dng", "F_0002.dng"]
    shots = [_shot(name, 3.0) for name in names]
    ordered = order_photographs(shots[::-1])
    got = [one.name for one in ordered.photographs]
    assert sorted(got[2:4]) == sorted(names[2:4])
    assert [got[0], got[1], got[4]] == [names[0], names[1], names[4]]


def test_counter_that_began_again_in_a_new_folder() -> None:
    names = [f"100FIELD/F_{n:04d}.dng" for n in range(481, 500)]
    names += [f"101FIELD/F_{n:04d}.dng" for n in range(1, 20)]
    shots = [_shot(name, 0.4 * i) for i, name in enumerate(names)]
    assert list(order_photographs(shots[::-1]).photographs) == shots
    plain = [_shot(name.replace("FIELD/", "/"), 3.0 * i) for i, name in enumerate(names)]
    ordered = order_photographs(plain[::-1])
    assert list(ordered.photographs) == plain
    (finding,) = ordered.findings
    assert finding.code == "counter-restarted"
    assert finding.what == (
        "The camera's counter began again in a new folder; the order is that of the times."
    )
    assert finding.got == "0499, then 0001"
    assert finding.do == "set the camera to number its files continuously"


def test_fractions_of_a_second_that_run_backwards() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 3 + part, fine=True) for n, part in enumerate([0.9, 0.1, 0.5])]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert finding.code == "sub-second-disorder"
    assert finding.what == (
        "Fractions of a second run backwards; the counter decides the order there."
    )
    assert finding.got == "1 place"


def test_sub_seconds_order_what_has_no_counter() -> None:
    shots = [_shot(name, 3 + part, fine=True) for name, part in [("b.dng", 0.1), ("a.dng", 0.4)]]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    assert ordered.findings == ()


def test_names_decide_at_last_and_it_is_said() -> None:
    shots = [_shot(f"{name}.dng", 3.0) for name in ("a", "b", "c")]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("tie-by-name", Severity.DOUBT)
    assert finding.what == (
        "Photographs of the same second carry no counter; their names decide the order."
    )
    assert finding.got == "3 photographs share a second with another"


@pytest.mark.parametrize(
    ("names", "by"),
    [
        (["F_2.dng", "F_10.dng", "F_100.dng"], "the counter in their names"),
        (["a2x.dng", "a10x.dng"], "their names"),
    ],
)
def test_no_times_at_all(names: list[str], by: str) -> None:
    shots = [_shot(name, None) for name in names]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("no-times", Severity.NOTE)
    assert finding.what == f"No photograph says when it was taken; the order is that of {by}."
    assert finding.do == "check the order in the contact sheet"


def test_some_without_time() -> None:
    shots = [_shot(f"F_{n:04d}.dng", None if n == 3 else 4.0 * n) for n in range(1, 6)]
    ordered = order_photographs(shots[::-1])
    assert list(ordered.photographs) == shots
    (finding,) = ordered.findings
    assert (finding.code, finding.severity) == ("time-missing", Severity.DOUBT)
    assert finding.what == (
        "Some photographs do not say when they were taken; the order is that of the counter in "
        "their names."
    )
    assert finding.got == "1 of 5 without time"
    assert finding.photographs == ("F_0003.dng",)


def test_pages_stay_in_order_and_together() -> None:
    early = [_shot("late_2.tif", 1.0, page=page) for page in range(12)]
    late = [_shot("early_1.tif", 90.0, page=page) for page in range(3)]
    mixed = [*late[::-1], *early[::-1]]
    ordered = order_photographs(mixed)
    assert [(one.name, one.page) for one in ordered.photographs] == [
        *(("late_2.tif", page) for page in range(12)),
        *(("early_1.tif", page) for page in range(3)),
    ]


def test_zone_is_never_used() -> None:
    shots = [_shot(f"F_{n:04d}.dng", 4.0 * n) for n in range(1, 9)]
    zoned = [
        replace(
            one,
            header=replace(
                one.header,
                exposure=replace(one.header.exposure, utc_offset_min=60 * (n % 3)),
            ),
        )
        for n, one in enumerate(shots)
    ]
    ordered = order_photographs(zoned[::-1])
    assert [one.counter for one in ordered.photographs] == list(range(1, 9))
    assert ordered.findings == ()


def test_nothing_and_one() -> None:
    assert order_photographs([]).photographs == ()
    one = _shot("F_0001.dng", None)
    assert order_photographs([one]).photographs == (one,)
    assert _codes([one]) == []
