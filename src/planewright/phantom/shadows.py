"""What is lost of the sheet on its way: shadows of specks, and the embryo's own extinction."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from planewright.phantom.instrument import Instrument
from planewright.phantom.parts import Ball, Scene, Speck

_CELLS = 16  # table cells per speck radius
_LENGTHS = 14  # distances downstream at which the shadow is tabulated


def chord_um(across_um: ArrayLike, radius_um: float) -> NDArray[np.float64]:
    """Return the length of the chord through a ball at a distance from its centre, µm."""
    square = radius_um**2 - np.asarray(across_um, dtype=np.float64) ** 2
    return np.asarray(2.0 * np.sqrt(np.maximum(square, 0.0)))


class SpeckShadow:
    """The shadow of one speck downstream of it, none upstream.

    Straight behind the speck the loss is 1 − exp(−µ · chord) (Beer–Lambert). Because the sheet
    converges in z, and its light spreads a little in y, the loss is blurred by Gaussians whose
    widths grow with the distance downstream; what it takes in all stays the same.

    Parameters
    ----------
    speck : Speck
        The speck.
    spread_y_rad, spread_z_rad : float
        Standard deviation of the light's angles.
    length_um : float
        How far downstream the field goes.
    """

    def __init__(
        self, speck: Speck, spread_y_rad: float, spread_z_rad: float, length_um: float
    ) -> None:
        self.speck = speck
        self.length_um = max(length_um, 1.0)
        self._cell = speck.radius_um / _CELLS
        self.reach_y = 1.15 * speck.radius_um + 3.5 * self.length_um * spread_y_rad
        self.reach_z = 1.15 * speck.radius_um + 3.5 * self.length_um * spread_z_rad
        half_y = math.ceil(self.reach_y / self._cell)
        half_z = math.ceil(self.reach_z / self._cell)
        self._centre = (half_z, half_y)
        z = self._cell * np.arange(-half_z, half_z + 1, dtype=np.float64)[:, None]
        y = self._cell * np.arange(-half_y, half_y + 1, dtype=np.float64)[None, :]
        loss = _mean_loss(z, y, speck, self._cell)
        lengths = self.length_um * np.linspace(0, 1, _LENGTHS) ** 2
        self._table = np.stack(
            [
                gaussian_filter(
                    loss,
                    (far * spread_z_rad / self._cell, far * spread_y_rad / self._cell),
                    mode="constant",
                )
                for far in lengths
            ]
        ).astype(np.float32)

    def loss(self, x_um: ArrayLike, y_um: ArrayLike, z_um: ArrayLike) -> NDArray[np.float64]:
        """Return the share of light missing at points, 0 to 1."""
        x, y, z = np.broadcast_arrays(
            np.asarray(x_um, np.float64), np.asarray(y_um, np.float64), np.asarray(z_um, np.float64)
        )
        far = x - self.speck.centre_um[0]
        where = np.stack(
            [
                (_LENGTHS - 1) * np.sqrt(np.clip(far, 0, None) / self.length_um),
                (z - self.speck.centre_um[2]) / self._cell + self._centre[0],
                (y - self.speck.centre_um[1]) / self._cell + self._centre[1],
            ]
        )
        where[0] = np.minimum(where[0], _LENGTHS - 1)
        flat = where.reshape(3, -1)
        lost = map_coordinates(self._table, flat, order=1, mode="constant").reshape(far.shape)
        return np.where(far > 0, lost, 0.0)


def _mean_loss(
    z: NDArray[np.float64], y: NDArray[np.float64], speck: Speck, cell: float
) -> NDArray[np.float64]:
    """Return Beer–Lambert's loss averaged over table cells (3 × 3 points each)."""
    total = np.zeros(np.broadcast(z, y).shape)
    for a in (-1 / 3, 0.0, 1 / 3):
        for b in (-1 / 3, 0.0, 1 / 3):
            chord = chord_um(np.hypot(z + a * cell, y + b * cell), speck.radius_um)
            total += 1.0 - np.exp(-speck.per_um * chord)
    return total / 9.0


class Shadows:
    """All that dims the sheet in a scene.

    Parameters
    ----------
    scene : Scene
        Specks and ball.
    instrument : Instrument
        Decides the angles of the light and the size of the field.
    """

    def __init__(self, scene: Scene, instrument: Instrument) -> None:
        self.ball = scene.ball
        spread_y = math.radians(instrument.shadow_spread_deg)
        spread_z = 0.5 * instrument.waist_um / instrument.rayleigh_um
        across = math.hypot(instrument.rows, instrument.columns) + 2 * instrument.margin_px
        half = 0.5 * across * instrument.pixel_um
        self.specks = [
            SpeckShadow(speck, spread_y, spread_z, half - speck.centre_um[0])
            for speck in scene.specks
            if speck.centre_um[0] < half
        ]

    def dim(
        self,
        out: NDArray[np.float32],
        x: NDArray[np.float32],
        y: NDArray[np.float32],
        z_um: float,
    ) -> None:
        """Multiply a slice, in place, by the light that reaches it."""
        for shadow in self.specks:
            cx, cy, cz = shadow.speck.centre_um
            if abs(z_um - cz) > shadow.reach_z:
                continue
            near = (x > cx) & (np.abs(y - np.float32(cy)) < shadow.reach_y)
            if near.any():
                out[near] *= 1 - shadow.loss(x[near], y[near], z_um).astype(np.float32)
        if self.ball is not None and self.ball.loss_light_per_um > 0:
            path = path_um(self.ball, x, y, np.float32(z_um), along=0)
            out *= np.exp(np.float32(-self.ball.loss_light_per_um) * path)

    def kept(self, points_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share of light that reaches points of shape (N, 3)."""
        x, y, z = np.asarray(points_um, np.float64).T
        out = np.ones(x.shape)
        for shadow in self.specks:
            out *= 1 - shadow.loss(x, y, z)
        if self.ball is not None:
            out *= np.exp(-self.ball.loss_light_per_um * path_um(self.ball, x, y, z, along=0))
        return out


def path_um(ball: Ball, x: ArrayLike, y: ArrayLike, z: ArrayLike, *, along: int) -> NDArray[Any]:
    """Return how far light has gone through the ball's volume before it is at a point.

    Parameters
    ----------
    ball : Ball
        The ball; its hollow counts like its wall.
    x, y, z : array_like
        Points, µm.
    along : int
        0: light coming along +x (the sheet). 2: the way along −z to the lens.

    Returns
    -------
    ndarray
        µm.
    """
    place = [
        np.asarray(v) - np.asarray(c, np.asarray(v).dtype)
        for v, c in zip((x, y, z), ball.centre_um, strict=True)
    ]
    ahead = place.pop(along)
    square = ball.outer_um**2 - place[0] ** 2 - place[1] ** 2
    half = np.sqrt(np.maximum(square, 0))
    return np.asarray(np.clip(ahead + half, 0, 2 * half))
