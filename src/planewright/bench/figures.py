"""All figures of a bench as plain numbers: what `bench.answers` explains and finds the ± of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from planewright.bench.model import BenchFile
from planewright.bench.train import Built, build, cell_index
from planewright.optics import detection as lens
from planewright.optics.aberration import through_liquid
from planewright.optics.adjust import reactions
from planewright.optics.elements import Mirror, Train
from planewright.optics.sheet import Sheet, Usable, best_waist, stack_dose_j_m2
from planewright.optics.sheet import sheet as sheet_of

SAMPLES_PER_FWHM = 2.0  # the least
FINE_SAMPLES_PER_FWHM = 2.5  # 2.3 to 3 before sharpening (common practice, no source)
HEIGHT_KEPT = 0.8  # of the middle's light, at the ends of the height that is called usable

_sheet = lru_cache(maxsize=256)(sheet_of)


@dataclass(frozen=True)
class Choices:
    """What the person asks beside the bench.

    Parameters
    ----------
    usable : Usable
        How much thicker than at its waist the sheet may be and still count.
    step_um : float or None
        A step between frames to judge, µm.
    """

    usable: Usable = Usable.RAYLEIGH
    step_um: float | None = None


def emission_nm(bench: BenchFile) -> float:
    """Return the wavelength that forms the image, nm; the laser's own if none is stated."""
    assert bench.light is not None
    return float(bench.light.emission_nm or bench.light.wavelength_nm)


def true_sheet(train: Train) -> Sheet:
    """Return the sheet of a train; the same train is worked out once."""
    return _sheet(train)


def detection_figures(bench: BenchFile) -> dict[str, float]:
    """Return what the detection lens and the camera can do.

    Parameters
    ----------
    bench : BenchFile
        The bench; tables that it does not state leave their figures out.

    Returns
    -------
    dict
        Figures by key, in the unit of their `answers.Spec`.

    Raises
    ------
    RangeProblem
        If the numerical aperture is not below the medium's index.
    """
    out: dict[str, float] = {}
    seen, camera = bench.detection, bench.camera
    if seen is None:
        return out
    magnification = seen.effective_magnification
    out["magnification"] = magnification
    pixel = bench.pixel_um()
    if pixel is not None and camera is not None:
        out["sensor_pixel"] = pixel[0].value
        out["plane_pixel"] = pixel[0].value * (2 if camera.mosaic else 1)
        if camera.columns:
            out["field_along"] = camera.columns * pixel[0].value
        if camera.rows:
            out["field_across"] = camera.rows * pixel[0].value
    if bench.light is None or bench.cell is None:
        return out
    nm, na = emission_nm(bench), float(seen.numerical_aperture)
    index = cell_index(bench.cell, nm)
    found = lens.resolution(na, wavelength_nm=nm, index=index)
    out["index"] = index
    out["lateral_fwhm"] = found.fwhm_um
    out["abbe"] = found.abbe_um
    out["lens_axial_fwhm"] = found.axial_fwhm_um
    out["largest_pixel"] = found.abbe_um / 2
    if camera is not None:
        pitch = camera.pixel_pitch_um * (2 if camera.mosaic else 1)
        out["depth_of_field"] = lens.depth_of_field_um(
            na,
            wavelength_nm=nm,
            index=index,
            pixel_pitch_um=float(pitch),
            magnification=magnification,
        )
    if seen.immersion == "air" and seen.depth_mm is not None and bench.cell.medium != "air":
        liquid = through_liquid(na, depth_mm=float(seen.depth_mm), index=index, wavelength_nm=nm)
        out["liquid_rms"] = liquid.rms_waves
    return out


