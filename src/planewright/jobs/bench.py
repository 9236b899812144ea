"""Answer everything about a bench, today's and a changed one beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from planewright.base.files import disk_problem, read_text
from planewright.base.problems import Problem, RangeProblem
from planewright.base.settings import read_settings
from planewright.base.units import parse_quantity
from planewright.bench.answers import Answers, answer
from planewright.bench.change import changed_bench
from planewright.bench.figures import Choices, true_sheet
from planewright.bench.model import BenchFile
from planewright.bench.train import build
from planewright.optics.sheet import Usable


@dataclass(frozen=True)
class Difference:
    """One answer today and after the change.

    Parameters
    ----------
    key, name, unit : str
        The answer.
    today, changed : float or None
        Values; None where there is none.
    difference : float or None
        Changed less today.
    """

    key: str
    name: str
    unit: str
    today: float | None
    changed: float | None
    difference: float | None


@dataclass(frozen=True)
class BenchReport:
    """What is told of a bench.

    Parameters
    ----------
    file : Path
        The bench file.
    today : Answers
        As it is.
    changes : tuple of str
        What was changed, as asked.
    changed : Answers or None
        As it would be.
    differences : tuple of Difference
        Answers that the change moves.
    written : tuple of str
        Files written.
    """

    file: Path
    today: Answers
    changes: tuple[str, ...] = ()
    changed: Answers | None = None
    differences: tuple[Difference, ...] = ()
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """1 if the bench cannot work: the changed one, where a change was asked."""
        return 0 if (self.changed or self.today).works else 1

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        out: dict[str, Any] = {"file": str(self.file), **self.today.to_dict()}
        if self.changed is not None:
            out["what_if"] = {
                "changes": list(self.changes),
                "differences": [asdict(one) for one in self.differences],
                **self.changed.to_dict(),
            }
        out["written"] = list(self.written)
        return out


def report_bench(
    file: Path,
    *,
    changes: Sequence[str] = (),
    step: str | None = None,
    usable: str = "rayleigh",
    picture: Path | None = None,
) -> BenchReport:
    """Answer everything about a bench.

    Parameters
    ----------
    file : Path
        The bench file; it is only read.
    changes : sequence of str
        ``key=value`` each; the answers of the changed bench stand beside today's.
    step : str or None
        A step between frames to judge, with its unit.
    usable : str
        Convention of the usable width: a name of `Usable`, in any case.
    picture : Path or None
        Where to draw the bench (the changed one, where a change is asked), .svg, .png or .pdf.

    Returns
    -------
    BenchReport
        The answers.

    Raises
    ------
    UsageProblem
        If the file, a change or an option cannot be understood.
    """
    choices = Choices(_usable(usable), None if step is None else _step(step))
    text = read_text(file)
    bench = read_settings(BenchFile, text, where=file.name)
    today = answer(bench, choices)
    changed = None
    if changes:
        bench = changed_bench(text, changes, where=file.name)
        changed = answer(bench, choices)
    if picture is not None:
        _draw(bench, changed or today, choices, picture, changes)
    return BenchReport(
        file=file,
        today=today,
        changes=tuple(changes),
        changed=changed,
        differences=() if changed is None else compare(today, changed),
        written=() if picture is None else (str(picture),),
    )


def _draw(
    bench: BenchFile, told: Answers, choices: Choices, picture: Path, changes: Sequence[str]
) -> None:
    from planewright.picture.bench import BenchScene, save_bench

    built = build(bench)
    try:
        sheet = true_sheet(built.train)
    except Problem:
        sheet = None  # a bench that makes none is drawn all the same, to see why
    known = {one.key: one.value for group in told.groups for one in group.answers}
    title = told.title or "Bench"
    scene = BenchScene(
        built,
        sheet,
        f"{title}, if {', '.join(changes)}" if changes else title,
        told.sentence,
        usable=choices.usable,
        field_um=known.get("field_along"),
        lens_axial_um=known.get("lens_axial_fwhm"),
        step_um=choices.step_um,
    )
    try:
        save_bench(scene, picture)
    except OSError as error:
        raise disk_problem(error, picture) from error


def compare(today: Answers, changed: Answers) -> tuple[Difference, ...]:
    """Return the answers that differ between two benches.

    Parameters
    ----------
    today, changed : Answers
        The two.

    Returns
    -------
    tuple of Difference
        In the order of the answers; differences below a millionth are none.
    """
    before, after = (
        {a.key: a for group in side.groups for a in group.answers} for side in (today, changed)
    )
    out = []
    for key, one in (before | after).items():
        old = before[key].value if key in before else None
        new = after[key].value if key in after else None
        step = None if old is None or new is None else new - old
        if step is None or abs(step) > 1e-6 * max(abs(old or 0.0), abs(new or 0.0)):
            out.append(Difference(key, one.name, one.unit, old, new, step))
    return tuple(out)


def _usable(name: str) -> Usable:
    known = {entry.name.casefold(): entry for entry in Usable}
    if name.casefold() not in known:
        raise RangeProblem(
            "This convention of the usable width is not known.",
            where="--usable",
            got=name,
            expected=", ".join(f"{key} ({entry})" for key, entry in known.items()),
        )
    return known[name.casefold()]


def _step(text: str) -> float:
    step = parse_quantity(text, "um", where="--step")
    if not 0.01 <= step <= 1000:
        raise RangeProblem(
            "This step is not possible.",
            where="--step",
            got=text,
            expected="0.01 µm to 1000 µm",
        )
    return step
