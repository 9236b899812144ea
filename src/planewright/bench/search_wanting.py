"""When nothing in the drawer does it: which one lens would."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from planewright.bench.drawer import Kind, OwnedLens
from planewright.bench.search import Candidate, beam_at_lenses_mm, search
from planewright.bench.search_wish import Wish
from planewright.optics.elements import Shape

# focal lengths that are sold by many, mm; common practice, no source
_COMMON_MM = (
    *(10.0, 12.5, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 75.0, 80.0, 100.0, 125.0),
    *(150.0, 175.0, 200.0, 250.0, 300.0, 400.0, 500.0),
)
_DIVERGING_MM = (-15.0, -25.0, -50.0, -75.0, -100.0)


@dataclass(frozen=True)
class Wanting:
    """One lens that would make the drawer do what is asked.

    Parameters
    ----------
    kind : {"lens", "cylinder"}
        Round or cylinder.
    focal_length_mm : float
        In air; negative for a diverging lens.
    shape : Shape
        A plano lens where that will do, else an achromat.
    least_diameter_mm : float
        Least clear opening: four radii of the beam in the thin axis, three in the other.
    train : Candidate
        The train that it makes; the new lens stands in it without a rim.
    """

    kind: Kind
    focal_length_mm: float
    shape: Shape
    least_diameter_mm: float
    train: Candidate

    @property
    def sentence(self) -> str:
        """What to get, for a person."""
        what = "cylinder" if self.kind == "cylinder" else "round lens"
        return (
            f"one {self.shape.value} {what} of {self.focal_length_mm:g} mm, clear over at least "
            f"{self.least_diameter_mm:g} mm"
        )


def wanting(lenses: Sequence[OwnedLens], wish: Wish) -> Wanting | None:
    """Return the one lens that would make a drawer do what is asked.

    Parameters
    ----------
    lenses : sequence of OwnedLens
        The drawer.
    wish : Wish
        What is asked.

    Returns
    -------
    Wanting or None
        The lens of the best train with one lens more, of common focal lengths; None where no
        single lens does it.
    """
    for perfect in (False, True):
        thought_of = _thought_of(perfect)
        found = search(
            lenses,
            wish,
            thought_of=thought_of,
            most_rated=40_000,
            shown=3,
            looked_at=3,
            falling_short=0,
        )
        for candidate in found.best:
            if not candidate.does_it:
                break
            lens = next(lens for lens in thought_of if lens.name in candidate.names)
            place = candidate.names.index(lens.name)
            w_y, w_z = beam_at_lenses_mm(candidate.train)[place]
            least = float(math.ceil(2.0 * max(4.0 * w_z, 3.0 * w_y)) / 2.0)
            if least > 0.9 * abs(lens.focal_length_mm):
                continue  # no singlet is that wide
            return Wanting(lens.kind, lens.focal_length_mm, lens.shape, least, candidate)
    return None


def _thought_of(perfect: bool) -> list[OwnedLens]:
    kinds: tuple[Kind, Kind] = ("lens", "cylinder")
    focal = {"lens": (*_COMMON_MM, *_DIVERGING_MM), "cylinder": _COMMON_MM}
    out = []
    for kind in kinds:
        for mm in focal[kind]:
            shape = Shape.PLANO_CONVEX if mm > 0 else Shape.PLANO_CONCAVE
            shape = Shape.ACHROMAT if perfect else shape
            name = f"+{'C' if kind == 'cylinder' else 'S'}{mm:g}"
            out.append(OwnedLens(name, kind, mm, math.inf, shape, is_round=kind == "lens"))
    return out
