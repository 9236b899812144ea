"""Between the passes: how far each plane is to be moved, and what is to divide its light."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.files import read_text, write_text
from planewright.base.nouns import Flag
from planewright.jobs.check import Judged, recipe_bytes
from planewright.jobs.crew import Crew
from planewright.jobs.planes import Recipe, Scratch
from planewright.kernels.spots import Spot
from planewright.sessions.folder import Session
from planewright.sessions.model import Pass
from planewright.sessions.provenance import step
from planewright.volume.even import Evening, EvenSettings, TileLight, solve_flicker, tile_light
from planewright.volume.repeats import REPEATS, Repeat, measure_repeat, with_repeats
from planewright.volume.steady import (
    Pair,
    Steadying,
    SteadySettings,
    needed_views,
    pairs_of_block,
    solve,
    spots_of_plane,
    view_of_plane,
    wall_view_of_plane,
)

VERSION = 1
BLOCK = 16  # planes measured at once; what comes out does not depend on it
_SANE = (0.4, 2.5)  # a factor beyond this is another light, not flicker

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Moves:
    """What is to be done to each planned position.

    Parameters
    ----------
    shift_y, shift_x : ndarray of shape (n,)
        How far the plane's content moves, lattice pixels in the photograph's axes.
    factor : ndarray of shape (n,)
        What divides its light.
    exposure : ndarray of shape (n,)
        The part of ``factor`` that is the camera's setting, relative to most frames.
    steadying : Steadying or None
        None where the session asks for none.
    evening : Evening
        What was found out about flicker.
    pixel_um : float
        One lattice pixel in the specimen.
    repeats : tuple of Repeat
        How far frames stand from their repeats, where there are any.
    """

    shift_y: Floats
    shift_x: Floats
    factor: Floats
    exposure: Floats
    steadying: Steadying | None
    evening: Evening
    pixel_um: float
    repeats: tuple[Repeat, ...] = ()

    @property
    def resampled(self) -> bool:
        """Whether any plane is moved at all."""
        return bool(np.any(self.shift_y) or np.any(self.shift_x))

    def range_of_light(self, judged: Judged, recipe: Recipe) -> tuple[float, float]:
        """Return least and most light of the planes after flat and evening, counts."""
        dimmest = 1.0 if recipe.flat is None else min(1.0, float(recipe.flat.min()))
        low, high = 0.0, 0.0
        for place in judged.verdict.placements:
            if place.frame is not None:
                figures = judged.figures[place.frame]
                share = dimmest * float(self.factor[place.position])
                low = min(low, figures.lowest / share)
                high = max(high, figures.highest / share)
        return low, high

    def figures(self) -> list[str]:
        """Return lines for a person."""
        lines = []
        if self.steadying is None:
            lines.append("steadying     none, as the session asks")
        else:
            told = self.steadying
            um = told.jitter_px * self.pixel_um
            lines.append(
                f"steadying     {told.jitter_px:.2f} pixels rms ({um:.3f} µm) of jitter taken out, "
                f"periods up to {told.cutoff_frames:g} frames"
                + (f"; slow part held by {told.reference}" if told.reference else "")
            )
            lines += [f"              {text}" for text in (told.undetermined, told.why) if text]
        if self.evening.ok:
            spread = 100 * float(np.std(self.factor / self.exposure))
            sigma = 100 * float(np.median(self.evening.sigma[np.isfinite(self.evening.sigma)]))
            lines.append(
                f"light         evened: {spread:.2f} % rms flicker, known to {sigma:.2f} %"
            )
        else:
            lines.append(f"light         not evened: {self.evening.why}")
        if np.ptp(self.exposure) > 0:
            lines.append(
                "              frames of other exposure or ISO were brought to one by what the "
                "camera states"
            )
        return lines

    def steps(self) -> list[Mapping[str, Any]]:
        """Return what the provenance tells."""
        return [
            step(
                "steady",
                number=VERSION,
                options={"asked": self.steadying is not None},
                results={
                    "shift_y_px": self.shift_y.tolist(),
                    "shift_x_px": self.shift_x.tolist(),
                    **(self.steadying.to_dict() if self.steadying else {}),
                },
            ),
            step(
                "even",
                number=VERSION,
                options={},
                results={
                    "factor": self.factor.tolist(),
                    "exposure": self.exposure.tolist(),
                    **self.evening.to_dict(),
                },
            ),
        ]


@dataclass(frozen=True)
class _Block:
    """Planes that are measured together."""

    first: int
    last: int
    scratch: tuple[Scratch | None, ...]
    recipe: Recipe
    steady: SteadySettings | None
    even: EvenSettings
    folder: Path

    def measure(self) -> dict[str, Any]:
        """Measure, or read what an earlier run measured."""
        proof = self.folder / f"planes-{self.first:05d}.json"
        if proof.exists():
            told: dict[str, Any] = json.loads(read_text(proof))
            return told
        n = len(self.scratch)
        mine = range(self.first, self.last)
        wanted = (
            needed_views(self.first, self.last, n, settings=self.steady)
            if self.steady is not None
            else list(mine)
        )
        hot = hot_mask(self.recipe)
        views, walls, spots, tiles = {}, {}, {}, {}
        for k in wanted:
            place = self.scratch[k]
            if place is None:
                continue
            light = self.recipe.number.decode(place.stored())
            mask = np.asarray(place.mask(hot))
            if k in mine:
                tiles[k] = tile_light(light, mask, settings=self.even).to_dict()
            if self.steady is None:
                continue
            views[k] = view_of_plane(light, mask, settings=self.steady)
            wall = wall_view_of_plane(light, mask, settings=self.steady)
            if wall is not None:
                walls[k] = wall
            if k in mine:
                spots[k] = [vars(s) for s in spots_of_plane(light, mask, settings=self.steady)]
        pairs = []
        if self.steady is not None:
            found = pairs_of_block(
                views, self.first, self.last, settings=self.steady, walls=walls or None
            )
            pairs = [pair.to_dict() for pair in found]
        write_text(proof, json.dumps({"tiles": tiles, "spots": spots, "pairs": pairs}))
        # read back, so that a run that goes on has the very same numbers
        again: dict[str, Any] = json.loads(read_text(proof))
        return again


def _measure(block: _Block) -> dict[str, Any]:
    return block.measure()


@dataclass(frozen=True)
class _Again:
    """A repeat that is measured against its frame."""

    index: int
    position: int
    frame: Scratch
    repeat: Scratch
    recipe: Recipe
    steady: SteadySettings
    folder: Path

    def measure(self) -> dict[str, Any]:
        """Measure, or read what an earlier run measured."""
        proof = self.folder / f"repeat-{self.index:05d}.json"
        if not proof.exists():
            hot = hot_mask(self.recipe)
            frame, repeat = (
                view_of_plane(
                    self.recipe.number.decode(place.stored()),
                    np.asarray(place.mask(hot)),
                    settings=self.steady,
                )
                for place in (self.frame, self.repeat)
            )
            found = measure_repeat(frame, repeat, self.position, reach_px=self.steady.reach_px)
            write_text(proof, json.dumps(found.to_dict()))
        told: dict[str, Any] = json.loads(read_text(proof))
        return told


def _measure_again(task: _Again) -> dict[str, Any]:
    return task.measure()


def _find_repeats(
    repeats: Sequence[tuple[int, Scratch | None]],
    scratch: Sequence[Scratch | None],
    recipe: Recipe,
    settings: SteadySettings,
    *,
    folder: Path,
    crew: Crew,
) -> tuple[Repeat, ...]:
    """Measure each repeat against the frame that stands at its position."""
    out: dict[int, Repeat] = {}
    tasks = []
    for index, (position, place) in enumerate(repeats):
        frame = scratch[position] if position < len(scratch) else None
        if place is None:
            out[index] = Repeat.unusable(position, "the repeat cannot be read")
        elif frame is None:
            out[index] = Repeat.unusable(position, "the stack has no frame there")
        else:
            tasks.append(_Again(index, position, frame, place, recipe, settings, folder))
    crew.progress.stage("compare repeats", len(tasks), "repeats")
    pixels = recipe.shape[0] * recipe.shape[1]
    results = crew.run(
        _measure_again, tasks, block_bytes=pixels * 48, fixed_bytes=recipe_bytes(recipe)
    )
    for task, told in zip(tasks, results, strict=True):
        out[task.index] = Repeat.from_dict(told)
    return tuple(out[index] for index in sorted(out))


def hot_mask(recipe: Recipe) -> NDArray[np.uint8]:
    """Return the mask of a plane on which nothing but the hot map is flagged."""
    mask = np.zeros(recipe.shape, np.uint8)
    if recipe.hot is not None:
        mask[recipe.hot] = Flag.HOT
    return mask


def find_moves(
    session: Session,
    one: Pass,
    judged: Judged,
    recipe: Recipe,
    scratch: Sequence[Scratch | None],
    *,
    repeats: Sequence[tuple[int, Scratch | None]] = (),
    folder: Path,
    crew: Crew,
) -> Moves:
    """Measure neighbouring planes against each other, and the light of what should be even.

    Parameters
    ----------
    session, one, judged, recipe
        The pass.
    scratch : sequence of Scratch or None
        The plane of each position, None for a gap.
    repeats : sequence of (int, Scratch or None)
        Position and plane of each repeat, None where it cannot be read.
    folder : Path
        Where finished measurements are kept.
    crew : Crew
        Who works.

    Returns
    -------
    Moves
        Shift and factor of each position.
    """
    n = len(scratch)
    scale = session.true_scale(one)
    pixel_um = scale.pixel_um.value * recipe.lattice.pitch
    slope, floor = _noise(judged)
    steady = None
    if one.steady and n > 2:
        steady = SteadySettings(
            reference="" if one.reference == REPEATS else one.reference,
            region=_region(one, recipe.lattice.pitch),
            noise_slope=slope,
            noise_floor=floor,
        )
    even = EvenSettings(noise_slope=slope or 0.0, noise_floor=floor)
    blocks = [
        _Block(k, min(n, k + BLOCK), tuple(scratch), recipe, steady, even, folder)
        for k in range(0, n, BLOCK)
    ]
    pixels = recipe.shape[0] * recipe.shape[1]
    crew.progress.stage("compare neighbours", len(blocks), "blocks")
    results = list(
        crew.run(
            _measure,
            blocks,
            block_bytes=pixels * 24 + (BLOCK + 4) * min(8_000_000, 12 * pixels),
            fixed_bytes=recipe_bytes(recipe),
        )
    )
    tiles = {int(k): TileLight.from_dict(v) for told in results for k, v in told["tiles"].items()}
    exposure = _exposure(judged, n)
    evening = _even(tiles, exposure, n, even, recipe, judged)
    factor = exposure.copy()
    if evening.ok:
        sane = (evening.factors > _SANE[0]) & (evening.factors < _SANE[1])
        factor *= np.where(sane, evening.factors, 1.0)
    steadying: Steadying | None = None
    measured: tuple[Repeat, ...] = ()
    if steady is not None:
        pairs = [Pair.from_dict(p) for told in results for p in told["pairs"]]
        spots = {
            int(k): tuple(Spot(**s) for s in v)
            for told in results
            for k, v in told["spots"].items()
        }
        steadying = solve(pairs, n, settings=steady, spots=spots)
        if one.reference == REPEATS:
            measured = _find_repeats(repeats, scratch, recipe, steady, folder=folder, crew=crew)
            steadying = with_repeats(steadying, measured)
    shift_y, shift_x = _shear(session, pixel_um, n)
    if steadying is not None:
        shift_y = shift_y + steadying.shift_y
        shift_x = shift_x + steadying.shift_x
    return Moves(shift_y, shift_x, factor, exposure, steadying, evening, pixel_um, measured)


def _noise(judged: Judged) -> tuple[float | None, float]:
    """Return variance per light and variance without light, from all frames' figures."""
    figures = list(judged.figures.values())
    slope = float(np.median([f.noise_slope for f in figures]))
    floor = float(np.median([f.noise**2 - slope * max(f.background, 0.0) for f in figures]))
    return (slope if slope > 0 else None), max(floor, 0.0)


