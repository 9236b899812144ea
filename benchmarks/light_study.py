"""How true the built volume's light is.

    python benchmarks/light_study.py --seeds 20

Simulated photographs are written as camera files, built by the same job as `planewright build`,
and the light in the volume is held against the electrons that were put in.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag, Role
from planewright.jobs.build import build_pass
from planewright.phantom.camera import Sensor, field_of_light
from planewright.phantom.camera_files import FileMeta, write_dng, write_tiff
from planewright.phantom.faults import Faults
from planewright.phantom.instrument import Instrument, monochrome_instrument, small_instrument
from planewright.phantom.parts import Scene
from planewright.phantom.render import FineStack, fine_stack
from planewright.phantom.scene import small_urchin_scene
from planewright.phantom.shoot import START, photographs, session_text
from planewright.phantom.truth import ShotTruth
from planewright.sessions.provenance import read_provenance
from planewright.volume.store import describe, open_mask, open_volume

Floats = NDArray[np.float64]
LEVELS = (0.01, 0.015, 0.022, 0.033, 0.05, 0.075, 0.11, 0.17, 0.25, 0.37, 0.55, 0.68, 0.8, 0.9)


@dataclass(frozen=True)
class Wedge:
    """Light of each step of a grey wedge: true electrons, light in the volume, its own error."""

    true_e: Floats
    light: Floats
    sigma: Floats
    unit: str

    def slope(self) -> float:
        """Return light per electron that fits best where each step's relative error counts."""
        ratio = self.light / self.true_e
        weight = (self.true_e / self.sigma) ** 2
        weight = np.minimum(weight, np.median(weight))  # so that no step has the say alone
        return float((ratio * weight).sum() / weight.sum())

    def off(self) -> Floats:
        """Return each step's departure from proportionality, relative to its own value."""
        return self.light / (self.slope() * self.true_e) - 1.0


def wedge_instrument(kind: str, **changes: Any) -> Instrument:
    """Return a camera for grey wedges."""
    parts: dict[str, Any] = {"rows": 292, "columns": 28 * len(LEVELS), "frames": 16}
    make = small_instrument if kind == "dng" else monochrome_instrument
    return make(**{**parts, "dust": 3, **changes})


def wedge_session(
    folder: Path,
    *,
    kind: str,
    compressed: bool = True,
    flats: int = 0,
    darks: int = 8,
    gain_e: float | None = None,
    seed: int = 0,
    bend: float = 0.0,
    steady: bool = False,
) -> Wedge:
    """Photograph a grey wedge again and again, build it, and read it off the volume.

    Parameters
    ----------
    folder : Path
        The session.
    kind : {"dng", "tiff"}
        File format.
    compressed : bool
        Whether a DNG is compressed.
    flats, darks : int
        How many of each; without flats the light on the sensor is even.
    gain_e : float or None
        Electrons per count for the bench file; None has none.
    seed : int
        Draws the noise.
    bend : float
        Share of its light that the fullest pixel loses: a sensor that is not linear. The
        measurement must see it.
    steady : bool
        Whether the session asks for steadying.

    Returns
    -------
    Wedge
        Steps of the wedge.
    """
    own = wedge_instrument(kind, **({} if flats else {"dust": 0, "vignette": 0.0}))
    sensor = Sensor.draw(own)
    field = field_of_light(own) if flats else np.float32(1)
    full_e = (own.white - max(own.black)) / own.gain_now
    true_e = full_e * np.array(LEVELS)
    width = own.columns // len(LEVELS)
    steps = np.repeat(true_e, width).astype(np.float32)[None, :] * np.ones((own.rows, 1), "f4")
    steps *= 1 - np.float32(bend) * steps / np.float32(full_e)
    rng = np.random.default_rng([seed, 51])
    number = 0
    for role, count in ((Role.SPECIMEN, own.frames), (Role.DARK, darks), (Role.FLAT, flats)):
        for _ in range(count):
            if role is Role.SPECIMEN:
                counts = sensor.expose(steps * field, rng, leak=False)
            elif role is Role.DARK:
                counts = sensor.dark(rng)
            else:
                counts = sensor.flat(rng, level_e=0.5 * full_e)
            place = "frames" if role is Role.SPECIMEN else str(role)
            path = folder / place / f"SEA_{number:04d}"
            meta = _meta(own, number)
            if kind == "dng":
                write_dng(path.with_suffix(".DNG"), counts, meta, compressed=compressed)
            else:
                write_tiff(path.with_suffix(".TIF"), counts, meta)
            number += 1
    text = session_text(
        own,
        file_kind=kind,
        darks=darks > 0,
        flats=flats > 0,
        bench="bench.toml" if gain_e else "",
    )
    text += "" if steady else "steady = false\n"
    if gain_e:
        bench = f'format = 1\n[camera]\npixel_pitch = "4 um"\ngain = {gain_e}\n'
        (folder / "bench.toml").write_text(bench, encoding="utf-8")
    (folder / "session.toml").write_text(text, encoding="utf-8")
    build_pass(folder)
    # With flats the volume holds light as if the whole field had its mean brightness.
    even = 1.0
    if flats:
        even = float(_greens(sensor.dust * field, own).mean())
    return _read_wedge(folder, true_e * even, own)


