"""Settings files: one definition a field, from which parsing, errors, help and docs are made."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from typing import Any, NoReturn, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError

from planewright.base.problems import Problem, RangeProblem, SettingProblem
from planewright.base.units import Measured, Stated, parse_measured, parse_ratio, show

Model = TypeVar("Model", bound="Settings")


class Settings(BaseModel):
    """Base of all tables of a settings file: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True)
class Unit:
    """Annotation of a field that is a quantity.

    Parameters
    ----------
    unit : str
        Unit inside the program; empty for a pure number, which may be written as one.
    low, high : float
        Range that is physically or sensibly possible, inclusive, in ``unit``.
    """

    unit: str
    low: float
    high: float

    def parse(self, text: object) -> Measured:
        """Read and check a quantity written by a person."""
        if isinstance(text, (Measured, Stated)):
            measured = Measured(text.value, text.sigma)
        elif self.unit:
            measured = parse_measured(text, self.unit)
        else:
            measured = parse_ratio(text)
        if not self.low <= measured.value <= self.high:
            raise RangeProblem(
                "This value is outside what is possible here.",
                got=show(measured.value, self.unit),
                expected=f"{show(self.low, self.unit)} to {show(self.high, self.unit)}",
                do=self._meant(measured.value),
            )
        return measured

    def _meant(self, value: float) -> str:
        """Return the likely slip: a length written in the next larger or smaller unit."""
        for factor, how in ((1e3, "less"), (1e-3, "more")):
            likely = value * factor
            if self.unit in ("nm", "um", "mm") and self.low <= likely <= self.high:
                meant, got = show(likely, self.unit), show(value, self.unit)
                return f"if you mean {meant}, write that: {got} is a thousand times {how}"
        return "check the number and its unit" if self.unit else "check the number"

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """Let pydantic read the field through ``parse``."""
        from pydantic_core import core_schema

        kinds = get_args(source) or (source,)

        def read(text: object) -> Measured | float:
            try:
                measured = self.parse(text)
            except Problem as problem:
                raise _QuantityError(problem) from problem
            if Measured in kinds:
                return measured
            if Stated in kinds:
                return Stated(measured.value, measured.sigma)
            return measured.value

        return core_schema.no_info_plain_validator_function(read)


def read_settings(model: type[Model], text: str, *, where: str, newest: int = 1) -> Model:
    """Read a TOML settings file into its model.

    Parameters
    ----------
    model : type
        The file's model.
    text : str
        The file's text.
    where : str
        The file's name, for problems.
    newest : int
        Newest ``format`` that this version of the program reads.

    Returns
    -------
    Settings
        The model, checked.

    Raises
    ------
    SettingProblem
        If the text is no TOML, a key is unknown, missing or of the wrong kind, or the format is
        newer than this program.
    UnitProblem, RangeProblem
        If a quantity has no unit, another kind of unit, or an impossible value.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingProblem(
            "This settings file is not valid TOML.", where=where, got=str(error)
        ) from error
    if table.get("format", newest) != newest:
        raise SettingProblem(
            "This settings file has a format that this version does not read.",
            where=where,
            got=f"format = {table['format']!r}",
            expected=f"format = {newest}",
            do="use the version of planewright that wrote it, or a newer one",
        )
    try:
        return model.model_validate(table)
    except ValidationError as error:
        raise _first_problem(model, error, text, where) from error


def _first_problem(model: type[Settings], error: ValidationError, text: str, where: str) -> Problem:
    # A misspelt key also leaves its right name missing: the misspelling is what to tell.
    errors = error.errors()
    first = next((one for one in errors if one["type"] == "extra_forbidden"), errors[0])
    path = tuple(first["loc"])
    place = f"{where}, line {line_of(text, path)}: {dotted(path)}" if path else where
    kind = first["type"]
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, _QuantityError):
        cause.problem.where = place
        return cause.problem
    if isinstance(cause, ValueError):
        return SettingProblem(f"This cannot be: {cause}.", where=place)
    if kind == "extra_forbidden":
        known = _known_keys(model, path[:-1])
        near = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.0)
        return SettingProblem(
            f"The key '{path[-1]}' is not known here.",
            where=place,
            got=str(path[-1]),
            expected=f"'{near[0]}' is the nearest known key" if near else "no key at all",
            do="known keys: " + ", ".join(known),
        )
    if kind == "missing":
        place = f"{where}, line {line_of(text, path[:-1])}: {dotted(path)}"
        return SettingProblem(
            f"The key '{path[-1]}' is missing.",
            where=place,
            expected=_help(model, path) or "a value",
        )
    expected = _help(model, path)
    if kind in ("literal_error", "enum"):
        expected = str(first.get("ctx", {}).get("expected", expected))
    return SettingProblem(
        f"The value of '{path[-1] if path else where}' cannot be used.",
        where=place,
        got=repr(first.get("input")),
        expected=expected or first["msg"],
    )


class _QuantityError(ValueError):
    """Carries a unit or range problem through pydantic, which knows its place."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


