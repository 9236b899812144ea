"""Floor 12: the command line, one file a command. Heavy rooms are imported when they are needed."""

from __future__ import annotations

import typer

from planewright.cli.bench import bench
from planewright.cli.build import build
from planewright.cli.check import check
from planewright.cli.demo import demo
from planewright.cli.lenses import lenses
from planewright.cli.new import new
from planewright.cli.picture import picture

app = typer.Typer(
    name="planewright",
    help="From light-sheet photographs to one volume in true micrometres.",
    epilog="Begin with: planewright demo. Each command teaches itself: planewright build --help.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(asked: bool) -> None:
    if asked:
        from planewright import __version__

        typer.echo(f"planewright {__version__}")
        raise typer.Exit


@app.callback()
def _all(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version and end."
    ),
) -> None:
    pass


app.command("demo", short_help="Do the whole job on a simulated session.")(demo)
app.command("new", short_help="Make a session's folder.")(new)
app.command("bench", short_help="Say what an instrument can do, and what limits it.")(bench)
app.command("lenses", short_help="Find the light train that your own lenses can make.")(lenses)
app.command("check", short_help="Judge every frame: there, good, or to be taken again?")(check)
app.command("build", short_help="Make the volume.")(build)
app.command("picture", short_help="Draw pictures of the volume and its frames.")(picture)


def main() -> None:
    """Run the command line."""
    app()
