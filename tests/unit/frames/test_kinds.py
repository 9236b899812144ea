"""Photographs of one pass that are not of one kind."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from planewright.base.nouns import Severity
from planewright.frames import Exposure, Header, Photograph, same_kind

_TURNED = (
    "The camera marked some photographs as turned; none was turned, all stay as the sensor saw "
    "them."
)


def _shots(count: int, **changed: Any) -> list[Photograph]:
    exposure = Exposure(camera="Fieldcam F2", serial="7", orientation=1)
    header = Header(Path("f.dng"), "raw", 40, 60, 1, 14, "RGGB", exposure)
    plain = [Photograph(Path(f"F_{n}.dng"), 0, f"F_{n}.dng", header, n) for n in range(count)]
    for key, value in changed.items():
        if hasattr(exposure, key):
            other = replace(header, exposure=replace(exposure, **{key: value}))
        else:
            other = replace(header, **{key: value})
        plain[2] = replace(plain[2], header=other)
    return plain


@pytest.mark.parametrize(
    ("changed", "code", "severity", "what", "got", "expected"),
    [
        (
            {"rows": 44},
            "two-sizes",
            Severity.FAULT,
            "Photographs of one pass differ in size; one volume cannot be made of them.",
            "44 × 60 pixels in 1",
            "40 × 60 pixels, as in 4 of 5",
        ),
        (
            {"serial": "8"},
            "two-cameras",
            Severity.FAULT,
            "Photographs of one pass were taken with different cameras.",
            "Fieldcam F2 8 in 1",
            "Fieldcam F2 7, as in 4 of 5",
        ),
        (
            {"bits": 12},
            "two-formats",
            Severity.FAULT,
            "Photographs of one pass differ in how they hold light.",
            "raw, 12 bits, RGGB in 1",
            "raw, 14 bits, RGGB, as in 4 of 5",
        ),
        (
            {"orientation": 6},
            "orientation-flip",
            Severity.NOTE,
            _TURNED,
            "orientation 6 in 1",
            "orientation 1, as in 4 of 5",
        ),
    ],
)
def test_odd_one_is_named(
    changed: dict[str, Any], code: str, severity: Severity, what: str, got: str, expected: str
) -> None:
    (finding,) = same_kind(_shots(5, **changed))
    assert (finding.code, finding.severity, finding.what) == (code, severity, what)
    assert (finding.got, finding.expected) == (got, expected)
    assert finding.do
    assert finding.photographs == ("F_2.dng",)


def test_one_kind_has_no_findings() -> None:
    assert same_kind(_shots(5)) == []
    assert same_kind([]) == []


def test_orientation_not_stated_is_upright() -> None:
    assert same_kind(_shots(5, orientation=None)) == []
