"""The bench drawn to scale: both axes' beams through the train, and the sheet over the field."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from planewright.base.files import whole_file
from planewright.base.problems import RangeProblem
from planewright.bench.train import Built
from planewright.optics.elements import (
    Aperture,
    Axis,
    Element,
    Facing,
    Gap,
    Lens,
    Mirror,
    Shape,
    Train,
    Wall,
)
from planewright.optics.gauss import outline
from planewright.optics.sheet import Sheet, Usable
from planewright.picture.page import FONT, INK, RULE, SOFT_INK

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SUFFIXES = {".png": "png", ".pdf": "pdf", ".svg": "svg"}
# Okabe and Ito's blue and vermilion: told apart by colour-blind readers
Z_COLOUR, Y_COLOUR = "#0072B2", "#D55E00"
LIQUID, GLASS = "#e9eff2", "#c9d3d8"
_WIDTH_IN, _LEFT_IN, _RIGHT_IN = 7.4, 0.62, 0.2
_PROFILE_IN, _GAP_IN = 1.75, 0.34
_UNKNOWN_RADII = 3.0  # half width at which a part of unknown width is drawn, in beam radii


@dataclass(frozen=True)
class BenchScene:
    """What is drawn.

    Parameters
    ----------
    built : Built
        The train with its names.
    sheet : Sheet or None
        The sheet, where the train makes one.
    title, sentence : str
        First and second line.
    usable : Usable
        Convention of the usable width.
    field_um : float or None
        Width of the field along the light, µm.
    lens_axial_um : float or None
        Axial width of the detection lens, µm.
    step_um : float or None
        Step between frames, µm.
    """

    built: Built
    sheet: Sheet | None
    title: str
    sentence: str
    usable: Usable = Usable.RAYLEIGH
    field_um: float | None = None
    lens_axial_um: float | None = None
    step_um: float | None = None


def save_bench(scene: BenchScene, path: Path, *, dpi: float = 200) -> None:
    """Draw a bench into a file, whole or not at all.

    Parameters
    ----------
    scene : BenchScene
        What is drawn.
    path : Path
        Where; the suffix decides: .svg, .png or .pdf.
    dpi : float
        Dots an inch of a .png.

    Raises
    ------
    RangeProblem
        If the suffix is not known.
    """
    import matplotlib

    if path.suffix.lower() not in SUFFIXES:
        raise RangeProblem(
            "This kind of picture file is not written.",
            where=str(path),
            got=path.suffix or "no suffix",
            expected=", ".join(SUFFIXES),
        )
    kind = SUFFIXES[path.suffix.lower()]
    stamp: dict[str, Any] = {"pdf": {"CreationDate": None}, "svg": {"Date": None}, "png": {}}[kind]
    buffer = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "bench", "pdf.fonttype": 42}):
        bench_figure(scene).savefig(buffer, format=kind, dpi=dpi, metadata=stamp)
    with whole_file(path) as partial:
        partial.write_bytes(buffer.getvalue())


def bench_figure(scene: BenchScene) -> Figure:
    """Return the drawing of a bench.

    Parameters
    ----------
    scene : BenchScene
        What is drawn.

    Returns
    -------
    matplotlib.figure.Figure
        Bound to no window. The train is drawn unfolded, at one scale along and across the light,
        once for each axis; the sheet's profile below is stretched across.
    """
    from matplotlib.figure import Figure

    train = _beyond(scene)
    length = sum(_length(e) for e in train.elements)
    span = _WIDTH_IN - _LEFT_IN - _RIGHT_IN
    per_in = length / span
    half = {axis: _half_mm(train, axis) for axis in ("y", "z")}
    highs = [max(0.3, 2 * half["z"] / per_in), max(0.3, 2 * half["y"] / per_in)]
    profile = _PROFILE_IN if scene.sheet is not None else 0.0
    words = _wrapped(scene.sentence)
    head = 0.42 + 0.14 * len(words)
    labels = _place_labels(scene, length, per_in)
    above = 0.12 + 0.13 * (1 + max(label.row for label in labels))
    total = head + above + sum(highs) + 2 * _GAP_IN + profile + (0.55 if profile else 0.1)
    figure = Figure(figsize=(_WIDTH_IN, total), facecolor="white")
    _write(figure, 0.1, 0.24, scene.title or "Bench", total, points=9.5, bold=True)
    for row, text in enumerate(words):
        _write(figure, 0.1, 0.42 + 0.14 * row, text, total, points=7.0, ink=SOFT_INK)
    top = head + above
    names: dict[Axis, str] = {"z": "z: thickness", "y": "y: height"}
    order: tuple[Axis, Axis] = ("z", "y")
    for axis, high in zip(order, highs, strict=True):
        place = (_LEFT_IN / _WIDTH_IN, 1 - (top + high) / total, span / _WIDTH_IN, high / total)
        axes = figure.add_axes(place, label=f"train-{axis}")
        axes.set_xlim(0, length)
        axes.set_ylim(-high * per_in / 2, high * per_in / 2)
        axes.set_axis_off()
        _draw_axis(axes, scene, train, axis, high * per_in / 2)
        middle = top + high / 2
        figure.text(
            0.22 / _WIDTH_IN,
            1 - middle / total,
            names[axis],
            rotation=90,
            fontsize=7,
            family=FONT,
            color=Z_COLOUR if axis == "z" else Y_COLOUR,
            ha="center",
            va="center",
        )
        if axis == "z":
            _label_parts(axes, labels, high * per_in / 2, per_in)
        top += high + _GAP_IN
    _scale_bar(figure, total, top - 0.16, per_in)
    if scene.sheet is not None:
        bottom = top + 0.12 + profile
        place = (_LEFT_IN / _WIDTH_IN, 1 - bottom / total, span / _WIDTH_IN, profile / total)
        _draw_profile(figure.add_axes(place, label="profile"), scene, scene.sheet)
    return figure


def _beyond(scene: BenchScene) -> Train:
    """Return the train made longer by the half field that lies beyond its middle, and a little."""
    extra = max((scene.field_um or 0.0) * 1e-3, 0.03 * _train_length(scene.built.train))
    return replace(
        scene.built.train, elements=(*scene.built.train.elements, Gap(extra, "beyond the field"))
    )


def _length(element: Element) -> float:
    if isinstance(element, Gap):
        return element.length_mm
    return element.thickness_mm if isinstance(element, Wall) else 0.0


def _train_length(train: Train) -> float:
    return sum(_length(e) for e in train.elements) or 1.0


def _radius_mm(train: Train, axis: Axis) -> float:
    drawn = outline(train)
    radius = drawn.radius_z_um if axis == "z" else drawn.radius_y_um
    return float(radius.max()) * 1e-3


def _half_mm(train: Train, axis: Axis) -> float:
    """Return the half height of the drawing: the widest part, or some beam radii."""
    clear = [
        e.clear_mm(axis) / 2 for e in train.elements if isinstance(e, (Lens, Aperture, Mirror))
    ]
    known = [half for half in clear if math.isfinite(half)]
    return 1.15 * max([_UNKNOWN_RADII * _radius_mm(train, axis), *known])


def _draw_axis(axes: Any, scene: BenchScene, train: Train, axis: Axis, half: float) -> None:
    colour = Z_COLOUR if axis == "z" else Y_COLOUR
    drawn = outline(train)
    radius = (drawn.radius_z_um if axis == "z" else drawn.radius_y_um) * 1e-3
    path, x = 0.0, [0.0]
    for element in train.elements:
        path += _length(element)
        x.append(path)
    if scene.built.enters < len(scene.built.parts):
        start = x[scene.built.enters + 1]
        axes.axvspan(start, path, color=LIQUID, linewidth=0, zorder=0)
    axes.fill_between(drawn.path_mm, -radius, radius, color=colour, alpha=0.28, linewidth=0)
    for side in (-1, 1):
        axes.plot(drawn.path_mm, side * radius, color=colour, linewidth=0.7, gid=f"beam-{axis}")
    axes.plot([0, path], [0, 0], color=RULE, linewidth=0.4, dashes=(6, 3), zorder=1)
    for place, element in zip(x[:-1], train.elements, strict=True):
        at = float(np.interp(place, drawn.path_mm, radius))
        _draw_element(axes, element, place, axis, min(half, max(_UNKNOWN_RADII * at, half / 3)))
    end = x[-2]
    if scene.field_um:
        field = scene.field_um * 1e-3
        axes.plot([end - field / 2, end + field / 2], [0, 0], color=INK, linewidth=2.2, zorder=5)
    axes.plot([end, end], [-0.5 * half, 0.5 * half], color=INK, linewidth=0.5, zorder=5)


def _draw_element(axes: Any, element: Element, x: float, axis: Axis, unknown: float) -> None:
    from matplotlib.patches import Polygon, Rectangle

    _, top = axes.get_ylim()
    match element:
        case Lens():
            clear = element.clear_mm(axis)
            half = clear / 2 if math.isfinite(clear) else unknown
            acts = element.acts_on in ("both", axis)
            points = _section(element, half) if acts else _slab(half)
            axes.add_patch(
                Polygon(
                    points + np.array([x, 0.0]),
                    closed=True,
                    facecolor=GLASS,
                    edgecolor=INK,
                    linewidth=0.6,
                    clip_on=False,
                )
            )
        case Aperture():
            half = element.clear_mm(axis) / 2
            if math.isfinite(half):
                for side in (-1, 1):
                    axes.plot([x, x], [side * half, side * top], color=INK, linewidth=1.6)
        case Mirror():
            half = unknown if element.diameter_mm is None else element.diameter_mm / 2
            turned = math.radians(element.incidence_deg) if axis == element.folds else 0.0
            dx, dy = half * math.sin(turned), half * math.cos(turned)
            axes.plot([x - dx, x + dx], [-dy, dy], color=INK, linewidth=1.2, dashes=(2, 1))
        case Wall():
            width = element.clear_mm(axis)
            half = width / 2 if math.isfinite(width) else top
            corner = (x, -half)
            axes.add_patch(
                Rectangle(
                    corner,
                    element.thickness_mm,
                    2 * half,
                    facecolor=GLASS,
                    edgecolor=INK,
                    linewidth=0.5,
                )
            )


def _section(lens: Lens, half: float) -> Any:
    """Return the outline of a lens: its faces with the curvature that its focal length asks for."""
    glass = lens.glass_index - 1.0
    first, second = _bends(lens)
    strength = 1.0 / (glass * lens.focal_length_mm)
    height = np.linspace(-half, half, 33)
    faces = [_sag(strength * share, height) for share in (first, second)]
    edge = max(0.06 * half, 0.5) + max(0.0, faces[0].max() + faces[1].max())
    left, right = -edge / 2 + faces[0], edge / 2 - faces[1]
    return np.concatenate([np.stack([left, height], 1), np.stack([right, height], 1)[::-1]])


def _bends(lens: Lens) -> tuple[float, float]:
    """Return the share of each face, as the light meets them, in the lens's power."""
    if lens.shape in (Shape.PLANO_CONVEX, Shape.PLANO_CONCAVE):
        return (0.0, 1.0) if lens.facing is Facing.FLAT else (1.0, 0.0)
    if lens.shape is Shape.MENISCUS and lens.bending is not None:
        front = (lens.bending + 1) / 2
        return (1 - front, front) if lens.facing is Facing.FLAT else (front, 1 - front)
    return 0.5, 0.5


