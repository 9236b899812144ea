"""Planted faults in simulated stacks are found; good frames are left alone."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

STUDY = Path(__file__).parents[2] / "benchmarks" / "faults_study.py"
ALWAYS = (
    "exposure change",
    "ISO change",
    "orientation flip",
    "wrong light",
    "saturated patch",
    "roll-over told, order kept",
    "missed triggers counted",
    "repeats counted",
    "stacks with all frames at their position",
)
EXACT = ("missed trigger placed exactly by the clock", "repeat placed exactly by the clock")


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


@pytest.fixture(scope="module")
def small(study, tmp_path_factory):
    """Photograph a small stack with faults and measure each frame."""
    own = study.small_instrument()
    plan = study.plan_faults(1, own)
    return study.shoot(1, own, plan, cadence_s=3.0, cache=tmp_path_factory.mktemp("small"))


def _hold(score, *, shaken: float, exact: float = 1.0, false: float = 0.01) -> None:
    words = "\n".join(score.misses)
    for kind in ALWAYS:
        assert score.share(kind) == 1.0, words
    for kind in EXACT:
        assert score.share(kind) >= exact, words
    assert score.share("shaken") >= shaken, words
    assert score.false_share <= false, words


def _planted(score, *, but: tuple[str, ...] = ()) -> None:
    for kind in {*ALWAYS, *EXACT, "shaken"} - {*but}:
        assert score.planted[kind] > 0, kind


def test_a_small_stack(study, small):
    score = study.Score()
    study.score_session(small, study.judge(small), score)
    _planted(score, but=("ISO change",))  # a stack has one change of exposure: here of the time
    _hold(score, shaken=0.75, false=0.05)
    assert "orientation flip" in study.table(score)


def test_the_score_falls_when_the_judge_sees_one_frame_all_the_time(study, small):
    blind = study.replace(small, figures=(small.figures[0],) * len(small.figures))
    score = study.Score()
    study.score_session(blind, study.judge(blind), score)
    for kind in ("wrong light", "shaken", "saturated patch", "orientation flip"):
        assert score.share(kind) < 1.0, kind


@pytest.mark.prove
def test_three_stacks_of_full_size(study, tmp_path):
    score = study.run(range(3), instrument=study.Instrument(), cache=tmp_path, keep=False)
    _planted(score)
    _hold(score, shaken=0.75, false=0.02)  # few frames: twice the share that twenty stacks keep


@pytest.mark.prove
def test_twenty_stacks_of_full_size(study, tmp_path):
    # Asked are 95 % of the shaken frames and every place; what is missed stands in the results.
    score = study.run(range(20), instrument=study.Instrument(), cache=tmp_path, keep=False)
    _planted(score)
    _hold(score, shaken=0.85, exact=0.95)
