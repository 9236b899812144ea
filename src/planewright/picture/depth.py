"""The picture coloured by depth, and its key."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray

from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress
from planewright.picture.fit import fit, fit_seen
from planewright.picture.layout import MARGIN, SMALL, Layout, look_up, to_bytes
from planewright.picture.page import (
    INK,
    SOFT_INK,
    Bar,
    Box,
    Bytes,
    Paint,
    Panel,
    Picture,
    Words,
    hatch,
)
from planewright.picture.reduce import BLOCK, project
from planewright.picture.scene import Subject, subject
from planewright.picture.tone import Rgb, Window, choose_window, depth_map, short
from planewright.picture.views import (
    UNSEEN_WORDS,
    _begin,
    _nothing,
    light_says,
    planes_say,
)

NAME = "Coloured by depth"
KEY_WIDTH, KEY_HIGH = 2.5, 0.3


def depth_coloured(
    volume: xarray.DataArray,
    mask: xarray.DataArray | None = None,
    *,
    title: str = "",
    unit: str | None = None,
    depth_um: tuple[float, float] | None = None,
    window: tuple[float, float] | None = None,
    gamma: float = 1.0,
    block: tuple[int, int, int] = BLOCK,
    workers: int = 1,
    progress: Progress | None = None,
) -> Picture:
    """Draw the brightest voxel of each column: its light as brightness, its depth as colour.

    Parameters
    ----------
    volume : xarray.DataArray
        Light, dims (z, y, x), coordinates in µm; may be lazy and larger than memory.
    mask : xarray.DataArray or None
        Bits of `planewright.base.nouns.Flag` on the same grid.
    title : str
        First line; the kind stands below it.
    unit : str or None
        Unit of light; None takes the volume's attribute ``units``.
    depth_um : tuple of float or None
        z of the first and the last colour, µm; None takes what holds 99 % of the shown light.
    window : tuple of float or None
        Light shown as black and as full. None chooses; black is then above the background,
        whose depth is chance.
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
        With scale bar and a key of depth against light.

    Raises
    ------
    RangeProblem
        If the depths are the wrong way round, or the volume does not tell its micrometres.
    StoppedProblem
        If the person asked to stop.
    """
    scene = subject(volume, mask, unit=unit)
    if 0 in scene.shape:
        return _nothing("depth", title or NAME, scene)
    found = project(scene, block=block, workers=workers, progress=progress)
    seen = found.seen > 0
    chosen = _above_background(found.brightest, seen, window, gamma)
    z_um = scene.z.origin_um + np.maximum(found.at, 0) * (scene.z.step_um or 0.0)
    ends = _depths(scene, z_um, chosen.tone(found.brightest) * seen, depth_um)
    table = depth_map()
    rgb = colour_by_depth(z_um, chosen.tone(found.brightest), ends, table)
    sheet, um_per_in, box = _begin("depth", title, NAME, scene)
    sheet.panels.append(Panel("image", box, _paint(rgb, seen)))
    sheet.top = box.bottom + 0.13
    bar_top = sheet.top
    bar_end = sheet.put_scale_bar(MARGIN, um_per_in, 0.25 * box.width)
    right = MARGIN + sheet.width_in
    if right - KEY_WIDTH - 0.75 < bar_end:
        sheet.top += 0.22
    _key(sheet, right, table, chosen, scene, ends, found.planes)
    if not (seen.all() and found.planes.all()):
        below, sheet.top = sheet.top, bar_top + 0.24 if sheet.top > bar_top + 0.5 else sheet.top
        sheet.put_swatch(MARGIN, UNSEEN_WORDS)
        sheet.top = max(below, sheet.top)
    says = [
        "Colour: depth of each column's brightest voxel.",
        f"Brightness: its light, {chosen.words(scene.unit)}.",
        *_beyond(scene, ends),
        *planes_say(scene, found.planes),
        *light_says(scene, chosen, seen, found.saturated),
    ]
    sheet.sentences(says, left=MARGIN, width_in=sheet.width_in)
    sheet.facts |= {"window": chosen, "unit": scene.unit, "depth_um": ends, "seen": seen}
    return sheet.picture(um_per_in)


def colour_by_depth(
    z_um: npt.NDArray[np.floating],
    tone: npt.NDArray[np.floating],
    ends_um: tuple[float, float],
    table: Rgb,
) -> npt.NDArray[np.float32]:
    """Return the colour of a depth, dimmed by the tone of its light.

    Parameters
    ----------
    z_um : ndarray
        Depths, µm.
    tone : ndarray of the same shape
        0 to 1.
    ends_um : tuple of float
        Depths of the first and last colour; beyond them the end colours stand.
    table : ndarray of shape (n, 3)
        Colours of full light, nearest the lens first.

    Returns
    -------
    ndarray of shape ``z_um.shape + (3,)``, float32
        sRGB values, 0 to 1; the ratios of the three depend on the depth alone.
    """
    span = ends_um[1] - ends_um[0]
    part = np.clip((z_um - ends_um[0]) / span if span > 0 else np.zeros_like(z_um), 0, 1)
    place = np.rint(part * (len(table) - 1)).astype(np.intp)
    return np.asarray(table[place] * np.asarray(tone, np.float32)[..., None], np.float32)


def _paint(rgb: npt.NDArray[np.float32], seen: npt.NDArray[np.bool_]) -> Paint:
    def paint(shape: tuple[int, int], dpi: float) -> Bytes:
        mean, shown = fit_seen(rgb * seen[..., None], seen, shape)
        return np.where(shown[..., None], to_bytes(mean), hatch(shape, dpi))

    return paint


def _above_background(
    light: npt.NDArray[np.floating],
    seen: npt.NDArray[np.bool_],
    ends: tuple[float, float] | None,
    gamma: float,
) -> Window:
    """Choose a window whose black is the commonest light and three spreads more."""
    plain = choose_window(light, seen, ends=ends, gamma=gamma)
    values = np.asarray(light, np.float64)[seen]
    if ends is not None or plain.constant is not None or values.size == 0:
        return plain
    counts, edges = np.histogram(values, bins=256, range=(float(values.min()), plain.high))
    common = float(edges[np.argmax(counts)] + edges[np.argmax(counts) + 1]) / 2
    spread = 1.4826 * float(
        np.median(
            common - values[values <= common],
        )
    )
    low = common + 3 * spread
    if not plain.low <= low < 0.6 * plain.high:
        return plain
    grain = 10.0 ** (np.floor(np.log10(plain.high - low)) - 1)
    low = float(f"{np.ceil(low / grain) * grain:.12g}")
    return choose_window(light, seen, ends=(low, plain.high), gamma=gamma)


def _depths(
    scene: Subject,
    z_um: npt.NDArray[np.floating],
    weight: npt.NDArray[np.floating],
    told: tuple[float, float] | None,
) -> tuple[float, float]:
    if told is not None:
        if not told[0] < told[1]:
            raise RangeProblem(
                "The depths are the wrong way round.",
                got=f"{told[0]:g} to {told[1]:g} µm",
                expected="nearest the lens first",
            )
        return float(told[0]), float(told[1])
    whole = (scene.z.origin_um, scene.z.last_um)
    if scene.z.count < 3 or not weight.any():
        return whole
    plane = np.rint((z_um - scene.z.origin_um) / scene.z.needed_step_um()).astype(np.intp)
    share = np.bincount(plane.ravel(), weight.ravel().astype(np.float64), scene.z.count).cumsum()
    share /= share[-1]
    first, last = (int(np.searchsorted(share, level)) for level in (0.005, 0.995))
    if last - first < 2:
        first, last = max(0, first - 1), min(scene.z.count - 1, last + 1)
    return scene.z.at_um(first), scene.z.at_um(last)


def _beyond(scene: Subject, ends: tuple[float, float]) -> list[str]:
    half = 0.5 * (scene.z.step_um or 0.0)
    if ends[0] <= scene.z.origin_um + half and ends[1] >= scene.z.last_um - half:
        return []
    return [
        f"Nearer than {short(ends[0])} µm and beyond {short(ends[1])} µm the end colours stand."
    ]


def _key(
    sheet: Layout,
    right: float,
    table: Rgb,
    window: Window,
    scene: Subject,
    ends: tuple[float, float],
    planes: npt.NDArray[np.bool_],
) -> None:
    """Put the key: depth along, light up; planes that were not recorded are hatched in it."""
    box = Box(right - KEY_WIDTH, sheet.top, KEY_WIDTH, KEY_HIGH)
    unseen = _unseen_part(scene, ends, planes)

    def paint(shape: tuple[int, int], dpi: float) -> Bytes:
        tone = (1 - (np.arange(shape[0]) + 0.5) / shape[0]) ** window.gamma
        row = look_up(table, (np.arange(shape[1]) + 0.5) / shape[1]) / 255
        out = to_bytes(tone[:, None, None] * row[None])
        missing = fit(unseen[None], (1, shape[1]))[0] > 0
        return np.where(missing[None, :, None], hatch(shape, dpi), out)

    sheet.panels.append(Panel("key", box, paint))
    high = f"{short(window.high)} {scene.unit}".rstrip()
    left = box.left - 0.06
    sheet.words.append(Words(left, box.top + 0.075, high, SMALL, INK, align="right"))
    sheet.words.append(Words(left, box.bottom, short(window.low), SMALL, INK, align="right"))
    span = ends[1] - ends[0]
    for place_um in _ticks(ends):
        at = box.left + (box.width * (place_um - ends[0]) / span if span > 0 else box.width / 2)
        sheet.bars.append(Bar(Box(at - 0.005, box.bottom + 0.015, 0.01, 0.04)))
        text = short(place_um)
        sheet.words.append(Words(at, box.bottom + 0.145, text, SMALL, align="center"))
    text = "z (µm), away from the lens →"
    sheet.words.append(Words(box.right, box.bottom + 0.26, text, SMALL, SOFT_INK, align="right"))
    sheet.top = box.bottom + 0.34


def _unseen_part(
    scene: Subject, ends: tuple[float, float], planes: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float64]:
    """Return, along the key in 2048 steps, whether the nearest plane was not recorded."""
    places = np.linspace(*ends, 2048)
    if scene.z.step_um is None:
        return np.zeros(2048)
    index = np.rint((places - scene.z.origin_um) / scene.z.step_um).astype(np.intp)
    inside = (index >= 0) & (index < scene.z.count)
    return np.where(inside, ~planes[np.clip(index, 0, scene.z.count - 1)], False).astype(float)


def _ticks(ends: tuple[float, float]) -> list[float]:
    """Return four to seven round depths between the ends."""
    span = ends[1] - ends[0]
    if span <= 0:
        return [ends[0]]
    raw = span / 5
    power = 10.0 ** np.floor(np.log10(raw))
    step = min((1, 2, 2.5, 5, 10), key=lambda digit: abs(np.log(digit * power / raw))) * power
    first = int(np.ceil(ends[0] / step - 1e-9))
    last = int(np.floor(ends[1] / step + 1e-9))
    return [float(f"{k * step:.10g}") + 0.0 for k in range(first, last + 1)]
