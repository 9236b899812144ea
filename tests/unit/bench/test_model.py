"""A bench file is read with its uncertainties, or refused in words."""

from __future__ import annotations

import json
import pickle
import re

import pytest

from planewright.base.problems import Problem, RangeProblem, SettingProblem, UnitProblem
from planewright.base.settings import read_settings
from planewright.base.units import Measured, Stated, parse_ratio
from planewright.bench.model import BenchFile
from planewright.optics.elements import Gap, Lens, Mirror, Wall


def test_quantities_are_floats_that_remember(pier):
    bench = pier()
    radius = bench.light.beam_radius_mm
    assert (radius, radius.sigma, radius.measured) == (1.0, 0.03, Measured(1.0, 0.03))
    assert bench.light.wavelength_nm.sigma is None
    assert type(radius * 2) is float
    again = pickle.loads(pickle.dumps(bench))
    assert again == bench
    assert again.light.beam_quality.sigma == 0.05
    assert json.loads(json.dumps(bench.model_dump(mode="json")))["light"]["beam_quality"] == 1.1


def test_train_in_order_with_its_gaps(pier):
    train = pier().train()
    kinds = [type(e).__name__ for e in train.elements]
    assert kinds == ["Aperture", "Gap", "Mirror", "Gap", "Lens", "Gap", "Wall", "Gap"]
    lens, wall = train.elements[4], train.elements[6]
    assert isinstance(lens, Lens)
    assert lens.acts_on == "z"
    assert isinstance(wall, Wall)
    # sea water, S 35, 20 °C, 488 nm: 1.34396 (Quan and Fry 1995); 16 °C is some 4e-4 higher
    assert wall.beyond_index == pytest.approx(1.34396 + 4e-4, abs=2e-4)
    assert isinstance(train.elements[2], Mirror)
    assert train.elements[-1] == Gap(8.0, "behind cell wall")


def test_a_dipping_lens_leads_into_the_cell(pier):
    train = pier(
        "train.4.kind=lens",
        "train.4.thickness=",
        "train.4.focal_length=10 mm",
        "train.4.shape=ideal",
    ).train()
    assert [type(e).__name__ for e in train.elements[-3:]] == ["Lens", "Medium", "Gap"]


def test_an_uncertain_tube_makes_an_uncertain_pixel(pier):
    pixel, _ = pier().pixel_um()
    assert pixel.value == pytest.approx(3.9 / 16)
    assert pixel.sigma == pytest.approx(pixel.value * 2 / 200)
    both = pier("camera.pixel_pitch=3.9 um ± 0.039 um").pixel_um()[0]
    assert both.sigma == pytest.approx(both.value * 0.01 * 2**0.5)
    assert pier("detection.tube_length=200 mm").pixel_um()[0].sigma is None


@pytest.mark.parametrize(
    ("change", "kind", "says"),
    [
        ("light.wavelength=0.488", UnitProblem, "without its unit"),
        ("light.wavelength=0.488 nm", RangeProblem, "if you mean 488 nm, write that: 0.488 nm is"),
        ("light.wavelength=488 um", RangeProblem, "if you mean 488 nm"),
        ("light.wavelength=488 mW", UnitProblem, "measures something else"),
        ("light.beam_quality=0.9", RangeProblem, "0.9.*\n.*1 to 1000"),
        ("light.beam_quality=1.1 mm", UnitProblem, "not a plain number"),
        ("light.beam_radius_y=1 mm", SettingProblem, "radius along both axes"),
        ("train.3.axis=", SettingProblem, "along which axis it focuses"),
        ("train.3.axis=x", SettingProblem, "'y' or 'z'"),
        ("train.3.focal_length=", SettingProblem, "cylinder needs its 'focal_length'"),
        ("train.3.focal_length=-60 mm", RangeProblem, "sign of a focal length"),
        ("train.3.focal_length=60", UnitProblem, "without its unit"),
        ("train.3.gapafter=3 mm", SettingProblem, "'gap_after' is the nearest"),
        ("train.3.shape=planoconvex", SettingProblem, "plano-convex"),
        ("train.3.shape=meniscus", RangeProblem, "needs its bending"),
        ("train.1.diameter=3 mm", SettingProblem, "An aperture has no 'diameter'"),
        ("train.1.kind=prism", SettingProblem, "'lens', 'cylinder'"),
        ("train.4.thickness=", SettingProblem, "wall needs its 'thickness'"),
        ("cell.medium=oil", SettingProblem, "'sea water'"),
        ("detection.numerical_aperture=40", RangeProblem, "0.005 to 1.6"),
        ("camera.columns=6.5", SettingProblem, "sensor pixels along the light"),
        ("stage.screw_lead=", SettingProblem, "'screw_lead' is missing"),
        ("controller.unit=inch", SettingProblem, "'steps'"),
    ],
)
def test_refused_in_words(pier, change, kind, says):
    with pytest.raises(kind) as told:
        pier(change)

    assert re.search(says, str(told.value)), str(told.value)
    assert "changed by --change" in told.value.where


def test_the_line_of_a_wrong_part_is_named(pier_text):
    text = pier_text.replace('axis = "z"\nfocal', "focal")
    with pytest.raises(SettingProblem, match="axis") as told:
        read_settings(BenchFile, text, where="bench.toml")
    line = 1 + text.splitlines().index('kind = "cylinder"')
    assert told.value.where == f"bench.toml, line {line - 1}: train[3]"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("train.4.into=", "No part of the train leads into the cell"),
        ("light.beam_radius=", "radius of the laser's beam is not stated"),
    ],
)
def test_a_train_that_is_not_whole(pier, change, says):
    with pytest.raises(SettingProblem, match=says):
        pier(change).train()


def test_changes_name_parts_by_number_name_or_kind(pier):
    for key in ("train.3", "train.sheet lens", "train.Cylinder"):
        assert pier(f"{key}.gap_after=50 mm").parts[2].gap_after_mm == 50.0
    assert pier("camera.mosaic=false").camera.mosaic is False
    for wrong, says in (
        ("gap_after=5 mm", "cannot be understood"),
        ("train.3.gap_after", "cannot be understood"),
        ("train.9.gap_after=5 mm", r"no such part.*\n.*\n.*\n?.*train.3 \(sheet lens\)"),
        ("train.gap_after=5 mm", "Which part"),
        ("title.x=1", "no table"),
        ("lamp.power=1 mW", "'lamp' is not known"),
    ):
        with pytest.raises(Problem) as told:
            pier(wrong)

        assert re.search(says, str(told.value)), str(told.value)


def test_pure_numbers():
    assert parse_ratio("1.10 ± 0.05") == Measured(1.1, 0.05)
    assert parse_ratio(2) == Measured(2.0)
    for wrong in ("1 ± 2 ± 3", "1.1 ± -0.1", True, None, "nan"):
        with pytest.raises(UnitProblem, match="not a plain number"):
            parse_ratio(wrong)
    assert Stated(1.5).value == 1.5
