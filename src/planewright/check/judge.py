"""The judge: one photograph's figures at a time, in any order; then the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Finding, Placement, Severity
from planewright.check.align import Alignment, align
from planewright.check.figures import FrameFacts, FrameFigures
from planewright.check.inspect import Inspection, beyond_specimen, inspect_frames
from planewright.check.likely import Likeness
from planewright.check.limits import JudgeSettings
from planewright.check.report import frame_rows, place_findings, retake_list, sentence
from planewright.kernels.signature import Passing, Signature, Similarity, passing, similarity

Floats = NDArray[np.float64]

LAGS = (1, 2, 3, 4)
_NOTHING = np.zeros((0, 0), np.float32)


@dataclass(frozen=True)
class Retake:
    """A position to photograph again.

    Parameters
    ----------
    first, last : int
        Position, or the interval in which it lies, counted from 0.
    why : str
        The finding's code.
    words : str
        What to do, with z and the controller's reading where known.
    """

    first: int
    last: int
    why: str
    words: str


@dataclass(frozen=True)
class Verdict:
    """What the judge makes of a pass.

    Parameters
    ----------
    placements : tuple of Placement
        One a planned position.
    dropped : tuple of int
        Indices of photographs that stand at no position: doubled, lead-in, stray.
    findings : tuple of Finding
        In the order of position.
    retakes : tuple of Retake
        Positions to take again, in order, none twice.
    rows : tuple of dict
        For frames.csv: a row a planned position, gaps included.
    sentence : str
        The verdict in one plain sentence.
    alignment : Alignment
        How photographs were put on positions.
    inspection : Inspection
        Figures against the neighbours, by photograph.
    """

    placements: tuple[Placement, ...]
    dropped: tuple[int, ...]
    findings: tuple[Finding, ...]
    retakes: tuple[Retake, ...]
    rows: tuple[dict[str, Any], ...]
    sentence: str
    alignment: Alignment
    inspection: Inspection

    @property
    def ok(self) -> bool:
        """Whether no finding is a fault."""
        return not any(finding.severity is Severity.FAULT for finding in self.findings)


class Judge:
    """Take figures of photographs as they come and close with the verdict.

    The verdict depends on what was added, not on the order. Signatures are let go as soon as
    all neighbours have come, so memory does not grow with the stack.

    Parameters
    ----------
    settings : JudgeSettings
        What is known of the pass.
    """

    def __init__(self, settings: JudgeSettings | None = None) -> None:
        self.settings = settings or JudgeSettings()
        self._frames: dict[int, FrameFigures] = {}
        self._signatures: dict[int, Signature] = {}
        self._broken: dict[int, tuple[FrameFacts, str]] = {}
        self._likeness: dict[tuple[int, int], Similarity] = {}
        self._passing: dict[int, Passing] = {}

    def add(self, index: int, figures: FrameFigures) -> None:
        """Take the figures of one photograph.

        Parameters
        ----------
        index : int
            Its place in the order of shooting, from 0.
        figures : FrameFigures
            Its figures. A photograph that is added again replaces the former.
        """
        self._forget(index)
        # The picture is let go later; its energies stay.
        self._frames[index] = replace(figures, signature=replace(figures.signature, image=_NOTHING))
        self._signatures[index] = figures.signature
        for lag in LAGS:
            for first, second in ((index - lag, index), (index, index + lag)):
                if first in self._signatures and second in self._signatures:
                    pair = similarity(self._signatures[first], self._signatures[second])
                    self._likeness[first, second] = pair
        for middle in (index - 1, index, index + 1):
            self._look_for_passing(middle)
        for near in range(index - max(LAGS), index + max(LAGS) + 1):
            self._release(near)

    def _look_for_passing(self, middle: int) -> None:
        """Compare a photograph with both neighbours, once all three are there."""
        three = [self._signatures.get(middle + step) for step in (-1, 0, 1)]
        before, own, after = three
        if before is None or own is None or after is None:
            return
        first, last = self._likeness[middle - 1, middle], self._likeness[middle, middle + 1]
        if first.ok and last.ok and before.image.shape == own.image.shape == after.image.shape:
            self._passing[middle] = passing(
                before,
                own,
                after,
                moved_before=(first.shift_y, first.shift_x),
                moved_after=(last.shift_y, last.shift_x),
            )

    def add_broken(self, index: int, facts: FrameFacts, why: str) -> None:
        """Take note of a photograph that cannot be read.

        Parameters
        ----------
        index : int
            Its place in the order of shooting.
        facts : FrameFacts
            What is known of it: its name at least.
        why : str
            What the reader said.
        """
        self._forget(index)
        self._broken[index] = (facts, why)

    def _forget(self, index: int) -> None:
        self._frames.pop(index, None)
        self._broken.pop(index, None)
        self._signatures.pop(index, None)
        for lag in LAGS:
            self._likeness.pop((index - lag, index), None)
            self._likeness.pop((index, index + lag), None)
        for middle in (index - 1, index, index + 1):
            self._passing.pop(middle, None)

    def _release(self, index: int) -> None:
        """Let a signature go when it has met all its neighbours."""
        if index not in self._signatures:
            return
        around = [index + lag * side for lag in LAGS for side in (-1, 1)]
        if all(i < 0 or i in self._frames or i in self._broken for i in around):
            waiting = [i for i in around if i in self._frames]
            met = {pair for pair in self._likeness if index in pair}
            if len(met) >= len(waiting):
                del self._signatures[index]

    def close(self) -> Verdict:
        """Judge what has come so far.

        Returns
        -------
        Verdict
            May be asked for at any time; more photographs can be added afterwards.
        """
        indices = sorted({*self._frames, *self._broken})
        facts = [
            self._frames[i].facts if i in self._frames else self._broken[i][0] for i in indices
        ]
        frames = [self._frames.get(i) for i in indices]
        likeness = self._pairs(indices)
        crossed = [self._passing.get(i) for i in indices]
        inspection = inspect_frames(frames, facts, likeness, crossed, self.settings)
        energy = [np.nan if f is None else f.signature.signal_energy for f in frames]
        alignment = align(
            _moments(facts),
            _heard(likeness, inspection.strange | beyond_specimen(energy)),
            planned=self.settings.planned,
            cadence_s=self.settings.cadence_s,
            clock_step_s=_clock_step(facts),
            strange=inspection.strange,
            stray_odds=inspection.stray_odds,
        )
        broken = {k: self._broken[i][1] for k, i in enumerate(indices) if i in self._broken}
        placed, dropped, findings = place_findings(
            alignment, inspection, facts, broken, self.settings
        )
        retakes = retake_list(findings, self.settings, alignment.total)
        rows = frame_rows(placed, frames, facts, inspection, findings, likeness, self.settings)
        return Verdict(
            placements=tuple(
                replace(p, frame=None if p.frame is None else indices[p.frame]) for p in placed
            ),
            dropped=tuple(indices[k] for k in dropped),
            findings=findings,
            retakes=tuple(Retake(*parts) for parts in retakes),
            rows=rows,
            sentence=sentence(placed, findings, len(indices)),
            alignment=alignment,
            inspection=inspection,
        )

    def _pairs(self, indices: Sequence[int]) -> dict[int, list[Similarity | None]]:
        return {
            lag: [
                self._likeness.get((a, b)) if b - a == lag else None
                for a, b in zip(indices, indices[lag:], strict=False)
            ]
            for lag in LAGS
        }


def _moments(facts: Sequence[FrameFacts]) -> Floats:
    """Return times in seconds, NaN where unknown; from the first, to keep their digits."""
    raw = [fact.moment_s() for fact in facts]
    known = [moment for moment in raw if moment is not None]
    start = min(known) if known else 0.0
    return np.array([np.nan if m is None else m - start for m in raw], dtype=np.float64)


def _clock_step(facts: Sequence[FrameFacts]) -> float:
    """Return the step of the camera's clock: 1 s, or 0.01 s where it writes parts of one."""
    fine = [f for f in facts if f.subsecond_s is not None]
    return 0.01 if len(fine) == len(facts) and any(f.subsecond_s for f in fine) else 1.0


def _heard(
    pairs: dict[int, list[Similarity | None]], strange: NDArray[np.bool_]
) -> dict[int, Likeness]:
    """Return similarities as arrays, silent where a frame is strange."""
    out = {}
    for lag, row in pairs.items():
        value, sigma = np.full(len(row), np.nan), np.full(len(row), np.nan)
        for k, pair in enumerate(row):
            if pair is not None and pair.ok and not strange[k] and not strange[k + lag]:
                value[k], sigma[k] = pair.value, pair.sigma
        out[lag] = Likeness(value, sigma)
    return out
