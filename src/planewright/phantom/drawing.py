"""Drawing the specimen's dye, slice by slice, on the sensor's own pixel grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from planewright.phantom.instrument import Instrument
from planewright.phantom.parts import Ball, Nucleus, Rod, Scene, Slab
from planewright.phantom.shadows import Shadows

Plane = NDArray[np.float32]
_EDGE_UM = 0.5  # width over which the rim of a nucleus fades
_MAP_UM = 0.4  # spacing of the table of cell borders, on the outer face


@dataclass(frozen=True)
class Grid:
    """The periodic pixel grid on which frames are rendered: the sensor and a margin around it.

    Parameters
    ----------
    instrument : Instrument
        Decides pixel, size, angle and mirror.
    """

    instrument: Instrument

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns; lengths that transform fast."""
        margin = 2 * self.instrument.margin_px
        return (
            next_fast_len(self.instrument.rows + margin, real=True),
            next_fast_len(self.instrument.columns + margin, real=True),
        )

    @property
    def corner(self) -> tuple[int, int]:
        """Row and column of sensor pixel (0, 0)."""
        return (
            (self.shape[0] - self.instrument.rows) // 2,
            (self.shape[1] - self.instrument.columns) // 2,
        )

    @cached_property
    def turn(self) -> NDArray[np.float64]:
        """Matrix from specimen (x, y) to (column, row) directions of the photograph as written."""
        angle = math.radians(self.instrument.view_angle_deg)
        c, s = math.cos(angle), math.sin(angle)
        flip = -1.0 if self.instrument.mirrored else 1.0
        return np.array([[flip * c, -flip * s], [s, c]])

    @property
    def centre(self) -> tuple[float, float]:
        """Row and column of the specimen's origin."""
        return (
            self.corner[0] + 0.5 * (self.instrument.rows - 1),
            self.corner[1] + 0.5 * (self.instrument.columns - 1),
        )

    def place(self, xy_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (row, column) of specimen points, shape (N, 2) from (N, 2)."""
        column, row = (np.asarray(xy_um) @ self.turn.T).T / self.instrument.pixel_um
        return np.stack([row + self.centre[0], column + self.centre[1]], axis=1)

    @cached_property
    def xy_um(self) -> tuple[Plane, Plane]:
        """Specimen x and y of every pixel, µm; single rows or columns where that is enough."""
        rows = (np.arange(self.shape[0]) - self.centre[0]) * self.instrument.pixel_um
        columns = (np.arange(self.shape[1]) - self.centre[1]) * self.instrument.pixel_um
        back = self.turn.T  # orthogonal
        x = back[0, 0] * columns[None, :] + back[0, 1] * rows[:, None]
        y = back[1, 0] * columns[None, :] + back[1, 1] * rows[:, None]
        return x.astype(np.float32), y.astype(np.float32)


class Graininess:
    """A fixed uneven pattern in space: a sum of plane waves in random directions."""

    def __init__(self, seed: int, strength: float, periods_um: tuple[float, float]) -> None:
        rng = np.random.default_rng([seed, 77])
        way = rng.normal(size=(10, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        self._waves = (2 * np.pi * way / rng.uniform(*periods_um, (10, 1))).astype(np.float32)
        self._phase = rng.uniform(0, 2 * np.pi, 10).astype(np.float32)
        self._strength = np.float32(strength * math.sqrt(2.0 / 10))

    def at(self, x: Plane, y: Plane, z: Any) -> Plane:
        """Return the factor, 1 on average, at points in µm."""
        out = np.zeros(np.broadcast(x, y, z).shape, np.float32)
        if self._strength == 0:
            return out + np.float32(1)
        for (a, b, c), phase in zip(self._waves, self._phase, strict=True):
            out += np.cos(a * x + b * y + (c * z + phase))
        return np.asarray(np.maximum(1 + self._strength * out, 0.2), np.float32)


class Drawing:
    """Draws thin slices of a scene's dye, lit by a sheet of strength 1 with its shadows.

    Parameters
    ----------
    scene : Scene
        What there is. Beads are points and not drawn here.
    instrument : Instrument
        Decides the grid and the light's direction.
    thickness_um : float
        Thickness of a slice.
    """

    def __init__(self, scene: Scene, instrument: Instrument, thickness_um: float) -> None:
        self.scene = scene
        self.grid = Grid(instrument)
        self.thickness_um = thickness_um
        self.shadows = Shadows(scene, instrument)
        self._grain = Graininess(scene.texture_seed, scene.texture, (1.6, 5.0))
        self._walls = None if scene.ball is None else _Walls(scene.ball, self._grain)

    def at(self, z_um: float) -> Plane:
        """Return dye times light, averaged over a slice, on the whole grid."""
        out = np.full(self.grid.shape, self.scene.gel, np.float32)
        x, y = self.grid.xy_um
        for slab in self.scene.slabs:
            _add_slab(out, slab, x, y, z_um)
        if self._walls is not None:
            self._walls.add(out, x, y, z_um)
        for nucleus in self.scene.nuclei:
            self._add_nucleus(out, nucleus, z_um)
        for rod in self.scene.rods:
            self._add_rod(out, rod, z_um)
        self.shadows.dim(out, x, y, z_um)
        return out

    def _patch(self, centre_xy: tuple[float, float], reach_um: float) -> tuple[slice, slice] | None:
        row, column = self.grid.place(np.array([centre_xy]))[0]
        reach = reach_um / self.grid.instrument.pixel_um
        r0, r1 = max(0, math.floor(row - reach)), math.ceil(row + reach) + 1
        c0, c1 = max(0, math.floor(column - reach)), math.ceil(column + reach) + 1
        r1, c1 = min(r1, self.grid.shape[0]), min(c1, self.grid.shape[1])
        return (slice(r0, r1), slice(c0, c1)) if r0 < r1 and c0 < c1 else None

    def _add_nucleus(self, out: Plane, nucleus: Nucleus, z_um: float) -> None:
        reach = max(nucleus.radii_um) + _EDGE_UM
        cx, cy, cz = nucleus.centre_um
        if abs(z_um - cz) > reach + 0.5 * self.thickness_um:
            return
        where = self._patch((cx, cy), reach)
        if where is None:
            return
        x, y = self.grid.xy_um[0][where], self.grid.xy_um[1][where]
        inside = np.zeros(x.shape, np.float32)
        for part in (-1 / 3, 0.0, 1 / 3):
            inside += _ellipsoid(nucleus, x, y, z_um + part * self.thickness_um)
        inside *= np.float32(1 / 3)
        here = out[where]
        glow = np.float32(nucleus.brightness) * self._grain.at(x, y, np.float32(z_um))
        here += inside * (glow - here)

    def _add_rod(self, out: Plane, rod: Rod, z_um: float) -> None:
        start, end = np.asarray(rod.start_um), np.asarray(rod.end_um)
        length = float(np.linalg.norm(end - start))
        way = (end - start) / length
        reach = 4.0 * rod.sigma_um
        low, high = sorted((start[2], end[2]))
        if not low - reach <= z_um <= high + reach:
            return
        near, far = 0.0, length
        if abs(way[2]) * length > 1e-6:  # only the part of the rod close to this slice
            along = (z_um - start[2]) / way[2]
            spread = reach / abs(way[2])
            near = min(max(0.0, along - spread), length)
            far = max(min(length, along + spread), 0.0)
        middle = start + 0.5 * (near + far) * way
        half = 0.5 * (far - near) * math.hypot(way[0], way[1]) + reach
        where = self._patch((middle[0], middle[1]), half)
        if where is None:
            return
        x, y = self.grid.xy_um[0][where], self.grid.xy_um[1][where]
        dx, dy, dz = x - start[0], y - start[1], z_um - start[2]
        on = np.clip(dx * way[0] + dy * way[1] + dz * way[2], 0.0, length)
        square = (dx - on * way[0]) ** 2 + (dy - on * way[1]) ** 2 + (dz - on * way[2]) ** 2
        out[where] += (rod.brightness * np.exp(-0.5 * square / rod.sigma_um**2)).astype(np.float32)


def _ellipsoid(nucleus: Nucleus, x: Plane, y: Plane, z_um: float) -> Plane:
    """Return 1 inside, 0 outside, fading over the rim so that the volume is kept."""
    cx, cy, cz = nucleus.centre_um
    dx, dy, dz = x - np.float32(cx), y - np.float32(cy), np.float32(z_um - cz)
    value = np.zeros(x.shape, np.float32)
    slope = np.zeros(x.shape, np.float32)
    for axis, radius in zip(np.asarray(nucleus.axes, np.float32), nucleus.radii_um, strict=True):
        along = (axis[0] * dx + axis[1] * dy + axis[2] * dz) / np.float32(radius)
        value += along**2
        slope += (along / np.float32(radius)) ** 2
    # distance to the surface to first order: (1 - q²) / |grad q²|
    distance = (1 - value) / (2 * np.sqrt(np.maximum(slope, 1e-6)))
    return np.asarray(np.clip(distance / np.float32(_EDGE_UM) + np.float32(0.5), 0, 1))


def _add_slab(out: Plane, slab: Slab, x: Plane, y: Plane, z_um: float) -> None:
    a, b, c = slab.normal
    distance = (a * x + b * y + np.float32(c * z_um - slab.offset_um)) / np.float32(slab.sigma_um)
    out += np.float32(slab.brightness) * np.exp(np.float32(-0.5) * distance**2)


class _Walls:
    """The ball's cytoplasm and membranes."""

    def __init__(self, ball: Ball, grain: Graininess) -> None:
        self.ball = ball
        self._grain = grain
        seeds = np.asarray(ball.seeds)
        half_turn = round(math.pi * ball.outer_um / _MAP_UM)
        self._shape = (half_turn + 1, 2 * half_turn + 1)
        polar = np.linspace(0.0, math.pi, self._shape[0])[:, None]
        turn = np.linspace(-math.pi, math.pi, self._shape[1])[None, :]
        way = np.stack(
            np.broadcast_arrays(
                np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)
            ),
            axis=-1,
        ).reshape(-1, 3)
        _, near = cKDTree(seeds).query(way, k=2)
        apart = seeds[near[:, 0]] - seeds[near[:, 1]]
        distance = np.einsum("ij,ij->i", way, apart) / np.linalg.norm(apart, axis=1)
        self._border = distance.reshape(self._shape).astype(np.float32)

    def add(self, out: Plane, x: Plane, y: Plane, z_um: float) -> None:
        """Add the wall's dye at one z."""
        ball = self.ball
        reach = 3.5 * ball.membrane_um
        dz = z_um - ball.centre_um[2]
        if abs(dz) > ball.outer_um + reach:
            return
        dx, dy = x - np.float32(ball.centre_um[0]), y - np.float32(ball.centre_um[1])
        square = dx**2 + dy**2 + np.float32(dz**2)
        inner = max(0.0, ball.inner_um - reach)
        near = (square > inner**2) & (square < (ball.outer_um + reach) ** 2)
        radius = np.sqrt(square[near])
        dx, dy = dx[near], dy[near]
        polar = np.arccos(np.clip(dz / np.maximum(radius, 1e-3), -1, 1))
        where = np.stack(
            [
                polar * ((self._shape[0] - 1) / math.pi),
                (np.arctan2(dy, dx) + math.pi) * ((self._shape[1] - 1) / (2 * math.pi)),
            ]
        )
        border = radius * map_coordinates(self._border, where, order=1, mode="nearest")
        width = np.float32(ball.membrane_um)
        inside = np.clip((radius - ball.inner_um) / 0.5 + 0.5, 0, 1)
        inside *= np.clip((ball.outer_um - radius) / 0.5 + 0.5, 0, 1)
        between = inside * np.exp(-0.5 * (border / width) ** 2)
        faces = np.exp(-0.5 * ((radius - ball.outer_um) / width) ** 2)
        faces = faces + 0.6 * np.exp(-0.5 * ((radius - ball.inner_um) / width) ** 2)
        flesh = ball.cytoplasm * inside * self._grain.at(dx, dy, np.float32(dz))
        skin = ball.membrane * np.maximum(between, faces)
        out[near] += np.maximum(flesh, skin).astype(np.float32)
