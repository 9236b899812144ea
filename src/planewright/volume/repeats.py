"""The slow part of a stack's shifts from repeats: planes that were photographed a second time.

A stack alone cannot tell a slow walk of the specimen's content from a slow drift of the
photographs. After the stack the stage is driven back to some planes, and these are photographed
again within a short time. Frame and repeat show the same content, so how far they stand apart is
the drift between them, and nothing else but jitter. The repeats drift by next to nothing among
themselves; what they have in common is a constant that no picture shows.

`steady.solve` has taken the fast part away. What a repeat then tells of the slow part carries its
own jitter, which is as large as that of any frame: it is taken from the stack's fast part. Of the
slow functions (constant, line, cosines from the longest period on) half as many are looked at as
there are repeats, and those are fitted that explain more than jitter does; the line always is.
Shorter periods are left as found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.kernels.register import View, pair_shift
from planewright.volume.steady import Steadying

Floats = NDArray[np.float64]

REPEATS = "repeat frames"
LEAST = 3  # repeats: a line, and one that can contradict it
_FAR = 20.0  # squared misfit over its variance, both axes: chance gives it once in 20 000
_WORST = 2.0  # the slow part may be this many times less well known than one repeat is
_REACH = 0.1  # share of the stack beyond the outermost repeats that is worth a word


@dataclass(frozen=True)
class Repeat:
    """How far a frame of the stack stands from its repeat: ``frame(y, x) = repeat(y-dy, x-dx)``.

    Parameters
    ----------
    position : int
        Planned position of both, counted from 0.
    ok : bool
        Whether it can be used.
    dy, dx, sigma_y, sigma_x : float
        Displacement and its standard uncertainty by noise, px.
    why : str
        Reason where not ok.
    """

    position: int
    ok: bool
    dy: float
    dx: float
    sigma_y: float
    sigma_x: float
    why: str = ""

    @classmethod
    def unusable(cls, position: int, why: str) -> Repeat:
        """Return a repeat that tells nothing."""
        return cls(position, False, 0.0, 0.0, math.inf, math.inf, why)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy; what is not finite becomes None."""
        return {
            name: None if isinstance(value, float) and not math.isfinite(value) else value
            for name, value in asdict(self).items()
        }

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> Repeat:
        """Return the repeat that ``to_dict`` wrote."""
        fields: dict[str, Any] = {k: math.inf if v is None else v for k, v in value.items()}
        return cls(**fields)


def measure_repeat(frame: View, repeat: View, position: int, *, reach_px: float = 40.0) -> Repeat:
    """Measure how far a frame of the stack stands from its repeat.

    Parameters
    ----------
    frame, repeat : View
        From `steady.view_of_plane`, of the same planned position.
    position : int
        That position, counted from 0.
    reach_px : float
        Largest displacement looked for along each axis, px.

    Returns
    -------
    Repeat
        The displacement with its uncertainty, or why there is none.
    """
    found = pair_shift(repeat, frame, reach_px=reach_px)
    if not found.ok:
        return Repeat.unusable(position, found.why)
    return Repeat(position, True, found.dy, found.dx, found.sigma_y, found.sigma_x)


@dataclass(frozen=True)
class SlowDrift:
    """The slow part of the displacements, as repeats tell it.

    Parameters
    ----------
    ok : bool
        Whether it can be used.
    place : ndarray of shape (n, 2)
        Displacement (y, x) of each plane's content, px, with zero mean over measured planes.
    sigma : ndarray of shape (n, 2)
        Standard uncertainty of that, px: jitter and noise of the repeats, and the slow part of
        the frames' own jitter that was not fitted.
    functions : int
        Fitted functions beside the constant: the line, then cosines.
    supported : int
        How many could have been fitted; those that were not explain no more than jitter does.
    slow_functions : int
        How many there are in the slow part.
    used, dropped : tuple of int
        Positions of repeats that were used, and of those that contradict the others.
    why : str
        Why not, where not ok; else what is odd about the repeats.
    """

    ok: bool
    place: Floats
    sigma: Floats
    functions: int
    supported: int
    slow_functions: int
    used: tuple[int, ...]
    dropped: tuple[int, ...]
    why: str = ""


