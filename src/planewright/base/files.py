"""Safe file writing, hashing, and names to pass over."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from planewright.base.problems import Problem, SpaceProblem

PARTIAL = ".partial"
_JUNK = {".ds_store", "thumbs.db", "desktop.ini"}


def is_junk(name: str) -> bool:
    """Tell whether a file name is a system's left-over (``._*``, ``.DS_Store``, ...) or ours."""
    low = name.lower()
    return low.startswith(("._", ".")) or low in _JUNK or low.endswith(PARTIAL)


def same_name(name: str) -> str:
    """Return the form in which two file names are compared: NFC and without case."""
    return unicodedata.normalize("NFC", name).casefold()


def replace(source: Path, target: Path) -> None:
    """Move a file over another in one step, trying again while a virus scanner holds it."""
    for pause_s in (0.0, 0.05, 0.2, 0.5, 1.0):
        time.sleep(pause_s)
        try:
            source.replace(target)
            return
        except PermissionError:
            if os.name != "nt":
                raise
    source.replace(target)


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; on success flush it and rename it into place.

    Raises
    ------
    SpaceProblem
        If the disk is full.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f"{path.name}.{os.getpid()}{PARTIAL}")
    try:
        yield partial
        with partial.open("rb+") as handle:
            os.fsync(handle.fileno())
        replace(partial, path)
    except OSError as error:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        raise disk_problem(error, path) from error
    except BaseException:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        raise


def disk_problem(error: OSError, path: Path) -> Problem:
    """Turn an operating system's error about a file into a Problem."""
    import errno

    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return SpaceProblem(
            "The disk is full.",
            where=str(path),
            got=f"{free_disk_bytes(path) / 1e6:.0f} MB free",
            do="free some space and run the same command again: it goes on where it was",
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return Problem(
            "This place cannot be written to.",
            where=str(path),
            got=error.strerror or str(error),
            do="check the folder's permissions, or put the session on another disk",
        )
    return Problem("A file could not be written.", where=str(path), got=str(error))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a whole file or none of it."""
    with whole_file(path) as partial:
        partial.write_bytes(data)


def write_text(path: Path, text: str) -> None:
    """Write a whole UTF-8 text file or none of it, with plain line ends."""
    write_bytes(path, text.encode("utf-8"))


def write_json(path: Path, value: Any) -> None:
    """Write a JSON file that a person can read."""
    write_text(path, json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Write a CSV table: comma, decimal point, units in the header, whatever the locale.

    Parameters
    ----------
    path : Path
        Where.
    columns : sequence of str
        Column names in order, with units, e.g. ``"z (um)"``.
    rows : iterable of mappings
        Values by column name; None or a missing key leaves the cell empty, floats are written
        with the shortest text that reads back the same.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if row.get(name) is None else _cell(row[name]) for name in columns])
    write_text(path, buffer.getvalue())


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value)
    return str(value)


def read_text(path: Path) -> str:
    """Read UTF-8 text; a byte order mark is accepted.

    Raises
    ------
    Problem
        If the file is missing or not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise Problem("A file is missing.", where=str(path)) from error
    except UnicodeDecodeError as error:
        raise Problem(
            "A text file is not UTF-8.", where=str(path), got=str(error), do="save it as UTF-8"
        ) from error


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's content as hexadecimal text."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def hash_json(value: Any) -> str:
    """Return the SHA-256 of a JSON-ready value, whatever the order of its keys."""
    text = json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def free_disk_bytes(path: Path) -> int:
    """Return the free space on the disk that holds ``path`` or its nearest existing parent."""
    here = path.resolve()
    while not here.exists():
        here = here.parent
    return shutil.disk_usage(here).free
