"""The widths by which a Gaussian beam is stated, in terms of each other; light lost at surfaces."""

from __future__ import annotations

import math

from scipy.special import erfinv

from planewright.base.problems import RangeProblem

SIGMA_OF_RADIUS = 0.5  # the standard deviation; the standards' second-moment width is 4σ = 2w


def knife_edge_um(radius_um: float, *, low: float = 0.1, high: float = 0.9) -> float:
    """Return how far a knife edge travels between two fractions of a Gaussian beam's power.

    Parameters
    ----------
    radius_um : float
        1/e² radius, µm.
    low, high : float
        Fractions of the power, 0 to 1.

    Returns
    -------
    float
        Travel, µm.

    Raises
    ------
    RangeProblem
        If the fractions are not in order between 0 and 1.
    """
    if not 0 < low < high < 1:
        raise RangeProblem(
            "These fractions of a beam's power are not possible.",
            got=f"{low:g} and {high:g}",
            expected="0 < low < high < 1",
        )
    return radius_um / math.sqrt(2.0) * float(erfinv(2 * high - 1) - erfinv(2 * low - 1))


def power_within(half_um: float, *, radius_um: float) -> float:
    """Return the fraction of a beam's power within a distance of its middle, in one axis.

    Parameters
    ----------
    half_um : float
        Distance to each side, µm.
    radius_um : float
        1/e² radius, µm.

    Returns
    -------
    float
        0 to 1.
    """
    if not (half_um >= 0 and radius_um > 0):
        raise RangeProblem("A width must be positive.", got=f"{half_um:g} and {radius_um:g} µm")
    return math.erf(math.sqrt(2.0) * half_um / radius_um)


def reflected_fraction(index: float, index_after: float) -> float:
    """Return the light that a bare surface square to it sends back.

    Parameters
    ----------
    index, index_after : float
        Indices before and after.

    Returns
    -------
    float
        Fraction of the power, ``((n1 − n2)/(n1 + n2))²``; a coated surface sends back less.
    """
    if not (index >= 1 and index_after >= 1):
        raise RangeProblem("An index is not possible.", got=f"{index:g}, {index_after:g}")
    return ((index - index_after) / (index + index_after)) ** 2
