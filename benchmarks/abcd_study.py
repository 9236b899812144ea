"""Ray matrices against wave optics, over random trains.

    python benchmarks/abcd_study.py --trains 200 --seed 1

Both layouts (a cylinder into the cell, with and without a relay; a cylinder in the rear focal
plane of an objective), lenses at least 3 beam radii wide to each side, M² = 1, a wall and a liquid,
the NA in the liquid up to 0.2 and nowhere over 0.3. For each train: the sheet's thickness at the
waist, and one and two Rayleigh ranges to both sides of it, by ray matrices and by the angular
spectrum, whose last path is exact in angle; and the waist's place. First with lenses corrected for
the cell, where both must agree; then with the wall's and the liquid's own aberration, which ray
matrices do not know, and with the estimate of it that a sheet includes. `--slits` cuts the same
trains by a slit before the last lens and holds the thickness against the diffraction integral for
that truncation; with few Fresnel zones across the slit the brightest place moves to the lens.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from planewright.optics.elements import Aperture, Axis, Element, Gap, Lens, Train, Wall
from planewright.optics.gauss import FWHM_OF_RADIUS, end_beam, trace
from planewright.optics.layouts import focus_by_gap
from planewright.optics.media import water_index
from planewright.optics.sheet import sheet
from planewright.optics.truncate import slit_focus
from planewright.optics.wave import wave_sheet


def random_train(rng: np.random.Generator) -> Train:
    """Return a train that a bench could have; its thin axis is z."""
    nm = float(rng.uniform(405, 640))
    water = float(water_index(nm, temperature_degc=float(rng.uniform(5, 30))))
    f = float(rng.choice([10, 20, 25, 30, 40, 50, 75, 100]))
    na = float(np.exp(rng.uniform(np.log(0.008), np.log(0.2))))
    radius = na * f
    depth = float(rng.uniform(0.5, min(8.0, 0.5 * f)))
    wall = Wall(float(rng.uniform(0.2, 2.0)), 1.52, beyond_index=water)
    layout = int(rng.integers(3))
    start: tuple[Element, ...] = ()
    acts: str = "z"
    if layout == 1:
        f1, f2 = rng.choice([25, 40, 50, 65], 2, replace=False).tolist()
        radius *= f1 / f2
        off = float(rng.uniform(-3, 3))
        start = (Lens(f1), Gap(f1 + f2 + off), Lens(f2), Gap(float(rng.uniform(5, 80))))
    if layout == 2:
        fc = float(rng.choice([50, 75, 100]))
        acts = "both"
        start = (Lens(fc, acts_on="y"), Gap(fc + f))
    air = max(f - depth / water - wall.thickness_mm / 1.52, 0.5)
    train = Train(
        nm,
        1.0,
        radius,
        (*start, Lens(f, acts_on=acts), Gap(air), wall, Gap(depth)),  # type: ignore[arg-type]
        waist_ahead_z_mm=float(rng.uniform(-500, 500)),
    )
    train = focus_by_gap(train, len(start) + 1)
    return _wide_lenses(train)


def _wide_lenses(train: Train, radii: float = 3.0) -> Train:
    """Give every lens a clear width of a number of beam radii to each side."""
    beams = {s.step.element: s.beam for s in trace(train, "z") if s.step is not None}
    made = [
        replace(e, width_z_mm=2 * radii * beams[k].radius_um * 1e-3) if isinstance(e, Lens) else e
        for k, e in enumerate(train.elements)
    ]
    return replace(train, elements=tuple(made))


def usable(train: Train) -> bool:
    """Return whether a train is one that the claim is about."""
    beam = end_beam(train, "z")
    steepest = max(s.beam.numerical_aperture for s in trace(train, "z"))  # in a relay, say
    return (
        beam.numerical_aperture <= 0.2
        and steepest <= 0.3
        and abs(beam.to_waist_um) < 0.05 * beam.rayleigh_um
    )


def compare(train: Train, axis: Axis = "z", *, aberrations: bool = False) -> dict[str, float]:
    """Return how far ray matrices are from wave optics: relative widths, place in z_R."""
    beam = end_beam(train, axis)
    waved = wave_sheet(train, axis, aberrations=aberrations)
    away = np.array([-2.0, -1.0, 1.0, 2.0]) * beam.rayleigh_um
    thick = waved.thickness_um(waved.waist_at_um + away)
    bent = sheet(train)
    return {
        "na": beam.numerical_aperture,
        "waist": beam.fwhm_um / waved.fwhm_um - 1.0,
        "around": float(
            np.abs(
                FWHM_OF_RADIUS * beam.waist_um * np.hypot(1, away / beam.rayleigh_um) / thick - 1
            ).max()
        ),
        "place": (waved.waist_at_um - beam.to_waist_um) / beam.rayleigh_um,
        "waves": bent.aberration.waves,
        "estimate": bent.fwhm_um / waved.fwhm_um - 1.0,
        "estimate_place": (bent.waist_at_um - waved.waist_at_um) / beam.rayleigh_um,
    }


def cut(train: Train, truncation: float) -> tuple[Train, float]:
    """Return the train with a slit before its last lens, and the FWHM that CHECK tables give."""
    number = max(k for k, e in enumerate(train.elements) if isinstance(e, Lens))
    at = next(s for s in trace(train, "z") if s.step is not None and s.step.element == number)
    width = 2 * at.beam.radius_um * 1e-3 / truncation
    slit = Aperture(width_z_mm=width)
    parts = [replace(e, width_z_mm=None) if isinstance(e, Lens) else e for e in train.elements]
    made = replace(train, elements=(*parts[:number], slit, *parts[number:]))
    beam = end_beam(train, "z")
    # λ f / D with the NA that the beam's own radius stands for
    unit = train.wavelength_nm * 1e-3 / (2 * beam.numerical_aperture / truncation)
    return made, slit_focus(truncation).fwhm * unit


def fresnel_number(train: Train) -> float:
    """Return the Fresnel number of a train's slit, seen from the focus."""
    slit = next(e for e in train.elements if isinstance(e, Aperture))
    beam = end_beam(train, "z")
    at = next(
        s
        for s in trace(train, "z")
        if s.step is not None and train.elements[s.step.element] is slit
    )
    half = slit.clear_mm("z") / 2 / (at.beam.radius_um * 1e-3)  # in beam radii
    reach = half * beam.numerical_aperture
    return float(half * at.beam.radius_um * reach / (train.wavelength_nm * 1e-3))


