"""Pictures of a volume: seen along z, coloured by depth, and cut three ways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray

from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress
from planewright.picture.fit import fit_seen
from planewright.picture.layout import (
    KEY_WIDTH,
    LEAST_WIDTH,
    MARGIN,
    NORMAL,
    Layout,
    look_up,
    text_width_in,
)
from planewright.picture.page import Box, Bytes, Paint, Panel, Picture, hatch
from planewright.picture.reduce import BLOCK, Projected, project
from planewright.picture.scene import Subject, subject
from planewright.picture.tone import Rgb, Window, choose_window, colour_map, short

WIDEST, TALLEST = 6.3, 7.2
UNSEEN_WORDS = "not recorded"


@dataclass(frozen=True)
class _Projection:
    name: str
    words: str
    light: Callable[[Projected], npt.NDArray[np.floating]]


PROJECTIONS = {
    "brightest": _Projection(
        "Brightest along z", "the brightest voxel of each column", lambda p: p.brightest
    ),
    "average": _Projection("Average along z", "the mean light of each column", lambda p: p.average),
    "total": _Projection(
        "Total light along z", "the sum of each column's light", lambda p: p.total
    ),
}


def projection(
    volume: xarray.DataArray,
    mask: xarray.DataArray | None = None,
    *,
    kind: str = "brightest",
    title: str = "",
    unit: str | None = None,
    colours: str = "grey",
    window: tuple[float, float] | None = None,
    gamma: float = 1.0,
    block: tuple[int, int, int] = BLOCK,
    workers: int = 1,
    progress: Progress | None = None,
) -> Picture:
    """Draw the specimen as it is seen along z, from the lens.

    Parameters
    ----------
    volume : xarray.DataArray
        Light, dims (z, y, x), coordinates in µm; may be lazy and larger than memory.
    mask : xarray.DataArray or None
        Bits of `planewright.base.nouns.Flag` on the same grid.
    kind : {"brightest", "average", "total"}
        What becomes of a column: its most light, its mean, its sum.
    title : str
        First line; the kind stands below it.
    unit : str or None
        Unit of light; None takes the volume's attribute ``units``.
    colours : str
        One of `planewright.picture.COLOUR_MAPS`.
    window : tuple of float or None
        Light shown as black and as full; None chooses.
    gamma : float
        Exponent of the rise between them.
    block : tuple of int
        Planes, rows and columns in memory at once, for each worker.
    workers : int
        Blocks under way at once.
    progress : Progress or None
        Told how far it is.

    Returns
    -------
    Picture
        With scale bar, key of light, and what is missing.

    Raises
    ------
    RangeProblem
        If an option is not known, or the volume does not tell its micrometres.
    StoppedProblem
        If the person asked to stop.
    """
    if kind not in PROJECTIONS:
        raise RangeProblem(
            "This projection is not known.", got=kind, expected=", ".join(PROJECTIONS)
        )
    scene = subject(volume, mask, unit=unit)
    table = colour_map(colours)
    if 0 in scene.shape:
        return _nothing(kind, title or PROJECTIONS[kind].name, scene)
    found = project(scene, block=block, workers=workers, progress=progress)
    light, seen = PROJECTIONS[kind].light(found), found.seen > 0
    chosen = choose_window(light, seen, ends=window, gamma=gamma)
    sheet, um_per_in, box = _begin(kind, title, PROJECTIONS[kind].name, scene)
    sheet.panels.append(Panel("image", box, paint_light(light, seen, chosen, table)))
    sheet.top = box.bottom + 0.13
    bar_end = sheet.put_scale_bar(MARGIN, um_per_in, 0.25 * box.width)
    key_below(sheet, table, chosen, scene.unit, bar_end, sheet.room)
    if not seen.all():
        sheet.put_swatch(MARGIN, UNSEEN_WORDS)
    says = [
        f"Shown: {PROJECTIONS[kind].words}, {chosen.words(scene.unit)}.",
        *planes_say(scene, found.planes),
        *light_says(scene, chosen, seen, found.saturated),
    ]
    sheet.sentences(says, left=MARGIN, width_in=sheet.width_in)
    sheet.facts |= {"window": chosen, "unit": scene.unit, "light": light, "seen": seen}
    return sheet.picture(um_per_in)


def key_below(
    sheet: Layout, table: Rgb, window: Window, unit: str, bar_end: float, room: Box
) -> None:
    """Put the key right of the scale bar, or below it where there is no room."""
    texts = short(window.low), f"{short(window.high)} {unit}".rstrip()
    widest = KEY_WIDTH + 0.12 + sum(text_width_in(text, NORMAL) for text in texts)
    if room.right - widest < bar_end + 0.2:
        sheet.top += 0.24
        sheet.put_key(room.left + widest, table, window, unit)
    else:
        sheet.put_key(room.right, table, window, unit)
    sheet.top += 0.2


def _begin(kind: str, title: str, name: str, scene: Subject) -> tuple[Layout, float, Box]:
    """Start a sheet of one image: heading, scale and the image's place."""
    across_um = scene.x.count * scene.x.needed_step_um()
    down_um = scene.y.count * scene.y.needed_step_um()
    um_per_in = max(across_um / WIDEST, down_um / TALLEST)
    width = across_um / um_per_in
    sheet = Layout(kind, title or name, max(width, LEAST_WIDTH))
    sheet.heading(name if title else "")
    return sheet, um_per_in, Box(MARGIN, sheet.top, width, down_um / um_per_in)