def _region(one: Pass, pitch: int) -> tuple[int, int, int, int] | None:
    if one.wall is None:
        return None
    y0, y1, x0, x1 = one.wall
    return y0 // pitch, -(-y1 // pitch), x0 // pitch, -(-x1 // pitch)


def _shear(session: Session, pixel_um: float, n: int) -> tuple[Floats, Floats]:
    """Return the shifts that undo the calibrated shear; the middle plane stays."""
    place = np.arange(n) - (n - 1) / 2
    scale = session.settings.scale
    per_y, per_x = -scale.shear_y_um.value / pixel_um, -scale.shear_x_um.value / pixel_um
    return np.asarray(per_y * place), np.asarray(per_x * place)


def _exposure(judged: Judged, n: int) -> Floats:
    """Return exposure time × ISO of each position over the usual one, as the camera states it."""
    stated = np.full(n, np.nan)
    for place in judged.verdict.placements:
        if place.frame is not None:
            facts = judged.figures[place.frame].facts
            if facts.exposure_s and facts.iso:
                stated[place.position] = facts.exposure_s * facts.iso
    if not np.isfinite(stated).any():
        return np.ones(n)
    usual = float(np.nanquantile(stated, 0.5, method="lower"))
    return np.where(np.isfinite(stated), stated / usual, 1.0)


def _even(
    tiles: Mapping[int, TileLight],
    exposure: Floats,
    n: int,
    settings: EvenSettings,
    recipe: Recipe,
    judged: Judged,
) -> Evening:
    def no(why: str) -> Evening:
        return Evening(False, np.ones(n), np.full(n, math.inf), f"no correction: {why}")

    if any(f.facts.shape_only for f in judged.figures.values()):
        return no("the photographs are display-referred, good for shape only")
    if recipe.dark is None and not recipe.black_stated:
        return no("black is not known: there are no dark frames, and the files do not state it")
    same = {
        k: replace(t, light=t.light / exposure[k], total=t.total / exposure[k])
        for k, t in tiles.items()
    }
    return solve_flicker(same, n, settings=settings)
