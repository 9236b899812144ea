"""One writer a session: a lock that the operating system releases at the holder's death."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from planewright.base.files import disk_problem
from planewright.base.problems import LockProblem


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Hold the session's lock while writing to it.

    Parameters
    ----------
    folder : Path
        The session's folder.

    Raises
    ------
    LockProblem
        If another process holds it; its process number, host and start are named.
    Problem
        If the folder cannot be written to.
    """
    place = folder / ".planewright"
    path = place / "lock"
    try:
        place.mkdir(exist_ok=True)
        handle = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise disk_problem(error, place) from error
    with handle:
        if not _take(handle):
            raise LockProblem(
                "Another process is writing to this session.",
                where=str(folder),
                got=_holder(place),
                do="wait for it, or stop it there; the lock goes with the process",
            )
        try:
            (place / "holder.json").write_text(
                json.dumps(
                    {
                        "pid": os.getpid(),
                        "host": socket.gethostname(),
                        "since": datetime.now(UTC).isoformat(timespec="seconds"),
                    }
                ),
                encoding="utf-8",
            )
            yield
        finally:
            _give(handle)


def _holder(place: Path) -> str:
    try:
        told = json.loads((place / "holder.json").read_text(encoding="utf-8"))
        return f"process {told['pid']} on {told['host']}, since {told['since']}"
    except (OSError, ValueError, KeyError):
        return "a process that left no name"


if os.name == "nt":
    import msvcrt

    def _take(handle: IO[str]) -> bool:
        handle.seek(0)
        try:
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True

    def _give(handle: IO[str]) -> None:
        handle.seek(0)
        msvcrt.locking(handle.fileno(), msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined,unused-ignore]

else:
    import fcntl

    def _take(handle: IO[str]) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _give(handle: IO[str]) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)
