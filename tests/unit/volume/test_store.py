"""The store: plan, whole shards, pyramid, lazy reading, putting in place."""

from __future__ import annotations

import json
import pickle
import shutil
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from functools import partial

import numpy as np
import pytest
import xarray
from hypothesis import given, settings
from hypothesis import strategies as st

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem, StoreProblem
from planewright.volume import shards, store_write
from planewright.volume.store import (
    Facts,
    NumberFormat,
    create,
    describe,
    float_format,
    make_level_shard,
    missing_shards,
    open_mask,
    open_volume,
    plan_layout,
    publish,
    read_window,
    shard_done,
    sweep_partials,
    write_shard,
    write_volume,
)

NUMBER = NumberFormat("uint16", 100, 0.5, "electron")
VOXEL_UM = (2.5, 0.8, 0.8)


def layout_of(shape, **options):
    given_ = {"voxel_um": VOXEL_UM, "number": NUMBER, "coarsest": 16} | options
    return plan_layout(shape, **given_)


def volume_of(shape, seed=0):
    rng = np.random.default_rng(seed)
    light = NUMBER.decode(rng.integers(0, 4096, shape).astype(np.uint16))
    mask = np.where(rng.random(shape) < 0.01, Flag.HOT, 0).astype(np.uint8)
    return light, mask


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    shape = (11, 37, 53)
    light, mask = volume_of(shape)
    layout = layout_of(shape, shard=(4, 20, 28), chunk=(2, 10, 14), origin_um=(0.0, 0.2, -0.6))
    path = tmp_path_factory.mktemp("once") / "volume.ome.zarr"
    write_volume(path, layout, light, mask)
    return path, layout, light, mask


@pytest.fixture
def built(once, tmp_path):
    path = tmp_path / "volume.ome.zarr"
    shutil.copytree(once[0], path)
    return path, *once[1:]


# the plan


@pytest.mark.parametrize(
    ("shape", "shard", "chunk"),
    [
        ((200, 2000, 3000), (32, 1000, 1000), (4, 250, 250)),
        ((1, 1, 1), (1, 1, 1), (1, 1, 1)),
        ((33, 1025, 300), (20, 513, 300), (4, 171, 150)),
    ],
)
def test_shards_and_chunks_are_cut_evenly_to_the_shape(shape, shard, chunk):
    level = layout_of(shape).levels[0]
    assert (level.shard, level.chunk) == (shard, chunk)


@given(shape=st.tuples(*[st.integers(1, 5000)] * 3))
def test_every_shape_gets_whole_chunks_and_ends(shape):
    layout = layout_of(shape)
    assert max(layout.levels[-1].shape) <= 16
    for level in layout.levels:
        assert all(s % c == 0 for s, c in zip(level.shard, level.chunk, strict=True))
        assert all(s <= top for s, top in zip(level.shard, (32, 1024, 1024), strict=True))
        assert all(
            (g - 1) * s < n for g, s, n in zip(level.grid, level.shard, level.shape, strict=True)
        )


def test_an_anisotropic_stack_is_reduced_in_y_and_x_first():
    """z 2.5, xy 0.412 µm: 0.824 and 1.648 first, then 3.296 µm is near enough to take z along."""
    layout = plan_layout((200, 2000, 3000), voxel_um=(2.5, 0.412, 0.412), number=NUMBER)
    assert [level.step for level in layout.levels] == [
        (1, 1, 1),
        (1, 2, 2),
        (1, 2, 2),
        (1, 2, 2),
        (2, 2, 2),
    ]
    assert layout.levels[-1].shape == (100, 125, 188)


def test_origins_of_all_levels_are_exact():
    """Centre of a mean over f voxels: (f - 1) / 2 voxels behind the first, in exact fractions."""
    origin = (0.0, 0.103, -17.25)
    layout = plan_layout(
        (301, 2001, 999), voxel_um=(2.5, 0.412, 0.412), origin_um=origin, number=NUMBER
    )
    for level in layout.levels:
        for axis in range(3):
            voxel = Fraction(layout.levels[0].voxel_um[axis])
            factor = level.factor[axis]
            want = Fraction(origin[axis]) + voxel * Fraction(factor - 1, 2)
            assert abs(Fraction(level.origin_um[axis]) - want) < Fraction(1, 10**12)
            assert level.voxel_um[axis] == float(voxel * factor)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"shape": (0, 4, 4)}, "no voxels"),
        ({"voxel_um": (1.0, 0.0, 1.0)}, "voxel size must be known"),
        ({"origin_um": (0.0, float("nan"), 0.0)}, "origin is not finite"),
    ],
)
def test_impossible_plans_are_refused(options, text):
    shape = options.pop("shape", (4, 4, 4))
    with pytest.raises(RangeProblem, match=text):
        layout_of(shape, **options)
    with pytest.raises(RangeProblem, match="no such block"):
        layout_of((4, 4, 4)).window((1, 0, 0))


