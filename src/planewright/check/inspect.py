"""What is wrong with single photographs, seen beside their neighbours."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Severity
from planewright.check import light as lights
from planewright.check.figures import FrameFacts, FrameFigures
from planewright.check.limits import JudgeSettings, Limits
from planewright.check.shake import Shake, find_shaken
from planewright.kernels.signature import Passing, Similarity

Floats = NDArray[np.float64]
Value = TypeVar("Value")
Pairs = dict[int, list[Similarity | None]]


@dataclass(frozen=True)
class Noted:
    """Something about one photograph or a run of them, before its position is known.

    Parameters
    ----------
    code, severity, what, got, expected, do
        As in `planewright.base.nouns.Finding`; ``{place}`` in the texts stands for the position.
    frames : tuple of int
        Indices of the photographs, in order.
    """

    code: str
    severity: Severity
    frames: tuple[int, ...]
    what: str
    got: str = ""
    expected: str = ""
    do: str = ""


@dataclass(frozen=True)
class Inspection:
    """Photographs beside their neighbours.

    Parameters
    ----------
    light : tuple of str
        Which light was on, one a photograph; empty where it cannot be told.
    brightness : array of shape (frames,)
        Light over that of the neighbours.
    blur_pixels : array of shape (frames,)
        Blur beyond the neighbours along its worst direction, standard deviation, lattice pixels.
    blur_stands_out : array of shape (frames,)
        The same in robust standard deviations of its scatter.
    shift_y, shift_x : arrays of shape (frames,)
        Movement against the photograph before, lattice pixels; NaN where it cannot be told.
    strange : bool array of shape (frames,)
        Frames whose similarity to neighbours says nothing about their place.
    stray_odds : array of shape (frames,)
        Log odds that the photograph is one more than planned.
    notes : tuple of Noted
        What was noticed.
    """

    light: tuple[str, ...]
    brightness: Floats
    blur_pixels: Floats
    blur_stands_out: Floats
    shift_y: Floats
    shift_x: Floats
    strange: NDArray[np.bool_]
    stray_odds: Floats
    notes: tuple[Noted, ...]


_STEADY = 1.7  # largest change of structure from a frame to its neighbours beside a passing thing
_WEAKLY = 0.2  # similarity to the planes beside it from which a frame shows its own plane
_PASSING_REACH = 8  # frames on each side that tell what comes and goes there anyway
_STRAY_ODDS = {lights.LAMP: -0.7, lights.DARK: -8.0}
_FAINT = 0.02  # of the usual structure's energy: below it stands only what is fixed to the sensor
_UNTOLD_ODDS = -1.5  # of a lamp among empty planes, where the laser does not show whether it was on


def inspect_frames(
    frames: Sequence[FrameFigures | None],
    facts: Sequence[FrameFacts],
    pairs: Pairs,
    crossed: Sequence[Passing | None],
    settings: JudgeSettings,
) -> Inspection:
    """Compare photographs with their neighbours.

    Parameters
    ----------
    frames : sequence of FrameFigures or None
        In the order of shooting; None for those that cannot be read.
    facts : sequence of FrameFacts
        One for each.
    pairs : dict
        Similarities by lag.
    crossed : sequence of Passing or None
        What is in a photograph and in neither neighbour.
    settings : JudgeSettings
        Thresholds.

    Returns
    -------
    Inspection
        With what was noticed, but not yet where.
    """
    count = len(frames)
    limits = settings.limits
    known = [k for k in range(count) if frames[k] is not None]
    seen = [f for f in frames if f is not None]
    factors = exposure_factors([facts[k] for k in known], limits)
    shape = _most([f.shape for f in seen])
    usual_size = np.array([f.shape == shape for f in seen], dtype=bool)
    alike = _alike(pairs, count)
    shows = _shows_plane(pairs, count)[known]
    found = lights.judge_light(seen, factors, alike[known], limits, shows)
    kinds = [""] * count
    brightness, blur, stands, angle = (np.full(count, np.nan) for _ in range(4))
    for place, k in enumerate(known):
        kinds[k] = found.kinds[place]
        brightness[k] = found.brightness[place]
    usable = usual_size & np.array([kind == lights.USUAL for kind in found.kinds], dtype=bool)
    shake = _shake(seen, usable, limits)
    blur[known], stands[known], angle[known] = (
        shake.blur_pixels,
        shake.stands_out,
        shake.angle_deg,
    )
    strange = np.ones(count, bool)
    strange[known] = ~usable
    odds = np.full(count, -np.inf)
    empty = np.ones(count, bool)
    empty[known] = beyond_specimen([f.signature.signal_energy for f in seen])
    for k in known:
        odds[k] = _STRAY_ODDS.get(kinds[k], -np.inf)
        if kinds[k] == lights.LAMP_TOO and empty[[max(0, k - 1), min(count - 1, k + 1)]].any():
            odds[k] = _UNTOLD_ODDS
    shift_y, shift_x = _shifts(pairs.get(1, []), count)
    notes = [
        *_light_notes(kinds, known, seen, found),
        *_shaken_notes(blur, stands, angle, known, seen, limits),
        *_saturated_notes(known, seen, limits),
        *_setting_notes(facts, limits),
        *_size_notes(known, seen, shape),
        *_flicker_notes([f.mean for f in seen] / factors, found.kinds, limits),
        *_movement_notes(pairs, strange, limits),
        *_passing_notes(crossed, _energy(known, seen, factors, count), strange, frames, limits),
    ]
    return Inspection(
        tuple(kinds), brightness, blur, stands, shift_y, shift_x, strange, odds, tuple(notes)
    )


def beyond_specimen(energy: Sequence[float]) -> NDArray[np.bool_]:
    """Tell frames that hold hardly any structure: dust and the edge of the light look alike in all.

    Parameters
    ----------
    energy : sequence of float
        Energy of each frame's structure; NaN where unknown.

    Returns
    -------
    bool array of shape (frames,)
        All true where nothing is known.
    """
    values = np.asarray(energy, dtype=np.float64)
    known = values[np.isfinite(values)]
    if known.size == 0:
        return np.ones(values.size, bool)
    beyond: NDArray[np.bool_] = ~(values > _FAINT * np.median(known))
    return beyond


def exposure_factors(facts: Sequence[FrameFacts], limits: Limits) -> Floats:
    """Return each photograph's exposure (time × sensitivity) relative to the most common one."""
    times = [_sane(f.exposure_s, limits) for f in facts]
    usual_time = _most([t for t in times if t])
    usual_iso = _most([f.iso for f in facts if f.iso])
    out = np.ones(len(facts))
    for k, (time, fact) in enumerate(zip(times, facts, strict=True)):
        if time and usual_time:
            out[k] *= time / usual_time
        if fact.iso and usual_iso:
            out[k] *= fact.iso / usual_iso
    return out


