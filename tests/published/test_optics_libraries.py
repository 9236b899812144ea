"""Optics against independent general-purpose libraries; each test skips where its library is not.

`raytracing` (ray matrices and q), `LightPipes` (Fresnel propagation on a plane of samples),
`laserbeamsize` (second moments and the fit of ISO 11146), `iapws` (index and density of water) and
`colour-science` (the eye's table).
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from planewright.optics.elements import Aperture, Gap, Lens, Medium, Train, Wall
from planewright.optics.gauss import end_beam, start_beam, train_matrix
from planewright.optics.light import luminous_efficiency
from planewright.optics.media import water_density, water_index
from planewright.optics.sheet import sheet
from planewright.optics.wave import wave_sheet


def library(name: str):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip(name)


TRAIN = Train(
    488,
    0.6,
    0.6,
    (
        Gap(30),
        Lens(65),
        Gap(90),
        Lens(25),
        Gap(40),
        Lens(50, acts_on="z"),
        Gap(35),
        Wall(1.0, 1.52, beyond_index=1.3374),
        Gap(12),
    ),
    waist_ahead_z_mm=-200.0,
)


def test_ray_matrices_and_q():
    rt = library("raytracing")
    parts = [rt.Space(30), rt.Lens(65), rt.Space(90), rt.Lens(25), rt.Space(40), rt.Lens(50)]
    parts += [rt.Space(35), rt.DielectricInterface(n1=1.0, n2=1.52), rt.Space(1, n=1.52)]
    parts += [rt.DielectricInterface(n1=1.52, n2=1.3374), rt.Space(12, n=1.3374)]
    path = rt.MatrixGroup(parts)
    whole = np.array([[path.A, path.B], [path.C, path.D]])
    assert train_matrix(TRAIN, "z") == pytest.approx(whole, rel=1e-12)
    beam = rt.GaussianBeam(q=start_beam(TRAIN, "z").q_mm, wavelength=488e-6)
    end = path * beam
    ours = end_beam(TRAIN, "z")
    assert ours.q_mm == pytest.approx(end.q, rel=1e-9)
    assert ours.radius_um * 1e-3 == pytest.approx(end.w, rel=1e-9)
    assert ours.to_waist_um * 1e-3 == pytest.approx(end.waistPosition, rel=1e-9)


@pytest.mark.parametrize("slit_mm", [None, 73 * 14.0 / 1024])
def test_a_cylinder_by_fresnel_propagation(slit_mm):
    lp = library("LightPipes")
    nm, w, f, size, count = 532.0, 1.0, 400.0, 14.0, 1024
    field = lp.Begin(size * 1e-3, nm * 1e-9, count)
    field = lp.GaussBeam(field, w * 1e-3)
    field.field = np.array(field.field)
    field._IsGauss = False
    parts = [Lens(f, acts_on="z"), Gap(f)]
    if slit_mm is not None:
        parts.insert(0, Aperture(width_z_mm=slit_mm))
    across = (np.arange(count) - count // 2) * size / count
    if slit_mm is not None:  # an odd number of whole samples, so that both have the same edges
        field.field *= np.abs(across[None, :]) < slit_mm / 2
    # a cylinder as a phase: the library's own one turns with an angle of its own convention
    k = 2 * np.pi / (nm * 1e-6)
    field.field *= np.exp(-0.5j * k / f * across[None, :] ** 2)
    field = lp.Forvard(field, f * 1e-3)
    light = lp.Intensity(field)[count // 2]
    theirs = _fwhm(across * 1e3, light)
    train = Train(nm, w, w, tuple(parts))
    ours = wave_sheet(train, "z")
    here = ours.wave.widths_um(0.0)[0]
    assert here == pytest.approx(theirs, rel=0.01)
    if slit_mm is None:
        beam = end_beam(train, "z")
        assert beam.fwhm_um == pytest.approx(theirs, rel=0.01)


def _fwhm(x: np.ndarray, light: np.ndarray) -> float:
    fine = np.linspace(x[0], x[-1], 40 * len(x))
    # the light is band-limited: a cubic spline between its samples is good to 1e-3
    from scipy.interpolate import CubicSpline

    above = np.flatnonzero(CubicSpline(x, light)(fine) >= 0.5 * light.max())
    return float(fine[above[-1]] - fine[above[0]])


def test_second_moments_of_a_sheet():
    lbs = library("laserbeamsize")
    train = Train(488, 0.05, 1.0, (Lens(50, acts_on="z"), Gap(50 / 1), Medium(1.3374), Gap(0.0)))
    found = sheet(train)
    pixel = found.radius_um(0.0) / 12.0
    y, z = np.mgrid[-160:161, -160:161] * pixel
    wave = wave_sheet(train, "z").wave
    along = wave.profile(z[0])
    image = along[None, :] * np.exp(-2 * (y / (40 * pixel)) ** 2)
    _, _, wide, high, _ = lbs.beam_size(image / image.max() * 4000, mask_diameters=3)
    widths = sorted([wide * pixel / 2, high * pixel / 2])
    assert widths[0] == pytest.approx(float(found.radius_um(0.0)), rel=0.01)
    assert widths[1] == pytest.approx(40 * pixel, rel=0.01)


def test_beam_quality_by_the_standards_fit():
    lbs = library("laserbeamsize")
    train = Train(532, 1, 1.2, (Lens(80, acts_on="z"), Gap(80.0)), beam_quality_z=1.4)
    beam = end_beam(train, "z")
    z = np.array([-3, -2.5, -2.2, -0.8, -0.4, 0, 0.4, 0.8, 2.2, 2.5, 3]) * beam.rayleigh_um
    d = 2 * beam.at(beam.to_waist_um + z)
    fit, _, _ = lbs.M2_fit(z * 1e-6, d * 1e-6, 532e-9)
    assert fit[0] * 1e6 == pytest.approx(2 * beam.waist_um, rel=1e-4)
    assert fit[3] == pytest.approx(1.4, rel=1e-4)
    assert fit[4] * 1e6 == pytest.approx(beam.rayleigh_um, rel=1e-4)


def test_index_and_density_of_water():
    iapws = library("iapws")
    for degrees in (5.0, 16.0, 20.0, 30.0):
        density = iapws.IAPWS95(T=degrees + 273.15, P=0.101325).rho
        # the density formula is for air-free water and good to 1e-3 kg/m³
        assert float(water_density(degrees)) == pytest.approx(density, abs=5e-3)
        for nm in (405.0, 488.0, 532.0, 640.0):
            theirs = iapws._iapws._Refractive(density, degrees + 273.15, nm * 1e-3)
            got = water_index(nm, temperature_degc=degrees, density_kg_m3=density)
            assert float(got) == pytest.approx(theirs, abs=5e-9)
            # 3.3e-4 per kg/m³ of density
            own = water_index(nm, temperature_degc=degrees)
            assert float(own) == pytest.approx(theirs, abs=3.3e-4 * 5e-3)


def test_the_eye_by_another_library():
    colour = library("colour")
    table = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"]
    nm = np.arange(380, 781)
    assert luminous_efficiency(nm) == pytest.approx(table[nm], abs=1e-9)
    assert math.isclose(float(luminous_efficiency(555)), 1.0)
