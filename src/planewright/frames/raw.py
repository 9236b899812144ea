"""Camera RAW through LibRaw: the mosaic, before any demosaic."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Colour, Lattice
from planewright.base.problems import PhotographProblem
from planewright.frames.content import unfinished
from planewright.frames.dng import SITES, DngMosaic, dng_mosaic
from planewright.frames.exif import read_exposure
from planewright.frames.guard import decoding, refuse_bomb
from planewright.frames.nouns import Exposure, Header, Plane
from planewright.kernels import mosaic as m

_KNOWN: dict[tuple[str, int | None, int, int], tuple[str, float]] = {}


@dataclass(frozen=True)
class _Sensor:
    """The 2×2 cell at the corner of the visible area, site by site in reading order."""

    rows: int
    columns: int
    letters: str
    black: tuple[float, float, float, float]
    white: tuple[float, float, float, float]

    def sites(self, letter: str) -> list[int]:
        return [i for i, found in enumerate(self.letters) if found == letter]


def read_header(path: Path) -> Header:
    """Read a RAW file's header. A DNG's pixels stay packed.

    Of other makers' files LibRaw tells pattern and levels only after unpacking: that is done once
    for each camera, size and sensitivity, and remembered.
    """
    import rawpy

    with path.open("rb") as handle:
        exposure, notes = read_exposure(handle)
    with decoding(path, "opened as camera RAW"), rawpy.imread(str(path)) as raw:
        _refuse_bomb(path, raw)
        rows, columns = int(raw.sizes.height), int(raw.sizes.width)
        dng = dng_mosaic(path)
        if dng is not None:
            _refuse_dng(path, dng)
            letters = _bayer(path, dng.letters_at(raw.sizes.top_margin, raw.sizes.left_margin))
            white = dng.white
        else:
            key = (exposure.camera, exposure.iso, rows, columns)
            if not exposure.camera or key not in _KNOWN:
                sensor = _sensor(path, raw)
                _KNOWN[key] = (sensor.letters, max(sensor.white))
            letters, white = _KNOWN[key]
            if exposure == Exposure():
                exposure = _from_libraw(raw)
    return Header(
        path=path,
        kind="raw",
        rows=rows,
        columns=columns,
        pages=1,
        bits=max(1, math.ceil(math.log2(white + 1))),
        pattern=letters,
        exposure=exposure,
        white=white,
        notes=notes,
    )


def read_plane(
    path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
) -> Plane:
    """Decode a RAW file and take the chosen colour's lattice from its mosaic."""
    import rawpy

    with decoding(path, "decoded"), rawpy.imread(str(path)) as raw:
        sensor = _sensor(path, raw)
        mosaic = raw.raw_image_visible  # a view into LibRaw: nothing of it may outlive `raw`
        if mosaic.shape != (sensor.rows, sensor.columns) or mosaic.dtype != np.uint16:
            raise _no_mosaic(path, "pixels that are no plain mosaic of whole numbers")
        if min(sensor.black) > 0 and not mosaic[-2:].any():
            raise unfinished(path, "its last rows were never written: nothing but zeros")
        return _plane(mosaic, sensor, colour, white_hint)


def _plane(
    mosaic: npt.NDArray[np.uint16], sensor: _Sensor, colour: Colour, white_hint: float | None
) -> Plane:
    white = sensor.white if white_hint is None else (float(white_hint),) * 4
    chosen = sensor.sites(colour.value[0].upper())
    sites = [SITES[i] for i in chosen]
    counts: npt.NDArray[np.uint16] | npt.NDArray[np.float32]
    full: npt.NDArray[np.bool_] | None
    if len(sites) == 2:
        counts, full = m.pair_sum(
            mosaic, sites=(sites[0], sites[1]), white=(white[chosen[0]], white[chosen[1]])
        )
    else:
        counts = m.site_plane(mosaic, site=sites[0])
        level = white[chosen[0]]
        full = counts >= level if counts.size and counts.max() >= level else None
    for array in (counts, full):
        if array is not None:
            array.flags.writeable = False
    return Plane(
        counts=counts,
        step=1.0 / len(sites),
        black=float(np.mean([sensor.black[i] for i in chosen])),
        white=min(white[i] - sensor.black[i] for i in chosen),
        saturated=full,
        invalid=None,
        lattice=Lattice(
            pitch=2,
            offset_y=float(np.mean([row for row, _ in sites])),
            offset_x=float(np.mean([column for _, column in sites])),
            rows=sensor.rows,
            columns=sensor.columns,
        ),
        colour_light=_colour_light(mosaic, sensor),
    )


