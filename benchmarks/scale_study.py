"""How true the built volume's micrometres, hand, angles and origins are.

    python benchmarks/scale_study.py --seeds 3

Simulated sessions are written as camera files, built by the same job as `planewright build`, and
measured in the volume alone: bead centres are centroids of light (`kernels.beads`).
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.base.nouns import Flag, Scan
from planewright.jobs.build import build_pass
from planewright.kernels.beads import centre_of_light
from planewright.phantom.faults import Faults
from planewright.phantom.instrument import Instrument, monochrome_instrument, small_instrument
from planewright.phantom.parts import Scene
from planewright.phantom.scene import beads_scene, chiral_scene, small_urchin_scene
from planewright.phantom.shoot import session_text, simulate
from planewright.phantom.truth import Truth
from planewright.volume.store import Layout, describe, open_mask, open_volume

Floats = NDArray[np.float64]
_SPOILT = int(Flag.MISSING | Flag.OUTSIDE | Flag.DOUBTFUL | Flag.SATURATED)


def build_session(
    folder: Path,
    scene: Scene,
    instrument: Instrument,
    faults: Faults | None = None,
    *,
    seed: int,
    words: dict[str, str] | None = None,
    steady: bool = True,
    darks: int = 3,
    flats: int = 0,
    **shooting: Any,
) -> Truth:
    """Write a session's camera files and build its pass.

    Parameters
    ----------
    folder : Path
        The session.
    scene, instrument, faults, seed, darks, flats
        As for `planewright.phantom.shoot.simulate`.
    words : dict or None
        Values of ``session.toml`` to be changed: the line of each key is replaced, an empty
        value takes it out.
    steady : bool
        Whether the session asks for steadying.
    **shooting
        Further options of `simulate`.

    Returns
    -------
    Truth
        What is true of it.
    """
    truth = simulate(
        folder, scene, instrument, faults, seed=seed, darks=darks, flats=flats, **shooting
    )
    kind = shooting.get("file_kind", "dng")
    text = session_text(instrument, file_kind=kind, darks=darks > 0, flats=flats > 0)
    text += "" if steady else "steady = false\n"
    for key, value in (words or {}).items():
        text = with_word(text, key, value)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    build_pass(folder)
    return truth


def with_word(text: str, key: str, value: str) -> str:
    """Return a settings text with the line of one key changed, or taken out."""
    lines = text.splitlines()
    hits = [i for i, line in enumerate(lines) if line.split("=")[0].strip() == key]
    if len(hits) != 1:
        raise KeyError(key)
    lines[hits[0] : hits[0] + 1] = [f"{key} = {value}"] if value else []
    return "\n".join(lines) + "\n"


def volume_of(folder: Path) -> Path:
    """Return where a session's only pass is built."""
    return folder / "passes" / "a" / "volume.ome.zarr"


@dataclass(frozen=True)
class Beads:
    """Bead centres in a volume and where the beads truly are, (z, y, x) µm, shape (n, 3)."""

    measured: Floats
    true: Floats

    def __len__(self) -> int:
        """Return how many beads there are."""
        return len(self.measured)

    @property
    def error(self) -> Floats:
        """Measured less true place, µm."""
        return self.measured - self.true

    def offset(self) -> tuple[Floats, Floats]:
        """Return the mean error along (z, y, x) and its standard error, µm."""
        return self.error.mean(0), self.error.std(0, ddof=1) / np.sqrt(len(self))

    def scale(self, axis: int, least_um: float) -> tuple[float, float, int]:
        """Return the scale factor along an axis from distances between beads.

        The sum of measured distances over the sum of true ones, over all pairs that truly lie
        at least ``least_um`` apart along the axis. Its standard error is the jackknife's,
        leaving out one bead at a time: pairs share beads, so they are not independent.

        Returns
        -------
        factor, sigma : float
            Scale factor, 1 for a true scale, and its standard error.
        pairs : int
            How many pairs.
        """
        first, second = np.triu_indices(len(self), 1)
        apart = self.true[second, axis] - self.true[first, axis]
        far = np.abs(apart) >= least_um
        first, second, apart = first[far], second[far], apart[far]
        found = (self.measured[second, axis] - self.measured[first, axis]) * np.sign(apart)
        apart = np.abs(apart)
        if not len(apart):
            return float("nan"), float("nan"), 0
        left_out = []
        for bead in range(len(self)):
            keep = (first != bead) & (second != bead)
            left_out.append(found[keep].sum() / apart[keep].sum())
        n = len(self)
        sigma = np.sqrt((n - 1) / n * ((left_out - np.mean(left_out)) ** 2).sum())
        return float(found.sum() / apart.sum()), float(sigma), len(apart)

    def slopes_on_z(self) -> tuple[Floats, Floats]:
        """Return the change of the error along (y, x) with z, and its standard error."""
        z = self.true[:, 0] - self.true[:, 0].mean()
        slope = (z[:, None] * self.error[:, 1:]).sum(0) / (z**2).sum()
        left = self.error[:, 1:] - self.error[:, 1:].mean(0) - z[:, None] * slope
        sigma = np.sqrt((left**2).sum(0) / (len(z) - 2) / (z**2).sum())
        return slope, sigma


