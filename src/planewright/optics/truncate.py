"""Beams cut by a slit or an iris: what the focus becomes, by the diffraction integral.

A slit before a cylinder is a one-dimensional problem: the tables for round openings do not
apply to it. T is the beam's 1/e² full width over the opening's width D; widths of a focus are
in units of λ f / D, with λ that of the medium.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import erf, j0

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Axis, Step, Train, steps
from planewright.optics.gauss import Matrix, Station, step_matrix, trace
from planewright.optics.quadrature import panels

CUT_BELOW_RADII = 2.5  # an edge nearer than this many 1/e² radii shapes the focus (over 0.1 %)
_SAME_PLANE = 400.0  # Fresnel number above which two openings count as one
_MOST_NODES = 6000
_WHOLE_BEAM = 4.5  # radii beyond which a Gaussian beam has no light that counts
_LIT_BEAM = 3.2  # the same where aberration makes the far edge dear: 2e-10 of the power lies beyond


@dataclass(frozen=True)
class CutFocus:
    """The focus of a Gaussian beam cut by an opening.

    Parameters
    ----------
    fwhm : float
        Full width at half maximum, in λ f / D.
    full_width_e2 : float
        Full width at 1/e² of the peak, in λ f / D.
    passed : float
        Fraction of the power that passes the opening; 0 for an evenly lit opening.
    sidelobe : float
        Height of the highest side lobe over the peak; 0 where there is none above 1e-6.
    """

    fwhm: float
    full_width_e2: float
    passed: float
    sidelobe: float


def slit_focus(truncation: float) -> CutFocus:
    """Return the focus of a beam cut by a slit, in the slit's axis.

    Parameters
    ----------
    truncation : float
        1/e² full width of the beam over the width of the slit; infinite for even light.

    Returns
    -------
    CutFocus
        Widths in λ f / D.

    Raises
    ------
    RangeProblem
        If the truncation is below 0.05: the slit then cuts nothing.
    """
    _check_truncation(truncation)
    s, weight = panels(200, 0.5)
    lit = np.exp(-4.0 * (s / truncation) ** 2) * weight

    def field(u: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(np.cos(2 * np.pi * np.multiply.outer(u, s)) @ lit / lit.sum())

    passed = 0.0 if math.isinf(truncation) else float(erf(math.sqrt(2.0) / truncation))
    return _focus(field, passed, truncation)


def circle_focus(truncation: float) -> CutFocus:
    """Return the focus of a round beam cut by a round opening.

    Parameters
    ----------
    truncation : float
        1/e² diameter of the beam over the diameter of the opening; infinite for even light.

    Returns
    -------
    CutFocus
        Widths in λ f / D.

    Raises
    ------
    RangeProblem
        If the truncation is below 0.05.
    """
    _check_truncation(truncation)
    s, weight = panels(200, 0.25)
    r = s + 0.25
    lit = np.exp(-4.0 * (r / truncation) ** 2) * weight * r

    def field(u: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(j0(2 * np.pi * np.multiply.outer(u, r)) @ lit / lit.sum())

    passed = 0.0 if math.isinf(truncation) else 1.0 - math.exp(-2.0 / truncation**2)
    return _focus(field, passed, truncation)


def _check_truncation(truncation: float) -> None:
    if not truncation >= 0.05:
        raise RangeProblem(
            "This opening does not cut the beam.",
            got=f"beam over opening {truncation:g}",
            expected="0.05 or more",
            do="use the uncut beam",
        )


def _focus(
    field: Callable[[ArrayLike], NDArray[np.float64]], passed: float, truncation: float
) -> CutFocus:
    reach = max(4.0, 2.0 / truncation)
    u = np.linspace(0.0, reach, 4001)
    intensity = field(u) ** 2
    turns = np.diff(np.sign(np.diff(intensity)))
    dips = np.flatnonzero(turns > 0) + 1
    humps = np.flatnonzero(turns < 0) + 1
    end = int(dips[0]) if dips.size else len(u) - 1

    def width(level: float) -> float:
        return 2.0 * float(brentq(lambda v: float(field(v)) ** 2 - level, 0.0, u[end], xtol=1e-12))

    beyond = humps[humps > end]
    lobe = float(intensity[beyond].max()) if beyond.size else 0.0
    return CutFocus(width(0.5), width(math.exp(-2.0)), passed, lobe if lobe > 1e-6 else 0.0)


@dataclass(frozen=True)
class Opening:
    """A field in an opening that shapes it, ready to be carried on.

    Parameters
    ----------
    at_mm : ndarray of shape (K,)
        Nodes across the opening, mm.
    field : ndarray of shape (K,)
        Complex field times the node's weight, of a beam of unit power before it was cut.
    onward : ndarray of shape (2, 2)
        Ray matrix from the opening to the end of the train.
    index : float
        Index at the opening.
    wavelength_mm : float
        M² times the vacuum wavelength, mm.
    passed : float
        Fraction of the power that has come so far.
    bend_per_mm : float
        Convergence of the beam at the opening times the index, 1/mm.
    elements : tuple of int
        The elements that cut; empty where only aberration shapes the beam.
    """

    at_mm: NDArray[np.float64]
    field: NDArray[np.complex128]
    onward: Matrix
    index: float
    wavelength_mm: float
    passed: float
    bend_per_mm: float
    elements: tuple[int, ...]

    def profile(self, across_um: ArrayLike, *, beyond_um: float = 0.0) -> NDArray[np.float64]:
        """Return the light across the beam at a distance beyond the end of the train.

        Parameters
        ----------
        across_um : array_like of shape (N,)
            Places across the beam, µm.
        beyond_um : float
            Distance beyond the end of the train, µm; negative before it (in the last medium).

        Returns
        -------
        ndarray of shape (N,)
            Power per µm, of a beam of unit power before it was cut.

        Raises
        ------
        RangeProblem
            If the nodes are too far apart for this plane.
        """
        x = np.asarray(across_um, dtype=np.float64) * 1e-3
        onward = np.array([[1.0, beyond_um * 1e-3], [0.0, 1.0]]) @ self.onward
        self._check(x, onward)
        there = _collins(self.at_mm, self.field, x, onward, self.index, self.wavelength_mm)
        return np.asarray(np.abs(there) ** 2 * 1e-3)

    def _check(self, x: NDArray[np.float64], onward: Matrix) -> None:
        """Refuse a plane where the phase turns too much from node to node."""
        reduced = max(abs(onward[0, 1]) / self.index, 1e-15)
        half = float(self.at_mm[-1])
        defocus = abs(onward[0, 0] / (onward[0, 1] / self.index) - self.bend_per_mm) * half
        rate = 2 * np.pi / self.wavelength_mm * (defocus + float(np.abs(x).max()) / reduced)
        per_node = rate * 2 * half / len(self.at_mm)
        if per_node > 2.5:
            raise RangeProblem(
                "The diffraction integral is too coarse for this plane.",
                got=f"{per_node:.1f} rad from node to node",
                expected="up to 2.5 rad",
                do="ask for a plane nearer the waist, or less far across",
            )


def cut_beam(train: Train, axis: Axis, *, w040_um: float = 0.0) -> Opening | None:
    """Follow the beam of one axis through the openings that shape it.

    Parameters
    ----------
    train : Train
        The train. A round opening counts as a slit of its diameter in each axis.
    axis : {"y", "z"}
        Axis of the beam.
    w040_um : float
        Spherical aberration at the beam's 1/e² edge, µm, put into the first opening; without
        an opening that cuts, into the plane of the last lens.

    Returns
    -------
    Opening or None
        The field in the last opening that cuts; None if no edge comes nearer to the beam than
        2.5 of its radii and there is no aberration.

    Raises
    ------
    RangeProblem
        If so many fringes cross an opening that the integral is not trusted.

    References
    ----------
    .. [1] S. A. Collins, J. Opt. Soc. Am. 60, 1168 (1970), equation 30, in one axis.
    """
    stations, chain = trace(train, axis), steps(train)
    halves = {
        k: step.half_mm(axis)
        for k, step in enumerate(chain)
        if step.half_mm(axis) < CUT_BELOW_RADII * stations[k].beam.radius_um * 1e-3
    }
    cutting = tuple(sorted({chain[k].element for k in halves}))
    lenses = [k for k, step in enumerate(chain) if step.power(axis)]
    if not halves and w040_um and lenses:
        halves = {lenses[-1]: _LIT_BEAM * stations[lenses[-1]].beam.radius_um * 1e-3}
    if not halves:
        return None
    wavelength_mm = train.wavelength_nm * 1e-6 * train.beam_quality(axis)
    groups = _merge(halves, chain, axis, wavelength_mm)
    here, half = groups[0]
    station = stations[here]
    onward = _matrix(chain, here, groups[1][0] if len(groups) > 1 else len(chain), axis)
    edge = min(half / (station.beam.radius_um * 1e-3), _LIT_BEAM)
    bends = 4 * abs(w040_um) * 1e-3 / (train.wavelength_nm * 1e-6) * edge**4
    x, weight = _nodes(station, half, onward, wavelength_mm, groups[1:], bends)
    field = _gaussian(x, station, wavelength_mm)
    radius_mm = station.beam.radius_um * 1e-3
    ahead = w040_um * 1e-3 * (x / radius_mm) ** 4
    field = field * np.exp(-2j * np.pi * ahead / (train.wavelength_nm * 1e-6))
    for place, (there, half_there) in enumerate(groups[1:], start=1):
        onward = _matrix(chain, here, there, axis)
        after = groups[place + 1 :]
        ahead_of = _matrix(chain, there, after[0][0] if after else len(chain), axis)
        y, weight_y = _nodes(stations[there], half_there, ahead_of, wavelength_mm, after, 0.0)
        field = _collins(x, field * weight, y, onward, chain[here].index, wavelength_mm)
        x, weight, here = y, weight_y, there
    return Opening(
        x,
        field * weight,
        _matrix(chain, here, len(chain), axis),
        chain[here].index,
        wavelength_mm,
        float(np.sum(np.abs(field) ** 2 * weight)),
        stations[here].beam.convergence_per_mm * chain[here].index,
        cutting,
    )


def _merge(
    halves: dict[int, float], chain: tuple[Step, ...], axis: Axis, wavelength_mm: float
) -> list[tuple[int, float]]:
    """Join openings so near to each other that no diffraction happens between them."""
    order = sorted(halves)
    groups = [(order[0], halves[order[0]])]
    for k in order[1:]:
        first, half = groups[-1]
        onward = _matrix(chain, first, k, axis)
        reduced = abs(onward[0, 1]) / chain[first].index
        if reduced == 0 or half * halves[k] / (wavelength_mm * reduced) > _SAME_PLANE:
            groups[-1] = (first, min(half, halves[k] / abs(onward[0, 0])))
        else:
            groups.append((k, halves[k]))
    return groups


def _matrix(chain: tuple[Step, ...], start: int, stop: int, axis: Axis) -> Matrix:
    total = np.eye(2)
    for step in chain[start:stop]:
        total = step_matrix(step, axis) @ total
    return total


def _nodes(
    station: Station,
    half_mm: float,
    onward: Matrix,
    wavelength_mm: float,
    after: list[tuple[int, float]],
    bends: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Gauss-Legendre nodes enough for what the field meets next."""
    reach = min(half_mm, _WHOLE_BEAM * station.beam.radius_um * 1e-3)
    reduced = abs(onward[0, 1]) / station.beam.index
    if not after or reduced == 0:
        return panels(_count(96 + bends), reach)
    residual = abs(onward[0, 0] / reduced - station.beam.convergence_per_mm * station.beam.index)
    fringes = (residual * reach**2 + 2 * reach * after[0][1] / reduced) / wavelength_mm
    return panels(_count(fringes + bends), reach)


