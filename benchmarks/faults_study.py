"""How well the judge finds planted faults: simulated sessions, seed by seed.

    python benchmarks/faults_study.py --seeds 20

Each seed gives one stack with a random mix of faults. What the judge says, and the order that the
readers find for the shuffled files, is held against what was planted. Nothing is written but the
cache of noise-free stacks.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from planewright.base.nouns import Role
from planewright.check import (
    DarkSum,
    FrameFacts,
    FrameFigures,
    Judge,
    JudgeSettings,
    Verdict,
    frame_figures,
    level_plane,
)
from planewright.frames import Exposure, Header, Photograph, order_photographs
from planewright.phantom.camera import black_at_sites
from planewright.phantom.faults import Bubble, Faults, Glare, Shake, random_faults
from planewright.phantom.instrument import Instrument, small_instrument
from planewright.phantom.scene import small_urchin_scene, urchin_scene
from planewright.phantom.shoot import Shot, photographs

GREEN, RED, BLUE = "G", "R", "B"
LIGHT_CODES = {"wrong-light", "dark-frame", "lamp-left-on", "room-light"}
PLANTED_LIGHT = {"laser_off", "lamp_on", "room_light", "lamp_instead"}
CADENCES_S = (2.0, 3.0, 0.6)
CLOCK_STEP_S = 1.0  # the simulated camera writes whole seconds
PATCH = 9  # connected full lattice pixels from which a frame is to be named
CONTENT = 0.01  # share of pixels with SNR of 5 or more from which a shaken frame is to be named
LEAST_SWING = 0.5  # of the lens's full width at half maximum, likewise


@dataclass
class Score:
    """What was planted and what was found, summed over seeds.

    Parameters
    ----------
    planted, found : Counter
        By kind of fault.
    good, blamed : int
        Frames without any fault; those of them that a finding names.
    stacks, stacks_blamed : int
        Stacks; those of them of which a finding tells something untrue as a whole.
    misses : list of str
        One line for each planted fault that was not found, and each false finding.
    """

    planted: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    good: int = 0
    blamed: int = 0
    stacks: int = 0
    stacks_blamed: int = 0
    misses: list[str] = field(default_factory=list)

    def tally(self, kind: str, hit: bool, word: str) -> None:
        """Count one planted fault."""
        self.planted[kind] += 1
        self.found[kind] += hit
        if not hit:
            self.misses.append(f"{kind}: {word}")

    def share(self, kind: str) -> float:
        """Return the share that was found; 1 where none was planted."""
        return self.found[kind] / self.planted[kind] if self.planted[kind] else 1.0

    @property
    def false_share(self) -> float:
        """Return the share of good frames that a finding names."""
        return self.blamed / max(1, self.good)


def as_plane(shot: Shot, instrument: Instrument) -> tuple[Any, Any, dict[str, float]]:
    """Return light, full pixels and mean light by colour of one shot, without the readers."""
    light = shot.counts.astype(np.float32) - black_at_sites(instrument)
    full = shot.counts >= instrument.white
    if not instrument.mosaic:
        return light, full, {"mono": float(light.mean())}
    sites = [(y, x) for y in (0, 1) for x in (0, 1)]
    by_colour = {
        c: [light[y::2, x::2] for (y, x), s in zip(sites, instrument.mosaic, strict=True) if s == c]
        for c in (RED, GREEN, BLUE)
    }
    green_full = np.zeros(light[::2, ::2].shape, bool)
    for (y, x), site in zip(sites, instrument.mosaic, strict=True):
        if site == GREEN:
            green_full |= full[y::2, x::2]
    means = {
        name: float(np.mean([part.mean() for part in by_colour[c]]))
        for name, c in (("red", RED), ("green", GREEN), ("blue", BLUE))
    }
    return np.mean(by_colour[GREEN], axis=0, dtype=np.float32), green_full, means


def facts_of(shot: Shot, instrument: Instrument) -> FrameFacts:
    """Return what the file of a shot would say."""
    return FrameFacts(
        name=f"frames/{shot.name}.DNG",
        kind="raw",
        rows=instrument.rows,
        columns=instrument.columns,
        taken_at=shot.taken_at,
        exposure_s=shot.exposure_s[0] / shot.exposure_s[1],
        iso=shot.iso,
        f_number=instrument.f_number[0] / instrument.f_number[1],
        orientation=shot.orientation,
        camera=f"{instrument.make} {instrument.model}",
        serial=instrument.serial,
        counter=int(shot.name[-4:]),
    )


@dataclass(frozen=True)
class Session:
    """One simulated stack with its figures, and each frame's largest full patch, counted apart."""

    shots: tuple[Shot, ...]
    figures: tuple[FrameFigures, ...]
    patches: tuple[int, ...]
    faults: Faults
    instrument: Instrument
    cadence_s: float


