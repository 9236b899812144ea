"""Steadying: taking the jitter of a stack away and leaving the specimen's own slant alone.

What a stack can tell and what it cannot. Real structure walks sideways from plane to plane (a
slanted fibre, a slanted tissue), and no measurement on the stack alone tells a slow walk of the
content from a slow drift of the photographs. So shifts are measured between near planes, joined to
one displacement per frame, and only the part that varies faster than a stated period is taken
away. The part that varies more slowly is left as it was found and is named in the result. Where
the session names something that stands still (gel beads, a wall), that fixes the slow part too.

The transfer is sharp. The slow part is the orthogonal projection of the displacements on a
constant, a straight line, and ``cos(pi j (k + 1/2) / n)`` for all j with a period ``2 n / j``
longer than ``cutoff_frames``; n is the number of planes from first to last, k counts them.
Everything else is removed in full. A straight slant, however steep, lies in the slow part exactly,
up to both ends of the stack.

Order of use, all pure functions on a few planes at a time::

    view = view_of_plane(plane, mask, settings=...)           one transform a plane
    pairs = pairs_of_block(views, first, last, settings=...)   needs views of needed_views(...)
    spots = spots_of_plane(plane, mask, settings=...)          only with reference "gel beads"
    steadying = solve(pairs, n, settings=..., spots=...)
    shift_plane(plane, mask, dy=steadying.shift_y[k], dx=steadying.shift_x[k])
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import scipy.sparse as sp
import scipy.sparse.linalg as spl
from numpy.typing import NDArray

from planewright.base.problems import RangeProblem
from planewright.kernels.register import View, pair_shift, prepare
from planewright.kernels.spots import Spot, find_spots
from planewright.volume.still import slow_from_spots

Floats = NDArray[np.float64]

GEL_BEADS = "gel beads"
WALL = "wall"
_STEP_PX = 0.1  # px: how far content may walk from plane to plane, where a wall can tell
_RIVAL = 0.5  # a pair with a second peak above this share of the first may be mistaken
_FEW_TILES = 8.0  # a pair that rests on fewer may be mistaken too
_NEAR_PX = 12.0  # px: what may be mistaken is looked for so near only, if it is found there
_LEAST_JUMP_PX = 0.5
_EVEN_PX = 0.1  # planes known to this, px, or better have an equal say in what is slow


@dataclass(frozen=True)
class SteadySettings:
    """How a stack is steadied.

    Parameters
    ----------
    cutoff_frames : float
        Longest period that is removed, frames.
    span : int
        How far apart two planes may be that are compared over a gap, planes.
    reach_px : float
        Largest shift between two frames that is looked for, px.
    reference : str
        What stands still: ``"gel beads"``, ``"wall"`` (with ``region``), or ``""`` for nothing.
    region : tuple of int or None
        First row, end row, first column, end column of the wall, px.
    anchor_frames : int
        With a wall: every frame is tied to the nearest of the frames this far apart.
    noise_slope : float or None
        Variance per unit of light: 1 for electrons. None if not known.
    noise_floor : float
        Variance without light (read noise squared).
    """

    cutoff_frames: float = 40.0
    span: int = 3
    reach_px: float = 40.0
    reference: str = ""
    region: tuple[int, int, int, int] | None = None
    anchor_frames: int = 32
    noise_slope: float | None = 1.0
    noise_floor: float = 0.0

    def __post_init__(self) -> None:
        if self.cutoff_frames < 4:
            raise RangeProblem(
                "The longest period to steady is too short.",
                got=f"{self.cutoff_frames} frames",
                expected="4 frames or more",
            )
        if self.span < 1:
            raise RangeProblem("Planes at no distance cannot be compared.", got=f"{self.span}")


@dataclass(frozen=True)
class Pair:
    """A measured displacement of plane ``second`` against plane ``first``, px.

    Parameters
    ----------
    first, second : int
        Positions in the stack.
    ok : bool
        Whether it can be used.
    dy, dx, sigma_y, sigma_x, quality, rival, tiles : float
        As in ``kernels.register.Shift``.
    still : bool
        Measured on what stands still, so without the specimen's own walk.
    why : str
        Reason where not ok.
    """

    first: int
    second: int
    ok: bool
    dy: float
    dx: float
    sigma_y: float
    sigma_x: float
    quality: float
    rival: float = 0.0
    tiles: float = math.inf
    still: bool = False
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy; what is not finite becomes None."""
        return {k: v if _jsonable(v) else None for k, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> Pair:
        """Return the pair that ``to_dict`` wrote."""
        fields: dict[str, Any] = {k: math.inf if v is None else v for k, v in value.items()}
        return cls(**fields)


@dataclass(frozen=True)
class Steadying:
    """What to do to each plane, and what stays unknown.

    Parameters
    ----------
    shift_y, shift_x : ndarray of shape (n,)
        How far to move each plane's content (``shift_plane``), px. 0 where not measured.
    sigma_y, sigma_x : ndarray of shape (n,)
        Standard uncertainty by noise, px; inf where not measured. The walk of the content that is
        faster than the cut-off comes on top and cannot be known from the stack.
    measured : ndarray of shape (n,), bool
        Whether the plane could be compared with its neighbours.
    cutoff_frames : float
        Longest period that was removed, frames.
    reference : str
        What fixed the slow part; ``""`` if nothing did.
    undetermined : str
        In words, the component that the data cannot determine; ``""`` if all is fixed.
    jitter_px : float
        rms of the shifts along both axes taken together, px: how much was removed.
    why : str
        What kept a named reference from being used, or planes from being measured.
    """

    shift_y: Floats
    shift_x: Floats
    sigma_y: Floats
    sigma_x: Floats
    measured: NDArray[np.bool_]
    cutoff_frames: float
    reference: str
    undetermined: str
    jitter_px: float
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy; what is not finite becomes None."""
        out: dict[str, Any] = {}
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                out[name] = [v if _jsonable(v) else None for v in value.tolist()]
            else:
                out[name] = value
        return out

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> Steadying:
        """Return the result that ``to_dict`` wrote."""
        fields = dict(value)
        for name in ("shift_y", "shift_x", "sigma_y", "sigma_x"):
            fields[name] = np.array([math.inf if v is None else v for v in fields[name]])
        fields["measured"] = np.array(fields["measured"], dtype=bool)
        return cls(**fields)


def _jsonable(value: object) -> bool:
    return not isinstance(value, float) or math.isfinite(value)


def view_of_plane(
    plane: NDArray[np.float32],
    mask: NDArray[np.uint8] | None,
    *,
    settings: SteadySettings,
) -> View:
    """Make a plane ready to be compared: its whole, or the wall's region if one is named.

    Parameters
    ----------
    plane : ndarray of shape (y, x), float32
        Light above black, flat-fielded.
    mask : ndarray of shape (y, x), uint8, or None
        Flags of each pixel.
    settings : SteadySettings
        How.

    Returns
    -------
    View
        About 4 MB at most.
    """
    return prepare(plane, mask, noise_slope=settings.noise_slope, noise_floor=settings.noise_floor)


def wall_view_of_plane(
    plane: NDArray[np.float32],
    mask: NDArray[np.uint8] | None,
    *,
    settings: SteadySettings,
) -> View | None:
    """Make the part of a plane that shows the wall ready to be compared.

    Parameters
    ----------
    plane, mask, settings
        As in `view_of_plane`.

    Returns
    -------
    View or None
        None where the settings name no wall.
    """
    if settings.reference != WALL or settings.region is None:
        return None
    y0, y1, x0, x1 = settings.region
    part = np.ascontiguousarray(plane[y0:y1, x0:x1])
    flags = None if mask is None else np.ascontiguousarray(mask[y0:y1, x0:x1])
    return prepare(part, flags, noise_slope=settings.noise_slope, noise_floor=settings.noise_floor)


def spots_of_plane(
    plane: NDArray[np.float32],
    mask: NDArray[np.uint8] | None,
    *,
    settings: SteadySettings,
) -> tuple[Spot, ...]:
    """Find the compact spots of a plane that may be gel beads.

    Parameters
    ----------
    plane, mask, settings
        As in `view_of_plane`.

    Returns
    -------
    tuple of Spot
        Empty where the settings do not name gel beads.
    """
    if settings.reference != GEL_BEADS:
        return ()
    return find_spots(
        plane, mask, noise_slope=settings.noise_slope or 1.0, noise_floor=settings.noise_floor
    )


def needed_views(first: int, last: int, n: int, *, settings: SteadySettings) -> list[int]:
    """Return the planes whose views `pairs_of_block` needs for planes ``first`` to ``last - 1``.

    Parameters
    ----------
    first, last : int
        Planes of the block, the last one not included.
    n : int
        Planes in the stack.
    settings : SteadySettings
        How.

    Returns
    -------
    list of int
        In order.
    """
    out = set(range(first, min(n, last + settings.span)))
    if settings.reference == WALL:
        step = settings.anchor_frames
        out |= {a for k in range(first, last) for a in _anchors(k, step) if a < n}
    return sorted(out)


def _anchors(k: int, step: int) -> tuple[int, ...]:
    before = k // step * step
    return (before - step, before) if k == before else (before,)


def pairs_of_block(
    views: Mapping[int, View],
    first: int,
    last: int,
    *,
    settings: SteadySettings,
    walls: Mapping[int, View] | None = None,
) -> list[Pair]:
    """Measure all pairs whose first plane lies in a block.

    Parameters
    ----------
    views : mapping of int to View
        Views by position; planes that are missing are left out.
    first, last : int
        Planes of the block, the last one not included.
    settings : SteadySettings
        How.
    walls : mapping of int to View, optional
        Views of the wall by position.

    Returns
    -------
    list of Pair
        In a fixed order. What a block gives does not depend on how the stack is cut into blocks.
    """
    known: dict[tuple[int, int], Pair] = {}

    def measure(j: int, k: int) -> Pair:
        if (j, k) not in known:
            known[j, k] = _pair(views[j], views[k], j, k, settings)
        return known[j, k]

    out = []
    for k in range(first, last):
        there = [j for j in range(k + 1, k + settings.span + 1) if j in views]
        if k not in views or not there:
            continue
        out.append(measure(k, there[0]))
        # A plane that cannot be compared with its neighbours is stepped over as well.
        if len(there) > 1 and not (out[-1].ok and measure(there[0], there[1]).ok):
            out.append(measure(k, there[1]))
    for k in range(first, last):
        for anchor in _anchors(k, settings.anchor_frames) if walls else ():
            if walls and anchor != k and k in walls and anchor in walls:
                out.append(_pair(walls[anchor], walls[k], anchor, k, settings, still=True))
    return out


def _pair(
    a: View, b: View, first: int, second: int, settings: SteadySettings, *, still: bool = False
) -> Pair:
    found = pair_shift(a, b, reach_px=settings.reach_px)
    if found.rival > _RIVAL or 0 < found.tiles < _FEW_TILES:
        near = pair_shift(a, b, reach_px=min(_NEAR_PX, settings.reach_px))
        found = near if near.ok else found
    return Pair(
        first,
        second,
        found.ok,
        found.dy,
        found.dx,
        found.sigma_y,
        found.sigma_x,
        found.quality,
        found.rival,
        found.tiles,
        still,
        found.why,
    )


def slow_basis(positions: Floats, *, cutoff_frames: float) -> Floats:
    """Return an orthonormal basis of what counts as slow, for planes at given positions.

    Parameters
    ----------
    positions : ndarray of shape (n,)
        Positions of the planes, ascending; gaps are allowed.
    cutoff_frames : float
        Longest period that is not slow, frames.

    Returns
    -------
    ndarray of shape (n, m)
        Columns span the constant, the line, and all cosines of longer period.
    """
    k = np.asarray(positions, dtype=np.float64)
    if k.size == 0:
        return np.zeros((0, 0))
    length = k[-1] - k[0] + 1
    count = math.ceil(2 * length / cutoff_frames)
    t = (k - k[0] + 0.5) / length
    columns = [np.ones_like(k), t - 0.5]
    columns += [np.cos(np.pi * j * t) for j in range(1, count)]
    left, values, _ = np.linalg.svd(np.stack(columns, axis=1), full_matrices=False)
    return np.asarray(left[:, values > 1e-6 * values[0]])


def solve(
    pairs: Sequence[Pair],
    n: int,
    *,
    settings: SteadySettings,
    spots: Mapping[int, Sequence[Spot]] | None = None,
) -> Steadying:
    """Join the pairs to one displacement per frame and keep what may be removed.

    Parameters
    ----------
    pairs : sequence of Pair
        From all blocks, in any order.
    n : int
        Planes in the stack, gaps included.
    settings : SteadySettings
        How.
    spots : mapping of int to sequence of Spot, optional
        Spots by position, where gel beads are named.

    Returns
    -------
    Steadying
        The shifts to apply and what they leave undetermined.
    """
    pairs = sorted(pairs, key=lambda p: (p.still, p.first, p.second))
    moving = _alike([p for p in pairs if p.ok and not p.still])
    still = [p for p in pairs if p.ok and p.still]
    place, sigma, part = _join(moving, n)
    shift = np.zeros((n, 2))
    for label in range(part.max(initial=-1) + 1):
        where = np.flatnonzero(part == label)
        fast = _fast(place[where], sigma[where], where, settings.cutoff_frames)
        shift[where] = -fast
    measured = part >= 0
    why = _lost(part)
    reference, slow_why, tied = "", "", 0
    if settings.reference == WALL and settings.region is None:
        slow_why = "a wall is named as what stands still, but not where in the photograph it is"
    elif settings.reference == WALL:
        # Planes in which the wall is lost hang on their neighbours.
        loose = [
            replace(
                p, sigma_y=math.hypot(p.sigma_y, _STEP_PX), sigma_x=math.hypot(p.sigma_x, _STEP_PX)
            )
            for p in moving
        ]
        fixed, fixed_sigma, fixed_part = _join([*loose, *still], n)
        reference, slow_why = _wall_reference(still, fixed_part, n)
        if reference:
            shift, sigma = -(fixed - fixed.mean(0)), fixed_sigma
            measured, why = fixed_part >= 0, _lost(fixed_part)
    elif settings.reference == GEL_BEADS:
        slow = slow_from_spots(spots or {}, place, part)
        slow_why, tied = slow.why, slow.longest_untied
        if slow.ok:
            reference = GEL_BEADS
            shift = _with_slow(shift, slow.place, measured, settings.cutoff_frames)
    elif settings.reference:
        slow_why = f"'{settings.reference}' cannot be used as a reference by this version"
    return Steadying(
        shift[:, 0],
        shift[:, 1],
        np.where(measured, sigma[:, 0], np.inf),
        np.where(measured, sigma[:, 1], np.inf),
        measured,
        settings.cutoff_frames,
        reference,
        _undetermined(settings.cutoff_frames, reference, tied),
        float(np.sqrt((shift[measured] ** 2).mean())) if measured.any() else 0.0,
        "; ".join(text for text in (why, slow_why) if text),
    )


def _lost(part: NDArray[np.intp]) -> str:
    """Tell in words which planes hang together with no others."""
    words = []
    if (part < 0).any():
        words.append(f"{int((part < 0).sum())} of {part.size} planes could not be compared")
    if part.max(initial=-1) > 0:
        words.append(
            f"how the {part.max() + 1} stretches of planes stand to one another is not known"
        )
    return "; ".join(words)


def _alike(pairs: Sequence[Pair]) -> list[Pair]:
    """Leave out jumps unlike the stack's other jumps that rest on little or have a rival.

    Where few things are seen, one is taken for another now and then.
    """
    if not pairs:
        return []
    jump = np.array([[p.dy, p.dx] for p in pairs])
    far = np.hypot(*(jump - np.median(jump, axis=0)).T)
    # The median of a Rayleigh distribution is 1.177 times its standard deviation along an axis.
    scale = max(_LEAST_JUMP_PX, float(np.median(far)) / 1.177)
    sure = [p.rival <= _RIVAL and p.tiles >= _FEW_TILES for p in pairs]
    return [p for p, s, f in zip(pairs, sure, far, strict=True) if s or f <= 5.0 * scale]


def _fast(place: Floats, sigma: Floats, where: NDArray[np.intp], cutoff_frames: float) -> Floats:
    """Return displacements less their slow part, badly known planes having less say in it."""
    basis = slow_basis(where.astype(np.float64), cutoff_frames=cutoff_frames)
    weight = _EVEN_PX / np.maximum(sigma.max(axis=1), _EVEN_PX)
    part, *_ = np.linalg.lstsq(basis * weight[:, None], place * weight[:, None], rcond=None)
    return np.asarray(place - basis @ part)


def _wall_reference(still: Sequence[Pair], part: NDArray[np.intp], n: int) -> tuple[str, str]:
    """Tell whether the wall ties the stack: seen in most planes, which all hang together."""
    seen = {p.second for p in still} | {p.first for p in still}
    lost = f"the wall is lost in {n - len(seen)} of {n} planes" if len(seen) < n else ""
    if len(seen) < 0.75 * n or part.max(initial=-1) > 0:
        return "", f"{lost or 'the wall does not tie all planes'}: it was not used"
    return WALL, lost


def _with_slow(
    shift: Floats, slow_place: Floats, measured: NDArray[np.bool_], cutoff_frames: float
) -> Floats:
    """Add the slow part of what stands still to the fast part of everything."""
    where = np.flatnonzero(measured)
    basis = slow_basis(where.astype(np.float64), cutoff_frames=cutoff_frames)
    slow = basis @ (basis.T @ slow_place[where])
    out = shift.copy()
    # The fast part was cut per stretch; cut it once more on the whole so that the two parts fit.
    fast = shift[where] - basis @ (basis.T @ shift[where])
    out[where] = fast - (slow - slow.mean(0))
    return out


def _undetermined(cutoff_frames: float, reference: str, longest_untied: int) -> str:
    if reference and longest_untied == 0:
        return ""
    if reference:
        return (
            f"Over the longest stretch without a {reference.rstrip('s')} in common "
            f"({longest_untied} planes) a sideways drift is not determined."
        )
    return (
        f"Sideways motion slower than one period in {cutoff_frames:g} frames, a steady slant "
        "included, is not determined by the photographs: it may be the specimen's own slant or a "
        "drift of the instrument. It was left as it is."
    )


def _join(pairs: Sequence[Pair], n: int) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Solve for displacements by weighted least squares, far-off pairs weighted down.

    Returns displacements (n, 2) with zero mean in each connected stretch, their sigma (n, 2), and
    the stretch of each plane (-1 for planes in no pair).
    """
    place, sigma = np.zeros((n, 2)), np.full((n, 2), np.inf)
    part = _stretches(pairs, n)
    if not pairs:
        return place, sigma, part
    i = np.array([p.first for p in pairs])
    j = np.array([p.second for p in pairs])
    d = np.array([[p.dy, p.dx] for p in pairs])
    sigma2 = np.array([[p.sigma_y**2, p.sigma_x**2] for p in pairs]) + 1e-6
    info = np.einsum("pa,ab->pab", 1.0 / sigma2, np.eye(2))
    trust = np.ones(len(pairs))
    for _ in range(6):
        place, factor = _least_squares(i, j, d, info * trust[:, None, None], n)
        off = d - (place[j] - place[i])
        far = np.sqrt(np.einsum("pa,pab,pb->p", off, info, off))
        # Neighbours' content differs, so misfits exceed the noise; only their scale matters here.
        limit = 3.0 * max(1.0, float(np.median(far)))
        trust = np.minimum(1.0, limit / np.maximum(far, 1e-12)) ** 2
    for label in range(part.max(initial=-1) + 1):
        where = part == label
        place[where] -= place[where].mean(0)
    place[part < 0] = 0.0
    sigma = _sigma(factor, part, n)
    return place, sigma, part


def _least_squares(
    i: NDArray[np.intp], j: NDArray[np.intp], d: Floats, info: Floats, n: int
) -> tuple[Floats, Any]:
    load = np.zeros((n, 2))
    pull = np.einsum("pab,pb->pa", info, d)
    np.add.at(load, j, pull)
    np.add.at(load, i, -pull)
    rows, columns, values = [], [], []
    for a in range(2):
        for b in range(2):
            for u, v, sign in ((i, i, 1), (j, j, 1), (i, j, -1), (j, i, -1)):
                rows.append(2 * u + a)
                columns.append(2 * v + b)
                values.append(sign * info[:, a, b])
    shape = (2 * n, 2 * n)
    matrix = sp.csc_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape
    )
    # A weak pull to zero keeps planes without a pair and each stretch's free offset in place.
    matrix = matrix + sp.identity(2 * n, format="csc") * 1e-6
    factor = spl.splu(matrix, permc_spec="NATURAL", options={"SymmetricMode": True})
    return np.asarray(factor.solve(load.ravel())).reshape(n, 2), factor


