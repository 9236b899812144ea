"""Sheets by the equations of Gaussian beams, at the digits of worked tables.

"Computed": worked from the stated formula with double precision, apart from this package: analytic
checks at the digits given, not claims of a paper.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from planewright.optics.elements import Aperture, Gap, Lens, Medium, Train, Wall
from planewright.optics.gauss import (
    FWHM_OF_RADIUS,
    end_beam,
    focused_by_lens,
    rayleigh_range,
    train_matrix,
    waist_of_aperture,
)
from planewright.optics.sheet import (
    Usable,
    best_waist,
    peak_irradiance_w_m2,
    sheet,
    usable_half_height_um,
    usable_half_width_um,
)
from planewright.optics.truncate import circle_focus, slit_focus


def digits(text: str) -> float:
    """Return half a unit of a printed figure's last digit (and a little for its own rounding)."""
    return 0.51 * 10.0 ** -len(text.partition(".")[2])


def same(got: float, printed: str) -> None:
    assert float(got) == pytest.approx(float(printed), abs=digits(printed))


@pytest.mark.parametrize(
    ("um", "na", "n", "w0", "full", "fwhm", "z_r", "two"),
    [  # computed: w0 = λ/(π NA), z_R = π n w0²/λ
        (0.488, 0.10, 1, "1.5534", "3.1067", "1.8289", "15.534", "31.067"),
        (0.488, 0.10, 1.3374, "1.5534", "3.1067", "1.8289", "20.775", "41.549"),
        (0.488, 0.05, 1.3374, "3.1067", "6.2134", "3.6579", "83.098", "166.196"),
        (0.488, 0.02, 1.3374, "7.7668", "15.534", "9.1447", "519.36", "1038.73"),
        (0.473, 0.06, 1.338, "2.5093", "5.0187", "2.9545", "55.958", "111.917"),
        (0.532, 0.06, 1.3355, "2.8223", "5.6447", "3.3231", "62.821", "125.642"),
        (0.405, 0.03, 1.343, "4.2972", "8.5944", "5.0595", "192.371", "384.741"),
        (0.6328, 0.01, 1, "20.143", "40.285", "23.716", "2014.27", "4028.53"),
    ],
)
def test_waist_and_rayleigh_range(um, na, n, w0, full, fwhm, z_r, two):
    waist = waist_of_aperture(na, wavelength_nm=um * 1e3)
    rayleigh = rayleigh_range(waist, wavelength_nm=um * 1e3, index=n)
    same(waist, w0)
    same(2 * waist, full)
    same(FWHM_OF_RADIUS * waist, fwhm)
    same(rayleigh, z_r)
    same(2 * rayleigh, two)


@pytest.mark.parametrize(
    ("f", "diameter", "nm", "n", "na", "w0", "fwhm", "two"),
    [  # computed, the thin-lens approximation NA = w/f
        (50, 2, 532, 1.3355, "0.0200", "8.467", "9.969", "1130.8"),
        (75, 1, 488, 1.3374, "0.00667", "23.300", "27.434", "9348.5"),
        (25, 3, 450, 1.3395, None, "2.387", "2.811", "106.6"),
    ],
)
def test_cylinders(f, diameter, nm, n, na, w0, fwhm, two):
    aperture = diameter / 2 / f
    waist = waist_of_aperture(aperture, wavelength_nm=nm)
    if na is not None:
        same(aperture, na)
    same(waist, w0)
    same(FWHM_OF_RADIUS * waist, fwhm)
    same(2 * rayleigh_range(waist, wavelength_nm=nm, index=n), two)


def test_the_train_gives_the_same_as_the_formula():
    # a waist far smaller than the beam: the lens's exact and approximate formulas agree to 1e-4
    lens = Lens(50, acts_on="z")
    train = Train(532, 1.0, 1.0, (lens, Gap(40), Medium(1.3355), Gap(10 * 1.3355)))
    beam = end_beam(train, "z")
    assert beam.waist_um == pytest.approx(8.467, abs=1e-3)
    assert 2 * beam.rayleigh_um == pytest.approx(1130.8, rel=1.5e-4)


