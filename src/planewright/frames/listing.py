"""Which photographs a session means: patterns, pairs, names, doubles."""

from __future__ import annotations

import fnmatch
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from planewright.base.files import is_junk, same_name
from planewright.base.nouns import Finding, Severity
from planewright.base.problems import PhotographProblem
from planewright.frames.content import ENDINGS, SHOWN
from planewright.frames.nouns import Header, Photograph
from planewright.frames.readers import read_header

_KNOWN_ENDINGS = frozenset().union(*ENDINGS.values())


@dataclass(frozen=True)
class Listed:
    """Photographs that were found, and what was noticed on the way.

    Parameters
    ----------
    photographs : tuple of Photograph
        One a page, by name; order them with ``order_photographs``.
    findings : tuple of Finding
        Files that cannot be read, pairs set aside, wrong endings, odd data about a file.
    problems : tuple of PhotographProblem
        The problem of each file that cannot be read, in the order of names.
    """

    photographs: tuple[Photograph, ...]
    findings: tuple[Finding, ...]
    problems: tuple[PhotographProblem, ...] = ()


def list_photographs(
    files: str | Path | Sequence[str | Path],
    *,
    root: Path,
    executor: Executor | None = None,
) -> Listed:
    """Find photographs and read their headers.

    Parameters
    ----------
    files : str, Path, or a sequence of them
        Files, folders, or patterns with ``*``, ``?``, ``[...]`` and ``**``, from ``root``.
        Names match whatever their case and whichever way accents are written; a name with
        brackets also matches itself.
    root : Path
        The session's folder.
    executor : Executor or None
        Where headers are read; here, one after the other, if None.

    Returns
    -------
    Listed
        Photographs and findings. An empty answer is for the caller to judge.
    """
    paths = find_files(files, root=root)
    read = executor.map(_read, paths) if executor else map(_read, paths)
    headers: dict[Path, Header] = {}
    problems: list[tuple[Path, PhotographProblem]] = []
    for path, got in zip(paths, read, strict=True):
        if isinstance(got, Header):
            headers[path] = got
        else:
            problems.append((path, got))
    findings = [_unreadable(relative_name(path, root), problem) for path, problem in problems]
    kept, aside = _pairs(headers)
    findings += _aside_finding([relative_name(path, root) for path in aside])
    read_from = [headers[path] for path in kept]
    findings += _ending_findings(read_from, root) + _odd_findings(read_from, root)
    photographs = [one for header in read_from for one in pages_of(header, root=root)]
    return Listed(tuple(photographs), tuple(findings), tuple(problem for _, problem in problems))


def _read(path: Path) -> Header | PhotographProblem:
    try:
        return read_header(path)
    except PhotographProblem as problem:
        return problem


def pages_of(header: Header, *, root: Path) -> Iterator[Photograph]:
    """Give a photograph for each page of a file, in the order of pages."""
    name, count = relative_name(header.path, root), counter_of(header.path)
    for page in range(header.pages):
        shown = f"{name}#{page + 1}" if header.pages > 1 else name
        yield Photograph(header.path, page, shown, header, count)


def relative_name(path: Path, root: Path) -> str:
    """Return a path as findings and tables show it: from ``root`` if inside, NFC, with ``/``."""
    try:
        shown = path.resolve().relative_to(root.resolve()).as_posix()
    except ValueError:
        shown = path.as_posix()
    return unicodedata.normalize("NFC", shown)


def counter_of(path: Path) -> int | None:
    """Return the digits at the end of a file's name as a number, None where there are none."""
    digits = counter_digits(path)
    return int(digits) if digits else None


