"""Nouns that several rooms share. All frozen; arrays in them are not to be written to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import IntFlag, StrEnum
from typing import Any


class Role(StrEnum):
    """What a photograph is, as the session states it."""

    SPECIMEN = "specimen"
    LAMP = "lamp"
    DARK = "dark"
    FLAT = "flat"
    RULING = "ruling"
    BEAM = "beam"


class Moved(StrEnum):
    """What the stage moved between two frames. Only the first needs no index factor."""

    SPECIMEN = "specimen"
    LENS = "lens"
    CAMERA = "camera"


class Scan(StrEnum):
    """Which way the imaged plane travelled through the specimen, first frame to last."""

    AWAY = "away from lens"
    TOWARDS = "towards lens"


class Colour(StrEnum):
    """Which lattice of a colour sensor becomes the image."""

    RED = "red"
    GREEN = "green"
    BLUE = "blue"


class Severity(StrEnum):
    """How much a finding matters.

    ``note`` is worth knowing, ``doubt`` wants a look, ``fault`` costs the frame or the measure.
    """

    NOTE = "note"
    DOUBT = "doubt"
    FAULT = "fault"


class Flag(IntFlag):
    """Bits of the mask that travels with every image, from the first plane to the store."""

    MISSING = 1  # no photograph was taken at this plane, or it cannot be used
    SATURATED = 2  # the sensor was full: light is a lower bound
    HOT = 4  # a defective pixel, replaced for shape; not to be measured
    OUTSIDE = 8  # moved in from beyond the photograph's edge by steadying
    DOUBTFUL = 16  # the frame carries a fault finding (shaken, wrong light, ...)


@dataclass(frozen=True)
class Finding:
    """Something that was noticed about photographs, in words a person can act on.

    Parameters
    ----------
    code : str
        Short kebab-case name of the kind, e.g. ``"missed"``; stable, for programs.
    severity : Severity
        How much it matters.
    what : str
        One sentence.
    got, expected : str
        The figure and what it should be, with units.
    do : str
        What to do, with the position to take again where that helps.
    photographs : tuple of str
        Names of the photographs concerned (relative to the session where possible).
    positions : tuple of int or None
        First and last planned position concerned, inclusive, counted from 0. An interval
        where the place cannot be told exactly; None where no position is concerned.
    """

    code: str
    severity: Severity
    what: str
    got: str = ""
    expected: str = ""
    do: str = ""
    photographs: tuple[str, ...] = ()
    positions: tuple[int, int] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return asdict(self)

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> Finding:
        """Return the finding that ``to_dict`` wrote, also after a way through JSON."""
        fields = dict(value)
        fields["severity"] = Severity(fields["severity"])
        fields["photographs"] = tuple(fields["photographs"])
        if fields["positions"] is not None:
            fields["positions"] = (fields["positions"][0], fields["positions"][1])
        return cls(**fields)


@dataclass(frozen=True)
class Placement:
    """Which photograph stands at one planned position.

    Parameters
    ----------
    position : int
        Planned position, counted from 0 in the order of shooting. One plane of the volume.
    frame : int or None
        Index of the photograph in shooting order, None for a gap.
    doubtful : bool
        A fault finding names the frame: it is kept, and flagged in the mask.
    """

    position: int
    frame: int | None
    doubtful: bool = False


@dataclass(frozen=True)
class Lattice:
    """Where the pixels of a plane stand on the sensor.

    Parameters
    ----------
    pitch : int
        Distance between neighbours, sensor pixels: 1 for a monochrome sensor, 2 for a mosaic.
    offset_y, offset_x : float
        Centre of plane pixel (0, 0), in sensor pixels from the centre of sensor pixel (0, 0)
        of the visible area. Green of a mosaic stands at (0.5, 0.5).
    rows, columns : int
        Size of the sensor's visible area, sensor pixels.
    """

    pitch: int
    offset_y: float
    offset_x: float
    rows: int
    columns: int
