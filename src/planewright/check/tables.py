"""frames.csv, findings.csv and the retake list as text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from planewright.base.files import write_table
from planewright.base.nouns import Finding
from planewright.check.judge import Retake, Verdict

FRAME_COLUMNS = (
    "plane (from 1)",
    "z (um)",
    "controller",
    "state",
    "photograph",
    "taken at",
    "exposure (s)",
    "ISO",
    "light",
    "mean (counts)",
    "background (counts)",
    "signal (counts)",
    "noise (counts)",
    "signal to noise",
    "full pixels (%)",
    "largest full patch (pixels)",
    "sharpness",
    "extra blur (pixels)",
    "brightness over neighbours",
    "likeness to the one before",
    "moved down (pixels)",
    "moved right (pixels)",
    "findings",
)
FINDING_COLUMNS = (
    "code",
    "severity",
    "first plane (from 1)",
    "last plane (from 1)",
    "what",
    "got",
    "expected",
    "do",
    "photographs",
)


def write_frames(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write frames.csv: a row a planned position, gaps included."""
    write_table(path, FRAME_COLUMNS, rows)


def write_findings(path: Path, findings: Sequence[Finding]) -> None:
    """Write findings.csv: a row a finding."""
    write_table(path, FINDING_COLUMNS, [_row(finding) for finding in findings])


def write_tables(folder: Path, verdict: Verdict, *, more: Sequence[Finding] = ()) -> None:
    """Write both tables of a pass.

    Parameters
    ----------
    folder : Path
        The pass's folder.
    verdict : Verdict
        What the judge made of it.
    more : sequence of Finding
        Findings of other rooms (order, roles), put first.
    """
    write_frames(folder / "frames.csv", verdict.rows)
    write_findings(folder / "findings.csv", [*more, *verdict.findings])


def retake_text(retakes: Sequence[Retake]) -> str:
    """Return the retake list, one line each, to read at the bench."""
    if not retakes:
        return "Nothing to take again.\n"
    lines = [f"Take again ({len(retakes)}):"]
    lines += [f"  {retake.words}: {retake.why}" for retake in retakes]
    return "\n".join(lines) + "\n"


def _row(finding: Finding) -> dict[str, Any]:
    first, last = finding.positions if finding.positions is not None else (None, None)
    return {
        "code": finding.code,
        "severity": str(finding.severity),
        "first plane (from 1)": None if first is None else first + 1,
        "last plane (from 1)": None if last is None else last + 1,
        "what": finding.what,
        "got": finding.got,
        "expected": finding.expected,
        "do": finding.do,
        "photographs": " ".join(finding.photographs) or None,
    }
