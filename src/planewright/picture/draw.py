"""Drawing a sheet with matplotlib."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from planewright.base.problems import RangeProblem
from planewright.picture.page import FONT, Bar, Box, Mark, Panel, Picture, Words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PIXELS = 400_000_000


def draw(picture: Picture, dpi: float) -> Figure:
    """Draw a sheet; panels and bars begin and end at whole pixels.

    Parameters
    ----------
    picture : Picture
        What stands where.
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
    from matplotlib.figure import Figure

    if not 20 <= dpi <= 2400 or picture.width_in * picture.height_in * dpi**2 > MOST_PIXELS:
        raise RangeProblem(
            "The picture cannot have so many dots an inch.",
            got=f"{dpi:g} dots an inch, {picture.width_in:.1f} × {picture.height_in:.1f} in",
            expected=f"20 to 2400, and at most {MOST_PIXELS / 1e6:.0f} megapixels",
        )
    columns, rows = round(picture.width_in * dpi), round(picture.height_in * dpi)
    figure = Figure(figsize=(columns / dpi, rows / dpi), dpi=dpi, facecolor="white")
    sheet = _Sheet(figure, columns, rows, dpi)
    for panel in picture.panels:
        sheet.panel(panel)
    for bar in picture.bars:
        sheet.bar(bar)
    for mark in picture.marks:
        sheet.mark(mark)
    for words in picture.words:
        sheet.words(words)
    return figure


class _Sheet:
    """Turns inches from the top left into matplotlib's parts of the figure from the bottom left."""

    def __init__(self, figure: Any, columns: int, rows: int, dpi: float) -> None:
        self.figure, self.columns, self.rows, self.dpi = figure, columns, rows, dpi

    def snapped(self, box: Box) -> tuple[int, int, int, int]:
        """Left, top, width, height in whole pixels, none thinner than one."""
        left, top = round(box.left * self.dpi), round(box.top * self.dpi)
        wide, high = round(box.width * self.dpi), round(box.height * self.dpi)
        return left, top, max(1, wide), max(1, high)

    def panel(self, panel: Panel) -> None:
        from matplotlib.patches import Rectangle

        left, top, wide, high = self.snapped(panel.box)
        bottom = self.rows - top - high
        place = (left / self.columns, bottom / self.rows, wide / self.columns, high / self.rows)
        axes = self.figure.add_axes(place)
        axes.set_axis_off()
        axes.imshow(
            panel.paint((high, wide), self.dpi),
            interpolation="nearest",
            aspect="auto",
            extent=(0, wide, high, 0),
        )
        if panel.frame:
            # A larger rectangle behind the image: the line covers nothing and leaves no gap.
            line = max(1, round(panel.frame_points / 72 * self.dpi))
            self.figure.add_artist(
                Rectangle(
                    ((left - line) / self.columns, (bottom - line) / self.rows),
                    (wide + 2 * line) / self.columns,
                    (high + 2 * line) / self.rows,
                    transform=self.figure.transFigure,
                    facecolor=panel.frame_ink,
                    edgecolor="none",
                    linewidth=0,
                    antialiased=False,
                    zorder=-1,
                )
            )

    def bar(self, bar: Bar) -> None:
        from matplotlib.patches import Rectangle

        left, top, wide, high = self.snapped(bar.box)
        self.figure.add_artist(
            Rectangle(
                (left / self.columns, (self.rows - top - high) / self.rows),
                wide / self.columns,
                high / self.rows,
                transform=self.figure.transFigure,
                facecolor=bar.ink,
                edgecolor="none",
                linewidth=0,
                antialiased=False,
            )
        )

    def mark(self, mark: Mark) -> None:
        from matplotlib.lines import Line2D

        self.figure.add_artist(
            Line2D(
                [mark.left * self.dpi / self.columns],
                [1 - mark.top * self.dpi / self.rows],
                transform=self.figure.transFigure,
                linestyle="none",
                marker=mark.symbol,
                markersize=mark.points,
                markerfacecolor=mark.ink if mark.filled else "none",
                markeredgecolor=mark.ink,
                markeredgewidth=0.8,
            )
        )

    def words(self, words: Words) -> None:
        self.figure.text(
            words.left * self.dpi / self.columns,
            1 - words.baseline * self.dpi / self.rows,
            words.text,
            fontsize=words.points,
            family=FONT,
            weight="bold" if words.bold else "normal",
            color=words.ink,
            horizontalalignment="center" if words.turned else words.align,
            verticalalignment="center" if words.turned else "baseline",
            rotation=90 if words.turned else 0,
            parse_math=False,
            usetex=False,
        )