@pytest.mark.parametrize(
    ("nm", "w", "f", "waist", "distance"),
    [  # computed: exact thin lens with the input waist at the lens
        (532, 0.5, 50, "16.9244", "49.9427"),
        (632.8, 0.4, 100, "49.9623", "98.4399"),
        (532, 0.1, 50, "64.6187", "29.1221"),
    ],
)
def test_exact_thin_lens(nm, w, f, waist, distance):
    got = focused_by_lens(w, focal_length_mm=f, wavelength_nm=nm)
    same(got[0], waist)
    same(got[1], distance)


@pytest.mark.parametrize(
    ("nm", "n", "field", "w0", "edge", "na"),
    [  # computed: z_R = F/2
        (488, 1.3374, 500, "5.389", "8.973", None),
        (488, 1.3374, 1000, "7.621", "12.689", "0.0204"),
        (488, 1.3374, 2000, "10.777", "17.945", None),
        (405, 1.343, 5000, "15.491", "25.795", None),
    ],
)
def test_best_waist(nm, n, field, w0, edge, na):
    best = best_waist(field, wavelength_nm=nm, index=n)
    same(best.waist_um, w0)
    same(best.edge_fwhm_um, edge)
    if na is not None:
        same(best.numerical_aperture, na)


def test_best_waist_is_best():
    best = best_waist(1000, wavelength_nm=488, index=1.3374)

    def edge(w0: float) -> float:
        return w0 * math.hypot(1, 500 / float(rayleigh_range(w0, wavelength_nm=488, index=1.3374)))

    assert edge(best.waist_um) == pytest.approx(best.edge_radius_um, rel=1e-12)
    assert min(edge(best.waist_um * 0.97), edge(best.waist_um * 1.03)) > best.edge_radius_um


def test_layout_b():
    # computed: 488 nm, w = 1 mm, cylinder of 50 mm, objective of 45 mm, spaced by f1 + f2
    train = Train(488, 1, 1, (Lens(50, acts_on="y"), Gap(95), Lens(45), Gap(45)))
    plain = [[0, 45], [-1 / 45, -1.1111]]
    bent = [[-0.9, 45], [0, -1.1111]]
    # the worked matrices start 50 mm before the objective's focal plane: at the cylinder
    assert train_matrix(train, "z") == pytest.approx(np.array(plain), abs=6e-5)
    assert train_matrix(train, "y")[0, 0] == pytest.approx(bent[0][0], abs=1e-12)
    assert train_matrix(train, "y")[1] == pytest.approx(np.array(bent[1]), abs=6e-5)
    found = sheet(train)
    assert found.thin_axis == "z"  # the axis that the cylinder left alone
    # the worked values take NA = w/f; the train's beam also has its own waist: 3e-5 less
    assert found.waist_um == pytest.approx(6.9901, rel=5e-5)
    assert found.rayleigh_um == pytest.approx(314.5, rel=3e-4)
    same(found.height_radius_um * 1e-3, "0.900")
    same(
        peak_irradiance_w_m2(20, height_radius_um=900, thickness_radius_um=7) * 1e-6,
        "2.021",
    )


def test_thin_axis_is_turned_between_the_layouts():
    a = Train(488, 1, 1, (Lens(50, acts_on="z"), Gap(50)))
    b = Train(488, 1, 1, (Lens(50, acts_on="z"), Gap(95), Lens(45), Gap(45)))
    assert sheet(a).thin_axis == "z"
    assert sheet(b).thin_axis == "y"


@pytest.mark.parametrize(
    ("convention", "widths"),
    [  # computed: √(growth² − 1)
        (Usable.RAYLEIGH, "1.0000"),
        (Usable.TENTH, "0.4583"),
        (Usable.HALF, "1.1180"),
        (Usable.DOUBLE, "1.7321"),
    ],
)
def test_usable_width_by_convention(convention, widths):
    same(usable_half_width_um(1.0, convention), widths)


@pytest.mark.parametrize(("fraction", "half"), [(0.9, "0.2295"), (0.8, "0.3340"), (0.5, "0.5887")])
def test_usable_height(fraction, half):  # computed: w √(ln(1/T)/2)
    same(usable_half_height_um(1.0, fraction), half)


