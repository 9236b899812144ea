"""Camera files are read back by LibRaw, ExifRead, Pillow and tifffile, none of them ours.

Tag numbers and value forms: EXIF 2.32 (CIPA DC-008-2019), TIFF 6.0, DNG 1.4.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import sys
import time
from datetime import datetime
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from PIL import ExifTags, Image

from planewright.base.problems import RangeProblem
from planewright.phantom.camera_files import (
    PATTERNS,
    FileMeta,
    write_dng,
    write_jpeg,
    write_png,
    write_tiff,
)

META = FileMeta(
    taken_at=datetime(2026, 3, 4, 5, 6, 7, 250000),
    subsecond="25",
    utc_offset_min=-90,
    exposure_s=(1, 25),
    iso=1600,
    f_number=(28, 10),
    orientation=6,
    make="Fieldstation",
    model="FS-1",
    serial="A0042",
    black=(500, 510, 520, 530),
    white=16000,
)
COLOUR_CODE = {"R": 0, "G": 1, "B": 2}


def noise(shape: tuple[int, ...], top: int = 16384, seed: int = 7) -> np.ndarray:
    mosaic = np.random.default_rng(seed).integers(0, top, shape, dtype=np.uint16)
    mosaic.flags.writeable = False
    return mosaic


def exif_of(path: Path) -> dict[str, str]:
    with path.open("rb") as handle:
        return {k: str(v) for k, v in exifread.process_file(handle, details=False).items()}


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("active", [None, (4, 8, 301, 403), (5, 7, 295, 399)])
def test_mosaic_comes_back_bit_by_bit(tmp_path, pattern, active, compressed):
    mosaic = noise((303, 411))
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, dataclasses.replace(META, pattern=pattern, active=active),
              compressed=compressed)  # fmt: skip
    with rawpy.imread(str(path)) as raw:
        np.testing.assert_array_equal(raw.raw_image, mosaic)
        assert raw.white_level == 16000
        # LibRaw moves odd margins of a mosaic inwards to even ones; the colours must follow.
        top, left = (active or (0, 0))[:2]
        row, column = raw.sizes.top_margin - top, raw.sizes.left_margin - left
        assert (row, column) == (top % 2, left % 2)
        for site in range(4):
            y, x = (site // 2 + row) % 2, (site % 2 + column) % 2
            colour = raw.raw_colors_visible[site // 2, site % 2]
            assert raw.color_desc.decode()[colour] == pattern[2 * y + x]
            if top % 2 == 0:  # LibRaw does not shift the black levels along with odd margins
                assert raw.black_level_per_channel[colour] == META.black[site]
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0].pages[0]
        np.testing.assert_array_equal(page.asarray(), mosaic)
        assert list(page.tags[33422].value) == [COLOUR_CODE[letter] for letter in pattern]
        assert page.tags[50829].value == (active or (0, 0, 303, 411))
        assert page.tags[50714].value == (500, 1, 510, 1, 520, 1, 530, 1)


@pytest.mark.parametrize("shape", [(16, 16), (17, 1030), (1025, 512), (1024, 1024), (33, 31)])
def test_compressed_tiles_of_awkward_shapes(tmp_path, shape):
    mosaic = noise(shape)
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, META, compressed=True)
    with tifffile.TiffFile(path) as tiff:
        np.testing.assert_array_equal(tiff.pages[0].pages[0].asarray(), mosaic)
    if min(shape) > 22:  # LibRaw refuses sensors below that
        with rawpy.imread(str(path)) as raw:
            np.testing.assert_array_equal(raw.raw_image, mosaic)


def test_sixteen_bit_sensor_compressed(tmp_path):
    mosaic = noise((64, 96), top=65536)
    write_dng(tmp_path / "a.dng", mosaic, dataclasses.replace(META, white=65535), compressed=True)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        np.testing.assert_array_equal(raw.raw_image, mosaic)


def test_count_beyond_the_bits_is_refused(tmp_path):
    mosaic = np.full((64, 64), 16384, np.uint16)
    with pytest.raises(RangeProblem, match="does not fit") as caught:
        write_dng(tmp_path / "a.dng", mosaic, META, compressed=True)
    assert caught.value.got == "16384 counts"
    assert not list(tmp_path.iterdir())


def test_dng_refuses_what_is_no_mosaic(tmp_path):
    with pytest.raises(RangeProblem, match="no mosaic"):
        write_dng(tmp_path / "a.dng", np.zeros((8, 8, 3), np.uint16), META, compressed=False)
    with pytest.raises(RangeProblem, match="too small"):
        write_dng(tmp_path / "a.dng", np.zeros((8, 64), np.uint16), META, compressed=True)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pattern": "RGBG"}, "Bayer"),
        ({"orientation": 9}, "orientation"),
        ({"subsecond": "x"}, "digits"),
    ],
)
def test_meta_refuses_nonsense(change, message):
    with pytest.raises(RangeProblem, match=message):
        dataclasses.replace(META, **change)


@pytest.mark.parametrize("compressed", [False, True])
def test_dng_exif_by_exifread_and_libraw(tmp_path, compressed):
    path = tmp_path / "a.dng"
    write_dng(path, noise((64, 96)), META, compressed=compressed)
    tags = exif_of(path)
    assert tags["EXIF DateTimeOriginal"] == "2026:03:04 05:06:07"
    assert tags["EXIF SubSecTimeOriginal"] == "25"
    assert tags["EXIF OffsetTimeOriginal"] == "-01:30"
    assert tags["EXIF ExposureTime"] == "1/25"
    assert tags["EXIF ISOSpeedRatings"] == "1600"
    assert tags["EXIF FNumber"] == "14/5"
    assert tags["EXIF BodySerialNumber"] == "A0042"
    assert tags["Image Make"] == "Fieldstation"
    assert tags["Image Model"] == "FS-1"
    assert tags["Image Orientation"] == "Rotated 90 CW"
    with rawpy.imread(str(path)) as raw:
        assert raw.other.iso_speed == 1600
        assert raw.other.shutter_speed == pytest.approx(0.04, rel=1e-6)
        assert raw.other.aperture == pytest.approx(2.8, rel=1e-6)
        assert raw.sizes.flip == 6
    with tifffile.TiffFile(path) as tiff:
        assert tiff.pages[0].tags[34665].value["DateTimeOriginal"] == "2026:03:04 05:06:07"


def test_optional_exif_is_left_out(tmp_path):
    path = tmp_path / "a.dng"
    plain = dataclasses.replace(META, subsecond=None, utc_offset_min=None)
    write_dng(path, noise((64, 96)), plain, compressed=False)
    tags = exif_of(path)
    assert "EXIF SubSecTimeOriginal" not in tags
    assert "EXIF OffsetTimeOriginal" not in tags
    assert tags["EXIF DateTimeOriginal"] == "2026:03:04 05:06:07"


def test_sensitivity_above_sixteen_bits(tmp_path):
    # EXIF 2.32, PhotographicSensitivity: 65535 where the value is higher; ISOSpeed holds it.
    path = tmp_path / "a.dng"
    write_dng(path, noise((64, 96)), dataclasses.replace(META, iso=204800), compressed=False)
    tags = exif_of(path)
    assert tags["EXIF ISOSpeedRatings"] == "65535"
    assert tags["EXIF ISOSpeed"] == "204800"


def test_preview_shows_the_mosaic(tmp_path):
    path = tmp_path / "a.dng"
    mosaic = np.full((1200, 1800), 500, np.uint16)
    mosaic[600:] = 12000
    write_dng(path, mosaic, dataclasses.replace(META, black=(500,) * 4), compressed=True)
    with rawpy.imread(str(path)) as raw:
        thumb = raw.extract_thumb()
    assert thumb.format == rawpy.ThumbFormat.JPEG
    seen = np.asarray(Image.open(io.BytesIO(thumb.data)))
    assert seen.shape == (300, 450, 3)
    assert seen[:140].max() < 10
    # (11500 / 15500) ** (1 / 2.2) of 255 is 222.6; JPEG costs a little.
    assert np.abs(seen[160:].astype(int) - 223).max() <= 3


def test_tiles_come_near_the_entropy(tmp_path):
    # Photon noise of sigma 30 has log2(30 sqrt(2 pi e)) = 6.95 bit; a predictor that averages
    # neighbours of the same colour adds their noise (1 bit), one across colours several bits.
    cell = np.array([[300.0, 900.0], [900.0, 100.0]])
    light = np.random.default_rng(0).poisson(np.tile(cell, (256, 384))).astype(np.uint16)
    write_dng(tmp_path / "a.dng", light, META, compressed=True)
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        packed = sum(tiff.pages[0].pages[0].databytecounts)
    entropy_bytes = np.log2(np.sqrt(2 * np.pi * np.e * cell)).mean() / 8 * light.size
    assert entropy_bytes < packed < 1.35 * entropy_bytes


def test_same_input_same_bytes(tmp_path):
    def write_all(folder: Path, workers: int) -> dict[str, str]:
        mosaic, grey = noise((600, 700)), noise((40, 50))
        write_dng(folder / "plain.dng", mosaic, META, compressed=False)
        write_dng(folder / "packed.dng", mosaic, META, compressed=True, workers=workers)
        write_tiff(folder / "a.tif", grey, META)
        write_png(folder / "a.png", grey, META)
        write_jpeg(folder / "a.jpg", (grey >> 6).astype(np.uint8), META)
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}

    first, second = write_all(tmp_path / "1", 1), write_all(tmp_path / "2", 4)
    assert first == second
    assert len(first) == 5


@pytest.mark.parametrize(
    "image",
    [
        (noise((31, 45)) >> 6).astype(np.uint8),
        noise((31, 45), top=4096),
        noise((31, 45), top=65536),
        noise((31, 45)).astype(np.float32) / 3,
        (noise((31, 45, 3)) >> 6).astype(np.uint8),
        noise((4, 31, 45)),
        noise((31, 45)).astype(np.int16) - 5000,
    ],
    ids=["8", "12-in-16", "16", "float", "colour", "pages", "signed"],
)
def test_tiff_comes_back_with_its_tags(tmp_path, image):
    path = tmp_path / "a.tif"
    write_tiff(path, image, META)
    back = tifffile.imread(path)
    np.testing.assert_array_equal(back, image)
    assert back.dtype == image.dtype
    with tifffile.TiffFile(path) as tiff:
        assert tiff.pages[0].tags["DateTime"].value == "2026:03:04 05:06:07"
        assert tiff.pages[0].tags["Orientation"].value == 6
    tags = exif_of(path)
    assert tags["Image DateTime"] == "2026:03:04 05:06:07"
    assert tags["Image ExposureTime"] == "1/25"
    assert tags["Image Model"] == "FS-1"
    with Image.open(path) as picture:
        assert picture.getexif()[ExifTags.Base.DateTime] == "2026:03:04 05:06:07"


def check_pillow_exif(picture: Image.Image) -> None:
    exif = picture.getexif()
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    assert exif[ExifTags.Base.Orientation] == 6
    assert exif[ExifTags.Base.Make] == "Fieldstation"
    assert inner[ExifTags.Base.DateTimeOriginal] == "2026:03:04 05:06:07"
    assert inner[ExifTags.Base.OffsetTimeOriginal] == "-01:30"
    assert inner[ExifTags.Base.SubsecTimeOriginal] == "25"
    assert inner[ExifTags.Base.ExposureTime] == pytest.approx(0.04)
    assert inner[ExifTags.Base.ISOSpeedRatings] == 1600


@pytest.mark.parametrize(
    "image",
    [
        (noise((31, 45)) >> 6).astype(np.uint8),
        noise((31, 45), top=65536),
        (noise((31, 45, 3)) >> 6).astype(np.uint8),
    ],
    ids=["8", "16", "colour"],
)
def test_png_comes_back_with_exif(tmp_path, image):
    path = tmp_path / "a.png"
    write_png(path, image, META)
    with Image.open(path) as picture:
        np.testing.assert_array_equal(np.asarray(picture), image)
        check_pillow_exif(picture)
    assert exif_of(path)["EXIF DateTimeOriginal"] == "2026:03:04 05:06:07"


def test_png_and_jpeg_refuse_floats(tmp_path):
    with pytest.raises(RangeProblem, match="cannot be written as PNG"):
        write_png(tmp_path / "a.png", np.zeros((4, 4), np.float32), META)
    with pytest.raises(RangeProblem, match="8 bit"):
        write_jpeg(tmp_path / "a.jpg", np.zeros((4, 4, 3), np.uint16), META)
    with pytest.raises(RangeProblem, match="no image"):
        write_tiff(tmp_path / "a.tif", np.zeros((4, 4, 4, 4), np.uint16), META)


def test_jpeg_keeps_the_picture_and_exif(tmp_path):
    path = tmp_path / "a.jpg"
    ramp = np.broadcast_to(np.linspace(10, 240, 200)[None, :, None], (100, 200, 3))
    write_jpeg(path, np.rint(ramp).astype(np.uint8), META)
    with Image.open(path) as picture:
        assert np.abs(np.asarray(picture).astype(int) - ramp).max() <= 3
        check_pillow_exif(picture)
    tags = exif_of(path)
    assert tags["EXIF ExposureTime"] == "1/25"
    assert tags["EXIF BodySerialNumber"] == "A0042"


@pytest.mark.prove
def test_speed_at_24_megapixels(tmp_path, record_property, capsys):
    rng = np.random.default_rng(1)
    mosaic = (512 + rng.poisson(800, (4000, 6000))).astype(np.uint16)
    for compressed in (False, True):
        path = tmp_path / f"{compressed}.dng"
        write_dng(path, mosaic, META, compressed=compressed)
        begun = time.perf_counter()
        write_dng(path, mosaic, META, compressed=compressed)
        took_s = time.perf_counter() - begun
        record_property(f"24 MP, compressed {compressed} (s)", took_s)
        size_mb = path.stat().st_size / 1e6
        with capsys.disabled():
            sys.stdout.write(f"\n24 MP, compressed {compressed}: {took_s:.2f} s, {size_mb:.0f} MB")
        assert took_s < 3.0
