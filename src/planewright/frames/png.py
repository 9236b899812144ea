"""PNG: 8 and 16 bits, grey or RGB, taken as linear counts unless it says sRGB.

References
----------
.. [1] W3C, Portable Network Graphics (PNG) Specification.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames.counted import counted_plane, pick_channel
from planewright.frames.exif import read_exposure
from planewright.frames.guard import decoding, refuse_bomb
from planewright.frames.nouns import Exposure, Header, Plane

_CHANNELS = {0: 1, 2: 3, 4: 2, 6: 4}
_MOST_EXIF = 1 << 24


@dataclass(frozen=True)
class _Facts:
    columns: int
    rows: int
    bits: int
    colour: int
    says_srgb: bool
    exif: bytes


def _facts(path: Path) -> _Facts:
    with decoding(path, "read"), path.open("rb") as handle:
        size = handle.seek(0, 2)
        handle.seek(0)
        head = handle.read(33)
        if head[12:16] != b"IHDR":
            raise ValueError("the header chunk does not stand first")
        columns, rows = int.from_bytes(head[16:20], "big"), int.from_bytes(head[20:24], "big")
        bits, colour = head[24], head[25]
        says_srgb, exif, at = False, b"", 33
        while True:
            handle.seek(at)
            chunk = handle.read(8)
            length = int.from_bytes(chunk[:4], "big")
            if len(chunk) < 8 or chunk[4:] == b"IEND":
                break
            if chunk[4:] == b"eXIf" and length <= _MOST_EXIF:
                exif = handle.read(length)
            says_srgb |= chunk[4:] in (b"sRGB", b"iCCP")
            at += 12 + length
    channels = _CHANNELS.get(colour, 1)
    refuse_bomb(
        path, rows=rows, columns=columns, decoded=rows * columns * channels * bits // 8, stored=size
    )
    if colour not in _CHANNELS or bits not in (8, 16):
        raise PhotographProblem(
            "This PNG file does not hold measured light.",
            where=str(path),
            got="a palette of colours" if colour == 3 else f"numbers of {bits} bits",
            expected="grey or RGB numbers of 8 or 16 bits",
            do="save it as 16-bit grey PNG or TIFF",
        )
    return _Facts(columns, rows, bits, colour, says_srgb, exif)


def read_header(path: Path) -> Header:
    """Read a PNG file's header."""
    facts = _facts(path)
    coloured = facts.colour in (2, 6)
    exposure, notes = read_exposure(io.BytesIO(facts.exif)) if facts.exif else (Exposure(), ())
    return Header(
        path=path,
        kind="png",
        rows=facts.rows,
        columns=facts.columns,
        pages=1,
        bits=facts.bits,
        pattern="RGB" if coloured else "",
        exposure=exposure,
        shape_only=coloured and facts.bits == 8 and facts.says_srgb,
        white=255.0 if facts.bits == 8 else None,
        notes=notes,
    )


def read_plane(
    path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
) -> Plane:
    """Decode a PNG file."""
    import imagecodecs

    with decoding(path, "decoded"):
        pixels = imagecodecs.png_decode(path.read_bytes())
        if pixels.shape[:2] != (header.rows, header.columns):
            raise ValueError(f"the header changed: {pixels.shape}")
    return counted_plane(
        path,
        pick_channel(path, pixels, colour=colour, coloured=header.pattern == "RGB"),
        white=white_hint if white_hint is not None else header.white,
        display=header.shape_only,
    )
