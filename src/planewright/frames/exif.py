"""Time and settings of a photograph, read from EXIF and never believed blindly.

References
----------
.. [1] CIPA DC-008, Exif version 2.32.
"""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Any, BinaryIO

from planewright.frames.guard import quiet
from planewright.frames.nouns import Exposure

_LONGEST_S = 86_400.0
_SHORTEST_S = 1e-7
_HIGHEST_ISO = 10_000_000
_ISO_FULL = 65_535  # the largest number that the short field holds; then the long ones count


def read_exposure(handle: BinaryIO) -> tuple[Exposure, tuple[str, ...]]:
    """Read time and settings from an opened photograph.

    Parameters
    ----------
    handle : file opened for reading bytes
        A JPEG, TIFF or RAW file.

    Returns
    -------
    exposure : Exposure
        What is stated and can be true.
    notes : tuple of str
        What was stated and cannot be true, or could not be read.
    """
    import exifread

    quiet("exifread")
    handle.seek(0)
    try:
        found: dict[str, Any] = exifread.process_file(handle, details=False)
    except Exception as error:  # a damaged block of data about the file must not cost the frame
        return Exposure(), (f"EXIF cannot be read ({' '.join(str(error).split())[:80]}).",)
    return exposure_from(found)


def exposure_from(found: dict[str, Any]) -> tuple[Exposure, tuple[str, ...]]:
    """Build an Exposure from the tags that exifread found.

    Parameters
    ----------
    found : dict
        Tags by exifread's names.

    Returns
    -------
    exposure : Exposure
        What is stated and can be true.
    notes : tuple of str
        What cannot be true.
    """
    notes: list[str] = []
    found = _by_tag(found)
    taken_at, part = _time(found, notes)
    orientation = _number(found, "Orientation")
    if orientation is not None and orientation not in range(1, 9):
        notes.append(f"Orientation {orientation:g} does not exist; left out.")
        orientation = None
    exposure = Exposure(
        taken_at=taken_at,
        subsecond_s=_subsecond(_text(found, f"SubSecTime{part}")) if taken_at else None,
        utc_offset_min=_offset(_text(found, f"OffsetTime{part}", "OffsetTime")),
        exposure_s=_exposure_s(found, notes),
        iso=_iso(found, notes),
        f_number=_f_number(found, notes),
        orientation=None if orientation is None else int(orientation),
        camera=_camera(found),
        serial=_text(found, "BodySerialNumber", "Tag 0xC62F"),
    )
    return exposure, tuple(notes)


def _by_tag(found: dict[str, Any]) -> dict[str, Any]:
    """Forget in which directory a tag stands: TIFF/EP writes all into the first one."""
    tags: dict[str, Any] = {}
    for directory in ("EXIF ", "Image "):
        for name, tag in found.items():
            if name.startswith(directory):
                tags.setdefault(name.removeprefix(directory), tag)
    return tags


def _values(found: dict[str, Any], name: str) -> list[Any]:
    tag = found.get(name)
    if tag is None:
        return []
    values = tag.values
    return list(values) if isinstance(values, (list, tuple)) else [values]


def _number(found: dict[str, Any], *names: str) -> float | None:
    for name in names:
        values = _values(found, name)
        if values:
            try:
                return float(values[0])
            except ZeroDivisionError:
                return math.nan
            except (TypeError, ValueError):
                continue
    return None


def _text(found: dict[str, Any], *names: str) -> str:
    for name in names:
        tag = found.get(name)
        if tag is None:
            continue
        values = tag.values
        if isinstance(values, (bytes, bytearray)):
            plain = bytes(values).strip(b"\0 ")
            printable = plain.isascii() and plain.decode("ascii").isprintable()
            text = plain.decode("ascii") if printable else plain.hex()
        elif isinstance(values, str):
            text = values
        else:
            text = str(tag.printable)
        text = " ".join(text.replace("\0", " ").split())
        if text:
            return text
    return ""


def _time(found: dict[str, Any], notes: list[str]) -> tuple[datetime | None, str]:
    for name, part in (
        ("DateTimeOriginal", "Original"),
        ("DateTimeDigitized", "Digitized"),
        ("DateTime", ""),
    ):
        text = _text(found, name)
        if not text.strip(": "):
            continue  # blanks and colons: the standard's way to say that it is not known
        try:
            taken_at = datetime.strptime(text[:19].replace("-", ":"), "%Y:%m:%d %H:%M:%S")
        except ValueError:
            notes.append(f"The time '{text[:30]}' is no time; left out.")
            continue
        if 1970 <= taken_at.year <= 2200:
            return taken_at, part
        notes.append(f"The year {taken_at.year} cannot be right; the time was left out.")
    return None, "Original"


def _subsecond(text: str) -> float | None:
    return float(f"0.{text}") if re.fullmatch(r"\d{1,9}", text, re.ASCII) else None


def _offset(text: str) -> int | None:
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", text, re.ASCII)
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    minutes = 60 * int(match[2]) + int(match[3])
    return -minutes if match[1] == "-" else minutes


def _exposure_s(found: dict[str, Any], notes: list[str]) -> float | None:
    stated = _number(found, "ExposureTime")
    if stated is not None:
        if _SHORTEST_S <= stated <= _LONGEST_S:
            return stated
        shown = "divided by zero" if math.isnan(stated) else f"of {stated:.10g} s"
        notes.append(f"An exposure {shown} cannot be true; left out.")
    speed = _number(found, "ShutterSpeedValue")
    if speed is not None and math.isfinite(speed) and -17 <= speed <= 23:
        return float(2.0**-speed)  # APEX, [1]
    return None


def _iso(found: dict[str, Any], notes: list[str]) -> int | None:
    short = _number(found, "ISOSpeedRatings")
    names = ("ISOSpeed", "RecommendedExposureIndex", "Tag 0x8831")
    longs = [_number(found, name) for name in names]
    candidates = longs if short is None or short >= _ISO_FULL else [short]
    for value in [*candidates, short]:
        if value is not None and 1 <= value <= _HIGHEST_ISO:
            return int(value)
    for value in [*candidates, short]:
        if value is not None:
            notes.append(f"ISO {value:.10g} cannot be true; left out.")
            break
    return None


def _f_number(found: dict[str, Any], notes: list[str]) -> float | None:
    value = _number(found, "FNumber")
    if value is None or value == 0 or math.isnan(value):
        return None  # 0 is what a camera writes with no lens of its own
    if 0.3 <= value <= 1024:
        return value
    notes.append(f"An aperture of f/{value:.10g} cannot be true; left out.")
    return None


def _camera(found: dict[str, Any]) -> str:
    make, model = _text(found, "Make"), _text(found, "Model")
    if model.lower().startswith(make.lower()):
        return model
    return f"{make} {model}".strip()
