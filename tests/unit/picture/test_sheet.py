"""The contact sheet: order, gaps, signs that need no colour."""

from __future__ import annotations

import numpy as np
import pytest

from planewright import picture
from planewright.base.nouns import Finding, Severity
from planewright.base.problems import RangeProblem
from planewright.picture.layout import text_width_in
from planewright.picture.page import HATCH_GROUND, HATCH_LINE
from planewright.picture.sheet import shorten

DPI = 200


def finding(code: str, severity: Severity) -> Finding:
    return Finding(code, severity, "x")


def piece(pixels: np.ndarray, left: float, top: float, width: float, height: float) -> np.ndarray:
    return pixels[
        round(top * DPI) : round((top + height) * DPI),
        round(left * DPI) : round((left + width) * DPI),
    ]


@pytest.fixture
def sheet():
    rng = np.random.default_rng(0)
    thumbnails = [rng.gamma(2, 20, (30, 45)).astype(np.float32) for _ in range(10)]
    thumbnails[4] = None
    thumbnails[7] = np.full((30, 45), 60, np.float32)
    thumbnails[7][:, :15] = np.nan
    found = {
        1: (finding("shaken", Severity.DOUBT),),
        2: (finding("wrong-light", Severity.FAULT),),
        3: (finding("clock-jump", Severity.NOTE),),
        4: (finding("missed", Severity.FAULT),),
        5: (
            finding("clock-jump", Severity.NOTE),
            finding("saturated", Severity.DOUBT),
            finding("wrong-light", Severity.FAULT),
        ),
    }
    cells = [
        picture.Cell(k, "" if k == 4 else f"f_{k}.dng", 2.5 * k, found.get(k, ()))
        for k in range(10)
    ]
    return picture.contact_sheet(thumbnails, cells, pixel_um=2.0, unit="e", window=(0, 120))


def test_every_position_has_its_cell_in_order(sheet):
    boxes = [sheet.panel(f"frame {k}").box for k in range(10)]
    assert [(b.top, b.left) for b in boxes] == sorted((b.top, b.left) for b in boxes)
    texts = [words.text for words in sheet.words]
    assert {str(k) for k in range(1, 11)} <= set(texts)
    assert {f"z {2.5 * k:g} µm" for k in range(10)} <= set(texts)


def test_a_gap_is_an_empty_cell_with_its_position(sheet):
    box = sheet.panel("frame 4").box
    inner = piece(sheet.pixels(DPI), box.left, box.top, box.width, 0.2)
    assert set(np.unique(inner).tolist()) == {HATCH_GROUND, HATCH_LINE}
    assert sum(words.text == "no frame" for words in sheet.words) == 1
    assert any("gaps: 1" in text for text in sheet.says)


def test_unseen_part_of_a_frame_is_hatched(sheet):
    box = sheet.panel("frame 7").box
    image = piece(sheet.pixels(DPI), box.left, box.top, box.width, box.height)
    third = image.shape[1] // 3
    assert set(np.unique(image[:, : third - 1]).tolist()) == {HATCH_GROUND, HATCH_LINE}
    assert np.abs(image[:, third + 1 :].astype(int) - 128).max() <= 1  # 60 of 120 e


def test_signs_differ_without_colour_and_have_their_word(sheet):
    pixels = sheet.pixels(DPI).min(axis=2)
    shapes = []
    for position, word in ((1, "shaken"), (2, "wrong light"), (3, "clock jump")):
        box = sheet.panel(f"frame {position}").box
        line = [w for w in sheet.words if w.text == word and abs(w.left - box.left - 0.1) < 1e-9]
        assert line, word
        sign = piece(pixels, box.left, line[0].baseline - 0.07, 0.08, 0.08)
        shapes.append(sign < 200)
        assert shapes[-1].any()
    for first, second in ((0, 1), (0, 2), (1, 2)):
        different = np.mean(shapes[first] != shapes[second])
        assert different > 0.1


def test_the_worst_finding_comes_first_and_the_rest_is_counted(sheet):
    box = sheet.panel("frame 5").box
    below = [w.text for w in sheet.words if abs(w.left - box.left - 0.1) < 1e-9 and
             box.bottom < w.baseline < box.bottom + 0.4]  # fmt: skip
    assert below == ["wrong light", "and 2 more"]


def test_scale_bar_of_the_sheet(sheet):
    assert sheet.scale_bar is not None
    box = sheet.panel("frame 0").box
    um_per_in = 45 * 2.0 / box.width
    assert sheet.scale_bar.width * um_per_in == pytest.approx(sheet.scale_bar_um, rel=1e-9)
    assert sheet.scale_bar_um == 50


def test_one_window_for_all():
    dim, bright = np.full((10, 10), 10, np.float32), np.full((10, 10), 100, np.float32)
    made = picture.contact_sheet([dim, bright], [picture.Cell(0, "a"), picture.Cell(1, "b")])
    pixels = made.pixels(DPI)
    levels = []
    for name in ("frame 0", "frame 1"):
        box = made.panel(name).box
        levels.append(int(piece(pixels, box.left, box.top, box.width, box.height)[5, 5, 0]))
    assert levels == [26, 255]
    assert any("scale is not known" in text for text in made.says)


def test_frames_of_another_shape_keep_their_proportions():
    made = picture.contact_sheet(
        [np.ones((20, 30)), np.ones((30, 20))], [picture.Cell(0, "a"), picture.Cell(1, "b")]
    )
    for name, ratio in (("frame 0", 1.5), ("frame 1", 2 / 3)):
        box = made.panel(name).box
        assert box.width / box.height == pytest.approx(ratio)


def test_nothing_to_show_says_so():
    for made in (
        picture.contact_sheet([], []),
        picture.contact_sheet([None], [picture.Cell(0)]),
    ):
        assert any("no frame to show" in text for text in made.says)
        assert made.pixels(60).ndim == 3


def test_unequal_lists_are_refused():
    with pytest.raises(RangeProblem, match="belong together") as caught:
        picture.contact_sheet([None], [])
    assert caught.value.got == "1 thumbnails, 0 cells"


def test_long_words_are_cut_to_fit():
    text = shorten("a whole hour was lost by the clock", 0.9, 5.5)
    assert text.endswith("…")
    assert text_width_in(text, 5.5) <= 0.9
    assert shorten("shaken", 0.9, 5.5) == "shaken"
