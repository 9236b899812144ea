"""TIFF: 8, 10, 12, 14 and 16 bits, float, one page or many, OME-TIFF with its voxel size."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames import tags as t
from planewright.frames.content import unfinished
from planewright.frames.counted import counted_plane, pick_channel
from planewright.frames.exif import read_exposure
from planewright.frames.guard import decoding, quiet, refuse_bomb
from planewright.frames.nouns import Exposure, Header, Plane

_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR = 0, 1, 2, 6
_JPEGS = (6, 7)
_REFUSED = {
    3: "a palette of colours",
    4: "a transparency mask",
    5: "printing inks (CMYK)",
    8: "a CIELab picture",
}
_MICROMETRES = {
    "µm": 1.0,
    "μm": 1.0,
    "um": 1.0,
    "nm": 1e-3,
    "mm": 1e3,
    "cm": 1e4,
    "m": 1e6,
    "Å": 1e-4,
    "pm": 1e-6,
}  # units of length that the OME schema allows and a microscope may state


@lru_cache(maxsize=64)
def _layout(path: Path, size: int, changed_ns: int) -> tuple[dict[str, Any], tuple[int, ...]]:
    """Read what all pages share, and where each page's directory lies. Cached: files are fixed."""
    with path.open("rb") as handle:
        try:
            tags = t.TagFile(handle)
        except t.BrokenTags as error:
            raise unfinished(path, str(error)) from error
        shapes = [_shape(tags, one) for one in tags.directories]
        full = [i for i, one in enumerate(tags.directories) if not _reduced(tags, one)]
        if not full:
            raise unfinished(path, "no page holds an image")
        first = tags.directories[full[0]]
        pages = tuple(tags.directories[i].at for i in full if shapes[i] == shapes[full[0]])
        facts = _facts(tags, first)
        facts["left_out"] = len(tags.directories) - len(pages)
        facts["stored"] = sum(tags.pieces(first)[1])
        exposure, notes = (None, ()) if tags.big else read_exposure(handle)
        facts["exposure"], facts["notes"] = exposure, notes
    return facts, pages


def _reduced(tags: t.TagFile, directory: t.Directory) -> bool:
    return bool(int(tags.number(directory, t.SUBFILE)) & 1)


def _shape(tags: t.TagFile, directory: t.Directory) -> tuple[float, ...]:
    names = (t.ROWS, t.COLUMNS, t.SAMPLES, t.BITS, t.PHOTOMETRIC, t.SAMPLE_FORMAT)
    defaults = (0, 0, 1, 1, 1, 1)
    return tuple(tags.number(directory, n, d) for n, d in zip(names, defaults, strict=True))


def _facts(tags: t.TagFile, directory: t.Directory) -> dict[str, Any]:
    rows, columns, samples, bits, photometric, form = _shape(tags, directory)
    top = tags.number(directory, t.MAX_SAMPLE) or tags.number(directory, t.S_MAX_SAMPLE)
    return {
        "rows": int(rows),
        "columns": int(columns),
        "samples": int(samples),
        "bits": int(bits),
        "photometric": int(photometric),
        "format": int(form),
        "top": float(top),
        "compression": int(tags.number(directory, t.COMPRESSION, 1)),
        "icc": t.ICC_PROFILE in directory.entries,
        "text": tags.text(tags.directories[0], t.DESCRIPTION),
    }


def read_header(path: Path) -> Header:
    """Read a TIFF file's header and count its pages."""
    facts, pages = _stat_layout(path)
    _refuse(path, facts)
    ome = _ome(facts["text"])
    notes = list(facts["notes"])
    if facts["left_out"]:
        notes.append(f"{facts['left_out']} smaller or different pages in the file were left out.")
    if ome.get("planes", 1) > 1:
        notes.append("The file holds several channels or times; its pages are taken one by one.")
    if ome.get("uncalibrated"):
        notes.append("A voxel size without a unit of length is stated; it was not believed.")
    return Header(
        path=path,
        kind="tiff",
        rows=facts["rows"],
        columns=facts["columns"],
        pages=len(pages),
        bits=facts["bits"],
        pattern="RGB" if facts["photometric"] in (_RGB, _YCBCR) else "",
        exposure=facts["exposure"] or Exposure(),
        shape_only=_display(facts),
        voxel_um=ome.get("voxel"),
        white=_white(facts, ome),
        notes=tuple(notes),
    )


def _stat_layout(path: Path) -> tuple[dict[str, Any], tuple[int, ...]]:
    with decoding(path, "read"):
        status = path.stat()
        return _layout(path, status.st_size, status.st_mtime_ns)


