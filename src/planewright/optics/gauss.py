"""Gaussian beams through a train, axis by axis, by ray matrices and the complex radius q.

Widths are 1/e² intensity radii. A beam of quality M² is carried as a perfect one of M² times
the wavelength, which is exact for second-moment widths [1]_.

References
----------
.. [1] A. E. Siegman, Proc. SPIE 1224, 2 (1990).
.. [2] H. Kogelnik and T. Li, Applied Optics 5, 1550 (1966).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Axis, Lens, Step, Train, steps

Matrix = NDArray[np.float64]

FWHM_OF_RADIUS = math.sqrt(2.0 * math.log(2.0))  # FWHM over the 1/e² radius of a Gaussian


@dataclass(frozen=True)
class Beam:
    """A Gaussian beam in one axis at one plane.

    Parameters
    ----------
    q_mm : complex
        Complex radius, mm, in the medium: distance from the waist plus i times the Rayleigh
        range.
    index : float
        Refractive index of the medium.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_quality : float
        M².
    """

    q_mm: complex
    index: float
    wavelength_nm: float
    beam_quality: float = 1.0

    @property
    def rayleigh_um(self) -> float:
        """Rayleigh range in the medium, µm."""
        return self.q_mm.imag * 1e3

    @property
    def waist_um(self) -> float:
        """1/e² radius at the waist, µm."""
        return float(
            waist_of_rayleigh(
                self.rayleigh_um,
                wavelength_nm=self.wavelength_nm,
                index=self.index,
                beam_quality=self.beam_quality,
            )
        )

    @property
    def to_waist_um(self) -> float:
        """Distance to the waist, µm; positive if it lies downstream."""
        return -self.q_mm.real * 1e3

    @property
    def radius_um(self) -> float:
        """1/e² radius at this plane, µm."""
        return self.waist_um * math.hypot(1.0, self.q_mm.real / self.q_mm.imag)

    @property
    def fwhm_um(self) -> float:
        """Full width at half maximum at this plane, µm."""
        return FWHM_OF_RADIUS * self.radius_um

    @property
    def numerical_aperture(self) -> float:
        """NA of the 1/e² radius far from the waist (paraxial: n times the half angle)."""
        return self.index * self.waist_um / self.rayleigh_um

    @property
    def convergence_per_mm(self) -> float:
        """Curvature of the wave front, 1/mm; positive where the beam runs together."""
        return -(1.0 / self.q_mm).real

    def at(self, distance_um: ArrayLike) -> NDArray[np.float64]:
        """Return the 1/e² radius at distances downstream of this plane, µm."""
        from_waist = np.asarray(distance_um, dtype=np.float64) - self.to_waist_um
        return np.asarray(self.waist_um * np.hypot(1.0, from_waist / self.rayleigh_um))


def waist_of_aperture(
    numerical_aperture: ArrayLike, *, wavelength_nm: float, beam_quality: float = 1.0
) -> NDArray[np.float64]:
    """Return the waist radius of a beam of known NA, ``M² λ / (π NA)``.

    Parameters
    ----------
    numerical_aperture : array_like
        n times the sine of the 1/e² half angle; the same on both sides of a flat window.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_quality : float
        M².

    Returns
    -------
    ndarray
        1/e² radius at the waist, µm.

    Raises
    ------
    RangeProblem
        If an argument is not positive.
    """
    na = np.asarray(numerical_aperture, dtype=np.float64)
    _need_positive("numerical aperture", na)
    return beam_quality * wavelength_nm * 1e-3 / (np.pi * na)


def rayleigh_range(
    waist_um: ArrayLike, *, wavelength_nm: float, index: float, beam_quality: float = 1.0
) -> NDArray[np.float64]:
    """Return the Rayleigh range in a medium, ``π n w0² / (M² λ)``.

    Parameters
    ----------
    waist_um : array_like
        1/e² radius at the waist, µm.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    index : float
        Index of the medium: leaving it out makes a sheet in water a quarter too short.
    beam_quality : float
        M².

    Returns
    -------
    ndarray
        Rayleigh range, µm.

    Raises
    ------
    RangeProblem
        If a waist is not positive.
    """
    w0 = np.asarray(waist_um, dtype=np.float64)
    _need_positive("waist", w0)
    return np.pi * index * w0**2 / (beam_quality * wavelength_nm * 1e-3)


def waist_of_rayleigh(
    rayleigh_um: ArrayLike, *, wavelength_nm: float, index: float, beam_quality: float = 1.0
) -> NDArray[np.float64]:
    """Return the waist radius that has a Rayleigh range; the inverse of `rayleigh_range`.

    Parameters
    ----------
    rayleigh_um : array_like
        Rayleigh range in the medium, µm.
    wavelength_nm, index, beam_quality : float
        As in `rayleigh_range`.

    Returns
    -------
    ndarray
        1/e² radius at the waist, µm.
    """
    z_r = np.asarray(rayleigh_um, dtype=np.float64)
    return np.sqrt(beam_quality * wavelength_nm * 1e-3 * z_r / (np.pi * index))


def _need_positive(what: str, values: NDArray[np.float64]) -> None:
    if not np.all(np.isfinite(values) & (values > 0)):
        raise RangeProblem(f"A {what} must be positive.", got=f"{np.min(values):g}")


def step_matrix(step: Step, axis: Axis) -> Matrix:
    """Return the ray matrix of one step, acting on (height mm, angle rad).

    Parameters
    ----------
    step : Step
        A path, a surface or a thin lens.
    axis : {"y", "z"}
        Axis of the beam.

    Returns
    -------
    ndarray of shape (2, 2)
        Its determinant is the index before over the index after.
    """
    if step.length_mm:
        return np.array([[1.0, step.length_mm], [0.0, 1.0]])
    return np.array(
        [[1.0, 0.0], [-step.power(axis) / step.index_after, step.index / step.index_after]]
    )


def train_matrix(train: Train, axis: Axis, *, start: int = 0, stop: int | None = None) -> Matrix:
    """Return the ray matrix of a train or of some of its elements.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis of the beam.
    start, stop : int or None
        First element, and the one before which to end; None for the end of the train.

    Returns
    -------
    ndarray of shape (2, 2)
        Matrix on (mm, rad).
    """
    stop = len(train.elements) if stop is None else stop
    total = np.eye(2)
    for step in steps(train):
        if start <= step.element < stop:
            total = step_matrix(step, axis) @ total
    return total


def carry(q_mm: complex, matrix: Matrix) -> complex:
    """Return ``(A q + B) / (C q + D)``."""
    (a, b), (c, d) = matrix.tolist()
    return complex((a * q_mm + b) / (c * q_mm + d))


def start_beam(train: Train, axis: Axis) -> Beam:
    """Return the laser's beam at the start of a train, in one axis."""
    rayleigh_um = rayleigh_range(
        train.beam_radius_mm(axis) * 1e3,
        wavelength_nm=train.wavelength_nm,
        index=train.index,
        beam_quality=train.beam_quality(axis),
    )
    q = complex(-train.waist_ahead_mm(axis), float(rayleigh_um) * 1e-3)
    return Beam(q, train.index, train.wavelength_nm, train.beam_quality(axis))


