"""The image of a point: integrals over the lens's pupil, scalar and vectorial.

Light of one wavelength; the image in the specimen's own micrometres, on the lens's axis.
z grows away from the lens, from the place where a ray near the axis is in focus.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jv

from planewright.base.problems import RangeProblem
from planewright.optics.quadrature import panels

VECTORIAL_ABOVE = 0.45  # sin of the half angle at which polarization widens a point by 2 %
_MOST_NODES = 6000


@dataclass(frozen=True)
class PupilLens:
    """A lens as its pupil sees the specimen.

    Parameters
    ----------
    numerical_aperture : float
        NA.
    wavelength_nm : float
        Wavelength in vacuum, nm.
    index : float
        Index of the medium around the specimen.
    design_index : float or None
        Index of the medium that the lens was made to look into; None for the specimen's.
    depth_um : float
        Depth of the point in the specimen's medium, µm: over this path the index is not the one
        that the lens was made for.
    apodised : bool
        True for a lens that obeys the sine condition: amplitude √cos θ over the pupil.
    """

    numerical_aperture: float
    wavelength_nm: float
    index: float
    design_index: float | None = None
    depth_um: float = 0.0
    apodised: bool = True

    def __post_init__(self) -> None:
        if not 200 <= self.wavelength_nm <= 2000:
            raise RangeProblem(
                "The wavelength is not possible.",
                got=f"{self.wavelength_nm:g} nm",
                expected="200 to 2000 nm",
                do="give nanometres: 520, not 0.52",
            )
        if not 1.0 <= self.index <= 2.6 or not 1.0 <= self.design <= 2.6:
            raise RangeProblem(
                "An index is not possible.",
                got=f"{self.index:g}, {self.design:g}",
                expected="1 to 2.6",
            )
        least = min(self.index, self.design)
        if not 0 < self.numerical_aperture < least:
            raise RangeProblem(
                "The lens's NA is not possible in this medium.",
                got=f"NA {self.numerical_aperture:g}",
                expected=f"above 0, below {least:.4f}",
            )
        if not (math.isfinite(self.depth_um) and self.depth_um >= 0):
            raise RangeProblem("A depth cannot be negative.", got=f"{self.depth_um:g} µm")

    @property
    def design(self) -> float:
        """Index that the lens was made for."""
        return self.index if self.design_index is None else self.design_index

    @property
    def needs_vectors(self) -> bool:
        """Whether the light is so steep that polarization shows."""
        return self.numerical_aperture / self.index > VECTORIAL_ABOVE


def point_image(
    lens: PupilLens,
    radius_um: ArrayLike,
    z_um: ArrayLike,
    *,
    vectorial: bool | None = None,
) -> NDArray[np.float64]:
    """Return the image of a point over radius and depth.

    Parameters
    ----------
    lens : PupilLens
        The lens.
    radius_um : array_like of shape (R,)
        Distances from the axis, µm.
    z_um : array_like of shape (Z,)
        Distances along the axis, µm, away from the lens.
    vectorial : bool or None
        True for the vectorial integrals of a point that shines in all polarizations, False for the
        scalar one; None takes the first where the lens needs it.

    Returns
    -------
    ndarray of shape (Z, R)
        Light, 1 where a lens without aberration has its peak.

    Raises
    ------
    RangeProblem
        If the image reaches so far that the integral would need too many nodes.

    References
    ----------
    .. [1] B. Richards and E. Wolf, Proc. R. Soc. A 253, 358 (1959), equations 2.26, 2.31 and 3.13.
    .. [2] S. F. Gibson and F. Lanni, J. Opt. Soc. Am. A 8, 1601 (1991): path differences by layer.
    """
    r = np.atleast_1d(np.asarray(radius_um, dtype=np.float64))
    z = np.atleast_1d(np.asarray(z_um, dtype=np.float64))
    um = lens.wavelength_nm * 1e-3
    k = 2.0 * np.pi / um
    na, n = lens.numerical_aperture, lens.index
    steep = n - math.sqrt(n**2 - na**2)
    fringes = (na * np.abs(r).max() + steep * np.abs(z).max() + lens.depth_um * na**2) / um
    nodes = 64 + 8 * math.ceil(float(fringes))
    if nodes > _MOST_NODES:
        raise RangeProblem(
            "This image of a point reaches too far from its middle.",
            got=f"{np.abs(r).max():.0f} µm across, {np.abs(z).max():.0f} µm along",
            do="ask for a smaller surrounding",
        )
    sin, weight = _pupil_nodes(lens, nodes)
    cos = np.sqrt(1.0 - sin**2)
    use = lens.needs_vectors if vectorial is None else vectorial
    lit = weight * np.exp(1j * k * _mismatch_um(lens, n * sin))
    along = lit * np.exp(1j * k * n * np.multiply.outer(z, cos - 1.0))
    orders = (0,) if not use else (0, 1, 2)
    factors = {0: (1 + cos) / 2 if use else np.ones_like(cos), 1: sin, 2: (1 - cos) / 2}
    light = np.zeros((len(z), len(r)))
    for order in orders:
        bessel = jv(order, k * n * np.multiply.outer(sin, r))
        part = np.abs((along * factors[order]) @ bessel) ** 2
        # |I0|² + 2 |I1|² + |I2|² in the paper's terms, our first-order factor being half of its own
        light += part * (0.5 if order == 1 else 1.0)
    return np.asarray(light / float((weight * factors[0]).sum()) ** 2)


def _pupil_nodes(lens: PupilLens, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return sines of the angle and weights (solid angle times the pupil's amplitude)."""
    nodes, weights = panels(count, 1.0)
    n, na = lens.index, lens.numerical_aperture
    least = math.sqrt(1.0 - (na / n) ** 2)
    # nodes even in cos θ: dΩ = 2π d(cos θ)
    cos = least + (1.0 - least) * (nodes + 1.0) / 2.0
    amplitude = np.sqrt(cos) if lens.apodised else np.ones_like(cos)
    return np.sqrt(1.0 - cos**2), weights * (1.0 - least) / 2.0 * amplitude


