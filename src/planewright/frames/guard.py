"""Errors of libraries become problems; libraries stay quiet; absurd sizes are refused."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from planewright.base.problems import PhotographProblem, Problem

MOST_PIXELS = 400_000_000
_BOMB_BYTES = 256_000_000
_BOMB_RATIO = 200


@contextmanager
def decoding(path: Path, doing: str) -> Iterator[None]:
    """Turn whatever a library raises about a file into a PhotographProblem.

    Parameters
    ----------
    path : Path
        The photograph.
    doing : str
        What is being done, e.g. ``"read"``: the problem says that it cannot be.

    Raises
    ------
    PhotographProblem
        If anything but a Problem is raised inside.
    """
    try:
        yield
    except Problem:
        raise
    except FileNotFoundError as error:
        raise PhotographProblem(
            "This photograph is not there.",
            where=str(path),
            do="check the name in session.toml, and that the disk or card is connected",
        ) from error
    except PermissionError as error:
        raise PhotographProblem(
            "This photograph may not be read.",
            where=str(path),
            got="permission denied",
            do="check the file's permissions",
        ) from error
    except MemoryError as error:
        raise PhotographProblem(
            "This photograph does not fit into memory.", where=str(path), got=_told(error)
        ) from error
    except Exception as error:  # libraries raise whatever their formats' parsers meet
        raise PhotographProblem(
            f"This photograph cannot be {doing}.",
            where=str(path),
            got=_told(error),
            expected="a whole, undamaged file",
            do="copy it again from the camera's card; if it is damaged there too, take it again",
        ) from error


def _told(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 200 else text[:197] + "..."


def quiet(logger: str) -> None:
    """Keep a library's log records off the terminal; handlers set by a front end still get them."""
    log = logging.getLogger(logger)
    if not any(isinstance(handler, logging.NullHandler) for handler in log.handlers):
        log.addHandler(logging.NullHandler())


def refuse_bomb(path: Path, *, rows: int, columns: int, decoded: int, stored: int) -> None:
    """Refuse a file that would unpack to an absurd size, before anything is decoded.

    Parameters
    ----------
    path : Path
        The photograph.
    rows, columns : int
        Size that the header states, pixels.
    decoded : int
        Bytes that one page would take once decoded.
    stored : int
        Bytes that it takes in the file.

    Raises
    ------
    PhotographProblem
        If the size is empty, above 400 megapixels, or out of all proportion to the file.
    """
    if rows <= 0 or columns <= 0:
        raise PhotographProblem(
            "This photograph has no pixels.",
            where=str(path),
            got=f"{rows} rows × {columns} columns",
            do="copy it again from the camera's card",
        )
    if rows * columns > MOST_PIXELS:
        raise PhotographProblem(
            "This photograph says that it is larger than any camera's; it was not opened.",
            where=str(path),
            got=f"{rows} rows × {columns} columns, {rows * columns / 1e6:.0f} megapixels",
            expected=f"at most {MOST_PIXELS / 1e6:.0f} megapixels",
            do="check where this file came from; it may be damaged or made to do harm",
        )
    if decoded > _BOMB_BYTES and decoded > _BOMB_RATIO * max(1, stored):
        raise PhotographProblem(
            "This photograph would unpack to far more than it stores; it was not opened.",
            where=str(path),
            got=f"{decoded / 1e6:.0f} MB from {stored / 1e6:.3g} MB",
            expected=f"at most {_BOMB_RATIO} times its stored size",
            do="check where this file came from; it may be damaged or made to do harm",
        )
