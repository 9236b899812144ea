"""Bad photographs: each is named with a reason, none crashes, none is taken for good."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames import (
    is_complete,
    judge_white,
    list_photographs,
    read_header,
    read_plane,
    top_of,
)
from planewright.phantom.camera_files import FileMeta, write_dng, write_jpeg, write_png, write_tiff

META = FileMeta(
    datetime(2026, 5, 4, 3, 2, 1), "25", 0, (1, 25), 400, (28, 10), 1, "Fieldcam", "F", "7"
)


def _mosaic(rows: int = 96, columns: int = 128) -> np.ndarray:
    rng = np.random.default_rng(11)
    return rng.integers(500, 9000, (rows, columns), dtype=np.uint16)


def _write(path: Path) -> None:
    mosaic = _mosaic()
    if path.suffix == ".dng":
        write_dng(path, mosaic, META, compressed="packed" in path.stem)
    elif path.suffix == ".tif":
        write_tiff(path, mosaic, META)
    elif path.suffix == ".png":
        write_png(path, mosaic, META)
    else:
        write_jpeg(path, (mosaic >> 6).astype(np.uint8), META)


@pytest.mark.parametrize("name", ["a.dng", "a packed.dng", "a.tif", "a.png", "a.jpg"])
def test_cut_at_twenty_points(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    _write(path)
    assert is_complete(path).ok
    data = path.read_bytes()
    points = np.random.default_rng(5).integers(16, len(data) - 1, 20)
    for point in [*map(int, points), len(data) - 1]:
        path.write_bytes(data[:point])
        with pytest.raises(PhotographProblem, match="not complete") as caught:
            read_plane(path)
        assert caught.value.where == str(path)
        assert caught.value.do == (
            "if it is still being copied, wait; else copy it again from the camera's card"
        )
        state = is_complete(path)
        assert not state.ok
        assert state.why == caught.value.got


@pytest.mark.parametrize("name", ["a.dng", "a.tif", "a.png", "a.jpg"])
def test_half_written_with_zeros_behind(tmp_path: Path, name: str) -> None:
    """A copy that reserved its length first: the end is there, as zeros."""
    path = tmp_path / name
    _write(path)
    data = path.read_bytes()
    half = len(data) // 2
    path.write_bytes(data[:half] + bytes(len(data) - half))
    if name.endswith(".tif"):
        # Zeros may be true there: they are for the check of frames to find.
        assert (read_plane(path).counts[-1] == 0).all()
        return
    with pytest.raises(PhotographProblem, match="not complete") as caught:
        read_plane(path)
    if name.endswith(".dng"):
        assert caught.value.got == "its last rows were never written: nothing but zeros"
    else:
        assert not is_complete(path).ok


@pytest.mark.parametrize("ending", ["dng", "tif", "png", "jpg", "mp4", "txt"])
def test_empty_file(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"F_0001.{ending}"
    path.touch()
    with pytest.raises(PhotographProblem, match="This photograph is empty") as caught:
        read_header(path)
    assert caught.value.got == "0 bytes"
    assert not is_complete(path).ok


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(PhotographProblem, match="not there"):
        read_plane(tmp_path / "F_0001.dng")
    with pytest.raises(PhotographProblem):
        read_plane(tmp_path)


def test_mislabelled_files_are_read_by_content(tmp_path: Path) -> None:
    _write(tmp_path / "a.png")
    (tmp_path / "a.png").rename(tmp_path / "F_0001.dng")
    assert np.array_equal(read_plane(tmp_path / "F_0001.dng").counts, _mosaic())
    (finding,) = list_photographs("*.dng", root=tmp_path).findings
    assert finding.what == "This file is a PNG file, though its name says otherwise."


@pytest.mark.parametrize(
    ("data", "got"),
    [
        (b"GIF89a" + bytes(40), "a GIF picture"),
        (b"RIFF\x20\0\0\0WEBPVP8 " + bytes(40), "a WebP picture"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "a HEIF or AVIF picture"),
        (b"P5\n2 2\n255\nabcd", "a Netpbm picture"),
        (b"hello, these are notes", "content of an unknown kind in a file named .tif"),
    ],
)
def test_other_kinds_are_named(tmp_path: Path, data: bytes, got: str) -> None:
    path = tmp_path / "F_0001.tif"
    path.write_bytes(data)
    with pytest.raises(PhotographProblem, match="no photograph that can be read") as caught:
        read_header(path)
    assert caught.value.got == got
    assert caught.value.expected == "camera RAW, TIFF, PNG, JPEG or video, by content"


# -- TIFF ------------------------------------------------------------------------------------


def test_nan_and_infinity_are_invalid(tmp_path: Path) -> None:
    image = np.linspace(-5, 900, 48, dtype=np.float32).reshape(6, 8)
    image[2, 3], image[4, 1], image[5, 5] = np.nan, np.inf, -np.inf
    path = tmp_path / "a.tif"
    write_tiff(path, image, META)
    plane = read_plane(path)
    assert plane.invalid is not None
    assert np.argwhere(plane.invalid).tolist() == [[2, 3], [4, 1], [5, 5]]
    assert np.array_equal(plane.counts[~plane.invalid], image[~plane.invalid])
    assert np.isfinite(plane.light()).all()
    assert np.isfinite(plane.colour_light["mono"])
    assert plane.white == np.inf


def test_nothing_but_nan(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    write_tiff(path, np.full((4, 4), np.nan, np.float32), META)
    with pytest.raises(PhotographProblem, match="no finite number"):
        read_plane(path)


@pytest.mark.parametrize("low", [-300, 0])
def test_signed_numbers_keep_their_sign(tmp_path: Path, low: int) -> None:
    image = np.arange(low, low + 600, dtype=np.int16).reshape(20, 30)
    path = tmp_path / "a.tif"
    write_tiff(path, image, META)
    plane = read_plane(path)
    assert plane.counts.dtype == np.float32
    assert np.array_equal(plane.light(), image)


def test_numbers_too_large_to_keep(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.full((4, 4), 2**24 + 1, np.uint32))
    with pytest.raises(PhotographProblem, match="too large to be kept exactly"):
        read_plane(path)
    tifffile.imwrite(path, np.full((4, 4), 2**24 - 1, np.uint32))
    assert (read_plane(path).light() == 2**24 - 1).all()


def test_twelve_bits_in_sixteen(tmp_path: Path) -> None:
    """Nothing in the file says 4095; the stack's numbers do, and then the file is read with it."""
    rng = np.random.default_rng(2)
    paths = []
    for number in range(3):
        light = np.clip(rng.normal(900, 200, (40, 60)), 0, 4095)
        light[10:14, 20 + number : 25 + number] = 4095
        paths.append(tmp_path / f"F_{number}.tif")
        write_tiff(paths[-1], light.astype(np.uint16), META)
    assert read_header(paths[0]).white is None
    plane = read_plane(paths[0])
    assert plane.white == np.inf
    assert plane.saturated is None
    found = judge_white(top_of(read_plane(path).counts) for path in paths)
    assert found.ok
    assert found.value == 4095
    plane = read_plane(paths[0], white_hint=found.value)
    assert plane.white == 4095
    assert plane.saturated is not None
    assert plane.saturated.sum() == 20
    assert plane.saturated[10:14, 20:25].all()


