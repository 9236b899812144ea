"""Shifting a plane: against exact shifts, by blocks, and with its mask."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem
from planewright.kernels.shift import halo_px, lanczos_taps, shift_plane


def gaussian(cy, cx, *, sigma=2.0, shape=(64, 72)):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / (2 * sigma**2)).astype(np.float32)


def clear(image):
    return np.zeros(image.shape, np.uint8)


@pytest.mark.parametrize("shift", [(0.3, 0.7), (-2.4, 3.9), (0.5, -0.5), (7.25, -6.01)])
def test_content_moves_as_told(shift):
    """Against the analytic Gaussian; 0.5 % of the peak is Lanczos-4's own error at this width."""
    image = gaussian(30, 35)
    moved, flags = shift_plane(image, clear(image), dy=shift[0], dx=shift[1])
    truth = gaussian(30 + shift[0], 35 + shift[1])
    inside = flags == 0
    assert np.abs(moved - truth)[inside].max() < 0.005
    for axis in (0, 1):
        slope = np.gradient(truth, axis=axis)
        left = ((truth - moved) * slope)[inside].sum() / (slope**2)[inside].sum()
        assert abs(left) < 0.006  # px; the kernel itself, a twentieth of what steadying aims at


def test_light_is_kept():
    """Weights sum to one, so a level stays that level at any fraction."""
    level = np.full((40, 50), 321.5, np.float32)
    for fraction in np.linspace(0.0, 0.99, 12):
        moved, flags = shift_plane(level, clear(level), dy=fraction, dx=-fraction)
        assert moved[flags == 0] == pytest.approx(321.5, rel=1e-6)
        assert float(lanczos_taps(fraction).sum()) == pytest.approx(1.0, abs=1e-6)


def test_whole_shifts_copy_and_the_outside_is_flagged_and_dark():
    image = np.arange(48, dtype=np.float32).reshape(6, 8) + 1
    moved, flags = shift_plane(image, clear(image), dy=2, dx=-3)
    assert np.array_equal(moved[2:, :5], image[:4, 3:])
    outside = np.ones(image.shape, bool)
    outside[2:, :5] = False
    assert np.array_equal((flags & Flag.OUTSIDE) != 0, outside)
    assert not moved[outside].any()


def test_nothing_is_left_where_all_moves_out():
    image = gaussian(30, 35)
    moved, flags = shift_plane(image, clear(image), dy=200.5, dx=0)
    assert not moved.any()
    assert (flags == Flag.OUTSIDE).all()


def test_a_flag_passes_to_every_pixel_that_takes_light_from_it():
    image = np.zeros((32, 32), np.float32)
    mask = clear(image)
    mask[16, 16] = Flag.SATURATED
    image[16, 16] = 1.0
    moved, flags = shift_plane(image, mask, dy=0.5, dx=0.25)
    takes = np.abs(moved) >= 0.03
    assert takes.sum() >= 9
    assert ((flags & Flag.SATURATED) != 0)[takes].all()
    assert ((flags & Flag.SATURATED) != 0).sum() <= 64


@settings(max_examples=60, deadline=None)
@given(
    dy=st.floats(-20, 20),
    dx=st.floats(-20, 20),
    corner=st.tuples(st.integers(0, 90), st.integers(0, 100)),
    size=st.tuples(st.integers(1, 40), st.integers(1, 40)),
)
def test_by_windows_equals_whole(dy, dx, corner, size):
    """A window with its halo gives the very numbers of the whole plane."""
    rng = np.random.default_rng(5)
    image = rng.normal(100, 30, (131, 142)).astype(np.float32)
    mask = np.where(rng.random(image.shape) < 0.01, np.uint8(Flag.HOT), np.uint8(0))
    whole, whole_flags = shift_plane(image, mask, dy=dy, dx=dx)
    bounds = []
    for start, length, total, shift in zip(corner, size, image.shape, (dy, dx), strict=True):
        end = min(total, start + length)
        bounds.append(
            (start, end, max(0, start - halo_px(shift)), min(total, end + halo_px(shift)))
        )
    (y0, y1, oy0, oy1), (x0, x1, ox0, ox1) = bounds
    part, part_flags = shift_plane(image[oy0:oy1, ox0:ox1], mask[oy0:oy1, ox0:ox1], dy=dy, dx=dx)
    cut = (slice(y0 - oy0, y1 - oy0), slice(x0 - ox0, x1 - ox0))
    assert np.array_equal(part[cut], whole[y0:y1, x0:x1])
    assert np.array_equal(part_flags[cut], whole_flags[y0:y1, x0:x1])


def test_inputs_are_not_written_to():
    image, mask = gaussian(20, 20), clear(gaussian(20, 20))
    image.setflags(write=False)
    mask.setflags(write=False)
    for shift in (0.0, 1.0, 0.5):
        moved, flags = shift_plane(image, mask, dy=shift, dx=shift)
        moved += 1
        flags |= 1


def test_wrong_inputs_are_told():
    image = gaussian(20, 20)
    with pytest.raises(RangeProblem, match="not two planes of one shape"):
        shift_plane(image, np.zeros((3, 3), np.uint8), dy=0, dx=0)
    with pytest.raises(RangeProblem, match="not a finite number"):
        shift_plane(image, clear(image), dy=float("nan"), dx=0)
