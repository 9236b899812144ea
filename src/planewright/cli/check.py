"""``planewright check``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.front import JSON, SESSION, bar, run
from planewright.cli.options import MEMORY, PASS, WORKERS, memory_bytes

if TYPE_CHECKING:
    from planewright.base.nouns import Finding
    from planewright.jobs.check import Checked


def check(
    session: Annotated[Path, SESSION],
    pass_name: Annotated[str | None, PASS] = None,
    workers: Annotated[int | None, WORKERS] = None,
    memory: Annotated[str | None, MEMORY] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Judge every frame: is it there, is it good, and what is to be taken again?

    Run it while the specimen is still mounted. It reads each photograph once, changes none, and
    writes passes/NAME/frames.csv (a row a planned position, gaps included) and findings.csv.

    Ends with exit code 1 if a frame must be taken again, 0 if none must.
    """

    def job() -> Checked:
        from planewright.jobs.check import check_pass

        with bar() as progress:
            return check_pass(
                session,
                pass_name,
                workers=workers,
                memory_bytes=memory_bytes(memory),
                progress=progress,
            )

    run(job, as_json=as_json, show=show_checked, session=session)


def show_checked(checked: Checked) -> None:
    """Show the verdict first, the figures second, the reasons third."""
    typer.echo(checked.sentence)
    for line in checked.figures:
        typer.echo(f"  {line}")
    for finding in checked.findings:
        mark = {"fault": "FAULT", "doubt": "doubt", "note": "note"}[finding.severity]
        typer.echo(f"{mark:<6} {finding.what}")
        for line in finding_lines(finding):
            typer.echo(f"       {line}")
    if checked.retakes:
        typer.echo("Take again: " + ", ".join(checked.retakes))
    for path in checked.written:
        typer.echo(f"wrote {path}")


def finding_lines(finding: Finding) -> list[str]:
    """Return the lines below a finding: where, got, expected, do."""
    names = finding.photographs
    where = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    parts = (
        ("where", where),
        ("got", finding.got),
        ("expected", finding.expected),
        ("do", finding.do),
    )
    return [f"{name:<9} {text}" for name, text in parts if text]
