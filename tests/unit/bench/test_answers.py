"""Answers of a bench against worked values, their uncertainties against draws, and its troubles.

Worked values are computed from the stated formula with double precision, apart from this package.
"""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from planewright.base.nouns import Severity
from planewright.base.problems import RangeProblem, SettingProblem
from planewright.base.settings import read_settings
from planewright.bench.answers import answer
from planewright.bench.figures import Choices, figures
from planewright.bench.inputs import stated_inputs, with_value
from planewright.bench.model import BenchFile
from planewright.optics.sheet import Usable

SIMPLE = """\
[light]
wavelength = "488 nm"
beam_radius = "0.5 mm"
emission = "520 nm"
[[train]]
kind = "cylinder"
axis = "z"
focal_length = "75 mm"
gap_after = "67.52 mm"
[[train]]
kind = "wall"
thickness = "1 mm"
into = "cell"
gap_after = "9 mm"
[cell]
medium = "water"
[detection]
numerical_aperture = 0.3
magnification = 10
design_tube_length = "180 mm"
tube_length = "100 mm"
immersion = "cell"
[camera]
pixel_pitch = "3.9 um"
columns = 400
rows = 300
mosaic = false
"""


def simple(*swaps: tuple[str, str]) -> BenchFile:
    text = SIMPLE
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    return read_settings(BenchFile, text, where="bench.toml")


@pytest.mark.parametrize(
    ("key", "worked", "tolerance"),
    [
        # computed: w0 = λ f/(π w), FWHM 1.17741 w0; the laser's own divergence takes 0.1 % off
        ("sheet_fwhm", 27.434, 0.04),
        ("sheet_na", 0.00667, 1e-5),
        # computed: 2 z_R = 9348.5 for n = 1.3374, usable up to √2 times the waist
        ("usable_width", 9348.5, 25.0),
        # computed: 10×/0.30 made for 180 mm on 100 mm
        ("magnification", 5.5556, 1e-4),
        ("sensor_pixel", 0.7020, 1e-4),
        ("plane_pixel", 0.7020, 1e-4),
        ("largest_pixel", 0.4333, 1e-4),
        ("lateral_fwhm", 0.8918, 1e-4),
        # computed for n = 1.333, here 1.33588: 13.47 by the exact angles, depth of field 10.82
        ("lens_axial_fwhm", 13.47 * 1.33588 / 1.333, 0.02),
        ("depth_of_field", 10.82 * 1.33588 / 1.333, 0.01),
        # computed: atan(depth of field/field)
        ("coplanarity", math.degrees(math.atan(10.843 / 280.8)), 0.002),
    ],
)
def test_worked_values(key, worked, tolerance):
    assert answer(simple()).find(key).value == pytest.approx(worked, abs=tolerance)


def test_where_the_waist_lies():
    # computed: the waist of the uncut beam lies f/(1 + (f/z_R)²) behind the lens in air; a plate
    # of thickness t brings it t (1 − 1/n_glass) further, the liquid stretches the rest n times
    z_r = math.pi * 0.5**2 / 488e-6
    focus = 75 / (1 + (75 / z_r) ** 2)
    n = 1.33739  # water, 20 °C, 488 nm: IAPWS R9-97
    depth = (focus - 67.52 - 1 / 1.52) * n
    assert answer(simple()).find("waist_at").value == pytest.approx((depth - 9) * 1e3, abs=1.0)
    moved = answer(simple(('"67.52 mm"', '"66.52 mm"'))).find("waist_at").value
    assert moved - answer(simple()).find("waist_at").value == pytest.approx(1e3 * n, abs=0.1)


@pytest.mark.parametrize(
    ("convention", "half"),  # computed: √(g² − 1) Rayleigh ranges to each side
    [("RAYLEIGH", 1.0), ("TENTH", 0.4583), ("HALF", 1.1180), ("DOUBLE", 1.7321)],
)
def test_the_usable_width_names_its_convention(convention, half):
    told = answer(simple(), Choices(usable=Usable[convention]))
    width, rayleigh = told.find("usable_width"), told.find("rayleigh")
    assert width.value == pytest.approx(2 * half * rayleigh.value, rel=1e-4)
    assert str(Usable[convention]) in width.reason


