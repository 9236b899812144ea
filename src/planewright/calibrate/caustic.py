"""Width of a beam along its way: waist, Rayleigh range and beam quality from measured widths."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from planewright.base.problems import RangeProblem
from planewright.calibrate.fitting import clustered, robust_fit, student_factor
from planewright.calibrate.results import Estimate, Result, check_range, measured, missing

Floats = NDArray[np.float64]

FWHM_OF_RADIUS = math.sqrt(2.0 * math.log(2.0))
LEAST_RAYLEIGH = 4.0  # lengths of z_R that a field must cover to tell the beam quality
LARGEST_AMPLIFICATION = 10.0
FEWEST_WIDTHS = 10  # ISO 11146 (from memory)


def knife_edge_factor(low: float, high: float) -> float:
    """Return the way of a knife edge between two shares of power, in 1/e² radii.

    Parameters
    ----------
    low, high : float
        Shares of the power, 0 to 1.

    Returns
    -------
    float
        Divide the way measured by it to get w of a Gaussian beam.

    Raises
    ------
    RangeProblem
        If the shares are not two growing numbers between 0 and 1.
    """
    check_range(low, "low", 0.0, high, open_low=True)
    if not low < high < 1:
        raise RangeProblem("The shares of power are not possible.", got=f"{low:g} and {high:g}")
    return float(ndtri(high) - ndtri(low)) / 2.0


@dataclass(frozen=True)
class Caustic(Result):
    """Waist and spread of a beam.

    Parameters
    ----------
    ok : bool
        Whether there is a waist.
    waist_radius : Estimate
        1/e² radius at the waist, µm.
    waist_fwhm : Estimate
        FWHM there, µm.
    position : Estimate
        Where the waist is, µm, in the coordinate of the widths.
    rayleigh : Estimate
        Rayleigh range in the medium, µm.
    beam_quality : Estimate
        M². Without a value where it is undetermined or impossible.
    verdict : str
        "measured", "undetermined" or "impossible": what can be said of the beam quality.
    covered : float
        Length over which there are widths, in Rayleigh ranges.
    amplification : float
        How many times the relative error of the mean width counts in the Rayleigh range.
    widths : int
        How many widths went in.
    why : str
        Why not, where ``ok`` is false.
    """

    ok: bool
    waist_radius: Estimate
    waist_fwhm: Estimate
    position: Estimate
    rayleigh: Estimate
    beam_quality: Estimate
    verdict: str
    covered: float = 0.0
    amplification: float = math.inf
    widths: int = 0
    why: str = ""


def no_caustic(why: str) -> Caustic:
    """Return the lack of a caustic, with its reason."""
    um = missing("um", why)
    return Caustic(False, um, um, um, um, missing("", why), "undetermined", why=why)


def fit_caustic(
    along_um: Floats,
    radius_um: Floats,
    *,
    wavelength_nm: float,
    index: float,
    weight: Floats | None = None,
    cluster: NDArray[np.intp] | None = None,
    along_relative_sigma: float = 0.0,
    across_relative_sigma: float = 0.0,
) -> Caustic:
    """Fit the square of a beam's width along its way by a parabola.

    Parameters
    ----------
    along_um : array of shape (N,)
        Places along the light, µm.
    radius_um : array of shape (N,)
        1/e² radius (twice the standard deviation) there, µm.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    index : float
        Index of the medium.
    weight : array of shape (N,) or None
        Relative inverse variance of the relative error of each radius.
    cluster : array of shape (N,), int, or None
        Number of the group within which errors may be alike.
    along_relative_sigma, across_relative_sigma : float
        Standard uncertainty of the scale along the light and across it, as fractions.

    Returns
    -------
    Caustic
        No waist where the sheet does not widen within the field, or the waist lies outside it.

    Notes
    -----
    ``d² = a + b x + c x²`` with ``d = 2 w``; ``x0 = -b / 2c``, ``d0 = sqrt(4ac - b²) / 2 sqrt(c)``,
    ``z_R = sqrt(4ac - b²) / 2c``, ``M² = pi sqrt(4ac - b²) / 8 lambda`` [1]_.

    References
    ----------
    .. [1] ISO 11146-1, hyperbolic fit (from memory).
    """
    count = len(along_um)
    if count < FEWEST_WIDTHS:
        return no_caustic(f"only {count} widths could be measured; it takes {FEWEST_WIDTHS}")
    x = np.asarray(along_um, dtype=np.float64)
    square = (2.0 * np.asarray(radius_um, dtype=np.float64)) ** 2
    middle = 0.5 * float(x.min() + x.max())
    half = 0.5 * float(np.ptp(x))
    if not half > 0:
        return no_caustic("all widths stand at one place")
    u = (x - middle) / half
    design = np.stack([np.ones_like(u), u, u**2], axis=1)
    base = np.ones(count) if weight is None else np.asarray(weight, dtype=np.float64)
    model = np.full(count, float(np.median(square)))
    floor = 0.2 * float(square.min())
    for _ in range(4):
        fit = robust_fit(design, square, base / model**2, rounds=8)
        model = np.maximum(design @ fit.value, floor)
    covariance = fit.covariance * student_factor(count - 3) ** 2
    if cluster is not None:
        groups = len(np.unique(cluster))
        grouped = clustered(fit, design, cluster) * student_factor(groups - 3) ** 2
        if np.trace(grouped) > np.trace(covariance):
            covariance = grouped
    a, b, c = (float(value) for value in fit.value)
    if not c > 2.0 * math.sqrt(covariance[2, 2]) or not 4 * a * c > b**2:
        return no_caustic("the sheet does not widen within the field: its waist cannot be told")
    if abs(b / (2 * c)) > 1.0 + 2.0 * _sigma(_position_slopes(b, c), covariance):
        side = "before" if b > 0 else "behind"
        return no_caustic(f"the waist lies {side} the field: shift it into the field and repeat")
    relative = design.T @ (design * (fit.weight > 0)[:, None] / model[:, None] ** 2)
    unit = 4.0 * np.linalg.inv(relative) * np.count_nonzero(fit.weight)
    return _derived(
        (a, b, c), covariance, unit, (middle, half), (wavelength_nm, index),
        (along_relative_sigma, across_relative_sigma), count,
    )  # fmt: skip


def _position_slopes(b: float, c: float) -> Floats:
    return np.array([0.0, -1 / (2 * c), b / (2 * c**2)])


def _sigma(slopes: Floats, covariance: Floats) -> float:
    return math.sqrt(max(0.0, float(slopes @ covariance @ slopes)))


def _derived(
    abc: tuple[float, float, float],
    covariance: Floats,
    unit: Floats,
    frame: tuple[float, float],
    light: tuple[float, float],
    scales: tuple[float, float],
    count: int,
) -> Caustic:
    a, b, c = abc
    middle, half = frame
    wavelength_nm, index = light
    along, across = scales
    root = 4 * a * c - b**2
    log_root = np.array([4 * c, -2 * b, 4 * a]) / root
    log_c = np.array([0.0, 0.0, 1.0 / c])
    radius = 0.25 * math.sqrt(root / c)
    rayleigh = 0.5 * math.sqrt(root) / c * half
    quality = math.pi * math.sqrt(root) / half / 8.0 / (wavelength_nm * 1e-3 / index)
    radius_sigma = math.hypot(_sigma(0.5 * log_root - 0.5 * log_c, covariance), across)
    rayleigh_sigma = math.hypot(_sigma(0.5 * log_root - log_c, covariance), along)
    quality_sigma = math.hypot(_sigma(0.5 * log_root, covariance), 2 * across, along)
    amplification = _sigma(0.5 * log_root - log_c, unit)
    position = middle - b / (2 * c) * half
    place_sigma = _sigma(_position_slopes(b, c), covariance) * half
    covered = 2 * half / rayleigh
    length = measured(rayleigh, rayleigh * rayleigh_sigma, "um")
    if amplification > LARGEST_AMPLIFICATION:
        length = missing(
            "um",
            f"the field covers too little of it: an error of the widths counts {amplification:.0f} "
            "times",
        )
    beam, verdict = _quality(quality, quality * quality_sigma, covered)
    return Caustic(
        True,
        measured(radius, radius * radius_sigma, "um"),
        measured(FWHM_OF_RADIUS * radius, FWHM_OF_RADIUS * radius * radius_sigma, "um"),
        measured(position, math.hypot(place_sigma, along * abs(position)), "um"),
        length,
        beam,
        verdict,
        covered,
        amplification,
        count,
    )


def _quality(value: float, sigma: float, covered: float) -> tuple[Estimate, str]:
    if covered < LEAST_RAYLEIGH:
        why = f"undetermined: the field covers {covered:.1f} Rayleigh ranges, and it takes four"
        return missing("", why), "undetermined"
    if value + 2.0 * sigma < 1.0:
        why = (
            f"impossible: it would be {value:.2f} ± {sigma:.2f}, and no beam is better than 1; "
            "look for a wrong pixel, step, wavelength or index"
        )
        return missing("", why), "impossible"
    return measured(value, sigma, ""), "measured"
