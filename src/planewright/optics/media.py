"""Refractive index of what the cell is filled with."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.base.problems import RangeProblem

_AIR_INDEX = 1.000277  # visible light, 15 °C, one atmosphere; enough to change the reference

_R9_97 = (
    0.244257733,
    9.74634476e-3,
    -3.73234996e-3,
    2.68678472e-4,
    1.58920570e-3,
    2.45934259e-3,
    0.900704920,
    -1.66626219e-2,
)
_R9_97_UV = 0.2292020
_R9_97_IR = 5.432937


def water_density(temperature_degc: ArrayLike) -> NDArray[np.float64]:
    """Return the density of air-free pure water at one atmosphere.

    Parameters
    ----------
    temperature_degc : array_like
        Temperature, °C, 0 to 40.

    Returns
    -------
    ndarray
        Density, kg/m³.

    Raises
    ------
    RangeProblem
        If a temperature lies outside 0 to 40 °C.

    References
    ----------
    .. [1] M. Tanaka et al., Metrologia 38, 301 (2001), equation 1.
    """
    t = np.asarray(temperature_degc, dtype=np.float64)
    if np.any((t < 0) | (t > 40)):
        raise RangeProblem(
            "Water's density is known here only from 0 to 40 °C.",
            got=f"{float(t.min()):g} to {float(t.max()):g} °C",
            expected="0 to 40 °C",
        )
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def water_index(
    wavelength_nm: ArrayLike,
    *,
    temperature_degc: float = 20.0,
    density_kg_m3: float | None = None,
) -> NDArray[np.float64]:
    """Return the absolute refractive index of pure water.

    Parameters
    ----------
    wavelength_nm : array_like of shape (N,)
        Wavelength in vacuum, nm, 200 to 1100.
    temperature_degc : float
        Temperature, °C.
    density_kg_m3 : float or None
        Density; None takes it from the temperature at one atmosphere.

    Returns
    -------
    ndarray of shape (N,)
        Refractive index against vacuum.

    Raises
    ------
    RangeProblem
        If a wavelength lies outside the formula's range.

    References
    ----------
    .. [1] IAPWS R9-97, Release on the Refractive Index of Ordinary Water Substance (1997), eq. 1.
    """
    nm = np.asarray(wavelength_nm, dtype=np.float64)
    if np.any((nm < 200) | (nm > 1100)):
        raise RangeProblem(
            "Water's index is known here only for 200 to 1100 nm.",
            got=f"{float(nm.min()):g} to {float(nm.max()):g} nm",
            expected="200 to 1100 nm",
        )
    if density_kg_m3 is None:
        density_kg_m3 = float(water_density(temperature_degc))
    rho = density_kg_m3 / 1000.0
    t = (temperature_degc + 273.15) / 273.15
    lam2 = (nm / 589.0) ** 2
    a = _R9_97
    lorentz = rho * (
        a[0]
        + a[1] * rho
        + a[2] * t
        + a[3] * lam2 * t
        + a[4] / lam2
        + a[5] / (lam2 - _R9_97_UV**2)
        + a[6] / (lam2 - _R9_97_IR**2)
        + a[7] * rho**2
    )
    return np.sqrt((1 + 2 * lorentz) / (1 - lorentz))


def sea_water_index(
    wavelength_nm: ArrayLike, *, temperature_degc: float = 16.0, salinity_g_kg: float = 35.0
) -> NDArray[np.float64]:
    """Return the absolute refractive index of sea water.

    Parameters
    ----------
    wavelength_nm : array_like of shape (N,)
        Wavelength in vacuum, nm, 400 to 700.
    temperature_degc : float
        Temperature, °C, 0 to 30.
    salinity_g_kg : float
        Salinity, g/kg, 0 to 35.

    Returns
    -------
    ndarray of shape (N,)
        Refractive index against vacuum.

    Raises
    ------
    RangeProblem
        If an argument lies outside the formula's range.

    References
    ----------
    .. [1] X. Quan and E. S. Fry, Applied Optics 34, 3477 (1995), equation 3 (against air).
    """
    nm = np.asarray(wavelength_nm, dtype=np.float64)
    t, s = temperature_degc, salinity_g_kg
    if np.any((nm < 400) | (nm > 700)) or not 0 <= t <= 30 or not 0 <= s <= 35:
        raise RangeProblem(
            "Sea water's index is known here only inside the range of its formula.",
            got=f"{float(nm.min()):g} to {float(nm.max()):g} nm, {t:g} °C, {s:g} g/kg",
            expected="400 to 700 nm, 0 to 30 °C, 0 to 35 g/kg",
        )
    against_air = (
        1.31405
        + (1.779e-4 - 1.05e-6 * t + 1.6e-8 * t**2) * s
        - 2.02e-6 * t**2
        + (15.868 + 0.01155 * s - 0.00423 * t) / nm
        - 4382.0 / nm**2
        + 1.1455e6 / nm**3
    )
    return against_air * _AIR_INDEX


def medium_index(medium: str, wavelength_nm: float, *, temperature_degc: float) -> float:
    """Return the index of a cell medium by its name.

    Parameters
    ----------
    medium : str
        ``"water"``, ``"sea water"`` or ``"air"``.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    temperature_degc : float
        Temperature, °C.

    Returns
    -------
    float
        Refractive index against vacuum.

    Raises
    ------
    RangeProblem
        If the medium is not known, or an argument lies outside its formula's range.
    """
    match medium:
        case "water":
            return float(water_index(wavelength_nm, temperature_degc=temperature_degc))
        case "sea water":
            return float(sea_water_index(wavelength_nm, temperature_degc=temperature_degc))
        case "air":
            return _AIR_INDEX
    raise RangeProblem(
        "This medium's index is not known.", got=medium, expected="water, sea water or air"
    )
