"""A drawer is read whatever its units, and each slip is told by its row."""

from __future__ import annotations

from pathlib import Path

import pytest

from planewright.base.problems import Problem
from planewright.bench.drawer import read_drawer
from planewright.optics.elements import Shape

DEMO = Path(__file__).parents[3] / "docs" / "drawer.csv"


@pytest.fixture
def drawer(tmp_path):
    def write(text: str, encoding: str = "utf-8") -> Path:
        path = tmp_path / "drawer.csv"
        path.write_text(text, encoding)
        return path

    return write


def test_demo_drawer():
    lenses = read_drawer(DEMO)
    assert len(lenses) == 36
    assert sum(lens.kind == "cylinder" for lens in lenses) == 10
    assert all(lens.clear_mm < 50 for lens in lenses)


def test_units_in_header_or_cells_are_the_same(drawer):
    rows = [
        "name,kind,focal_length_mm,diameter [mm],shape\nA,lens,50,22.5,achromat\n",
        "name,kind,Focal length,diameter,shape\n\nA, Lens ,5 cm,22.5 mm,Achromat\n,,,,\n",
        "name,kind,focal_length (cm),diameter_cm,shape,note\nA,lens,5,22.5 mm,achromat,mine\n",
    ]
    first, *others = [read_drawer(drawer(text, "utf-8-sig"))[0] for text in rows]
    assert others == [first, first]
    assert (first.focal_length_mm, first.clear_mm, first.shape) == (50.0, 22.5, Shape.ACHROMAT)
    assert first.is_round


def test_what_is_left_out(drawer):
    text = (
        "name,kind,focal_length_mm,diameter_mm,width_mm,count\n"
        ",cylinder,\u221250,,18,2\nB,lens,75,20,,\n"
    )
    a, b = read_drawer(drawer(text))
    assert (a.shape, a.focal_length_mm, a.count) == (Shape.PLANO_CONCAVE, -50.0, 2)
    assert "row 2" in a.name
    assert not a.is_round
    assert (b.shape, b.count, b.glass_index) == (Shape.PLANO_CONVEX, 1, 1.52)


HEAD = "name,kind,focal_length_mm,diameter_mm,width_mm,shape,count,bending\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        (HEAD, "no lens in it"),
        ("name;kind;focal_length_mm;diameter_mm\nA;lens;50,5;20\n", "not parted by commas"),
        ("name,kind,focal,diameter\n", "is focal_length meant"),
        ("name,kind,focal_length,price\n", "not known"),
        ("name,kind,focal_length_mm\n", "add diameter or width"),
        ("name,kind,name,focal_length_mm,width\n", "stands twice"),
        (HEAD + "A,lens,50,20,,,,\nB,prism,50,20,,,,\n", "row 3, kind"),
        (HEAD + "A,lens,,20,,,,\n", "row 2, focal_length"),
        (HEAD + "A,lens,0,20,,,,\n", "1 to 5000 mm"),
        (HEAD + "A,lens,50,,,,,\n", "neither"),
        (HEAD + "A,lens,50,20,20,,,\n", "both"),
        (HEAD + "A,lens,50,0.1,,,,\n", "0.5 to 500 mm"),
        (HEAD + "A,lens,50,20,,planoconvex,,\n", "plano-convex, plano-concave"),
        (HEAD + "A,lens,-50,20,,plano-convex,,\n", "sign"),
        (HEAD + "A,lens,50,20,,meniscus,,\n", "bending"),
        (HEAD + "A,lens,50,20,,,1.5,\n", "count"),
        (HEAD + "A,lens,50,20,,,,,7\n", "more cells"),
        (HEAD + "A,lens,50,20,,,,\nA,lens,60,20,,,,\n", "rows 2 and 3"),
        ("name,kind,focal_length,diameter_mm\nA,lens,50,20\n", "without its unit"),
        ("name,kind,focal_length,diameter_mm\nA,lens,50 kg,20\n", "measures something else"),
        ('name,kind,focal_length,diameter_mm\nA,lens,"50,5 mm",20\n', "comma"),
    ],
)
def test_slips_are_told(drawer, text, told):
    with pytest.raises(Problem) as caught:
        read_drawer(drawer(text))
    assert told in str(caught.value)
    assert "drawer.csv" in caught.value.where
