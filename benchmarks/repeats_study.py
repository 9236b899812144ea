"""How well repeats hold the slow part of a stack, against the drift that was put in.

    python benchmarks/repeats_study.py --draws 200 --seeds 3

First the solver alone, on analytic drifts with jitter of 1 px rms in frames and repeats: what is
left in total, and what the result says is left. Then simulated sessions, photographed, built and
held against their truth. A px is one of the green lattice.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from planewright.jobs.build import build_pass
from planewright.phantom.faults import Faults
from planewright.phantom.instrument import small_instrument
from planewright.phantom.parts import Nucleus, Scene
from planewright.phantom.shoot import session_text, simulate
from planewright.volume.repeats import Repeat, with_repeats
from planewright.volume.steady import Steadying, slow_basis

Floats = NDArray[np.float64]


def drawn(drift: Floats, places: list[int], seed: int) -> tuple[Floats, Steadying]:
    """Return true displacements, and the steadying that repeats at some planes give."""
    rng = np.random.default_rng(seed)
    n = len(drift)
    true = drift + rng.normal(0, 1, (n, 2))
    slow = slow_basis(np.arange(n, dtype=float), cutoff_frames=40.0)
    shift = -(true - slow @ (slow.T @ true))
    known = np.full(n, 0.01)
    fast = Steadying(*shift.T, known, known, np.ones(n, bool), 40.0, "", "", 1.0)
    repeats = [
        Repeat(k, True, *(true[k] - drift[-1] + rng.normal(0, 1, 2)).tolist(), 0.02, 0.02)
        for k in places
    ]
    return true, with_repeats(fast, repeats)


def rms(values: object) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def left_over(true: Floats, found: Steadying) -> Floats:
    """Return what is left, the mean taken off."""
    left = true + np.stack([found.shift_y, found.shift_x], axis=1)
    return np.asarray(left - left.mean(axis=0))


def solver(draws: int) -> None:
    """Print what is left of analytic drifts."""
    n = 90
    t = (np.arange(n)[:, None] + 0.5) / n * np.ones(2)
    for name, drift in (
        ("line of 5 px", 5 * t),
        ("half a cosine of 5 px", 2.5 * (1 - np.cos(np.pi * t))),
        ("one and a half cosines of 6 px", 3 * np.cos(3 * np.pi * t)),
    ):
        for count in (4, 8, 16, 30):
            places = np.linspace(2, n - 3, count).round().astype(int).tolist()
            left, told = [], []
            for seed in range(draws):
                true, found = drawn(drift, places, seed)
                left.append(left_over(true, found))
                told.append([found.sigma_y, found.sigma_x])
            before = rms(drift - drift.mean(axis=0))
            print(
                f"{name:32s} {count:3d} repeats: {before:.2f} px of drift, "
                f"left {rms(left):.2f} px rms, told {rms(told):.2f}"
            )


def cells(seed: int) -> Scene:
    """Return cells all over a small field."""
    rng = np.random.default_rng(seed)
    made = []
    for place in rng.uniform(-1, 1, (300, 3)) * (36.0, 31.0, 20.0):
        size = float(rng.uniform(1.0, 2.5))
        made.append(Nucleus(tuple(float(v) for v in place), (size, size, size), brightness=0.7))
    return Scene("cells", nuclei=tuple(made), gel=0.02)


def sessions(seeds: int) -> None:
    """Print what is left in built sessions."""
    instrument = small_instrument(rows=192, columns=224, frames=40, step_um=0.6, margin_px=32)
    for jitter in (0.3, 0.1):
        before, left, told = [], [], []
        for seed in range(seeds):
            repeats = tuple(range(1, 40, 6))
            faults = Faults(jitter_rms_px=2 * jitter, drift_px=(8.0, 11.0))
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                options = {"darks": 2, "flats": 2, "repeats": repeats}
                truth = simulate(folder, cells(seed), instrument, faults, seed=seed, **options)
                text = session_text(instrument, repeats=repeats)
                (folder / "session.toml").write_text(text, encoding="utf-8")
                build_pass(folder)
                steps = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
            found = steps["products"]["passes/a/volume.ome.zarr"]["steps"]
            results = next(s["results"] for s in found if s["step"] == "steady")
            true = np.array([shot.shift_px for shot in truth.stack]) / 2
            after = true + np.stack([results["shift_y_px"], results["shift_x_px"]], axis=1)
            before.append(true - true.mean(axis=0))
            left.append(after - after.mean(axis=0))
            told.append([results["sigma_y"], results["sigma_x"]])
        print(
            f"built sessions, 40 planes, 7 repeats, jitter {jitter} px: "
            f"{rms(before):.2f} px in total, left {rms(left):.3f} px rms, told {rms(told):.3f}"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seeds", type=int, default=3)
    asked = parser.parse_args()
    solver(asked.draws)
    sessions(asked.seeds)