def counter_digits(path: Path) -> str:
    """Return the digits at the end of a file's name as written, empty where there are none.

    The mark of a copy (``F_0042 (1).dng``) is passed over; a date or time is no counter.
    """
    stem = re.sub(r"( \(\d+\)| - copy| copy( \d+)?)$", "", path.stem, flags=re.IGNORECASE)
    if re.search(r"\d\d[-_.:]\d\d[-_.:]\d\d$", stem, re.ASCII):
        return ""
    match = re.search(r"(\d{1,15})$", stem, re.ASCII)
    return match[1] if match else ""


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts names as a person would: ``f2`` before ``f10``."""
    parts = re.split(r"(\d+)", same_name(name), flags=re.ASCII)
    return tuple((1, int(p), "") if p.isdigit() and p.isascii() else (0, 0, p) for p in parts if p)


def find_files(files: str | Path | Sequence[str | Path], *, root: Path) -> list[Path]:
    """Return the files that patterns mean, without systems' left-overs, each once, by name.

    Parameters
    ----------
    files : str, Path, or a sequence of them
        As for ``list_photographs``. A folder means the photographs in it, by ending.
    root : Path
        Where relative patterns begin.

    Returns
    -------
    list of Path
        Sorted as a person would sort them.
    """
    wanted = [files] if isinstance(files, (str, Path)) else list(files)
    found: dict[Path, None] = {}
    for one in wanted:
        for path in _match(Path(root), Path(one)):
            found.setdefault(path)
    return sorted(found, key=lambda path: (natural_key(path.as_posix()), path.as_posix()))


def _match(root: Path, pattern: Path) -> Iterable[Path]:
    whole = root / pattern
    if whole.is_file():
        return [whole]
    if whole.is_dir():
        return [
            path
            for path in whole.iterdir()
            if not is_junk(path.name)
            and path.suffix.lower().lstrip(".") in _KNOWN_ENDINGS
            and path.is_file()
        ]
    start = Path(pattern.anchor) if pattern.is_absolute() else root
    parts = pattern.parts[1:] if pattern.is_absolute() else pattern.parts
    return [path for path in _walk(start, parts) if path.is_file()]


def _walk(folder: Path, parts: Sequence[str]) -> Iterator[Path]:
    if not parts:
        yield folder
        return
    first, rest = parts[0], parts[1:]
    if first in ("..", "."):
        yield from _walk(folder / first, rest)
        return
    try:
        names = sorted(path.name for path in folder.iterdir())
    except OSError:
        return
    if first == "**":
        yield from _walk(folder, rest or ("*",))
        for name in names:
            if not is_junk(name) and (folder / name).is_dir():
                yield from _walk(folder / name, parts)
        return
    for name in names:
        if name == first or (not is_junk(name) and _same(name, first)):
            yield from _walk(folder / name, rest)


def _same(name: str, pattern: str) -> bool:
    name, pattern = same_name(name), same_name(pattern)
    literal = pattern.replace("[", "[[]")
    return fnmatch.fnmatchcase(name, pattern) or fnmatch.fnmatchcase(name, literal)


def _pairs(headers: Mapping[Path, Header]) -> tuple[list[Path], list[Path]]:
    """Split into files kept, and those that are another form of a RAW beside them."""
    raws = {
        (path.parent, same_name(path.stem)) for path, one in headers.items() if one.kind == "raw"
    }
    kept: list[Path] = []
    aside: list[Path] = []
    for path, header in headers.items():
        paired = header.kind != "raw" and (path.parent, same_name(path.stem)) in raws
        (aside if paired else kept).append(path)
    return kept, aside


def _aside_finding(names: Sequence[str]) -> list[Finding]:
    if not names:
        return []
    return [
        Finding(
            "pair-set-aside",
            Severity.NOTE,
            "The camera wrote each of these photographs twice; the RAW file is used and the other "
            "set aside.",
            got=f"{len(names)} set aside",
            do="nothing; or name one kind in session.toml, for example frames/*.dng",
            photographs=tuple(names),
        )
    ]


def _unreadable(name: str, problem: PhotographProblem) -> Finding:
    return Finding(
        "unreadable",
        Severity.FAULT,
        problem.what,
        got=problem.got,
        expected=problem.expected,
        do=problem.do,
        photographs=(name,),
    )


def _ending_findings(kept: Iterable[Header], root: Path) -> list[Finding]:
    found: list[Finding] = []
    for header in kept:
        ending = header.path.suffix.lower().lstrip(".")
        if ending not in ENDINGS[header.kind]:
            found.append(
                Finding(
                    "mislabelled",
                    Severity.DOUBT,
                    f"This file is {SHOWN[header.kind]}, though its name says otherwise.",
                    got=f".{ending}" if ending else "no ending",
                    expected=" or ".join(f".{one}" for one in sorted(ENDINGS[header.kind])[:6]),
                    do="it was read by its content; find out why its name is wrong",
                    photographs=(relative_name(header.path, root),),
                )
            )
    return found


def _odd_findings(kept: Iterable[Header], root: Path) -> list[Finding]:
    by_note: dict[str, list[str]] = defaultdict(list)
    for header in kept:
        for note in header.notes:
            by_note[note].append(relative_name(header.path, root))
    return [
        Finding(
            "odd-data",
            Severity.NOTE,
            note,
            got=f"in {len(names)} file{'s' if len(names) > 1 else ''}",
            do="check the camera's clock and settings; the image itself is used",
            photographs=tuple(names),
        )
        for note, names in by_note.items()
    ]


def equal_content(hashes: Mapping[str, str]) -> list[Finding]:
    """Name photographs whose files are equal byte by byte.

    Parameters
    ----------
    hashes : mapping
        Content hash by the file's name.

    Returns
    -------
    list of Finding
        One for each group of equal files.
    """
    groups: dict[str, list[str]] = defaultdict(list)
    for name, digest in hashes.items():
        groups[digest].append(name)
    return [
        Finding(
            "same-content",
            Severity.FAULT,
            "These files are the same photograph, byte by byte.",
            got=f"{len(names)} equal files",
            expected="each photograph once",
            do="keep one of them in the session; were two cards copied into one folder?",
            photographs=tuple(sorted(names, key=natural_key)),
        )
        for names in groups.values()
        if len(names) > 1
    ]
