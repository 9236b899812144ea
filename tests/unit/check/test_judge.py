"""The judge's findings, read word by word, and its independence of the order of arrival."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planewright.base.nouns import Severity
from planewright.check import FrameFacts, Judge, JudgeSettings, retake_text

PLAN = JudgeSettings(
    planned=24, step_um=2.5, controller_position=lambda position: f"{0.1 * position:.2f} mm"
)


def judged(frames, plan=PLAN):
    judge = Judge(plan)
    for index, figures in enumerate(frames):
        judge.add(index, figures)
    return judge.close()


def only(verdict, code):
    found = [finding for finding in verdict.findings if finding.code == code]
    assert len(found) == 1, [(f.code, f.what) for f in verdict.findings]
    return found[0]


def test_a_good_stack_is_good(good):
    verdict = judged(good)
    assert verdict.findings == ()
    assert verdict.sentence == "Good: all 24 planes are there and sound."
    assert [p.frame for p in verdict.placements] == list(range(24))
    assert verdict.ok
    assert retake_text(verdict.retakes) == "Nothing to take again.\n"
    assert [row["z (um)"] for row in verdict.rows] == [2.5 * k for k in range(24)]
    assert {row["state"] for row in verdict.rows} == {"good"}


def test_nothing_to_judge():
    verdict = Judge(JudgeSettings(planned=3)).close()
    assert verdict.sentence == "Nothing to judge: there are no photographs."
    assert [p.frame for p in verdict.placements] == [None] * 3


def test_one_photograph(good):
    verdict = judged(good[:1], JudgeSettings())
    assert [p.frame for p in verdict.placements] == [0]
    assert verdict.sentence == "Good: all 1 planes are there and sound."


def test_a_missed_trigger(good):
    verdict = judged(good[:9] + good[10:])
    finding = only(verdict, "missed")
    assert finding.what == (
        "No photograph was taken at plane 10 of 24 (z = 22.5 µm, controller at 0.90 mm)."
    )
    assert finding.positions == (9, 9)
    assert verdict.placements[9].frame is None
    assert verdict.placements[10].frame == 9
    assert verdict.rows[9]["state"] == "missing"
    assert len(verdict.rows) == 24
    assert "Take again (1):" in retake_text(verdict.retakes)
    assert "plane 10 of 24" in retake_text(verdict.retakes)
    assert verdict.sentence.startswith("Not complete: of 24 planes 1 is missing")


def test_missed_triggers_without_a_clock_are_placed_by_likeness(good):
    bare = [replace(f, facts=replace(f.facts, taken_at=None)) for f in good]
    verdict = judged(bare[:13] + bare[14:])
    place, low, high = verdict.alignment.missed[0]
    assert place == 13
    assert low <= 13 <= high


def test_a_plane_missed_where_nothing_tells_is_an_interval(shoot):
    empty = [shoot(k, k, light=0.0, taken_at=None) for k in range(23)]
    verdict = judged(empty)
    finding = only(verdict, "missed")
    assert "One plane was missed somewhere in planes 1 to 24 of 24" in finding.what
    assert finding.got == "1 plane missed, place not certain"


def test_a_repeat(good, shoot):
    again = shoot(12, 500, time_s=25.0)
    verdict = judged([*good[:13], again, *good[13:]])
    finding = only(verdict, "repeated")
    assert finding.what == (
        "The camera fired twice at plane 13 of 24 (z = 30.0 µm, controller at 1.20 mm); "
        "one photograph is left out."
    )
    assert finding.photographs == ("frames/SEA_0500.DNG",)
    assert verdict.dropped == (13,)
    assert only(verdict, "too-many").got == "25 photographs"


def test_the_better_of_two_is_kept(good, shoot):
    shaken = shoot(12, 500, blur=(0.0, 1.6), time_s=24.0)
    frames = [*good[:12], shaken, replace(good[12], facts=replace(good[12].facts)), *good[13:]]
    verdict = judged(frames)
    assert verdict.placements[12].frame == 13
    assert not verdict.placements[12].doubtful


def test_a_lead_in(good, shoot):
    before = [shoot(0, 600 + k, time_s=2.0 * k - 6.0) for k in range(3)]
    verdict = judged([*before, *good])
    finding = only(verdict, "lead-in")
    assert "had not yet taken up its backlash in the first 3 photographs" in finding.what
    assert verdict.placements[0].frame == 3
    assert verdict.dropped == (0, 1, 2)


@pytest.mark.parametrize("angle", [(0.0, 1.4), (1.4, 0.0)])
def test_a_shaken_frame(good, shoot, angle):
    good[11] = shoot(11, 11, blur=angle)
    finding = only(judged(good), "shaken")
    assert finding.severity is Severity.FAULT
    assert finding.photographs == ("frames/SEA_0011.DNG",)
    assert "The frame at plane 12 of 24" in finding.what
    assert "extra blur of 1." in finding.got
    assert "let the stage settle longer" in finding.do


def test_saturated_patches_of_nine_are_found_and_of_four_are_not(good, shoot):
    good[5], good[9] = shoot(5, 5, patch=9), shoot(9, 9, patch=4)
    finding = only(judged(good), "saturated")
    assert finding.positions == (5, 5)
    assert finding.got == "a patch of 9 pixels at row 41, column 51"


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({"light": 0.0}, "dark-frame", "The laser was off at plane 9"),
        ({"lamp": True}, "wrong-light", "A lamp photograph stands at plane 9"),
        ({"added": 400.0}, "lamp-left-on", "A lamp was on beside the laser at plane 9"),
        ({"added": 25.0}, "room-light", "Room light fell on the sensor at plane 9"),
    ],
)
def test_other_light(good, shoot, changes, code, words):
    good[8] = shoot(8, 8, **changes)
    verdict = judged(good)
    finding = only(verdict, code)
    assert finding.what.startswith(words)
    assert finding.severity is Severity.FAULT
    assert verdict.placements[8].doubtful
    assert [r.first for r in verdict.retakes] == [8]


def test_a_lamp_photograph_that_was_not_planned_is_left_out(good, shoot):
    stray = shoot(8, 700, lamp=True, time_s=17.0)
    verdict = judged([*good[:9], stray, *good[9:]])
    finding = only(verdict, "wrong-light")
    assert "stands among the laser photographs after plane 9 of 24" in finding.what
    assert verdict.dropped == (9,)
    assert verdict.ok


@pytest.mark.parametrize(
    ("changes", "code", "got", "expected"),
    [
        ({"exposure_s": 0.5}, "exposure-changed", "0.5 s", "0.25 s, as most frames"),
        ({"iso": 1600}, "iso-changed", "ISO 1600", "ISO 800, as most frames"),
        ({"f_number": 8.0}, "aperture-changed", "f/8", "f/5.6, as most frames"),
        (
            {"orientation": 6},
            "orientation-flipped",
            "EXIF orientation 6",
            "EXIF orientation 1, as most frames",
        ),
        (
            {"serial": "PW-2"},
            "two-cameras",
            "Fieldwork Simulated PW-2",
            "Fieldwork Simulated PW-1, as most frames",
        ),
    ],
)
def test_settings_that_change_midway(good, shoot, changes, code, got, expected):
    frames = good[:18] + [shoot(k, k, **changes) for k in range(18, 24)]
    finding = only(judged(frames), code)
    assert finding.positions == (18, 23)
    assert len(finding.photographs) == 6
    assert (finding.got, finding.expected) == (got, expected)
    assert "planes 19 to 24 of 24" in finding.what


def test_an_absurd_exposure_time_is_taken_as_unknown(good):
    facts = replace(good[3].facts, exposure_s=4294967295.0)
    good[3] = replace(good[3], facts=facts)
    verdict = judged(good)
    assert only(verdict, "absurd-exposure").got == "4.29497e+09 s"
    assert len(verdict.findings) == 1


def test_two_sizes(good, shoot):
    odd = shoot(7, 7)
    good[7] = replace(
        odd, shape=(128, 120), signature=replace(odd.signature, image=np.ones((3, 3)))
    )
    finding = only(judged(good), "two-sizes")
    assert finding.got == "128 × 120 pixels"


def test_flicker(shoot):
    rng = np.random.default_rng(3)
    frames = [shoot(k, k, light=1 + rng.normal(0, 0.12)) for k in range(24)]
    assert "% rms" in only(judged(frames), "flicker").got


def test_a_jump_and_a_drift(good, shoot):
    frames = good[:12] + [shoot(k, k, moved=(0.0, 9.0)) for k in range(12, 24)]
    finding = only(judged(frames), "jump")
    assert finding.what.startswith("The picture jumped before plane 13")
    assert "right" in finding.got
    walking = [shoot(k, k, moved=(0.6 * k, 0.0)) for k in range(24)]
    got = only(judged(walking), "drift").got
    assert float(got.split()[0]) == pytest.approx(0.6 * 23, abs=1.5)
    assert abs(float(got.split(", ")[1].split()[0])) < 1.5


def test_an_unreadable_photograph_keeps_its_place(good):
    judge = Judge(PLAN)
    for index, figures in enumerate(good):
        if index == 4:
            judge.add_broken(4, figures.facts, "the file ends after 40 % of its data")
        else:
            judge.add(index, figures)
    verdict = judge.close()
    finding = only(verdict, "unreadable")
    assert finding.what.startswith("The photograph at plane 5 of 24")
    assert finding.got == "the file ends after 40 % of its data"
    assert verdict.placements[4].frame is None
    assert verdict.placements[5].frame == 5


def test_too_few(good):
    verdict = judged(good[:15])
    assert only(verdict, "too-few").expected == "24"
    assert [p.frame for p in verdict.placements[15:]] == [None] * 9
    assert only(verdict, "missed").positions == (15, 23)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(order=st.permutations(range(24)))
def test_the_verdict_does_not_depend_on_the_order_of_arrival(good, shoot, order):
    frames = list(good)
    frames[6] = shoot(6, 6, lamp=True)
    frames[15] = shoot(15, 15, blur=(0.0, 1.5))
    frames = frames[:20] + frames[21:]
    expected = judged(frames)
    judge = Judge(PLAN)
    for index in order:
        if index < len(frames):
            judge.add(index, frames[index])
    verdict = judge.close()
    assert verdict.findings == expected.findings
    assert verdict.placements == expected.placements
    assert verdict.rows == expected.rows
    assert verdict.sentence == expected.sentence


def test_the_judge_may_be_asked_halfway_and_lets_pictures_go(good):
    judge = Judge(PLAN)
    for index, figures in enumerate(good):
        judge.add(index, figures)
        if index == 10:
            judge.close()
    assert judge.close().findings == judged(good).findings
    assert len(judge._signatures) <= 8


def test_facts_without_anything_are_enough(good):
    bare = [replace(f, facts=FrameFacts(name=f.facts.name)) for f in good]
    assert judged(bare).findings == ()
