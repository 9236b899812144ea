"""Widths of Gaussian beams, relays and bare surfaces, at the digits of worked values (computed)."""

from __future__ import annotations

import math

import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Gap, Lens, Train
from planewright.optics.gauss import FWHM_OF_RADIUS, end_beam
from planewright.optics.widths import (
    SIGMA_OF_RADIUS,
    knife_edge_um,
    power_within,
    reflected_fraction,
)


@pytest.mark.parametrize(("low", "printed"), [(0.1, 1.2816), (0.2, 0.8416)])
def test_knife_edges(low, printed):
    assert knife_edge_um(1.0, low=low, high=1 - low) == pytest.approx(printed, abs=5e-5)


def test_knife_edge_of_one_sigma():
    # 16 to 84 % is one radius if the fractions are those of one sigma, 15.866 and 84.134 %
    tail = 0.5 * math.erfc(1 / math.sqrt(2))
    assert knife_edge_um(1.0, low=tail, high=1 - tail) == pytest.approx(1.0, abs=5e-5)
    assert knife_edge_um(1.0, low=0.16, high=0.84) == pytest.approx(1.0, abs=6e-3)


def test_power_inside():
    assert power_within(FWHM_OF_RADIUS / 2, radius_um=1.0) == pytest.approx(0.7610, abs=5e-5)
    assert power_within(1.0, radius_um=1.0) == pytest.approx(0.9545, abs=5e-5)
    assert 4 * SIGMA_OF_RADIUS == 2.0


@pytest.mark.parametrize(
    ("before", "after", "percent", "digits"),
    [(1.0, 1.52, 4.26, 5e-3), (1.52, 1.3336, 0.427, 5e-4), (1.0, 1.333, 2.04, 5e-3)],
)
def test_bare_surfaces(before, after, percent, digits):
    assert 100 * reflected_fraction(before, after) == pytest.approx(percent, abs=digits)


def test_a_relay_scales_beam_aperture_and_depth():
    # afocal relay f1, f2: beam × f2/f1, NA × f1/f2, shifts along × (f2/f1)²
    f1, f2 = 65.0, 25.0

    def after(shift: float) -> Train:
        focus = (Lens(30), Gap(30 + shift))
        return Train(488, 1, 1, (*focus, Gap(f1), Lens(f1), Gap(f1 + f2), Lens(f2), Gap(f2)))

    before = end_beam(Train(488, 1, 1, (Lens(30), Gap(30))), "z")
    here, moved = end_beam(after(0.0), "z"), end_beam(after(1.0), "z")
    assert here.waist_um / before.waist_um == pytest.approx(f2 / f1, rel=1e-9)
    assert here.numerical_aperture / before.numerical_aperture == pytest.approx(f1 / f2, rel=1e-9)
    assert (here.to_waist_um - moved.to_waist_um) == pytest.approx(1e3 * (f2 / f1) ** 2, rel=1e-9)
    assert f1 / f2 == pytest.approx(2.6)


def test_refusals():
    with pytest.raises(RangeProblem, match="fractions"):
        knife_edge_um(1.0, low=0.9, high=0.1)
    with pytest.raises(RangeProblem, match="width"):
        power_within(-1.0, radius_um=1.0)
    with pytest.raises(RangeProblem, match="index"):
        reflected_fraction(0.5, 1.0)
