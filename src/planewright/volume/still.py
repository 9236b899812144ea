"""The slow part of a stack's shifts from beads that stand still in the gel.

A bead shows in several planes, always at the same place, and beads overlap in depth: a chain of
them ties the first plane to the last. Its places in the planes are the bead's own place plus the
plane's displacement; both are solved for together by least squares. A spot that walks (a fibre cut
across) does not fit and is weighted down or dropped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.kernels.spots import Spot

Floats = NDArray[np.float64]

_NEAR_PX = 1.5  # a spot this close to where a bead was, jitter taken off, is that bead
_LOOK = 3  # planes over which a bead may go unseen
_LONGEST = 4.0  # times the usual track: longer ones are no beads
_UNLIKE_PX = 0.3  # walk against the other tracks nearby, px a plane, that no bead has
_SHORTEST = 3  # planes in which a bead must show
_STEP_PX = 0.15  # how well neighbours' content ties planes where no bead does
_STILL_PX = 0.04  # fastest walk, px a plane, of what passes for standing still


@dataclass(frozen=True)
class SlowPart:
    """Displacement of each plane from what stands still.

    Parameters
    ----------
    ok : bool
        Whether enough beads were found.
    place : ndarray of shape (n, 2)
        Displacement (y, x) of each plane's content, px, with zero mean.
    beads : int
        How many beads were used.
    longest_untied : int
        Longest run of planes over which no two beads tie neighbours, planes.
    why : str
        Why not, where not ok.
    """

    ok: bool
    place: Floats
    beads: int
    longest_untied: int
    why: str = ""


def slow_from_spots(
    spots: Mapping[int, Sequence[Spot]], rough: Floats, part: NDArray[np.intp]
) -> SlowPart:
    """Solve for the displacements of planes from beads.

    Parameters
    ----------
    spots : mapping of int to sequence of Spot
        Spots of each plane.
    rough : ndarray of shape (n, 2)
        Displacements from neighbours' content, px; good to about 1 px from plane to plane.
    part : ndarray of shape (n,)
        Stretch of planes that ``rough`` connects; -1 for none.

    Returns
    -------
    SlowPart
        The result, or why there is none.
    """
    n = len(rough)
    tracks = _alike(_tracks(spots, rough), rough)
    if len(tracks) < 2:
        return SlowPart(False, np.zeros((n, 2)), len(tracks), n, "fewer than two beads were found")
    plane = np.concatenate([t[:, 0] for t in tracks]).astype(np.intp)
    bead = np.repeat(np.arange(len(tracks)), [len(t) for t in tracks])
    where = np.concatenate([t[:, 1:3] for t in tracks])
    info = 1.0 / (np.concatenate([t[:, 3] for t in tracks]) ** 2 + 0.02**2)
    trust = np.ones(len(info))
    alive = np.ones(len(tracks), dtype=bool)
    place = np.zeros((n, 2))
    for turn in range(12):
        weight = info * trust * alive[bead]
        place, home = _solve(plane, bead, where, weight, rough, part, len(tracks))
        off = where - place[plane] - home[bead]
        far = np.sqrt((off**2).sum(1) * info)
        trust = np.minimum(1.0, 3.0 / np.maximum(far, 1e-12)) ** 2
        if turn >= 2:
            alive = _still_ones(plane, bead, off, info, len(tracks))
    used = alive[bead] & (trust > 0.2)
    if alive.sum() < 2:
        return SlowPart(False, place, 0, n, "no two beads stand still")
    longest = _longest_untied(plane[used], bead[used], n, part)
    return SlowPart(True, place - place.mean(0), int(alive.sum()), longest)


def _tracks(spots: Mapping[int, Sequence[Spot]], rough: Floats) -> list[Floats]:
    """Link spots of successive planes; return (plane, y, x, sigma) of each bead."""
    open_tracks: list[list[tuple[float, float, float, float]]] = []
    done: list[list[tuple[float, float, float, float]]] = []
    for k in sorted(spots):
        fresh = list(spots[k])
        here = np.array([[s.y, s.x] for s in fresh]).reshape(-1, 2) - rough[k]
        keep = []
        taken = np.zeros(len(fresh), dtype=bool)
        for track in open_tracks:
            last = int(track[-1][0])
            if k - last > _LOOK:
                done.append(track)
                continue
            keep.append(track)
            if not len(fresh):
                continue
            home = np.array(track[-1][1:3]) - rough[last]
            gap = np.hypot(*(here - home).T) + np.where(taken, np.inf, 0.0)
            best = int(np.argmin(gap))
            if gap[best] < _NEAR_PX:
                taken[best] = True
                s = fresh[best]
                track.append((float(k), s.y, s.x, s.sigma))
        open_tracks = keep + [
            [(float(k), s.y, s.x, s.sigma)] for s, t in zip(fresh, taken, strict=True) if not t
        ]
    return [np.array(t) for t in done + open_tracks if len(t) >= _SHORTEST]


def _alike(tracks: list[Floats], rough: Floats) -> list[Floats]:
    """Drop tracks that last, or walk against the rough displacements, unlike most others.

    A bead is seen for as long as the instrument blurs along z, every bead for about as long. The
    rough displacements may walk, but all beads then walk alike against them.
    """
    if len(tracks) < 3:
        return tracks
    length = np.array([len(t) for t in tracks])
    walk = np.array(
        [np.polyfit(t[:, 0], t[:, 1:3] - rough[t[:, 0].astype(np.intp)], 1)[0] for t in tracks]
    )
    middle = np.array([0.5 * (t[0, 0] + t[-1, 0]) for t in tracks])
    out = []
    for index, track in enumerate(tracks):
        near = np.argsort(np.abs(middle - middle[index]), kind="stable")[:15]
        off = np.abs(walk[index] - np.median(walk[near], axis=0)).max()
        if length[index] <= _LONGEST * np.median(length) and off < _UNLIKE_PX:
            out.append(track)
    return out


def _solve(
    plane: NDArray[np.intp],
    bead: NDArray[np.intp],
    where: Floats,
    weight: Floats,
    rough: Floats,
    part: NDArray[np.intp],
    beads: int,
) -> tuple[Floats, Floats]:
    """Least squares for planes and beads; the beads are eliminated first."""
    n = len(rough)
    share = np.zeros((n, beads))
    np.add.at(share, (plane, bead), weight)
    total = np.maximum(share.sum(0), 1e-12)
    matrix = np.diag(share.sum(1)) - (share / total) @ share.T
    load = np.zeros((n, 2))
    np.add.at(load, plane, weight[:, None] * where)
    pull = np.zeros((beads, 2))
    np.add.at(pull, bead, weight[:, None] * where)
    load -= (share / total) @ pull
    tie = _STEP_PX**-2
    for k in range(n - 1):
        if part[k] >= 0 and part[k] == part[k + 1]:
            matrix[k, k] += tie
            matrix[k + 1, k + 1] += tie
            matrix[k, k + 1] -= tie
            matrix[k + 1, k] -= tie
            step = tie * (rough[k + 1] - rough[k])
            load[k + 1] += step
            load[k] -= step
    matrix += 1e-9 * np.eye(n)
    place = np.linalg.solve(matrix, load)
    home = (pull - share.T @ place) / total[:, None]
    return place, home


def _still_ones(
    plane: NDArray[np.intp], bead: NDArray[np.intp], off: Floats, info: Floats, beads: int
) -> NDArray[np.bool_]:
    """Tell which tracks stand still: no walk faster than allowed that noise does not explain."""
    count = np.maximum(np.bincount(bead, weights=info, minlength=beads), 1e-12)
    middle = np.bincount(bead, weights=info * plane, minlength=beads) / count
    t = plane - middle[bead]
    length = np.maximum(np.bincount(bead, weights=info * t * t, minlength=beads), 1e-12)
    still = np.ones(beads, dtype=bool)
    for axis in range(2):
        walk = np.bincount(bead, weights=info * t * off[:, axis], minlength=beads) / length
        still &= np.abs(walk) < _STILL_PX + 3.0 / np.sqrt(length)
    return still


def _longest_untied(
    plane: NDArray[np.intp], bead: NDArray[np.intp], n: int, part: NDArray[np.intp]
) -> int:
    """Return the longest run of steps from plane to plane that no bead spans."""
    tied = np.zeros(max(n - 1, 0), dtype=bool)
    for b in np.unique(bead):
        own = plane[bead == b]
        tied[own.min() : own.max()] = True
    needed = part >= 0
    longest = run = 0
    for k in range(n - 1):
        run = 0 if tied[k] or not (needed[k] and needed[k + 1]) else run + 1
        longest = max(longest, run)
    return longest
