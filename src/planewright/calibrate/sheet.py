"""How thin the sheet is, where, and how it leans: from beads carried through it, or from dye."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from planewright.calibrate.caustic import (
    LARGEST_AMPLIFICATION,
    Caustic,
    fit_caustic,
    no_caustic,
)
from planewright.calibrate.fitting import linear_fit, robust_fit, student_factor
from planewright.calibrate.results import (
    Estimate,
    Result,
    check_range,
    measured,
    missing,
)

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

_FEWEST_BEADS = 10
_ALONE = 2.2  # apertures between beads that are taken
_CLEAR = 8.0  # bead over the noise of the deepest projection
_ENDS = 1.2  # radii of the sheet that must lie in the stack on both sides of a bead


@dataclass(frozen=True)
class SheetShape(Result):
    """The sheet across the field.

    Parameters
    ----------
    ok : bool
        Whether it was measured.
    caustic : Caustic
        Waist, Rayleigh range and beam quality; places are µm from the middle of the field along
        the photograph's columns.
    tilt_x : Estimate
        How the sheet's middle leaves the plane in focus (beads) or the row (dye) along x, °.
        Positive: away from the lens (beads) or down (dye) towards +x.
    tilt_y : Estimate
        The same along y; beads alone show it.
    offset : Estimate
        Sheet's middle in the middle of the field, µm: away from the lens from the plane in focus
        (beads), or down from the middle row (dye).
    blur_amplification : float
        How many times a relative error of the width as seen counts in the width told, after the
        bead's size or the lens's blur was taken off. Above 10 there is no result.
    along_um, radius_um : tuple of float
        The widths behind it: place and 1/e² radius.
    why : str
        Why not, where ``ok`` is false.
    notes : tuple of str
        What a person should know beside it.
    """

    ok: bool
    caustic: Caustic
    tilt_x: Estimate
    tilt_y: Estimate
    offset: Estimate
    blur_amplification: float = math.inf
    along_um: tuple[float, ...] = ()
    radius_um: tuple[float, ...] = ()
    why: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Bead:
    x: float
    y: float
    radius: float
    radius_sigma: float
    blur: Floats  # a, b, c of the blur's square over the distance from the sheet, and their weight
    blur_bread: Floats


def no_sheet(why: str) -> SheetShape:
    """Return the lack of a sheet, with its reason."""
    lack = missing("deg", why)
    return SheetShape(False, no_caustic(why), lack, lack, missing("um", why), why=why)


def sheet_from_beads(
    stack: NDArray[np.float32],
    *,
    step_um: float,
    step_sigma_um: float,
    pixel_um: float,
    pixel_sigma_um: float,
    bead_diameter_um: float,
    aperture_um: float,
    wavelength_nm: float,
    index: float,
    white: float = math.inf,
) -> SheetShape:
    """Measure the sheet by beads that were carried through it.

    Each bead's light is summed over a wide aperture, which defocus does not change: what is left
    is the sheet's light at the bead's place.

    Parameters
    ----------
    stack : array of shape (z, y, x)
        Light of beads in a gel, plane by plane, z growing away from the lens; the light of the
        sheet travels along +x.
    step_um, step_sigma_um : float
        True distance between planes, and its standard uncertainty, µm.
    pixel_um, pixel_sigma_um : float
        Pixel in the specimen, and its standard uncertainty, µm.
    bead_diameter_um : float
        Diameter of the beads, µm.
    aperture_um : float
        Radius over which a bead's light is summed; it must hold the bead's light also where the
        bead is out of focus by the sheet's thickness.
    wavelength_nm : float
        Of the sheet's light, in vacuum, nm.
    index : float
        Of the medium.
    white : float
        Light at which the sensor is full. Beads that reach it are left out.

    Returns
    -------
    SheetShape
        With the uncertainty of step and pixel in it.

    Raises
    ------
    RangeProblem
        If a length is not sensible.
    """
    for name, value in (("step_um", step_um), ("pixel_um", pixel_um), ("aperture_um", aperture_um)):
        check_range(value, name, 0.0, 1e4, open_low=True)
    check_range(step_sigma_um, "step_sigma_um", 0.0, step_um)
    check_range(pixel_sigma_um, "pixel_sigma_um", 0.0, pixel_um)
    check_range(bead_diameter_um, "bead_diameter_um", 0.0, 1e3)
    check_range(wavelength_nm, "wavelength_nm", 200.0, 2000.0)
    check_range(index, "index", 1.0, 2.0)
    if stack.ndim != 3 or stack.shape[0] < 7:
        return no_sheet("it takes seven planes or more")
    if not np.isfinite(stack).all():
        return no_sheet("there are pixels without a value")
    radius_px = aperture_um / pixel_um
    if radius_px < 2 or 2.0 * radius_px * 2 > min(stack.shape[1:]):
        return no_sheet("the aperture does not suit the photographs: check it, and the pixel")
    places, full = _bead_places(stack, radius_px, white)
    if full > max(2, len(places)):
        return no_sheet("most beads are saturated: expose less")
    if len(places) < _FEWEST_BEADS:
        return no_sheet(
            f"only {len(places)} beads stand alone; it takes {_FEWEST_BEADS}: thin the beads, or "
            "sum over a smaller aperture"
        )
    beads = [_through(stack, y, x, radius_px, step_um) for y, x in places]
    good = [bead for bead in beads if bead is not None]
    if len(good) < _FEWEST_BEADS:
        return no_sheet(
            f"only {len(good)} beads pass the whole sheet within the stack; it takes "
            f"{_FEWEST_BEADS}: make the stack longer"
        )
    return _from_beads(
        good, stack.shape, step_um, step_sigma_um / step_um, pixel_um, pixel_sigma_um / pixel_um,
        bead_diameter_um, wavelength_nm, index,
    )  # fmt: skip


def _bead_places(
    stack: NDArray[np.float32], radius_px: float, white: float
) -> tuple[list[tuple[int, int]], int]:
    """Return rows and columns of beads that stand alone, and how many saturated ones there are."""
    deepest = stack.max(axis=0)
    fine = cv2.GaussianBlur(deepest, (0, 0), 1.2)
    fine = fine - cv2.GaussianBlur(deepest, (0, 0), 2.0 * radius_px)
    noise = 1.4826 * float(np.median(np.abs(fine - np.median(fine))))
    side = 2 * math.ceil(radius_px) + 1
    top = (fine >= cv2.dilate(fine, np.ones((side, side), np.uint8))) & (fine > _CLEAR * noise)
    # A bead far dimmer than the brightest is its neighbour's rim; one between is a bead.
    strong = top & (fine > 0.08 * np.quantile(fine[top], 0.9) if top.any() else top)
    seen = np.argwhere(strong)
    kept: list[tuple[int, int]] = []
    saturated = 0
    edge = math.ceil(1.8 * radius_px) + 1
    for y, x in seen:
        if not (edge <= y < stack.shape[1] - edge and edge <= x < stack.shape[2] - edge):
            continue
        distance = np.hypot(seen[:, 0] - y, seen[:, 1] - x)
        if np.count_nonzero(distance < _ALONE * radius_px) > 1:
            continue
        if stack[:, y - 2 : y + 3, x - 2 : x + 3].max() >= white:
            saturated += 1
            continue
        kept.append((int(y), int(x)))
    return kept, saturated


def _bell(z: Floats, height: float, middle: float, sigma: float, base: float) -> Floats:
    return np.asarray(base + height * np.exp(-0.5 * ((z - middle) / sigma) ** 2))


def _through(
    stack: NDArray[np.float32], row: int, column: int, radius_px: float, step_um: float
) -> _Bead | None:
    """Return where a bead stood in the sheet and how thick the sheet was there."""
    reach = math.ceil(1.8 * radius_px)
    part = stack[:, row - reach : row + reach + 1, column - reach : column + reach + 1]
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    distance = np.hypot(y, x)
    inside = distance <= radius_px
    rim = part[:, (distance > 1.25 * radius_px) & (distance <= reach)]
    around = np.median(rim, axis=1).astype(np.float64)
    light = part[:, inside].sum(axis=1, dtype=np.float64) - around * float(inside.sum())
    z = np.arange(len(light)) * step_um
    top = int(np.argmax(cv2.blur(light[:, None], (1, 3))[:, 0]))
    base = float(np.quantile(light, 0.1))
    height = float(light[top]) - base
    above = float(np.count_nonzero(light > base + 0.5 * height)) * step_um
    start = (height, z[top], max(0.6 * step_um, above / 2.355), base)
    low = (0.0, -z[-1], 0.3 * step_um, -np.inf)
    high = (np.inf, 2 * z[-1], 2 * z[-1], np.inf)
    try:
        value, covariance = curve_fit(_bell, z, light, p0=start, bounds=(low, high), max_nfev=200)
    except (RuntimeError, ValueError):
        return None
    sigma = math.sqrt(max(0.0, covariance[2, 2]))
    radius = 2.0 * float(value[2])
    inner = _ENDS * radius <= value[1] <= z[-1] - _ENDS * radius
    if not inner or not 0 < sigma < 0.2 * value[2]:
        return None
    blur, bread = _blur(part, around, distance, light - value[3], z - value[1], radius_px)
    return _Bead(column, row, radius, 2.0 * sigma, blur, bread)


def _blur(
    part: NDArray[np.float32], around: Floats, distance: Floats, light: Floats, z: Floats,
    radius_px: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return a parabola through the square of a bead's blur by distance from the sheet."""
    near = distance <= 0.4 * radius_px
    inner = part[:, near].sum(axis=1, dtype=np.float64) - around * float(near.sum())
    bright = light > 0.1 * light.max()
    share = np.clip(inner[bright] / light[bright], 0.02, 0.98)
    reach = (0.4 * radius_px) ** 2 / 2.0
    square = -reach / np.log1p(-share)  # of a Gaussian's standard deviation, px²
    # The share's noise goes as one over the light; its slope in the square is `rate`.
    rate = (1.0 - share) * np.log1p(-share) ** 2 / reach
    u = z[bright]
    fit = linear_fit(
        np.stack([np.ones_like(u), u, u**2], axis=1), square, (rate * light[bright]) ** 2
    )
    return fit.value, np.asarray(fit.bread)


