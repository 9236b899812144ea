"""The simulators of the studies, loaded by path: they share no code with the room under test."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def light_simulator() -> ModuleType:
    path = Path(__file__).parents[3] / "benchmarks" / "calibrate_light.py"
    spec = importlib.util.spec_from_file_location("calibrate_light_of_tests", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def ruled_simulator() -> ModuleType:
    path = Path(__file__).parents[3] / "benchmarks" / "calibrate_study.py"
    spec = importlib.util.spec_from_file_location("calibrate_study_of_tests", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
