"""What all planes of a pass share: dark, hot map, flat, number format; made before pass one."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.files import hash_json, read_text, whole_file, write_text
from planewright.base.nouns import Finding, Severity
from planewright.base.problems import PhotographProblem
from planewright.check.figures import FrameFacts
from planewright.check.levels import DarkSum, FlatSum, HotFinder, HotMap, dark_mismatch
from planewright.frames import Photograph, Plane, judge_white, read_plane, top_of
from planewright.jobs.crew import Crew
from planewright.jobs.gather import Gathered
from planewright.jobs.planes import VERSION, Recipe, scratch_format
from planewright.sessions.model import Pass

SAMPLES = 12  # frames from which hot pixels and the white level are found where nothing says


def make_recipe(
    gathered: Gathered, one: Pass, *, work: Path | None, crew: Crew
) -> tuple[Recipe, tuple[Finding, ...]]:
    """Make dark, hot map and flat, and choose how scratch holds light.

    Parameters
    ----------
    gathered : Gathered
        The pass's photographs.
    one : Pass
        Its settings.
    work : Path or None
        Where finished levels are kept; None keeps nothing.
    crew : Crew
        Who works.

    Returns
    -------
    Recipe
        What `make_plane` needs.
    tuple of Finding
        Darks that do not match, flats that cannot be used.
    """
    frames = _samples(gathered.readable)
    first = _first_plane(frames, one)
    facts = [FrameFacts.of(frame) for frame in gathered.readable]
    findings = list(dark_mismatch([FrameFacts.of(dark) for dark in gathered.darks], facts))
    bad_size = {name for f in findings if f.code == "dark-size" for name in f.photographs}
    darks = [dark for dark in gathered.darks if dark.name not in bad_size]
    key = hash_json(
        {
            "step": "planes",
            "version": VERSION,
            "colour": one.colour,
            "darks": sorted(gathered.hashes[p.path] for p in darks),
            "flats": sorted(gathered.hashes[p.path] for p in gathered.flats),
            # where there are no darks, the frames themselves give the hot map
            "samples": [gathered.hashes[p.path] for p in frames],
        }
    )
    kept = work / f"planes-{key[:20]}" / "levels" if work is not None else None
    levels = _kept(kept) if kept is not None else None
    if levels is None:
        levels = _Levels.make(darks, gathered.flats, frames, one, crew, first.counts.shape)
        if kept is not None:
            levels.keep(kept)
    findings += levels.findings
    recipe = Recipe(
        colour=one.colour,
        shape=(first.counts.shape[0], first.counts.shape[1]),
        lattice=first.lattice,
        dark=levels.dark,
        flat=levels.flat,
        hot=levels.hot,
        number=scratch_format(first, frames[0].header.bits, levels.flat, deepest=levels.deepest()),
        white_hint=levels.white_hint,
        key=key,
        black_stated=first.black > 0,
        about=levels.about,
    )
    return recipe, tuple(findings)


class _Levels:
    """Dark, flat, hot map and white level, as made or as kept on disk."""

    def __init__(
        self,
        dark: NDArray[np.float32] | None,
        flat: NDArray[np.float32] | None,
        hot: NDArray[np.bool_] | None,
        white_hint: float | None,
        about: dict[str, Any],
        findings: tuple[Finding, ...],
    ) -> None:
        self.dark, self.flat, self.hot = dark, flat, hot
        self.white_hint = white_hint
        self.about = about
        self.findings = findings

    @classmethod
    def make(
        cls,
        darks: list[Photograph],
        flats: tuple[Photograph, ...],
        frames: list[Photograph],
        one: Pass,
        crew: Crew,
        shape: tuple[int, ...],
    ) -> _Levels:
        """Read the calibration photographs, each once."""
        findings: list[Finding] = []
        count = len(darks) + len(flats) + (0 if darks else len(frames))
        crew.progress.stage("learn the sensor", count, "photographs")
        dark = None
        hot_map = HotMap(np.zeros(shape, bool), 0, 0, "none")
        white_hint = None
        about: dict[str, Any] = {"darks": len(darks), "flats": 0}
        if darks:
            total = DarkSum()
            for plane in _stream(darks, one, crew, findings):
                total.add(plane.light())
            master = total.close()
            dark, hot_map = master.light, master.hot
            about["read_noise_counts"] = master.noise
        else:
            finder = HotFinder()
            tops = []
            for plane in _stream(frames, one, crew, []):
                finder.add(plane.light())
                tops.append(top_of(plane.counts))
            hot_map = finder.close()
            if not np.isfinite(plane.white):
                white = judge_white(tops)
                white_hint = white.value if white.ok else None
                about["white_level"] = white.why
        flat = None
        if flats:
            even = FlatSum(dark)
            for plane in _stream(flats, one, crew, findings):
                even.add(plane.light(), saturated=plane.saturated)
            response = even.close(hot=hot_map.bad)
            if response.ok:
                flat = response.response
                about.update(flats=response.frames, flat_noise=response.noise)
            else:
                findings.append(_unusable_flat(response.why))
        about.update(hot=hot_map.hot, dead=hot_map.dead, hot_from=hot_map.source)
        hot = hot_map.bad if hot_map.bad.any() else None
        return cls(dark, flat, hot, white_hint, about, tuple(findings))

    def deepest(self) -> float:
        """Return the most that the dark takes off a pixel that is kept, counts."""
        if self.dark is None:
            return 0.0
        sound = self.dark if self.hot is None else self.dark[~self.hot]
        return max(0.0, float(sound.max())) if sound.size else 0.0

    def keep(self, folder: Path) -> None:
        """Write the levels; the table comes last and proves the rest."""
        for name in ("dark", "flat", "hot"):
            array = getattr(self, name)
            if array is not None:
                with whole_file(folder / f"{name}.npy") as partial, partial.open("wb") as handle:
                    np.save(handle, array)
        table = {
            "has": [n for n in ("dark", "flat", "hot") if getattr(self, n) is not None],
            "white_hint": self.white_hint,
            "about": self.about,
            "findings": [finding.to_dict() for finding in self.findings],
        }
        write_text(folder / "levels.json", json.dumps(table))


def _kept(folder: Path) -> _Levels | None:
    proof = folder / "levels.json"
    if not proof.exists():
        return None
    table = json.loads(read_text(proof))
    arrays = {name: np.load(folder / f"{name}.npy") for name in table["has"]}
    return _Levels(
        arrays.get("dark"),
        arrays.get("flat"),
        arrays.get("hot"),
        table["white_hint"],
        table["about"],
        tuple(Finding.from_dict(each) for each in table["findings"]),
    )


def _samples(frames: tuple[Photograph, ...]) -> list[Photograph]:
    """Return some frames of the usual size, spread evenly over the pass."""
    sizes = Counter((p.header.rows, p.header.columns) for p in frames)
    usual = sizes.most_common(1)[0][0]
    frames = tuple(p for p in frames if (p.header.rows, p.header.columns) == usual)
    places = np.unique(np.linspace(0, len(frames) - 1, min(SAMPLES, len(frames))).round())
    return [frames[int(k)] for k in places]


def _read(photograph: Photograph, one: Pass) -> Plane | PhotographProblem:
    try:
        return read_plane(
            photograph.path, page=photograph.page, colour=one.colour, header=photograph.header
        )
    except PhotographProblem as problem:
        return problem


def _first_plane(frames: list[Photograph], one: Pass) -> Plane:
    """Return the first plane that can be decoded."""
    problems = []
    for photograph in frames:
        plane = _read(photograph, one)
        if isinstance(plane, Plane):
            return plane
        problems.append(plane)
    raise problems[0]


def _stream(
    photographs: Sequence[Photograph], one: Pass, crew: Crew, findings: list[Finding]
) -> Iterator[Plane]:
    """Give planes in order; what cannot be decoded becomes a finding."""
    work = partial(_read, one=one)
    results = crew.run(work, photographs, block_bytes=_plane_bytes(photographs))
    for photograph, plane in zip(photographs, results, strict=True):
        if isinstance(plane, Plane):
            yield plane
        else:
            findings.append(
                Finding(
                    "unreadable",
                    Severity.DOUBT,
                    plane.what,
                    plane.got,
                    plane.expected,
                    plane.do,
                    (photograph.name,),
                )
            )


def _plane_bytes(photographs: Iterable[Photograph]) -> int:
    header = next(iter(photographs)).header
    return 8 * header.rows * header.columns


def _unusable_flat(why: str) -> Finding:
    return Finding(
        code="flat-unusable",
        severity=Severity.DOUBT,
        what="The flats cannot be used; the light is left uneven.",
        got=why,
        expected="an even scene, well exposed, no pixel full",
        do="photograph the cell full of thin dye, without specimen, at half the full level",
    )
