"""Speed and memory of a build, paired in one run with its floor and with the plain script.

    python benchmarks/speed.py WORK --frames 200                  # lossless-compressed RAW, 24 MP
    python benchmarks/speed.py WORK --frames 200 --uncompressed
    python benchmarks/speed.py WORK --frames 50 --only build

The floor decodes every frame once and writes the compressed pyramid once, with the same
libraries and both cores, and does nothing else: no dark, no judging, no steadying. The plain
script is ``benchmarks/plain_script.py``. Each runs in a process of its own; wall time and peak
resident memory are the operating system's figures for that process. Frames are made first: a
small simulated stack tiled over the sensor, with fresh noise in each frame; they are in the page
cache when the measuring begins.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

ROWS, COLUMNS = 4000, 6000
PIXEL_UM, STEP_UM = 0.28, 1.25
BLACK, WHITE, GAIN = 512, 16383, 2.0
HERE = Path(__file__).parent


def tiled(frames: int) -> np.ndarray:
    """Return noise-free electrons of a small stack, tiled; (frames, rows, columns), float16."""
    from planewright.phantom.instrument import small_instrument
    from planewright.phantom.render import fine_stack
    from planewright.phantom.scene import small_urchin_scene

    instrument = small_instrument(rows=400, columns=400, frames=50, margin_px=16)
    fine = fine_stack(small_urchin_scene(4), instrument)
    planes = np.stack([fine.plane(k) for k in range(instrument.frames)])
    there_and_back = np.concatenate([planes, planes[-2:0:-1]])
    return there_and_back[np.arange(frames) % len(there_and_back)].astype(np.float32) * 300


def write_frames(folder: Path, frames: int, *, compressed: bool) -> None:
    """Write the session: frames with fresh noise and true jitter, and darks."""
    from planewright.phantom.camera_files import FileMeta, write_dng

    for name in ("frames", "dark"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    small = tiled(frames)
    rng = np.random.default_rng(1)
    jitter = np.rint(rng.normal(0, 2, (frames, 2))).astype(int) * 2
    start = datetime(2031, 5, 17, 9, 0, 0)
    sites = np.array([[0.35, 1.0], [1.0, 0.25]], np.float32)

    def shoot(k: int) -> None:
        own = np.random.default_rng([1, k])
        dark = k >= frames
        cell = np.zeros((400, 400), np.float32) if dark else np.roll(small[k], jitter[k], (0, 1))
        electrons = np.tile((cell + (0 if dark else 12)) * np.tile(sites, (200, 200)), (10, 15))
        noisy = electrons + np.sqrt(electrons + 6.0) * own.standard_normal(
            electrons.shape, dtype=np.float32
        )
        mosaic = np.clip(np.rint(noisy * GAIN + BLACK), 0, WHITE).astype(np.uint16)
        meta = FileMeta(
            taken_at=start + timedelta(seconds=2 * k),
            subsecond=None,
            utc_offset_min=None,
            exposure_s=(1, 5),
            iso=400,
            f_number=(28, 10),
            orientation=1,
            make="Simulated",
            model="Simulated 24",
            serial="1",
            pattern="RGGB",
            black=(BLACK,) * 4,
            white=WHITE,
            active=None,
        )
        name = f"dark/D_{k:04d}.DNG" if dark else f"frames/F_{k:04d}.DNG"
        write_dng(folder / name, mosaic, meta, compressed=compressed)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(shoot, range(frames + 4)))
    np.save(folder / "jitter.npy", jitter / 2.0)
    (folder / "session.toml").write_text(
        f"""format = 1
