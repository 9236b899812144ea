"""What every reader promises: one suite, run on every kind of file."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import rawpy
import tifffile

from planewright.base.nouns import Colour, Lattice
from planewright.base.problems import PhotographProblem
from planewright.frames import Plane, is_complete, read_header, read_plane
from planewright.phantom.camera_files import FileMeta, write_dng, write_jpeg, write_png, write_tiff

ROWS, COLUMNS = 48, 64
META = FileMeta(
    taken_at=datetime(2026, 5, 4, 3, 2, 1),
    subsecond="250",
    utc_offset_min=60,
    exposure_s=(1, 25),
    iso=400,
    f_number=(28, 10),
    orientation=6,
    make="Fieldcam",
    model="FC-2",
    serial="0417",
)
SITES = ((0, 0), (0, 1), (1, 0), (1, 1))
Image = npt.NDArray[np.float64]


def _ramp(top: float) -> Image:
    """Light that grows evenly with x and y: a mean over a cell is its value at the centre."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    return np.round(top * 0.9 * (2 * y + x) / (2 * ROWS + COLUMNS))


def _srgb_curve(light: npt.ArrayLike) -> Image:
    """Encode as IEC 61966-2-1 says, written out here apart from the code under test."""
    light = np.asarray(light, float)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True)
class Case:
    """One kind of file: how to write it, and the light that must come out of it."""

    name: str
    ending: str
    kind: str
    write: Callable[[Path], Image]
    error: float = 0.0  # of the light, as a fraction of its range
    pages: int = 1
    shape_only: bool = False
    bare: bool = False  # carries no EXIF


def _dng(path: Path, *, compressed: bool) -> Image:
    mosaic = (_ramp(14000) + 512).astype(np.uint16)
    write_dng(path, mosaic, META, compressed=compressed)
    green = mosaic.astype(float) - 512
    return (green[0::2, 1::2] + green[1::2, 0::2]) / 2


def _tiff(dtype: str, top: float) -> Callable[[Path], Image]:
    def write(path: Path) -> Image:
        image = _ramp(top).astype(dtype)
        write_tiff(path, image, META)
        return image.astype(float)

    return write


def _tiff_pages(path: Path) -> Image:
    first = _ramp(4000).astype(np.uint16)
    write_tiff(path, np.stack([first, first[::-1], first[:, ::-1]]), META)
    return first.astype(float)


