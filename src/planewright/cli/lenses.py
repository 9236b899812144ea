"""``planewright lenses``."""

from __future__ import annotations

import shutil
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planewright.cli.front import JSON, run

if TYPE_CHECKING:
    from planewright.bench.search import Candidate
    from planewright.jobs.lenses import LensReport


def lenses(
    drawer: Annotated[
        Path, typer.Argument(help="The drawer: a CSV file, one row a lens.", show_default=False)
    ],
    sheet: Annotated[str, typer.Option(help='FWHM of the sheet where it is thinnest: "5 um".')],
    field: Annotated[str, typer.Option(help='Width of the field along the light: "600 um".')],
    wavelength: Annotated[str, typer.Option(help='Of the laser, in vacuum: "488 nm".')],
    beam_radius: Annotated[
        str, typer.Option(help='1/e² radius of the laser\'s beam: "0.6 mm" (half its width).')
    ],
    medium: Annotated[str, typer.Option(help="In the cell: water, sea water or air.")] = "water",
    temperature: Annotated[str, typer.Option(help="Of the medium.")] = "20 degC",
    height: Annotated[
        str | None,
        typer.Option(help="Height to be lit to 80 % of the middle. Default: as wide as the field."),
    ] = None,
    beam_quality: Annotated[float, typer.Option(help="M² of the laser.")] = 1.0,
    wall: Annotated[str, typer.Option(help="Thickness of the cell's window.")] = "1 mm",
    depth: Annotated[
        str, typer.Option(help="From the inside of the window to the middle of the field.")
    ] = "5 mm",
    rail: Annotated[
        str | None,
        typer.Option(
            help='Spacing of the positions where holders can stand: "25 mm". The last lens is '
            "slid to focus. Default: all slide freely."
        ),
    ] = None,
    longest: Annotated[
        str, typer.Option(help="Longest train, first lens to the middle of the field.")
    ] = "800 mm",
    shown: Annotated[int, typer.Option(help="Trains to show.", min=1, max=50)] = 5,
    write: Annotated[
        Path | None, typer.Option(help="Write the best train as a bench file.")
    ] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Find the light train that makes the sheet you want from lenses that you own.

    Tries a cylinder that focuses into the cell, and a cylinder in the rear focal plane of a
    lens, each with a beam expander of one or two lenses or none, and with a relay or none; uses
    each lens once, and turns it the better way round. Ranks what can be built by thickness at
    the waist and at the edges of the field, height, light lost on rims, aberration, and what half
    a millimetre of misplacement does; follows the best two by wave optics.

    The drawer has the columns name, kind (lens or cylinder), focal_length_mm, diameter_mm or
    width_mm, shape. When nothing in it does, says which one lens would, and ends with exit code 1.

    Example: planewright lenses drawer.csv --sheet "5 um" --field "600 um" --wavelength "488 nm"
    --beam-radius "0.6 mm" --medium "sea water" --temperature "16 degC" --write bench.toml
    """

    def job() -> LensReport:
        from planewright.base.units import parse_quantity
        from planewright.bench.search_wish import Wish
        from planewright.jobs.lenses import find_lenses
        from planewright.optics.media import medium_index

        def read(text: str, unit: str, name: str) -> float:
            return parse_quantity(text, unit, where=f"--{name}")

        wavelength_nm = read(wavelength, "nm", "wavelength")
        degc = read(temperature, "degC", "temperature")
        wish = Wish(
            read(sheet, "um", "sheet"),
            read(field, "um", "field"),
            wavelength_nm,
            read(beam_radius, "mm", "beam-radius"),
            medium_index(medium, wavelength_nm, temperature_degc=degc),
            height_um=None if height is None else read(height, "um", "height"),
            beam_quality=beam_quality,
            wall_mm=read(wall, "mm", "wall"),
            depth_mm=read(depth, "mm", "depth"),
            rail_mm=None if rail is None else read(rail, "mm", "rail"),
            longest_mm=read(longest, "mm", "longest"),
        )
        return find_lenses(
            drawer, wish, medium=medium, temperature_degc=degc, write=write, shown=shown
        )

    run(job, as_json=as_json, show=_show, session=None)


def _show(report: LensReport) -> None:
    """Show the verdict first, the figures second, the reasons third."""
    from planewright.jobs.lenses import reasons

    _text("", report.sentence)
    if report.found.best:
        best = report.found.best[0]
        _figures(report, best)
        typer.echo("train" if best.does_it else "nearest train")
        _train(best, report.wish.wall_mm)
    if report.wanting is not None:
        typer.echo("train with the lens to get")
        _train(report.wanting.train, report.wish.wall_mm)
    typer.echo("why")
    for line in reasons(report):
        _text("  ", line)
    _others(report.found.best)
    _text(
        "",
        f"Tried {report.found.placed} trains of {report.lenses} lenses, rated the "
        f"{report.found.rated} most promising in full.",
    )
    typer.echo("careful")
    for line in report.cautions:
        _text("  ", line)
    for path in report.written:
        typer.echo(f"wrote {path}")


def _figures(report: LensReport, best: Candidate) -> None:
    wish, made = report.wish, best.sheet
    typer.echo(f"  {'':<34} {'asked':>10} {'given':>10}")
    for name, asked, given in (
        ("thickness where thinnest, FWHM", f"{wish.sheet_um:.4g} µm", f"{made.fwhm_um:.4g} µm"),
        ("at the worse edge of the field", f"{wish.edge_um:.4g} µm", f"{best.edge_um:.4g} µm"),
        ("height lit to 80 %", f"{wish.height:.0f} µm", f"{best.height_um:.0f} µm"),
        ("light past the rims", "90 %", f"{100 * made.passed:.1f} %"),
        (
            "spherical aberration",
            "0.25 waves",
            f"{made.aberration.peak_to_valley_waves:.2g} waves",
        ),
        ("length", f"{wish.longest_mm:.0f} mm", f"{best.length_mm:.0f} mm"),
    ):
        typer.echo(f"  {name:<34} {asked:>10} {given:>10}")


def _train(candidate: Candidate, wall_mm: float) -> None:
    from planewright.jobs.lenses import rows

    told = rows(candidate)
    wide = max(len(row.name) for row in told)
    for row in told:
        beam = f"beam {row.beam_y_mm:.3g} × {row.beam_z_mm:.3g} mm"
        rim = "" if row.clear_mm is None else f" of {row.clear_mm:g} mm"
        _text(
            f"  {row.name:<{wide}}  ",
            f"{row.role}, {row.focal_length_mm:g} mm, {row.kind}, {row.facing}; {beam}{rim}; "
            f"then {row.gap_after_mm:.2f} mm",
        )
    _text("  ", f"{'window':<{wide}}  {wall_mm:g} mm of glass, then the cell")


def _others(best: tuple[Candidate, ...]) -> None:
    if len(best) < 2:
        return
    typer.echo(f"next       {'thin':>8} {'edges':>8} {'height':>8} {'light':>6}  train")
    for k, one in enumerate(best[1:], start=2):
        short = "" if one.does_it else "  (falls short)"
        typer.echo(
            f"  {k:<8} {one.sheet.fwhm_um:>5.2f} µm {one.edge_um:>5.1f} µm "
            f"{one.height_um:>5.0f} µm {100 * one.sheet.passed:>4.0f} %  "
            f"{', '.join(one.names)}{short}"
        )


def _text(head: str, text: str) -> None:
    """Print text behind a head, wrapped to the terminal, later lines below the first."""
    wide = max(72, min(shutil.get_terminal_size((100, 24)).columns, 120))
    typer.echo(
        textwrap.fill(
            text,
            wide,
            initial_indent=head,
            subsequent_indent=" " * min(len(head), 30),
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
