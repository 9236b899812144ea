"""What one pixel is worth in the specimen: from photographs of a ruling of known pitch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planewright.calibrate.results import (
    Estimate,
    Result,
    check_range,
    measured,
    missing,
    tolerance_sigma,
)
from planewright.calibrate.ruling import Lines, find_lines

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

_SATURATED = 0.01  # share of pixels
_FAR = 0.3  # relative distance from the expected pixel that can be no measuring error
_ONE_WAY = "the lines run in one direction only; photograph the ruling also turned by 90°"


@dataclass(frozen=True)
class PixelSize(Result):
    """Size of one pixel in the specimen: the straight scale that fits the whole photograph best.

    Parameters
    ----------
    ok : bool
        Whether at least one axis was measured.
    x, y : Estimate
        Micrometres a pixel along the columns' axis (right) and the rows' axis (down).
    mean : Estimate
        Root of their product; the one measured axis where the other is missing.
    rotation : Estimate
        Direction of the ruling's axis that is nearest to right, from right towards down, °.
    distortion : Estimate
        How much farther from the centre the corner is shown than without distortion, %.
        Positive: pincushion.
    lines : tuple of float
        How many lines cross the photograph, a number for each family.
    lost : float
        Largest share of the field that was left out as dirt.
    why : str
        Why not, where ``ok`` is false.
    notes : tuple of str
        What a person should know beside it.
    """

    ok: bool
    x: Estimate
    y: Estimate
    mean: Estimate
    rotation: Estimate
    distortion: Estimate
    lines: tuple[float, ...] = ()
    lost: float = 0.0
    why: str = ""
    notes: tuple[str, ...] = ()


def pixel_size(
    photographs: Image | Sequence[Image],
    *,
    pitch_um: float,
    ruling_tolerance: float,
    white: float = math.inf,
    usable: Sequence[NDArray[np.bool_]] | None = None,
    expected_um: float | None = None,
) -> PixelSize:
    """Measure the pixel from photographs of a stage micrometer or a grid.

    Parameters
    ----------
    photographs : array of shape (y, x), or sequence of them
        Light of a ruling in the cell medium at the plane of the sheet. Lines, crossed lines or
        a grid of dots. A ruling of lines alone gives one axis; a second photograph with the
        ruling turned by 90° gives the other.
    pitch_um : float
        Distance between neighbouring lines, µm.
    ruling_tolerance : float
        Half width of the maker's tolerance of the ruling's length, as a fraction of it: 0.001
        for 1 µm in 1 mm.
    white : float
        Light at which the sensor is full.
    usable : sequence of arrays of shape (y, x), bool, or None
        False where a pixel must not be used.
    expected_um : float or None
        Pixel that the bench computes. One further off than 30 % is refused: it is the pitch
        that is wrong then, or the lens.

    Returns
    -------
    PixelSize
        With the tolerance in the uncertainty.

    Raises
    ------
    RangeProblem
        If pitch or tolerance are not sensible.
    """
    check_range(pitch_um, "pitch_um", 0.0, 1e5, open_low=True)
    systematic = tolerance_sigma(ruling_tolerance, what="ruling_tolerance", largest=0.2)
    images = list(photographs) if not isinstance(photographs, np.ndarray) else [photographs]
    if not images:
        return _refused("no photograph was given")
    found: list[tuple[Lines, ...]] = []
    for index, image in enumerate(images):
        if image.ndim != 2:
            return _refused("a photograph must have rows and columns, and nothing else")
        full = full_share(image if usable is None else image[usable[index]], white)
        if full > _SATURATED:
            return _refused(f"{100 * full:.1f} % of it is saturated")
        families = find_lines(image, None if usable is None else usable[index])
        if not families[0].ok:
            return _refused(families[0].why)
        found.append(families)
    return _joined(found, pitch_um, systematic, expected_um)


def full_share(light: Image, white: float) -> float:
    """Return the share of pixels at which the sensor was full.

    Parameters
    ----------
    light : array
        Light.
    white : float
        Light at which the sensor is full. Where it is not known (infinite), pixels that all
        stand at the brightest value found are taken as full.

    Returns
    -------
    float
        From 0 to 1; 0 where only the single brightest pixel is there.
    """
    if math.isfinite(white):
        return float(np.count_nonzero(light >= white)) / max(1, light.size)
    finite = light[np.isfinite(light)]
    if finite.size == 0:
        return 0.0
    top = int(np.count_nonzero(finite == finite.max()))
    return top / finite.size if top > 10 else 0.0


def _refused(why: str) -> PixelSize:
    um, percent = missing("um", why), missing("%", why)
    return PixelSize(False, um, um, um, missing("deg", why), percent, why=why)


def _joined(
    found: list[tuple[Lines, ...]], pitch_um: float, systematic: float, expected_um: float | None
) -> PixelSize:
    singles = [_one(families, pitch_um) for families in found]
    x, y = (_axis([single[axis] for single in singles], systematic) for axis in (0, 1))
    values = [e.value for e in (x, y) if e.value is not None]
    sigmas = [e.sigma for e in (x, y) if e.sigma is not None]
    if len(values) == 2:
        value = math.sqrt(values[0] * values[1])
        random = [
            math.sqrt(max(0.0, (sigma / size) ** 2 - systematic**2))
            for size, sigma in zip(values, sigmas, strict=True)
        ]
        mean = measured(value, value * math.hypot(*(r / 2 for r in random), systematic), "um")
    else:
        mean = x if x.ok else y
    notes = () if x.ok and y.ok else (_ONE_WAY,)
    if expected_um is not None and mean.value is not None:
        ratio = mean.value / expected_um
        if abs(math.log(ratio)) > _FAR:
            return _refused(
                f"the pixel would be {mean.value:.4g} µm, {ratio:.3g} times what the bench "
                "computes: the pitch is another, or the lens"
            )
    lines = [line for families in found for line in families]
    return PixelSize(
        True,
        x,
        y,
        mean,
        _rotation(found[0]),
        _distortion(lines),
        tuple(line.lines for line in lines),
        max(line.lost for line in lines),
        notes=notes,
    )


def _one(families: tuple[Lines, ...], pitch_um: float) -> tuple[tuple[float, float] | None, ...]:
    """Return (value, random sigma) along x and y from one photograph."""
    if len(families) == 1:
        line = families[0]
        size = float(np.hypot(*line.gradient))
        along = np.array(line.gradient) / size
        value = (pitch_um * size, pitch_um * float(np.sqrt(along @ line.covariance @ along)))
        return (value, None) if abs(line.gradient[0]) >= abs(line.gradient[1]) else (None, value)
    result: list[tuple[float, float] | None] = []
    for axis in (0, 1):
        parts = np.array([line.gradient[axis] for line in families])
        variances = np.array([line.covariance[axis, axis] for line in families])
        size = float(np.hypot(*parts))
        sigma = float(np.sqrt(((parts / size) ** 2 * variances).sum()))
        result.append((pitch_um * size, pitch_um * sigma))
    return tuple(result)


def _axis(values: list[tuple[float, float] | None], systematic: float) -> Estimate:
    known = [value for value in values if value is not None]
    if not known:
        return missing("um", _ONE_WAY)
    weight = np.array([1.0 / max(sigma, 1e-12 * value) ** 2 for value, sigma in known])
    value = float(np.average([value for value, _ in known], weights=weight))
    return measured(
        value, math.hypot(1.0 / math.sqrt(float(weight.sum())), value * systematic), "um"
    )


def _rotation(families: tuple[Lines, ...]) -> Estimate:
    """Return the ruling's direction, brought to (-45°, 45°]."""
    angles, sigmas = [], []
    for line in families:
        gx, gy = line.gradient
        size = math.hypot(gx, gy)
        across = np.array([-gy, gx]) / size
        angles.append((math.degrees(math.atan2(gy, gx)) + 45.0) % 90.0 - 45.0)
        sigmas.append(math.degrees(float(np.sqrt(across @ line.covariance @ across)) / size))
    weight = 1.0 / np.maximum(np.array(sigmas), 1e-12) ** 2
    turned = np.array([(angle - angles[0] + 45.0) % 90.0 - 45.0 for angle in angles])
    value = (angles[0] + float(np.average(turned, weights=weight)) + 45.0) % 90.0 - 45.0
    return measured(value, 1.0 / math.sqrt(float(weight.sum())), "deg")


def _distortion(lines: list[Lines]) -> Estimate:
    known = [(line.bend, line.bend_sigma) for line in lines if line.bend is not None]
    if not known:
        return missing("%", "it takes 10 lines or more to see a distortion")
    bend = np.array([b for b, _ in known], dtype=np.float64)
    weight = 1.0 / np.maximum(np.array([s for _, s in known], dtype=np.float64), 1e-12) ** 2
    value = -100.0 * float(np.average(bend, weights=weight))
    return measured(value, 100.0 / math.sqrt(float(weight.sum())), "%")
