"""Light in built volumes against the electrons that were put in."""

from __future__ import annotations

import importlib.util
import sys
from functools import partial
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from planewright.base.nouns import Flag, Scan
from planewright.jobs import build, moving
from planewright.phantom.faults import Faults
from planewright.phantom.render import fine_stack
from planewright.phantom.scene import small_urchin_scene
from planewright.volume.even import Evening
from planewright.volume.store import describe, open_mask, open_volume

LINEAR = 0.005  # the promise: 0.5 % of the value from 1 to 90 % of full scale
FLICKER = 0.005
CHANGE = 0.01
MIDDLE = 10


def load(name: str) -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


study = load("light_study")


@pytest.mark.parametrize(
    ("options", "unit", "slope"),
    [
        ({"kind": "dng", "darks": 0}, "count", 4.0),
        ({"kind": "dng", "compressed": False}, "count", 4.0),
        ({"kind": "dng", "flats": 12, "gain_e": 0.25}, "electron", 1.0),
        ({"kind": "tiff"}, "count", 4.0),
        pytest.param({"kind": "tiff", "flats": 12}, "count", 4.0, marks=pytest.mark.prove),
        pytest.param({"kind": "dng", "steady": True}, "count", 4.0, marks=pytest.mark.prove),
    ],
    ids=["lossless", "plain", "flats and gain", "tiff", "tiff and flats", "steadied"],
)
def test_light_is_proportional(tmp_path, options, unit, slope):
    wedge = study.wedge_session(tmp_path / "s", **options)
    assert len(wedge.true_e) >= 12
    assert study.LEVELS[0] <= 0.01
    assert study.LEVELS[-1] >= 0.9
    assert (wedge.sigma / wedge.light).max() < LINEAR / 3
    assert np.abs(wedge.off()).max() <= LINEAR
    assert wedge.unit == unit
    assert wedge.slope() == pytest.approx(slope, rel=0.002)


@pytest.mark.prove
def test_a_sensor_that_bends_is_seen(tmp_path):
    wedge = study.wedge_session(tmp_path / "s", kind="dng", bend=0.02)
    assert np.abs(wedge.off()).max() > LINEAR


def test_a_black_level_two_counts_off_is_seen(tmp_path, monkeypatch):
    meta = study._meta
    off = (510, 512, 511, 509)
    monkeypatch.setattr(study, "_meta", lambda own, k: study.replace(meta(own, k), black=off))
    wedge = study.wedge_session(tmp_path / "s", kind="dng", darks=0)
    assert np.abs(wedge.off()).max() > LINEAR


@pytest.fixture(scope="module")
def gel():
    scene, own = study.gel_scene(2, "gel", frames=24, step_um=1.6)
    return scene, own, fine_stack(scene, own)


@pytest.fixture(scope="module")
def plain():
    """No gel and no leak: nothing to even by, so only the camera's settings are undone."""
    scene = small_urchin_scene(3, gel=0.0)
    own = study.small_camera(filter_leak_e=0.0, rows=256, columns=256, frames=20, step_um=1.8)
    return scene, own, fine_stack(scene, own)


def shoot(folder, parts, faults, *, seed=1, **options):
    scene, own, fine = parts
    return study.specimen_session(folder, scene, own, faults, seed=seed, fine=fine, **options)


@pytest.mark.parametrize(
    "seed", [1, *(pytest.param(k, marks=pytest.mark.prove) for k in range(2, 21))]
)
def test_flicker_is_taken_out_by_the_gel(tmp_path, gel, seed):
    planes = shoot(tmp_path / "s", gel, Faults(flicker_rms=0.02), seed=seed)
    assert planes.even["ok"], planes.even["why"]
    assert np.std(planes.flicker) > 2 * FLICKER
    assert planes.spread() <= FLICKER


@pytest.mark.prove
def test_flicker_that_is_left_is_seen(tmp_path, gel, monkeypatch):
    def nothing(tiles, n, *, settings):
        return Evening(True, np.ones(n), np.zeros(n), "")

    monkeypatch.setattr(moving, "solve_flicker", nothing)
    planes = shoot(tmp_path / "s", gel, Faults(flicker_rms=0.02))
    assert planes.spread() > FLICKER


def test_no_gel_no_correction(tmp_path, plain):
    planes = shoot(tmp_path / "s", plain, Faults(flicker_rms=0.02))
    assert planes.even["factors"] == [1.0] * 20
    assert "no correction: " in planes.even["why"]
    assert "gel" in planes.even["why"] or "specimen's own light" in planes.even["why"]
    # what is left is the flicker itself: nothing was added to it
    assert np.std(planes.ratio / planes.flicker) < 0.003