def test_sixteen_bits_full_at_the_top(tmp_path: Path) -> None:
    image = np.full((4, 4), 900, np.uint16)
    image[1, 2] = 65535
    write_tiff(tmp_path / "a.tif", image, META)
    plane = read_plane(tmp_path / "a.tif")
    assert plane.saturated is not None
    assert np.argwhere(plane.saturated).tolist() == [[1, 2]]


@pytest.mark.parametrize(
    ("how", "white"),
    [
        ({"extratags": [(281, 3, 1, 4095, True)]}, 4095.0),
        ({"ome": True, "metadata": {"axes": "YX", "SignificantBits": 12}}, 4095.0),
        ({}, None),
    ],
    ids=["MaxSampleValue", "SignificantBits", "not said"],
)
def test_white_level_that_the_file_states(tmp_path: Path, how: dict, white: float | None) -> None:
    path = tmp_path / "a.tif"
    image = np.full((16, 16), 4095, np.uint16)
    tifffile.imwrite(path, image, **how)
    assert read_header(path).white == white
    saturated = read_plane(path).saturated
    assert (saturated is not None) == (white is not None)


def test_twelve_bits_packed(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    numbers = np.arange(64, dtype=np.uint16).reshape(8, 8) * 60
    flat = numbers.ravel()
    packed = bytearray()
    for a, b in zip(flat[::2].tolist(), flat[1::2].tolist(), strict=True):
        packed += bytes([a >> 4, (a & 15) << 4 | b >> 8, b & 255])
    entries = [(256, 3, 8), (257, 3, 8), (258, 3, 12), (259, 3, 1), (262, 3, 1)]
    entries += [(273, 4, 134), (277, 3, 1), (278, 3, 8), (279, 4, len(packed))]
    head = struct.pack("<2sHIH", b"II", 42, 8, len(entries))
    head += b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    path.write_bytes((head + bytes(4)).ljust(134, b"\0") + packed)
    assert read_header(path).white == 4095
    assert np.array_equal(read_plane(path).counts, numbers)


def test_white_is_zero_is_turned_round(tmp_path: Path) -> None:
    image = np.arange(48, dtype=np.uint16).reshape(6, 8)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, 65535 - image, photometric="miniswhite")
    assert np.array_equal(read_plane(path).counts, image)