@dataclass(frozen=True)
class _Fit:
    """A weighted fit of ``columns`` functions, both axes."""

    part: Floats  # (columns, 2)
    covariance: Floats  # (2, columns, columns)
    misfit: Floats  # (repeats,): squared misfit over its variance, both axes
    chi2: float
    freedom: int

    @property
    def excess(self) -> float:
        """Squared scatter found over the one expected."""
        return self.chi2 / (2 * self.freedom) if self.freedom else 1.0


def with_repeats(steadying: Steadying, repeats: Sequence[Repeat]) -> Steadying:
    """Take away the slow drift that repeats tell of, beside the jitter.

    Parameters
    ----------
    steadying : Steadying
        From `steady.solve` with no reference: the fast part.
    repeats : sequence of Repeat
        In any order; a plane may have several.

    Returns
    -------
    Steadying
        With ``reference = "repeat frames"`` and the slow part in all shifts, those of planes that
        could not be compared included. The given one, with the reason in ``why``, where the
        repeats cannot be used.
    """
    drift = slow_from_repeats(steadying, repeats)
    why = "; ".join(text for text in (steadying.why, drift.why) if text)
    if not drift.ok:
        return replace(steadying, why=why)
    shift = np.stack([steadying.shift_y, steadying.shift_x], axis=1) - drift.place
    known = steadying.measured
    return replace(
        steadying,
        shift_y=shift[:, 0],
        shift_x=shift[:, 1],
        sigma_y=np.hypot(steadying.sigma_y, drift.sigma[:, 0]),
        sigma_x=np.hypot(steadying.sigma_x, drift.sigma[:, 1]),
        reference=REPEATS,
        undetermined=_undetermined(drift, known, steadying.cutoff_frames),
        jitter_px=float(np.sqrt((shift[known] ** 2).mean())),
        why=why,
    )


def slow_from_repeats(steadying: Steadying, repeats: Sequence[Repeat]) -> SlowDrift:
    """Solve for the slow part of a stack's displacements.

    Parameters
    ----------
    steadying : Steadying
        From `steady.solve` with no reference: the fast part.
    repeats : sequence of Repeat
        In any order.

    Returns
    -------
    SlowDrift
        The result, or why there is none.
    """
    n = len(steadying.shift_y)
    good, why = _usable(steadying, repeats)
    if len(good) < LEAST:
        return _no(n, f"{len(good)} of {len(repeats)} repeats can be used, {LEAST} are needed{why}")
    where = np.flatnonzero(steadying.measured)
    place = np.array([r.position for r in good])
    if np.ptp(place) == 0:
        return _no(n, f"all repeats show plane {place[0] + 1}: they tell of no drift in between")
    basis = _basis(n, where, steadying.cutoff_frames)
    shift = np.stack([steadying.shift_y, steadying.shift_x], axis=1)
    sigma = np.stack([steadying.sigma_y, steadying.sigma_x], axis=1)
    slow = np.array([[r.dy, r.dx] for r in good]) + shift[place]
    freedom = max(1, len(where) - basis.shape[1])
    jitter2 = (shift[where] ** 2).sum(0) / freedom  # of single frames, each axis
    var = np.array([[r.sigma_y**2, r.sigma_x**2] for r in good]) + sigma[place] ** 2 + jitter2
    most = _supported(basis, where, place, var)
    if most < 2:
        low, high = int(place.min()) + 1, int(place.max()) + 1
        return _no(n, f"the repeats, planes {low} to {high}, lie too near each other for the rest")
    # The frames' own jitter has a slow part too; what is not fitted of it stays where it is.
    var += jitter2 * (basis.shape[1] - most) / len(where)
    kept, fit, odd = _simplest(basis[place, :most], slow, var, place)
    sound, columns = fit.misfit.max() <= _FAR, len(fit.part)
    # The constant says where all photographs stand together, which is of no use: it is left out.
    rest = basis[:, 1:columns]
    curve = rest @ fit.part[1:]
    spread = np.einsum("nj,ajk,nk->na", rest, fit.covariance[:, 1:, 1:], rest)
    left2 = jitter2 * (basis.shape[1] - columns) / len(where)
    error = np.sqrt(spread * max(1.0, fit.excess) + left2)
    vague = (error[where] ** 2).mean() > (curve[where] ** 2).mean()
    if not sound and (vague or len(place) == LEAST):
        return _no(n, odd)
    return SlowDrift(
        ok=True,
        place=curve,
        sigma=error,
        functions=columns - 1,
        supported=most - 1,
        slow_functions=basis.shape[1] - 1,
        used=tuple(int(k) for k in place[kept]),
        dropped=tuple(int(k) for k in place[~kept]),
        why="; ".join(text for text in (why.lstrip(":, "), odd) if text),
    )


