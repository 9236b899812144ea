"""The sheet that a train makes, at the middle of the field and along the light.

x runs with the light from the middle of the field, y is the sheet's height, z its thickness.
Both ways of making a sheet come out of the same ray matrices: a cylinder that focuses into the
cell acts on z; a cylinder in the rear focal plane of an objective acts on y, and the objective
focuses the axis that the cylinder left alone. The thin axis is turned by 90° between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar

from planewright.base.problems import RangeProblem
from planewright.optics.aberration import Spherical, spherical
from planewright.optics.elements import Axis, Train
from planewright.optics.gauss import (
    FWHM_OF_RADIUS,
    Beam,
    Clipping,
    clippings,
    end_beam,
)
from planewright.optics.truncate import Opening, cut_beam

_SMALL_ABERRATION = 0.01  # waves at the beam's edge below which the sheet does not notice


class Usable(StrEnum):
    """How much thicker than at its waist a sheet may be and still count as usable."""

    RAYLEIGH = "up to √2 times the waist"
    TENTH = "up to 1.1 times the waist"
    HALF = "up to 1.5 times the waist"
    DOUBLE = "up to twice the waist"

    @property
    def growth(self) -> float:
        """Thickness allowed, in units of the waist."""
        return {"RAYLEIGH": math.sqrt(2.0), "TENTH": 1.1, "HALF": 1.5, "DOUBLE": 2.0}[self.name]


def usable_half_width_um(rayleigh_um: float, convention: Usable) -> float:
    """Return how far from the waist a Gaussian sheet is usable, to each side, µm."""
    return rayleigh_um * math.sqrt(convention.growth**2 - 1.0)


def usable_half_height_um(height_radius_um: float, fraction: float) -> float:
    """Return how far from its middle a Gaussian sheet keeps a fraction of its light.

    Parameters
    ----------
    height_radius_um : float
        1/e² radius of the sheet's height, µm.
    fraction : float
        Irradiance over that in the middle, 0 to 1.

    Returns
    -------
    float
        Distance to each side, µm.
    """
    if not 0 < fraction < 1:
        raise RangeProblem("The fraction of light is not possible.", got=f"{fraction:g}")
    return height_radius_um * math.sqrt(math.log(1.0 / fraction) / 2.0)


@dataclass(frozen=True)
class BestWaist:
    """The sheet that is thinnest at the edges of a field.

    Parameters
    ----------
    waist_um, fwhm_um : float
        At the middle: 1/e² radius and FWHM.
    edge_radius_um, edge_fwhm_um : float
        At the edges, √2 times as much.
    rayleigh_um : float
        Half the field.
    numerical_aperture : float
        NA that makes it.
    """

    waist_um: float
    fwhm_um: float
    edge_radius_um: float
    edge_fwhm_um: float
    rayleigh_um: float
    numerical_aperture: float


def best_waist(
    field_um: float, *, wavelength_nm: float, index: float, beam_quality: float = 1.0
) -> BestWaist:
    """Return the waist that makes the sheet thinnest at the edges of a field.

    Parameters
    ----------
    field_um : float
        Width of the field along the light, µm.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    index : float
        Index of the medium.
    beam_quality : float
        M².

    Returns
    -------
    BestWaist
        The Rayleigh range is half the field: any thinner waist is thicker at the edges.
    """
    if not field_um > 0:
        raise RangeProblem("A field must have a width.", got=f"{field_um:g} µm")
    um = wavelength_nm * 1e-3 * beam_quality
    waist = math.sqrt(um * field_um / (2 * math.pi * index))
    edge = math.sqrt(2.0) * waist
    return BestWaist(
        waist,
        FWHM_OF_RADIUS * waist,
        edge,
        FWHM_OF_RADIUS * edge,
        field_um / 2,
        um / (math.pi * waist),
    )


@dataclass(frozen=True)
class Sheet:
    """A sheet of light at the middle of the field.

    Parameters
    ----------
    thin_axis : {"y", "z"}
        Axis in which it is thin; z is right, y is a sheet that stands across the lens's view.
    waist_um : float
        1/e² intensity half thickness where it is thinnest, µm.
    fwhm_um : float
        Thickness there, FWHM, µm.
    waist_at_um : float
        Where it is thinnest along the light, µm from the middle of the field.
    rayleigh_um : float
        Distance from there at which it is √2 times as thick, in the medium, µm.
    numerical_aperture : float
        NA of the uncut beam in the thin axis.
    height_radius_um : float
        1/e² half height at the middle of the field, µm.
    height_rayleigh_um, height_waist_at_um : float
        Rayleigh range of the height axis and where its own waist lies, µm.
    index : float
        Index of the medium.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_quality : float
        M² of the thin axis.
    passed : float
        Fraction of the laser's power that reaches the field through the openings (losses at
        surfaces left out).
    truncation : float
        Beam over the tightest opening, in the thin axis.
    cut_by : tuple of int
        Elements whose edges shape the thin axis; empty for an uncut beam.
    aberration : Spherical
        Third-order spherical aberration of the thin axis.
    perfect_fwhm_um : float
        Thickness without edges and aberration, FWHM, µm.
    """

    thin_axis: Axis
    waist_um: float
    fwhm_um: float
    waist_at_um: float
    rayleigh_um: float
    numerical_aperture: float
    height_radius_um: float
    height_rayleigh_um: float
    height_waist_at_um: float
    index: float
    wavelength_nm: float
    beam_quality: float
    passed: float
    truncation: float
    cut_by: tuple[int, ...]
    aberration: Spherical
    perfect_fwhm_um: float

    def radius_um(self, x_um: ArrayLike) -> NDArray[np.float64]:
        """Return the 1/e² half thickness along the light, µm."""
        away = (np.asarray(x_um, dtype=np.float64) - self.waist_at_um) / self.rayleigh_um
        return np.asarray(self.waist_um * np.hypot(1.0, away))

    def thickness_um(self, x_um: ArrayLike) -> NDArray[np.float64]:
        """Return the FWHM along the light, µm."""
        away = (np.asarray(x_um, dtype=np.float64) - self.waist_at_um) / self.rayleigh_um
        return np.asarray(self.fwhm_um * np.hypot(1.0, away))

    def usable_um(self, convention: Usable) -> tuple[float, float]:
        """Return where along the light the sheet is usable, from and to, µm."""
        half = usable_half_width_um(self.rayleigh_um, convention)
        return self.waist_at_um - half, self.waist_at_um + half

    def usable_height_um(self, fraction: float) -> float:
        """Return the full height over which a fraction of the middle's light is kept, µm."""
        return 2 * usable_half_height_um(self.height_radius_um, fraction)

    def irradiance_w_m2(self, power_mw: float, x_um: ArrayLike = 0.0) -> NDArray[np.float64]:
        """Return the peak irradiance along the light, W/m²."""
        power = power_mw * self.passed
        return peak_irradiance_w_m2(
            power, height_radius_um=self.height_radius_um, thickness_radius_um=self.radius_um(x_um)
        )