def measure_beads(
    path: Path,
    truth: Truth,
    *,
    level: int = 0,
    half_um: tuple[float, float, float] | None = None,
    shift_um: Sequence[float] = (0.0, 0.0, 0.0),
) -> Beads:
    """Measure bead centres in a level of a volume, started at the true places.

    Parameters
    ----------
    path : Path
        The store.
    truth : Truth
        Where the beads are.
    level : int
        Level of the pyramid.
    half_um : tuple of float or None
        Semi-axes of the centroid's window, µm; None takes one and a half full widths.
    shift_um : sequence of float
        Where to look besides the true place, µm.

    Returns
    -------
    Beads
        Those that the volume holds whole and without a flag.
    """
    here = describe(path).levels[level]
    voxel, origin = np.array(here.voxel_um), np.array(here.origin_um)
    light = np.asarray(open_volume(path, level))
    mask = np.asarray(open_mask(path, level))
    own = truth.apparatus
    if half_um is None:
        wide = 1.5 * own.lateral_fwhm_um
        half_um = (1.5 * float(own.axial_fwhm_um(own.waist_x_um)), wide, wide)
    half = np.maximum(np.array(half_um) / voxel, (2.0, 2.0, 2.0))
    found, known = [], []
    for true in truth.beads_zyx_um():
        start = (true + shift_um - origin) / voxel
        bead = centre_of_light(light, tuple(start), half_width=(half[0], half[1], half[2]))
        if not bead.ok:
            continue
        low = np.maximum(np.floor(np.array(bead.centre) - half), 0).astype(int)
        high = np.ceil(np.array(bead.centre) + half).astype(int) + 1
        window = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        if np.any(mask[window] & _SPOILT):
            continue
        found.append(np.array(bead.centre) * voxel + origin)
        known.append(true)
    return Beads(np.array(found).reshape(-1, 3), np.array(known).reshape(-1, 3))


def hand_in_volume(path: Path, lengths_um: Sequence[float]) -> tuple[int, float]:
    """Tell the hand of three square rods of known lengths from the volume alone.

    Rods of these lengths, joined at a corner, are laid into the volume in all 48 ways in which
    each can point along an axis, and wherever the corner fits best; half of the ways are
    right-handed. Nothing about the true place or direction is used but the angle that the
    volume's metadata tells.

    Parameters
    ----------
    path : Path
        The store.
    lengths_um : sequence of float
        Long, middle, short.

    Returns
    -------
    hand : int
        +1 right-handed in (x, y, z), −1 left-handed.
    margin : float
        Mean light along the best rods over that of the best ones of the other hand.
    """
    layout = describe(path)
    grid_um = 1.0
    cubes = _cubes(np.asarray(open_volume(path)), layout, grid_um)
    shape = [scipy.fft.next_fast_len(n + round(max(lengths_um) / grid_um)) for n in cubes.shape]
    spectrum = scipy.fft.rfftn(cubes, shape, workers=1)
    angle = np.radians(layout.facts.sheet_angle_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0]])
    turn = np.vstack([turn, [0, 0, 1]])  # from the light's axes to (x, y, z)
    best = {1: -np.inf, -1: -np.inf}
    for order in permutations(range(3)):
        for signs in product((1, -1), repeat=3):
            ways = np.zeros((3, 3))
            ways[range(3), order] = signs
            hand = round(float(np.linalg.det(ways)))
            rods = np.zeros(shape, np.float32)
            for way, length in zip(ways @ turn.T, lengths_um, strict=True):
                for t in np.arange(0.5, length, 0.5):
                    place = np.rint(t * way[::-1] / grid_um).astype(int)
                    rods[tuple(place % shape)] = 1
            score = scipy.fft.irfftn(
                spectrum * np.conj(scipy.fft.rfftn(rods, workers=1)), shape, workers=1
            )
            best[hand] = max(best[hand], float(score.max() / rods.sum()))
    hand = 1 if best[1] > best[-1] else -1
    return hand, best[hand] / best[-hand]


def _cubes(light: NDArray[np.float32], layout: Layout, grid_um: float) -> NDArray[np.float32]:
    """Return light on cubes, background off, linearly between voxels."""
    from scipy.ndimage import zoom

    light = np.maximum(light - np.median(light), 0)
    factors = [v / grid_um for v in layout.levels[0].voxel_um]
    return np.asarray(zoom(light, factors, order=1, grid_mode=True, mode="nearest"), np.float32)


