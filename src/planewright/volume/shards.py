"""One shard as bytes, as the Zarr v3 sharding codec lays it out.

Inner chunks one after another, each Blosc (zstd 1, bitshuffle), then the index of offsets and
lengths with its CRC-32C [1]_. Written here because it is twice as fast as through the array
library, runs in the calling thread alone, and gives a file even where all is empty: the file is
the proof that the block is done. Reading goes by the same layout for the pyramid; everyone else
reads through any Zarr library.

References
----------
.. [1] Zarr v3 sharding codec, version 1.0 (ZEP 2): "Binary shard format".
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt

from planewright.base.problems import StoreProblem

Index = tuple[int, int, int]
_ABSENT = 2**64 - 1


def encode_shard(
    block: npt.NDArray[Any], *, shard: Index, chunk: Index, fill: float
) -> list[bytes]:
    """Write a block as the pieces of one shard.

    Parameters
    ----------
    block : ndarray of shape (z, y, x)
        At most as large as the shard; smaller at the volume's end.
    shard, chunk : tuple of int
        Sizes; the second divides the first.
    fill : float
        The array's fill value: pads the end, and chunks of nothing else are left out.

    Returns
    -------
    list of bytes
        To be written one after another.
    """
    grid = tuple(s // c for s, c in zip(shard, chunk, strict=True))
    index = np.full((*grid, 2), _ABSENT, dtype="<u8")
    pieces: list[bytes] = []
    offset = 0
    for place in np.ndindex(*grid):
        part = block[tuple(slice(p * c, (p + 1) * c) for p, c in zip(place, chunk, strict=True))]
        if not part.size or (part.flat[0] == fill and bool(np.all(part == fill))):
            continue
        if part.shape != chunk:
            whole = np.full(chunk, fill, dtype=block.dtype)
            whole[tuple(slice(0, n) for n in part.shape)] = part
            part = whole
        data = _pack(np.ascontiguousarray(part, dtype=block.dtype.newbyteorder("<")))
        index[place] = offset, len(data)
        pieces.append(data)
        offset += len(data)
    table = index.tobytes()
    return [*pieces, table, struct.pack("<I", crc32c(table))]


def _pack(part: npt.NDArray[Any]) -> bytes:
    packed = imagecodecs.blosc_encode(
        _bytes_of(part),
        level=1,
        compressor="zstd",
        shuffle="bitshuffle",
        typesize=part.dtype.itemsize,
        numthreads=1,
    )
    return bytes(packed)


def _bytes_of(part: Any) -> Any:
    return part.reshape(-1).view(np.uint8)


class ShardReader:
    """One shard file, from which single inner chunks are read.

    Parameters
    ----------
    path : Path
        The shard's file.
    shard, chunk : tuple of int
        Sizes.
    dtype : numpy dtype
        Of the array.
    fill : float
        The array's fill value.

    Raises
    ------
    StoreProblem
        If the file is missing or damaged.
    """

    def __init__(
        self, path: Path, *, shard: Index, chunk: Index, dtype: npt.DTypeLike, fill: float
    ) -> None:
        self._path = path
        self._chunk = chunk
        self._dtype = np.dtype(dtype)
        self._fill = fill
        grid = tuple(s // c for s, c in zip(shard, chunk, strict=True))
        size = 16 * int(np.prod(grid))
        try:
            self._file = path.open("rb")
        except FileNotFoundError as error:
            raise StoreProblem(
                "A block of the volume is missing.", where=str(path), do="build it again"
            ) from error
        with self._file:
            self._file.seek(0, 2)
            total = self._file.tell()
            self._file.seek(max(0, total - size - 4))
            tail = self._file.read()
            if len(tail) != size + 4 or struct.unpack("<I", tail[-4:])[0] != crc32c(tail[:-4]):
                raise _damaged(path)
            self._file.seek(0)
            self._data = self._file.read(total - size - 4)
        self._index = np.frombuffer(tail[:-4], dtype="<u8").reshape(*grid, 2)

    def chunk(self, place: Index) -> npt.NDArray[Any]:
        """Return one inner chunk, decoded."""
        offset, length = (int(v) for v in self._index[place])
        if offset == _ABSENT:
            return np.full(self._chunk, self._fill, dtype=self._dtype)
        data: Any = memoryview(self._data)[offset : offset + length]
        try:
            raw = imagecodecs.blosc_decode(data, numthreads=1)
            return np.frombuffer(raw, self._dtype.newbyteorder("<")).reshape(self._chunk)
        except (RuntimeError, ValueError) as error:
            raise _damaged(self._path) from error


def _damaged(path: Path) -> StoreProblem:
    return StoreProblem(
        "A block of the volume is damaged.",
        where=str(path),
        got="its checksum or its data do not fit",
        do="delete the volume and build it again",
    )


def pieces_of(window: tuple[slice, ...], size: Index) -> Iterator[tuple[Index, Any, Any]]:
    """Split a window over a regular grid.

    Parameters
    ----------
    window : tuple of slice
        With start and stop, step 1.
    size : tuple of int
        Size of a grid cell.

    Yields
    ------
    place : tuple of int
        The cell.
    inside : tuple of slice
        The part of the cell that the window covers.
    target : tuple of slice
        The part of the window that it fills.
    """
    spans = []
    for span, cell in zip(window, size, strict=True):
        axis = []
        for number in range(span.start // cell, -(-span.stop // cell)):
            low = max(span.start, number * cell)
            high = min(span.stop, (number + 1) * cell)
            inside = slice(low - number * cell, high - number * cell)
            axis.append((number, inside, slice(low - span.start, high - span.start)))
        spans.append(axis)
    for combination in product(*spans):
        place, inside, target = zip(*combination, strict=True)
        yield place, inside, target


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC = _crc_table()


def crc32c(data: bytes) -> int:
    """Return the CRC-32C (Castagnoli, RFC 3720) of a few kilobytes."""
    value = 0xFFFFFFFF
    for byte in data:
        value = (value >> 8) ^ _CRC[(value ^ byte) & 0xFF]
    return value ^ 0xFFFFFFFF
