"""Travel from commanded and measured pairs: exact cases, and what must be refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.travel import travel_from_pairs

TURN = 700.0


def played(commanded, *, slope=0.93, play=40.0, size=3.0, turn=TURN):
    """A nut pushed by a screw with play and an error that returns with each turn."""
    nut, shown = 0.0, []
    for place in commanded:
        driven = slope * place + size * math.cos(2 * np.pi * place / turn - 0.7)
        nut = min(max(nut, driven - play), driven)
        shown.append(nut)
    return np.array(shown)


def there_and_back(span=6000.0, step=130.0):
    there = np.arange(0.0, span + 1, step)
    return np.concatenate([there, there[::-1][1:], there[1:]])


def test_exact_readings_give_the_numbers_back():
    """Analytic: no scatter, so slope, play and screw error come back to rounding."""
    commanded = there_and_back()
    found = travel_from_pairs(commanded, played(commanded), gauge_tolerance_um=0.0, turn_um=TURN)
    assert found.ok
    assert found.slope.value == pytest.approx(0.93, abs=1e-9)
    assert found.backlash.value == pytest.approx(40.0, abs=1e-6)
    assert found.periodic.value == pytest.approx(3.0, abs=1e-6)
    assert found.period.value == TURN
    assert found.periodic_phase == pytest.approx(0.7, abs=1e-6)


def test_the_period_is_found_where_it_is_not_told():
    commanded = there_and_back()
    gauge = played(commanded) + np.random.default_rng(1).normal(0, 0.5, commanded.size)
    found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=1.0)
    assert found.period.value == pytest.approx(TURN, abs=3 * found.period.sigma)
    assert found.period.sigma < 0.01 * TURN
    smooth = played(commanded, size=0.0) + np.random.default_rng(1).normal(0, 0.5, commanded.size)
    assert not travel_from_pairs(commanded, smooth, gauge_tolerance_um=1.0).periodic.ok


def test_a_screw_without_error_is_said_to_show_none():
    commanded = there_and_back()
    gauge = played(commanded, size=0.0) + np.random.default_rng(3).normal(0, 1, commanded.size)
    found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=1.0, turn_um=TURN)
    assert not found.periodic.ok
    assert "it is under" in found.periodic.why


def test_readings_at_one_place_of_each_turn_cannot_show_the_screw():
    commanded = there_and_back(step=TURN)
    found = travel_from_pairs(commanded, played(commanded), gauge_tolerance_um=1.0, turn_um=TURN)
    assert found.ok
    assert not found.periodic.ok
    assert "too few places within a turn" in found.periodic.why


def test_readings_in_the_play_are_left_out():
    """Steps of 10 µm into 40 µm of play: the first four after each turn say nothing."""
    commanded = np.concatenate([np.arange(0, 1000, 10.0), np.arange(990, 0, -10.0)])
    found = travel_from_pairs(commanded, played(commanded, size=0.0), gauge_tolerance_um=0.0)
    assert found.backlash.value == pytest.approx(40.0, abs=1e-6)
    assert set(range(101, 105)) <= set(found.left_out)
    assert found.notes == ()  # known for what they are, not taken for slips of the pen


def test_a_gauge_that_counts_the_other_way_is_turned():
    commanded = there_and_back()
    found = travel_from_pairs(
        commanded, 5000.0 - played(commanded), gauge_tolerance_um=0.0, turn_um=TURN
    )
    assert found.slope.value == pytest.approx(0.93, abs=1e-9)
    assert found.backlash.value == pytest.approx(40.0, abs=1e-6)
    assert "against" in found.notes[0]


def test_a_slip_of_the_pen_is_left_out_and_named():
    commanded = there_and_back()
    gauge = played(commanded) + np.random.default_rng(1).normal(0, 0.5, commanded.size)
    gauge[30] += 90.0
    found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=0.0, turn_um=TURN)
    assert 30 in found.left_out
    assert found.slope.value == pytest.approx(0.93, rel=1e-4)
    assert "slips" in " ".join(found.notes)


def test_one_direction_shows_no_play():
    commanded = np.arange(0.0, 6000.0, 130.0)
    found = travel_from_pairs(commanded, played(commanded), gauge_tolerance_um=0.0, turn_um=TURN)
    assert found.slope.value == pytest.approx(0.93, abs=1e-9)
    assert not found.backlash.ok
    assert "one direction" in found.backlash.why


def test_the_gauges_limits_of_error_are_in_the_uncertainty():
    """Two independent ends, rectangular: sqrt(2) a / sqrt(3) over the travel."""
    commanded = there_and_back()
    found = travel_from_pairs(commanded, played(commanded), gauge_tolerance_um=6.0, turn_um=TURN)
    expected = 6.0 * math.sqrt(2 / 3) / np.ptp(commanded)
    assert found.slope.sigma == pytest.approx(expected, rel=0.01)


def test_a_gauge_cannot_tell_less_than_its_step():
    commanded = there_and_back()
    found = travel_from_pairs(
        commanded, played(commanded), gauge_tolerance_um=0.0, gauge_step_um=10.0, turn_um=TURN
    )
    assert found.scatter_um == pytest.approx(10.0 / math.sqrt(12.0))


def test_a_stage_that_gains_way_is_not_given_a_play():
    commanded = there_and_back()
    direction = np.sign(np.diff(commanded, prepend=-1.0))
    found = travel_from_pairs(commanded, commanded + 5.0 * direction, gauge_tolerance_um=0.0)
    assert not found.backlash.ok
    assert "order" in found.backlash.why


SHORT = np.tile([0.0, 30.0], 12)


@pytest.mark.parametrize(
    ("commanded", "gauge", "why"),
    [
        (there_and_back()[:5], there_and_back()[:5], "too few"),
        (there_and_back(), there_and_back()[:-1], "one length"),
        (np.arange(9.0), np.r_[np.arange(8.0), np.nan], "missing"),
        (np.arange(9.0), np.ones(9), "did not move"),
        (np.ones(9), np.arange(9.0), "did not move"),
        (np.arange(0.0, 1000.0, 50.0), np.arange(0.0, 1000.0, 50.0), "1.36 turns"),
        (SHORT, played(SHORT, play=26.0, size=0.0), "longer runs"),
    ],
)
def test_pairs_that_cannot_tell_get_a_reason_and_never_a_number(commanded, gauge, why):
    turn = TURN if "turns" in why else None
    found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=1.0, turn_um=turn)
    assert not found.ok
    assert why in found.why
    assert {found.slope.value, found.backlash.value, found.periodic.value} == {None}


@pytest.mark.parametrize(
    "wrong",
    [
        {"gauge_tolerance_um": -1.0},
        {"gauge_tolerance_um": math.nan},
        {"gauge_tolerance_um": 1.0, "gauge_step_um": -1.0},
        {"gauge_tolerance_um": 1.0, "turn_um": 0.0},
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        travel_from_pairs(there_and_back(), there_and_back(), **wrong)


def test_the_result_goes_through_json():
    commanded = there_and_back()
    found = travel_from_pairs(commanded, played(commanded), gauge_tolerance_um=1.0, turn_um=TURN)
    assert json.loads(json.dumps(found.to_dict()))["slope"]["value"] == found.slope.value
