"""What a train of light is made of, from the laser to the middle of the field.

Axes: light travels along x; y lies in the imaged plane (the sheet's height), z runs along the
detection axis (the sheet's thickness). A train ends at the middle of the imaged field.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from planewright.base.problems import RangeProblem

Axis = Literal["y", "z"]
ActsOn = Literal["both", "y", "z"]
AXES: tuple[Axis, Axis] = ("y", "z")

_GLASS_INDEX = 1.52  # crown glass in visible light; a lens or wall may state its own


class Shape(StrEnum):
    """How a lens is bent. Achromats and ideal lenses count as free of aberration."""

    PLANO_CONVEX = "plano-convex"
    PLANO_CONCAVE = "plano-concave"
    BICONVEX = "biconvex"
    BICONCAVE = "biconcave"
    MENISCUS = "meniscus"
    ACHROMAT = "achromat"
    IDEAL = "ideal"


class Facing(StrEnum):
    """Which face of a lens meets the light first."""

    CURVED = "curved side first"
    FLAT = "flat side first"


def _positive(value: float | None, what: str, unit: str, *, most: float = math.inf) -> None:
    if value is None:
        return
    if not (math.isfinite(value) and 0 < value <= most):
        expected = "a positive number" if math.isinf(most) else f"above 0, up to {most:g} {unit}"
        raise RangeProblem(f"{what} is not possible.", got=f"{value:g} {unit}", expected=expected)


def _index(value: float, what: str) -> None:
    if not (math.isfinite(value) and 1.0 <= value <= 2.6):
        raise RangeProblem(
            f"{what} is not possible.", got=f"{value:g}", expected="1 to 2.6", do="check the medium"
        )


@dataclass(frozen=True)
class Gap:
    """A free path in whatever medium the light is in.

    Parameters
    ----------
    length_mm : float
        Length of the path, mm.
    name : str
        Name for messages.
    """

    length_mm: float
    name: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length_mm) and self.length_mm >= 0):
            raise RangeProblem(
                "A gap has no possible length.",
                where=self.name,
                got=f"{self.length_mm:g} mm",
                expected="0 mm or more",
            )


@dataclass(frozen=True)
class Lens:
    """A thin lens, round or cylindrical.

    Parameters
    ----------
    focal_length_mm : float
        Focal length in air, mm; negative for a diverging lens.
    acts_on : {"both", "y", "z"}
        The axis in which the lens focuses: ``"both"`` for a spherical lens. A cylinder that
        acts on z makes the light thin along z.
    shape : Shape
        How it is bent.
    facing : Facing or None
        Which face meets the light first; None if not known: the worse one is then counted.
    diameter_mm : float or None
        Clear width in both axes (the diameter of a round lens), mm; None for unlimited.
    width_y_mm, width_z_mm : float or None
        Clear width of a lens that is not round, mm; they replace the diameter.
    glass_index : float
        Index of the glass at the laser's wavelength.
    bending : float or None
        Coddington shape factor with the curved side first; needed for a meniscus.
    name : str
        Name for messages.
    """

    focal_length_mm: float
    acts_on: ActsOn = "both"
    shape: Shape = Shape.IDEAL
    facing: Facing | None = None
    diameter_mm: float | None = None
    width_y_mm: float | None = None
    width_z_mm: float | None = None
    glass_index: float = _GLASS_INDEX
    bending: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        f = self.focal_length_mm
        if not math.isfinite(f) or abs(f) < 0.1:
            raise RangeProblem(
                "A lens has no possible focal length.",
                where=self.name,
                got=f"{f:g} mm",
                expected="0.1 mm or more, negative for a diverging lens",
            )
        if self.acts_on not in ("both", "y", "z"):
            raise RangeProblem(
                "A cylinder lens needs the axis in which it focuses.",
                where=self.name,
                got=str(self.acts_on),
                expected="y (the sheet's height), z (its thickness) or both (a spherical lens)",
            )
        for value in (self.diameter_mm, self.width_y_mm, self.width_z_mm):
            _positive(value, "The width of a lens", "mm")
        _index(self.glass_index, "The index of a lens")
        diverging = self.shape in (Shape.PLANO_CONCAVE, Shape.BICONCAVE)
        converging = self.shape in (Shape.PLANO_CONVEX, Shape.BICONVEX)
        if (diverging and f > 0) or (converging and f < 0):
            raise RangeProblem(
                "The sign of a focal length does not fit the lens's shape.",
                where=self.name,
                got=f"{self.shape}, {f:g} mm",
                expected="a convex lens above 0 mm, a concave one below",
            )
        if self.shape is Shape.MENISCUS and self.bending is None:
            raise RangeProblem(
                "A meniscus needs its bending for its aberration.",
                where=self.name,
                expected="(R2 + R1)/(R2 − R1), over 1 or under −1",
                do="work it out from the two radii, or call the lens ideal",
            )

    def clear_mm(self, axis: Axis) -> float:
        """Return the clear width along an axis, mm; infinite where not limited."""
        own = self.width_y_mm if axis == "y" else self.width_z_mm
        width = own if own is not None else self.diameter_mm
        return math.inf if width is None else width

    @property
    def is_round(self) -> bool:
        """Whether the rim is a circle."""
        return (
            self.diameter_mm is not None
            and self.width_y_mm is None
            and self.width_z_mm is None
            and self.acts_on == "both"
        )


@dataclass(frozen=True)
class Aperture:
    """A slit or an iris.

    Parameters
    ----------
    width_y_mm, width_z_mm : float or None
        Transmitting full width per axis, mm; None where the edge is far away (a slit limits
        one axis).
    is_round : bool
        True for an iris; both widths must then be its diameter.
    name : str
        Name for messages.
    """

    width_y_mm: float | None = None
    width_z_mm: float | None = None
    is_round: bool = False
    name: str = ""

    def __post_init__(self) -> None:
        for value in (self.width_y_mm, self.width_z_mm):
            _positive(value, "The width of an aperture", "mm")
        if self.is_round and (self.width_y_mm is None or self.width_y_mm != self.width_z_mm):
            raise RangeProblem(
                "An iris has one diameter.",
                where=self.name,
                got=f"{self.width_y_mm} and {self.width_z_mm} mm",
                expected="the same width along both axes",
            )

    def clear_mm(self, axis: Axis) -> float:
        """Return the transmitting width along an axis, mm; infinite where not limited."""
        width = self.width_y_mm if axis == "y" else self.width_z_mm
        return math.inf if width is None else width


@dataclass(frozen=True)
class Mirror:
    """A flat mirror that turns the light.

    Parameters
    ----------
    diameter_mm : float or None
        Diameter of the mirror's face, mm.
    incidence_deg : float
        Angle between the light and the mirror's normal, degrees.
    folds : {"y", "z"}
        The beam's axis that lies in the plane of incidence: the mirror looks foreshortened
        along it.
    name : str
        Name for messages.
    """

    diameter_mm: float | None = None
    incidence_deg: float = 45.0
    folds: Axis = "y"
    name: str = ""

    def __post_init__(self) -> None:
        _positive(self.diameter_mm, "The diameter of a mirror", "mm")
        if not 0 <= self.incidence_deg < 90:
            raise RangeProblem(
                "A mirror stands at no possible angle.",
                where=self.name,
                got=f"{self.incidence_deg:g}°",
                expected="0° to below 90° between the light and the mirror's normal",
            )

    def clear_mm(self, axis: Axis) -> float:
        """Return the width that the light sees along an axis, mm."""
        if self.diameter_mm is None:
            return math.inf
        if axis == self.folds:
            return self.diameter_mm * math.cos(math.radians(self.incidence_deg))
        return self.diameter_mm

    def turn_factor(self, axis: Axis) -> float:
        """Return the angle by which the light turns for a unit turn of the mirror.

        Twice the turn in the plane of incidence, ``2 cos(incidence)`` across it.
        """
        return 2.0 if axis == self.folds else 2.0 * math.cos(math.radians(self.incidence_deg))


@dataclass(frozen=True)
class Wall:
    """A flat plate square to the light: a window of the cell, a cover glass, a filter.

    Parameters
    ----------
    thickness_mm : float
        Thickness, mm.
    index : float
        Refractive index of the plate.
    beyond_index : float or None
        Index of the medium behind it; None if the same as before it.
    width_mm : float or None
        Clear width in both axes, mm.
    name : str
        Name for messages.
    """

    thickness_mm: float
    index: float = _GLASS_INDEX
    beyond_index: float | None = None
    width_mm: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        _positive(self.thickness_mm, "The thickness of a wall", "mm")
        _positive(self.width_mm, "The width of a wall", "mm")
        _index(self.index, "The index of a wall")
        if self.beyond_index is not None:
            _index(self.beyond_index, "The index behind a wall")

    def clear_mm(self, axis: Axis) -> float:
        """Return the clear width along an axis, mm."""
        return math.inf if self.width_mm is None else self.width_mm


@dataclass(frozen=True)
class Medium:
    """A flat surface, square to the light, into another medium.

    Parameters
    ----------
    index : float
        Index of the medium that begins here.
    name : str
        Name for messages.
    """

    index: float
    name: str = ""

    def __post_init__(self) -> None:
        _index(self.index, "The index of a medium")


Element = Gap | Lens | Aperture | Mirror | Wall | Medium


@dataclass(frozen=True)
class Train:
    """Everything the light goes through, from the laser to the middle of the field.

    Parameters
    ----------
    wavelength_nm : float
        Wavelength in vacuum, nm.
    beam_radius_y_mm, beam_radius_z_mm : float
        1/e² intensity radius of the laser's beam at its waist, per axis, mm.
    elements : tuple of Element
        In the order in which the light meets them.
    beam_quality_y, beam_quality_z : float
        M² per axis, 1 or more.
    waist_ahead_y_mm, waist_ahead_z_mm : float
        Distance from the start of the train to the laser's own waist, mm, positive
        downstream.
    index : float
        Index of the medium in which the train starts.
    """

    wavelength_nm: float
    beam_radius_y_mm: float
    beam_radius_z_mm: float
    elements: tuple[Element, ...]
    beam_quality_y: float = 1.0
    beam_quality_z: float = 1.0
    waist_ahead_y_mm: float = 0.0
    waist_ahead_z_mm: float = 0.0
    index: float = 1.0

    def __post_init__(self) -> None:
        if not 200 <= self.wavelength_nm <= 1100:
            raise RangeProblem(
                "The laser's wavelength is not possible.",
                got=f"{self.wavelength_nm:g} nm",
                expected="200 to 1100 nm",
                do="give nanometres: 488, not 0.488",
            )
        for value in (self.beam_radius_y_mm, self.beam_radius_z_mm):
            _positive(value, "The radius of the laser's beam", "mm", most=100)
        for value in (self.beam_quality_y, self.beam_quality_z):
            if not 1.0 <= value <= 1000:
                raise RangeProblem(
                    "The laser's beam quality M² is not possible.",
                    got=f"{value:g}",
                    expected="1 (perfect) to 1000",
                )
        _index(self.index, "The index at the start")

    def beam_radius_mm(self, axis: Axis) -> float:
        """Return the laser's waist radius along an axis, mm."""
        return self.beam_radius_y_mm if axis == "y" else self.beam_radius_z_mm

    def beam_quality(self, axis: Axis) -> float:
        """Return M² along an axis."""
        return self.beam_quality_y if axis == "y" else self.beam_quality_z

    def waist_ahead_mm(self, axis: Axis) -> float:
        """Return the distance from the train's start to the laser's waist along an axis, mm."""
        return self.waist_ahead_y_mm if axis == "y" else self.waist_ahead_z_mm


