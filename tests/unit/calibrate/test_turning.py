"""Which way to turn what: the advice, carried out, must put the sheet right."""

from __future__ import annotations

import json

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.calibrate.results import measured, missing
from planewright.calibrate.sharp_map import Alignment
from planewright.calibrate.turning import Handle, advise

MIRROR = Handle("mirror", "turn", offset_um=40.0, forward="clockwise", conjugate=True)
LENS = Handle("lens slide", "mm", waist_um=900.0, offset_um=2.0, forward="towards the cell")
CLAMP = Handle("rail clamp", "deg", tilt_x_deg=1.0, offset_um=5.0)


def aligned(waist=-60.0, offset=8.0, tilt_x=0.7, tilt_y=0.0):
    where = missing("um", "cannot tell: not seen") if waist is None else measured(waist, 5, "um")
    return Alignment(
        True, measured(offset, 0.3, "um"), measured(tilt_x, 0.03, "deg"),
        measured(tilt_y, 0.03, "deg"), where,
    )  # fmt: skip


def test_the_turns_carried_out_put_everything_right():
    told = advise(aligned(), [MIRROR, LENS, CLAMP])
    amount = np.array([turn.amount.value for turn in told.turns])
    left = np.array([-60.0, 8.0, 0.7, 0.0])
    left += np.array([handle.effect for handle in (MIRROR, LENS, CLAMP)]).T @ amount
    assert np.abs(left).max() < 1e-9
    assert all(turn.needed for turn in told.turns)
    assert told.left == ()
    # one handle with one job: 60 µm at 900 µm per mm, uncertain by 5 µm
    assert told.turns[1].amount.value == pytest.approx(60 / 900)
    assert told.turns[1].amount.sigma == pytest.approx(5 / 900)
    json.dumps(told.to_dict(), allow_nan=False)


def test_the_way_is_in_the_words():
    assert "turn the mirror backward by 0.2 " in advise(aligned(), [MIRROR]).turns[0].text
    assert "turn the mirror clockwise by 0.2 " in advise(aligned(offset=-8), [MIRROR]).turns[0].text
    assert "leave the mirror" in advise(aligned(offset=0.1), [MIRROR]).turns[0].text


def test_a_conjugate_mirror_never_moves_the_waist():
    with pytest.raises(RangeProblem, match="does not move the waist along x"):
        Handle("mirror", "turn", waist_um=3.0, conjugate=True)
    told = advise(aligned(), [MIRROR, CLAMP])
    assert any("moves the sheet sideways" in text for text in told.left)
    assert not any("sideways" in text for text in advise(aligned(), [CLAMP]).left)


def test_what_is_unknown_or_cannot_be_moved_is_named():
    told = advise(aligned(waist=None, tilt_y=0.5), [MIRROR, LENS, CLAMP])
    assert any("waist along x is not known: cannot tell" in text for text in told.left)
    assert any("no handle moves the sheet's tilt along y" in text for text in told.left)


def test_no_advice_without_measurement_or_handle():
    lack = missing("um", "too few")
    none = Alignment(False, lack, lack, lack, lack, why="too few")
    assert advise(none, [MIRROR]).why == "too few"
    assert not advise(aligned(), []).ok
    waist_only = Handle("lens", "mm", waist_um=900.0)
    assert advise(aligned(waist=None), [waist_only]).why == "no handle moves what was found"
    with pytest.raises(RangeProblem, match="must move something"):
        Handle("knob", "turn")
