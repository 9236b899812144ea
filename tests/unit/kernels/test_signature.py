"""Similarity of photographs whose true correlation is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import fourier_shift, gaussian_filter

from planewright.kernels.noise import diagonal_halves
from planewright.kernels.signature import Signature, passing, signature, similarity


def _texture(seed: int, size: int = 256) -> np.ndarray:
    image = gaussian_filter(np.random.default_rng(seed).normal(0, 1, (size, size)), 4, mode="wrap")
    return image / image.std()


def _shot(image: np.ndarray, peak_e: float, seed: int) -> Signature:
    rng = np.random.default_rng([seed, 3])
    electrons = peak_e * np.clip(0.3 + 0.25 * image, 0, None)
    light = rng.poisson(electrons) + rng.normal(0, 2.0, image.shape)
    return signature(*diagonal_halves(light.astype(np.float32)))


def _moved(image: np.ndarray, shift: tuple[float, float]) -> np.ndarray:
    return np.fft.ifftn(fourier_shift(np.fft.fftn(image), shift)).real


@pytest.mark.parametrize("peak_e", [20.0, 100.0, 1000.0])
def test_the_same_plane_twice_is_one_whatever_the_noise(peak_e: float) -> None:
    image = _texture(1)
    found = [
        similarity(
            _shot(image, peak_e, 2 * k), _shot(_moved(image, (1.3, -2.6)), peak_e, 2 * k + 1)
        )
        for k in range(12)
    ]
    values = np.array([one.value for one in found])
    assert values.mean() == pytest.approx(1.0, abs=0.015)
    assert values.std() < 2.5 * np.mean([one.sigma for one in found]) + 0.004
    for one in found:
        assert one.ok
        assert one.shift_y == pytest.approx(1.3, abs=0.4)
        assert one.shift_x == pytest.approx(-2.6, abs=0.4)


@pytest.mark.parametrize("share", [0.9, 0.7, 0.4])
@pytest.mark.parametrize("peak_e", [20.0, 500.0])
def test_known_correlation(share: float, peak_e: float) -> None:
    values = []
    for k in range(8):
        first, fresh = _texture(10 + k), _texture(50 + k)
        second = share * first + np.sqrt(1 - share**2) * fresh
        values.append(similarity(_shot(first, peak_e, k), _shot(second, peak_e, k + 100)).value)
    assert np.mean(values) == pytest.approx(share, abs=0.06)


def test_too_little_structure_and_other_sizes_say_so() -> None:
    empty = _shot(np.zeros((256, 256)), 20.0, 1)
    found = similarity(empty, empty)
    assert (found.ok, found.why) == (False, "too little structure")
    found = similarity(_shot(_texture(1), 100.0, 1), _shot(_texture(1, 128), 100.0, 2))
    assert (found.ok, found.why) == (False, "of two sizes")


def test_inputs_stay_and_large_ones_are_reduced() -> None:
    light = np.random.default_rng(0).normal(0, 1, (900, 1700)).astype(np.float32)
    halves = diagonal_halves(light)
    for half in halves:
        half.setflags(write=False)
    found = signature(*halves)
    assert max(found.image.shape) <= 384
    assert found.bin_pixels == 6


def test_what_passes_is_found_where_it_is() -> None:
    image = _texture(4)
    rows, columns = np.mgrid[:256, :256]
    ring = np.exp(-0.5 * ((np.hypot(rows - 90, columns - 160) - 14) / 2.0) ** 2)
    shots = [_shot(image + extra, 200.0, k) for k, extra in enumerate((0, 10 * ring, 0))]
    found = passing(*shots, moved_before=(0.0, 0.0), moved_after=(0.0, 0.0))
    assert found.area > 20
    assert found.row == pytest.approx(90, abs=6)
    assert found.column == pytest.approx(160, abs=6)
    same = [_shot(image, 200.0, k) for k in range(3)]
    assert passing(*same, moved_before=(0.0, 0.0), moved_after=(0.0, 0.0)).area == 0
