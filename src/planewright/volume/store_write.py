"""Writing the store: metadata, whole shards, the pyramid, and putting it in place.

Each call writes whole files: to a temporary name, flushed, renamed, the folder flushed. A shard's
mask is written before its light, so the light's file proves both. Different shards may be
written from different threads or processes at once; one shard has one writer.
"""

from __future__ import annotations

import json
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.files import PARTIAL, disk_problem, replace, sync_folder, whole_file
from planewright.base.problems import RangeProblem, StoreProblem
from planewright.volume.reduce import halve
from planewright.volume.shards import Selection, encode_shard, pieces_of, read_shard
from planewright.volume.store_layout import MASK, Layout, Triple, all_metadata

_OLD = ".replaced"


def create(path: Path, layout: Layout) -> None:
    """Write all metadata of a store; what already stands there as planned is left alone.

    Parameters
    ----------
    path : Path
        The store's folder.
    layout : Layout
        The plan.

    Raises
    ------
    StoreProblem
        If blocks of another plan stand there.
    SpaceProblem
        If the disk is full.
    """
    texts = {
        folder: (json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()
        for folder, value in all_metadata(layout).items()
    }
    for folder, text in texts.items():
        file = path / folder / "zarr.json"
        if folder and file.exists() and file.read_bytes() != text:
            raise StoreProblem(
                "A volume of another plan stands here.",
                where=str(path),
                got=f"another {folder}/zarr.json",
                do="remove it, or write to another place",
            )
    for folder, text in texts.items():
        file = path / folder / "zarr.json"
        if not (file.exists() and file.read_bytes() == text):
            _write(file, [text])


def shard_path(path: Path, layout: Layout, index: Triple, *, level: int = 0, mask: bool) -> Path:
    """Return the file of one shard."""
    name = layout.levels[level].name
    folder = path / MASK / name if mask else path / name
    return folder.joinpath("c", "0", *(str(i) for i in index))


def shard_done(path: Path, layout: Layout, index: Triple, *, level: int = 0) -> bool:
    """Tell whether a shard, light and mask, has been written."""
    return shard_path(path, layout, index, level=level, mask=False).exists()


def write_shard(
    path: Path,
    layout: Layout,
    index: Triple,
    light: npt.NDArray[Any],
    mask: npt.NDArray[np.uint8],
    *,
    level: int = 0,
) -> None:
    """Write one whole shard of light and mask, durably.

    Parameters
    ----------
    path : Path
        The store's folder.
    layout : Layout
        The plan.
    index : tuple of int
        Which shard (z, y, x).
    light : ndarray of the number format's dtype
        Stored numbers, of the shape of ``layout.window(index, level)``.
    mask : ndarray of uint8, same shape
        Flags.
    level : int
        Which level.

    Raises
    ------
    RangeProblem
        If an array has another shape or type than planned.
    SpaceProblem
        If the disk is full.
    """
    here = layout.levels[level]
    shape = tuple(span.stop - span.start for span in layout.window(index, level))
    for name, array, dtype in (("light", light, layout.number.dtype), ("mask", mask, "uint8")):
        if array.shape != shape or array.dtype != np.dtype(dtype):
            raise RangeProblem(
                f"The {name} of a block is not as planned.",
                where=f"block {index} of level {level}",
                got=f"{array.shape} {array.dtype}",
                expected=f"{shape} {dtype}",
            )
    for array, fill, is_mask in ((mask, 0, True), (light, layout.fill, False)):
        pieces = encode_shard(array, shard=here.shard, chunk=here.chunk, fill=fill)
        _write(shard_path(path, layout, index, level=level, mask=is_mask), pieces)


def write_volume(
    path: Path, layout: Layout, light: npt.NDArray[np.float32], mask: npt.NDArray[np.uint8]
) -> None:
    """Write a whole volume that fits into memory, with all its levels.

    Parameters
    ----------
    path : Path
        The store's folder.
    layout : Layout
        The plan.
    light : ndarray of shape (z, y, x), float32
        Light in the number format's unit.
    mask : ndarray of uint8, same shape
        Flags.

    Raises
    ------
    RangeProblem
        If light lies beyond what the number format holds, or a shape is not as planned.
    SpaceProblem
        If the disk is full.
    """
    stored, outside = layout.number.encode(light)
    if outside.any():
        raise RangeProblem(
            "Light lies beyond what this number format can hold.",
            got=f"{np.nanmin(light)} to {np.nanmax(light)}, {int(outside.sum())} voxels outside",
            expected=f"{layout.number.low} to {layout.number.high}",
        )
    create(path, layout)
    for index in layout.indices():
        window = layout.window(index)
        write_shard(path, layout, index, stored[window], mask[window])
    for level in range(1, len(layout.levels)):
        for index in layout.indices(level):
            make_level_shard(path, layout, index, level=level)


def make_level_shard(path: Path, layout: Layout, index: Triple, *, level: int) -> None:
    """Make one shard of a coarser level from the level before, which must be complete.

    Parameters
    ----------
    path : Path
        The store's folder.
    layout : Layout
        The plan.
    index : tuple of int
        Which shard (z, y, x).
    level : int
        Which level, 1 or more.

    Raises
    ------
    StoreProblem
        If a block of the level before is missing or damaged.
    """
    here, before = layout.levels[level], layout.levels[level - 1]
    window = layout.window(index, level)
    shape = tuple(span.stop - span.start for span in window)
    light = np.empty(shape, dtype=layout.number.dtype)
    mask = np.empty(shape, dtype=np.uint8)
    for start in range(0, shape[0], here.chunk[0]):
        stop = min(start + here.chunk[0], shape[0])
        spans = (slice(window[0].start + start, window[0].start + stop), *window[1:])
        source = tuple(
            slice(span.start * step, min(span.stop * step, size))
            for span, step, size in zip(spans, here.step, before.shape, strict=True)
        )
        fine = read_window(path, layout, source, level=level - 1)
        flags = read_window(path, layout, source, level=level - 1, mask=True)
        for z in range(start, stop):  # plane by plane: what it takes meanwhile stays small
            part = slice((z - start) * here.step[0], (z - start + 1) * here.step[0])
            light[z : z + 1], mask[z : z + 1] = halve(
                fine[part], flags[part], factor=here.step, empty=layout.fill
            )
    write_shard(path, layout, index, light, mask, level=level)


def read_window(
    path: Path, layout: Layout, window: Selection, *, level: int = 0, mask: bool = False
) -> npt.NDArray[Any]:
    """Read stored numbers in the calling thread alone, decoding only the chunks they lie in.

    Parameters
    ----------
    path : Path
        The store's folder.
    layout : Layout
        The plan.
    window : tuple of slice or ndarray of int
        What to read along (z, y, x), within the level; slices with start and stop, step 1.
    level : int
        Which level.
    mask : bool
        The mask's flags in place of the light.

    Returns
    -------
    ndarray
        Stored numbers; the number format decodes them.

    Raises
    ------
    StoreProblem
        If a block is missing or damaged.
    """
    here = layout.levels[level]
    dtype = np.dtype(np.uint8 if mask else layout.number.dtype)
    fill = 0 if mask else layout.fill
    sizes = [a.stop - a.start if isinstance(a, slice) else len(a) for a in window]
    out = np.empty(sizes, dtype=dtype)
    for index, inside, target in pieces_of(window, here.shard):
        file = shard_path(path, layout, index, level=level, mask=mask)
        if all(isinstance(axis, slice) for axis in window):
            part = out[target]
            read_shard(file, inside, part, shard=here.shard, chunk=here.chunk, fill=fill)
        else:
            axes = tuple(np.ravel(axis) for axis in inside)
            part = np.empty([axis.size for axis in axes], dtype=dtype)
            read_shard(file, axes, part, shard=here.shard, chunk=here.chunk, fill=fill)
            out[target] = part
    return out


def sweep_partials(path: Path) -> int:
    """Remove files that were being written when a run was killed.

    Parameters
    ----------
    path : Path
        The store's folder; may be missing.

    Returns
    -------
    int
        How many were removed.
    """
    count = 0
    for file in path.rglob(f"*{PARTIAL}"):
        with suppress(FileNotFoundError):
            file.unlink()
            count += 1
    return count


def missing_shards(path: Path, layout: Layout) -> list[tuple[int, Triple]]:
    """Return (level, index) of every shard that has not been written."""
    return [
        (level, index)
        for level in range(len(layout.levels))
        for index in layout.indices(level)
        if not shard_done(path, layout, index, level=level)
    ]


def publish(work: Path, final: Path) -> None:
    """Put a finished store in its place; no reader ever sees half of one.

    The one that stood there is moved aside, the new one renamed into place, the old one
    removed. Both must lie on one disk. If the program dies in between, calling it again ends
    the job. On Windows a store that someone is reading cannot be moved: that is tried for a
    few seconds and then reported.

    Parameters
    ----------
    work : Path
        The finished store.
    final : Path
        Where readers look.

    Raises
    ------
    StoreProblem
        If there is no finished store at ``work``.
    Problem
        If a folder cannot be moved.
    """
    old = final.with_name(final.name + _OLD)
    if not (work / "zarr.json").exists():
        raise StoreProblem("There is no finished volume to put in place.", where=str(work))
    sweep_partials(work)
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        if final.exists():
            shutil.rmtree(old, ignore_errors=True)
            replace(final, old)
        replace(work, final)
    except OSError as error:
        raise disk_problem(error, final) from error
    sync_folder(final.parent)
    sync_folder(work.parent)
    shutil.rmtree(old, ignore_errors=True)


def _write(file: Path, pieces: list[bytes]) -> None:
    _make_folder(file.parent)
    with whole_file(file) as partial, partial.open("wb") as handle:
        handle.writelines(pieces)
    sync_folder(file.parent)


def _make_folder(folder: Path) -> None:
    """Make a folder and its parents so that they outlast a power cut."""
    new: list[Path] = []
    while not folder.exists():
        new.append(folder)
        folder = folder.parent
    for each in reversed(new):
        try:
            each.mkdir(exist_ok=True)
        except OSError as error:
            raise disk_problem(error, each) from error
        sync_folder(each.parent)


def store_bytes(path: Path) -> int:
    """Return the size on disk of a store's files, bytes."""
    return sum(
        (Path(folder) / name).stat().st_size for folder, _, names in os.walk(path) for name in names
    )
