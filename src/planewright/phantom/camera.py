"""From light on the sensor to counts: noise, mosaic, levels, defects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from planewright.phantom.instrument import Instrument

Plane = NDArray[np.float32]
Counts = NDArray[np.uint16]


def field_of_light(instrument: Instrument) -> Plane:
    """Return vignetting times the sheet's height profile on the sensor, 1 in the middle.

    An evenly dyed bath photographs as this.
    """
    rows = np.arange(instrument.rows) - 0.5 * (instrument.rows - 1)
    columns = np.arange(instrument.columns) - 0.5 * (instrument.columns - 1)
    angle = np.radians(instrument.view_angle_deg)
    along = -columns if instrument.mirrored else columns
    y_um = instrument.pixel_um * (np.cos(angle) * rows[:, None] - np.sin(angle) * along[None, :])
    sheet = np.exp(-2 * (y_um / instrument.sheet_height_um) ** 2)
    corner = np.hypot(rows[0], columns[0])
    square = (rows[:, None] ** 2 + columns[None, :] ** 2) / max(corner, 1.0) ** 2
    return np.asarray(sheet * (1 - instrument.vignette * square), np.float32)


def colour_at_sites(instrument: Instrument, colour: tuple[float, float, float]) -> Plane:
    """Return a light's response at each site of the mosaic, one 2×2 cell repeated."""
    if not instrument.mosaic:
        return np.full((instrument.rows, instrument.columns), colour[1], np.float32)
    cell = np.array([colour["RGB".index(site)] for site in instrument.mosaic], np.float32)
    repeats = (instrument.rows // 2, instrument.columns // 2)
    return np.tile(cell.reshape(2, 2), repeats)


def black_at_sites(instrument: Instrument) -> Plane:
    """Return the black level at each site, counts."""
    cell = np.asarray(instrument.black, np.float32).reshape(2, 2)
    repeats = (-(-instrument.rows // 2), -(-instrument.columns // 2))
    return np.tile(cell, repeats)[: instrument.rows, : instrument.columns]


@dataclass(frozen=True)
class Sensor:
    """One camera: its hot pixels and dust are drawn once and stay.

    Parameters
    ----------
    instrument : Instrument
        Its figures.
    hot_e : ndarray of shape (rows, columns), float32
        Glow of each pixel in one exposure of the instrument's own time, electrons.
    dust : ndarray of shape (rows, columns), float32
        Share of light that dust lets pass.
    """

    instrument: Instrument
    hot_e: Plane
    dust: Plane

    @classmethod
    def draw(cls, instrument: Instrument) -> Sensor:
        """Draw the defects of an instrument's sensor."""
        rng = np.random.default_rng([instrument.sensor_seed, 11])
        shape = (instrument.rows, instrument.columns)
        hot = np.zeros(shape, np.float32)
        count = round(instrument.hot_fraction * hot.size)
        where = rng.choice(hot.size, size=count, replace=False)
        hot.flat[where] = instrument.hot_e * np.exp(rng.normal(0, 0.8, count))
        dust = np.ones(shape, np.float32)
        rows, columns = np.mgrid[: shape[0], : shape[1]]
        for _ in range(instrument.dust):
            y, x = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
            radius, depth = rng.uniform(5, 14), rng.uniform(0.04, 0.15)
            away = np.hypot(rows - y, columns - x)
            dust -= np.float32(depth) * expit((radius - away) / 1.5).astype(np.float32)
        return cls(instrument, hot, dust)

    def expose(
        self,
        dye_e: Plane | float,
        rng: np.random.Generator,
        *,
        leak: bool = True,
        extra_e: Plane | float = 0.0,
        exposure: float = 1.0,
        iso: int | None = None,
    ) -> Counts:
        """Take one photograph.

        Parameters
        ----------
        dye_e : ndarray of shape (rows, columns) or float
            Dye's light as electrons of its main colour at each site, for the usual exposure.
        rng : numpy.random.Generator
            Draws photons and read noise.
        leak : bool
            Whether the laser is on, and a little of it passes the filter.
        extra_e : ndarray of shape (rows, columns) or float
            Other light, electrons at each site, colours already in it.
        exposure : float
            Exposure time as a multiple of the instrument's own.
        iso : int or None
            Sensitivity, where it differs from the instrument's.

        Returns
        -------
        ndarray of shape (rows, columns), uint16
            Counts, cut at the white level as a sensor does.
        """
        own = self.instrument
        light = dye_e * colour_at_sites(own, own.dye_colour)
        if leak and own.filter_leak_e:
            light = light + own.filter_leak_e * colour_at_sites(own, own.leak_colour)
        light = (light + extra_e) * self.dust
        mean = (light + self.hot_e) * np.float32(exposure)
        electrons = rng.poisson(np.maximum(mean, 0)).astype(np.float64)
        electrons += rng.normal(0.0, own.read_noise_e, electrons.shape)
        gain = own.gain * (iso or own.iso) / own.base_iso
        counts = np.rint(electrons * gain + black_at_sites(own))
        return np.asarray(np.clip(counts, 0, own.white), np.uint16)

    def dark(self, rng: np.random.Generator) -> Counts:
        """Take a photograph in the dark."""
        return self.expose(0.0, rng, leak=False)

    def flat(self, rng: np.random.Generator, *, level_e: float = 1500.0) -> Counts:
        """Photograph an evenly dyed bath, ``level_e`` electrons in the middle."""
        return self.expose(np.float32(level_e) * field_of_light(self.instrument), rng)


def as_seen(counts: Counts, instrument: Instrument, *, brighten: float = 4.0) -> NDArray[np.uint8]:
    """Develop a photograph as a camera's own JPEG: half-plain colours, tone curve, 8 bit.

    Parameters
    ----------
    counts : ndarray of shape (rows, columns), uint16
        Photograph.
    instrument : Instrument
        Levels and mosaic.
    brighten : float
        Factor before the curve.

    Returns
    -------
    ndarray of shape (rows, columns, 3), uint8
        Display values through the sRGB curve.

    References
    ----------
    .. [1] IEC 61966-2-1: break 0.0031308, 1.055 · L^(1/2.4) − 0.055.
    """
    span = instrument.white - max(instrument.black)
    light = (counts - black_at_sites(instrument)) * np.float32(brighten / span)
    if instrument.mosaic:
        planes = [_spread(light, instrument.mosaic, colour) for colour in "RGB"]
    else:
        planes = [light] * 3
    linear = np.clip(np.stack(planes, axis=-1), 0.0, 1.0)
    curve = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )  # [1]
    return np.asarray(np.rint(255 * curve), np.uint8)


def _spread(light: Plane, mosaic: str, colour: str) -> Plane:
    """Fill a colour's gaps by the weighted mean of its nearest sites."""
    from scipy.ndimage import convolve

    mask = np.array([site == colour for site in mosaic], np.float32).reshape(2, 2)
    mask = np.tile(mask, (light.shape[0] // 2, light.shape[1] // 2))
    kernel = np.outer([0.5, 1, 0.5], [0.5, 1, 0.5]).astype(np.float32)
    total = convolve(light * mask, kernel, mode="mirror")
    return np.asarray(total / convolve(mask, kernel, mode="mirror"), np.float32)
