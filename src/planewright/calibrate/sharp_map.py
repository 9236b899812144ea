"""Where a specimen's photograph is sharp, and what a few known steps tell of sheet and focus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from planewright.calibrate.fitting import student_factor
from planewright.calibrate.results import Estimate, Result, check_range, measured, missing
from planewright.kernels.noise import diagonal_halves, noise_model

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

_BANDS = (0.7, 1.4)  # standard deviation of the finer blur, pixels; the coarser is twice that
_TILES = 24  # along the longer side
_LEAST_TILE = 20
_PATCHES = (4, 3)  # of the field, each left out in turn
_FEWEST_TILES = 40
_CLEAR = 4.0  # power of a tile's detail over its standard error from noise
_SATURATED = 0.01
_TEXTURE = 0.15  # scatter of a tile's power that no model holds, as a fraction
_PRIOR = np.array([0.02, 0.2, 0.2])  # widening and variances over the square of the steps' reach
_SURE = 3.0  # standard errors by which the sheet must be seen to widen
CANNOT_TELL = (
    "cannot tell which: where it is less sharp the sheet may be thicker, off the focus or tilted "
    "to it, or the specimen smoother there; take three or more photographs at known steps of "
    "sheet or focus"
)


@dataclass(frozen=True)
class SharpMap(Result):
    """Fine detail of one photograph, tile by tile.

    Parameters
    ----------
    ok : bool
        Whether there is a map.
    sharpness : array of shape (rows, columns)
        Amplitude of fine detail over the light, noise taken off; NaN where there is none to be
        seen. No unit.
    sigma : array of shape (rows, columns)
        Its standard uncertainty from noise.
    x_px, y_px : tuple of float
        Middles of the tiles.
    verdict : str
        What one photograph can say of the cause: nothing.
    why : str
        Why there is no map, where ``ok`` is false.
    """

    ok: bool
    sharpness: Floats
    sigma: Floats
    x_px: tuple[float, ...] = ()
    y_px: tuple[float, ...] = ()
    verdict: str = CANNOT_TELL
    why: str = ""


@dataclass(frozen=True)
class Alignment(Result):
    """Sheet against focus, from photographs at known steps.

    Parameters
    ----------
    ok : bool
        Whether offset and tilt were found.
    offset : Estimate
        How much farther from the lens than the focus the sheet lies in the middle of the field
        at step zero, µm.
    tilt_x, tilt_y : Estimate
        Lean of the sheet against the plane in focus, °: away from the lens towards +x, +y.
    waist : Estimate
        Where along x the sheet is thinnest, µm from the middle of the field.
    maps : tuple of SharpMap
        One a photograph.
    tiles : int
        How many tiles the figures rest on.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    offset: Estimate
    tilt_x: Estimate
    tilt_y: Estimate
    waist: Estimate
    maps: tuple[SharpMap, ...] = ()
    tiles: int = 0
    why: str = ""


@dataclass(frozen=True)
class _Tiles:
    """Power of detail a tile and band, its noise error, and where the tiles stand."""

    power: Floats  # (bands, tiles)
    error: Floats
    x: Floats
    y: Floats
    shape: tuple[int, int]


def sharpness_map(photograph: Image, *, white: float = math.inf) -> SharpMap:
    """Map the sharpness of one photograph of the specimen.

    Parameters
    ----------
    photograph : array of shape (y, x)
        Light above black.
    white : float
        Light at which the sensor is full.

    Returns
    -------
    SharpMap
        With the verdict that one photograph cannot tell the cause.
    """
    why = _unfit(photograph, white)
    if why:
        return SharpMap(False, np.zeros((0, 0)), np.zeros((0, 0)), why=why)
    tiles = _measured(photograph)
    return _as_map(tiles)


