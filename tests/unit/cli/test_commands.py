"""The command line teaches itself, starts fast, and shares its numbers with programs."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from planewright.cli import app

COMMANDS = ("demo", "new", "bench", "lenses", "check", "build", "picture")


def run(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize("command", COMMANDS)
def test_help_teaches(command):
    told = run(command, "--help").stdout
    assert "--json" in told
    assert len(told.split("Options:")[0].split()) > 25  # more than a line about what it does


def test_heavy_rooms_stay_out_of_help():
    code = (
        "import sys; from planewright.cli import app\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'pint', 'matplotlib', 'rawpy', 'zarr', 'xarray'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_version_and_wrong_words():
    from planewright import __version__

    assert __version__ in run("--version").stdout
    wrong = run("bild")
    assert wrong.exit_code == 2
    assert "build" in wrong.stderr
    assert run("check").exit_code == 2


def test_check_and_build_as_json(a_session):
    folder = a_session()
    checked = run("check", folder, "--json")
    told = json.loads(checked.stdout)
    assert checked.exit_code == 1  # one plane was missed
    assert [f["code"] for f in told["findings"] if f["severity"] == "fault"] == ["missed"]
    assert told["findings"][0]["positions"] == [9, 9]
    built = json.loads(run("build", folder, "--ome-tiff", "--json").stdout)
    assert built["sentence"].startswith("Built pass a: 26 planes")
    for name in (*built["written"], *built["checked"]["written"]):
        assert (folder / name).exists()
    again = json.loads(run("build", folder, "--json").stdout)
    assert again["sentence"].startswith("Nothing to do")


def test_pictures_by_kind(a_session):
    folder = a_session()
    run("build", folder)
    made = run(
        "picture",
        folder,
        "--kind",
        "cuts",
        "--point",
        "30 um, 25 um, 10 um",
        "--window",
        "0:400",
        "--dpi",
        "60",
    )
    assert made.exit_code == 0
    assert made.stdout.splitlines() == ["wrote pictures/a-cuts.png"]
    assert run("picture", folder, "--kind", "sideways").exit_code == 2
    assert "three lengths" in run("picture", folder, "--point", "3").stderr
    assert "without its unit" in run("picture", folder, "--point", "3, 4, 5").stderr
    assert "not two numbers" in run("picture", folder, "--window", "all").stderr
    assert run("picture", folder, "--colours", "rainbow", "--kind", "cuts").exit_code == 2


def test_progress_goes_to_stderr_and_results_to_stdout(a_session):
    done = run("build", a_session())
    assert "read the planes" in done.stderr
    assert "read the planes" not in done.stdout


def test_new_then_check_without_a_scale(tmp_path):
    made = run("new", tmp_path / "s", "--json")
    assert json.loads(made.stdout)["missing"] == ["scale.pixel", "scale.step"]
    assert "no photograph" in run("check", tmp_path / "s").stderr


def test_the_log_holds_the_traceback_and_the_id(a_session):
    folder = a_session(step="2.5")
    told = run("build", folder).stderr
    number = told.split("  id")[1].split()[0]
    log = (folder / ".planewright" / "log.txt").read_text()
    assert number in log
    assert "Traceback" in log
    assert "Traceback" not in told
