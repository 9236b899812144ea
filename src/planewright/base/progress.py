"""One way for every long job to say how far it is, and to be asked to stop."""

from __future__ import annotations

import threading
from typing import Protocol

from planewright.base.problems import StoppedProblem


class Progress(Protocol):
    """What a long job reports to. The library never prints; a front end implements this."""

    def stage(self, name: str, total: int, unit: str) -> None:
        """Begin a stage of ``total`` steps counted in ``unit`` ("frames", "blocks")."""

    def advance(self, steps: int = 1) -> None:
        """Say that steps of the present stage are done."""

    def check(self) -> None:
        """Raise StoppedProblem if the person has asked to stop."""


class Quiet:
    """Progress that shows nothing and can be asked to stop from another thread."""

    def __init__(self) -> None:
        self._stop = threading.Event()

    def stage(self, name: str, total: int, unit: str) -> None:
        """Begin a stage."""

    def advance(self, steps: int = 1) -> None:
        """Count steps."""

    def ask_to_stop(self) -> None:
        """Ask the job to stop at the next block."""
        self._stop.set()

    def check(self) -> None:
        """Raise if asked to stop."""
        if self._stop.is_set():
            raise StoppedProblem(
                "Stopped as asked.", do="run the same command again: it goes on where it was"
            )
