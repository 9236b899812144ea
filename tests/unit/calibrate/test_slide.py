"""Travel from a tilted ruled slide: against simulated photographs, and what must be refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.base.units import Measured
from planewright.calibrate.slide import Band, travel_from_slide

PERIOD, PIXEL = 15.0, 0.6
FLAT = Measured(PERIOD, 0.0)
KNOWN = {"pitch_um": PERIOD * PIXEL, "ruling_tolerance": 0.0, "flat_period_px": FLAT}


def shot(simulator, *, tilt=45.0, slope=1.07, seed=1, reach=1.1, frames=40, **other):
    half = 420 * PIXEL * math.tan(math.radians(tilt)) / 2 / slope
    commanded = np.linspace(-reach, reach, frames) * half
    photographs = simulator.slide_photographs(
        np.random.default_rng(seed), tilt_deg=tilt, slope=slope, flat_period_px=PERIOD,
        pixel_um=PIXEL, commanded_um=commanded, rows=120, **other,
    )  # fmt: skip
    return photographs, commanded


@pytest.fixture(scope="module")
def plain(ruled_simulator):
    return shot(ruled_simulator)


def test_slope_and_angle(plain):
    found = travel_from_slide(*plain, **KNOWN)
    assert found.ok
    assert found.slope.value == pytest.approx(1.07, rel=2e-3)
    assert found.angle.value == pytest.approx(45.0, abs=0.1)
    assert found.amplification == pytest.approx(2.0, rel=0.01)  # 1 / sin² 45°
    assert not found.backlash.ok


def test_the_direction_of_the_command_does_not_matter(plain):
    photographs, commanded = plain
    found = travel_from_slide(photographs[::-1], -commanded[::-1] + 500.0, **KNOWN)
    assert found.slope.value == pytest.approx(
        travel_from_slide(photographs, commanded, **KNOWN).slope.value, rel=1e-4
    )


def test_a_slide_carried_sideways_is_followed(ruled_simulator):
    """Eight pixels over the stack are 2 % of the field, and would be as much of the slope."""
    photographs, commanded = shot(ruled_simulator, drift_px=8.0)
    found = travel_from_slide(photographs, commanded, **KNOWN)
    assert found.slope.value == pytest.approx(1.07, rel=3e-3)


def test_lines_aslant_to_the_axis_of_the_tilt(ruled_simulator):
    """At 6° between the two, cos 6° = 0.9945: ignored, it would show."""
    photographs, commanded = shot(ruled_simulator, lean_deg=6.0, angle_deg=5.0)
    found = travel_from_slide(photographs, commanded, **KNOWN)
    assert found.slope.value == pytest.approx(1.07, rel=3e-3)


def test_the_sheets_light_serves_as_the_lamps_does(ruled_simulator):
    photographs, commanded = shot(ruled_simulator, lit=True)
    found = travel_from_slide(photographs, commanded, band=Band.LIGHT, **KNOWN)
    assert found.slope.value == pytest.approx(1.07, rel=5e-3)


def test_the_pixel_serves_in_place_of_a_flat_photograph(plain):
    """The pitch's error enters the angle then: 1 / sin² α = 2 times, not once."""
    known = {"pitch_um": PERIOD * PIXEL, "pixel_um": Measured(PIXEL, 0.0)}
    loose = travel_from_slide(*plain, ruling_tolerance=0.02, **known)
    assert loose.slope.value == pytest.approx(1.07, rel=2e-3)
    assert loose.slope.sigma == pytest.approx(1.07 * 2 * 0.02 / math.sqrt(3), rel=0.05)
    flat = travel_from_slide(*plain, **{**KNOWN, "ruling_tolerance": 0.02})
    assert flat.slope.sigma == pytest.approx(1.07 * 0.02 / math.sqrt(3), rel=0.05)


def test_the_flat_periods_uncertainty_comes_out_amplified(plain):
    """d ln tan α / d ln F = −1 / sin² α, and pitch · F takes one back: 1 at 45°."""
    known = {**KNOWN, "flat_period_px": Measured(PERIOD, 0.01 * PERIOD)}
    found = travel_from_slide(*plain, **known)
    assert found.slope.sigma == pytest.approx(1.07 * 0.01, rel=0.05)


def test_too_small_a_tilt_is_refused_with_the_figure(ruled_simulator):
    photographs, commanded = shot(ruled_simulator, tilt=15.0)
    found = travel_from_slide(photographs, commanded, **KNOWN)
    assert not found.ok
    assert "15" in found.why
    assert found.slope.value is None


def test_a_slide_that_is_not_tilted(ruled_simulator):
    photographs = ruled_simulator.slide_photographs(
        np.random.default_rng(1), tilt_deg=0.0, slope=1.0, flat_period_px=PERIOD, pixel_um=PIXEL,
        commanded_um=np.linspace(-40, 40, 21), rows=120,
    )  # fmt: skip
    found = travel_from_slide(photographs, np.linspace(-40, 40, 21), **KNOWN)
    assert not found.ok
    assert "tilt" in found.why


def test_a_stage_that_did_not_move(plain):
    photographs, commanded = plain
    found = travel_from_slide([photographs[20]] * 40, commanded, **KNOWN)
    assert not found.ok
    assert found.slope.value is None


def test_what_cannot_tell_gets_a_reason(plain):
    photographs, commanded = plain
    zigzag = commanded.copy()
    zigzag[20] = zigzag[18]
    noise = list(np.random.default_rng(1).normal(1000, 20, (8, 120, 160)).astype(np.float32))
    for why, shots, told, more in (
        ("too few", photographs[:5], commanded[:5], {}),
        ("one commanded position", photographs, commanded[:-1], {}),
        ("changed its direction", photographs, zigzag, {}),
        ("saturated", photographs, commanded, {"white": 500.0}),
        ("no regular lines", noise, np.arange(8.0), {}),
        ("must differ|and differ", photographs[:6], np.ones(6), {}),
        ("of one size", [*photographs[:-1], photographs[0][:-2]], commanded, {}),
        ("of the field only", photographs[:9], commanded[:9], {}),
    ):
        found = travel_from_slide(shots, told, **KNOWN, **more)
        assert not found.ok
        assert np.any([part in found.why for part in why.split("|")]), (why, found.why)
        assert found.slope.value is None
        assert found.angle.value is None


def test_just_one_of_flat_period_and_pixel_is_wanted(plain):
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        travel_from_slide(*plain, pitch_um=9.0, ruling_tolerance=0.0)
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        travel_from_slide(*plain, pixel_um=Measured(0.6), **KNOWN)
