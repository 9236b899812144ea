"""A small stack of figures: a random soft volume, photographed plane by plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates, shift

from planewright.base.nouns import Flag
from planewright.check import FrameFacts, FrameFigures, frame_figures

FRAMES = 24
START = datetime(2031, 5, 17, 9, 41, 8)


@cache
def _volume() -> np.ndarray:
    rng = np.random.default_rng(5)
    soft = gaussian_filter(rng.normal(0, 1, (2 * FRAMES + 34, 128, 128)), (4.0, 1.3, 1.3))
    return np.clip(40 + 60 * soft / soft.std(), 0, None)


def _image(position: float) -> np.ndarray:
    rows, columns = np.mgrid[:128, :128]
    where = np.stack([np.full(rows.shape, 16 + 2.0 * position), rows, columns])
    return map_coordinates(_volume(), where, order=1)


def make(
    position: int,
    number: int,
    *,
    blur: tuple[float, float] = (0.0, 0.0),
    light: float = 1.0,
    added: float = 0.0,
    lamp: bool = False,
    patch: int = 0,
    moved: tuple[float, float] = (0.0, 0.0),
    colours: dict[str, float] | None = None,
    time_s: float | None = None,
    exposure_s: float = 0.25,
    **facts: object,
) -> FrameFigures:
    """Photograph one position of the soft volume with given faults."""
    rng = np.random.default_rng([number, 17])
    image = light * _image(position)
    if blur != (0.0, 0.0):
        image = gaussian_filter(image, blur)
    if moved != (0.0, 0.0):
        image = shift(image, moved, order=3, mode="reflect")
    if lamp:
        image = np.full((128, 128), 900.0) * (1 - 0.1 * np.linspace(-1, 1, 128) ** 2)
    image = (image + added) * exposure_s / 0.25
    counts = (
        2.0 * (rng.poisson(np.clip(image, 0, None)) + rng.normal(0, 1.5, image.shape))
    ).astype(np.float32)
    mask = np.zeros((128, 128), np.uint8)
    if patch:
        side = int(np.sqrt(patch))
        mask[40 : 40 + side, 50 : 50 + side] = Flag.SATURATED
        counts[40 : 40 + side, 50 : 50 + side] = 4000.0
    mean = float(counts.mean())
    shares = colours or {"red": 0.15 * mean, "green": mean, "blue": 0.3 * mean}
    if added or lamp:
        shares = {"red": 0.6 * mean, "green": mean, "blue": 0.6 * mean}
    whole = START + timedelta(seconds=2.0 * position if time_s is None else time_s)
    told = FrameFacts(
        name=f"frames/SEA_{number:04d}.DNG",
        kind="raw",
        rows=256,
        columns=256,
        taken_at=whole.replace(microsecond=0),
        exposure_s=exposure_s,
        iso=800,
        f_number=5.6,
        orientation=1,
        camera="Fieldwork Simulated",
        serial="PW-1",
        counter=number,
    )
    told = replace(told, **facts)
    return frame_figures(counts, mask, facts=told, colours=shares)


@cache
def _good() -> tuple[FrameFigures, ...]:
    return tuple(make(position, position) for position in range(FRAMES))


@pytest.fixture
def shoot() -> Callable[..., FrameFigures]:
    """Photograph one position."""
    return make


@pytest.fixture
def good() -> list[FrameFigures]:
    """A stack without a fault, one photograph each two seconds."""
    return list(_good())
