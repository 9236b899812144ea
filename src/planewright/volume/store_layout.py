"""The store's plan: levels, shards, chunks, scale and origin, and the metadata that states them.

OME-Zarr 0.5 [1]_ in Zarr v3 [2]_: axes (c, z, y, x), one colour. All metadata is a function of
the plan, byte for byte, so that a plan can be compared with what stands on disk.

References
----------
.. [1] OME-NGFF specification 0.5: "multiscales", "labels", "image-label".
.. [2] Zarr core specification 3.0; sharding codec 1.0; Blosc codec 1.0.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem, StoreProblem
from planewright.volume.number import NumberFormat

FORMAT = 1
AXES = ("c", "z", "y", "x")
MASK = "labels/mask"
SHARD = (32, 1024, 1024)
CHUNK = (4, 256, 256)
COARSEST = 256  # levels are added until no axis is longer than this

Triple = tuple[int, int, int]
Place = tuple[float, float, float]
Window = tuple[slice, slice, slice]

# label colours of the mask: one hue a flag, told apart by colour-blind readers (Okabe, Ito 2008)
_COLOURS = {
    Flag.MISSING: (0, 114, 178),
    Flag.SATURATED: (213, 94, 0),
    Flag.HOT: (204, 121, 167),
    Flag.OUTSIDE: (86, 180, 233),
    Flag.DOUBTFUL: (230, 159, 0),
}


@dataclass(frozen=True)
class Facts:
    """What the store tells of its light beside the numbers.

    Parameters
    ----------
    pass_name, colour : str
        The session's pass, and which colour's lattice the light comes from ("green", "mono").
    sheet_angle_deg : float
        Angle from +x towards +y at which the sheet travels, degrees.
    shape_only : bool
        Display-referred light (JPEG): good for shape, not to be measured.
    electrons_per_count, read_noise_e : float or None
        The camera's gain and read noise where they are known.
    emission_nm, excitation_nm : float or None
        Wavelengths in vacuum where they are known.
    resampling : str
        The kernel by which planes were moved; "none" where they were not.
    provenance : str
        Where the steps that made the store are told.
    orientation : dict or None
        What `Orientation.to_dict` says.
    voxel_sigma_um : tuple of float or None
        Standard uncertainty of the voxel size (z, y, x), µm, None where it is not known.
    note : str
        One sentence for the reader.
    """

    pass_name: str = ""
    colour: str = "mono"
    sheet_angle_deg: float = 0.0
    shape_only: bool = False
    electrons_per_count: float | None = None
    read_noise_e: float | None = None
    emission_nm: float | None = None
    excitation_nm: float | None = None
    resampling: str = "none"
    provenance: str = ""
    orientation: dict[str, Any] | None = None
    voxel_sigma_um: tuple[float | None, float | None, float | None] = (None, None, None)
    note: str = ""


@dataclass(frozen=True)
class Level:
    """One level of the pyramid; all triples are (z, y, x)."""

    name: str
    shape: Triple
    factor: Triple  # voxels of level 0 per voxel, each axis
    step: Triple  # voxels of the level before, 1 or 2
    shard: Triple
    chunk: Triple
    voxel_um: Place
    origin_um: Place

    @property
    def grid(self) -> Triple:
        """Number of shards along each axis."""
        z, y, x = (-(-n // s) for n, s in zip(self.shape, self.shard, strict=True))
        return z, y, x


@dataclass(frozen=True)
class Layout:
    """Everything that fixes a store's files except its light."""

    name: str
    number: NumberFormat
    facts: Facts = field(default_factory=Facts)
    levels: tuple[Level, ...] = ()

    @property
    def shape(self) -> Triple:
        """Size of level 0 (z, y, x)."""
        return self.levels[0].shape

    @property
    def fill(self) -> int:
        """The image's fill value: no light."""
        return self.number.pedestal

    def indices(self, level: int = 0) -> list[Triple]:
        """Return all shard indices of a level, z slowest."""
        nz, ny, nx = self.levels[level].grid
        return [(z, y, x) for z in range(nz) for y in range(ny) for x in range(nx)]

    def window(self, index: Triple, level: int = 0) -> Window:
        """Return the voxels (z, y, x) of a level that a shard holds, cut at the volume's end."""
        here = self.levels[level]
        if not all(0 <= i < n for i, n in zip(index, here.grid, strict=True)):
            raise RangeProblem(
                "There is no such block.",
                got=f"block {index} of level {level}",
                expected=f"below {here.grid}",
            )
        z, y, x = (
            slice(i * s, min((i + 1) * s, n))
            for i, s, n in zip(index, here.shard, here.shape, strict=True)
        )
        return z, y, x

    def level_block_bytes(self, level: int) -> int:
        """Return how much memory making one shard of a level from the one before can take."""
        here = self.levels[level]
        item = 2 if self.number.dtype == "uint16" else 4
        plane = math.prod(n * s for n, s in zip((1, *here.shard[1:]), here.step, strict=True))
        slab = plane * here.chunk[0] * (item + 1)
        return 2 * math.prod(here.shard) * (item + 1) + slab + 6 * plane * (item + 1)