@pytest.mark.parametrize(("axis", "fwhm"), [("z", 0.9181 * 0.488 * 60), ("y", None)])
def test_a_slit_limits_its_axis(pier, axis, fwhm):
    # computed by the diffraction integral, T = 2: FWHM 0.9181 λ f/D in the focal plane, 0.6827 of
    # the power passes; where it is brightest, a little before that plane, it is a little narrower
    open_wide = answer(pier("light.beam_quality=1", exact=True))
    bench = pier("light.beam_quality=1", f"train.1.axis={axis}", "train.1.width=1 mm", exact=True)
    told = answer(bench)
    assert told.find("passed").value == pytest.approx(68.27, abs=0.01)
    expected = fwhm or open_wide.find("sheet_fwhm").value
    assert told.find("sheet_fwhm").value == pytest.approx(expected, rel=0.02)
    assert ("edge of iris" in told.find("sheet_fwhm").reason) is (axis == "z")


def test_an_elliptic_beam_has_its_own_width_an_axis(pier):
    changes = ("light.beam_radius=", "light.beam_radius_y=0.5 mm", "light.beam_radius_z=1.2 mm")
    told = answer(pier(*changes, exact=True))
    assert told.find("sheet_na").value == pytest.approx(1.2 / 60, rel=1e-3)  # w/f
    # to 80 %: 2 × 0.3340 w, computed; the beam has widened over 210 mm (walls reduced) of z_R
    wide = 500 * math.hypot(1, 210 / (math.pi * 0.5**2 / (1.1 * 488e-6)))
    assert told.find("height").value == pytest.approx(2 * 0.3340 * wide, rel=1e-3)


def test_irradiance_and_dose_are_those_of_a_gaussian(pier):
    # 2 P/(π w_y w_z), and the sum over the frames that pass a plane, each lit for a second
    bench = pier("train.1.axis=y", "train.1.width=1 mm", exact=True)
    told = answer(bench, Choices(step_um=2.5))
    thin = told.find("middle_fwhm").value / 1.17741
    peak = 2 * 20e-3 * 0.6827 / (math.pi * 0.1 * thin * 1e-4)  # W/cm²
    assert told.find("irradiance").value == pytest.approx(peak, rel=2e-3)
    frames = np.arange(-60, 61) * 2.5
    dose = peak * np.exp(-2 * (frames / thin) ** 2).sum()
    assert told.find("stack_dose").value == pytest.approx(dose, rel=2e-3)


def test_turning_a_mirror_shifts_by_the_lens_behind_it(pier):
    # in the rear focal plane of the last lens: 2 f a radian and no tilt; elsewhere the tilt in
    # the liquid is 2 (1 − d/f)/n a radian
    told = answer(pier("train.2.gap_after=60 mm", exact=True))
    assert told.find("turn_2_shift").value == pytest.approx(120, rel=1e-3)
    assert told.find("turn_2_tilt").value == pytest.approx(0, abs=1e-9)
    off = answer(pier(exact=True)).find("turn_2_tilt").value
    assert off == pytest.approx(2 * (1 - 70 / 60) / 1.3443, rel=1e-3)
    # a lens moved by 1 mm sideways sends the light 1/f rad aside, less in the liquid
    tilt = answer(pier(exact=True)).find("move_3_tilt").value
    assert tilt == pytest.approx(1e3 / 60 / 1.3443, rel=1e-3)


def test_stated_inputs_are_found_by_the_keys_a_person_writes(pier):
    keys = [one.key for one in stated_inputs(pier())]
    assert keys == [
        "light.power",
        "light.beam_radius",
        "light.beam_quality",
        "train.2.gap_after",
        "train.3.gap_after",
        "train.4.gap_after",
        "cell.temperature",
        "detection.tube_length",
        "stage.backlash",
    ]


def test_uncertainties_against_draws(pier):
    bench, rng = pier("light.beam_quality=1.30 ± 0.05"), np.random.default_rng(4)
    told = answer(bench)
    draws: dict[str, list[float]] = {}
    for _ in range(400):
        drawn = bench
        for one in stated_inputs(bench):
            drawn = with_value(drawn, one.path, rng.normal(one.value, one.sigma))
        for key, value in figures(drawn, Choices()).items():
            draws.setdefault(key, []).append(value)
    linear = ("sheet_fwhm", "rayleigh", "waist_at", "height", "sensor_pixel", "turn_2_shift")
    for key in linear:  # 400 draws know a spread to 3.5 %
        assert told.find(key).sigma == pytest.approx(np.std(draws[key]), rel=0.12), key
    # bent ones: in the middle of a focused sheet thickness can only grow
    for key in ("middle_fwhm", "axial_fwhm"):
        off = np.sqrt(np.mean((np.array(draws[key]) - told.find(key).value) ** 2))
        assert told.find(key).sigma == pytest.approx(off, rel=0.5), key