def scale_instrument(**changes: Any) -> Instrument:
    """Return an instrument with 140 µm of field and 95 µm of depth that is quick to simulate."""
    parts = {"rows": 352, "columns": 352, "frames": 77, "pixel_um": 0.4, "waist_um": 2.4}
    return small_instrument(**{**parts, **changes})


def scale_scene(seed: int, beads: int = 90) -> Scene:
    """Return beads for it, spread over all of it."""
    return beads_scene(seed, beads=beads, box_um=(130.0, 130.0, 88.0))


def turned_instrument(angle_deg: float, **changes: Any) -> Instrument:
    """Return a small instrument whose camera is turned; not square, so that axes show."""
    parts = {"rows": 176, "columns": 208, "frames": 30, "pixel_um": 0.4, "margin_px": 24}
    return small_instrument(**{**parts, "sheet_angle_deg": angle_deg, **changes})


def small_beads(seed: int, beads: int = 16) -> Scene:
    """Return beads for a turned camera."""
    return beads_scene(seed, beads=beads, box_um=(58.0, 58.0, 24.0))


CHIRAL_UM = (24.0, 16.0, 11.0)
COMBINATIONS = tuple(product((Scan.AWAY, Scan.TOWARDS), (False, True)))
ANGLES = (0.0, 37.0, 90.0, 211.0)


def folders() -> Iterator[Path]:
    """Yield fresh folders that vanish."""
    number = 0
    with tempfile.TemporaryDirectory() as root:
        while True:
            number += 1
            yield Path(root) / f"session {number}"


def scale_table(seeds: int, fresh: Iterator[Path]) -> None:
    """Print the scale factor along each axis."""
    print("scale factor, measured over true (sum over pairs; ± jackknife)")
    print("seed  jitter steady beads   z                    y                    x")
    for seed in range(seeds):
        own = scale_instrument()
        least = (25 * float(own.axial_fwhm_um(0.0)), 100.0, 100.0)
        for jitter, steady in ((0.0, False), (0.0, True), (0.8, True)):
            folder = next(fresh)
            faults = Faults(jitter_rms_px=jitter)
            truth = build_session(folder, scale_scene(seed), own, faults, seed=seed, steady=steady)
            beads = measure_beads(volume_of(folder), truth)
            cells = []
            for axis in range(3):
                factor, sigma, pairs = beads.scale(axis, least[axis])
                cells.append(f"{factor:.5f} ± {sigma:.5f} ({pairs:3d})")
            told = "  ".join(cells)
            print(f"{seed:4d}  {jitter:4.1f}px {steady!s:6} {len(beads):5d}  {told}", flush=True)


def turned_table(fresh: Iterator[Path]) -> None:
    """Print where beads lie in volumes of turned cameras."""
    print("\nturned camera: beads against the truth, µm (mean error ± its own; rms)")
    print("angle mirrored scan            scene   steady left    z; y; x")
    for angle, mirrored, steady in (
        *product(ANGLES, (False,), (False, True)),
        (37.0, True, False),
        (211.0, True, False),
    ):
        scan = Scan.TOWARDS if mirrored else Scan.AWAY
        own = turned_instrument(angle, mirrored=mirrored, scan=scan)
        scene = small_beads(1, 20)
        if steady:  # steadying needs content in all planes
            own, scene = own.but(rows=272, columns=288, pixel_um=0.33), small_urchin_scene(1)
        folder = next(fresh)
        truth = build_session(folder, scene, own, seed=1, steady=steady)
        beads = measure_beads(volume_of(folder), truth)
        mean, sigma = beads.offset()
        rms = np.sqrt((beads.error**2).mean(0))
        left = describe(volume_of(folder)).facts.sheet_angle_deg
        told = "  ".join(
            f"{m:+.3f}±{s:.3f};{r:.3f}" for m, s, r in zip(mean, sigma, rms, strict=True)
        )
        case = f"{angle:5.0f} {mirrored!s:8} {scan!s:15} {scene.name:7} {steady!s:6} {left:5.1f}"
        print(f"{case} {len(beads):3d} beads  {told}", flush=True)


def hand_table(fresh: Iterator[Path]) -> None:
    """Print the chiral marker's hand."""
    print("\nchiral marker: true hand, hand in the volume, light along it over the other hand's")
    for scan, mirrored in COMBINATIONS:
        for hand in (1, -1):
            own = turned_instrument(37.0, scan=scan, mirrored=mirrored)
            folder = next(fresh)
            build_session(folder, chiral_scene(hand=hand), own, seed=3)
            found, margin = hand_in_volume(volume_of(folder), CHIRAL_UM)
            print(
                f"{scan!s:15} mirrored {mirrored!s:5}  {hand:+d} {found:+d}  {margin:.2f}",
                flush=True,
            )


