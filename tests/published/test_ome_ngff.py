"""The store against the published OME-NGFF 0.5 and Zarr v3, by other libraries."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import ome_zarr_models.v05 as omz
import pytest
import tensorstore
import yaozarrs.v05
import zarr

from planewright.base.nouns import Flag
from planewright.volume.store import (
    Facts,
    NumberFormat,
    describe,
    float_format,
    open_mask,
    open_volume,
    plan_layout,
    write_volume,
)

ORIGIN_UM = (0.0, 0.206, -3.1)


@pytest.fixture(scope="module", params=["uint16", "float32"])
def store(request, tmp_path_factory):
    """Odd sizes, several shards, a missing plane, anisotropic voxels, five levels."""
    path = tmp_path_factory.mktemp("ngff") / "volume.ome.zarr"
    shape = (13, 75, 101)
    rng = np.random.default_rng(5)
    stored = rng.integers(0, 4096, shape).astype(np.uint16)
    number = NumberFormat("uint16", 64, 0.25, "electron")
    light = number.decode(stored)
    mask = np.where(rng.random(shape) < 0.01, Flag.HOT, 0).astype(np.uint8)
    mask[4] = Flag.MISSING
    layout = plan_layout(
        shape,
        voxel_um=(2.5, 0.412, 0.412),
        origin_um=ORIGIN_UM,
        number=number if request.param == "uint16" else float_format("electron"),
        facts=Facts(pass_name="a", colour="green", emission_nm=520.0),
        shard=(8, 32, 40),
        chunk=(4, 16, 20),
        coarsest=10,
    )
    write_volume(path, layout, light, mask)
    return path, layout, light, mask


def attributes(path: Path, folder: str = ""):
    return json.loads((path / folder / "zarr.json").read_text())["attributes"]


def test_two_sets_of_published_models_accept_it(store):
    """ome-zarr-models and yaozarrs carry OME-NGFF 0.5 as typed models."""
    path, layout, _, _ = store
    image = omz.Image.from_zarr(zarr.open_group(path, mode="r"))
    assert len(image.ome_attributes.multiscales[0].datasets) == len(layout.levels)
    labels = omz.Labels.from_zarr(zarr.open_group(path / "labels", mode="r"))
    assert labels.ome_attributes.labels == ["mask"]
    mask = omz.ImageLabel.from_zarr(zarr.open_group(path / "labels" / "mask", mode="r"))
    assert len(mask.ome_attributes.multiscales[0].datasets) == len(layout.levels)

    ome = attributes(path)["ome"]
    assert isinstance(yaozarrs.v05.Image.model_validate(ome), yaozarrs.v05.Image)
    ome = attributes(path, "labels/mask")["ome"]
    assert isinstance(yaozarrs.v05.LabelImage.model_validate(ome), yaozarrs.v05.LabelImage)
    yaozarrs.v05.LabelsGroup.model_validate(attributes(path, "labels")["ome"])


def test_the_models_refuse_what_is_spoiled(store):
    """The check above can fail: two space axes the wrong way, a missing scale."""
    ome = attributes(store[0])["ome"]
    ome["multiscales"][0]["axes"][0], ome["multiscales"][0]["axes"][1] = (
        ome["multiscales"][0]["axes"][1],
        ome["multiscales"][0]["axes"][0],
    )
    with pytest.raises(ValueError, match="order"):
        yaozarrs.v05.Image.model_validate(ome)
    ome = attributes(store[0])["ome"]
    del ome["multiscales"][0]["datasets"][1]["coordinateTransformations"][0]
    with pytest.raises(ValueError):
        yaozarrs.v05.Image.model_validate(ome)


def test_the_published_json_schemas_accept_it(store):
    """The specification's own files, where a package that bundles them is installed."""
    jsonschema = pytest.importorskip("jsonschema")
    referencing = pytest.importorskip("referencing")
    found = importlib.util.find_spec("ngff_zarr")
    if found is None or found.origin is None:
        pytest.skip("no package that bundles the OME-NGFF schemas (ngff-zarr) is installed")
    folder = Path(found.origin).parent / "spec" / "0.5" / "schemas"
    schemas = {f.name: json.loads(f.read_text()) for f in folder.glob("*.schema")}
    registry = referencing.Registry().with_resources(
        (s["$id"], referencing.Resource(s, referencing.jsonschema.DRAFT202012))
        for s in schemas.values()
    )
    for name, where in (
        ("strict_image.schema", ""),
        ("strict_image.schema", "labels/mask"),
        ("strict_label.schema", "labels/mask"),
    ):
        validator = jsonschema.Draft202012Validator(schemas[name], registry=registry)
        validator.validate(attributes(store[0], where))


def test_the_specifications_own_words_hold(store):
    """OME-NGFF 0.5, sections "axes", "multiscales", "labels": what models do not test."""
    path, layout, _, _ = store
    for folder in ("", "labels/mask"):
        scales = attributes(path, folder)["ome"]["multiscales"][0]
        assert [a["name"] for a in scales["axes"]] == ["c", "z", "y", "x"]
        assert [a.get("unit") for a in scales["axes"]] == [None] + ["micrometer"] * 3
        assert "version" not in scales  # 0.5: in the "ome" table alone
        assert {"name", "type", "metadata"} <= set(scales)
        sizes = []
        for dataset in scales["datasets"]:
            kinds = [t["type"] for t in dataset["coordinateTransformations"]]
            assert kinds == ["scale", "translation"]
            array = json.loads((path / folder / dataset["path"] / "zarr.json").read_text())
            assert array["dimension_names"] == ["c", "z", "y", "x"]
            sizes.append(array["shape"])
        assert sizes == [[1, *level.shape] for level in layout.levels]


