"""Hold a train that was found against wave optics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planewright.base.problems import RangeProblem
from planewright.bench.search import THICK_LIMIT, Candidate
from planewright.bench.search_wish import Wish
from planewright.optics.wave import wave_sheet


@dataclass(frozen=True)
class WaveCheck:
    """What wave optics makes of a train.

    Parameters
    ----------
    ok : bool
        Whether it could be followed.
    fwhm_um, edge_um : float or None
        FWHM where the light is brightest, and at the thicker edge of the field, µm.
    waist_at_um : float or None
        Where it is brightest, µm from the middle of the field.
    passed : float or None
        Fraction of the light of the thin axis that passes all edges.
    keeps : bool
        Whether waist and edges are still as asked.
    why : str
        Why it could not be followed, or what it does not keep.
    """

    ok: bool
    fwhm_um: float | None
    edge_um: float | None
    waist_at_um: float | None
    passed: float | None
    keeps: bool
    why: str


def by_waves(candidate: Candidate, wish: Wish) -> WaveCheck:
    """Follow a train by wave optics.

    Parameters
    ----------
    candidate : Candidate
        The train.
    wish : Wish
        What was asked.

    Returns
    -------
    WaveCheck
        Its thin axis, aberration included.
    """
    try:
        found = wave_sheet(candidate.train, "z")
        ends = np.array([-0.5, 0.5]) * wish.field_um
        edge = float(found.thickness_um(ends).max())
    except RangeProblem as problem:
        return WaveCheck(False, None, None, None, None, False, f"{problem.what} {problem.got}")
    why = []
    if found.fwhm_um > (1 + THICK_LIMIT) * wish.sheet_um:
        why.append(f"{found.fwhm_um:.3g} µm thick where thinnest")
    if edge > (1 + THICK_LIMIT) * wish.edge_um:
        why.append(f"{edge:.3g} µm thick at the edges")
    return WaveCheck(
        True,
        found.fwhm_um,
        edge,
        found.waist_at_um,
        found.passed,
        not why,
        ", ".join(why),
    )
