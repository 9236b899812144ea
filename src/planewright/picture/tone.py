"""How light becomes ink: the window, round numbers, colour maps and the depth colours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planewright.base.problems import RangeProblem

Rgb = npt.NDArray[np.float32]

# General-purpose maps of even perceptual steps; all but grey are made for colour-blind readers
# too (viridis family: S. van der Walt and N. Smith, 2015; cividis: J. Nunez et al., PLoS ONE 13,
# e0199239, 2018), and grey needs no colour at all.
COLOUR_MAPS = ("grey", "magma", "inferno", "viridis", "cividis")


@dataclass(frozen=True)
class Window:
    """Which light is black, which is full, and how it rises between.

    Parameters
    ----------
    low, high : float
        Light shown as black and as full.
    gamma : float
        Exponent of the rise: 1 is proportional.
    above : float
        Part of the seen pixels that are brighter than the window, 0 to 1.
    constant : float or None
        The one value that all seen pixels have, where they all have one.
    """

    low: float
    high: float
    gamma: float = 1.0
    above: float = 0.0
    constant: float | None = None

    def tone(self, light: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
        """Return 0 (black) to 1 (full)."""
        part = (np.asarray(light, np.float64) - self.low) / (self.high - self.low)
        return np.asarray(np.clip(part, 0.0, 1.0) ** self.gamma, dtype=np.float32)

    def words(self, unit: str) -> str:
        """Say the window for a reader: ``"0 – 312 e, γ 1"``."""
        ends = f"{short(self.low)} – {short(self.high)}"
        text = f"{ends} {unit}".rstrip() + f", γ {self.gamma:g}"
        if self.above > 0:
            text += f"; {max(self.above * 100, 0.01):.2g} % brighter"
        return text


def short(value: float) -> str:
    """Write a number in at most four digits."""
    if value == 0:
        return "0"
    if 1e-3 <= abs(value) < 1e5:
        text = f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"
        return text.replace("-", "−")
    digits, power = f"{value:.2e}".split("e")
    raised = str(int(power)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{float(digits):g} × 10{raised}".replace("-", "−")


def choose_window(
    light: npt.NDArray[np.floating],
    seen: npt.NDArray[np.bool_],
    *,
    ends: tuple[float, float] | None = None,
    gamma: float = 1.0,
) -> Window:
    """Choose the window from the light that is to be shown.

    Full is the light that one pixel in a thousand exceeds. Black is no light at all, unless
    even the darkest hundredth has more than a tenth of the full light; then it is that.

    Parameters
    ----------
    light : ndarray
        Light of the pixels.
    seen : ndarray of bool, same shape
        Which of them count.
    ends : tuple of float or None
        A stated window instead.
    gamma : float
        Exponent of the rise.

    Returns
    -------
    Window
        The ends are rounded outwards to numbers that a person can read.

    Raises
    ------
    RangeProblem
        If stated ends or the exponent are impossible.
    """
    if not (math.isfinite(gamma) and gamma > 0):
        raise RangeProblem("The exponent γ must be positive.", got=f"{gamma:g}")
    values = np.asarray(light)[seen].astype(np.float64)
    if ends is not None:
        if not ends[0] < ends[1]:
            raise RangeProblem(
                "The window's ends are the wrong way round.", got=f"{ends[0]:g} to {ends[1]:g}"
            )
        above = float(np.mean(values > ends[1])) if values.size else 0.0
        return Window(float(ends[0]), float(ends[1]), gamma, above)
    if values.size == 0:
        return Window(0.0, 1.0, gamma)
    least, most = float(values.min()), float(values.max())
    if least == most:
        low, high = (0.0, most) if most > 0 else (most, most + max(1.0, abs(most)))
        return Window(low, high, gamma, 0.0, constant=most)
    dark, full = (float(v) for v in np.percentile(values, (1.0, 99.9)))
    if full <= max(dark, 0.0):
        full = most
    low = dark if dark > 0.1 * full or full <= 0 else 0.0
    grain = 10.0 ** (math.floor(math.log10(full - low)) - 1)
    low, high = math.floor(low / grain) * grain, math.ceil(full / grain - 1e-9) * grain
    return Window(_clean(low), _clean(high), gamma, float(np.mean(values > high)))


def _clean(value: float) -> float:
    """Take off the dust of binary fractions."""
    return float(f"{value:.12g}")


def round_length_um(longest_um: float) -> float:
    """Return the greatest of 1, 2, 5 × 10ⁿ µm that is not above a length.

    Parameters
    ----------
    longest_um : float
        The most room there is, µm.

    Returns
    -------
    float
        µm.

    Raises
    ------
    RangeProblem
        If the length is not positive.
    """
    if not (math.isfinite(longest_um) and longest_um > 0):
        raise RangeProblem("A scale bar needs a positive length.", got=f"{longest_um:g} µm")
    power = math.floor(math.log10(longest_um))
    for exponent in (power, power - 1):
        for digit in (5, 2, 1):
            length = float(f"{digit}e{exponent}")
            if length <= longest_um * (1 + 1e-12):
                return length
    raise AssertionError("unreachable: 1e(power - 1) is below the length")


def length_words(length_um: float) -> str:
    """Write a scale bar's length: µm, or mm and nm where those are shorter."""
    if length_um >= 1000:
        return f"{length_um / 1000:g} mm"
    if length_um < 0.1:
        return f"{length_um * 1000:g} nm"
    return f"{length_um:g} µm"


