"""JPEG: through the sRGB curve, good for shape only. Its orientation is never applied."""

from __future__ import annotations

import struct
from pathlib import Path

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames.counted import counted_plane, pick_channel
from planewright.frames.exif import read_exposure
from planewright.frames.guard import decoding, refuse_bomb
from planewright.frames.nouns import Header, Plane

_FRAME_MARKS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def _size(data: bytes) -> tuple[int, int, int, int]:
    """Return rows, columns, channels and bits from the frame header."""
    at = 2
    while True:
        while data[at : at + 2] == b"\xff\xff":
            at += 1
        mark = data[at + 1]
        if mark in _FRAME_MARKS:
            bits, rows, columns, channels = struct.unpack_from(">BHHB", data, at + 4)
            return rows, columns, channels, bits
        if mark in (0xD9, 0xDA):
            raise ValueError("no frame header stands before the image")
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")


def read_header(path: Path) -> Header:
    """Read a JPEG file's header."""
    with decoding(path, "read"), path.open("rb") as handle:
        data = handle.read()
        rows, columns, channels, bits = _size(data)
        exposure, notes = read_exposure(handle)
    refuse_bomb(
        path, rows=rows, columns=columns, decoded=rows * columns * channels, stored=len(data)
    )
    if channels not in (1, 3) or bits != 8:
        raise PhotographProblem(
            "This JPEG file is not an ordinary photograph.",
            where=str(path),
            got=f"{channels} channels of {bits} bits",
            expected="grey or colour of 8 bits",
            do="use the camera's RAW file, or save it as 16-bit TIFF",
        )
    return Header(
        path=path,
        kind="jpeg",
        rows=rows,
        columns=columns,
        pages=1,
        bits=8,
        pattern="RGB" if channels == 3 else "",
        exposure=exposure,
        shape_only=True,
        white=255.0,
        notes=notes,
    )


def read_plane(
    path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
) -> Plane:
    """Decode a JPEG file."""
    import imagecodecs

    with decoding(path, "decoded"):
        pixels = imagecodecs.jpeg8_decode(path.read_bytes())
        if pixels.shape[:2] != (header.rows, header.columns):
            raise ValueError(f"the header changed: {pixels.shape}")
    return counted_plane(
        path,
        pick_channel(path, pixels, colour=colour, coloured=header.pattern == "RGB"),
        white=header.white,
        display=True,
    )