def _sane(exposure_s: float | None, limits: Limits) -> float | None:
    if exposure_s is None or not 0 < exposure_s < limits.absurd_exposure_s:
        return None
    return exposure_s


def _most(values: Sequence[Value]) -> Value | None:
    """Return the most common value, the first of them in a tie; None for none."""
    counted = Counter(values)
    return counted.most_common(1)[0][0] if counted else None


def _alike(pairs: Pairs, count: int) -> Floats:
    """Return each frame's similarity to its nearer neighbour, over what is usual in the stack."""
    best = np.full(count, np.nan)
    values = []
    for k, pair in enumerate(pairs.get(1, [])):
        if pair is None or not pair.ok:
            continue
        values.append(pair.value)
        for frame in (k, k + 1):
            best[frame] = np.fmax(best[frame], pair.value)
    if values:
        best /= max(float(np.median(values)), 0.05)
    return best


def _shows_plane(pairs: Pairs, count: int) -> NDArray[np.bool_]:
    """Tell frames that resemble the planes beside them more than those further off.

    The sheet's picture does, even under a lamp that outshines it. A lamp alone shows the whole
    specimen at once, as much like the one plane as like the other.
    """
    near, far = np.full((count, 2), np.nan), np.full((count, 2), np.nan)
    for lag, out in ((1, near), (2, far)):
        for k, pair in enumerate(pairs.get(lag, [])):
            if pair is not None and pair.ok and pair.value > 8.0 * pair.sigma:
                out[k, 1] = out[k + lag, 0] = pair.value
    both = np.isfinite(near) & np.isfinite(far)
    if both.sum() < 6:
        return np.zeros(count, bool)
    fall = 1.0 - np.median(far[both]) / np.median(near[both])
    number = np.maximum(1, both.sum(axis=1))
    first, second = (np.where(both, part, 0.0).sum(axis=1) / number for part in (near, far))
    shows: NDArray[np.bool_] = (first > _WEAKLY) & (first - second > 0.5 * fall * first)
    return shows


def _shake(seen: Sequence[FrameFigures], usable: NDArray[np.bool_], limits: Limits) -> Shake:
    if not seen:
        empty = np.zeros(0)
        return Shake(empty, empty, empty)
    judged = usable & np.array([f.content >= limits.content for f in seen], dtype=bool)
    # Power relative to that of coarse detail: flicker and exposure drop out.
    scale = np.array([max(float(f.power[:3].mean()), 1e-12) for f in seen])[:, None, None]
    return find_shaken(
        np.stack([f.power for f in seen]) / scale,
        np.stack([f.power_sigma for f in seen]) / scale,
        judged,
        scatter=limits.shake_scatter,
    )


