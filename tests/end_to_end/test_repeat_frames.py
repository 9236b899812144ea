"""Planes photographed again after a simulated stack that drifts: they hold its slow part."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from planewright.base.files import hash_file
from planewright.base.problems import PhotographProblem, RangeProblem, SettingProblem
from planewright.jobs.build import build_pass
from planewright.jobs.check import check_pass
from planewright.jobs.compare import planted
from planewright.phantom.faults import Faults
from planewright.phantom.instrument import small_instrument
from planewright.phantom.parts import Nucleus, Rod, Scene
from planewright.phantom.shoot import photographs, session_text, simulate
from planewright.phantom.truth import Truth, to_photograph
from planewright.sessions.folder import Session

JITTER_PX = 0.3  # lattice pixels, two sensor pixels
DRIFT_PX = (4.0, 5.5)  # rows: bent, at rest at both ends; columns: even
REPEATS = (1, 6, 12, 18, 24, 30, 34)
# Steps much finer than the cells: neighbours then differ by little that could pass for movement.
INSTRUMENT = small_instrument(rows=160, columns=192, frames=36, step_um=0.6, margin_px=32)


def cells_and_fibre(seed: int) -> Scene:
    """Return cells all over the field, and a fibre that is slanted by 45° and more."""
    rng = np.random.default_rng(seed)
    cells = []
    for place in rng.uniform(-1, 1, (220, 3)) * (30.0, 26.0, 17.0):
        size = float(rng.uniform(1.0, 2.5))
        cells.append(Nucleus(tuple(float(v) for v in place), (size, size, size), brightness=0.7))
    fibre = Rod((-15.0, -14.0, -12.0), (13.0, 12.0, 12.0), sigma_um=0.6, brightness=6.0)
    return Scene("cells", nuclei=tuple(cells), rods=(fibre,), fibre=(0,), gel=0.02)


@pytest.fixture(scope="module")
def drifted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session with repeats as the camera leaves it; not to be written to."""
    folder = tmp_path_factory.mktemp("drifted") / "cells"
    faults = Faults(jitter_rms_px=2 * JITTER_PX, drift_px=(2 * DRIFT_PX[0], 2 * DRIFT_PX[1]))
    options = {"darks": 2, "flats": 2, "repeats": REPEATS}
    simulate(folder, cells_and_fibre(1), INSTRUMENT, faults, seed=3, **options)
    text = session_text(INSTRUMENT, repeats=REPEATS)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def built(drifted, tmp_path_factory):
    """Return the session built: folder, what build told, steps of the provenance."""
    folder = tmp_path_factory.mktemp("built") / "cells"
    shutil.copytree(drifted, folder)
    told = build_pass(folder)
    return folder, told, steps_of(folder)


