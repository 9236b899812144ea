"""Slips of a first session: told at once, by the option's name, and nothing written."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from planewright.base.problems import RangeProblem, SettingProblem, UnitProblem
from planewright.cli import app
from planewright.jobs.new import new_session
from planewright.sessions.folder import Session


@pytest.mark.parametrize(
    ("options", "problem", "words"),
    [
        ({"pixel": "0.412"}, UnitProblem, "without its unit.\n  where     --pixel"),
        ({"step_text": "2.5 s"}, UnitProblem, "something else.\n  where     --step"),
        ({"step_text": "2,5 um"}, UnitProblem, "decimal sign as a point"),
        ({"pixel": "412 mm"}, RangeProblem, "--pixel"),
    ],
)
def test_a_wrong_quantity_is_refused_before_anything_is_written(tmp_path, options, problem, words):
    with pytest.raises(problem) as told:
        new_session(tmp_path / "urchin", **options)
    assert words in str(told.value)
    assert not (tmp_path / "urchin").exists()


@pytest.mark.parametrize(("pattern", "made"), [("frames/*", True), ("/elsewhere/*.tif", False)])
def test_the_next_step_names_where_photographs_are(tmp_path, pattern, made):
    folder = tmp_path / "urchin"
    result = CliRunner().invoke(app, ["new", str(folder), "--frames", pattern])
    assert result.exit_code == 0
    assert ("put photographs into" in result.stdout) == made
    assert (pattern in result.stdout) != made
    assert (folder / "frames").exists() == made


def test_a_problem_of_the_whole_file_names_no_line(tmp_path):
    new_session(tmp_path / "urchin")
    file = tmp_path / "urchin" / "session.toml"
    file.write_text(file.read_text().replace('name = "a"', 'name = "b"'))
    with pytest.raises(SettingProblem, match=r"passes: b.\n  where     session.toml$"):
        Session.open(tmp_path / "urchin")
