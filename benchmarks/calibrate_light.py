"""Simulated photographs of beads, dye and flats: what the sheet's and camera's calibration see.

The simulator stands in this file alone and shares no code with what it tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True)
class TrueCamera:
    """What the simulated camera is; counts are rounded and cut at ``white``."""

    electrons_per_count: float
    read_noise_e: float
    black: float = 64.0
    white: float = 4095.0


def fall_off(rows: int, columns: int, rng: np.random.Generator) -> Floats:
    """Return light that falls to two thirds or so at the corners."""
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    cx, cy = rng.uniform(-0.4, 0.4, 2)
    return np.asarray(np.exp(-((x - cx) ** 2 + (y - cy) ** 2) * rng.uniform(0.1, 0.25)))


def specks(rows: int, columns: int, rng: np.random.Generator, *, count: int) -> Floats:
    """Return what out-of-focus dust leaves of the light."""
    y, x = np.mgrid[:rows, :columns]
    left = np.ones((rows, columns))
    for _ in range(count):
        cy, cx, size = rng.uniform(0, rows), rng.uniform(0, columns), rng.uniform(2, 7)
        left *= 1 - rng.uniform(0.1, 0.6) * np.exp(-(((y - cy) ** 2 + (x - cx) ** 2) / size**2))
    return left


def camera_pairs(
    camera: TrueCamera, rng: np.random.Generator, *, shape: tuple[int, int] = (160, 200)
) -> tuple[list[tuple[Image, Image]], list[tuple[Image, Image]], list[float]]:
    """Return darks, flats, exposures: uneven, dirty, with hot pixels, sparks and a lamp's drift."""
    capacity = (camera.white - camera.black) * camera.electrons_per_count
    fixed = camera.black + rng.normal(0, 0.7, shape)
    response = rng.normal(1, 0.01, shape)
    scene = fall_off(*shape, rng) * specks(*shape, rng, count=8) * response
    hot = rng.random(shape) < 1e-3
    glow = rng.exponential(60.0, shape) * hot

    def shot(level: float) -> Image:
        electrons = rng.poisson(level * capacity * scene + glow) + rng.normal(
            0, camera.read_noise_e, shape
        )
        for _ in range(rng.poisson(0.5)):
            y, x = rng.integers(0, shape[0]), rng.integers(0, shape[1])
            electrons[y, x : x + 3] += rng.exponential(2000.0)
        counts = np.round(electrons / camera.electrons_per_count + fixed)
        return np.clip(counts, 0, camera.white).astype(np.float32)

    levels = [0.03, 0.08, 0.16, 0.3, 0.5, 0.75, 1.3]
    darks = [(shot(0.0), shot(0.0)) for _ in range(2)]
    flats = [
        (shot(level * rng.normal(1, 0.004)), shot(level * rng.normal(1, 0.004))) for level in levels
    ]
    return darks, flats, [level * 0.1 for level in levels]


@dataclass(frozen=True)
class TrueSheet:
    """A Gaussian sheet: 1/e² radius at the waist, its place from the middle, M², lean."""

    waist_um: float
    position_um: float
    quality: float
    tilt_x_deg: float
    tilt_y_deg: float
    wavelength_nm: float = 488.0
    index: float = 1.337

    @property
    def rayleigh_um(self) -> float:
        return math.pi * self.waist_um**2 * self.index / (self.quality * self.wavelength_nm * 1e-3)

    def radius_um(self, x: Floats) -> Floats:
        return np.asarray(
            self.waist_um * np.sqrt(1 + ((x - self.position_um) / self.rayleigh_um) ** 2)
        )


def sheet_for(rng: np.random.Generator, *, field_um: float, covered: float = 5.0) -> TrueSheet:
    """Return a sheet whose Rayleigh range the field covers so many times."""
    quality = rng.uniform(1.0, 1.4)
    rayleigh = field_um / covered
    waist = math.sqrt(rayleigh * quality * 0.488 / (math.pi * 1.337))
    return TrueSheet(
        waist, rng.uniform(-0.8, 0.8) * rayleigh, quality, rng.uniform(-1.5, 1.5),
        rng.uniform(-1.0, 1.0),
    )  # fmt: skip


