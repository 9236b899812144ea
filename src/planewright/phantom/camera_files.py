"""Camera files of the simulated instrument: DNG, TIFF, PNG and JPEG.

The same input gives the same bytes, and a file is there whole or not at all.
"""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.files import write_bytes
from planewright.base.problems import RangeProblem
from planewright.phantom.dng import write_dng
from planewright.phantom.file_meta import PATTERNS, FileMeta
from planewright.phantom.ifd import HEADER_BYTES, Kind, Tag, directory, exif_tags

__all__ = ["PATTERNS", "FileMeta", "write_dng", "write_jpeg", "write_png", "write_tiff"]


def write_tiff(path: Path, image: NDArray[Any], meta: FileMeta) -> None:
    """Write one image or several pages as plain TIFF.

    Parameters
    ----------
    path : Path
        Where.
    image : ndarray of shape (rows, columns), (rows, columns, 3) or (pages, rows, columns)
        uint8, uint16 (12-bit counts stay as they are), int16 or float32. Three values along
        the last axis are red, green and blue.
    meta : FileMeta
        Camera and exposure go into the first page's tags, as TIFF/EP (ISO 12234-2) has them.

    Raises
    ------
    RangeProblem
        If the array has no such shape.
    """
    import tifffile

    if image.ndim not in (2, 3) or image.size == 0:
        raise RangeProblem("This is no image.", got=f"array of shape {image.shape}")
    colour = image.ndim == 3 and image.shape[2] == 3
    pages = [image] if image.ndim == 2 or colour else list(image)
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer, byteorder="<") as writer:
        for number, page in enumerate(pages):
            writer.write(
                np.ascontiguousarray(page),
                photometric="rgb" if colour else "minisblack",
                metadata=None,
                software=False,
                datetime=meta.written_time,
                extratags=[_extra(tag) for tag in _camera_tags(meta)] if number == 0 else [],
            )
    write_bytes(path, buffer.getvalue())


def _camera_tags(meta: FileMeta) -> list[Tag]:
    return [
        Tag(271, Kind.ASCII, meta.make),
        Tag(272, Kind.ASCII, meta.model),
        Tag(274, Kind.SHORT, meta.orientation),
        *exif_tags(meta),
    ]


def _extra(tag: Tag) -> tuple[int, int, int, Any, bool]:
    return (
        tag.code,
        int(tag.kind),
        0 if tag.kind == Kind.ASCII else tag.encoded()[0],
        tag.value,
        True,
    )


def write_png(path: Path, image: NDArray[Any], meta: FileMeta) -> None:
    """Write an 8- or 16-bit PNG with its EXIF in an eXIf chunk.

    Parameters
    ----------
    path : Path
        Where.
    image : ndarray of shape (rows, columns) or (rows, columns, 3), uint8 or uint16
        Counts.
    meta : FileMeta
        The photograph.

    Raises
    ------
    RangeProblem
        If the array has another shape or type.
    """
    import imagecodecs

    grey_or_colour = image.ndim == 2 or (image.ndim == 3 and image.shape[2] == 3)
    if image.dtype not in (np.uint8, np.uint16) or not grey_or_colour or image.size == 0:
        raise RangeProblem(
            "This cannot be written as PNG.",
            got=f"{image.dtype} of shape {image.shape}",
            expected="uint8 or uint16, (rows, columns) or (rows, columns, 3)",
        )
    plain = bytes(imagecodecs.png_encode(np.ascontiguousarray(image), level=3))
    body = b"eXIf" + exif_block(meta)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    after_header = 8 + 25  # signature, IHDR
    write_bytes(path, plain[:after_header] + chunk + plain[after_header:])


def write_jpeg(path: Path, rgb: NDArray[np.uint8], meta: FileMeta, *, quality: int = 92) -> None:
    """Write a JPEG with EXIF.

    Parameters
    ----------
    path : Path
        Where.
    rgb : ndarray of shape (rows, columns, 3) or (rows, columns), uint8
        Values after the tone curve.
    meta : FileMeta
        The photograph.
    quality : int
        1 to 95.

    Raises
    ------
    RangeProblem
        If the array has another type.
    """
    from PIL import Image

    if rgb.dtype != np.uint8:
        raise RangeProblem("A JPEG holds 8 bit.", got=str(rgb.dtype), expected="uint8")
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality, exif=b"Exif\0\0" + exif_block(meta))
    write_bytes(path, buffer.getvalue())


def exif_block(meta: FileMeta) -> bytes:
    """Return EXIF as JPEG and PNG carry it: a small TIFF of two directories.

    Parameters
    ----------
    meta : FileMeta
        The photograph.

    Returns
    -------
    bytes
        Without the ``Exif`` mark that JPEG puts before it.
    """
    main = [tag for tag in _camera_tags(meta) if tag.code < 33434]
    main.append(Tag(306, Kind.ASCII, meta.written_time))
    exif_at = HEADER_BYTES + len(directory([*main, Tag(34665, Kind.LONG, 0)], 0))
    return b"".join(
        [
            struct.pack("<2sHI", b"II", 42, HEADER_BYTES),
            directory([*main, Tag(34665, Kind.LONG, exif_at)], HEADER_BYTES),
            directory(exif_tags(meta), exif_at),
        ]
    )
