"""TIFF directories, read with no library: what a file is, and whether it is all there.

References
----------
.. [1] TIFF Revision 6.0 (1992); BigTIFF; TIFF/EP (ISO 12234-2); DNG 1.7.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

# Type: (letter for struct, bytes, numbers a value)
_TYPES: dict[int, tuple[str, int]] = {
    1: ("B", 1),
    2: ("B", 1),
    3: ("H", 2),
    4: ("I", 4),
    5: ("II", 8),
    6: ("b", 1),
    7: ("B", 1),
    8: ("h", 2),
    9: ("i", 4),
    10: ("ii", 8),
    11: ("f", 4),
    12: ("d", 8),
    13: ("I", 4),
    16: ("Q", 8),
    17: ("q", 8),
    18: ("Q", 8),
}
_MAGIC = {
    b"II*\0": ("<", False),
    b"MM\0*": (">", False),
    b"II+\0": ("<", True),
    b"MM\0+": (">", True),
    b"IIRO": ("<", False),  # makers' own forms of the same layout
    b"IIRS": ("<", False),
    b"MMOR": (">", False),
    b"IIU\0": ("<", False),
}
_MOST_DIRECTORIES = 200_000

SUBFILE, COLUMNS, ROWS, BITS, COMPRESSION, PHOTOMETRIC = 254, 256, 257, 258, 259, 262
DESCRIPTION, STRIP_OFFSETS, SAMPLES, STRIP_COUNTS, PLANAR = 270, 273, 277, 279, 284
TILE_OFFSETS, TILE_COUNTS, SUB_DIRECTORIES, SAMPLE_FORMAT = 324, 325, 330, 339
MAX_SAMPLE, S_MAX_SAMPLE, ICC_PROFILE, EXIF_DIRECTORY = 281, 341, 34675, 34665
JPEG_OFFSET, JPEG_COUNT = 513, 514
DNG_VERSION, BLACK_REPEAT, BLACK, WHITE, ACTIVE = 50706, 50713, 50714, 50717, 50829
CFA, LINEAR_RAW = 32803, 34892


class BrokenTags(ValueError):
    """A directory points outside the file or cannot be one."""


@dataclass(frozen=True)
class Entry:
    """One entry of a directory: type, count, and where its value lies in the file."""

    kind: int
    count: int
    at: int

    @property
    def bytes(self) -> int:
        """Length of the value in bytes."""
        return self.count * _TYPES.get(self.kind, ("B", 1))[1]


@dataclass(frozen=True)
class Directory:
    """One directory of a TIFF file.

    Parameters
    ----------
    at : int
        Where it lies in the file.
    entries : dict
        Entries by tag.
    inner : tuple of Directory
        Sub-directories.
    """

    at: int
    entries: dict[int, Entry]
    inner: tuple[Directory, ...] = ()


class TagFile:
    """A file laid out as TIFF directories.

    Parameters
    ----------
    handle : file opened for reading bytes
        The file; stays the caller's.

    Raises
    ------
    BrokenTags
        If it is not such a file, or a directory lies outside it.
    """

    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle
        self.size = handle.seek(0, 2)
        head = self._bytes(0, min(16, self.size))
        if head[:4] not in _MAGIC:
            raise BrokenTags("not laid out as a TIFF file")
        self.order, self.big = _MAGIC[head[:4]]
        self._seen: set[int] = set()
        self.directories = self._chain(self._number(8 if self.big else 4))

    def _bytes(self, at: int, length: int) -> bytes:
        if at < 0 or length < 0 or at + length > self.size:
            raise BrokenTags(f"byte {at + length} is needed, the file ends at {self.size}")
        self._handle.seek(at)
        data = self._handle.read(length)
        if len(data) != length:
            raise BrokenTags(f"byte {at + length} is needed, the file ends at {at + len(data)}")
        return data

    def _number(self, at: int) -> int:
        code, length = ("Q", 8) if self.big else ("I", 4)
        return int(struct.unpack(self.order + code, self._bytes(at, length))[0])

    def _chain(self, at: int) -> list[Directory]:
        found: list[Directory] = []
        while at:
            if at in self._seen:
                raise BrokenTags(f"the directory at byte {at} is met twice")
            if len(self._seen) >= _MOST_DIRECTORIES:
                raise BrokenTags(f"there are more than {_MOST_DIRECTORIES} directories")
            self._seen.add(at)
            directory, at = self._directory(at)
            found.append(directory)
        return found

    def _directory(self, at: int) -> tuple[Directory, int]:
        code, head, size = ("Q", 8, 20) if self.big else ("H", 2, 12)
        count = struct.unpack(self.order + code, self._bytes(at, head))[0]
        data = self._bytes(at + head, count * size + (8 if self.big else 4))
        entries: dict[int, Entry] = {}
        form = self.order + ("HHQ" if self.big else "HHI")
        for number in range(count):
            tag, kind, values = struct.unpack_from(form, data, number * size)
            held = at + head + number * size + (12 if self.big else 8)
            entry = Entry(kind, values, held)
            if entry.bytes > (8 if self.big else 4):
                entry = Entry(kind, values, self._number(held))
            entries[tag] = entry
        following = struct.unpack_from(self.order + ("Q" if self.big else "I"), data, count * size)[
            0
        ]
        inner: list[Directory] = []
        if SUB_DIRECTORIES in entries:
            for place in self.values(entries[SUB_DIRECTORIES]):
                if int(place) not in self._seen:
                    inner += self._chain(int(place))
        return Directory(at, entries, tuple(inner)), int(following)

    def values(self, entry: Entry) -> list[int] | list[float]:
        """Return an entry's numbers; a rational becomes a float, nan where divided by zero."""
        code, length = _TYPES.get(entry.kind, ("B", 1))
        data = self._bytes(entry.at, entry.count * length)
        flat = struct.unpack(f"{self.order}{entry.count * len(code)}{code[0]}", data)
        if len(code) == 2:
            pairs = zip(flat[::2], flat[1::2], strict=True)
            return [a / b if b else float("nan") for a, b in pairs]
        return list(flat)

    def array(self, entry: Entry) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Return an entry's whole numbers as an array (offsets and counts may be many)."""
        code, length = _TYPES.get(entry.kind, ("B", 1))
        data = self._bytes(entry.at, entry.count * length)
        return np.frombuffer(data, np.dtype(self.order + code[0])).astype(np.int64)

    def number(self, directory: Directory, tag: int, default: float = 0) -> float:
        """Return the first number of a tag, or ``default`` where it is absent."""
        entry = directory.entries.get(tag)
        if entry is None or entry.count == 0:
            return default
        return self.values(Entry(entry.kind, 1, entry.at))[0]

    def text(self, directory: Directory, tag: int) -> str:
        """Return a tag's text, empty where it is absent."""
        entry = directory.entries.get(tag)
        if entry is None:
            return ""
        data = self._bytes(entry.at, entry.bytes)
        return data.split(b"\0", 1)[0].decode("utf-8", "replace")

    def all(self) -> list[Directory]:
        """Return all directories, sub-directories after the one that names them."""
        return _flat(self.directories)

    def pieces(self, directory: Directory) -> tuple[Sequence[int], Sequence[int]]:
        """Return where the image's strips or tiles lie, and their lengths in bytes."""
        for offsets, counts in (
            (STRIP_OFFSETS, STRIP_COUNTS),
            (TILE_OFFSETS, TILE_COUNTS),
            (JPEG_OFFSET, JPEG_COUNT),
        ):
            if offsets in directory.entries and counts in directory.entries:
                at = self.array(directory.entries[offsets])
                length = self.array(directory.entries[counts])
                return at.tolist(), length.tolist()
        return [], []


def _flat(directories: Sequence[Directory]) -> list[Directory]:
    found: list[Directory] = []
    for directory in directories:
        found.append(directory)
        found += _flat(directory.inner)
    return found


def is_mosaic(tags: TagFile) -> bool:
    """Tell whether a TIFF file holds camera RAW: a mosaic, linear RAW, or the mark of a DNG."""
    if tags.directories and DNG_VERSION in tags.directories[0].entries:
        return True
    return any(tags.number(one, PHOTOMETRIC) in (CFA, LINEAR_RAW) for one in tags.all())
