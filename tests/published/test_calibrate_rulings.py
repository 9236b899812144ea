"""Pixel and travel: over 200 simulated runs, and against general-purpose libraries."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.optimize import curve_fit

from planewright.calibrate.pixel import pixel_size
from planewright.calibrate.travel import travel_from_pairs

RUNS = 200


@pytest.fixture(scope="module")
def study() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "calibrate_study.py"
    spec = importlib.util.spec_from_file_location("calibrate_study_proved", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def hold(rows, *, least=0.90, most=0.99, factor=1.5):
    """Hold every row: within its limit, and its stated uncertainty near the actual scatter."""
    wrong = []
    for name, errors, sigmas, limit, unit in rows:
        error, sigma = np.array(errors), np.array(sigmas)
        inside = np.mean(np.abs(error) <= 2 * sigma)
        ratio = np.median(sigma) / np.sqrt(np.mean(error**2))
        worst = np.abs(error).max()
        if not (worst <= limit and least <= inside <= most and 1 / factor <= ratio <= factor):
            wrong.append(f"{name}: worst {worst:.3g} {unit}, inside {inside:.3f}, {ratio:.2f}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.prove
@pytest.mark.parametrize("what", ["pixel_rows", "pairs_rows", "slide_rows"])
def test_calibrations_over_200_runs(study, what):
    hold(getattr(study, what)(RUNS))


@pytest.mark.prove
def test_the_slide_under_the_sheet_over_200_runs(study):
    hold(study.slide_rows(RUNS, lit=True))


def test_a_few_runs(study):
    """Four to twenty draws: the limits hold; honesty takes more and is left to the long count."""
    hold([*study.pairs_rows(20), *study.pixel_rows(4)], least=0.7, most=1.0, factor=2.5)


def test_the_count_fails_when_a_figure_is_spoiled(study):
    name, errors, sigmas, limit, unit = study.pairs_rows(20)[0]
    with pytest.raises(AssertionError, match="slope: worst"):
        hold([(name, [0.1 + e for e in errors], sigmas, limit, unit)])
    with pytest.raises(AssertionError, match="slope: worst"):
        hold([(name, errors, [s / 3 for s in sigmas], limit, unit)], least=0.0, most=1.0)


def test_pairs_against_curve_fit(study):
    """Other library: scipy.optimize.curve_fit on the same model, no reading in the play."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        commanded, gauge = study.gauge_pairs(
            rng, slope=0.96, backlash_um=60.0, amplitude_um=4.0, turn_um=700.0, tolerance_um=1.0
        )
        found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=0.0, turn_um=700.0)
        kept = np.setdiff1d(np.arange(commanded.size), found.left_out)
        way = np.sign(np.diff(commanded, prepend=-1.0))

        def model(index, offset, slope, play, a, b, commanded=commanded, way=way):
            place, way_there = commanded[index.astype(int)], way[index.astype(int)]
            turn = 2 * np.pi * place / 700.0
            return (
                offset + slope * place - way_there * play / 2 + a * np.cos(turn) + b * np.sin(turn)
            )

        value, covariance = curve_fit(model, kept, gauge[kept], p0=[0, 1, 0, 1, 1])
        sigma = np.sqrt(np.diag(covariance))
        assert abs(found.slope.value - value[1]) < 0.5 * sigma[1]
        assert abs(found.backlash.value - value[2]) < 0.5 * sigma[2]
        assert abs(found.periodic.value - math.hypot(value[3], value[4])) < 0.5 * sigma[3]
        assert found.slope.sigma == pytest.approx(sigma[1], rel=0.15)
        assert found.backlash.sigma == pytest.approx(sigma[2], rel=0.15)


def test_lines_against_curve_fit():
    """Other library: scipy.optimize.curve_fit of a plane wave to every pixel of a cosine."""
    y, x = np.mgrid[:200, :240].astype(float)
    rng = np.random.default_rng(2)
    light = 1000 * (1 + 0.4 * np.cos(2 * np.pi * (0.0661 * x + 0.0043 * y) + 0.5))
    light += rng.normal(0, 40, light.shape)

    def wave(_, level, a, b, fx, fy):
        turn = 2 * np.pi * (fx * x + fy * y)
        return (level + a * np.cos(turn) + b * np.sin(turn)).ravel()

    value, covariance = curve_fit(
        wave, None, light.ravel(), p0=[1000, 300, 200, 0.0660, 0.0042], method="lm"
    )
    found = pixel_size(light.astype(np.float32), pitch_um=10.0, ruling_tolerance=0.0)
    expected = 10.0 * math.hypot(value[3], value[4])
    # The fit of every pixel is the best there is; local windows and a free distortion cost some.
    assert found.x.value == pytest.approx(expected, abs=3 * found.x.sigma)
    assert 10.0 * math.sqrt(covariance[3, 3]) < found.x.sigma < 1e-3 * found.x.value
