"""The session's file, scale, lock and provenance."""

from __future__ import annotations

import subprocess
import sys

import pytest

from planewright.base.problems import LockProblem, Problem, SettingProblem
from planewright.base.units import Measured
from planewright.jobs.new import new_session
from planewright.sessions.folder import Session
from planewright.sessions.lock import writing
from planewright.sessions.provenance import read_provenance, step, write_provenance

PASS = """
[[pass]]
name = "a"
moved = "specimen"
scan = "away from lens"
mirrored = false
"""
SCALE = '[scale]\npixel = "0.4 um ± 0.002 um"\nstep = "2 um ± 0.01 um"\n'
BENCH = """
[light]
wavelength = "488 nm"
emission = "520 nm"
[cell]
medium = "water"
temperature = "20 degC"
[detection]
numerical_aperture = 0.3
magnification = 10
design_tube_length = "180 mm"
tube_length = "100 mm"
[camera]
pixel_pitch = "3.9 um"
"""


def made(tmp_path, text, bench=None):
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    if bench:
        (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    return Session.open(tmp_path)


def test_the_session_says_how_large_things_are(tmp_path):
    session = made(tmp_path, SCALE + PASS)
    scale = session.true_scale(session.find_pass(None))
    assert scale.pixel_um == Measured(0.4, 0.002)
    assert scale.step_um == Measured(2.0, 0.01)


@pytest.mark.parametrize("key", ["pixel", "step"])
def test_nothing_has_a_size_without_a_scale(tmp_path, key):
    lines = [line for line in (SCALE + PASS).splitlines() if not line.startswith(key)]
    session = made(tmp_path, "\n".join(lines))
    with pytest.raises(SettingProblem, match=f"{key} is not known.*") as told:
        session.true_scale(session.find_pass("a"))
    assert "never assumed" in told.value.do


def test_a_foreign_tube_lens_changes_the_pixel(tmp_path):
    # 10x made for 180 mm on 100 mm is 5.5556x; 3.9 um / 5.5556 = 0.7020 um (worked value).
    text = 'bench = "bench.toml"\n[scale]\nstep = "2 um"\n' + PASS
    session = made(tmp_path, text, BENCH)
    scale = session.true_scale(session.find_pass("a"))
    assert scale.pixel_um.value == pytest.approx(0.7020, abs=1e-4)
    assert "computed" in scale.pixel_from


@pytest.mark.parametrize(
    ("moved", "factor"),
    [
        ("specimen", 1.0),
        # Lens in air before water: the focal plane moves by the index (paraxial), and the index
        # of water at 520 nm and 20 °C is 1.33588 (IAPWS R9-97).
        ("lens", 1.33588),
        # Camera: index over the square of the magnification (longitudinal magnification).
        ("camera", 1.33588 / 5.55556**2),
    ],
)
def test_what_moved_decides_the_step(tmp_path, moved, factor):
    text = 'bench = "bench.toml"\n' + SCALE + PASS.replace("specimen", moved)
    session = made(tmp_path, text, BENCH)
    step_um = session.true_scale(session.find_pass("a")).step_um
    assert step_um.value == pytest.approx(2.0 * factor, rel=1e-4)
    assert step_um.sigma == pytest.approx(0.01 * factor, rel=1e-4)


def test_a_moved_lens_needs_a_medium(tmp_path):
    session = made(tmp_path, SCALE + PASS.replace("specimen", "lens"))
    with pytest.raises(SettingProblem, match="depends on the medium"):
        session.true_scale(session.find_pass("a"))


def test_no_session_and_no_pass(tmp_path):
    with pytest.raises(Problem, match="no session here"):
        Session.open(tmp_path)
    session = made(tmp_path, SCALE)
    with pytest.raises(SettingProblem, match="Which pass"):
        session.find_pass(None)
    session = made(tmp_path, SCALE + PASS)
    with pytest.raises(SettingProblem, match="no pass 'b'"):
        session.find_pass("b")


def test_photographs_of_a_pass_that_is_not_described(tmp_path):
    text = SCALE + '[[photographs]]\nfiles = "x/*"\nrole = "specimen"\npass = "b"\n' + PASS
    with pytest.raises(SettingProblem, match="pass 'b', which is not described"):
        made(tmp_path, text)


def test_one_writer_at_a_time(tmp_path):
    code = (
        "import sys, time, pathlib\n"
        "from planewright.sessions.lock import writing\n"
        "with writing(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True); time.sleep(60)\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(LockProblem, match=f"process {other.pid}"), writing(tmp_path):
            pass
    finally:
        other.kill()
        other.wait()
        other.stdout.close()
    with writing(tmp_path):
        assert (tmp_path / ".planewright" / "holder.json").exists()


def test_provenance_keeps_other_products(tmp_path):
    write_provenance(tmp_path, "one", [step("dark", number=1, options={"frames": 3})])
    write_provenance(tmp_path, "two", [step("flat", number=2, options={})])
    told = read_provenance(tmp_path)
    assert set(told["products"]) == {"one", "two"}
    assert told["products"]["one"]["steps"][0]["options"] == {"frames": 3}
    (tmp_path / "provenance.json").write_text('{"format": 99}')
    with pytest.raises(SettingProblem, match="does not read"):
        read_provenance(tmp_path)


def test_a_new_session_says_what_is_missing(tmp_path):
    folder = tmp_path / 'a "new" one é'
    made_session = new_session(folder)
    assert made_session.missing == ("scale.pixel", "scale.step")
    session = Session.open(folder)
    assert session.settings.title == 'a "new" one é'
    with pytest.raises(Problem, match="already"):
        new_session(folder)


def test_a_new_session_takes_scale_and_bench(tmp_path):
    bench = tmp_path / "my bench.toml"
    bench.write_text(BENCH)
    folder = tmp_path / "s"
    assert new_session(folder, bench=bench, step_text="2 um").missing == ()
    session = Session.open(folder)
    assert session.true_scale(session.find_pass(None)).step_um.value == 2.0
    inputs = read_provenance(folder)["products"]["bench.toml"]["steps"][0]["inputs"]
    assert inputs[0]["name"].endswith("my bench.toml")
