"""Levels of the sensor: master dark, hot and dead pixels, flat; one photograph at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Finding, Flag, Severity
from planewright.base.problems import PhotographProblem
from planewright.check.figures import FrameFacts
from planewright.kernels.hot import replace_pixels, single_pixel_excess, spread
from planewright.kernels.noise import clipped_variance, diagonal_halves

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

HOT_SCATTER = 8.0  # robust standard deviations above its surroundings
HOT_SHARE = 0.8  # of the frames in which a defect must show, where there are no darks
FLAT_NOISE = 0.01  # relative noise of a flat that is let through
FLAT_FULL = 1e-3  # share of full pixels of a flat that is let through
_FLAT_SMOOTH = 2.0  # pixels; dust is wider, noise is not
_FLAT_LOWEST = 0.05  # of the mean: darker pixels hold no light to level by


@dataclass(frozen=True)
class HotMap:
    """Defective pixels.

    Parameters
    ----------
    bad : bool array of shape (y, x)
        Hot, dead and restless pixels.
    hot, dead : int
        How many of each.
    source : str
        ``"darks"``, ``"specimen frames"`` or ``"none"``.
    """

    bad: Mask
    hot: int
    dead: int
    source: str


@dataclass(frozen=True)
class MasterDark:
    """Mean of dark frames.

    Parameters
    ----------
    light : array of shape (y, x), float32
        Mean light without light, counts above black; each pixel's lowest and highest value left
        out where there are three frames or more.
    noise : float
        Read noise of one frame, counts.
    frames : int
        How many frames.
    hot : HotMap
        Pixels that glow or are restless in the dark.
    """

    light: Image
    noise: float
    frames: int
    hot: HotMap


class DarkSum:
    """Gather dark frames one at a time, in memory of four planes whatever their number."""

    def __init__(self) -> None:
        self.frames = 0
        self._sum: NDArray[np.float64] | None = None
        self._square: NDArray[np.float64] | None = None
        self._low: Image | None = None
        self._high: Image | None = None

    def add(self, light: Image) -> None:
        """Take one dark frame, counts above black.

        Raises
        ------
        PhotographProblem
            If its size differs from the others'.
        """
        if self._sum is None:
            self._sum = np.zeros(light.shape)
            self._square = np.zeros(light.shape)
            self._low = np.full(light.shape, np.inf, np.float32)
            self._high = np.full(light.shape, -np.inf, np.float32)
        assert self._square is not None
        assert self._low is not None
        assert self._high is not None
        _same_size(light, self._sum, "dark")
        self._sum += light
        self._square += np.square(light, dtype=np.float64)
        np.minimum(self._low, light, out=self._low)
        np.maximum(self._high, light, out=self._high)
        self.frames += 1

    def close(self) -> MasterDark:
        """Return the master dark.

        Raises
        ------
        PhotographProblem
            If there was no frame.
        """
        if self._sum is None or self._square is None or self._low is None or self._high is None:
            raise PhotographProblem(
                "There are no dark frames.",
                expected="at least one",
                do="photograph with the laser off and the cell covered, at the same exposure",
            )
        if self.frames >= 3:
            mean = (self._sum - self._low - self._high) / (self.frames - 2)
        else:
            mean = self._sum / self.frames
        light = mean.astype(np.float32)
        if self.frames >= 2:
            variance = self._square - np.square(self._sum) / self.frames
            variance = np.maximum(variance / (self.frames - 1), 0.0)
            noise = float(np.sqrt(np.median(variance) / _median_of_chi2(self.frames - 1)))
            restless = variance > (HOT_SCATTER * max(noise, 1e-12)) ** 2
        else:
            main, other = diagonal_halves(light)
            noise = float(np.sqrt(clipped_variance(main - other)))
            restless = np.zeros(light.shape, bool)
        hot = _glowing(light, noise / np.sqrt(self.frames)) | restless
        return MasterDark(light, noise, self.frames, HotMap(hot, int(hot.sum()), 0, "darks"))


def _median_of_chi2(freedom: int) -> float:
    """Return the median of a variance over its true value (Wilson and Hilferty, 1931)."""
    return float((1.0 - 2.0 / (9.0 * freedom)) ** 3)


def _glowing(light: Image, noise: float) -> Mask:
    excess = single_pixel_excess(light)
    limit = HOT_SCATTER * max(spread(excess[::3, ::3]), noise, 1e-6)
    return np.asarray(excess > limit)


class HotFinder:
    """Find defective pixels from the specimen frames themselves, where there are no darks.

    A defective pixel stands out from its neighbours at the same place in nearly all frames; the
    specimen moves on, and a lens never makes a single bright pixel. Eight to thirty frames
    spread over the stack are enough.
    """

    def __init__(self) -> None:
        self.frames = 0
        self._above: NDArray[np.uint16] | None = None
        self._below: NDArray[np.uint16] | None = None
        self._excess: Image | None = None
        self._noise2 = 0.0

    def add(self, light: Image) -> None:
        """Take one frame, counts above black.

        Raises
        ------
        PhotographProblem
            If its size differs from the others'.
        """
        if self._above is None:
            self._above = np.zeros(light.shape, np.uint16)
            self._below = np.zeros(light.shape, np.uint16)
            self._excess = np.zeros(light.shape, np.float32)
        assert self._below is not None
        assert self._excess is not None
        _same_size(light, self._above, "specimen")
        excess = single_pixel_excess(light)
        noise = max(spread(excess[::3, ::3]), 1e-6)
        self._above += excess > 2.0 * noise
        self._below += excess < -2.0 * noise
        self._excess += excess
        self._noise2 += noise**2
        self.frames += 1

    def close(self, *, least: int = 5) -> HotMap:
        """Return the map.

        Parameters
        ----------
        least : int
            Frames that are needed to tell a defect from a bead.

        Returns
        -------
        HotMap
            Empty, with source ``"none"``, where there were too few frames.
        """
        if self._above is None or self._below is None or self._excess is None:
            return HotMap(np.zeros((0, 0), bool), 0, 0, "none")
        if self.frames < least:
            return HotMap(np.zeros(self._above.shape, bool), 0, 0, "none")
        mean = self._excess / np.float32(self.frames)
        noise = np.sqrt(self._noise2) / self.frames
        clear = max(HOT_SCATTER * noise, 4.0 * spread(mean[::3, ::3]))
        often = HOT_SHARE * self.frames
        hot = (self._above >= often) & (mean > clear) & _single(mean)
        dead = (self._below >= often) & (mean < -clear) & _single(-mean)
        return HotMap(hot | dead, int(hot.sum()), int(dead.sum()), "specimen frames")


def _single(mean: Image) -> Mask:
    """Tell pixels that stand out from all but one or two of their neighbours.

    The third highest of the eight neighbours of a lens's finest spot (full width two pixels)
    still has a third of its height; that of a defect, even of a pair, has nothing.
    """
    stack = [np.roll(mean, (dy, dx), (0, 1)) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx]
    third = np.partition(np.stack(stack), 5, axis=0)[5]
    return np.asarray(third < 0.3 * mean)


@dataclass(frozen=True)
class Flat:
    """Relative response of each pixel.

    Parameters
    ----------
    ok : bool
        Whether it may be divided by.
    response : array of shape (y, x), float32
        Mean 1. Dust and vignetting stay in it; where there was no light, 1.
    noise : float
        Relative standard deviation that dividing adds.
    frames : int
        How many frames.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    response: Image
    noise: float
    frames: int
    why: str = ""