def refuse(problem: Problem) -> NoReturn:
    """Refuse a table from within a model's validator; the reader adds file, line and key.

    Parameters
    ----------
    problem : Problem
        What is wrong with the table.
    """
    raise _QuantityError(problem) from problem


def dotted(path: tuple[Any, ...]) -> str:
    """Write a key's path as a person would: ``pass[1].moved``."""
    out = ""
    for part in path:
        out += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if out else str(part)
    return out


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*(?:"([^"]+)"|'([^']+)'|([A-Za-z0-9_-]+))\s*=""")


def line_of(text: str, path: tuple[Any, ...]) -> int:
    """Return the line (from 1) on which a key stands, or its table's header if it is missing.

    Parameters
    ----------
    text : str
        TOML text.
    path : tuple of str or int
        Key path as pydantic tells it, array positions counted from 0.

    Returns
    -------
    int
        The line; 1 where nothing of the path is found.
    """
    counts: dict[str, int] = {}
    table: tuple[Any, ...] = ()
    best = (0, 1)
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            name = header.group(2).strip()
            if header.group(1) == "[[":
                counts[name] = counts.get(name, -1) + 1
                table = (*name.split("."), counts[name])
            else:
                table = tuple(name.split("."))
            here = table
        else:
            key = _KEY.match(line)
            if key is None:
                continue
            here = (*table, key.group(1) or key.group(2) or key.group(3))
        depth = len(here) if path[: len(here)] == here else 0
        if depth > best[0]:
            best = (depth, number)
    return best[1]


def _model_at(model: Any, path: tuple[Any, ...]) -> Any:
    for part in path:
        if isinstance(part, int):
            continue
        field = next(
            (f for n, f in model.model_fields.items() if part in (n, f.alias)),
            None,
        )
        if field is None:
            return None
        model = next(
            (
                k
                for k in _kinds(field.annotation)
                if isinstance(k, type) and issubclass(k, Settings)
            ),
            None,
        )
        if model is None:
            return None
    return model


def _kinds(annotation: Any) -> list[Any]:
    inner = get_args(annotation)
    return [annotation] if not inner else [kind for part in inner for kind in _kinds(part)]


def _known_keys(model: type[Settings], path: tuple[Any, ...]) -> list[str]:
    found = _model_at(model, path)
    return [] if found is None else [f.alias or n for n, f in found.model_fields.items()]


def _help(model: type[Settings], path: tuple[Any, ...]) -> str:
    found = _model_at(model, path[:-1])
    if found is None:
        return ""
    for name, field in found.model_fields.items():
        if path and path[-1] in (name, field.alias):
            return field.description or ""
    return ""


@dataclass(frozen=True)
class FieldRow:
    """One field as help, forms and the docs table show it."""

    key: str
    unit: str
    low: float | None
    high: float | None
    needed: bool
    default: str
    help: str


def field_rows(model: type[Settings], prefix: str = "") -> list[FieldRow]:
    """List all fields of a settings file, tables first to last.

    Parameters
    ----------
    model : type
        The file's model.
    prefix : str
        Dotted path of the table, for nested ones.

    Returns
    -------
    list of FieldRow
        One row a key.
    """
    rows: list[FieldRow] = []
    for name, field in model.model_fields.items():
        key = f"{prefix}{field.alias or name}"
        nested = [
            k for k in _kinds(field.annotation) if isinstance(k, type) and issubclass(k, Settings)
        ]
        if nested:
            rows += field_rows(nested[0], f"{key}.")
            continue
        unit = next((m for m in field.metadata if isinstance(m, Unit)), None)
        low, high = (unit.low, unit.high) if unit else _bounds(field.metadata)
        default = "" if field.is_required() else _shown(field.default, unit)
        rows.append(
            FieldRow(
                key=key,
                unit=unit.unit if unit else "",
                low=low,
                high=high,
                needed=field.is_required(),
                default=default,
                help=field.description or "",
            )
        )
    return rows


def _bounds(metadata: list[Any]) -> tuple[float | None, float | None]:
    """Return the range of a plain number, where both ends are stated."""
    low = next((m.ge for m in metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in metadata if hasattr(m, "le")), None)
    return (None, None) if low is None or high is None else (float(low), float(high))


def _shown(value: Any, unit: Unit | None) -> str:
    if value is None or value == () or value == "":
        return ""
    if isinstance(value, Measured):
        value = value.value
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g} {unit.unit}".rstrip() if unit else str(value)
