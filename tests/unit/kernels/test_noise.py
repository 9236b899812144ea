"""Noise of a photograph against known noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from planewright.kernels.noise import clipped_variance, diagonal_halves, noise_model


def _blobs(rng: np.random.Generator, shape: tuple[int, int], count: int = 25) -> np.ndarray:
    """Smooth-edged discs, no finer than a lens of two pixels' width passes."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    image = np.zeros(shape)
    for _ in range(count):
        y, x, r = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), rng.uniform(4, 14)
        image += expit((r - np.hypot(rows - y, columns - x)) / 0.9)
    return image


def test_halves_keep_the_mean_and_share_no_noise() -> None:
    rng = np.random.default_rng(1)
    light = rng.normal(7.0, 3.0, (401, 300)).astype(np.float32)
    light.setflags(write=False)
    main, other = diagonal_halves(light)
    assert main.shape == other.shape == (200, 150)
    cells = light[:400].reshape(200, 2, 150, 2).mean(axis=(1, 3))
    np.testing.assert_allclose((main + other) / 2, cells, rtol=1e-5)
    assert abs(np.corrcoef(main.ravel(), other.ravel())[0, 1]) < 4 / np.sqrt(main.size)
    assert np.var(main - other) == pytest.approx(9.0, rel=0.03)  # one pixel's variance


def test_halves_of_a_slope_are_equal() -> None:
    rows, columns = np.mgrid[:64, :64].astype(np.float32)
    main, other = diagonal_halves(3 * rows - 2 * columns)
    np.testing.assert_allclose(main, other, atol=1e-4)


@pytest.mark.parametrize("sigma", [0.7, 5.0, 40.0])
def test_gaussian_noise_on_structure(sigma: float) -> None:
    rng = np.random.default_rng(2)
    light = 20 * sigma * _blobs(rng, (400, 500)) + rng.normal(0, sigma, (400, 500))
    model = noise_model(*diagonal_halves(light.astype(np.float32)))
    assert model.ok
    assert model.sigma(0.0) == pytest.approx(sigma, rel=0.03)


@pytest.mark.parametrize(("gain", "read_e"), [(0.25, 2.0), (4.0, 2.0), (1.0, 0.5)])
def test_photon_transfer_line(gain: float, read_e: float) -> None:
    # EMVA 1288, linear model: variance = K² σ_d² + K (mean - dark), K in counts per electron.
    rng = np.random.default_rng(3)
    electrons = 10 + 300 * _blobs(rng, (600, 700), 60)
    light = gain * (rng.poisson(electrons) + rng.normal(0, read_e, electrons.shape))
    model = noise_model(*diagonal_halves(light.astype(np.float32)))
    assert model.slope == pytest.approx(gain, rel=0.05)
    for level_e in (10.0, 100.0, 310.0):
        expected = gain * np.sqrt(read_e**2 + level_e)
        assert model.sigma(gain * level_e) == pytest.approx(expected, rel=0.03)


def test_few_far_values_do_not_count() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0, 2.0, 50_000)
    values[:50] = 500.0
    assert clipped_variance(values) == pytest.approx(4.0, rel=0.02)
    assert clipped_variance(np.zeros(0)) == 0.0


def test_too_small_says_so() -> None:
    model = noise_model(*diagonal_halves(np.zeros((4, 4), np.float32)))
    assert not model.ok
    assert "fewer than 50" in model.why


def test_a_flat_image_without_noise_has_none() -> None:
    model = noise_model(*diagonal_halves(np.full((80, 80), 12.0, np.float32)))
    assert model.ok
    assert model.sigma(12.0) == 0.0
