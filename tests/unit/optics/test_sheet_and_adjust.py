"""Sheets, what moving parts does to them, and stray foci."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.optics.adjust import (
    beam_moved,
    foci,
    lens_move_um,
    mirror_turn_mrad,
    reactions,
    stray_foci,
)
from planewright.optics.elements import Aperture, Facing, Gap, Lens, Medium, Mirror, Shape, Train
from planewright.optics.gauss import end_beam
from planewright.optics.layouts import (
    cylinder_before_objective,
    cylinder_into_cell,
    focus_by_gap,
)
from planewright.optics.sheet import (
    Usable,
    dose_j_m2,
    sheet,
    stack_dose_j_m2,
    usable_half_height_um,
)


def test_the_simplest_sheet_has_its_waist_in_the_middle():
    found = sheet(
        cylinder_into_cell(488, beam_radius_mm=1, focal_length_mm=50, index=1.3374, depth_mm=8)
    )
    assert found.thin_axis == "z"
    assert abs(found.waist_at_um) < 0.01
    assert found.height_radius_um == pytest.approx(1000, rel=0.01)
    start, stop = found.usable_um(Usable.RAYLEIGH)
    assert stop - start == pytest.approx(2 * found.rayleigh_um)
    assert float(found.radius_um(stop)) == pytest.approx(math.sqrt(2) * found.waist_um)
    assert found.usable_height_um(0.8) == pytest.approx(
        2 * 0.334 * found.height_radius_um, rel=1e-3
    )


def test_the_other_layout_is_turned():
    found = sheet(
        cylinder_before_objective(
            488,
            beam_radius_mm=1,
            cylinder_focal_mm=50,
            objective_focal_mm=45,
            index=1.3374,
            depth_mm=5,
        )
    )
    assert found.thin_axis == "z"
    assert abs(found.waist_at_um) < 0.01
    assert found.waist_um == pytest.approx(0.488 * 45 / (math.pi * 1.0), rel=1e-3)
    assert found.height_radius_um == pytest.approx(900, rel=1e-3)


def test_irradiance_and_dose():
    train = Train(488, 0.9, 1, (Lens(50, acts_on="z"), Gap(50)))
    found = sheet(train)
    peak = float(found.irradiance_w_m2(20.0))
    w_y, w_z = found.height_radius_um * 1e-6, float(found.radius_um(0.0)) * 1e-6
    assert peak == pytest.approx(2 * 20e-3 / (math.pi * w_y * w_z))
    assert float(dose_j_m2(peak, seconds=2)) == pytest.approx(2 * peak)
    # a plane in a stack: the sum over frames of the Gaussian profile
    z = np.arange(-400, 400) * 1.5e-6
    summed = float((peak * np.exp(-2 * (z / w_z) ** 2) * 0.5).sum())
    got = stack_dose_j_m2(
        20.0, height_radius_um=found.height_radius_um, step_um=1.5, seconds_per_frame=0.5
    )
    assert got == pytest.approx(summed, rel=1e-6)


def test_a_pinhole_leaves_no_sheet():
    train = Train(488, 2, 2, (Aperture(0.001, 0.001, is_round=True), Lens(50), Gap(50)))
    with pytest.raises(RangeProblem, match="Almost no light") as told:
        sheet(train)
    assert "% of the laser's power" in str(told.value)


def test_a_cut_sheet_is_thicker_and_longer():
    plain = Train(488, 2, 2, (Lens(50, acts_on="z"), Gap(50)))
    slit = replace(plain, elements=(Aperture(width_z_mm=2.0), *plain.elements))
    one, two = sheet(plain), sheet(slit)
    assert two.fwhm_um > 1.5 * one.fwhm_um
    assert two.rayleigh_um > 2 * one.rayleigh_um
    assert two.cut_by == (0,)
    assert one.cut_by == ()


def test_focusing_by_a_gap_that_cannot():
    train = Train(488, 1, 1, (Lens(-50, acts_on="z"), Gap(20)))
    with pytest.raises(RangeProblem, match="No length of this gap"):
        focus_by_gap(train, 1)
    with pytest.raises(RangeProblem, match="Only a gap"):
        focus_by_gap(train, 0)


def test_heights():
    with pytest.raises(RangeProblem, match="fraction of light"):
        usable_half_height_um(100, 1.0)


def layout_b(to_lens: float) -> Train:
    """Cylinder, mirror at a distance before an objective of 45 mm."""
    return Train(
        488,
        1,
        1,
        (
            Lens(50, acts_on="y"),
            Gap(95 - to_lens),
            Mirror(folds="z"),
            Gap(to_lens),
            Lens(45),
            Gap(45),
        ),
    )


def test_a_mirror_in_the_rear_focal_plane_shifts_and_does_not_tilt():
    at_focus = {r.axis: r for r in reactions(layout_b(45)) if r.element == 2}
    assert at_focus["z"].tilt_mrad_per_mrad == pytest.approx(0.0, abs=1e-12)
    assert at_focus["z"].shift_um_per_mrad == pytest.approx(2 * 45)  # µm per mrad: mm
    assert at_focus["z"].waist_um_per_um == 0.0
    elsewhere = {r.axis: r for r in reactions(layout_b(20)) if r.element == 2}
    assert abs(elsewhere["z"].tilt_mrad_per_mrad) > 0.5
    assert mirror_turn_mrad(at_focus["z"], 9.0) == pytest.approx(0.1)


def test_moving_a_lens_moves_the_waist():
    train = Train(488, 1, 1, (Lens(50, acts_on="z"), Gap(40), Medium(1.3374), Gap(13.4)))
    reaction = next(r for r in reactions(train) if r.axis == "z")
    # parallel light: in water the waist moves n times as far as the lens
    assert reaction.waist_um_per_um == pytest.approx(1.3374, rel=1e-3)
    assert reaction.shift_um_per_um == pytest.approx(1.0, rel=0.01)
    assert lens_move_um(reaction, 133.74) == pytest.approx(100, rel=1e-3)
    by_gap = replace(
        train, elements=(Lens(50, acts_on="z"), Gap(39.5), Medium(1.3374), Gap(13.4)),
        waist_ahead_z_mm=-0.5,
    )  # fmt: skip
    moved = beam_moved(train, 0, 0.5, "z")
    assert moved.to_waist_um == pytest.approx(end_beam(by_gap, "z").to_waist_um, rel=1e-9)
    assert moved.radius_um == pytest.approx(end_beam(by_gap, "z").radius_um, rel=1e-9)
    with pytest.raises(RangeProblem, match="no such element"):
        beam_moved(train, 9, 0.5, "z")
    other = next(r for r in reactions(train) if r.axis == "y")
    with pytest.raises(RangeProblem, match="does not move the waist"):
        lens_move_um(other, 10)
    with pytest.raises(RangeProblem, match="does not shift the sheet"):
        mirror_turn_mrad(other, 10)


def test_foci_and_strays():
    # a relay has foci of both axes between its lenses; in the cell only the sheet is thin
    train = Train(
        488,
        1,
        1,
        (
            Lens(65),
            Gap(90),
            Lens(25),
            Gap(30),
            Lens(50, acts_on="z"),
            Gap(40),
            Medium(1.3374),
            Gap(13.4),
        ),
    )
    found = foci(train)
    assert [f.axis for f in found if f.is_sheet] == ["z"]
    relay = [f for f in found if f.element == 1]
    assert {f.axis for f in relay} == {"y", "z"}
    for focus in relay:
        assert focus.path_mm == pytest.approx(65, abs=0.1)
        assert focus.to_surface_mm == pytest.approx(25, abs=0.1)
        assert focus.brighter > 10
    assert stray_foci(train) == ()
    # a round lens instead of a cylinder makes a spot in the cell: the height is a stray focus
    spot = replace(train, elements=(*train.elements[:4], Lens(50), *train.elements[5:]))
    assert [f.axis for f in stray_foci(spot)] == ["y"]
    # a lens in the relay's focus
    burnt = replace(
        train, elements=(Lens(65), Gap(64.8), Lens(500), Gap(25.2), *train.elements[2:])
    )
    assert any(f.to_surface_mm < 1 for f in stray_foci(burnt))


def test_unknown_facing_counts_as_the_worse():
    def waves(facing: Facing | None) -> float:
        lens = Lens(50, acts_on="z", shape=Shape.PLANO_CONVEX, facing=facing)
        return sheet(Train(488, 1, 2, (lens, Gap(50)))).aberration.waves

    assert waves(None) == waves(Facing.FLAT) > 3 * waves(Facing.CURVED)
