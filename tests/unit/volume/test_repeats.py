"""The slow part of a stack's shifts from planes photographed twice, against analytic drifts.

What neighbours tell is made by definition here: everything but the projection on a constant, a
line and the cosines of periods above the cut-off. Jitter is Gaussian, so what is left of a line
fitted to r repeats at ends and between has a variance known from the textbook (least squares).
"""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
import pytest

from planewright.volume.repeats import (
    REPEATS,
    Repeat,
    _basis,
    measure_repeat,
    slow_from_repeats,
    with_repeats,
)
from planewright.volume.steady import Steadying, SteadySettings, slow_basis, view_of_plane

CUTOFF = 40.0
AXES = np.array([1.0, -0.7])  # the drift goes down and left


def line(n):
    return 0.06 * np.arange(n)[:, None] * AXES


def bend(n):
    """Return the longest cosine over the stack: at rest at both ends."""
    return 2.5 * (1 - np.cos(np.pi * (np.arange(n) + 0.5) / n))[:, None] * AXES


def wave(n):
    return 3.0 * np.cos(3 * np.pi * (np.arange(n) + 0.5) / n)[:, None] * AXES


def taken(drift, places, *, jitter=1.0, seed=0, bad=()):
    """Return true displacements, what neighbours take off, and what repeats show."""
    rng = np.random.default_rng(seed)
    n = len(drift)
    true = drift + rng.normal(0, jitter, (n, 2))
    slow = slow_basis(np.arange(n, dtype=float), cutoff_frames=CUTOFF)
    shift = -(true - slow @ (slow.T @ true))
    known = np.full(n, 0.01)
    fast = Steadying(
        shift[:, 0], shift[:, 1], known, known, np.ones(n, bool), CUTOFF, "", "not determined", 1.0
    )
    repeats = []
    for index, place in enumerate(places):
        own = drift[-1] + rng.normal(0, jitter, 2)
        dy, dx = true[place] - own + rng.normal(0, 0.02, 2)
        if index in bad:
            dy, dx = dy + 9.0, dx - 14.0
        repeats.append(Repeat(place, True, float(dy), float(dx), 0.02, 0.02))
    return true, fast, repeats


def left_over(true, found):
    left = true + np.stack([found.shift_y, found.shift_x], axis=1)
    return left - left.mean(axis=0)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize("n", [12, 26, 90, 300])
def test_the_slow_functions_are_those_that_steadying_leaves(n):
    where = np.arange(n)
    mine = _basis(n, where, CUTOFF)
    theirs = slow_basis(where.astype(float), cutoff_frames=CUTOFF)
    np.testing.assert_allclose(mine @ mine.T, theirs @ theirs.T, atol=1e-6)
    np.testing.assert_allclose(np.abs(mine[:, 0]), n**-0.5)  # the constant comes first


@pytest.mark.parametrize("drift", [line, bend, wave])
@pytest.mark.parametrize("places", [range(4, 90, 9), [0, 11, 22, 33, 44, 55, 66, 77, 89, 89]])
def test_without_jitter_a_slow_drift_is_taken_off_in_full(drift, places):
    true, fast, repeats = taken(drift(90), list(places), jitter=1e-3)
    found = with_repeats(fast, repeats)
    assert found.reference == REPEATS
    assert rms(left_over(true, fast)) > 1.0
    # the repeats' noise of 0.02 px, at worst carried on to the ends
    assert rms(left_over(true, found)) < 0.03
    assert found.jitter_px == pytest.approx(rms(np.stack([found.shift_y, found.shift_x])), rel=1e-9)


@pytest.mark.parametrize(
    ("drift", "n", "places"),
    [
        (line, 90, (0, 29, 59, 89)),
        (line, 90, (0, 45, 89)),
        (line, 300, tuple(range(0, 300, 12))),
        (bend, 90, (0, 16, 34, 53, 70, 89)),
        (bend, 40, tuple(range(2, 40, 6))),
        (wave, 90, tuple(range(4, 90, 6))),
    ],
)
def test_the_uncertainty_told_is_what_is_left_over_300_draws(drift, n, places):
    left, told = [], []
    for seed in range(300):
        true, fast, repeats = taken(drift(n), places, seed=seed)
        found = with_repeats(fast, repeats)
        assert found.reference == REPEATS
        left.append(left_over(true, found))
        told.append(np.stack([found.sigma_y, found.sigma_x], axis=1))
    assert 1 / 1.5 < rms(left) / rms(told) < 1.5
    for part in np.array_split(np.arange(n), 3):  # both ends and the middle
        a, b = (np.array(values)[:, part] for values in (left, told))
        assert 1 / 1.5 < rms(a) / rms(b) < 1.5


