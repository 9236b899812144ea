"""Bring a pass's photographs together: which files, in which role, in which order."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from planewright.base.blocks import run_blocks
from planewright.base.files import hash_file, is_junk
from planewright.base.nouns import Finding, Role, Severity
from planewright.base.problems import PhotographProblem, Problem
from planewright.base.progress import Progress
from planewright.frames import (
    Exposure,
    Header,
    Photograph,
    equal_content,
    find_files,
    list_photographs,
    order_photographs,
    same_kind,
)
from planewright.frames.listing import pages_of, relative_name
from planewright.sessions.folder import Session
from planewright.sessions.model import Pass

UNREADABLE = "unreadable"  # code of the finding, and kind of the header that stands for the file


@dataclass(frozen=True)
class RepeatShot:
    """A photograph of a plane that the stack shows already.

    Parameters
    ----------
    photograph : Photograph
        The photograph; of kind ``"unreadable"`` where its file cannot be read.
    position : int
        The planned position that it repeats, counted from 0.
    """

    photograph: Photograph
    position: int


@dataclass(frozen=True)
class Gathered:
    """A pass's photographs.

    Parameters
    ----------
    frames : tuple of Photograph
        The specimen's, in order of shooting. Files that cannot be read have a header of kind
        ``"unreadable"``.
    darks, flats : tuple of Photograph
        Calibration photographs.
    hashes : dict
        SHA-256 of each file by its path.
    findings : tuple of Finding
        What was noticed about the files.
    repeats : tuple of RepeatShot
        Planes photographed again, which are no frames of the stack, in the order of shooting.
    """

    frames: tuple[Photograph, ...]
    darks: tuple[Photograph, ...]
    flats: tuple[Photograph, ...]
    hashes: dict[Path, str]
    findings: tuple[Finding, ...]
    repeats: tuple[RepeatShot, ...] = ()

    @property
    def readable(self) -> tuple[Photograph, ...]:
        """The frames whose files can be read."""
        return tuple(p for p in self.frames if p.header.kind != UNREADABLE)


def gather(session: Session, one: Pass, *, workers: int, progress: Progress) -> Gathered:
    """Find, list, order and hash a pass's photographs.

    Parameters
    ----------
    session : Session
        The session.
    one : Pass
        The pass.
    workers : int
        Threads that read.
    progress : Progress
        Told of each file.

    Returns
    -------
    Gathered
        Frames in order, darks, flats, hashes, findings.

    Raises
    ------
    PhotographProblem
        If the pass has no photograph that can be read, or not as many repeats as it says.
    """
    findings: list[Finding] = []
    listed: dict[Role, tuple[Photograph, ...]] = {}
    spoiled: list[Photograph] = []
    patterns = {role: _patterns(session, one, role) for role in Role}
    repeated = _repeat_files(session, one)
    with ThreadPoolExecutor(workers) as pool:
        for role in (Role.SPECIMEN, Role.DARK, Role.FLAT):
            files: list[str | Path] = list(patterns[role])
            if role is Role.SPECIMEN and repeated:
                named = find_files(files, root=session.root)
                files = [path for path in named if path not in repeated]
            found = list_photographs(files, root=session.root, executor=pool)
            listed[role] = found.photographs
            findings += found.findings
            if role is Role.SPECIMEN:
                spoiled = [
                    _spoiled(f, session.root) for f in found.findings if f.code == UNREADABLE
                ]
        repeats, noticed = _repeats(session, one, pool)
        findings += noticed
    if not listed[Role.SPECIMEN]:
        raise PhotographProblem(
            f"Pass '{one.name}' has no photograph that can be read.",
            where=str(session.root),
            got="; ".join(f.what for f in findings) or "no file matches",
            expected="files that match "
            + (", ".join(patterns[Role.SPECIMEN]) or "a [[photographs]] table of this pass"),
            do="copy the frames there, or correct 'files' in session.toml",
        )
    ordered = order_photographs(listed[Role.SPECIMEN])
    findings += ordered.findings
    frames = _with_spoiled(list(ordered.photographs), spoiled)
    placed = {one.name for one in frames if one.header.kind == UNREADABLE}
    findings = [f for f in findings if f.code != UNREADABLE or f.photographs[0] not in placed]
    findings += same_kind(ordered.photographs)
    findings += _without_role(session)
    again = [shot.photograph for shot in repeats]
    everything = [*frames, *again, *listed[Role.DARK], *listed[Role.FLAT]]
    hashes = _hash_all({p.path for p in everything}, workers=workers, progress=progress)
    findings += equal_content(
        {relative_name(p.path, session.root): hashes[p.path] for p in (*frames, *again)}
    )
    if {hashes[p.path] for p in frames} & {hashes[p.path] for p in again}:
        # It was shot during the stack: its time puts it before the others and all planes are off.
        findings.append(
            _unplaced(
                again,
                "One of the repeats is a copy of a frame of the stack, so it is not known which "
                "plane each of the others shows; none of them is used.",
                do="take the copy out, or name the file that was shot after the stack",
            )
        )
        repeats = []
    return Gathered(
        frames=_once_each(frames, hashes),
        darks=listed[Role.DARK],
        flats=listed[Role.FLAT],
        hashes=hashes,
        findings=tuple(findings),
        repeats=tuple(repeats),
    )


def _repeat_files(session: Session, one: Pass) -> set[Path]:
    groups = session.settings.repeats_of(one.name)
    return {p for group in groups for p in find_files(list(group.patterns), root=session.root)}


def _repeats(session: Session, one: Pass, pool: Executor) -> tuple[list[RepeatShot], list[Finding]]:
    """List a pass's repeats, group by group, with the plane that each shows."""
    shots: list[RepeatShot] = []
    findings: list[Finding] = []
    for group in session.settings.repeats_of(one.name):
        found = list_photographs(group.patterns, root=session.root, executor=pool)
        ordered = order_photographs(found.photographs)
        findings += ordered.findings
        spoiled = [_spoiled(f, session.root) for f in found.findings if f.code == UNREADABLE]
        count = len(ordered.photographs) + len(spoiled)
        if count != len(group.repeats):
            raise PhotographProblem(
                f"The repeats of pass '{one.name}' are not as many as the planes that they show.",
                where=", ".join(group.patterns),
                got=f"{count} photograph{'' if count == 1 else 's'}",
                expected=f"{len(group.repeats)}, one for each plane of repeats = "
                f"{list(group.repeats)}",
                do="correct 'repeats' or 'files' in session.toml: a plane for each photograph, in "
                "the order in which they were shot",
            )
        placed = _with_spoiled(list(ordered.photographs), spoiled)
        if len(placed) != count:
            findings += [
                *found.findings,
                _unplaced(
                    placed,
                    "A repeat cannot be read and its name does not say when it was shot, so it is "
                    "not known which plane each of the others shows; none of them is used.",
                    do="take that file and its plane out of session.toml, or copy it again",
                ),
            ]
            continue
        mine = [RepeatShot(p, k - 1) for p, k in zip(placed, group.repeats, strict=True)]
        place = {shot.photograph.name: shot.position for shot in mine}
        findings += [_at(finding, place) for finding in found.findings]
        shots += mine
    return shots, findings


