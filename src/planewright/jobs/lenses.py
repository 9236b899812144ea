"""Search a drawer of lenses for the train that gives a sheet, and write it as a bench."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from planewright.base.files import write_text
from planewright.base.problems import Problem
from planewright.bench.drawer import OwnedLens, read_drawer
from planewright.bench.search import Candidate, Found, beam_at_lenses_mm, search
from planewright.bench.search_wanting import Wanting, wanting
from planewright.bench.search_wave import WaveCheck, by_waves
from planewright.bench.search_wish import HEIGHT_FRACTION, QUARTER_WAVE, Wish
from planewright.bench.search_write import bench_text
from planewright.optics.elements import Gap, Lens, Shape
from planewright.optics.sheet import best_waist

_WAVES_DIFFER = 0.05


@dataclass(frozen=True)
class LensReport:
    """What a search of a drawer is told by.

    Parameters
    ----------
    wish : Wish
        What was asked.
    lenses : int
        How many lenses the drawer holds.
    found : Found
        The trains.
    waves : tuple of WaveCheck
        The first and the second train by wave optics.
    wanting : Wanting or None
        The lens that would do it, where none does.
    written : tuple of str
        Files written.
    """

    wish: Wish
    lenses: int
    found: Found
    waves: tuple[WaveCheck, ...]
    wanting: Wanting | None
    written: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """1 if nothing in the drawer does what is asked."""
        return 0 if self.found.ok else 1

    @property
    def sentence(self) -> str:
        """The verdict."""
        asked = f"a sheet of {self.wish.sheet_um:g} µm over {self.wish.field_um:g} µm"
        if self.found.ok:
            best = self.found.best[0]
            told = f"{_listed(best.names)} make {asked}: {best.layout}."
            if self.waves and not self.waves[0].keeps:
                told += f" Wave optics does not bear it out: {self.waves[0].why}."
            return told
        told = f"Nothing in the drawer makes {asked}."
        if self.found.best and self.found.best[0].over_quarter_wave:
            told += " The nearest has over a quarter wave of aberration."
        if self.wanting is not None:
            return f"{told} Get {self.wanting.sentence}."
        return f"{told} No one lens more of the common focal lengths would."

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a person should know before trusting the figures."""
        wish = self.wish
        out = []
        least = best_waist(
            wish.field_um,
            wavelength_nm=wish.wavelength_nm,
            index=wish.index,
            beam_quality=wish.beam_quality,
        )
        if wish.edge_um > 1.25 * max(wish.sheet_um, least.edge_fwhm_um):
            out.append(
                f"a sheet of {wish.sheet_um:g} µm is {wish.edge_um:.3g} µm thick at the edges of "
                f"this field; the thinnest edges, {least.edge_fwhm_um:.3g} µm, come with a waist "
                f"of {least.fwhm_um:.3g} µm"
            )
        out.append(
            "lenses count as thin: gaps are from middle to middle, and mounts need their room; "
            "achromats count as free of aberration; the laser's waist is taken at the first lens"
        )
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        wave = [asdict(w) for w in self.waves]
        return {
            "sentence": self.sentence,
            "does_it": self.found.ok,
            "asked": {**asdict(self.wish), "height_um": self.wish.height},
            "possible_at_the_edges_um": self.wish.edge_um,
            "lenses": self.lenses,
            "trains_placed": self.found.placed,
            "trains_rated": self.found.rated,
            "why_not": self.found.why,
            "trains": [
                {**train_dict(c, self.wish), "by_waves": wave[k] if k < len(wave) else None}
                for k, c in enumerate(self.found.best)
            ],
            "wanting": None
            if self.wanting is None
            else {
                "kind": self.wanting.kind,
                "focal_length_mm": self.wanting.focal_length_mm,
                "shape": self.wanting.shape.value,
                "least_diameter_mm": self.wanting.least_diameter_mm,
                "train": train_dict(self.wanting.train, self.wish),
            },
            "cautions": list(self.cautions),
            "written": list(self.written),
        }


def train_dict(candidate: Candidate, wish: Wish) -> dict[str, Any]:
    """Return one train, JSON-ready.

    Parameters
    ----------
    candidate : Candidate
        The train.
    wish : Wish
        What was asked.

    Returns
    -------
    dict
        Figures with units in their names, and its lenses in the order of the light.
    """
    made = candidate.sheet
    return {
        "layout": candidate.layout,
        "does_it": candidate.does_it,
        "misses": list(candidate.misses),
        "cost": candidate.cost,
        "fwhm_um": made.fwhm_um,
        "edge_fwhm_um": candidate.edge_um,
        "usable_height_um": candidate.height_um,
        "height_fraction": HEIGHT_FRACTION,
        "rayleigh_um": made.rayleigh_um,
        "numerical_aperture": made.numerical_aperture,
        "power_passed": made.passed,
        "truncation": made.truncation,
        "aberration_waves": made.aberration.peak_to_valley_waves,
        "over_quarter_wave": candidate.over_quarter_wave,
        "waist_moves_um": candidate.moves_um,
        "misplacement_adds": candidate.spoils,
        "length_mm": candidate.length_mm,
        "lenses": [row.__dict__ for row in rows(candidate)],
    }


