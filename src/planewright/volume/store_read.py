"""Reading the store: a lazy ``xarray.DataArray`` of light in µm, and its mask."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray
from xarray.backends import BackendArray
from xarray.core import indexing

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem, StoreProblem
from planewright.volume.store_layout import Layout, Level, read_layout
from planewright.volume.store_write import read_window, shard_path


def describe(path: Path) -> Layout:
    """Read a store's plan: levels, number format, what else it tells.

    Parameters
    ----------
    path : Path
        The store's folder.

    Returns
    -------
    Layout
        The plan.

    Raises
    ------
    StoreProblem
        If the store is missing, half there, not ours or newer than this version.
    """
    path = Path(path)
    root = _read_json(path, "")
    files = {"": root}
    try:
        names = [d["path"] for d in root["attributes"]["ome"]["multiscales"][0]["datasets"]]
    except (KeyError, IndexError, TypeError):
        names = []
    if isinstance(root.get("attributes", {}).get("planewright"), dict):
        files |= {name: _read_json(path, name) for name in names}
    return read_layout(files, where=str(path))


def _read_json(path: Path, folder: str) -> dict[str, Any]:
    file = path / folder / "zarr.json"
    try:
        value = json.loads(file.read_bytes())
        if isinstance(value, dict):
            return value
        raise ValueError("no table")
    except FileNotFoundError as error:
        what = "There is no volume here." if not path.exists() else "A volume is only half there."
        raise StoreProblem(
            what, where=str(path), expected=str(file.relative_to(path)), do="build it again"
        ) from error
    except (ValueError, OSError) as error:
        raise StoreProblem(
            "The volume's metadata is damaged.",
            where=str(file),
            got=str(error),
            do="build it again",
        ) from error


def open_volume(path: Path, level: int = 0) -> xarray.DataArray:
    """Open a store's light, lazily: only what is used is read.

    Parameters
    ----------
    path : Path
        The store's folder.
    level : int
        Level of the pyramid, 0 the finest.

    Returns
    -------
    xarray.DataArray of float32, dims (z, y, x)
        Light, with the voxels' centres in µm as coordinates.

    Raises
    ------
    StoreProblem
        If the store is missing, half there, not ours or newer than this version.
    RangeProblem
        If there is no such level.
    """
    layout, here = _open(Path(path), level, mask=False)
    facts = layout.facts
    attributes: dict[str, Any] = {
        "long_name": "fluorescent light" + (" (shape only)" if facts.shape_only else ""),
        "units": layout.number.unit,
        "number_dtype": layout.number.dtype,
        "pedestal": layout.number.pedestal,
        "gain": layout.number.gain,
        "pass": facts.pass_name,
        "colour": facts.colour,
        "sheet_angle_deg": facts.sheet_angle_deg,
        "shape_only": facts.shape_only,
        "resampling": facts.resampling,
        "electrons_per_count": facts.electrons_per_count,
        "read_noise_e": facts.read_noise_e,
        "level": level,
    }
    attributes = {k: v for k, v in attributes.items() if v is not None and v != ""}
    array = _StoredArray(Path(path), layout, level, mask=False)
    return _data_array(array, here, "light", attributes)


def open_mask(path: Path, level: int = 0) -> xarray.DataArray:
    """Open a store's mask, lazily.

    Parameters
    ----------
    path : Path
        The store's folder.
    level : int
        Level of the pyramid, 0 the finest.

    Returns
    -------
    xarray.DataArray of uint8, dims (z, y, x)
        Sums of the bits of `planewright.base.nouns.Flag`; the attributes name them.

    Raises
    ------
    StoreProblem
        If the store is missing, half there, not ours or newer than this version.
    RangeProblem
        If there is no such level.
    """
    layout, here = _open(Path(path), level, mask=True)
    attributes = {
        "long_name": "what is known of each voxel",
        "flag_masks": [int(flag) for flag in Flag],
        "flag_meanings": " ".join(str(flag.name).lower() for flag in Flag),
        "level": level,
    }
    array = _StoredArray(Path(path), layout, level, mask=True)
    return _data_array(array, here, "mask", attributes)


def _open(path: Path, level: int, *, mask: bool) -> tuple[Layout, Level]:
    layout = describe(path)
    if not 0 <= level < len(layout.levels):
        raise RangeProblem(
            "The volume has no such level.",
            where=str(path),
            got=f"level {level}",
            expected=f"0 to {len(layout.levels) - 1}",
        )
    absent = [
        index
        for index in layout.indices(level)
        if not shard_path(path, layout, index, level=level, mask=mask).exists()
    ]
    if absent:
        raise StoreProblem(
            "A volume is only half there.",
            where=str(path),
            got=f"{len(absent)} of {len(layout.indices(level))} blocks of level {level} missing",
            do="build it again: it goes on where it was",
        )
    return layout, layout.levels[level]


def _data_array(
    array: _StoredArray, level: Level, name: str, attributes: dict[str, Any]
) -> xarray.DataArray:
    coordinates = {
        axis: xarray.Variable(
            (axis,),
            origin + step * np.arange(size, dtype=np.float64),
            {"units": "µm", "long_name": f"{axis} position of the voxel's centre"},
        )
        for axis, origin, step, size in zip(
            "zyx", level.origin_um, level.voxel_um, level.shape, strict=True
        )
    }
    variable = xarray.Variable(("z", "y", "x"), indexing.LazilyIndexedArray(array), attributes)
    return xarray.DataArray(variable, coords=coordinates, name=name)


class _StoredArray(BackendArray):
    """What xarray asks for the voxels that it needs; reads whole inner chunks, decodes light."""

    def __init__(self, path: Path, layout: Layout, level: int, *, mask: bool) -> None:
        self._path = path
        self._layout = layout
        self._level = level
        self._mask = mask
        self.shape = layout.levels[level].shape
        self.dtype = np.dtype(np.uint8 if mask else np.float32)

    def __getitem__(self, key: indexing.ExplicitIndexer) -> npt.NDArray[Any]:
        found: npt.NDArray[Any] = indexing.explicit_indexing_adapter(
            key, self.shape, indexing.IndexingSupport.OUTER, self._read
        )
        return found

    def _read(self, key: tuple[Any, ...]) -> npt.NDArray[Any]:
        axes = [_axis(part, size) for part, size in zip(key, self.shape, strict=True)]
        stored = read_window(
            self._path, self._layout, tuple(axes), level=self._level, mask=self._mask
        )
        single = tuple(0 if isinstance(part, int | np.integer) else slice(None) for part in key)
        values = stored[single]
        return values if self._mask else self._layout.number.decode(values)


def _axis(part: Any, size: int) -> Any:
    """Turn one axis of an index into a slice of step 1 or an array of positions from 0."""
    if isinstance(part, slice):
        start, stop, step = part.indices(size)
        if step == 1:
            return slice(start, max(start, stop))
        return np.arange(start, stop, step)
    if isinstance(part, int | np.integer):
        first = int(part) % size
        return slice(first, first + 1)
    return np.asarray(part) % size
