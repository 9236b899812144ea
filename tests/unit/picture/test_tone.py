"""Windows, round lengths and colours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planewright.base.problems import RangeProblem
from planewright.picture.tone import (
    COLOUR_MAPS,
    Window,
    choose_window,
    colour_map,
    depth_map,
    length_words,
    round_length_um,
    short,
)


@given(st.floats(1e-4, 1e7))
def test_scale_bar_lengths_are_round_and_as_long_as_can_be(longest_um):
    length = round_length_um(longest_um)
    digit, power = f"{length:.6e}".split("e")
    assert digit in ("1.000000", "2.000000", "5.000000")
    following = {"1": 2.0, "2": 2.5, "5": 2.0}[digit[0]]
    assert length <= longest_um * (1 + 1e-9)
    assert length * following > longest_um * (1 - 1e-9)
    assert int(power) == np.floor(np.log10(length) + 1e-9)


def test_scale_bar_refuses_nothing():
    with pytest.raises(RangeProblem, match="positive length"):
        round_length_um(0.0)


def test_lengths_and_numbers_in_words():
    assert length_words(50.0) == "50 µm"
    assert length_words(2000.0) == "2 mm"
    assert length_words(0.5) == "0.5 µm"
    assert length_words(0.05) == "50 nm"
    assert [short(v) for v in (0.0, 312.0, -2.5, 43210.0, 7e7, 2e-5)] == [
        "0", "312", "−2.5", "43210", "7 × 10⁷", "2 × 10⁻⁵",
    ]  # fmt: skip


def seen_all(light: np.ndarray) -> np.ndarray:
    return np.ones(light.shape, np.bool_)


def test_window_is_not_led_by_hot_pixels():
    light = np.random.default_rng(0).gamma(2.0, 50.0, (300, 300))
    light.flat[:5] = 60000
    window = choose_window(light, seen_all(light))
    assert window.low == 0
    assert 400 < window.high < 800
    assert 0 < window.above < 1e-3 + 1e-4
    assert window.words("e") == f"0 – {window.high:g} e, γ 1; {window.above * 100:.2g} % brighter"


def test_window_of_a_bright_background_starts_at_it():
    light = np.random.default_rng(0).normal(1000, 10, (200, 200))
    light[50:60, 50:60] = 1500
    window = choose_window(light, seen_all(light))
    assert 950 <= window.low <= 990
    assert window.high == 1500


def test_window_ignores_what_was_not_seen():
    light = np.array([[1.0, 2.0, 9999.0]])
    window = choose_window(light, np.array([[True, True, False]]))
    assert window.high == 2.0


def test_window_of_constant_and_of_nothing():
    assert choose_window(np.full((3, 3), 7.0), np.ones((3, 3), np.bool_)).constant == 7.0
    assert choose_window(np.full((3, 3), -7.0), np.ones((3, 3), np.bool_)).constant == -7.0
    zero = choose_window(np.zeros((3, 3)), np.ones((3, 3), np.bool_))
    assert (zero.low, zero.high, zero.constant) == (0.0, 1.0, 0.0)
    nothing = choose_window(np.zeros((3, 3)), np.zeros((3, 3), np.bool_))
    assert (nothing.low, nothing.high) == (0.0, 1.0)


def test_window_of_negative_light_has_ends_in_order():
    light = np.random.default_rng(0).normal(-50, 5, (50, 50))
    window = choose_window(light, seen_all(light))
    assert window.low < window.high
    assert window.tone(light).max() > 0.5


def test_stated_window_and_its_refusals():
    light = np.arange(100.0).reshape(10, 10)
    window = choose_window(light, seen_all(light), ends=(10, 60), gamma=0.5)
    assert window.words("e") == "10 – 60 e, γ 0.5; 39 % brighter"
    assert window.tone(np.array([10.0, 22.5, 60.0, 99.0])).tolist() == [0.0, 0.5, 1.0, 1.0]
    with pytest.raises(RangeProblem, match="wrong way round"):
        choose_window(light, seen_all(light), ends=(5, 5))
    with pytest.raises(RangeProblem, match="γ"):
        choose_window(light, seen_all(light), gamma=0)


def test_tone_is_proportional_to_light():
    window = Window(0.0, 200.0)
    np.testing.assert_allclose(window.tone(np.array([0, 50, 100, 200])), [0, 0.25, 0.5, 1])


def linear(srgb: np.ndarray) -> np.ndarray:
    """Undo the sRGB curve, IEC 61966-2-1."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIELAB of linear sRGB, white D65: CIE 15:2004, matrix of IEC 61966-2-1."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    xyz = np.clip(rgb, 0, 1) @ to_xyz.T / to_xyz.sum(axis=1)
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


# G. Machado, M. Oliveira, L. Fernandes, IEEE TVCG 15, 1291 (2009), table 1, severity 1.0
# (from memory), applied to linear sRGB.
DEFICIENT = {
    "none": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}


@pytest.mark.parametrize("eye", list(DEFICIENT))
@pytest.mark.parametrize("brightness", [1.0, 0.5])
def test_depth_colours_keep_their_order_for_every_reader(eye, brightness):
    seen = lab(linear(brightness * depth_map().astype(np.float64)) @ DEFICIENT[eye].T)
    eighths = seen[:: 255 // 8]
    steps = np.linalg.norm(np.diff(eighths, axis=0), axis=1)
    assert np.all(np.diff(seen[:, 2]) < -0.09)  # yellow to blue, never back
    assert steps.min() > 5  # about 2 is just noticeable side by side
    assert np.linalg.norm(seen[0] - seen[-1]) > 60 * brightness


@pytest.mark.parametrize("name", COLOUR_MAPS)
@pytest.mark.parametrize("eye", list(DEFICIENT))
def test_light_maps_grow_lighter_for_every_reader(name, eye):
    lightness = lab(linear(colour_map(name).astype(np.float64)) @ DEFICIENT[eye].T)[:, 0]
    assert np.all(np.diff(lightness[::8]) > 0)


def test_unknown_map_is_refused():
    with pytest.raises(RangeProblem, match="colour map") as caught:
        colour_map("jet")
    assert "cividis" in caught.value.expected
