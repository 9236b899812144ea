"""What the frames room hands to the others: photographs, their headers and their planes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Lattice


@dataclass(frozen=True)
class Exposure:
    """How and when a photograph was taken, as its file says.

    A value that cannot be true is None, and a note in the header says so.

    Parameters
    ----------
    taken_at : datetime or None
        Camera time as written, without zone, whole seconds.
    subsecond_s : float or None
        Fraction of a second to add to ``taken_at``.
    utc_offset_min : int or None
        Offset from UTC, minutes, where the camera states one. Order never uses it.
    exposure_s : float or None
        Exposure time, s.
    iso : int or None
        Sensitivity.
    f_number : float or None
        Aperture number.
    orientation : int or None
        EXIF orientation, 1 to 8. Never applied.
    camera, serial : str
        Maker and model; serial number of the body. Empty where not stated.
    """

    taken_at: datetime | None = None
    subsecond_s: float | None = None
    utc_offset_min: int | None = None
    exposure_s: float | None = None
    iso: int | None = None
    f_number: float | None = None
    orientation: int | None = None
    camera: str = ""
    serial: str = ""


@dataclass(frozen=True)
class Header:
    """What a photograph's file says about itself, without its pixels.

    Parameters
    ----------
    path : Path
        The file.
    kind : str
        ``"raw"``, ``"tiff"``, ``"png"``, ``"jpeg"`` or ``"video"``, by content.
    rows, columns : int
        Size of the visible area, sensor pixels, as stored (orientation not applied).
    pages : int
        Number of planes in the file.
    bits : int
        Bits of a stored number; for RAW, bits that the white level needs.
    pattern : str
        ``""`` for one colour, ``"RGGB"``, ``"BGGR"``, ``"GRBG"``, ``"GBRG"``, or ``"RGB"``.
    exposure : Exposure
        Time and settings.
    shape_only : bool
        The values are display-referred: no measure of light may be made from them.
    page_times_s : tuple of float or None
        Time of each page from the first, s, where the file has a clock for its pages.
    voxel_um : tuple or None
        Voxel size z, y, x in µm that the file states, None for an axis that it leaves open.
    white : float or None
        Stored number at which the file says that the sensor is full; None where it does not.
    notes : tuple of str
        What is odd about the file's data about itself, each one sentence.
    """

    path: Path
    kind: str
    rows: int
    columns: int
    pages: int
    bits: int
    pattern: str
    exposure: Exposure
    shape_only: bool = False
    page_times_s: tuple[float, ...] | None = None
    voxel_um: tuple[float | None, float | None, float | None] | None = None
    white: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plane:
    """One image, linear in light: ``light = counts * step - black``.

    The arrays are not to be written to.

    Parameters
    ----------
    counts : ndarray of shape (y, x), uint16 or float32
        Stored numbers. Green of a mosaic is the sum of the cell's two greens.
    step : float
        Light per stored number, counts; 0.5 for green of a mosaic.
    black : float
        What to take away after ``step``, counts.
    white : float
        Light above black at which the sensor is full, counts; inf where it is not known.
    saturated : ndarray of bool of shape (y, x) or None
        A contributing site was full. None where no pixel is.
    invalid : ndarray of bool of shape (y, x) or None
        The file holds no finite number there (``counts`` is 0). None where all are finite.
    lattice : Lattice
        Where the pixels stand on the sensor.
    colour_light : dict
        Mean light above black of ``"red"``, ``"green"``, ``"blue"``, or of ``"mono"``, over a
        regular subsample without its most extreme hundredth.
    shape_only : bool
        Display-referred: good for shape, not for light.
    """

    counts: npt.NDArray[np.uint16] | npt.NDArray[np.float32]
    step: float
    black: float
    white: float
    saturated: npt.NDArray[np.bool_] | None
    invalid: npt.NDArray[np.bool_] | None
    lattice: Lattice
    colour_light: dict[str, float] = field(default_factory=dict)
    shape_only: bool = False

    def light(self) -> npt.NDArray[np.float32]:
        """Return the light above black, counts, as a new float32 array.

        Returns
        -------
        ndarray of float32 of shape (y, x)
            May be negative: noise about black is not cut.
        """
        light = self.counts.astype(np.float32)
        if self.step != 1.0:
            light *= np.float32(self.step)
        if self.black != 0.0:
            light -= np.float32(self.black)
        return light


@dataclass(frozen=True)
class Photograph:
    """One frame: a page of a file.

    Parameters
    ----------
    path : Path
        The file.
    page : int
        Page in the file, counted from 0.
    name : str
        Path relative to the session where possible, with ``/``; ``"#3"`` is appended for the
        third page where the file has several.
    header : Header
        What the file says about itself.
    counter : int or None
        The camera's counter, from the digits at the end of the file's name.
    """

    path: Path
    page: int
    name: str
    header: Header
    counter: int | None
