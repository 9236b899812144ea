"""Sheet against focus from simulated photographs of a specimen."""

from __future__ import annotations

import json

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.sharp_map import sharpness_map, sheet_alignment

PIXEL, LAYER = 0.65, 2.0


@pytest.fixture(scope="module")
def shot(light_simulator):
    lens = light_simulator.Microscope((320, 480), pixel_um=PIXEL, aperture=0.3, layer_um=LAYER)
    rng = np.random.default_rng(2)
    sheet = light_simulator.sheet_for(rng, field_um=480 * PIXEL, covered=3.6)
    steps = (-4, -2, 0, 2, 4)
    images = light_simulator.specimen_photographs(
        lens, sheet, rng, steps=steps, moved="focus", offset_um=1.4
    )
    for image in images:
        image.setflags(write=False)
    return lens, sheet, images, [LAYER * step for step in steps]


def align(images, steps, **changed):
    options = {"moved": "focus", "pixel_um": PIXEL, "depth_of_field_um": 7.7}
    return sheet_alignment(images, steps_um=steps, **{**options, **changed})


@pytest.fixture(scope="module")
def found(shot):
    _, _, images, steps = shot
    return align(images, steps)


def test_offset_tilt_and_waist_are_found(shot, found):
    lens, sheet, _, _ = shot
    assert found.ok, found.why
    assert abs(found.offset.value - 1.4) < lens.depth_of_field_um / 4
    for got, true in (
        (found.offset, 1.4),
        (found.tilt_x, sheet.tilt_x_deg),
        (found.tilt_y, sheet.tilt_y_deg),
    ):
        assert abs(got.value - true) < 3 * got.sigma
    assert found.tilt_x.sigma < 0.15
    assert found.waist.ok, found.waist.why
    assert abs(found.waist.value - sheet.position_um) < 3 * found.waist.sigma
    assert found.waist.sigma < 0.3 * sheet.rayleigh_um
    json.dumps(found.to_dict(), allow_nan=False)


def test_the_sign_of_the_steps_counts(shot, found):
    """Moving the focus is moving the sheet the other way: the offset changes its sign."""
    _, _, images, steps = shot
    other = align(images, steps, moved="sheet")
    assert other.offset.value == pytest.approx(-found.offset.value, abs=0.02)
    assert other.tilt_x.value == pytest.approx(-found.tilt_x.value, abs=0.02)


def test_one_photograph_cannot_tell(shot):
    _, _, images, steps = shot
    found = sharpness_map(images[2])
    assert found.ok
    assert "cannot tell which" in found.verdict
    assert found.sharpness.shape == (len(found.y_px), len(found.x_px))
    assert np.isfinite(found.sharpness).mean() > 0.9
    two = align(images[:2], steps[:2])
    assert not two.ok
    assert two.offset.value is None
    assert "cannot tell which" in two.why
    assert len(two.maps) == 2


def test_the_map_is_sharp_where_the_focus_is(shot):
    """The sheet is tilted: at another focus another side is sharp."""
    _, sheet, images, _ = shot
    near, far = (sharpness_map(images[k]).sharpness for k in (0, 4))
    x = np.arange(near.shape[1]) - near.shape[1] / 2
    slope = np.polyfit(x, np.nanmean(np.log(far / near), axis=0), 1)[0]
    assert np.sign(slope) == np.sign(sheet.tilt_x_deg)


def test_photographs_that_cannot_do(shot):
    _, _, images, steps = shot
    noise = [np.random.default_rng(k).poisson(200, images[0].shape).astype(np.float32)
             for k in range(5)]  # fmt: skip
    cases = [
        (images, steps[:-1], {}, "one step"),
        (images, [0, 0, 1, 1, 1], {}, "cannot tell which"),
        (noise, steps, {}, "too little fine detail"),
        ([image[:100, :100] for image in images], steps, {}, "pixels a side"),
        ([*images[:4], images[4][:-1]], steps, {}, "same rows"),
        ([np.minimum(image, 200) for image in images], steps, {"white": 200.0}, "saturated"),
        ([np.full_like(images[0], np.nan)] * 5, steps, {}, "without a value"),
        ([np.full_like(images[0], 9)] * 5, steps, {}, "shows nothing"),
        ([images[2]] * 5, steps, {}, "hardly changes"),
    ]
    for made, at, changed, why in cases:
        found = align(made, at, **changed)
        assert not found.ok, why
        assert found.offset.value is None
        assert found.waist.value is None
        assert why in found.why


def test_steps_that_never_meet_the_focus_give_no_offset(shot, light_simulator):
    lens, sheet, _, _ = shot
    steps = (5, 6, 7)
    images = light_simulator.specimen_photographs(
        lens, sheet, np.random.default_rng(8), steps=steps, moved="focus", offset_um=-3.0
    )
    found = align(images, [LAYER * step for step in steps])
    assert not found.ok
    assert found.offset.value is None
    assert "do not meet" in found.why or "do not tell" in found.why


def test_units_forgotten(shot):
    _, _, images, steps = shot
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        align(images, steps, pixel_um=0.0)
