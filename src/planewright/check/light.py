"""Which light was on in each frame, judged against its neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.check.figures import FrameFigures
from planewright.check.limits import Limits

Floats = NDArray[np.float64]

USUAL = "usual"
DARK = "dark"
LAMP = "lamp"
LAMP_TOO = "lamp as well"
ROOM = "room light as well"


@dataclass(frozen=True)
class LightFigures:
    """How the light of each frame compares with its neighbours.

    Parameters
    ----------
    kinds : tuple of str
        ``"usual"``, ``"dark"``, ``"lamp"``, ``"lamp as well"`` or ``"room light as well"``.
    brightness : array of shape (frames,)
        Mean light over that of the neighbours; NaN where it cannot be told.
    added : array of shape (frames,)
        Background above the neighbours', counts, at the exposure of the first frame.
    expected_mean, expected_background : arrays of shape (frames,)
        The neighbours' figures at this frame's own exposure, counts.
    """

    kinds: tuple[str, ...]
    brightness: Floats
    added: Floats
    expected_mean: Floats
    expected_background: Floats


def judge_light(
    frames: Sequence[FrameFigures],
    factors: Floats,
    likeness: Floats,
    limits: Limits,
    shows_plane: NDArray[np.bool_] | None = None,
) -> LightFigures:
    """Tell which light was on.

    Parameters
    ----------
    frames : sequence of FrameFigures
        In the order of shooting.
    factors : array of shape (frames,)
        Exposure of each frame relative to the usual one (time × sensitivity).
    likeness : array of shape (frames,)
        Best similarity to a neighbour, over what is usual there; NaN where it cannot be told.
    limits : Limits
        Thresholds.
    shows_plane : bool array of shape (frames,) or None
        Where the picture of the sheet is seen, however weakly: other light came on top of it.

    Returns
    -------
    LightFigures
        Frames of unusual light are left out of the others' references.
    """
    count = len(frames)
    shows = np.zeros(count, bool) if shows_plane is None else shows_plane
    mean = np.array([f.mean for f in frames]) / factors
    back = np.array([f.background for f in frames]) / factors
    signal = np.array([f.signal for f in frames]) / factors
    noise = np.array([f.noise for f in frames]) / factors
    shares = _colour_shares(frames)
    good = np.ones(count, bool)
    kinds = [USUAL] * count
    usual_mean, usual_back = mean.copy(), back.copy()
    for _ in range(3):
        usual_mean, _ = _usual(mean, good)
        least_mean = _least_side(mean, good)
        usual_back, back_spread = _usual(back, good)
        usual_signal, _ = _usual(signal, good)
        usual_noise, _ = _usual(noise, good)
        usual_shares, share_spread = _usual_columns(shares, good)
        fresh = []
        for i in range(count):
            fresh.append(
                _kind(
                    mean[i] - usual_mean[i],
                    usual_mean[i],
                    least_mean[i],
                    back[i] - usual_back[i],
                    max(back_spread[i], 0.02 * usual_noise[i]),
                    max(usual_signal[i], usual_noise[i]),
                    usual_noise[i],
                    shares[i] - usual_shares[i],
                    share_spread[i],
                    likeness[i],
                    bool(shows[i]),
                    limits,
                )
            )
        following = np.array([kind == USUAL for kind in fresh], dtype=bool)
        kinds = fresh
        if np.array_equal(following, good) or following.sum() < max(3, count // 3):
            break
        good = following
    with np.errstate(invalid="ignore", divide="ignore"):
        brightness = np.where(usual_mean > 0, mean / usual_mean, np.nan)
    return LightFigures(
        tuple(kinds),
        brightness,
        back - usual_back,
        usual_mean * factors,
        usual_back * factors,
    )


def _kind(
    mean_change: float,
    usual_mean: float,
    least_mean: float,
    back_change: float,
    back_spread: float,
    usual_signal: float,
    usual_noise: float,
    share_change: Floats,
    share_spread: Floats,
    likeness: float,
    shows_plane: bool,
    limits: Limits,
) -> str:
    if not np.isfinite(usual_mean):
        return USUAL
    if mean_change < -(1 - limits.dark_share) * usual_mean and -mean_change > 0.1 * usual_noise:
        # Where the specimen ends, or fades out, one side is as dark, and the picture goes on.
        own_light = np.isfinite(likeness) and likeness > 0.5
        if not own_light or usual_mean + mean_change < limits.dark_share * least_mean:
            return DARK
    stands = back_change / back_spread if back_spread > 0 else np.inf * np.sign(back_change)
    level = back_change > limits.added_share * usual_signal and stands > limits.scatter
    coloured = bool(
        np.isfinite(share_change).all()
        and share_change.size
        and (
            np.abs(share_change) > np.maximum(limits.colour_change, limits.scatter * share_spread)
        ).any()
    )
    strong = back_change > max(usual_signal, 3.0 * usual_noise)
    if not (level and (coloured or not share_change.size or strong) and mean_change > 0):
        return USUAL
    if np.isfinite(likeness) and likeness < 0.5 and not shows_plane:
        return LAMP
    return LAMP_TOO if back_change > 0.5 * usual_signal else ROOM


def _colour_shares(frames: Sequence[FrameFigures]) -> Floats:
    """Return red's and blue's share of the light, one row a frame; no columns if monochrome."""
    if not frames or not all({"red", "green", "blue"} <= set(f.colours) for f in frames):
        return np.zeros((len(frames), 0))
    rows = []
    for frame in frames:
        red, green, blue = (frame.colours[name] for name in ("red", "green", "blue"))
        total = red + green + blue
        low = total <= 0.5 * frame.noise
        rows.append([np.nan, np.nan] if low else [red / total, blue / total])
    return np.array(rows, dtype=np.float64)


def local_usual(
    values: Floats, good: NDArray[np.bool_], *, reach: int = 5
) -> tuple[Floats, Floats]:
    """Return what is usual at each frame, from its neighbours, and its scatter.

    Parameters
    ----------
    values : array of shape (frames,)
        A figure a frame.
    good : bool array of shape (frames,)
        Which may serve as reference.
    reach : int
        How many good neighbours on each side.

    Returns
    -------
    usual, spread : arrays of shape (frames,)
        Mean of the medians of the two sides, so that a slope along z cancels; robust standard
        deviation of the difference between frames and their usual value, over 31 frames.
    """
    count = values.size
    usual = np.full(count, np.nan)
    usable = good & np.isfinite(values)
    index = np.flatnonzero(usable)
    for i in range(count):
        left = index[index < i][-reach:]
        right = index[index > i][:reach]
        sides = [float(np.median(values[side])) for side in (left, right) if side.size]
        if sides:
            usual[i] = np.mean(sides)
    residual = np.where(usable, values - usual, np.nan)
    spread = np.zeros(count)
    for i in range(count):
        near = residual[max(0, i - 15) : i + 16]
        near = near[np.isfinite(near)]
        if near.size:
            spread[i] = 1.4826 * float(np.median(np.abs(near)))
    return usual, spread


_usual = local_usual


def _least_side(values: Floats, good: NDArray[np.bool_], reach: int = 5) -> Floats:
    """Return the darker of the medians of the good neighbours on each side."""
    index = np.flatnonzero(good & np.isfinite(values))
    out = np.full(values.size, np.inf)
    for i in range(values.size):
        for side in (index[index < i][-reach:], index[index > i][:reach]):
            if side.size:
                out[i] = min(out[i], float(np.median(values[side])))
    return out


def _usual_columns(values: Floats, good: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    usual, spread = np.zeros_like(values), np.zeros_like(values)
    for column in range(values.shape[1]):
        usual[:, column], spread[:, column] = local_usual(values[:, column], good)
    return usual, spread