def _at(finding: Finding, place: dict[str, int]) -> Finding:
    """Add the position to the finding of a file that cannot be read."""
    if finding.code != UNREADABLE:
        return finding
    position = place[finding.photographs[0]]
    return replace(finding, positions=(position, position))


def _unplaced(photographs: Iterable[Photograph], what: str, *, do: str) -> Finding:
    names = tuple(p.name for p in photographs)
    return Finding("repeats-unplaced", Severity.DOUBT, what, do=do, photographs=names)


def _once_each(
    photographs: Iterable[Photograph], hashes: dict[Path, str]
) -> tuple[Photograph, ...]:
    """Leave out copies: files that are equal byte by byte are one photograph."""
    seen: set[tuple[str, int]] = set()
    kept = []
    for one in photographs:
        mark = (hashes[one.path], one.page)
        if mark not in seen:
            seen.add(mark)
            kept.append(one)
    return tuple(kept)


def _spoiled(finding: Finding, root: Path) -> Photograph:
    """Return a photograph that stands for a file that cannot be read."""
    path = root / finding.photographs[0]
    header = Header(path, UNREADABLE, 0, 0, 1, 0, "", Exposure(), notes=(finding.what, finding.got))
    return next(pages_of(header, root=root))


def _with_spoiled(frames: list[Photograph], spoiled: Iterable[Photograph]) -> list[Photograph]:
    """Put files that cannot be read where their counter says that they were shot.

    Where no neighbour by number is there, the file's place cannot be told and it stays out.
    """
    for one in sorted(spoiled, key=lambda photograph: photograph.counter or 0):
        for k, near in enumerate(frames):
            if one.counter is None or near.counter is None or near.path.parent != one.path.parent:
                continue
            if near.counter == one.counter - 1:
                frames.insert(k + 1, one)
                break
            if near.counter == one.counter + 1:
                frames.insert(k, one)
                break
    return frames


def _patterns(session: Session, one: Pass, role: Role) -> list[str]:
    return [
        pattern
        for group in session.settings.photographs
        if group.role is role and group.in_pass in ("", one.name) and not group.repeats
        for pattern in group.patterns
    ]


def _without_role(session: Session) -> list[Finding]:
    """Report photographs that lie beside others and that no group names."""
    groups = session.settings.photographs
    named = {
        path for group in groups for path in find_files(list(group.patterns), root=session.root)
    }
    folders = {path.parent for path in named} - {session.root}
    beside = sorted(
        path
        for folder in folders
        for path in folder.iterdir()
        if path.is_file() and not is_junk(path.name) and path not in named
    )
    if not beside:
        return []
    names = tuple(relative_name(path, session.root) for path in beside)
    return [
        Finding(
            code="no-role",
            severity=Severity.NOTE,
            what=f"{len(beside)} files lie beside the photographs and have no role.",
            got=", ".join(names[:3]) + (" …" if len(names) > 3 else ""),
            expected="each photograph named by a [[photographs]] table",
            do="add a [[photographs]] table with their role, or move them away",
            photographs=names,
        )
    ]


def _hash_all(paths: Iterable[Path], *, workers: int, progress: Progress) -> dict[Path, str]:
    files = sorted(paths)
    progress.stage("read the files", len(files), "files")

    def work(path: Path) -> str:
        try:
            return hash_file(path)
        except OSError as error:
            raise Problem(
                "A photograph cannot be read.", where=str(path), got=error.strerror or str(error)
            ) from error

    with ThreadPoolExecutor(workers) as pool:
        results = run_blocks(work, files, executor=pool, in_flight=2 * workers, progress=progress)
        return dict(zip(files, results, strict=True))
