"""Bad input through the commands: a clear finding or problem, the right exit code, nothing lost."""

from __future__ import annotations

import errno
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

import planewright.base.files as files
from planewright.base.files import hash_file
from planewright.cli import app
from planewright.jobs.build import build_pass
from planewright.sessions.lock import writing

PASS = """
[[photographs]]
files = {pattern}
role = "specimen"
pass = "a"
[[pass]]
name = "a"
moved = "specimen"
scan = "away from lens"
mirrored = false
"""
SCALE = '[scale]\npixel = "0.5 um"\nstep = "2 um"\n'


def run(*words: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def tiffs(folder: Path, planes: list[np.ndarray], names: list[str] | None = None) -> Path:
    (folder / "frames").mkdir(parents=True)
    for k, plane in enumerate(planes):
        name = names[k] if names else f"f_{k:04d}.tif"
        tifffile.imwrite(folder / "frames" / name, plane)
    pattern = json.dumps("frames/*.tif")
    (folder / "session.toml").write_text(SCALE + PASS.format(pattern=pattern), encoding="utf-8")
    return folder


def blobs(count: int = 8, size: int = 64, dtype: str = "uint16") -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:size, :size]
    out = []
    for k in range(count):
        light = 100 + 900 * np.exp(-((y - 20 - 2 * k) ** 2 + (x - 30) ** 2) / 60)
        out.append(rng.poisson(light).astype(dtype))
    return out


def test_no_session_and_an_empty_one(tmp_path):
    code, _, err = run("build", tmp_path)
    assert code == 1
    assert "no session here" in err
    folder = tiffs(tmp_path / "s", [])
    code, _, err = run("check", folder)
    assert code == 1
    assert "no photograph that can be read" in err
    assert "no file matches" in err


def test_one_frame_is_a_volume_of_one_plane(tmp_path):
    folder = tiffs(tmp_path / "s", blobs(1))
    code, out, _ = run("build", folder)
    assert code == 0
    assert "1 planes of 64 × 64" in out


@pytest.mark.parametrize("key", ["pixel", "step"])
def test_a_missing_size_is_never_assumed(a_session, key):
    folder = a_session(**{key: ""})
    code, _, err = run("build", folder)
    assert code == 2
    assert f"scale.{key}" in err
    assert "never assumed" in err
    assert not (folder / "passes").exists()
    assert run("check", folder)[0] == 1  # frames are judged all the same; one is missing


def test_a_forgotten_unit_and_an_unknown_key(a_session):
    code, _, err = run("build", a_session(step="2.5"))
    assert code == 2
    assert "without its unit" in err
    assert "line 6: scale.step" in err
    code, _, err = run("build", a_session(mirrored="false\nmirored = true"))
    assert code == 2
    assert "'mirrored' is the nearest" in err
    assert "line 31" in err


def test_problems_as_json_have_one_shape(a_session):
    code, out, _ = run("build", a_session(step="2.5"), "--json")
    problem = json.loads(out)["problem"]
    assert code == 2
    assert set(problem) == {"kind", "what", "where", "got", "expected", "do", "id"}
    assert problem["kind"] == "unit"


def test_a_truncated_frame_is_named_and_leaves_a_gap(a_session):
    folder = a_session()
    victim = sorted((folder / "frames").iterdir())[12]
    victim.write_bytes(victim.read_bytes()[:30_000])
    before = hash_file(victim)
    code, out, _ = run("build", folder)
    assert code == 0
    assert victim.name in out
    assert hash_file(victim) == before
    lines = (folder / "passes" / "a" / "frames.csv").read_text().splitlines()
    assert len(lines) == 27
    assert "missing" in lines[14]  # twelve frames and the missed plane come before it
    assert "cannot be read" in out
    assert "plane 14 of 26" in out


