"""Time and settings from EXIF: what is believed, what is left out and said."""

from __future__ import annotations

import io
import struct
from datetime import datetime
from pathlib import Path

import pytest

from planewright.base.problems import PhotographProblem
from planewright.frames import Exposure, read_header
from planewright.frames.exif import read_exposure

REAL = Path(__file__).resolve().parents[3] / ".." / "shared" / "data" / "exif"

# Tag numbers and types of CIPA DC-008 (Exif 2.32), section 4.6.
ASCII, SHORT, LONG, RATIONAL, SIGNED = 2, 3, 4, 5, 10
EXPOSURE, F_NUMBER, ISO, ISO_SPEED, REI = 0x829A, 0x829D, 0x8827, 0x8833, 0x8832
TIME, DIGITIZED, FILE_TIME, SHUTTER = 0x9003, 0x9004, 0x0132, 0x9201
OFFSET, SUBSECOND, ORIENTATION, MAKE, MODEL, SERIAL = 0x9011, 0x9291, 0x0112, 0x010F, 0x0110, 0xA431


def _tags(*entries: tuple[int, int, object]) -> io.BytesIO:
    """A TIFF of one directory that holds these tags, as TIFF/EP does."""
    packed = []
    for tag, kind, value in sorted(entries):
        if kind == ASCII:
            data, count = str(value).encode() + b"\0", len(str(value)) + 1
        else:
            numbers = value if isinstance(value, tuple) else (value,)
            code = {SHORT: "H", LONG: "I", RATIONAL: "I", SIGNED: "i"}[kind]
            data = struct.pack(f"<{len(numbers)}{code}", *numbers)
            count = len(numbers) // (2 if kind in (RATIONAL, SIGNED) else 1)
        packed.append((tag, kind, count, data))
    at = 8 + 2 + 12 * len(packed) + 4
    head, tail = struct.pack("<2sHIH", b"II", 42, 8, len(packed)), b""
    for tag, kind, count, data in packed:
        head += struct.pack("<HHI", tag, kind, count)
        if len(data) <= 4:
            head += data.ljust(4, b"\0")
        else:
            head += struct.pack("<I", at + len(tail))
            tail += data + b"\0" * (len(data) % 2)
    return io.BytesIO(head + struct.pack("<I", 0) + tail)


@pytest.mark.parametrize(
    ("entries", "name", "value"),
    [
        ([(EXPOSURE, RATIONAL, (1, 64))], "exposure_s", 1 / 64),
        ([(SHUTTER, SIGNED, (6, 1))], "exposure_s", 1 / 64),  # APEX: t = 2^-Tv, Exif 2.32 annex C
        ([(SHUTTER, SIGNED, (-5, 1))], "exposure_s", 32.0),
        ([(F_NUMBER, RATIONAL, (28, 10))], "f_number", 2.8),
        ([(F_NUMBER, RATIONAL, (0, 1))], "f_number", None),
        ([(ISO, SHORT, 800)], "iso", 800),
        ([(ISO, SHORT, 65535), (ISO_SPEED, LONG, 102400)], "iso", 102400),
        ([(ISO, SHORT, 65535), (REI, LONG, 204800)], "iso", 204800),
        ([(ISO, SHORT, 65535)], "iso", 65535),
        ([(TIME, ASCII, "2026:03:29 02:30:00")], "taken_at", datetime(2026, 3, 29, 2, 30)),
        ([(FILE_TIME, ASCII, "2026:03:29 02:30:00")], "taken_at", datetime(2026, 3, 29, 2, 30)),
        ([(TIME, ASCII, "    :  :     :  :  ")], "taken_at", None),
        ([(ORIENTATION, SHORT, 8)], "orientation", 8),
        ([(MAKE, ASCII, "Fieldcam "), (MODEL, ASCII, "FIELDCAM 2")], "camera", "FIELDCAM 2"),
        ([(MAKE, ASCII, "Fieldcam"), (MODEL, ASCII, "F 2  ")], "camera", "Fieldcam F 2"),
        ([(SERIAL, ASCII, "0042")], "serial", "0042"),
        ([(OFFSET, ASCII, "-03:30")], "utc_offset_min", -210),
        ([(OFFSET, ASCII, "+99:99")], "utc_offset_min", None),
    ],
)
def test_what_is_believed(entries: list[tuple[int, int, object]], name: str, value: object) -> None:
    exposure, notes = read_exposure(_tags(*entries))
    assert getattr(exposure, name) == (pytest.approx(value) if type(value) is float else value)
    assert notes == ()


