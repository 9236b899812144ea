"""How well a stack is steadied, against the shifts that were put in.

    python benchmarks/steadying_study.py --seeds 20

Simulated photographs are jittered by 2 px rms along each axis. A px is one of the green lattice,
two sensor pixels. Residuals are true shift plus the correction that was applied, along both axes
and over all seeds together. The part above the cut-off is what is left when the slow part, as
`planewright.volume.steady` defines it, is fitted and taken off; it is worked out here anew.

A plane counts where the result states an uncertainty by noise up to the figure asked for (0.10 px,
0.15 px): at both ends of a stack there are planes with hardly any specimen in them. All measured
planes are told beside it.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.phantom.camera import Sensor, black_at_sites, field_of_light
from planewright.phantom.instrument import Instrument, small_instrument
from planewright.phantom.render import fine_stack
from planewright.phantom.scene import (
    beads_scene,
    fibre_scene,
    small_urchin_scene,
    tissue_scene,
    urchin_scene,
    with_walls,
)
from planewright.volume.steady import (
    Steadying,
    SteadySettings,
    pairs_of_block,
    solve,
    spots_of_plane,
    view_of_plane,
    wall_view_of_plane,
)

Floats = NDArray[np.float64]
JITTER_PX = 2.0
CUTOFF = 40.0
WALL_REGION = (0, 64, 160, 224)  # lattice px of `walls`' instrument: rows, columns, clear of embryo


@dataclass(frozen=True)
class Stack:
    """Jittered green planes in electrons, their mask, and the shifts that were put in, px."""

    planes: list[NDArray[np.float32]]
    mask: NDArray[np.uint8]
    jitter: Floats
    slope: float
    floor: float
    pixel_um: float


def greens(sites: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return the mean of the two greens of each RGGB cell."""
    return np.asarray(0.5 * (sites[0::2, 1::2] + sites[1::2, 0::2]), dtype=np.float32)


def shoot(scene, instrument: Instrument, *, peak_e: float, seed: int, cache: Path | None) -> Stack:
    """Photograph a scene with jitter; its brightest detail gives ``peak_e`` electrons."""
    fine = fine_stack(scene, instrument, cache=cache)
    bright = float(np.percentile(np.asarray(fine.planes)[:, ::3, ::3], 99.97))
    own = instrument.but(peak_e=peak_e / bright)
    sensor = Sensor.draw(own)
    light = own.peak_e * field_of_light(own)
    # Margins of the rendered stack limit a shift to 12 px, six times the jitter.
    draw = np.random.default_rng([seed, 5]).normal(0.0, JITTER_PX, (own.frames, 2))
    limit = 0.5 * (own.margin_px - 9)
    jitter = np.clip(draw, -limit, limit)
    black, dust = greens(black_at_sites(own)), greens(sensor.dust)
    planes = []
    for k in range(own.frames):
        moved = fine.plane(own.plane_of(k), shift_px=tuple(2.0 * jitter[k])) * light
        counts = sensor.expose(moved, np.random.default_rng([seed, 7, k]))
        planes.append((greens(counts.astype(np.float32)) - black) / (own.gain_now * dust))
    hot = np.maximum(sensor.hot_e[0::2, 1::2], sensor.hot_e[1::2, 0::2]) > 0
    mask = np.where(hot, np.uint8(Flag.HOT), np.uint8(0))
    # The mean of two pixels has half the variance of one.
    return Stack(planes, mask, jitter, 0.5, 0.5 * own.read_noise_e**2, 2 * own.pixel_um)


def steady(stack: Stack, *, reference: str = "", region=None) -> tuple[Steadying, float]:
    """Steady a stack; return the result and the seconds of one core a plane."""
    settings = SteadySettings(
        cutoff_frames=CUTOFF,
        reference=reference,
        region=region,
        noise_slope=stack.slope,
        noise_floor=stack.floor,
    )
    n = len(stack.planes)
    begin = time.process_time()
    views = {
        k: view_of_plane(plane, stack.mask, settings=settings)
        for k, plane in enumerate(stack.planes)
    }
    walls = {
        k: wall
        for k, plane in enumerate(stack.planes)
        if (wall := wall_view_of_plane(plane, stack.mask, settings=settings)) is not None
    }
    spots = {
        k: spots_of_plane(plane, stack.mask, settings=settings)
        for k, plane in enumerate(stack.planes)
    }
    pairs = pairs_of_block(views, 0, n, settings=settings, walls=walls or None)
    found = solve(pairs, n, settings=settings, spots=spots)
    return found, (time.process_time() - begin) / n


