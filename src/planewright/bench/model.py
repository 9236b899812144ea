"""The bench file: what the instrument is made of. Lengths that a person writes carry units."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from planewright.base.files import read_text
from planewright.base.settings import Settings, Unit, read_settings
from planewright.base.units import Measured

Medium = Literal["water", "sea water", "air"]


class Light(Settings):
    """The laser."""

    wavelength_nm: Annotated[float, Unit("nm", 200, 1100)] = Field(
        alias="wavelength", description="laser wavelength in vacuum"
    )
    emission_nm: Annotated[float | None, Unit("nm", 200, 1100)] = Field(
        None, alias="emission", description="wavelength at which the dye shines, in vacuum"
    )


class Cell(Settings):
    """The liquid-filled cell."""

    medium: Medium = Field(description="what the cell is filled with: water, sea water or air")
    temperature_degc: Annotated[float, Unit("degC", 0, 40)] = Field(
        20.0, alias="temperature", description="temperature of the medium"
    )


class Detection(Settings):
    """The detection lens and what forms the image behind it."""

    numerical_aperture: float = Field(
        gt=0, lt=1.6, description="numerical aperture of the detection lens"
    )
    magnification: float = Field(
        gt=0, le=200, description="magnification engraved on the detection lens"
    )
    design_tube_length_mm: Annotated[float | None, Unit("mm", 20, 1000)] = Field(
        None,
        alias="design_tube_length",
        description="tube lens for which the engraved magnification holds",
    )
    tube_length_mm: Annotated[float | None, Unit("mm", 20, 1000)] = Field(
        None, alias="tube_length", description="focal length of the tube lens in use"
    )

    @property
    def effective_magnification(self) -> float:
        """Magnification with the tube lens that is in use."""
        if self.design_tube_length_mm is None or self.tube_length_mm is None:
            return self.magnification
        return self.magnification * self.tube_length_mm / self.design_tube_length_mm


class Camera(Settings):
    """The camera."""

    pixel_pitch_um: Annotated[float, Unit("um", 0.5, 50)] = Field(
        alias="pixel_pitch", description="distance between pixels on the sensor"
    )
    gain_e: float | None = Field(
        None, gt=0, le=1000, alias="gain", description="electrons per count, at the ISO in use"
    )
    read_noise_e: float | None = Field(
        None, ge=0, le=1000, alias="read_noise", description="read noise, electrons"
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
    cell: Cell | None = None
    detection: Detection | None = None
    camera: Camera | None = None
    calibrated: Calibrated = Calibrated()

    def pixel_um(self) -> tuple[Measured, str] | None:
        """Return one sensor pixel in the specimen and where it is from, or None."""
        if self.calibrated.pixel_um is not None:
            return self.calibrated.pixel_um, "bench, calibrated"
        if self.detection is None or self.camera is None:
            return None
        value = self.camera.pixel_pitch_um / self.detection.effective_magnification
        return Measured(value), "bench, computed from the lens and the camera"


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
