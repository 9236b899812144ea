"""Master dark, hot pixels and flat."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from planewright.base.nouns import Flag
from planewright.base.problems import PhotographProblem
from planewright.check import (
    DarkSum,
    FlatSum,
    FrameFacts,
    HotFinder,
    dark_mismatch,
    level_plane,
)

SHAPE = (160, 180)


def _dark(rng: np.random.Generator, hot: np.ndarray) -> np.ndarray:
    return (1.5 + rng.normal(0, 3.0, SHAPE) + hot * rng.normal(200, 4, SHAPE)).astype(np.float32)


def _hot(share: float = 0.002) -> np.ndarray:
    return np.random.default_rng(11).random(SHAPE) < share


def test_master_dark_and_its_hot_pixels() -> None:
    rng, hot, total = np.random.default_rng(0), _hot(), DarkSum()
    for k in range(10):
        frame = _dark(rng, hot)
        if k == 3:
            frame[80, 80] = 9000.0  # a cosmic hit in one frame
        frame.setflags(write=False)
        total.add(frame)
    dark = total.close()
    assert dark.frames == 10
    assert dark.noise == pytest.approx(3.0, rel=0.05)
    assert np.median(dark.light) == pytest.approx(1.5, abs=0.05)
    assert dark.light[80, 80] < 10
    assert (dark.hot.bad & hot).sum() == hot.sum()
    assert (dark.hot.bad & ~hot).sum() <= 1  # the hit may stay in the map, nothing else
    assert dark.hot.source == "darks"


def test_one_dark_suffices_and_none_is_refused() -> None:
    total = DarkSum()
    with pytest.raises(PhotographProblem, match="There are no dark frames"):
        total.close()
    total.add(_dark(np.random.default_rng(1), _hot()))
    assert total.close().noise == pytest.approx(3.0, rel=0.1)
    with pytest.raises(PhotographProblem, match="another size"):
        total.add(np.zeros((4, 4), np.float32))


def _specimen(rng: np.random.Generator, position: int, bad: np.ndarray, dead: np.ndarray):
    soft = np.random.default_rng([position, 3]).normal(0, 1, SHAPE)
    image = 60 + 900 * np.clip(gaussian_filter(soft, 1.1), 0, None)
    light = rng.poisson(image) + rng.normal(0, 2, SHAPE) + 150 * bad
    return np.where(dead, 0.0, light).astype(np.float32)


def test_hot_and_dead_pixels_from_the_specimen_itself() -> None:
    rng, bad, finder = np.random.default_rng(2), _hot(), HotFinder()
    bad[40, 40] = bad[40, 41] = True  # a pair
    dead = np.zeros(SHAPE, bool)
    dead[100, 60] = True
    for position in range(16):
        finder.add(_specimen(rng, position, bad, dead))
    found = finder.close()
    inside = np.zeros(SHAPE, bool)
    inside[1:-1, 1:-1] = True
    assert (found.bad & bad & inside).sum() >= 0.97 * (bad & inside).sum()
    assert (found.bad & ~bad & ~dead).sum() == 0
    assert found.bad[100, 60]
    assert found.dead == 1
    assert found.source == "specimen frames"


def test_a_bead_that_stands_still_is_not_hot() -> None:
    # Full width 2.5 pixels, bright, at the same place in all frames.
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    bead = 400 * np.exp(-0.5 * (np.hypot(rows - 80, columns - 90) / 1.06) ** 2)
    finder = HotFinder()
    for k in range(12):
        rng = np.random.default_rng(k)
        finder.add((rng.poisson(30 + bead) + rng.normal(0, 2, SHAPE)).astype(np.float32))
    assert finder.close().bad.sum() == 0


def test_too_few_frames_give_no_map() -> None:
    finder = HotFinder()
    finder.add(np.zeros(SHAPE, np.float32))
    assert finder.close().source == "none"
    assert HotFinder().close().source == "none"


def _flat_light() -> np.ndarray:
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    fall = 1 - 0.3 * ((rows / SHAPE[0] - 0.5) ** 2 + (columns / SHAPE[1] - 0.5) ** 2)
    dust = 1 - 0.1 / (1 + np.exp(np.clip(np.hypot(rows - 50, columns - 70) - 8, -50, 50) / 1.5))
    return fall * dust


def test_flat_keeps_dust_and_has_mean_one() -> None:
    truth, total = _flat_light(), FlatSum(np.full(SHAPE, 5.0, np.float32))
    rng = np.random.default_rng(4)
    for _ in range(8):
        total.add((rng.poisson(4000 * truth) + 5.0).astype(np.float32))
    flat = total.close()
    assert flat.ok
    assert flat.response.mean() == pytest.approx(1.0, abs=1e-4)
    error = flat.response / (truth / truth.mean()) - 1
    assert np.abs(error).max() < 0.02
    assert error[90:150, 10:170].std() == pytest.approx(flat.noise, rel=0.25)  # beside the dust


def test_flats_that_cannot_be_used_say_why() -> None:
    rng = np.random.default_rng(5)
    full = FlatSum()
    full.add(np.ones(SHAPE, np.float32), saturated=np.ones(SHAPE, bool))
    assert "% of a flat's pixels are full" in full.close().why
    faint = FlatSum()
    faint.add(rng.poisson(20.0, SHAPE).astype(np.float32))
    found = faint.close()
    assert not found.ok
    assert "noisy" in found.why
    black = FlatSum(np.full(SHAPE, 9.0, np.float32))
    black.add(np.full(SHAPE, 2.0, np.float32))
    assert "hold no light" in black.close().why
    assert FlatSum().close().why == "there are no flats"


def test_levelling_a_plane_flags_and_keeps_negative_light() -> None:
    light = np.full((6, 6), 10.0, np.float32)
    light[2, 2], light[4, 4], light[0, 0] = 500.0, np.nan, 3.0
    saturated, hot, invalid = (np.zeros((6, 6), bool) for _ in range(3))
    saturated[1, 1], hot[2, 2], invalid[4, 4] = True, True, True
    light.setflags(write=False)
    out, mask = level_plane(
        light,
        saturated=saturated,
        invalid=invalid,
        dark=np.full((6, 6), 4.0, np.float32),
        hot=hot,
        flat=np.full((6, 6), 0.5, np.float32),
    )
    assert out.dtype == np.float32
    assert out[0, 0] == -2.0
    assert out[2, 2] == out[4, 4] == out[5, 5] == 12.0
    assert mask[1, 1] == Flag.SATURATED
    assert mask[2, 2] == Flag.HOT
    assert mask[4, 4] == Flag.MISSING
    assert mask.dtype == np.uint8


def test_darks_that_do_not_match_are_named() -> None:
    frame = FrameFacts("a", rows=10, columns=12, exposure_s=0.25, iso=800, camera="F")
    odd = FrameFacts("d", rows=10, columns=11, exposure_s=1.0, iso=400, camera="G")
    found = {f.code: f for f in dark_mismatch([odd], [frame])}
    assert set(found) == {"dark-size", "dark-exposure", "dark-iso", "dark-camera"}
    assert found["dark-size"].got == "10 × 11 pixels"
    assert found["dark-size"].expected == "10 × 12 pixels"
    assert found["dark-exposure"].got == "1 s"
    assert found["dark-exposure"].what.startswith("1 of 1 dark frames have another exposure time")
    assert dark_mismatch([frame], [frame]) == ()
    assert dark_mismatch([], [frame]) == ()