@dataclass(frozen=True)
class Station:
    """The beam of one axis just before a step of the train.

    Parameters
    ----------
    path_mm : float
        Geometric path from the start, mm.
    step : Step or None
        What the light meets; None at the end of the train.
    beam : Beam
        The beam there.
    """

    path_mm: float
    step: Step | None
    beam: Beam


def trace(train: Train, axis: Axis) -> tuple[Station, ...]:
    """Follow the beam of one axis through a train.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis of the beam.

    Returns
    -------
    tuple of Station
        The beam before every step, and at the end.
    """
    beam = start_beam(train, axis)
    path = 0.0
    out = []
    for step in steps(train):
        out.append(Station(path, step, beam))
        q = carry(beam.q_mm, step_matrix(step, axis))
        beam = Beam(q, step.index_after, beam.wavelength_nm, beam.beam_quality)
        path += step.length_mm
    out.append(Station(path, None, beam))
    return tuple(out)


def end_beam(train: Train, axis: Axis) -> Beam:
    """Return the beam of one axis at the end of the train: the middle of the field."""
    return trace(train, axis)[-1].beam


@dataclass(frozen=True)
class Outline:
    """The beam's radius along the whole train, for a drawing to scale.

    Parameters
    ----------
    path_mm : ndarray of shape (N,)
        Geometric path from the start, mm.
    radius_y_um, radius_z_um : ndarray of shape (N,)
        1/e² radius per axis, µm.
    """

    path_mm: NDArray[np.float64]
    radius_y_um: NDArray[np.float64]
    radius_z_um: NDArray[np.float64]


def outline(train: Train, *, samples_per_gap: int = 64) -> Outline:
    """Return the beam's radius along the train, both axes, waists included.

    Parameters
    ----------
    train : Train
        The train.
    samples_per_gap : int
        Points in each path, ends included; the waists in it are added.

    Returns
    -------
    Outline
        Points in order of the path.
    """
    both = (trace(train, "y"), trace(train, "z"))
    path, radii = [0.0], ([both[0][0].beam.radius_um], [both[1][0].beam.radius_um])
    for pair in zip(*both, strict=True):
        step = pair[0].step
        if step is None or not step.length_mm:
            continue
        places = list(np.linspace(0.0, step.length_mm, samples_per_gap))
        for station in pair:
            waist = station.beam.to_waist_um * 1e-3
            spread = station.beam.rayleigh_um * 1e-3 * np.arange(-4, 4.5, 0.5)
            places += [float(p) for p in waist + spread if 0 < p < step.length_mm]
        along = np.unique(places)
        path += (pair[0].path_mm + along).tolist()
        for radius, station in zip(radii, pair, strict=True):
            radius += station.beam.at(along * 1e3).tolist()
    return Outline(np.array(path), np.array(radii[0]), np.array(radii[1]))