def _sag(curvature: float, height: Any) -> Any:
    """Return how far a face stands back at a height, less the edge's own of a hollow one."""
    bent = np.clip(1.0 - (curvature * height) ** 2, 0.04, 1.0)
    return np.asarray(curvature * height**2 / (1.0 + np.sqrt(bent)))


def _slab(half: float) -> Any:
    thick = max(0.06 * half, 0.5)
    return np.array([[-thick, -half], [thick, -half], [thick, half], [-thick, half]])


@dataclass(frozen=True)
class _Label:
    at: float
    left: float
    row: int
    text: str


def _place_labels(scene: BenchScene, length: float, per_in: float) -> list[_Label]:
    """Give each part's name a row above the drawing in which it touches no other."""
    built, x, path = scene.built, [], 0.0
    for number, element in enumerate(built.train.elements):
        if number == 0 or built.parts[number - 1] != built.parts[number]:
            x.append(path + (0.0 if isinstance(element, Gap) else _length(element) / 2))
        path += _length(element)
    texts = [
        label if label.endswith(f" {n}") else f"{n} {label}"
        for n, label in enumerate(built.labels, start=1)
    ]
    x.append(path)
    texts.append("field")
    ends: list[float] = []
    out = []
    for at, text in zip(x, texts, strict=True):
        wide = 0.062 * len(text) * per_in  # 6.5 points, as wide as DejaVu Sans is on average
        left = min(max(at - wide / 2, 0.0), length - wide)
        row = next((r for r, end in enumerate(ends) if left > end), len(ends))
        ends[row : row + 1] = [left + wide + 0.05 * per_in]
        out.append(_Label(at, left, row, text))
    return out