def _colour_light(mosaic: npt.NDArray[np.uint16], sensor: _Sensor) -> dict[str, float]:
    levels = m.site_levels(mosaic, sites=SITES)
    light = [level - black for level, black in zip(levels, sensor.black, strict=True)]
    names = {"R": "red", "G": "green", "B": "blue"}
    return {
        name: float(np.mean([light[i] for i in sensor.sites(letter)]))
        for letter, name in names.items()
    }


def _refuse_bomb(path: Path, raw: Any) -> None:
    rows, columns = int(raw.sizes.raw_height), int(raw.sizes.raw_width)
    stored = path.stat().st_size
    refuse_bomb(path, rows=rows, columns=columns, decoded=2 * rows * columns, stored=stored)


def _refuse_dng(path: Path, dng: DngMosaic) -> None:
    if dng.linear:
        raise _no_mosaic(path, "a DNG without a mosaic (linear RAW)")
    if dng.repeat == (1, 1) or len(dng.pattern) != dng.repeat[0] * dng.repeat[1]:
        raise _no_mosaic(path, "no colour pattern (a monochrome sensor)")
    if dng.repeat != (2, 2):
        raise _no_mosaic(path, f"a colour pattern of {dng.repeat[0]} × {dng.repeat[1]} pixels")


def _bayer(path: Path, letters: str) -> str:
    if letters not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise _no_mosaic(path, f"the colours {letters} in its cell")
    return letters


def _sensor(path: Path, raw: Any) -> _Sensor:
    _refuse_bomb(path, raw)
    dng = dng_mosaic(path)
    if dng is not None:
        _refuse_dng(path, dng)
    cell = raw.raw_pattern
    if str(raw.raw_type).endswith("Stack"):
        raise _no_mosaic(path, "three colours at each pixel (linear or layered RAW)")
    if cell is None or raw.num_colors == 1 or cell.shape == (1, 1):
        raise _no_mosaic(path, "no colour pattern (a monochrome sensor)")
    if cell.shape != (2, 2):
        raise _no_mosaic(path, f"a colour pattern of {cell.shape[0]} × {cell.shape[1]} pixels")
    top, left = int(raw.sizes.top_margin), int(raw.sizes.left_margin)
    indices = [int(raw.raw_color(top + row, left + column)) for row, column in SITES]
    names = bytes(raw.color_desc).decode("ascii", "replace")
    letters = _bayer(path, "".join(names[i] if i < len(names) else "?" for i in indices))
    by_colour = [float(level) for level in raw.black_level_per_channel]
    blacks = (dng.black_at(top, left) if dng else ()) or tuple(by_colour[i] for i in indices)
    level = float(raw.white_level)
    own = raw.camera_white_level_per_channel
    whites = tuple(float(own[i]) if own is not None and own[i] > 0 else level for i in indices)
    if any(white <= black for white, black in zip(whites, blacks, strict=True)):
        raise PhotographProblem(
            "This RAW file's black level is not below its white level.",
            where=str(path),
            got=f"black {blacks}, white {whites}",
            do="convert it to DNG and use that",
        )
    return _Sensor(
        rows=int(raw.sizes.height),
        columns=int(raw.sizes.width),
        letters=letters,
        black=(blacks[0], blacks[1], blacks[2], blacks[3]),
        white=(whites[0], whites[1], whites[2], whites[3]),
    )


def _no_mosaic(path: Path, got: str) -> PhotographProblem:
    return PhotographProblem(
        "This RAW file has no Bayer mosaic, so it cannot be read as measured light.",
        where=str(path),
        got=got,
        expected="two greens, a red and a blue in each cell of 2 × 2 pixels",
        do="develop it to 16-bit linear TIFF and use that",
    )


def _from_libraw(raw: Any) -> Exposure:
    other = raw.other
    shutter, iso, aperture = float(other.shutter_speed), float(other.iso_speed), other.aperture
    taken_at = other.timestamp if other.timestamp and other.timestamp.year > 1970 else None
    return Exposure(
        taken_at=taken_at,
        exposure_s=shutter if 1e-7 <= shutter <= 86_400 else None,
        iso=int(iso) if 1 <= iso <= 10_000_000 else None,
        f_number=float(aperture) if 0.3 <= aperture <= 1024 else None,
    )
