"""Whether a file is all there, told by its own structure alone."""

from __future__ import annotations

import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile

from planewright.frames import is_complete


def _jpeg() -> bytes:
    rng = np.random.default_rng(1)
    return bytes(imagecodecs.jpeg8_encode(rng.integers(0, 255, (64, 64, 3), dtype=np.uint8), 95))


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


MP4 = _box(b"ftyp", b"isom\0\0\0\0") + _box(b"mdat", bytes(100)) + _box(b"moov", bytes(60))
RAF = (b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">6I", 108, 10, 118, 10, 128, 72)).ljust(
    200, b"\0"
)


@pytest.mark.parametrize(
    ("ending", "data"),
    [
        ("jpg", _jpeg()),
        ("jpg", _jpeg() + b"\0" * 50),  # makers add more behind the end mark
        ("mp4", MP4),
        ("mp4", MP4[:-68] + struct.pack(">I", 0) + MP4[-64:]),  # a last box to the end
        ("raf", RAF),
    ],
)
def test_whole_files(tmp_path: Path, ending: str, data: bytes) -> None:
    path = tmp_path / f"a.{ending}"
    path.write_bytes(data)
    state = is_complete(path)
    assert (state.ok, state.why) == (True, "")


def test_thumbnails_end_mark_is_not_the_photographs(tmp_path: Path) -> None:
    """A small JPEG inside a segment has an end mark of its own."""
    whole = _jpeg()
    small = whole[:2000] + b"\xff\xd9"
    data = whole[:2] + b"\xff\xe1" + struct.pack(">H", len(small) + 2) + small + whole[2:]
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    assert is_complete(path).ok
    path.write_bytes(data[:-1000])
    assert is_complete(path).why == (
        f"the end mark is missing; the file ends at byte {len(data) - 1000}"
    )


@pytest.mark.parametrize(
    ("ending", "data", "why"),
    [
        ("mp4", MP4[:-10], f"box b'moov' ends at byte {len(MP4)}, the file at {len(MP4) - 10}"),
        ("mp4", MP4[:-68], "the table of contents (box 'moov') is missing"),
        ("mp4", MP4[:-64], f"a box is cut off at byte {len(MP4) - 64}"),
        ("raf", RAF[:199], "image data end at byte 200, the file at 199"),
        ("raf", RAF[:99], "the file ends at byte 99 within its header"),
        ("avi", b"RIFF\xff\0\0\0AVI ", "263 bytes are promised, the file has 12"),
    ],
)
def test_cut_files(tmp_path: Path, ending: str, data: bytes, why: str) -> None:
    path = tmp_path / f"a.{ending}"
    path.write_bytes(data)
    state = is_complete(path)
    assert (state.ok, state.why) == (False, why)


@pytest.mark.parametrize("at", [20, 60, 400, -6])
def test_png_with_a_damaged_byte(tmp_path: Path, at: int) -> None:
    rng = np.random.default_rng(2)
    data = bytearray(imagecodecs.png_encode(rng.integers(0, 65535, (40, 40), dtype=np.uint16)))
    data[at] ^= 4
    path = tmp_path / "a.png"
    path.write_bytes(data)
    state = is_complete(path)
    assert not state.ok
    assert state.why.endswith("is damaged (checksum)")


def _changed(data: bytes, tag: int, value: int) -> bytes:
    for kind, width in ((3, "H"), (4, "I")):
        at = data.find(struct.pack("<HHI", tag, kind, 1))
        if at >= 0:
            return (
                data[: at + 8] + struct.pack(f"<{width}", value) + data[at + 8 + (2 * kind - 4) :]
            )
    raise AssertionError(f"tag {tag} is not there")


@pytest.mark.parametrize(
    ("tag", "value", "why"),
    [
        (257, 80, "the image needs 5120 bytes, 2560 are stored"),
        (279, 2000, "the image needs 2560 bytes, 2000 are stored"),
        (279, 0, "a piece of the image was never written"),
        (273, 9000, "image data end at byte 11560, the file at"),
    ],
)
def test_tiff_that_promises_more_than_it_holds(
    tmp_path: Path, tag: int, value: int, why: str
) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.ones((40, 32), np.uint16), metadata=None)
    data = path.read_bytes()
    path.write_bytes(_changed(data, tag, value))
    state = is_complete(path)
    assert not state.ok
    assert state.why.startswith(why)


def test_file_that_grows_is_judged_again(tmp_path: Path) -> None:
    from planewright.base.problems import PhotographProblem
    from planewright.frames import read_plane

    path = tmp_path / "a.jpg"
    path.write_bytes(_jpeg()[:-100])
    with pytest.raises(PhotographProblem, match="not complete"):
        read_plane(path)
    path.write_bytes(_jpeg())
    assert read_plane(path).counts.shape == (64, 64)
    path.write_bytes(_jpeg()[:-100])
    with pytest.raises(PhotographProblem, match="not complete"):
        read_plane(path)
