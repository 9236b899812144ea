"""The camera against the linear camera model of EMVA 1288 (from memory)."""

import numpy as np
import pytest

from planewright.phantom.camera import Sensor, as_seen, black_at_sites, field_of_light
from planewright.phantom.instrument import monochrome_instrument, small_instrument


def plain(**changes):
    parts = {"rows": 256, "columns": 256, "hot_fraction": 0.0, "dust": 0, "filter_leak_e": 0.0}
    return monochrome_instrument(**{**parts, **changes})


def pair(sensor, level_e, seed):
    """Two photographs of even light: mean and temporal variance, counts."""
    rng = np.random.default_rng(seed)
    a, b = (sensor.expose(level_e, rng).astype(np.float64) for _ in range(2))
    return 0.5 * (a.mean() + b.mean()), 0.5 * np.mean((a - b) ** 2) - 0.5 * (
        a.mean() - b.mean()
    ) ** 2


def test_variance_is_photons_read_noise_and_rounding():
    # σ² = K² σ_d² + 1/12 + K (µ − µ_dark), K = 0.25 counts per electron, σ_d = 2 e.
    camera = plain(gain=0.25, read_noise_e=2.0)
    sensor = Sensor.draw(camera)
    for level_e in (50.0, 500.0, 10000.0):
        mean, variance = pair(sensor, level_e, 1)
        assert mean - camera.black[0] == pytest.approx(0.25 * level_e, rel=0.002)
        assert variance == pytest.approx(0.25 + 1 / 12 + 0.25**2 * level_e, rel=0.02)


def test_signal_to_noise_is_that_of_the_linear_model():
    # K = 0.25, σ_d = 2 e, 50 electrons: 50/√(4 + 1/12/K² + 50) = 6.722 (analytic).
    sensor = Sensor.draw(plain(gain=0.25, read_noise_e=2.0))
    mean, variance = pair(sensor, 50.0, 2)
    assert (mean - 100) / np.sqrt(variance) == pytest.approx(6.722, rel=0.01)


def test_photon_transfer_slope_is_the_gain_up_to_70_percent():
    camera = plain(gain=4.0)
    sensor = Sensor.draw(camera)
    full_e = (camera.white - camera.black[0]) / camera.gain
    points = [pair(sensor, share * full_e, k) for k, share in enumerate(np.linspace(0, 0.7, 12))]
    mean, variance = np.array(points).T
    weights = 1 / np.maximum(variance, 1)
    assert np.polyfit(mean, variance, 1, w=weights)[0] == pytest.approx(4.0, rel=0.01)


def test_counts_are_linear_from_1_to_90_percent():
    camera = plain(gain=4.0)
    sensor = Sensor.draw(camera)
    full_e = (camera.white - camera.black[0]) / camera.gain
    for share in (0.01, 0.1, 0.5, 0.9):
        mean, _ = pair(sensor, share * full_e, 3)
        assert mean - camera.black[0] == pytest.approx(share * full_e * camera.gain, rel=0.002)


def test_sensor_is_full_at_the_white_level():
    sensor = Sensor.draw(plain())
    assert np.all(sensor.expose(1e6, np.random.default_rng(0)) == 16383)


def test_mosaic_holds_each_colour_at_its_site_over_its_own_black():
    camera = small_instrument(rows=128, columns=128, hot_fraction=0.0, dust=0, filter_leak_e=0.0)
    counts = Sensor.draw(camera).expose(500.0, np.random.default_rng(1)).astype(float)
    light = (counts - black_at_sites(camera)) / camera.gain
    want = 500.0 * np.array([[0.14, 1.0], [1.0, 0.32]])  # RGGB
    got = np.array([[light[a::2, b::2].mean() for b in (0, 1)] for a in (0, 1)])
    np.testing.assert_allclose(got, want, rtol=0.01)
    dark = Sensor.draw(camera).dark(np.random.default_rng(2)).astype(float)
    blacks = [dark[0::2, 0::2].mean(), dark[0::2, 1::2].mean()]
    assert blacks == pytest.approx(camera.black[:2], abs=0.5)


def test_exposure_scales_light_and_iso_scales_counts():
    sensor = Sensor.draw(plain(gain=1.0))
    rng = np.random.default_rng(5)
    once = sensor.expose(1000.0, rng).mean() - 100
    assert sensor.expose(1000.0, rng, exposure=2.0).mean() - 100 == pytest.approx(
        2 * once, rel=0.01
    )
    louder = sensor.expose(1000.0, rng, iso=3200).astype(float) - 100
    assert louder.mean() == pytest.approx(2 * once, rel=0.01)
    assert louder.var() == pytest.approx(4 * 1000, rel=0.05)  # same electrons, twice the gain


def test_hot_pixels_stay_where_they_are():
    camera = small_instrument(hot_fraction=1e-3)
    sensor = Sensor.draw(camera)
    darks = np.median([sensor.dark(np.random.default_rng(k)) for k in range(5)], axis=0)
    found = darks - black_at_sites(camera) > 15 * camera.gain
    truth = sensor.hot_e > 30
    assert truth.sum() > 60
    assert np.mean(found[truth]) > 0.99
    assert np.array_equal(sensor.hot_e, Sensor.draw(camera).hot_e)
    assert not np.array_equal(sensor.hot_e, Sensor.draw(camera.but(sensor_seed=2)).hot_e)


def test_flat_photograph_shows_vignetting_and_sheet_height():
    camera = plain(vignette=0.2, sheet_height_um=60.0, sheet_angle_deg=90.0)
    field = field_of_light(camera)
    # At 90° the light runs down the rows, so the sheet's height falls off along the columns.
    y_um = camera.pixel_um * (np.arange(256) - 127.5)
    middle = field[127] / (1 - 0.2 * (0.5**2 + (np.arange(256) - 127.5) ** 2) / (2 * 127.5**2))
    np.testing.assert_allclose(middle, np.exp(-2 * (y_um / 60.0) ** 2), rtol=1e-3)
    flats = np.mean(
        [Sensor.draw(camera).flat(np.random.default_rng(k), level_e=2000.0) for k in range(20)],
        axis=0,
    )
    ratio = (flats - 100) / (camera.gain * 2000.0 * field)
    assert ratio.mean() == pytest.approx(1.0, abs=0.002)
    assert ratio.std() < 0.012


def test_developed_picture_follows_srgb():
    # IEC 61966-2-1: linear 0.18 is 117.65 of 255.
    camera = plain()
    span = camera.white - camera.black[0]
    counts = np.full((256, 256), 100 + round(0.18 * span), np.uint16)
    assert np.all(as_seen(counts, camera, brighten=1.0) == 118)
    mosaic = small_instrument(rows=64, columns=64)
    seen = as_seen(np.full((64, 64), 3000, np.uint16), mosaic)
    assert seen.shape == (64, 64, 3)
    assert np.ptp(seen) <= 1
