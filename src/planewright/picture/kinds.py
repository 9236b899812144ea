"""The kinds of picture by name, for the command line and the page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from planewright.picture.cutting import cuts
from planewright.picture.depth import depth_coloured
from planewright.picture.page import Picture
from planewright.picture.sheet import contact_sheet
from planewright.picture.views import projection


@dataclass(frozen=True)
class Kind:
    """A kind of picture.

    Parameters
    ----------
    name : str
        What a person types.
    help : str
        One line.
    of : str
        "volume": ``draw(volume, mask, ...)``; "frames": ``draw(thumbnails, cells, ...)``.
    draw : callable
        Makes the picture.
    """

    name: str
    help: str
    of: str
    draw: Callable[..., Picture]


KINDS = (
    Kind(
        "brightest",
        "the specimen seen along z: the brightest voxel of each column",
        "volume",
        partial(projection, kind="brightest"),
    ),
    Kind(
        "average",
        "the specimen seen along z: the mean light of each column",
        "volume",
        partial(projection, kind="average"),
    ),
    Kind(
        "total",
        "the specimen seen along z: the sum of each column",
        "volume",
        partial(projection, kind="total"),
    ),
    Kind("depth", "seen along z, coloured by depth, with the key", "volume", depth_coloured),
    Kind("cuts", "three cuts through one point, at one scale", "volume", cuts),
    Kind("frames", "all frames small, gaps and findings marked", "frames", contact_sheet),
)
