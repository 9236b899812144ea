"""What happens to the sheet when a part of the train is moved or turned, and where else light
comes to a focus.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planewright.base.problems import RangeProblem
from planewright.optics.elements import AXES, Axis, Gap, Lens, Mirror, Train, steps
from planewright.optics.gauss import (
    Beam,
    Matrix,
    carry,
    end_beam,
    start_beam,
    trace,
    train_matrix,
)


@dataclass(frozen=True)
class Reaction:
    """How the sheet answers, in one axis, to one part of the train.

    Parameters
    ----------
    element : int
        Which element.
    axis : {"y", "z"}
        Axis of the beam.
    waist_um_per_um : float
        Move of the axis's waist along the light for a unit move of the part along the light, its
        neighbours at rest.
    shift_um_per_um : float
        Shift of the light sideways at the middle of the field for a unit move of the part sideways.
    tilt_mrad_per_um : float
        Turn of the light there for a unit move of the part sideways, mrad/µm.
    shift_um_per_mrad : float
        Shift sideways for a unit turn of a mirror; 0 for a lens.
    tilt_mrad_per_mrad : float
        Turn of the light for a unit turn of a mirror; 0 for a lens. A mirror in the rear focal
        plane of the last lens shifts the sheet and does not turn it.
    """

    element: int
    axis: Axis
    waist_um_per_um: float
    shift_um_per_um: float
    tilt_mrad_per_um: float
    shift_um_per_mrad: float
    tilt_mrad_per_mrad: float


def reactions(train: Train) -> tuple[Reaction, ...]:
    """Return how the sheet answers to every lens and mirror of a train.

    Parameters
    ----------
    train : Train
        The train.

    Returns
    -------
    tuple of Reaction
        Two for each lens and mirror, y and then z. Angles are those in the last medium.
    """
    out = []
    for number, element in enumerate(train.elements):
        if not isinstance(element, (Lens, Mirror)):
            continue
        for axis in AXES:
            onward = train_matrix(train, axis, start=number + 1)
            if isinstance(element, Mirror):
                turn = element.turn_factor(axis)
                shift, tilt = turn * float(onward[0, 1]), turn * float(onward[1, 1])
                out.append(Reaction(number, axis, 0.0, 0.0, 0.0, shift, tilt))
                continue
            own = train_matrix(train, axis, start=number, stop=number + 1)
            kick = -float(own[1, 0])  # rad per mm off axis, in the medium behind the lens
            ahead, behind = (beam_moved(train, number, mm, axis) for mm in (-1e-3, 1e-3))
            waist = (behind.to_waist_um - ahead.to_waist_um) / 2.0
            shift, tilt = kick * float(onward[0, 1]), kick * float(onward[1, 1])
            out.append(Reaction(number, axis, waist, shift, tilt, 0.0, 0.0))
    return tuple(out)


def beam_moved(train: Train, element: int, along_mm: float, axis: Axis) -> Beam:
    """Return the beam at the end of a train, one part of which is moved along the light.

    Parameters
    ----------
    train : Train
        The train.
    element : int
        Which element to move; its neighbours stay.
    along_mm : float
        Move, mm, positive downstream.
    axis : {"y", "z"}
        Axis.

    Returns
    -------
    Beam
        The beam at the middle of the field.

    Raises
    ------
    RangeProblem
        If there is no such element.
    """
    if not 0 <= element < len(train.elements):
        raise RangeProblem("There is no such element in this train.", got=f"number {element}")
    before = train_matrix(train, axis, stop=element)
    own = train_matrix(train, axis, start=element, stop=element + 1)
    after = train_matrix(train, axis, start=element + 1)
    whole = after @ _free(-along_mm) @ own @ _free(along_mm) @ before
    end = end_beam(train, axis)
    q = carry(start_beam(train, axis).q_mm, whole)
    return Beam(q, end.index, end.wavelength_nm, end.beam_quality)


def _free(length_mm: float) -> Matrix:
    return np.array([[1.0, length_mm], [0.0, 1.0]])


@dataclass(frozen=True)
class Focus:
    """A place where the light of one axis comes together.

    Parameters
    ----------
    axis : {"y", "z"}
        Axis.
    element : int
        The gap or wall in which it lies; of a focus beyond the field, the last element.
    path_mm : float
        Place along the path from the train's start, mm.
    from_field_mm : float
        Distance from the middle of the field, mm, negative upstream.
    radius_um : float
        1/e² radius, µm.
    rayleigh_um : float
        Rayleigh range, µm.
    brighter : float
        Peak irradiance there over that in the middle of the field.
    to_surface_mm : float
        Distance to the nearest lens, mirror or surface, mm.
    is_sheet : bool
        True for the focus that makes the sheet; the others are stray.
    """

    axis: Axis
    element: int
    path_mm: float
    from_field_mm: float
    radius_um: float
    rayleigh_um: float
    brighter: float
    to_surface_mm: float
    is_sheet: bool


def foci(train: Train, *, beyond_mm: float = 0.0) -> tuple[Focus, ...]:
    """Return every focus along a train, the sheet's own among them.

    Parameters
    ----------
    train : Train
        The train.
    beyond_mm : float
        How far to look beyond the middle of the field, mm: to the far wall of the cell.

    Returns
    -------
    tuple of Focus
        In order along the path. A waist counts as a focus if its Rayleigh range is shorter than
        the path it lies in. A focus within a millimetre of a surface shows every grain of dust
        on it in the sheet; one in the cell besides the sheet's own lights a second line.
    """
    if not beyond_mm >= 0:
        raise RangeProblem("A distance cannot be negative.", got=f"{beyond_mm:g} mm")
    paths = _paths(train, beyond_mm)
    ends = {axis: end_beam(train, axis) for axis in AXES}
    area = ends["y"].radius_um * ends["z"].radius_um
    thin: Axis = "z" if ends["z"].waist_um <= ends["y"].waist_um else "y"
    field = sum(step.length_mm for step in steps(train))
    out: list[Focus] = []
    for start, stop, element, beams in paths:
        for axis in AXES:
            beam = beams[axis]
            at = beam.to_waist_um * 1e-3
            length = stop - start
            if not 0 <= at < length or beam.rayleigh_um * 1e-3 > length:
                continue
            other = beams["y" if axis == "z" else "z"]
            there = beam.waist_um * float(other.at(at * 1e3))
            out.append(
                Focus(
                    axis,
                    element,
                    start + at,
                    start + at - field,
                    beam.waist_um,
                    beam.rayleigh_um,
                    area / there,
                    min(at if start > 0 else math.inf, length - at),
                    False,
                )
            )
    out.sort(key=lambda focus: focus.path_mm)
    own = [k for k, focus in enumerate(out) if focus.axis == thin]
    if own:
        sheet = min(own, key=lambda k: abs(out[k].from_field_mm))
        last = paths[-1]
        if last[0] <= out[sheet].path_mm <= last[1]:
            out[sheet] = Focus(**{**out[sheet].__dict__, "is_sheet": True})
    return tuple(out)


def stray_foci(train: Train, *, near_mm: float = 1.0, beyond_mm: float = 0.0) -> tuple[Focus, ...]:
    """Return the foci that burn or mislead.

    Parameters
    ----------
    train : Train
        The train.
    near_mm : float
        How near to glass or a mirror a focus counts as on it, mm.
    beyond_mm : float
        How far to look beyond the middle of the field, mm.

    Returns
    -------
    tuple of Focus
        Foci on or in a lens, mirror or wall, and foci in the last medium besides the sheet's own:
        there the light is a line or a spot, not a sheet.
    """
    last = max((s.element for s in steps(train) if s.index != s.index_after), default=-1)
    out = []
    for focus in foci(train, beyond_mm=beyond_mm):
        on_glass = focus.to_surface_mm < near_mm
        solid = not isinstance(train.elements[focus.element], Gap)
        misleads = last >= 0 and focus.element > last
        if not focus.is_sheet and (on_glass or solid or misleads):
            out.append(focus)
    return tuple(out)


def _paths(train: Train, beyond_mm: float) -> list[tuple[float, float, int, dict[Axis, Beam]]]:
    """Return start, stop, element and beams of each unbroken path, the last one made longer."""
    out: list[tuple[float, float, int, dict[Axis, Beam]]] = []
    joined = False
    for at_y, at_z in zip(trace(train, "y"), trace(train, "z"), strict=True):
        step = at_y.step
        if step is None:
            break
        if not step.length_mm:
            joined = joined and isinstance(train.elements[step.element], Gap)
            continue
        stop = at_y.path_mm + step.length_mm
        if joined:
            start, _, element, beams = out[-1]
            out[-1] = (start, stop, element, beams)
        else:
            out.append((at_y.path_mm, stop, step.element, {"y": at_y.beam, "z": at_z.beam}))
        joined = True
    if out:
        start, stop, element, beams = out[-1]
        out[-1] = (start, stop + beyond_mm, element, beams)
    return out


def mirror_turn_mrad(reaction: Reaction, shift_um: float) -> float:
    """Return by how much to turn a mirror to shift the sheet by a distance, mrad.

    Parameters
    ----------
    reaction : Reaction
        How the sheet answers to the mirror.
    shift_um : float
        Wanted shift at the middle of the field, µm.

    Returns
    -------
    float
        Turn, mrad.

    Raises
    ------
    RangeProblem
        If the mirror does not shift the light.
    """
    if abs(reaction.shift_um_per_mrad) < 1e-9:
        raise RangeProblem(
            "Turning this part does not shift the sheet.", got=f"element {reaction.element}"
        )
    return shift_um / reaction.shift_um_per_mrad


def lens_move_um(reaction: Reaction, waist_um: float) -> float:
    """Return by how much to move a lens along the light to move the waist by a distance, µm."""
    if abs(reaction.waist_um_per_um) < 1e-9:
        raise RangeProblem(
            "Moving this part does not move the waist.", got=f"element {reaction.element}"
        )
    return waist_um / reaction.waist_um_per_um
