"""The pixel from rulings: analytic patterns, and what must be refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.pixel import pixel_size

PITCH = 10.0


def waves(period, angle_deg, *, shape=(300, 360), aspect=1.0, crossed=False, noise=0.01, seed=3):
    """Cosines of known period across a direction; y stretched by ``aspect``."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    y = y / aspect
    light = 1 + 0.4 * np.cos(2 * np.pi * (x * c + y * s) / period)
    if crossed:
        light += 0.4 * np.cos(2 * np.pi * (-x * s + y * c) / period + 1)
    light += np.random.default_rng(seed).normal(0, noise, shape)
    return (1000 * light).astype(np.float32)


@pytest.mark.parametrize("angle", [0.0, 4.0, 30.0, -38.0])
def test_lines_give_the_axis_they_cross(angle):
    """Analytic: a cosine of period p shows pitch / p a pixel."""
    found = pixel_size(waves(15.3, angle), pitch_um=PITCH, ruling_tolerance=0.0)
    assert found.ok
    assert found.x.value == pytest.approx(PITCH / 15.3, rel=3e-5)
    assert found.x.sigma < 1e-4 * found.x.value
    assert found.rotation.value == pytest.approx(angle, abs=0.005)
    assert not found.y.ok
    assert "turned by 90°" in found.y.why


def test_lines_across_the_rows_give_the_other_axis():
    found = pixel_size(waves(15.3, 88.0), pitch_um=PITCH, ruling_tolerance=0.0)
    assert not found.x.ok
    assert found.y.value == pytest.approx(PITCH / 15.3, rel=3e-5)
    assert found.mean.value == found.y.value
    assert found.rotation.value == pytest.approx(-2.0, abs=0.005)


def test_a_grid_gives_both_axes_and_which_way_it_is_turned():
    photograph = waves(14.0, 0.0, aspect=1.05, crossed=True)
    found = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.0)
    assert found.x.value == pytest.approx(PITCH / 14.0, rel=3e-5)
    assert found.y.value == pytest.approx(PITCH / (14.0 * 1.05), rel=3e-5)
    assert found.mean.value == pytest.approx(math.sqrt(found.x.value * found.y.value))
    turned = pixel_size(waves(14.0, 7.0, crossed=True), pitch_um=PITCH, ruling_tolerance=0.0)
    assert turned.rotation.value == pytest.approx(7.0, abs=0.005)  # from right towards down


def test_two_photographs_of_lines_give_both_axes():
    photographs = [waves(15.3, 2.0), waves(16.1, 91.0)]
    found = pixel_size(photographs, pitch_um=PITCH, ruling_tolerance=0.0)
    assert found.x.value == pytest.approx(PITCH / 15.3, rel=3e-5)
    assert found.y.value == pytest.approx(PITCH / 16.1, rel=3e-5)
    assert found.notes == ()


@pytest.mark.parametrize("bent", [-0.01, 0.01])
def test_distortion_is_positive_where_the_corners_are_drawn_out(ruled_simulator, bent):
    rng = np.random.default_rng(5)
    photograph = ruled_simulator.ruled(
        rng, kind="grid", period_px=16.0, angle_deg=2.0, distortion=bent, specks=0
    )
    found = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.0)
    assert found.distortion.value == pytest.approx(100 * bent, abs=0.35)


def test_the_tolerance_is_in_the_uncertainty_as_a_rectangle():
    """JCGM 100:2008, 4.3.7: a half width a has the standard uncertainty a / sqrt(3)."""
    photograph = waves(15.3, 4.0, crossed=True)
    loose = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.003)
    for estimate in (loose.x, loose.y, loose.mean):
        assert estimate.sigma / estimate.value == pytest.approx(0.003 / math.sqrt(3), rel=0.01)


def test_the_photograph_is_not_written_to_and_any_number_format_is_read():
    photograph = waves(15.3, 4.0)
    photograph.setflags(write=False)
    single = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.0)
    counts = pixel_size(photograph.astype(np.uint16), pitch_um=PITCH, ruling_tolerance=0.0)
    double = pixel_size(photograph.astype(np.float64), pitch_um=PITCH, ruling_tolerance=0.0)
    assert counts.x.value == pytest.approx(single.x.value, rel=1e-5)
    assert double.x.value == pytest.approx(single.x.value, rel=1e-7)