@pytest.mark.parametrize(
    ("entries", "name", "note"),
    [
        (
            [(EXPOSURE, RATIONAL, (4294967295, 1))],
            "exposure_s",
            "An exposure of 4294967295 s cannot be true; left out.",
        ),
        (
            [(EXPOSURE, RATIONAL, (1, 0))],
            "exposure_s",
            "An exposure divided by zero cannot be true; left out.",
        ),
        (
            [(EXPOSURE, RATIONAL, (0, 1))],
            "exposure_s",
            "An exposure of 0 s cannot be true; left out.",
        ),
        ([(ISO, SHORT, 0)], "iso", "ISO 0 cannot be true; left out."),
        (
            [(ISO_SPEED, LONG, 4294967295)],
            "iso",
            "ISO 4294967295 cannot be true; left out.",
        ),
        (
            [(F_NUMBER, RATIONAL, (4294967295, 1))],
            "f_number",
            "An aperture of f/4294967295 cannot be true; left out.",
        ),
        (
            [(TIME, ASCII, "0000:00:00 00:00:00")],
            "taken_at",
            "The time '0000:00:00 00:00:00' is no time; left out.",
        ),
        (
            [(TIME, ASCII, "1904:01:01 00:00:00")],
            "taken_at",
            "The year 1904 cannot be right; the time was left out.",
        ),
        ([(ORIENTATION, SHORT, 9)], "orientation", "Orientation 9 does not exist; left out."),
    ],
)
def test_what_cannot_be_true(entries: list[tuple[int, int, object]], name: str, note: str) -> None:
    exposure, notes = read_exposure(_tags(*entries))
    assert getattr(exposure, name) is None
    assert notes == (note,)


@pytest.mark.parametrize(
    ("text", "value"), [("25", 0.25), ("250", 0.25), ("007", 0.007), ("x", None)]
)
def test_fractions_of_a_second(text: str, value: float | None) -> None:
    time = (TIME, ASCII, "2026:05:04 03:02:01")
    exposure, _ = read_exposure(_tags(time, (SUBSECOND, ASCII, text)))
    assert exposure.subsecond_s == value


def test_no_time_no_fraction() -> None:
    assert read_exposure(_tags((SUBSECOND, ASCII, "25")))[0] == Exposure()


def test_absurd_time_falls_back() -> None:
    exposure, notes = read_exposure(
        _tags((TIME, ASCII, "0000:00:00 00:00:00"), (DIGITIZED, ASCII, "2026:05:04 03:02:01"))
    )
    assert exposure.taken_at == datetime(2026, 5, 4, 3, 2, 1)
    assert len(notes) == 1


def test_noise_instead_of_exif() -> None:
    exposure, _ = read_exposure(io.BytesIO(b"II*\0\xff\xff\xff\x7f" + b"\xab" * 40))
    assert exposure == Exposure()


# Read by eye from the files' own tags with another reader (Pillow's getexif).
CAMERAS = {
    "r_canon.jpg": ("Canon PowerShot G1 X Mark II", 1 / 50, 100, datetime(2013, 12, 17, 14, 4, 24)),
    "r_casio.jpg": (
        "CASIO COMPUTER CO.,LTD. EX-100",
        1 / 40,
        80,
        datetime(2014, 3, 24, 17, 18, 28),
    ),
    "r_olympus.jpg": (
        "OLYMPUS IMAGING CORP. STYLUS1",
        1 / 25,
        100,
        datetime(2013, 11, 12, 13, 54, 29),
    ),
    "r_pana.jpg": ("Panasonic DMC-L10", 1 / 200, 100, datetime(2007, 9, 15, 13, 15, 57)),
    "r_pen.jpg": ("OLYMPUS IMAGING CORP. E-P3", 1 / 30, 1600, datetime(2014, 8, 23, 13, 5, 43)),
    "r_ricoh.jpg": ("PENTAX RICOH IMAGING GR", 1 / 500, 100, datetime(2013, 3, 29, 10, 6, 41)),
    "r_sigma.jpg": ("SIGMA DP3 Merrill", 1 / 5, 100, datetime(2012, 12, 28, 15, 25, 17)),
    "r_sony.jpg": ("SONY DSC-RX1R", 1 / 125, 100, datetime(2013, 4, 13, 10, 22, 18)),
}


def _real(name: str) -> Path:
    path = REAL / name
    if not path.exists():
        pytest.skip("the real EXIF files are not here (shared/data/exif)")
    return path


@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_real_cameras(name: str) -> None:
    from PIL import Image

    header = read_header(_real(name))
    camera, exposure_s, iso, taken_at = CAMERAS[name]
    exposure = header.exposure
    assert (exposure.camera, exposure.iso, exposure.taken_at) == (camera, iso, taken_at)
    assert exposure.exposure_s == pytest.approx(exposure_s)
    assert exposure.orientation == 1
    assert header.notes == ()
    with Image.open(header.path) as picture:
        inner = picture.getexif().get_ifd(0x8769)
        assert float(inner[EXPOSURE]) == pytest.approx(exposure.exposure_s)
        assert (header.columns, header.rows) == picture.size


@pytest.mark.parametrize("name", ["noapp01.jpg", "noexif.jpg"])
def test_real_files_without_exif(name: str) -> None:
    header = read_header(_real(name))
    assert header.exposure == Exposure()
    assert header.notes == ()


def test_real_absurd_file() -> None:
    header = read_header(_real("01.jpg"))
    assert header.exposure.exposure_s is None
    assert header.exposure.iso is None
    assert header.exposure.taken_at == datetime(2099, 9, 29, 10, 10, 10)
    assert header.notes == (
        "An exposure of 4294967295 s cannot be true; left out.",
        "ISO 4294967295 cannot be true; left out.",
    )


def test_real_empty_file() -> None:
    with pytest.raises(PhotographProblem, match="This photograph is empty") as caught:
        read_header(_real("notjpeg.jpg"))
    assert caught.value.got == "0 bytes"
