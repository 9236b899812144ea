"""``planewright build``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.check import show_checked
from planewright.cli.front import JSON, SESSION, bar, run
from planewright.cli.options import MEMORY, PASS, WORKERS, memory_bytes

if TYPE_CHECKING:
    from planewright.jobs.build import Built


def build(
    session: Annotated[Path, SESSION],
    pass_name: Annotated[str | None, PASS] = None,
    ome_tiff: Annotated[
        bool, typer.Option("--ome-tiff", help="Also write the volume as one OME-TIFF.")
    ] = False,
    workers: Annotated[int | None, WORKERS] = None,
    memory: Annotated[str | None, MEMORY] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Make the volume: true micrometres, true hand, light in proportion, doubtful voxels masked.

    Takes out dark level, hot pixels and uneven light, steadies what shook, leaves a gap a gap,
    and writes passes/NAME/volume.ome.zarr with frames.csv, findings.csv and provenance.json.

    Stop it with Ctrl-C whenever you like, or lose the power: the same command goes on where it
    was. Photographs are only read.
    """

    def job() -> Built:
        from planewright.jobs.build import build_pass

        with bar() as progress:
            return build_pass(
                session,
                pass_name,
                ome_tiff=ome_tiff,
                workers=workers,
                memory_bytes=memory_bytes(memory),
                progress=progress,
            )

    run(job, as_json=as_json, show=_show, session=session)


def _show(built: Built) -> None:
    typer.echo(built.sentence)
    for line in built.figures:
        typer.echo(f"  {line}")
    show_checked(built.checked)
    for path in built.written:
        typer.echo(f"wrote {path}")
