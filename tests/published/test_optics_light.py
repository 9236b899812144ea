"""How bright lines look, the customary figures of laser safety, and indices of materials."""

from __future__ import annotations

import math

import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.light import (
    LUMEN_PER_WATT,
    V_TABLE,
    blue_factor,
    cautions,
    class_1_limit_mw,
    customary_class,
    eye_limit_w_m2,
    hazard_distance_m,
    looks_like_mw,
    luminous_efficiency,
    through_pupil_mw,
)
from planewright.optics.materials import glass_index, material
from planewright.optics.media import sea_water_index, water_index

NM = (405, 445, 473, 488, 507, 520, 532, 561, 589.3, 610, 635, 685)


def same(got: float, printed: str) -> None:
    half = 0.501 * 10.0 ** -len(printed.partition(".")[2])
    assert float(got) == pytest.approx(float(printed), abs=half)


@pytest.mark.parametrize(
    ("nm", "v", "lumen"),
    [  # CIE 018, table at 1 nm; lumens computed with 683.002 lm/W
        (405, ".000640", ".437"),
        (445, ".0298", "20.35"),
        (450, ".0380", None),
        (473, ".1033674", "70.60"),
        (488, ".1912735", "130.64"),
        (532, ".8849624", "604.43"),
        (555, "1", None),
        (561, ".9926005", "677.95"),
        (635, ".2170", "148.21"),
    ],
)
def test_the_eye(nm, v, lumen):
    got = float(luminous_efficiency(nm))
    same(got, v)
    if lumen is not None:
        same(got * LUMEN_PER_WATT, lumen)


def test_violet_looks_like_nothing():
    # computed from CIE 018: 1 mW at 405 nm looks like 0.72 µW at 532 nm
    same(looks_like_mw(1.0, 405) * 1e3, "0.72")
    told = cautions(20, 405, frequency_doubled=False)
    assert any("times dimmer" in line and V_TABLE in line for line in told)
    assert any("blink reflex" in line for line in told)
    assert "laser safety officer" in told[-1]
    assert any("808" in line for line in cautions(10, 532, frequency_doubled=True))
    assert not any("808" in line for line in cautions(10, 532))


@pytest.mark.parametrize(
    ("nm", "limit"),
    [(405, ".039"), (445, ".039"), (473, ".1125"), (488, ".2244"), (532, ".39")],
)
def test_customary_limit_of_class_1(nm, limit):  # computed from factors found in ICNIRP's table
    same(class_1_limit_mw(nm), limit)


@pytest.mark.parametrize(
    ("nm", "factor"), [(405, "1"), (473, "2.884"), (488, "5.754"), (532, "43.65")]
)
def test_blue_light(nm, factor):  # formula from a national regulation after ICNIRP; computed
    same(blue_factor(nm), factor)


def test_the_eye_for_a_moment():
    # 18 t^0.75 J/m², from memory; computed
    same(eye_limit_w_m2(0.25), "25.46")
    same(eye_limit_w_m2(0.25) * 0.25, "6.364")
    same(through_pupil_mw(eye_limit_w_m2(0.25)), ".9797")
    same(eye_limit_w_m2(1), "18.0")
    same(eye_limit_w_m2(10), "10.12")


def test_hazard_distance():  # computed
    same(hazard_distance_m(50, beam_diameter_mm=1, divergence_mrad=1), "49.0")
    same(hazard_distance_m(20, beam_diameter_mm=2, divergence_mrad=100), ".296")
    one = hazard_distance_m(20, beam_diameter_mm=2, divergence_mrad=100, spread_in_one_axis=True)
    assert one > hazard_distance_m(20, beam_diameter_mm=2, divergence_mrad=100)
    # one axis: 4 P/(π E b) − a, over φ
    assert one == pytest.approx((4 * 20e-3 / (math.pi * 25.456 * 2e-3) - 2e-3) / 0.1, rel=1e-4)


@pytest.mark.parametrize(
    ("power", "name"), [(0.03, "1"), (0.9, "2"), (4.9, "3R"), (20, "3B"), (501, "4")]
)
def test_customary_classes(power, name):
    # summaries of IEC 60825-1: 2 up to 1 mW, 3R up to 5 mW, 3B up to 500 mW
    got = customary_class(power, 405)
    assert got.name == name
    assert "customarily" in got.says


@pytest.mark.parametrize(
    ("temperature", "indices"),
    [  # IAPWS R9-97 with Tanaka's density; computed
        (
            20.0,
            (
                "1.34309 1.33994 1.33820 1.33739 1.33646 1.33588 "
                "1.33538 1.33428 1.33335 1.33273 1.33205 1.33085"
            ),
        ),
        (
            25.0,
            (
                "1.34258 1.33944 1.33770 1.33689 1.33597 1.33539 "
                "1.33488 1.33379 1.33286 1.33224 1.33156 1.33036"
            ),
        ),
    ],
)
def test_water(temperature, indices):
    for nm, index in zip(NM, indices.split(), strict=True):
        same(water_index(nm, temperature_degc=temperature), index)


def test_water_and_warmth():  # computed: −8.99e-5 per kelvin at 20 °C and 589 nm
    slope = water_index(589, temperature_degc=20.5) - water_index(589, temperature_degc=19.5)
    assert float(slope) == pytest.approx(-8.99e-5, abs=5e-8)


@pytest.mark.parametrize(
    ("um", "index"), [(0.2265, "1.3945270"), (0.5893, "1.3343349"), (1.01398, "1.3261347")]
)
def test_water_at_freezing(um, index):  # computed
    same(water_index(um * 1e3, temperature_degc=0.0, density_kg_m3=999.8426), index)


def test_sea_water():
    # Quan and Fry (1995), 35 g/kg and 20 °C, against vacuum; computed. The index of air varies by
    # 1e-5 over the visible: hence the tolerance
    indices = (
        "1.34984 1.34658 1.34480 1.34396 1.34300 1.34240 1.34188 1.34075 1.33978 1.33914 1.33843 "
        "1.33718"
    )
    for nm, index in zip(NM, indices.split(), strict=True):
        got = float(sea_water_index(nm, temperature_degc=20.0, salinity_g_kg=35.0))
        assert got == pytest.approx(float(index), abs=1.5e-5)


@pytest.mark.parametrize(
    ("glass", "nm", "index"),
    [  # Sellmeier; computed
        ("N-BK7", 405, "1.53020"),
        ("N-BK7", 488, "1.52224"),
        ("N-BK7", 532, "1.51947"),
        ("N-BK7", 587.6, "1.51680"),
        ("fused silica", 405, "1.46958"),
        ("fused silica", 488, "1.46301"),
        ("fused silica", 589.3, "1.45840"),
    ],
)
def test_glasses(glass, nm, index):
    same(glass_index(glass, nm), index)


def test_materials_say_where_they_come_from():
    assert material("Glycerol").index == 1.473  # International Tables C 3.3.2.1
    assert "International Tables" in material("glycerol").source
    assert material("PMMA").source == "from memory"
    with pytest.raises(RangeProblem, match="not known"):
        material("treacle")


def test_units_slip_is_caught():
    with pytest.raises(RangeProblem, match="nanometres"):
        luminous_efficiency(0.488)
    with pytest.raises(RangeProblem, match="visible"):
        customary_class(5, 808)
