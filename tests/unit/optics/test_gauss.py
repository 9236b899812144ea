"""Beams through trains: invariants, many at once, outlines and clipping."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Aperture, Gap, Lens, Medium, Train, Wall, steps
from planewright.optics.gauss import (
    carry_many,
    clippings,
    end_beam,
    outline,
    power_through_circle,
    rayleigh_range,
    start_beam,
    trace,
    train_matrix,
    waist_of_aperture,
    waist_of_rayleigh,
)

TRAIN = Train(
    488,
    0.9,
    0.7,
    (
        Gap(20),
        Lens(65, diameter_mm=25),
        Gap(90),
        Lens(25, diameter_mm=12.5),
        Gap(40),
        Lens(50, acts_on="z"),
        Gap(34),
        Wall(1.0, 1.52, beyond_index=1.3374),
        Gap(15),
    ),
    beam_quality_z=1.2,
)


def test_the_determinant_is_the_ratio_of_indices():
    for axis in ("y", "z"):
        assert np.linalg.det(train_matrix(TRAIN, axis)) == pytest.approx(1 / 1.3374)


def test_the_aperture_is_kept_by_flat_surfaces():
    seen = [s.beam.numerical_aperture for s in trace(TRAIN, "z")]
    assert seen[-1] == pytest.approx(seen[-5], rel=1e-12)


def test_the_rayleigh_range_knows_the_medium():
    # the trap: without the index it would be a quarter too short in water
    air, water = (rayleigh_range(5.0, wavelength_nm=488, index=n) for n in (1.0, 1.3374))
    assert float(water / air) == pytest.approx(1.3374)
    back = waist_of_rayleigh(water, wavelength_nm=488, index=1.3374)
    assert float(back) == pytest.approx(5.0)


def test_beam_quality_widens_the_waist():
    one, two = (
        end_beam(Train(488, 1, 1, (Lens(50), Gap(50)), beam_quality_z=m), "z") for m in (1.0, 2.0)
    )
    assert two.waist_um / one.waist_um == pytest.approx(2.0, rel=1e-3)
    assert two.rayleigh_um / one.rayleigh_um == pytest.approx(2.0, rel=2e-3)


def many(count: int, seed: int = 0):
    rng = np.random.default_rng(seed)
    index = np.array([1.0, 1.0, 1.0, 1.0, 1.52, 1.3374])[:, None]
    after = np.array([1.0, 1.0, 1.0, 1.52, 1.3374, 1.3374])[:, None]
    power = np.zeros((6, count))
    power[:3] = 1 / rng.choice([25, 40, 50, 65, 100], (3, count))
    length = rng.uniform(5, 90, (6, count))
    length[3], length[5] = 1.0, 0.0
    return power, length, index, after


def test_many_at_once_equal_one_by_one():
    power, length, index, after = many(7)
    start = Train(488, 1, 1, ())
    q = np.full(7, start_beam(start, "z").q_mm)
    got = carry_many(q, length_mm=length, power_per_mm=power, index=index, index_after=after)
    for k in range(7):
        lenses = [part for j in range(3) for part in (Lens(1 / power[j, k]), Gap(length[j, k]))]
        train = Train(488, 1, 1, (*lenses, Wall(1.0, 1.52, beyond_index=1.3374), Gap(length[4, k])))
        assert got[-1, k] == pytest.approx(end_beam(train, "z").q_mm, rel=1e-9)
        second = [s for s in trace(train, "z") if s.step is not None and s.step.power("z")][1]
        assert got[2, k] == pytest.approx(second.beam.q_mm, rel=1e-9)


def test_many_at_once_are_quick():
    power, length, index, after = many(100_000)
    q = np.full(100_000, start_beam(Train(488, 1, 1, ()), "z").q_mm)
    began = time.process_time()
    carry_many(q, length_mm=length, power_per_mm=power, index=index, index_after=after)
    assert time.process_time() - began < 1.0  # a search of 1e5 trains has 20 core-seconds


def test_inputs_are_not_written_to():
    power, length, index, after = many(3)
    q = np.full(3, 1 + 2j)
    for array in (power, length, index, after, q):
        array.setflags(write=False)
    carry_many(q, length_mm=length, power_per_mm=power, index=index, index_after=after)


def test_the_outline_follows_both_axes_and_hits_the_waists():
    drawn = outline(TRAIN)
    assert np.all(np.diff(drawn.path_mm) >= 0)
    assert drawn.path_mm[-1] == pytest.approx(sum(s.length_mm for s in steps(TRAIN)))
    for axis, radius in (("y", drawn.radius_y_um), ("z", drawn.radius_z_um)):
        assert radius[-1] == pytest.approx(end_beam(TRAIN, axis).radius_um)
        for station in trace(TRAIN, axis):
            assert np.isclose(radius, station.beam.radius_um, rtol=1e-9).any()
    inside = next(
        s
        for s in trace(TRAIN, "z")
        if s.step is not None and 0 < s.beam.to_waist_um * 1e-3 < s.step.length_mm
    )
    assert np.isclose(drawn.radius_z_um, inside.beam.waist_um, rtol=1e-6).any()


def test_clipping_by_slit_and_iris():
    train = Train(
        488,
        1,
        2,
        (Aperture(width_z_mm=4.0), Gap(0), Aperture(3.0, 3.0, is_round=True)),
    )
    slit, iris = clippings(train)
    assert slit.passed == pytest.approx(math.erf(math.sqrt(2)), rel=1e-6)
    assert slit.truncation_z == pytest.approx(1.0, rel=1e-6)
    assert slit.truncation_y == 0.0
    assert iris.passed == pytest.approx(
        power_through_circle(1500, radius_y_um=1000, radius_z_um=2000), rel=1e-4
    )


def test_power_through_a_circle():
    # a round beam has the closed form; an elliptic one is summed on a grid
    round_beam = power_through_circle(1.0, radius_y_um=1.0, radius_z_um=1.0)
    assert round_beam == pytest.approx(1 - math.exp(-2), rel=1e-12)
    step = 0.004
    y, z = np.meshgrid(*2 * [np.arange(-3, 3, step) + step / 2])
    light = np.exp(-2 * y**2 / 0.6**2 - 2 * z**2 / 1.4**2)
    ratio = light[y**2 + z**2 < 1].sum() / light.sum() * math.erf(math.sqrt(2) * 3 / 1.4)
    got = power_through_circle(1.0, radius_y_um=0.6, radius_z_um=1.4)
    assert got == pytest.approx(ratio, abs=2e-4)


def test_refusals():
    with pytest.raises(RangeProblem, match="numerical aperture"):
        waist_of_aperture(0.0, wavelength_nm=488)
    with pytest.raises(RangeProblem, match="waist"):
        rayleigh_range(-1.0, wavelength_nm=488, index=1.33)


def test_an_index_before_a_train():
    inside = Train(488, 1, 1, (Lens(50), Gap(50)), index=1.333)
    beam = end_beam(inside, "z")
    assert beam.index == 1.333
    assert beam.numerical_aperture == pytest.approx(1.0 / 50, rel=1e-3)
    assert Medium(1.5).index == 1.5
