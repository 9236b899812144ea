"""The volume as one OME-TIFF, for programs that read no Zarr. Written plane by plane."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.files import hash_json, whole_file
from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress, Quiet
from planewright.volume.store_layout import Layout, Level, image_attributes
from planewright.volume.store_read import describe
from planewright.volume.store_write import read_window

_CLASSIC_BYTES = 2**32 - 2**26  # beyond this, offsets need BigTIFF


def write_ome_tiff(
    store: Path,
    target: Path,
    *,
    level: int = 0,
    as_float: bool = False,
    progress: Progress | None = None,
) -> None:
    """Export a store's light to an OME-TIFF file.

    Size of a voxel, place of each plane and wavelengths stand in the OME-XML [1]_, all in
    micrometres and nanometres; number format, sheet angle and planes without a photograph in a
    map annotation. Planes are compressed by Deflate, which every TIFF reader knows. The mask
    stays in the store.

    Parameters
    ----------
    store : Path
        The store's folder.
    target : Path
        The file to write, ``.ome.tif``; replaced whole.
    level : int
        Level of the pyramid.
    as_float : bool
        Write light in float32 in place of the stored whole numbers.
    progress : Progress, optional
        Told of each plane; may ask to stop, then nothing is left behind.

    Raises
    ------
    StoreProblem
        If the store is missing, half there, not ours or newer than this version.
    RangeProblem
        If there is no such level.
    SpaceProblem
        If the disk is full.
    StoppedProblem
        If the person asked to stop.

    References
    ----------
    .. [1] OME data model, schema 2016-06.
    """
    import tifffile

    progress = progress or Quiet()
    layout = describe(store)
    if not 0 <= level < len(layout.levels):
        raise RangeProblem(
            "The volume has no such level.",
            where=str(store),
            got=f"level {level}",
            expected=f"0 to {len(layout.levels) - 1}",
        )
    here = layout.levels[level]
    dtype = np.dtype(np.float32 if as_float else layout.number.dtype)
    size = math.prod(here.shape) * dtype.itemsize
    progress.stage("OME-TIFF", here.shape[0], "planes")
    with (
        whole_file(target) as partial,
        tifffile.TiffWriter(partial, bigtiff=size > _CLASSIC_BYTES, ome=True) as writer,
    ):
        writer.write(
            _planes(store, layout, level, as_float=as_float, progress=progress),
            shape=here.shape,
            dtype=dtype,
            photometric="minisblack",
            compression="adobe_deflate",
            predictor=dtype.kind == "u",
            maxworkers=1,
            software="planewright",
            resolution=(1e4 / here.voxel_um[2], 1e4 / here.voxel_um[1]),
            resolutionunit="CENTIMETER",
            metadata=_metadata(store, layout, here, level, as_float=as_float),
        )


def _planes(
    store: Path, layout: Layout, level: int, *, as_float: bool, progress: Progress
) -> Iterator[npt.NDArray[Any]]:
    here = layout.levels[level]
    depth, rows, columns = here.shape
    for start in range(0, depth, here.chunk[0]):
        progress.check()
        # a run of planes that lie in the same chunks; it may straddle shards
        window = (
            slice(start, min(start + here.chunk[0], depth)),
            slice(0, rows),
            slice(0, columns),
        )
        stored = read_window(store, layout, window, level=level)
        for plane in layout.number.decode(stored) if as_float else stored:
            yield plane
            progress.advance()


def _metadata(
    store: Path, layout: Layout, here: Level, level: int, *, as_float: bool
) -> dict[str, Any]:
    facts, number = layout.facts, layout.number
    depth = here.shape[0]
    channel: dict[str, Any] = {"Name": [facts.colour]}
    for key, value in (
        ("EmissionWavelength", facts.emission_nm),
        ("ExcitationWavelength", facts.excitation_nm),
    ):
        if value is not None:
            channel |= {key: [value], f"{key}Unit": ["nm"]}
    plane: dict[str, Any] = {}
    for axis, origin_um, step_um in zip(
        "ZYX", here.origin_um, (here.voxel_um[0], 0.0, 0.0), strict=True
    ):
        plane[f"Position{axis}"] = [origin_um + step_um * z for z in range(depth)]
        plane[f"Position{axis}Unit"] = ["µm"] * depth
    if as_float:
        light = {"pedestal": "0", "gain": "1.0", "formula": "light = value"}
    else:
        light = {
            "pedestal": str(number.pedestal),
            "gain": repr(number.gain),
            "formula": "light = (value - pedestal) * gain",
        }
    notes = {
        "unit of light": number.unit,
        **light,
        "sheet angle from +x towards +y (deg)": repr(facts.sheet_angle_deg),
        "direction of z": "away from the detection lens",
        "shape only": "yes" if facts.shape_only else "no",
        "planes without a photograph": _missing(store, layout, level),
        "resampling": facts.resampling,
        "pass": facts.pass_name,
    }
    return {
        "axes": "ZYX",
        "Name": layout.name,
        "UUID": str(uuid.uuid5(uuid.NAMESPACE_URL, hash_json([image_attributes(layout), level]))),
        "Creator": "planewright",
        "PhysicalSizeZ": here.voxel_um[0],
        "PhysicalSizeY": here.voxel_um[1],
        "PhysicalSizeX": here.voxel_um[2],
        "Channel": channel,
        "Plane": plane,
        "MapAnnotation": {key: value for key, value in notes.items() if value},
    }


def _missing(store: Path, layout: Layout, level: int) -> str:
    """List the planes, from 0, that are missing altogether."""
    here = layout.levels[level]
    rest = (slice(0, here.shape[1]), slice(0, here.shape[2]))
    gone: list[str] = []
    for start in range(0, here.shape[0], here.chunk[0]):
        stop = min(start + here.chunk[0], here.shape[0])
        flags = read_window(store, layout, (slice(start, stop), *rest), level=level, mask=True)
        missing = ((flags & Flag.MISSING) != 0).all(axis=(1, 2))
        gone += [str(start + z) for z in np.flatnonzero(missing)]
    return " ".join(gone)
