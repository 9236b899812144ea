"""The sRGB transfer curve.

References
----------
.. [1] IEC 61966-2-1:1999, Colour management, default RGB colour space sRGB.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def srgb_to_linear(value: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the linear light of sRGB values.

    Parameters
    ----------
    value : array_like
        Encoded values, 0 to 1.

    Returns
    -------
    ndarray of float64
        Light as a fraction of white, equation of [1]_.

    References
    ----------
    .. [1] IEC 61966-2-1:1999.
    """
    encoded = np.asarray(value, dtype=np.float64)
    curved = ((np.maximum(encoded, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, encoded / 12.92, curved)


def linear_to_srgb(light: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the sRGB values of linear light.

    Parameters
    ----------
    light : array_like
        Light as a fraction of white, 0 to 1.

    Returns
    -------
    ndarray of float64
        Encoded values, equation of [1]_.

    References
    ----------
    .. [1] IEC 61966-2-1:1999.
    """
    linear = np.asarray(light, dtype=np.float64)
    curved = 1.055 * np.maximum(linear, 0.0) ** (1.0 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, linear * 12.92, curved)


def srgb_table() -> npt.NDArray[np.uint16]:
    """Return the linear light of the 256 values of an 8-bit sRGB image.

    Returns
    -------
    ndarray of uint16 of shape (256,)
        Light in counts, white at 65535, rounded to the nearest count.
    """
    light = srgb_to_linear(np.arange(256) / 255.0)
    return np.rint(light * 65535.0).astype(np.uint16)
