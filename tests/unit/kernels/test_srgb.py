"""The sRGB curve against the standard's own numbers and a colour library's."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.kernels.srgb import linear_to_srgb, srgb_table, srgb_to_linear

# Computed from the equations of IEC 61966-2-1:1999, eight decimal places.
PAIRS = [
    (10 / 255, 0.00303527),
    (64 / 255, 0.05126946),
    (100 / 255, 0.12743768),
    (0.5, 0.21404114),
    (128 / 255, 0.21586050),
    (186 / 255, 0.49102085),
    (188 / 255, 0.50288646),
    (200 / 255, 0.57758044),
    (254 / 255, 0.99110210),
    (0.0, 0.0),
    (1.0, 1.0),
]


@pytest.mark.parametrize(("encoded", "light"), PAIRS)
def test_pairs_of_the_standard(encoded: float, light: float) -> None:
    assert float(srgb_to_linear(encoded)) == pytest.approx(light, abs=6e-9)
    assert float(linear_to_srgb(light)) == pytest.approx(encoded, abs=2e-8)


@pytest.mark.parametrize(
    ("light", "encoded"),
    [(0.0031308, 0.04044994), (0.01, 0.09985282), (0.18, 0.46135613), (0.5, 0.73535698)],
)
def test_pairs_backwards(light: float, encoded: float) -> None:
    assert float(linear_to_srgb(light)) == pytest.approx(encoded, abs=6e-9)


def test_other_library() -> None:
    """scikit-image's rgb2xyz uses the same curve; its inverse matrix gives linear RGB back."""
    from skimage.color import rgb2xyz
    from skimage.color.colorconv import rgb_from_xyz

    encoded = np.random.default_rng(0).random((7, 5, 3))
    linear = rgb2xyz(encoded) @ rgb_from_xyz.T
    assert srgb_to_linear(encoded) == pytest.approx(linear, abs=1e-9)


def test_table_is_the_curve_in_counts() -> None:
    table = srgb_table()
    assert (table[0], table[255], table.dtype) == (0, 65535, np.uint16)
    assert (np.diff(table.astype(int)) > 0).all()
    light = srgb_to_linear(np.arange(256) / 255)
    assert np.abs(table / 65535 - light).max() <= 0.5 / 65535 + 1e-12


def test_input_is_left_alone() -> None:
    value = np.linspace(0, 1, 5)
    value.flags.writeable = False
    assert linear_to_srgb(srgb_to_linear(value)) == pytest.approx(value, abs=1e-7)