def draw(count: int, seed: int) -> list[Train]:
    """Return random trains that the claim is about."""
    rng = np.random.default_rng(seed)
    out: list[Train] = []
    while len(out) < count:
        train = random_train(rng)
        if usable(train):
            out.append(train)
    return out


def tell(name: str, values: list[float]) -> None:
    """Print how a figure is spread."""
    size = np.abs(values)
    worst, most = np.median(size), size.max()
    print(f"{name:<34} median {worst:.2e}   95 % {np.quantile(size, 0.95):.2e}   worst {most:.2e}")


def main() -> None:
    """Print the study."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("--trains", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--slits", action="store_true")
    given = options.parse_args()
    trains = draw(given.trains, given.seed)
    began = time.perf_counter()
    if given.slits:
        for truncation in (0.6, 0.8, 1.0, 1.5, 2.0, 3.0):
            made = [cut(t, truncation) for t in trains]
            pairs = [(t, w) for t, w in made if fresnel_number(t) >= 15][:40]
            waved = [wave_sheet(t, "z", aberrations=False).fwhm_um for t, _ in pairs]
            ruled = [sheet(t, aberrated=False).fwhm_um for t, _ in pairs]
            print(f"T {truncation}, {len(pairs)} trains of 15 Fresnel zones or more")
            tell(
                "wave optics over the table",
                [v / w - 1 for v, (_, w) in zip(waved, pairs, strict=True)],
            )
            tell(
                "integral over the table",
                [v / w - 1 for v, (_, w) in zip(ruled, pairs, strict=True)],
            )
            tell(
                "integral over wave optics", [r / v - 1 for r, v in zip(ruled, waved, strict=True)]
            )
    else:
        for aberrations in (False, True):
            rows = [compare(t, aberrations=aberrations) for t in trains]
            print("with the cell's aberration" if aberrations else "lenses corrected for the cell")
            tell("thickness at the waist", [r["waist"] for r in rows])
            tell("thickness within 2 z_R", [r["around"] for r in rows])
            tell("waist's place, z_R", [r["place"] for r in rows])
            if aberrations:
                tell("aberration, waves", [r["waves"] for r in rows])
                tell("thickness by the estimate", [r["estimate"] for r in rows])
                tell("place by the estimate, z_R", [r["estimate_place"] for r in rows])
    print(f"{time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