def test_a_line_through_four_repeats_is_as_good_as_least_squares_allows():
    # Variance of a fitted slope: sigma² / sum((t - mean)²), Gauss; the line's rms over the stack
    # follows. The jitter's own slow part, 4 of 90 functions beside constant and line, stays.
    n, places = 90, np.array([0, 29, 59, 89])
    k = np.arange(n) - (n - 1) / 2
    slope2 = 1.0 / np.sum((places - places.mean()) ** 2)
    best = math.sqrt(slope2 * np.mean(k**2) + 4 / 90)
    left = []
    for seed in range(300):
        true, fast, repeats = taken(line(n), places, seed=seed)
        left.append(left_over(true, with_repeats(fast, repeats)))
    assert rms(left) == pytest.approx(best, rel=0.1)


@pytest.mark.parametrize(
    ("drift", "n", "places"),
    [
        (line, 90, (0, 29, 59, 89)),
        (bend, 90, (0, 16, 34, 53, 70, 89)),
        (line, 300, tuple(range(0, 300, 12))),
    ],
)
@pytest.mark.parametrize("which", [0, 1, -1])
def test_one_bad_repeat_is_named_and_left_out(drift, n, places, which):
    index = which % len(places)
    good, spoiled, named = [], [], 0
    for seed in range(40):
        true, fast, repeats = taken(drift(n), places, seed=seed)
        good.append(left_over(true, with_repeats(fast, repeats)))
        true, fast, repeats = taken(drift(n), places, seed=seed, bad=(index,))
        found = with_repeats(fast, repeats)
        spoiled.append(left_over(true, found))
        named += f"the repeat of plane {places[index] + 1} contradicts the others" in found.why
    assert named >= 34  # at an end a bend explains one bad repeat nearly as well
    # Least squares would be pulled by many times that; one repeat less costs some.
    assert rms(spoiled) < 3.0 * rms(good)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: r[:2], "2 of 2 repeats can be used, 3 are needed"),
        (
            lambda r: [*r[:2], Repeat.unusable(59, "the repeat cannot be read")],
            "2 of 3 repeats can be used, 3 are needed: plane 60: the repeat cannot be read",
        ),
        (
            lambda r: [*r[:2], Repeat(99, True, 0.0, 0.0, 0.02, 0.02)],
            "plane 100: the stack has 90 planes",
        ),
        (
            lambda r: [Repeat(29, True, 0.1 * k, 0.0, 0.02, 0.02) for k in range(5)],
            "all repeats show plane 30",
        ),
        (
            lambda r: [Repeat(29 + k, True, 0.0, 0.0, 0.02, 0.02) for k in range(5)],
            "the repeats, planes 30 to 34, lie too near each other for the rest",
        ),
        (
            lambda r: [r[0], r[1], Repeat(89, True, 40.0, 0.0, 0.02, 0.02)],
            "the repeats contradict each other by",
        ),
    ],
    ids=["few", "unreadable", "beyond", "one plane", "near", "contradict"],
)
def test_what_cannot_be_used_is_not_used_and_said(change, words):
    _, fast, repeats = taken(line(90), (0, 29, 59, 89))
    found = with_repeats(fast, change(repeats))
    assert found.reference == ""
    assert found.why.startswith("repeat frames are not used: ")
    assert words in found.why
    assert found.undetermined == fast.undetermined
    np.testing.assert_array_equal(found.shift_y, fast.shift_y)
    np.testing.assert_array_equal(found.shift_x, fast.shift_x)


