"""How much wider edges and spherical aberration make a sheet: tables for ranking."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# growth of the FWHM by a slit, against beam over slit: what `slit_focus` gives at these places
_CUT_AT = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0)
_CUT_GROWTH = (
    *(1.0, 1.0014, 1.0148, 1.0518, 1.1109, 1.1863, 1.2726),
    *(1.3663, 1.6202, 1.8896, 2.4496, 3.602, 4.7696),
)
_WAVES = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0])
_AWAY = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0])
_REACH = 2.6  # radii of the pupil that is followed


def cut_waist(truncation: Floats) -> Floats:
    """Return by how much a slit widens the waist."""
    return np.asarray(np.interp(truncation, _CUT_AT, _CUT_GROWTH))


def bent_waist(waves: Floats) -> Floats:
    """Return by how much aberration widens the sheet where it is brightest.

    Parameters
    ----------
    waves : ndarray
        W040 at the 1/e² radius, in wavelengths, 0 or more.

    Returns
    -------
    ndarray
        Over the FWHM of a perfect waist; beyond four waves in proportion to them.
    """
    far = np.maximum(waves / _WAVES[-1], 1.0)
    return np.asarray(np.interp(waves, _WAVES, _tables()[0]) * far)


def bent_edge(waves: Floats, away: Floats) -> Floats:
    """Return by how much aberration widens the sheet away from its waist, to the worse side.

    Parameters
    ----------
    waves : ndarray
        As in `bent_waist`.
    away : ndarray
        Distance from where the light is brightest, in Rayleigh ranges of the perfect beam.

    Returns
    -------
    ndarray
        Over the FWHM of the perfect beam at that distance.
    """
    table = _tables()[1]
    row = np.interp(waves, _WAVES, np.arange(len(_WAVES)))
    column = np.interp(away, _AWAY, np.arange(len(_AWAY)))
    i = np.minimum(row.astype(int), len(_WAVES) - 2)
    j = np.minimum(column.astype(int), len(_AWAY) - 2)
    a, b = row - i, column - j
    low = (1 - b) * table[i, j] + b * table[i, j + 1]
    high = (1 - b) * table[i + 1, j] + b * table[i + 1, j + 1]
    return np.asarray(((1 - a) * low + a * high) * np.maximum(waves / _WAVES[-1], 1.0))


@cache
def _tables() -> tuple[Floats, Floats]:
    """Return the growth at the waist, and that at distances from it, for each aberration."""
    waist, edge = np.ones(len(_WAVES)), np.ones((len(_WAVES), len(_AWAY)))
    for k, waves in enumerate(_WAVES):
        pupil = _Pupil(float(waves))
        best = pupil.best()
        perfect = _PERFECT_FWHM * np.hypot(1.0, _AWAY)
        sides = [[pupil.fwhm(best + sign * u) for u in _AWAY] for sign in (-1, 1)]
        edge[k] = np.max(sides, axis=0) / perfect
        waist[k] = edge[k, 0]
    return waist, edge


_PERFECT_FWHM = float(np.sqrt(2.0 * np.log(2.0)))  # in waist radii


class _Pupil:
    """A Gaussian pupil with a quartic phase; lengths in waist radii and Rayleigh ranges."""

    def __init__(self, waves: float) -> None:
        self.waves = waves
        # half a pupil: the light is even, and its steps even too, so the trapezium rule is exact
        self.rho = np.linspace(0.0, _REACH, 120 + int(120 * waves))
        self.rho2 = self.rho**2
        self.lit = np.exp(-self.rho2 - 2j * np.pi * waves * self.rho2**2)
        self.lit[0] *= 0.5

    def best(self) -> float:
        """Return where the light in the middle is brightest."""
        places = np.linspace(-28.0 * self.waves**0.5 - 0.5, 0.5, 400)
        turned = np.exp(-1j * np.multiply.outer(places, self.rho2)) @ self.lit
        return float(places[np.argmax(np.abs(turned))]) if self.waves else 0.0

    def fwhm(self, along: float) -> float:
        """Return the outermost full width at half of the largest light."""
        across = np.linspace(0.0, 2.0 * np.hypot(1.0, along) + 2.0, 121)
        wave = np.cos(2.0 * np.multiply.outer(across, self.rho)) @ (
            self.lit * np.exp(-1j * along * self.rho2)
        )
        light = np.abs(wave) ** 2
        half = 0.5 * light.max()
        out = min(int(np.flatnonzero(light >= half)[-1]), len(light) - 2)
        drop = (light[out] - half) / (light[out] - light[out + 1])
        return float(2.0 * (across[out] + drop * (across[1] - across[0])))
