"""Compact spots of one plane, such as beads in a gel, placed near the noise bound."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag

Floats = NDArray[np.float64]

_HALF = 5  # half side of the window that is fitted, px
_BAD = int(Flag.MISSING | Flag.HOT | Flag.OUTSIDE | Flag.SATURATED)


@dataclass(frozen=True)
class Spot:
    """A compact spot.

    Parameters
    ----------
    y, x : float
        Centre, px.
    sigma : float
        Standard uncertainty of the centre along each axis, px.
    width : float
        Standard deviation of the fitted Gaussian, px.
    peak : float
        Its height, in light.
    """

    y: float
    x: float
    sigma: float
    width: float
    peak: float

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return asdict(self)


def find_spots(
    plane: NDArray[np.float32],
    mask: NDArray[np.uint8] | None = None,
    *,
    noise_slope: float = 1.0,
    noise_floor: float = 0.0,
    widest: float = 3.5,
    most: int = 300,
) -> tuple[Spot, ...]:
    """Find spots that stand alone and fit a round Gaussian.

    Parameters
    ----------
    plane : ndarray of shape (y, x), float32
        Light above black.
    mask : ndarray of shape (y, x), uint8, optional
        No spot is taken whose window touches a flagged pixel.
    noise_slope, noise_floor : float
        Variance of the noise: ``noise_slope * light + noise_floor``.
    widest : float
        Widest spot taken, standard deviation, px.
    most : int
        Most spots, the clearest first.

    Returns
    -------
    tuple of Spot
        Clearest first.
    """
    if min(plane.shape) <= 4 * _HALF:
        return ()
    fine = cv2.GaussianBlur(plane, (0, 0), 1.2)
    coarse = cv2.GaussianBlur(plane, (0, 0), 4.0)
    # White noise of variance v leaves v / (4 pi s²) after a Gaussian of width s.
    spread = np.sqrt(
        (noise_slope * np.maximum(coarse, 0) + noise_floor + 0.375 * noise_slope**2)
        / (4 * math.pi * 1.2**2)
    )
    clear = (fine - coarse) / spread
    tops = (clear >= cv2.dilate(clear, np.ones((5, 5), np.uint8))) & (clear > 6.0)
    edge = _HALF + 1
    tops[:edge] = tops[-edge:] = False
    tops[:, :edge] = tops[:, -edge:] = False
    places = np.argwhere(tops)
    order = np.argsort(-clear[tops], kind="stable")[: 2 * most]
    places = places[order]
    if places.size == 0:
        return ()
    windows = _windows(plane, places)
    good = np.ones(len(places), dtype=bool)
    if mask is not None:
        good = ~((_windows(mask, places) & _BAD) != 0).any(axis=(1, 2))
    return tuple(_fit(windows[good], places[good], noise_slope, noise_floor, widest)[:most])


def _windows(image: NDArray[Any], places: NDArray[np.intp]) -> NDArray[Any]:
    offset = np.arange(-_HALF, _HALF + 1)
    y = places[:, 0, None, None] + offset[None, :, None]
    x = places[:, 1, None, None] + offset[None, None, :]
    return np.asarray(image[y, x])


def _fit(
    windows: NDArray[np.float32],
    places: NDArray[np.intp],
    slope: float,
    floor: float,
    widest: float,
) -> Sequence[Spot]:
    """Fit height, centre, width and surroundings to all windows at once by Gauss-Newton."""
    count = len(windows)
    if count == 0:
        return []
    offset = np.arange(-_HALF, _HALF + 1, dtype=np.float64)
    gy, gx = np.meshgrid(offset, offset, indexing="ij")
    light = windows.astype(np.float64)
    ring = np.hypot(gy, gx) > _HALF - 0.5
    base = np.median(light[:, ring], axis=1)
    state = np.stack(
        [
            light[:, _HALF, _HALF] - base,
            np.zeros(count),
            np.zeros(count),
            np.full(count, 1.5),
            base,
        ],
        axis=1,
    )
    alive = np.ones(count, dtype=bool)
    for _ in range(12):
        model, slopes = _model(state, gy, gx)
        weight = 1.0 / (slope * np.maximum(model, 0) + floor + 0.375 * slope**2)
        weighted = slopes * weight[..., None]
        normal = np.einsum("syxa,syxb->sab", weighted, slopes) + 1e-9 * np.eye(5)
        pull = np.einsum("syxa,syx->sa", weighted, light - model)
        move = np.linalg.solve(normal, pull[..., None])[..., 0]
        move[:, 1:4] = np.clip(move[:, 1:4], -0.5, 0.5)
        state = state + np.where(alive[:, None], move, 0.0)
        state[:, 3] = np.clip(state[:, 3], 0.4, 8.0)
        alive &= np.hypot(state[:, 1], state[:, 2]) < 2.5
    model, slopes = _model(state, gy, gx)
    weight = 1.0 / (slope * np.maximum(model, 0) + floor + 0.375 * slope**2)
    misfit = ((light - model) ** 2 * weight).mean(axis=(1, 2))
    covariance = np.linalg.inv(np.einsum("syxa,syx,syxb->sab", slopes, weight, slopes))
    sigma = np.sqrt(np.maximum(0.5 * (covariance[:, 1, 1] + covariance[:, 2, 2]), 0))
    # A Gaussian is not exactly a bead's image; a misfit of some noise widths is still a spot.
    room = 2.0 + 0.02 * np.maximum(state[:, 0], 0) * np.sqrt(weight.max(axis=(1, 2)))
    alive &= (misfit < room) & (state[:, 3] < widest) & (state[:, 3] > 0.45)
    alive &= (state[:, 0] > 0) & (sigma < 0.5) & (sigma > 0)
    sigma = sigma * np.sqrt(np.maximum(misfit, 1.0))
    return [
        Spot(
            float(places[s, 0] + state[s, 1]),
            float(places[s, 1] + state[s, 2]),
            float(sigma[s]),
            float(state[s, 3]),
            float(state[s, 0]),
        )
        for s in np.flatnonzero(alive)
    ]


def _model(state: Floats, gy: Floats, gx: Floats) -> tuple[Floats, Floats]:
    height, y, x, width, base = (state[:, i, None, None] for i in range(5))
    ry, rx = gy[None] - y, gx[None] - x
    shape = np.exp(-0.5 * (ry**2 + rx**2) / width**2)
    bell = height * shape
    slopes = np.stack(
        [
            shape,
            bell * ry / width**2,
            bell * rx / width**2,
            bell * (ry**2 + rx**2) / width**3,
            np.ones_like(bell),
        ],
        axis=-1,
    )
    return bell + base, slopes
