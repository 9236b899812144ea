"""``planewright picture``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.base.problems import UsageProblem
from planewright.base.units import parse_quantity
from planewright.cli.front import JSON, SESSION, bar, run
from planewright.cli.options import PASS

if TYPE_CHECKING:
    from planewright.jobs.pictures import Pictures


def picture(
    session: Annotated[Path, SESSION],
    pass_name: Annotated[str | None, PASS] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option(
            help="brightest, average, total, depth, cuts or frames; repeat for several. "
            "Default: all."
        ),
    ] = None,
    colours: Annotated[
        str, typer.Option(help="Colours of light: grey, magma, inferno, viridis or cividis.")
    ] = "grey",
    window: Annotated[
        str | None,
        typer.Option(help='Light shown as black and as full: "0:300". Default: chosen and stated.'),
    ] = None,
    gamma: Annotated[
        float, typer.Option(help="Exponent of the rise from black to full.", min=0.1, max=10)
    ] = 1.0,
    point: Annotated[
        str | None,
        typer.Option(help='Point of the cuts as x, y, z: "60 um, 72 um, 40 um".'),
    ] = None,
    file: Annotated[str, typer.Option(help="Kind of file: png, pdf, svg or tif.")] = "png",
    dpi: Annotated[float, typer.Option(help="Dots an inch.", min=30, max=1200)] = 200,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Draw pictures with scale bar, key and what is missing, into the session's pictures folder.

    Colours can be told apart by colour-blind readers. How light was made brightness is stated on
    each picture, and what was not recorded is hatched, never filled in.
    """

    def job() -> Pictures:
        from planewright.jobs.pictures import make_pictures

        with bar() as progress:
            return make_pictures(
                session,
                pass_name,
                kinds=tuple(kind or ()),
                colours=colours,
                window=_window(window),
                gamma=gamma,
                point_um=_point(point),
                suffix="." + file.lower().lstrip("."),
                dpi=dpi,
                progress=progress,
            )

    run(job, as_json=as_json, show=_show, session=session)


def _window(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError as error:
        raise UsageProblem(
            "The window is not two numbers.", where="--window", got=text, expected='"0:300"'
        ) from error
    return low, high


def _point(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    parts = text.split(",")
    if len(parts) != 3:
        raise UsageProblem(
            "The point is not three lengths.",
            where="--point",
            got=text,
            expected='x, y, z: "60 um, 72 um, 40 um"',
        )
    x, y, z = (parse_quantity(part, "um", where="--point") for part in parts)
    return z, y, x


def _show(made: Pictures) -> None:
    for name in made.written:
        typer.echo(f"wrote {name}")
