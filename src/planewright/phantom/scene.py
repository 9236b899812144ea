"""The specimen of the simulated instrument, in specimen coordinates.

Micrometres; x along the light, z away from the detection lens, y so that (x, y, z) is
right-handed: what an eye at the lens sees as right, down and away when the camera is not turned.
The origin lies at the centre of the photograph and of the stack.

Brightness 1 is a dye that gives the instrument's ``peak_e`` where it fills the sheet.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

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
    extra: dict[str, float] = field(default_factory=dict, compare=False, hash=False)

    def but(self, **changes: Any) -> Scene:
        """Return a copy with some fields changed."""
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return asdict(self)


def _point(values: NDArray[np.float64]) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))


def even_directions(count: int) -> NDArray[np.float64]:
    """Return nearly evenly spread unit vectors (golden-angle spiral), shape (count, 3)."""
    index = np.arange(count) + 0.5
    z = 1.0 - 2.0 * index / count
    turn = np.pi * (1.0 + math.sqrt(5.0)) * index
    across = np.sqrt(1.0 - z**2)
    return np.stack([across * np.cos(turn), across * np.sin(turn), z], axis=1)


def _blastula(
    rng: np.random.Generator, outer_um: float, wall_um: float, cells: int, touching: float
) -> tuple[Ball, tuple[Nucleus, ...]]:
    """Draw a ball and its nuclei; a share ``touching`` of the cells has its nuclei in contact."""
    spacing = math.sqrt(4 * math.pi / cells)
    way = even_directions(cells) + rng.normal(0.0, 0.12 * spacing, (cells, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    radius = outer_um - 0.5 * wall_um + rng.uniform(-0.12, 0.12, cells) * wall_um
    centres = way * radius[:, None]
    sizes = rng.uniform(3.05, 4.45, (cells, 3))
    _touch(rng, centres, sizes, round(0.5 * touching * cells))
    _part(centres, sizes)
    ball = Ball(
        centre_um=(0.0, 0.0, 0.0),
        outer_um=outer_um,
        inner_um=outer_um - wall_um,
        seeds=tuple(_point(w) for w in centres / np.linalg.norm(centres, axis=1, keepdims=True)),
    )
    nuclei = []
    for centre, size in zip(centres, sizes, strict=True):
        axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        nuclei.append(
            Nucleus(
                centre_um=_point(centre),
                radii_um=_point(size),
                axes=(_point(axes[0]), _point(axes[1]), _point(axes[2])),
                brightness=float(rng.uniform(0.85, 1.15)),
            )
        )
    return ball, tuple(nuclei)


def _touch(
    rng: np.random.Generator,
    centres: NDArray[np.float64],
    sizes: NDArray[np.float64],
    pairs: int,
) -> None:
    """Move pairs of neighbours into contact, in place. They become balls, so contact is exact."""
    free = set(range(len(centres)))
    tree = cKDTree(centres)
    for first in rng.permutation(len(centres)):
        if pairs == 0:
            return
        near = tree.query(centres[first], k=2)[1][1]
        if first not in free or near not in free:
            continue
        for member in (first, near):
            sizes[member] = sizes[member].mean()
        gap = centres[near] - centres[first]
        middle = 0.5 * (centres[near] + centres[first])
        half = 0.5 * (sizes[first, 0] + sizes[near, 0]) * gap / np.linalg.norm(gap)
        centres[first], centres[near] = middle - half, middle + half
        free -= {int(first), int(near)}
        pairs -= 1


def _part(centres: NDArray[np.float64], sizes: NDArray[np.float64]) -> None:
    """Shrink nuclei, in place, until none reaches into another (bounding balls)."""
    for first, second in sorted(cKDTree(centres).query_pairs(2.1 * float(sizes.max()))):
        distance = float(np.linalg.norm(centres[first] - centres[second]))
        reach = float(sizes[first].max() + sizes[second].max())
        if reach > distance:
            sizes[first] *= distance / reach
            sizes[second] *= distance / reach


def _gel_beads(
    rng: np.random.Generator,
    count: int,
    box_um: Point,
    keep_out_um: float,
    apart_um: float = 6.0,
) -> tuple[Bead, ...]:
    """Spread beads over a box, outside a ball at the origin and away from each other."""
    found: list[NDArray[np.float64]] = []
    half = 0.5 * np.asarray(box_um)
    for _ in range(200 * count):
        here = rng.uniform(-half, half)
        if np.linalg.norm(here) < keep_out_um:
            continue
        if found and np.min(np.linalg.norm(np.asarray(found) - here, axis=1)) < apart_um:
            continue
        found.append(here)
        if len(found) == count:
            break
    return tuple(
        Bead(_point(here), float(strength))
        for here, strength in zip(found, rng.uniform(2.0, 3.5, len(found)), strict=True)
    )


def tripod(
    corner_um: Point,
    lengths_um: Point = (18.0, 12.0, 8.0),
    *,
    hand: int = 1,
    brightness: float = 2.2,
) -> tuple[Rod, ...]:
    """Return a chiral marker: long rod along +x, middle along ±y, short along +z.

    Parameters
    ----------
    corner_um : tuple of float
        Where the rods meet, µm.
    lengths_um : tuple of float
        Long, middle and short, µm.
    hand : int
        +1 for a right-handed triple, −1 for a left-handed one.
    brightness : float
        Dye on the rods' axes.

    Returns
    -------
    tuple of Rod
        The three rods.
    """
    corner = np.asarray(corner_um)
    ways = np.diag([lengths_um[0], hand * lengths_um[1], lengths_um[2]])
    return tuple(
        Rod(_point(corner), _point(corner + way), sigma_um=0.5, brightness=brightness)
        for way in ways
    )


def urchin_scene(
    seed: int,
    *,
    outer_diameter_um: float = 132.0,
    wall_um: float = 13.0,
    cells: int = 320,
    beads: int = 80,
    box_um: Point = (236.0, 200.0, 138.0),
    specks: int = 4,
    gel: float = 0.03,
    hand: int = 1,
    touching: float = 0.12,
) -> Scene:
    """Return a sea-urchin blastula in gel with beads, a fibre, a chiral marker and specks.

    Parameters
    ----------
    seed : int
        Draws everything that is drawn.
    outer_diameter_um, wall_um : float
        Of the blastula, µm.
    cells : int
        Number of cells; one nucleus each.
    beads : int
        Number of beads in the gel.
    box_um : tuple of float
        Region (x, y, z) around the origin in which beads, fibre, marker and specks lie, µm.
    specks : int
        Number of absorbing specks upstream of the embryo.
    gel : float
        Brightness of the gel.
    hand : int
        Hand of the chiral marker, +1 or −1.
    touching : float
        Share of the nuclei that touch a neighbour.

    Returns
    -------
    Scene
        The scene.
    """
    rng = np.random.default_rng([seed, 1])
    outer = 0.5 * outer_diameter_um
    ball, nuclei = _blastula(rng, outer, wall_um, cells, touching)
    half = 0.5 * np.asarray(box_um)
    marker = (-half[0] + 8.0, -half[1] + 10.0, -0.3 * half[2])
    fibre = Rod(
        (half[0] - 30.0, half[1] - 32.0, -0.9 * half[2]),
        (half[0] - 8.0, half[1] - 8.0, 0.9 * half[2]),
    )
    upstream = []
    for turn in np.linspace(-0.9, 0.9, specks) if specks else ():
        upstream.append(
            Speck(
                (
                    float(-outer - rng.uniform(4.0, 20.0)),
                    float(turn * 0.7 * outer + rng.uniform(-4, 4)),
                    float(rng.uniform(-0.5, 0.5) * outer),
                ),
                radius_um=float(rng.uniform(2.0, 5.0)),
                per_um=float(rng.uniform(0.08, 0.25)),
            )
        )
    rods = (*tripod(marker, hand=hand), fibre)
    return Scene(
        name="urchin",
        ball=ball,
        nuclei=nuclei,
        beads=_gel_beads(rng, beads, box_um, outer + 5.0),
        rods=rods,
        specks=tuple(upstream),
        gel=gel,
        chiral=(0, 1, 2),
        fibre=(3,),
        hand=hand,
        texture_seed=seed,
        texture=0.18,
    )


def small_urchin_scene(seed: int, *, hand: int = 1, gel: float = 0.03) -> Scene:
    """Return a scaled-down embryo (60 µm) for the small instrument; nuclei keep their size."""
    return urchin_scene(
        seed,
        outer_diameter_um=60.0,
        wall_um=11.0,
        cells=64,
        beads=24,
        box_um=(84.0, 84.0, 44.0),
        specks=2,
        gel=gel,
        hand=hand,
    )


def beads_scene(
    seed: int, *, beads: int = 80, box_um: Point = (236.0, 200.0, 138.0), gel: float = 0.02
) -> Scene:
    """Return beads alone in gel.

    Parameters
    ----------
    seed : int
        Draws the places.
    beads : int
        How many.
    box_um : tuple of float
        Region (x, y, z) around the origin, µm.
    gel : float
        Brightness of the gel.

    Returns
    -------
    Scene
        The scene.
    """
    rng = np.random.default_rng([seed, 2])
    return Scene(name="beads", beads=_gel_beads(rng, beads, box_um, 0.0, 8.0), gel=gel)


def fibre_scene(
    seed: int = 0,
    *,
    start_um: Point = (-18.0, -24.0, -22.0),
    end_um: Point = (20.0, 22.0, 22.0),
    beads: int = 0,
    gel: float = 0.02,
) -> Scene:
    """Return a slanted fibre, and beads around it if asked.

    Parameters
    ----------
    seed : int
        Draws the beads.
    start_um, end_um : tuple of float
        Ends of the fibre, µm.
    beads : int
        How many beads.
    gel : float
        Brightness of the gel.

    Returns
    -------
    Scene
        The scene.
    """
    rng = np.random.default_rng([seed, 3])
    fibre = Rod(start_um, end_um, sigma_um=0.6, brightness=2.5)
    around = _gel_beads(rng, beads, (80.0, 80.0, 44.0), 0.0)
    return Scene(name="fibre", rods=(fibre,), beads=around, gel=gel, fibre=(0,))


def tissue_scene(
    seed: int,
    *,
    slant_deg: float = 50.0,
    size_um: tuple[float, float] = (150.0, 100.0),
    beads: int = 0,
    box_um: Point = (84.0, 84.0, 44.0),
    gel: float = 0.02,
) -> Scene:
    """Return a sheet of cells that stands slanted in the field.

    The plane's z rises with x by ``slant_deg``, so what a frame shows of it walks along x from
    frame to frame by step / tan(slant).

    Parameters
    ----------
    seed : int
        Draws the cells.
    slant_deg : float
        Angle between the tissue and the imaged plane, degrees.
    size_um : tuple of float
        Extent of the tissue up the slant and along y, µm.
    beads : int
        How many beads in the gel.
    box_um : tuple of float
        Region of the beads, µm.
    gel : float
        Brightness of the gel.

    Returns
    -------
    Scene
        The scene; ``extra["walk_um_per_um"]`` is the sideways walk per travel in z.
    """
    rng = np.random.default_rng([seed, 4])
    slant = math.radians(slant_deg)
    up = np.array([math.cos(slant), 0.0, math.sin(slant)])
    normal = np.array([-math.sin(slant), 0.0, math.cos(slant)])
    nuclei = []
    for row, a in enumerate(np.arange(-size_um[0] / 2, size_um[0] / 2, 9.5)):
        for b in np.arange(-size_um[1] / 2, size_um[1] / 2, 10.5):
            place = (a + rng.uniform(-1.3, 1.3)) * up + rng.uniform(-0.8, 0.8) * normal
            place[1] += b + 5.25 * (row % 2) + rng.uniform(-1.3, 1.3)
            size = rng.uniform(3.0, 4.0)
            nuclei.append(
                Nucleus(_point(place), (size, size, size), brightness=float(rng.uniform(0.7, 1.1)))
            )
    return Scene(
        name="tissue",
        nuclei=tuple(nuclei),
        slabs=(Slab(_point(normal), 0.0, 2.5, 0.12),),
        beads=_gel_beads(rng, beads, box_um, 0.0) if beads else (),
        gel=gel,
        texture_seed=seed,
        texture=0.18,
        extra={"walk_um_per_um": 1.0 / math.tan(slant), "slant_deg": slant_deg},
    )


def chiral_scene(*, hand: int = 1, scale: float = 1.0, gel: float = 0.02) -> Scene:
    """Return the chiral marker alone, around the origin."""
    rods = tripod(
        (-8.0 * scale, -6.0 * scale, -6.0 * scale),
        (24.0 * scale, 16.0 * scale, 11.0 * scale),
        hand=hand,
    )
    return Scene(name="chiral", rods=rods, gel=gel, chiral=(0, 1, 2), hand=hand)


def uniform_scene(brightness: float = 1.0) -> Scene:
    """Return dye that fills the cell evenly."""
    return Scene(name="uniform", gel=brightness)


def empty_scene() -> Scene:
    """Return a cell with nothing that glows."""
    return Scene(name="empty")