def test_an_answer_without_stated_inputs_has_none(pier):
    told = answer(simple())
    assert all(a.sigma is None for g in told.groups for a in g.answers)
    assert told.no_uncertainty.startswith("No input of the bench states its ±")
    told = answer(pier())
    assert told.find("abbe").sigma is None
    assert told.find("sensor_pixel").sigma == pytest.approx(0.24375 * 2 / 200, rel=1e-3)
    assert told.find("sensor_pixel").mostly_from == "detection.tube_length"
    assert "depends on no input" in told.no_uncertainty


def test_what_limits_what(pier):
    told = {v.about: v.limited_by for v in answer(pier()).verdicts}
    assert told == {
        "lateral detail": "pixel",
        "axial detail": "lens",
        "field": "camera",
        "height": "sheet",
    }
    fine = answer(pier("camera.mosaic=false", "detection.numerical_aperture=0.1", exact=True))
    assert [v.limited_by for v in fine.verdicts][:2] == ["lens", "sheet"]
    wide = answer(pier("camera.columns=9000", "light.beam_radius=2 mm", exact=True))
    assert {v.about: v.limited_by for v in wide.verdicts}["field"] == "sheet"
    stepped = answer(pier(), Choices(step_um=5.0))
    assert {v.about: v.limited_by for v in stepped.verdicts}["axial detail"] == "step"


@pytest.mark.parametrize(
    ("step", "code", "says"),
    [
        (2.5, None, ""),
        (4.0, "step-too-long", "1.6 frames"),
        (6.0, "step-too-long", "1.1 frames"),  # common practice, no source
        (15.0, "step-beyond-sheet", "0.43 frames"),
    ],
)
def test_a_step_is_judged(pier, step, code, says):
    told = answer(pier(exact=True), Choices(step_um=step))
    found = [t for t in told.troubles if t.code.startswith("step")]
    assert [t.code for t in found] == ([code] if code else [])
    assert told.find("samples").value == pytest.approx(told.find("axial_fwhm").value / step)
    if code:
        assert says in found[0].got
        assert "3.23 µm or less" in found[0].do
        assert told.works is (code == "step-too-long")