def _greens(values: NDArray[np.float32], own: Instrument) -> Floats:
    """Return values at the lattice that becomes the image."""
    if not own.mosaic:
        return np.asarray(values, np.float64)
    cells = values.reshape(own.rows // 2, 2, own.columns // 2, 2).astype(np.float64)
    at = [i for i, letter in enumerate(own.mosaic) if letter == "G"]
    return np.asarray(sum(cells[:, i // 2, :, i % 2] for i in at) / len(at))


def _meta(own: Instrument, number: int) -> FileMeta:
    return FileMeta(
        taken_at=START + timedelta(seconds=2 * number),
        subsecond=None,
        utc_offset_min=None,
        exposure_s=own.exposure_s,
        iso=own.iso,
        f_number=own.f_number,
        orientation=1,
        make=own.make,
        model=own.model,
        serial=own.serial,
        pattern=own.mosaic or "RGGB",
        black=own.black,
        white=own.white,
    )


def _read_wedge(folder: Path, true_e: Floats, own: Instrument) -> Wedge:
    light = np.asarray(open_volume(store_of(folder)))
    hot = (np.asarray(open_mask(store_of(folder))) & int(Flag.HOT)) != 0
    width = own.columns // len(LEVELS) // own.pitch
    edge = max(3, 6 // own.pitch)
    means, sigmas = [], []
    for k in range(len(true_e)):
        window = (slice(None), slice(4, -4), slice(k * width + edge, (k + 1) * width - edge))
        part = light[window][~hot[window]].astype(np.float64)
        means.append(part.mean())
        sigmas.append(part.std() / np.sqrt(part.size))
    return Wedge(true_e, np.array(means), np.array(sigmas), describe(store_of(folder)).number.unit)


def store_of(folder: Path) -> Path:
    """Return where a session's only pass is built."""
    return folder / "passes" / "a" / "volume.ome.zarr"


# Light of a specimen, plane by plane ---------------------------------------------------------


@dataclass(frozen=True)
class Planes:
    """Light of whole planes of a built volume against the light without noise.

    Parameters
    ----------
    ratio : ndarray of shape (z,)
        Light in the volume over that put in, of the plane's brighter half; NaN in a gap.
    missing : ndarray of bool of shape (z,)
        Whether every voxel of the plane is flagged as missing.
    flicker : ndarray of shape (z,)
        True power of the laser in that plane over its mean; NaN in a gap.
    even : dict
        What the build says about evening.
    """

    ratio: Floats
    missing: NDArray[np.bool_]
    flicker: Floats
    even: dict[str, Any]

    def spread(self) -> float:
        """Return the relative rms with which planes differ."""
        return float(np.nanstd(self.ratio) / np.nanmean(self.ratio))


def small_camera(**changes: Any) -> Instrument:
    """Return the instrument of the specimen sessions; no dust, so that planes compare simply."""
    parts: dict[str, Any] = {"dust": 0, "vignette": 0.0, "hot_fraction": 0.0, "frames": 36}
    return small_instrument(**{**parts, **changes})


def specimen_session(
    folder: Path,
    scene: Scene,
    own: Instrument,
    faults: Faults,
    *,
    seed: int,
    fine: FineStack,
    darks: int = 4,
    stated: float = 1.0,
    kind: str = "dng",
) -> Planes:
    """Photograph a specimen, build it, and compare its planes' light with what was put in.

    Parameters
    ----------
    folder : Path
        The session.
    scene, own, faults, seed
        What is photographed, by what, what goes wrong, and the noise.
    fine : FineStack
        The rendered stack.
    darks : int
        How many dark photographs.
    stated : float
        By how much the exposure time that the camera states after a change differs from the
        true one: cameras write 1/60 for 1/64.
    kind : {"dng", "tiff"}
        File format.

    Returns
    -------
    Planes
        Plane by plane.
    """
    shots: list[ShotTruth] = []
    usual = own.exposure_s[0] / own.exposure_s[1]
    for shot in photographs(scene, own, faults, seed=seed, darks=darks, flats=0, fine=fine):
        place = {Role.DARK: "dark"}.get(shot.role, "frames")
        exposure = shot.exposure_s
        if stated != 1.0 and abs(exposure[0] / exposure[1] / usual - 1) > 1e-6:
            exposure = (round(exposure[0] * stated * 1000), exposure[1] * 1000)
        meta = replace(_meta(own, 0), taken_at=shot.taken_at, exposure_s=exposure, iso=shot.iso)
        path = folder / place / shot.name
        if kind == "dng":
            write_dng(path.with_suffix(".DNG"), shot.counts, meta, compressed=True)
        else:
            write_tiff(path.with_suffix(".TIF"), shot.counts, meta)
        shots.append(shot.truth)
    text = session_text(own, file_kind=kind, darks=darks > 0, flats=False)
    (folder / "session.toml").write_text(text + "steady = false\n", encoding="utf-8")
    build_pass(folder)
    return _read_planes(folder, own, fine, shots)


def _read_planes(folder: Path, own: Instrument, fine: FineStack, shots: list[ShotTruth]) -> Planes:
    light = np.asarray(open_volume(store_of(folder)))
    mask = np.asarray(open_mask(store_of(folder)))
    clean = put_in(own, fine)
    ratio = np.array(
        [
            plane[(m == 0)].sum(dtype=np.float64) / true[(m == 0)].sum()
            if (m == 0).any()
            else np.nan
            for plane, true, m in zip(light, clean, mask, strict=True)
        ]
    )
    flicker = np.full(own.frames, np.nan)
    for shot in shots:
        if shot.plane is not None and "doubled" not in shot.faults:
            flicker[shot.plane] = shot.flicker
    steps = next(iter(read_provenance(folder)["products"].values()))["steps"]
    even = next(s["results"] for s in steps if s["step"] == "even")
    missing = ((mask & int(Flag.MISSING)) != 0).all(axis=(1, 2))
    return Planes(ratio, missing, flicker / np.nanmean(flicker), even)


def put_in(own: Instrument, fine: FineStack) -> Floats:
    """Return the light without noise, laser at its mean power, planes from the lens, counts."""
    sensor = Sensor.draw(own)
    leak = own.filter_leak_e * own.leak_colour[1]
    planes = []
    for k in range(own.frames):
        dye = fine.plane(k) * field_of_light(own) * own.peak_e
        planes.append(_greens(np.float32((dye * own.dye_colour[1] + leak) * sensor.dust), own))
    return np.array(planes) * own.gain_now


# Brightness of the gel, laser light through the filter (electrons), rows and columns.
GELS = {
    "gel": (0.05, 6.0, 448),
    "faint gel": (0.02, 2.0, 448),
    "gel, no room": (0.05, 6.0, 288),
    "no gel, no leak": (0.0, 0.0, 448),
}


def gel_scene(seed: int, gel: str, **changes: Any) -> tuple[Scene, Instrument]:
    """Return a small urchin in gel, and its instrument."""
    brightness, leak, side = GELS[gel]
    own = small_camera(**{"filter_leak_e": leak, "rows": side, "columns": side, **changes})
    return small_urchin_scene(seed, gel=brightness), own


def folders() -> Iterator[Path]:
    """Yield fresh folders that vanish."""
    number = 0
    with tempfile.TemporaryDirectory() as root:
        while True:
            number += 1
            yield Path(root) / f"session {number}"


def linear_table(fresh: Iterator[Path]) -> None:
    """Print departures from proportionality over the sensor's range."""
    print("linearity: light over proportional, % of the value (largest standard error)")
    print("  of full scale  " + " ".join(f"{100 * level:6.1f}" for level in LEVELS))
    cases: tuple[tuple[str, dict[str, Any]], ...] = (
        ("DNG lossless, darks", {"kind": "dng"}),
        ("DNG lossless, no darks", {"kind": "dng", "darks": 0}),
        ("DNG plain, darks", {"kind": "dng", "compressed": False}),
        ("DNG, darks and flats", {"kind": "dng", "flats": 16}),
        ("DNG, bench with gain", {"kind": "dng", "gain_e": 0.25}),
        ("DNG, steadied", {"kind": "dng", "steady": True}),
        ("TIFF 16 bit, darks", {"kind": "tiff"}),
        ("TIFF, darks and flats", {"kind": "tiff", "flats": 16}),
        ("(2 % bent sensor)", {"kind": "dng", "bend": 0.02}),
    )
    for name, options in cases:
        wedge = wedge_session(next(fresh), **options)
        told = " ".join(f"{100 * off:+6.2f}" for off in wedge.off())
        worst = 100 * float((wedge.sigma / wedge.light).max())
        slope = f"{wedge.slope():.4f} {wedge.unit}s per e"
        print(f"{name:23} {told}  (±{worst:.2f}) {slope}", flush=True)


def flicker_table(seeds: int, fresh: Iterator[Path], cache: Path | None, only: str) -> None:
    """Print how well flicker is taken out."""
    print("\nflicker of 2 % rms: rms left in the light of planes, %; what the build says")
    for gel in [only] if only else GELS:
        for seed in range(seeds):
            scene, own = gel_scene(seed % 3, gel)
            fine = fine_stack(scene, own, cache=cache)
            faults = Faults(flicker_rms=0.02)
            planes = specimen_session(next(fresh), scene, own, faults, seed=seed, fine=fine)
            before = 100 * float(np.std(planes.flicker))
            after = 100 * planes.spread()
            said = "evened" if planes.even["ok"] else planes.even["why"]
            print(f"{gel:16} seed {seed:2d}  {before:.2f} -> {after:.2f}  {said}", flush=True)


def change_table(fresh: Iterator[Path], cache: Path | None) -> None:
    """Print light before and after a change of exposure or ISO, and around other faults."""
    print("\nlight over that put in: before and after the change; spread of all planes, %")
    middle = 18
    cases: tuple[tuple[str, Faults, float], ...] = (
        ("nothing", Faults(), 1.0),
        ("exposure × 2", Faults(exposure_change=(middle, 2.0)), 1.0),
        ("exposure ÷ 2", Faults(exposure_change=(middle, 0.5)), 1.0),
        ("ISO × 2", Faults(iso_change=(middle, 3200)), 1.0),
        ("× 2, said to be × 2.13", Faults(exposure_change=(middle, 2.0)), 64 / 60),
        ("doubled frame", Faults(doubled=(middle,)), 1.0),
        ("missing frame", Faults(missed=(middle,)), 1.0),
    )
    for gel in ("gel", "no gel, no leak"):
        scene, own = gel_scene(2, gel)
        fine = fine_stack(scene, own, cache=cache)
        for name, faults, stated in cases:
            planes = specimen_session(
                next(fresh), scene, own, faults, seed=2, fine=fine, stated=stated
            )
            before, after = planes.ratio[:middle], planes.ratio[middle + 1 :]
            step = 100 * (np.nanmean(after) / np.nanmean(before) - 1)
            print(
                f"{gel:16} {name:24} {before.mean():.4f} {np.nanmean(after):.4f}  "
                f"step {step:+.2f} %, spread {100 * planes.spread():.2f} %, "
                f"missing z {np.flatnonzero(planes.missing).tolist()}",
                flush=True,
            )


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5, help="seeds of the flicker")
    parser.add_argument("--cache", type=Path, default=None, help="folder of noise-free stacks")
    parser.add_argument("--gel", default="", choices=["", *GELS], help="one kind of gel only")
    parser.add_argument("--only", default="", help="linear, flicker or change")
    asked = parser.parse_args()
    fresh = folders()
    tables: dict[str, Any] = {
        "linear": lambda: linear_table(fresh),
        "flicker": lambda: flicker_table(asked.seeds, fresh, asked.cache, asked.gel),
        "change": lambda: change_table(fresh, asked.cache),
    }
    if asked.only and asked.only not in tables:
        sys.exit(f"known tables: {', '.join(tables)}")
    for name, table in tables.items():
        if asked.only in ("", name):
            table()


if __name__ == "__main__":
    main()