def _count(fringes: float) -> int:
    nodes = 128 + 4 * math.ceil(fringes)
    if nodes > _MOST_NODES:
        raise RangeProblem(
            "Too many fringes cross an opening for its diffraction to be worked out.",
            got=f"{fringes:.0f} fringes",
            expected=f"up to {(_MOST_NODES - 128) // 4}",
        )
    return nodes


def _gaussian(x: NDArray[np.float64], at: Station, wavelength_mm: float) -> NDArray[np.complex128]:
    w = at.beam.radius_um * 1e-3
    phase = -np.pi * at.beam.index * at.beam.convergence_per_mm / wavelength_mm * x**2
    return np.asarray((2 / np.pi) ** 0.25 / math.sqrt(w) * np.exp(-((x / w) ** 2) + 1j * phase))


def _collins(
    x: NDArray[np.float64],
    weighted: NDArray[np.complex128],
    there: NDArray[np.float64],
    onward: Matrix,
    index: float,
    wavelength_mm: float,
) -> NDArray[np.complex128]:
    # reduced matrix on (x, n θ): A, B/n, C n', D n'/n; n' follows from the determinant n/n'
    a, b = onward[0]
    index_there = index / float(np.linalg.det(onward))
    b, d = b / index, onward[1, 1] * index_there / index
    if abs(b) < 1e-12:
        raise RangeProblem(
            "An opening is imaged sharply onto the plane asked for.",
            do="move the plane by a Rayleigh range, or treat the opening's image as the edge",
        )
    turn = np.pi / (wavelength_mm * b)
    inner = weighted * np.exp(1j * turn * a * x**2)
    kernel = np.exp(-2j * turn * np.multiply.outer(there, x))
    scale = np.exp(1j * turn * d * there**2) / np.sqrt(complex(0, wavelength_mm * b))
    return np.asarray(scale * (kernel @ inner))
