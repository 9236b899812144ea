"""One way to read any photograph: the reader is chosen by content, never by name."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Protocol

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames import jpeg, png, raw, tiff, video
from planewright.frames.complete import check_structure
from planewright.frames.content import Content, identify, unfinished
from planewright.frames.guard import decoding
from planewright.frames.nouns import Header, Plane


class Reader(Protocol):
    """What each kind's module offers."""

    def read_header(self, path: Path) -> Header:
        """Read the header."""

    def read_plane(
        self, path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
    ) -> Plane:
        """Decode one page."""


READERS: dict[str, Reader] = {
    "raw": raw,
    "tiff": tiff,
    "png": png,
    "jpeg": jpeg,
    "video": video,
}


def _whole(path: Path) -> Content:
    """Tell what a file is, and refuse it if it is not all there."""
    with decoding(path, "read"):
        status = path.stat()
    return _judged(path, status.st_size, status.st_mtime_ns)


@lru_cache(maxsize=4096)
def _judged(path: Path, size: int, changed_ns: int) -> Content:
    """Judge once; again if the file changes. A stack of many pages would else be walked a page."""
    content = identify(path)
    with decoding(path, "read"), path.open("rb") as handle:
        try:
            check_structure(handle, content.kind)
        except ValueError as error:
            raise unfinished(path, str(error)) from error
    return content


def read_header(path: Path) -> Header:
    """Read what a photograph's file says about itself.

    Parameters
    ----------
    path : Path
        The photograph.

    Returns
    -------
    Header
        Kind, size, pages, time, settings, and notes on what is odd.

    Raises
    ------
    PhotographProblem
        If it is missing, empty, cut short, of an unknown kind, absurdly large, or holds no
        measured light.
    """
    path = Path(path)
    kind = _whole(path).kind
    with decoding(path, "read"):
        return READERS[kind].read_header(path)


def read_plane(
    path: Path,
    *,
    page: int = 0,
    colour: Colour = Colour.GREEN,
    header: Header | None = None,
    white_hint: float | None = None,
) -> Plane:
    """Decode one plane of a photograph, linear in light.

    Parameters
    ----------
    path : Path
        The photograph. It is only read.
    page : int
        Page, counted from 0.
    colour : Colour
        Which lattice of a mosaic, or channel of an RGB file.
    header : Header or None
        Its header, if it was read before: saves reading it again.
    white_hint : float or None
        Stored number at which the sensor is full, where it is known better than the file says.

    Returns
    -------
    Plane
        Counts, lattice, masks. Safe to call from several threads.

    Raises
    ------
    PhotographProblem
        If it cannot be decoded, or has no such page.
    """
    path = Path(path)
    kind = _whole(path).kind
    if header is None or header.kind != kind:
        header = read_header(path)
    if not 0 <= page < header.pages:
        raise PhotographProblem(
            "This file has no such page.",
            where=str(path),
            got=f"page {page + 1}",
            expected=f"1 to {header.pages}",
        )
    with decoding(path, "decoded"):
        return READERS[kind].read_plane(
            path, page=page, colour=colour, header=header, white_hint=white_hint
        )