def _shifts(pairs: Sequence[Similarity | None], count: int) -> tuple[Floats, Floats]:
    shift_y, shift_x = np.full(count, np.nan), np.full(count, np.nan)
    for k, pair in enumerate(pairs):
        if pair is not None and pair.ok and pair.value > 5 * pair.sigma:
            shift_y[k + 1], shift_x[k + 1] = pair.shift_y, pair.shift_x
    return shift_y, shift_x


def _runs(frames: Sequence[int]) -> list[tuple[int, ...]]:
    """Split indices into runs of neighbours."""
    runs: list[list[int]] = []
    for frame in frames:
        if runs and frame == runs[-1][-1] + 1:
            runs[-1].append(frame)
        else:
            runs.append([frame])
    return [tuple(run) for run in runs]


_LIGHT_WORDS = {
    lights.DARK: (
        "dark-frame",
        "The laser was off at {place}.",
        "check the shutter and the laser's key, then take {place} again",
    ),
    lights.LAMP: (
        "wrong-light",
        "A lamp photograph stands at {place}, not one under the laser.",
        "take {place} again under the laser alone",
    ),
    lights.LAMP_TOO: (
        "lamp-left-on",
        "A lamp was on beside the laser at {place}.",
        "switch the lamp off, then take {place} again",
    ),
    lights.ROOM: (
        "room-light",
        "Room light fell on the sensor at {place}.",
        "darken the room or close the box, then take {place} again",
    ),
}


def _light_notes(
    kinds: Sequence[str],
    known: Sequence[int],
    seen: Sequence[FrameFigures],
    found: lights.LightFigures,
) -> list[Noted]:
    notes = []
    for place, k in enumerate(known):
        if kinds[k] not in _LIGHT_WORDS:
            continue
        code, what, do = _LIGHT_WORDS[kinds[k]]
        if kinds[k] == lights.DARK:
            got = f"mean {seen[place].mean:.1f} counts"
            expected = f"about {found.expected_mean[place]:.1f} counts, as its neighbours"
        else:
            got = f"background {seen[place].background:.1f} counts"
            expected = f"about {found.expected_background[place]:.1f} counts, as its neighbours"
        notes.append(Noted(code, Severity.FAULT, (k,), what, got, expected, do))
    return notes


def _shaken_notes(
    blur: Floats,
    stands: Floats,
    angle: Floats,
    known: Sequence[int],
    seen: Sequence[FrameFigures],
    limits: Limits,
) -> list[Noted]:
    notes = []
    for k in known:
        if not (np.isfinite(stands[k]) and stands[k] > limits.shake_scatter):
            continue
        notes.append(
            Noted(
                "shaken",
                Severity.FAULT,
                (k,),
                "The frame at {place} is blurred, as by a vibration.",
                f"extra blur of {blur[k]:.2f} pixels (standard deviation) along {angle[k]:.0f}°",
                "as sharp as its neighbours",
                "let the stage settle longer before the shutter opens, then take {place} again",
            )
        )
    return notes


def _saturated_notes(
    known: Sequence[int], seen: Sequence[FrameFigures], limits: Limits
) -> list[Noted]:
    full = [
        (k, f) for k, f in zip(known, seen, strict=True) if f.saturated_patch >= limits.patch_pixels
    ]
    figures = dict(full)
    notes = []
    for run in _runs([k for k, _ in full]):
        largest = max((figures[k] for k in run), key=lambda f: f.saturated_patch)
        row, column = largest.saturated_at or (0.0, 0.0)
        notes.append(
            Noted(
                "saturated",
                Severity.DOUBT,
                run,
                "The sensor was full at {place}.",
                f"a patch of {largest.saturated_patch} pixels at row {row:.0f}, "
                f"column {column:.0f}",
                f"fewer than {limits.patch_pixels} full pixels together",
                "expose shorter or lower the laser; light there is a lower bound and is masked",
            )
        )
    return notes


