"""Halving blocks, against plain loops over NaN means."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planewright.base.nouns import Flag
from planewright.volume.reduce import halve

FACTORS = [f for f in itertools.product((1, 2), repeat=3) if f != (1, 1, 1)]


def halve_by_loops(light, mask, factor, empty):
    """Mean and union voxel by voxel."""
    shape = tuple(-(-n // f) for n, f in zip(light.shape, factor, strict=True))
    small, flags = np.zeros(shape), np.zeros(shape, np.uint8)
    for place in np.ndindex(shape):
        part = tuple(slice(p * f, (p + 1) * f) for p, f in zip(place, factor, strict=True))
        values, kinds = light[part].astype(float).ravel(), mask[part].ravel()
        flags[place] = np.bitwise_or.reduce(kinds)
        good = values[kinds & (Flag.MISSING | Flag.OUTSIDE | Flag.HOT) == 0]
        if not good.size:
            good = values[kinds & (Flag.MISSING | Flag.OUTSIDE) == 0]
        small[place] = good.mean() if good.size else empty
    return small, flags


@settings(max_examples=60, deadline=None)
@given(
    shape=st.tuples(*[st.integers(1, 7)] * 3),
    factor=st.sampled_from(FACTORS),
    dtype=st.sampled_from([np.uint16, np.float32]),
    seed=st.integers(0, 2**32 - 1),
    density=st.sampled_from([0.0, 0.05, 0.6]),
)
def test_equal_to_plain_loops(shape, factor, dtype, seed, density):
    rng = np.random.default_rng(seed)
    light = rng.integers(0, 65536, shape).astype(dtype)
    mask = np.where(rng.random(shape) < density, rng.integers(0, 32, shape), 0).astype(np.uint8)
    light.flags.writeable = mask.flags.writeable = False
    small, flags = halve(light, mask, factor=factor, empty=7)
    want, want_flags = halve_by_loops(light, mask, factor, 7)
    assert small.dtype == dtype
    assert np.array_equal(flags, want_flags)
    if dtype == np.uint16:
        assert np.array_equal(small, np.rint(want).astype(np.uint16))
    else:
        assert small == pytest.approx(want, rel=1e-6)


def test_a_missing_plane_does_not_darken_its_neighbour():
    light = np.full((4, 6, 6), 1000, np.uint16)
    mask = np.zeros(light.shape, np.uint8)
    light[1], mask[1] = 0, Flag.MISSING
    light[2:], mask[2:] = 0, Flag.MISSING
    small, flags = halve(light, mask, factor=(2, 2, 2), empty=40)
    assert (small[0] == 1000).all()
    assert (small[1] == 40).all()
    assert (flags == Flag.MISSING).all()


def test_full_pixels_count_and_nan_under_the_mask_does_not():
    light = np.array([[[100.0, 4000.0], [np.nan, np.inf]]], np.float32)
    mask = np.array([[[0, Flag.SATURATED], [Flag.OUTSIDE, Flag.HOT]]], np.uint8)
    small, flags = halve(light, mask, factor=(1, 2, 2), empty=0)
    assert small.item() == 2050.0
    assert flags.item() == Flag.SATURATED | Flag.OUTSIDE | Flag.HOT


def test_mean_light_does_not_climb_from_level_to_level():
    """Rounding halves up would add 1/8 count a level with four voxels."""
    rng = np.random.default_rng(3)
    light = rng.integers(0, 4000, (1, 1024, 1024)).astype(np.uint16)
    mask = np.zeros(light.shape, np.uint8)
    mean = light.mean()
    for _ in range(4):
        light, mask = halve(light, mask, factor=(1, 2, 2), empty=0)
    assert light.mean() == pytest.approx(mean, abs=0.05)
