"""A picture as things on a sheet of paper, in inches from its top left corner, and its drawing.

White paper, black image; what explains the image stands beside it in ink, as on a map.
matplotlib is loaded only when something is drawn.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from planewright.base.files import whole_file
from planewright.base.problems import RangeProblem

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Bytes = npt.NDArray[np.uint8]
# Rows and columns of pixels and their number an inch in, sRGB bytes out.
Paint = Callable[[tuple[int, int], float], Bytes]

INK, SOFT_INK, RULE = "#1a1a1a", "#5c5c5c", "#9a9a9a"
HATCH_GROUND, HATCH_LINE = 46, 150
FONT = "DejaVu Sans"  # comes with matplotlib, so that every machine draws the same
SUFFIXES = {".png": "png", ".pdf": "pdf", ".svg": "svg", ".tif": "tiff", ".tiff": "tiff"}


@dataclass(frozen=True)
class Box:
    """A rectangle on the sheet, inches from the top left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height


@dataclass(frozen=True)
class Panel:
    """An image. ``name`` tells programs which one; ``frame`` draws a thin line around it."""

    name: str
    box: Box
    paint: Paint
    frame: bool = True
    frame_ink: str = RULE
    frame_points: float = 0.5


@dataclass(frozen=True)
class Words:
    """A line of text; ``align`` "left", "center" or "right"; ``turned`` reads upwards."""

    left: float
    baseline: float
    text: str
    points: float = 7.0
    ink: str = INK
    bold: bool = False
    align: str = "left"
    turned: bool = False


@dataclass(frozen=True)
class Bar:
    """A filled bar of exact length: a scale bar or a tick."""

    box: Box
    ink: str = INK


@dataclass(frozen=True)
class Mark:
    """A small symbol (matplotlib's marker names) centred at a point."""

    left: float
    top: float
    symbol: str
    points: float = 6.0
    ink: str = INK
    filled: bool = True


@dataclass(frozen=True)
class Picture:
    """A finished picture: what stands where, and what it says of itself.

    Parameters
    ----------
    kind : str
        Which kind of picture.
    title : str
        Its first line.
    width_in, height_in : float
        Size of the sheet, inches.
    panels, words, bars, marks : tuple
        What is drawn.
    um_per_in : float or None
        Scale of the panels; one for all.
    scale_bar_um : float or None
        Length of the scale bar.
    scale_bar : Box or None
        Where it is.
    says : tuple of str
        The explaining sentences, for captions and programs.
    """

    kind: str
    title: str
    width_in: float
    height_in: float
    panels: tuple[Panel, ...] = ()
    words: tuple[Words, ...] = ()
    bars: tuple[Bar, ...] = ()
    marks: tuple[Mark, ...] = ()
    um_per_in: float | None = None
    scale_bar_um: float | None = None
    scale_bar: Box | None = None
    says: tuple[str, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)

    def panel(self, name: str) -> Panel:
        """Return the panel of a name.

        Raises
        ------
        RangeProblem
            If there is none.
        """
        for panel in self.panels:
            if panel.name == name:
                return panel
        raise RangeProblem(
            "The picture has no such panel.",
            got=name,
            expected=", ".join(panel.name for panel in self.panels),
        )

    def save(self, path: Path | str, dpi: float = 300) -> None:
        """Write the picture whole; the suffix decides: .png, .tif, .pdf, .svg.

        Parameters
        ----------
        path : path-like
            Where.
        dpi : float
            Dots an inch.

        Raises
        ------
        RangeProblem
            If the suffix is not known or the number of dots is impossible.
        """
        path = Path(path)
        if path.suffix.lower() not in SUFFIXES:
            raise RangeProblem(
                "This kind of picture file is not written.",
                where=str(path),
                got=path.suffix or "no suffix",
                expected=", ".join(SUFFIXES),
            )
        with whole_file(path) as partial:
            partial.write_bytes(self._encoded(SUFFIXES[path.suffix.lower()], dpi))

    def _encoded(self, kind: str, dpi: float) -> bytes:
        if kind in ("png", "tiff"):
            from PIL import Image

            buffer = io.BytesIO()
            Image.fromarray(self.pixels(dpi)).save(
                buffer,
                kind,
                dpi=(dpi, dpi),
                **({"compression": "tiff_deflate"} if kind == "tiff" else {}),
            )
            return buffer.getvalue()
        import matplotlib

        buffer = io.BytesIO()
        stamp = {"pdf": {"CreationDate": None}, "svg": {"Date": None}}[kind]
        with matplotlib.rc_context({"svg.hashsalt": self.kind, "pdf.fonttype": 42}):
            self.figure(dpi).savefig(buffer, format=kind, dpi=dpi, metadata=stamp)
        return buffer.getvalue()

    def pixels(self, dpi: float = 300) -> Bytes:
        """Return the drawn sheet.

        Parameters
        ----------
        dpi : float
            Dots an inch.

        Returns
        -------
        ndarray of shape (rows, columns, 3), uint8
            sRGB.
        """
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        canvas = FigureCanvasAgg(self.figure(dpi))
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()

    def figure(self, dpi: float = 300) -> Figure:
        """Return the sheet as a matplotlib figure, panels at whole pixels.

        Parameters
        ----------
        dpi : float
            Dots an inch.

        Returns
        -------
        matplotlib.figure.Figure
            Bound to no window.

        Raises
        ------
        RangeProblem
            If the number of dots is impossible.
        """
        from planewright.picture.draw import draw

        return draw(self, dpi)

    def _repr_png_(self) -> bytes:
        """Let a notebook show the picture."""
        return self._encoded("png", 150)


def hatch(shape: tuple[int, int], dpi: float) -> Bytes:
    """Return grey slanted lines, the sign for what was not recorded.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of pixels.
    dpi : float
        Dots an inch: the lines keep their distance on paper.

    Returns
    -------
    ndarray of shape ``shape + (3,)``, uint8
        sRGB.
    """
    period = max(4, round(dpi * 0.045))
    line = max(1, period // 4)
    phase = (np.arange(shape[0])[:, None] + np.arange(shape[1])[None, :]) % period
    grey = np.where(phase < line, HATCH_LINE, HATCH_GROUND).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)