def test_pixels_that_cannot_be_used_do_not_pull():
    photograph = waves(15.3, 4.0)
    usable = np.ones(photograph.shape, bool)
    photograph[80:150, 100:220] = 4000.0
    usable[80:150, 100:220] = False
    photograph[10, 10] = np.nan
    found = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.0, usable=[usable])
    assert found.x.value == pytest.approx(PITCH / 15.3, rel=1e-4)


def nothing(rng):
    return rng.normal(1000, 30, (300, 360))


def texture(rng):
    import cv2

    blobs = cv2.GaussianBlur(rng.normal(0, 1, (300, 360)), (0, 0), 4.0)
    return 1000 + 2000 * blobs + rng.normal(0, 5, blobs.shape)


def half_a_period(rng):
    x = np.arange(360)
    return 1000 + 500 * np.cos(np.pi * x / 360) + rng.normal(0, 5, (300, 360))


def four_lines(rng):
    return waves(90.0, 0.0)


def covered(rng):
    photograph = waves(15.3, 4.0)
    photograph[:, 120:] = 300 + rng.normal(0, 30, (300, 240))
    return photograph


def full_of_light(rng):
    return np.minimum(waves(15.3, 4.0), 1300.0)


def dark(rng):
    return np.zeros((300, 360))


def tiny(rng):
    return waves(8.0, 0.0, shape=(40, 40))


@pytest.mark.parametrize(
    ("draw", "why"),
    [
        (nothing, "no regular lines"),
        (texture, "lines"),
        (half_a_period, "lines"),
        (four_lines, "lines"),
        (covered, "dirt|lines"),
        (full_of_light, "saturated"),
        (dark, "saturated|nothing"),
        (tiny, "64 pixels"),
    ],
)
def test_a_photograph_that_cannot_tell_gets_a_reason_and_never_a_number(draw, why):
    for seed in range(3):
        photograph = draw(np.random.default_rng(seed)).astype(np.float32)
        found = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.001)
        assert not found.ok
        assert np.any([word in found.why for word in why.split("|")]), found.why
        assert {found.x.value, found.y.value, found.mean.value, found.rotation.value} == {None}


def test_the_sensors_limit_is_believed_where_it_is_known():
    found = pixel_size(waves(15.3, 4.0), pitch_um=PITCH, ruling_tolerance=0.001, white=1300.0)
    assert not found.ok
    assert "saturated" in found.why


def test_a_pixel_far_from_the_benchs_is_refused():
    photograph = waves(15.3, 4.0)
    close = pixel_size(photograph, pitch_um=PITCH, ruling_tolerance=0.001, expected_um=0.6)
    far = pixel_size(photograph, pitch_um=100.0, ruling_tolerance=0.001, expected_um=0.6)
    assert close.ok
    assert not far.ok
    assert "10.9 times" in far.why


def test_no_photograph_and_wrong_shapes_are_refused():
    assert "no photograph" in pixel_size([], pitch_um=PITCH, ruling_tolerance=0.0).why
    flat = pixel_size([np.zeros(9, np.float32)], pitch_um=PITCH, ruling_tolerance=0.0)
    assert "rows and columns" in flat.why


@pytest.mark.parametrize(("pitch", "tolerance"), [(0.0, 0.001), (-1.0, 0.001), (10.0, -0.1)])
def test_numbers_that_make_no_sense_are_refused(pitch, tolerance):
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        pixel_size(waves(15.3, 0.0), pitch_um=pitch, ruling_tolerance=tolerance)


def test_the_result_goes_through_json():
    found = pixel_size(waves(15.3, 4.0), pitch_um=PITCH, ruling_tolerance=0.001)
    again = json.loads(json.dumps(found.to_dict()))
    assert again["x"]["value"] == found.x.value
    assert again["y"]["value"] is None
