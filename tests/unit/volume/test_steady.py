"""Solving for jitter: what is removed, what is left alone, gaps, blocks, JSON."""

import json
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.kernels.spots import Spot, find_spots
from planewright.volume.steady import (
    Pair,
    Steadying,
    SteadySettings,
    needed_views,
    pairs_of_block,
    slow_basis,
    solve,
    spots_of_plane,
    view_of_plane,
)

SETTINGS = SteadySettings(noise_floor=9.0)


def chain(places, *, sigma=0.02, rng=None, missing=()):
    """Return pairs of neighbours for displacements (n, 2), stepping over missing planes."""
    there = [k for k in range(len(places)) if k not in missing]
    noise = np.zeros((len(places), 2)) if rng is None else rng.normal(0, sigma, (len(places), 2))
    return [
        Pair(j, k, True, *(places[k] - places[j] + noise[k]), sigma, sigma, 50.0)
        for j, k in pairwise(there)
    ]


def left(places, found):
    return places + np.stack([found.shift_y, found.shift_x], axis=1)


@pytest.mark.parametrize("period", [4, 10, 25, 40])
def test_what_is_no_slower_than_the_cutoff_is_removed(period):
    wave = 3.0 * np.cos(2 * np.pi * (np.arange(200) + 0.5) / period)
    places = np.stack([wave, -wave], axis=1)
    found = solve(chain(places), 200, settings=SETTINGS)
    assert np.abs(left(places, found)).max() < 0.01


@pytest.mark.parametrize("period", [80, 200, 1000])
def test_what_is_slower_is_left_alone(period):
    """The cosines of the stated basis exactly, up to both ends."""
    k = np.arange(200)
    wave = np.cos(2 * np.pi * (k + 0.5) / period)
    places = np.stack([wave, -2 * wave], axis=1)
    found = solve(chain(places), 200, settings=SETTINGS)
    kept = slow_basis(k.astype(float), cutoff_frames=40.0)
    expected = places - kept @ (kept.T @ places)
    assert -np.stack([found.shift_y, found.shift_x], 1) == pytest.approx(expected, abs=1e-3)
    if period != 1000:
        assert np.abs(found.shift_x).max() < 1e-3


@pytest.mark.parametrize("n", [5, 30, 41, 160])
def test_a_slant_is_kept_to_the_last_plane(n):
    places = np.stack([0.7 * np.arange(n), -2.5 * np.arange(n)], axis=1)
    found = solve(chain(places), n, settings=SETTINGS)
    assert np.abs([found.shift_y, found.shift_x]).max() < 1e-3
    assert "slower than one period in 40 frames" in found.undetermined


def test_the_transfer_is_a_projection():
    basis = slow_basis(np.arange(123.0), cutoff_frames=40.0)
    assert basis.T @ basis == pytest.approx(np.eye(basis.shape[1]), abs=1e-12)
    # constant, line, and cosines of period 246 / j for j = 1 ... 6; 246 / 6 = 41, 246 / 7 = 35
    assert basis.shape[1] == 8


def test_jitter_is_found_through_gaps():
    rng = np.random.default_rng(1)
    places = rng.normal(0, 2, (120, 2))
    missing = {17, 18, 60}
    found = solve(chain(places, rng=rng, missing=missing), 120, settings=SETTINGS)
    there = np.array([k for k in range(120) if k not in missing])
    assert not found.measured[list(missing)].any()
    assert found.measured[there].all()
    assert np.isinf(found.sigma_y[17])
    assert found.shift_y[17] == 0.0
    basis = slow_basis(there.astype(float), cutoff_frames=40.0)
    rest = left(places, found)[there]
    assert np.sqrt(((rest - basis @ (basis.T @ rest)) ** 2).mean()) < 0.1
    assert found.why == "3 of 120 planes could not be compared"


def test_a_few_wrong_pairs_do_little_harm():
    rng = np.random.default_rng(2)
    places = rng.normal(0, 2, (100, 2))
    pairs = chain(places, rng=rng)
    pairs += [
        Pair(k, k + 2, True, *(places[k + 2] - places[k]), 0.03, 0.03, 50.0) for k in range(98)
    ]
    pairs[40] = Pair(40, 41, True, 9.0, -9.0, 0.02, 0.02, 7.0)
    found = solve(pairs, 100, settings=SETTINGS)
    basis = slow_basis(np.arange(100.0), cutoff_frames=40.0)
    rest = left(places, found)
    assert np.abs(rest - basis @ (basis.T @ rest)).max() < 0.3