@pytest.mark.parametrize("seed", [1, *(pytest.param(k, marks=pytest.mark.prove) for k in (0, 2))])
def test_gel_without_room_no_correction(tmp_path, seed):
    scene, own = study.gel_scene(seed, "gel, no room", frames=20, step_um=1.8)
    planes = shoot(tmp_path / "s", (scene, own, fine_stack(scene, own)), Faults())
    assert not planes.even["ok"]
    assert "the specimen's own light reaches all of the photograph" in planes.even["why"]
    assert planes.spread() < 0.003


def test_unknown_black_no_correction(tmp_path):
    scene = small_urchin_scene(3)
    own = study.monochrome_instrument(
        rows=160, columns=160, frames=8, hot_fraction=0.0, dust=0, vignette=0.0
    )
    parts = scene, own, fine_stack(scene, own)
    planes = shoot(tmp_path / "s", parts, Faults(), darks=0, kind="tiff")
    assert planes.even["factors"] == [1.0] * 8
    assert "black is not known" in planes.even["why"]


def step_at_middle(planes):
    return np.nanmean(planes.ratio[MIDDLE:]) / np.nanmean(planes.ratio[:MIDDLE]) - 1


@pytest.mark.parametrize(
    "faults",
    [
        Faults(exposure_change=(MIDDLE, 2.0)),
        pytest.param(Faults(exposure_change=(MIDDLE, 0.5)), marks=pytest.mark.prove),
        Faults(iso_change=(MIDDLE, 3200)),
    ],
    ids=["longer", "shorter", "ISO"],
)
def test_light_before_and_after_a_change(tmp_path, plain, faults):
    planes = shoot(tmp_path / "s", plain, faults)
    assert abs(step_at_middle(planes)) <= CHANGE
    assert planes.spread() <= CHANGE


def test_a_change_that_is_not_undone_is_seen(tmp_path, plain, monkeypatch):
    monkeypatch.setattr(moving, "_exposure", lambda judged, n: np.ones(n))
    planes = shoot(tmp_path / "s", plain, Faults(exposure_change=(MIDDLE, 2.0)))
    assert abs(step_at_middle(planes)) > CHANGE


def test_nominal_exposure_times_are_put_right_by_the_gel(tmp_path, gel, plain):
    """A camera says 1/60 and exposes 1/64. The gel tells; without it the error stays."""
    faults = Faults(exposure_change=(MIDDLE, 2.0))
    planes = shoot(tmp_path / "gel", gel, faults, stated=64 / 60)
    assert planes.even["ok"], planes.even["why"]
    assert abs(step_at_middle(planes)) <= CHANGE
    planes = shoot(tmp_path / "plain", plain, faults, stated=64 / 60)
    assert step_at_middle(planes) == pytest.approx(60 / 64 - 1, abs=CHANGE)


def test_a_doubled_frame_changes_no_light(tmp_path, plain):
    planes = shoot(tmp_path / "s", plain, Faults(doubled=(MIDDLE,)))
    assert len(planes.ratio) == 20
    assert not planes.missing.any()
    assert np.abs(planes.ratio / np.mean(planes.ratio) - 1).max() <= CHANGE


@pytest.mark.parametrize("scan", list(Scan))
def test_a_missing_plane_is_masked_and_darkens_nothing(tmp_path, plain, scan, monkeypatch):
    # levels down to where z is halved, though the volume is small
    monkeypatch.setattr(build, "plan_layout", partial(build.plan_layout, coarsest=20))
    scene, own, fine = plain
    own = own.but(scan=scan)
    gap = 7
    planes = shoot(tmp_path / "s", (scene, own, fine), Faults(missed=(gap,)))
    z = gap if scan is Scan.AWAY else own.frames - 1 - gap
    assert np.flatnonzero(planes.missing).tolist() == [z]
    assert np.nanmax(np.abs(planes.ratio / np.nanmean(planes.ratio) - 1)) <= CHANGE
    path = study.store_of(tmp_path / "s")
    halved = [k for k, level in enumerate(describe(path).levels) if level.factor[0] == 2]
    assert halved
    level = describe(path).levels[halved[0]]
    there = z // 2
    light = np.asarray(open_volume(path, halved[0])[there])
    flags = np.asarray(open_mask(path, halved[0])[there])
    assert ((flags & int(Flag.MISSING)) != 0).all()
    seen = study.put_in(own, fine)[z ^ 1]
    f = level.factor[1]
    coarse = seen.reshape(seen.shape[0] // f, f, seen.shape[1] // f, f).mean((1, 3))
    assert light.mean() / coarse.mean() == pytest.approx(1.0, abs=CHANGE)