def _no(n: int, why: str) -> SlowDrift:
    nothing, unknown = np.zeros((n, 2)), np.full((n, 2), np.inf)
    return SlowDrift(False, nothing, unknown, 0, 0, 0, (), (), f"repeat frames are not used: {why}")


def _usable(steadying: Steadying, repeats: Sequence[Repeat]) -> tuple[list[Repeat], str]:
    """Return the repeats that tell something, and in words why others do not."""
    n = len(steadying.shift_y)
    good, reasons = [], []
    for one in sorted(repeats, key=lambda r: (r.position, r.dy, r.dx)):
        if not one.ok:
            reasons.append(f"plane {one.position + 1}: {one.why}")
        elif not 0 <= one.position < n:
            reasons.append(f"plane {one.position + 1}: the stack has {n} planes")
        elif not steadying.measured[one.position]:
            reasons.append(f"plane {one.position + 1}: its frame could not be steadied")
        else:
            good.append(one)
    return good, f": {', '.join(reasons)}" if reasons else ""


def _basis(n: int, where: NDArray[np.intp], cutoff_frames: float) -> Floats:
    """Return the slow functions at all planes, (n, functions), orthonormal on measured ones.

    They span what `steady.slow_basis` spans, in the order of what is slowest.
    """
    length = where[-1] - where[0] + 1.0
    t = (np.clip(np.arange(n), where[0], where[-1]) - where[0] + 0.5) / length
    count = math.ceil(2 * length / cutoff_frames)
    raw = [np.ones(n), t - 0.5] + [np.cos(np.pi * j * t) for j in range(1, count)]
    whole = np.stack(raw[: len(where)], axis=1)
    _, upper = np.linalg.qr(whole[where])
    return np.asarray(np.linalg.solve(upper.T, whole.T).T)


