"""Judge a pass: is every frame there, is it good, what is to be taken again?"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from planewright.base.nouns import Finding, Scan, Severity
from planewright.base.problems import PhotographProblem, SettingProblem
from planewright.base.progress import Progress
from planewright.check.figures import FrameFacts, FrameFigures
from planewright.check.judge import Judge, Verdict
from planewright.check.limits import JudgeSettings
from planewright.check.tables import write_tables
from planewright.frames import Photograph
from planewright.jobs.crew import Crew, crew
from planewright.jobs.gather import UNREADABLE, Gathered, gather
from planewright.jobs.planes import Recipe, Scratch, make_plane, plane_block_bytes, scratch_names
from planewright.jobs.recipe import make_recipe
from planewright.sessions.folder import Session
from planewright.sessions.lock import writing
from planewright.sessions.model import Pass

# What a folder tells of its files and the judge tells better, with positions.
SAID_BY_JUDGE = {
    "orientation-flip": "orientation-flipped",
    "two-sizes": "two-sizes",
    "two-cameras": "two-cameras",
}


@dataclass(frozen=True)
class Checked:
    """The verdict on a pass.

    Parameters
    ----------
    sentence : str
        The verdict.
    figures : tuple of str
        Figures behind it, a line each.
    findings : tuple of Finding
        All findings, in the order of position.
    retakes : tuple of str
        Positions to take again.
    written : tuple of str
        Files written.
    """

    sentence: str
    figures: tuple[str, ...]
    findings: tuple[Finding, ...]
    retakes: tuple[str, ...]
    written: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """1 if a frame must be taken again or a file cannot be used, else 0."""
        return int(any(finding.severity is Severity.FAULT for finding in self.findings))

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {
            "sentence": self.sentence,
            "figures": list(self.figures),
            "findings": [finding.to_dict() for finding in self.findings],
            "retakes": list(self.retakes),
            "written": list(self.written),
        }

    @classmethod
    def from_dict(cls, value: dict[str, Any]) -> Checked:
        """Return what ``to_dict`` wrote."""
        return cls(
            value["sentence"],
            tuple(value["figures"]),
            tuple(Finding.from_dict(each) for each in value["findings"]),
            tuple(value["retakes"]),
            tuple(value["written"]),
        )


@dataclass(frozen=True)
class Judged:
    """What pass one found out.

    Parameters
    ----------
    verdict : Verdict
        The judge's.
    figures : dict
        Figures of each frame that could be read, by its index.
    findings : tuple of Finding
        Findings about files, sensor and frames together.
    repeats : tuple of bool
        Whether each repeat could be read.
    """

    verdict: Verdict
    figures: dict[int, FrameFigures]
    findings: tuple[Finding, ...]
    repeats: tuple[bool, ...] = ()


def check_pass(
    folder: Path,
    pass_name: str | None = None,
    *,
    workers: int | None = None,
    memory_bytes: int | None = None,
    progress: Progress | None = None,
) -> Checked:
    """Judge every frame of a pass and write ``frames.csv`` and ``findings.csv``.

    Parameters
    ----------
    folder : Path
        The session.
    pass_name : str or None
        The pass; None if there is only one.
    workers : int or None
        Blocks at once; None takes one a core.
    memory_bytes : int or None
        Budget; None takes half of what is free.
    progress : Progress or None
        Told of each frame.

    Returns
    -------
    Checked
        Verdict, figures, findings, positions to take again.

    Raises
    ------
    Problem
        If the session, its settings or all of its photographs cannot be read.
    """
    session = Session.open(folder)
    one = session.find_pass(pass_name)
    with (
        writing(session.root),
        crew(workers=workers, memory_bytes=memory_bytes, progress=progress) as team,
    ):
        gathered = gather(session, one, workers=team.workers, progress=team.progress)
        recipe, sensor = make_recipe(gathered, one, work=None, crew=team)
        judged = judge(session, one, gathered, recipe, planes=None, crew=team, more=sensor)
        return told(session, one, gathered, judged)


def judge(
    session: Session,
    one: Pass,
    gathered: Gathered,
    recipe: Recipe,
    *,
    planes: Path | None,
    crew: Crew,
    more: Sequence[Finding],
) -> Judged:
    """Decode and judge each photograph of a pass once.

    Parameters
    ----------
    session, one, gathered, recipe
        The pass.
    planes : Path or None
        Folder where planes go on scratch; None only judges.
    crew : Crew
        Who works.
    more : sequence of Finding
        Findings of the levels, to be told with the others.

    Returns
    -------
    Judged
        The verdict.
    """
    photographs = gathered.frames
    names = scratch_names(photographs, gathered.hashes)
    crew.progress.stage(
        "judge the frames" if planes is None else "read the planes", len(photographs), "frames"
    )
    results = crew.run(
        partial(_one, recipe=recipe, planes=planes),
        zip(photographs, names, strict=True),
        block_bytes=plane_block_bytes(gathered.readable[0], recipe),
        fixed_bytes=recipe_bytes(recipe),
    )
    judge = Judge(_judge_settings(session, one, len(photographs)))
    figures: dict[int, FrameFigures] = {}
    for index, result in enumerate(results):
        if isinstance(result, FrameFigures):
            judge.add(index, result)
            figures[index] = result.without_picture()
        else:
            judge.add_broken(index, FrameFacts.of(photographs[index]), result.what)
    verdict = judge.close()
    if not figures:
        raise PhotographProblem(
            "No photograph of this pass can be decoded.",
            where=photographs[0].name,
            got="; ".join(sorted({f.got or f.what for f in verdict.findings}))[:300],
            do="look at one of them with another program; copy them from the card again",
        )
    said = {finding.code for finding in verdict.findings}
    files = [f for f in gathered.findings if SAID_BY_JUDGE.get(f.code) not in said]
    readable, lost = _read_repeats(gathered, recipe, planes=planes, crew=crew)
    return Judged(verdict, figures, (*files, *more, *lost, *verdict.findings), readable)


def _read_repeats(
    gathered: Gathered, recipe: Recipe, *, planes: Path | None, crew: Crew
) -> tuple[tuple[bool, ...], list[Finding]]:
    """Decode the repeats by the same recipe; they are no frames of the stack and not judged."""
    if not gathered.repeats:
        return (), []
    photographs = tuple(shot.photograph for shot in gathered.repeats)
    crew.progress.stage("read the repeats", len(photographs), "photographs")
    results = crew.run(
        partial(_one, recipe=recipe, planes=planes),
        zip(photographs, scratch_names(photographs, gathered.hashes), strict=True),
        block_bytes=plane_block_bytes(gathered.readable[0], recipe),
        fixed_bytes=recipe_bytes(recipe),
    )
    readable: list[bool] = []
    lost = []
    told = {name for f in gathered.findings if f.code == UNREADABLE for name in f.photographs}
    for shot, result in zip(gathered.repeats, results, strict=True):
        readable.append(isinstance(result, FrameFigures))
        if isinstance(result, PhotographProblem) and shot.photograph.name not in told:
            lost.append(
                Finding(
                    UNREADABLE,
                    Severity.FAULT,
                    result.what,
                    result.got,
                    result.expected,
                    result.do,
                    (shot.photograph.name,),
                    (shot.position, shot.position),
                )
            )
    return tuple(readable), lost


def _one(
    task: tuple[Photograph, str], *, recipe: Recipe, planes: Path | None
) -> FrameFigures | PhotographProblem:
    photograph, name = task
    try:
        return make_plane(photograph, recipe, Scratch(planes, name) if planes else None)
    except PhotographProblem as problem:
        return problem


def recipe_bytes(recipe: Recipe) -> int:
    """Return the memory that a recipe's arrays take."""
    return sum(a.nbytes for a in (recipe.dark, recipe.flat, recipe.hot) if a is not None)


