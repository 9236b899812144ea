"""Photon transfer on simulated darks and flats whose gain is known."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.camera import camera_noise

RUNS = 16


def pairs(simulator, seed=3, gain=2.2, read=3.5, **options):
    camera = simulator.TrueCamera(gain, read)
    return camera, *simulator.camera_pairs(camera, np.random.default_rng(seed), **options)


def test_gain_read_noise_and_full_well_are_found(light_simulator):
    rng = np.random.default_rng(5)
    off, inside = [], 0
    for seed in range(RUNS):
        gain, read = rng.uniform(1, 4), rng.uniform(2, 6)
        camera, darks, flats, _ = pairs(light_simulator, seed, gain, read)
        found = camera_noise(darks, flats)
        assert found.ok, found.why
        off.append(found.gain.value / gain - 1)
        inside += abs(found.gain.value - gain) <= 2 * found.gain.sigma
        assert found.read_noise.value == pytest.approx(read, rel=0.03)
        capacity = (camera.white - camera.black) * gain
        assert found.full_well.value == pytest.approx(capacity, rel=0.02)
        assert found.largest_snr == pytest.approx(capacity**0.5, rel=0.01)
        assert found.black.value == pytest.approx(64, abs=0.3)
    assert np.abs(off).max() < 0.02
    assert inside >= RUNS - 3


def test_inputs_are_not_written_to(light_simulator):
    _, darks, flats, _ = pairs(light_simulator)
    for pair in (*darks, *flats):
        for image in pair:
            image.setflags(write=False)
    assert camera_noise(darks, flats).ok


def test_linearity_sees_a_bent_camera(light_simulator):
    _, darks, flats, seconds = pairs(light_simulator)
    straight = camera_noise(darks, flats, exposure_s=seconds).linearity
    assert straight.ok, straight.why
    assert straight.value < 2.0
    bent = [tuple(64 + (c - 64) * (1 - 0.15 * (c - 64) / 4031) for c in pair) for pair in flats]
    told = camera_noise(darks, bent, exposure_s=seconds, white=3450.0).linearity
    assert told.ok, told.why
    assert 2.5 < told.value < 8.0


@pytest.mark.parametrize("seed", [28, 111, 137])
def test_a_cosmic_ray_is_not_taken_for_processing(light_simulator, seed):
    """Bright streaks of several pixels lie in these draws."""
    rng = np.random.default_rng(seed)
    camera = light_simulator.TrueCamera(rng.uniform(1, 4), rng.uniform(2, 6))
    darks, flats, _ = light_simulator.camera_pairs(camera, rng)
    found = camera_noise(darks, flats)
    assert found.ok, found.why


def test_linearity_needs_exposures(light_simulator):
    _, darks, flats, seconds = pairs(light_simulator)
    assert "true exposures" in camera_noise(darks, flats).linearity.why
    few = camera_noise(darks, flats[:3], exposure_s=seconds[:3]).linearity
    assert "four exposures" in few.why


def test_averaged_greens_are_accounted_for(light_simulator):
    camera, darks, flats, _ = pairs(light_simulator)
    halved = [
        [tuple(0.5 * (image[:, ::2] + image[:, 1::2]) for image in pair) for pair in group]
        for group in (darks, flats)
    ]
    found = camera_noise(*halved, averaged=2, white=camera.white)
    assert found.gain.value == pytest.approx(2.2, rel=0.025)
    assert camera_noise(*halved, white=camera.white).gain.value == pytest.approx(4.4, rel=0.05)


def test_a_read_noise_below_rounding_is_not_made_up(light_simulator):
    _, darks, flats, _ = pairs(light_simulator, gain=4.0, read=0.8)
    found = camera_noise(darks, flats)
    assert found.gain.ok
    assert not found.read_noise.ok
    assert found.read_noise.value is None
    assert "rounding" in found.read_noise.why


def refused(darks, flats, **options):
    found = camera_noise(darks, flats, **options)
    assert not found.ok
    assert found.gain.value is None
    assert found.full_well.value is None
    return found.why


def test_bad_photographs_are_refused_with_the_reason(light_simulator):
    _, darks, flats, _ = pairs(light_simulator)
    assert "a pair of darks" in refused([], flats)
    assert "saturated" in refused(darks, flats[-1:])
    assert "no brighter than the darks" in refused(darks, [darks[1]])
    assert "one and the same" in refused(darks, [(flats[2][0], flats[2][0])])
    assert "differ by" in refused(darks, [(flats[2][0], flats[3][0])])
    assert "same rows" in refused(darks, [tuple(image[:-1] for image in flats[2])])
    smooth = [tuple(cv2.GaussianBlur(image, (0, 0), 0.8) for image in pair) for pair in flats]
    assert "processed" in refused(darks, smooth)
    noiseless = [(np.full_like(a, a.mean()), np.full_like(a, a.mean() + 1)) for a, _ in flats[:5]]
    assert "raw" in refused(darks, noiseless)
    hole = flats[2][0].copy()
    hole[3, 3] = np.nan
    assert "without a value" in refused(darks, [(hole, flats[2][1])])


def test_arguments_that_make_no_sense(light_simulator):
    _, darks, flats, _ = pairs(light_simulator)
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        camera_noise(darks, flats, averaged=0)
    with pytest.raises(RangeProblem, match="outside what is sensible"):
        camera_noise(darks, flats, exposure_s=[0.0] * len(flats))


def test_the_result_is_ready_for_json(light_simulator):
    _, darks, flats, _ = pairs(light_simulator)
    told = json.loads(json.dumps(camera_noise(darks, flats).to_dict(), allow_nan=False))
    assert told["gain"]["unit"] == "electron/count"
