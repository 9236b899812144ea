"""The sheet in one photograph of dye, its thin axis turned into view."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from planewright.calibrate.caustic import LARGEST_AMPLIFICATION, fit_caustic
from planewright.calibrate.fitting import clustered, robust_fit, student_factor
from planewright.calibrate.results import Result, check_range, measured, missing
from planewright.calibrate.sheet import SheetShape, blurred_away, no_sheet

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

_WIDTHS = 80  # groups of columns
_CLEAR = 8.0  # height of a profile over its noise
_SATURATED = 0.001
_WINDOW = 1.5  # half window over the second-moment width d = 4 sigma: three widths in all [1]
_FEWEST_ROWS = 2.0  # 1/e² radius at the waist, pixels
_GROUP = (6, 12)  # neighbouring widths that dust may spoil alike: Gaussian, moments
_SHADE = 0.002  # a pixel: light as uneven as this pulls a beam's middle by it times sigma²
_TAILS = 1.08  # second moments over Gaussian width: more are tails


@dataclass(frozen=True)
class DyeSheet(Result):
    """The sheet by two ways of measuring a width.

    Parameters
    ----------
    ok : bool
        Whether the Gaussian way gave a result.
    gaussian : SheetShape
        By a Gaussian fitted to each profile: what counts where the beam was cut by a slit.
    moments : SheetShape
        By second moments, as ISO 11146 has it; they follow faint tails.
    ratio : float or None
        Median of the second over the first width.
    why : str
        Why not, where ``ok`` is false.
    notes : tuple of str
        What a person should know beside it.
    """

    ok: bool
    gaussian: SheetShape
    moments: SheetShape
    ratio: float | None = None
    why: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Profile:
    x: float
    middle: float
    radius: float
    clear: float


def sheet_from_dye(
    photograph: Image,
    *,
    pixel_um: float,
    pixel_sigma_um: float,
    lens_fwhm_um: float,
    lens_fwhm_sigma_um: float,
    wavelength_nm: float,
    index: float,
    white: float = math.inf,
) -> DyeSheet:
    """Measure the sheet in a photograph of even dye, the thin axis along the rows' axis (down).

    Parameters
    ----------
    photograph : array of shape (y, x)
        Light. The sheet's light travels along +x. What is photographed must be shallow against
        the lens's depth of field: turn the cylinder by 90° and close the slit along the view.
    pixel_um, pixel_sigma_um : float
        Pixel in the specimen, and its standard uncertainty, µm.
    lens_fwhm_um, lens_fwhm_sigma_um : float
        FWHM of the lens's blur, and its standard uncertainty, µm. Taken off in quadrature.
    wavelength_nm : float
        Of the sheet's light, in vacuum, nm.
    index : float
        Of the medium.
    white : float
        Light at which the sensor is full.

    Returns
    -------
    DyeSheet
        Both ways; each refuses for itself.

    Raises
    ------
    RangeProblem
        If a length is not sensible.

    References
    ----------
    .. [1] ISO 11146: second moments over three times the width, iterated, background taken off
       first (from memory).
    """
    check_range(pixel_um, "pixel_um", 0.0, 1e3, open_low=True)
    check_range(pixel_sigma_um, "pixel_sigma_um", 0.0, pixel_um)
    check_range(lens_fwhm_um, "lens_fwhm_um", 0.0, 1e3)
    check_range(lens_fwhm_sigma_um, "lens_fwhm_sigma_um", 0.0, 1e3)
    check_range(wavelength_nm, "wavelength_nm", 200.0, 2000.0)
    check_range(index, "index", 1.0, 2.0)
    why = _unfit(photograph, white)
    if why:
        return _refused(why)
    profiles, places = _grouped(photograph)
    bells = [_by_gaussian(*item) for item in zip(places, profiles, strict=True)]
    fitted = [bell for bell in bells if bell is not None]
    sums = [
        _by_moments(bell.x, profile, bell)
        for bell, profile in zip(bells, profiles, strict=True)
        if bell is not None
    ]
    summed = [part for part in sums if part is not None]
    blur = lens_fwhm_um / math.sqrt(2.0 * math.log(2.0))
    shapes = [
        blurred_away(
            _shape(
                part, photograph.shape, pixel_um, pixel_sigma_um / pixel_um, blur,
                wavelength_nm, index, group,
            ),
            blur_radius_um=blur,
            blur_sigma_um=lens_fwhm_sigma_um / math.sqrt(2.0 * math.log(2.0)),
        )
        for part, group in zip((fitted, summed), _GROUP, strict=True)
    ]  # fmt: skip
    pairs = [m.radius / g.radius for m, g in zip(sums, fitted, strict=True) if m is not None]
    ratio = float(np.median(pairs)) if pairs else None
    notes: tuple[str, ...] = ()
    if ratio is not None and ratio > _TAILS:
        wider = (
            f"second moments give {100 * (ratio - 1):.0f} % more than the Gaussian: the beam has "
            "tails (a slit cuts it, or light is scattered); use the Gaussian's figures"
        )
        notes = (wider,)
    return DyeSheet(shapes[0].ok, shapes[0], shapes[1], ratio, shapes[0].why, notes)


def _refused(why: str) -> DyeSheet:
    return DyeSheet(False, no_sheet(why), no_sheet(why), why=why)


def _unfit(photograph: Image, white: float) -> str:
    if photograph.ndim != 2:
        return "a photograph must have rows and columns, and nothing else"
    if min(photograph.shape) < 64:
        return "the photograph is smaller than 64 pixels on a side"
    if not np.isfinite(photograph).all():
        return "there are pixels without a value"
    top = float(photograph.max())
    share = float(np.mean(photograph >= min(white, top)))
    if share > _SATURATED and top > float(photograph.mean()):
        return f"{100 * share:.1f} % of it is saturated: expose less"
    return ""


def _grouped(photograph: Image) -> tuple[list[Floats], list[float]]:
    """Return the mean profile down each group of columns, and the middle of the group."""
    columns = photograph.shape[1]
    edges = np.linspace(0, columns, min(_WIDTHS, columns // 4) + 1).astype(int)
    pairs = list(pairwise(edges))
    profiles = [photograph[:, a:b].mean(axis=1, dtype=np.float64) for a, b in pairs]
    return profiles, [0.5 * (a + b - 1) for a, b in pairs]


def _bell(
    y: Floats, height: float, middle: float, sigma: float, base: float, slope: float
) -> Floats:
    return np.asarray(
        base + slope * (y - y.mean()) + height * np.exp(-0.5 * ((y - middle) / sigma) ** 2)
    )


def _by_gaussian(x: float, profile: Floats) -> _Profile | None:
    y = np.arange(len(profile), dtype=np.float64)
    base = float(np.quantile(profile, 0.2))
    smooth = np.convolve(profile, np.ones(5) / 5, mode="same")
    top = float(np.argmax(smooth))
    height = float(smooth[int(top)]) - base
    noise = 1.4826 * float(np.median(np.abs(np.diff(profile)))) / math.sqrt(2.0)
    if not height > _CLEAR * noise or height <= 0:
        return None
    sigma = max(1.0, float(np.count_nonzero(smooth > base + 0.5 * height)) / 2.355)
    near = np.abs(y - top) <= max(8.0, 7.0 * sigma)  # the haze is straight there
    low, high = (0, 0, 0.3, -np.inf, -np.inf), (np.inf, y[-1], y[-1], np.inf, np.inf)
    try:
        value, _ = curve_fit(
            _bell, y[near], profile[near], p0=(height, top, sigma, base, 0.0),
            bounds=(low, high), max_nfev=200,
        )  # fmt: skip
    except (RuntimeError, ValueError):
        return None
    radius = 2.0 * float(value[2])
    if not 1.5 * radius < value[1] < y[-1] - 1.5 * radius:
        return None
    return _Profile(x, float(value[1]), radius, float(value[0]) / max(noise, 1e-12))


def second_moment_radius(profile: Floats) -> float | None:
    """Return the 1/e² radius that a profile's second moment stands for.

    Parameters
    ----------
    profile : array of shape (N,)
        Light across the beam.

    Returns
    -------
    float or None
        Twice the standard deviation, samples: over three widths, iterated, the haze about them
        taken off. None where there is no beam, or it is not wholly within.
    """
    start = _by_gaussian(0.0, np.asarray(profile, dtype=np.float64))
    found = None if start is None else _by_moments(0.0, np.asarray(profile, np.float64), start)
    return None if found is None else found.radius


def _by_moments(x: float, profile: Floats, start: _Profile) -> _Profile | None:
    """Return the second-moment width in a window of three widths, iterated."""
    y = np.arange(len(profile), dtype=np.float64)
    middle, sigma = start.middle, 0.5 * start.radius
    for _ in range(12):
        half = _WINDOW * 4.0 * sigma
        inside = np.abs(y - middle) <= half
        if inside[0] or inside[-1]:
            return None
        outside = (np.abs(y - middle) > 1.1 * half) & (np.abs(y - middle) < 3.0 * half)
        if np.count_nonzero(outside & (y < middle)) < 5 or np.count_nonzero(
            outside & (y > middle)
        ) < 5:  # fmt: skip
            return None
        haze = np.polyfit((y[outside] - middle) / half, profile[outside], 2)
        light = profile - np.polyval(haze, (y - middle) / half)
        # A window edge between two pixels counts by its share, or the iteration jumps.
        share = np.clip(half - np.abs(y - middle) + 0.5, 0.0, 1.0) * light
        total = float(share.sum())
        if not total > 0:
            return None
        before = sigma
        middle = float((share * y).sum()) / total
        spread = float((share * (y - middle) ** 2).sum()) / total
        if not spread > 0:
            return None
        sigma = math.sqrt(spread)
        if abs(sigma - before) < 1e-6 * sigma:
            break
    if not 0.4 < 2 * sigma / start.radius < 3.0:
        return None
    return _Profile(x, middle, 2.0 * sigma, start.clear)


def _shape(
    profiles: list[_Profile],
    size: tuple[int, ...],
    pixel_um: float,
    pixel_relative: float,
    blur_um: float,
    wavelength_nm: float,
    index: float,
    group: int,
) -> SheetShape:
    if len(profiles) < _WIDTHS // 4:
        return no_sheet(
            "no sheet of light can be made out from edge to edge: it is too dim, too near the "
            "picture's edge, or not there"
        )
    x = np.array([part.x for part in profiles]) - (size[1] - 1) / 2
    middle = np.array([part.middle for part in profiles]) - (size[0] - 1) / 2
    radius = np.array([part.radius for part in profiles])
    clear = np.array([part.clear for part in profiles])
    weight = 1.0 / np.hypot(1.0 / clear, 0.003) ** 2
    line = robust_fit(np.stack([np.ones_like(x), x], axis=1), middle, weight)
    slope = float(line.value[1])
    lean = 1.0 / math.sqrt(1.0 + slope**2)
    seen = radius * lean * pixel_um
    smallest = float(np.median(np.sort(seen)[: max(3, len(seen) // 5)]))
    if smallest < _FEWEST_ROWS * pixel_um:
        return no_sheet(
            f"the sheet is {smallest / pixel_um:.1f} pixels thick (1/e² radius): magnify more"
        )
    amplification = smallest**2 / (smallest**2 - blur_um**2) if smallest > blur_um else math.inf
    good = seen > blur_um
    if amplification > LARGEST_AMPLIFICATION or np.count_nonzero(~good) > len(good) // 4:
        return no_sheet(
            f"the lens blurs more than the sheet is thick: an error counts {amplification:.0f} "
            "times; take a lens of higher aperture"
        )
    inner = np.sqrt(seen[good] ** 2 - blur_um**2)
    along = x[good] * pixel_um / lean
    caustic = fit_caustic(
        along,
        inner,
        wavelength_nm=wavelength_nm,
        index=index,
        weight=weight[good],
        cluster=np.flatnonzero(good) // group,
        along_relative_sigma=pixel_relative,
        across_relative_sigma=pixel_relative * amplification,
    )
    if not caustic.ok:
        return no_sheet(caustic.why)
    groups = np.arange(len(x)) // group
    grouped = clustered(line, np.stack([np.ones_like(x), x], axis=1), groups)
    both = np.maximum(np.diag(line.covariance), np.diag(grouped))
    pull = _SHADE * (0.5 * smallest / pixel_um) ** 2
    reach = np.array([1.0, 1.0 / size[1]])  # of the middle, and of the slope across the picture
    sigma = np.hypot(np.sqrt(both) * student_factor(groups[-1] - 1), pull * reach)
    offset = float(line.value[0]) * pixel_um
    return SheetShape(
        True,
        caustic,
        measured(math.degrees(math.atan(slope)), math.degrees(float(sigma[1])) * lean**2, "deg"),
        missing("deg", "a photograph from the side cannot show it"),
        measured(offset, math.hypot(float(sigma[0]) * pixel_um, offset * pixel_relative), "um"),
        amplification,
        tuple(along.tolist()),
        tuple(inner.tolist()),
    )