def _label_parts(axes: Any, labels: list[_Label], half: float, per_in: float) -> None:
    for label in labels:
        high = half + (0.05 + 0.13 * label.row) * per_in
        axes.plot([label.at] * 2, [half, high], color=RULE, linewidth=0.4, clip_on=False)
        axes.text(
            label.left,
            high,
            label.text,
            fontsize=6.5,
            family=FONT,
            color=INK,
            va="bottom",
            ha="left",
            parse_math=False,
        )


def _scale_bar(figure: Figure, total: float, top: float, per_in: float) -> None:
    from matplotlib.lines import Line2D

    length = _round_length(per_in)
    right = (_WIDTH_IN - _RIGHT_IN) / _WIDTH_IN
    left = right - length / per_in / _WIDTH_IN
    high = 1 - top / total
    figure.add_artist(
        Line2D([left, right], [high, high], color=INK, linewidth=1.6, solid_capstyle="butt")
    )
    _write(
        figure,
        _LEFT_IN,
        top + 0.035,
        f"To scale, 1 : {per_in / 25.4:.3g}, along and across; drawn unfolded at mirrors; "
        "edges of the beam at 1/e²",
        total,
        points=6.5,
        ink=SOFT_INK,
    )
    figure.text(
        left - 0.05 / _WIDTH_IN,
        high,
        f"{length:g} mm",
        fontsize=6.5,
        family=FONT,
        color=INK,
        ha="right",
        va="center",
    )


