"""How long a 24-megapixel RAW frame takes: LibRaw alone, and our green plane beyond it.

Run: ``python benchmarks/read_raw.py``. Times are the best of several, in
milliseconds: of the processor where one thread works, on the wall where several do.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np
import rawpy

from planewright.frames import read_header, read_plane
from planewright.phantom.camera_files import FileMeta, write_dng

META = FileMeta(
    datetime(2026, 5, 4, 3, 2, 1), None, None, (1, 25), 400, (28, 10), 1, "Fieldcam", "F", "7"
)


def best_ms(
    work: Callable[[], object],
    repeats: int = 7,
    clock: Callable[[], float] = time.thread_time,
) -> float:
    """Return the best of several times, ms; of the processor, unless another clock is given."""
    times = []
    for _ in range(repeats):
        start = clock()
        work()
        times.append(clock() - start)
    return 1e3 * min(times)


def decode(path: Path) -> int:
    """Unpack the mosaic with LibRaw and touch it."""
    with rawpy.imread(str(path)) as raw:
        return int(raw.raw_image_visible[0, 0])


def main() -> None:
    """Write two files, read them, print a table."""
    rng = np.random.default_rng(0)
    mosaic = (512 + rng.poisson(300, (4000, 6000))).astype(np.uint16)
    mosaic[1000:1100, 1000:1100] = 16383
    with tempfile.TemporaryDirectory() as folder:
        for compressed in (False, True):
            path = Path(folder) / f"F_{compressed:d}.dng"
            write_dng(path, mosaic, META, compressed=compressed)
            header = read_header(path)

            def many(threads: int, path: Path = path) -> None:
                with ThreadPoolExecutor(threads) as pool:
                    list(pool.map(lambda _: read_plane(path).step, range(8)))

            alone, plane = (
                best_ms(lambda p=path: decode(p)),
                best_ms(lambda p=path, h=header: read_plane(p, header=h)),
            )
            print(
                f"{'lossless' if compressed else 'plain':>9}: header"
                f" {best_ms(lambda p=path: read_header(p)):.1f}, LibRaw {alone:.0f},"
                f" green plane {plane:.0f} ms; a frame with 1 thread {many_ms(many, 1):.0f},"
                f" with 2 threads {many_ms(many, 2):.0f} ms"
            )


def many_ms(many: Callable[[int], None], threads: int) -> float:
    """Return the time a frame takes when eight are read by some threads, ms."""
    return best_ms(lambda: many(threads), 3, time.perf_counter) / 8


if __name__ == "__main__":
    main()
