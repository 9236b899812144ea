"""``planewright demo``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.front import JSON, bar, run

if TYPE_CHECKING:
    from planewright.jobs.demo import Demo


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the simulated session.")] = Path(
        "demo"
    ),
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Do the whole job on a simulated session: a sea-urchin blastula with a green dye.

    Camera files are written as a camera writes them, faults included; then the volume is built
    and pictures are drawn, and all of it is held against what is known of the simulation.
    """

    def job() -> Demo:
        from planewright.jobs.demo import run_demo

        with bar() as progress:
            return run_demo(folder, progress=progress)

    run(job, as_json=as_json, show=_show, session=folder)


def _show(made: Demo) -> None:
    typer.echo(f"Shot {made.photographs} simulated photographs into {made.folder / 'frames'}.")
    typer.echo(made.built.sentence)
    for line in made.built.figures:
        typer.echo(f"  {line}")
    typer.echo(made.built.checked.sentence)
    for finding in made.built.checked.findings:
        typer.echo(f"  {finding.severity:<6} {finding.what}")
    typer.echo("Against the simulated truth:")
    for line in made.compared.lines():
        typer.echo(f"  {line}")
    typer.echo("Results:")
    for name in (*made.built.written, *made.built.checked.written, *made.pictures):
        typer.echo(f"  {made.folder / name}")