def test_two_independent_readers_read_equal_values(store):
    """zarr-python and tensorstore, every level of light and mask."""
    path, layout, _, _ = store
    for k, level in enumerate(layout.levels):
        light, mask = open_volume(path, k).values, open_mask(path, k).values
        for folder, want in ((level.name, light), (f"labels/mask/{level.name}", mask)):
            by_zarr = zarr.open_array(path / folder, mode="r")[0]
            spec = {
                "driver": "zarr3",
                "kvstore": {"driver": "file", "path": str(path / folder)},
            }
            by_tensorstore = tensorstore.open(spec).result()[0].read().result()
            assert np.array_equal(by_zarr, by_tensorstore)
            got = by_zarr if want.dtype == np.uint8 else layout.number.decode(by_zarr)
            assert np.array_equal(got, want)
            assert got.dtype == want.dtype


def test_what_other_programs_write_we_decode(store, tmp_path):
    """The same array written by zarr-python into our metadata reads back equal."""
    path, layout, light, _ = store
    for file in path.rglob("zarr.json"):
        target = tmp_path / file.relative_to(path)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(file.read_bytes())
    stored, _ = layout.number.encode(light)
    zarr.open_array(tmp_path / "0", mode="r+")[0] = stored
    assert np.array_equal(open_volume(tmp_path).values, light)


def test_the_whole_group_opens_consolidated_or_not(store):
    path, layout, _, _ = store
    group = zarr.open_group(path, mode="r")
    names = {name for name, _ in group.members(max_depth=None)}
    levels = [level.name for level in layout.levels]
    assert names == {*levels, "labels", "labels/mask", *(f"labels/mask/{n}" for n in levels)}


@pytest.mark.parametrize("voxel_um", [(0.8, 0.8, 0.8), (2.0, 0.5, 0.5)])
def test_a_blob_stays_at_its_place_in_micrometres_through_every_level(tmp_path, voxel_um):
    """Centre of mass of a Gaussian, analytic: its centre, whatever the grid.

    Sampling moves the centroid by about exp(-2 pi² s²) / pi voxels at a width of s voxels: 1e-5
    of a coarse voxel at 0.75, the least here. The ends, five widths off, add as little.
    """
    shape = (61, 131, 150)
    layout = plan_layout(
        shape, voxel_um=voxel_um, origin_um=ORIGIN_UM, number=float_format(), coarsest=20
    )
    grids = [o + v * np.arange(n) for o, v, n in zip(ORIGIN_UM, voxel_um, shape, strict=True)]
    centre = [g.mean() + 0.3 * v for g, v in zip(grids, voxel_um, strict=True)]
    width = [(g[-1] - g[0]) / 10 for g in grids]
    z, y, x = (
        np.exp(-0.5 * ((g - c) / w) ** 2) for g, c, w in zip(grids, centre, width, strict=True)
    )
    light = (1000 * z[:, None, None] * y[:, None] * x).astype(np.float32)
    write_volume(tmp_path / "v", layout, light, np.zeros(shape, np.uint8))
    assert len(layout.levels) >= 4
    for k in range(len(layout.levels)):
        found = open_volume(tmp_path / "v", k).astype(np.float64)
        # other programs see the place by the standard's metadata alone
        scales = attributes(tmp_path / "v")["ome"]["multiscales"][0]["datasets"][k]
        steps = scales["coordinateTransformations"][0]["scale"][1:]
        starts = scales["coordinateTransformations"][1]["translation"][1:]
        for axis, (dim, want, voxel) in enumerate(zip("zyx", centre, voxel_um, strict=True)):
            profile = found.sum([d for d in "zyx" if d != dim])
            by_file = starts[axis] + steps[axis] * np.arange(profile.size)
            got = float((profile.values * by_file).sum() / profile.sum())
            assert got == pytest.approx(want, abs=1e-3 * voxel)
            assert profile[dim].values == pytest.approx(by_file, abs=1e-9)


@pytest.mark.parametrize("shape", [(1, 40, 50), (9, 1, 33), (9, 33, 1), (1, 1, 1), (5, 7, 3)])
def test_thin_volumes_are_valid_too(tmp_path, shape):
    """One plane, one pixel wide: read equal by tensorstore at every level."""
    path = tmp_path / "v"
    number = NumberFormat("uint16", 10, 1.0, "count")
    light = np.random.default_rng(0).integers(0, 900, shape).astype(np.float32)
    layout = plan_layout(shape, voxel_um=(2.5, 0.8, 0.8), number=number, coarsest=8)
    write_volume(path, layout, light, np.zeros(shape, np.uint8))
    assert describe(path) == layout
    omz.Image.from_zarr(zarr.open_group(path, mode="r"))
    for k, level in enumerate(layout.levels):
        spec = {"driver": "zarr3", "kvstore": {"driver": "file", "path": str(path / level.name)}}
        stored = tensorstore.open(spec).result()[0].read().result()
        assert np.array_equal(number.decode(stored), open_volume(path, k).values)
        assert stored.shape == level.shape