def test_conversions():  # computed
    same(FWHM_OF_RADIUS, "1.17741")
    same(2 / FWHM_OF_RADIUS, "1.69864")


@pytest.mark.parametrize(
    ("element", "shift", "abs_mm"),
    [
        (Wall(1.0, 1.52), 0.342, 5e-4),  # computed: t (1 − 1/n)
        (Wall(10.0, 1.3336), 2.5015, 5e-5),  # computed; the index of water that gives it
    ],
)
def test_plates_push_the_focus_back(element, shift, abs_mm):
    plain = Train(488, 1, 1, (Lens(50), Gap(30)))
    through = Train(488, 1, 1, (Lens(50), Gap(30 - element.thickness_mm), element))
    moved = end_beam(through, "z").to_waist_um - end_beam(plain, "z").to_waist_um
    assert moved * 1e-3 == pytest.approx(shift, abs=abs_mm)


SLITS = [  # computed by the diffraction integral
    (0.3, "2.4986", "4.2441", "1.0000", "0"),
    (0.5, "1.5214", "2.5568", ".9999", "0"),
    (0.6, "1.3139", "2.1779", ".9991", ".0002"),
    (0.7, "1.1896", "1.9487", ".9957", ".0006"),
    (0.8, "1.1115", "1.8052", ".9876", ".0018"),
    (1.0, "1.0241", "1.6463", ".9545", ".0085"),
    (1.25, "0.9715", "1.5517", ".8904", ".0175"),
    (1.5, "0.9442", "1.5031", ".8176", ".0245"),
    (2.0, "0.9181", "1.4567", ".6827", ".0332"),
    (3.0, "0.9000", "1.4248", ".4950", ".0405"),
    (math.inf, "0.8859", "1.4000", None, ".0472"),
]


@pytest.mark.parametrize(("truncation", "fwhm", "full", "passed", "lobe"), SLITS)
def test_slits(truncation, fwhm, full, passed, lobe):
    got = slit_focus(truncation)
    same(got.fwhm, fwhm)
    same(got.full_width_e2, full)
    if passed is not None:
        same(got.passed, passed)
    assert got.sidelobe == pytest.approx(float(lobe), abs=6e-5)


@pytest.mark.parametrize(
    ("truncation", "fwhm", "full", "passed"),
    [  # computed
        (0.5, "1.5460", "2.5890", ".9997"),
        (1.0, "1.1315", "1.8292", ".8647"),
        (2.0, "1.0524", "1.6868", ".3935"),
        (math.inf, "1.0290", "1.6449", None),
    ],
)
def test_irises(truncation, fwhm, full, passed):
    got = circle_focus(truncation)
    same(got.fwhm, fwhm)
    same(got.full_width_e2, full)
    if passed is not None:
        same(got.passed, passed)


@pytest.mark.parametrize("truncation", [1.0, 1.25, 1.5, 2.0, 3.0])
def test_irises_by_the_handbook_fit(truncation):
    # handbook fit for round openings, from memory; good to 0.5 % from T = 1 on
    t = truncation
    full = 1.6449 + 0.6460 / (t - 0.2816) ** 1.821 - 0.5320 / (t - 0.2816) ** 1.891
    fwhm = 1.029 + 0.7125 / (t - 0.2161) ** 2.179 - 0.6445 / (t - 0.2161) ** 2.221
    got = circle_focus(t)
    assert got.full_width_e2 == pytest.approx(full, rel=5e-3)
    assert got.fwhm == pytest.approx(fwhm, rel=5e-3)


@pytest.mark.parametrize("truncation", [0.5, 0.7, 1.0, 1.5, 2.0, 3.0])
def test_a_train_with_a_slit(truncation):
    fwhm = next(row[1] for row in SLITS if row[0] == truncation)
    # a wide beam: with few Fresnel zones across the slit the brightest place moves to the lens
    width = 8.0 / truncation
    train = Train(488, 4, 4, (Aperture(width_z_mm=width), Lens(50, acts_on="z"), Gap(50)))
    found = sheet(train)
    assert found.fwhm_um == pytest.approx(float(fwhm) * 0.488 * 50 / width, rel=3e-3)
    assert found.passed == pytest.approx(math.erf(math.sqrt(2) / truncation), abs=1e-3)