def sheet_figures(
    built: Built, choices: Choices, *, power_mw: float | None, field_um: float | None
) -> dict[str, float]:
    """Return what the sheet is like.

    Parameters
    ----------
    built : Built
        The train.
    choices : Choices
        Convention of the usable width, and the step to judge.
    power_mw : float or None
        Power of the laser, mW.
    field_um : float or None
        Width of the field along the light, µm.

    Returns
    -------
    dict
        Figures by key.

    Raises
    ------
    RangeProblem
        If the train makes no sheet.
    """
    made = true_sheet(built.train)
    start, stop = made.usable_um(choices.usable)
    out = {
        "sheet_fwhm": made.fwhm_um,
        "sheet_waist": made.waist_um,
        "waist_at": made.waist_at_um,
        "rayleigh": made.rayleigh_um,
        "middle_fwhm": float(made.thickness_um(0.0)),
        "usable_width": stop - start,
        "sheet_na": made.numerical_aperture,
        "height": made.usable_height_um(HEIGHT_KEPT),
        "passed": 100 * made.passed,
        "aberration": made.aberration.peak_to_valley_waves,
    }
    if field_um is not None:
        half = field_um / 2
        out["edge_fwhm"] = float(max(made.thickness_um(-half), made.thickness_um(half)))
        out["usable_share"] = 100 * max(0.0, min(stop, half) - max(start, -half)) / field_um
        best = best_waist(
            field_um,
            wavelength_nm=made.wavelength_nm,
            index=made.index,
            beam_quality=made.beam_quality,
        )
        out["best_edge_fwhm"] = best.edge_fwhm_um
    if power_mw is not None:
        out["irradiance"] = float(made.irradiance_w_m2(power_mw)) * 1e-4
        if choices.step_um is not None:
            out["stack_dose"] = 1e-4 * stack_dose_j_m2(
                power_mw * made.passed,
                height_radius_um=made.height_radius_um,
                step_um=choices.step_um,
                seconds_per_frame=1.0,
            )
    return out | _sensitivities(built, made)


def _sensitivities(built: Built, made: Sheet) -> dict[str, float]:
    out: dict[str, float] = {}
    for one in reactions(built.train):
        if one.axis != made.thin_axis:
            continue
        number = built.parts[one.element] + 1
        if isinstance(built.train.elements[one.element], Mirror):
            out[f"turn_{number}_shift"] = one.shift_um_per_mrad
            out[f"turn_{number}_tilt"] = one.tilt_mrad_per_mrad
        elif abs(one.waist_um_per_um) + abs(one.shift_um_per_um) > 1e-12:
            out[f"move_{number}_waist"] = one.waist_um_per_um
            out[f"move_{number}_shift"] = one.shift_um_per_um
            out[f"move_{number}_tilt"] = one.tilt_mrad_per_um * 1e3
    return out


def joint_figures(found: dict[str, float], bench: BenchFile, choices: Choices) -> dict[str, float]:
    """Return what sheet, lens and camera give together.

    Parameters
    ----------
    found : dict
        Figures of the sheet and of the detection.
    bench : BenchFile
        The bench.
    choices : Choices
        The step to judge.

    Returns
    -------
    dict
        Figures by key.
    """
    out: dict[str, float] = {}
    if "lens_axial_fwhm" in found and "middle_fwhm" in found:
        both = float(lens.product_fwhm_um(found["middle_fwhm"], found["lens_axial_fwhm"]))
        out["axial_fwhm"] = both
        if "edge_fwhm" in found:
            edge = lens.product_fwhm_um(found["edge_fwhm"], found["lens_axial_fwhm"])
            out["axial_fwhm_edge"] = float(edge)
        out["largest_step"] = lens.largest_step_um(both, samples_per_fwhm=SAMPLES_PER_FWHM)
        out["fine_step"] = lens.largest_step_um(both, samples_per_fwhm=FINE_SAMPLES_PER_FWHM)
        if choices.step_um is not None:
            out["samples"] = both / choices.step_um
    if "depth_of_field" in found and "field_along" in found:
        out["coplanarity"] = lens.coplanarity_deg(
            found["depth_of_field"], field_um=found["field_along"]
        )
    return out


def figures(bench: BenchFile, choices: Choices) -> dict[str, float]:
    """Return every figure that a bench states enough for.

    Parameters
    ----------
    bench : BenchFile
        The bench.
    choices : Choices
        What is asked beside it.

    Returns
    -------
    dict
        Figures by key; finite ones only.

    Raises
    ------
    UsageProblem
        If a stated train or lens cannot be.
    """
    out = detection_figures(bench)
    if bench.light is not None and bench.cell is not None and bench.parts:
        power = bench.light.power_mw
        out |= sheet_figures(
            build(bench),
            choices,
            power_mw=None if power is None else float(power),
            field_um=out.get("field_along"),
        )
    out |= joint_figures(out, bench, choices)
    return {key: value for key, value in out.items() if math.isfinite(value)}