@pytest.mark.parametrize(
    ("changes", "code", "severity", "says"),
    [
        (["train.3.diameter=1.6 mm"], "beam-too-wide", "fault", "take a part at least 3 mm"),
        (["train.1.width=0.02 mm"], "no-light", "fault", "0.02 % of the light.*open it to 3 mm"),
        (["train.3.gap_after=60 mm"], "waist-outside-cell", "fault", "train.3.gap_after to 53.4"),
        (["train.3.gap_after=52 mm"], "waist-off-field", "doubt", "train.3.gap_after to 53.4"),
        (["train.3.gap_after=53 mm"], "waist-off-centre", "note", "train.3.gap_after to 53.4"),
        (["train.3.gap_after=5 mm"], "waist-off-field", "fault", "train.3.gap_after to 53.4"),
        (["train.3.gap_after=0 mm"], "waist-off-field", "fault", "train.3.gap_after to 53.4"),
        (["train.1.width=0.5 mm"], "little-light", "note", "of the light passes"),
        (["train.3.axis=y"], "thin-axis-wrong", "fault", "quarter turn.*train.3.axis"),
        (
            ["train.3.facing=flat side first", "light.beam_radius=6 mm", "train.1.width=20 mm"],
            "wrong-way-round",
            "doubt",
            "flat side first: .* waves.*curved side first: .* waves.*turn it round",
        ),
        (["train.3.kind=lens", "train.3.axis="], "line-not-sheet", "fault", "needs a cylinder"),
        (["train.3.facing="], "facing-not-stated", "note", "worse way round is counted"),
        (["train.3.shape=", "train.3.facing="], "shape-not-stated", "note", "free of aberration"),
        (["camera.pixel_pitch=9 um"], "pixel-too-coarse", "doubt", "a tube lens of 692 mm"),
        (["detection.immersion=air", "detection.depth=6 mm"], "out-of-reach", "fault", "of air"),
        (
            ["detection.immersion=air", "detection.depth=2 mm"],
            "liquid-too-deep",
            "doubt",
            "waves rms at NA 0.4",
        ),
        (["detection.immersion=air"], "depth-not-stated", "note", "detection.depth"),
        (["detection.filter_passes=480 nm"], "filter-passes-laser", "fault", "480 nm"),
        (["detection.filter_passes=540 nm"], "filter-cuts-dye", "doubt", "540 nm"),
        (["light.emission=470 nm"], "dye-below-laser", "fault", "470 nm"),
        (["detection.numerical_aperture=1.4"], "no-lens", "fault", "NA 1.4"),
        (
            ["light.beam_radius=9 mm", "train.3.diameter=60 mm", "train.3.facing=flat side first",
             "train.1.width=60 mm", "train.2.diameter=80 mm"],
            "no-sheet",
            "fault",
            "waves|fringes",
        ),
        (
            ["train.1.kind=lens", "train.1.width=", "train.1.focal_length=80 mm"],
            "focus-on-glass",
            "note",
            "train.1 .*from the surface",
        ),
    ],
)  # fmt: skip
def test_troubles_say_figure_and_cure(pier, changes, code, severity, says):

    assert (code, severity) not in {(t.code, t.severity) for t in answer(pier()).troubles}
    told = answer(pier(*changes, exact=True))
    found = {t.code: t for t in told.troubles}
    assert code in found, told.troubles
    trouble = found[code]
    assert trouble.severity == Severity(severity)
    whole = " ".join((trouble.what, trouble.where, trouble.got, trouble.expected, trouble.do))
    assert re.search(says, whole), whole
    assert told.works is (not any(t.severity is Severity.FAULT for t in told.troubles))
    if severity == "fault":
        assert told.sentence.startswith("This bench cannot work: ")


def test_the_cure_cures(pier):
    sick = answer(pier("train.3.gap_after=60 mm", exact=True))
    cure = next(t.do for t in sick.troubles if t.code == "waist-outside-cell")
    key, _, value = cure.removeprefix("set ").rpartition(" (")[0].partition(" to ")
    healed = answer(pier(f"{key}={value}"))
    assert abs(healed.find("waist_at").value) < 60
    assert healed.works


def test_cautions_defer(pier):
    told = answer(pier()).cautions
    assert "class 3B" in told[0]
    assert told[-1] == "Local rules and the laser safety officer come first."
    assert any("certify nothing" in line for line in told)
    infrared = answer(pier("light.wavelength=532 nm", "light.emission=560 nm")).cautions
    assert any("infrared" in line for line in infrared)
    assert "infrared" not in " ".join(told)
    silent = answer(pier("light.power=")).cautions
    assert "not stated" in silent[0]
    assert silent[-1] == told[-1]


def test_half_a_bench_answers_what_it_can(pier):
    bench = pier().model_copy(update={"camera": None})
    told = answer(bench)
    assert "pixel and field needs the table [camera]" in told.unknown
    assert told.find("sheet_fwhm").value > 0
    only_lens = BenchFile.model_validate(
        {"detection": {"numerical_aperture": 0.3, "magnification": 10}}
    )
    assert answer(only_lens).find("magnification").value == 10
    with pytest.raises(RangeProblem, match="too little"):
        answer(BenchFile())
    with pytest.raises(RangeProblem, match="Sea water's index") as hot:
        answer(pier("cell.temperature=35 degC"))
    assert hot.value.where == "bench: [cell]"
    with pytest.raises(SettingProblem, match="leads into the cell"):
        answer(pier("train.4.into="))
    with pytest.raises(RangeProblem, match="no such answer"):
        told.find("field_along")


def test_json_ready(pier):
    told = json.loads(json.dumps(answer(pier()).to_dict()))
    assert told["works"] is True
    assert {g["name"] for g in told["groups"]} == {"sheet", "detection", "together", "adjusting"}
    assert all(a["reason"] for g in told["groups"] for a in g["answers"])
