"""What the simulated camera writes about a photograph, whatever the file format."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from planewright.base.problems import RangeProblem

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True)
class FileMeta:
    """Facts about one photograph that go into its file.

    Parameters
    ----------
    taken_at : datetime
        Camera clock, without zone; fractions of a second are not written (cameras write whole
        seconds), see ``subsecond``.
    subsecond : str or None
        Digits after the decimal point of the second, or None where the camera writes none.
    utc_offset_min : int or None
        Offset of the camera clock from UTC, minutes, or None where the camera writes none.
    exposure_s : tuple of int
        Exposure time as numerator and denominator, seconds.
    iso : int
        Sensitivity; above 65535 it is written as ISOSpeed.
    f_number : tuple of int
        Aperture number as numerator and denominator.
    orientation : int
        EXIF orientation, 1 to 8.
    make, model, serial : str
        The camera; plain ASCII.
    pattern : str
        Colours of the mosaic's 2×2 cell, row by row, at the visible area's corner.
    black : tuple of int
        Black level, counts, of the same four sites.
    white : int
        Counts at which the sensor is full.
    active : tuple of int or None
        Visible area of the mosaic as top, left, bottom, right; None for all of it.
    """

    taken_at: datetime
    subsecond: str | None
    utc_offset_min: int | None
    exposure_s: tuple[int, int]
    iso: int
    f_number: tuple[int, int]
    orientation: int
    make: str
    model: str
    serial: str
    pattern: str = "RGGB"
    black: tuple[int, int, int, int] = (512, 512, 512, 512)
    white: int = 16383
    active: tuple[int, int, int, int] | None = None

    def __post_init__(self) -> None:
        if self.pattern not in PATTERNS:
            raise RangeProblem(
                "This is no Bayer pattern.", got=self.pattern, expected=", ".join(PATTERNS)
            )
        if not 1 <= self.orientation <= 8:
            raise RangeProblem(
                "This is no EXIF orientation.", got=str(self.orientation), expected="1 to 8"
            )
        if self.subsecond is not None and not self.subsecond.isdigit():
            raise RangeProblem(
                "The sub-second must be digits.", got=repr(self.subsecond), expected='"250"'
            )

    @property
    def written_time(self) -> str:
        """Camera time as EXIF and TIFF write it."""
        return self.taken_at.strftime("%Y:%m:%d %H:%M:%S")

    @property
    def written_offset(self) -> str | None:
        """Offset from UTC as EXIF writes it, e.g. ``"+01:00"``."""
        if self.utc_offset_min is None:
            return None
        hours, minutes = divmod(abs(self.utc_offset_min), 60)
        return f"{'-' if self.utc_offset_min < 0 else '+'}{hours:02d}:{minutes:02d}"
