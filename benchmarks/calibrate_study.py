"""Simulated calibration photographs against the truth behind them.

    python benchmarks/calibrate_study.py --runs 200
    python benchmarks/calibrate_study.py --runs 200 --only rulings

Each row is one calibration, repeated with fresh noise, tilt, dirt and uneven light. The simulators
stand in this file and in calibrate_light.py, and share no code with what they test. Printed: how
far the worst and the typical run is off, the share of runs with the truth within two stated
standard uncertainties, and the median stated uncertainty over the scatter.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

Floats = NDArray[np.float64]
Row = tuple[str, list[float], list[float], float, str]  # name, errors, stated sigmas, limit, unit


def sensor(
    light: Floats, rng: np.random.Generator, *, electrons: float = 8000.0
) -> NDArray[np.float32]:
    """Return counts of a photograph whose brightest light is 1: shot, read noise, rounding."""
    signal = rng.poisson(np.clip(light, 0, None) * electrons) + rng.normal(0, 3.0, light.shape)
    return np.round(signal / 2.0).astype(np.float32)


def uneven(rows: int, columns: int, rng: np.random.Generator) -> Floats:
    """Return light that falls off by a third or so across the field."""
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    cx, cy = rng.uniform(-0.4, 0.4, 2)
    return np.asarray(np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) * rng.uniform(0.2, 0.5)))


def dirt(rows: int, columns: int, rng: np.random.Generator, *, specks: int) -> Floats:
    """Return what dark specks, and a fibre, leave of the light."""
    y, x = np.mgrid[:rows, :columns]
    left = np.ones((rows, columns))
    for _ in range(specks):
        cy, cx, size = rng.uniform(0, rows), rng.uniform(0, columns), rng.uniform(3, 14)
        inside = np.hypot(y - cy, (x - cx) * rng.uniform(0.6, 1.4)) / size
        left *= 1 - rng.uniform(0.4, 0.95) / (1 + np.exp(np.clip((inside - 1) * 8, -50, 50)))
    angle, offset = rng.uniform(0, np.pi), rng.uniform(-0.3, 0.3) * columns
    along = (x - columns / 2) * np.cos(angle) + (y - rows / 2) * np.sin(angle) - offset
    bow = 12 * np.sin(((x + y) / rng.uniform(60, 150)) + rng.uniform(0, 6))
    return np.asarray(left * (1 - 0.6 * np.exp(-0.5 * ((along + bow) / 2.5) ** 2)))


def ruled(
    rng: np.random.Generator,
    *,
    kind: str,
    rows: int = 420,
    columns: int = 560,
    period_px: float,
    angle_deg: float,
    distortion: float = 0.0,
    line_error: float = 0.0,
    aspect: float = 1.0,
    specks: int = 12,
) -> NDArray[np.float32]:
    """Return a photograph of a ruling.

    ``distortion``: relative outward shift of the corner. ``line_error``: scatter of the lines in
    periods. ``aspect``: period along y over that along x.
    """
    y, x = np.mgrid[:rows, :columns].astype(float)
    u, v = x - (columns - 1) / 2, y - (rows - 1) / 2
    corner2 = (rows**2 + columns**2) / 4
    r2 = (u**2 + v**2) / corner2
    for _ in range(3):  # the place without distortion of what is seen here
        flat = 1 / (1 + distortion * r2)
        r2 = (u**2 + v**2) * flat**2 / corner2
    flat = 1 / (1 + distortion * r2)
    u, v = u * flat / period_px, v * flat / period_px / aspect
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    light = np.ones((rows, columns))
    for number, place in enumerate((u * c + v * s, -u * s + v * c)):
        if number and kind == "lines":
            continue
        place = place + rng.uniform(0, 1)
        index = np.round(place).astype(int)
        shift = rng.normal(0, line_error, index.max() - index.min() + 1)
        from_line = place - index - shift[index - index.min()]
        width = rng.uniform(0.09, 0.14)
        edge = 0.7 / period_px
        dark = 0.5 * (np.tanh((from_line + width) / edge) - np.tanh((from_line - width) / edge))
        light *= 1 - 0.75 * dark
    scene = light * uneven(rows, columns, rng) * dirt(rows, columns, rng, specks=specks)
    return sensor(scene, rng)


def gauge_pairs(
    rng: np.random.Generator,
    *,
    slope: float,
    backlash_um: float,
    amplitude_um: float,
    turn_um: float,
    tolerance_um: float,
    span_um: float = 6000.0,
    step_um: float = 130.0,
    noise_um: float = 1.0,
    gauge_step_um: float = 1.0,
) -> tuple[Floats, Floats]:
    """Return commanded positions, there and back twice, and a dial gauge's readings.

    The nut lags behind by the play, whatever is left of it; the gauge errs within its limits.
    """
    there = np.arange(0.0, span_um + 1, step_um)
    commanded = np.concatenate([there, there[::-1][1:], there[1:] + 0.4 * step_um, there[::-1][1:]])
    nut, screw = 0.0, []
    phase = rng.uniform(0, 2 * np.pi)
    for place in commanded:
        driven = slope * place + amplitude_um * np.cos(2 * np.pi * place / turn_um + phase)
        nut = min(max(nut, driven - backlash_um), driven)  # pushed from one side or the other
        screw.append(nut)
    true = np.array(screw)
    at = (true - true.min()) / np.ptp(true)
    error = rng.uniform(-tolerance_um, tolerance_um) * (1 - at)
    error += rng.uniform(-tolerance_um, tolerance_um) * at
    reading = true + error + rng.normal(0, noise_um, true.size) + rng.uniform(-50, 50)
    return commanded, np.round(reading / gauge_step_um) * gauge_step_um


def slide_photographs(
    rng: np.random.Generator,
    *,
    tilt_deg: float,
    slope: float,
    flat_period_px: float,
    pixel_um: float,
    commanded_um: Floats,
    rows: int = 300,
    columns: int = 420,
    aperture: float = 0.12,
    lean_deg: float = 0.0,
    angle_deg: float = 0.0,
    drift_px: float = 0.0,
    lit: bool = False,
) -> list[NDArray[np.float32]]:
    """Return photographs of a tilted ruled slide that the stage carries through the focus.

    Each order of the lines is dimmed by the transfer function of a defocused lens, 2 J1(q)/q,
    at the height of the slide there. ``lean_deg``: between the lines and the axis of the tilt.
    ``angle_deg``: of the tilt in the photograph. ``drift_px``: how far the stage strays sideways.
    ``lit``: by a sheet at the focus, not by a lamp.
    """
    y, x = np.mgrid[:rows, :columns].astype(float)
    x, y = x - (columns - 1) / 2, y - (rows - 1) / 2
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    along, across = x * c + y * s, -x * s + y * c
    t, b = np.deg2rad(tilt_deg), np.deg2rad(lean_deg)
    light = uneven(rows, columns, rng)
    spots = dirt(rows, columns, rng, specks=10)
    middle, duty, start = float(np.mean(commanded_um)), rng.uniform(0.2, 0.3), rng.uniform(0, 1)
    photographs = []
    for index, place in enumerate(commanded_um):
        moved = drift_px * index / len(commanded_um)
        defocus = (along - moved) * pixel_um * np.tan(t) - slope * (place - middle)
        number = ((along - moved) / np.cos(t) * np.cos(b) + across * np.sin(b)) / flat_period_px
        scene = np.full((rows, columns), 1.0 - 0.75 * duty)
        for order in (1, 2, 3):
            q = 2 * np.pi * order / (flat_period_px * pixel_um) * np.abs(defocus) * aperture
            q = np.maximum(q / np.cos(t), 1e-6)
            size = -0.75 * 2 * np.sin(np.pi * order * duty) / (np.pi * order)
            fine = np.exp(-0.5 * (order * 2 * np.pi * 0.8 / flat_period_px) ** 2)
            scene += size * fine * 2 * j1(q) / q * np.cos(2 * np.pi * order * (number + start))
        if lit:
            scene = 0.02 + scene * np.exp(-2 * (defocus / 12.0) ** 2)
        flicker = rng.normal(1, 0.02)
        photographs.append(sensor(scene * light * spots * flicker, rng))
    return photographs


class Table:
    """Errors and stated uncertainties by name; a run without an answer counts as NaN."""

    def __init__(self) -> None:
        self.rows: dict[str, Row] = {}

    def add(
        self, name: str, estimate: object, truth: float, limit: float, unit: str, per: float = 1.0
    ) -> None:
        row = self.rows.setdefault(name, (name, [], [], limit, unit))
        value, sigma = estimate.value, estimate.sigma  # type: ignore[attr-defined]
        row[1].append(math.nan if value is None else (value - truth) / per)
        row[2].append(math.nan if value is None else sigma / per)


def pixel_rows(runs: int, *, seed: int = 0) -> list[Row]:
    from planewright.calibrate.pixel import pixel_size

    table, tolerance, pitch = Table(), 3e-4, 10.0
    rows, columns = 420, 560
    square = rows**2 + columns**2
    for run in range(seed, seed + runs):
        for kind in ("lines", "grid"):
            rng = np.random.default_rng([run, kind == "grid"])
            period, angle = rng.uniform(13, 25), rng.uniform(-6, 6)
            bent, aspect = rng.uniform(-0.008, 0.008), rng.uniform(0.98, 1.02)
            real = pitch * (1 + rng.uniform(-tolerance, tolerance))
            if kind == "lines":
                aspect = 1.0
            photograph = ruled(
                rng, kind=kind, period_px=period, angle_deg=angle, distortion=bent,
                line_error=0.01, aspect=aspect,
            )  # fmt: skip
            found = pixel_size(photograph, pitch_um=pitch, ruling_tolerance=tolerance)
            # The straight scale nearest to u (1 + k r²) over the field, u along one side.
            a, b = columns**2 / square, rows**2 / square
            x_um = real / period * (1 - bent * (0.6 * a + b / 3))
            y_um = real / (period * aspect) * (1 - bent * (0.6 * b + a / 3))
            name = f"pixel, {kind}"
            table.add(f"{name}: x", found.x, x_um, 0.2, "%", x_um / 100)
            if kind == "grid":
                table.add(f"{name}: y", found.y, y_um, 0.2, "%", y_um / 100)
            else:
                table.add(f"{name}: rotation", found.rotation, angle, 0.05, "deg")
            table.add(f"{name}: distortion", found.distortion, 100 * bent, 0.6, "%")
    return list(table.rows.values())


def pairs_rows(runs: int, *, seed: int = 0) -> list[Row]:
    from planewright.calibrate.travel import travel_from_pairs

    table, tolerance = Table(), 2.0
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        turn, slope = rng.uniform(480, 1020), rng.uniform(0.8, 1.2)
        play, size = rng.uniform(15, 150), rng.uniform(1.5, 6)
        commanded, gauge = gauge_pairs(
            rng, slope=slope, backlash_um=play, amplitude_um=size, turn_um=turn,
            tolerance_um=tolerance,
        )  # fmt: skip
        found = travel_from_pairs(
            commanded, gauge, gauge_tolerance_um=tolerance, gauge_step_um=1.0, turn_um=turn
        )
        table.add("travel, pairs: slope", found.slope, slope, 0.1, "%", slope / 100)
        table.add("travel, pairs: backlash", found.backlash, play, 1.0, "um")
        table.add("travel, pairs: screw error", found.periodic, size, 1.0, "um")
        found = travel_from_pairs(commanded, gauge, gauge_tolerance_um=tolerance, gauge_step_um=1.0)
        table.add("travel, pairs: period found", found.period, turn, 3.0, "%", turn / 100)
    return list(table.rows.values())


def slide_rows(runs: int, *, seed: int = 0, lit: bool = False) -> list[Row]:
    from planewright.base.units import Measured
    from planewright.calibrate.slide import Band, travel_from_slide

    table, tolerance, pixel = Table(), 5e-4, 0.6
    name = f"travel, slide under the {'sheet' if lit else 'lamp'}"
    for run in range(seed, seed + runs):
        rng = np.random.default_rng(run)
        tilt, slope = rng.uniform(38, 55), rng.uniform(0.8, 1.2)
        period = rng.uniform(13, 18)
        half = 420 * pixel * math.tan(math.radians(tilt)) / 2 / slope
        commanded = np.linspace(-1.1, 1.1, 66 if lit else 44) * half
        longer = 1 + rng.uniform(-tolerance, tolerance)
        photographs = slide_photographs(
            rng, tilt_deg=tilt, slope=slope, flat_period_px=period, pixel_um=pixel, rows=150,
            commanded_um=commanded, lean_deg=rng.uniform(-1.5, 1.5), lit=lit,
            angle_deg=rng.uniform(-4, 4), drift_px=rng.uniform(-1, 1),
        )  # fmt: skip
        sigma = 2e-4 * period
        found = travel_from_slide(
            photographs, commanded, pitch_um=period * pixel / longer, ruling_tolerance=tolerance,
            flat_period_px=Measured(period + rng.normal(0, sigma), sigma),
            band=Band.LIGHT if lit else Band.CONTRAST,
        )  # fmt: skip
        table.add(f"{name}: slope", found.slope, slope, 0.5, "%", slope / 100)
        table.add(f"{name}: angle", found.angle, tilt, 0.25, "deg")
    return list(table.rows.values())


def rows(runs: int) -> list[Row]:
    """Return the errors and stated uncertainties of every figure of this file's calibrations."""
    return [*pixel_rows(runs), *pairs_rows(runs), *slide_rows(runs), *slide_rows(runs, lit=True)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--only", choices=["rulings", "light"], help="one half of the table")
    asked = parser.parse_args()
    import calibrate_light

    if asked.only != "light":
        for row in rows(asked.runs):
            print(calibrate_light.told(row), flush=True)
    if asked.only != "rulings":
        for row in calibrate_light.rows(asked.runs):
            print(calibrate_light.told(row), flush=True)


if __name__ == "__main__":
    main()
