"""From a volume that may be larger than memory to what a picture needs, block by block."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planewright.base.blocks import run_blocks
from planewright.base.progress import Progress, Quiet
from planewright.picture.scene import Bools, Floats, Subject

BLOCK = (32, 512, 1024)  # 67 MB of light; a whole number of the store's chunks
Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Projected:
    """What is left of a volume when it is looked at along z.

    Parameters
    ----------
    brightest : ndarray of shape (y, x), float32
        Most light among the seen voxels of the column, 0 where none is seen.
    at : ndarray of shape (y, x), int32
        Plane of that light; the one nearest the lens if several are alike; -1 where none.
    total : ndarray of shape (y, x), float64
        Sum of the seen voxels' light.
    seen : ndarray of shape (y, x), int32
        Number of seen voxels.
    planes : ndarray of shape (z,), bool
        Planes of which anything is seen.
    saturated : int
        Seen voxels whose light is a lower bound.
    """

    brightest: Floats
    at: npt.NDArray[np.int32]
    total: Doubles
    seen: npt.NDArray[np.int32]
    planes: Bools
    saturated: int

    @property
    def average(self) -> Doubles:
        """Mean light of the seen voxels, 0 where none is seen."""
        return self.total / np.maximum(self.seen, 1)


@dataclass(frozen=True)
class _Tile:
    y: slice
    x: slice


def _spans(count: int, size: int) -> list[slice]:
    return [slice(at, min(at + size, count)) for at in range(0, count, max(1, size))]


def project(
    subject: Subject,
    *,
    block: tuple[int, int, int] = BLOCK,
    workers: int = 1,
    progress: Progress | None = None,
) -> Projected:
    """Look at a volume along z.

    Parameters
    ----------
    subject : Subject
        The volume.
    block : tuple of int
        Planes, rows and columns that are in memory at once, for each worker.
    workers : int
        Blocks under way at once.
    progress : Progress or None
        Told of each column of blocks, and asked whether to stop.

    Returns
    -------
    Projected
        The same, bit by bit, whatever the block and the number of workers.

    Raises
    ------
    StoppedProblem
        If the person asked to stop.
    """
    progress = progress or Quiet()
    depth, rows, columns = subject.shape
    out = Projected(
        brightest=np.zeros((rows, columns), np.float32),
        at=np.full((rows, columns), -1, np.int32),
        total=np.zeros((rows, columns), np.float64),
        seen=np.zeros((rows, columns), np.int32),
        planes=np.zeros(depth, np.bool_),
        saturated=0,
    )
    tiles = [_Tile(y, x) for y in _spans(rows, block[1]) for x in _spans(columns, block[2])]
    progress.stage("looking along z", len(tiles), "columns of blocks")

    def look(tile: _Tile) -> Projected:
        return _project_tile(subject, tile, block[0], progress)

    saturated = 0
    with ThreadPoolExecutor(max(1, workers)) as pool:
        parts = run_blocks(look, tiles, executor=pool, in_flight=workers, progress=progress)
        for tile, part in zip(tiles, parts, strict=True):
            out.brightest[tile.y, tile.x] = part.brightest
            out.at[tile.y, tile.x] = part.at
            out.total[tile.y, tile.x] = part.total
            out.seen[tile.y, tile.x] = part.seen
            np.logical_or(out.planes, part.planes, out=out.planes)
            saturated += part.saturated
    return Projected(out.brightest, out.at, out.total, out.seen, out.planes, saturated)


def _project_tile(subject: Subject, tile: _Tile, slab: int, progress: Progress) -> Projected:
    shape = (tile.y.stop - tile.y.start, tile.x.stop - tile.x.start)
    brightest = np.full(shape, -np.inf, np.float32)
    at = np.full(shape, -1, np.int32)
    total = np.zeros(shape, np.float64)
    count = np.zeros(shape, np.int32)
    planes = np.zeros(subject.z.count, np.bool_)
    saturated = 0
    for span in _spans(subject.z.count, slab):
        progress.check()
        light, seen, full = subject.read(span, tile.y, tile.x)
        saturated += full
        # Plane by plane, so that sums do not depend on the slab.
        for offset in range(light.shape[0]):
            plane, here = light[offset], seen[offset]
            whole = bool(here.all())
            planes[span.start + offset] = whole or here.any()
            total += plane
            count += 1 if whole else here
            better = plane > brightest
            if not whole:
                better &= here
            np.copyto(brightest, plane, where=better)
            np.copyto(at, span.start + offset, where=better, casting="unsafe")
    brightest[count == 0] = 0.0
    return Projected(brightest, at, total, count, planes, saturated)


@dataclass(frozen=True)
class Cut:
    """One plane through the volume.

    Parameters
    ----------
    light : ndarray of shape (down, along), float32
        Zero where nothing is seen.
    seen : ndarray of the same shape, bool
        Where light was recorded.
    """

    light: Floats
    seen: Bools


def cut_xy(subject: Subject, z: int) -> Cut:
    """Take one plane: y down, x along."""
    light, seen, _ = subject.read(z, slice(None), slice(None))
    return Cut(light, seen)


def cut_xz(subject: Subject, y: int, *, slab: int = BLOCK[0]) -> Cut:
    """Cut at one row: z down, x along."""
    return _join([subject.read(span, y, slice(None)) for span in _spans(subject.z.count, slab)])


def cut_yz(subject: Subject, x: int, *, slab: int = BLOCK[0]) -> Cut:
    """Cut at one column: z down, y along."""
    return _join([subject.read(span, slice(None), x) for span in _spans(subject.z.count, slab)])


def _join(pieces: list[tuple[Floats, Bools, int]]) -> Cut:
    return Cut(np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces]))


def middle_of_light(
    subject: Subject, *, block: tuple[int, int, int] = BLOCK, progress: Progress | None = None
) -> tuple[int, int, int]:
    """Find a voxel whose three cuts show something, near the middle of the light.

    Along each axis the mean square root of the seen voxels' light is taken, so that one glaring
    spot does not outweigh the specimen, and its median subtracted.
    Of the places with at least 0.8 of the most, the one nearest the centre of mass is taken; of
    the planes, one that was seen.

    Parameters
    ----------
    subject : Subject
        The volume.
    block : tuple of int
        Planes, rows and columns in memory at once.
    progress : Progress or None
        Asked whether to stop.

    Returns
    -------
    tuple of int
        Plane, row and column; the middle of the box where nothing stands out.
    """
    progress = progress or Quiet()
    sums = [np.zeros(count, np.float64) for count in subject.shape]
    counts = [np.zeros(count, np.float64) for count in subject.shape]
    for z, y, x in _blocks(subject, block):
        progress.check()
        light, seen, _ = subject.read(z, y, x)
        root = np.sqrt(np.maximum(light, 0.0))
        for axis, span in enumerate((z, y, x)):
            others = tuple(other for other in range(3) if other != axis)
            sums[axis][span] += root.sum(axis=others, dtype=np.float64)
            counts[axis][span] += np.count_nonzero(seen, axis=others)
    plane, row, column = (_middle(s, n) for s, n in zip(sums, counts, strict=True))
    seen_planes = np.flatnonzero(counts[0])
    if seen_planes.size:
        plane = int(seen_planes[np.argmin(np.abs(seen_planes - plane))])
    return plane, row, column


def _blocks(subject: Subject, block: tuple[int, int, int]) -> Iterator[tuple[slice, slice, slice]]:
    depth, rows, columns = subject.shape
    for z in _spans(depth, block[0]):
        for y in _spans(rows, block[1]):
            for x in _spans(columns, block[2]):
                yield z, y, x


def _middle(total: Doubles, count: Doubles) -> int:
    if not count.any():
        return total.size // 2
    mean = total / np.maximum(count, 1)
    over = np.where(count > 0, np.maximum(mean - np.median(mean[count > 0]), 0), 0)
    if not over.any():
        return total.size // 2
    centre = (over * np.arange(over.size)).sum() / over.sum()
    strong = np.flatnonzero(over >= 0.8 * over.max())
    return int(strong[np.argmin(np.abs(strong - centre))])