def test_palette_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(
        path,
        np.zeros((8, 8), np.uint8),
        photometric="palette",
        colormap=np.zeros((3, 256), np.uint16),
    )
    with pytest.raises(PhotographProblem, match="does not hold measured light") as caught:
        read_header(path)
    assert caught.value.got == "a palette of colours"


@pytest.mark.parametrize(
    ("size_z", "unit", "voxel", "noted"),
    [
        (2.5, "µm", (2.5, 0.5, 0.25), False),
        (2500.0, "nm", (2.5, 0.5, 0.25), False),
        (1.0, "pixel", (None, 0.5, 0.25), True),
        (1.0, "reference frame", (None, 0.5, 0.25), True),
        (0.0, "µm", (None, 0.5, 0.25), True),
    ],
)
def test_voxel_size_of_ome_tiff(
    tmp_path: Path, size_z: float, unit: str, voxel: tuple[float | None, ...], noted: bool
) -> None:
    path = tmp_path / "a.ome.tif"
    tifffile.imwrite(
        path,
        np.zeros((3, 16, 16), np.uint16),
        ome=True,
        metadata={
            "axes": "ZYX",
            "PhysicalSizeX": 0.25,
            "PhysicalSizeXUnit": "µm",
            "PhysicalSizeY": 0.5,
            "PhysicalSizeYUnit": "µm",
            "PhysicalSizeZ": size_z,
            "PhysicalSizeZUnit": unit,
        },
    )
    header = read_header(path)
    assert header.pages == 3
    assert header.voxel_um == pytest.approx(voxel)
    note = "A voxel size without a unit of length is stated; it was not believed."
    assert (note in header.notes) == noted