def sheet_alignment(
    photographs: Sequence[Image],
    *,
    steps_um: Sequence[float],
    moved: Literal["sheet", "focus"],
    pixel_um: float,
    depth_of_field_um: float,
    step_relative_sigma: float = 0.0,
    white: float = math.inf,
) -> Alignment:
    """Find sheet against focus from the same specimen at known steps of one of them.

    Parameters
    ----------
    photographs : sequence of arrays of shape (y, x)
        Light above black, the sheet's light travelling along +x; three or more.
    steps_um : sequence of float
        Where sheet or focus stood for each, µm away from the lens, in the specimen.
    moved : {"sheet", "focus"}
        Which of the two was moved; the specimen stood still.
    pixel_um : float
        Pixel in the specimen, µm.
    depth_of_field_um : float
        Of the lens. An offset less certain than that is not told.
    step_relative_sigma : float
        Standard uncertainty of the steps' scale, as a fraction.
    white : float
        Light at which the sensor is full.

    Returns
    -------
    Alignment
        Offset and tilts; the waist where the sheet is seen to widen.

    Raises
    ------
    RangeProblem
        If a length is not sensible.

    Notes
    -----
    A tile's power of detail over the distance of sheet and focus is a bell. Its middle is where
    they meet: a plane over the field. Its variance is the lens's plus that of the sheet's square,
    ``w² / 8``, which grows with the square of the distance from the waist: the finer the detail,
    the more the sheet counts. Each tile has its own height, that of the specimen's own detail.
    """
    check_range(pixel_um, "pixel_um", 0.0, 1e3, open_low=True)
    check_range(depth_of_field_um, "depth_of_field_um", 0.0, 1e4, open_low=True)
    check_range(step_relative_sigma, "step_relative_sigma", 0.0, 0.5)
    steps = np.asarray(steps_um, dtype=np.float64)
    if len(photographs) != len(steps):
        return _refused("each photograph needs one step")
    for number, photograph in enumerate(photographs, start=1):
        why = _unfit(photograph, white)
        if why:
            return _refused(f"photograph {number}: {why}")
    if len({photograph.shape for photograph in photographs}) > 1:
        return _refused("all photographs must have the same rows and columns")
    seen = [_measured(photograph) for photograph in photographs]
    maps = tuple(_as_map(tiles) for tiles in seen)
    if len(np.unique(steps)) < 3:
        return _refused(CANNOT_TELL, maps)
    power = np.stack([tiles.power for tiles in seen])
    error = np.stack([tiles.error for tiles in seen])
    clear = (power.max(axis=0) > 2.0 * _CLEAR * error.max(axis=0)).all(axis=0)
    if np.count_nonzero(clear) < _FEWEST_TILES:
        return _refused("the specimen shows too little fine detail to judge by", maps)
    shape = photographs[0].shape
    x = (seen[0].x[clear] - (shape[1] - 1) / 2) * pixel_um
    y = (seen[0].y[clear] - (shape[0] - 1) / 2) * pixel_um
    distance = steps if moved == "sheet" else -steps
    half = float(np.abs(x).max())
    bells = _Bells(power[:, :, clear], error[:, :, clear], x, y, distance, half)
    return _aligned(bells, maps, depth_of_field_um, step_relative_sigma)


def _refused(why: str, maps: tuple[SharpMap, ...] = ()) -> Alignment:
    um, degree = missing("um", why), missing("deg", why)
    return Alignment(False, um, degree, degree, um, maps, why=why)


def _unfit(photograph: Image, white: float) -> str:
    if photograph.ndim != 2 or min(photograph.shape) < 6 * _LEAST_TILE:
        return f"it must be a plane of {6 * _LEAST_TILE} pixels a side or more"
    if not np.isfinite(photograph).all():
        return "there are pixels without a value"
    full = float(np.mean(photograph >= white)) if math.isfinite(white) else 0.0
    if full > _SATURATED:
        return f"{100 * full:.1f} % of it is saturated"
    if not float(photograph.std()) > 0:
        return "it shows nothing"
    return ""


