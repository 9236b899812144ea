"""The command on lenses: verdict first, a bench that says the same, and the one lens wanting."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planewright.bench.drawer import OwnedLens, read_drawer
from planewright.bench.model import read_bench
from planewright.bench.search import search
from planewright.bench.search_wanting import wanting
from planewright.bench.search_wish import Wish
from planewright.bench.train import build
from planewright.cli import app
from planewright.jobs.lenses import LensReport
from planewright.optics.elements import Lens, Shape
from planewright.optics.gauss import end_beam
from planewright.optics.sheet import sheet

DRAWER = """name,kind,focal_length_mm,diameter_mm,shape
big "A",lens,50,22,achromat
B,lens,-25,11,plano-concave
C,lens,75,22,plano-convex
E,cylinder,100,20,plano-convex
"""
ASKED = ("--sheet", "5.1 um", "--field", "600 um", "--wavelength", "488 nm", "--beam-radius")
SEA = ("0.6 mm", "--medium", "sea water", "--temperature", "16 degC")


def run(*words: object):
    return CliRunner().invoke(app, ["lenses", *[str(word) for word in words]])


@pytest.fixture
def drawer(tmp_path) -> Path:
    path = tmp_path / "drawer.csv"
    path.write_text(DRAWER.replace('big "A"', '"big ""A"""'), "utf-8")
    return path


@pytest.fixture(scope="module")
def winner(tmp_path_factory):
    """One search by the command, as text, with its bench."""
    folder = tmp_path_factory.mktemp("lenses")
    path, out = folder / "drawer.csv", folder / "bench.toml"
    path.write_text(DRAWER.replace('big "A"', '"big ""A"""'), "utf-8")
    return run(path, *ASKED, *SEA, "--write", out), path, out


def test_the_winner_is_told_and_written_as_a_bench(winner):
    told, path, out = winner
    assert told.exit_code == 0, told.output
    first, *rest = told.stdout.splitlines()
    assert first.startswith('B, C, E and big "A" make a sheet of 5.1 µm over 600 µm')
    text = "\n".join(rest)
    for words in ("by wave optics the first is", "flat side first", "quarter wave", f"wrote {out}"):
        assert words in text
    built = build(read_bench(out)).train
    made = sheet(built)
    assert f"{made.fwhm_um:.4g} µm" in text
    assert abs(made.waist_at_um) < 0.03 * made.rayleigh_um
    facing = [str(e.facing) for e in built.elements if isinstance(e, Lens) and e.facing]
    assert facing == ["curved side first", "flat side first", "curved side first"]
    again = run(path, *ASKED, *SEA, "--write", out)
    assert again.exit_code == 1
    assert "left as it is" in again.output


def test_waves_and_rays_agree(drawer):
    # two accounts of one train: diffraction integral and table against the angular spectrum
    data = json.loads(run(drawer, *ASKED, *SEA, "--json").stdout)
    first, second = data["trains"][:2]
    assert data["does_it"]
    assert first["by_waves"]["ok"]
    assert first["by_waves"]["fwhm_um"] == pytest.approx(first["fwhm_um"], rel=0.03)
    assert first["by_waves"]["edge_um"] == pytest.approx(first["edge_fwhm_um"], rel=0.05)
    assert second["by_waves"] is not None  # followed even where it falls short


def test_what_is_wanting_mends_the_drawer(drawer):
    lenses = tuple(x for x in read_drawer(drawer) if x.name != "E")
    asked = Wish(5.1, 600.0, 488.0, 0.6, 1.343)
    assert not search(lenses, asked).ok
    assert search(lenses, asked).why == "there is no cylinder in the drawer, and a sheet needs one"
    lens = wanting(lenses, asked)
    assert lens is not None
    assert lens.kind == "cylinder"
    bought = OwnedLens(
        "new",
        lens.kind,
        lens.focal_length_mm,
        lens.least_diameter_mm,
        lens.shape,
        is_round=False,
    )
    mended = search((*lenses, bought), asked)
    assert mended.ok
    assert "new" in mended.best[0].names
    assert f"of {lens.focal_length_mm:g} mm" in lens.sentence


def test_nothing_in_the_drawer(tmp_path):
    path = tmp_path / "drawer.csv"
    path.write_text("name,kind,focal_length_mm,diameter_mm,shape\nA,lens,50,22,achromat\n", "utf-8")
    told = run(path, *ASKED, *SEA, "--write", tmp_path / "none.toml")
    assert told.exit_code == 1
    assert told.stdout.startswith("Nothing in the drawer makes a sheet of 5.1 µm over 600 µm.")
    assert "Get one" in told.stdout.replace("\n", " ") or "No one lens" in told.stdout
    assert not (tmp_path / "none.toml").exists()


def test_a_train_over_a_quarter_wave_is_first_only_with_these_words():
    # a fast singlet where nothing else is at hand: w⁴ (1/f)³ says about a wave
    alone = [OwnedLens("C", "cylinder", 40.0, 30.0, Shape.PLANO_CONVEX, is_round=False)]
    asked = Wish(2.4, 100.0, 488.0, 3.0, 1.343)
    found = search(alone, asked)
    assert not found.ok
    assert found.best[0].over_quarter_wave
    assert found.best[0].sheet.aberration.peak_to_valley_waves > 0.25
    report = LensReport(asked, 1, found, (), None, ())
    assert "over a quarter wave of aberration" in report.sentence
    assert report.exit_code == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("5.1 um", "600", "488 nm", "0.6 mm"), "without its unit"),
        (("5.1 um", "600 um", "0.488 nm", "0.6 mm"), "488"),
        (("5.1 um", "600 um", "488 nm", "0.6 kg"), "measures something else"),
    ],
)
def test_slips_in_what_is_asked(drawer, words, told):
    names = ("--sheet", "--field", "--wavelength", "--beam-radius")
    pairs = [word for pair in zip(names, words, strict=True) for word in pair]
    answer = run(drawer, *pairs)
    assert answer.exit_code == 2
    assert told in answer.output


def test_achromats_are_asked_for_only_where_a_singlet_will_not_do():
    lens = wanting(
        [OwnedLens("C", "cylinder", 100.0, 20.0, Shape.PLANO_CONVEX, is_round=False)],
        Wish(8.1, 600.0, 488.0, 1.8, 1.343),
    )
    assert lens is not None
    assert lens.shape is Shape.PLANO_CONVEX
    assert end_beam(lens.train.train, "z").fwhm_um < 8.1 * 1.1


def test_the_page_on_lenses_says_what_comes_out(tmp_path, monkeypatch):
    docs = Path(__file__).parents[3] / "docs"
    page = (docs / "lenses.md").read_text("utf-8")
    command = re.search(r"```console\n(.*?)```", page, re.S)
    verdict = re.search(r"```text\n(.*?)\n```", page, re.S)
    assert command is not None
    assert verdict is not None
    shutil.copy(docs / "drawer.csv", tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    words = shlex.split(command[1].replace("\\\n", " "))
    told = CliRunner().invoke(app, words[1:])
    assert told.exit_code == 0, told.output
    assert told.stdout.startswith(verdict[1] + "\n")
    assert (tmp_path / "bench.toml").is_file()