def _sigma(factor: Any, part: NDArray[np.intp], n: int) -> Floats:
    """Return the noise of each displacement against the mean of the planes within ten of it."""
    out = np.full((n, 2), np.inf)
    for k in np.flatnonzero(part >= 0):
        near = np.flatnonzero(part == part[k])
        near = near[np.abs(near - k) <= 10]
        for axis in range(2):
            probe = np.zeros(2 * n)
            probe[2 * near + axis] = -1.0 / near.size
            probe[2 * k + axis] += 1.0
            out[k, axis] = math.sqrt(max(0.0, float(probe @ factor.solve(probe))))
    return out


def _stretches(pairs: Sequence[Pair], n: int) -> NDArray[np.intp]:
    """Return which connected stretch each plane belongs to, -1 for none."""
    links = sp.coo_matrix(
        (np.ones(len(pairs)), ([p.first for p in pairs], [p.second for p in pairs])), shape=(n, n)
    )
    _, label = sp.csgraph.connected_components(links, directed=False)
    used = np.zeros(n, dtype=bool)
    for p in pairs:
        used[[p.first, p.second]] = True
    out = np.full(n, -1, dtype=np.intp)
    seen: dict[int, int] = {}
    for k in np.flatnonzero(used):
        out[k] = seen.setdefault(int(label[k]), len(seen))
    return out