def residual(stack: Stack, found: Steadying) -> Floats:
    """Return what is left of each plane's shift, (n, 2), px."""
    return stack.jitter + np.stack([found.shift_y, found.shift_x], axis=1)


def above_cutoff(values: Floats) -> Floats:
    """Take off the constant, the line and all cosines with a period above the cut-off."""
    n = len(values)
    t = (np.arange(n) + 0.5) / n
    slow = [np.ones(n), t] + [np.cos(np.pi * j * t) for j in range(1, math.ceil(2 * n / CUTOFF))]
    basis = np.stack(slow, axis=1)
    return values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0]


def fast_residual(stack: Stack, found: Steadying, most_px: float) -> Floats:
    """Return what is left above the cut-off in the planes that count.

    The slow part is taken off over all planes that were compared, as the result defines it.
    """
    all_compared = _longest_run(found.measured)
    use = counted(found, most_px)
    fast = above_cutoff(residual(stack, found)[all_compared])
    return fast[use.start - all_compared.start : use.stop - all_compared.start]


def counted(found: Steadying, most_px: float) -> slice:
    """Return the longest run of planes whose stated uncertainty is at most ``most_px``."""
    return _longest_run(np.maximum(found.sigma_y, found.sigma_x) <= most_px)


def _longest_run(good: NDArray[np.bool_]) -> slice:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    first, end = edges[0::2], edges[1::2]
    longest = int(np.argmax(end - first))
    return slice(int(first[longest]), int(end[longest]))


def kept_slant(stack: Stack, found: Steadying, walk_px: Floats, planes: slice) -> float:
    """Return how much of the slant that the photographs show is there after steadying.

    The content's place in plane k is ``walk_px * k`` plus the jitter; its slope along the
    direction of the walk is fitted before and after.
    """
    k = np.arange(len(stack.planes))[planes]
    along = walk_px / np.linalg.norm(walk_px)
    before = (k[:, None] * walk_px + stack.jitter[planes]) @ along
    after = (k[:, None] * walk_px + residual(stack, found)[planes]) @ along
    return float(np.polyfit(k, after, 1)[0] / np.polyfit(k, before, 1)[0])


def rms(parts: list[Floats]) -> float:
    """Return the root mean square of all values together."""
    return float(np.sqrt(np.mean(np.concatenate([p.ravel() for p in parts]) ** 2)))


def centred(values: Floats) -> Floats:
    """Take the mean off; where the whole stack stands is not asked."""
    return values - values.mean(axis=0)


def embryo(seeds: range, peak_e: float, most_px: float, cache: Path | None) -> None:
    """Print residuals of the urchin embryo without a reference."""
    fast, total, every, planes, seconds = [], [], [], 0, 0.0
    pixel_um = 0.0
    for seed in seeds:
        stack = shoot(urchin_scene(seed), Instrument(), peak_e=peak_e, seed=seed, cache=cache)
        found, spent = steady(stack)
        left, use = residual(stack, found), counted(found, most_px)
        fast.append(fast_residual(stack, found, most_px))
        total.append(centred(left[use]))
        every.append(above_cutoff(left[found.measured]))
        planes += len(left[use])
        seconds += spent / len(seeds)
        pixel_um = stack.pixel_um
    whole = len(seeds) * Instrument().frames
    print(
        f"embryo, {peak_e:.0f} e peak, no reference: above the cut-off {rms(fast):.3f} px rms "
        f"({1e3 * pixel_um * rms(fast):.0f} nm), worst seed {max(rms([f]) for f in fast):.3f}; "
        f"total {rms(total):.3f} px; {planes} of {whole} planes; all measured planes "
        f"{rms(every):.3f} px; {1e3 * seconds:.0f} ms a plane",
        flush=True,
    )


