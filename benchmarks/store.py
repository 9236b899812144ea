"""Write and read speed of the store against plain zarr-python with the same codec, in one run.

Run: ``python benchmarks/store.py [folder]``. Noisy 12-bit light, two threads, warm page cache.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import zarr
from zarr.codecs import BloscCodec

from planewright.volume.store import (
    NumberFormat,
    create,
    make_level_shard,
    open_volume,
    plan_layout,
    read_window,
    store_bytes,
    write_shard,
)

SHAPE = (32, 2000, 3000)


def light_and_mask() -> tuple[np.ndarray, np.ndarray]:
    """Return shot noise on a smooth background, and a mask with hot columns and a gap."""
    rng = np.random.default_rng(0)
    x = np.arange(SHAPE[2])
    mean = 200 + 300 * np.exp(-(((x - 1500) / 700.0) ** 2))
    light = np.empty(SHAPE, np.uint16)
    for plane in light:
        plane[:] = np.clip(
            mean + rng.standard_normal(SHAPE[1:], np.float32) * np.sqrt(mean) * 0.7, 0, 4095
        )
    mask = np.zeros(SHAPE, np.uint8)
    mask[:, rng.integers(0, SHAPE[1], 600), rng.integers(0, SHAPE[2], 600)] = 4
    mask[20] = 1
    return light, mask


def timed(name: str, work: Callable[[], object], megabytes: float) -> None:
    """Run and print wall time, rate and processor time."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"{name:<34} {wall:6.2f} s {megabytes / wall:6.0f} MB/s   processor {cpu:5.2f} s")


def main(folder: Path) -> None:
    """Write, reduce and read; each pair in turn, twice."""
    light, mask = light_and_mask()
    size = light.nbytes / 1e6
    layout = plan_layout(
        SHAPE, voxel_um=(2.5, 0.8, 0.8), number=NumberFormat("uint16", 100, 1.0, "count")
    )
    ours, plain = folder / "ours.zarr", folder / "plain.zarr"
    pool = ThreadPoolExecutor(2)

    def write_ours() -> None:
        shutil.rmtree(ours, ignore_errors=True)
        create(ours, layout)

        def one(index: tuple[int, int, int]) -> None:
            window = layout.window(index)
            write_shard(ours, layout, index, light[window], mask[window])

        list(pool.map(one, layout.indices()))

    def write_plain() -> None:
        shutil.rmtree(plain, ignore_errors=True)
        codec = BloscCodec(cname="zstd", clevel=1, shuffle="bitshuffle")
        level = layout.levels[0]
        arrays = [
            zarr.create_array(
                plain / name,
                shape=SHAPE,
                dtype=data.dtype,
                chunks=level.chunk,
                shards=level.shard,
                compressors=codec,
            )
            for name, data in (("light", light), ("mask", mask))
        ]

        def one(index: tuple[int, int, int]) -> None:
            window = layout.window(index)
            arrays[0][window], arrays[1][window] = light[window], mask[window]

        list(pool.map(one, layout.indices()))

    def pyramid() -> None:
        for level in range(1, len(layout.levels)):
            make = partial(make_level_shard, ours, layout, level=level)
            list(pool.map(make, layout.indices(level)))

    whole = tuple(slice(0, n) for n in SHAPE)
    for _ in range(2):
        timed("write light and mask, flushed", write_ours, size)
        timed("  the same by zarr, not flushed", write_plain, size)
    timed("levels 1 and coarser", pyramid, size)
    for _ in range(2):
        timed("read all, one thread", partial(read_window, ours, layout, whole), size)
        array = zarr.open_array(plain / "light", mode="r")
        timed("  the same by zarr, its threads", partial(array.__getitem__, whole), size)
    lazy = open_volume(ours)
    for name, cut in (("z", lazy[17]), ("y", lazy[:, 1000]), ("x", lazy[:, :, 1500])):
        timed(f"one cut across {name}", cut.to_numpy, cut.nbytes / 2e6)
    print(f"on disk {store_bytes(ours) / 1e6:.0f} MB with all levels, of {size:.0f} MB light")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        main(Path(name))
