"""What a file is, by its first bytes and never by its name."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from planewright.base.problems import PhotographProblem
from planewright.frames.guard import decoding
from planewright.frames.tags import BrokenTags, TagFile, is_mosaic

_RAW_NAMES = """dng nef nrw cr2 cr3 crw arw sr2 srf orf rw2 rwl raf pef srw x3f mrw erf kdc dcr
iiq 3fr fff mef mos raw gpr"""
RAW_ENDINGS = frozenset(_RAW_NAMES.split())
ENDINGS: dict[str, frozenset[str]] = {
    "raw": RAW_ENDINGS,
    "tiff": frozenset({"tif", "tiff", "btf", "tf8"}),
    "png": frozenset({"png"}),
    "jpeg": frozenset({"jpg", "jpeg", "jpe", "jfif"}),
    "video": frozenset({"mp4", "mov", "m4v", "avi", "mkv", "webm"}),
}
SHOWN = {
    "raw": "a camera RAW file",
    "tiff": "a TIFF file",
    "png": "a PNG file",
    "jpeg": "a JPEG file",
    "video": "a video",
}
_OTHERS = (
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"P2", "a Netpbm picture"),
    (b"P5", "a Netpbm picture"),
    (b"P6", "a Netpbm picture"),
    (b"\x76\x2f\x31\x01", "an OpenEXR picture"),
    (b"SIMPLE  =", "a FITS file"),
    (b"\x89HDF", "an HDF5 file"),
)


@dataclass(frozen=True)
class Content:
    """What a file is.

    Parameters
    ----------
    kind : str
        ``"raw"``, ``"tiff"``, ``"png"``, ``"jpeg"`` or ``"video"``.
    mislabelled : bool
        The name's ending says another kind.
    """

    kind: str
    mislabelled: bool


def identify(path: Path) -> Content:
    """Tell what a file is by its content.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Content
        Its kind, and whether its name says another.

    Raises
    ------
    PhotographProblem
        If it is missing, empty, or no photograph that can be read.
    """
    with decoding(path, "read"), path.open("rb") as handle:
        head = handle.read(64)
        if not head:
            raise PhotographProblem(
                "This photograph is empty.",
                where=str(path),
                got="0 bytes",
                do="copy it again from the camera's card; if it is empty there, take it again",
            )
        kind, other = _kind(head)
        if kind == "tiff":
            try:
                if head[8:10] == b"CR" or is_mosaic(TagFile(handle)):
                    kind = "raw"
            except BrokenTags as error:
                raise unfinished(path, str(error)) from error
    ending = path.suffix.lower().lstrip(".")
    if not kind:
        raise _unknown(path, other, ending)
    if kind == "tiff" and ending in RAW_ENDINGS - {"dng"}:
        kind = "raw"  # some makers' files carry no mark of their own
    return Content(kind, ending not in ENDINGS[kind])


def unfinished(path: Path, why: str) -> PhotographProblem:
    """Return the problem of a file that is cut short or still being written."""
    return PhotographProblem(
        "This photograph is not complete.",
        where=str(path),
        got=why,
        expected="a file that is all there by its own structure",
        do="if it is still being copied, wait; else copy it again from the camera's card",
    )


def _kind(head: bytes) -> tuple[str, str]:
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg", ""
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png", ""
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff", ""
    if head[:4] in (b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb", b"\0MRM"):
        return "raw", ""
    if head.startswith(b"FUJIFILMCCD-RAW") or head[6:14] == b"HEAPCCDR":
        return "raw", ""
    if head[4:8] == b"ftyp":
        brand = head[8:12]
        if brand == b"crx ":
            return "raw", ""
        if brand in (b"heic", b"heix", b"mif1", b"msf1", b"hevc", b"avif"):
            return "", "a HEIF or AVIF picture"
        return "video", ""
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip"):
        return "video", ""
    if head[:4] == b"RIFF":
        return ("video", "") if head[8:12] == b"AVI " else ("", "a WebP picture")
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "video", ""
    return "", next((name for mark, name in _OTHERS if head.startswith(mark)), "")


def _unknown(path: Path, other: str, ending: str) -> PhotographProblem:
    return PhotographProblem(
        "This file is no photograph that can be read.",
        where=str(path),
        got=other or f"content of an unknown kind in a file named .{ending or '(nothing)'}",
        expected="camera RAW, TIFF, PNG, JPEG or video, by content",
        do="leave it out of session.toml, or save it as 16-bit TIFF",
    )
