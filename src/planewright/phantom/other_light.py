"""Light that is not the dye's: lamp, room, bubbles, glare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import expit

from planewright.phantom.camera import colour_at_sites
from planewright.phantom.drawing import Grid
from planewright.phantom.faults import Bubble, Glare
from planewright.phantom.instrument import Instrument
from planewright.phantom.parts import Scene
from planewright.phantom.shadows import chord_um

Plane = NDArray[np.float32]


def lamp_light(scene: Scene, instrument: Instrument, *, level_e: float = 1400.0) -> Plane:
    """Return broad white light from behind: silhouettes on a bright ground, colours in it.

    Parameters
    ----------
    scene : Scene
        Ball, specks and nuclei absorb a little along z.
    instrument : Instrument
        Size, colours.
    level_e : float
        Electrons of a green pixel beside the specimen.

    Returns
    -------
    ndarray of shape (rows, columns), float32
        Electrons at each site.
    """
    grid = Grid(instrument)
    x, y = (plane[_sensor(grid)] for plane in grid.xy_um)
    depth = np.zeros(x.shape, np.float32)
    if scene.ball is not None:
        away = np.hypot(x - scene.ball.centre_um[0], y - scene.ball.centre_um[1])
        wall = chord_um(away, scene.ball.outer_um) - chord_um(away, scene.ball.inner_um)
        depth += (wall * 0.012).astype(np.float32)
    for speck in scene.specks:
        away = np.hypot(x - speck.centre_um[0], y - speck.centre_um[1])
        depth += (chord_um(away, speck.radius_um) * speck.per_um).astype(np.float32)
    for nucleus in scene.nuclei:
        cx, cy, _ = nucleus.centre_um
        radius = float(np.mean(nucleus.radii_um))
        row, column = grid.place(np.array([[cx, cy]]))[0] - grid.corner
        reach = radius / instrument.pixel_um + 1
        rows = slice(max(0, int(row - reach)), max(0, int(row + reach) + 1))
        columns = slice(max(0, int(column - reach)), max(0, int(column + reach) + 1))
        away = np.hypot(x[rows, columns] - cx, y[rows, columns] - cy)
        depth[rows, columns] += (chord_um(away, radius) * 0.01).astype(np.float32)
    passed = gaussian_filter(np.exp(-depth), 1.2 / instrument.pixel_um)
    spread = 1 - 0.12 * (_square(instrument))
    light = (
        np.float32(level_e) * passed * spread * colour_at_sites(instrument, instrument.lamp_colour)
    )
    return np.asarray(light, np.float32)


def room_light(instrument: Instrument, *, level_e: float = 90.0) -> Plane:
    """Return even stray light of the room with a slope across the field, electrons a site."""
    slope = 1 + 0.25 * np.linspace(-1, 1, instrument.columns, dtype=np.float32)[None, :]
    light = np.float32(level_e) * slope * colour_at_sites(instrument, instrument.room_colour)
    return np.asarray(light, np.float32)


def bubble_at(bubble: Bubble, position: int, instrument: Instrument) -> tuple[Plane, Plane]:
    """Return what a bubble lets pass of the sheet, and the bright ring it adds, green electrons.

    It rises from the bottom to the top of the photograph while it is there, blocks the light
    downstream of it, and shines at its rim.
    """
    share = (position - bubble.first + 0.5) / bubble.frames
    row = (1.15 - 1.3 * share) * instrument.rows
    column = bubble.column * instrument.columns
    rows = np.arange(instrument.rows, dtype=np.float32)[:, None] - np.float32(row)
    columns = np.arange(instrument.columns, dtype=np.float32)[None, :] - np.float32(column)
    away = np.hypot(rows, columns)
    angle = np.radians(instrument.sheet_angle_deg)
    ahead = np.cos(angle) * columns + np.sin(angle) * rows
    aside = np.abs(np.cos(angle) * rows - np.sin(angle) * columns)
    blocked = expit((bubble.radius_px - aside) / (2 + 0.05 * np.maximum(ahead, 0)))
    blocked = np.where(ahead > 0, 0.7 * blocked, 0.0)
    inside = expit((bubble.radius_px - away) / 1.5)
    blocked *= 1 - inside
    passed = (1 - blocked) * (1 - 0.8 * inside)
    ring = np.exp(-0.5 * ((away - bubble.radius_px) / 2.5) ** 2) * bubble.light_e
    return passed.astype(np.float32), ring.astype(np.float32)


def glare_light(glare: Glare, instrument: Instrument) -> Plane:
    """Return light that fills the sensor within a radius and falls off around it, electrons."""
    rows = np.arange(instrument.rows, dtype=np.float32)[:, None] - np.float32(glare.row)
    columns = np.arange(instrument.columns, dtype=np.float32)[None, :] - np.float32(glare.column)
    full_e = (instrument.white - min(instrument.black)) / instrument.gain_now
    weakest = min(instrument.dye_colour) if instrument.mosaic else instrument.dye_colour[1]
    away = np.hypot(rows, columns)
    bright = 1.6 * full_e / weakest * np.exp(-np.maximum(away - glare.radius_px, 0) / 1.5)
    return np.asarray(bright, np.float32)


def _square(instrument: Instrument) -> Plane:
    rows = np.linspace(-1, 1, instrument.rows, dtype=np.float32)[:, None]
    columns = np.linspace(-1, 1, instrument.columns, dtype=np.float32)[None, :]
    return np.asarray(0.5 * (rows**2 + columns**2), np.float32)


def _sensor(grid: Grid) -> tuple[slice, slice]:
    top, left = grid.corner
    own = grid.instrument
    return slice(top, top + own.rows), slice(left, left + own.columns)
