"""The store written by a process that is killed: no torn block, and going on ends the same."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
import time

import numpy as np
import pytest

from planewright.base import files
from planewright.base.problems import Problem, SpaceProblem
from planewright.volume.store import (
    NumberFormat,
    create,
    make_level_shard,
    missing_shards,
    plan_layout,
    read_window,
    shard_done,
    sweep_partials,
    write_shard,
)
from planewright.volume.store_write import shard_path

SHAPE = (16, 96, 96)


def plan():
    return plan_layout(
        SHAPE,
        voxel_um=(2.5, 0.8, 0.8),
        number=NumberFormat("uint16", 100, 1.0, "count"),
        shard=(8, 32, 32),
        chunk=(4, 16, 16),
        coarsest=24,
    )


def go_on(path, layout):
    """Write what is missing, as a build does."""
    light = np.random.default_rng(1).integers(0, 4096, SHAPE).astype(np.uint16)
    mask = np.where(light > 4000, 2, 0).astype(np.uint8)
    create(path, layout)
    for level, index in missing_shards(path, layout):
        if level:
            make_level_shard(path, layout, index, level=level)
        else:
            window = layout.window(index)
            write_shard(path, layout, index, light[window], mask[window])


def contents(path):
    return {f.relative_to(path): f.read_bytes() for f in path.rglob("*") if f.is_file()}


@pytest.mark.skipif(os.name == "nt", reason="kills by SIGKILL; not tried on Windows")
def test_killed_at_random_moments_and_run_again_it_ends_the_same(tmp_path):
    layout = plan()
    go_on(tmp_path / "whole", layout)
    want = contents(tmp_path / "whole")
    path = tmp_path / "killed"
    code = (
        "import importlib.util, sys, pathlib\n"
        f"spec = importlib.util.spec_from_file_location('child', {__file__!r})\n"
        "child = importlib.util.module_from_spec(spec); spec.loader.exec_module(child)\n"
        "print('ready', flush=True)\n"
        "child.go_on(pathlib.Path(sys.argv[1]), child.plan())\n"
    )
    pick = random.Random(7)
    cut_short = 0
    for _ in range(5):
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(pick.uniform(0.0, 0.06))
        child.kill()
        child.stdout.close()
        child.wait()
        left = missing_shards(path, layout)
        cut_short += bool(left)
        for level in range(len(layout.levels)):
            for index in layout.indices(level):
                if shard_done(path, layout, index, level=level):
                    window = layout.window(index, level)
                    for mask in (False, True):
                        file = shard_path(path, layout, index, level=level, mask=mask)
                        assert file.read_bytes() == want[file.relative_to(path)]
                        read_window(path, layout, window, level=level, mask=mask)
    assert cut_short >= 2  # else this test shows nothing
    sweep_partials(path)
    go_on(path, layout)
    assert contents(path) == want


@pytest.mark.parametrize(
    ("number", "kind", "text"),
    [(errno.ENOSPC, SpaceProblem, "disk is full"), (errno.EACCES, Problem, "cannot be written to")],
)
def test_a_full_or_closed_disk_leaves_no_half_block(tmp_path, monkeypatch, number, kind, text):
    layout = plan()
    create(tmp_path, layout)
    real = files.replace

    def fail(source, target):
        if "labels" not in target.parts:
            raise OSError(number, os.strerror(number))
        real(source, target)

    monkeypatch.setattr(files, "replace", fail)
    light, mask = np.zeros((8, 32, 32), np.uint16), np.zeros((8, 32, 32), np.uint8)
    with pytest.raises(kind, match=text):
        write_shard(tmp_path, layout, (0, 0, 0), light, mask)
    assert not shard_done(tmp_path, layout, (0, 0, 0))
    assert sweep_partials(tmp_path) == 0
    monkeypatch.undo()
    write_shard(tmp_path, layout, (0, 0, 0), light, mask)
    assert shard_done(tmp_path, layout, (0, 0, 0))
