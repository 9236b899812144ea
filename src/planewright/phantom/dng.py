"""The simulated camera's RAW file: DNG 1.4 with a preview, EXIF and the mosaic as recorded."""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from planewright.base.files import write_bytes
from planewright.base.problems import RangeProblem
from planewright.phantom.file_meta import FileMeta
from planewright.phantom.ifd import HEADER_BYTES, Kind, Tag, directory, exif_tags

TILE = 512
PREVIEW_COLUMNS = 768
PREVIEW_QUALITY = 80
_COLOUR_CODE = {"R": 0, "G": 1, "B": 2}
# A made-up sensor that sees in linear sRGB; XYZ to sRGB by IEC 61966-2-1, in ten-thousandths.
_XYZ_TO_CAMERA = (32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570)


@dataclass(frozen=True)
class _Pieces:
    """Pixel data of one image in the file, and the tags that say how it is cut up."""

    data: tuple[bytes, ...]
    tags: tuple[Tag, ...]
    offset_code: int


def write_dng(
    path: Path,
    mosaic: NDArray[np.uint16],
    meta: FileMeta,
    *,
    compressed: bool,
    workers: int | None = None,
) -> None:
    """Write a mosaic as a whole DNG file: preview first, the mosaic in a sub-directory.

    Parameters
    ----------
    path : Path
        Where.
    mosaic : ndarray of shape (rows, columns), uint16
        Counts as the converter gives them, black level included.
    meta : FileMeta
        Levels, pattern, exposure and times.
    compressed : bool
        Lossless JPEG in tiles, as most cameras do, or plain 16-bit words.
    workers : int or None
        Threads that compress tiles; None for one a core. The bytes do not depend on it.

    Raises
    ------
    RangeProblem
        If the mosaic has another shape or type; if it is to be compressed and is smaller than
        16 × 16 or holds more than 14 bits or those of the white level.

    References
    ----------
    .. [1] Adobe, Digital Negative Specification 1.4 (2012), chapters 2 to 4.
    """
    if mosaic.ndim != 2 or mosaic.dtype != np.uint16 or 0 in mosaic.shape:
        raise RangeProblem(
            "This is no mosaic.",
            got=f"{mosaic.dtype} of shape {mosaic.shape}",
            expected="uint16 of shape (rows, columns)",
        )
    raw = _tiles(mosaic, meta, workers) if compressed else _strip(mosaic)
    write_bytes(path, _assemble(mosaic, meta, raw))


def _strip(mosaic: NDArray[np.uint16]) -> _Pieces:
    data = np.ascontiguousarray(mosaic, dtype="<u2").tobytes()
    tags = (
        Tag(259, Kind.SHORT, 1),
        Tag(278, Kind.LONG, mosaic.shape[0]),
        Tag(279, Kind.LONG, len(data)),
    )
    return _Pieces((data,), tags, 273)