# writing


@settings(max_examples=12, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 7), st.integers(1, 30), st.integers(1, 30)),
    shard=st.tuples(st.integers(1, 4), st.integers(8, 24), st.integers(8, 24)),
    chunk=st.tuples(st.integers(1, 3), st.integers(4, 12), st.integers(4, 12)),
)
def test_writing_by_shards_equals_writing_whole(tmp_path_factory, shape, shard, chunk):
    path = tmp_path_factory.mktemp("v") / "volume.ome.zarr"
    light, mask = volume_of(shape)
    layout = layout_of(shape, shard=shard, chunk=chunk, coarsest=12)
    write_volume(path, layout, light, mask)
    whole = plan_layout(
        shape, voxel_um=VOXEL_UM, number=NUMBER, coarsest=12, shard=(99, 99, 99), chunk=(99, 99, 99)
    )
    other = path.with_name("whole.ome.zarr")
    write_volume(other, whole, light, mask)
    assert np.array_equal(open_volume(path).values, light)
    assert np.array_equal(open_mask(path).values, mask)
    for level in range(len(layout.levels)):
        assert np.array_equal(open_volume(path, level).values, open_volume(other, level).values)
        assert np.array_equal(open_mask(path, level).values, open_mask(other, level).values)


def test_threads_writing_different_shards_lose_nothing(tmp_path, built):
    _, layout, light, mask = built
    path = tmp_path / "threads.ome.zarr"
    stored, _ = NUMBER.encode(light)
    create(path, layout)

    def write(index):
        window = layout.window(index)
        write_shard(path, layout, index, stored[window], mask[window])

    with ThreadPoolExecutor(5) as pool:
        list(pool.map(write, layout.indices()))
        for level in range(1, len(layout.levels)):
            make = partial(make_level_shard, path, layout, level=level)
            list(pool.map(make, layout.indices(level)))
    for file in sorted(f for f in built[0].rglob("*") if f.is_file()):
        assert (path / file.relative_to(built[0])).read_bytes() == file.read_bytes()