@pytest.fixture
def a_copy(drifted, tmp_path):
    """Return a maker of copies; words of session.toml can be changed."""

    def make(*changes: tuple[str, str]) -> Path:
        folder = tmp_path / "copy"
        shutil.copytree(drifted, folder)
        text = (folder / "session.toml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (folder / "session.toml").write_text(text, encoding="utf-8")
        return folder

    return make


def steps_of(folder: Path) -> dict:
    told = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    return {s["step"]: s for s in told["products"]["passes/a/volume.ome.zarr"]["steps"]}


def residual(folder: Path, steps: dict) -> tuple[np.ndarray, np.ndarray]:
    """Return true shifts and what is left of them, lattice pixels, means taken off."""
    truth = Truth.load(folder / "truth.json")
    true = np.array([shot.shift_px for shot in truth.stack]) / 2
    results = steps["steady"]["results"]
    left = true + np.stack([results["shift_y_px"], results["shift_x_px"]], axis=1)
    return true - true.mean(axis=0), left - left.mean(axis=0)


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_the_drift_falls_to_what_the_jitter_of_the_repeats_allows(built):
    folder, told, steps = built
    true, left = residual(folder, steps)
    assert rms(true) > 1.3
    # A line, and a bend where it is fitted, from seven repeats: sqrt(2 / 7) of one's jitter, or
    # sqrt(3 / 7), by least squares; the rest of the allowance is for one draw and for the walk of
    # the content, which steadying cannot see.
    assert rms(left) < 1.5 * np.sqrt(3 / 7) * JITTER_PX
    results = steps["steady"]["results"]
    assert results["reference"] == "repeat frames"
    stated = rms([results["sigma_y"], results["sigma_x"]])
    assert 1 / 2 < rms(left) / stated < 2
    assert "slow part held by repeat frames" in "\n".join(told.figures)
    assert "The slow part is known to" in "\n".join(told.figures)


def test_repeats_are_measured_near_the_noise(built):
    folder, _, steps = built
    truth = Truth.load(folder / "truth.json")
    frames = {shot.position: np.array(shot.shift_px) / 2 for shot in truth.stack}
    measured = steps["repeats"]["results"]["measured"]
    assert [one["position"] for one in measured] == list(REPEATS)
    off = []
    for one, shot in zip(measured, truth.repeats, strict=True):
        true = frames[shot.position] - np.array(shot.shift_px) / 2
        off.append((np.array([one["dy"], one["dx"]]) - true) / (one["sigma_y"], one["sigma_x"]))
    assert rms(off) < 2.0  # of its own standard uncertainty
    assert max(one["sigma_y"] for one in measured) < 0.05


def test_a_slanted_fibre_keeps_its_slant(built):
    folder, _, steps = built
    truth = Truth.load(folder / "truth.json")
    ends = to_photograph([truth.scene["rods"][0][k] for k in ("start_um", "end_um")], INSTRUMENT)
    walk = (ends[1, 1:] - ends[0, 1:]) / (ends[1, 0] - ends[0, 0]) / 2  # lattice px a frame
    true, left = residual(folder, steps)
    k = np.arange(len(left))[:, None]
    along = walk / np.hypot(*walk)
    before, after = (
        np.polyfit(k[:, 0], (k * walk + moved) @ along, 1)[0] / np.hypot(*walk)
        for moved in (true, left)
    )
    assert abs(before - 1) > 0.04  # the drift feigns a slant
    assert abs(after - 1) < 0.02
    # and in the volume: light along the line on which the fibre truly lies
    import planewright

    light = np.asarray(planewright.session(folder).volume("a"))
    offset = np.zeros(2)
    places = []
    for plane in range(10, 27):
        share = (plane - ends[0, 0]) / (ends[1, 0] - ends[0, 0])
        y, x = ((ends[0, 1:] + share * (ends[1, 1:] - ends[0, 1:])) - 0.5) / 2 + offset
        places.append(brightest(light[plane], y, x) - walk * plane)
    slope = np.polyfit(np.arange(17), np.array(places) @ along, 1)[0]
    assert abs(slope) < 0.05 * np.hypot(*walk)


def brightest(plane: np.ndarray, y: float, x: float, reach: int = 6) -> np.ndarray:
    """Return the centre of the brightest spot near a place."""
    rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    window = plane[rows + round(y), columns + round(x)]
    top = np.unravel_index(np.argmax(window), window.shape)
    weight = np.clip(window - 0.5 * window.max(), 0, None)
    weight = weight * (np.hypot(rows - rows[top], columns - columns[top]) < 4)
    centre = [(weight * axis).sum() / weight.sum() for axis in (rows, columns)]
    return np.array([round(y), round(x)]) + centre


def test_repeats_are_no_frames_of_the_stack(built):
    folder, told, steps = built
    truth = Truth.load(folder / "truth.json")
    assert len(truth.stack) == 36
    assert [shot.position for shot in truth.repeats] == list(REPEATS)
    assert planted(truth) == {}
    assert told.checked.sentence.startswith("Good: all 36 planes are there")
    names = [one["name"] for one in steps["judge"]["inputs"]]
    assert not [name for name in names if name.startswith("repeats/")]
    told_of = steps["repeats"]["inputs"]
    assert [one["name"] for one in told_of] == [shot.name for shot in truth.repeats]
    assert [one["sha256"] for one in told_of] == [
        hash_file(folder / shot.name) for shot in truth.repeats
    ]
    rows = (folder / "passes/a/frames.csv").read_text(encoding="utf-8")
    assert "repeats/" not in rows


def test_a_copy_of_a_frame_repeats_nothing(a_copy):
    folder = a_copy()
    frame = sorted((folder / "frames").iterdir())[12]
    repeat = sorted((folder / "repeats").iterdir())[2]
    shutil.copyfile(frame, repeat)
    told = check_pass(folder)
    same = [f for f in told.findings if f.code == "same-content"]
    assert [set(f.photographs) for f in same] == [
        {f"frames/{frame.name}", f"repeats/{repeat.name}"}
    ]
    none = [f for f in told.findings if f.code == "repeats-unplaced"]
    assert "One of the repeats is a copy of a frame" in none[0].what
    figures = "\n".join(build_pass(folder).figures)
    assert "repeat frames are not used: 0 of 0 repeats can be used, 3 are needed" in figures
    assert "is not determined by the photographs" in figures


def test_a_repeat_that_cannot_be_read_is_a_finding_and_keeps_its_place(a_copy):
    folder = a_copy()
    files = sorted((folder / "repeats").iterdir())
    files[3].write_bytes(files[3].read_bytes()[:5000])
    told = check_pass(folder)
    lost = [f for f in told.findings if f.code == "unreadable"]
    assert [(f.photographs, f.positions) for f in lost] == [
        ((f"repeats/{files[3].name}",), (REPEATS[3], REPEATS[3]))
    ]
    assert told.exit_code == 1


def test_as_many_photographs_as_planes(a_copy):
    folder = a_copy((f"repeats = {[p + 1 for p in REPEATS]}", "repeats = [2, 7, 13]"))
    with pytest.raises(PhotographProblem) as told:
        check_pass(folder)
    assert "not as many as the planes that they show" in told.value.what
    assert told.value.where == "repeats/*.DNG"
    assert told.value.got == "7 photographs"
    assert told.value.expected == "3, one for each plane of repeats = [2, 7, 13]"
    assert "correct 'repeats' or 'files'" in told.value.do


def test_other_planes_make_another_volume(built, tmp_path):
    folder, _, _ = built
    copy = tmp_path / "again"
    shutil.copytree(folder, copy)
    assert build_pass(copy).sentence.startswith("Nothing to do")
    file = copy / "session.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("repeats = [2, ", "repeats = [3, "), encoding="utf-8")
    assert build_pass(copy).sentence.startswith("Built")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('reference = "repeat frames"\n', "", 'needs reference = "repeat frames" for that'),
        (
            "repeats = [2, 7, 13, 19, 25, 31, 35]\n",
            "",
            "but no [[photographs]] table of this pass has 'repeats'",
        ),
        (
            'role = "specimen"\npass = "a"\nrepeats',
            'role = "dark"\npass = "a"\nrepeats',
            "'repeats' stands beside role = \"dark\"",
        ),
        (
            "repeats = [2, 7",
            "repeats = [2, 99",
            "names plane 99 of pass 'a', which has planned = 36",
        ),
        ("repeats = [2, 7", "repeats = [0, 7", "cannot be used"),
        (
            'pass = "a"\nrepeats',
            'pass = "b"\nrepeats',
            "belong to pass 'b', which is not described",
        ),
    ],
    ids=["no reference", "no repeats", "role", "beyond", "zero", "other pass"],
)
def test_settings_that_contradict_each_other_are_told(a_copy, old, new, words):
    folder = a_copy((old, new))
    with pytest.raises(SettingProblem) as told:
        Session.open(folder)
    assert words in told.value.what
    assert "session.toml" in told.value.where


def test_only_planned_planes_are_shot_again():
    with pytest.raises(RangeProblem, match="again that the plan does not have") as told:
        next(photographs(Scene("none"), INSTRUMENT, seed=1, repeats=(36,)))
    assert told.value.expected == "0 to 35"