def _nothing(kind: str, title: str, scene: Subject) -> Picture:
    """Draw a sheet that says that there is nothing to draw."""
    sheet = Layout(kind, title, LEAST_WIDTH)
    sheet.heading()
    box = Box(MARGIN, sheet.top, LEAST_WIDTH, 1.6)
    sheet.panels.append(Panel("image", box, hatch))
    sheet.top = box.bottom + 0.1
    size = " × ".join(str(count) for count in scene.shape)
    says = [f"The volume has no voxels: {size} (z, y, x)."]
    sheet.sentences(says, left=MARGIN, width_in=sheet.width_in)
    return sheet.picture(None)


def paint_light(
    light: npt.NDArray[np.floating], seen: npt.NDArray[np.bool_], window: Window, table: Rgb
) -> Paint:
    """Paint light through a window and a colour map; hatched where nothing was seen."""

    def paint(shape: tuple[int, int], dpi: float) -> Bytes:
        mean, shown = fit_seen(light, seen, shape)
        out = look_up(table, window.tone(mean))
        return np.where(shown[..., None], out, hatch(shape, dpi))

    return paint


def planes_say(scene: Subject, planes: npt.NDArray[np.bool_]) -> list[str]:
    """Say how many planes there are, where, and which were not recorded."""
    count, missing = scene.z.count, np.flatnonzero(~planes)
    step = scene.z.step_um
    size = "one plane"
    if count > 1:
        size = f"{count} planes, z {short(scene.z.origin_um)} to {short(scene.z.last_um)} µm"
    voxel = f"{short(scene.y.needed_step_um())} × {short(scene.x.needed_step_um())} µm"
    grain = f"voxels {short(step)} × {voxel} (z, y, x)" if step else f"pixels {voxel}"
    text = f"{size}; {grain}."
    says = [text[0].upper() + text[1:]]
    if 0 < missing.size < count:
        places = [f"{short(scene.z.at_um(int(k)))}" for k in missing[:6]]
        more = f" and {missing.size - 6} more" if missing.size > 6 else ""
        noun = "plane is" if missing.size == 1 else "planes are"
        says.append(f"{missing.size} {noun} missing: z {', '.join(places)} µm{more}.")
    return says


def light_says(
    scene: Subject, window: Window, seen: npt.NDArray[np.bool_], saturated: int
) -> list[str]:
    """Say what a reader must know of the light: nothing there, all alike, full, shape only."""
    says = []
    if not seen.any():
        says.append("Nothing can be shown: every voxel is masked.")
    elif window.constant is not None:
        alike = f"{short(window.constant)} {scene.unit}".rstrip()
        says.append(f"All that is shown has the same light: {alike}.")
    if saturated:
        part = 100 * saturated / max(1, int(np.prod(scene.shape)))
        says.append(f"The sensor was full in {part:.2g} % of the voxels.")
    if scene.shape_only:
        says.append("From display-referred photographs: shape only, no measure of light.")
    return says