def test_the_first_frame_and_a_dark_are_spoiled(a_session):
    folder = a_session()
    first = sorted((folder / "frames").iterdir())[0]
    dark = sorted((folder / "dark").iterdir())[0]
    for path in (first, dark):
        data = bytearray(path.read_bytes())
        data[len(data) // 3 : -2000] = bytes(len(data) - 2000 - len(data) // 3)
        path.write_bytes(bytes(data))
    code, out, _ = run("build", folder)
    assert code == 0
    assert first.name in out
    assert dark.name in out


def test_every_frame_truncated(a_session):
    folder = a_session()
    for path in (folder / "frames").iterdir():
        path.write_bytes(path.read_bytes()[:5000])
    code, _, err = run("build", folder)
    assert code == 1
    assert "no photograph" in err.lower()


def test_frames_of_two_sizes(tmp_path):
    planes = blobs(8)
    planes[5] = planes[5][:60]
    folder = tiffs(tmp_path / "s", planes)
    code, out, _ = run("check", folder)
    assert code == 1
    assert "differ in size" in out


def test_nan_and_signed(tmp_path):
    planes = blobs(8, dtype="float32")
    planes[3] = planes[3].copy()
    planes[3][10:14, 20:25] = np.nan
    folder = tiffs(tmp_path / "nan", planes)
    assert run("build", folder)[0] == 0
    import planewright

    mask = np.asarray(planewright.session(folder).mask("a"))
    assert (mask[3, 11:13, 21:24] & 1).all()
    light = np.asarray(planewright.session(folder).volume("a"))
    assert np.isfinite(light).all()
    signed = [plane.astype(np.int16) - 200 for plane in blobs(8)]
    assert run("build", tiffs(tmp_path / "signed", signed))[0] == 0
    light = np.asarray(planewright.session(tmp_path / "signed").volume("a"))
    assert light.min() < -50  # negative light is kept


def test_a_stack_that_is_full_at_4095(tmp_path):
    planes = [np.minimum(plane.astype(np.uint32) * 5, 4095).astype(np.uint16) for plane in blobs()]
    folder = tiffs(tmp_path / "s", planes)
    _, out, _ = run("check", folder)
    assert "full" in out
    assert "4095" in (folder / "passes" / "a" / "findings.csv").read_text() or "full" in out


def test_odd_names(tmp_path):
    names = [f"a 'b' \"c\" é [{k}].tif" for k in range(8)]
    folder = tiffs(tmp_path / 'odd "é"', blobs(), names)
    code, out, _ = run("build", folder)
    assert code == 0
    assert "8 planes" in out


def test_two_builds_at_once(a_session):
    folder = a_session()
    import threading

    entered, leave = threading.Event(), threading.Event()

    def hold() -> None:
        with writing(folder):
            entered.set()
            leave.wait(20)

    thread = threading.Thread(target=hold)
    thread.start()
    entered.wait(20)
    try:
        code, _, err = run("build", folder)
    finally:
        leave.set()
        thread.join()
    assert code == 1
    assert "Another process is writing" in err
    assert "process" in err


def test_no_write_permission(a_session, monkeypatch):
    folder = a_session()
    (folder / ".planewright").write_text("in the way")
    code, _, err = run("build", folder)
    assert code == 1
    assert ".planewright" in err


def test_the_disk_is_full_midway_and_it_goes_on(a_session, monkeypatch):
    folder, control = a_session(), a_session()
    build_pass(control)
    before = {p: hash_file(p) for p in (folder / "frames").iterdir()}
    left = [30]
    real = files.replace

    def full(source: Path, target: Path) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(source, target)

    monkeypatch.setattr(files, "replace", full)
    code, _, err = run("build", folder)
    assert code == 1
    assert "disk is full" in err
    assert not (folder / "passes" / "a" / "volume.ome.zarr").exists()
    assert not list(folder.rglob("*.partial"))
    monkeypatch.setattr(files, "replace", real)
    assert run("build", folder)[0] == 0
    assert {p: hash_file(p) for p in before} == before
    stored = [
        hash_file(d / "passes" / "a" / "volume.ome.zarr" / "0" / "c" / "0" / "0" / "0" / "0")
        for d in (folder, control)
    ]
    assert stored[0] == stored[1]


def test_a_disk_too_small_is_refused_before_the_work(a_session, monkeypatch):
    monkeypatch.setattr("planewright.jobs.build.free_disk_bytes", lambda path: 1_000_000)
    code, _, err = run("build", a_session())
    assert code == 1
    assert "does not hold" in err


def test_too_little_memory(a_session):
    code, _, err = run("build", a_session(), "--memory", "60 MB")
    assert code == 1
    assert "memory budget" in err
    assert run("build", a_session(), "--memory", "1 kB")[0] == 2
    assert run("build", a_session(), "--memory", "lots")[0] == 2


def test_a_copied_file_is_named_and_used_once(a_session):
    folder = a_session()
    frames = sorted((folder / "frames").iterdir())
    shutil.copy(frames[4], folder / "frames" / "SEA_0900.DNG")
    _, out, _ = run("check", folder)
    assert "byte by byte" in out


def test_files_without_a_role_are_told(a_session):
    folder = a_session()
    (folder / "frames" / "notes.txt").write_text("16 degC")
    (folder / "frames" / "._SEA_0121.DNG").write_text("junk")
    _, out, _ = run("check", folder)
    assert "1 files lie beside" in out
    assert "notes.txt" in out


def test_pictures_need_a_volume(a_session):
    code, _, err = run("picture", a_session())
    assert code == 1
    assert "no volume here" in err
