"""Floor 2: reading photographs: what each file is, its plane of light, and the order of shooting.

A reader is chosen by content, never by name. Photographs are only ever read.
"""

from planewright.frames.complete import Completeness, is_complete
from planewright.frames.kinds import same_kind
from planewright.frames.levels import Top, WhiteLevel, judge_white, top_of
from planewright.frames.listing import Listed, equal_content, find_files, list_photographs
from planewright.frames.nouns import Exposure, Header, Photograph, Plane
from planewright.frames.order import Ordered, order_photographs
from planewright.frames.readers import read_header, read_plane

__all__ = [
    "Completeness",
    "Exposure",
    "Header",
    "Listed",
    "Ordered",
    "Photograph",
    "Plane",
    "Top",
    "WhiteLevel",
    "equal_content",
    "find_files",
    "is_complete",
    "judge_white",
    "list_photographs",
    "order_photographs",
    "read_header",
    "read_plane",
    "same_kind",
    "top_of",
]