def _mismatch_um(lens: PupilLens, p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the path that a depth of the wrong medium adds, defocus of rays near the axis gone."""
    n, design = lens.index, lens.design
    if n == design or lens.depth_um == 0:
        return np.zeros_like(p)
    real = np.sqrt(n**2 - p**2) - n
    meant = (design / n) * (np.sqrt(design**2 - p**2) - design)
    return np.asarray(lens.depth_um * (real - meant))


def axial_fwhm_um(lens: PupilLens, *, vectorial: bool | None = None) -> float:
    """Return the width of a point's image along the axis, FWHM, µm."""
    n, na = lens.index, lens.numerical_aperture
    reach = lens.wavelength_nm * 1e-3 / (n - math.sqrt(n**2 - na**2))
    bent = lens.depth_um * na**2 * abs(n**2 - lens.design**2) / 4
    far = 3.0 * reach + bent
    z = np.linspace(-far, far, 2401)
    light = point_image(lens, 0.0, z, vectorial=vectorial)[:, 0]
    return _fwhm(z, light)


def lateral_fwhm_um(lens: PupilLens, *, z_um: float = 0.0, vectorial: bool | None = None) -> float:
    """Return the width of a point's image across the axis, FWHM, µm, at a distance from focus."""
    reach = 4.0 * lens.wavelength_nm * 1e-3 / lens.numerical_aperture
    reach += 2.0 * abs(z_um) * lens.numerical_aperture / lens.index
    r = np.linspace(0.0, reach, 1601)
    light = point_image(lens, r, z_um, vectorial=vectorial)[0]
    return _fwhm(np.concatenate([-r[:0:-1], r]), np.concatenate([light[:0:-1], light]))


def _fwhm(place: NDArray[np.float64], light: NDArray[np.float64]) -> float:
    want = 0.5 * float(light.max())
    above = np.flatnonzero(light >= want)
    first, last = int(above[0]), int(above[-1])
    if first == 0 or last == len(light) - 1:
        raise RangeProblem("The image of a point is wider than was looked at.")
    left = np.interp(want, light[first - 1 : first + 1], place[first - 1 : first + 1])
    right = np.interp(-want, -light[last : last + 2], place[last : last + 2])
    return float(right - left)


def sheet_point_image(
    lens: PupilLens,
    *,
    z_um: ArrayLike,
    y_um: ArrayLike,
    x_um: ArrayLike,
    sheet_fwhm_um: float = math.inf,
    vectorial: bool | None = None,
) -> NDArray[np.float32]:
    """Return the image of a point in a sheet of light, as a block of voxels.

    Parameters
    ----------
    lens : PupilLens
        The detection lens.
    z_um, y_um, x_um : array_like of shape (Z,), (Y,), (X,)
        Voxel centres around the point, µm.
    sheet_fwhm_um : float
        Thickness of the sheet there, FWHM, µm; infinite for light everywhere.
    vectorial : bool or None
        As in `point_image`.

    Returns
    -------
    ndarray of shape (Z, Y, X), float32
        Light, summing to 1. Sampled at the voxels' centres, not averaged over them.
    """
    z = np.asarray(z_um, dtype=np.float64)
    radius = np.hypot(*np.meshgrid(np.asarray(y_um, float), np.asarray(x_um, float), indexing="ij"))
    each, where = np.unique(radius, return_inverse=True)
    image = point_image(lens, each, z, vectorial=vectorial)[:, where.reshape(radius.shape)]
    if not math.isinf(sheet_fwhm_um):
        if not sheet_fwhm_um > 0:
            raise RangeProblem("A sheet must have a thickness.", got=f"{sheet_fwhm_um:g} µm")
        image = image * np.exp(-4 * math.log(2) * (z / sheet_fwhm_um) ** 2)[:, None, None]
    return np.asarray(image / image.sum(), dtype=np.float32)
