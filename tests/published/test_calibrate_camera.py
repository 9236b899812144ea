"""The linear model of EMVA Standard 1288 by its formula, and the slope by another library."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from planewright.calibrate.camera import camera_noise, predicted_variance


# Computed from K² σ_d² + 1/12 + K (μ - μ_dark) with K = 0.25 counts an electron, σ_d = 2 e:
# 0.25 + 0.083333 + 0.25 μ. SNR in electrons at 10, 50, 500 and 10 000 electrons, from the same
# model: n / sqrt(σ_d² + σ_q² / K² + n).
@pytest.mark.parametrize(
    ("light", "variance", "snr"),
    [(2.5, 0.958333, 2.554), (12.5, 3.458333, 6.722), (125, 31.583333, 22.242),
     (2500, 625.333333, 99.973)],
)  # fmt: skip
def test_linear_model(light, variance, snr):
    got = predicted_variance(light, gain_counts_per_electron=0.25, read_noise_e=2.0)
    assert got == pytest.approx(variance, abs=1e-6)
    assert light / np.sqrt(got) == pytest.approx(snr, abs=5e-4)


def test_slope_agrees_with_another_library():
    path = Path(__file__).parents[2] / "benchmarks" / "calibrate_light.py"
    spec = importlib.util.spec_from_file_location("calibrate_light_published", path)
    simulator = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = simulator
    spec.loader.exec_module(simulator)
    camera = simulator.TrueCamera(2.0, 4.0)
    darks, flats, _ = simulator.camera_pairs(camera, np.random.default_rng(11))
    found = camera_noise(darks, flats, white=camera.white)
    # scipy.stats.siegelslopes: repeated medians through the curve, unweighted, of scipy.
    slope = scipy.stats.siegelslopes(found.variances, found.means).slope
    assert found.gain.value == pytest.approx(1 / slope, rel=0.03)
