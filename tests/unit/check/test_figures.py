"""Figures of one photograph, and their way to a file and back."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from planewright.base.nouns import Flag
from planewright.check import FrameFacts, FrameFigures, frame_figures

FACTS = FrameFacts(name="frames/a.DNG")


def _scene(seed: int = 0, size: int = 400) -> np.ndarray:
    soft = gaussian_filter(np.random.default_rng(seed).normal(0, 1, (size, size)), 1.4)
    return np.clip(soft / soft.std(), 0, None)


def _expose(electrons: np.ndarray, seed: int, gain: float = 2.0, read_e: float = 2.0) -> np.ndarray:
    rng = np.random.default_rng([seed, 5])
    return (gain * (rng.poisson(electrons) + rng.normal(0, read_e, electrons.shape))).astype(
        np.float32
    )


def test_known_levels() -> None:
    # A tenth of the field bright: 200 e on a background of 20 e, gain 2, read noise 2 e.
    electrons = np.full((400, 400), 20.0)
    electrons[:, 100:140] = 220.0
    found = frame_figures(_expose(electrons, 1), facts=FACTS)
    assert found.background == pytest.approx(40.0, rel=0.04)  # the darkest are taken
    assert found.signal == pytest.approx(400.0, rel=0.07)
    assert found.mean == pytest.approx(80.0, rel=0.01)
    assert found.noise == pytest.approx(2 * np.sqrt(20 + 4), rel=0.03)
    assert found.noise_slope == pytest.approx(2.0, rel=0.05)
    assert found.content == pytest.approx(0.1, abs=0.01)
    assert found.snr == pytest.approx(found.signal / found.noise_signal)


def test_saturated_patch_outside_the_hot_map() -> None:
    mask = np.zeros((200, 200), np.uint8)
    mask[10:13, 20:23] = Flag.SATURATED
    mask[50:60, 50:60] = Flag.SATURATED | Flag.HOT
    mask[100, 100] = Flag.SATURATED
    found = frame_figures(_expose(np.full((200, 200), 9.0), 2), mask, facts=FACTS)
    assert found.saturated_patch == 9
    assert found.saturated_at == (11.0, 21.0)
    assert found.saturated == pytest.approx(10 / 40_000)


def test_hot_pixels_in_the_map_change_nothing() -> None:
    light = _expose(20 + 150 * _scene(), 3)
    clean = frame_figures(light, facts=FACTS)
    rng = np.random.default_rng(0)
    mask = np.zeros(light.shape, np.uint8)
    hot = rng.random(light.shape) < 0.002
    mask[hot] = Flag.HOT
    spoiled = light.copy()
    spoiled[hot] += 5000
    found = frame_figures(spoiled, mask, facts=FACTS)
    assert found.sharpness == pytest.approx(clean.sharpness, rel=0.02)
    assert found.noise == pytest.approx(clean.noise, rel=0.02)
    assert found.highest < 2 * clean.highest
    # Even those that no map knows are white, and go with the noise.
    unknown = frame_figures(spoiled, facts=FACTS)
    assert unknown.highest > 5000
    assert unknown.sharpness == pytest.approx(clean.sharpness, rel=0.05)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_sharpness_is_the_same_at_half_and_double_light(factor: float) -> None:
    image = 20 + 300 * _scene(4, 600)
    one = frame_figures(_expose(image, 1), facts=FACTS).sharpness
    other = frame_figures(_expose(factor * image, 2), facts=FACTS).sharpness
    assert other == pytest.approx(one, rel=0.02)


def test_round_trip_through_json_is_exact() -> None:
    found = frame_figures(_expose(20 + 90 * _scene(), 7), facts=FACTS, colours={"mono": 1.25})
    again = FrameFigures.from_dict(json.loads(json.dumps(found.to_dict())))
    assert again.to_dict() == found.to_dict()
    np.testing.assert_array_equal(again.signature.image, found.signature.image)
    assert again.signature.image.dtype == np.float32


def test_values_that_are_no_numbers_are_passed_over() -> None:
    light = _expose(20 + 90 * _scene(), 7)
    light[5:8, 5:8] = np.nan
    found = frame_figures(light, facts=FACTS)
    assert np.isfinite([found.mean, found.noise, found.lowest, found.highest]).all()


@pytest.mark.parametrize("shape", [(2, 2), (1, 40), (33, 35)])
def test_tiny_images(shape: tuple[int, int]) -> None:
    light = np.ones(shape, np.float32)
    light.setflags(write=False)
    found = frame_figures(light, facts=FACTS)
    assert found.shape == shape
    assert found.sharpness is None
