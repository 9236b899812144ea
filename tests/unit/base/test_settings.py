"""Settings files: errors name the line, the key and the nearest known one."""

from __future__ import annotations

from typing import Annotated

import pytest
from pydantic import Field

from planewright.base.problems import Problem, RangeProblem, SettingProblem, UnitProblem
from planewright.base.settings import Settings, Unit, field_rows, line_of, read_settings
from planewright.base.units import Measured


class Inner(Settings):
    wavelength_nm: Annotated[float, Unit("nm", 200, 1100)] = Field(
        alias="wavelength", description="laser wavelength"
    )


class Part(Settings):
    name: str = Field(description="short name")
    angle_deg: Annotated[Measured, Unit("deg", -360, 360)] = Field(Measured(0.0), alias="angle")


class Whole(Settings):
    format: int = 1
    light: Inner | None = None
    parts: tuple[Part, ...] = Field((), alias="part")


GOOD = """\
format = 1
[light]
wavelength = "488 nm"
[[part]]
name = "a"
[[part]]
name = "b"
angle = "3 deg ± 1 deg"
"""


def test_a_good_file():
    whole = read_settings(Whole, GOOD, where="x.toml")
    assert whole.light is not None
    assert whole.light.wavelength_nm == 488.0
    assert whole.parts[1].angle_deg == Measured(3.0, 1.0)


@pytest.mark.parametrize(
    ("change", "kind", "says"),
    [
        (('"488 nm"', '"0.488 nm"'), RangeProblem, "line 3: light.wavelength"),
        (('"488 nm"', "488"), UnitProblem, "line 3: light.wavelength"),
        (("wavelength =", "wavelenght ="), SettingProblem, "'wavelength' is the nearest"),
        (("wavelength =", "wavelenght ="), SettingProblem, "line 3: light.wavelenght"),
        (("angle =", "angel ="), SettingProblem, r"line 8: part\[2\].angel"),
        (('name = "b"', ""), SettingProblem, r"line 6: part\[2\].name"),
        (("format = 1", "format = 2"), SettingProblem, "does not read"),
        (("[light]", "[light"), SettingProblem, "not valid TOML"),
        (('name = "b"', "name = 4"), SettingProblem, "short name"),
    ],
)
def test_a_wrong_file_says_where(change, kind, says):
    with pytest.raises(kind, match=says):
        read_settings(Whole, GOOD.replace(*change), where="x.toml")


def test_a_wavelength_in_micrometres_is_caught_by_its_range():
    with pytest.raises(Problem, match="200 nm to 1100 nm"):
        read_settings(Whole, '[light]\nwavelength = "0.488 nm"', where="x.toml")


def test_lines_of_keys():
    assert line_of(GOOD, ("part", 1, "angle")) == 8
    assert line_of(GOOD, ("part", 0, "angle")) == 4
    assert line_of(GOOD, ("nothing",)) == 1


def test_one_definition_feeds_the_table():
    rows = {row.key: row for row in field_rows(Whole)}
    assert rows["light.wavelength"].unit == "nm"
    assert rows["light.wavelength"].high == 1100
    assert rows["light.wavelength"].needed
    assert rows["part.name"].help == "short name"
