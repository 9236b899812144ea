"""The bench file: what the instrument is made of. Lengths that a person writes carry units.

Quantities are read as floats that remember the uncertainty which the file states
(`base.units.Stated`), so that it can be carried to every answer.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from planewright.base.files import read_text
from planewright.base.problems import SettingProblem
from planewright.base.settings import Settings, Unit, read_settings, refuse
from planewright.base.units import Measured, Stated
from planewright.bench.parts import Part

if TYPE_CHECKING:
    from planewright.optics.elements import Train

Medium = Literal["water", "sea water", "air"]


class Light(Settings):
    """The laser."""

    wavelength_nm: Annotated[Stated, Unit("nm", 200, 1100)] = Field(
        alias="wavelength", description="laser wavelength in vacuum"
    )
    power_mw: Annotated[Stated | None, Unit("mW", 0.0001, 100000)] = Field(
        None, alias="power", description="power of the laser's beam"
    )
    beam_radius_mm: Annotated[Stated | None, Unit("mm", 0.001, 50)] = Field(
        None,
        alias="beam_radius",
        description="1/e² intensity radius at the laser's waist, which is taken to lie at the "
        "first part of the train",
    )
    beam_radius_y_mm: Annotated[Stated | None, Unit("mm", 0.001, 50)] = Field(
        None, alias="beam_radius_y", description="the same along y, of an elliptic beam"
    )
    beam_radius_z_mm: Annotated[Stated | None, Unit("mm", 0.001, 50)] = Field(
        None, alias="beam_radius_z", description="the same along z, of an elliptic beam"
    )
    beam_quality: Annotated[Stated, Unit("", 1, 1000)] = Field(
        Stated(1.0), description="M², 1 for a perfect beam"
    )
    modulation_hz: Annotated[Stated | None, Unit("Hz", 0.001, 1e9)] = Field(
        None, alias="modulation", description="frequency at which the laser's light is modulated"
    )
    emission_nm: Annotated[Stated | None, Unit("nm", 200, 1100)] = Field(
        None, alias="emission", description="wavelength at which the dye shines, in vacuum"
    )

    @model_validator(mode="after")
    def _one_radius_an_axis(self) -> Light:
        own = (self.beam_radius_y_mm, self.beam_radius_z_mm)
        if (own[0] is None) != (own[1] is None):
            refuse(
                SettingProblem(
                    "An elliptic beam needs its radius along both axes.",
                    expected="beam_radius_y and beam_radius_z, or beam_radius alone",
                )
            )
        if self.beam_radius_mm is not None and own[0] is not None:
            refuse(
                SettingProblem(
                    "The beam's radius is stated twice.",
                    got="beam_radius beside beam_radius_y and beam_radius_z",
                    expected="beam_radius for a round beam, the other two for an elliptic one",
                )
            )
        return self


class Cell(Settings):
    """The liquid-filled cell."""

    medium: Medium = Field(description="what the cell is filled with: water, sea water or air")
    temperature_degc: Annotated[Stated, Unit("degC", 0, 40)] = Field(
        Stated(20.0), alias="temperature", description="temperature of the medium"
    )
    inner_size_mm: Annotated[Stated | None, Unit("mm", 0.5, 500)] = Field(
        None, alias="inner_size", description="inner width along the detection axis"
    )
    clearance_mm: Annotated[Stated | None, Unit("mm", 0, 100)] = Field(
        None, alias="clearance", description="nearest that holder or specimen may come to glass"
    )


class Detection(Settings):
    """The detection lens and what forms the image behind it."""

    numerical_aperture: Annotated[Stated, Unit("", 0.005, 1.6)] = Field(
        description="numerical aperture of the detection lens"
    )
    magnification: Annotated[Stated, Unit("", 0.05, 200)] = Field(
        description="magnification engraved on the detection lens"
    )
    design_tube_length_mm: Annotated[Stated | None, Unit("mm", 20, 1000)] = Field(
        None,
        alias="design_tube_length",
        description="tube lens for which the engraved magnification holds",
    )
    tube_length_mm: Annotated[Stated | None, Unit("mm", 20, 1000)] = Field(
        None, alias="tube_length", description="focal length of the tube lens in use"
    )
    working_distance_mm: Annotated[Stated | None, Unit("mm", 0.05, 500)] = Field(
        None, alias="working_distance", description="free distance before the detection lens"
    )
    immersion: Literal["air", "cell"] = Field(
        "air", description="what the detection lens looks into: air before a window, or the cell"
    )
    depth_mm: Annotated[Stated | None, Unit("mm", 0, 200)] = Field(
        None,
        alias="depth",
        description="liquid between the window and the focus, for a lens that stands in air",
    )
    filter_passes_nm: Annotated[Stated | None, Unit("nm", 200, 1100)] = Field(
        None, alias="filter_passes", description="edge of the barrier filter: it passes light above"
    )

    @property
    def effective_magnification(self) -> float:
        """Magnification with the tube lens that is in use."""
        if self.design_tube_length_mm is None or self.tube_length_mm is None:
            return float(self.magnification)
        return self.magnification * self.tube_length_mm / self.design_tube_length_mm


class Camera(Settings):
    """The camera."""

    pixel_pitch_um: Annotated[Stated, Unit("um", 0.5, 50)] = Field(
        alias="pixel_pitch", description="distance between pixels on the sensor"
    )
    columns: int | None = Field(
        None, ge=16, le=100000, description="sensor pixels along the light (a photograph's columns)"
    )
    rows: int | None = Field(
        None, ge=16, le=100000, description="sensor pixels across the light (a photograph's rows)"
    )
    mosaic: bool = Field(
        True, description="true for a colour sensor: one colour's lattice has twice the pitch"
    )
    bits: int | None = Field(None, ge=8, le=32, description="bits of a raw value")
    gain_e: Annotated[Stated | None, Unit("", 1e-6, 1000)] = Field(
        None, alias="gain", description="electrons per count, at the ISO in use"
    )
    read_noise_e: Annotated[Stated | None, Unit("", 0, 1000)] = Field(
        None, alias="read_noise", description="read noise, electrons"
    )
    full_well_e: Annotated[Stated | None, Unit("", 100, 1e7)] = Field(
        None, alias="full_well", description="electrons at which a pixel is full"
    )


class Stage(Settings):
    """The stage that moves between frames."""

    screw_lead_mm: Annotated[Stated, Unit("mm", 0.01, 50)] = Field(
        alias="screw_lead", description="true travel of one turn of the screw"
    )
    steps_per_turn: int = Field(200, ge=4, le=100000, description="full steps of the motor a turn")
    microsteps: int = Field(1, ge=1, le=1024, description="microsteps a full step")
    backlash_um: Annotated[Stated, Unit("um", 0, 5000)] = Field(
        Stated(0.0), alias="backlash", description="travel lost when the direction turns"
    )
    travel_mm: Annotated[Stated | None, Unit("mm", 0.01, 2000)] = Field(
        None, alias="travel", description="length over which the stage can move"
    )


class Controller(Settings):
    """What drives the stage, and the screw that it was made for."""

    believes_lead_mm: Annotated[Stated | None, Unit("mm", 0.01, 50)] = Field(
        None,
        alias="believes_lead",
        description="lead of the screw that the controller was made for; none: the stage's own",
    )
    believes_steps: int | None = Field(
        None,
        ge=4,
        le=10000000,
        description="steps a turn that the controller reckons with; none: the stage's own",
    )
    unit: Literal["um", "mm", "steps"] = Field(
        "um", description="unit in which positions are typed into it: um, mm or steps"
    )
    columns: tuple[str, ...] = Field(
        (), description="columns of the table of positions, in order, in the controller's words"
    )


class Calibrated(Settings):
    """What was measured with calibration photographs; beats what is computed."""

    pixel_um: Annotated[Measured | None, Unit("um", 0.01, 100)] = Field(
        None, alias="pixel", description="one sensor pixel in the specimen, measured"
    )
    step_um: Annotated[Measured | None, Unit("um", 0.01, 1000)] = Field(
        None, alias="step", description="true travel of the stage between two frames, measured"
    )


class BenchFile(Settings):
    """``bench.toml``."""

    format: int = Field(1, description="version of this file's format")
    title: str = Field("", description="name of the instrument")
    light: Light | None = None
    parts: tuple[Part, ...] = Field((), alias="train")
    cell: Cell | None = None
    detection: Detection | None = None
    camera: Camera | None = None
    stage: Stage | None = None
    controller: Controller | None = None
    calibrated: Calibrated = Calibrated()

    def pixel_um(self) -> tuple[Measured, str] | None:
        """Return one sensor pixel in the specimen and where it is from, or None."""
        if self.calibrated.pixel_um is not None:
            return self.calibrated.pixel_um, "bench, calibrated"
        if self.detection is None or self.camera is None:
            return None
        value = self.camera.pixel_pitch_um / self.detection.effective_magnification
        inputs = (
            self.camera.pixel_pitch_um,
            self.detection.magnification,
            self.detection.tube_length_mm if self.detection.design_tube_length_mm else None,
            self.detection.design_tube_length_mm if self.detection.tube_length_mm else None,
        )
        shares = [x.sigma / x for x in inputs if x is not None and x.sigma is not None]
        sigma = value * math.hypot(*shares) if shares else None  # a product and quotients
        return Measured(value, sigma), "bench, computed from the lens and the camera"

    def train(self) -> Train:
        """Return the light's train as optics knows it; see `bench.train.build`."""
        from planewright.bench.train import build

        return build(self).train


def read_bench(path: Path) -> BenchFile:
    """Read a bench file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    BenchFile
        The instrument.

    Raises
    ------
    Problem
        If the file is missing, or a key, unit or value in it is wrong.
    """
    return read_settings(BenchFile, read_text(path), where=path.name)
