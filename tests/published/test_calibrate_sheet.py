"""Widths, the caustic and its figures against formulas, tables and other libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from planewright.calibrate.caustic import FWHM_OF_RADIUS, fit_caustic, knife_edge_factor
from planewright.calibrate.dye import second_moment_radius

AT = np.array([-2.5, -2, -0.8, -0.4, 0, 0.4, 0.8, 2, 2.5, 3])  # Rayleigh ranges


# Computed from the ISO 11146 relations (from memory): lambda 0.532 µm in air, M² 1.2, d0 20 µm,
# z0 1500 µm give z_R = pi d0² / (4 M² lambda) = 492.1041 µm. Free of noise: rounding alone is left.
def test_caustic_free_of_noise():
    rayleigh = math.pi * 20**2 / (4 * 1.2 * 0.532)
    assert rayleigh == pytest.approx(492.1041, abs=5e-5)
    assert 20 / rayleigh == pytest.approx(40.642e-3, abs=5e-7)  # the full angle, rad
    z = 1500 + AT * rayleigh
    # a + b z + c z² of the same beam, at the digits given
    square = 4116.4519 - 4.9552693 * z + 1.6517564e-3 * z**2
    radius = 10 * np.hypot(1, AT)
    assert 2 * radius == pytest.approx(np.sqrt(square), rel=2e-5)
    found = fit_caustic(z, radius, wavelength_nm=532, index=1.0)
    assert found.position.value == pytest.approx(1500, rel=1e-9)
    assert found.waist_radius.value == pytest.approx(10, rel=1e-9)
    assert found.waist_fwhm.value == pytest.approx(10 * FWHM_OF_RADIUS, rel=1e-9)
    assert found.rayleigh.value == pytest.approx(rayleigh, rel=1e-9)
    assert found.beam_quality.value == pytest.approx(1.2, rel=1e-9)
    assert found.covered == pytest.approx(5.5)


def test_the_medium_counts():
    """The wavelength in the medium decides: the same widths in water are a better beam."""
    radius = 10 * np.hypot(1, AT)
    dry, wet = (
        fit_caustic(AT * 492.1041, radius, wavelength_nm=532, index=n).beam_quality.value
        for n in (1.0, 1.3354)
    )
    assert wet / dry == pytest.approx(1.3354, rel=1e-12)


# Computed from the normal distribution: w is two standard deviations. 16 to 84 % is often rounded
# to one w; exactly that is 15.866 to 84.134 %.
@pytest.mark.parametrize(
    ("low", "high", "factor"),
    [(0.1, 0.9, 1.2816), (0.2, 0.8, 0.8416), (0.158655, 0.841345, 1.0), (0.16, 0.84, 0.9945)],
)
def test_knife_edge(low, high, factor):
    assert knife_edge_factor(low, high) == pytest.approx(factor, abs=5e-5)


def test_width_conversions():
    assert pytest.approx(1.17741, abs=5e-6) == FWHM_OF_RADIUS
    # power within the FWHM and within 2 w of a Gaussian in one axis, from scipy's distribution
    inside = scipy.stats.norm.cdf(FWHM_OF_RADIUS) * 2 - 1
    assert inside == pytest.approx(0.7610, abs=5e-5)


def ellipse(seed=4, noise=0.3):
    y, x = np.mgrid[:240, :300].astype(float)
    light = 900 * np.exp(-2 * (((x - 141.3) / 20) ** 2 + ((y - 117.6) / 12) ** 2)) + 50
    return light + np.random.default_rng(seed).normal(0, noise, light.shape)


def test_second_moments_agree_with_scikit_image():
    """skimage.measure.moments_central over the same three widths, the known background off."""
    measure = pytest.importorskip("skimage.measure")
    image = ellipse(noise=0.0) - 50
    centre = measure.moments(image, 1)
    middle = (centre[1, 0] / centre[0, 0], centre[0, 1] / centre[0, 0])
    moments = measure.moments_central(image, center=middle, order=2)
    for axis, radius in ((0, moments[2, 0]), (1, moments[0, 2])):
        known = 2 * math.sqrt(radius / moments[0, 0])
        got = second_moment_radius(ellipse(noise=0.0).sum(axis=1 - axis))
        assert got == pytest.approx(known, rel=2e-3)  # three widths cut off 0.1 % of the moment


def test_second_moments_agree_with_a_library_of_beam_widths():
    beams = pytest.importorskip("laserbeamsize")
    image = ellipse()
    _, _, *diameters, _ = beams.beam_size(image)
    got = [second_moment_radius(image.sum(axis=axis)) for axis in (0, 1)]
    assert sorted(got) == pytest.approx(sorted(d / 2 for d in diameters), rel=0.02)