def _supported(basis: Floats, where: NDArray[np.intp], place: NDArray[np.intp], var: Floats) -> int:
    """Return how many functions the repeats support, the constant counted; below 2 is no use."""
    most = min(basis.shape[1], max(2, len(place) // 2), len(np.unique(place)))
    single = float(var.mean())
    for columns in range(most, 1, -1):
        part = basis[place, :columns] / np.sqrt(var.mean(axis=1, keepdims=True))
        if np.linalg.matrix_rank(part) < columns:
            continue
        inverse = np.linalg.inv(part.T @ part)[1:, 1:]
        rest = basis[where, 1:columns]
        known = float(np.einsum("nj,jk,nk->n", rest, inverse, rest).mean())
        if known <= _WORST**2 * single:
            return columns
    return 1


def _simplest(
    basis: Floats, slow: Floats, var: Floats, place: NDArray[np.intp]
) -> tuple[NDArray[np.bool_], _Fit, str]:
    """Fit as few functions, and leave out as few repeats, as explain the others.

    References
    ----------
    .. [1] C. L. Mallows, Technometrics 15, 661 (1973), eq. 3: with known variance, the misfit
       plus twice the number of parameters is least.
    """
    answers = [
        _robust(basis[:, :columns], slow, var, place) for columns in range(2, basis.shape[1] + 1)
    ]
    scores = [
        fit.chi2 + 2 * 2 * len(fit.part) + _FAR * int((~kept).sum())  # [1], two axes
        for kept, fit, _ in answers
    ]
    return answers[int(np.argmin(scores))]


def _fit(basis: Floats, slow: Floats, var: Floats) -> _Fit:
    part, covariance, misfit, chi2 = [], [], np.zeros(len(slow)), 0.0
    for axis in range(2):
        weighted = basis / np.sqrt(var[:, axis])[:, None]
        inverse = np.linalg.inv(weighted.T @ weighted)
        part.append(inverse @ weighted.T @ (slow[:, axis] / np.sqrt(var[:, axis])))
        covariance.append(inverse)
        off = (slow[:, axis] - basis @ part[-1]) ** 2 / var[:, axis]
        leverage = np.einsum("rj,jk,rk->r", weighted, inverse, weighted)
        misfit += off / np.maximum(1.0 - leverage, 1e-9)
        chi2 += float(off.sum())
    freedom = basis.shape[0] - basis.shape[1]
    return _Fit(np.stack(part, axis=1), np.stack(covariance), misfit, chi2, freedom)


def _robust(
    basis: Floats, slow: Floats, var: Floats, place: NDArray[np.intp]
) -> tuple[NDArray[np.bool_], _Fit, str]:
    """Fit, leaving out a repeat that contradicts all others; say what is odd."""
    count, columns = basis.shape
    everything = np.ones(count, dtype=bool)
    first = _fit(basis, slow, var)
    if first.misfit.max() <= _FAR:
        return everything, first, ""
    kept, fit = everything.copy(), first
    for _ in range(max(1, count // 4)):
        fewer = kept.copy()
        fewer[np.flatnonzero(kept)[int(np.argmax(fit.misfit))]] = False
        if fewer.sum() < max(LEAST, columns + 1):
            break
        if np.linalg.matrix_rank(basis[fewer]) < columns:
            break
        kept, fit = fewer, _fit(basis[fewer], slow[fewer], var[fewer])
        if fit.misfit.max() <= _FAR:
            lost = " and ".join(str(k + 1) for k in place[~kept])
            odd = f"the repeat of plane {lost} contradicts the others and is left out"
            if fit.freedom < 2:
                odd += f"; or the drift bends more than {count} repeats can show"
            return kept, fit, odd
    off = float(np.sqrt(((slow - basis @ first.part) ** 2).mean()))
    expected = float(np.sqrt(var.mean()))
    odd = (
        f"the repeats contradict each other by {off:.2f} px rms where {expected:.2f} px is usual: "
        "one of them shows another plane, or the drift bends more than so few of them can show"
    )
    return everything, first, odd


def _undetermined(drift: SlowDrift, known: NDArray[np.bool_], cutoff_frames: float) -> str:
    where = np.flatnonzero(known)
    rms = float(np.sqrt((drift.sigma[where] ** 2).mean()))
    text = f"The slow part is known to {rms:.2f} px rms: repeats shake as frames do."
    cosines = drift.supported - 1
    if drift.supported < drift.slow_functions:
        length = where[-1] - where[0] + 1
        if cosines:
            longest = f"{2 * length / cosines:.0f}"
            what = f"Sideways motion with periods from {cutoff_frames:g} to {longest} frames"
        else:
            what = f"A bend of the drift, with periods longer than {cutoff_frames:g} frames,"
        text += f" {what} is not determined by {len(drift.used)} repeats; it was left as it is."
    low, high = min(drift.used), max(drift.used)
    far = _REACH * len(where)
    if low - where[0] > far or where[-1] - high > far:
        text += f" The drift outside planes {low + 1} to {high + 1} is drawn on from within."
    return text
