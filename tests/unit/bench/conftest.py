"""A whole bench to spoil, one value at a time."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from planewright.base.settings import read_settings
from planewright.bench.change import changed_bench
from planewright.bench.model import BenchFile

PIER = """\
format = 1
title = "Pier bench"

[light]
wavelength = "488 nm"
power = "20 mW ± 1 mW"
beam_radius = "1.0 mm ± 0.03 mm"
beam_quality = "1.10 ± 0.05"
emission = "520 nm"

[[train]]
kind = "aperture"
name = "iris"
width = "5.5 mm"
gap_after = "80 mm"

[[train]]
kind = "mirror"
name = "fold"
diameter = "25 mm"
axis = "z"
gap_after = "70 mm ± 1 mm"

[[train]]
kind = "cylinder"
name = "sheet lens"
axis = "z"
focal_length = "60 mm"
shape = "plano-convex"
facing = "curved side first"
diameter = "20 mm"
gap_after = "53.4 mm ± 0.2 mm"

[[train]]
kind = "wall"
name = "cell wall"
thickness = "1 mm"
index = 1.52
into = "cell"
gap_after = "8 mm ± 0.2 mm"

[cell]
medium = "sea water"
temperature = "16 degC ± 1 degC"
inner_size = "24 mm"
clearance = "0.5 mm"

[detection]
numerical_aperture = 0.4
magnification = 16
design_tube_length = "200 mm"
tube_length = "200 mm ± 2 mm"
working_distance = "3 mm"
filter_passes = "505 nm"
immersion = "cell"

[camera]
pixel_pitch = "3.9 um"
columns = 6000
rows = 4000
mosaic = true
bits = 14

[stage]
screw_lead = "0.5 mm"
steps_per_turn = 200
microsteps = 16
backlash = "12 um ± 3 um"
travel = "25 mm"

[controller]
believes_lead = "1 mm"
unit = "um"
columns = ["position um", "wait s"]
"""


@pytest.fixture
def pier_text() -> str:
    """Return the text of a bench that works."""
    return PIER


@pytest.fixture
def pier() -> Callable[..., BenchFile]:
    """Return a maker of that bench with some values changed, or without any ±."""

    def make(*changes: str, exact: bool = False) -> BenchFile:
        text = re.sub(r" ± [^\"]*", "", PIER) if exact else PIER
        if not changes:
            return read_settings(BenchFile, text, where="bench.toml")
        return changed_bench(text, changes, where="bench.toml")

    return make
