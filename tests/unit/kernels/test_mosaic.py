"""Lattices of a 2×2 mosaic, against numpy's plain slices."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from planewright.kernels.mosaic import (
    cells,
    pair_sum,
    regular_stride,
    site_levels,
    site_plane,
    trimmed_mean,
)

SHAPES = [(2, 2), (3, 3), (64, 66), (65, 67), (131, 40), (1, 5)]


def _mosaic(shape: tuple[int, int], top: int = 16384) -> np.ndarray:
    mosaic = np.random.default_rng(3).integers(0, top, shape, dtype=np.uint16)
    mosaic.flags.writeable = False
    return mosaic


@pytest.mark.parametrize("shape", SHAPES)
def test_pair_sum_is_the_sum(shape: tuple[int, int]) -> None:
    mosaic = _mosaic(shape)
    rows, columns = cells(shape)
    total, full = pair_sum(mosaic, sites=((0, 1), (1, 0)), white=(16000, 15000))
    a = mosaic[0 : 2 * rows : 2, 1 : 2 * columns : 2].astype(int)
    b = mosaic[1 : 2 * rows : 2, 0 : 2 * columns : 2].astype(int)
    assert total.dtype == np.uint16
    assert np.array_equal(total, a + b)
    assert np.array_equal(
        np.zeros_like(a, bool) if full is None else full, (a >= 16000) | (b >= 15000)
    )


def test_nothing_full_is_none() -> None:
    assert pair_sum(_mosaic((64, 64)), sites=((0, 1), (1, 0)), white=(16384, 16384))[1] is None


def test_high_white_is_summed_in_float() -> None:
    mosaic = _mosaic((64, 64), 65535)
    total, _ = pair_sum(mosaic, sites=((0, 0), (1, 1)), white=(65535, 65535))
    assert total.dtype == np.float32
    assert np.array_equal(total, mosaic[::2, ::2].astype(float) + mosaic[1::2, 1::2])


def test_number_far_above_white_does_not_run_over() -> None:
    mosaic = np.full((4, 4), 50000, np.uint16)
    total, full = pair_sum(mosaic, sites=((0, 1), (1, 0)), white=(16383, 16383))
    assert full is not None
    assert full.all()
    assert (total == 2 * 32767).all()


@pytest.mark.parametrize("shape", SHAPES)
def test_site_plane_is_a_copy_of_whole_cells(shape: tuple[int, int]) -> None:
    mosaic = _mosaic(shape)
    plane = site_plane(mosaic, site=(1, 0))
    assert plane.shape == cells(shape)
    assert not np.shares_memory(plane, mosaic)
    assert np.array_equal(plane, mosaic[1::2, 0::2][: plane.shape[0], : plane.shape[1]])


def test_trimmed_mean_against_scipy() -> None:
    values = np.random.default_rng(5).gamma(2.0, 100.0, 4000)
    assert trimmed_mean(values, trim=0.005) == pytest.approx(stats.trim_mean(values, 0.005))
    assert trimmed_mean([7.0]) == 7.0


def test_site_levels_see_through_hot_pixels() -> None:
    rng = np.random.default_rng(9)
    mosaic = rng.normal(1000, 5, (600, 800)).round().astype(np.uint16)
    mosaic[1::2, 1::2] += 500
    mosaic[rng.random(mosaic.shape) < 0.002] = 65535
    levels = site_levels(mosaic, sites=((0, 0), (1, 1)))
    assert levels == pytest.approx([1000, 1500], abs=0.5)


@pytest.mark.parametrize("shape", [(1, 1), (100, 200), (2000, 3000)])
def test_stride_meets_about_as_many_as_asked(shape: tuple[int, int]) -> None:
    stride = regular_stride(shape, samples=16384)
    points = np.zeros(shape)[::stride, ::stride].size
    assert min(shape[0] * shape[1], 8000) <= points < 40000
