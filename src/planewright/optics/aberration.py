"""Third-order spherical aberration: of thin lenses both ways round, of walls and of liquid.

A path length W is that by which the wave front runs ahead at a height: positive where the
margin focuses short, as a simple lens does; a plate or a liquid does the opposite.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planewright.base.problems import RangeProblem
from planewright.optics.elements import Axis, Facing, Gap, Lens, Shape, Train, Wall
from planewright.optics.gauss import Station, trace
from planewright.optics.quadrature import panels

MARECHAL_WAVES = 1.0 / 14.0  # rms at which four fifths of the peak are left
ROUND_RMS = 1.0 / (6.0 * math.sqrt(5.0))  # of W040 at the rim, best focus, evenly lit round pupil
SLIT_RMS = 8.0 / 105.0  # the same for an evenly lit slit
_WHOLE_BEAM = 1.5  # 1/e² radii that hold all but 0.3 % of a beam's light


def shape_factor(lens: Lens) -> float | None:
    """Return the Coddington shape factor of a lens as the light meets it.

    Parameters
    ----------
    lens : Lens
        The lens.

    Returns
    -------
    float or None
        ``(R2 + R1)/(R2 − R1)``: 1 for a plano lens with the curved side first, −1 the other way
        round, 0 for an equal biconvex one; None where the lens counts as free of aberration.
        A lens of unknown facing has that of the curved side first; see `lens_w040_um`.
    """
    if lens.shape in (Shape.ACHROMAT, Shape.IDEAL):
        return None
    if lens.bending is not None:
        factor = lens.bending
    elif lens.shape in (Shape.BICONVEX, Shape.BICONCAVE):
        factor = 0.0
    else:
        factor = 1.0
    return -factor if lens.facing is Facing.FLAT else factor


def thin_lens_w040_um(
    height_mm: float,
    *,
    focal_length_mm: float,
    bending: float,
    glass_index: float,
    convergence_per_mm: float = 0.0,
    index: float = 1.0,
) -> float:
    """Return the spherical aberration of a thin lens at a height.

    Parameters
    ----------
    height_mm : float
        Height above the axis, mm.
    focal_length_mm : float
        Focal length in the medium around it, mm.
    bending : float
        Coddington shape factor as the light meets the lens.
    glass_index : float
        Index of the lens.
    convergence_per_mm : float
        Curvature of the incoming wave front, 1/mm; positive where it runs together.
    index : float
        Index of the medium around the lens.

    Returns
    -------
    float
        Wave-front advance W040, µm; grows as the fourth power of the height.

    References
    ----------
    .. [1] W. T. Welford, Aberrations of Optical Systems (1986), thin-lens sums of chapter 12, with
       shape and conjugate variables; from memory.
    """
    n = glass_index / index
    power = 1.0 / focal_length_mm
    conjugate = -(1.0 + 2.0 * convergence_per_mm / power)
    sums = (
        (n / (n - 1)) ** 2
        + (n + 2) / (n * (n - 1) ** 2) * (bending + 2 * (n**2 - 1) / (n + 2) * conjugate) ** 2
        - n / (n + 2) * conjugate**2
    )
    return index * height_mm**4 * power**3 / 32.0 * sums * 1e3


def lens_w040_um(lens: Lens, station: Station, axis: Axis) -> float:
    """Return the spherical aberration of a lens of a train at the beam's 1/e² radius.

    Parameters
    ----------
    lens : Lens
        The lens.
    station : Station
        The beam before it.
    axis : {"y", "z"}
        Axis.

    Returns
    -------
    float
        W040, µm; of the worse way round where the facing is not known and matters.
    """
    step = station.step
    factor = shape_factor(lens)
    if factor is None or step is None or step.power(axis) == 0:
        return 0.0
    factors = [factor] if lens.facing is not None else [factor, -factor]
    found = [
        thin_lens_w040_um(
            station.beam.radius_um * 1e-3,
            focal_length_mm=step.index / step.power(axis),
            bending=b,
            glass_index=lens.glass_index,
            convergence_per_mm=station.beam.convergence_per_mm,
            index=step.index,
        )
        for b in factors
    ]
    return max(found, key=abs)


def plate_w040_um(
    thickness_mm: float, *, index: float, numerical_aperture: float, design_index: float = 1.0
) -> float:
    """Return the size of the spherical aberration of a plate or a depth of liquid.

    Parameters
    ----------
    thickness_mm : float
        Thickness, mm.
    index : float
        Its index.
    numerical_aperture : float
        NA of the light.
    design_index : float
        Index that the lens was made to focus in.

    Returns
    -------
    float
        ``d (n² − n_d²) NA⁴ / (8 n³ n_d²)``, µm; positive where the margin focuses long.
    """
    n, design = index, design_index
    bend = (n**2 - design**2) / (8.0 * n**3 * design**2)
    return float(thickness_mm * 1e3 * bend * numerical_aperture**4)


@dataclass(frozen=True)
class ThroughLiquid:
    """What a depth of liquid or glass does to a lens that was made for air.

    Parameters
    ----------
    w040_um : float
        Aberration at the rim, µm.
    rms_waves : float
        At best focus, over an evenly lit round pupil, in wavelengths.
    ok : bool
        Whether it is within the Maréchal limit, a fourteenth of a wave.
    """

    w040_um: float
    rms_waves: float
    ok: bool


def through_liquid(
    numerical_aperture: float,
    *,
    depth_mm: float,
    index: float,
    wavelength_nm: float,
    design_index: float = 1.0,
) -> ThroughLiquid:
    """Return the spherical aberration of a lens that looks through a depth of liquid.

    Parameters
    ----------
    numerical_aperture : float
        NA of the lens.
    depth_mm : float
        Depth of liquid (or thickness of glass) it was not made for, mm.
    index : float
        Index of the liquid.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    design_index : float
        Index the lens was made for; 1 for a lens that works in air.

    Returns
    -------
    ThroughLiquid
        Aberration at the rim and at best focus.
    """
    if not 0 < numerical_aperture < min(index, design_index + 1e-12) or not depth_mm >= 0:
        raise RangeProblem(
            "A lens cannot look into this liquid.",
            got=f"NA {numerical_aperture:g}, {depth_mm:g} mm deep, index {index:g}",
            expected=f"NA above 0 and below {min(index, design_index):g}, a depth of 0 or more",
        )
    w040 = plate_w040_um(
        depth_mm, index=index, numerical_aperture=numerical_aperture, design_index=design_index
    )
    rms = abs(w040) * ROUND_RMS / (wavelength_nm * 1e-3)
    return ThroughLiquid(w040, rms, rms <= MARECHAL_WAVES)


def largest_aperture(depth_mm: float, *, index: float, wavelength_nm: float) -> float:
    """Return the largest NA of a lens made for air that a depth of liquid does not spoil.

    Parameters
    ----------
    depth_mm : float
        Depth, mm.
    index : float
        Index of the liquid.
    wavelength_nm : float
        Wavelength in vacuum, nm.

    Returns
    -------
    float
        NA at the Maréchal limit.
    """
    if not depth_mm > 0 or not index > 1:
        raise RangeProblem("This depth spoils nothing.", got=f"{depth_mm:g} mm of {index:g}")
    per_na4 = plate_w040_um(depth_mm, index=index, numerical_aperture=1.0) * ROUND_RMS
    return float((MARECHAL_WAVES * wavelength_nm * 1e-3 / per_na4) ** 0.25)


@dataclass(frozen=True)
class Share:
    """What one element adds.

    Parameters
    ----------
    element : int
        Which element of the train.
    w040_um : float
        Its aberration at the beam's 1/e² radius, µm.
    """

    element: int
    w040_um: float


@dataclass(frozen=True)
class Spherical:
    """Spherical aberration of a whole train in one axis.

    Parameters
    ----------
    shares : tuple of Share
        The elements that add to it, worst first.
    w040_um : float
        Sum at the beam's 1/e² radius, µm.
    waves : float
        The same in wavelengths.
    edge_radii : float
        Where the tightest opening cuts the beam, in 1/e² radii.
    rms_waves : float
        At best focus, weighted by the light that passes, in wavelengths.
    peak_to_valley_waves : float
        At best focus over 1.5 of the beam's 1/e² radii (99.7 % of its light) or the opening,
        whichever is narrower: what Rayleigh's quarter-wave rule is about.
    beam_quality : float
        Factor on M² by second moments, of the beam if it is not cut.
    """

    shares: tuple[Share, ...]
    w040_um: float
    waves: float
    edge_radii: float
    rms_waves: float
    peak_to_valley_waves: float
    beam_quality: float

    @property
    def within_quarter_wave(self) -> bool:
        """Whether Rayleigh's quarter-wave rule is kept."""
        return self.peak_to_valley_waves <= 0.25


