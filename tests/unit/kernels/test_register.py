"""Registration of two planes: what it finds, what it refuses, and its uncertainty."""

import numpy as np
import pytest

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem
from planewright.kernels.register import pair_shift, prepare


def blobs(seed, shift=(0.0, 0.0), *, side=160, count=60, peak=100.0):
    """Return expected electrons of a drawn field of Gaussian blobs, moved exactly."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(24, side - 24, (count, 2))
    sigma, height = rng.uniform(1.5, 3, count), rng.uniform(0.3, 1, count)
    axis = np.arange(side)
    rows = np.exp(-((axis - place[:, :1] - shift[0]) ** 2) / (2 * sigma[:, None] ** 2))
    columns = np.exp(-((axis - place[:, 1:] - shift[1]) ** 2) / (2 * sigma[:, None] ** 2))
    light = np.einsum("k,ky,kx->yx", height, rows, columns)
    still = np.einsum(
        "k,ky,kx->yx",
        height,
        np.exp(-((axis - place[:, :1]) ** 2) / (2 * sigma[:, None] ** 2)),
        np.exp(-((axis - place[:, 1:]) ** 2) / (2 * sigma[:, None] ** 2)),
    )
    return peak * light / still.max()


def photograph(light, rng, *, background=5.0, read=3.0):
    counted = rng.poisson(light + background) + rng.normal(0, read, light.shape)
    return (counted - background).astype(np.float32)


def view(image, mask=None):
    return prepare(image, mask, noise_slope=1.0, noise_floor=14.0)


@pytest.mark.parametrize("shift", [(0, 0), (0.37, -0.81), (-6.4, 11.9), (18.3, -19.6)])
def test_finds_the_shift(shift):
    rng = np.random.default_rng(1)
    a = view(photograph(blobs(3), rng))
    found = pair_shift(a, view(photograph(blobs(3, shift), rng)))
    assert found.ok
    assert (found.dy, found.dx) == pytest.approx(shift, abs=0.1)


def test_forward_and_back_are_opposite():
    rng = np.random.default_rng(2)
    a, b = (view(photograph(blobs(3, s), rng)) for s in ((0, 0), (2.2, -3.3)))
    there, back = pair_shift(a, b), pair_shift(b, a)
    assert (there.dy, there.dx) == pytest.approx((-back.dy, -back.dx), abs=0.5 * there.sigma_y)


def test_hot_pixels_in_the_mask_do_not_tie_the_shift_to_zero():
    """With 0.23 % of pixels hot at four times the peak, left in, the answer locks to zero."""
    rng = np.random.default_rng(4)
    shift = (1.8, -2.4)
    hot = rng.random((160, 160)) < 0.0023
    frames = [photograph(blobs(3, s), rng) for s in ((0, 0), shift)]
    for frame in frames:
        frame[hot] = 400
    mask = np.where(hot, np.uint8(Flag.HOT), np.uint8(0))
    found = pair_shift(*(view(frame, mask) for frame in frames))
    assert (found.dy, found.dx) == pytest.approx(shift, abs=0.1)
    left_in = pair_shift(*(view(frame) for frame in frames))
    assert not left_in.ok or abs(left_in.dy - shift[0]) > 0.5


def test_stated_uncertainty_is_that_of_the_noise():
    """Over 200 draws, the scatter is within 1.5 times of what is stated."""
    rng = np.random.default_rng(6)
    light, moved = blobs(5), blobs(5, (0.4, -0.3))
    found = [
        pair_shift(view(photograph(light, rng)), view(photograph(moved, rng))) for _ in range(200)
    ]
    assert all(one.ok for one in found)
    for value, sigma in (("dy", "sigma_y"), ("dx", "sigma_x")):
        scatter = np.std([getattr(one, value) for one in found])
        stated = np.sqrt(np.mean([getattr(one, sigma) ** 2 for one in found]))
        assert 1 / 1.5 < scatter / stated < 1.5


def test_bins_change_the_unit_of_nothing():
    rng = np.random.default_rng(7)
    shift = (3.3, -5.7)
    a, b = (photograph(blobs(3, s, side=256, count=150), rng) for s in ((0, 0), shift))
    options = {"noise_slope": 1.0, "noise_floor": 14.0}
    found = pair_shift(prepare(a, bins=2, **options), prepare(b, bins=2, **options))
    assert (found.dy, found.dx) == pytest.approx(shift, abs=0.1)


def test_unknown_noise_is_estimated():
    rng = np.random.default_rng(8)
    a, b = (photograph(7 * blobs(3, s), rng) for s in ((0, 0), (1.5, 2.5)))
    found = pair_shift(prepare(a, noise_slope=None), prepare(b, noise_slope=None))
    assert (found.dy, found.dx) == pytest.approx((1.5, 2.5), abs=0.1)


def test_planes_without_content_are_refused_with_a_reason():
    rng = np.random.default_rng(9)
    dark = [view(photograph(np.zeros((160, 160)), rng)) for _ in range(2)]
    found = pair_shift(*dark)
    assert not found.ok
    assert found.why == "no displacement stands out from the others"
    assert np.isinf(found.sigma_y)


def test_an_empty_and_a_masked_plane_are_refused():
    empty = prepare(np.zeros((96, 96), np.float32))
    assert not pair_shift(empty, empty).ok
    full = np.full((96, 96), np.uint8(Flag.MISSING))
    masked = prepare(blobs(1, side=96).astype(np.float32), full)
    assert not pair_shift(masked, masked).ok


def test_lines_are_not_trusted_along_themselves():
    rng = np.random.default_rng(10)
    line = np.exp(-((np.arange(160)[:, None] - 80.0) ** 2) / 8) * np.ones((160, 160)) * 200
    found = pair_shift(*(view(photograph(line, rng)) for _ in range(2)))
    assert not found.ok or found.sigma_x > 20 * found.sigma_y


def test_inputs_are_not_written_to():
    image = photograph(blobs(3), np.random.default_rng(11))
    mask = np.zeros(image.shape, np.uint8)
    mask[5, 5] = Flag.HOT
    image.setflags(write=False)
    mask.setflags(write=False)
    assert pair_shift(view(image, mask), view(image, mask)).ok


def test_wrong_inputs_are_told():
    with pytest.raises(RangeProblem, match="too small to be registered"):
        prepare(np.zeros((40, 200), np.float32))
    with pytest.raises(RangeProblem, match="noise variance is negative"):
        prepare(np.zeros((80, 80), np.float32), noise_floor=-1)
    with pytest.raises(RangeProblem, match="different shapes"):
        pair_shift(prepare(np.zeros((80, 80), np.float32)), prepare(np.zeros((80, 90), np.float32)))