def _tiles(mosaic: NDArray[np.uint16], meta: FileMeta, workers: int | None) -> _Pieces:
    if min(mosaic.shape) < 16:
        raise RangeProblem(
            "This mosaic is too small for compressed tiles.",
            got=f"{mosaic.shape[0]} × {mosaic.shape[1]}",
            expected="at least 16 × 16",
        )
    bits = max(14, meta.white.bit_length())
    top = int(mosaic.max())
    if top >= 1 << bits:
        raise RangeProblem(
            "A count does not fit into the file.",
            got=f"{top} counts",
            expected=f"below {1 << bits} counts ({bits} bit)",
        )
    high, wide = (_tile_side(size) for size in mosaic.shape)
    corners = list(product(range(0, mosaic.shape[0], high), range(0, mosaic.shape[1], wide)))

    def encode(corner: tuple[int, int]) -> bytes:
        row, column = corner
        piece = mosaic[row : row + high, column : column + wide]
        short = ((0, high - piece.shape[0]), (0, wide - piece.shape[1]))
        tile = np.ascontiguousarray(np.pad(piece, short))
        # Two sensor rows make one row of the JPEG, so that each count is predicted from its own
        # colour: a third smaller. Readers take the tile as a run of samples, whatever its shape.
        paired = tile.reshape(high // 2, 2 * wide)
        return bytes(imagecodecs.ljpeg_encode(paired, bitspersample=bits))

    count = workers or os.cpu_count() or 1
    if count == 1 or len(corners) == 1:
        data = [encode(corner) for corner in corners]
    else:
        with ThreadPoolExecutor(count) as pool:
            data = list(pool.map(encode, corners))
    tags = (
        Tag(259, Kind.SHORT, 7),
        Tag(322, Kind.LONG, wide),
        Tag(323, Kind.LONG, high),
        Tag(325, Kind.LONG, [len(piece) for piece in data]),
    )
    return _Pieces(tuple(data), tags, 324)


def _tile_side(size: int) -> int:
    """Sides are multiples of 16 (TIFF 6.0, section 15); some readers want none above the image."""
    return min(TILE, max(16, size // 16 * 16))


def preview(mosaic: NDArray[np.uint16], meta: FileMeta) -> NDArray[np.uint8]:
    """Return the small picture that a camera puts beside the mosaic: colour, bright, 8 bit.

    Parameters
    ----------
    mosaic : ndarray of shape (rows, columns), uint16
        Counts.
    meta : FileMeta
        Pattern and levels.

    Returns
    -------
    ndarray of shape (rows', columns', 3), uint8
        Every so-maniest cell of the visible area, in the sensor's orientation.
    """
    top, left, bottom, right = meta.active or (0, 0, *mosaic.shape)
    seen = mosaic[top:bottom, left:right]
    pace = 2 * max(1, -(-seen.shape[1] // (2 * PREVIEW_COLUMNS)))
    rows, columns = (max(1, size // pace) for size in seen.shape)
    picture = np.zeros((rows, columns, 3), np.float32)
    for site, colour in enumerate(meta.pattern):
        plane = seen[site // 2 :: pace, site % 2 :: pace][:rows, :columns].astype(np.float32)
        light = (plane - meta.black[site]) / (meta.white - meta.black[site])
        part = 0.5 if colour == "G" else 1.0
        grown = np.pad(light, [(0, rows - light.shape[0]), (0, columns - light.shape[1])])
        picture[..., _COLOUR_CODE[colour]] += part * grown
    return np.rint(255 * np.clip(picture, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def _jpeg(picture: NDArray[np.uint8]) -> _Pieces:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=PREVIEW_QUALITY, subsampling="4:2:2")
    data = buffer.getvalue()
    tags = (
        Tag(259, Kind.SHORT, 7),
        Tag(278, Kind.LONG, picture.shape[0]),
        Tag(279, Kind.LONG, len(data)),
        Tag(530, Kind.SHORT, (2, 1)),  # YCbCrSubSampling
        Tag(532, Kind.RATIONAL, (0, 1, 255, 1, 128, 1, 255, 1, 128, 1, 255, 1)),
    )
    return _Pieces((data,), tags, 273)


def _preview_tags(picture: NDArray[np.uint8], meta: FileMeta) -> list[Tag]:
    return [
        Tag(254, Kind.LONG, 1),  # a reduced image
        Tag(256, Kind.LONG, picture.shape[1]),
        Tag(257, Kind.LONG, picture.shape[0]),
        Tag(258, Kind.SHORT, (8, 8, 8)),
        Tag(262, Kind.SHORT, 6),  # YCbCr
        Tag(271, Kind.ASCII, meta.make),
        Tag(272, Kind.ASCII, meta.model),
        Tag(274, Kind.SHORT, meta.orientation),
        Tag(277, Kind.SHORT, 3),
        Tag(284, Kind.SHORT, 1),
        Tag(306, Kind.ASCII, meta.written_time),
        Tag(50706, Kind.BYTE, (1, 4, 0, 0)),  # DNGVersion
        Tag(50707, Kind.BYTE, (1, 1, 0, 0)),  # DNGBackwardVersion
        Tag(50708, Kind.ASCII, f"{meta.make} {meta.model}"),  # UniqueCameraModel
        Tag(50721, Kind.SRATIONAL, [n for v in _XYZ_TO_CAMERA for n in (v, 10000)]),
        Tag(50728, Kind.RATIONAL, (1, 1, 1, 1, 1, 1)),  # AsShotNeutral
        Tag(50735, Kind.ASCII, meta.serial),
        Tag(50778, Kind.SHORT, 21),  # CalibrationIlluminant1: D65
    ]


def _mosaic_tags(shape: tuple[int, ...], meta: FileMeta) -> list[Tag]:
    rows, columns = shape
    top, left, bottom, right = meta.active or (0, 0, rows, columns)
    return [
        Tag(254, Kind.LONG, 0),  # the main image
        Tag(256, Kind.LONG, columns),
        Tag(257, Kind.LONG, rows),
        Tag(258, Kind.SHORT, 16),
        Tag(262, Kind.SHORT, 32803),  # colour filter array
        Tag(277, Kind.SHORT, 1),
        Tag(284, Kind.SHORT, 1),
        Tag(33421, Kind.SHORT, (2, 2)),  # CFARepeatPatternDim
        Tag(33422, Kind.BYTE, [_COLOUR_CODE[colour] for colour in meta.pattern]),
        Tag(50710, Kind.BYTE, (0, 1, 2)),  # CFAPlaneColor
        Tag(50711, Kind.SHORT, 1),  # CFALayout: rectangular
        Tag(50713, Kind.SHORT, (2, 2)),  # BlackLevelRepeatDim
        Tag(50714, Kind.RATIONAL, [n for level in meta.black for n in (level, 1)]),
        Tag(50717, Kind.LONG, meta.white),
        Tag(50719, Kind.RATIONAL, (0, 1, 0, 1)),  # DefaultCropOrigin
        Tag(50720, Kind.RATIONAL, (right - left, 1, bottom - top, 1)),  # DefaultCropSize
        Tag(50829, Kind.LONG, (top, left, bottom, right)),  # ActiveArea
    ]


def _assemble(mosaic: NDArray[np.uint16], meta: FileMeta, raw: _Pieces) -> bytes:
    """Lay out header, three directories, preview and mosaic; offsets are filled in last."""
    picture = preview(mosaic, meta)
    small = _jpeg(picture)
    first = [*_preview_tags(picture, meta), *small.tags]
    second = [*_mosaic_tags(mosaic.shape, meta), *raw.tags]
    exif = directory(exif_tags(meta), 0)
    blank = [Tag(330, Kind.LONG, 0), Tag(34665, Kind.LONG, 0), _offsets(small, 0)]
    exif_at = HEADER_BYTES + len(directory([*first, *blank], 0))
    raw_at = exif_at + len(exif)
    behind = raw_at + len(directory([*second, _offsets(raw, 0)], 0))
    small_at = _even(behind)
    data_at = _even(small_at + len(small.data[0]))
    links = [Tag(330, Kind.LONG, raw_at), Tag(34665, Kind.LONG, exif_at)]
    parts = [
        struct.pack("<2sHI", b"II", 42, HEADER_BYTES),
        directory([*first, *links, _offsets(small, small_at)], HEADER_BYTES),
        directory(exif_tags(meta), exif_at),
        directory([*second, _offsets(raw, data_at)], raw_at),
        bytes(small_at - behind),
        small.data[0],
        bytes(data_at - small_at - len(small.data[0])),
    ]
    return b"".join([*parts, *(_padded(piece) for piece in raw.data)])


def _offsets(pieces: _Pieces, start: int) -> Tag:
    lengths: Sequence[int] = [_even(len(piece)) for piece in pieces.data]
    places = [start + sum(lengths[:number]) for number in range(len(lengths))]
    return Tag(pieces.offset_code, Kind.LONG, places)


def _even(number: int) -> int:
    return number + number % 2


def _padded(piece: bytes) -> bytes:
    return piece + b"\0" * (len(piece) % 2)
