"""Defective pixels."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.kernels.hot import replace_pixels, single_pixel_excess, spread


def test_replaced_by_the_median_of_good_neighbours() -> None:
    light = np.arange(49, dtype=np.float32).reshape(7, 7)
    bad = np.zeros((7, 7), bool)
    bad[3, 3] = bad[3, 4] = bad[0, 0] = True
    light.setflags(write=False)
    out = replace_pixels(light, bad)
    assert out[3, 3] == np.median([16, 17, 18, 23, 30, 31, 32])
    assert out[0, 0] == np.median([1, 7, 8])
    np.testing.assert_array_equal(out[~bad], light[~bad])


def test_nothing_bad_is_nothing_copied_and_all_bad_is_zero() -> None:
    light = np.ones((5, 5), np.float32)
    assert replace_pixels(light, np.zeros((5, 5), bool)) is light
    assert replace_pixels(light, np.ones((5, 5), bool)).max() == 0


def test_a_wide_hole_takes_the_median_of_all() -> None:
    light = np.full((9, 9), 4.0, np.float32)
    bad = np.zeros((9, 9), bool)
    bad[1:8, 1:8] = True
    assert replace_pixels(light, bad)[4, 4] == 4.0


def test_excess_of_a_spike_and_of_a_slope() -> None:
    rows, columns = np.mgrid[:20, :20].astype(np.float32)
    light = rows + 2 * columns
    assert np.abs(single_pixel_excess(light)[2:-2, 2:-2]).max() == 0
    light[10, 10] += 50
    assert single_pixel_excess(light)[10, 10] == pytest.approx(50, abs=2)


def test_spread_of_a_gaussian() -> None:
    values = np.random.default_rng(0).normal(3, 2, 100_000)
    values[:100] = 1e6
    assert spread(values) == pytest.approx(2.0, rel=0.02)
    assert spread(np.array([np.nan])) == 0.0
