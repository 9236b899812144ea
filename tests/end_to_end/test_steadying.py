"""Jittered simulated stacks are steadied; the shifts that were put in are known.

The study that prints the figures is ``benchmarks/steadying_study.py``; the marked tests hold its
figures over 20 seeds, the others a small part of them.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from planewright.phantom.instrument import Instrument, small_instrument
from planewright.phantom.scene import (
    beads_scene,
    fibre_scene,
    small_urchin_scene,
    tissue_scene,
    urchin_scene,
    with_walls,
)

PATH = Path(__file__).parents[2] / "benchmarks" / "steadying_study.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("steadying_study", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["steadying_study"] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    yield module
    del sys.modules["steadying_study"]


def walk_px(scene_walk_um, instrument):
    return np.array(scene_walk_um) * instrument.step_um / (2 * instrument.pixel_um)


def slant_kept(study, scene, per_um, seed, planes):
    instrument = small_instrument(margin_px=32)
    stack = study.shoot(scene, instrument, peak_e=100, seed=seed, cache=None)
    found, _ = study.steady(stack)
    assert found.measured[planes].all()
    return study.kept_slant(stack, found, walk_px(per_um, instrument), planes)


def fibre_kept(study, seed):
    scene = fibre_scene(seed)
    start, end = np.array(scene.rods[0].start_um), np.array(scene.rods[0].end_um)
    x, y, z = end - start
    return slant_kept(study, scene, (y / z, x / z), seed, slice(3, 37))


def tissue_kept(study, seed):
    scene = tissue_scene(seed)
    return slant_kept(study, scene, (0.0, scene.walk_um_per_um), seed, slice(0, 40))


def wall_left(study, seed):
    scene = with_walls(small_urchin_scene(seed), x_um=50.0, y_um=-50.0)
    instrument = small_instrument(margin_px=32, rows=448, columns=448)
    stack = study.shoot(scene, instrument, peak_e=100, seed=seed, cache=None)
    found, _ = study.steady(stack, reference="wall", region=study.WALL_REGION)
    assert found.reference == "wall"
    assert found.undetermined == ""
    return study.centred(study.residual(stack, found))


def bead_left(study, seed):
    """Return the residual, None where the result says that its stretches are not tied."""
    scene = beads_scene(seed, beads=90, box_um=(84.0, 84.0, 44.0))
    instrument = small_instrument(margin_px=32, frames=36)
    stack = study.shoot(scene, instrument, peak_e=100, seed=seed, cache=None)
    found, _ = study.steady(stack, reference="gel beads")
    assert found.reference == "gel beads"
    assert found.measured.sum() >= 34
    if "stretches" in found.why:
        return None
    return study.centred(study.residual(stack, found)[found.measured])


def test_a_slanted_fibre_keeps_its_slant(study):
    kept = [fibre_kept(study, seed) for seed in range(3)]
    assert min(kept) >= 0.98
    assert max(kept) <= 1.02


def test_a_slanted_tissue_keeps_its_slant(study):
    kept = [tissue_kept(study, seed) for seed in range(3)]
    assert min(kept) >= 0.98
    assert max(kept) <= 1.02


def test_a_wall_fixes_all_of_the_shift(study):
    assert study.rms([wall_left(study, seed) for seed in range(2)]) <= 0.10


def test_gel_beads_fix_all_of_the_shift(study):
    assert study.rms([bead_left(study, seed) for seed in range(2)]) <= 0.10


def test_a_small_embryo_is_steadied(study):
    """60 µm across: a quarter of the cells that the figure is for, so three times the figure."""
    scene, instrument = small_urchin_scene(1), small_instrument(margin_px=32)
    stack = study.shoot(scene, instrument, peak_e=100, seed=1, cache=None)
    found, _ = study.steady(stack)
    use = study.counted(found, 0.10)
    assert use.stop - use.start >= 30
    assert study.rms([study.fast_residual(stack, found, 0.10)]) <= 0.30
    assert study.rms([study.above_cutoff(stack.jitter[use])]) >= 1.5


@pytest.mark.parametrize("seed", [1, 5, 6])
def test_a_few_beads_are_not_taken_for_one_another(study, seed, monkeypatch):
    """Beads come and go in a gel that stands still; nothing else is seen."""
    monkeypatch.setattr(study, "JITTER_PX", 0.0)
    scene = beads_scene(seed, beads=20, box_um=(58.0, 58.0, 24.0))
    instrument = small_instrument(margin_px=24, rows=176, columns=208, frames=30, pixel_um=0.4)
    stack = study.shoot(scene, instrument, peak_e=400, seed=seed, cache=None)
    found, _ = study.steady(stack)
    assert found.measured.sum() >= 18
    assert study.rms([study.residual(stack, found)]) <= 0.15


@pytest.mark.prove
def test_twenty_slants(study):
    kept = [tell(study, seed) for seed in range(20) for tell in (fibre_kept, tissue_kept)]
    assert min(kept) >= 0.98
    assert max(kept) <= 1.02


@pytest.mark.prove
@pytest.mark.parametrize("left", [wall_left, bead_left])
def test_twenty_fixed_references(study, left):
    rest = [left(study, seed) for seed in range(20)]
    tied = [one for one in rest if one is not None]
    assert len(tied) >= 19  # a stack may hold a plane without a bead, and the result says so
    assert study.rms(tied) <= 0.10


@pytest.mark.prove
def test_twenty_embryos(study, tmp_path):
    fast = {100: [], 20: []}
    for seed in range(20):
        for peak_e, most_px in ((100, 0.10), (20, 0.15)):
            stack = study.shoot(
                urchin_scene(seed), Instrument(), peak_e=peak_e, seed=seed, cache=tmp_path
            )
            found, _ = study.steady(stack)
            use = study.counted(found, most_px)
            assert use.stop - use.start >= 80
            fast[peak_e].append(study.fast_residual(stack, found, most_px))
        for kept in tmp_path.iterdir():
            kept.unlink()
    assert study.rms(fast[100]) <= 0.10
    assert study.rms(fast[20]) <= 0.15