def peak_irradiance_w_m2(
    power_mw: float, *, height_radius_um: float, thickness_radius_um: ArrayLike
) -> NDArray[np.float64]:
    """Return the irradiance in the middle of an elliptic Gaussian, ``2 P / (π w_y w_z)``.

    Parameters
    ----------
    power_mw : float
        Power in the sheet, mW.
    height_radius_um : float
        1/e² half height, µm.
    thickness_radius_um : array_like
        1/e² half thickness, µm.

    Returns
    -------
    ndarray
        W/m². Through the whole thickness the power per height does not change along the light:
        a dye bath looks even where a thin object does not.
    """
    area = np.pi * height_radius_um * np.asarray(thickness_radius_um, dtype=np.float64) * 1e-12
    return np.asarray(2e-3 * power_mw / area)


def dose_j_m2(irradiance_w_m2: ArrayLike, *, seconds: float) -> NDArray[np.float64]:
    """Return the light dose of a place that is lit for some time, J/m²."""
    if not seconds >= 0:
        raise RangeProblem("A time cannot be negative.", got=f"{seconds:g} s")
    return np.asarray(irradiance_w_m2, dtype=np.float64) * seconds


def stack_dose_j_m2(
    power_mw: float, *, height_radius_um: float, step_um: float, seconds_per_frame: float
) -> float:
    """Return the dose of a plane well inside a stack that the sheet passes through.

    Parameters
    ----------
    power_mw : float
        Power in the sheet, mW.
    height_radius_um : float
        1/e² half height, µm.
    step_um : float
        Step between frames, µm.
    seconds_per_frame : float
        Time for which the laser is on at each step, s.

    Returns
    -------
    float
        J/m², in the middle of the height. The sheet's thickness drops out: a thinner sheet is
        brighter, and touches a plane in fewer frames.
    """
    if not (step_um > 0 and seconds_per_frame >= 0):
        raise RangeProblem("A step must be positive.", got=f"{step_um:g} µm")
    line_w_m = 2e-3 * power_mw / (math.sqrt(2 * math.pi) * height_radius_um * 1e-6)
    return line_w_m * seconds_per_frame / (step_um * 1e-6)