def test_stated_uncertainty_of_a_plane_is_that_of_its_noise():
    """200 draws: the scatter against the mean of planes within ten is what is stated."""
    rng = np.random.default_rng(3)
    places = np.zeros((40, 2))
    off = []
    for _ in range(200):
        found = solve(chain(places, sigma=0.05, rng=rng), 40, settings=SETTINGS)
        off.append(found.shift_y[20] - found.shift_y[10:31].mean())
    assert np.std(off) == pytest.approx(found.sigma_y[20], rel=0.5)


def test_nothing_measured_is_told():
    found = solve([], 12, settings=SETTINGS)
    assert not found.measured.any()
    assert not found.shift_y.any()
    assert found.why == "12 of 12 planes could not be compared"


def test_blocks_and_json_change_nothing():
    rng = np.random.default_rng(4)
    axis = np.arange(96)
    planes = []
    for _ in range(9):
        dy, dx = rng.normal(0, 2, 2)
        light = sum(
            60 * np.exp(-((axis[:, None] - y - dy) ** 2 + (axis - x - dx) ** 2) / 8)
            for y, x in ((30, 30), (50, 62), (66, 36), (40, 50))
        )
        planes.append(rng.poisson(light).astype(np.float32))
    views = {k: view_of_plane(p, None, settings=SETTINGS) for k, p in enumerate(planes) if k != 4}
    whole = pairs_of_block(views, 0, 9, settings=SETTINGS)
    parts = []
    for first in range(0, 9, 2):
        last = min(9, first + 2)
        needed = needed_views(first, last, 9, settings=SETTINGS)
        some = {k: views[k] for k in needed if k in views}
        parts += pairs_of_block(some, first, last, settings=SETTINGS)
    assert parts == whole
    assert (3, 5) in {(p.first, p.second) for p in whole}
    again = [Pair.from_dict(json.loads(json.dumps(p.to_dict()))) for p in whole]
    assert again == whole
    found = solve(again, 9, settings=SETTINGS)
    same = Steadying.from_dict(json.loads(json.dumps(found.to_dict())))
    assert same.to_dict() == found.to_dict()
    assert math.isinf(same.sigma_y[4])


def test_wrong_settings_are_told():
    with pytest.raises(RangeProblem, match="longest period to steady is too short"):
        SteadySettings(cutoff_frames=1)
    with pytest.raises(RangeProblem, match="at no distance"):
        SteadySettings(span=0)


def test_a_wall_without_its_place_is_told():
    places = np.random.default_rng(5).normal(0, 2, (30, 2))
    found = solve(chain(places), 30, settings=SteadySettings(reference="wall"))
    assert found.reference == ""
    assert "not where in the photograph it is" in found.why