def pyramid_instrument() -> Instrument:
    """Return a monochrome instrument large enough for three levels, of odd size."""
    return monochrome_instrument(rows=531, columns=521, frames=31, pixel_um=0.4, margin_px=16)


def pyramid_table(fresh: Iterator[Path]) -> None:
    """Print how far bead centres of coarser levels lie from those of level 0."""
    print("\npyramid: mean distance of bead centres from level 0's, voxels of level 0 (± its own)")
    folder = next(fresh)
    scene = beads_scene(5, beads=90, box_um=(196.0, 200.0, 26.0))
    truth = build_session(
        folder, scene, pyramid_instrument(), seed=5, steady=False, file_kind="tiff"
    )
    for level, mean, sigma, count in level_offsets(volume_of(folder), truth):
        told = "  ".join(
            f"{a} {m:+.4f}±{s:.4f}" for a, m, s in zip("zyx", mean, sigma, strict=True)
        )
        print(f"level {level}  {count} beads  {told}", flush=True)


def level_offsets(path: Path, truth: Truth) -> list[tuple[int, Floats, Floats, int]]:
    """Return, for each coarser level, how far bead centres lie from those of level 0.

    Returns
    -------
    list of (level, mean, sigma, beads)
        Mean distance along (z, y, x) and its standard error, voxels of level 0.
    """
    voxel = np.array(describe(path).levels[0].voxel_um)
    half = (4.5, 3.6, 3.6)
    fine = measure_beads(path, truth, half_um=half)
    out = []
    for level in range(1, len(describe(path).levels)):
        coarse = measure_beads(path, truth, level=level, half_um=half)
        pairs = [
            (a, b)
            for a, true in zip(coarse.measured, coarse.true, strict=True)
            for b, other in zip(fine.measured, fine.true, strict=True)
            if np.array_equal(true, other)
        ]
        off = np.array([(a - b) / voxel for a, b in pairs])
        out.append((level, off.mean(0), off.std(0, ddof=1) / np.sqrt(len(off)), len(off)))
    return out


def shear_table(fresh: Iterator[Path]) -> None:
    """Print what is left of a stage that travels askew."""
    print("\nshear: sideways travel of beads, µm per µm of z (put in; left by the build ± its own)")
    for angle, mirrored, scan in (
        (0.0, False, Scan.AWAY),
        (0.0, True, Scan.AWAY),
        (211.0, False, Scan.TOWARDS),
        (90.0, True, Scan.TOWARDS),
    ):
        shear = (0.25, -0.4)
        own = turned_instrument(angle, mirrored=mirrored, scan=scan, shear_px=shear, margin_px=36)
        folder = next(fresh)
        truth = build_session(folder, small_beads(4, 20), own, seed=4, steady=False)
        slope, sigma = measure_beads(
            volume_of(folder), truth, shift_um=shear_offset(own)
        ).slopes_on_z()
        put_in = own.pixel_um * np.hypot(*shear) / own.step_um
        told = "  ".join(f"{s:+.4f}±{e:.4f}" for s, e in zip(slope, sigma, strict=True))
        print(
            f"{angle:5.0f} mirrored {mirrored!s:5} {scan!s:15} {put_in:.4f}  y, x {told}",
            flush=True,
        )


def shear_offset(own: Instrument) -> Floats:
    """Return by how much all content stands aside, (z, y, x) µm: the middle plane stays.

    A sheared photograph at the middle of the scan is moved by half of the whole shear, and the
    build leaves that plane where it is.
    """
    down, right = (0.5 * (own.frames - 1) * s * own.pixel_um for s in own.shear_px)
    if own.mirrored:
        right = -right
    view = np.radians(own.view_angle_deg)
    turn = view - np.radians(own.view_angle_deg - 90 * np.ceil((own.view_angle_deg - 45) / 90))
    turned = right + 1j * down
    turned = turned * np.exp(-1j * turn)
    return np.array([0.0, turned.imag, turned.real])


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3, help="seeds of the scale factor")
    parser.add_argument("--only", default="", help="scale, turned, hand, pyramid or shear")
    asked = parser.parse_args()
    fresh = folders()
    tables: dict[str, Any] = {
        "scale": lambda: scale_table(asked.seeds, fresh),
        "turned": lambda: turned_table(fresh),
        "hand": lambda: hand_table(fresh),
        "pyramid": lambda: pyramid_table(fresh),
        "shear": lambda: shear_table(fresh),
    }
    for name, table in tables.items():
        if asked.only in ("", name):
            table()


if __name__ == "__main__":
    main()