def sheet(train: Train, *, aberrated: bool = True) -> Sheet:
    """Return the sheet that a train makes at its end.

    Parameters
    ----------
    train : Train
        The train; it ends at the middle of the field.
    aberrated : bool
        Whether the spherical aberration of the thin axis enters.

    Returns
    -------
    Sheet
        Edges nearer than 2.5 beam radii, and aberration over 1/100 wave, are taken into account
        by the diffraction integral; the thickness is then that of the true beam, and
        `waist_um` its 1/e² half width where it is brightest.

    Raises
    ------
    RangeProblem
        If almost no light passes an opening, or there are over 10 waves of aberration.
    """
    ends: dict[Axis, Beam] = {"y": end_beam(train, "y"), "z": end_beam(train, "z")}
    thin: Axis = "z" if ends["z"].waist_um <= ends["y"].waist_um else "y"
    high: Axis = "y" if thin == "z" else "z"
    beam, height = ends[thin], ends[high]
    cuts = clippings(train)
    passed = _passed(cuts)
    off = spherical(train, thin)
    counted = off.w040_um if aberrated and abs(off.waves) > _SMALL_ABERRATION else 0.0
    opening = cut_beam(train, thin, w040_um=counted)
    place = _Waist(
        beam.waist_um, FWHM_OF_RADIUS * beam.waist_um, beam.to_waist_um, beam.rayleigh_um
    )
    if opening is not None:
        place = _true_waist(opening, beam, abs(off.waves) if counted else 0.0)
    return Sheet(
        thin_axis=thin,
        waist_um=place.radius_um,
        fwhm_um=place.fwhm_um,
        waist_at_um=place.at_um,
        rayleigh_um=place.rayleigh_um,
        numerical_aperture=beam.numerical_aperture,
        height_radius_um=height.radius_um,
        height_rayleigh_um=height.rayleigh_um,
        height_waist_at_um=height.to_waist_um,
        index=beam.index,
        wavelength_nm=train.wavelength_nm,
        beam_quality=train.beam_quality(thin),
        passed=passed,
        truncation=max(
            (c.truncation_z if thin == "z" else c.truncation_y for c in cuts), default=0.0
        ),
        cut_by=() if opening is None else opening.elements,
        aberration=off,
        perfect_fwhm_um=FWHM_OF_RADIUS * beam.waist_um,
    )


def _passed(cuts: tuple[Clipping, ...]) -> float:
    passed = math.prod(c.passed for c in cuts)
    if passed < 1e-3:
        worst = min(cuts, key=lambda c: c.passed)
        raise RangeProblem(
            "Almost no light passes the openings of this train.",
            where=f"element {worst.element + 1}",
            got=f"{100 * passed:.2g} % of the laser's power",
            expected="most of it",
            do="widen the narrowest opening, or make the beam narrower before it",
        )
    return passed


@dataclass(frozen=True)
class _Waist:
    radius_um: float
    fwhm_um: float
    at_um: float
    rayleigh_um: float


def _true_waist(opening: Opening, beam: Beam, waves: float) -> _Waist:
    """Find where a cut or aberrated beam is brightest, how wide it is and how long it stays so."""
    # a cut beam is wider at its focus by 1/passed at most; aberration moves the focus by some
    # Rayleigh ranges a wave
    wide = 1.0 / max(opening.passed, 0.05)
    reach = beam.rayleigh_um * (wide**2 + 4.0 * waves)
    centre = beam.to_waist_um

    def middle(beyond: float) -> float:
        return float(opening.profile(np.zeros(1), beyond_um=beyond)[0])

    places = centre + reach * np.linspace(-2.0, 2.0, 121)
    best = int(np.argmax([middle(p) for p in places]))
    low, high = places[max(best - 1, 0)], places[min(best + 1, len(places) - 1)]
    at = float(minimize_scalar(lambda p: -middle(p), bounds=(low, high), method="bounded").x)
    fwhm, full = _widths(opening, at, beam.waist_um * wide)

    def growth(away: float) -> float:
        widths = [
            _widths(opening, at + side * away, wide * beam.waist_um * math.hypot(1, away / reach))
            for side in (-1, 1)
        ]
        return (widths[0][0] + widths[1][0]) / (2 * fwhm) - math.sqrt(2.0)

    away = 0.0
    for far in beam.rayleigh_um * np.geomspace(0.5, 10 * (wide**2 + waves), 10):
        if growth(float(far)) > 0:
            rayleigh = float(brentq(growth, away, float(far), rtol=1e-3))
            return _Waist(full / 2, fwhm, at, rayleigh)
        away = float(far)
    raise RangeProblem(
        "The light comes to no clear focus.",
        got=f"{waves:.2g} waves of aberration, {100 * opening.passed:.0f} % of the light passed",
        do="turn the lens round, take a longer one, or widen the slit",
    )


def _widths(opening: Opening, at_um: float, scale_um: float) -> tuple[float, float]:
    """Return the FWHM and the 1/e² full width of the light around its middle, µm."""
    x = np.linspace(0.0, 8.0 * scale_um, 161)
    light = opening.profile(x, beyond_um=at_um)
    top = int(np.argmax(light))
    peak = float(light[top])

    def full(level: float) -> float:
        below = np.flatnonzero(light[top:] < level * peak)
        if not below.size:
            return 16.0 * scale_um
        right = top + int(below[0])
        fine = np.linspace(x[right - 1], x[right], 9)
        return 2 * float(np.interp(-level * peak, -opening.profile(fine, beyond_um=at_um), fine))

    return full(0.5), full(math.exp(-2.0))