@dataclass(frozen=True)
class Clipping:
    """How an opening cuts the beam.

    Parameters
    ----------
    element : int
        Which element of the train.
    radius_y_um, radius_z_um : float
        1/e² radius of the beam there, µm.
    half_y_um, half_z_um : float
        Half of the clear width, µm.
    truncation_y, truncation_z : float
        1/e² full width of the beam over the clear width.
    passed : float
        Fraction of the power that gets through this opening.
    """

    element: int
    radius_y_um: float
    radius_z_um: float
    half_y_um: float
    half_z_um: float
    truncation_y: float
    truncation_z: float
    passed: float


def clippings(train: Train) -> tuple[Clipping, ...]:
    """Return how every opening of a train cuts the beam.

    Parameters
    ----------
    train : Train
        The train.

    Returns
    -------
    tuple of Clipping
        One for each element that has an edge. Each is worked out for the whole beam, as if the
        openings before it had not cut it.
    """
    out = []
    for at_y, at_z in zip(trace(train, "y"), trace(train, "z"), strict=True):
        step = at_y.step
        if step is None or math.isinf(min(step.half_y_mm, step.half_z_mm)):
            continue
        wy, wz = at_y.beam.radius_um, at_z.beam.radius_um
        hy, hz = step.half_y_mm * 1e3, step.half_z_mm * 1e3
        if step.is_round:
            passed = power_through_circle(hy, radius_y_um=wy, radius_z_um=wz)
        else:
            passed = math.erf(math.sqrt(2) * hy / wy) * math.erf(math.sqrt(2) * hz / wz)
        out.append(Clipping(step.element, wy, wz, hy, hz, wy / hy, wz / hz, passed))
    return tuple(out)


def power_through_circle(half_um: float, *, radius_y_um: float, radius_z_um: float) -> float:
    """Return the fraction of an elliptic Gaussian beam that passes a circle.

    Parameters
    ----------
    half_um : float
        Radius of the circle, µm.
    radius_y_um, radius_z_um : float
        1/e² radii of the beam, µm.

    Returns
    -------
    float
        0 to 1. The radial integral is done in closed form, the angular one by the trapezium
        rule, which converges geometrically on a full turn.
    """
    turns = 64 + 16 * math.ceil(max(radius_y_um / radius_z_um, radius_z_um / radius_y_um))
    angle = np.arange(turns) * (2 * np.pi / turns)
    inverse = (np.cos(angle) / radius_y_um) ** 2 + (np.sin(angle) / radius_z_um) ** 2
    lost = np.exp(-2.0 * half_um**2 * inverse) / (radius_y_um * radius_z_um * inverse)
    return float(1.0 - lost.mean())


def carry_many(
    q_mm: NDArray[np.complex128],
    *,
    length_mm: NDArray[np.float64],
    power_per_mm: NDArray[np.float64],
    index: NDArray[np.float64],
    index_after: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Follow many beams through many trains of equal length at once.

    Parameters
    ----------
    q_mm : ndarray of shape (N,)
        Complex radius at the start, mm.
    length_mm, power_per_mm, index, index_after : ndarray of shape (K, N) or (K, 1)
        The K steps: first the plane (power, change of index), then the path behind it.

    Returns
    -------
    ndarray of shape (2 K + 1, N)
        q before each plane and each path, and at the end.
    """
    out = np.empty((2 * len(length_mm) + 1, len(q_mm)), dtype=np.complex128)
    out[0] = q = np.asarray(q_mm, dtype=np.complex128)
    for k in range(len(length_mm)):
        # 1/q' = (n/n')/q − P/n': the plane acts on curvature, the path on q [2]
        q = 1.0 / (index[k] / index_after[k] / q - power_per_mm[k] / index_after[k])
        out[2 * k + 1] = q
        q = q + length_mm[k]
        out[2 * k + 2] = q
    return out


def focused_by_lens(
    beam_radius_mm: float,
    *,
    focal_length_mm: float,
    wavelength_nm: float,
    beam_quality: float = 1.0,
) -> tuple[float, float]:
    """Return what a thin lens makes of a beam whose waist lies at the lens.

    Parameters
    ----------
    beam_radius_mm : float
        1/e² radius at the lens, mm.
    focal_length_mm : float
        Focal length, mm.
    wavelength_nm : float
        Wavelength, nm.
    beam_quality : float
        M².

    Returns
    -------
    waist_um : float
        1/e² radius at the new waist, µm.
    distance_mm : float
        Distance of the waist from the lens, mm.
    """
    train = Train(
        wavelength_nm,
        beam_radius_mm,
        beam_radius_mm,
        (Lens(focal_length_mm),),
        beam_quality_y=beam_quality,
        beam_quality_z=beam_quality,
    )
    beam = end_beam(train, "z")
    return beam.waist_um, beam.to_waist_um * 1e-3
