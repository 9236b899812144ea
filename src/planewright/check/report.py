"""From alignment and inspection to placements, findings, retakes, rows and one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from planewright.base.nouns import Finding, Placement, Severity
from planewright.check import light as lights
from planewright.check.align import Alignment
from planewright.check.figures import FrameFacts, FrameFigures
from planewright.check.inspect import Inspection, Pairs
from planewright.check.limits import JudgeSettings


def place_findings(
    alignment: Alignment,
    inspection: Inspection,
    facts: Sequence[FrameFacts],
    broken: dict[int, str],
    settings: JudgeSettings,
) -> tuple[tuple[Placement, ...], tuple[int, ...], tuple[Finding, ...]]:
    """Put photographs on positions and findings into words with their place.

    Parameters
    ----------
    alignment : Alignment
        Position of each photograph.
    inspection : Inspection
        What was noticed about each.
    facts : sequence of FrameFacts
        Names.
    broken : dict
        Photographs that cannot be read, and why.
    settings : JudgeSettings
        Plan and words for positions.

    Returns
    -------
    placements, dropped, findings : tuples
        Frames are indices in the order of shooting.
    """
    total = alignment.total
    faulty = {
        k for note in inspection.notes if note.severity is Severity.FAULT for k in note.frames
    }
    chosen, dropped = _choose(alignment, faulty, set(broken))
    findings = [
        *_missed(alignment, settings),
        *_dropped(alignment, inspection, facts, dropped, broken, settings),
        *_broken(alignment, facts, broken, settings),
        *_counts(alignment, len(facts), settings),
    ]
    gone = set(dropped)
    for note in inspection.notes:
        kept = note.frames
        if note.severity is Severity.FAULT:  # what is left out need not be taken again
            kept = tuple(k for k in note.frames if k not in gone)
            if not kept:
                continue
        findings.append(_placed(note.code, note.severity, kept, note, alignment, facts, settings))
    doubtful = {
        k for note in inspection.notes if note.severity is Severity.FAULT for k in note.frames
    }
    placements = tuple(Placement(p, chosen.get(p), chosen.get(p) in doubtful) for p in range(total))
    findings.sort(key=lambda f: (f.positions is None, f.positions or (0, 0), f.code))
    return placements, tuple(sorted(dropped)), tuple(findings)


def _choose(
    alignment: Alignment, faulty: set[int], broken: set[int]
) -> tuple[dict[int, int], list[int]]:
    """Keep one photograph a position: one without a fault, else the first."""
    by_position: dict[int, list[int]] = {}
    dropped: list[int] = []
    for frame, position in enumerate(alignment.positions.tolist()):
        if frame < alignment.stuck or not 0 <= position < alignment.total:
            dropped.append(frame)
        elif frame not in broken:
            by_position.setdefault(position, []).append(frame)
    chosen: dict[int, int] = {}
    lead_in = _lead_in(alignment)
    for position, frames in by_position.items():
        order = sorted(frames, key=lambda k: (k in faulty, -k if k <= lead_in else k))
        chosen[position] = order[0]
        dropped += order[1:]
    return chosen, dropped


def _lead_in(alignment: Alignment) -> int:
    """Return the last photograph that shows the first one's plane."""
    first = alignment.positions[0] if alignment.positions.size else 0
    same = np.flatnonzero(alignment.positions != first)
    return int(same[0]) - 1 if same.size else alignment.positions.size - 1


def _missed(alignment: Alignment, settings: JudgeSettings) -> list[Finding]:
    total = alignment.total
    findings = []
    for run in _missed_runs(alignment):
        low, high = min(m[1] for m in run), max(m[2] for m in run)
        number = len(run)
        exact = high - low + 1 == number
        planes = "plane" if number == 1 else "planes"
        if exact:
            where = settings.place(low, total, high)
            what = f"No photograph was taken at {where}."
            do = f"take {where} again"
            got = f"{number} {planes} missed"
        else:
            where = settings.place(low, total, high)
            word = "One plane was" if number == 1 else f"{number} planes were"
            what = f"{word} missed somewhere in {where}."
            do = f"take {where} again"
            got = f"{number} {planes} missed, place not certain"
        findings.append(
            Finding(
                "missed",
                Severity.FAULT,
                what[0].upper() + what[1:],
                got,
                "a photograph at every planned position",
                do,
                (),
                (low, high),
            )
        )
    return findings


