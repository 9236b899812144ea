"""Which frames are blurred beyond their neighbours, and along which direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.kernels.sharpness import BAND_EDGES, SECTORS

Floats = NDArray[np.float64]

_REACH = 4  # frames on each side that a frame is compared with
_ROUNDS = 3  # frames found shaken are left out of the others' references


@dataclass(frozen=True)
class Shake:
    """Blur of each frame beyond its neighbours.

    Parameters
    ----------
    blur_pixels : array of shape (frames,)
        Standard deviation of the extra blur along its worst direction, lattice pixels; 0 where
        sharper than the neighbours, NaN where it cannot be told.
    stands_out : array of shape (frames,)
        The same blur, squared, in robust standard deviations of its scatter in the stack.
    angle_deg : array of shape (frames,)
        Direction of the blur from +columns towards +rows, degrees.
    """

    blur_pixels: Floats
    stands_out: Floats
    angle_deg: Floats


def _waves() -> tuple[Floats, Floats, Floats]:
    edges = np.array(BAND_EDGES)
    radius = np.sqrt(0.5 * (edges[:-1] ** 2 + edges[1:] ** 2))[:, None]
    angle = (np.arange(SECTORS) * np.pi / SECTORS)[None, :]
    soft = np.sinc(1.0 / SECTORS)  # mean of cos 2θ over a sector, relative to its centre
    square = radius**2
    cosine = square * (1 + soft * np.cos(2 * angle)) / 2
    sine = square * (1 - soft * np.cos(2 * angle)) / 2
    cross = square * soft * np.sin(2 * angle)
    return cosine, sine, cross


def find_shaken(
    power: Floats,
    sigma: Floats,
    usable: NDArray[np.bool_],
    *,
    scatter: float,
) -> Shake:
    """Compare each frame's power by scale and direction with its neighbours'.

    A blur of variance Σ (a 2 × 2 matrix) multiplies the power at wave vector k by
    ``exp(-4 π² kᵀ Σ k)``. The logarithm of the ratio of a frame's power to that of its
    neighbours is fitted by a constant and the three entries of Σ; the larger eigenvalue is the
    blur. How much content alone changes it from frame to frame is read from the stack itself.

    Parameters
    ----------
    power, sigma : arrays of shape (frames, bands, sectors)
        What `planewright.kernels.sharpness.polar_power` gave, in the order of shooting.
    usable : bool array of shape (frames,)
        Frames that can be judged and compared with.
    scatter : float
        Robust standard deviations from which a frame is left out of the others' references.

    Returns
    -------
    Shake
        One figure a frame.
    """
    count = power.shape[0]
    blur2, angle = np.full(count, np.nan), np.zeros(count)
    stands = np.full(count, np.nan)
    reference = usable.copy()
    for _ in range(_ROUNDS):
        for index in range(count):
            if usable[index]:
                blur2[index], angle[index] = _one(power, sigma, reference, index)
        stands = _stands_out(blur2)
        following = usable & ~(stands > scatter)
        if np.array_equal(following, reference):
            break
        reference = following
    return Shake(np.sqrt(np.maximum(blur2, 0.0)), stands, angle)


def _one(
    power: Floats, sigma: Floats, reference: NDArray[np.bool_], index: int
) -> tuple[float, float]:
    sides = []
    for step in (-1, 1):
        near = [
            other
            for other in range(index + step, index + step * (_REACH + 1), step)
            if 0 <= other < power.shape[0] and reference[other]
        ]
        if near:
            sides.append((np.median(power[near], axis=0), np.median(sigma[near], axis=0)))
    if not sides:
        return np.nan, 0.0
    usual = np.mean([side[0] for side in sides], axis=0)
    usual_sigma = np.mean([side[1] for side in sides], axis=0) / np.sqrt(2.0 * len(sides))
    clear = usual > 2.0 * sigma[index]
    if clear.sum() < 12 or np.unique(np.nonzero(clear)[0]).size < 3:
        return np.nan, 0.0
    ratio = power[index][clear] / usual[clear]
    log_ratio = np.log(np.maximum(ratio, 0.05))
    error2 = (sigma[index][clear] / (usual[clear] * np.clip(ratio, 0.3, 3.0))) ** 2
    error2 += (usual_sigma[clear] / usual[clear]) ** 2 + 0.05**2
    weight = 1.0 / np.sqrt(error2)
    cosine, sine, cross = _waves()
    columns = [np.ones(int(clear.sum()))]
    columns += [-4 * np.pi**2 * wave[clear] for wave in (cosine, sine, cross)]
    design = np.stack(columns, axis=1) * weight[:, None]
    fit = np.linalg.lstsq(design, log_ratio * weight, rcond=None)[0]
    matrix = np.array([[fit[1], fit[3]], [fit[3], fit[2]]])
    values, vectors = np.linalg.eigh(matrix)
    direction = vectors[:, 1]
    return float(values[1]), float(np.degrees(np.arctan2(direction[1], direction[0])) % 180.0)


def _stands_out(blur2: Floats, reach: int = 15) -> Floats:
    out = np.full(blur2.size, np.nan)
    known = np.isfinite(blur2)
    if known.sum() < 3:
        return out
    overall = 1.4826 * float(np.median(np.abs(blur2[known] - np.median(blur2[known]))))
    for index in np.flatnonzero(known):
        near = blur2[max(0, index - reach) : index + reach + 1]
        near = near[np.isfinite(near)]
        middle = float(np.median(near))
        spread = 1.4826 * float(np.median(np.abs(near - middle))) if near.size >= 7 else overall
        out[index] = (blur2[index] - middle) / max(spread, 0.5 * overall, 1e-6)
    return out
