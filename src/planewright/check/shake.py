"""Which frames are blurred beyond their neighbours, and along which direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.kernels.sharpness import BAND_EDGES, SECTORS

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NEAREST = 1  # usable frames on each side that a frame is compared with; more differ in content
_ROUNDS = 4  # frames found shaken are left out of the others' references
_MODEL = 0.03  # what the fit's law itself leaves open, of the power of one cell
_BOTH = 0.5  # of the blur that each side alone must confirm, for full weight
_END = 0.8  # weight where there is one side only
_AROUND = 20  # frames on each side from which the usual scatter is read


@dataclass(frozen=True)
class Shake:
    """Blur of each frame beyond its neighbours.

    Parameters
    ----------
    blur_pixels : array of shape (frames,)
        Standard deviation of the extra blur along its direction, lattice pixels; 0 where not
        above the neighbours, NaN where it cannot be told.
    stands_out : array of shape (frames,)
        How far the blur stands out from the usual scatter, in its standard deviations.
    angle_deg : array of shape (frames,)
        Direction of the blur from +columns towards +rows, degrees.
    """

    blur_pixels: Floats
    stands_out: Floats
    angle_deg: Floats


def find_shaken(power: Floats, sigma: Floats, usable: Flags, *, scatter: float) -> Shake:
    """Compare each frame's power by scale and direction with its neighbours'.

    A vibration of variance σ² along a direction multiplies the power at wave vector k by
    ``exp(-4 π² σ² k²)``, k taken along that direction. The logarithm of the ratio of a frame's
    power to that of its neighbours is fitted by a constant and by three terms in k²: the same
    in all directions, and two that tell directions apart. What content alone does to these from
    frame to frame is read from the stack; it is much less in the last two. A matched filter over
    all directions then weighs the three.

    Parameters
    ----------
    power, sigma : arrays of shape (frames, bands, sectors)
        What `planewright.kernels.sharpness.polar_power` gave, in the order of shooting, each
        frame's divided by its power in coarse detail.
    usable : bool array of shape (frames,)
        Frames that can be judged and compared with.
    scatter : float
        Standard deviations from which a frame is left out of the others' references.

    Returns
    -------
    Shake
        One figure a frame.
    """
    count = power.shape[0]
    reference = usable.copy()
    blur, stands, angle = np.full(count, np.nan), np.full(count, np.nan), np.zeros(count)
    for _ in range(_ROUNDS):
        terms, errors = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
        sides = np.full((count, 2, 3), np.nan)
        for index in np.flatnonzero(usable):
            before, after = _near(reference, int(index), -1), _near(reference, int(index), 1)
            terms[index], errors[index] = _fit(power, sigma, before + after, int(index))
            sides[index, 0] = _fit(power, sigma, before, int(index))[0]
            sides[index, 1] = _fit(power, sigma, after, int(index))[0]
        blur2, stands, angle = _matched(terms, errors, reference)
        stands = stands * _agreement(sides, blur2, angle)
        blur = np.sqrt(np.maximum(blur2, 0.0))
        following = usable & ~(stands > scatter)
        if np.array_equal(following, reference):
            break
        reference = following
    return Shake(blur, stands, angle)


def _waves() -> Floats:
    """Return k² times 1, cos 2θ and sin 2θ for each cell, shape (3, bands, sectors)."""
    edges = np.array(BAND_EDGES)
    square = 0.5 * (edges[:-1] ** 2 + edges[1:] ** 2)[:, None]
    angle = (np.arange(SECTORS) * np.pi / SECTORS)[None, :]
    soft = np.sinc(1.0 / SECTORS)  # mean of cos 2θ over a sector, relative to its centre
    return np.stack(
        [
            np.broadcast_to(square, (square.shape[0], SECTORS)),
            square * soft * np.cos(2 * angle),
            square * soft * np.sin(2 * angle),
        ]
    )


def _near(reference: Flags, index: int, step: int) -> list[int]:
    """Return the nearest usable frames on one side."""
    end = -1 if step < 0 else reference.size
    side = [other for other in range(index + step, end, step) if reference[other]]
    return [other for other in side[:_NEAREST] if abs(other - index) <= 3 * _NEAREST]


def _agreement(sides: Floats, blur2: Floats, angle: Floats) -> Floats:
    """Return, from 0 to 1, how well both sides tell of the same blur.

    A frame that is shaken is blurred against the frame before and against the one after; where
    content comes or goes, against one of them only. Judged by the terms that tell directions
    apart: the other follows the amount of content.
    """
    turn = np.radians(angle)
    pattern = np.stack([np.cos(2 * turn), np.sin(2 * turn)], axis=1)
    each = np.einsum("nsk,nk->ns", sides[:, :, 1:], pattern)
    each /= np.maximum(0.5 * blur2, 1e-6)[:, None]
    weaker = np.clip(each.min(axis=1) / _BOTH, 0.0, 1.0)
    one_side = np.isnan(each).sum(axis=1) == 1
    result: Floats = np.where(one_side, _END, np.nan_to_num(weaker))
    return result


def _fit(power: Floats, sigma: Floats, near: list[int], index: int) -> tuple[Floats, Floats]:
    """Return the three terms of one frame, pixels², and their errors from noise and modes."""
    unknown = np.full(3, np.nan)
    if not near:
        return unknown, unknown
    usual = np.exp(np.mean(np.log(np.maximum(power[near], 0.2 * sigma[near])), axis=0))
    usual_error = sigma[near].mean(axis=0) / np.sqrt(len(near))
    clear = usual > 2.0 * sigma[index]
    if clear.sum() < 12 or np.unique(np.nonzero(clear)[0]).size < 3:
        return unknown, unknown
    ratio = power[index][clear] / usual[clear]
    log_ratio = np.log(np.maximum(ratio, 0.05))
    error2 = (sigma[index][clear] / (usual[clear] * np.clip(ratio, 0.3, 3.0))) ** 2
    error2 += (usual_error[clear] / usual[clear]) ** 2 + _MODEL**2
    weight = 1.0 / np.sqrt(error2)
    columns = [np.ones(int(clear.sum())), *(-4 * np.pi**2 * wave[clear] for wave in _waves())]
    design = np.stack(columns, axis=1) * weight[:, None]
    normal = np.linalg.pinv(design.T @ design)
    fit = normal @ (design.T @ (log_ratio * weight))
    return fit[1:], np.sqrt(np.maximum(np.diag(normal)[1:], 0.0))


def _matched(terms: Floats, errors: Floats, reference: Flags) -> tuple[Floats, Floats, Floats]:
    """Return blur², how far it stands out, and its direction, over all directions."""
    count = terms.shape[0]
    blur2, stands, angle = np.full(count, np.nan), np.full(count, np.nan), np.zeros(count)
    directions = np.radians(np.arange(0.0, 180.0, 5.0))
    pattern = 0.5 * np.stack(
        [np.ones_like(directions), np.cos(2 * directions), np.sin(2 * directions)], axis=1
    )
    known: Flags = np.asarray(np.isfinite(terms).all(axis=1))
    for index in (int(place) for place in np.flatnonzero(known)):
        near = np.arange(max(0, index - _AROUND), min(count, index + _AROUND + 1))
        near = near[known[near] & reference[near] & (near != index)]
        if near.size < 6:
            continue
        middle = np.median(terms[near], axis=0)
        middle[1:] = 0.0
        variance = np.square(1.4826 * np.median(np.abs(terms[near] - middle), axis=0))
        usual_error2 = np.median(np.square(errors[near]), axis=0)
        variance += np.maximum(np.square(errors[index]) - usual_error2, 0.0)
        variance = np.maximum(variance, 1e-6)
        power = (pattern**2 / variance).sum(axis=1)
        found = (pattern * ((terms[index] - middle) / variance)).sum(axis=1)
        best = int(np.argmax(found / np.sqrt(power)))
        blur2[index] = found[best] / power[best]
        stands[index] = found[best] / np.sqrt(power[best])
        angle[index] = np.degrees(directions[best])
    return blur2, stands, angle
