"""The documentation says what the code does; tests assert something."""

from __future__ import annotations

import ast
import importlib.util
import re
import shlex
import shutil
import textwrap
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planewright.cli import app

ROOT = Path(__file__).parents[3]
DOCS = sorted([*(ROOT / "docs").rglob("*.md"), ROOT / "README.md"])


def blocks(kind: str) -> list:
    """Return the code blocks of all pages, each named by page and place."""
    return list(_blocks(kind))


def _blocks(kind: str):
    for page in DOCS:
        for match in re.finditer(rf"```{kind}\n(.*?)```", page.read_text("utf-8"), re.S):
            yield pytest.param(textwrap.dedent(match[1]), id=f"{page.name}:{match.start()}")


def test_every_setting_is_on_its_page():
    spec = importlib.util.spec_from_file_location("make_options", ROOT / "docs/make_options.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert (ROOT / "docs" / "options.md").read_text("utf-8") == module.text()


@pytest.mark.parametrize("text", blocks("python"))
def test_python_in_the_docs_runs(text, a_session, tmp_path, monkeypatch):
    from planewright.jobs.build import build_pass

    folder = a_session()
    build_pass(folder)
    shutil.move(folder, tmp_path / "urchin-07")
    monkeypatch.chdir(tmp_path)
    scope: dict[str, object] = {}
    exec(compile(text, "docs", "exec"), scope)  # the page's own words, run as a reader would
    assert getattr(scope["volume"], "dims", None) == ("z", "y", "x")


@pytest.mark.parametrize("text", blocks("console"))
def test_commands_in_the_docs_exist(text):
    for line in text.replace("\\\n", " ").splitlines():
        words = shlex.split(line, comments=True)
        if words[:1] != ["planewright"]:
            continue
        known = CliRunner().invoke(app, [words[1], "--help"])
        assert known.exit_code == 0, line
        for word in words[2:]:
            if word.startswith("--"):
                assert word in known.stdout, line


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text("utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} points to {target}"


def test_no_statement_that_only_looks_like_a_check():
    idle = {"all", "any", "allclose", "isclose", "array_equal"}
    found = []
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
                function = node.value.func
                name = getattr(function, "attr", getattr(function, "id", ""))
                if name in idle:
                    found.append(f"{path.name}:{node.lineno}")
    assert found == []