def test_what_so_few_repeats_leave_open_is_said():
    _, fast, repeats = taken(line(90), (0, 29, 59, 89), seed=4)
    few = with_repeats(fast, repeats).undetermined
    assert "A bend of the drift, with periods longer than 40 frames, is not determined" in few
    assert "by 4 repeats" in few
    _, fast, repeats = taken(bend(90), (8, 18, 34, 53, 66, 70), seed=4)
    some = with_repeats(fast, repeats).undetermined
    assert "periods from 40 to 180 frames" in some
    assert "The drift outside planes 9 to 71 is drawn on from within." in some
    _, fast, repeats = taken(bend(40), range(0, 40, 4), seed=4)
    enough = with_repeats(fast, repeats).undetermined
    assert enough.startswith("The slow part is known to 0.")
    assert "not determined" not in enough


def test_a_bend_that_four_repeats_cannot_follow_widens_what_is_told():
    straight, bent = [], []
    for seed in range(40):
        _, fast, repeats = taken(line(90), (0, 29, 59, 89), jitter=0.2, seed=seed)
        straight.append(with_repeats(fast, repeats).sigma_y)
        _, fast, repeats = taken(wave(90), (0, 29, 59, 89), jitter=0.2, seed=seed)
        found = with_repeats(fast, repeats)
        assert "the drift bends more than" in found.why
        if found.reference:
            bent.append(found.sigma_y)
    assert not bent or rms(bent) > 3 * rms(straight)


def test_a_plane_without_a_shift_of_its_own_drifts_along():
    true, fast, repeats = taken(line(90), (0, 20, 40, 60, 89), jitter=1e-3)
    measured = fast.measured.copy()
    measured[[30, 31]] = False
    sigma = np.where(measured, fast.sigma_y, np.inf)
    holes = Steadying(
        np.where(measured, fast.shift_y, 0.0),
        np.where(measured, fast.shift_x, 0.0),
        sigma,
        sigma,
        measured,
        CUTOFF,
        "",
        "",
        1.0,
        "2 of 90 planes could not be compared",
    )
    found = with_repeats(holes, [*repeats, Repeat(30, True, 50.0, 0.0, 0.02, 0.02)])
    assert np.abs(left_over(true, found)).max() < 0.1
    assert np.isinf(found.sigma_y[[30, 31]]).all()
    assert "2 of 90 planes could not be compared" in found.why
    assert "plane 31: its frame could not be steadied" in found.why


def test_nothing_given_is_written_to():
    _, fast, repeats = taken(bend(90), (0, 16, 34, 53, 70, 89))
    arrays = (fast.shift_y, fast.shift_x, fast.sigma_y, fast.sigma_x, fast.measured)
    for array in arrays:
        array.flags.writeable = False
    drift = slow_from_repeats(fast, repeats)
    assert drift.ok
    assert drift.used == (0, 16, 34, 53, 70, 89)
    np.testing.assert_allclose(drift.place.mean(axis=0), 0, atol=1e-9)


def test_the_order_in_which_repeats_are_given_changes_nothing():
    _, fast, repeats = taken(bend(90), (0, 16, 34, 34, 70, 89))
    one, two = with_repeats(fast, repeats), with_repeats(fast, repeats[::-1])
    np.testing.assert_array_equal(one.shift_y, two.shift_y)
    assert one.why == two.why


@pytest.mark.parametrize("one", [Repeat(3, True, 1.5, -2.0, 0.1, 0.2), Repeat.unusable(7, "lost")])
def test_a_repeat_survives_a_file(one):
    assert Repeat.from_dict(json.loads(json.dumps(one.to_dict()))) == one


def test_a_frame_below_its_repeat_has_a_positive_displacement():
    rng = np.random.default_rng(8)
    scene = cv2.GaussianBlur(rng.random((200, 240)).astype(np.float32), (0, 0), 2.0)
    scene = 4000 * (scene - scene.min())
    frame, again = scene[10:170, 20:200], scene[16:176, 17:197]  # frame(y, x) = again(y-6, x+3)
    settings = SteadySettings()
    views = [
        view_of_plane(rng.poisson(plane).astype(np.float32), None, settings=settings)
        for plane in (frame, again)
    ]
    found = measure_repeat(views[0], views[1], 5)
    assert found.ok
    assert (found.dy, found.dx) == pytest.approx((6.0, -3.0), abs=0.05)
    blank = view_of_plane(rng.poisson(50, frame.shape).astype(np.float32), None, settings=settings)
    lost = measure_repeat(views[0], blank, 5)
    assert not lost.ok
    assert lost.why
