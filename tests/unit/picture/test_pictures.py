"""What stands on the finished sheet, measured in its pixels."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from planewright import picture
from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem
from planewright.picture.page import HATCH_GROUND, HATCH_LINE, Box


def crop(pixels: np.ndarray, box: Box, dpi: float) -> np.ndarray:
    left, top = round(box.left * dpi), round(box.top * dpi)
    return pixels[top : top + round(box.height * dpi), left : left + round(box.width * dpi)]


def extent(lit: np.ndarray) -> tuple[int, int]:
    """Rows and columns between the first and the last lit pixel."""
    rows, columns = np.flatnonzero(lit.any(axis=1)), np.flatnonzero(lit.any(axis=0))
    return int(rows[-1] - rows[0] + 1), int(columns[-1] - columns[0] + 1)


def hatched(pixels: np.ndarray) -> bool:
    """Tell whether a piece holds nothing but both greys of the hatch."""
    return set(np.unique(pixels).tolist()) == {HATCH_GROUND, HATCH_LINE}


@pytest.fixture
def noise(volume_of):
    return volume_of(np.random.default_rng(2).gamma(2, 40, (12, 60, 90)).astype(np.float32))


@pytest.mark.parametrize("dpi", [96, 150, 301])
@pytest.mark.parametrize("voxel_um", [(2.5, 0.8, 0.8), (1.0, 0.0225, 0.0225), (10.0, 7.0, 7.0)])
def test_scale_bar_is_right_to_one_pixel(volume_of, voxel_um, dpi):
    light = np.zeros((3, 60, 90), np.float32)
    light[1, 20:40, 10] = light[1, 20:40, 79] = 100  # 69 voxels apart
    made = picture.projection(volume_of(light, voxel_um), window=(0, 100))
    pixels = made.pixels(dpi)
    bar = made.scale_bar
    assert bar is not None
    assert made.scale_bar_um is not None
    middle = round((bar.top + bar.height / 2) * dpi)
    dark = np.flatnonzero(pixels[middle, : round((bar.right + 0.05) * dpi)].max(axis=1) < 60)
    assert np.all(np.diff(dark) == 1)
    image = crop(pixels, made.panel("image").box, dpi)[..., 0]
    lit = np.flatnonzero(image[image.shape[0] // 2] > 127)
    gaps = np.flatnonzero(np.diff(lit) > 1)
    assert gaps.size == 1
    centres = lit[: gaps[0] + 1].mean(), lit[gaps[0] + 1 :].mean()
    pixels_per_um = (centres[1] - centres[0]) / (69 * voxel_um[2])
    assert dark.size == pytest.approx(made.scale_bar_um * pixels_per_um, abs=1.0)
    assert 0.08 * image.shape[1] < dark.size <= 0.25 * image.shape[1] + 1


def test_cuts_show_a_box_in_true_proportions(volume_of):
    # 96 x 64 x 40 µm along x, y, z, in voxels of 0.8, 0.8 and 2.5 µm.
    light = np.zeros((40, 200, 260), np.float32)
    light[10:26, 60:140, 70:190] = 50
    made = picture.cuts(volume_of(light), point_um=(45.0, 80.0, 100.0))
    dpi = 300
    pixels = made.pixels(dpi)
    found = {
        name: extent(crop(pixels, made.panel(name).box, dpi)[..., 0] > 127)
        for name in ("xy", "xz", "yz")
    }
    assert made.um_per_in is not None
    per_um = dpi / made.um_per_in
    for name, (rows_um, columns_um) in {"xy": (64, 96), "xz": (40, 96), "yz": (40, 64)}.items():
        assert found[name][0] == pytest.approx(rows_um * per_um, rel=0.01), name
        assert found[name][1] == pytest.approx(columns_um * per_um, rel=0.01), name
    assert made.facts["point_um"] == pytest.approx((45.0, 80.0, 100.0))


def test_ticks_of_the_cuts_stand_at_the_shared_point(volume_of):
    light = np.full((20, 50, 70), 1, np.float32)
    light[4, 30, 20] = 100
    made = picture.cuts(volume_of(light, origin_um=(-5, 7, 9)), point_um=(5, 31, 25))
    across = {mark.left for mark in made.marks if mark.symbol in "v^"}
    down = {mark.top for mark in made.marks if mark.symbol in "<>"}
    for name, (row, column) in {"xy": (30, 20), "xz": (4, 20), "yz": (4, 30)}.items():
        box = made.panel(name).box
        shape = {"xy": (50, 70), "xz": (20, 70), "yz": (20, 50)}[name]
        x = box.left + (column + 0.5) / shape[1] * box.width
        y = box.top + (row + 0.5) / shape[0] * box.height
        assert min(abs(x - place) for place in across) < 1e-9
        assert min(abs(y - place) for place in down) < 1e-9
        image = crop(made.pixels(300), box, 300)
        brightest = np.argwhere(image[..., 0] == image[..., 0].max()).mean(axis=0)
        expected = ((row + 0.5) / shape[0], (column + 0.5) / shape[1])
        assert brightest / image.shape[:2] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("light", [100.0, 40.0])
def test_depth_colour_decodes_through_the_printed_key(volume_of, light):
    stack = np.zeros((41, 30, 41), np.float32)
    for column in range(41):
        stack[column, 5:25, column] = light  # depth grows with x: 2.5 µm a column
    made = picture.depth_coloured(volume_of(stack), window=(0, 100))
    dpi = 200
    pixels = made.pixels(dpi).astype(np.float64)
    key = crop(pixels, made.panel("key").box, dpi)
    image = crop(pixels, made.panel("image").box, dpi)
    colours = key[1] / key[1].sum(axis=1, keepdims=True)
    ends = made.facts["depth_um"]
    for column in range(1, 40):
        place = round((column + 0.5) / 41 * image.shape[1])
        colour = image[image.shape[0] // 2, place]
        found = np.argmin(np.linalg.norm(colours - colour / colour.sum(), axis=1))
        depth_um = ends[0] + (found + 0.5) / len(colours) * (ends[1] - ends[0])
        assert depth_um == pytest.approx(2.5 * column, abs=2.5)
    ticks = [w for w in made.words if w.baseline > made.panel("key").box.bottom and
             w.text.replace(".", "").isdigit()]  # fmt: skip
    assert len(ticks) >= 4
    for tick in ticks:
        box = made.panel("key").box
        part = (float(tick.text) - ends[0]) / (ends[1] - ends[0])
        assert tick.left == pytest.approx(box.left + part * box.width, abs=1e-9)


def test_depth_key_covers_where_the_light_is(volume_of):
    light = np.random.default_rng(0).normal(10, 1, (60, 40, 40)).astype(np.float32)
    light[20:31, 10:30, 10:30] += np.linspace(300, 400, 11)[:, None, None]
    made = picture.depth_coloured(volume_of(light))
    first, last = made.facts["depth_um"]
    assert 45 <= first <= 75
    assert last == pytest.approx(75, abs=2.6)
    assert any("end colours" in text for text in made.says)


def test_missing_planes_are_hatched_in_the_side_cuts(noise, volume_of):
    mask = np.zeros(noise.shape, np.uint8)
    mask[5] = Flag.MISSING
    made = picture.cuts(noise, volume_of(mask), point_um=(5.0, 20.0, 30.0))
    plain = picture.cuts(noise, point_um=(5.0, 20.0, 30.0))
    dpi = 200
    for name in ("xz", "yz"):
        image = crop(made.pixels(dpi), made.panel(name).box, dpi)
        rows = image.shape[0]
        assert hatched(image[round(rows * 5 / 12) + 1 : round(rows * 6 / 12) - 1])
        # Beside the gap nothing is changed.
        before = crop(plain.pixels(dpi), plain.panel(name).box, dpi)
        np.testing.assert_array_equal(image[: round(rows * 5 / 12) - 1],
                                      before[: round(rows * 5 / 12) - 1])  # fmt: skip
    assert any("1 plane is missing: z 12.5 µm" in text for text in made.says)
    assert any(words.text == "not recorded" for words in made.words)
    assert not any(words.text == "not recorded" for words in plain.words)


def test_one_missing_plane_among_thousands_is_marked(volume_of):
    light = np.ones((2000, 8, 2000), np.float32)
    mask = np.zeros(light.shape, np.uint8)
    mask[1234] = Flag.MISSING
    made = picture.cuts(volume_of(light, (1, 1, 1)), volume_of(mask, (1, 1, 1)), point_um=(5, 4, 4))
    dpi = 150
    box = made.panel("xz").box
    row = round((box.top + box.height * 1234.5 / 2000) * dpi)
    strip = made.pixels(dpi)[row - 3 : row + 4, round((box.right + 0.03) * dpi) :][:, :3]
    assert strip.min() < 60


def test_a_cut_in_a_missing_plane_is_hatched_and_said(noise, volume_of):
    mask = np.zeros(noise.shape, np.uint8)
    mask[5] = Flag.MISSING
    made = picture.cuts(noise, volume_of(mask), point_um=(12.5, 20.0, 30.0))
    assert hatched(crop(made.pixels(100), made.panel("xy").box, 100))
    assert any("x–y cut was not recorded" in text for text in made.says)


def test_missing_planes_are_hatched_in_the_depth_key(noise, volume_of):
    mask = np.zeros(noise.shape, np.uint8)
    mask[5] = Flag.MISSING
    made = picture.depth_coloured(noise, volume_of(mask), depth_um=(0.0, 27.5))
    key = crop(made.pixels(300), made.panel("key").box, 300)
    columns = key.shape[1]
    inside = key[:, round(columns * 4.6 / 11) : round(columns * 5.4 / 11)]
    assert hatched(inside)
    assert not hatched(key[:, : round(columns * 4.3 / 11)])


@pytest.mark.parametrize("kind", ["brightest", "average", "total"])
def test_columns_outside_are_hatched_and_the_rest_is_light(noise, volume_of, kind):
    mask = np.zeros(noise.shape, np.uint8)
    mask[:, :, :9] = Flag.OUTSIDE
    made = picture.projection(noise, volume_of(mask), kind=kind)
    image = crop(made.pixels(150), made.panel("image").box, 150)
    edge = image.shape[1] // 10
    assert hatched(image[:, : edge - 1])
    assert not hatched(image[:, edge + 1 :])


def test_all_masked_says_so(noise, volume_of):
    mask = volume_of(np.full(noise.shape, Flag.MISSING, np.uint8))
    for made in (
        picture.projection(noise, mask),
        picture.depth_coloured(noise, mask),
        picture.cuts(noise, mask),
    ):
        assert any("Nothing can be shown: every voxel is masked." in t for t in made.says)
        assert hatched(crop(made.pixels(80), made.panels[0].box, 80))


def test_constant_says_so(volume_of):
    flat = volume_of(np.full((4, 10, 12), 7, np.float32))
    for made in (picture.projection(flat), picture.depth_coloured(flat), picture.cuts(flat)):
        assert any("the same light: 7 e." in text for text in made.says)
        assert made.pixels(60).ndim == 3


@pytest.mark.parametrize("shape", [(0, 5, 5), (5, 0, 5), (0, 0, 0)])
def test_empty_says_so(volume_of, shape):
    empty = volume_of(np.zeros(shape, np.float32))
    for made in (picture.projection(empty), picture.depth_coloured(empty), picture.cuts(empty)):
        assert any("no voxels" in text for text in made.says)
        assert made.pixels(60).ndim == 3


def test_one_plane_can_be_seen_along_z_but_not_cut(volume_of):
    plane = volume_of(np.random.default_rng(0).gamma(2, 9, (1, 20, 30)).astype(np.float32))
    assert any("One plane" in text for text in picture.projection(plane).says)
    assert picture.depth_coloured(plane).pixels(60).ndim == 3
    with pytest.raises(RangeProblem, match="size along z is not known"):
        picture.cuts(plane)
    assert picture.cuts(plane, step_um={"z": 2.5}).um_per_in is not None


def test_one_pixel_and_one_voxel_are_drawn(volume_of):
    one = volume_of(np.ones((1, 1, 1), np.float32))
    made = picture.cuts(one, step_um={"z": 1.0, "y": 1.0, "x": 1.0})
    assert made.pixels(60).ndim == 3


def test_light_on_the_sheet_is_the_light_of_the_volume(volume_of):
    stairs = np.zeros((2, 10, 40), np.float32)
    stairs[0] = np.repeat([0, 25, 50, 100], 10)
    made = picture.projection(volume_of(stairs), window=(0, 100))
    image = crop(made.pixels(150), made.panel("image").box, 150)
    seen = image[image.shape[0] // 2, [int(image.shape[1] * p) for p in (0.1, 0.4, 0.6, 0.9)], 0]
    assert np.abs(seen.astype(int) - [0, 64, 128, 255]).max() <= 1
    assert any("0 – 100 e, γ 1" in text for text in made.says)
    assert {"0", "100 e"} <= {words.text for words in made.words}


def test_the_key_has_the_image_s_colours(noise):
    made = picture.projection(noise, colours="cividis", gamma=0.8)
    pixels = made.pixels(200)
    key = crop(pixels, made.panel("key").box, 200)[3].astype(int)
    image = crop(pixels, made.panel("image").box, 200).reshape(-1, 3)[::97].astype(int)
    nearest = np.abs(image[:, None] - key[None]).sum(axis=2).min(axis=1)
    assert nearest.max() <= 12
    assert any("γ 0.8" in text for text in made.says)


def test_saturation_and_shape_only_are_said(noise, volume_of):
    mask = np.zeros(noise.shape, np.uint8)
    mask[:, :6] = Flag.SATURATED
    noise.attrs["shape_only"] = True
    made = picture.projection(noise, volume_of(mask))
    assert any("full in 10 % of the voxels" in text for text in made.says)
    assert any("shape only" in text for text in made.says)


def test_no_text_leaves_the_sheet(noise):
    title = "A title that somebody wrote at length because so much was to be said of it " * 2
    for made in (picture.projection(noise, title=title), picture.cuts(noise, title=title)):
        pixels = made.pixels(150)
        border = 12
        assert pixels[:, :border].min() == 255
        assert pixels[:, -border:].min() == 255
        assert pixels[-border:].min() == 255


@pytest.mark.parametrize("suffix", [".png", ".tif", ".pdf", ".svg"])
def test_files_are_the_same_twice(noise, tmp_path, suffix):
    made = picture.cuts(noise)
    hashes = set()
    for name in ("a", "b"):
        path = tmp_path / f"{name}{suffix}"
        made.save(path, dpi=80)
        hashes.add(hashlib.sha256(path.read_bytes()).hexdigest())
    assert len(hashes) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"a{suffix}", f"b{suffix}"]


def test_saved_png_has_its_size_and_resolution(noise, tmp_path):
    made = picture.projection(noise)
    made.save(tmp_path / "a.png", dpi=200)
    with Image.open(tmp_path / "a.png") as image:
        assert image.size == (round(made.width_in * 200), round(made.height_in * 200))
        assert image.info["dpi"] == pytest.approx((200, 200), abs=0.1)
        np.testing.assert_array_equal(np.asarray(image), made.pixels(200))


def test_refusals(noise, tmp_path):
    made = picture.projection(noise)
    with pytest.raises(RangeProblem, match="picture file") as caught:
        made.save(tmp_path / "a.bmp")
    assert caught.value.got == ".bmp"
    with pytest.raises(RangeProblem, match="dots an inch"):
        made.pixels(5)
    with pytest.raises(RangeProblem, match="no such panel"):
        made.panel("other")
    with pytest.raises(RangeProblem, match="projection is not known"):
        picture.projection(noise, kind="median")
    with pytest.raises(RangeProblem, match="outside the volume along y") as caught:
        picture.cuts(noise, point_um=(0, 100, 0))
    assert caught.value.expected == "0 to 47.2 µm"
    with pytest.raises(RangeProblem, match="depths"):
        picture.depth_coloured(noise, depth_um=(5, 5))


def test_every_kind_for_volumes_draws(noise):
    names = [kind.name for kind in picture.KINDS]
    assert names == ["brightest", "average", "total", "depth", "cuts", "frames"]
    for kind in picture.KINDS:
        assert kind.help
        if kind.of == "volume":
            assert kind.draw(noise, None, title="x").kind == kind.name


def test_matplotlib_is_loaded_only_to_draw():
    code = "import sys, planewright.picture; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_notebook_shows_it(noise):
    assert picture.projection(noise)._repr_png_()[:4] == b"\x89PNG"
