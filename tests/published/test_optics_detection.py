"""Detection lenses, at the digits of worked tables ("computed" unless a source stands beside)."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.optics.aberration import largest_aperture, through_liquid
from planewright.optics.detection import (
    close_up,
    combined_axial_fwhm_um,
    coplanarity_deg,
    depth_of_field_um,
    effective_magnification,
    lateral_sampling,
    lens_travel_factor,
    pixel_um,
    product_fwhm_um,
    quadrature_fwhm_um,
    resolution,
)
from planewright.optics.psf import PupilLens, axial_fwhm_um, lateral_fwhm_um


def same(got: float, printed: str) -> None:
    half = 0.501 * 10.0 ** -len(printed.partition(".")[2])
    assert float(got) == pytest.approx(float(printed), abs=half)


@pytest.mark.parametrize(
    ("na", "abbe", "rayleigh", "fwhm", "parax", "exact", "zero", "wave"),
    [
        (0.10, "2.6000", "3.1720", "2.6754", "122.81", "122.64", "138.63", "69.32"),
        (0.13, "2.0000", "2.4400", "2.0580", "72.67", "72.50", "82.03", "41.02"),
        (0.28, "0.9286", "1.1329", "0.9555", "15.66", "15.49", "17.68", "8.84"),
        (0.30, ".8667", "1.0573", ".8918", "13.65", "13.47", "15.40", "7.70"),
        (0.50, ".5200", ".6344", ".5351", "4.913", "4.733", "5.545", "2.773"),
    ],
)
def test_resolution(na, abbe, rayleigh, fwhm, parax, exact, zero, wave):
    got = resolution(na, wavelength_nm=520, index=1.333)
    same(got.abbe_um, abbe)
    # the table rounds the constant to 0.61 (exactly 0.609835), 0.03 % more
    assert got.rayleigh_um == pytest.approx(float(rayleigh), rel=4e-4)
    same(got.fwhm_um, fwhm)
    same(got.axial_fwhm_paraxial_um, parax)
    same(got.axial_fwhm_um, exact)
    same(got.axial_zero_um, zero)
    same(depth_of_field_um(na, wavelength_nm=520, index=1.333), wave)


@pytest.mark.parametrize("na", [0.10, 0.28, 0.50])
def test_widths_are_those_of_the_pupil_integral(na):
    lens = PupilLens(na, 520, 1.333, apodised=False)
    got = resolution(na, wavelength_nm=520, index=1.333)
    assert axial_fwhm_um(lens, vectorial=False) == pytest.approx(got.axial_fwhm_um, rel=1e-3)
    assert lateral_fwhm_um(lens, vectorial=False) == pytest.approx(
        got.fwhm_um, rel=0.02 * na + 2e-3
    )


@pytest.mark.parametrize(
    ("na", "depth"),
    [
        # table by a photomacrography authority, 550 nm in air; computed agrees
        (0.10, "55.0"),
        (0.14, "28.1"),
        (0.20, "13.8"),
        (0.25, "8.80"),
        (0.28, "7.02"),
        (0.40, "3.44"),
        (0.42, "3.12"),
        (0.50, "2.20"),
    ],
)
def test_depth_of_field_in_air(na, depth):
    assert depth_of_field_um(na, wavelength_nm=550, index=1.0) == pytest.approx(
        float(depth), abs=1.01 * 10.0 ** -len(depth.partition(".")[2])
    )


def test_foreign_tube_lens():
    assert effective_magnification(10, tube_length_mm=100, design_tube_length_mm=180) == (
        pytest.approx(5.5556, abs=5e-5)
    )
    m = effective_magnification(10, tube_length_mm=100, design_tube_length_mm=180)
    same(180 / 10, "18")
    same(pixel_um(3.9, magnification=m), "0.7020")
    same(pixel_um(3.9, magnification=m, mosaic=True), "1.404")
    coarse = lateral_sampling(0.7020, numerical_aperture=0.30, wavelength_nm=520)
    same(coarse.limit_um, "0.4333")
    assert not coarse.ok
    same(
        depth_of_field_um(0.3, wavelength_nm=520, index=1.333, pixel_pitch_um=3.9, magnification=m),
        "10.82",
    )
    four = pixel_um(4.3, magnification=4)
    same(four, "1.075")
    enough = lateral_sampling(four, numerical_aperture=0.10, wavelength_nm=520)
    same(enough.limit_um, "1.300")
    assert enough.ok
    assert not lateral_sampling(2 * four, numerical_aperture=0.10, wavelength_nm=520).ok
    same(
        depth_of_field_um(0.1, wavelength_nm=520, index=1.333, pixel_pitch_um=4.3, magnification=4),
        "83.65",
    )
    short = effective_magnification(4, tube_length_mm=135, design_tube_length_mm=200)
    same(short, "2.7")
    same(pixel_um(4.3, magnification=short), "1.5926")
    same(pixel_um(3.76, magnification=10), "0.376")
    same(
        depth_of_field_um(
            0.28, wavelength_nm=520, index=1.333, pixel_pitch_um=3.76, magnification=10
        ),
        "10.63",
    )


@pytest.mark.parametrize(
    ("m", "n", "p", "working", "na"),
    [
        (1, 2.8, 1.0, "5.6", ".08929"),
        (5, 2.8, 1.0, "16.8", ".14881"),
        (2, 4.0, 1.0, "12", ".08333"),
        (1, 2.8, 0.6, "7.467", ".06696"),
    ],
)
def test_photographic_lens_at_close_range(m, n, p, working, na):
    got = close_up(n, magnification=m, pupil_factor=p)
    same(got.working_f_number, working)
    same(got.numerical_aperture, na)


@pytest.mark.parametrize(
    ("s", "d", "product", "quick"),
    [
        (5, 5, "3.5660", "3.5355"),
        (5, 20, "4.8600", "4.8507"),
        (10, 100, "9.9520", "9.9504"),
        (2, 3, "1.6760", "1.6641"),
    ],
)
def test_sheet_and_lens_together(s, d, product, quick):
    got = float(product_fwhm_um(s, d))
    x = np.linspace(0, s, 400001)
    light = np.exp(-4 * np.log(2) * (x / s) ** 2) * np.sinc(0.885892941 * x / d) ** 2
    assert got == pytest.approx(2 * np.interp(-0.5, -light, x), rel=1e-7)
    # the worked values come from a coarser sampling of the same product
    assert got == pytest.approx(float(product), rel=6e-4)
    assert got / float(quick) - 1 < 0.0092
    same(quadrature_fwhm_um(s, d), quick)


def test_published_instrument():
    # Huisken et al., Science 305, 1007 (2004), from memory: about 6 µm, 10×/0.30. Computed: 5.49
    # by the quadrature formula, half a per cent more by the product of the profiles
    got = combined_axial_fwhm_um(
        6.0, numerical_aperture=0.30, wavelength_nm=520, index=1.333, paraxial=True
    )
    same(quadrature_fwhm_um(6.0, 13.646), "5.49")
    assert float(got) == pytest.approx(5.49, rel=6e-3)
    assert float(got) == pytest.approx(6.0, rel=0.15)


@pytest.mark.parametrize(
    ("field", "depth", "tilt"),
    [(2000, 69.35, "1.99"), (2000, 8.85, "0.253"), (500, 7.70, "0.883")],
)
def test_coplanarity(field, depth, tilt):
    assert coplanarity_deg(depth, field_um=field) == pytest.approx(float(tilt), abs=6e-3)


@pytest.mark.parametrize(
    ("na", "factor"),
    [(0.0, "1.3336"), (0.1, "1.3365"), (0.2, "1.3457"), (0.28, "1.3582"), (0.5, "1.4276")],
)
def test_lens_moved_in_air_over_water(na, factor):
    same(lens_travel_factor(1.3336, numerical_aperture=na), factor)


@pytest.mark.parametrize(("depth", "na"), [(2, ".279"), (5, ".222"), (10, ".187"), (20, ".157")])
def test_largest_aperture_through_water(depth, na):
    same(largest_aperture(depth, index=1.333, wavelength_nm=520), na)


def test_air_lens_through_water():
    deep = through_liquid(0.28, depth_mm=5, index=1.3336, wavelength_nm=520)
    same(deep.w040_um, "1.261")
    same(deep.rms_waves, ".181")
    assert not deep.ok
    mild = through_liquid(0.1, depth_mm=10, index=1.333, wavelength_nm=520)
    same(mild.rms_waves, ".006")
    assert mild.ok
    glass = through_liquid(0.28, depth_mm=1, index=1.52, wavelength_nm=520)
    same(glass.rms_waves, ".041")
