"""From the bench file to answers, drawing and what-if, as the documentation's page does it."""

from __future__ import annotations

import json
import math
import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planewright.cli import app

PAGE = Path(__file__).parents[2] / "docs" / "bench.md"
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE.read_text("utf-8"), re.S)
TOML = next(text for kind, text in BLOCKS if kind == "toml")


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    """Return a folder with the page's bench, as the current one, on a terminal 100 wide."""
    (tmp_path / "bench.toml").write_text(TOML, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def run(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_every_block_of_the_page(here):
    assert {kind for kind, _ in BLOCKS} == {"toml", "console", "text"}
    said: list[str] = []
    for kind, text in BLOCKS:
        if kind == "console":
            done = [run(*shlex.split(line)[1:]) for line in text.splitlines()]
            assert not any(one.stderr for one in done)
            said = done[-1].stdout.splitlines()
        elif kind == "text":
            rest = iter(said)
            for line in text.splitlines():  # the page shows parts of it, in order
                assert line in rest, line
    assert (here / "bench.png").read_bytes().startswith(b"\x89PNG")


def test_json_says_all_of_it(here):
    before = (here / "bench.toml").read_bytes()
    done = run("bench", "bench.toml", "--step", "2.5 um", "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == 0
    found = {a["key"]: a for g in told["groups"] for a in g["answers"]}
    assert all(set(a) >= {"name", "value", "unit", "sigma", "reason"} for a in found.values())
    # analytic: 1.17741 M² λ f/(π w)
    fwhm = 1.17741 * 1.1 * 0.488 * 60 / 3.14159
    assert found["sheet_fwhm"]["value"] == pytest.approx(fwhm, rel=2e-3)
    # of a product of radius and M², known to 3 % and to 0.05 of 1.10
    share = math.hypot(0.03, 0.05 / 1.1)
    assert found["sheet_fwhm"]["sigma"] == pytest.approx(fwhm * share, rel=0.02)
    assert [g["name"] for g in told["groups"]] == ["sheet", "detection", "together", "adjusting"]
    assert (here / "bench.toml").read_bytes() == before


def test_what_if_as_json(here):
    told = json.loads(
        run("bench", "bench.toml", "--change", "detection.tube_length=300 mm", "--json").stdout
    )
    rows = {one["key"]: one for one in told["what_if"]["differences"]}
    assert rows["magnification"]["today"] == 16
    assert rows["magnification"]["difference"] == pytest.approx(8)
    assert rows["plane_pixel"]["changed"] == pytest.approx(3.9 * 2 / 24)
    assert "sheet_fwhm" not in rows
    assert told["what_if"]["works"] is True


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--change", "train.3.axis="], 2, "along which axis it focuses"),
        (["--change", "light.wavelength=0.488 nm"], 2, "if you mean 488 nm"),
        (["--change", "train.3.gap_after=53"], 2, "without its unit"),
        (["--step", "2.5"], 2, "without its unit"),
        (["--step", "2.5 s"], 2, "measures something else"),
        (["--step", "0 um"], 2, "This step is not possible"),
        (["--usable", "often"], 2, "rayleigh"),
        (["--picture", "a.bmp"], 2, ".png"),
        (["--step", "20 um"], 1, "what lies between two planes is never lit"),
        (["--change", "train.1.width=0.02 mm"], 1, "No light comes through iris"),
    ],
)
def test_exit_codes_and_words(here, words, code, says):
    done = run("bench", "bench.toml", *words)
    assert done.exit_code == code
    assert says in re.sub(r"\s+", " ", done.stderr if code == 2 else done.stdout)


def test_a_missing_and_a_broken_file(here):
    assert run("bench", "nowhere.toml").exit_code in (1, 2)
    (here / "bad.toml").write_text(TOML.replace('wavelength = "488 nm"', "wavelength = 0.488"))
    told = json.loads(run("bench", "bad.toml", "--json").stdout)["problem"]
    line = 1 + TOML.splitlines().index('wavelength = "488 nm"')
    assert told["where"] == f"bad.toml, line {line}: light.wavelength"
    assert told["kind"] == "unit"


def test_a_spoiled_bench_is_drawn_all_the_same(here):
    done = run("bench", "bench.toml", "--change", "train.1.width=0.02 mm", "--picture", "dark.svg")
    assert done.exit_code == 1
    text = (here / "dark.svg").read_text("utf-8")
    assert 'id="beam-z"' in text
    assert 'id="sheet-fwhm"' not in text