def plan_layout(
    shape: Triple,
    *,
    voxel_um: Place,
    origin_um: Place = (0.0, 0.0, 0.0),
    number: NumberFormat,
    facts: Facts | None = None,
    name: str = "volume",
    shard: Triple = SHARD,
    chunk: Triple = CHUNK,
    coarsest: int = COARSEST,
) -> Layout:
    """Plan a store.

    Each level halves the axes whose voxel is at most √2 times the finest one, so an anisotropic
    stack is reduced in y and x first until its voxels are near cubes. An odd axis is rounded up:
    its last voxel is the mean of what is there, and every voxel's centre stays where scale and
    translation say. Shards and chunks are cut evenly to the shape, at most as large as asked:
    2000 rows become two shards of four chunks of 250, with nothing padded.

    Parameters
    ----------
    shape : tuple of int
        Size (z, y, x), voxels.
    voxel_um, origin_um : tuple of float
        Voxel size and centre of the first voxel (z, y, x), µm.
    number : NumberFormat
        How light is stored.
    facts : Facts, optional
        What else the metadata tells.
    name : str
        Name of the image.
    shard, chunk : tuple of int
        Largest shard and chunk (z, y, x), voxels.
    coarsest : int
        Levels are added until no axis is longer.

    Returns
    -------
    Layout
        The plan.

    Raises
    ------
    RangeProblem
        If a size is not positive or a position not finite.
    """
    if len(shape) != 3 or min(shape) < 1:
        raise RangeProblem("A volume has no voxels.", got=str(shape), expected="at least 1 × 1 × 1")
    if not all(math.isfinite(v) and v > 0 for v in voxel_um):
        raise RangeProblem(
            "The voxel size must be known and positive.", got=f"{voxel_um} µm", expected="above 0"
        )
    if not all(math.isfinite(v) for v in origin_um):
        raise RangeProblem("The origin is not finite.", got=f"{origin_um} µm")
    levels: list[Level] = []
    factor, step = (1, 1, 1), (1, 1, 1)
    while True:
        levels.append(
            _level(len(levels), shape, factor, step, voxel_um, origin_um, shard=shard, chunk=chunk)
        )
        if max(shape) <= coarsest:
            return Layout(name, number, facts or Facts(), tuple(levels))
        step = _halved_axes(shape, levels[-1].voxel_um)
        shape = _each(lambda n, s: -(-n // s), shape, step)
        factor = _each(lambda f, s: f * s, factor, step)


def _each(function: Any, *triples: Any) -> Any:
    return tuple(function(*parts) for parts in zip(*triples, strict=True))


def _halved_axes(shape: Triple, voxel_um: Place) -> Triple:
    finest = min(v for v, n in zip(voxel_um, shape, strict=True) if n > 1)
    steps: Triple = _each(
        lambda v, n: 2 if n > 1 and v <= finest * math.sqrt(2.0) else 1, voxel_um, shape
    )
    return steps


def _level(
    number: int,
    shape: Triple,
    factor: Triple,
    step: Triple,
    voxel_um: Place,
    origin_um: Place,
    *,
    shard: Triple,
    chunk: Triple,
) -> Level:
    cut = [_cut(n, s, c) for n, s, c in zip(shape, shard, chunk, strict=True)]
    return Level(
        name=str(number),
        shape=shape,
        factor=factor,
        step=step,
        shard=(cut[0][0], cut[1][0], cut[2][0]),
        chunk=(cut[0][1], cut[1][1], cut[2][1]),
        voxel_um=_each(lambda v, f: v * f, voxel_um, factor),
        # a mean over f voxels lies (f - 1) / 2 voxels behind the first one's centre
        origin_um=_each(lambda o, v, f: o + v * (f - 1) / 2, origin_um, voxel_um, factor),
    )


def _cut(size: int, shard: int, chunk: int) -> tuple[int, int]:
    """Cut an axis into equal shards of equal chunks, as large as allowed, with least waste."""
    shards = -(-size // shard)
    inner = -(-size // (shards * min(chunk, shard)))
    even = -(-size // (shards * inner))
    return even * inner, even


def group_metadata(attributes: dict[str, Any]) -> dict[str, Any]:
    """Return the zarr.json of a group."""
    return {"zarr_format": 3, "node_type": "group", "attributes": attributes}


def image_attributes(layout: Layout) -> dict[str, Any]:
    """Return the attributes of the store's root: the standard's, and ours under "planewright"."""
    ours = {
        "format": FORMAT,
        "number": layout.number.to_dict(),
        **asdict(layout.facts),
        "mask": {
            "path": MASK,
            "bits": {flag.name.lower(): int(flag) for flag in Flag if flag.name},
        },
    }
    ours["voxel_sigma_um"] = list(layout.facts.voxel_sigma_um)
    return {
        "ome": {"version": "0.5", "multiscales": [_multiscale(layout, layout.name, mask=False)]},
        "planewright": ours,
    }


def labels_attributes() -> dict[str, Any]:
    """Return the attributes of the labels group."""
    return {"ome": {"version": "0.5", "labels": ["mask"]}}


def mask_attributes(layout: Layout) -> dict[str, Any]:
    """Return the attributes of the mask: a label image whose values are sums of flags."""
    return {
        "ome": {
            "version": "0.5",
            "multiscales": [_multiscale(layout, "mask", mask=True)],
            "image-label": {
                "colors": [
                    {"label-value": int(flag), "rgba": [*rgb, 255]}
                    for flag, rgb in _COLOURS.items()
                ],
                "properties": [
                    {"label-value": int(flag), "name": str(flag.name).lower()} for flag in Flag
                ],
                "source": {"image": "../../"},
            },
        }
    }


def _multiscale(layout: Layout, name: str, *, mask: bool) -> dict[str, Any]:
    how = (
        "union of flags over blocks"
        if mask
        else "mean over blocks of voxels that were seen: missing, outside and hot ones left out"
    )
    return {
        "name": name,
        "type": "union" if mask else "mean",
        "axes": [
            {"name": "c", "type": "channel"},
            *({"name": axis, "type": "space", "unit": "micrometer"} for axis in AXES[1:]),
        ],
        "datasets": [
            {
                "path": level.name,
                "coordinateTransformations": [
                    {"type": "scale", "scale": [1.0, *level.voxel_um]},
                    {"type": "translation", "translation": [0.0, *level.origin_um]},
                ],
            }
            for level in layout.levels
        ],
        "metadata": {"description": how, "method": "planewright.volume.reduce.halve"},
    }


def array_metadata(layout: Layout, level: Level, *, mask: bool) -> dict[str, Any]:
    """Return the zarr.json of one level's array, image or mask."""
    dtype = "uint8" if mask else layout.number.dtype
    size = {"uint8": 1, "uint16": 2, "float32": 4}[dtype]
    fill: float = 0 if mask else layout.fill
    little = {"name": "bytes", "configuration": {"endian": "little"}}
    blosc = {
        "typesize": size,
        "cname": "zstd",
        "clevel": 1,
        "shuffle": "bitshuffle",
        "blocksize": 0,
    }
    return {
        "zarr_format": 3,
        "node_type": "array",
        "shape": [1, *level.shape],
        "data_type": dtype,
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": [1, *level.shard]}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "fill_value": float(fill) if dtype == "float32" else fill,
        "codecs": [
            {
                "name": "sharding_indexed",
                "configuration": {
                    "chunk_shape": [1, *level.chunk],
                    "codecs": [
                        {"name": "bytes"} if size == 1 else little,
                        {"name": "blosc", "configuration": blosc},
                    ],
                    "index_codecs": [little, {"name": "crc32c"}],
                    "index_location": "end",
                },
            }
        ],
        "attributes": {},
        "dimension_names": list(AXES),
        "storage_transformers": [],
    }


def all_metadata(layout: Layout) -> dict[str, dict[str, Any]]:
    """Return every zarr.json of a store by its folder, the root last."""
    files: dict[str, dict[str, Any]] = {}
    for level in layout.levels:
        files[level.name] = array_metadata(layout, level, mask=False)
        files[f"{MASK}/{level.name}"] = array_metadata(layout, level, mask=True)
    files[MASK] = group_metadata(mask_attributes(layout))
    files["labels"] = group_metadata(labels_attributes())
    files[""] = group_metadata(image_attributes(layout))
    return files


def read_layout(files: dict[str, dict[str, Any]], *, where: str) -> Layout:
    """Read a plan back from the root's and the levels' metadata.

    Parameters
    ----------
    files : dict
        ``zarr.json`` contents by folder: the root and each level of the image.
    where : str
        The store, for problems.

    Returns
    -------
    Layout
        The plan.

    Raises
    ------
    StoreProblem
        If the metadata is not ours, or newer than this version.
    """
    root = files[""].get("attributes", {})
    ours = root.get("planewright")
    if not isinstance(ours, dict):
        raise StoreProblem(
            "This volume was not written by planewright.",
            where=where,
            expected='a "planewright" table in its zarr.json',
        )
    if ours.get("format") != FORMAT:
        raise StoreProblem(
            "This volume has a format that this version does not read.",
            where=where,
            got=f"format = {ours.get('format')!r}",
            expected=f"format = {FORMAT}",
            do="use the version of planewright that wrote it, or a newer one",
        )
    try:
        return _layout_from(root["ome"]["multiscales"][0], ours, files)
    except (KeyError, IndexError, TypeError, ValueError) as error:
        raise StoreProblem(
            "The volume's metadata is damaged.", where=where, got=f"{type(error).__name__}: {error}"
        ) from error


def _layout_from(
    scales: dict[str, Any], ours: dict[str, Any], files: dict[str, dict[str, Any]]
) -> Layout:
    number = {key: ours["number"][key] for key in ("dtype", "pedestal", "gain", "unit")}
    known = {key: ours[key] for key in (f.name for f in fields(Facts)) if key in ours}
    known["voxel_sigma_um"] = tuple(known["voxel_sigma_um"])
    levels: list[Level] = []
    for dataset in scales["datasets"]:
        array = files[dataset["path"]]
        sharding = array["codecs"][0]["configuration"]
        shape = tuple(array["shape"][1:])
        voxel_um = tuple(dataset["coordinateTransformations"][0]["scale"][1:])
        first = levels[0] if levels else None
        factor: Triple = (
            _each(lambda v, w: round(v / w), voxel_um, first.voxel_um) if first else (1, 1, 1)
        )
        before = levels[-1].factor if levels else (1, 1, 1)
        levels.append(
            Level(
                name=dataset["path"],
                shape=shape,
                factor=factor,
                step=_each(lambda f, b: f // b, factor, before),
                shard=tuple(array["chunk_grid"]["configuration"]["chunk_shape"][1:]),
                chunk=tuple(sharding["chunk_shape"][1:]),
                voxel_um=voxel_um,
                origin_um=tuple(dataset["coordinateTransformations"][1]["translation"][1:]),
            )
        )
    return Layout(scales["name"], NumberFormat(**number), Facts(**known), tuple(levels))
