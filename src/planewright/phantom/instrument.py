"""The simulated instrument: what it is made of, and what that makes it able to resolve."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from planewright.base.nouns import Scan
from planewright.base.problems import RangeProblem

# Fields that decide the noise-free picture; the rest only decides how the sensor records it.
_OPTICAL = (
    "laser_nm",
    "emission_nm",
    "index",
    "waist_um",
    "waist_x_um",
    "beam_quality",
    "shadow_spread_deg",
    "sheet_angle_deg",
    "mirrored",
    "step_um",
    "pixel_um",
    "numerical_aperture",
    "frames",
    "rows",
    "columns",
    "haze",
    "haze_um",
    "margin_px",
)


@dataclass(frozen=True)
class Instrument:
    """A light-sheet instrument with a photographer's or a monochrome camera.

    Parameters
    ----------
    laser_nm, emission_nm : float
        Vacuum wavelengths of the sheet and of the dye, nm.
    index : float
        Refractive index of the medium in the cell.
    waist_um : float
        1/e² intensity radius of the sheet where it is thinnest, µm.
    waist_x_um : float
        Where that is, specimen x, µm.
    beam_quality : float
        M² of the sheet.
    shadow_spread_deg : float
        Standard deviation of the angles of the light within the plane of the sheet, degrees.
    sheet_height_um : float
        1/e² radius of the sheet along y, µm.
    sheet_angle_deg : float
        Direction of the light in the photograph as written, from +columns towards +rows.
    mirrored : bool
        Whether photographs are mirror images (columns flipped).
    scan : Scan
        Way of the imaged plane through the specimen.
    step_um, pixel_um : float
        Travel between planes; one sensor pixel in the specimen, µm.
    numerical_aperture : float
        Of the detection lens.
    frames, rows, columns : int
        Planned planes; visible sensor size, pixels.
    mosaic : str
        ``"RGGB"`` and the like, or ``""`` for a monochrome sensor.
    dye_colour, leak_colour, lamp_colour, room_colour : tuple of float
        Response of red, green and blue pixels to each light; a monochrome sensor takes the second.
    peak_e : float
        Electrons that a thick object of brightness 1 gives on a green pixel.
    gain : float
        Counts per electron at ``base_iso``.
    base_iso, iso : int
        Sensitivity for which ``gain`` holds; that used. Gain is proportional to it.
    read_noise_e : float
        Standard deviation of the camera's own noise, electrons.
    black : tuple of int
        Black level of the four sites of a 2×2 cell, row by row, counts.
    white : int
        Count at which the sensor is full.
    hot_fraction : float
        Share of pixels that are hot.
    hot_e : float
        Median glow of a hot pixel in one exposure, electrons.
    dust : int
        Number of dust shadows.
    vignette : float
        Share of light lost in the corner of the sensor.
    haze, haze_um : float
        Share of light that lands blurred; standard deviation of that blur, µm.
    filter_leak_e : float
        Laser light through the filter, electrons on the pixel that it reaches best.
    shear_px : tuple of float
        Sideways travel of the picture from one planned frame to the next because the stage does
        not move square to the sensor: rows down, columns right, as written, sensor pixels.
    exposure_s : tuple of int
        Exposure time as a fraction, seconds.
    f_number : tuple of int
        Aperture number as a fraction, as the camera would write it.
    sensor_seed : int
        Draws hot pixels and dust.
    margin_px : int
        Real content beyond each edge of the sensor from which shifted frames are cut, pixels.
    make, model, serial : str
        How the camera names itself.
    """

    laser_nm: float = 488.0
    emission_nm: float = 520.0
    index: float = 1.3374
    waist_um: float = 2.2
    waist_x_um: float = 0.0
    beam_quality: float = 1.0
    shadow_spread_deg: float = 0.6
    sheet_height_um: float = 250.0
    sheet_angle_deg: float = 0.0
    mirrored: bool = False
    scan: Scan = Scan.AWAY
    step_um: float = 1.25
    pixel_um: float = 0.28
    numerical_aperture: float = 0.30
    frames: int = 116
    rows: int = 768
    columns: int = 896
    mosaic: str = "RGGB"
    dye_colour: tuple[float, float, float] = (0.14, 1.0, 0.32)
    leak_colour: tuple[float, float, float] = (0.04, 0.45, 1.0)
    lamp_colour: tuple[float, float, float] = (0.62, 1.0, 0.74)
    room_colour: tuple[float, float, float] = (0.95, 1.0, 0.48)
    peak_e: float = 400.0
    gain: float = 4.0
    base_iso: int = 1600
    iso: int = 1600
    read_noise_e: float = 2.0
    black: tuple[int, int, int, int] = (512, 514, 513, 511)
    white: int = 16383
    hot_fraction: float = 2e-4
    hot_e: float = 150.0
    dust: int = 5
    vignette: float = 0.15
    haze: float = 0.08
    haze_um: float = 15.0
    filter_leak_e: float = 6.0
    shear_px: tuple[float, float] = (0.0, 0.0)
    exposure_s: tuple[int, int] = (1, 4)
    f_number: tuple[int, int] = (56, 10)
    sensor_seed: int = 1
    margin_px: int = 32
    make: str = "Fieldwork"
    model: str = "Simulated 14"
    serial: str = "PW-0001"

    def __post_init__(self) -> None:
        """Refuse what the forward model cannot compute."""
        finest = 1e-3 * self.emission_nm / (4 * self.numerical_aperture)
        if not 0 < self.pixel_um <= finest:
            raise RangeProblem(
                "The sensor pixel is too coarse for the simulated lens.",
                got=f"{self.pixel_um} µm",
                expected=f"at most {finest:.3f} µm",
                do="take a smaller pixel_um or a smaller numerical_aperture",
            )
        if self.mosaic and (self.rows % 2 or self.columns % 2):
            raise RangeProblem(
                "A mosaic needs an even number of rows and columns.",
                got=f"{self.rows} x {self.columns}",
            )
        if not 0 < self.numerical_aperture < self.index:
            raise RangeProblem(
                "The numerical aperture is impossible in this medium.",
                got=str(self.numerical_aperture),
                expected=f"between 0 and {self.index}",
            )
        if self.frames < 1:
            raise RangeProblem("A stack needs a frame.", got=str(self.frames))

    def but(self, **changes: Any) -> Instrument:
        """Return a copy with some fields changed."""
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        out = {name: list(v) if isinstance(v, tuple) else v for name, v in asdict(self).items()}
        out["scan"] = str(self.scan)
        return out

    @classmethod
    def from_dict(cls, value: dict[str, Any]) -> Instrument:
        """Rebuild from :meth:`to_dict`."""
        parts: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in value.items()
        }
        parts["scan"] = Scan(parts["scan"])
        return cls(**parts)

    def optics(self) -> dict[str, Any]:
        """Return the fields that decide the noise-free picture."""
        return {name: getattr(self, name) for name in _OPTICAL}

    @property
    def pitch(self) -> int:
        """Pitch of one colour's lattice, sensor pixels."""
        return 2 if self.mosaic else 1

    @property
    def exposure_seconds(self) -> float:
        """Exposure time, s."""
        return self.exposure_s[0] / self.exposure_s[1]

    @property
    def gain_now(self) -> float:
        """Counts per electron at the sensitivity used."""
        return self.gain * self.iso / self.base_iso

    @property
    def view_angle_deg(self) -> float:
        """Direction of the light as an eye at the lens sees it (mirror undone), degrees."""
        return 180.0 - self.sheet_angle_deg if self.mirrored else self.sheet_angle_deg

    @property
    def near_plane_um(self) -> float:
        """Specimen z of the planned plane nearest the lens, µm. The stack is centred on 0."""
        return -0.5 * (self.frames - 1) * self.step_um

    def plane_of(self, position: int) -> int:
        """Return the plane, counted from the lens, that stands at a position of the plan."""
        return position if self.scan is Scan.AWAY else self.frames - 1 - position

    def plane_z_um(self, plane: ArrayLike) -> NDArray[np.float64]:
        """Return specimen z of planes counted from the lens, µm."""
        return self.near_plane_um + np.asarray(plane, dtype=np.float64) * self.step_um

    @property
    def rayleigh_um(self) -> float:
        """Distance from the waist at which the sheet is √2 thicker, µm."""
        wavelength_um = self.laser_nm * 1e-3
        return math.pi * self.index * self.waist_um**2 / (self.beam_quality * wavelength_um)

    def sheet_radius_um(self, x_um: ArrayLike) -> NDArray[np.float64]:
        """Return the 1/e² intensity radius of the sheet at specimen x, µm.

        References
        ----------
        .. [1] H. Kogelnik and T. Li, Applied Optics 5, 1550 (1966), eq. 20.
        """
        away = (np.asarray(x_um, dtype=np.float64) - self.waist_x_um) / self.rayleigh_um
        return np.asarray(self.waist_um * np.sqrt(1.0 + away**2))  # [1]

    def sheet_fwhm_um(self, x_um: ArrayLike) -> NDArray[np.float64]:
        """Return the full width at half maximum of the sheet at specimen x, µm."""
        return np.asarray(math.sqrt(2.0 * math.log(2.0)) * self.sheet_radius_um(x_um))

    def on_axis(self, z_um: ArrayLike) -> NDArray[np.float64]:
        """Return the lens's light on the axis at a defocus, 1 in focus.

        The integral of the defocused pupil over its area, by Gauss–Legendre quadrature.

        References
        ----------
        .. [1] P. A. Stokseth, J. Opt. Soc. Am. 59, 1314 (1969).
        """
        node, weight = np.polynomial.legendre.leggauss(64)
        share = 0.5 * (node + 1.0)  # squared pupil radius, so equal areas have equal weight
        sine2 = share * (self.numerical_aperture / self.index) ** 2
        wavenumber = 2 * np.pi * self.index / (self.emission_nm * 1e-3)
        phase = wavenumber * (np.sqrt(1.0 - sine2) - 1.0)  # [1]
        z = np.asarray(z_um, dtype=np.float64)
        field = np.exp(1j * z[..., None] * phase) @ (0.5 * weight)
        return np.asarray(np.abs(field) ** 2)

    @property
    def lens_axial_fwhm_um(self) -> float:
        """Axial width of the lens alone, full width at half maximum, µm."""
        reach = 2.0 * self.index * self.emission_nm * 1e-3 / self.numerical_aperture**2
        return 2.0 * float(brentq(lambda z: float(self.on_axis(z)) - 0.5, 0.0, reach))

    @property
    def lateral_fwhm_um(self) -> float:
        """Lateral width of the lens in focus before the pixel, full width at half maximum, µm."""
        from scipy.special import j1

        half = float(brentq(lambda v: (2 * j1(v) / v) ** 2 - 0.5, 1e-6, 3.0))
        return half * self.emission_nm * 1e-3 / (np.pi * self.numerical_aperture)

    def axial_fwhm_um(self, x_um: ArrayLike) -> NDArray[np.float64]:
        """Return the combined axial width of sheet and lens at specimen x.

        Parameters
        ----------
        x_um : array_like
            Specimen x, µm.

        Returns
        -------
        ndarray
            Full width at half maximum along z of the image of a point at its own centre, µm.
        """
        radii = np.atleast_1d(self.sheet_radius_um(x_um))
        out = np.empty(radii.shape)
        for place, radius in np.ndenumerate(radii):

            def over_half(z: float, radius: float = float(radius)) -> float:
                return math.exp(-2 * (z / radius) ** 2) * float(self.on_axis(z)) - 0.5

            out[place] = 2.0 * float(brentq(over_half, 0.0, 1.2 * float(radius)))
        return out.reshape(np.shape(x_um))


def small_instrument(**changes: Any) -> Instrument:
    """Return an instrument that renders in seconds: 320 × 320 pixels, 40 planes."""
    base = Instrument(rows=320, columns=320, frames=40, waist_um=1.5, margin_px=24)
    return base.but(**changes)


def monochrome_instrument(**changes: Any) -> Instrument:
    """Return a small instrument with a monochrome camera."""
    parts: dict[str, Any] = {"mosaic": "", "black": (100, 100, 100, 100), "model": "Simulated M"}
    return small_instrument(**{**parts, **changes})
