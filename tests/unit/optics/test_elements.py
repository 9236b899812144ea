"""Elements refuse what cannot be, and say why."""

from __future__ import annotations

import math

import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.elements import (
    Aperture,
    Facing,
    Gap,
    Lens,
    Medium,
    Mirror,
    Shape,
    Train,
    Wall,
    lens_power,
    steps,
)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Train(0.488, 1, 1, ()), "give nanometres: 488"),
        (lambda: Train(488, 0, 1, ()), "radius of the laser's beam"),
        (lambda: Train(488, 1, 1, (), beam_quality_z=0.9), "beam quality"),
        (lambda: Lens(0.0), "no possible focal length"),
        (lambda: Lens(50, acts_on="x"), "axis in which it focuses"),
        (lambda: Lens(-50, shape=Shape.PLANO_CONVEX), "sign of a focal length"),
        (lambda: Lens(50, shape=Shape.BICONCAVE), "sign of a focal length"),
        (lambda: Lens(50, shape=Shape.MENISCUS), "needs its bending"),
        (lambda: Lens(50, diameter_mm=-1), "width of a lens"),
        (lambda: Lens(50, glass_index=0.5), "index of a lens"),
        (lambda: Gap(-1), "no possible length"),
        (lambda: Gap(math.nan), "no possible length"),
        (lambda: Aperture(width_y_mm=1.0, is_round=True), "one diameter"),
        (lambda: Mirror(incidence_deg=90), "no possible angle"),
        (lambda: Wall(0.0), "thickness of a wall"),
        (lambda: Medium(0.9), "index of a medium"),
    ],
)
def test_refusals(make, words):
    with pytest.raises(RangeProblem) as told:
        make()
    assert words in str(told.value)


def test_a_singlet_loses_power_in_water_and_an_ideal_lens_does_not():
    singlet = Lens(50, shape=Shape.PLANO_CONVEX, facing=Facing.CURVED, glass_index=1.52)
    assert lens_power(singlet, 1.0) == pytest.approx(1 / 50)
    assert lens_power(singlet, 1.333) == pytest.approx((1.52 - 1.333) / 0.52 / 50)
    assert lens_power(Lens(50), 1.333) == pytest.approx(1 / 50)
    with pytest.raises(RangeProblem, match="achromat"):
        lens_power(Lens(50, shape=Shape.ACHROMAT), 1.333)


def test_a_cylinder_acts_in_one_axis():
    (step,) = steps(Train(488, 1, 1, (Lens(50, acts_on="z"),)))
    assert step.power("z") == pytest.approx(0.02)
    assert step.power("y") == 0.0


def test_a_wall_is_two_surfaces_and_a_path():
    chain = steps(Train(488, 1, 1, (Wall(1.0, 1.52, beyond_index=1.33, width_mm=20), Gap(3))))
    assert [s.index for s in chain] == [1.0, 1.52, 1.52, 1.33]
    assert [s.index_after for s in chain] == [1.52, 1.52, 1.33, 1.33]
    assert chain[0].half_mm("y") == 10.0


def test_a_mirror_looks_narrower_in_the_plane_it_folds():
    mirror = Mirror(diameter_mm=10, incidence_deg=45, folds="y")
    assert mirror.clear_mm("y") == pytest.approx(10 / math.sqrt(2))
    assert mirror.clear_mm("z") == 10
    assert mirror.turn_factor("y") == 2
    assert mirror.turn_factor("z") == pytest.approx(math.sqrt(2))
