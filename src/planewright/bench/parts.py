"""One part of the light's train, as it stands in ``[[train]]``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from planewright.base.problems import Problem, SettingProblem
from planewright.base.settings import Settings, Unit, refuse
from planewright.base.units import Stated
from planewright.optics.elements import Aperture, Element, Facing, Gap, Lens, Medium, Mirror, Shape
from planewright.optics.elements import Wall as FlatWall

Kind = Literal["lens", "cylinder", "aperture", "mirror", "wall"]

_LENS = ("focal_length", "shape", "facing", "diameter", "index", "bending", "into")
_TAKES: dict[str, tuple[str, ...]] = {
    "lens": _LENS,
    "cylinder": ("axis", *_LENS),
    "aperture": ("axis", "width"),
    "mirror": ("axis", "diameter", "incidence"),
    "wall": ("thickness", "width", "index", "into"),
}
_NEEDS: dict[str, tuple[str, ...]] = {
    "lens": ("focal_length",),
    "cylinder": ("axis", "focal_length"),
    "aperture": ("width",),
    "mirror": (),
    "wall": ("thickness",),
}
_AXES = '"z" along the detection axis (the sheet\'s thickness), "y" across it (the sheet\'s height)'


class Part(Settings):
    """A lens, cylinder, aperture, mirror or wall, and the free path behind it."""

    kind: Kind = Field(description="lens, cylinder, aperture, mirror or wall")
    name: str = Field("", description="name for messages and drawings")
    axis: Literal["y", "z"] | None = Field(
        None,
        description="z (along the detection axis: the sheet's thickness) or y (its height): where "
        "a cylinder focuses, what a slit limits (none: an iris), which axis a mirror folds",
    )
    focal_length_mm: Annotated[Stated | None, Unit("mm", -5000, 5000)] = Field(
        None,
        alias="focal_length",
        description="focal length in air, negative for a diverging lens (lens, cylinder)",
    )
    shape: Shape | None = Field(
        None,
        description="plano-convex, plano-concave, biconvex, biconcave, meniscus, achromat or "
        "ideal; not stated counts as ideal, with a caution",
    )
    facing: Facing | None = Field(
        None,
        description="curved side first, or flat side first; not stated counts the worse way",
    )
    diameter_mm: Annotated[Stated | None, Unit("mm", 0.5, 500)] = Field(
        None, alias="diameter", description="clear width of a lens or mirror"
    )
    width_mm: Annotated[Stated | None, Unit("mm", 0.005, 500)] = Field(
        None, alias="width", description="clear width of an aperture or wall"
    )
    thickness_mm: Annotated[Stated | None, Unit("mm", 0.01, 100)] = Field(
        None, alias="thickness", description="thickness of a wall"
    )
    index: Annotated[Stated, Unit("", 1.0, 2.6)] = Field(
        Stated(1.52), description="refractive index of the glass, at the laser's wavelength"
    )
    bending: Annotated[Stated | None, Unit("", -20, 20)] = Field(
        None,
        description="(R2 + R1)/(R2 − R1) of a meniscus with its curved side first",
    )
    incidence_deg: Annotated[Stated, Unit("deg", 0, 89)] = Field(
        Stated(45.0),
        alias="incidence",
        description="angle between the light and a mirror's normal",
    )
    into: Literal["cell"] | None = Field(
        None, description="cell, if the cell's medium begins behind it (a wall, or a dipping lens)"
    )
    gap_after_mm: Annotated[Stated, Unit("mm", 0, 5000)] = Field(
        Stated(0.0),
        alias="gap_after",
        description="free path behind it; the last one ends in the middle of the field",
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Part:
        for key in _NEEDS[self.kind]:
            if getattr(self, _field(key)) is None:
                refuse(_lacking(self.kind, key))
        given = {type(self).model_fields[name].alias or name for name in self.model_fields_set}
        foreign = sorted(given - {"kind", "name", "gap_after", *_TAKES[self.kind]})
        if foreign:
            refuse(
                SettingProblem(
                    f"{_a(self.kind)} has no '{foreign[0]}'.",
                    got=foreign[0],
                    expected="for it: " + ", ".join(_TAKES[self.kind]),
                    do="take the key out, or state another kind",
                )
            )
        try:
            self.elements(1.33)
        except Problem as problem:
            refuse(problem)
        return self

    def elements(self, cell_index: float, label: str = "") -> tuple[Element, ...]:
        """Return the part and the path behind it as optics knows them.

        Parameters
        ----------
        cell_index : float
            Index of the cell's medium at the laser's wavelength.
        label : str
            Name for messages; empty takes the part's own.

        Returns
        -------
        tuple of Element
            The part first; then the medium of the cell and the free path, where there are any.
        """
        label = label or self.name or self.kind
        out: list[Element] = [self._itself(cell_index, label)]
        if self.into == "cell" and self.kind != "wall":
            out.append(Medium(cell_index, "cell"))
        if self.gap_after_mm > 0:
            out.append(Gap(float(self.gap_after_mm), f"behind {label}"))
        return tuple(out)

    def _itself(self, cell_index: float, label: str) -> Element:
        match self.kind:
            case "lens" | "cylinder":
                cylinder = self.kind == "cylinder" and self.axis is not None
                return Lens(
                    float(self.focal_length_mm or 0.0),
                    acts_on=self.axis if cylinder and self.axis is not None else "both",
                    shape=self.shape or Shape.IDEAL,
                    facing=self.facing,
                    diameter_mm=_plain(self.diameter_mm),
                    glass_index=float(self.index),
                    bending=_plain(self.bending),
                    name=label,
                )
            case "aperture":
                width = _plain(self.width_mm)
                return Aperture(
                    None if self.axis == "z" else width,
                    None if self.axis == "y" else width,
                    is_round=self.axis is None,
                    name=label,
                )
            case "mirror":
                return Mirror(
                    _plain(self.diameter_mm),
                    float(self.incidence_deg),
                    self.axis or "y",
                    name=label,
                )
            case "wall":
                return FlatWall(
                    float(self.thickness_mm or 0.0),
                    float(self.index),
                    cell_index if self.into == "cell" else None,
                    _plain(self.width_mm),
                    name=label,
                )


def _plain(value: Stated | None) -> float | None:
    return None if value is None else float(value)


def _field(key: str) -> str:
    return next(n for n, f in Part.model_fields.items() if key in (n, f.alias))


def _a(kind: str) -> str:
    return ("An " if kind[0] in "aeiou" else "A ") + kind


def _lacking(kind: str, key: str) -> SettingProblem:
    if key == "axis":
        return SettingProblem(
            "This cylinder does not say along which axis it focuses.",
            got="a cylinder without axis",
            expected=_AXES,
            do='write axis = "z" for the cylinder that makes the sheet thin',
        )
    about = Part.model_fields[_field(key)].description or ""
    return SettingProblem(f"{_a(kind)} needs its '{key}'.", got="nothing", expected=about)
