"""Floor 8: pictures of a volume and of its photographs, for paper and desk.

White paper, black image, and beside it in ink what a reader needs: scale bar, key of light with
its unit, depths in µm, and what was not recorded.
"""

from planewright.picture.cutting import cuts
from planewright.picture.depth import depth_coloured
from planewright.picture.kinds import KINDS, Kind
from planewright.picture.page import Picture
from planewright.picture.sheet import Cell, contact_sheet
from planewright.picture.tone import COLOUR_MAPS
from planewright.picture.views import PROJECTIONS, projection

__all__ = [
    "COLOUR_MAPS",
    "KINDS",
    "PROJECTIONS",
    "Cell",
    "Kind",
    "Picture",
    "contact_sheet",
    "cuts",
    "depth_coloured",
    "projection",
]
