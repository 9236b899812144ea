"""The focus of a Gaussian beam with spherical aberration, in one axis, in units of the beam itself.

Quick: a search over many lenses can ask for it once per train, or once per table of waves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from planewright.base.problems import RangeProblem
from planewright.optics.quadrature import panels


@dataclass(frozen=True)
class AberratedFocus:
    """What spherical aberration makes of a focus in one axis.

    Parameters
    ----------
    growth : float
        FWHM where the light is brightest, over that without aberration.
    shift_rayleigh : float
        How far that place lies beyond the paraxial one, in Rayleigh ranges; negative before it.
    depth_growth : float
        Distance over which the FWHM grows by √2 (the mean of both sides), over that without
        aberration.
    strehl : float
        Brightness there over that without aberration.
    """

    growth: float
    shift_rayleigh: float
    depth_growth: float
    strehl: float


def aberrated_focus(waves: float, *, edge_radii: float = math.inf) -> AberratedFocus:
    """Return what spherical aberration makes of the focus of a Gaussian beam, in one axis.

    Parameters
    ----------
    waves : float
        W040 at the 1/e² radius, in wavelengths (divided by M²).
    edge_radii : float
        Where a slit far from the focus cuts the beam, in 1/e² radii.

    Returns
    -------
    AberratedFocus
        By the diffraction integral over the pupil.

    Raises
    ------
    RangeProblem
        If there is more than 10 waves of aberration: the focus is no longer one line.
    """
    if not abs(waves) <= 10:
        raise RangeProblem(
            "There is too much spherical aberration for a thin sheet.",
            got=f"{waves:.1f} waves at the beam's 1/e² radius",
            expected="a quarter of a wave; at most 10 for this estimate",
            do="turn the lens round, use an achromat, or a narrower beam or longer focal length",
        )
    plain, bent = _Pupil(0.0, edge_radii), _Pupil(waves, edge_radii)
    at_plain, at_bent = plain.best(), bent.best()
    wide_plain, wide_bent = plain.fwhm(at_plain), bent.fwhm(at_bent)
    return AberratedFocus(
        wide_bent / wide_plain,
        at_bent - at_plain,
        bent.depth(at_bent) / plain.depth(at_plain),
        bent.height(at_bent) / plain.height(at_plain),
    )


class _Pupil:
    """A Gaussian pupil with a quartic phase; lengths in waist radii and Rayleigh ranges."""

    def __init__(self, waves: float, edge_radii: float) -> None:
        reach = min(edge_radii, 3.6)
        self.rho, weight = panels(240 + 96 * math.ceil(abs(waves)), reach)
        phase = -2.0 * np.pi * waves * self.rho**4
        self.lit = weight * np.exp(-(self.rho**2) + 1j * phase)
        self.waves, self.reach = waves, reach

    def field(self, across: NDArray[np.float64], along: float) -> NDArray[np.complex128]:
        turned = self.lit * np.exp(-1j * along * self.rho**2)
        return np.asarray(np.cos(2.0 * np.multiply.outer(across, self.rho)) @ turned)

    def height(self, along: float) -> float:
        return float(abs(self.field(np.zeros(1), along)[0]) ** 2)

    def best(self) -> float:
        # the rays at ρ cross at −4π W ρ²: the focus lies between the paraxial and that of ρ ~ 1.5
        far = -4.0 * math.pi * self.waves * min(self.reach, 1.5) ** 2
        places = np.linspace(min(far, 0) - 1.0, max(far, 0) + 1.0, 121)
        heights = [self.height(float(p)) for p in places]
        k = int(np.argmax(heights))
        low, high = places[max(k - 1, 0)], places[min(k + 1, 120)]
        found = minimize_scalar(lambda p: -self.height(p), bounds=(low, high), method="bounded")
        return float(found.x)

    def fwhm(self, along: float) -> float:
        reach = 6.0
        while True:
            across = np.linspace(0.0, reach, 97)
            light = np.abs(self.field(across, along)) ** 2
            # outermost crossing of half the peak: a line with bright wings is as wide as its wings
            out = int(np.flatnonzero(light >= 0.5 * light.max())[-1])
            if out < 64:
                break
            reach *= 2.0
        fine = np.linspace(across[out], across[out + 1], 9)
        there = np.abs(self.field(fine, along)) ** 2
        return 2.0 * float(np.interp(-0.5 * light.max(), -there, fine))

    def depth(self, best: float) -> float:
        narrow = self.fwhm(best) * math.sqrt(2.0)

        def side(sign: int) -> float:
            far = 0.25
            while self.fwhm(best + sign * far) < narrow:
                far *= 1.5
            return float(brentq(lambda d: self.fwhm(best + sign * d) - narrow, 0.0, far, rtol=1e-3))

        return 0.5 * (side(-1) + side(1))