def test_smaller_pages_are_left_out_and_said(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(np.full((16, 16), 7, np.uint16), metadata=None)
        writer.write(np.full((4, 4), 1, np.uint16), subfiletype=1, metadata=None)
        writer.write(np.full((16, 16), 9, np.uint16), metadata=None)
    header = read_header(path)
    assert header.pages == 2
    assert header.notes == ("1 smaller or different pages in the file were left out.",)
    assert (read_plane(path, page=1).counts == 9).all()


def test_directories_in_a_circle(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    write_tiff(path, np.zeros((4, 4), np.uint16), META)
    data = bytearray(path.read_bytes())
    at = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, at)[0]
    struct.pack_into("<I", data, at + 2 + 12 * count, at)
    path.write_bytes(data)
    with pytest.raises(PhotographProblem, match="not complete") as caught:
        read_header(path)
    assert "met twice" in caught.value.got


# -- RAW without a Bayer mosaic --------------------------------------------------------------


def _patched(path: Path, tag: int, kind: int, count: int, value: bytes) -> None:
    """Overwrite one tag of the mosaic's directory in a DNG written before."""
    data = bytearray(path.read_bytes())
    for at in range(0, len(data) - 12, 2):
        if struct.unpack_from("<H", data, at)[0] == tag and data[at + 2] in (1, 3, 4):
            if len(value) <= 4:
                data[at : at + 12] = struct.pack("<HHI", tag, kind, count) + value.ljust(4, b"\0")
            else:
                data[at : at + 12] = struct.pack("<HHII", tag, kind, count, len(data))
                data += value
            break
    else:
        raise AssertionError(f"tag {tag} is not there")
    path.write_bytes(data)


X_TRANS = bytes.fromhex(
    "010100010102 010102010100 020001000201 010102010100 010100010102 000201020001"
)


@pytest.mark.parametrize(
    ("patches", "got"),
    [
        ([(262, 3, 1, struct.pack("<H", 34892))], "a DNG without a mosaic (linear RAW)"),
        (
            [(33421, 3, 2, struct.pack("<HH", 6, 6)), (33422, 1, 36, X_TRANS)],
            "a colour pattern of 6 × 6 pixels",
        ),
        (
            [(33421, 3, 2, struct.pack("<HH", 1, 1)), (33422, 1, 1, b"\1")],
            "no colour pattern (a monochrome sensor)",
        ),
        ([(33422, 1, 4, bytes([0, 1, 1, 0]))], "the colours RGGR in its cell"),
    ],
    ids=["linear", "6x6", "mono", "odd colours"],
)
def test_raw_without_a_bayer_mosaic(
    tmp_path: Path, patches: list[tuple[int, int, int, bytes]], got: str
) -> None:
    path = tmp_path / "F_0001.dng"
    write_dng(path, _mosaic(), META, compressed=False)
    for tag, kind, count, value in patches:
        if tag == 262:
            data = path.read_bytes()
            mosaic = struct.pack("<HHIH", 262, 3, 1, 32803)
            assert mosaic in data
            path.write_bytes(data.replace(mosaic, mosaic[:8] + value))
        else:
            _patched(path, tag, kind, count, value)
    for read in (read_header, read_plane):
        with pytest.raises(PhotographProblem, match="no Bayer mosaic") as caught:
            read(path)
        assert caught.value.got == got
        assert caught.value.do == "develop it to 16-bit linear TIFF and use that"


def test_mosaic_tiff_without_the_mark_of_a_dng(tmp_path: Path) -> None:
    """A TIFF whose colours are a mosaic goes the RAW way, never as grey light."""
    path = tmp_path / "F_0001.tif"
    mosaic = _mosaic()
    tifffile.imwrite(
        path,
        mosaic,
        photometric=32803,
        planarconfig=1,
        metadata=None,
        extratags=[
            (271, 2, 0, "Fieldcam", True),
            (272, 2, 0, "F", True),
            (33421, 3, 2, (2, 2), True),
            (33422, 1, 4, bytes([2, 1, 1, 0]), True),
        ],
    )
    header = read_header(path)
    assert (header.kind, header.pattern, header.rows, header.columns) == ("raw", "BGGR", 96, 128)
    assert read_header(path) == header
    plane = read_plane(path)
    assert np.array_equal(plane.light() * 2, mosaic[::2, 1::2].astype(int) + mosaic[1::2, ::2])
    assert np.array_equal(read_plane(path, colour=Colour.RED).light(), mosaic[1::2, 1::2])


# -- decompression bombs ---------------------------------------------------------------------


def _png_head(rows: int, columns: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        mark = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + mark

    head = struct.pack(">IIBBBBB", columns, rows, 16, 0, 0, 0, 0)
    body = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def test_png_bomb_by_size(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(_png_head(2**31 - 1, 2**31 - 1))
    with pytest.raises(PhotographProblem, match="larger than any camera's") as caught:
        read_plane(path)
    assert caught.value.expected == "at most 400 megapixels"
    assert "made to do harm" in caught.value.do


def test_png_bomb_by_ratio(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(_png_head(15000, 20000))
    with pytest.raises(PhotographProblem, match="unpack to far more than it stores") as caught:
        read_plane(path)
    assert caught.value.got.startswith("600 MB from")
    assert caught.value.expected == "at most 200 times its stored size"


def test_tiff_bomb(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    small = np.zeros((64, 64), np.uint16)
    tifffile.imwrite(path, small, compression="deflate", metadata=None)
    data = path.read_bytes()
    for tag in (256, 257, 278):
        before = struct.pack("<HHI", tag, 3, 1) + struct.pack("<I", 64)
        wide = struct.pack("<HHI", tag, 4, 1) + struct.pack("<I", 64)
        after = struct.pack("<HHI", tag, 4, 1) + struct.pack("<I", 15000)
        data = data.replace(before, after).replace(wide, after)
    path.write_bytes(data)
    with pytest.raises(PhotographProblem, match="unpack to far more than it stores"):
        read_plane(path)


def test_jpeg_bomb(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    write_jpeg(path, np.zeros((16, 16), np.uint8), META)
    data = path.read_bytes()
    head = data.index(b"\xff\xc0")
    path.write_bytes(data[: head + 5] + struct.pack(">HH", 65000, 65000) + data[head + 9 :])
    with pytest.raises(PhotographProblem, match="larger than any camera's"):
        read_plane(path)


# -- names, colours, silence -----------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["été 12.dng", 'it\'s "so" 3.tif', "a [b] #4 %20 5.jpg", "日本 6.png"]
)
def test_odd_names(tmp_path: Path, name: str) -> None:
    path = tmp_path / "with space & é" / name
    path.parent.mkdir()
    _write(path)
    (photograph,) = list_photographs(path, root=tmp_path).photographs
    assert photograph.counter == int(path.stem[-2:])
    assert read_plane(photograph.path).counts.size > 0
    assert photograph.name == f"with space & é/{name}"


def test_absurd_exposure_does_not_cost_the_frame(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, _mosaic(), replace(META, exposure_s=(4294967295, 1)), compressed=False)
    header = read_header(path)
    assert header.exposure.exposure_s is None
    assert header.notes == ("An exposure of 4294967295 s cannot be true; left out.",)
    assert read_plane(path).counts.shape == (48, 64)


def test_8_bit_rgb_png_that_says_srgb_is_shape_only(tmp_path: Path) -> None:
    image = np.full((4, 4, 3), (10, 128, 254), np.uint8)
    path = tmp_path / "a.png"
    write_png(path, image, META)
    assert not read_plane(path).shape_only
    assert (read_plane(path).counts == 128).all()
    data = path.read_bytes()
    mark = b"sRGB\0"
    chunk = struct.pack(">I", 1) + mark + struct.pack(">I", zlib.crc32(mark))
    path.write_bytes(data[:33] + chunk + data[33:])
    for colour, light in (
        (Colour.RED, 0.00303527),  # IEC 61966-2-1 at 10, 128 and 254 of 255
        (Colour.GREEN, 0.21586050),
        (Colour.BLUE, 0.99110210),
    ):
        plane = read_plane(path, colour=colour)
        assert plane.shape_only
        assert plane.light() / plane.white == pytest.approx(light, abs=1e-5)


def test_8_bit_rgb_tiff_with_a_profile_is_shape_only(tmp_path: Path) -> None:
    image = np.full((4, 4, 3), (10, 128, 254), np.uint8)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, image, photometric="rgb", metadata=None)
    assert not read_plane(path).shape_only
    profile = (34675, 7, 4, b"icc!", True)
    tifffile.imwrite(path, image, photometric="rgb", metadata=None, extratags=[profile])
    plane = read_plane(path)
    assert plane.shape_only
    assert plane.light() / plane.white == pytest.approx(0.21586050, abs=1e-5)  # IEC 61966-2-1


def test_jpeg_inside_a_tiff_is_shape_only(tmp_path: Path) -> None:
    """Pillow marks such a file as RGB, not as the YCbCr that is stored."""
    from PIL import Image

    path = tmp_path / "a.tif"
    image = np.full((16, 16, 3), 128, np.uint8)
    Image.fromarray(image).save(path, compression="jpeg", quality=95)
    plane = read_plane(path)
    assert plane.shape_only
    assert plane.light() / plane.white == pytest.approx(0.21586050, abs=1e-4)  # IEC 61966-2-1


def test_printing_inks_are_refused(tmp_path: Path) -> None:
    from PIL import Image

    path = tmp_path / "a.jpg"
    Image.new("CMYK", (16, 16)).save(path)
    with pytest.raises(PhotographProblem, match="not an ordinary photograph") as caught:
        read_header(path)
    assert caught.value.got == "4 channels of 8 bits"
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((8, 8, 4), np.uint8), photometric="separated")
    with pytest.raises(PhotographProblem, match="does not hold measured light"):
        read_header(tmp_path / "a.tif")


def test_bad_files_say_nothing_on_the_terminal(tmp_path: Path) -> None:
    """Libraries write warnings straight to stderr; a person must see ours alone."""
    for name in ("a.dng", "a packed.dng", "a.tif", "a.png", "a.jpg"):
        path = tmp_path / name
        _write(path)
        data = path.read_bytes()
        path.write_bytes(data[: len(data) // 2])
        (tmp_path / f"zeros {name}").write_bytes(data[:200] + bytes(len(data) - 200))
    (tmp_path / "a.avi").write_bytes(b"RIFF\x20\0\0\0AVI " + bytes(40))
    script = (
        "import sys; from pathlib import Path; import planewright.frames as f\n"
        "l = f.list_photographs('*', root=Path(sys.argv[1]))\n"
        "for p in l.photographs:\n"
        "    try: f.read_plane(p.path)\n"
        "    except f.readers.PhotographProblem: pass\n"
        "print(len(l.problems))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert int(done.stdout) >= 5
