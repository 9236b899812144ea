"""What happens to the sheet when something is moved or turned, and where else light is focused."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planewright.optics.elements import AXES, Axis, Gap, Lens, Mirror, Train, steps
from planewright.optics.gauss import FWHM_OF_RADIUS, end_beam, step_matrix, trace

_NUDGE_MM = 0.005


@dataclass(frozen=True)
class Sensitivity:
    """What one adjustment does to the sheet, for a small move.

    Parameters
    ----------
    element : int
        Which element is moved.
    knob : str
        ``"turn"`` of a mirror (per degree), ``"across"`` or ``"along"`` of a lens (per mm).
    axis : {"y", "z"}
        Axis of the beam in which the effect is stated.
    shift_um : float
        Sideways move of the light in the middle of the field, µm per unit.
    tilt_deg : float
        Change of the light's direction there, degrees per unit.
    waist_um : float
        Move of the waist along the light, µm per unit.
    fwhm_um : float
        Change of the FWHM in the middle of the field, µm per unit.
    """

    element: int
    knob: str
    axis: Axis
    shift_um: float = 0.0
    tilt_deg: float = 0.0
    waist_um: float = 0.0
    fwhm_um: float = 0.0

    @property
    def unit(self) -> str:
        """What the figures are per."""
        return "degree" if self.knob == "turn" else "mm"


def sensitivities(train: Train) -> tuple[Sensitivity, ...]:
    """Return what turning each mirror and moving each lens does to the sheet.

    Parameters
    ----------
    train : Train
        The train.

    Returns
    -------
    tuple of Sensitivity
        Sideways effects follow exactly from the ray matrices (a turned mirror adds an angle, a
        lens off its axis adds its power times the offset); those along the light are central
        differences. A lens is moved along between the gaps next to it, the rest staying.
    """
    out: list[Sensitivity] = []
    for number, element in enumerate(train.elements):
        for axis in AXES:
            if isinstance(element, Mirror):
                kick = math.radians(element.turn_factor(axis))
                out.append(_sideways(train, number, "turn", axis, kick))
            elif isinstance(element, Lens) and element.acts_on in ("both", axis):
                step = next(s for s in steps(train) if s.element == number)
                kick = step.power(axis) / step.index_after
                out.append(_sideways(train, number, "across", axis, kick))
                along = _along(train, number, axis)
                if along is not None:
                    out.append(along)
    return tuple(out)


def _sideways(train: Train, number: int, knob: str, axis: Axis, kick: float) -> Sensitivity:
    ray = np.array([0.0, kick])
    for step in steps(train):
        if step.element > number:
            ray = step_matrix(step, axis) @ ray
    return Sensitivity(number, knob, axis, float(ray[0]) * 1e3, math.degrees(float(ray[1])))


def _along(train: Train, number: int, axis: Axis) -> Sensitivity | None:
    moved = [move_along(train, number, by) for by in (-_NUDGE_MM, _NUDGE_MM)]
    low, high = moved
    if low is None or high is None:
        return None
    ends = [end_beam(t, axis) for t in (low, high)]
    per = 2 * _NUDGE_MM
    return Sensitivity(
        number,
        "along",
        axis,
        waist_um=(ends[1].to_waist_um - ends[0].to_waist_um) / per,
        fwhm_um=FWHM_OF_RADIUS * (ends[1].radius_um - ends[0].radius_um) / per,
    )


def move_along(train: Train, number: int, by_mm: float) -> Train | None:
    """Return the train with one element moved downstream between its neighbours.

    Parameters
    ----------
    train : Train
        The train.
    number : int
        Which element.
    by_mm : float
        How far, mm; negative towards the laser.

    Returns
    -------
    Train or None
        None if there is no gap behind the element to move into, or either gap is too short.
        The start of the train serves as a gap of any length.
    """
    elements = list(train.elements)
    after = number + 1
    if after >= len(elements) or not isinstance(elements[after], Gap):
        return None
    behind = elements[after]
    assert isinstance(behind, Gap)
    if behind.length_mm - by_mm < 0:
        return None
    elements[after] = replace(behind, length_mm=behind.length_mm - by_mm)
    if number == 0:
        return replace(
            train,
            elements=tuple(elements),
            waist_ahead_y_mm=train.waist_ahead_y_mm - by_mm,
            waist_ahead_z_mm=train.waist_ahead_z_mm - by_mm,
        )
    before = elements[number - 1]
    if not isinstance(before, Gap) or before.length_mm + by_mm < 0:
        return None
    elements[number - 1] = replace(before, length_mm=before.length_mm + by_mm)
    return replace(train, elements=tuple(elements))


@dataclass(frozen=True)
class Focus:
    """A place where one axis of the light comes to a waist.

    Parameters
    ----------
    element : int
        The gap or wall in which it lies.
    axis : {"y", "z"}
        Axis that is focused.
    path_mm : float
        Path from the start of the train, mm.
    from_field_mm : float
        The same from the middle of the field, mm; negative before it.
    waist_um : float
        1/e² radius there, µm.
    other_um : float
        1/e² radius of the other axis there, µm.
    rayleigh_um : float
        Rayleigh range there, µm.
    """

    element: int
    axis: Axis
    path_mm: float
    from_field_mm: float
    waist_um: float
    other_um: float
    rayleigh_um: float

    def irradiance_w_m2(self, power_mw: float) -> float:
        """Return the peak irradiance there, W/m²."""
        return 2e-3 * power_mw / (math.pi * self.waist_um * self.other_um * 1e-12)


def foci(train: Train) -> tuple[Focus, ...]:
    """Return every waist inside the train, in order of the path.

    Parameters
    ----------
    train : Train
        The train.

    Returns
    -------
    tuple of Focus
        Both axes; waists of a beam that is as good as parallel (Rayleigh range longer than
        the train) are left out.
    """
    traces = {axis: trace(train, axis) for axis in AXES}
    whole = traces["y"][-1].path_mm
    found: list[Focus] = []
    for axis in AXES:
        other = traces["z" if axis == "y" else "y"]
        for own, cross in zip(traces[axis], other, strict=True):
            if own.step is None or not own.step.length_mm:
                continue
            along = own.beam.to_waist_um * 1e-3
            if 0 <= along < own.step.length_mm and own.beam.rayleigh_um * 1e-3 < whole:
                found.append(
                    Focus(
                        own.step.element,
                        axis,
                        own.path_mm + along,
                        own.path_mm + along - whole,
                        own.beam.waist_um,
                        float(cross.beam.at(along * 1e3)),
                        own.beam.rayleigh_um,
                    )
                )
    return tuple(sorted(found, key=lambda f: f.path_mm))


def stray_foci(train: Train, *, near_mm: float = 1.0) -> tuple[Focus, ...]:
    """Return the waists that lie where they burn or mislead.

    Parameters
    ----------
    train : Train
        The train.
    near_mm : float
        How near to glass or a mirror a waist counts as on it, mm.

    Returns
    -------
    tuple of Focus
        Waists on or in a lens, mirror or wall, and waists of the sheet's height in the last
        medium: there the light is a line or a spot, not a sheet.
    """
    thin: Axis = "z"
    if end_beam(train, "y").waist_um < end_beam(train, "z").waist_um:
        thin = "y"
    surfaces = _surfaces(train)
    last = max((s.element for s in steps(train) if s.index != s.index_after), default=-1)
    out = []
    for focus in foci(train):
        on_glass = surfaces.size and np.min(np.abs(surfaces - focus.path_mm)) < near_mm
        solid = not isinstance(train.elements[focus.element], Gap)
        misleads = focus.axis != thin and focus.element >= last and last >= 0
        if on_glass or solid or misleads:
            out.append(focus)
    return tuple(out)


def _surfaces(train: Train) -> NDArray[np.float64]:
    places, path = [], 0.0
    for step in steps(train):
        if not step.length_mm and not isinstance(train.elements[step.element], Gap):
            places.append(path)
        path += step.length_mm
    return np.array(places)
