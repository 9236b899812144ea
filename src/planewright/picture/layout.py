"""Putting things on a sheet: text that is measured before it is placed, keys, bars, captions."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from planewright.picture.page import (
    FONT,
    INK,
    SOFT_INK,
    Bar,
    Box,
    Bytes,
    Mark,
    Paint,
    Panel,
    Picture,
    Words,
    hatch,
)
from planewright.picture.tone import Rgb, Window, length_words, round_length_um, short

MARGIN = 0.22
LEAST_WIDTH = 3.4
SMALL, NORMAL, LARGE = 6.5, 7.5, 10.0
HINTING = 1.04  # letters drawn on whole pixels come out a little wider than measured
LEADING = 1.45  # line distance, in sizes of the text
KEY_WIDTH, KEY_HEIGHT = 1.45, 0.11
_AFTER_NUMBER = re.compile(r"(?<=[0-9×–=zyx]) (?=[0-9×–=%µe(])")


@cache
def _measurer() -> Any:
    from matplotlib.textpath import TextToPath

    return TextToPath()


def text_width_in(text: str, points: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is on paper, inches."""
    from matplotlib.font_manager import FontProperties

    font = FontProperties(family=FONT, size=points, weight="bold" if bold else "normal")
    width, _, _ = _measurer().get_text_width_height_descent(text, font, ismath=False)
    return HINTING * float(width) / 72


def wrap(text: str, width_in: float, points: float, *, bold: bool = False) -> list[str]:
    """Break a sentence into lines that are no wider than a width; words stay whole.

    A number stays with what follows it, so that no line begins with a unit.
    """
    text = _AFTER_NUMBER.sub("\u00a0", text)
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_in(longer, points, bold=bold) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@dataclass
class Layout:
    """A sheet that is being filled from the top."""

    kind: str
    title: str
    width_in: float  # of what stands between the margins
    top: float = MARGIN
    panels: list[Panel] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    says: list[str] = field(default_factory=list)
    scale_bar: Box | None = None
    scale_bar_um: float | None = None
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def room(self) -> Box:
        """What is left between the margins, from here down."""
        return Box(MARGIN, self.top, self.width_in, 0.0)

    def heading(self, second: str = "") -> None:
        """Put the title, and a softer second line."""
        for line in wrap(self.title, self.width_in, LARGE, bold=True):
            self.line(line, LARGE, bold=True)
        if second:
            self.line(second, NORMAL, ink=SOFT_INK)
        self.top += 0.06

    def line(self, text: str, points: float, *, ink: str = INK, bold: bool = False,
             left: float = MARGIN) -> None:  # fmt: skip
        """Put one line of text and go below it."""
        self.top += points / 72 * 1.1
        self.words.append(Words(left, self.top, text, points, ink, bold))
        self.top += points / 72 * (LEADING - 1.1)

    def sentences(self, says: list[str], *, left: float, width_in: float) -> None:
        """Put explaining sentences, wrapped, and keep them for programs."""
        self.says += says
        for line in wrap(" ".join(says), width_in, SMALL) if says else []:
            self.line(line, SMALL, ink=SOFT_INK, left=left)

    def put_scale_bar(self, left: float, um_per_in: float, longest_in: float) -> float:
        """Put a scale bar with its length beside it; return its right end, inches."""
        length_um = round_length_um(longest_in * um_per_in)
        box = Box(left, self.top + 0.03, length_um / um_per_in, 0.05)
        self.scale_bar, self.scale_bar_um = box, length_um
        self.bars.append(Bar(box))
        text = length_words(length_um)
        self.words.append(Words(box.right + 0.07, self.top + 0.085, text, NORMAL))
        return box.right + 0.07 + text_width_in(text, NORMAL)

    def put_key(self, right: float, colours: Rgb, window: Window, unit: str,
                width_in: float = KEY_WIDTH) -> float:  # fmt: skip
        """Put the key of light, its right end at ``right``; return its left end, inches."""
        low, high = short(window.low), f"{short(window.high)} {unit}".rstrip()
        bar_right = right - text_width_in(high, NORMAL) - 0.06
        box = Box(bar_right - width_in, self.top, width_in, KEY_HEIGHT)
        self.panels.append(Panel("key", box, ramp(colours, window.gamma)))
        baseline = self.top + 0.085
        self.words.append(Words(right, baseline, high, NORMAL, align="right"))
        self.words.append(Words(box.left - 0.06, baseline, low, NORMAL, align="right"))
        return box.left - 0.06 - text_width_in(low, NORMAL)

    def put_swatch(self, left: float, text: str) -> None:
        """Put the sign for what was not recorded, with its meaning."""
        box = Box(left, self.top, 0.22, KEY_HEIGHT)
        self.panels.append(Panel("swatch", box, hatch))
        self.words.append(Words(box.right + 0.06, self.top + 0.085, text, SMALL, SOFT_INK))
        self.top += KEY_HEIGHT + 0.05

    def picture(self, um_per_in: float | None) -> Picture:
        """Return the finished sheet."""
        return Picture(
            kind=self.kind,
            title=self.title,
            width_in=self.width_in + 2 * MARGIN,
            height_in=self.top + MARGIN,
            panels=tuple(self.panels),
            words=tuple(self.words),
            bars=tuple(self.bars),
            marks=tuple(self.marks),
            um_per_in=um_per_in,
            scale_bar_um=self.scale_bar_um,
            scale_bar=self.scale_bar,
            says=tuple(self.says),
            facts=self.facts,
        )


def ramp(colours: Rgb, gamma: float = 1.0) -> Paint:
    """Paint a key that runs from the window's low end to its high end, evenly in light."""

    def paint(shape: tuple[int, int], dpi: float) -> Bytes:
        part = (np.arange(shape[1]) + 0.5) / shape[1]
        row = look_up(colours, part**gamma)
        return np.broadcast_to(row, (shape[0], *row.shape)).copy()

    return paint


def look_up(colours: Rgb, tone: npt.NDArray[np.floating]) -> Bytes:
    """Return the colours of tones 0 to 1, between the map's entries where they fall between."""
    place = np.asarray(tone, np.float64) * (len(colours) - 1)
    first = np.minimum(place.astype(np.intp), len(colours) - 2)
    part = (place - first)[..., None]
    mixed = colours[first] * (1 - part) + colours[first + 1] * part
    return np.asarray(np.rint(255 * mixed), dtype=np.uint8)


def to_bytes(rgb: npt.NDArray[np.floating]) -> Bytes:
    """Return sRGB bytes of sRGB values 0 to 1."""
    return np.asarray(np.rint(255 * np.clip(rgb, 0, 1)), dtype=np.uint8)