@dataclass(frozen=True)
class Step:
    """One plane or one path of a train, what the physics of this room works on.

    Parameters
    ----------
    element : int
        Which element of the train it belongs to.
    length_mm : float
        Path, mm; 0 for a plane.
    index, index_after : float
        Media before and after.
    power_y, power_z : float
        Refracting power in the medium, 1/mm.
    half_y_mm, half_z_mm : float
        Half of the clear width per axis, mm; infinite where not limited.
    is_round : bool
        Whether the clear opening is a circle.
    """

    element: int
    length_mm: float = 0.0
    index: float = 1.0
    index_after: float = 1.0
    power_y: float = 0.0
    power_z: float = 0.0
    half_y_mm: float = math.inf
    half_z_mm: float = math.inf
    is_round: bool = False

    def power(self, axis: Axis) -> float:
        """Return the power along an axis, 1/mm."""
        return self.power_y if axis == "y" else self.power_z

    def half_mm(self, axis: Axis) -> float:
        """Return half the clear width along an axis, mm."""
        return self.half_y_mm if axis == "y" else self.half_z_mm


def steps(train: Train) -> tuple[Step, ...]:
    """Return a train as planes and paths.

    Parameters
    ----------
    train : Train
        The train.

    Returns
    -------
    tuple of Step
        In order; a wall becomes a surface, a path and a surface.

    Raises
    ------
    RangeProblem
        If an achromat stands in a liquid: its power there is not known from that in air.
    """
    out: list[Step] = []
    index = train.index
    for number, element in enumerate(train.elements):
        match element:
            case Gap(length_mm=length):
                out.append(Step(number, length, index, index))
            case Medium(index=after):
                out.append(Step(number, 0.0, index, after))
                index = after
            case Wall():
                half = element.clear_mm("y") / 2
                after = index if element.beyond_index is None else element.beyond_index
                out.append(Step(number, 0.0, index, element.index, half_y_mm=half, half_z_mm=half))
                out.append(Step(number, element.thickness_mm, element.index, element.index))
                out.append(Step(number, 0.0, element.index, after))
                index = after
            case Lens():
                power = lens_power(element, index)
                out.append(
                    Step(
                        number,
                        0.0,
                        index,
                        index,
                        power_y=0.0 if element.acts_on == "z" else power,
                        power_z=0.0 if element.acts_on == "y" else power,
                        half_y_mm=element.clear_mm("y") / 2,
                        half_z_mm=element.clear_mm("z") / 2,
                        is_round=element.is_round,
                    )
                )
            case Aperture() | Mirror():
                out.append(
                    Step(
                        number,
                        0.0,
                        index,
                        index,
                        half_y_mm=element.clear_mm("y") / 2,
                        half_z_mm=element.clear_mm("z") / 2,
                        is_round=isinstance(element, Aperture) and element.is_round,
                    )
                )
    return tuple(out)


def lens_power(lens: Lens, index: float) -> float:
    """Return the refracting power of a lens in a medium, 1/mm.

    Parameters
    ----------
    lens : Lens
        The lens, its focal length stated for air.
    index : float
        Index of the medium around it.

    Returns
    -------
    float
        Power, 1/mm: a singlet loses ``(n_glass − n)/(n_glass − 1)`` of it in a liquid, an ideal
        lens keeps it (a dipping objective is stated for its liquid).

    Raises
    ------
    RangeProblem
        If an achromat stands in a liquid.
    """
    power = 1.0 / lens.focal_length_mm
    if lens.shape is Shape.IDEAL or index < 1.001:
        return power
    if lens.shape is Shape.ACHROMAT:
        raise RangeProblem(
            "The power of an achromat in a liquid is not known.",
            where=lens.name,
            got=f"an achromat of {lens.focal_length_mm:g} mm in a medium of index {index:g}",
            expected="the lens in air, or a lens made for the liquid",
            do="put the wall before the medium, or call the lens ideal with its power there",
        )
    return power * (lens.glass_index - index) / (lens.glass_index - 1.0)
