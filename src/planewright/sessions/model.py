"""The session file: what was done. Written by a person or a program; comments survive."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from planewright.base.nouns import Colour, Moved, Role, Scan
from planewright.base.settings import Settings, Unit
from planewright.base.units import Measured

Reference = Literal["", "gel beads", "wall", "repeat frames"]


class Scale(Settings):
    """True sizes; they override the bench."""

    pixel_um: Annotated[Measured | None, Unit("um", 0.001, 100)] = Field(
        None,
        alias="pixel",
        description="one sensor pixel in the specimen, before mosaic reduction",
    )
    step_um: Annotated[Measured | None, Unit("um", 0.001, 10000)] = Field(
        None, alias="step", description="true travel of the stage between two frames"
    )
    shear_x_um: Annotated[Measured, Unit("um", -1000, 1000)] = Field(
        Measured(0.0),
        alias="shear_x",
        description="calibrated sideways travel of the picture to the right, from frame to frame, "
        "in the specimen and in the photograph as written; it is undone",
    )
    shear_y_um: Annotated[Measured, Unit("um", -1000, 1000)] = Field(
        Measured(0.0), alias="shear_y", description="the same, downwards"
    )


class Mounting(Settings):
    """How the specimen is held."""

    held: str = Field("", description="how the specimen is held, for example agarose column")
    medium: str = Field("", description="what it is held in: water, sea water or air")
    temperature_degc: Annotated[float | None, Unit("degC", -5, 60)] = Field(
        None, alias="temperature", description="temperature of the medium"
    )


class Photographs(Settings):
    """A group of photographs and what they are."""

    files: str | tuple[str, ...] = Field(
        description="file pattern or list of patterns, from the session's folder"
    )
    role: Role = Field(description="specimen, lamp, dark, flat, ruling or beam")
    in_pass: str = Field("", alias="pass", description="name of the pass that they belong to")
    repeats: tuple[Annotated[int, Field(ge=1, le=100000)], ...] = Field(
        (),
        description="these are repeats, no frames of the stack: the planned planes that they show, "
        "counted from 1, in the order in which they were shot",
    )

    @property
    def patterns(self) -> tuple[str, ...]:
        """The patterns as a tuple."""
        return (self.files,) if isinstance(self.files, str) else self.files

    @model_validator(mode="after")
    def _repeats_show_the_specimen(self) -> Photographs:
        if self.repeats and self.role is not Role.SPECIMEN:
            raise ValueError(
                f"'repeats' stands beside role = \"{self.role}\"; only photographs of the specimen "
                "can repeat planes of a stack"
            )
        return self


class Pass(Settings):
    """One stack of frames."""

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", description="short name: letters, digits, - and _"
    )
    moved: Moved = Field(description="what the stage moved: specimen, lens or camera")
    scan: Scan = Field(
        description="which way the imaged plane travelled through the specimen, first frame to "
        "last: away from lens, or towards lens"
    )
    mirrored: bool = Field(
        description="true if photographs are mirror images: print in the cell reads reversed"
    )
    sheet_angle_deg: Annotated[Measured, Unit("deg", -360, 360)] = Field(
        Measured(0.0),
        alias="sheet_angle",
        description="direction in which the light travels in the photographs, from 'to the "
        "right', positive clockwise",
    )
    colour: Colour = Field(Colour.GREEN, description="colour of a mosaic that becomes the image")
    waist_at: str = Field("centre", description="where along the light the sheet is thinnest")
    reference: Reference = Field(
        "", description="what stands still: gel beads, wall, repeat frames, or nothing"
    )
    wall: tuple[int, int, int, int] | None = Field(
        None,
        description="where the wall stands that does not move: first row, end row, first column, "
        "end column, sensor pixels",
    )
    planned: int | None = Field(None, ge=1, le=100000, description="number of planned frames")
    cadence_s: Annotated[float | None, Unit("s", 0.001, 86400)] = Field(
        None, alias="cadence", description="planned time from one frame to the next"
    )
    steady: bool = Field(True, description="false leaves jitter as it is")


class SessionFile(Settings):
    """``session.toml``."""

    format: int = Field(1, description="version of this file's format")
    title: str = Field("", description="the session in a few words")
    bench: str = Field("", description="the session's copy of the bench file")
    scale: Scale = Scale()
    mounting: Mounting = Mounting()
    photographs: tuple[Photographs, ...] = Field((), description="groups of photographs")
    passes: tuple[Pass, ...] = Field((), alias="pass", description="the stacks")

    @model_validator(mode="after")
    def _wall_has_a_place(self) -> SessionFile:
        for one in self.passes:
            if (one.reference == "wall") != (one.wall is not None):
                raise ValueError(f"pass '{one.name}' needs both reference = \"wall\" and wall")
        return self

    def repeats_of(self, name: str) -> tuple[Photographs, ...]:
        """Return the groups of photographs that repeat planes of a pass."""
        return tuple(g for g in self.photographs if g.repeats and g.in_pass in ("", name))

    @model_validator(mode="after")
    def _names_agree(self) -> SessionFile:
        names = [one.name for one in self.passes]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two passes are named '{name}'")
        for group in self.photographs:
            if group.in_pass and group.in_pass not in names:
                known = ", ".join(names) or "none"
                raise ValueError(
                    f"photographs '{group.files}' belong to pass '{group.in_pass}', "
                    f"which is not described; passes: {known}"
                )
        return self

    @model_validator(mode="after")
    def _repeats_have_a_pass(self) -> SessionFile:
        for one in self.passes:
            groups = self.repeats_of(one.name)
            wanted = one.reference == "repeat frames"
            if wanted and not groups:
                raise ValueError(
                    f"pass '{one.name}' has reference = \"repeat frames\", but no [[photographs]] "
                    "table of this pass has 'repeats', the planned planes that its files show"
                )
            if groups and not wanted:
                raise ValueError(
                    f"photographs '{groups[0].files}' repeat planes of pass '{one.name}', which "
                    'needs reference = "repeat frames" for that'
                )
            beyond = [k for g in groups for k in g.repeats if one.planned and k > one.planned]
            if beyond:
                raise ValueError(
                    f"'repeats' names plane {beyond[0]} of pass '{one.name}', which has "
                    f"planned = {one.planned}"
                )
        return self
