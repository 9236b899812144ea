"""The number format: nothing cut, nothing overflown, whole counts kept exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planewright.base.problems import RangeProblem
from planewright.kernels.shift import shift_plane
from planewright.volume.number import (
    LANCZOS4_NEGATIVE,
    NumberFormat,
    choose_format,
    float_format,
)


def lanczos4(distance):
    """Lanczos kernel, four lobes (Duchon 1979)."""
    return np.where(np.abs(distance) < 4, np.sinc(distance) * np.sinc(distance / 4), 0.0)


def test_the_margin_is_the_kernels_worst():
    taps = lanczos4(np.arange(-3, 5) - np.linspace(0, 1, 2001)[:, None])
    taps /= taps.sum(axis=1, keepdims=True)
    worst = float((-np.minimum(taps, 0).sum(axis=1)).max())
    assert worst <= LANCZOS4_NEGATIVE <= worst + 1e-4


@pytest.mark.parametrize("sign", [1, -1])
def test_the_worst_picture_that_can_be_shifted_still_fits(sign):
    low, high, step = -30.0, 16000.0, 0.5
    taps = lanczos4(np.arange(-4, 4) + 0.5)
    pattern = sign * np.outer(taps, taps) > 0
    image = np.full((40, 40), low, dtype=np.float32)
    image[16:24, 16:24][pattern] = high
    moved, _ = shift_plane(image, np.zeros(image.shape, np.uint8), dy=0.5, dx=0.5)
    assert not choose_format(low, high, step, resampled=True).encode(moved)[1].any()
    assert choose_format(low, high, step, resampled=False).encode(moved)[1].any()


@given(
    low=st.floats(-5000, 5000),
    span=st.floats(0, 1e5),
    step=st.sampled_from([0.125, 0.2345, 0.5, 1.0, 4.0]),
    resampled=st.booleans(),
)
def test_the_whole_range_fits_and_the_step_is_the_finest(low, span, step, resampled):
    high = low + span
    number = choose_format(low, high, step, resampled=resampled)
    ends = np.array([low, high, 0.0], dtype=np.float32)
    stored, outside = number.encode(ends)
    assert not outside.any()
    assert np.abs(number.decode(stored) - ends).max() <= number.gain * 0.51
    power = np.log2(number.gain / step)
    assert power == pytest.approx(round(power), abs=1e-9)
    assert power >= -2
    if power > -2:  # one step finer would not have fitted
        over = 2 * LANCZOS4_NEGATIVE * (1 + LANCZOS4_NEGATIVE) if resampled else 0.0
        reach = max(high, 0.0) - min(low, 0.0) + 2 * over * (high - min(low, 0.0))
        assert reach / (number.gain / 2) > 65535 - 4


def test_whole_counts_come_back_exactly():
    """A camera's counts times its step, black taken off: no rounding at all."""
    counts = np.arange(16384, dtype=np.float32)
    for step, black in ((1.0, 512.0), (0.5, 128.0), (0.25, 0.0)):
        light = counts * np.float32(step) - np.float32(black)
        number = choose_format(float(light.min()), float(light.max()), step, resampled=False)
        stored, outside = number.encode(light)
        assert stored.dtype == np.uint16
        assert not outside.any()
        assert np.array_equal(number.decode(stored), light)


def test_what_does_not_fit_is_told_never_silent():
    number = NumberFormat("uint16", 100, 0.5, "electron")
    light = np.array([-50.0, -50.3, 32717.5, 32718.0, np.nan, np.inf], dtype=np.float32)
    light.flags.writeable = False
    stored, outside = number.encode(light)
    assert stored.tolist() == [0, 0, 65535, 65535, 100, 65535]
    assert outside.tolist() == [False, True, False, True, True, True]
    assert (number.low, number.high) == (-50.0, 32717.5)


def test_float_light_stays_as_it_is():
    number = float_format("electron")
    light = np.array([-1.5, 0.0, 1e9, np.nan], dtype=np.float32)
    stored, outside = number.encode(light)
    assert stored.dtype == np.float32
    assert np.array_equal(stored, light, equal_nan=True)
    assert outside.tolist() == [False, False, False, True]
    assert not np.shares_memory(stored, light)
    assert np.array_equal(number.decode(stored), light, equal_nan=True)


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: choose_format(1.0, 0.0, 1.0, resampled=False), "range of light is not known"),
        (lambda: choose_format(0.0, np.inf, 1.0, resampled=False), "range of light is not known"),
        (lambda: choose_format(0.0, 1.0, 0.0, resampled=False), "step of light must be positive"),
        (lambda: NumberFormat("uint8", 0, 1.0, "count"), "number format is not known"),
        (lambda: NumberFormat("uint16", -1, 1.0, "count"), "pedestal or gain is impossible"),
        (lambda: NumberFormat("uint16", 0, 0.0, "count"), "pedestal or gain is impossible"),
        (lambda: NumberFormat("float32", 5, 1.0, "count"), "stored as it is"),
    ],
)
def test_impossible_formats_are_refused(make, text):
    with pytest.raises(RangeProblem, match=text):
        make()
