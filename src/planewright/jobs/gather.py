"""Bring a pass's photographs together: which files, in which role, in which order."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
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
    """

    frames: tuple[Photograph, ...]
    darks: tuple[Photograph, ...]
    flats: tuple[Photograph, ...]
    hashes: dict[Path, str]
    findings: tuple[Finding, ...]

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
        If the pass has no photograph that can be read.
    """
    findings: list[Finding] = []
    listed: dict[Role, tuple[Photograph, ...]] = {}
    spoiled: list[Photograph] = []
    patterns = {role: _patterns(session, one, role) for role in Role}
    with ThreadPoolExecutor(workers) as pool:
        for role in (Role.SPECIMEN, Role.DARK, Role.FLAT):
            found = list_photographs(patterns[role], root=session.root, executor=pool)
            listed[role] = found.photographs
            findings += found.findings
            if role is Role.SPECIMEN:
                spoiled = [
                    _spoiled(f, session.root) for f in found.findings if f.code == UNREADABLE
                ]
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
    everything = [*frames, *listed[Role.DARK], *listed[Role.FLAT]]
    hashes = _hash_all({p.path for p in everything}, workers=workers, progress=progress)
    findings += equal_content({relative_name(p.path, session.root): hashes[p.path] for p in frames})
    return Gathered(
        frames=_once_each(frames, hashes),
        darks=listed[Role.DARK],
        flats=listed[Role.FLAT],
        hashes=hashes,
        findings=tuple(findings),
    )


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
        if group.role is role and group.in_pass in ("", one.name)
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
