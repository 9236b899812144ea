"""Planted faults in simulated stacks are found; good frames are left alone."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from planewright.phantom.instrument import small_instrument

STUDY = Path(__file__).parents[2] / "benchmarks" / "faults_study.py"
ALWAYS = (
    "exposure change",
    "ISO change",
    "orientation flip",
    "wrong light",
    "saturated patch",
    "missed triggers counted",
    "missed trigger within its interval",
    "repeats counted",
    "all frames at their position",
)


@pytest.fixture(scope="module")
def study() -> ModuleType:
    """Load the study as a module."""
    spec = importlib.util.spec_from_file_location("faults_study", STUDY)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["faults_study"] = module
    spec.loader.exec_module(module)
    return module


def _hold(score, *, shaken: float) -> None:
    words = "\n".join(score.misses)
    for kind in ALWAYS:
        assert score.planted[kind] > 0, kind
        assert score.share(kind) == 1.0, words
    assert score.share("shaken") >= shaken, words
    assert score.false_share <= 0.01, words


@pytest.mark.slow
def test_three_small_stacks(study, tmp_path):
    score = study.run(range(3), instrument=small_instrument(), cache=tmp_path)
    _hold(score, shaken=0.75)  # few pixels: a swing below 0.9 of the width may escape
    assert score.share("missed trigger placed exactly (by the clock)") == 1.0
    assert "exposure change" in study.table(score)


@pytest.mark.prove
def test_twenty_small_stacks(study, tmp_path):
    score = study.run(range(20), instrument=small_instrument(), cache=tmp_path)
    _hold(score, shaken=0.85)


@pytest.mark.prove
def test_twenty_stacks_of_full_size(study, tmp_path):
    score = study.run(range(20), instrument=study.Instrument(), cache=tmp_path, keep=False)
    _hold(score, shaken=0.95)