def _judge_settings(session: Session, one: Pass, count: int) -> JudgeSettings:
    step_um = None
    with suppress(SettingProblem):  # the frames can be judged before the scale is known
        step_um = session.true_scale(one).step_um.value
    towards = one.scan is Scan.TOWARDS
    last_um = (step_um or 0.0) * ((one.planned or count) - 1)
    return JudgeSettings(
        planned=one.planned,
        cadence_s=one.cadence_s,
        step_um=step_um,
        first_z_um=last_um if towards else 0.0,
        towards_lens=towards,
    )


def told(session: Session, one: Pass, gathered: Gathered, judged: Judged) -> Checked:
    """Write the tables and tell the verdict.

    Parameters
    ----------
    session, one, gathered, judged
        The pass and what was found.

    Returns
    -------
    Checked
        For a person or a program.
    """
    folder = session.pass_folder(one.name)
    verdict = judged.verdict
    known = len(verdict.findings)
    write_tables(folder, verdict, more=judged.findings[: len(judged.findings) - known])
    counts = {
        severity: sum(f.severity is severity for f in judged.findings) for severity in Severity
    }
    planned = f"{one.planned} planned" if one.planned else "no plan given"
    figures = [
        (
            f"photographs   {len(judged.figures)} read, {planned}, "
            f"{len(gathered.darks)} dark, {len(gathered.flats)} flat"
        ),
        (
            f"planes        {len(verdict.placements)}, of which "
            f"{sum(p.frame is None for p in verdict.placements)} missing, "
            f"{sum(p.doubtful for p in verdict.placements)} doubtful"
        ),
        "findings      "
        + ", ".join(f"{counts[s]} {s}{'' if counts[s] == 1 else 's'}" for s in reversed(Severity)),
    ]
    return Checked(
        sentence=verdict.sentence,
        figures=tuple(figures),
        findings=judged.findings,
        retakes=tuple(retake.words for retake in verdict.retakes),
        written=tuple(
            (folder / name).relative_to(session.root).as_posix()
            for name in ("frames.csv", "findings.csv")
        ),
    )