def walls(seeds: range, peak_e: float) -> None:
    """Print the total residual with two walls as what stands still."""
    total = []
    for seed in seeds:
        scene = with_walls(small_urchin_scene(seed), x_um=50.0, y_um=-50.0)
        instrument = small_instrument(margin_px=32, rows=448, columns=448)
        stack = shoot(scene, instrument, peak_e=peak_e, seed=seed, cache=None)
        found, _ = steady(stack, reference="wall", region=WALL_REGION)
        if found.why:
            print(f"  seed {seed}: {found.why}")
        total.append(centred(residual(stack, found)))
    print(
        f"small embryo, walls, {peak_e:.0f} e peak: total {rms(total):.3f} px rms, worst seed "
        f"{max(rms([t]) for t in total):.3f}",
        flush=True,
    )


def beads(seeds: range, peak_e: float) -> None:
    """Print the total residual with gel beads as what stands still."""
    total, lost, untied = [], 0, 0
    box = (84.0, 84.0, 44.0)
    for seed in seeds:
        scene = beads_scene(seed, beads=90, box_um=box)
        instrument = small_instrument(margin_px=32, frames=36)
        stack = shoot(scene, instrument, peak_e=peak_e, seed=seed, cache=None)
        found, _ = steady(stack, reference="gel beads")
        if found.reference != "gel beads":
            print(f"  seed {seed}: {found.why}")
        if "stretches" in found.why:
            untied += 1
            continue
        total.append(centred(residual(stack, found)[found.measured]))
        lost += int((~found.measured).sum())
    print(
        f"gel beads, {peak_e:.0f} e peak: total {rms(total):.3f} px rms, worst seed "
        f"{max(rms([t]) for t in total):.3f}; {lost} planes could not be compared; "
        f"{untied} stacks fall into untied stretches and are not counted",
        flush=True,
    )


def slants(seeds: range, peak_e: float) -> None:
    """Print how much of a fibre's and of a tissue's slant is kept."""
    instrument = small_instrument(margin_px=32)
    lattice_um = 2 * instrument.pixel_um
    kept: dict[str, list[float]] = {"fibre": [], "tissue": []}
    for seed in seeds:
        rod = fibre_scene(seed)
        start, end = np.array(rod.rods[0].start_um), np.array(rod.rods[0].end_um)
        per_um = (end - start)[:2] / (end - start)[2]
        walk = np.array([per_um[1], per_um[0]]) * instrument.step_um / lattice_um
        stack = shoot(rod, instrument, peak_e=peak_e, seed=seed, cache=None)
        kept["fibre"].append(kept_slant(stack, steady(stack)[0], walk, slice(3, 37)))
        tissue = tissue_scene(seed)
        walk = np.array([0.0, tissue.walk_um_per_um]) * instrument.step_um / lattice_um
        stack = shoot(tissue, instrument, peak_e=peak_e, seed=seed, cache=None)
        kept["tissue"].append(kept_slant(stack, steady(stack)[0], walk, slice(0, 40)))
    for name, values in kept.items():
        print(
            f"slanted {name}, {peak_e:.0f} e peak: {100 * min(values):.2f} to "
            f"{100 * max(values):.2f} % of its slant kept",
            flush=True,
        )


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3, help="how many seeds")
    parser.add_argument("--part", default="", help="embryo, walls, beads or slants; default all")
    asked = parser.parse_args()
    seeds = range(asked.seeds)
    if asked.part in ("", "slants"):
        slants(seeds, 100.0)
    if asked.part in ("", "walls"):
        walls(seeds, 100.0)
        walls(seeds, 20.0)
    if asked.part in ("", "beads"):
        beads(seeds, 400.0)
        beads(seeds, 100.0)
    if asked.part in ("", "embryo"):
        with tempfile.TemporaryDirectory() as folder:
            for peak_e, most_px in ((100.0, 0.10), (20.0, 0.15)):
                embryo(seeds, peak_e, most_px, Path(folder))


if __name__ == "__main__":
    sys.exit(main())
