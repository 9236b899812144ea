"""The two ways of making a sheet, as trains."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Axis, Gap, Lens, Medium, Train
from planewright.optics.gauss import end_beam


def cylinder_into_cell(
    wavelength_nm: float,
    *,
    beam_radius_mm: float,
    focal_length_mm: float,
    index: float,
    depth_mm: float = 0.0,
    height_radius_mm: float | None = None,
) -> Train:
    """Return the simplest sheet: one cylinder that focuses z into the cell.

    Parameters
    ----------
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_radius_mm : float
        1/e² radius of the collimated beam, mm.
    focal_length_mm : float
        Focal length of the cylinder in air, mm.
    index : float
        Index of the cell's medium.
    depth_mm : float
        Depth of the middle of the field in the medium, mm.
    height_radius_mm : float or None
        Beam radius along y, mm; None if the beam is round.

    Returns
    -------
    Train
        The air gap is chosen so that the waist lies in the middle of the field.
    """
    lens = Lens(focal_length_mm, acts_on="z", name="cylinder")
    high = beam_radius_mm if height_radius_mm is None else height_radius_mm
    train = Train(
        wavelength_nm,
        high,
        beam_radius_mm,
        (lens, Gap(focal_length_mm - depth_mm / index), Medium(index), Gap(depth_mm)),
    )
    return focus_by_gap(train, 1)


def cylinder_before_objective(
    wavelength_nm: float,
    *,
    beam_radius_mm: float,
    cylinder_focal_mm: float,
    objective_focal_mm: float,
    index: float,
    depth_mm: float = 0.0,
) -> Train:
    """Return a sheet made by a cylinder that focuses into the rear focal plane of an objective.

    Parameters
    ----------
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_radius_mm : float
        1/e² radius of the collimated round beam, mm.
    cylinder_focal_mm, objective_focal_mm : float
        Focal lengths in air, mm.
    index : float
        Index of the cell's medium.
    depth_mm : float
        Depth of the middle of the field in the medium, mm.

    Returns
    -------
    Train
        The cylinder acts on y, the sheet's height: thin is the axis that it leaves alone, turned by
        90° against a cylinder that focuses into the cell. The air gap before the medium is chosen
        so that the waist lies in the middle of the field.
    """
    train = Train(
        wavelength_nm,
        beam_radius_mm,
        beam_radius_mm,
        (
            Lens(cylinder_focal_mm, acts_on="y", name="cylinder"),
            Gap(cylinder_focal_mm + objective_focal_mm),
            Lens(objective_focal_mm, name="objective"),
            Gap(max(objective_focal_mm - depth_mm / index, 0.0)),
            Medium(index),
            Gap(depth_mm),
        ),
    )
    return focus_by_gap(train, 3)


def focus_by_gap(train: Train, gap: int, *, axis: Axis = "z") -> Train:
    """Return the train with one gap changed so that the waist lies in the middle of the field.

    Parameters
    ----------
    train : Train
        The train.
    gap : int
        Which element, a gap, to change.
    axis : {"y", "z"}
        Axis whose waist is meant.

    Returns
    -------
    Train
        A new train.

    Raises
    ------
    RangeProblem
        If the element is no gap, or no length of it brings the waist there.
    """
    element = train.elements[gap]
    if not isinstance(element, Gap):
        raise RangeProblem("Only a gap can be changed to focus.", got=type(element).__name__)

    def with_length(length_mm: float) -> Train:
        changed = (*train.elements[:gap], Gap(length_mm, element.name), *train.elements[gap + 1 :])
        return replace(train, elements=changed)

    def miss(length_mm: float) -> float:
        return end_beam(with_length(length_mm), axis).to_waist_um

    most = max(4.0 * element.length_mm, 50.0)
    places = np.unique(np.concatenate([np.linspace(0.0, most, 400), [element.length_mm]]))
    values = np.array([miss(float(p)) for p in places])
    crossings = np.flatnonzero(np.sign(values[1:]) != np.sign(values[:-1]))
    if not crossings.size:
        raise RangeProblem(
            "No length of this gap brings the waist to the middle of the field.",
            where=element.name,
            got=f"{values[0]:.0f} to {values[-1]:.0f} µm away for 0 to {most:.0f} mm",
            do="change the distance between the lens and the cell, or take another lens",
        )
    nearest = crossings[np.argmin(np.abs(places[crossings] - element.length_mm))]
    length = float(brentq(miss, places[nearest], places[nearest + 1], xtol=1e-9))
    return with_length(length)
