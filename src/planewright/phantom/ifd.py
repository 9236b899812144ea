"""Image file directories of TIFF, EXIF and DNG as bytes (TIFF 6.0, section 2), little-endian."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from planewright.phantom.file_meta import FileMeta

HEADER_BYTES = 8


class Kind(IntEnum):
    """Field types, TIFF 6.0 page 15."""

    BYTE = 1
    ASCII = 2
    SHORT = 3
    LONG = 4
    RATIONAL = 5
    UNDEFINED = 7
    SRATIONAL = 10


_FORMAT = {
    Kind.BYTE: "B",
    Kind.SHORT: "H",
    Kind.LONG: "I",
    Kind.RATIONAL: "I",
    Kind.SRATIONAL: "i",
}


@dataclass(frozen=True)
class Tag:
    """One entry of a directory.

    Parameters
    ----------
    code : int
        Tag number.
    kind : Kind
        Field type.
    value : int, str, bytes or sequence of int
        Rationals as numerator, denominator, numerator, ...
    """

    code: int
    kind: Kind
    value: int | str | bytes | Sequence[int]

    def encoded(self) -> tuple[int, bytes]:
        """Return the entry's count and its bytes."""
        if isinstance(self.value, str):
            data = self.value.encode("ascii") + b"\0"
            return len(data), data
        if isinstance(self.value, bytes):
            return len(self.value), self.value
        numbers = [self.value] if isinstance(self.value, int) else list(self.value)
        pairs = self.kind in (Kind.RATIONAL, Kind.SRATIONAL)
        count = len(numbers) // 2 if pairs else len(numbers)
        return count, struct.pack(f"<{len(numbers)}{_FORMAT[self.kind]}", *numbers)


def directory(tags: Sequence[Tag], at: int) -> bytes:
    """Return a directory that stands at byte ``at`` of the file, its long values behind it.

    Parameters
    ----------
    tags : sequence of Tag
        Entries in any order; they are written sorted, as the standard asks.
    at : int
        Place in the file, bytes; even.

    Returns
    -------
    bytes
        The directory, of even length. The length does not depend on the values of numbers.
    """
    entries = sorted(tags, key=lambda tag: tag.code)
    behind = at + 2 + 12 * len(entries) + 4
    head, tail = struct.pack("<H", len(entries)), b""
    for tag in entries:
        count, data = tag.encoded()
        head += struct.pack("<HHI", tag.code, tag.kind, count)
        if len(data) <= 4:
            head += data.ljust(4, b"\0")
        else:
            head += struct.pack("<I", behind + len(tail))
            tail += data + b"\0" * (len(data) % 2)
    return head + struct.pack("<I", 0) + tail


def exif_tags(meta: FileMeta) -> list[Tag]:
    """Return the entries of the EXIF directory (EXIF 2.32, tables 7 and 8).

    Parameters
    ----------
    meta : FileMeta
        The photograph.

    Returns
    -------
    list of Tag
        Exposure, sensitivity, aperture, times and body serial number.
    """
    tags = [
        Tag(33434, Kind.RATIONAL, meta.exposure_s),
        Tag(33437, Kind.RATIONAL, meta.f_number),
        Tag(34855, Kind.SHORT, min(meta.iso, 65535)),  # PhotographicSensitivity
        Tag(34864, Kind.SHORT, 3),  # SensitivityType: ISO speed
        Tag(34867, Kind.LONG, meta.iso),  # ISOSpeed
        Tag(36864, Kind.UNDEFINED, b"0232"),
        Tag(36867, Kind.ASCII, meta.written_time),  # DateTimeOriginal
        Tag(36868, Kind.ASCII, meta.written_time),  # DateTimeDigitized
        Tag(42033, Kind.ASCII, meta.serial),  # BodySerialNumber
    ]
    if meta.subsecond is not None:
        tags.append(Tag(37521, Kind.ASCII, meta.subsecond))  # SubSecTimeOriginal
    offset = meta.written_offset
    if offset is not None:
        tags.append(Tag(36881, Kind.ASCII, offset))  # OffsetTimeOriginal
    return tags