def _setting_notes(facts: Sequence[FrameFacts], limits: Limits) -> list[Noted]:
    kinds: list[tuple[str, Severity, Callable[[FrameFacts], object], str, str, str]] = [
        (
            "exposure-changed",
            Severity.DOUBT,
            lambda f: _sane(f.exposure_s, limits),
            "The exposure time changed at {place}.",
            "s",
            "set the exposure by hand; light is scaled by the ratio of the times",
        ),
        (
            "iso-changed",
            Severity.DOUBT,
            lambda f: f.iso,
            "The sensitivity (ISO) changed at {place}.",
            "ISO",
            "switch automatic ISO off; light is scaled by the ratio",
        ),
        (
            "aperture-changed",
            Severity.DOUBT,
            lambda f: f.f_number,
            "The aperture changed at {place}.",
            "f/",
            "set the aperture by hand",
        ),
        (
            "orientation-flipped",
            Severity.NOTE,
            lambda f: f.orientation,
            "The camera noted another orientation at {place}.",
            "EXIF orientation",
            "nothing: photographs are never turned by it; switch auto-rotate off",
        ),
        (
            "two-cameras",
            Severity.FAULT,
            lambda f: (f.camera, f.serial) if f.camera or f.serial else None,
            "Another camera took the photograph at {place}.",
            "camera",
            "sort the photographs by camera, one pass each",
        ),
    ]
    notes = []
    for code, severity, get, what, unit, do in kinds:
        values = [get(f) for f in facts]
        usual = _most([v for v in values if v is not None])
        odd = [k for k, v in enumerate(values) if v is not None and v != usual]
        for run in _runs(odd):
            for part in _same(run, values):
                notes.append(
                    Noted(
                        code,
                        severity,
                        part,
                        what,
                        _with_unit(values[part[0]], unit),
                        _with_unit(usual, unit) + ", as most frames",
                        do,
                    )
                )
    absurd = [k for k, f in enumerate(facts) if f.exposure_s and not _sane(f.exposure_s, limits)]
    for run in _runs(absurd):
        notes.append(
            Noted(
                "absurd-exposure",
                Severity.NOTE,
                run,
                "The exposure time at {place} cannot be true and is taken as unknown.",
                f"{facts[run[0]].exposure_s:g} s",
                f"less than {limits.absurd_exposure_s:g} s",
                "check the camera's clock battery and card",
            )
        )
    return notes


def _same(run: Sequence[int], values: Sequence[object]) -> list[tuple[int, ...]]:
    """Split a run where the value changes."""
    parts: list[list[int]] = []
    for k in run:
        if parts and values[parts[-1][-1]] == values[k]:
            parts[-1].append(k)
        else:
            parts.append([k])
    return [tuple(part) for part in parts]


def _with_unit(value: object, unit: str) -> str:
    if isinstance(value, tuple):
        return " ".join(str(part) for part in value if part)
    if isinstance(value, float):
        value = f"{value:g}"
    return f"{value} {unit}" if unit == "s" else f"{unit}{'' if unit == 'f/' else ' '}{value}"


def _size_notes(known: Sequence[int], seen: Sequence[FrameFigures], shape: object) -> list[Noted]:
    odd = [k for k, f in zip(known, seen, strict=True) if f.shape != shape]
    figures = dict(zip(known, seen, strict=True))
    return [
        Noted(
            "two-sizes",
            Severity.FAULT,
            run,
            "The photograph at {place} has another size.",
            "{} × {} pixels".format(*figures[run[0]].shape),
            "{} × {} pixels, as most frames".format(*shape),  # type: ignore[misc]
            "sort the photographs by size, one pass each",
        )
        for run in _runs(odd)
    ]


def _energy(
    known: Sequence[int], seen: Sequence[FrameFigures], factors: Floats, count: int
) -> Floats:
    """Return the energy of each frame's structure at the usual exposure."""
    out = np.full(count, np.nan)
    out[known] = [f.signature.signal_energy for f in seen] / np.square(factors)
    return out


def _passing_notes(
    crossed: Sequence[Passing | None],
    energy: Floats,
    strange: NDArray[np.bool_],
    frames: Sequence[FrameFigures | None],
    limits: Limits,
) -> list[Noted]:
    """Tell of things that cross the picture: larger than what comes and goes there.

    Where the amount of structure itself changes fast, as at the poles of a ball, nothing is
    said: there each plane holds what neither neighbour has.
    """
    full = np.array([f is not None and f.saturated_patch > 0 for f in frames], dtype=bool)
    silent = strange | full
    area = np.full(len(crossed), np.nan)
    steady = np.zeros(len(crossed), bool)
    for k, one in enumerate(crossed):
        if one is None or silent[max(0, k - 1) : k + 2].any():
            continue
        area[k] = one.area
        three = energy[k - 1 : k + 2]
        steady[k] = three.min() > 0 and three.max() < _STEADY * three.min()
    found = []
    for k in (int(place) for place in np.flatnonzero(np.isfinite(area))):
        near = area[max(0, k - _PASSING_REACH) : k + _PASSING_REACH + 1]
        near = near[np.isfinite(near)]
        usual = float(np.median(near))
        spread = 1.4826 * float(np.median(np.abs(near - usual)))
        bound = max(limits.passing_pixels, usual + 8.0 * max(spread, 2.0))
        if steady[k] and near.size >= 8 and area[k] > bound:
            found.append(k)
    notes = []
    for run in _runs(found):
        first = crossed[run[0]]
        where = "" if first is None else f" near row {first.row:.0f}, column {first.column:.0f}"
        notes.append(
            Noted(
                "bubble",
                Severity.DOUBT,
                run,
                "Something crosses the picture at {place}, perhaps a bubble.",
                f"a bright patch{where} that neither neighbour shows",
                "content that comes and goes over several planes",
                "look at the frames; remove bubbles and take {place} again",
            )
        )
    return notes


