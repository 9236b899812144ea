"""Three cuts through one point, at one scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray

from planewright.base.progress import Progress
from planewright.picture.layout import LEAST_WIDTH, MARGIN, NORMAL, Layout
from planewright.picture.page import INK, SOFT_INK, Bar, Box, Mark, Panel, Picture, Words
from planewright.picture.reduce import BLOCK, Cut, cut_xy, cut_xz, cut_yz, middle_of_light
from planewright.picture.scene import Subject, subject
from planewright.picture.tone import Rgb, Window, choose_window, colour_map, short
from planewright.picture.views import (
    UNSEEN_WORDS,
    _nothing,
    key_below,
    light_says,
    paint_light,
    planes_say,
)

NAME = "Three cuts"
WIDEST, TALLEST = 6.3, 7.4
HEAD = 0.26  # room above a cut for its line and tick
GAP = 0.2
LEAST_HEAD = 1.5  # room for a cut's line of text


@dataclass(frozen=True)
class _Plan:
    um_per_in: float
    xy: Box
    xz: Box
    yz: Box
    legend: Box
    bottom: float
    width: float


def cuts(
    volume: xarray.DataArray,
    mask: xarray.DataArray | None = None,
    *,
    point_um: tuple[float, float, float] | None = None,
    title: str = "",
    unit: str | None = None,
    colours: str = "grey",
    window: tuple[float, float] | None = None,
    gamma: float = 1.0,
    step_um: dict[str, float] | None = None,
    block: tuple[int, int, int] = BLOCK,
    progress: Progress | None = None,
) -> Picture:
    """Draw three cuts through one point at one true scale: x–y large, x–z and y–z below it.

    Parameters
    ----------
    volume : xarray.DataArray
        Light, dims (z, y, x), coordinates in µm; may be lazy and larger than memory.
    mask : xarray.DataArray or None
        Bits of `planewright.base.nouns.Flag` on the same grid.
    point_um : tuple of float or None
        z, y, x of the point that the cuts share, µm; None takes the middle of the light.
    title : str
        First line; the kind stands below it.
    unit : str or None
        Unit of light; None takes the volume's attribute ``units``.
    colours : str
        One of `planewright.picture.COLOUR_MAPS`.
    window : tuple of float or None
        Light shown as black and as full, one for all cuts; None chooses.
    gamma : float
        Exponent of the rise between them.
    step_um : dict or None
        Voxel size by axis, µm, for an axis of one voxel.
    block : tuple of int
        Planes, rows and columns in memory at once.
    progress : Progress or None
        Asked whether to stop.

    Returns
    -------
    Picture
        Ticks on the frames stand at the shared point.

    Raises
    ------
    RangeProblem
        If the point lies outside, or the volume does not tell its micrometres.
    StoppedProblem
        If the person asked to stop.
    """
    scene = subject(volume, mask, unit=unit, step_um=step_um)
    table = colour_map(colours)
    if 0 in scene.shape:
        return _nothing("cuts", title or NAME, scene)
    if point_um is None:
        at = middle_of_light(scene, block=block, progress=progress)
    else:
        z_um, y_um, x_um = point_um
        at = (scene.z.index(z_um), scene.y.index(y_um), scene.x.index(x_um))
    three = {
        "xy": cut_xy(scene, at[0]),
        "xz": cut_xz(scene, at[1], slab=block[0]),
        "yz": cut_yz(scene, at[2], slab=block[0]),
    }
    light = np.concatenate([cut.light.ravel() for cut in three.values()])
    seen = np.concatenate([cut.seen.ravel() for cut in three.values()])
    chosen = choose_window(light, seen, ends=window, gamma=gamma)
    return _sheet(scene, title, at, three, chosen, table)


def _sheet(
    scene: Subject,
    title: str,
    at: tuple[int, int, int],
    three: dict[str, Cut],
    window: Window,
    table: Rgb,
) -> Picture:
    sheet = Layout("cuts", title or NAME, _plan(scene, 0.0).width)
    sheet.heading(NAME if title else "")
    plan = _plan(scene, sheet.top)
    for name, box in (("xy", plan.xy), ("xz", plan.xz), ("yz", plan.yz)):
        cut = three[name]
        sheet.panels.append(Panel(name, box, paint_light(cut.light, cut.seen, window, table)))
    _heads_and_ticks(sheet, plan, scene, at)
    planes = np.logical_or(three["xz"].seen.any(axis=1), three["yz"].seen.any(axis=1))
    _gaps(sheet, plan, planes)
    legend = plan.legend
    sheet.top = legend.top
    bar_end = sheet.put_scale_bar(legend.left, plan.um_per_in, 0.25 * plan.xy.width)
    key_below(sheet, table, window, scene.unit, bar_end, legend)
    seen = np.concatenate([cut.seen.ravel() for cut in three.values()])
    if not seen.all():
        sheet.put_swatch(legend.left, UNSEEN_WORDS)
    axes = (scene.z, scene.y, scene.x)
    point = ", ".join(f"{a.name} {short(a.at_um(k))}" for a, k in zip(axes, at, strict=True))
    says = [
        f"One scale for all three; ticks on the frames: the point they share, {point} µm.",
        f"Shown: {window.words(scene.unit)}.",
        *planes_say(scene, planes),
        *light_says(scene, window, seen, 0),
    ]
    if not planes.all() and planes.any():
        says.append("Bars beside the side cuts mark missing planes.")
    if planes.any() and not three["xy"].seen.any():
        says.append("The plane of the x–y cut was not recorded.")
    sheet.sentences(says, left=legend.left, width_in=legend.width)
    sheet.top = max(sheet.top, plan.bottom)
    sheet.facts |= {
        "window": window,
        "unit": scene.unit,
        "point_um": tuple(a.at_um(k) for a, k in zip(axes, at, strict=True)),
    }
    return sheet.picture(plan.um_per_in)


def _plan(scene: Subject, top: float) -> _Plan:
    """Stack the side cuts below the large one, or set them side by side where z is long."""
    across, down, deep = (a.count * a.needed_step_um() for a in (scene.x, scene.y, scene.z))
    left = MARGIN + 0.08  # room for the ticks
    room = WIDEST - 0.2
    stacked = max(max(across, down) / room, (down + 2 * deep) / (TALLEST - 3 * HEAD))
    beside = max((across + down) / (room - GAP), (down + deep) / (TALLEST - 2 * HEAD))
    um_per_in = min(stacked, beside)
    wide, high, thick = across / um_per_in, down / um_per_in, deep / um_per_in
    xy = Box(left, top + HEAD, wide, high)
    xz = Box(left, xy.bottom + HEAD + 0.06, wide, thick)
    if stacked <= beside:
        yz = Box(left, xz.bottom + HEAD + 0.06, high, thick)
        width = max(wide, high)
    else:
        yz = Box(left + max(wide, LEAST_HEAD) + GAP, xz.top, high, thick)
        width = max(yz.right, yz.left + LEAST_HEAD) - left
    width = max(LEAST_WIDTH, width + 0.2)
    bottom = yz.bottom + 0.06
    corner = Box(yz.left, xy.top, MARGIN + width - yz.left, high)
    if yz.left > xy.right and corner.width >= 2.0 and corner.height >= 1.7:
        return _Plan(um_per_in, xy, xz, yz, corner, bottom, width)
    below = Box(MARGIN, bottom + 0.13, width, 0.0)
    return _Plan(um_per_in, xy, xz, yz, below, bottom, width)


def _heads_and_ticks(sheet: Layout, plan: _Plan, scene: Subject, at: tuple[int, int, int]) -> None:
    axes = {"z": (scene.z, at[0]), "y": (scene.y, at[1]), "x": (scene.x, at[2])}
    for box, along, down, through in (
        (plan.xy, "x", "y", "z"),
        (plan.xz, "x", "z", "y"),
        (plan.yz, "y", "z", "x"),
    ):
        axis, index = axes[through]
        first = f"{along} →  {down} ↓"
        where = f"{through} = {short(axis.at_um(index))} µm"
        baseline = box.top - 0.11
        sheet.words.append(Words(box.left, baseline, first, NORMAL, SOFT_INK))
        end = max(box.right, box.left + LEAST_HEAD)
        sheet.words.append(Words(end, baseline, where, NORMAL, INK, align="right"))
        part = [(axes[name][1] + 0.5) / axes[name][0].count for name in (along, down)]
        x, y = box.left + part[0] * box.width, box.top + part[1] * box.height
        sheet.marks += [
            Mark(x, box.top - 0.045, "v", 3.5),
            Mark(x, box.bottom + 0.045, "^", 3.5),
            Mark(box.left - 0.045, y, ">", 3.5),
        ]
        if down == "y":
            sheet.marks.append(Mark(box.right + 0.045, y, "<", 3.5))


def _gaps(sheet: Layout, plan: _Plan, planes: npt.NDArray[np.bool_]) -> None:
    """Mark planes that were not recorded beside the side cuts, however thin they are drawn."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], planes, [True]]).astype(np.int8)))
    for box in (plan.xz, plan.yz):
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            top = box.top + box.height * first / planes.size
            high = box.height * (last - first) / planes.size
            sheet.bars.append(Bar(Box(box.right + 0.025, top, 0.035, max(high, 0.012)), INK))
