"""What real stacks do and a fault does not: fade out at their end, stand still near their focus."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from planewright.check.align import align
from planewright.check.light import DARK, USUAL, judge_light
from planewright.check.likely import Likeness
from planewright.check.limits import Limits


def kinds_of(means, likeness):
    frames = [
        SimpleNamespace(mean=m, background=1.0, signal=max(m, 0.1), noise=0.5, colours={})
        for m in means
    ]
    return judge_light(frames, np.ones(len(means)), np.array(likeness, float), Limits()).kinds


def test_a_specimen_that_ends_is_not_a_laser_that_is_off():
    means = [26, 25, 24, 26, 25, 24, 26, 20, 9.7, 2.7, 1.5, 1.1, 1.0, 0.9, 0.9]
    assert set(kinds_of(means, [0.9] * len(means))) == {USUAL}


@pytest.mark.parametrize("length", [1, 2, 3])
def test_a_laser_that_was_off_shows_another_picture(length):
    means, likeness = [25.0] * 20, [0.9] * 20
    for k in range(9, 9 + length):
        means[k], likeness[k] = 1.0, 0.02
    kinds = kinds_of(means, likeness)
    assert [k for k, kind in enumerate(kinds) if kind == DARK] == list(range(9, 9 + length))


def test_a_shutter_that_opened_late_shows_the_same_picture_darker_than_both_neighbours():
    means = [25.0] * 20
    means[9] = 4.0
    kinds = kinds_of(means, [0.9] * 20)
    assert [k for k, kind in enumerate(kinds) if kind == DARK] == [9]


def stack(places_um, *, sigma, width_um=1.0, scale=1.0):
    """Return likeness of planes whose structure changes with the distance between them."""
    out = {}
    for lag in (1, 2, 3, 4):
        apart = places_um[lag:] - places_um[:-lag]
        value = np.exp(-0.5 * (apart / width_um) ** 2) * scale
        out[lag] = Likeness(value, np.full(apart.size, sigma))
    return out


def put(likeness, count, planned=None):
    found = align(np.full(count, np.nan), likeness, planned=planned)
    return found.positions.tolist(), found.missed, found.repeated


@pytest.mark.parametrize("planned", [None, 41])
def test_planes_that_hardly_change_near_a_focus_are_no_repeats(planned):
    # The change from plane to plane falls to noise over six planes and rises again, as in a
    # stack of beads stepped four times finer than they are long.
    steps = np.full(40, 0.35) * np.random.default_rng(0).lognormal(0.0, 0.2, 40)
    steps[14:27] = [0.3, 0.2, 0.15, 0.11, 0.08, 0.05, 0.04, 0.05, 0.08, 0.11, 0.15, 0.2, 0.3]
    likeness = stack(np.concatenate([[0], np.cumsum(steps)]), sigma=0.0015)
    assert put(likeness, 41, planned) == (list(range(41)), (), ())


def test_a_repeat_among_planes_that_change_is_found():
    steps = np.full(40, 0.35)
    steps[20] = 0.0
    likeness = stack(np.concatenate([[0], np.cumsum(steps)]), sigma=0.0015)
    _, _, repeated = put(likeness, 41, 40)
    assert repeated == ((21, 21, 21),)


def test_pairs_that_are_all_noise_miss_no_plane():
    # From the start of a stack of chromosomes, where hardly any light is yet: one pair two
    # apart came out unlike by 3.6 times its error, with nothing beside it to compare.
    steps = np.full(39, 0.25)
    likeness = stack(np.concatenate([[0], np.cumsum(steps)]), sigma=0.008)
    for lag, one in likeness.items():
        one.value[: 4 - lag] = np.nan
        one.sigma[:8] = 0.1 * np.exp(-np.arange(8.0) / 3)
    likeness[2].value[1], likeness[2].sigma[1] = 0.5483, 0.1242
    assert put(likeness, 40) == (list(range(40)), (), ())
