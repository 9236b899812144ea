"""Pass two: planes from scratch are moved, evened, turned, and written as whole shards."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.check.judge import Verdict
from planewright.jobs.moving import Moves, hot_mask
from planewright.jobs.planes import Recipe, Scratch
from planewright.kernels.shift import halo_px, shift_plane
from planewright.volume.orient import Orientation
from planewright.volume.store import Layout, write_shard

Index = tuple[int, int, int]


@dataclass(frozen=True)
class Shards:
    """What a shard is made from.

    Parameters
    ----------
    store : Path
        The store under work.
    layout : Layout
        Its plan.
    orientation : Orientation
        How photographs lie in it.
    recipe : Recipe
        How scratch holds light.
    scratch : tuple of Scratch or None
        The plane of each position, None for a gap.
    verdict : Verdict
        Which frames are doubtful.
    moves : Moves
        Shift and factor of each position.
    """

    store: Path
    layout: Layout
    orientation: Orientation
    recipe: Recipe
    scratch: tuple[Scratch | None, ...]
    verdict: Verdict
    moves: Moves

    def write(self, index: Index) -> None:
        """Write one shard of level 0."""
        z, y, x = self.layout.window(index)
        shape = (z.stop - z.start, y.stop - y.start, x.stop - x.start)
        number = self.layout.number
        light = np.full(shape, number.pedestal, dtype=number.dtype)
        mask = np.zeros(shape, np.uint8)
        rows, columns = self.orientation.window(y.start, y.stop, x.start, x.stop)
        hot = hot_mask(self.recipe)
        for k in range(shape[0]):
            position = self.orientation.z_of(z.start + k)
            place = self.scratch[position]
            if place is None:
                mask[k] = Flag.MISSING
                continue
            plane, flags = self._plane(place, position, rows, columns, hot)
            light[k] = self.orientation.apply(plane)
            mask[k] = self.orientation.apply(flags)
            if self.verdict.placements[position].doubtful:
                mask[k] |= np.uint8(Flag.DOUBTFUL)
        write_shard(self.store, self.layout, index, light, mask)

    def _plane(
        self,
        place: Scratch,
        position: int,
        rows: slice,
        columns: slice,
        hot: NDArray[np.uint8],
    ) -> tuple[NDArray[Any], NDArray[np.uint8]]:
        """Return a window of one plane as stored numbers and flags, in the photograph's axes."""
        dy, dx = float(self.moves.shift_y[position]), float(self.moves.shift_x[position])
        size = self.recipe.shape
        wide_y = _widen(rows, halo_px(dy) if dy or dx else 0, size[0])
        wide_x = _widen(columns, halo_px(dx) if dy or dx else 0, size[1])
        cut = self.recipe.number.decode(place.stored()[wide_y, wide_x])
        flags = np.array(place.mask(hot)[wide_y, wide_x])
        if dy or dx:
            cut, flags = shift_plane(cut, flags, dy=dy, dx=dx)
            inner = (
                slice(rows.start - wide_y.start, rows.stop - wide_y.start),
                slice(columns.start - wide_x.start, columns.stop - wide_x.start),
            )
            cut, flags = cut[inner], flags[inner]
        factor = np.float32(self.moves.factor[position] / self.light_per_count)
        if factor != 1:
            cut = cut / factor
        stored, outside = self.layout.number.encode(cut)
        if outside.any():
            # Cannot happen for finite light (the range was measured); a float file's may.
            flags[outside] |= np.uint8(Flag.MISSING)
        return stored, flags

    @property
    def light_per_count(self) -> float:
        """Electrons per count where the store is in electrons, else 1."""
        gain = self.layout.facts.electrons_per_count
        return gain if gain is not None and self.layout.number.unit == "electron" else 1.0


def _widen(span: slice, halo: int, size: int) -> slice:
    return slice(max(0, span.start - halo), min(size, span.stop + halo))


def shard_block_bytes(shards: Shards) -> int:
    """Return about the peak memory of writing one shard of level 0, bytes."""
    level = shards.layout.levels[0]
    item = 2 if shards.layout.number.dtype == "uint16" else 4
    voxels = int(np.prod(level.shard))
    plane = level.shard[1] * level.shard[2]
    rows, columns = shards.recipe.shape
    return voxels * (item + 1) * 2 + plane * 40 + rows * columns