[scale]
pixel = "{PIXEL_UM} um"
step = "{STEP_UM} um"
[[photographs]]
files = "frames/*"
role = "specimen"
pass = "a"
[[photographs]]
files = "dark/*"
role = "dark"
[[pass]]
name = "a"
moved = "specimen"
scan = "away from lens"
mirrored = false
planned = {frames}
cadence = "2 s"
""",
        encoding="utf-8",
    )


def floor(folder: Path, out: Path) -> None:
    """Decode every frame once and write the compressed pyramid once, and nothing else."""
    import rawpy

    from planewright.kernels.mosaic import pair_sum
    from planewright.volume.number import NumberFormat
    from planewright.volume.store_layout import plan_layout
    from planewright.volume.store_write import create, write_shard

    files = sorted((folder / "frames").iterdir())

    def decode(path: Path) -> np.ndarray:
        with rawpy.imread(str(path)) as raw:
            full = (float(WHITE), float(WHITE))
            return pair_sum(raw.raw_image_visible, sites=((0, 1), (1, 0)), white=full)[0]

    number = NumberFormat("uint16", 0, 1.0, "count")
    layout = plan_layout(
        (len(files), ROWS // 2, COLUMNS // 2), voxel_um=(STEP_UM, 0.56, 0.56), number=number
    )
    create(out, layout)
    with ThreadPoolExecutor(2) as pool:
        shard = layout.levels[0].shard[0]
        for z in range(layout.levels[0].grid[0]):
            stack = np.stack(list(pool.map(decode, files[z * shard : (z + 1) * shard])))
            for number_, level in enumerate(layout.levels):
                if level.factor[0] == 1:
                    part = stack[:, :: level.factor[1], :: level.factor[2]]
                    jobs = [i for i in layout.indices(number_) if i[0] == z]
                    cut = partial(_cut, out, layout, number_, part)
                    list(pool.map(cut, jobs))
        for number_, level in enumerate(layout.levels):
            if level.factor[0] > 1:
                for index in layout.indices(number_):
                    window = layout.window(index, number_)
                    size = tuple(s.stop - s.start for s in window)
                    part = np.resize(stack[0, : size[1], : size[2]], size)
                    write_shard(out, layout, index, part, np.zeros(size, np.uint8), level=number_)


def _cut(out: Path, layout: Any, level: int, part: np.ndarray, index: Any) -> None:
    from planewright.volume.store_write import write_shard

    _, y, x = layout.window(index, level)
    block = np.ascontiguousarray(part[:, y, x])
    write_shard(out, layout, index, block, np.zeros(block.shape, np.uint8), level=level)


def measured(words: list[str]) -> tuple[float, float, float]:
    """Run a command; return wall seconds, processor seconds, peak resident megabytes.

    This process must stay small: a child's peak begins with its parent's.
    """
    start = time.monotonic()
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if status != 0:
        raise SystemExit(f"failed: {' '.join(words)}")
    spent = usage.ru_utime + usage.ru_stime
    return time.monotonic() - start, spent, usage.ru_maxrss / 1024


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("work", type=Path)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--uncompressed", action="store_true")
    parser.add_argument("--memory", default="1200 MB")
    parser.add_argument("--only", choices=["floor", "build", "plain"], action="append")
    parser.add_argument("--repeat", type=int, default=1)
    parser.add_argument("--run-floor", nargs=2, type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run_floor:
        floor(*options.run_floor)
        return
    if options.write:
        write_frames(options.write, options.frames, compressed=not options.uncompressed)
        return
    kind = "uncompressed" if options.uncompressed else "lossless"
    session = options.work / f"{kind}-{options.frames}"
    if not (session / "session.toml").exists():
        subprocess.run([sys.executable, *sys.argv, "--write", str(session)], check=True)
    out = options.work / "out"
    planewright = str(Path(sys.executable).with_name("planewright"))
    plain = [str(HERE / "plain_script.py"), str(session), str(out)]
    commands = {
        "floor": [
            sys.executable,
            __file__,
            str(options.work),
            "--run-floor",
            str(session),
            str(out),
        ],
        "build": [planewright, "build", str(session), "--memory", options.memory],
        "plain": [sys.executable, *plain, "--pixel", "0.56", "--step", str(STEP_UM)],
    }
    for path in (session / "frames").iterdir():  # warm the page cache
        with path.open("rb") as handle:
            while handle.read(1 << 20):
                pass
    results: dict[str, list[tuple[float, float, float]]] = {}
    for _ in range(options.repeat):
        for name in options.only or commands:
            shutil.rmtree(out, ignore_errors=True)
            for made in ("passes", ".planewright", "provenance.json"):
                path = session / made
                shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
            results.setdefault(name, []).append(measured(commands[name]))
            wall, spent, megabytes = results[name][-1]
            print(f"{name:<6} {wall:7.1f} s  {spent:7.1f} s cpu  {megabytes:7.0f} MB", flush=True)
    shutil.rmtree(out, ignore_errors=True)
    best = {name: min(runs) for name, runs in results.items()}
    if "build" in best:
        for name in ("floor", "plain"):
            if name in best:
                wall, spent, memory = (
                    a / b for a, b in zip(best["build"], best[name], strict=True)
                )
                print(f"build / {name}: time {wall:.2f}, cpu {spent:.2f}, memory {memory:.2f}")
    print(json.dumps({"kind": kind, "frames": options.frames, "runs": results}))


if __name__ == "__main__":
    main()
