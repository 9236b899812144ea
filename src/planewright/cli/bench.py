"""``planewright bench``."""

from __future__ import annotations

import shutil
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.front import JSON, run

if TYPE_CHECKING:
    from planewright.bench.answers import Answers
    from planewright.bench.troubles import Trouble
    from planewright.jobs.bench import BenchReport, Difference


def bench(
    file: Annotated[Path, typer.Argument(help="The bench file.", show_default=False)],
    change: Annotated[
        list[str] | None,
        typer.Option(
            help='What if: "detection.tube_length=180 mm", "train.2.gap_after=52 mm" (parts by '
            "number or name). May stand several times."
        ),
    ] = None,
    step: Annotated[
        str | None, typer.Option(help='Judge this step between frames: "2.5 um".')
    ] = None,
    usable: Annotated[
        str,
        typer.Option(
            help="How much thicker than its waist a sheet may be to count as usable: rayleigh "
            "(√2), tenth (1.1), half (1.5) or double (2)."
        ),
    ] = "rayleigh",
    picture: Annotated[
        Path | None,
        typer.Option(
            help="Draw the train to scale with both axes' beams, and the sheet over the field: "
            ".svg, .png or .pdf."
        ),
    ] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Say what the instrument in a bench file can do before it is built or a specimen is mounted.

    How thin the sheet is, where, and how far it stays thin; what a pixel is worth; which step to
    take; what limits what; what cannot work, and how to mend it. Every answer has its
    uncertainty, from the ± that the file states, and its reason. The file is only read.

    Ends with exit code 1 if the bench cannot work, 2 if the file cannot be understood.

    Example: planewright bench bench.toml --step "2.5 um" --change "train.3.gap_after=52 mm"
    """

    def job() -> BenchReport:
        from planewright.jobs.bench import report_bench

        return report_bench(file, changes=change or (), step=step, usable=usable, picture=picture)

    run(job, as_json=as_json, show=show_report, session=None)


def show_report(report: BenchReport) -> None:
    """Show the verdict first, the figures second, the reasons third."""
    if report.changed is None:
        _answers(report.today)
    else:
        typer.echo("What if " + ", ".join(report.changes))
        _text("today    ", report.today.sentence)
        _text("changed  ", report.changed.sentence)
        _differences(report.differences)
        for trouble in report.changed.troubles:
            _trouble(trouble)
    for path in report.written:
        typer.echo(f"wrote {path}")


def _answers(told: Answers) -> None:
    _text("", told.sentence)
    for verdict in told.verdicts:
        _text(f"  {verdict.about:<15} ", verdict.reason)
    for trouble in told.troubles:
        _trouble(trouble)
    for group in told.groups:
        typer.echo(group.name)
        wide = max(len(one.name) for one in group.answers)
        shown = max(len(one.shown) for one in group.answers)
        for one in group.answers:
            mostly = f"; ± mostly from {one.mostly_from}" if one.mostly_from else ""
            _text(f"  {one.name:<{wide}}  {one.shown:<{shown}}  ", one.reason + mostly)
    for line in (*told.unknown, told.no_uncertainty):
        if line:
            _text("", line)
    if told.cautions:
        typer.echo("careful")
        for line in told.cautions:
            _text("  ", line)


def _trouble(trouble: Trouble) -> None:
    mark = {"fault": "FAULT", "doubt": "doubt", "note": "note"}[trouble.severity]
    _text(f"{mark:<6} ", trouble.what)
    for name in ("where", "got", "expected", "do"):
        if text := getattr(trouble, name):
            _text(f"       {name:<9} ", text)


def _differences(differences: tuple[Difference, ...]) -> None:
    from planewright.base.units import show

    large = [one for one in differences if _matters(one)]
    if len(large) < len(differences):
        few = len(differences) - len(large)
        typer.echo(f"  answers that change by less than a thousandth, not shown: {few}")
    if not large:
        return
    wide = max(len(one.name) for one in large)
    typer.echo(f"  {'':<{wide}} {'today':>16} {'changed':>16} {'difference':>16}")
    for one in large:
        values = (one.today, one.changed, one.difference)
        told = ["none" if v is None else show(v, one.unit) for v in values]
        if one.difference is not None and one.difference > 0:
            told[2] = "+" + told[2]
        typer.echo(f"  {one.name:<{wide}} " + " ".join(f"{text:>16}" for text in told))


def _matters(one: Difference) -> bool:
    if one.today is None or one.changed is None or one.difference is None:
        return True
    return abs(one.difference) >= 1e-3 * max(abs(one.today), abs(one.changed))


def _text(head: str, text: str) -> None:
    """Print text behind a head, wrapped to the terminal, later lines below the first."""
    wide = max(72, min(shutil.get_terminal_size((100, 24)).columns, 120))
    typer.echo(
        textwrap.fill(
            text,
            wide,
            initial_indent=head,
            subsequent_indent=" " * min(len(head), 52),
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