def shoot(
    seed: int,
    instrument: Instrument,
    faults: Faults,
    *,
    cadence_s: float = 2.0,
    cache: Path | None = None,
    darks: int = 8,
) -> Session:
    """Simulate one stack and measure each frame as a build does."""
    scene = small_urchin_scene(seed) if instrument.columns < 500 else urchin_scene(seed)
    shots = list(
        photographs(
            scene,
            instrument,
            faults,
            seed=seed,
            darks=darks,
            flats=0,
            cadence_s=cadence_s,
            cache=cache,
        )
    )
    dark = DarkSum()
    for shot in shots:
        if shot.role is Role.DARK:
            dark.add(as_plane(shot, instrument)[0])
    master = dark.close()
    stack = tuple(shot for shot in shots if shot.role in (Role.SPECIMEN, Role.LAMP))
    figures, patches = [], []
    for shot in stack:
        light, full, colours = as_plane(shot, instrument)
        patches.append(largest_patch(full & ~master.hot.bad))
        light, mask = level_plane(light, saturated=full, dark=master.light, hot=master.hot.bad)
        facts = facts_of(shot, instrument)
        figures.append(frame_figures(light, mask, facts=facts, colours=colours))
    light_shots = tuple(replace(shot, counts=np.zeros((0, 0), np.uint16)) for shot in stack)
    return Session(light_shots, tuple(figures), tuple(patches), faults, instrument, cadence_s)


def largest_patch(full: Any) -> int:
    """Return how many pixels the largest patch has, corners joined (by another library)."""
    labels, count = ndimage.label(full, structure=np.ones((3, 3)))
    return int(np.bincount(labels.ravel())[1:].max()) if count else 0


