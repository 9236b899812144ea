"""Killed, stopped, run again, with any number of workers: the same volume, the same photographs."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import zarr

from planewright.base.files import hash_file
from planewright.base.problems import StoppedProblem
from planewright.base.progress import Quiet
from planewright.jobs.build import build_pass


def photographs_of(folder: Path) -> dict[str, str]:
    files = sorted(p for name in ("frames", "dark", "flat") for p in (folder / name).iterdir())
    return {p.relative_to(folder).as_posix(): hash_file(p) for p in files}


def digest(folder: Path) -> dict[str, str]:
    """Return hashes of what part 'identical' means: zarr.json, decoded values, decoded mask."""
    store = folder / "passes" / "a" / "volume.ome.zarr"
    out = {p.relative_to(store).as_posix(): hash_file(p) for p in sorted(store.rglob("zarr.json"))}
    for array in [p.parent for p in store.rglob("zarr.json")]:
        if json.loads((array / "zarr.json").read_text())["node_type"] == "array":
            values = np.asarray(zarr.open_array(array, mode="r")[:])
            name = array.relative_to(store).as_posix() + " values"
            out[name] = hashlib.sha256(values.tobytes()).hexdigest()
    return out


@pytest.fixture(scope="module")
def reference(shot_session, tmp_path_factory):
    import shutil

    folder = tmp_path_factory.mktemp("reference") / "urchin"
    shutil.copytree(shot_session, folder)
    build_pass(folder, workers=1)
    return digest(folder)


def test_the_reference_holds_something(reference):
    assert len([name for name in reference if name.endswith("values")]) >= 2


@pytest.mark.parametrize(
    ("workers", "megabytes"), [(1, 500), (2, 4000), (5, 700)], ids=["one", "two", "five"]
)
def test_workers_and_budget_change_nothing(a_session, reference, workers, megabytes):
    folder = a_session()
    before = photographs_of(folder)
    build_pass(folder, workers=workers, memory_bytes=megabytes * 1_000_000)
    assert digest(folder) == reference
    assert photographs_of(folder) == before
    assert not (folder / ".planewright" / "work" / "a").exists()


def test_another_executor_changes_nothing(a_session, reference):
    folder = a_session()
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        build_pass(folder, workers=2, executor=pool)
    assert digest(folder) == reference


class StopAt(Quiet):
    """Asks to stop after so many blocks."""

    def __init__(self, blocks: int) -> None:
        super().__init__()
        self.left = blocks

    def advance(self, steps: int = 1) -> None:
        self.left -= steps
        if self.left <= 0:
            self.ask_to_stop()


def test_stopped_and_gone_on(a_session, reference):
    folder = a_session()
    stops = 0
    for blocks in (40, 45, 52, 58, 61, 63):
        try:
            build_pass(folder, workers=2, progress=StopAt(blocks))
        except StoppedProblem:
            stops += 1
            assert not (folder / "passes" / "a" / "volume.ome.zarr").exists()
    build_pass(folder, workers=2)
    assert stops >= 3
    assert digest(folder) == reference


def test_built_again_nothing_is_done(a_session, reference):
    folder = a_session()
    first = build_pass(folder)
    stamp = (folder / "passes" / "a" / "volume.ome.zarr" / "zarr.json").stat().st_mtime_ns
    again = build_pass(folder)
    assert again.sentence.startswith("Nothing to do")
    assert again.checked.sentence == first.checked.sentence
    assert (folder / "passes" / "a" / "volume.ome.zarr" / "zarr.json").stat().st_mtime_ns == stamp


def test_a_changed_option_builds_anew(a_session, reference):
    folder = a_session()
    build_pass(folder)
    file = folder / "session.toml"
    file.write_text(file.read_text().replace('scan = "away from lens"', 'scan = "towards lens"'))
    assert build_pass(folder).sentence.startswith("Built")
    assert digest(folder) != reference


def kill_and_go_on(folder: Path, moments: list[float]) -> int:
    """Start builds in processes of their own and kill each; return how many were killed."""
    code = "import sys; from planewright.jobs.build import build_pass; from pathlib import Path; "
    code += "build_pass(Path(sys.argv[1]), workers=2)"
    killed = 0
    for moment in moments:
        process = subprocess.Popen([sys.executable, "-c", code, str(folder)])
        try:
            process.wait(timeout=moment)
        except subprocess.TimeoutExpired:
            os.kill(process.pid, signal.SIGKILL)
            process.wait()
            killed += 1
    return killed


def time_of_a_build(folder: Path) -> float:
    start = time.monotonic()
    assert kill_and_go_on(folder, [600.0]) == 0
    return time.monotonic() - start


@pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL")
@pytest.mark.parametrize("count", [pytest.param(4), pytest.param(20, marks=pytest.mark.prove)])
def test_killed_at_random_moments(a_session, reference, count):
    whole = time_of_a_build(a_session())
    rng = np.random.default_rng(count)
    folder = a_session()
    before = photographs_of(folder)
    killed = kill_and_go_on(folder, list(rng.uniform(0.3, 0.95, count) * whole))
    build_pass(folder, workers=2)
    assert killed >= count // 4
    assert digest(folder) == reference
    assert photographs_of(folder) == before
    assert not list(folder.rglob("*.partial"))
