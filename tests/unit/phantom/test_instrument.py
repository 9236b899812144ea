"""The instrument's figures against analytic optics."""

import json
import math

import numpy as np
import pytest

from planewright.base.nouns import Scan
from planewright.base.problems import RangeProblem
from planewright.phantom.instrument import Instrument, monochrome_instrument, small_instrument
from planewright.phantom.pupil import DefocusNodes, pupil_psf, transfer


@pytest.mark.parametrize(
    ("wavelength_nm", "index", "waist_um", "rayleigh_um", "fwhm_um"),
    [
        # Gaussian beam, z_R = π n w0²/λ and FWHM = √(2 ln 2) w0 (Kogelnik and Li 1966).
        (488.0, 1.3374, 1.5534, 20.775, 1.8289),
        (488.0, 1.3374, 3.1067, 83.098, 3.6579),
        (473.0, 1.3380, 2.5093, 55.958, 2.9545),
        (532.0, 1.3355, 2.8223, 62.821, 3.3231),
    ],
)
def test_sheet_follows_the_gaussian_beam(wavelength_nm, index, waist_um, rayleigh_um, fwhm_um):
    sheet = Instrument(laser_nm=wavelength_nm, index=index, waist_um=waist_um, waist_x_um=7.0)
    assert sheet.rayleigh_um == pytest.approx(rayleigh_um, rel=2e-4)
    assert float(sheet.sheet_fwhm_um(7.0)) == pytest.approx(fwhm_um, rel=1e-4)
    # Thickness is √2 times the waist's at one Rayleigh range, √5 times at two.
    at = sheet.sheet_fwhm_um(7.0 + sheet.rayleigh_um * np.array([-1.0, 1.0, 2.0]))
    np.testing.assert_allclose(at / fwhm_um, [math.sqrt(2), math.sqrt(2), math.sqrt(5)], rtol=2e-4)


@pytest.mark.parametrize(
    ("aperture", "lateral_um", "axial_um"),
    [
        # 0.5145 λ/NA and 0.8859 λ/(n − √(n² − NA²)) at 520 nm in n = 1.333, analytic.
        (0.10, 2.6754, 122.64),
        (0.13, 2.0580, 72.50),
        (0.28, 0.9555, 15.49),
        (0.30, 0.8918, 13.47),
    ],
)
def test_lens_widths_are_those_of_a_round_pupil(aperture, lateral_um, axial_um):
    lens = Instrument(numerical_aperture=aperture, index=1.333)
    assert lens.lateral_fwhm_um == pytest.approx(lateral_um, rel=5e-4)
    assert lens.lens_axial_fwhm_um == pytest.approx(axial_um, rel=1.5e-3)


def test_combined_width_is_near_the_product_of_two_gaussians():
    # (s⁻² + d⁻²)^(−1/2) is low by at most 0.9 % for a sinc² lens (computed, for 5 and 20 µm).
    lens = Instrument()
    x = np.array([0.0, 40.0, 125.0])
    sheet, detection = lens.sheet_fwhm_um(x), lens.lens_axial_fwhm_um
    simple = 1 / np.sqrt(sheet**-2 + detection**-2)
    ratio = lens.axial_fwhm_um(x) / simple
    assert np.all((ratio >= 1.0) & (ratio < 1.009))


@pytest.mark.parametrize("lens", [Instrument(), small_instrument(), monochrome_instrument()])
def test_field_is_thin_at_the_waist_and_twice_as_thick_at_its_edge(lens):
    edge = 0.5 * lens.columns * lens.pixel_um
    waist, far = lens.axial_fwhm_um([0.0, edge])
    assert waist <= 3.5
    assert far >= 2.0 * waist
    assert lens.step_um <= 1.3


def test_pupil_on_the_grid_has_the_analytic_width_and_focus():
    lens = Instrument(pixel_um=0.06, haze=0.0)
    psf = pupil_psf((512, 512), lens, 0.0)
    line = psf[0, :20] / psf[0, 0]
    where = int(np.argmax(line < 0.5))
    cross = where - (0.5 - line[where]) / (line[where - 1] - line[where])
    assert 2 * cross * lens.pixel_um == pytest.approx(lens.lateral_fwhm_um, rel=0.01)
    peaks = [pupil_psf((512, 512), lens, z)[0, 0] / psf[0, 0] for z in (3.0, 6.0, 9.0)]
    np.testing.assert_allclose(peaks, lens.on_axis([3.0, 6.0, 9.0]), atol=0.01)


def test_defocus_nodes_hold_every_defocus():
    lens = small_instrument()
    nodes = DefocusNodes(lens, 12.0)
    at = np.array([0.0, 1.3, 5.5, 9.1, 12.0])
    known = np.stack([transfer((96, 96), lens, z) for z in nodes.nodes_um])
    told = np.tensordot(nodes.weights(at).T, known, axes=1)
    true = np.stack([transfer((96, 96), lens, z) for z in at])
    assert np.abs(told - true).max() < 1e-5
    np.testing.assert_allclose(nodes.weights(at).sum(axis=0), 1.0, rtol=1e-12)
    assert len(nodes.nodes_um) < 12


def test_plan_of_planes_follows_the_scan():
    away = small_instrument()
    towards = small_instrument(scan=Scan.TOWARDS)
    assert [away.plane_of(0), away.plane_of(39)] == [0, 39]
    assert [towards.plane_of(0), towards.plane_of(39)] == [39, 0]
    assert away.plane_z_um([0, 39]) == pytest.approx([-24.375, 24.375])


def test_instrument_survives_json():
    lens = monochrome_instrument(scan=Scan.TOWARDS, sheet_angle_deg=211.0, mirrored=True)
    assert Instrument.from_dict(json.loads(json.dumps(lens.to_dict()))) == lens


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"pixel_um": 0.5}, "too coarse"),
        ({"rows": 321}, "even number"),
        ({"numerical_aperture": 1.5, "pixel_um": 0.05}, "impossible"),
        ({"frames": 0}, "needs a frame"),
    ],
)
def test_what_cannot_be_simulated_is_refused(changes, text):
    with pytest.raises(RangeProblem, match=text):
        small_instrument(**changes)
