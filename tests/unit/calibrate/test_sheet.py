"""The sheet from simulated bead stacks and dye photographs whose truth is known."""

from __future__ import annotations

import json

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.dye import sheet_from_dye
from planewright.calibrate.sheet import sheet_from_beads

PIXEL, DYE_PIXEL = 1.6, 0.8
BEADS = {
    "step_um": 2.0, "step_sigma_um": 0.002, "pixel_um": PIXEL, "pixel_sigma_um": 0.0016,
    "bead_diameter_um": 1.0, "aperture_um": 12.0, "wavelength_nm": 488.0, "index": 1.337,
}  # fmt: skip
DYE = {
    "pixel_um": DYE_PIXEL, "pixel_sigma_um": 0.0008, "lens_fwhm_um": 1.6,
    "lens_fwhm_sigma_um": 0.03, "wavelength_nm": 488.0, "index": 1.337,
}  # fmt: skip


@pytest.fixture(scope="module")
def beads(light_simulator):
    rng = np.random.default_rng(3)
    sheet = light_simulator.sheet_for(rng, field_um=300 * PIXEL)
    stack = light_simulator.bead_stack(
        sheet, rng, pixel_um=PIXEL, step_um=2.0, shape=(40, 200, 300), offset_um=1.3
    )
    stack.setflags(write=False)
    return sheet, stack


def dye(light_simulator, seed=3, covered=5.0, **options):
    rng = np.random.default_rng(seed)
    sheet = light_simulator.sheet_for(rng, field_um=400 * DYE_PIXEL, covered=covered)
    options = {"lens_fwhm_um": 1.6, "shape": (240, 400), **options}
    image = light_simulator.dye_photograph(sheet, rng, pixel_um=DYE_PIXEL, **options)
    image.setflags(write=False)
    return sheet, image


def test_beads_give_waist_place_and_lean(beads):
    sheet, stack = beads
    found = sheet_from_beads(stack, **BEADS)
    assert found.ok, found.why
    caustic = found.caustic
    assert abs(caustic.position.value - sheet.position_um) < 0.05 * sheet.rayleigh_um
    assert caustic.waist_radius.value == pytest.approx(sheet.waist_um, rel=0.03)
    assert caustic.rayleigh.value == pytest.approx(sheet.rayleigh_um, rel=0.05)
    for got, true in (
        (found.offset, 1.3),
        (found.tilt_x, sheet.tilt_x_deg),
        (found.tilt_y, sheet.tilt_y_deg),
    ):
        assert abs(got.value - true) < 3 * got.sigma
    assert found.offset.sigma < 0.5
    json.dumps(found.to_dict(), allow_nan=False)


def test_a_wrong_step_shows_in_the_thickness(beads):
    """The figure hangs on the step, not on the answer being known."""
    sheet, stack = beads
    told = sheet_from_beads(stack, **{**BEADS, "step_um": 2.2}).caustic.waist_radius.value
    assert told / sheet.waist_um == pytest.approx(1.1, rel=0.03)


def test_uncertain_step_is_in_the_uncertainty(beads):
    _, stack = beads
    sure = sheet_from_beads(stack, **BEADS).caustic.waist_radius
    doubtful = sheet_from_beads(stack, **{**BEADS, "step_sigma_um": 0.1}).caustic.waist_radius
    assert doubtful.sigma == pytest.approx(np.hypot(sure.sigma, 0.05 * sure.value), rel=0.05)


def test_bead_stacks_that_cannot_do(beads, light_simulator):
    _, stack = beads
    noise = np.random.default_rng(1).normal(100, 5, (30, 160, 200)).astype(np.float32)
    low = np.minimum(stack, 400)
    cases = [
        (stack[:5], {}, "seven planes"),
        (noise, {}, "beads stand alone"),
        (stack[16:24], {}, "longer|alone"),
        (stack, {"bead_diameter_um": 14.0}, "smaller beads"),
        (stack, {"aperture_um": 300.0}, "aperture does not suit"),
        (low, {"white": 400.0}, "saturated"),
        (np.where(stack > 1e9, 0, np.nan), {}, "without a value"),
    ]
    for made, changed, why in cases:
        found = sheet_from_beads(made.astype(np.float32), **{**BEADS, **changed})
        assert not found.ok
        assert found.caustic.waist_radius.value is None
        assert any(part in found.why for part in why.split("|")), found.why


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_dye_gives_the_sheet_by_both_ways(light_simulator, seed):
    sheet, image = dye(light_simulator, seed)
    found = sheet_from_dye(image, **DYE)
    assert found.ok, found.why
    for way in (found.gaussian, found.moments):
        caustic = way.caustic
        assert abs(caustic.position.value - sheet.position_um) < 0.05 * sheet.rayleigh_um
        assert caustic.waist_radius.value == pytest.approx(sheet.waist_um, rel=0.03)
        assert abs(caustic.rayleigh.value - sheet.rayleigh_um) < 0.06 * sheet.rayleigh_um
        assert abs(caustic.beam_quality.value - sheet.quality) < 0.12
        assert way.tilt_x.value == pytest.approx(sheet.tilt_x_deg, abs=0.02)
        assert not way.tilt_y.ok
    assert found.ratio == pytest.approx(1.0, abs=0.03)
    assert found.notes == ()


def test_tails_are_told(light_simulator):
    _, image = dye(light_simulator, tails=0.1)
    found = sheet_from_dye(image, **DYE)
    assert found.ratio > 1.1
    assert "tails" in found.notes[0]


def test_uncertain_blur_is_in_the_uncertainty(light_simulator):
    _, image = dye(light_simulator)
    sure, doubtful = (
        sheet_from_dye(image, **{**DYE, "lens_fwhm_sigma_um": sigma}).gaussian.caustic
        for sigma in (0.0, 0.2)
    )
    assert doubtful.waist_radius.sigma > 2 * sure.waist_radius.sigma
    assert doubtful.rayleigh.sigma > 2 * sure.rayleigh.sigma


def test_a_short_field_leaves_the_beam_quality_open(light_simulator):
    _, image = dye(light_simulator, covered=2.5)
    found = sheet_from_dye(image, **DYE).gaussian.caustic
    assert found.ok
    assert found.verdict == "undetermined"


def test_dye_photographs_that_cannot_do(light_simulator):
    _, image = dye(light_simulator)
    noise = np.random.default_rng(1).normal(100, 5, image.shape).astype(np.float32)
    cases = [
        (np.minimum(image, 3000), {"white": 3000.0}, "saturated"),
        (np.minimum(image, 3000), {}, "saturated"),
        (noise, {}, "no sheet of light"),
        (np.full_like(image, 7), {}, "no sheet of light"),
        (image, {"lens_fwhm_um": 6.0}, "blurs more than"),
        (image[:, :40], {}, "smaller than 64"),
        (image[None], {}, "rows and columns"),
    ]
    for made, changed, why in cases:
        found = sheet_from_dye(made, **{**DYE, **changed})
        assert why in found.why
        for way in (found.gaussian, found.moments):
            assert not way.ok
            assert way.caustic.waist_radius.value is None


def test_units_forgotten():
    image = np.zeros((100, 100), np.float32)
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        sheet_from_dye(image, **{**DYE, "wavelength_nm": 0.488})
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        sheet_from_beads(np.zeros((9, 99, 99), np.float32), **{**BEADS, "wavelength_nm": 0.488})