def spherical(train: Train, axis: Axis) -> Spherical:
    """Return the spherical aberration that a train adds in one axis.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis.

    Returns
    -------
    Spherical
        Lenses count at the beam's radius and curvature there; walls and liquid count against
        what the lens before them focuses in.
    """
    found: dict[int, float] = {}
    edge = math.inf
    for station, design in zip(trace(train, axis), design_indices(train, axis), strict=True):
        step = station.step
        if step is None:
            break
        edge = min(edge, step.half_mm(axis) / (station.beam.radius_um * 1e-3))
        element = train.elements[step.element]
        added = 0.0
        if isinstance(element, Lens):
            added = lens_w040_um(element, station, axis)
        elif isinstance(element, (Gap, Wall)) and step.length_mm and design is not None:
            added = -plate_w040_um(
                step.length_mm,
                index=step.index,
                numerical_aperture=station.beam.numerical_aperture,
                design_index=design,
            )
        if added:
            found[step.element] = found.get(step.element, 0.0) + added
    total = sum(found.values())
    waves = total / (train.wavelength_nm * 1e-3)
    shares = sorted((Share(k, w) for k, w in found.items()), key=lambda s: -abs(s.w040_um))
    effective = waves / train.beam_quality(axis)
    return Spherical(
        tuple(shares),
        total,
        waves,
        edge,
        abs(waves) * balanced_rms(edge),
        abs(waves) * min(edge, _WHOLE_BEAM) ** 4 / 4.0,
        # variance of the slope 4 W x³/w⁴ less its part along x, for a Gaussian of σ = w/2
        math.sqrt(1.0 + 6.0 * math.pi**2 * effective**2),
    )


