"""Volumes with true micrometres, for the pictures' tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import xarray


@pytest.fixture
def volume_of() -> Callable[..., xarray.DataArray]:
    """Return a maker of volumes: light, voxel size (z, y, x) in µm, unit, origin."""

    def make(
        light: np.ndarray,
        voxel_um: tuple[float, float, float] = (2.5, 0.8, 0.8),
        unit: str = "electron",
        origin_um: tuple[float, float, float] = (0.0, 0.0, 0.0),
    ) -> xarray.DataArray:
        light = np.array(light)
        light.flags.writeable = False
        coords = {
            name: origin + step * np.arange(size)
            for name, origin, step, size in zip(
                "zyx", origin_um, voxel_um, light.shape, strict=True
            )
        }
        return xarray.DataArray(light, dims=("z", "y", "x"), coords=coords, attrs={"units": unit})

    return make
