"""Problems keep their parts; quantities keep their units."""

from __future__ import annotations

import pickle

import pytest

from planewright.base.problems import Problem, RangeProblem, StoppedProblem, UnitProblem
from planewright.base.units import Measured, parse_measured, parse_quantity, show


def test_a_problem_says_what_where_got_expected_do():
    problem = RangeProblem("Too dark.", where="f.dng", got="2 e", expected="900 e", do="open up")
    assert str(problem).splitlines() == [
        "Too dark.",
        "  where     f.dng",
        "  got       2 e",
        "  expected  900 e",
        "  do        open up",
    ]
    assert problem.to_dict()["kind"] == "range"
    assert problem.exit_code == 2
    assert StoppedProblem("x").exit_code == 130
    assert Problem("x").exit_code == 1


def test_a_problem_crosses_processes_whole():
    problem = UnitProblem("No unit.", where="a", got="3", do="write one")
    again = pickle.loads(pickle.dumps(problem))
    assert type(again) is UnitProblem
    assert again.to_dict() == problem.to_dict()


@pytest.mark.parametrize(
    ("text", "unit", "value", "sigma"),
    [
        ("2.5 um", "um", 2.5, None),
        ("2.5 µm", "um", 2.5, None),
        ("0.412 um ± 0.002 um", "um", 0.412, 0.002),
        ("0.412 um +/- 2 nm", "um", 0.412, 0.002),
        ("0.412 ± 0.002 um", "um", None, None),
        ("488nm", "um", 0.488, None),
        ("75 mm", "mm", 75.0, None),
        ("37 deg", "deg", 37.0, None),
        ("-90°", "deg", -90.0, None),
        ("16 degC", "degC", 16.0, None),
        ("61 degF", "degC", 16.1111, None),
        ("16 °C ± 1", "degC", 16.0, 1.0),
        ("1/100 s", "s", None, None),
        ("1e3 um", "mm", 1.0, None),
    ],
)
def test_quantities(text, unit, value, sigma):
    if value is None:
        with pytest.raises(UnitProblem):
            parse_measured(text, unit)
        return
    got = parse_measured(text, unit)
    assert got.value == pytest.approx(value, rel=1e-5)
    assert got.sigma == (None if sigma is None else pytest.approx(sigma))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (2.5, "without its unit"),
        ("2.5", "without its unit"),
        ("2.5 parsec-ish", "not known"),
        ("2.5 kg", "something else"),
        ("wide", "not a number"),
        ("1 um ± 2 um ± 3 um", "More than one"),
        ("1 um ± -2 um", "negative"),
        ("1e999 um", "not a finite"),
        (True, "not a quantity"),
    ],
)
def test_what_is_no_quantity_is_refused(text, says):
    with pytest.raises(UnitProblem, match=says):
        parse_quantity(text, "um")


def test_shown_with_the_digits_that_the_uncertainty_allows():
    assert show(0.41234, "um", sigma=0.0021) == "0.4123 ± 0.0021 µm"
    assert show(12.4, "um") == "12.4 µm"
    assert show(37.0, "deg") == "37°"
    assert Measured(1.0).sigma is None
