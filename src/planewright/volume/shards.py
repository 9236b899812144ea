"""One shard as bytes, as the Zarr v3 sharding codec lays it out.

Inner chunks one after another, each Blosc (zstd 1, bitshuffle), then the index of offsets and
lengths with its CRC-32C [1]_. Written here because it is twice as fast as through the array
library, runs in the calling thread alone, and gives a file even where all is empty: the file is
the proof that the block is done. Reading by the same layout is three times as fast, too. Any Zarr
library reads the files.

References
----------
.. [1] Zarr v3 sharding codec, version 1.0 (ZEP 2): "Binary shard format".
"""

from __future__ import annotations

import math
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
Selection = tuple[Any, ...]
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


def read_shard(
    path: Path,
    selection: Selection,
    out: npt.NDArray[Any],
    *,
    shard: Index,
    chunk: Index,
    fill: float,
) -> None:
    """Read part of one shard file; only the inner chunks that it touches are read and decoded.

    Parameters
    ----------
    path : Path
        The shard's file.
    selection : tuple of slice or ndarray of int
        What to read along (z, y, x), counted within the shard; slices of step 1.
    out : ndarray of shape (z, y, x)
        Where to write it.
    shard, chunk : tuple of int
        Sizes.
    fill : float
        The array's fill value.

    Raises
    ------
    StoreProblem
        If the file is missing or damaged.
    """
    grid = tuple(s // c for s, c in zip(shard, chunk, strict=True))
    size = 16 * math.prod(grid)
    try:
        file = path.open("rb")
    except FileNotFoundError as error:
        raise StoreProblem(
            "A block of the volume is missing.", where=str(path), do="build it again"
        ) from error
    with file:
        file.seek(max(0, file.seek(0, 2) - size - 4))
        tail = file.read()
        if len(tail) != size + 4 or struct.unpack("<I", tail[-4:])[0] != crc32c(tail[:-4]):
            raise _damaged(path)
        index = np.frombuffer(tail[:-4], dtype="<u8").reshape(*grid, 2)
        for place, inside, target in pieces_of(selection, chunk):
            offset, length = (int(v) for v in index[place])
            if offset == _ABSENT:
                out[target] = fill
                continue
            file.seek(offset)
            out[target] = _unpack(file.read(length), out.dtype, chunk, path)[inside]


def _unpack(data: bytes, dtype: np.dtype[Any], chunk: Index, path: Path) -> npt.NDArray[Any]:
    try:
        raw = imagecodecs.blosc_decode(data, numthreads=1)
        return np.frombuffer(raw, dtype.newbyteorder("<")).reshape(chunk)
    except (RuntimeError, ValueError) as error:
        raise _damaged(path) from error


def _damaged(path: Path) -> StoreProblem:
    return StoreProblem(
        "A block of the volume is damaged.",
        where=str(path),
        got="its checksum or its data do not fit",
        do="delete the volume and build it again",
    )


def pieces_of(selection: Selection, size: Index) -> Iterator[tuple[Index, Any, Any]]:
    """Split a selection over a regular grid.

    Parameters
    ----------
    selection : tuple of slice or ndarray of int
        Along each axis a slice with start and stop, step 1, or positions in any order.
    size : tuple of int
        Size of a grid cell.

    Yields
    ------
    place : tuple of int
        The cell.
    inside : tuple
        Index of the part of the cell that is asked for.
    target : tuple
        Index of where it goes in the result.
    """
    axes = [_cells(axis, cell) for axis, cell in zip(selection, size, strict=True)]
    plain = all(isinstance(axis, slice) for axis in selection)
    for combination in product(*axes):
        place, inside, target = zip(*combination, strict=True)
        if plain:
            yield place, inside, target
        else:
            yield place, np.ix_(*map(_positions, inside)), np.ix_(*map(_positions, target))


def _cells(axis: Any, cell: int) -> list[tuple[int, Any, Any]]:
    if isinstance(axis, slice):
        found: list[tuple[int, Any, Any]] = []
        for number in range(axis.start // cell, -(-axis.stop // cell)):
            first = number * cell
            low, high = max(axis.start, first), min(axis.stop, first + cell)
            found.append(
                (
                    number,
                    slice(low - first, high - first),
                    slice(low - axis.start, high - axis.start),
                )
            )
        return found
    numbers = axis // cell
    return [
        (
            int(number),
            axis[numbers == number] - int(number) * cell,
            np.flatnonzero(numbers == number),
        )
        for number in np.unique(numbers)
    ]


def _positions(axis: Any) -> Any:
    return np.arange(axis.start, axis.stop) if isinstance(axis, slice) else axis


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
