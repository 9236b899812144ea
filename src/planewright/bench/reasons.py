"""The list of answers: key, name, unit, and the sentence that says how each comes about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from planewright.base.units import show
from planewright.bench.figures import (
    FINE_SAMPLES_PER_FWHM,
    HEIGHT_KEPT,
    SAMPLES_PER_FWHM,
    Choices,
    emission_nm,
)
from planewright.bench.model import BenchFile
from planewright.bench.train import Built
from planewright.optics.elements import Mirror
from planewright.optics.sheet import Sheet


@dataclass(frozen=True)
class Context:
    """What reasons, verdicts and troubles are written from.

    Parameters
    ----------
    bench : BenchFile
        The bench.
    choices : Choices
        What was asked beside it.
    values : dict
        Its figures.
    built : Built or None
        Its train.
    sheet : Sheet or None
        Its sheet, if it makes one.
    """

    bench: BenchFile
    choices: Choices
    values: dict[str, float]
    built: Built | None
    sheet: Sheet | None

    def has(self, *keys: str) -> bool:
        """Whether all these figures are known."""
        return all(key in self.values for key in keys)

    def um(self, key: str) -> str:
        """Return a figure with its unit."""
        return um(self.values[key])


def um(value: float) -> str:
    """Return a length for a sentence: three digits, and never a power of ten."""
    return f"{value:.0f} µm" if abs(value) >= 1000 else show(value, "um", digits=3)


@dataclass(frozen=True)
class Spec:
    """How one answer is told.

    Parameters
    ----------
    key : str
        Its figure.
    group : str
        ``"sheet"``, ``"detection"``, ``"together"`` or ``"adjusting"``.
    name : str
        For a person.
    unit : str
        Unit; empty for a pure number.
    reason : callable
        Writes the sentence.
    """

    key: str
    group: str
    name: str
    unit: str
    reason: Callable[[Context], str]


def _thickness(c: Context) -> str:
    assert c.sheet is not None
    if c.sheet.cut_by and c.built is not None:
        who = " and ".join(dict.fromkeys(c.built.label(k) for k in c.sheet.cut_by))
        return (
            f"full width at half maximum where it is thinnest; the edge of {who} shapes it, "
            f"{um(c.sheet.perfect_fwhm_um)} without edges and aberration"
        )
    return "full width at half maximum where it is thinnest: M² λ/(π NA), times 1.177"


def _passed(c: Context) -> str:
    worst = "no opening cuts the beam"
    if c.sheet is not None and c.sheet.truncation > 0:
        worst = f"the tightest opening is {1 / c.sheet.truncation:.3g} times the beam's 1/e² width"
    return f"through the openings; {worst}; losses at surfaces are left out"


def _pixel(c: Context) -> str:
    found = c.bench.pixel_um()
    return "one sensor pixel in the specimen: " + (found[1] if found else "")


def _plane_pixel(c: Context) -> str:
    mosaic = c.bench.camera is not None and c.bench.camera.mosaic
    return "one colour of a mosaic: twice the pitch" if mosaic else "a sensor without mosaic"


def _magnification(c: Context) -> str:
    seen = c.bench.detection
    if seen is None or seen.design_tube_length_mm is None or seen.tube_length_mm is None:
        return "as engraved: no tube lens is stated"
    if seen.tube_length_mm == seen.design_tube_length_mm:
        return "as engraved: the tube lens is the one it was made for"
    return (
        f"engraved {seen.magnification:g}×, tube lens {seen.tube_length_mm:g} mm instead of "
        f"{seen.design_tube_length_mm:g} mm"
    )


def _usable(c: Context) -> str:
    return f"{c.choices.usable}: the convention that counts here"


def _seen_at(c: Context) -> str:
    stated = c.bench.light is not None and c.bench.light.emission_nm is not None
    where = f"{emission_nm(c.bench):g} nm"
    return where if stated else f"{where}, the laser's line, as light.emission is not stated"


def _aberration(c: Context) -> str:
    assert c.sheet is not None
    shares = c.sheet.aberration.shares
    if not shares or c.built is None:
        return "no lens of the train adds any"
    return (
        "spherical, peak to valley at best focus inside the beam's 1/e² width; a quarter of a wave "
        f"is harmless; most from {c.built.label(shares[0].element)}"
    )


def _samples(c: Context) -> str:
    step = c.choices.step_um or 0.0
    return f"for a step of {show(step, 'um')}: axial width over step; {SAMPLES_PER_FWHM:g} at least"


def _dose(c: Context) -> str:
    step = show(c.choices.step_um or 0.0, "um")
    return f"for each second of light a frame, at steps of {step}; the sheet's thickness drops out"


SPECS: tuple[Spec, ...] = (
    Spec("sheet_fwhm", "sheet", "thickness", "um", _thickness),
    Spec("sheet_waist", "sheet", "1/e² half thickness", "um", lambda c: "at the same place"),
    Spec(
        "waist_at",
        "sheet",
        "place of the waist",
        "um",
        lambda c: "along the light from the middle of the field, positive behind it",
    ),
    Spec(
        "middle_fwhm",
        "sheet",
        "thickness in the middle",
        "um",
        lambda c: "full width at half maximum in the middle of the field",
    ),
    Spec(
        "edge_fwhm",
        "sheet",
        "thickness at the edge",
        "um",
        lambda c: (
            f"at the thicker edge of the field; the best waist for this field would give "
            f"{c.um('best_edge_fwhm')} there"
        ),
    ),
    Spec(
        "rayleigh",
        "sheet",
        "Rayleigh range",
        "um",
        lambda c: f"in {c.bench.cell.medium if c.bench.cell else ''}, to each side of the waist",
    ),
    Spec("usable_width", "sheet", "usable width", "um", _usable),
    Spec(
        "height",
        "sheet",
        "usable height",
        "um",
        lambda c: f"full height that keeps {100 * HEIGHT_KEPT:g} % of the middle's light",
    ),
    Spec(
        "sheet_na",
        "sheet",
        "numerical aperture",
        "",
        lambda c: "of the beam's 1/e² edge in the thin axis; the same in air and in the cell",
    ),
    Spec("passed", "sheet", "light that arrives", "%", _passed),
    Spec("aberration", "sheet", "aberration", "waves", _aberration),
    Spec(
        "irradiance",
        "sheet",
        "peak irradiance",
        "W/cm²",
        lambda c: "in the middle of the field; times the exposure it is the dose of one frame",
    ),
    Spec("stack_dose", "sheet", "dose of a plane in a stack", "J/cm²", _dose),
    Spec("magnification", "detection", "magnification", "", _magnification),
    Spec("sensor_pixel", "detection", "sensor pixel", "um", _pixel),
    Spec("plane_pixel", "detection", "pixel of the image", "um", _plane_pixel),
    Spec(
        "largest_pixel",
        "detection",
        "largest pixel for the lens",
        "um",
        lambda c: "λ/(4 NA): two pixels to the finest period that the lens passes",
    ),
    Spec(
        "field_along",
        "detection",
        "field along the light",
        "um",
        lambda c: "all columns of the sensor, taken to lie along the light",
    ),
    Spec("field_across", "detection", "field across the light", "um", lambda c: "all rows"),
    Spec(
        "lateral_fwhm",
        "detection",
        "width of a point's image",
        "um",
        lambda c: f"0.5145 λ/NA at {_seen_at(c)}, full width at half maximum",
    ),
    Spec("abbe", "detection", "finest period", "um", lambda c: "λ/(2 NA), Abbe"),
    Spec(
        "lens_axial_fwhm",
        "detection",
        "axial width of the lens",
        "um",
        lambda c: "by the exact angles, in the cell's medium, full width at half maximum",
    ),
    Spec(
        "depth_of_field",
        "detection",
        "depth of field",
        "um",
        lambda c: "n λ/NA² + n e/(M NA), total, in the cell's medium, e the pixel of the image",
    ),
    Spec(
        "liquid_rms",
        "detection",
        "error of the air lens",
        "waves",
        lambda c: (
            "rms at best focus of a lens made for air that looks through the liquid; a "
            "fourteenth of a wave is harmless (Maréchal)"
        ),
    ),
    Spec(
        "axial_fwhm",
        "together",
        "axial width",
        "um",
        lambda c: "sheet times lens in the middle of the field, full width at half maximum",
    ),
    Spec(
        "axial_fwhm_edge",
        "together",
        "axial width at the edge",
        "um",
        lambda c: "the same at the thicker edge of the field",
    ),
    Spec(
        "largest_step",
        "together",
        "largest step",
        "um",
        lambda c: f"{SAMPLES_PER_FWHM:g} frames to the axial width, the least that keeps it",
    ),
    Spec(
        "fine_step",
        "together",
        "step before sharpening",
        "um",
        lambda c: f"{FINE_SAMPLES_PER_FWHM:g} frames to the axial width (2.3 to 3 is customary)",
    ),
    Spec("samples", "together", "frames to the axial width", "", _samples),
    Spec(
        "usable_share",
        "together",
        "field that is thin enough",
        "%",
        lambda c: f"part of the field along the light in which the sheet is {c.choices.usable}",
    ),
    Spec(
        "coplanarity",
        "together",
        "tilt that the field allows",
        "deg",
        lambda c: "between sheet and focal plane: one depth of field across the field",
    ),
)


def adjusting(c: Context) -> tuple[Spec, ...]:
    """Return the answers about moving and turning parts: in the thin axis, for each part.

    Parameters
    ----------
    c : Context
        The bench and its figures.

    Returns
    -------
    tuple of Spec
        In the order of the train.
    """
    if c.built is None:
        return ()
    out = []
    for element, part in enumerate(c.built.parts):
        if element and c.built.parts[element - 1] == part:
            continue
        number, label = part + 1, c.built.labels[part]
        if isinstance(c.built.train.elements[element], Mirror):
            out += _mirror(number, label)
        else:
            out += _moved(number, label)
    return tuple(out)


def _mirror(number: int, label: str) -> list[Spec]:
    return [
        Spec(
            f"turn_{number}_shift",
            "adjusting",
            f"{label} turned: shift",
            "um/mrad",
            lambda c: "the sheet moves sideways in the middle of the field",
        ),
        Spec(
            f"turn_{number}_tilt",
            "adjusting",
            f"{label} turned: tilt",
            "mrad/mrad",
            lambda c: (
                "the sheet leans in the cell; 0 for a mirror in the rear focal plane of the "
                "last lens"
            ),
        ),
    ]


def _moved(number: int, label: str) -> list[Spec]:
    return [
        Spec(
            f"move_{number}_waist",
            "adjusting",
            f"{label} along the light: waist",
            "um/um",
            lambda c: "the waist moves along the light, neighbours at rest",
        ),
        Spec(
            f"move_{number}_shift",
            "adjusting",
            f"{label} sideways: shift",
            "um/um",
            lambda c: "the sheet moves sideways in the middle of the field",
        ),
        Spec(
            f"move_{number}_tilt",
            "adjusting",
            f"{label} sideways: tilt",
            "mrad/mm",
            lambda c: "the sheet leans in the cell",
        ),
    ]
