"""Refractive indices against the releases that define them."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.media import medium_index, sea_water_index, water_density, water_index


@pytest.mark.parametrize(
    ("wavelength_um", "temperature_k", "density", "index"),
    [
        # Table of check values in IAPWS R9-97 (as carried by implementations that cite it).
        (0.2265, 298.15, 997.047435, 1.39277824),
        (0.5893, 298.15, 997.047435, 1.33285819),
        (0.5893, 773.15, 30.4758534, 1.00949307),
    ],
)
def test_water_equals_the_release(wavelength_um, temperature_k, density, index):
    got = water_index(
        wavelength_um * 1e3, temperature_degc=temperature_k - 273.15, density_kg_m3=density
    )
    assert float(got) == pytest.approx(index, abs=5e-9)


@pytest.mark.parametrize(
    ("temperature", "density"), [(10, 999.7027), (20, 998.2067), (30, 995.6488)]
)
def test_density_equals_the_table(temperature, density):
    # Tanaka et al., Metrologia 38, 301 (2001): recommended table; values from memory.
    assert float(water_density(temperature)) == pytest.approx(density, abs=2e-4)


@pytest.mark.parametrize(
    ("wavelength_nm", "index"), [(405, 1.34984), (488, 1.34396), (589.3, 1.33978), (685, 1.33718)]
)
def test_sea_water_against_vacuum(wavelength_nm, index):
    # Worked from Quan and Fry (1995) at 35 g/kg and 20 °C, times the index of air, which itself
    # varies by 1e-5 over the visible; hence the tolerance.
    got = sea_water_index(wavelength_nm, temperature_degc=20.0)
    assert float(got) == pytest.approx(index, abs=1.5e-5)


def test_fresh_water_by_both_formulas():
    # Two independent measurements of the same liquid: R9-97 and Quan and Fry without salt.
    nm = np.array([450.0, 500.0, 550.0, 600.0, 650.0])
    fresh = sea_water_index(nm, temperature_degc=20.0, salinity_g_kg=0.0)
    assert np.abs(fresh - water_index(nm, temperature_degc=20.0)).max() < 5e-5


def test_outside_the_range_is_refused():
    with pytest.raises(RangeProblem, match="200 to 1100 nm"):
        water_index(0.488)
    with pytest.raises(RangeProblem, match="not known"):
        medium_index("treacle", 488.0, temperature_degc=20.0)