def _missed_runs(alignment: Alignment) -> list[list[tuple[int, int, int]]]:
    """Join missed positions that are neighbours or whose intervals overlap."""
    runs: list[list[tuple[int, int, int]]] = []
    for missed in alignment.missed:
        if runs:
            last = runs[-1][-1]
            if missed[1] <= max(m[2] for m in runs[-1]) or (
                missed[0] == last[0] + 1 and missed[1] == missed[2] and last[1] == last[2]
            ):
                runs[-1].append(missed)
                continue
        runs.append([missed])
    return runs


def _dropped(
    alignment: Alignment,
    inspection: Inspection,
    facts: Sequence[FrameFacts],
    dropped: Sequence[int],
    broken: dict[int, str],
    settings: JudgeSettings,
) -> list[Finding]:
    findings = []
    lead_in = _lead_in(alignment)
    doubled_at_start = [k for k in dropped if k < max(alignment.stuck, lead_in) and k not in broken]
    strays = [
        k
        for k in dropped
        if k not in doubled_at_start and np.isfinite(inspection.stray_odds[k]) and k not in broken
    ]
    if doubled_at_start:
        number = len(doubled_at_start)
        findings.append(
            Finding(
                "lead-in",
                Severity.NOTE,
                "The stage had not yet taken up its backlash in the first "
                f"{'photograph' if number == 1 else f'{number} photographs'}; left out.",
                f"{number} of the same plane as the next",
                "a new plane each time",
                "travel further than the backlash before the first photograph",
                tuple(facts[k].name for k in doubled_at_start),
                (0, max(0, alignment.stuck - 1)),
            )
        )
    for k in strays:
        position = int(alignment.positions[k])
        place = settings.place(min(max(position, 0), alignment.total - 1), alignment.total)
        kind = "dark" if inspection.light[k] == lights.DARK else "lamp"
        findings.append(
            Finding(
                "wrong-light" if kind == "lamp" else "dark-frame",
                Severity.DOUBT,
                f"A {kind} photograph stands among the laser photographs after {place}; left out.",
                "one photograph more than planned",
                "photographs under the laser alone",
                "move it out of the stack, or give it its own role in session.toml",
                (facts[k].name,),
                (position, position),
            )
        )
    intervals = {frame: (low, high) for frame, low, high in alignment.repeated}
    for k in dropped:
        if k in doubled_at_start or k in strays or k in broken:
            continue
        position = int(alignment.positions[k])
        low, high = intervals.get(k, intervals.get(k + 1, (k, k)))
        ends = (int(alignment.positions[low]), int(alignment.positions[high]))
        place = settings.place(position, alignment.total)
        sure = ends[0] == ends[1]
        findings.append(
            Finding(
                "repeated",
                Severity.DOUBT,
                f"The camera fired twice at {place}; one photograph is left out."
                if sure
                else "One plane was photographed twice somewhere in "
                f"{settings.place(ends[0], alignment.total, ends[1])}; "
                f"the second photograph of {place} is left out.",
                "two photographs of one plane",
                "one",
                "look at the trigger's cable if it happens often",
                (facts[k].name,),
                ends,
            )
        )
    return findings


def _broken(
    alignment: Alignment,
    facts: Sequence[FrameFacts],
    broken: dict[int, str],
    settings: JudgeSettings,
) -> list[Finding]:
    findings = []
    for k, why in sorted(broken.items()):
        position = int(alignment.positions[k])
        place = settings.place(min(max(position, 0), alignment.total - 1), alignment.total)
        findings.append(
            Finding(
                "unreadable",
                Severity.FAULT,
                f"The photograph at {place} cannot be read.",
                why,
                "a whole photograph",
                f"copy it from the card again, or take {place} again",
                (facts[k].name,),
                (position, position),
            )
        )
    return findings


def _counts(alignment: Alignment, count: int, settings: JudgeSettings) -> list[Finding]:
    planned = settings.planned
    if planned is None or count == planned:
        return []
    few = count < planned
    return [
        Finding(
            "too-few" if few else "too-many",
            Severity.DOUBT if few else Severity.NOTE,
            f"There are {'fewer' if few else 'more'} photographs than planned.",
            f"{count} photographs",
            f"{planned}",
            "see which planes were missed" if few else "see which ones were left out",
            (),
            None,
        )
    ]


def _placed(
    code: str,
    severity: Severity,
    frames: tuple[int, ...],
    note: Any,
    alignment: Alignment,
    facts: Sequence[FrameFacts],
    settings: JudgeSettings,
) -> Finding:
    positions, place = None, "the whole stack"
    if frames:
        first, last = (int(alignment.positions[k]) for k in (frames[0], frames[-1]))
        positions = (first, last)
        place = settings.place(first, alignment.total, last)
    return Finding(
        code,
        severity,
        note.what.replace("{place}", place),
        note.got,
        note.expected,
        note.do.replace("{place}", place),
        tuple(facts[k].name for k in frames),
        positions,
    )