def still_pairs(places, step):
    """Return pairs on a wall: each plane with the anchor before it."""

    def pair(j, k):
        return Pair(j, k, True, *(places[k] - places[j]), 0.03, 0.03, 50.0, still=True)

    n = len(places)
    near = [pair(k // step * step, k) for k in range(n) if k % step]
    return near + [pair(k - step, k) for k in range(step, n, step)]


def test_a_wall_fixes_the_slow_part_too():
    rng = np.random.default_rng(6)
    places = rng.normal(0, 2, (90, 2)) + np.linspace(0, 12, 90)[:, None]
    walking = places + np.linspace(0, 40, 90)[:, None]
    settings = SteadySettings(reference="wall", region=(0, 64, 0, 64))
    found = solve(chain(walking, rng=rng) + still_pairs(places, 32), 90, settings=settings)
    assert found.reference == "wall"
    assert found.undetermined == ""
    assert np.abs(left(places, found) - left(places, found).mean(0)).max() < 0.1


def bead_spots(places, rng, *, fibre=False, sigma=0.04):
    """Return spots of beads that show in seven planes each, and of a thread that walks."""
    spots = {k: [] for k in range(len(places))}
    for _ in range(120):
        home, middle = rng.uniform(20, 300, 2), rng.uniform(-3, len(places) + 3)
        for k in range(len(places)):
            if abs(k - middle) < 3.5:
                y, x = home + places[k] + rng.normal(0, sigma, 2)
                spots[k].append(Spot(y, x, sigma, 1.5, 40.0))
    if fibre:
        for k, place in enumerate(places):
            y, x = np.array([100.0, 100.0]) + np.array([0.9, -0.6]) * k + place
            spots[k].insert(0, Spot(y, x, 0.02, 1.5, 90.0))
    return spots


@pytest.mark.parametrize("fibre", [False, True])
def test_gel_beads_fix_the_slow_part_and_a_thread_does_not_spoil_it(fibre):
    rng = np.random.default_rng(7)
    places = rng.normal(0, 2, (80, 2)) + np.linspace(0, 5, 80)[:, None]
    walking = places + np.linspace(0, 30, 80)[:, None]  # the specimen itself is slanted
    settings = SteadySettings(reference="gel beads")
    spots = bead_spots(places, rng, fibre=fibre)
    found = solve(chain(walking, rng=rng), 80, settings=settings, spots=spots)
    assert found.reference == "gel beads"
    rest = left(places, found)
    assert np.sqrt(((rest - rest.mean(0)) ** 2).mean()) < 0.1


def test_too_few_beads_are_told():
    places = np.random.default_rng(8).normal(0, 2, (30, 2))
    settings = SteadySettings(reference="gel beads")
    found = solve(chain(places), 30, settings=settings, spots={k: [] for k in range(30)})
    assert found.reference == ""
    assert found.why == "fewer than two beads were found"
    assert found.undetermined != ""


def test_spots_are_placed_near_the_noise_bound():
    """A Gaussian spot: scatter within 1.5 times of what is stated, which is the Fisher bound."""
    rng = np.random.default_rng(9)
    axis = np.arange(48)
    off, stated = [], []
    for _ in range(200):
        y, x = 24 + rng.uniform(-0.5, 0.5, 2)
        light = 60 * np.exp(-((axis[:, None] - y) ** 2 + (axis - x) ** 2) / (2 * 1.4**2)) + 4
        frame = (rng.poisson(light) + rng.normal(0, 1.5, light.shape)).astype(np.float32)
        (spot,) = find_spots(frame, noise_slope=1.0, noise_floor=2.25)[:1]
        off += [spot.y - y, spot.x - x]
        stated.append(spot.sigma)
    assert 1 / 1.5 < np.std(off) / np.sqrt(np.mean(np.square(stated))) < 1.5
    assert abs(np.mean(off)) < 0.02


def test_spots_are_only_looked_for_where_beads_are_named():
    frame = np.zeros((64, 64), np.float32)
    frame[30:33, 30:33] = 500
    assert spots_of_plane(frame, None, settings=SETTINGS) == ()
    assert len(spots_of_plane(frame, None, settings=SteadySettings(reference="gel beads"))) <= 1
    assert find_spots(np.zeros((10, 10), np.float32)) == ()


def test_stretches_that_nothing_ties_are_told():
    places = np.random.default_rng(8).normal(0, 1, (60, 2))
    pairs = [p for p in chain(places) if (p.first, p.second) != (29, 30)]
    found = solve(pairs, 60, settings=SETTINGS)
    assert found.measured.all()
    assert found.why == "how the 2 stretches of planes stand to one another is not known"


@pytest.mark.parametrize(("rival", "tiles"), [(0.7, 40.0), (0.1, 2.0)])
def test_a_jump_unlike_all_others_counts_only_if_it_rests_on_much(rival, tiles):
    """Plane 30 seems to stand 15 px off: a bead was taken for another, or the stage was knocked."""
    places = np.random.default_rng(9).normal(0, 0.5, (60, 2))
    knocked = places.copy()
    knocked[30:] += 15.0
    sure = chain(knocked)
    assert abs(solve(sure, 60, settings=SETTINGS).shift_y[30]) > 5
    unsure = [replace(p, rival=rival, tiles=tiles) if p.second == 30 else p for p in sure]
    assert np.abs(solve(unsure, 60, settings=SETTINGS).shift_y).max() < 3
