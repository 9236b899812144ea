"""Scenes: a sea-urchin blastula in gel, beads, a fibre, a slanted tissue, a chiral marker.

Coordinates are those of :mod:`planewright.phantom.parts`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from planewright.phantom.parts import Ball, Bead, Nucleus, Point, Rod, Scene, Slab, Speck

__all__ = [
    "Ball",
    "Bead",
    "Nucleus",
    "Point",
    "Rod",
    "Scene",
    "Slab",
    "Speck",
    "beads_scene",
    "chiral_scene",
    "empty_scene",
    "even_directions",
    "fibre_scene",
    "small_urchin_scene",
    "tissue_scene",
    "tripod",
    "uniform_scene",
    "urchin_scene",
    "with_walls",
]
_GAP_UM = 0.4  # between nuclei that do not touch


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
    _part(centres, sizes)
    _touch(rng, centres, sizes, round(0.5 * touching * cells))
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
    """Move pairs of neighbours into contact, in place. They become balls, so contact is exact.

    A pair that would reach into a third nucleus is left as it is.
    """
    free = set(range(len(centres)))
    for first in rng.permutation(len(centres)):
        if pairs == 0:
            return
        distance = np.linalg.norm(centres - centres[first], axis=1)
        near = int(np.argsort(distance)[1])
        if first not in free or near not in free:
            continue
        radius = sizes[[first, near]].mean(axis=1)
        way = (centres[near] - centres[first]) / distance[near]
        middle = 0.5 * (centres[near] + centres[first])
        places = middle + np.outer([-0.5, 0.5], way) * radius.sum()
        others = np.setdiff1d(np.arange(len(centres)), [first, near])
        gaps = np.linalg.norm(centres[others][:, None] - places[None], axis=2)
        if (gaps < sizes[others].max(axis=1)[:, None] + radius[None] + _GAP_UM).any():
            continue
        centres[[first, near]] = places
        sizes[[first, near]] = radius[:, None]
        free -= {int(first), near}
        pairs -= 1


def _part(centres: NDArray[np.float64], sizes: NDArray[np.float64]) -> None:
    """Push nuclei apart, in place, until none comes near another; shrink as a last resort."""
    reach = sizes.max(axis=1)
    for last in (*(False,) * 60, True):
        for first, second in sorted(cKDTree(centres).query_pairs(2.0 * reach.max() + 1.0)):
            way = centres[second] - centres[first]
            distance = float(np.linalg.norm(way))
            wanted = float(reach[first] + reach[second]) + _GAP_UM
            if distance >= wanted:
                continue
            if last:
                sizes[[first, second]] *= distance / wanted
                continue
            step = 0.51 * (wanted - distance) / distance * way
            centres[first] -= step
            centres[second] += step


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
    lengths_um: Point = (26.0, 18.0, 13.0),
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
    beads: int = 140,
    box_um: Point = (236.0, 200.0, 138.0),
    specks: int = 6,
    gel: float = 0.05,
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
    # Near the waist where there is room beside the embryo, else in the corner.
    lengths = np.array([0.26, 0.19, 0.14]) * min(half[0] + half[1] - outer, 107.0)
    beside = half[1] - outer > lengths[1] + 8.0
    marker = (
        -0.5 * lengths[0] if beside else -half[0] + 3.0,
        -half[1] + (3.0 if hand > 0 else 3.0 + lengths[1]),
        -0.5 * lengths[2],
    )
    clear = (outer + 6.0) / math.sqrt(2.0)  # of the embryo, on the diagonal
    fibre = Rod(
        (max(half[0] - 30.0, clear), max(half[1] - 32.0, clear), -0.9 * half[2]),
        (half[0] - 3.0, half[1] - 3.0, 0.9 * half[2]),
    )
    upstream = []
    for turn in np.linspace(-0.9, 0.9, specks) if specks else ():
        upstream.append(
            Speck(
                (
                    float(-outer - rng.uniform(0.3, 1.0) * min(24.0, half[0] - outer - 3.0)),
                    float(turn * 0.7 * outer + rng.uniform(-4, 4)),
                    float(rng.uniform(-0.5, 0.5) * outer),
                ),
                radius_um=float(rng.uniform(2.5, 6.0)),
                per_um=float(rng.uniform(0.08, 0.3)),
            )
        )
    rods = (*tripod(marker, _point(lengths), hand=hand), fibre)
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


def small_urchin_scene(seed: int, *, hand: int = 1, gel: float = 0.05, beads: int = 40) -> Scene:
    """Return a scaled-down embryo (60 µm) for the small instrument; nuclei keep their size."""
    return urchin_scene(
        seed,
        outer_diameter_um=60.0,
        wall_um=11.0,
        cells=64,
        beads=beads,
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
        The scene; its ``walk_um_per_um`` is the sideways walk per travel in z.
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
        slant_deg=slant_deg,
    )


def chiral_scene(*, hand: int = 1, scale: float = 1.0, gel: float = 0.02) -> Scene:
    """Return the chiral marker alone, around the origin."""
    rods = tripod(
        (-8.0 * scale, -6.0 * scale, -6.0 * scale),
        (24.0 * scale, 16.0 * scale, 11.0 * scale),
        hand=hand,
    )
    return Scene(name="chiral", rods=rods, gel=gel, chiral=(0, 1, 2), hand=hand)


def with_walls(scene: Scene, *, x_um: float | None = None, y_um: float | None = None) -> Scene:
    """Return a scene with faintly glowing walls of glass that stand square to x and to y.

    They look the same in every plane, so they show how the picture moved.

    Parameters
    ----------
    scene : Scene
        The specimen.
    x_um, y_um : float or None
        Where the walls stand, µm; None for no such wall.

    Returns
    -------
    Scene
        A copy with the walls.
    """
    walls = []
    if x_um is not None:
        walls.append(Slab((1.0, 0.0, 0.0), x_um, 0.8, 0.8))
    if y_um is not None:
        walls.append(Slab((0.0, 1.0, 0.0), y_um, 0.8, 0.8))
    return scene.but(slabs=(*scene.slabs, *walls))


def uniform_scene(brightness: float = 1.0) -> Scene:
    """Return dye that fills the cell evenly."""
    return Scene(name="uniform", gel=brightness)


def empty_scene() -> Scene:
    """Return a cell with nothing that glows."""
    return Scene(name="empty")
