"""The lens's blur at a defocus, from a scalar pupil."""

from __future__ import annotations

import math

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.phantom.instrument import Instrument


def pupil_psf(
    shape: tuple[int, int], instrument: Instrument, defocus_um: float
) -> NDArray[np.float64]:
    """Return the intensity of a point's image, on a periodic grid of sensor pixels.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    instrument : Instrument
        Pixel, aperture, index and wavelength.
    defocus_um : float
        Distance of the point from the focal plane, µm.

    Returns
    -------
    ndarray
        Sums to 1; the point is at [0, 0]. Pixels are points here, not areas.

    References
    ----------
    .. [1] P. A. Stokseth, J. Opt. Soc. Am. 59, 1314 (1969): defocus as the exact path
       difference, here k n (cos θ − 1) z.
    """
    wavelength_um = instrument.emission_nm * 1e-3
    down = scipy.fft.fftfreq(shape[0], instrument.pixel_um)[:, None]
    along = scipy.fft.fftfreq(shape[1], instrument.pixel_um)[None, :]
    radius = np.hypot(down, along)
    edge = instrument.numerical_aperture / wavelength_um
    cell = 0.5 * (1 / shape[0] + 1 / shape[1]) / instrument.pixel_um
    inside = np.clip((edge - radius) / cell + 0.5, 0.0, 1.0)
    sine = np.minimum(radius * wavelength_um / instrument.index, 1.0)
    phase = 2 * np.pi * instrument.index / wavelength_um * (np.sqrt(1 - sine**2) - 1)  # [1]
    field = scipy.fft.ifft2(inside * np.exp(1j * phase * defocus_um), workers=1)
    psf = np.abs(field) ** 2
    return np.asarray(psf / psf.sum())


def transfer(
    shape: tuple[int, int], instrument: Instrument, defocus_um: float
) -> NDArray[np.float32]:
    """Return the transfer function of lens and square pixel, half plane as ``rfft2`` has it.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the grid.
    instrument : Instrument
        As for :func:`pupil_psf`.
    defocus_um : float
        Distance from the focal plane, µm.

    Returns
    -------
    ndarray of float32
        Real, because the blur is the same in opposite directions; 1 at zero frequency.
    """
    lens = scipy.fft.rfft2(pupil_psf(shape, instrument, defocus_um), workers=1).real
    down = np.sinc(scipy.fft.fftfreq(shape[0]))[:, None]
    along = np.sinc(scipy.fft.rfftfreq(shape[1]))[None, :]
    return np.asarray(lens * down * along, dtype=np.float32)


def gaussian_transfer(
    shape: tuple[int, int], pixel_um: float, sigma_um: float
) -> NDArray[np.float32]:
    """Return a Gaussian blur's transfer function, half plane as ``rfft2`` has it."""
    down = scipy.fft.fftfreq(shape[0], pixel_um)[:, None]
    along = scipy.fft.rfftfreq(shape[1], pixel_um)[None, :]
    square = down**2 + along**2
    return np.asarray(np.exp(-2 * (np.pi * sigma_um) ** 2 * square), np.float32)


class DefocusNodes:
    """The blur at any defocus up to a limit, as a sum over a few fixed ones.

    The transfer function is even and smooth in the defocus, so a polynomial in its square
    through Chebyshev nodes holds it to a stated accuracy.

    Parameters
    ----------
    instrument : Instrument
        Decides how fast the blur changes.
    limit_um : float
        Largest defocus, µm.
    """

    def __init__(self, instrument: Instrument, limit_um: float) -> None:
        cosine = np.sqrt(1 - (instrument.numerical_aperture / instrument.index) ** 2)
        turns = instrument.index * (1 - cosine) * limit_um / (instrument.emission_nm * 1e-3)
        phase = 2 * np.pi * turns  # largest phase between two places of the pupil
        count, term = 1, phase / 2
        while term > 1e-6 or count < 3:  # (φ/2)^2M / (2M)! bounds the interpolation's error
            count += 1
            power = 2 * count * math.log(max(phase, 1e-9) / 2)
            term = math.exp(power - math.lgamma(2 * count + 1))
        self.limit_um = limit_um
        self.nodes_um = limit_um * np.cos((2 * np.arange(count) + 1) * np.pi / (4 * count))

    def weights(self, defocus_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return Lagrange weights of shape (nodes, defocus); each column sums to 1."""
        square = np.asarray(defocus_um, np.float64) ** 2
        own = self.nodes_um**2
        out = np.ones((len(own), len(square)))
        for m, here in enumerate(own):
            for k, other in enumerate(own):
                if k != m:
                    out[m] *= (square - other) / (here - other)
        return out