def _display(facts: dict[str, Any]) -> bool:
    """Tell whether the numbers were made for the eye: 8-bit colour, with a profile or as JPEG."""
    eight_bit_colour = facts["bits"] == 8 and facts["photometric"] in (_RGB, _YCBCR)
    made_for_eye = facts["icc"] or facts["compression"] in _JPEGS or facts["photometric"] == _YCBCR
    return bool(eight_bit_colour and made_for_eye)


def _white(facts: dict[str, Any], ome: dict[str, Any]) -> float | None:
    if facts["format"] != 1:
        return None
    bits: int = facts["bits"]
    if bits not in (16, 32):
        return float(2**bits - 1)
    if 0 < facts["top"] < 2**bits - 1:
        return float(facts["top"])
    if 8 <= ome.get("significant", 0) < bits:
        return float(2 ** ome["significant"] - 1)
    return None


def _refuse(path: Path, facts: dict[str, Any]) -> None:
    decoded = facts["rows"] * facts["columns"] * facts["samples"] * facts["bits"] // 8
    refuse_bomb(
        path,
        rows=facts["rows"],
        columns=facts["columns"],
        decoded=decoded,
        stored=facts["stored"],
    )
    why = _REFUSED.get(facts["photometric"], "")
    if not why and facts["photometric"] not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR):
        why = f"colours of an unusual kind (photometric {facts['photometric']})"
    if not why and facts["format"] not in (1, 2, 3):
        why = "complex or unnamed numbers"
    if not why and facts["bits"] not in (8, 10, 12, 14, 16, 24, 32, 64):
        why = f"numbers of {facts['bits']} bits"
    if why:
        raise PhotographProblem(
            "This TIFF file does not hold measured light.",
            where=str(path),
            got=why,
            expected="grey or RGB numbers of 8 to 16 bits, or float",
            do="save it as 16-bit grey TIFF",
        )


def _ome(text: str) -> dict[str, Any]:
    """Return the voxel size, significant bits and number of channels × times of OME-XML."""
    if "<OME" not in text or "<!DOCTYPE" in text or "<!ENTITY" in text:
        return {}
    try:
        root = ElementTree.fromstring(text.encode())
    except ElementTree.ParseError:
        return {}
    pixels = next((one for one in root.iter() if one.tag.endswith("}Pixels")), None)
    if pixels is None:
        return {}
    sizes = [_length_um(pixels.attrib, axis) for axis in "ZYX"]
    stated = any(f"PhysicalSize{axis}" in pixels.attrib for axis in "ZYX")
    lost = any(
        f"PhysicalSize{axis}" in pixels.attrib and size is None
        for axis, size in zip("ZYX", sizes, strict=True)
    )
    planes = 1
    for axis in "CT":
        planes *= max(1, _whole(pixels.attrib.get(f"Size{axis}", "1")))
    return {
        "voxel": tuple(sizes) if stated and any(size is not None for size in sizes) else None,
        "uncalibrated": lost,
        "significant": _whole(pixels.attrib.get("SignificantBits", "0")),
        "planes": planes,
    }


def _whole(text: str) -> int:
    return int(text) if re.fullmatch(r"\d{1,9}", text, re.ASCII) else 0


def _length_um(attributes: dict[str, str], axis: str) -> float | None:
    scale = _MICROMETRES.get(attributes.get(f"PhysicalSize{axis}Unit", "µm"))
    try:
        value = float(attributes[f"PhysicalSize{axis}"])
    except (KeyError, ValueError):
        return None
    if scale is None or not math.isfinite(value) or value <= 0:
        return None
    return value * scale


def read_plane(
    path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
) -> Plane:
    """Decode one page of a TIFF file."""
    import tifffile

    quiet("tifffile")
    facts, pages = _stat_layout(path)
    _refuse(path, facts)
    with decoding(path, "decoded"), tifffile.TiffFile(path) as file:
        file.filehandle.seek(pages[page])
        one = tifffile.TiffPage(file, index=page)
        pixels: npt.NDArray[Any] = one.asarray(maxworkers=1)
        if one.planarconfig == 2 and pixels.ndim == 3:
            pixels = np.moveaxis(pixels, 0, -1)
    pixels = np.asarray(pixels, pixels.dtype.newbyteorder("="))
    if pixels.shape[:2] != (header.rows, header.columns):
        raise unfinished(path, f"an image of {pixels.shape} where the header says otherwise")
    if facts["photometric"] == _WHITE_IS_ZERO and facts["format"] == 1:
        pixels = np.subtract(2 ** facts["bits"] - 1, pixels, dtype=pixels.dtype)
    return counted_plane(
        path,
        pick_channel(path, pixels, colour=colour, coloured=header.pattern == "RGB"),
        white=white_hint if white_hint is not None else header.white,
        display=header.shape_only,
    )