def _flicker_notes(mean: Floats, kinds: Sequence[str], limits: Limits) -> list[Noted]:
    """Judge the light of each frame by the two beside it: content changes evenly, flicker not."""
    usual = np.array([kind == lights.USUAL for kind in kinds], dtype=bool)
    if usual.size < 10:
        return []
    both = usual[1:-1] & usual[:-2] & usual[2:] & (mean[1:-1] > 0)
    bend = (mean[1:-1] - 0.5 * (mean[:-2] + mean[2:]))[both] / mean[1:-1][both]
    if bend.size < 8:
        return []
    rms = 1.4826 * float(np.median(np.abs(bend))) / np.sqrt(1.5)
    # Flicker bends to and fro from frame to frame, content over several: -2/3 against more than 0.
    following = bend[:-1] * bend[1:]
    to_and_fro = float(np.median(np.sign(following))) < 0
    if rms < limits.flicker_share or not to_and_fro:
        return []
    return [
        Noted(
            "flicker",
            Severity.NOTE,
            (),
            "The light changes from frame to frame over the whole stack.",
            f"{100 * rms:.1f} % rms",
            f"less than {100 * limits.flicker_share:.0f} %",
            "let the laser warm up; name a reference (gel, medium) and the light can be evened",
        )
    ]


def _movement_notes(pairs: Pairs, strange: NDArray[np.bool_], limits: Limits) -> list[Noted]:
    one = _moves(pairs, 1, strange)
    two = _moves(pairs, 2, strange)
    known = np.flatnonzero(np.isfinite(one[:, 0]))
    if known.size < 5:
        return []
    slow = np.median(one[known], axis=0)
    length = np.hypot(*(one - slow).T)
    usual = float(np.median(length[known]))
    notes = []
    far = known[length[known] > max(limits.jump_pixels, 6.0 * usual)]
    for k in far:
        # The pictures before and after must agree, else it is one frame aside or a bad match.
        after = two[k] if k < len(two) else np.full(2, np.nan)
        before = two[k - 1] if k > 0 else np.full(2, np.nan)
        apart = [np.hypot(*(other - one[k] - slow)) for other in (after, before)]
        if not all(distance < 0.4 * length[k] for distance in apart):
            continue
        notes.append(
            Noted(
                "jump",
                Severity.DOUBT,
                (int(k) + 1,),
                "The picture jumped before {place} and stayed there.",
                f"{one[k, 0]:.1f} pixels down, {one[k, 1]:.1f} right",
                f"about {usual:.1f} pixels from frame to frame",
                "look for a pulled cable or a knocked stage",
            )
        )
    # Neither jumps nor bad matches, as at the poles of a ball, are part of a slow walk.
    down, right = one[np.setdiff1d(known, far)].sum(axis=0)
    if np.hypot(down, right) > limits.drift_pixels:
        notes.append(
            Noted(
                "drift",
                Severity.NOTE,
                (),
                "The picture walks slowly over the stack.",
                f"{down:.1f} pixels down, {right:.1f} right in all",
                f"less than {limits.drift_pixels:.0f} pixels, or a specimen that is slanted",
                "let stage and cell come to rest for half an hour; name a fixed reference",
            )
        )
    return notes


def _moves(pairs: Pairs, lag: int, strange: NDArray[np.bool_]) -> Floats:
    """Return (down, right) of each pair; NaN where it cannot be trusted."""
    row = pairs.get(lag, [])
    out = np.full((len(row), 2), np.nan)
    for k, pair in enumerate(row):
        if pair is None or not pair.ok or strange[k] or strange[k + lag]:
            continue
        if pair.value > max(0.3, 8.0 * pair.sigma):
            out[k] = pair.shift_y, pair.shift_x
    return out
