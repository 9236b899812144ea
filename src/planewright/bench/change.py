"""A bench with some of its values changed: ``detection.tube_length=180 mm``."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

from planewright.base.problems import SettingProblem, UsageProblem
from planewright.base.settings import read_settings
from planewright.bench.model import BenchFile

_EXAMPLES = '"detection.tube_length=180 mm" or "train.2.gap_after=52 mm"'


def changed_bench(text: str, changes: Sequence[str], *, where: str) -> BenchFile:
    """Return the bench of a file's text with some values changed.

    Parameters
    ----------
    text : str
        The bench file's text, valid as it is.
    changes : sequence of str
        ``key=value`` each. A part of the train is named by its number from 1, by its name, or by
        its kind where there is only one of it. A value without ``=`` is refused; an empty one
        takes the key out.
    where : str
        The file's name, for problems.

    Returns
    -------
    BenchFile
        The changed bench, checked as the file itself is.

    Raises
    ------
    UsageProblem
        If a change cannot be understood, or its value cannot be.
    """
    import tomlkit

    table: dict[str, Any] = tomllib.loads(text)
    for change in changes:
        _apply(table, change)
    try:
        return read_settings(BenchFile, tomlkit.dumps(table), where=where)
    except UsageProblem as problem:
        problem.where = f"{problem.where.partition(': ')[2] or where}, changed by --change"
        raise


def _apply(table: dict[str, Any], change: str) -> None:
    key, sign, value = change.partition("=")
    path = [part.strip() for part in key.strip().split(".")]
    if not sign or len(path) < 2 or not all(path):
        raise SettingProblem(
            "This change cannot be understood.",
            where="--change",
            got=change,
            expected=f"key=value, for example {_EXAMPLES}",
        )
    if path[0] == "train":
        place, last = _part(table, ".".join(path[1:-1]), change), path[-1]
    else:
        place, last = table.setdefault(path[0], {}), ".".join(path[1:])
    if not isinstance(place, dict):
        raise SettingProblem(
            f"'{path[0]}' is no table of a bench.", where="--change", got=change, do=_EXAMPLES
        )
    if value.strip():
        place[last] = _value(value.strip())
    else:
        place.pop(last, None)


def _value(text: str) -> Any:
    """Return true, false and bare numbers as TOML has them, anything else as text."""
    try:
        found = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
    return found


def _part(table: dict[str, Any], name: str, change: str) -> dict[str, Any]:
    train: list[dict[str, Any]] = table.get("train", [])
    if name.isdigit() and 1 <= int(name) <= len(train):
        return train[int(name) - 1]
    for key in ("name", "kind"):
        found = [part for part in train if str(part.get(key, "")).casefold() == name.casefold()]
        if len(found) == 1:
            return found[0]
    known = [f"train.{n} ({p.get('name') or p.get('kind')})" for n, p in enumerate(train, 1)]
    raise SettingProblem(
        "The train has no such part." if name else "Which part of the train is meant?",
        where="--change",
        got=change,
        expected=", ".join(known) or "a bench with [[train]] tables",
        do="name a part by its number, or by its name if no other has it",
    )
