"""What a simulated specimen is made of, in specimen coordinates.

Micrometres; x along the light, z away from the detection lens, y so that (x, y, z) is
right-handed: what an eye at the lens sees as right, down and away when the camera is not turned.
The origin lies at the centre of the photograph and of the stack.

Brightness 1 is a dye that gives the instrument's ``peak_e`` where it fills the sheet.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Nucleus:
    """An ellipsoid of dye.

    Parameters
    ----------
    centre_um : tuple of float
        Centre (x, y, z), µm.
    radii_um : tuple of float
        Semi-axes, µm.
    axes : tuple of tuple of float
        Unit vectors of the semi-axes, one a row.
    brightness : float
        Dye inside.
    """

    centre_um: Point
    radii_um: Point
    axes: tuple[Point, Point, Point] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    brightness: float = 1.0

    @property
    def volume_um3(self) -> float:
        """Volume, µm³."""
        return 4.0 / 3.0 * math.pi * self.radii_um[0] * self.radii_um[1] * self.radii_um[2]


@dataclass(frozen=True)
class Ball:
    """A blastula's wall: a hollow ball, parted into cells by membranes.

    Parameters
    ----------
    centre_um : tuple of float
        Centre (x, y, z), µm.
    outer_um, inner_um : float
        Radii of the outer and the inner face of the wall, µm.
    seeds : tuple of tuple of float
        Unit vector from the centre to each cell; the membranes part nearest seeds.
    membrane_um : float
        Standard deviation of a membrane's profile, µm.
    membrane, cytoplasm : float
        Brightness.
    loss_light_per_um, loss_seen_per_um : float
        Extinction of the sheet, and of the light on its way to the lens, inside the ball, 1/µm.
    scatter_um : float
        Standard deviation of the blur of light that was scattered on its way to the lens, µm.
    scatter_kept : float
        Share of that light which still arrives.
    """

    centre_um: Point
    outer_um: float
    inner_um: float
    seeds: tuple[Point, ...]
    membrane_um: float = 0.4
    membrane: float = 0.55
    cytoplasm: float = 0.10
    loss_light_per_um: float = 0.0015
    loss_seen_per_um: float = 0.003
    scatter_um: float = 4.0
    scatter_kept: float = 0.5


@dataclass(frozen=True)
class Bead:
    """A point of dye. ``strength_um3`` is brightness times volume, µm³."""

    centre_um: Point
    strength_um3: float = 2.5


@dataclass(frozen=True)
class Rod:
    """A thin straight rod with a Gaussian profile of standard deviation ``sigma_um``."""

    start_um: Point
    end_um: Point
    sigma_um: float = 0.4
    brightness: float = 2.0


@dataclass(frozen=True)
class Speck:
    """An absorbing ball: light along a chord of length c keeps exp(−``per_um`` · c)."""

    centre_um: Point
    radius_um: float
    per_um: float


@dataclass(frozen=True)
class Slab:
    """A faint slanted layer: ``normal`` · p = ``offset_um``, Gaussian profile across."""

    normal: Point
    offset_um: float
    sigma_um: float
    brightness: float


@dataclass(frozen=True)
class Scene:
    """Everything in the cell.

    Parameters
    ----------
    name : str
        What it shows.
    ball : Ball or None
        The embryo's wall.
    nuclei, beads, rods, specks, slabs : tuple
        The rest.
    gel : float
        Brightness of the gel everywhere.
    fibre, chiral : tuple of int
        Which rods are the slanted fibre, and which are the chiral marker.
    hand : int
        +1 if the chiral marker's long, middle and short rods are a right-handed triple,
        −1 if left-handed, 0 if there is none.
    texture_seed : int
        Draws the graininess of nuclei and cytoplasm.
    texture : float
        Relative strength of that graininess.
    slant_deg : float
        Angle between a sheet-like tissue and the imaged plane, degrees; 0 without one.
    """

    name: str
    ball: Ball | None = None
    nuclei: tuple[Nucleus, ...] = ()
    beads: tuple[Bead, ...] = ()
    rods: tuple[Rod, ...] = ()
    specks: tuple[Speck, ...] = ()
    slabs: tuple[Slab, ...] = ()
    gel: float = 0.0
    fibre: tuple[int, ...] = ()
    chiral: tuple[int, ...] = ()
    hand: int = 0
    texture_seed: int = 0
    texture: float = 0.0
    slant_deg: float = 0.0

    def but(self, **changes: Any) -> Scene:
        """Return a copy with some fields changed."""
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return asdict(self)

    @property
    def walk_um_per_um(self) -> float:
        """How far a slanted tissue's content moves along x per travel in z."""
        return 1.0 / math.tan(math.radians(self.slant_deg)) if self.slant_deg else 0.0
