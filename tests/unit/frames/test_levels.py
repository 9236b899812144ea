"""Where a camera is full, judged over a stack."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from planewright.frames import judge_white, top_of


def _stack(seed: int, *, level: float, bright: float) -> list[npt.NDArray[np.uint16]]:
    """Frames of a blob as bright as ``bright``, seen by a camera that is full at ``level``."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:120, 0:160]
    blob = np.exp(-((y - 60) ** 2 + (x - 80) ** 2) / 600.0)
    frames = []
    for height in (0.5, 0.8, 1.0, 0.7):
        light = 100 + height * bright * blob
        frames.append(np.clip(rng.normal(light, np.sqrt(light)), 0, level).round().astype("u2"))
    return frames


@pytest.mark.parametrize("level", [1023, 4095, 15871, 16383])
@pytest.mark.parametrize("seed", range(3))
def test_full_camera_is_found(level: int, seed: int) -> None:
    found = judge_white(top_of(frame) for frame in _stack(seed, level=level, bright=1.4 * level))
    assert found.ok
    assert found.value == level
    assert found.quality > 4
    assert found.why.endswith(f"pixels stand at {level}, none above")


@pytest.mark.parametrize("seed", range(20))
def test_camera_that_never_fills_is_not_judged(seed: int) -> None:
    found = judge_white(top_of(frame) for frame in _stack(seed, level=65535, bright=3000))
    assert not found.ok
    assert found.value == np.inf
    assert found.why.startswith("pixels do not pile up at the largest number")


def test_order_of_planes_does_not_matter() -> None:
    tops = [top_of(frame) for frame in _stack(1, level=4095, bright=6000)]
    assert judge_white(tops) == judge_white(tops[::-1])


def test_dark_stack() -> None:
    found = judge_white([top_of(np.zeros((4, 4), np.uint16))])
    assert (found.ok, found.why) == (False, "all numbers are zero")
    assert not judge_white([]).ok


def test_two_hot_pixels_at_the_usual_top_suffice() -> None:
    frame = np.full((50, 50), 100, np.uint16)
    frame[3, 4] = frame[30, 20] = 4095
    assert judge_white([top_of(frame)]).value == 4095
    frame[3, 4] = frame[30, 20] = 4000
    assert not judge_white([top_of(frame)]).ok


def test_coincidence_at_a_usual_top_is_no_proof() -> None:
    """Light that is spread evenly up to 4095 and beyond nothing: no pile, no verdict."""
    frame = np.arange(4096, dtype=np.uint16).repeat(3).reshape(96, 128)
    found = judge_white([top_of(frame)])
    assert not found.ok
    assert found.quality == pytest.approx(1.0, abs=0.05)