def _from_beads(
    beads: list[_Bead],
    shape: tuple[int, ...],
    step_um: float,
    step_relative: float,
    pixel_um: float,
    pixel_relative: float,
    diameter_um: float,
    wavelength_nm: float,
    index: float,
) -> SheetShape:
    x = np.array([bead.x - (shape[2] - 1) / 2 for bead in beads]) * pixel_um
    y = np.array([bead.y - (shape[1] - 1) / 2 for bead in beads]) * pixel_um
    seen = np.array([bead.radius for bead in beads])
    relative = np.array([bead.radius_sigma for bead in beads]) / seen
    inner = seen**2 - diameter_um**2 / 5.0
    smallest = float(np.median(np.sort(seen)[: max(3, len(seen) // 5)]))
    amplification = _amplification(smallest**2, diameter_um**2 / 5.0)
    if amplification > LARGEST_AMPLIFICATION or (inner <= 0).sum() > len(inner) // 4:
        return no_sheet(
            f"the beads are as thick as the sheet: an error counts {amplification:.0f} times; "
            "take smaller beads"
        )
    if smallest < step_um:
        return no_sheet(
            f"the step of {step_um:g} µm is too coarse for a sheet of {smallest:.2g} µm (1/e² "
            "radius): take one of half that or less"
        )
    good = inner > 0
    radius = np.sqrt(inner[good])
    caustic = fit_caustic(
        x[good],
        radius,
        wavelength_nm=wavelength_nm,
        index=index,
        weight=1.0 / np.hypot(relative[good], 0.003) ** 2,
        along_relative_sigma=pixel_relative,
        across_relative_sigma=step_relative * amplification,
    )
    if not caustic.ok:
        return no_sheet(caustic.why)
    offset, tilt_x, tilt_y = _leaning(beads, x, y, step_relative, pixel_relative)
    return SheetShape(
        True, caustic, tilt_x, tilt_y, offset, amplification, tuple(x[good].tolist()),
        tuple(radius.tolist()),
    )  # fmt: skip


def _leaning(
    beads: list[_Bead], x: Floats, y: Floats, step_relative: float, pixel_relative: float
) -> tuple[Estimate, Estimate, Estimate]:
    """Return offset and tilts of the sheet against the focus: brightest against sharpest."""
    curves = np.array([bead.blur[2] for bead in beads])
    spread = np.array([math.sqrt(bead.blur_bread[2, 2]) for bead in beads])
    mean = robust_fit(np.ones((len(beads), 1)), curves, 1.0 / spread**2)
    curve, sigma = float(mean.value[0]), math.sqrt(float(mean.covariance[0, 0]))
    if not curve > 5.0 * sigma:
        why = "the beads blur too little within the sheet to tell focus from sheet"
        return missing("um", why), missing("deg", why), missing("deg", why)
    away, weight = [], []
    for bead in beads:  # the lens is one: its curve is the same for all beads
        bread = bead.blur_bread
        slope = bead.blur[1] + bread[1, 2] / bread[2, 2] * (curve - bead.blur[2])
        away.append(-slope / (2.0 * curve))
        weight.append(1.0 / (bread[1, 1] - bread[1, 2] ** 2 / bread[2, 2]))
    design = np.stack([np.ones_like(x), x, y], axis=1)
    # Far from the focus beads are alike uncertain by more than their light's noise.
    variance = 1.0 / np.array(weight)
    fit = robust_fit(design, np.array(away), 1.0 / (variance + float(np.median(variance))))
    errors = np.sqrt(np.diag(fit.covariance)) * student_factor(len(beads) - 3)
    scale = math.hypot(sigma / curve, step_relative)
    offset = measured(fit.value[0], math.hypot(errors[0], float(fit.value[0]) * scale), "um")
    tilts = [
        measured(
            math.degrees(math.atan(slope)),
            math.degrees(math.hypot(error, slope * math.hypot(scale, pixel_relative)))
            / (1 + slope**2),
            "deg",
        )
        for slope, error in zip(fit.value[1:], errors[1:], strict=True)
    ]
    return offset, tilts[0], tilts[1]


def _amplification(seen: float, taken_off: float) -> float:
    return seen / (seen - taken_off) if seen > taken_off else math.inf


def blurred_away(shape: SheetShape, *, blur_radius_um: float, blur_sigma_um: float) -> SheetShape:
    """Add to a sheet's uncertainty what the blur that was taken off is uncertain by.

    Parameters
    ----------
    shape : SheetShape
        The sheet, blur taken off.
    blur_radius_um : float
        1/e² radius of the blur.
    blur_sigma_um : float
        Its standard uncertainty.

    Returns
    -------
    SheetShape
        With the wider uncertainty of the waist.
    """
    caustic = shape.caustic
    if not shape.ok or blur_sigma_um <= 0 or caustic.waist_radius.value is None:
        return shape
    part = blur_radius_um * blur_sigma_um / caustic.waist_radius.value**2

    def grown(old: Estimate) -> Estimate:
        if not old.ok or old.value is None or old.sigma is None:
            return old
        return measured(old.value, math.hypot(old.sigma, part * old.value), old.unit)

    return replace(
        shape,
        caustic=replace(
            caustic,
            waist_radius=grown(caustic.waist_radius),
            waist_fwhm=grown(caustic.waist_fwhm),
            rayleigh=grown(caustic.rayleigh),
            beam_quality=grown(caustic.beam_quality),
        ),
    )
