"""The contact sheet: every planned position small, its findings by symbol and word."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planewright.base.nouns import Finding, Severity
from planewright.base.problems import RangeProblem
from planewright.picture.layout import (
    LEAST_WIDTH,
    MARGIN,
    NORMAL,
    SMALL,
    Layout,
    text_width_in,
)
from planewright.picture.page import INK, RULE, SOFT_INK, Box, Mark, Panel, Picture, Words, hatch
from planewright.picture.tone import Rgb, Window, choose_window, colour_map, short
from planewright.picture.views import key_below, paint_light

NAME = "Frames"
CELL_WIDTH = 1.02
GUTTER = 0.12
TEXT = 5.5
LINE = 0.095
LINES = 3  # of text below a thumbnail: its place, and two findings

# Shape, word and darkness tell the severity; colour (Okabe and Ito 2008) only helps.
SIGNS = {
    Severity.FAULT: ("X", "#c04a00", True),
    Severity.DOUBT: ("^", "#b07a00", True),
    Severity.NOTE: ("o", "#0072b2", False),
}
_RANK = (Severity.FAULT, Severity.DOUBT, Severity.NOTE)


@dataclass(frozen=True)
class Cell:
    """One planned position of the contact sheet.

    Parameters
    ----------
    position : int
        Planned position, counted from 0.
    name : str
        The photograph's name; "" for a gap.
    z_um : float or None
        Its place, µm.
    findings : tuple of Finding
        What was noticed about it.
    """

    position: int
    name: str = ""
    z_um: float | None = None
    findings: tuple[Finding, ...] = ()


def contact_sheet(
    thumbnails: Sequence[npt.NDArray[np.floating] | None],
    cells: Sequence[Cell],
    *,
    pixel_um: float | None = None,
    unit: str = "",
    title: str = "",
    columns: int | None = None,
    colours: str = "grey",
    window: tuple[float, float] | None = None,
    gamma: float = 1.0,
) -> Picture:
    """Draw all frames small, in the order of shooting, gaps as empty cells.

    Parameters
    ----------
    thumbnails : sequence of ndarray of shape (rows, columns), or None
        Light; NaN where there is none. None for a position without a photograph.
    cells : sequence of Cell
        One for each thumbnail.
    pixel_um : float or None
        Size of a thumbnail's pixel in the specimen, µm; None leaves the scale bar out.
    unit : str
        Unit of light.
    title : str
        First line; the kind stands below it.
    columns : int or None
        Cells in a row; None chooses.
    colours : str
        One of `planewright.picture.COLOUR_MAPS`.
    window : tuple of float or None
        Light shown as black and as full, one for all frames; None chooses.
    gamma : float
        Exponent of the rise between them.

    Returns
    -------
    Picture
        Panels are named ``frame <position>``.

    Raises
    ------
    RangeProblem
        If thumbnails and cells do not belong together.
    """
    if len(thumbnails) != len(cells):
        raise RangeProblem(
            "Thumbnails and cells do not belong together.",
            got=f"{len(thumbnails)} thumbnails, {len(cells)} cells",
        )
    table = colour_map(colours)
    there = [np.asarray(t) for t in thumbnails if t is not None and np.asarray(t).size]
    values = np.concatenate([t.ravel() for t in there]) if there else np.zeros(0, np.float32)
    chosen = choose_window(values, np.isfinite(values), ends=window, gamma=gamma)
    count = columns or min(12, max(4, math.ceil(math.sqrt(len(cells)))))
    width = max(LEAST_WIDTH, count * (CELL_WIDTH + GUTTER) - GUTTER)
    sheet = Layout("frames", title or NAME, width)
    sheet.heading(NAME if title else "")
    tallest = max((t.shape[0] / t.shape[1] for t in there), default=0.75)
    high = CELL_WIDTH * tallest
    for start in range(0, len(cells), count):
        row = cells[start : start + count]
        for place, cell in enumerate(row):
            box = Box(MARGIN + place * (CELL_WIDTH + GUTTER), sheet.top, CELL_WIDTH, high)
            _cell(sheet, box, thumbnails[start + place], cell, chosen, table)
        lines = 1 + min(LINES - 1, max(len(cell.findings) for cell in row))
        sheet.top += high + lines * LINE + 0.15
    sheet.top += 0.06
    _legend(sheet, there, cells, chosen, table, pixel_um, unit)
    sheet.facts |= {"window": chosen, "unit": unit}
    widest = max((t.shape[1] for t in there), default=0)
    return sheet.picture(widest * pixel_um / CELL_WIDTH if pixel_um and widest else None)


def _cell(
    sheet: Layout,
    box: Box,
    thumbnail: npt.NDArray[np.floating] | None,
    cell: Cell,
    window: Window,
    table: Rgb,
) -> None:
    found = sorted(cell.findings, key=lambda f: _RANK.index(f.severity))
    worst = found[0].severity if found else None
    name = f"frame {cell.position}"
    points, ink = (1.6, SIGNS[worst][1]) if worst is Severity.FAULT else (0.5, RULE)
    if thumbnail is None:
        sheet.panels.append(Panel(name, box, hatch, frame_ink=ink, frame_points=points))
        middle = box.top + box.height / 2 + 0.03
        text = "not shown" if cell.name else "no frame"
        width = text_width_in(text, SMALL) + 0.12
        blank = Box(box.left + (box.width - width) / 2, middle - 0.105, width, 0.15)
        sheet.panels.append(Panel(f"{name} label", blank, _white, frame=False))
        sheet.words.append(Words(box.left + box.width / 2, middle, text, SMALL, align="center"))
    else:
        light = np.asarray(thumbnail, np.float32)
        seen = np.isfinite(light)
        rows, columns = light.shape
        # Frames of another shape keep their proportions and stand in the cell's top left.
        scale = min(box.width / columns, box.height / rows)
        own = Box(box.left, box.top, columns * scale, rows * scale)
        paint = paint_light(np.where(seen, light, 0), seen, window, table)
        sheet.panels.append(Panel(name, own, paint, frame_ink=ink, frame_points=points))
    baseline = box.bottom + 0.11
    place = "" if cell.z_um is None else f"z {short(cell.z_um)} µm"
    sheet.words.append(Words(box.left, baseline, f"{cell.position + 1}", TEXT, INK, bold=True))
    sheet.words.append(Words(box.right, baseline, place, TEXT, SOFT_INK, align="right"))
    _findings(sheet, box, baseline, found)


def _white(shape: tuple[int, int], dpi: float) -> npt.NDArray[np.uint8]:
    return np.full((*shape, 3), 255, np.uint8)


def _findings(sheet: Layout, box: Box, baseline: float, found: list[Finding]) -> None:
    """Put up to two findings, the worst first, each with its sign and its word."""
    shown = found if len(found) < LINES else found[: LINES - 2]
    for finding in shown:
        baseline += LINE
        symbol, ink, filled = SIGNS[finding.severity]
        sheet.marks.append(Mark(box.left + 0.04, baseline - 0.03, symbol, 4.0, ink, filled))
        text = shorten(finding.code.replace("-", " "), box.width - 0.1, TEXT)
        sheet.words.append(Words(box.left + 0.1, baseline, text, TEXT))
    if len(shown) < len(found):
        text = f"and {len(found) - len(shown)} more"
        sheet.words.append(Words(box.left + 0.1, baseline + LINE, text, TEXT, SOFT_INK))


def shorten(text: str, width_in: float, points: float) -> str:
    """Cut a text with an ellipsis so that it fits into a width."""
    if text_width_in(text, points) <= width_in:
        return text
    while text and text_width_in(text + "…", points) > width_in:
        text = text[:-1]
    return text.rstrip() + "…"


def _legend(
    sheet: Layout,
    there: list[npt.NDArray[np.floating]],
    cells: Sequence[Cell],
    window: Window,
    table: Rgb,
    pixel_um: float | None,
    unit: str,
) -> None:
    bar_end = MARGIN
    if pixel_um is not None and there:
        um_per_in = max(t.shape[1] for t in there) * pixel_um / CELL_WIDTH
        bar_end = sheet.put_scale_bar(MARGIN, um_per_in, 0.6 * CELL_WIDTH)
    if there:
        key_below(sheet, table, window, unit, bar_end, sheet.room)
    left = MARGIN
    for severity in _RANK:
        symbol, ink, filled = SIGNS[severity]
        sheet.marks.append(Mark(left + 0.05, sheet.top + 0.05, symbol, 5.0, ink, filled))
        words = Words(left + 0.13, sheet.top + 0.085, str(severity), NORMAL)
        sheet.words.append(words)
        left = words.left + text_width_in(words.text, NORMAL) + 0.2
    sheet.top += 0.2
    gaps = sum(1 for cell in cells if not cell.name)
    flagged = sum(1 for cell in cells if cell.findings and cell.name)
    says = [
        f"Frames: {len(cells) - gaps}; with findings: {flagged}; gaps: {gaps}.",
        "Number: planned position, from 1.",
    ]
    if there:
        says.append(f"One window for all: {window.words(unit)}.")
    else:
        says.append("There is no frame to show.")
    if there and pixel_um is None:
        says.append("The scale is not known.")
    sheet.sentences(says, left=MARGIN, width_in=sheet.width_in)