def test_a_file_proves_its_block_even_where_all_is_empty(tmp_path):
    layout = layout_of((4, 20, 20), coarsest=32)
    path = tmp_path / "v"
    create(path, layout)
    (index,) = layout.indices()
    assert not shard_done(path, layout, index)
    assert missing_shards(path, layout) == [(0, index)]
    write_shard(
        path, layout, index, np.full((4, 20, 20), 100, np.uint16), np.zeros((4, 20, 20), np.uint8)
    )
    assert shard_done(path, layout, index)
    assert missing_shards(path, layout) == []
    assert (open_volume(path).values == 0).all()
    chunks = np.prod(
        [-(-n // c) for n, c in zip(layout.shape, layout.levels[0].chunk, strict=True)]
    )
    file = store_write.shard_path(path, layout, index, mask=False)
    assert file.stat().st_size == 16 * chunks + 4  # the index alone: empty chunks cost nothing


def test_light_is_written_after_its_mask_and_both_are_flushed(tmp_path, monkeypatch):
    layout = layout_of((2, 8, 8))
    path = tmp_path / "v"
    create(path, layout)
    order = []
    for name in ("whole_file", "sync_folder"):
        real = getattr(store_write, name)

        def spy(target, *, real=real, name=name):
            order.append((name, "labels" in target.parts))
            return real(target)

        monkeypatch.setattr(store_write, name, spy)
    write_shard(
        path, layout, (0, 0, 0), np.zeros((2, 8, 8), np.uint16), np.zeros((2, 8, 8), np.uint8)
    )
    files = [entry for entry in order if entry[0] == "whole_file"]
    assert files == [("whole_file", True), ("whole_file", False)]
    between = order[order.index(files[0]) + 1 : order.index(files[1])]
    assert ("sync_folder", True) in between
    assert order[-1] == ("sync_folder", False)


def test_a_block_of_another_shape_or_type_is_refused(tmp_path):
    layout = layout_of((2, 8, 8))
    light, mask = np.zeros((2, 8, 8), np.uint16), np.zeros((2, 8, 8), np.uint8)
    for bad_light, bad_mask in (
        (light[:1], mask),
        (light.astype(np.int32), mask),
        (light, mask[:, 1:]),
    ):
        with pytest.raises(RangeProblem, match="is not as planned") as problem:
            write_shard(tmp_path, layout, (0, 0, 0), bad_light, bad_mask)
        assert problem.value.where == "block (0, 0, 0) of level 0"


def test_light_beyond_the_format_is_refused_whole(tmp_path):
    light, mask = np.full((2, 4, 4), -51.0, np.float32), np.zeros((2, 4, 4), np.uint8)
    with pytest.raises(RangeProblem, match="beyond what this number format") as problem:
        write_volume(tmp_path / "v", layout_of((2, 4, 4)), light, mask)
    assert problem.value.got == "-51.0 to -51.0, 32 voxels outside"


def test_writing_twice_gives_the_same_bytes_and_other_plans_are_not_mixed(built):
    path, layout, light, mask = built
    before = {f: f.read_bytes() for f in path.rglob("*") if f.is_file()}
    write_volume(path, layout, light, mask)
    assert {f: f.read_bytes() for f in path.rglob("*") if f.is_file()} == before
    with pytest.raises(StoreProblem, match="another plan"):
        create(path, layout_of((11, 37, 54)))


@pytest.mark.parametrize("number", [NUMBER, float_format()])
@pytest.mark.parametrize("voxel_um", [(2.5, 0.8, 0.8), (0.8, 0.8, 0.8)])
def test_making_a_level_stays_within_the_memory_it_names(tmp_path, number, voxel_um):
    shape = (17, 601, 799)
    layout = plan_layout(shape, voxel_um=voxel_um, number=number, coarsest=500)
    light = np.random.default_rng(0).normal(100, 20, shape).astype(np.float32)
    mask = np.zeros(shape, np.uint8)
    mask[3] = Flag.MISSING
    write_volume(tmp_path / "v", layout, light, mask)
    tracemalloc.start()
    make_level_shard(tmp_path / "v", layout, (0, 0, 0), level=1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak <= layout.level_block_bytes(1)


# reading


def test_the_plan_reads_back_equal(built, tmp_path):
    path, layout, light, mask = built
    assert describe(path) == layout
    facts = Facts("a", "green", -8.0, True, 0.31, 2.5, 520.0, 488.0, "lanczos4", "p.json", {"a": 1})
    layout = layout_of(light.shape, facts=facts, number=float_format("count"))
    write_volume(tmp_path / "f", layout, light, mask)
    assert describe(tmp_path / "f") == layout


def test_a_notebook_sees_light_in_micrometres(built):
    path, _, light, mask = built
    found = open_volume(path)
    assert found.dims == ("z", "y", "x")
    assert found.name == "light"
    assert found.dtype == np.float32
    assert found.attrs["units"] == "electron"
    assert (found.attrs["pedestal"], found.attrs["gain"]) == (100, 0.5)
    text = repr(found)
    assert "values with dtype=float32" in text  # not read for the sake of showing it
    assert "electron" in text
    assert "light" in found._repr_html_()
    assert found.z.values == pytest.approx(2.5 * np.arange(11))
    assert found.y.values == pytest.approx(0.2 + 0.8 * np.arange(37))
    assert found.x.attrs["units"] == "µm"
    assert np.array_equal(found.sel(z=7.4, method="nearest"), light[3])
    assert np.array_equal(found.sel(y=slice(0.2, 4.3), x=slice(0, 8)), light[:, :6, 1:11])
    assert found.mean().item() == pytest.approx(light.mean(), rel=1e-6)
    flags = open_mask(path)
    assert np.array_equal(flags, mask)
    names = dict(zip(flags.attrs["flag_meanings"].split(), flags.attrs["flag_masks"], strict=True))
    assert names == {"missing": 1, "saturated": 2, "hot": 4, "outside": 8, "doubtful": 16}


@pytest.mark.parametrize(
    "key",
    [
        np.s_[3],
        np.s_[-1, ::-1, 5],
        np.s_[2:9:3, 30:2:-4, ...],
        np.s_[[0, 10, 3], :, 50],
        np.s_[:0],
        np.s_[np.arange(11) % 2 == 1, 3:5, [7]],
    ],
)
def test_every_way_of_cutting_equals_cutting_an_array(built, key):
    path, _, light, _ = built
    want = (
        light[key]
        if not any(isinstance(k, list | np.ndarray) for k in np.atleast_1d(np.empty(1)))
        else light
    )

    want = xarray.DataArray(light, dims=("z", "y", "x"))[key].values
    got = open_volume(path)[key]
    assert np.array_equal(got.values, want)
    assert np.array_equal(pickle.loads(pickle.dumps(got)).values, want)


def test_a_cut_reads_only_the_chunks_it_touches(built, monkeypatch):
    path, layout, light, _ = built
    count = []
    real = shards._unpack
    monkeypatch.setattr(shards, "_unpack", lambda *a: count.append(1) or real(*a))
    found = open_volume(path)
    assert count == []
    level = layout.levels[0]
    columns = -(-37 // level.chunk[1]) * -(-53 // level.chunk[2])
    assert np.array_equal(found[4].values, light[4])
    assert len(count) == columns
    count.clear()
    assert found[4, 5, 6].item() == light[4, 5, 6]
    assert len(count) == 1


# what cannot be read


def test_missing_half_foreign_and_newer_stores_are_told_apart(built, tmp_path):
    path, layout, _, _ = built
    with pytest.raises(StoreProblem, match="no volume here"):
        open_volume(tmp_path / "nowhere")
    with pytest.raises(RangeProblem, match="no such level") as problem:
        open_volume(path, 9)
    assert problem.value.expected == f"0 to {len(layout.levels) - 1}"

    root = json.loads((path / "zarr.json").read_text())

    def change(**ours):
        value = json.loads(json.dumps(root))
        value["attributes"]["planewright"] |= ours
        (path / "zarr.json").write_text(json.dumps(value))

    change(format=2)
    with pytest.raises(StoreProblem, match="format that this version does not read") as problem:
        describe(path)
    assert problem.value.got == "format = 2"
    change(number={})
    with pytest.raises(StoreProblem, match="metadata is damaged"):
        describe(path)
    (path / "zarr.json").write_text(json.dumps({"zarr_format": 3, "attributes": {"ome": {}}}))
    with pytest.raises(StoreProblem, match="not written by planewright"):
        describe(path)
    (path / "zarr.json").write_text("{")
    with pytest.raises(StoreProblem, match="metadata is damaged"):
        describe(path)
    (path / "zarr.json").unlink()
    with pytest.raises(StoreProblem, match="only half there"):
        describe(path)
    change()
    store_write.shard_path(path, layout, (1, 0, 1), mask=False).unlink()
    with pytest.raises(StoreProblem, match="only half there") as problem:
        open_volume(path)
    assert problem.value.got == f"1 of {len(layout.indices())} blocks of level 0 missing"
    with pytest.raises(StoreProblem, match="block of the volume is missing"):
        for index in layout.indices(1):
            make_level_shard(path, layout, index, level=1)


@pytest.mark.parametrize("spoil", ["cut", "flip index", "flip data", "empty"])
def test_a_damaged_block_is_named(built, spoil):
    path, layout, _, _ = built
    file = store_write.shard_path(path, layout, (0, 0, 0), mask=False)
    data = bytearray(file.read_bytes())
    if spoil == "cut":
        data = data[:-7]
    elif spoil == "flip index":
        data[-20] ^= 1
    elif spoil == "flip data":
        data[2] ^= 0xFF
        data[12:40] = bytes(28)
    else:
        data = bytearray()
    file.write_bytes(data)
    whole = tuple(slice(0, n) for n in layout.shape)
    with pytest.raises(StoreProblem, match="damaged") as problem:
        read_window(path, layout, whole)
    assert problem.value.where == str(file)


def test_the_checksum_is_crc32c():
    """RFC 3720, appendix B.4."""
    assert shards.crc32c(b"123456789") == 0xE3069283  # the usual check value of CRC-32C
    assert shards.crc32c(bytes(32)) == 0x8A9136AA
    assert shards.crc32c(b"\xff" * 32) == 0x62A8AB43
    assert shards.crc32c(bytes(range(32))) == 0x46DD794E


# putting in place


def test_publish_replaces_whole_and_clears_leftovers(built, tmp_path):
    work, layout, light, _ = built
    final = tmp_path / "passes" / "a" / "volume.ome.zarr"
    left = work / "0" / "c" / f"x.12{store_write.PARTIAL}"
    left.write_bytes(b"half")
    assert sweep_partials(work) == 1
    publish(work, final)
    assert not work.exists()
    assert np.array_equal(open_volume(final).values, light)
    write_volume(work, layout, light + 1, np.zeros(light.shape, np.uint8))
    publish(work, final)
    assert np.array_equal(open_volume(final).values, light + 1)
    assert [p.name for p in final.parent.iterdir()] == ["volume.ome.zarr"]
    with pytest.raises(StoreProblem, match="no finished volume"):
        publish(work, final)


def test_publish_goes_on_after_a_death_between_its_two_moves(built, tmp_path, monkeypatch):
    work, layout, light, mask = built
    final = tmp_path / "final.ome.zarr"
    write_volume(final, layout, light + 1, mask)
    moves = []

    def die_at_second(source, target):
        moves.append(source)
        if len(moves) == 2:
            raise KeyboardInterrupt
        source.rename(target)

    monkeypatch.setattr(store_write, "replace", die_at_second)
    with pytest.raises(KeyboardInterrupt):
        publish(work, final)
    monkeypatch.undo()
    publish(work, final)
    assert np.array_equal(open_volume(final).values, light)
    assert not list(tmp_path.glob("*.replaced"))
