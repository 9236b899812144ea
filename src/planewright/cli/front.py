"""What all commands share: progress, stopping, problems, the log, results as text or JSON."""

from __future__ import annotations

import json
import logging
import secrets
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from planewright.base.problems import Problem, StoppedProblem

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress

SESSION = typer.Argument(help="The session's folder.", show_default=False)
JSON = typer.Option("--json", help="Print the result as JSON, for programs.")

_log = logging.getLogger("planewright")
_log.addHandler(logging.NullHandler())  # a traceback goes to the log or nowhere


class Bar:
    """Progress on the terminal: stage, done of total, time left; Ctrl-C asks to stop."""

    def __init__(self, shown: RichProgress) -> None:
        self._shown = shown
        self._task: Any = None
        self._stop = threading.Event()

    def stage(self, name: str, total: int, unit: str) -> None:
        """Begin a stage."""
        if self._task is not None:
            self._shown.update(self._task, visible=True)
        self._task = self._shown.add_task(name, total=total, unit=unit)
        _log.info("stage %s, %d %s", name, total, unit)

    def advance(self, steps: int = 1) -> None:
        """Count steps."""
        if self._task is not None:
            self._shown.advance(self._task, steps)

    def ask_to_stop(self) -> None:
        """Ask the job to stop at the next block."""
        self._stop.set()

    def check(self) -> None:
        """Raise if asked to stop."""
        if self._stop.is_set():
            raise StoppedProblem(
                "Stopped as asked.", do="run the same command again: it goes on where it was"
            )


@contextmanager
def bar() -> Iterator[Bar]:
    """Show progress on stderr; the first Ctrl-C stops in good order, the second at once."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=28),
        MofNCompleteColumn(),
        TextColumn("{task.fields[unit]}"),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    with Progress(*columns, console=console) as shown:
        told = Bar(shown)

        def ask(number: int, frame: FrameType | None) -> None:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            console.print("stopping after the blocks under way (Ctrl-C again stops at once)")
            told.ask_to_stop()

        in_main = threading.current_thread() is threading.main_thread()
        before = signal.signal(signal.SIGINT, ask) if in_main else None
        try:
            yield told
        finally:
            if in_main:
                signal.signal(signal.SIGINT, before)


def keep_log(session: Path) -> None:
    """Write the log into the session's folder, rotated; without a session there is none."""
    place = session / ".planewright"
    path = place / "log.txt"
    if not (session / "session.toml").is_file():
        return
    for old in [h for h in _log.handlers if isinstance(h, RotatingFileHandler)]:
        if Path(old.baseFilename) == path.absolute():
            return
        _log.removeHandler(old)
        old.close()
    try:
        place.mkdir(exist_ok=True)
        handler = RotatingFileHandler(path, maxBytes=1_000_000, backupCount=3, encoding="utf-8")
    except OSError:
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s %(message)s"))
    _log.addHandler(handler)
    _log.setLevel(logging.INFO)


def run(
    job: Callable[[], Any], *, as_json: bool, show: Callable[[Any], None], session: Path | None
) -> None:
    """Run a job, show its result, and tell problems as a person or a program needs them.

    Parameters
    ----------
    job : callable
        What to do.
    as_json : bool
        Print the result's ``to_dict()`` on stdout instead of showing it.
    show : callable
        Shows the result on stdout.
    session : Path or None
        Where the log stands.
    """
    if session is not None:
        keep_log(session)
    try:
        result = job()
    except Problem as problem:
        fail(problem, as_json=as_json, session=session)
    except KeyboardInterrupt:
        fail(StoppedProblem("Stopped at once."), as_json=as_json, session=session)
    except Exception as error:
        inside = Problem(
            "Something went wrong inside the program.",
            got=f"{type(error).__name__}: {error}",
            do="nothing of yours was changed; send .planewright/log.txt to the developers",
        )
        inside.__cause__ = error
        fail(inside, as_json=as_json, session=session)
    if as_json:
        typer.echo(json.dumps(result.to_dict(), indent=2, ensure_ascii=False))
    else:
        show(result)
    raise typer.Exit(getattr(result, "exit_code", 0))


def fail(problem: Problem, *, as_json: bool, session: Path | None) -> NoReturn:
    """Tell a problem and end with its exit code; the traceback goes to the log only."""
    if session is not None:
        keep_log(session)  # the session may have come into being meanwhile
    number = secrets.token_hex(3)
    _log.error("problem %s", number, exc_info=problem)
    if as_json:
        typer.echo(json.dumps({"problem": {**problem.to_dict(), "id": number}}, ensure_ascii=False))
    text = (
        str(problem) if isinstance(problem, StoppedProblem) else f"{problem}\n  id        {number}"
    )
    print(text, file=sys.stderr)  # noqa: T201
    raise typer.Exit(problem.exit_code)
