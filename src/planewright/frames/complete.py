"""Whether a file is all there, by its own structure and before anything is decoded."""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from planewright.base.problems import PhotographProblem
from planewright.frames import tags as t
from planewright.frames.content import identify
from planewright.frames.guard import decoding


@dataclass(frozen=True)
class Completeness:
    """Whether a file is all there.

    Parameters
    ----------
    ok : bool
        It is, as far as its structure tells.
    why : str
        What is missing; empty where nothing is.
    """

    ok: bool
    why: str = ""


class _Cut(ValueError):
    """Something that the file's structure promises is not there."""


def is_complete(path: Path) -> Completeness:
    """Tell whether a photograph is all there by its own structure.

    TIFF, DNG and kin: all offsets and counts within the file. JPEG: from its start mark segment
    by segment to its end mark. PNG: chunk by chunk to IEND. MP4, MOV, CR3: boxes to the end.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Completeness
        ``ok``, and ``why`` where it is not. A file that is no photograph is not ok either.
    """
    try:
        kind = identify(path).kind
        with decoding(path, "read"), path.open("rb") as handle:
            check_structure(handle, kind)
    except _Cut as error:
        return Completeness(False, str(error))
    except PhotographProblem as problem:
        cause = problem.__cause__
        if isinstance(cause, (_Cut, t.BrokenTags)):
            return Completeness(False, str(cause))
        return Completeness(False, f"{problem.what} {problem.got}".strip())
    return Completeness(True)


def check_structure(handle: BinaryIO, kind: str) -> None:
    """Raise if a file of this kind is not all there.

    Parameters
    ----------
    handle : file opened for reading bytes
        The file.
    kind : str
        Its kind, by content.

    Raises
    ------
    ValueError
        Saying what is missing.
    """
    size = handle.seek(0, 2)
    handle.seek(0)
    head = handle.read(16)
    if kind == "jpeg":
        _jpeg(handle)
    elif kind == "png":
        _png(handle, size)
    elif head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+", b"IIRO", b"IIRS", b"MMOR", b"IIU\0"):
        _tiff(handle)
    elif head.startswith(b"FUJIFILMCCD-RAW"):
        _raf(handle, size)
    elif head[:4] == b"RIFF":
        promised = struct.unpack("<I", head[4:8])[0] + 8
        if promised > size:
            raise _Cut(f"{promised} bytes are promised, the file has {size}")
    elif kind == "video" and head[:4] == b"\x1a\x45\xdf\xa3":
        return  # Matroska need not state its length; decoding tells
    elif kind == "video" or head[4:8] == b"ftyp":
        _boxes(handle, size)


def _tiff(handle: BinaryIO) -> None:
    tags = t.TagFile(handle)
    directories = tags.all()
    if not directories:
        raise _Cut("the file has no directory")
    own = t.DNG_VERSION in directories[0].entries or not t.is_mosaic(tags)
    for directory in directories:
        for tag, entry in directory.entries.items():
            if own and entry.at + entry.bytes > tags.size:
                raise _Cut(
                    f"tag {tag} ends at byte {entry.at + entry.bytes}, the file at {tags.size}"
                )
        _pieces(tags, directory, own)


def _pieces(tags: t.TagFile, directory: t.Directory, own: bool) -> None:
    places, lengths = tags.pieces(directory)
    if len(places) != len(lengths):
        raise _Cut(f"{len(places)} pieces have {len(lengths)} lengths")
    if places and (last := max(a + b for a, b in zip(places, lengths, strict=True))) > tags.size:
        raise _Cut(f"image data end at byte {last}, the file at {tags.size}")
    if not own:
        return
    if places and (min(places) == 0 or min(lengths) == 0):
        raise _Cut("a piece of the image was never written")
    if tags.number(directory, t.COMPRESSION, 1) == 1 and t.STRIP_OFFSETS in directory.entries:
        rows, columns = tags.number(directory, t.ROWS), tags.number(directory, t.COLUMNS)
        bits = tags.number(directory, t.BITS, 1) * tags.number(directory, t.SAMPLES, 1)
        needed = int(rows) * ((int(columns) * int(bits) + 7) // 8)
        photometric = tags.number(directory, t.PHOTOMETRIC)
        if photometric != 6 and sum(lengths) < needed:  # 6: chroma may be subsampled
            raise _Cut(f"the image needs {needed} bytes, {sum(lengths)} are stored")


_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL)


def _jpeg(handle: BinaryIO) -> None:
    handle.seek(0)
    data = handle.read()
    at = 2
    while True:
        while data[at : at + 2] == b"\xff\xff":
            at += 1
        marker = data[at : at + 2]
        if len(marker) < 2 or marker[0] != 0xFF:
            raise _Cut(f"no mark stands at byte {at} of {len(data)}")
        if marker == b"\xff\xd9":
            return
        if len(data) < at + 4:
            raise _Cut(f"the file ends at byte {len(data)} within a mark")
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or at + 2 + length > len(data):
            raise _Cut(f"a segment ends at byte {at + 2 + length}, the file at {len(data)}")
        at += 2 + length
        if marker == b"\xff\xda":
            found = _MARKER.search(data, at)
            if found is None:
                raise _Cut(f"the end mark is missing; the file ends at byte {len(data)}")
            at = found.start()


def _png(handle: BinaryIO, size: int) -> None:
    """Walk the chunks and their checksums: libpng takes a damaged image with a mere warning."""
    at = 8
    while True:
        handle.seek(at)
        head = handle.read(8)
        if len(head) < 8:
            raise _Cut(f"the end chunk is missing; the file ends at byte {size}")
        length = int.from_bytes(head[:4], "big")
        if at + 12 + length > size:
            raise _Cut(f"a chunk ends at byte {at + 12 + length}, the file at {size}")
        if zlib.crc32(handle.read(length), zlib.crc32(head[4:])) != int.from_bytes(
            handle.read(4), "big"
        ):
            raise _Cut(f"the chunk at byte {at} is damaged (checksum)")
        at += 12 + length
        if head[4:] == b"IEND":
            return


def _boxes(handle: BinaryIO, size: int) -> None:
    at, kinds = 0, set()
    while at < size:
        handle.seek(at)
        head = handle.read(16)
        if len(head) < 8:
            raise _Cut(f"a box is cut off at byte {size}")
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1 and len(head) == 16:
            length = int.from_bytes(head[8:16], "big")
        elif length == 0:
            length = size - at
        if length < 8 or at + length > size:
            raise _Cut(f"box {kind!r} ends at byte {at + length}, the file at {size}")
        kinds.add(kind)
        at += length
    if b"moov" not in kinds:
        raise _Cut("the table of contents (box 'moov') is missing")


def _raf(handle: BinaryIO, size: int) -> None:
    handle.seek(84)
    data = handle.read(24)
    if len(data) < 24:
        raise _Cut(f"the file ends at byte {size} within its header")
    places = struct.unpack(">6I", data)
    last = max(places[i] + places[i + 1] for i in (0, 2, 4))
    if last > size:
        raise _Cut(f"image data end at byte {last}, the file at {size}")
