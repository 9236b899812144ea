"""Wave optics refuses what it cannot sample."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.aberration import balanced_rms, spherical
from planewright.optics.bent_focus import aberrated_focus
from planewright.optics.elements import Gap, Lens, Mirror, Train, Wall
from planewright.optics.wave import Grid, choose_grid, propagate, wave_sheet

TRAIN = Train(488, 1, 1, (Lens(50, acts_on="z"), Gap(50)))


def test_light_is_kept():
    wave = propagate(TRAIN, "z")
    assert wave.passed == pytest.approx(1.0, abs=1e-6)
    x = np.linspace(-60, 60, 2401)
    for beyond in (-200.0, 0.0, 300.0):
        assert wave.profile(x, beyond_um=beyond).sum() * 0.05 == pytest.approx(1.0, abs=1e-4)


def test_a_finer_grid_changes_nothing():
    chosen = choose_grid(TRAIN, "z")
    fine = Grid(2 * chosen.samples + 64, chosen.step_um / 1.7)
    x = np.linspace(0, 20, 41)
    one, two = (propagate(TRAIN, "z", grid=g).profile(x) for g in (chosen, fine))
    assert two == pytest.approx(one, abs=1e-6 * one.max())


@pytest.mark.parametrize("change", [(0.25, 1.0), (1.0, 5.0)])
def test_an_undersampled_grid_is_refused(change):
    chosen = choose_grid(TRAIN, "z")
    grid = Grid(int(chosen.samples * change[0]), chosen.step_um * change[1])
    with pytest.raises(RangeProblem, match="too small for this light") as told:
        propagate(TRAIN, "z", grid=grid)
    assert "at the rim" in told.value.got


def test_places_out_of_reach_are_refused():
    wave = propagate(TRAIN, "z")
    with pytest.raises(RangeProblem, match="not known so far"):
        wave.profile(2 * wave.reach_um)
    with pytest.raises(RangeProblem, match="not known so far"):
        wave.profile(0.0, beyond_um=1e3 * wave.rayleigh_um)


def test_too_steep_and_too_many():
    with pytest.raises(RangeProblem, match="too steep"):
        choose_grid(Train(488, 1, 10, (Lens(20, acts_on="z"), Gap(20))), "z")
    with pytest.raises(RangeProblem, match="too fine a grid"):
        choose_grid(TRAIN, "z", most_samples=1000)


def test_flat_walls_and_mirrors_do_nothing_to_parallel_light():
    train = Train(488, 1, 1, (Mirror(), Wall(2.0), Lens(50, acts_on="z"), Gap(50)))
    assert wave_sheet(train).fwhm_um == pytest.approx(wave_sheet(TRAIN).fwhm_um, rel=1e-4)
    assert spherical(train, "z").waves == pytest.approx(0.0, abs=1e-9)


def test_aberration_of_walls_has_the_other_sign_and_counts_once_focused():
    train = Train(488, 1, 5, (Lens(50, acts_on="z"), Gap(40), Wall(3.0), Gap(8.0)))
    bent = spherical(train, "z")
    assert bent.w040_um < 0
    assert [share.element for share in bent.shares] == [2]
    assert spherical(train, "y").w040_um == 0.0


def test_quick_focus():
    clean = aberrated_focus(0.0)
    assert clean.growth == pytest.approx(1.0)
    assert clean.shift_rayleigh == pytest.approx(0.0, abs=1e-4)
    assert clean.strehl == pytest.approx(1.0)
    ahead, behind = aberrated_focus(0.3), aberrated_focus(-0.3)
    assert ahead.growth == pytest.approx(behind.growth, rel=1e-3)
    assert ahead.shift_rayleigh == pytest.approx(-behind.shift_rayleigh, rel=1e-2)
    assert ahead.shift_rayleigh < 0  # a simple lens focuses its margin short
    with pytest.raises(RangeProblem, match="too much spherical aberration"):
        aberrated_focus(11.0)


def test_balanced_rms_of_known_pupils():
    assert balanced_rms(np.inf) == pytest.approx(np.sqrt(24) / 16, rel=1e-3)
    # a slit far inside the beam is evenly lit: 8/105 of the aberration at its edge
    assert balanced_rms(0.05) / 0.05**4 == pytest.approx(8 / 105, rel=1e-3)