class FlatSum:
    """Gather flats one at a time.

    Parameters
    ----------
    dark : array of shape (y, x) or None
        Master dark to take off each, counts.
    """

    def __init__(self, dark: Image | None = None) -> None:
        self.frames = 0
        self._dark = dark
        self._sum: NDArray[np.float64] | None = None
        self._full = 0

    def add(self, light: Image, *, saturated: Mask | None = None) -> None:
        """Take one flat, counts above black.

        Parameters
        ----------
        light : array of shape (y, x)
            The frame.
        saturated : bool array of shape (y, x) or None
            Full pixels.

        Raises
        ------
        PhotographProblem
            If its size differs from the others' or the dark's.
        """
        if self._sum is None:
            self._sum = np.zeros(light.shape)
        _same_size(light, self._sum, "flat")
        if self._dark is not None:
            _same_size(light, self._dark, "dark")
            self._sum -= self._dark
        self._sum += light
        if saturated is not None:
            self._full = max(self._full, int(saturated.sum()))
        self.frames += 1

    def close(self, *, hot: Mask | None = None) -> Flat:
        """Return the response.

        Parameters
        ----------
        hot : bool array of shape (y, x) or None
            Defective pixels, which get their neighbours' response.

        Returns
        -------
        Flat
            With ``ok`` false where the flats are full, too dark or too noisy.
        """
        if self._sum is None:
            return Flat(False, np.ones((0, 0), np.float32), 0.0, 0, "there are no flats")
        mean = (self._sum / self.frames).astype(np.float32)
        if hot is not None:
            mean = replace_pixels(mean, hot)
        level = float(mean.mean(dtype=np.float64))
        share = self._full / mean.size
        if share > FLAT_FULL:
            why = f"{100 * share:.2f} % of a flat's pixels are full"
            return Flat(False, np.ones_like(mean), 0.0, self.frames, why)
        if level <= 0:
            why = f"the flats hold no light (mean {level:.2f} counts above the dark)"
            return Flat(False, np.ones_like(mean), 0.0, self.frames, why)
        main, other = diagonal_halves(mean)
        noise = float(np.sqrt(clipped_variance(main - other))) / level
        if noise > 0.2 * FLAT_NOISE:
            mean = cv2.GaussianBlur(mean, (0, 0), _FLAT_SMOOTH, borderType=cv2.BORDER_REFLECT_101)
            noise /= 2.0 * np.sqrt(np.pi) * _FLAT_SMOOTH
        if noise > FLAT_NOISE:
            why = f"the flats are noisy: {100 * noise:.1f} % a pixel even when smoothed"
            return Flat(False, np.ones_like(mean), noise, self.frames, why)
        lit = mean > _FLAT_LOWEST * level
        response = np.where(lit, mean / np.float32(level), np.float32(1)).astype(np.float32)
        return Flat(True, response, noise, self.frames)