def retake_list(
    findings: Sequence[Finding], settings: JudgeSettings, total: int
) -> list[tuple[int, int, str, str]]:
    """Return (first, last, code, words) of positions to take again, none twice."""
    out: list[tuple[int, int, str, str]] = []
    for finding in findings:
        if finding.severity is not Severity.FAULT or finding.positions is None:
            continue
        if finding.code in ("two-cameras", "two-sizes"):
            continue
        first, last = finding.positions
        if any(a <= first and last <= b for a, b, *_ in out):
            continue
        out.append((first, last, finding.code, settings.place(first, total, last)))
    return out


def frame_rows(
    placements: Sequence[Placement],
    frames: Sequence[FrameFigures | None],
    facts: Sequence[FrameFacts],
    inspection: Inspection,
    findings: Sequence[Finding],
    pairs: Pairs,
    settings: JudgeSettings,
) -> tuple[dict[str, Any], ...]:
    """Return the rows of frames.csv; placements hold indices into ``frames``."""
    named: dict[str, list[str]] = {}
    for finding in findings:
        for name in finding.photographs:
            named.setdefault(name, []).append(finding.code)
    rows = []
    for placement in placements:
        row: dict[str, Any] = {
            "plane (from 1)": placement.position + 1,
            "z (um)": settings.z_um(placement.position),
            "controller": None
            if settings.controller_position is None
            else settings.controller_position(placement.position),
        }
        k = placement.frame
        if k is None:
            row["state"] = "missing"
            rows.append(row)
            continue
        codes = named.get(facts[k].name, [])
        row["state"] = "doubtful" if placement.doubtful else "good"
        row["findings"] = " ".join(dict.fromkeys(codes)) or None
        row.update(_frame_columns(k, frames[k], facts[k], inspection, pairs))
        rows.append(row)
    return tuple(rows)


def _frame_columns(
    k: int,
    figures: FrameFigures | None,
    facts: FrameFacts,
    inspection: Inspection,
    pairs: Pairs,
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "photograph": facts.name,
        "taken at": None if facts.taken_at is None else facts.taken_at.isoformat(" "),
        "exposure (s)": facts.exposure_s,
        "ISO": facts.iso,
    }
    if figures is None:
        return row
    pair = pairs.get(1, [])[k - 1] if 0 < k <= len(pairs.get(1, [])) else None
    row.update(
        {
            "light": inspection.light[k],
            "mean (counts)": round(figures.mean, 3),
            "background (counts)": round(figures.background, 3),
            "signal (counts)": round(figures.signal, 3),
            "noise (counts)": round(figures.noise, 3),
            "signal to noise": round(figures.snr, 3),
            "full pixels (%)": round(100 * figures.saturated, 5),
            "largest full patch (pixels)": figures.saturated_patch,
            "sharpness": None if figures.sharpness is None else round(figures.sharpness, 4),
            "extra blur (pixels)": _rounded(inspection.blur_pixels[k], 3),
            "brightness over neighbours": _rounded(inspection.brightness[k], 4),
            "likeness to the one before": None
            if pair is None or not pair.ok
            else round(pair.value, 4),
            "moved down (pixels)": _rounded(inspection.shift_y[k], 2),
            "moved right (pixels)": _rounded(inspection.shift_x[k], 2),
        }
    )
    return row


def _rounded(value: float, places: int) -> float | None:
    return round(float(value), places) if np.isfinite(value) else None


def sentence(placements: Sequence[Placement], findings: Sequence[Finding], count: int) -> str:
    """Return the verdict in one plain sentence, the verdict first."""
    total = len(placements)
    if count == 0:
        return "Nothing to judge: there are no photographs."
    gaps = sum(p.frame is None for p in placements)
    doubtful = sum(p.doubtful for p in placements)
    notes = sum(f.severity is not Severity.FAULT for f in findings)
    more = "" if not notes else f"; {notes} smaller finding{'' if notes == 1 else 's'} to read"
    if not gaps and not doubtful:
        return f"Good: all {total} planes are there and sound{more}."
    parts = []
    if gaps:
        parts.append(f"{gaps} {'is' if gaps == 1 else 'are'} missing")
    if doubtful:
        parts.append(f"{doubtful} {'is' if doubtful == 1 else 'are'} doubtful")
    return f"Not complete: of {total} planes {' and '.join(parts)}{more}."
