"""The caustic says what it cannot tell."""

from __future__ import annotations

import json

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.caustic import fit_caustic, knife_edge_factor

GLASS = {"wavelength_nm": 488.0, "index": 1.337}


def widths(reach, *, quality=1.1, rayleigh=100.0, noise=0.0, at=0.0, count=60, seed=1):
    waist = np.sqrt(quality * 0.488 / 1.337 * rayleigh / np.pi)
    x = np.linspace(-reach, reach, count) * rayleigh
    radius = waist * np.hypot(1, x / rayleigh - at)
    return x, radius * (1 + noise * np.random.default_rng(seed).normal(size=count))


def test_too_short_a_field_leaves_the_beam_quality_undetermined():
    short = fit_caustic(*widths(1.5, noise=0.01), **GLASS)
    assert short.ok
    assert short.verdict == "undetermined"
    assert short.beam_quality.value is None
    assert "3.0 Rayleigh ranges" in short.beam_quality.why or "2.9" in short.beam_quality.why
    long = fit_caustic(*widths(2.5, noise=0.01), **GLASS)
    assert long.verdict == "measured"
    assert abs(long.beam_quality.value - 1.1) < 3 * long.beam_quality.sigma


def test_impossible_only_beyond_two_sigma():
    sure = fit_caustic(*widths(2.5, quality=0.8, noise=0.01), **GLASS)
    assert sure.verdict == "impossible"
    assert sure.beam_quality.value is None
    assert "no beam is better than 1" in sure.beam_quality.why
    doubtful = fit_caustic(
        *widths(2.5, quality=0.95, noise=0.01), **GLASS, across_relative_sigma=0.03
    )
    assert doubtful.verdict == "measured"
    assert doubtful.beam_quality.value < 1


def test_amplification_grows_as_the_field_shrinks_and_is_refused_above_ten():
    known = [fit_caustic(*widths(reach, noise=1e-4), **GLASS) for reach in (3.0, 1.5, 1.0, 0.6)]
    amplification = [found.amplification for found in known]
    assert amplification == sorted(amplification)
    assert known[0].rayleigh.ok
    assert amplification[-1] > 10
    assert known[-1].rayleigh.value is None
    assert "counts" in known[-1].rayleigh.why
    assert known[-1].waist_radius.ok


def test_amplification_is_what_it_says():
    """Scatter of z_R over many draws, over the relative error of the mean width."""
    spread = []
    for seed in range(200):
        found = fit_caustic(*widths(1.5, noise=0.01, seed=seed), **GLASS)
        spread.append(found.rayleigh.value / 100 - 1)
    assert np.std(spread) / (0.01 / np.sqrt(60)) == pytest.approx(found.amplification, rel=0.2)


@pytest.mark.parametrize(
    ("made", "why"),
    [
        (widths(2.5, count=9), "only 9 widths"),
        ((np.zeros(20), np.ones(20)), "one place"),
        ((np.linspace(0, 1, 20), np.full(20, 3.0)), "does not widen"),
        (widths(1.0, at=2.5), "behind the field"),
        (widths(1.0, at=-2.5), "before the field"),
    ],
)
def test_no_waist_is_made_up(made, why):
    found = fit_caustic(*made, **GLASS)
    assert not found.ok
    assert found.position.value is None
    assert found.waist_radius.value is None
    assert why in found.why
    json.dumps(found.to_dict(), allow_nan=False)


def test_outliers_do_not_count():
    x, radius = widths(2.5, noise=0.005)
    radius[::9] *= 1.6
    found = fit_caustic(x, radius, **GLASS)
    assert found.rayleigh.value == pytest.approx(100, rel=0.02)


def test_knife_edge_levels_must_grow():
    with pytest.raises(RangeProblem, match="sensible"):
        knife_edge_factor(0.9, 0.1)