def colour_map(name: str) -> Rgb:
    """Return a map of 256 colours.

    Parameters
    ----------
    name : str
        One of `COLOUR_MAPS`.

    Returns
    -------
    ndarray of shape (256, 3), float32
        sRGB values, 0 to 1, dark to bright.

    Raises
    ------
    RangeProblem
        If there is no such map.
    """
    if name not in COLOUR_MAPS:
        raise RangeProblem(
            "This colour map is not known.", got=name, expected=", ".join(COLOUR_MAPS)
        )
    steps = np.linspace(0, 1, 256)
    if name == "grey":
        return np.repeat(steps[:, None], 3, axis=1).astype(np.float32)
    from matplotlib import colormaps

    return np.asarray(colormaps[name](steps))[:, :3].astype(np.float32)


# Depth: an arc through OKLab from yellow (near the lens) over orange and rose to blue (far), as
# distance turns hills blue. Its b coordinate falls all the way, and that is the one that readers
# who confuse red and green still see; lightness falls gently too. Lightness, chroma, hue:
_DEPTH_PATH = (
    (0.00, 0.89, 0.175, 90.0),
    (0.25, 0.79, 0.145, 60.0),
    (0.50, 0.70, 0.140, 12.0),
    (0.75, 0.66, 0.160, -46.0),
    (1.00, 0.60, 0.200, -84.0),
)


def depth_map() -> Rgb:
    """Return the 256 colours of depth, nearest the lens first.

    Returns
    -------
    ndarray of shape (256, 3), float32
        sRGB values, 0 to 1, of full light. The ratios of the three tell the depth, whatever
        the brightness.

    References
    ----------
    .. [1] B. Ottosson, "A perceptual color space for image processing" (2020).
    """
    path = np.array(_DEPTH_PATH)
    steps = np.linspace(0, 1, 256)
    lightness, chroma, hue = (np.interp(steps, path[:, 0], path[:, k]) for k in (1, 2, 3))
    angle = np.deg2rad(hue)
    rgb = _oklab_to_srgb(lightness, chroma * np.cos(angle), chroma * np.sin(angle))
    return rgb.astype(np.float32)


def _oklab_to_srgb(
    lightness: npt.NDArray[np.float64],
    a: npt.NDArray[np.float64],
    b: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    cones = np.stack(
        [
            lightness + 0.3963377774 * a + 0.2158037573 * b,
            lightness - 0.1055613458 * a - 0.0638541728 * b,
            lightness - 0.0894841775 * a - 1.2914855480 * b,
        ],
        axis=-1,
    )
    to_rgb = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    linear = np.clip(cones**3 @ to_rgb.T, 0.0, None)
    curved = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(curved, 0.0, 1.0))