def level_plane(
    light: Image,
    *,
    saturated: Mask | None = None,
    invalid: Mask | None = None,
    dark: Image | None = None,
    hot: Mask | None = None,
    flat: Image | None = None,
) -> tuple[Image, NDArray[np.uint8]]:
    """Level one plane and start its mask.

    Parameters
    ----------
    light : array of shape (y, x)
        Counts above black.
    saturated, invalid : bool arrays of shape (y, x) or None
        Full pixels; pixels without a finite number.
    dark : array of shape (y, x) or None
        Master dark, taken off.
    hot : bool array of shape (y, x) or None
        Defective pixels: replaced by the median of their neighbours and flagged.
    flat : array of shape (y, x) or None
        Response, divided by.

    Returns
    -------
    light : array of shape (y, x), float32
        New array. Negative values are kept.
    mask : array of shape (y, x), uint8
        Bits of `planewright.base.nouns.Flag`: SATURATED, HOT, and MISSING for invalid pixels.
    """
    mask = np.zeros(light.shape, np.uint8)
    out = light.astype(np.float32)
    if saturated is not None:
        mask[saturated] |= np.uint8(Flag.SATURATED)
    if dark is not None:
        out -= dark
    bad = None
    if hot is not None:
        mask[hot] |= np.uint8(Flag.HOT)
        bad = hot
    if invalid is not None:
        mask[invalid] |= np.uint8(Flag.MISSING)
        bad = invalid if bad is None else bad | invalid
    if bad is not None:
        out = replace_pixels(out, bad)
    if flat is not None:
        out /= flat
    return out, mask


def dark_mismatch(darks: Sequence[FrameFacts], frames: Sequence[FrameFacts]) -> tuple[Finding, ...]:
    """Tell where dark frames were not taken like the specimen frames.

    Parameters
    ----------
    darks, frames : sequences of FrameFacts
        What their files say.

    Returns
    -------
    tuple of Finding
        One a kind of difference: size (a fault: they cannot be used), exposure, sensitivity,
        camera.
    """
    if not darks or not frames:
        return ()
    findings = []
    for code, severity, word, get, unit in (
        ("dark-size", Severity.FAULT, "size", lambda f: (f.rows, f.columns), "pixels"),
        ("dark-exposure", Severity.DOUBT, "exposure time", lambda f: f.exposure_s, "s"),
        ("dark-iso", Severity.DOUBT, "sensitivity (ISO)", lambda f: f.iso, ""),
        ("dark-camera", Severity.DOUBT, "camera", lambda f: (f.camera, f.serial), ""),
    ):
        wanted = {get(f) for f in frames}
        odd = [f for f in darks if get(f) not in wanted]
        if not odd or wanted == {None}:
            continue
        findings.append(
            Finding(
                code,
                severity,
                f"{len(odd)} of {len(darks)} dark frames have another {word} than the "
                "specimen frames.",
                _shown(get(odd[0]), unit),
                " or ".join(sorted(_shown(v, unit) for v in wanted)),
                "take darks with the specimen's settings, or leave these out",
                tuple(f.name for f in odd),
            )
        )
    return tuple(findings)


def _shown(value: object, unit: str) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, tuple):
        return (" × " if unit else " ").join(str(v) for v in value) + (f" {unit}" if unit else "")
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".strip()


def _same_size(light: NDArray[np.floating], other: NDArray[np.generic], role: str) -> None:
    if light.shape != other.shape:
        raise PhotographProblem(
            f"A {role} frame has another size than the ones before.",
            got="{} × {} pixels".format(*light.shape),
            expected="{} × {} pixels".format(*other.shape),
            do="sort the photographs by size",
        )
