"""The honest script: what a competent user writes without planewright, to compare with it.

Reads the frames with rawpy or tifffile, takes the dark off, evens the light of the frames, aligns
neighbours by phase correlation with the slow part left in, and writes an OME-Zarr pyramid with the
same compression. Vectorised, both cores. No findings, no mask, no resuming, no budget.

    python benchmarks/plain_script.py SESSION OUT --pixel 0.412 --step 1.2
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import rawpy
import tifffile
import zarr
from scipy import ndimage
from skimage.registration import phase_cross_correlation
from skimage.transform import downscale_local_mean
from zarr.codecs import BloscCodec


def read_green(path: Path) -> np.ndarray:
    """Return the mean of the two greens above black, or a TIFF's page, as float32."""
    if path.suffix.lower() in (".tif", ".tiff"):
        return tifffile.imread(path).astype(np.float32)
    with rawpy.imread(str(path)) as raw:
        mosaic = raw.raw_image_visible
        colours = raw.raw_colors_visible[:2, :2]
        black = raw.black_level_per_channel
        green = np.zeros((mosaic.shape[0] // 2, mosaic.shape[1] // 2), np.float32)
        for y in range(2):
            for x in range(2):
                colour = colours[y, x]
                if colour in (1, 3):
                    site = mosaic[y::2, x::2][: green.shape[0], : green.shape[1]]
                    green += 0.5 * (site.astype(np.float32) - black[colour])
    return green


def aligning_shifts(stack: np.ndarray, pool: ThreadPoolExecutor) -> np.ndarray:
    """Return the jitter of each frame: neighbour shifts added up, less their slow part."""

    def pair(k: int) -> np.ndarray:
        shift, _, _ = phase_cross_correlation(
            stack[k], stack[k + 1], upsample_factor=20, normalization=None
        )
        return shift

    steps = np.array(list(pool.map(pair, range(len(stack) - 1))))
    walk = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    return walk - ndimage.gaussian_filter1d(walk, 10, axis=0, mode="nearest")


def write_pyramid(stack: np.ndarray, out: Path, voxel: tuple[float, ...]) -> None:
    """Write an OME-Zarr 0.5 group of uint16 levels."""
    group = zarr.create_group(out, overwrite=True)
    datasets = []
    level, scale = stack, np.array(voxel)
    number = 0
    while True:
        shards = tuple(
            min(s, -(-n // c) * c)
            for s, n, c in zip((32, 1024, 1024), level.shape, (32, 256, 256), strict=True)
        )
        array = group.create_array(
            str(number),
            shape=(1, *level.shape),
            dtype="uint16",
            chunks=(1, 32, 256, 256),
            shards=(1, *shards),
            compressors=BloscCodec(cname="zstd", clevel=1, shuffle="bitshuffle"),
            dimension_names=["c", "z", "y", "x"],
        )
        array[0] = np.clip(level + 1000, 0, 65535).astype(np.uint16)
        datasets.append(
            {
                "path": str(number),
                "coordinateTransformations": [{"type": "scale", "scale": [1.0, *scale.tolist()]}],
            }
        )
        if max(level.shape[1:]) <= 256:
            break
        factor = np.where(scale < 1.5 * scale.min(), 2, 1)
        level = downscale_local_mean(level, tuple(factor)).astype(np.float32)
        scale = scale * factor
        number += 1
    axes = [{"name": "c", "type": "channel"}] + [
        {"name": name, "type": "space", "unit": "micrometer"} for name in "zyx"
    ]
    group.attrs["ome"] = {"version": "0.5", "multiscales": [{"axes": axes, "datasets": datasets}]}


def main() -> None:
    """Run the script."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("session", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--pixel", type=float, required=True, help="lattice pixel, um")
    parser.add_argument("--step", type=float, required=True, help="step, um")
    options = parser.parse_args()
    with ThreadPoolExecutor(2) as pool:
        frames = sorted((options.session / "frames").iterdir())
        stack = np.stack(list(pool.map(read_green, frames)))
        darks = sorted((options.session / "dark").glob("*"))
        if darks:
            stack -= np.mean(list(pool.map(read_green, darks)), axis=0)
        level = np.median(stack[:, ::8, ::8], axis=(1, 2))
        stack *= (np.median(level) / level)[:, None, None]
        shifts = aligning_shifts(stack, pool)

        def move(k: int) -> None:
            stack[k] = ndimage.shift(stack[k], shifts[k], order=3, mode="nearest")

        list(pool.map(move, range(len(stack))))
    write_pyramid(stack, options.out, (options.step, options.pixel, options.pixel))
    print(json.dumps({"frames": len(stack), "shifts": shifts.tolist()}))


if __name__ == "__main__":
    main()