def _round_length(most: float) -> float:
    ten: float = 10.0 ** math.floor(math.log10(most))
    return next(step * ten for step in (5, 2, 1) if step * ten <= most)


def _draw_profile(axes: Any, scene: BenchScene, sheet: Sheet) -> None:
    field = scene.field_um or 4 * sheet.rayleigh_um
    x = np.linspace(-field / 2, field / 2, 401)
    thick = sheet.thickness_um(x) / 2
    widest = max(float(thick.max()), (scene.lens_axial_um or 0.0) / 2)
    axes.set_xlim(-field / 2, field / 2)
    axes.set_ylim(-1.45 * widest, 1.3 * widest)
    axes.fill_between(x, -thick, thick, color=Z_COLOUR, alpha=0.28, linewidth=0)
    for side in (-1, 1):
        axes.plot(x, side * thick, color=Z_COLOUR, linewidth=1.0, gid="sheet-fwhm")
    inside = f"the sheet, FWHM: {sheet.fwhm_um:.3g} µm at its waist"
    _inside(axes, -0.48 * field, 1.13 * widest, inside, Z_COLOUR)
    if scene.lens_axial_um is not None:
        for side in (-1, 1):
            height = side * scene.lens_axial_um / 2
            axes.axhline(height, color=INK, linewidth=0.8, dashes=(5, 2), gid="lens-axial")
        text = f"dashed: the lens's axial width, {scene.lens_axial_um:.3g} µm"
        _inside(axes, 0.48 * field, 1.13 * widest, text, INK, align="right")
    if scene.step_um is not None and 2.6 * widest / scene.step_um < 60:
        planes = np.arange(-round(1.2 * widest / scene.step_um), 1.2 * widest / scene.step_um + 1)
        for plane in planes[np.abs(planes * scene.step_um) <= 1.05 * widest]:
            height = plane * scene.step_um
            axes.axhline(height, color=RULE, linewidth=0.5, dashes=(1, 2), gid="step")
    start, stop = sheet.usable_um(scene.usable)
    low = -1.28 * widest
    shown = max(start, -field / 2), min(stop, field / 2)
    if shown[0] < shown[1]:
        axes.plot(shown, [low, low], color=INK, linewidth=2.0, solid_capstyle="butt", gid="usable")
    where = 0.0 if shown[0] >= shown[1] else sum(shown) / 2
    told = f"thin enough ({scene.usable})" if shown[0] < shown[1] else "nowhere thin enough"
    _inside(axes, where, low + 0.05 * widest, told, INK, align="center", base="bottom")
    axes.set_xlabel("along the light from the middle of the field, µm", fontsize=7, family=FONT)
    steps = "" if scene.step_um is None else f"; dotted: steps of {scene.step_um:g} µm"
    axes.set_ylabel("z, µm", fontsize=7, family=FONT)
    axes.set_title(
        f"The sheet over the field of view, stretched across{steps}",
        fontsize=7,
        family=FONT,
        loc="left",
        color=SOFT_INK,
        pad=3,
    )
    axes.tick_params(labelsize=6.5, length=2.5, color=RULE)
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_family(FONT)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)


def _inside(
    axes: Any, x: float, y: float, text: str, ink: str, align: str = "left", base: str = "center"
) -> None:
    axes.text(x, y, text, fontsize=6.5, family=FONT, color=ink, ha=align, va=base)


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, 135)


def _write(
    figure: Figure,
    left_in: float,
    top_in: float,
    text: str,
    total: float,
    *,
    points: float,
    ink: str = INK,
    bold: bool = False,
) -> None:
    figure.text(
        left_in / _WIDTH_IN,
        1 - top_in / total,
        text,
        fontsize=points,
        family=FONT,
        color=ink,
        weight="bold" if bold else "normal",
        parse_math=False,
    )
