"""Camera, sheet and sharpness map over 200 simulated runs each: true, and honest about it."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

RUNS = 200


@pytest.fixture(scope="module")
def study() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "calibrate_light.py"
    spec = importlib.util.spec_from_file_location("calibrate_light_proved", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def hold(study, rows, *, least=0.90, most=0.99, answered=1.0):
    """Hold every row: within its limit, and its stated uncertainty near the actual scatter."""
    wrong = []
    for row in rows:
        _, errors, sigmas, limit, _ = row
        error, sigma = np.array(errors), np.array(sigmas)
        good = np.isfinite(error)
        inside = np.mean(np.abs(error[good]) <= 2 * sigma[good])
        ratio = np.median(sigma[good]) / np.sqrt(np.mean(error[good] ** 2))
        true = np.mean(good) >= answered and np.abs(error[good]).max() <= limit
        if not (true and least <= inside <= most and 1 / 1.5 <= ratio <= 1.5):
            wrong.append(study.told(row))
    assert not wrong, "\n".join(wrong)


@pytest.mark.prove
@pytest.mark.parametrize("what", ["camera_rows", "beads_rows", "dye_rows"])
def test_calibrations_over_200_runs(study, what):
    hold(study, getattr(study, what)(RUNS))


@pytest.mark.prove
def test_sharpness_map_over_200_runs(study):
    hold(study, study.sharp_rows(RUNS), answered=0.97)


def test_a_few_runs_of_the_fast_ones(study):
    """Twelve draws: the limits hold; honesty takes more and is left to the long count."""
    hold(study, study.camera_rows(12), least=0.7, most=1.0)


def test_the_count_fails_when_a_figure_is_spoiled(study):
    name, errors, sigmas, limit, unit = study.camera_rows(12)[0]
    with pytest.raises(AssertionError, match="camera gain"):
        hold(study, [(name, [3.0 + e for e in errors], sigmas, limit, unit)])
    with pytest.raises(AssertionError, match="stated/actual"):
        hold(study, [(name, errors, [s / 4 for s in sigmas], limit, unit)], least=0.7, most=1.0)