def plan_faults(seed: int, instrument: Instrument) -> Faults:
    """Draw the phantom's mix of faults and add frames near the limits that are asked.

    Three more frames shake, from half the lens's width; two more have a small full patch; a
    bubble crosses every fourth stack somewhere in its middle half.
    """
    faults = random_faults(seed, instrument)
    rng = np.random.default_rng([seed, 77])
    used = {*faults.missed, *faults.doubled, *faults.laser_off, *faults.lamp_on}
    used |= {*faults.room_light, *faults.lamp_after}
    used |= {s.position for s in faults.shaken} | {g.position for g in faults.saturated}
    free = [p for p in range(3, instrument.frames - 2, 2) if p not in used]
    places = [int(p) for p in rng.permutation(free)]
    fwhm_px = instrument.lateral_fwhm_um / instrument.pixel_um
    shaken = tuple(
        Shake(places.pop(), float(fwhm_px * rng.uniform(LEAST_SWING, 2.5)), rng.uniform(0, 180))
        for _ in range(min(3, len(places)))
    )
    small = tuple(
        Glare(
            places.pop(),
            float(rng.uniform(0.2, 0.8) * instrument.rows),
            float(rng.uniform(0.2, 0.8) * instrument.columns),
            float(rng.uniform(1.0, 3.0)),
        )
        for _ in range(min(2, len(places)))
    )
    faults = faults.but(shaken=faults.shaken + shaken, saturated=faults.saturated + small)
    if seed % 4 == 3 and instrument.frames > 20:
        first = int(rng.integers(instrument.frames // 4, 3 * instrument.frames // 4))
        faults = faults.but(bubble=Bubble(first, radius_px=0.06 * instrument.rows))
    return faults


def judge(session: Session, **changes: Any) -> Verdict:
    """Judge a simulated stack; ``changes`` go to the settings."""
    settings = JudgeSettings(planned=session.instrument.frames, step_um=session.instrument.step_um)
    judge = Judge(replace(settings, **changes))
    for index, figures in enumerate(session.figures):
        judge.add(index, figures)
    return judge.close()


def score_session(session: Session, verdict: Verdict, score: Score, word: str = "") -> None:
    """Hold one verdict against what was planted."""
    named: dict[str, set[str]] = {}
    for finding in verdict.findings:
        for name in finding.photographs:
            named.setdefault(name, set()).add(finding.code)
    _score_frames(session, named, score, word)
    _score_bubble(session, named, score, word)
    _score_order(session, score, word)
    _score_missed(session, verdict, score, word)
    _score_repeats(session, verdict, score, word)
    known = {"missed", "too-few", "too-many"}
    whole = [f.code for f in verdict.findings if not f.photographs and f.code not in known]
    score.stacks += 1
    score.stacks_blamed += bool(whole)
    if whole:
        score.misses.append(f"false of the whole stack: {word} {whole}")


def _score_frames(session: Session, named: dict[str, set[str]], score: Score, word: str) -> None:
    own, plan = session.instrument, session.faults
    fwhm_px = own.lateral_fwhm_um / own.pixel_um
    settings = Counter((s.exposure_s, s.iso) for s in session.shots).most_common(1)[0][0]
    usual_turn = Counter(s.orientation for s in session.shots).most_common(1)[0][0]
    for index, (shot, figures) in enumerate(zip(session.shots, session.figures, strict=True)):
        codes = named.get(f"frames/{shot.name}.DNG", set())
        label = f"{word} frame {index} (position {shot.position}) {shot.faults} said {codes}"
        changed = (shot.exposure_s, shot.iso) != settings
        flipped = shot.orientation != usual_turn
        if shot.exposure_s != settings[0]:
            score.tally("exposure change", "exposure-changed" in codes, label)
        if shot.iso != settings[1]:
            score.tally("ISO change", "iso-changed" in codes, label)
        if flipped:
            score.tally("orientation flip", "orientation-flipped" in codes, label)
        if PLANTED_LIGHT & set(shot.faults) or shot.role is Role.LAMP:
            score.tally("wrong light", bool(LIGHT_CODES & codes), label)
        if session.patches[index] >= PATCH:
            score.tally("saturated patch", "saturated" in codes, label)
        if shot.truth.shake_px >= LEAST_SWING * fwhm_px:
            clear = figures.content >= CONTENT
            kind = "shaken" if clear else "shaken, too little light to demand"
            detail = f"{label} swing {shot.truth.shake_px / fwhm_px:.2f} FWHM"
            score.tally(kind, "shaken" in codes, detail)
        if not shot.faults and not shot.truth.shake_px and shot.role is Role.SPECIMEN:
            score.good += 1
            wrong = codes - ({"exposure-changed", "iso-changed"} if changed else set())
            wrong -= {"orientation-flipped"} if flipped else set()
            doubled = shot.position in plan.doubled
            wrong -= {"repeated"} if doubled else set()
            wrong -= {"saturated"} if session.patches[index] >= PATCH else set()
            wrong -= {"lead-in"} if plan.backlash and shot.position == 0 else set()
            if wrong:
                score.blamed += 1
                score.misses.append(f"false: {label}")


def _score_bubble(session: Session, named: dict[str, set[str]], score: Score, word: str) -> None:
    crossed = [s for s in session.shots if "bubble" in s.faults]
    if crossed:
        codes = [named.get(f"frames/{s.name}.DNG", set()) for s in crossed]
        score.tally("bubble passing", any("bubble" in c for c in codes), f"{word} {codes}")


def _score_order(session: Session, score: Score, word: str) -> None:
    """Shuffle the files and let the readers put them in order, over the counter's roll-over."""
    if session.faults.rollover_after is None:
        return
    own, files = session.instrument, []
    for shot in session.shots:
        path = Path("frames") / f"{shot.name}.DNG"
        header = Header(
            path, "raw", own.rows, own.columns, 1, 14, own.mosaic, Exposure(shot.taken_at)
        )
        files.append(Photograph(path, 0, path.as_posix(), header, int(shot.name[-4:])))
    shuffled = [files[int(k)] for k in np.random.default_rng(7).permutation(len(files))]
    ordered = order_photographs(shuffled)
    right = list(ordered.photographs) == files
    told = [f.code for f in ordered.findings]
    score.tally("roll-over told, order kept", right and told == ["roll-over"], f"{word} {told}")


def _around(session: Session, position: int) -> bool:
    """Tell whether the photographs on both sides of a position have content to tell it by."""
    content = {
        shot.position: figures.content
        for shot, figures in zip(session.shots, session.figures, strict=True)
        if not PLANTED_LIGHT & set(shot.faults)
    }
    beside = [content.get(position + step, 0.0) for step in (-1, 1)]
    return min(beside) >= CONTENT


def _score_missed(session: Session, verdict: Verdict, score: Score, word: str) -> None:
    missed, found = sorted(session.faults.missed), sorted(verdict.alignment.missed)
    score.tally("missed triggers counted", len(found) == len(missed), f"{word} {missed} {found}")
    for true, entry in zip(missed, found, strict=False):
        place, low, high = entry
        clock, content = session.cadence_s > CLOCK_STEP_S, _around(session, true)
        label = f"{word} {true} told {entry}, clock {clock}, content {content}"
        exact = place == low == high == true
        if clock:
            score.tally("missed trigger placed exactly by the clock", exact, label)
        elif content:
            score.tally("missed trigger placed exactly by content", exact, label)
        else:
            score.tally("missed trigger within its interval, else", low <= true <= high, label)


def _score_repeats(session: Session, verdict: Verdict, score: Score, word: str) -> None:
    """Count repeats and lead-in frames, and see which frames were left out as such."""
    extra = [k for k, s in enumerate(session.shots) if {"doubled", "lead_in"} & set(s.faults)]
    told = [f for f in verdict.findings if f.code in ("repeated", "lead-in")]
    count = sum(len(f.photographs) for f in told)
    score.tally("repeats counted", count == len(extra), f"{word} {len(extra)} said {count}")
    spans = [f.positions for f in told if f.code == "repeated" and f.positions]
    for true in sorted(session.faults.doubled):
        clock, content = session.cadence_s > CLOCK_STEP_S, _around(session, true)
        label = f"{word} {true} told {spans}, clock {clock}, content {content}"
        if clock or content:
            kind = f"repeat placed exactly by {'the clock' if clock else 'content'}"
            score.tally(kind, (true, true) in spans, label)
        else:
            inside = any(low <= true <= high for low, high in spans)
            score.tally("repeat within its interval, else", inside, label)
    wrong = []
    for p in verdict.placements:
        if p.frame is not None and session.shots[p.frame].position != p.position:
            wrong.append((p.position, session.shots[p.frame].position))
    score.tally("stacks with all frames at their position", not wrong, f"{word} {wrong[:6]}")


def run(
    seeds: Sequence[int],
    *,
    instrument: Instrument | None = None,
    cache: Path | None = None,
    cadences_s: Sequence[float] = CADENCES_S,
    keep: bool = True,
) -> Score:
    """Simulate, judge and score one stack a seed.

    Parameters
    ----------
    seeds : sequence of int
        One stack each.
    instrument : Instrument or None
        The small one where not given.
    cache : Path or None
        Folder for noise-free stacks.
    cadences_s : sequence of float
        Seconds between triggers, taken in turn.
    keep : bool
        Whether noise-free stacks stay in the cache; those of full size fill disks.

    Returns
    -------
    Score
        Sums over the seeds.
    """
    score = Score()
    for seed in seeds:
        own = instrument or small_instrument()
        faults = plan_faults(seed, own)
        cadence_s = cadences_s[seed % len(cadences_s)]
        session = shoot(seed, own, faults, cadence_s=cadence_s, cache=cache)
        score_session(session, judge(session), score, f"seed {seed}, {cadence_s} s:")
        if not keep and cache is not None:
            for path in cache.glob("*.npy"):
                path.unlink()
    return score


def table(score: Score) -> str:
    """Return the scores as text."""
    lines = [f"{'fault':48} planted  found  share"]
    for kind in sorted(score.planted):
        planted, found = score.planted[kind], score.found[kind]
        lines.append(f"{kind:48} {planted:7} {found:6}  {100 * found / planted:5.1f} %")
    false = 100 * score.false_share
    lines.append(
        f"{'good frames with a false finding':48} {score.good:7} {score.blamed:6}  {false:5.1f} %"
    )
    lines.append(
        f"{'stacks with a false finding about the whole':48} {score.stacks:7} "
        f"{score.stacks_blamed:6}  {100 * score.stacks_blamed / max(1, score.stacks):5.1f} %"
    )
    return "\n".join(lines)


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "planewright")
    parser.add_argument("--peak", type=float, default=400.0, help="electrons at full brightness")
    parser.add_argument("--small", action="store_true", help="a scaled-down embryo, quickly")
    parser.add_argument("--drop", action="store_true", help="keep no noise-free stack")
    given = parser.parse_args()
    given.cache.mkdir(parents=True, exist_ok=True)
    instrument = (small_instrument if given.small else Instrument)(peak_e=given.peak)
    seeds = range(given.first, given.first + given.seeds)
    score = run(seeds, instrument=instrument, cache=given.cache, keep=not given.drop)
    print(table(score))
    print("missed, and why it may be:" if score.misses else "nothing missed")
    print("\n".join(score.misses))


if __name__ == "__main__":
    main()