def _measured(photograph: Image) -> _Tiles:
    light = np.asarray(photograph, dtype=np.float32)
    side = max(_LEAST_TILE, max(light.shape) // _TILES)
    rows, columns = light.shape[0] // side, light.shape[1] // side
    top, left = (light.shape[0] - rows * side) // 2, (light.shape[1] - columns * side) // 2
    model = noise_model(*diagonal_halves(light))
    mean = _block(light, side, (top, left), (rows, columns))
    power, error = [], []
    for fine in _BANDS:
        detail = cv2.GaussianBlur(light, (0, 0), fine) - cv2.GaussianBlur(light, (0, 0), 2 * fine)
        share = (1 / (4 * math.pi * fine**2)) * (1 + 1 / 4 - 4 / 5)  # of white noise's variance
        noise = share * (model.floor + model.slope * np.maximum(mean, 0))
        square = _block(np.square(detail), side, (top, left), (rows, columns)) - noise
        scale = np.square(np.maximum(mean, 1e-3 * float(np.abs(mean).max()) + 1e-12))
        power.append((square / scale).ravel())
        alike = 8 * math.pi * fine**2  # pixels that one independent value of the noise takes
        error.append((noise * math.sqrt(2.0 * alike) / side / scale).ravel())
    y, x = np.meshgrid(
        top + (np.arange(rows) + 0.5) * side - 0.5,
        left + (np.arange(columns) + 0.5) * side - 0.5,
        indexing="ij",
    )
    return _Tiles(np.array(power), np.array(error), x.ravel(), y.ravel(), (rows, columns))


def _block(image: Image, side: int, corner: tuple[int, int], count: tuple[int, int]) -> Floats:
    part = image[corner[0] : corner[0] + count[0] * side, corner[1] : corner[1] + count[1] * side]
    cells = part.reshape(count[0], side, count[1], side)
    return np.asarray(cells.mean(axis=(1, 3), dtype=np.float64))


def _as_map(tiles: _Tiles) -> SharpMap:
    power, error = tiles.power[0], tiles.error[0]
    seen = power > _CLEAR * error
    amplitude = np.where(seen, np.sqrt(np.maximum(power, 1e-300)), np.nan)
    sigma = np.where(seen, 0.5 * error / np.where(seen, amplitude, 1.0), np.nan)
    return SharpMap(
        True,
        amplitude.reshape(tiles.shape),
        sigma.reshape(tiles.shape),
        tuple(np.unique(tiles.x).tolist()),
        tuple(np.unique(tiles.y).tolist()),
    )


@dataclass(frozen=True)
class _Bells:
    """Power by photograph, band and tile, with what a model needs beside it."""

    power: Floats  # (photographs, bands, tiles)
    error: Floats
    x: Floats
    y: Floats
    distance: Floats  # of sheet from focus, less the offset sought
    half: float  # half the field along x, µm: the unit of tilts and waist

    def residual(self, state: Floats, weight: Floats) -> Floats:
        """Return what a state leaves over, relative, the tiles' heights fitted in between.

        State: offset, tilts (per half field), waist and widening (in half fields), then the log
        of the variance of each band at the waist.
        """
        half = self.half
        middle = state[0] + (state[1] * self.x + state[2] * self.y) / half
        widening = math.exp(min(float(state[4]), 50.0)) * (self.x / half - state[3]) ** 2
        away = (self.distance[:, None] + middle[None, :]) ** 2
        variance = np.exp(np.minimum(state[5:], 50.0))[:, None] + widening[None, :]
        bell = np.exp(-0.5 * away[:, None, :] / variance[None])
        strongest = self.power.max(axis=0)
        sigma = np.hypot(self.error, _TEXTURE * np.maximum(self.power, 0.1 * strongest[None]))
        height = (bell * self.power / sigma**2).sum(axis=0) / (bell**2 / sigma**2).sum(axis=0)
        return np.asarray((self.power - height[None] * bell) / sigma * weight)


def _aligned(
    bells: _Bells, maps: tuple[SharpMap, ...], depth_um: float, step_relative: float
) -> Alignment:
    reach = float(np.ptp(bells.distance))
    half = bells.half
    top = math.log((5.0 * reach) ** 2)
    total = bells.power.sum(axis=(1, 2))
    first = -float(bells.distance[int(np.argmax(total))])
    spread = np.log(_PRIOR[: bells.power.shape[1] + 1] * reach**2)
    start = np.concatenate([[first, 0.0, 0.0, 0.0], spread])
    state = _solved(bells, start)
    offset, slopes = float(state[0]), state[1:3] / half
    if np.any(state[5:] > top - 0.5):
        return _refused("sharpness hardly changes with the steps: take larger ones", maps)
    widest = math.sqrt(float(np.exp(state[5:]).max()))
    nearest = float(np.abs(bells.distance + offset).min())
    if nearest > widest and not (bells.distance + offset).min() < 0 < (
        bells.distance + offset
    ).max():  # fmt: skip
        return _refused("sheet and focus do not meet within the steps: go on with them", maps)
    sigma = _errors(bells, state)
    if not sigma[0] < depth_um:
        return _refused("the steps do not tell the offset to within the depth of field", maps)
    tilts = [
        measured(
            math.degrees(math.atan(slope)),
            math.degrees(math.hypot(error / half, slope * step_relative)) / (1 + slope**2),
            "deg",
        )
        for slope, error in zip(slopes, sigma[1:3], strict=True)
    ]
    return Alignment(
        True,
        measured(offset, math.hypot(sigma[0], offset * step_relative), "um"),
        tilts[0],
        tilts[1],
        _waist(state, sigma, half),
        maps,
        bells.x.size,
    )


def _solved(bells: _Bells, start: Floats) -> Floats:
    """Return the state that fits best; tiles that fit badly lose weight."""
    state, weight = start, np.ones(bells.x.size)
    middle = np.log(_PRIOR * float(np.ptp(bells.distance)) ** 2)

    def left_over(state: Floats, weight: Floats) -> Floats:
        # Loose ties keep what the photographs do not tell from running away.
        ties = np.concatenate([state[3:4] / 2.0, (state[4:] - middle[: len(state) - 4]) / 4.0])
        return np.concatenate([bells.residual(state, weight).ravel(), ties])

    for again in (True, True, False):
        best = least_squares(
            left_over, state, args=(weight,), method="lm", x_scale="jac", ftol=1e-6, xtol=1e-4
        )
        state = best.x
        if again:
            rms = np.sqrt(np.mean(bells.residual(state, np.ones_like(weight)) ** 2, axis=(0, 1)))
            weight = np.clip(1.0 - (rms / (3.0 * float(np.median(rms)))) ** 2, 0.05, 1.0)
    return np.asarray(state)


def _errors(bells: _Bells, state: Floats) -> Floats:
    """Return standard uncertainties by leaving out a part of the field at a time [1]_.

    What a tile leaves over is alike in all its photographs, and a little in its neighbours; the
    bell is not a straight function. So the fit itself is repeated, without one patch each time.

    References
    ----------
    .. [1] B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), chapter 3.
    """
    column = np.searchsorted(
        np.quantile(bells.x, np.linspace(0, 1, _PATCHES[0] + 1)[1:-1]), bells.x
    )
    row = np.searchsorted(np.quantile(bells.y, np.linspace(0, 1, _PATCHES[1] + 1)[1:-1]), bells.y)
    patch = row * _PATCHES[0] + column
    kept = []
    for number in np.unique(patch):
        rest = patch != number
        part = _Bells(
            bells.power[:, :, rest], bells.error[:, :, rest], bells.x[rest], bells.y[rest],
            bells.distance, bells.half,
        )  # fmt: skip
        kept.append(_solved(part, state))
    apart = np.array(kept) - np.mean(kept, axis=0)
    count = len(kept)
    return np.asarray(
        np.sqrt((count - 1) / count * (apart**2).sum(axis=0)) * student_factor(count - 1)
    )


def _waist(state: Floats, sigma: Floats, half: float) -> Estimate:
    place, error = float(state[3]), float(sigma[3])
    if not 1.0 / max(float(sigma[4]), 1e-9) > _SURE:
        return missing("um", "cannot tell: the sheet is not seen to widen within the field")
    if abs(place) > 1.0 + error:
        side = "behind" if place > 0 else "before"
        return missing("um", f"the sheet is thinnest {side} the field, where nothing is seen")
    return measured(place * half, error * half, "um")