def _tiff_rgb(path: Path) -> Image:
    green = _ramp(60000).astype(np.uint16)
    write_tiff(path, np.stack([green // 2, green, green // 4], -1), META)
    return green.astype(float)


def _tiff_planar(path: Path) -> Image:
    green = _ramp(60000).astype(np.uint16)
    planes = np.stack([green // 2, green, green // 4])
    tifffile.imwrite(path, planes, photometric="rgb", planarconfig="separate", metadata=None)
    return green.astype(float)


def _tiff_alpha(path: Path) -> Image:
    green = _ramp(60000).astype(np.uint16)
    layers = np.stack([green // 2, green, green // 4, np.full_like(green, 9)], -1)
    tifffile.imwrite(path, layers, photometric="rgb", extrasamples=["unassalpha"], metadata=None)
    return green.astype(float)


def _tiff_jpeg(path: Path) -> Image:
    light = _ramp(1000) / 1000
    grey = np.round(255 * _srgb_curve(light)).astype(np.uint8)
    tifffile.imwrite(
        path,
        np.stack([grey] * 3, -1),
        photometric="rgb",
        compression="jpeg",
        compressionargs={"level": 95},
        metadata=None,
    )
    return light * 65535


def _png_alpha(path: Path) -> Image:
    import imagecodecs

    green = _ramp(60000).astype(np.uint16)
    layers = np.stack([green // 2, green, green // 4, np.full_like(green, 9)], -1)
    path.write_bytes(imagecodecs.png_encode(layers))
    return green.astype(float)


def _png_grey_alpha(path: Path) -> Image:
    import imagecodecs

    green = _ramp(60000).astype(np.uint16)
    path.write_bytes(imagecodecs.png_encode(np.stack([green, np.full_like(green, 9)], -1)))
    return green.astype(float)


def _jpeg_progressive(path: Path) -> Image:
    from PIL import Image as Picture

    light = _ramp(1000) / 1000
    grey = np.round(255 * _srgb_curve(light)).astype(np.uint8)
    Picture.fromarray(np.stack([grey] * 3, -1)).save(path, quality=95, progressive=True)
    return light * 65535


def _tiff_packed(path: Path) -> Image:
    image = _ramp(4095).astype(np.uint16)
    tifffile.imwrite(path, image, compression="deflate", predictor=True, byteorder=">")
    return image.astype(float)


def _ome(path: Path) -> Image:
    image = _ramp(4095).astype(np.uint16)
    tifffile.imwrite(
        path,
        np.stack([image, image, image]),
        ome=True,
        bigtiff=True,
        tile=(16, 16),
        metadata={"axes": "ZYX", "PhysicalSizeX": 0.5},
    )
    return image.astype(float)


def _png(dtype: str, top: float) -> Callable[[Path], Image]:
    def write(path: Path) -> Image:
        image = _ramp(top).astype(dtype)
        write_png(path, image, META)
        return image.astype(float)

    return write


def _png_rgb(path: Path) -> Image:
    green = _ramp(60000).astype(np.uint16)
    write_png(path, np.stack([green // 2, green, green // 4], -1), META)
    return green.astype(float)


def _jpeg(path: Path) -> Image:
    light = _ramp(1000) / 1000
    grey = np.round(255 * _srgb_curve(light)).astype(np.uint8)
    write_jpeg(path, np.stack([grey] * 3, -1), META, quality=95)
    return light * 65535


def _jpeg_grey(path: Path) -> Image:
    light = _ramp(1000) / 1000
    write_jpeg(path, np.round(255 * _srgb_curve(light)).astype(np.uint8), META, quality=95)
    return light * 65535


def _video(path: Path, code: str) -> Image:
    import cv2

    light = _ramp(1000) / 1000
    grey = np.round(255 * _srgb_curve(light)).astype(np.uint8)
    writer = cv2.VideoWriter(
        str(path), cv2.VideoWriter_fourcc(*code), 10.0, (COLUMNS, ROWS), isColor=True
    )
    for shift in range(5):
        writer.write(np.dstack([np.roll(grey, -7 * shift, axis=1)] * 3))
    writer.release()
    return light * 65535


CASES = [
    Case("dng", "dng", "raw", lambda path: _dng(path, compressed=False)),
    Case("dng packed", "dng", "raw", lambda path: _dng(path, compressed=True)),
    Case("tiff 8", "tif", "tiff", _tiff("u1", 255)),
    Case("tiff 16", "tif", "tiff", _tiff("u2", 65535)),
    Case("tiff float", "tif", "tiff", _tiff("f4", 100)),
    Case("tiff double", "tif", "tiff", _tiff("f8", 100)),
    Case("tiff signed", "tif", "tiff", _tiff("i2", 30000)),
    Case("tiff packed, Motorola", "tif", "tiff", _tiff_packed, bare=True),
    Case("tiff pages", "tif", "tiff", _tiff_pages, pages=3),
    Case("tiff rgb", "tif", "tiff", _tiff_rgb),
    Case("tiff rgb planar", "tif", "tiff", _tiff_planar, bare=True),
    Case("tiff rgb alpha", "tif", "tiff", _tiff_alpha, bare=True),
    Case("tiff jpeg", "tif", "tiff", _tiff_jpeg, error=0.02, shape_only=True, bare=True),
    Case("ome-tiff", "ome.tif", "tiff", _ome, pages=3, bare=True),
    Case("png 8", "png", "png", _png("u1", 255)),
    Case("png 16", "png", "png", _png("u2", 65535)),
    Case("png rgb", "png", "png", _png_rgb),
    Case("png alpha", "png", "png", _png_alpha, bare=True),
    Case("png grey alpha", "png", "png", _png_grey_alpha, bare=True),
    Case("jpeg", "jpg", "jpeg", _jpeg, error=0.02, shape_only=True),
    Case(
        "jpeg progressive",
        "jpg",
        "jpeg",
        _jpeg_progressive,
        error=0.02,
        shape_only=True,
        bare=True,
    ),
    Case("jpeg grey", "jpg", "jpeg", _jpeg_grey, error=0.02, shape_only=True),
    Case(
        "video avi",
        "avi",
        "video",
        lambda path: _video(path, "MJPG"),
        error=0.04,
        pages=5,
        shape_only=True,
        bare=True,
    ),
    Case(
        "video mp4",
        "mp4",
        "video",
        lambda path: _video(path, "mp4v"),
        error=0.08,
        pages=5,
        shape_only=True,
        bare=True,
    ),
]


@dataclass(frozen=True)
class Written:
    """A case's file and the light that it holds."""

    case: Case
    path: Path
    light: Image


@pytest.fixture(scope="module", params=CASES, ids=lambda case: case.name)
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Written:
    case: Case = request.param
    path = tmp_path_factory.mktemp("reader") / f"F_0001.{case.ending}"
    return Written(case, path, case.write(path))


def _same(a: Plane, b: Plane) -> bool:
    arrays = [(a.counts, b.counts), (a.saturated, b.saturated), (a.invalid, b.invalid)]
    equal = all(
        (x is None and y is None) or (x is not None and y is not None and np.array_equal(x, y))
        for x, y in arrays
    )
    facts = [(p.step, p.black, p.white, p.lattice, p.colour_light, p.shape_only) for p in (a, b)]
    return equal and facts[0] == facts[1]


def test_header_says_what_the_plane_is(written: Written) -> None:
    header = read_header(written.path)
    plane = read_plane(written.path)
    assert (header.kind, header.pages) == (written.case.kind, written.case.pages)
    assert (header.rows, header.columns) == (ROWS, COLUMNS)
    assert (plane.lattice.rows, plane.lattice.columns) == (ROWS, COLUMNS)
    assert plane.counts.shape == (ROWS // plane.lattice.pitch, COLUMNS // plane.lattice.pitch)
    assert header.shape_only == plane.shape_only == written.case.shape_only
    if written.case.kind != "raw":
        assert plane.lattice == Lattice(1, 0.0, 0.0, ROWS, COLUMNS)


def test_light_is_linear_in_counts(written: Written) -> None:
    plane = read_plane(written.path)
    assert plane.counts.dtype in (np.uint16, np.float32)
    light = plane.light()
    assert light.dtype == np.float32
    worst = np.abs(light - written.light).max()
    assert worst <= written.case.error * np.ptp(written.light)
    slope = np.polyfit(written.light.ravel(), light.ravel(), 1)[0]
    assert slope == pytest.approx(1.0, abs=0.005 + written.case.error / 10)


def test_colours_are_the_mean_light(written: Written) -> None:
    plane = read_plane(written.path)
    pattern = read_header(written.path).pattern
    names = {"red", "green", "blue"} if pattern else {"mono"}
    assert set(plane.colour_light) == names
    mean = plane.colour_light["green" if pattern else "mono"]
    assert mean == pytest.approx(written.light.mean(), rel=0.03)


def test_file_is_left_as_it_was(written: Written) -> None:
    before = written.path.read_bytes(), written.path.stat().st_mtime_ns
    read_header(written.path)
    read_plane(written.path, page=written.case.pages - 1)
    assert (written.path.read_bytes(), written.path.stat().st_mtime_ns) == before


def test_arrays_cannot_be_written_to(written: Written) -> None:
    plane = read_plane(written.path)
    with pytest.raises(ValueError, match="read-only"):
        plane.counts[0, 0] = 1
    plane.light()[0, 0] = 1


def test_threads_read_alike(written: Written) -> None:
    alone = read_plane(written.path)
    with ThreadPoolExecutor(2) as pool:
        planes = list(pool.map(lambda _: read_plane(written.path), range(12)))
    assert all(_same(plane, alone) for plane in planes)


def test_header_read_before_changes_nothing(written: Written) -> None:
    header = read_header(written.path)
    assert _same(read_plane(written.path, header=header), read_plane(written.path))


def test_kind_is_told_by_content(written: Written, tmp_path: Path) -> None:
    other = tmp_path / "photograph.xyz"
    shutil.copyfile(written.path, other)
    assert read_header(other).kind == written.case.kind
    assert _same(read_plane(other), read_plane(written.path))


@pytest.mark.parametrize("wanted", [-1, 99])
def test_page_that_is_not_there(written: Written, wanted: int) -> None:
    with pytest.raises(PhotographProblem, match="no such page") as caught:
        read_plane(written.path, page=wanted)
    assert caught.value.expected == f"1 to {written.case.pages}"


def _attempt(path: Path, page: int = 0) -> tuple[Plane | None, PhotographProblem | None]:
    try:
        return read_plane(path, page=page), None
    except PhotographProblem as problem:
        return None, problem


def test_cut_short_anywhere(written: Written, tmp_path: Path) -> None:
    data = written.path.read_bytes()
    whole = read_plane(written.path, page=written.case.pages - 1)
    rng = np.random.default_rng(int(hashlib.sha256(written.case.name.encode()).hexdigest()[:8], 16))
    points = {1, 7, 8, 20, len(data) // 2, len(data) - 1}
    points |= {int(point) for point in rng.integers(1, len(data), 20)}
    named = 0
    for point in sorted(points):
        cut = tmp_path / f"cut{point}.{written.case.ending}"
        cut.write_bytes(data[:point])
        plane, problem = _attempt(cut, page=written.case.pages - 1)
        if plane is not None:
            assert _same(plane, whole)
        else:
            assert problem is not None
            assert str(cut) in problem.where
            assert problem.do
            named += not is_complete(cut).ok
    assert named >= len(points) - 2


@pytest.mark.parametrize("seed", range(5))
def test_damage_never_escapes(written: Written, tmp_path: Path, seed: int) -> None:
    data = bytearray(written.path.read_bytes())
    rng = np.random.default_rng(seed)
    start = int(rng.integers(0, len(data)))
    data[start : start + 64] = rng.bytes(len(data[start : start + 64]))
    bad = tmp_path / f"bad.{written.case.ending}"
    bad.write_bytes(data)
    plane, problem = _attempt(bad)
    assert plane is not None or (problem is not None and problem.where == str(bad))


def test_pages_differ(written: Written) -> None:
    if written.case.name == "tiff pages":
        assert np.array_equal(read_plane(written.path, page=2).counts, written.light[:, ::-1])
        assert np.array_equal(read_plane(written.path, page=1).counts, written.light[::-1])
    elif written.case.kind == "video":
        times = read_header(written.path).page_times_s
        assert times == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4], abs=2e-3)
        for page in (4, 0, 2):
            light = read_plane(written.path, page=page).light()
            shifted = np.roll(written.light, -7 * page, axis=1)
            assert np.abs(light - shifted)[:, 4:-34].mean() < 0.01 * 65535
    else:
        assert read_header(written.path).page_times_s is None


def test_exposure_is_read_where_the_file_carries_it(written: Written) -> None:
    exposure = read_header(written.path).exposure
    if written.case.bare:
        assert exposure.taken_at is None
        assert exposure.camera == ""
        return
    assert exposure.taken_at == META.taken_at
    assert exposure.exposure_s == pytest.approx(0.04)
    assert (exposure.iso, exposure.f_number) == (400, 2.8)
    assert exposure.orientation == 6
    assert exposure.camera == "Fieldcam FC-2"
    assert (exposure.subsecond_s, exposure.utc_offset_min) == (0.25, 60)
    assert exposure.serial == "0417"


# -- the mosaic's lattice --------------------------------------------------------------------

AREAS = [None, (4, 6, 44, 60), (5, 7, 45, 61), (4, 7, 45, 60), (5, 6, 44, 61)]


@pytest.mark.parametrize("area", AREAS, ids=str)
@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("compressed", [False, True], ids=["plain", "packed"])
def test_lattice_stands_where_its_pixels_do(
    tmp_path: Path, pattern: str, area: tuple[int, int, int, int] | None, compressed: bool
) -> None:
    """Each site's number is 100 y + x + its own black: light must be 100 y + x at the lattice."""
    blacks = (301, 402, 503, 604)
    top, left, _, _ = area or (0, 0, ROWS, COLUMNS)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    black = np.array(blacks).reshape(2, 2)[(y - top) % 2, (x - left) % 2]
    mosaic = (100 * y + x + black).astype(np.uint16)
    meta = FileMeta(
        **{**META.__dict__, "pattern": pattern, "black": blacks, "white": 9000, "active": area}
    )
    path = tmp_path / "F_0001.dng"
    write_dng(path, mosaic, meta, compressed=compressed)
    with rawpy.imread(str(path)) as raw:
        corner = raw.sizes.top_margin, raw.sizes.left_margin
        visible = raw.raw_image_visible.shape
        letters = "".join(
            chr(raw.color_desc[raw.raw_colors_visible[row, column]]) for row, column in SITES
        )
    header = read_header(path)
    assert header.pattern == letters
    assert (header.rows, header.columns) == visible
    for colour in Colour:
        plane = read_plane(path, colour=colour)
        lattice = plane.lattice
        assert (lattice.pitch, lattice.rows, lattice.columns) == (2, *visible)
        assert plane.counts.dtype == np.uint16
        assert plane.step == (0.5 if colour is Colour.GREEN else 1.0)
        rows, columns = plane.counts.shape
        at_y = corner[0] + lattice.offset_y + lattice.pitch * np.arange(rows)[:, None]
        at_x = corner[1] + lattice.offset_x + lattice.pitch * np.arange(columns)
        assert np.array_equal(plane.light(), 100 * at_y + at_x)
        if colour is Colour.GREEN:
            assert (lattice.offset_y, lattice.offset_x) == (0.5, 0.5)
        else:
            site = int(lattice.offset_y), int(lattice.offset_x)
            assert letters[2 * site[0] + site[1]] == colour.value[0].upper()


def test_saturation_of_either_green(tmp_path: Path) -> None:
    mosaic = np.full((32, 32), 1000, np.uint16)
    mosaic[4, 5] = 9000  # first green of cell (2, 2)
    mosaic[11, 20] = 9400  # second green of cell (5, 10)
    mosaic[20, 20] = 9000  # red of cell (10, 10)
    mosaic[23, 2] = 8999
    path = tmp_path / "F_0001.dng"
    meta = FileMeta(**{**META.__dict__, "black": (500, 600, 700, 800), "white": 9000})
    write_dng(path, mosaic, meta, compressed=False)
    plane = read_plane(path)
    assert plane.saturated is not None
    assert np.argwhere(plane.saturated).tolist() == [[2, 2], [5, 10]]
    assert plane.white == 9000 - 700
    assert plane.black == 650
    red = read_plane(path, colour=Colour.RED)
    assert red.saturated is not None
    assert np.argwhere(red.saturated).tolist() == [[10, 10]]
    assert read_plane(path, colour=Colour.BLUE).saturated is None


def test_sixteen_bit_mosaic_is_summed_exactly(tmp_path: Path) -> None:
    mosaic = np.full((32, 32), 50000, np.uint16)
    mosaic[0, 1], mosaic[1, 0] = 60001, 60002
    path = tmp_path / "F_0001.dng"
    meta = FileMeta(**{**META.__dict__, "black": (0, 0, 0, 0), "white": 65535})
    write_dng(path, mosaic, meta, compressed=False)
    plane = read_plane(path)
    assert plane.counts.dtype == np.float32
    assert plane.light()[0, :2].tolist() == [60001.5, 50000.0]
    assert plane.saturated is None


@pytest.mark.parametrize("fraction", [0.01, 0.1, 0.5, 0.9])
def test_raw_is_linear_over_its_scale(tmp_path: Path, fraction: float) -> None:
    """Mean light of an evenly lit mosaic, per colour, against what was written."""
    rng = np.random.default_rng(7)
    light = fraction * (16383 - 512)
    mosaic = np.round(512 + light + rng.normal(0, 3, (128, 128))).astype(np.uint16)
    path = tmp_path / "F_0001.dng"
    write_dng(path, mosaic, META, compressed=True)
    plane = read_plane(path)
    assert plane.light().mean(dtype=float) == pytest.approx(light, rel=5e-4)
    assert plane.colour_light == pytest.approx(
        {"red": light, "green": light, "blue": light}, rel=3e-3
    )
