"""The drawer of lenses that somebody owns: a CSV file, one row a lens."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from planewright.base.files import read_text
from planewright.base.problems import RangeProblem, SettingProblem, UnitProblem
from planewright.base.units import parse_quantity
from planewright.optics.elements import Shape

Kind = Literal["lens", "cylinder"]

_COLUMNS = {
    "name": "what you call the lens",
    "kind": "lens (round, focuses both axes) or cylinder (focuses one)",
    "focal_length": "in air, with its unit; negative for a diverging lens",
    "diameter": "of the clear opening, with its unit (or width)",
    "width": "of the clear opening of a lens that is not round, with its unit (or diameter)",
    "shape": "plano-convex, plano-concave, biconvex, biconcave, meniscus, achromat or ideal",
    "count": "how many you have; 1 if left out",
    "index": "of the glass; 1.52 if left out",
    "bending": "of a meniscus: (R2 + R1)/(R2 − R1), curved side first",
    "note": "not read",
}
_LENGTHS = ("focal_length", "diameter", "width")
_HEADER = re.compile(r"^(.*?)[\s_]*(?:[\[(]\s*(\w+)\s*[\])]|_(mm|cm|um|m))?$")


@dataclass(frozen=True)
class OwnedLens:
    """One kind of lens in the drawer.

    Parameters
    ----------
    name : str
        What its owner calls it.
    kind : {"lens", "cylinder"}
        A round lens focuses both axes, a cylinder one.
    focal_length_mm : float
        In air; negative for a diverging lens.
    clear_mm : float
        Diameter or width of the clear opening; infinite for a lens that is only thought of.
    shape : Shape
        How it is bent.
    is_round : bool
        Whether the opening is a circle.
    count : int
        How many there are.
    glass_index : float
        Index of the glass.
    bending : float or None
        Coddington shape factor of a meniscus.
    """

    name: str
    kind: Kind
    focal_length_mm: float
    clear_mm: float
    shape: Shape
    is_round: bool = True
    count: int = 1
    glass_index: float = 1.52
    bending: float | None = None

    @property
    def faces_differ(self) -> bool:
        """Whether it matters which side meets the light first."""
        return self.shape in (Shape.PLANO_CONVEX, Shape.PLANO_CONCAVE, Shape.MENISCUS)


def read_drawer(path: Path) -> tuple[OwnedLens, ...]:
    """Read a drawer.

    Parameters
    ----------
    path : Path
        A CSV file, UTF-8, with a header row. Units stand in the header
        (``focal_length_mm``, ``focal_length [mm]``) or in the cells (``50 mm``).

    Returns
    -------
    tuple of OwnedLens
        In the order of the file.

    Raises
    ------
    SettingProblem, UnitProblem, RangeProblem
        If a column or a cell is wrong; the row is named.
    """
    text = read_text(path)
    where = path.name
    first = text.split("\n", 1)[0]
    if first.count(";") > first.count(",") or first.count("\t") > first.count(","):
        raise SettingProblem(
            "The columns of this drawer are not parted by commas.",
            where=f"{where}, row 1",
            got=first.strip()[:60],
            expected="columns parted by commas, numbers with a decimal point",
            do="save the table again as CSV with commas",
        )
    rows = list(csv.reader(io.StringIO(text)))
    filled = [(n, row) for n, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if not filled:
        raise SettingProblem("This drawer is empty.", where=where, expected=_wanted())
    columns = _header(filled[0][1], f"{where}, row {filled[0][0]}")
    lenses = tuple(_lens(columns, row, f"{where}, row {n}") for n, row in filled[1:])
    if not lenses:
        raise SettingProblem(
            "This drawer has no lens in it.", where=where, expected="one row a lens"
        )
    names: dict[str, int] = {}
    for (number, _), lens in zip(filled[1:], lenses, strict=True):
        if lens.name in names:
            raise SettingProblem(
                "Two lenses have one name.",
                where=f"{where}, rows {names[lens.name]} and {number}",
                got=lens.name,
                do="give each its own name, or say how many there are in a column count",
            )
        names[lens.name] = number
    return lenses


def _wanted() -> str:
    return "a header row: name, kind, focal_length, diameter (or width), shape"


def _header(cells: list[str], where: str) -> list[tuple[str, str]]:
    """Return name and unit of every column."""
    out: list[tuple[str, str]] = []
    for cell in cells:
        match = _HEADER.match(cell.strip())
        stem = (match[1] if match else cell).strip().lower().replace(" ", "_").replace("-", "_")
        unit = (match[2] or match[3] or "") if match else ""
        if stem not in _COLUMNS:
            near = difflib.get_close_matches(stem, _COLUMNS, n=1, cutoff=0.55)
            meant = f"is {near[0]} meant? " if near else ""
            raise SettingProblem(
                "The drawer has a column that is not known.",
                where=where,
                got=cell.strip() or "a column without a name",
                expected=", ".join(_COLUMNS),
                do=f"{meant}remarks go into a column note; others leave out",
            )
        if stem in [name for name, _ in out]:
            raise SettingProblem("A column stands twice in the drawer.", where=where, got=stem)
        out.append((stem, unit))
    names = [name for name, _ in out]
    missing = [name for name in ("name", "kind", "focal_length") if name not in names]
    if "diameter" not in names and "width" not in names:
        missing.append("diameter or width")
    if missing:
        raise SettingProblem(
            "The drawer lacks a column.",
            where=where,
            got=", ".join(names),
            expected=_wanted(),
            do=f"add {', '.join(missing)}",
        )
    return out


def _lens(columns: list[tuple[str, str]], row: list[str], where: str) -> OwnedLens:
    if len(row) > len(columns) and any(cell.strip() for cell in row[len(columns) :]):
        raise SettingProblem(
            "This row has more cells than there are columns.",
            where=where,
            got=f"{len(row)} cells",
            expected=f"{len(columns)}",
            do="write a decimal sign as a point, and a text with a comma in quotation marks",
        )
    cells = {name: cell.strip() for (name, _), cell in zip(columns, row, strict=False)}
    units = dict(columns)
    kind = cells.get("kind", "").lower()
    if kind not in ("lens", "cylinder"):
        raise SettingProblem(
            "The kind of this lens is not known.",
            where=f"{where}, kind",
            got=kind or "nothing",
            expected=_COLUMNS["kind"],
        )
    lengths = {
        name: _length(cells[name], units[name], f"{where}, {name}")
        for name in _LENGTHS
        if cells.get(name)
    }
    focal = lengths.get("focal_length")
    if focal is None:
        raise SettingProblem(
            "This lens has no focal length.",
            where=f"{where}, focal_length",
            got="nothing",
            expected=_COLUMNS["focal_length"],
        )
    if not 1 <= abs(focal) <= 5000:
        raise RangeProblem(
            "This focal length is not possible here.",
            where=f"{where}, focal_length",
            got=f"{focal:g} mm",
            expected="1 to 5000 mm, negative for a diverging lens",
        )
    openings = [lengths[name] for name in ("diameter", "width") if name in lengths]
    if len(openings) != 1:
        raise SettingProblem(
            "This lens needs its diameter or its width, one of the two.",
            where=where,
            got="both" if openings else "neither",
            do="measure what light gets through, or take nine tenths of the rim",
        )
    if not 0.5 <= openings[0] <= 500:
        raise RangeProblem(
            "This lens has no possible opening.",
            where=where,
            got=f"{openings[0]:g} mm",
            expected="0.5 to 500 mm",
        )
    return OwnedLens(
        cells.get("name") or f"{kind} {focal:g} mm ({where.rsplit(', ', 1)[1]})",
        "lens" if kind == "lens" else "cylinder",
        focal,
        openings[0],
        _shape(cells, focal, where),
        is_round="diameter" in lengths and kind == "lens",
        count=int(_number(cells, "count", 1, 1, 1000, where)),
        glass_index=_number(cells, "index", 1.52, 1.3, 2.6, where),
        bending=_number(cells, "bending", 0, -20, 20, where) if cells.get("bending") else None,
    )


def _length(cell: str, unit: str, where: str) -> float:
    bare = re.fullmatch(r"[+\-−]?\d*\.?\d*", cell) is not None
    text = cell.replace("−", "-")
    if bare and not unit:
        raise UnitProblem(
            "A number stands here without its unit.",
            where=where,
            got=cell,
            expected="50 mm in the cell, or the unit in the header: focal_length_mm",
        )
    return parse_quantity(f"{text} {unit}" if bare else text, "mm", where=where)


def _number(
    cells: dict[str, str], name: str, default: float, least: float, most: float, where: str
) -> float:
    cell = cells.get(name, "")
    if not cell:
        return default
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not least <= value <= most or (name == "count" and value != int(value)):
        raise RangeProblem(
            f"The {name} of this lens is not possible.",
            where=f"{where}, {name}",
            got=cell,
            expected=f"{least:g} to {most:g}: {_COLUMNS[name]}",
        )
    return value


def _shape(cells: dict[str, str], focal_mm: float, where: str) -> Shape:
    """Return the shape; a singlet is counted as plano where nothing is said, as most are."""
    text = cells.get("shape", "").lower().replace(" ", "-").replace("_", "-")
    if not text:
        return Shape.PLANO_CONVEX if focal_mm > 0 else Shape.PLANO_CONCAVE
    if text not in [shape.value for shape in Shape]:
        raise SettingProblem(
            "The shape of this lens is not known.",
            where=f"{where}, shape",
            got=cells["shape"],
            expected=", ".join(shape.value for shape in Shape),
        )
    shape = Shape(text)
    if (shape.value.endswith("convex") and focal_mm < 0) or (
        shape.value.endswith("concave") and focal_mm > 0
    ):
        raise RangeProblem(
            "The sign of this focal length does not fit the lens's shape.",
            where=where,
            got=f"{shape.value}, {focal_mm:g} mm",
            expected="a convex lens above 0 mm, a concave one below",
        )
    if shape is Shape.MENISCUS and not cells.get("bending"):
        raise SettingProblem(
            "A meniscus needs its bending for its aberration.",
            where=f"{where}, bending",
            got="nothing",
            expected=_COLUMNS["bending"],
            do="work it out from the two radii, or call the lens ideal",
        )
    return shape
