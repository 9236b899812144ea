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


def defocused_otf(
    shape: tuple[int, int], *, pixel_um: float, aperture: float, index: float, away_um: float
) -> Floats:
    """Return the transfer function of a lens whose pupil carries the phase of defocus, 520 nm."""
    fy, fx = np.fft.fftfreq(shape[0], pixel_um), np.fft.fftfreq(shape[1], pixel_um)
    square = (fy[:, None] ** 2 + fx[None, :] ** 2) * 0.52**2
    inside = square <= aperture**2
    along = np.sqrt(np.maximum(index**2 - square, 0)) / 0.52
    pupil = inside * np.exp(2j * np.pi * away_um * (along - index / 0.52))
    spread = np.abs(np.fft.ifft2(pupil)) ** 2
    otf = np.fft.fft2(spread / spread.sum())
    return np.asarray(otf[:, : shape[1] // 2 + 1])


class Microscope:
    """A lens with its transfer functions at the distances of a grid of layers."""

    def __init__(
        self, shape: tuple[int, int], *, pixel_um: float, aperture: float, layer_um: float,
        index: float = 1.337,
    ) -> None:  # fmt: skip
        self.shape, self.pixel_um, self.layer_um = shape, pixel_um, layer_um
        self.depth_of_field_um = 0.52 * index / aperture**2
        self._kept: dict[int, Floats] = {}
        self._make = lambda k: defocused_otf(
            shape, pixel_um=pixel_um, aperture=aperture, index=index, away_um=k * layer_um
        )

    def otf(self, layers: int) -> Floats:
        layers = abs(layers)
        if layers not in self._kept:
            self._kept[layers] = self._make(layers)
        return self._kept[layers]


def specimen_photographs(
    lens: Microscope,
    sheet: TrueSheet,
    rng: np.random.Generator,
    *,
    steps: tuple[int, ...],
    moved: str,
    offset_um: float,
    density: float = 0.008,
    electrons: float = 1500.0,
) -> list[Image]:
    """Return photographs of points and threads in a lit slab; steps are whole layers.

    Content differs across the field, the light is uneven, dust lies on the sensor, the lamp
    fades a little from one photograph to the next.
    """
    rows, columns = lens.shape
    count = 19 + 2 * max(abs(step) for step in steps) * (moved == "sheet")
    layers = np.arange(count) - count // 2
    y, x = np.mgrid[:rows, :columns]
    u, v = (x - (columns - 1) / 2) * lens.pixel_um, (y - (rows - 1) / 2) * lens.pixel_um
    middle = offset_um + math.tan(math.radians(sheet.tilt_x_deg)) * u
    middle = middle + math.tan(math.radians(sheet.tilt_y_deg)) * v
    radius = sheet.radius_um(u)
    crowd = rng.uniform(0.3, 1.7, (5, 7))
    crowd = np.kron(crowd, np.ones((rows // 5 + 1, columns // 7 + 1)))[:rows, :columns]
    things = np.full((count, rows, columns), 0.15)
    for light in things:
        here = rng.random((rows, columns)) < density * crowd
        light += rng.exponential(60.0, (rows, columns)) * here
    t = np.arange(-50, 50)
    for _ in range(round(4e-5 * rows * columns * count)):  # threads, mostly across the layers
        a, cx, cy = rng.uniform(0, np.pi), rng.uniform(0, columns), rng.uniform(0, rows)
        py = np.round(cy + t * np.sin(a) + 4 * np.sin(t / 9)).astype(int)
        px = np.round(cx + t * np.cos(a)).astype(int)
        pz = np.round(rng.uniform(0, count) + rng.normal(0, 0.25) * t).astype(int)
        good = (py >= 0) & (py < rows) & (px >= 0) & (px < columns) & (pz >= 0) & (pz < count)
        things[pz[good], py[good], px[good]] += rng.uniform(2, 12)
    shade = fall_off(rows, columns, rng) * specks(rows, columns, rng, count=8)

    def lit(shift: float) -> list[NDArray[np.complex128]]:
        return [
            np.fft.rfft2(
                light * np.exp(-2 * ((k * lens.layer_um - middle - shift) / radius) ** 2) / radius
            )
            for k, light in zip(layers, things, strict=True)
        ]

    still = lit(0.0) if moved == "focus" else []
    images = []
    for step in steps:
        parts = still if moved == "focus" else lit(step * lens.layer_um)
        focus = step if moved == "focus" else 0
        total = sum(part * lens.otf(int(k) - focus) for k, part in zip(layers, parts, strict=True))
        images.append(np.fft.irfft2(total, s=lens.shape) * shade * rng.normal(1, 0.03))
    scale = electrons / float(np.quantile(images[len(images) // 2], 0.98))
    return [
        (rng.poisson(np.maximum(image, 0) * scale) + rng.normal(0, 2.5, lens.shape)).astype(
            np.float32
        )
        for image in images
    ]


Row = tuple[str, list[float], list[float], float, str]  # name, errors, sigmas, limit, unit
DYE_LENS = (1.6, 0.03)  # FWHM of the lens's blur and its standard uncertainty, µm


class _Table:
    """Errors and stated uncertainties by name."""

    def __init__(self) -> None:
        self.rows: dict[str, Row] = {}

    def add(self, name: str, estimate: object, truth: float, limit: float, unit: str,
            per: float = 1.0) -> None:  # fmt: skip
        row = self.rows.setdefault(name, (name, [], [], limit, unit))
        value, sigma = estimate.value, estimate.sigma  # type: ignore[attr-defined]
        if value is None:
            row[1].append(math.nan)  # a run without an answer counts as one that missed
            row[2].append(math.nan)
            return
        row[1].append((value - truth) / per)
        row[2].append(sigma / per)


def camera_rows(runs: int, *, seed: int = 0) -> list[Row]:
    from planewright.calibrate.camera import camera_noise

    table = _Table()
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        camera = TrueCamera(rng.uniform(1, 4), rng.uniform(2, 6))
        darks, flats, _ = camera_pairs(camera, rng)
        found = camera_noise(darks, flats, white=camera.white if run % 2 else math.inf)
        capacity = (camera.white - camera.black) * camera.electrons_per_count
        gain, read = camera.electrons_per_count, camera.read_noise_e
        table.add("camera gain", found.gain, gain, 2.0, "%", gain / 100)
        table.add("camera read noise", found.read_noise, read, 5.0, "%", read / 100)
        table.add("camera full well", found.full_well, capacity, 2.0, "%", capacity / 100)
    return list(table.rows.values())


def _caustic(table: _Table, name: str, caustic: object, sheet: TrueSheet) -> None:
    reach = sheet.rayleigh_um
    table.add(f"{name} waist place", caustic.position, sheet.position_um, 5.0, "% z_R", reach / 100)  # type: ignore[attr-defined]
    table.add(f"{name} width", caustic.waist_radius, sheet.waist_um, 3.0, "%", sheet.waist_um / 100)  # type: ignore[attr-defined]
    table.add(f"{name} Rayleigh range", caustic.rayleigh, reach, 6.0, "%", reach / 100)  # type: ignore[attr-defined]


def beads_rows(runs: int, *, seed: int = 0) -> list[Row]:
    from planewright.calibrate.sheet import sheet_from_beads

    table, pixel = _Table(), 1.6
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        sheet, offset = sheet_for(rng, field_um=360 * pixel), rng.uniform(-2, 2)
        step, scale = 2.0 * rng.normal(1, 1e-3), pixel * rng.normal(1, 1e-3)
        stack = bead_stack(
            sheet, rng, pixel_um=scale, step_um=step, shape=(44, 200, 360), offset_um=offset,
            spread=0.14,
        )  # fmt: skip
        found = sheet_from_beads(
            stack, step_um=2.0, step_sigma_um=0.002, pixel_um=pixel, pixel_sigma_um=0.0016,
            bead_diameter_um=1.0, aperture_um=12.0, wavelength_nm=488.0, index=1.337,
        )  # fmt: skip
        _caustic(table, "beads", found.caustic, sheet)
        table.add("beads offset", found.offset, offset, 0.6, "um")
        table.add("beads tilt x", found.tilt_x, sheet.tilt_x_deg, 0.5, "deg")
        table.add("beads tilt y", found.tilt_y, sheet.tilt_y_deg, 0.5, "deg")
    return list(table.rows.values())


def dye_rows(runs: int, *, seed: int = 0) -> list[Row]:
    from planewright.calibrate.dye import sheet_from_dye

    table, pixel = _Table(), 0.8
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        sheet = sheet_for(rng, field_um=400 * pixel)
        image = dye_photograph(
            sheet, rng, pixel_um=pixel * rng.normal(1, 1e-3), shape=(240, 400),
            lens_fwhm_um=rng.normal(*DYE_LENS),
        )  # fmt: skip
        found = sheet_from_dye(
            image, pixel_um=pixel, pixel_sigma_um=pixel * 1e-3, lens_fwhm_um=DYE_LENS[0],
            lens_fwhm_sigma_um=DYE_LENS[1], wavelength_nm=488.0, index=1.337,
        )  # fmt: skip
        for name, shape in (("dye, Gaussian:", found.gaussian), ("dye, moments:", found.moments)):
            _caustic(table, name, shape.caustic, sheet)
            table.add(f"{name} tilt", shape.tilt_x, sheet.tilt_x_deg, 0.05, "deg")
    return list(table.rows.values())


def sharp_rows(
    runs: int,
    *,
    seed: int = 0,
    moved: str = "focus",
    steps: tuple[int, ...] = (-4, -2, 0, 2, 4),
    shape: tuple[int, int] = (512, 704),
) -> list[Row]:
    from planewright.calibrate.sharp_map import sheet_alignment

    table, pixel = _Table(), 0.65
    lens = Microscope(shape, pixel_um=pixel, aperture=0.3, layer_um=2.0)
    quarter = lens.depth_of_field_um / 4
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        sheet = sheet_for(rng, field_um=shape[1] * pixel, covered=3.6)
        offset = rng.uniform(-2, 2)
        images = specimen_photographs(lens, sheet, rng, steps=steps, moved=moved, offset_um=offset)
        found = sheet_alignment(
            images, steps_um=[2.0 * step for step in steps], moved=moved, pixel_um=pixel,  # type: ignore[arg-type]
            depth_of_field_um=lens.depth_of_field_um,
        )  # fmt: skip
        name = f"sharpness map, {moved} moved:"
        table.add(f"{name} offset", found.offset, offset, quarter, "um")
        table.add(f"{name} tilt x", found.tilt_x, sheet.tilt_x_deg, 0.1, "deg")
        table.add(f"{name} tilt y", found.tilt_y, sheet.tilt_y_deg, 0.1, "deg")
        table.add(f"{name} waist", found.waist, sheet.position_um, 0.3, "z_R", sheet.rayleigh_um)
    return list(table.rows.values())


def rows(runs: int) -> list[Row]:
    """Return the errors and stated uncertainties of every figure of this file's calibrations."""
    return [*camera_rows(runs), *beads_rows(runs), *dye_rows(runs), *sharp_rows(runs)]


def told(row: Row) -> str:
    """Return a row of the table: worst, typical, share within two sigma, stated over scatter."""
    name, errors, sigmas, limit, unit = row
    error, sigma = np.array(errors), np.array(sigmas)
    good = np.isfinite(error)
    scatter = float(np.sqrt(np.mean(error[good] ** 2)))
    inside = float(np.mean(np.abs(error[good]) <= 2 * sigma[good]))
    ratio = float(np.median(sigma[good])) / scatter
    return (
        f"{name:38s} {good.sum():4d}/{good.size} worst {np.abs(error[good]).max():8.4f} "
        f"rms {scatter:8.4f} limit {limit:g} {unit}, within 2 sigma {100 * inside:5.1f} %, "
        f"stated/actual {ratio:.2f}"
    )


if __name__ == "__main__":
    import argparse

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    for line in rows(parser.parse_args().runs):
        print(told(line), flush=True)
