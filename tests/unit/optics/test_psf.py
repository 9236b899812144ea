"""The image of a point: analytic limits, energy, and the other way of summing it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import j1

from planewright.base.problems import RangeProblem
from planewright.optics.aberration import through_liquid
from planewright.optics.psf import (
    PupilLens,
    axial_fwhm_um,
    lateral_fwhm_um,
    point_image,
    sheet_point_image,
)


def test_small_apertures_give_the_airy_disc():
    lens = PupilLens(0.1, 520, 1.333)
    r = np.linspace(0.01, 8, 60)
    v = 2 * np.pi * 0.1 * r / 0.520
    assert point_image(lens, r, 0.0)[0] == pytest.approx((2 * j1(v) / v) ** 2, abs=2e-3)


def test_along_the_axis_it_is_a_sinc():
    lens = PupilLens(0.5, 520, 1.333, apodised=False)
    z = np.linspace(-8, 8, 81)
    steep = 1.333 - math.sqrt(1.333**2 - 0.25)
    assert point_image(lens, 0.0, z, vectorial=False)[:, 0] == pytest.approx(
        np.sinc(z * steep / 0.520) ** 2, abs=1e-10
    )


def test_every_plane_holds_the_same_light():
    lens = PupilLens(0.3, 520, 1.333, apodised=False)
    r = np.linspace(0, 60, 6001)
    light = point_image(lens, r, [0.0, 10.0, 20.0], vectorial=False)
    held = (light * r).sum(axis=1)
    assert held[1:] == pytest.approx(held[0], rel=0.01)


def test_vectors_widen_steep_light_and_agree_for_flat_light():
    flat = PupilLens(0.2, 520, 1.333)
    assert not flat.needs_vectors
    assert lateral_fwhm_um(flat, vectorial=True) == pytest.approx(
        lateral_fwhm_um(flat, vectorial=False), rel=5e-3
    )
    steep = PupilLens(1.1, 520, 1.333)
    assert steep.needs_vectors
    wide = lateral_fwhm_um(steep) / lateral_fwhm_um(steep, vectorial=False)
    assert 1.04 < wide < 1.3


def test_vectorial_light_by_brute_force():
    # the same field summed over the pupil ray by ray, for x- and y-polarized light
    lens = PupilLens(1.0, 520, 1.333)
    n, k = 1.333, 2 * np.pi * 1.333 / 0.520
    cos = np.linspace(math.sqrt(1 - (1.0 / n) ** 2), 1, 400)
    cos = 0.5 * (cos[1:] + cos[:-1])
    phi = np.arange(64) * 2 * np.pi / 64
    c, p = np.meshgrid(cos, phi, indexing="ij")
    s = np.sqrt(1 - c**2)

    def light(x: float, z: float) -> float:
        phase = np.sqrt(c) * np.exp(1j * k * (s * np.cos(p) * x + (c - 1) * z))
        ex = (1 + c + (c - 1) * np.cos(2 * p)) / 2
        ey = (c - 1) * np.sin(2 * p) / 2
        ez = -s * np.cos(p)
        alt = ((c - 1) * np.sin(2 * p) / 2, (1 + c - (c - 1) * np.cos(2 * p)) / 2, -s * np.sin(p))
        parts = [ex, ey, ez, *alt]
        return float(sum(abs((part * phase).sum()) ** 2 for part in parts))

    peak = light(0.0, 0.0)
    for x, z in ((0.15, 0.0), (0.3, 0.2), (0.0, 0.4)):
        got = point_image(lens, x, z)[0, 0]
        assert got == pytest.approx(light(x, z) / peak, abs=2e-4)


def test_mismatch_dims_the_peak_as_its_aberration_says():
    # an air lens through water at the Maréchal limit keeps about four fifths of its peak
    lens = PupilLens(0.222, 520, 1.333, design_index=1.0, depth_um=5000, apodised=False)
    z = np.linspace(-20, 120, 701)
    light = point_image(lens, 0.0, z, vectorial=False)[:, 0]
    rms = through_liquid(0.222, depth_mm=5, index=1.333, wavelength_nm=520).rms_waves
    assert rms == pytest.approx(1 / 14, rel=0.01)
    assert light.max() == pytest.approx(0.8, abs=0.02)
    assert z[np.argmax(light)] > 0  # the margin focuses deeper
    plain = PupilLens(0.222, 520, 1.333, apodised=False)
    assert axial_fwhm_um(lens, vectorial=False) > axial_fwhm_um(plain, vectorial=False)


def test_a_sheet_thins_the_image():
    lens = PupilLens(0.3, 520, 1.333)
    z = np.arange(-20, 21) * 0.5
    side = np.arange(-6, 7) * 0.4
    open_field = sheet_point_image(lens, z_um=z, y_um=side, x_um=side)
    sheeted = sheet_point_image(lens, z_um=z, y_um=side, x_um=side, sheet_fwhm_um=5.0)
    assert sheeted.dtype == np.float32
    assert sheeted.shape == (41, 13, 13)
    assert float(sheeted.sum()) == pytest.approx(1.0, rel=1e-5)
    assert np.array_equal(sheeted, sheeted[:, ::-1, :])
    middle = sheeted[20 + 5, 6, 6] / sheeted[20, 6, 6]
    whole = open_field[20 + 5, 6, 6] / open_field[20, 6, 6]
    assert middle / whole == pytest.approx(0.5, rel=1e-4)  # half a FWHM from the middle


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: PupilLens(0.3, 0.52, 1.333), "give nanometres"),
        (lambda: PupilLens(1.4, 520, 1.333), "not possible in this medium"),
        (lambda: PupilLens(1.1, 520, 1.333, design_index=1.0), "not possible in this medium"),
        (lambda: PupilLens(0.3, 520, 0.9), "index"),
        (lambda: PupilLens(0.3, 520, 1.333, depth_um=-1), "depth"),
        (lambda: point_image(PupilLens(0.9, 520, 1.333), 1e4, 0.0), "reaches too far"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(RangeProblem, match=words):
        make()
