"""Which trains a drawer can make: kinds of train, and every choice of lenses for each.

A kind of train is a row of places for lenses and a rule for every gap between them. The last
gap is never a matter of choice: it brings the waist to the middle of the field.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planewright.bench.drawer import Kind, OwnedLens
from planewright.optics.elements import ActsOn, Shape

Picks = NDArray[np.intp]
Rule = Literal["afocal", "free", "y focus", "z focus"]

INTO_CELL = "cylinder into the cell"
BEFORE_OBJECTIVE = "cylinder before an objective"
_MOST_PAIRS = 64  # pairs kept, spread over magnification, where all would be too many
_MOST_TRAINS = 400_000  # of one kind of train
_MOST_MAGNIFICATION = 12.0


@dataclass(frozen=True)
class Plan:
    """One kind of train.

    Parameters
    ----------
    layout : str
        Which of the two ways to make a sheet.
    roles : tuple of str
        What each lens is there for.
    kinds : tuple of {"lens", "cylinder"}
        What each place needs.
    acts_on : tuple of {"both", "y", "z"}
        Axis in which the lens of each place focuses.
    rules : tuple of str
        For the gap behind each lens but the last: ``"afocal"`` is the sum of both focal lengths,
        ``"free"`` any position on the rail, ``"y focus"`` puts the next lens its focal length
        behind the waist of y.
    """

    layout: str
    roles: tuple[str, ...]
    kinds: tuple[Kind, ...]
    acts_on: tuple[ActsOn, ...]
    rules: tuple[Rule, ...]

    @property
    def has_free_gap(self) -> bool:
        """Whether the train changes with where its expander stands."""
        return self.roles.count("expander") == 1


def plans() -> tuple[Plan, ...]:
    """Return the twelve kinds of train, the simple ones first."""
    out = [
        _plan(layout, expanders, relay)
        for expanders in (0, 1, 2)
        for relay in (False, True)
        for layout in (INTO_CELL, BEFORE_OBJECTIVE)
    ]
    return tuple(sorted(out, key=lambda plan: len(plan.roles)))


def _plan(layout: str, expanders: int, relay: bool) -> Plan:
    roles = ["expander"] * expanders + ["cylinder"] + ["relay", "relay"] * relay
    rules: list[Rule] = ["afocal"] * (expanders == 2)
    rules += ["free"] * (expanders > 0)
    focus: Rule = "z focus" if layout == INTO_CELL else "y focus"
    rules += [focus, "afocal"] if relay else []
    if layout == BEFORE_OBJECTIVE:
        roles.append("objective")
        rules.append(focus)
    kinds: list[Kind] = ["cylinder" if role == "cylinder" else "lens" for role in roles]
    axis: ActsOn = "z" if layout == INTO_CELL else "y"
    acts: list[ActsOn] = [axis if kind == "cylinder" else "both" for kind in kinds]
    return Plan(layout, tuple(roles), tuple(kinds), tuple(acts), tuple(rules))


class Pool:
    """The different lenses of a drawer, as arrays.

    Parameters
    ----------
    lenses : sequence of OwnedLens
        The drawer; lenses that differ by name only count as several of one.
    thought_of : sequence of OwnedLens
        Lenses that are not in the drawer: every train then has exactly one of them.
    """

    def __init__(self, lenses: Sequence[OwnedLens], thought_of: Sequence[OwnedLens] = ()) -> None:
        groups: dict[tuple[object, ...], list[OwnedLens]] = {}
        for lens in lenses:
            key = (lens.kind, lens.focal_length_mm, lens.clear_mm, lens.shape, lens.is_round)
            groups.setdefault((*key, lens.glass_index, lens.bending), []).append(lens)
        self.groups = [*groups.values(), *([lens] for lens in thought_of)]
        first = [group[0] for group in self.groups]
        self.lenses = first
        self.count = np.array([sum(lens.count for lens in group) for group in self.groups])
        self.owned = np.arange(len(first)) < len(groups)
        self.must_buy = len(thought_of) > 0
        self.focal_mm = np.array([lens.focal_length_mm for lens in first])
        self.half_mm = np.array([lens.clear_mm / 2 for lens in first])
        self.is_round = np.array([lens.is_round for lens in first])
        self.glass_index = np.array([lens.glass_index for lens in first])
        self.bending = np.array([_bending(lens) for lens in first])
        self.perfect = np.array([lens.shape in (Shape.ACHROMAT, Shape.IDEAL) for lens in first])
        self._kind = np.array([lens.kind for lens in first])

    def of_kind(self, kind: Kind) -> Picks:
        """Return the numbers of all lenses of a kind."""
        return np.flatnonzero(self._kind == kind)

    def names(self, picks: Sequence[int]) -> list[str]:
        """Return the names of the lenses of one train; of several equal ones, one after another."""
        out, used = [], dict.fromkeys(picks, 0)
        for pick in picks:
            each = [lens.name for lens in self.groups[pick] for _ in range(lens.count)]
            out.append(each[used[pick]])
            used[pick] += 1
        return out


def _bending(lens: OwnedLens) -> float:
    if lens.bending is not None:
        return lens.bending
    return 0.0 if lens.shape in (Shape.BICONVEX, Shape.BICONCAVE) else 1.0


def choices(
    plan: Plan, pool: Pool, *, free_mm: Sequence[float], longest_mm: float
) -> tuple[Picks, NDArray[np.float64]]:
    """Return every choice of lenses for a kind of train.

    Parameters
    ----------
    plan : Plan
        The kind of train.
    pool : Pool
        The lenses.
    free_mm : sequence of float
        Positions of a single expander lens before the next, mm; the first one serves where the
        position does not matter.
    longest_mm : float
        Longest train, mm.

    Returns
    -------
    picks : ndarray of shape (L, N)
        Numbers of lenses in the pool, no lens used more often than it is there.
    free : ndarray of shape (N,)
        The free gap, mm.
    """
    distances = np.array(free_mm if plan.has_free_gap else free_mm[:1], dtype=np.float64)
    for most in (None, _MOST_PAIRS, _MOST_PAIRS // 2, _MOST_PAIRS // 4):
        blocks = list(_blocks(plan, pool, longest_mm, most))
        total = int(np.prod([block.shape[1] for block in blocks])) * len(distances)
        if total <= _MOST_TRAINS:
            break
    sizes = [block.shape[1] for block in blocks]
    grid = np.indices((*sizes, len(distances)), dtype=np.intp).reshape(len(sizes) + 1, -1)
    picks = np.concatenate([block[:, at] for block, at in zip(blocks, grid, strict=False)])
    keep = _possible(picks, pool)
    if pool.must_buy:
        keep &= (~pool.owned[picks]).sum(axis=0) == 1
    return picks[:, keep], distances[grid[-1][keep]]


def _blocks(plan: Plan, pool: Pool, longest_mm: float, most: int | None) -> Iterator[Picks]:
    """Return the choices for each part of a train: expander, cylinder, relay, objective."""
    for role in dict.fromkeys(plan.roles):
        lenses = pool.of_kind("cylinder" if role == "cylinder" else "lens")
        if plan.roles.count(role) == 1:
            yield lenses[None, :]
        else:
            yield _pairs(lenses, pool, longest_mm, most, relay=role == "relay")


def _pairs(lenses: Picks, pool: Pool, longest_mm: float, most: int | None, *, relay: bool) -> Picks:
    """Return pairs that make an afocal telescope; a relay is of two converging lenses."""
    first, second = (a.ravel() for a in np.meshgrid(lenses, lenses, indexing="ij"))
    f1, f2 = pool.focal_mm[first], pool.focal_mm[second]
    times = np.abs(f2 / f1)
    keep = (f1 + f2 > 0) & (f1 + f2 < longest_mm) & (np.maximum(times, 1 / times) > 1.02)
    keep &= np.maximum(times, 1 / times) < _MOST_MAGNIFICATION
    if relay:
        keep = (f1 > 0) & (f2 > 0) & (2 * (f1 + f2) < longest_mm)
    pairs = np.stack([first[keep], second[keep]])
    pairs = pairs[:, _possible(pairs, pool)]
    if most is None or pairs.shape[1] <= most:
        return pairs
    # of each step of magnification the shortest: it is the stiffest and leaves the most room
    f1, f2 = pool.focal_mm[pairs]
    step = np.round(np.log(np.abs(f2 / f1)) * most / (2 * np.log(_MOST_MAGNIFICATION)))
    order = np.lexsort((f1 + f2, step))
    _, kept = np.unique(step[order], return_index=True)
    return pairs[:, order[kept]]


def _possible(picks: Picks, pool: Pool) -> NDArray[np.bool_]:
    keep = np.ones(picks.shape[1], dtype=bool)
    for a, b in combinations(range(len(picks)), 2):
        keep &= (picks[a] != picks[b]) | (pool.count[picks[a]] > 1)
    if len(picks) > 2 and (pool.count > 1).any():
        for k in range(len(picks)):
            uses = (picks == picks[k]).sum(axis=0)
            keep &= uses <= pool.count[picks[k]]
    if pool.must_buy:
        keep &= (~pool.owned[picks]).sum(axis=0) <= 1
    return keep