def design_indices(train: Train, axis: Axis) -> list[float | None]:
    """Return for every station the index that the last lens of this axis focuses in.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis.

    Returns
    -------
    list of float or None
        One for each station of `trace`; None before the first lens that acts on the axis.
    """
    out: list[float | None] = []
    design: float | None = None
    for station in trace(train, axis):
        out.append(design)
        if station.step is not None and station.step.power(axis):
            design = station.step.index
    return out


def balanced_rms(edge_radii: float) -> float:
    """Return the rms of ``(x/w)⁴`` at best focus over a Gaussian beam cut by a slit.

    Parameters
    ----------
    edge_radii : float
        Where the slit cuts, in 1/e² radii; infinite for an uncut beam.

    Returns
    -------
    float
        Weighted by the light, piston and defocus taken out; √24/16 for an uncut beam.
    """
    if not edge_radii > 0:
        raise RangeProblem("A slit must be open.", got=f"{edge_radii:g}")
    reach = min(edge_radii, 4.5)
    x, weight = panels(160, reach)
    weight = weight * np.exp(-2.0 * x**2)
    root = np.sqrt(weight / weight.sum())
    basis = np.stack([np.ones_like(x), x**2], axis=1) * root[:, None]
    fit = np.linalg.lstsq(basis, x**4 * root, rcond=None)[0]
    return float(np.linalg.norm(x**4 * root - basis @ fit))