@dataclass(frozen=True)
class Row:
    """One lens of a train.

    Parameters
    ----------
    name, role, kind, facing : str
        What it is called, what it is there for, what it is, and which way round it stands.
    focal_length_mm : float
        In air.
    gap_after_mm : float
        Free path behind it.
    beam_y_mm, beam_z_mm : float
        1/e² full width of the beam there.
    clear_mm : float or None
        Clear width; None for a lens only thought of.
    """

    name: str
    role: str
    kind: str
    facing: str
    focal_length_mm: float
    gap_after_mm: float
    beam_y_mm: float
    beam_z_mm: float
    clear_mm: float | None


def rows(candidate: Candidate) -> tuple[Row, ...]:
    """Return the lenses of a train in the order of the light."""
    out = []
    elements = candidate.train.elements
    beams = iter(beam_at_lenses_mm(candidate.train))
    roles = iter(candidate.roles)
    for element, after in pairwise(elements):
        if not isinstance(element, Lens) or not isinstance(after, Gap):
            continue
        w_y, w_z = next(beams)
        clear = element.clear_mm("z")
        axis = {"y": ", focuses the height", "z": ", focuses the thickness"}
        out.append(
            Row(
                element.name,
                next(roles),
                element.shape.value + axis.get(element.acts_on, ""),
                _facing(element),
                element.focal_length_mm,
                after.length_mm,
                2 * w_y,
                2 * w_z,
                None if math.isinf(clear) else clear,
            )
        )
    return tuple(out)


def _facing(lens: Lens) -> str:
    if lens.facing is not None:
        return str(lens.facing.value)
    symmetric = lens.shape in (Shape.BICONVEX, Shape.BICONCAVE)
    return "either way round" if symmetric else "as its maker says"


def _listed(names: tuple[str, ...]) -> str:
    if len(names) == 1:
        return f"{names[0]} alone, and the window,"
    return ", ".join(names[:-1]) + f" and {names[-1]}"


def find_lenses(
    drawer: Path,
    wish: Wish,
    *,
    medium: str,
    temperature_degc: float,
    write: Path | None = None,
    shown: int = 5,
) -> LensReport:
    """Search a drawer.

    Parameters
    ----------
    drawer : Path
        The CSV file.
    wish : Wish
        What is asked.
    medium : str
        What the cell is filled with, for the bench.
    temperature_degc : float
        Its temperature, °C.
    write : Path or None
        Where to write the winner as a bench; an existing file is not touched.
    shown : int
        Trains to tell of.

    Returns
    -------
    LensReport
        What was found. A train that does not do what is asked is never written.

    Raises
    ------
    Problem
        If the drawer cannot be read, or the bench is there already.
    """
    if write is not None and write.exists():
        raise Problem(
            "There is a file of this name already; it was left as it is.",
            where=str(write),
            do="give another name: --write found.toml",
        )
    lenses: tuple[OwnedLens, ...] = read_drawer(drawer)
    found = search(lenses, wish, shown=shown)
    waves = tuple(by_waves(candidate, wish) for candidate in found.best[:2])
    lacking = None if found.ok else wanting(lenses, wish)
    written: tuple[str, ...] = ()
    if write is not None and found.ok:
        text = bench_text(found.best[0], wish, medium=medium, temperature_degc=temperature_degc)
        write_text(write, text)
        written = (str(write),)
    return LensReport(wish, sum(x.count for x in lenses), found, waves, lacking, written)


def reasons(report: LensReport) -> tuple[str, ...]:
    """Return why the first train is first, for a person.

    Parameters
    ----------
    report : LensReport
        What was found.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    best, wish = report.found.best, report.wish
    if not best:
        return (report.found.why,)
    first = best[0]
    out = list(first.misses)
    cell = 0.5e3 * wish.index
    out.append(
        f"a gap 0.5 mm off moves the waist by up to {first.moves_um:.0f} µm"
        + (
            ", as much as the cell itself half a millimetre off: focus by the last gap"
            if first.moves_um < 1.01 * cell
            else f" ({first.moves_um / cell:.1f} times what the cell half a millimetre off does)"
        )
        + f"; focused again, {100 * first.spoils:.1f} % of thickness and height is lost"
    )
    valley = first.sheet.aberration.peak_to_valley_waves
    out.append(
        f"spherical aberration is {valley:.2g} waves, "
        + ("over" if valley > QUARTER_WAVE else "within")
        + " the quarter wave, each lens the better way round"
    )
    for name, check in zip(("the first", "the second"), report.waves, strict=False):
        if not check.ok:
            out.append(f"wave optics could not follow {name}: {check.why}")
        elif check.fwhm_um is not None and check.edge_um is not None:
            out.append(
                f"by wave optics {name} is {check.fwhm_um:.3g} µm thick where thinnest and "
                f"{check.edge_um:.3g} µm at the worse edge"
            )
    if len(best) > 1:
        out.append(_against(first, best[1]))
    return tuple(out)


def _against(first: Candidate, second: Candidate) -> str:
    if first.does_it and not second.does_it:
        return f"the second, {_listed(second.names)}, falls short: {'; '.join(second.misses)}"
    points = (
        ("is thinner at the edges", second.edge_um / first.edge_um - 1),
        ("is thinner at the waist", second.sheet.fwhm_um / first.sheet.fwhm_um - 1),
        ("loses less light", first.sheet.passed - second.sheet.passed),
        ("bears misplacement better", second.spoils - first.spoils),
        ("has fewer lenses", 0.02 * (len(second.names) - len(first.names))),
        ("wastes less height", second.height_um / first.height_um - 1),
    )
    better, by = max(points, key=lambda point: point[1])
    what = better if by > 0.005 else "is nearly its equal"
    return f"before the second, {_listed(second.names)}, the first {what}"
