"""Floor 12: the command line, one file a command. Heavy rooms are imported when they are needed."""

from __future__ import annotations

import typer

from planewright.cli.build import build
from planewright.cli.check import check
from planewright.cli.demo import demo
from planewright.cli.new import new
from planewright.cli.picture import picture

app = typer.Typer(
    name="planewright",
    help="From light-sheet photographs to one volume in true micrometres.",
    epilog="Begin with: planewright demo. Each command teaches itself: planewright build --help.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
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


app.command("demo")(demo)
app.command("new")(new)
app.command("check")(check)
app.command("build")(build)
app.command("picture")(picture)


def main() -> None:
    """Run the command line."""
    app()
