"""Whether the photographs of one pass are of one kind: size, camera, format, orientation."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import TypeVar

from planewright.base.nouns import Finding, Severity
from planewright.frames.nouns import Photograph

Key = TypeVar("Key", bound=Hashable)


def same_kind(photographs: Sequence[Photograph]) -> list[Finding]:
    """Name the photographs of a pass that differ from most in size, camera, kind or orientation.

    Parameters
    ----------
    photographs : sequence of Photograph
        One pass, in any order.

    Returns
    -------
    list of Finding
        Empty where all are of one kind.
    """
    found: list[Finding] = []
    found += _odd_ones(
        photographs,
        lambda one: (one.header.rows, one.header.columns),
        lambda size: f"{size[0]} × {size[1]} pixels",
        Finding(
            "two-sizes",
            Severity.FAULT,
            "Photographs of one pass differ in size; one volume cannot be made of them.",
            do="give each size a pass of its own in session.toml, or take the odd ones out",
        ),
    )
    found += _odd_ones(
        photographs,
        lambda one: (one.header.exposure.camera, one.header.exposure.serial),
        lambda camera: " ".join(part for part in camera if part) or "no camera stated",
        Finding(
            "two-cameras",
            Severity.FAULT,
            "Photographs of one pass were taken with different cameras.",
            do="give each camera a pass of its own in session.toml, or take the odd ones out",
        ),
    )
    found += _odd_ones(
        photographs,
        lambda one: (one.header.kind, one.header.bits, one.header.pattern),
        lambda kind: f"{kind[0]}, {kind[1]} bits, {kind[2] or 'one colour'}",
        Finding(
            "two-formats",
            Severity.FAULT,
            "Photographs of one pass differ in how they hold light.",
            do="use one format for the whole pass, best the camera's RAW",
        ),
    )
    found += _odd_ones(
        photographs,
        lambda one: one.header.exposure.orientation or 1,
        lambda orientation: f"orientation {orientation}",
        Finding(
            "orientation-flip",
            Severity.NOTE,
            "The camera marked some photographs as turned; none was turned, all stay as the sensor "
            "saw them.",
            do="nothing; switch off automatic rotation in the camera to avoid doubt",
        ),
    )
    return found


def _odd_ones(
    photographs: Sequence[Photograph],
    key: Callable[[Photograph], Key],
    show: Callable[[Key], str],
    finding: Finding,
) -> list[Finding]:
    counts = Counter(key(one) for one in photographs)
    if len(counts) < 2:
        return []
    usual = max(counts, key=lambda value: counts[value])  # the first met, where equally many
    odd = [one.name for one in photographs if key(one) != usual]
    others = [value for value in counts if value != usual]
    got = "; ".join(f"{show(value)} in {counts[value]}" for value in others[:3])
    if len(others) > 3:
        got += f"; {len(others) - 3} more kinds"
    return [
        replace(
            finding,
            got=got,
            expected=f"{show(usual)}, as in {counts[usual]} of {len(photographs)}",
            photographs=tuple(odd),
        )
    ]
