"""Placing photographs by the clock alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planewright.check.align import align
from planewright.check.clock import estimate_cadence

PLANNED = 40


def _times(missed: set[int], doubled: set[int], cadence_s: float, start: float) -> np.ndarray:
    out = []
    for position in range(PLANNED):
        if position not in missed:
            out.append(start + cadence_s * position)
        if position in doubled and position not in missed:
            out.append(start + cadence_s * (position + 0.4))
    return np.array(out)


# Apart from each other and from the start, where a repeat is a lead-in.
places = st.sets(st.sampled_from(range(6, PLANNED - 3, 3)), max_size=4)


@settings(max_examples=40, deadline=None)
@given(
    missed=places,
    doubled=places.map(lambda found: set(sorted(found)[:2])),
    cadence_s=st.sampled_from([2.0, 2.7, 5.0]),
    start=st.floats(0.0, 1.0),
)
def test_a_clock_slower_than_the_cadence_places_exactly(missed, doubled, cadence_s, start):
    doubled = doubled - missed
    times = np.floor(_times(missed, doubled, cadence_s, start) + 1e-9)
    found = align(times, {}, planned=PLANNED)
    assert [place for place, *_ in found.missed] == sorted(missed)
    assert len(found.repeated) == len(doubled)
    for place, low, high in found.missed:
        assert low <= place <= high


@pytest.mark.parametrize("cadence_s", [0.6, 0.7, 0.85])
@pytest.mark.parametrize("missed", [7, 20, 33])
def test_a_faster_cadence_gives_an_interval_around_the_truth(cadence_s, missed):
    times = np.floor(_times({missed}, set(), cadence_s, 0.37))
    found = align(times, {}, planned=PLANNED)
    assert len(found.missed) == 1
    _, low, high = found.missed[0]
    assert low <= missed <= high
    assert high - low < 12  # followed through the seconds, not left to the whole stack


@pytest.mark.parametrize(("cadence_s", "within"), [(0.6, 0.05), (2.0, 0.02), (3.3, 0.02)])
def test_the_cadence_is_read_from_the_times(cadence_s, within):
    times = np.floor(_times({9, 22}, {30}, cadence_s, 0.4))
    assert estimate_cadence(times) == pytest.approx(cadence_s, rel=within)
    assert estimate_cadence(np.array([1.0, 2.0])) is None
    assert estimate_cadence(np.full(9, np.nan)) is None


def test_counts_are_right_with_neither_clock_nor_likeness():
    found = align(np.full(37, np.nan), {}, planned=PLANNED)
    assert len(found.missed) == 3
    assert found.repeated == ()
    assert found.total == PLANNED
    without = align(np.full(37, np.nan), {}, planned=None)
    assert without.total == 37


def test_no_photograph():
    found = align(np.zeros(0), {}, planned=3)
    assert [place for place, *_ in found.missed] == [0, 1, 2]
