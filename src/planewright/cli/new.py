"""``planewright new``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.front import JSON, run

if TYPE_CHECKING:
    from planewright.jobs.new import NewSession


def new(
    folder: Annotated[Path, typer.Argument(help="The folder to make; it may hold photographs.")],
    bench: Annotated[
        Path | None, typer.Option(help="Bench file to copy into the session.", exists=True)
    ] = None,
    frames: Annotated[
        str,
        typer.Option(
            help="Pattern of the specimen's photographs, from the folder or from the root of the "
            "disk; between quotation marks."
        ),
    ] = "frames/*",
    pixel: Annotated[
        str, typer.Option(help='One sensor pixel in the specimen: "0.412 um ± 0.002 um".')
    ] = "",
    step: Annotated[
        str, typer.Option(help='True travel between two frames: "2.5 um ± 0.01 um".')
    ] = "",
    title: Annotated[str, typer.Option(help="The session in a few words.")] = "",
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Make a session's folder with a session file to fill in.

    One session is one specimen on one day. The file says what each photograph is, what moved,
    and how large a pixel and a step truly are. Comments that you write into it survive.

    Example: planewright new urchin-07 --pixel "0.412 um" --step "2.5 um"
    """

    def job() -> NewSession:
        from planewright.jobs.new import new_session

        return new_session(
            folder, bench=bench, frames=frames, pixel=pixel, step_text=step, title=title
        )

    run(job, as_json=as_json, show=_show, session=None)


def _show(made: NewSession) -> None:
    typer.echo(f"Made the session {made.folder}")
    for name in made.written:
        typer.echo(f"  wrote  {made.folder / name}")
    if made.missing:
        typer.echo("  still to fill in: " + ", ".join(made.missing))
    if made.frames.startswith("frames/"):
        typer.echo(f"Next: put photographs into {made.folder / 'frames'}, then")
    else:
        typer.echo(f"Next, with photographs at {made.frames}:")
    typer.echo(f"  planewright check {made.folder}")
