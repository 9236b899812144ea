"""Power by scale and direction, and sharpness, against textures of known spectrum."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from planewright.kernels.sharpness import BAND_EDGES, SECTORS, polar_power, sharpness


def _texture(seed: int, shape: tuple[int, int], blur: float) -> np.ndarray:
    return gaussian_filter(np.random.default_rng(seed).normal(0, 1, shape), blur, mode="wrap")


def _photograph(seed: int, image: np.ndarray, electrons: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng([seed, 7])
    return (rng.poisson(electrons * image) + rng.normal(0, 2, image.shape)).astype(np.float32)


def test_power_of_a_texture_is_its_spectrum() -> None:
    # White noise of unit variance, blurred by a Gaussian: power exp(-4 π² s² k²) a mode.
    blur, photon = 1.2, 0.2
    rng = np.random.default_rng(0)
    light = 3 * _texture(1, (512, 512), blur) + rng.normal(0, photon, (512, 512))
    found = polar_power(light.astype(np.float32))
    edges = np.array(BAND_EDGES)
    for band in range(5):
        k = np.linspace(edges[band], edges[band + 1], 50)
        mean = np.average(9 * np.exp(-4 * np.pi**2 * blur**2 * k**2), weights=k)
        assert found.power[band].mean() == pytest.approx(mean, rel=0.12)
    assert found.noise == pytest.approx(photon**2, rel=0.05)
    assert found.power.shape == (len(BAND_EDGES) - 1, SECTORS)


def test_errors_are_honest() -> None:
    light = [
        _texture(seed, (160, 160), 1.2) + np.random.default_rng(seed).normal(0, 0.05, (160, 160))
        for seed in range(40)
    ]
    found = [polar_power(one.astype(np.float32)) for one in light]
    scatter = np.std([one.power for one in found], axis=0)
    stated = np.mean([one.sigma for one in found], axis=0)
    ratio = (scatter / stated)[1:6]
    assert 0.8 < np.median(ratio) < 1.25


@pytest.mark.parametrize("electrons", [60.0, 400.0])
def test_sharpness_falls_with_blur(electrons: float) -> None:
    image = np.clip(3 + _texture(5, (420, 420), 1.0) * 8, 0, None)
    values = [
        sharpness(polar_power(_photograph(1, gaussian_filter(image, blur), electrons)))
        for blur in (0.0, 0.3, 0.6, 0.9, 1.2, 1.6)
    ]
    assert all(value is not None for value in values)
    assert all(a > b for a, b in pairwise(values))


def test_sharpness_does_not_follow_brightness() -> None:
    image = np.clip(3 + _texture(5, (600, 600), 1.0) * 8, 0, None)
    values = [
        sharpness(polar_power(_photograph(3, image, 200.0 * factor))) for factor in (0.5, 1.0, 2.0)
    ]
    for value in values:
        assert value == pytest.approx(values[1], rel=0.02)


def test_a_vibration_shows_in_its_direction() -> None:
    # Blur of 0.8 pixel along +x: power falls by exp(-4 π² 0.64 k²) along x, not along y.
    image = _texture(8, (512, 512), 0.8)
    before = polar_power(image.astype(np.float32)).power
    after = polar_power(gaussian_filter(image, (0.0, 0.8), mode="wrap").astype(np.float32)).power
    k = np.sqrt(0.5 * (BAND_EDGES[5] ** 2 + BAND_EDGES[6] ** 2))
    along = after[5, 0] / before[5, 0]
    across = after[5, SECTORS // 2] / before[5, SECTORS // 2]
    assert along == pytest.approx(np.exp(-4 * np.pi**2 * 0.64 * k**2), rel=0.1)
    assert across > 0.93


def test_noise_alone_has_no_sharpness() -> None:
    rng = np.random.default_rng(9)
    assert sharpness(polar_power(rng.normal(5, 1, (300, 300)).astype(np.float32))) is None


def test_too_small_says_so() -> None:
    found = polar_power(np.zeros((20, 400), np.float32))
    assert not found.ok
    assert "32 pixels" in found.why
    assert sharpness(found) is None


def test_large_images_are_judged_by_their_rich_tiles() -> None:
    image = np.zeros((1024, 1024))
    image[256:768, 256:768] = _texture(3, (512, 512), 1.2)
    light = image + np.random.default_rng(1).normal(0, 0.02, image.shape)
    light = light.astype(np.float32)
    light.setflags(write=False)
    whole = sharpness(polar_power(light))
    middle = sharpness(polar_power(light[256:768, 256:768]))
    assert whole == pytest.approx(middle, rel=0.05)