def bead_stack(
    sheet: TrueSheet,
    rng: np.random.Generator,
    *,
    pixel_um: float,
    step_um: float,
    shape: tuple[int, int, int],
    beads: int = 60,
    diameter_um: float = 1.0,
    offset_um: float = 0.0,
    spread: float = 0.12,
) -> Image:
    """Return counts of a stack of beads in gel, carried through sheet and focus.

    ``offset_um``: how much farther from the lens the sheet is than the focus, in the middle.
    ``spread``: growth of a bead's blur per defocus.
    """
    planes, rows, columns = shape
    z = (np.arange(planes) - (planes - 1) / 2) * step_um
    light = np.full(shape, 40.0)
    haze = fall_off(rows, columns, rng) * 60
    light += haze[None]
    for _ in range(beads):
        bx, by = rng.uniform(0, columns), rng.uniform(0, rows)
        x, y = (bx - (columns - 1) / 2) * pixel_um, (by - (rows - 1) / 2) * pixel_um
        depth = rng.uniform(-0.3, 0.3) * z[-1]
        middle = depth - (
            offset_um
            + math.tan(math.radians(sheet.tilt_x_deg)) * x
            + math.tan(math.radians(sheet.tilt_y_deg)) * y
        )
        radius = float(sheet.radius_um(np.array([x]))[0])
        inner = np.linspace(-0.5, 0.5, 9) * diameter_um
        share = np.maximum(0.25 * diameter_um**2 - inner**2, 0)
        lit = (np.exp(-2 * ((z[:, None] + inner[None] - middle) / radius) ** 2) * share).sum(
            axis=1
        ) / share.sum()
        bright = 6e4 * rng.uniform(0.5, 1.5) * 6.0 / radius
        for index in np.flatnonzero(lit > 1e-5):
            blur = math.hypot(1.3, spread * abs(z[index] - depth) / pixel_um)
            reach = math.ceil(4.5 * blur)
            r0, r1 = max(0, int(by) - reach), min(rows, int(by) + reach + 1)
            c0, c1 = max(0, int(bx) - reach), min(columns, int(bx) + reach + 1)
            gy = np.exp(-0.5 * ((np.arange(r0, r1) - by) / blur) ** 2)
            gx = np.exp(-0.5 * ((np.arange(c0, c1) - bx) / blur) ** 2)
            light[index, r0:r1, c0:c1] += (
                bright * lit[index] / (2 * math.pi * blur**2) * np.outer(gy, gx)
            )
    light *= specks(rows, columns, rng, count=6)[None] * rng.normal(1, 0.01, planes)[:, None, None]
    return (rng.poisson(light) + rng.normal(0, 3, shape)).astype(np.float32)


def dye_photograph(
    sheet: TrueSheet,
    rng: np.random.Generator,
    *,
    pixel_um: float,
    shape: tuple[int, int],
    lens_fwhm_um: float,
    electrons: float = 9000.0,
    tails: float = 0.0,
) -> Image:
    """Return counts of a beam in dye seen from the side: lens blur, vignetting, dust, haze.

    ``tails``: share of a broad second Gaussian, as a slit's diffraction or scatter leaves.
    """
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(float)
    u, v = (x - (columns - 1) / 2) * pixel_um, (y - (rows - 1) / 2) * pixel_um
    c, s = math.cos(math.radians(sheet.tilt_x_deg)), math.sin(math.radians(sheet.tilt_x_deg))
    along, across = u * c + v * s, -u * s + v * c
    blur = lens_fwhm_um / math.sqrt(2 * math.log(2))
    radius = np.hypot(sheet.radius_um(along), blur)
    scene = np.exp(-2 * (across / radius) ** 2) * sheet.waist_um / radius
    scene += tails * np.exp(-2 * (across / (2.5 * radius)) ** 2) * sheet.waist_um / radius
    scene = (scene + 0.02 * fall_off(rows, columns, rng)) * fall_off(rows, columns, rng)
    scene *= specks(rows, columns, rng, count=14)
    return (rng.poisson(scene * electrons) + rng.normal(0, 3, shape)).astype(np.float32)
