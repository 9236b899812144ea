"""Simulated sessions: files and truth agree, faults are where they were planned."""

import tomllib
from datetime import datetime

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from planewright.base.nouns import Scan
from planewright.base.problems import RangeProblem
from planewright.base.progress import Quiet
from planewright.base.settings import read_settings
from planewright.phantom.camera import black_at_sites
from planewright.phantom.faults import Bubble, Faults, Glare, Shake, random_faults
from planewright.phantom.instrument import Instrument, monochrome_instrument, small_instrument
from planewright.phantom.scene import empty_scene, small_urchin_scene, with_walls
from planewright.phantom.shoot import photographs, session_text, simulate
from planewright.phantom.truth import Truth
from planewright.sessions.model import SessionFile

SCENE = small_urchin_scene(1)


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("stacks")


def tiny(**changes):
    return small_instrument(**{"rows": 96, "columns": 96, "frames": 12, **changes})


def shots(cache, faults=None, *, instrument=None, **options):
    parts = {"seed": 5, "darks": 0, "flats": 0, "cache": cache, **options}
    return list(photographs(SCENE, instrument or tiny(), faults, **parts))


def green(shot, instrument):
    light = shot.counts - black_at_sites(instrument)
    return 0.5 * (light[::2, 1::2] + light[1::2, ::2])


def test_same_seed_same_files(tmp_path, cache):
    faults = random_faults(2, tiny(frames=12))
    options = {"darks": 1, "flats": 1, "pairs": True, "cache": cache}
    for name, seed in (("one", 5), ("two", 5), ("three", 6)):
        simulate(tmp_path / name, SCENE, tiny(), faults, seed=seed, **options)
    files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*.*"))
    assert len(files) > 25
    same = [
        (tmp_path / "one" / f).read_bytes() == (tmp_path / "two" / f).read_bytes() for f in files
    ]
    assert all(same)
    frames = [f for f in files if f.suffix == ".DNG"]
    other = [
        (tmp_path / "one" / f).read_bytes() == (tmp_path / "three" / f).read_bytes() for f in frames
    ]
    assert not any(other)


@pytest.mark.parametrize("compressed", [True, False])
def test_files_hold_what_the_truth_says(tmp_path, cache, compressed):
    lens = tiny()
    faults = Faults(exposure_change=(6, 2.0), iso_change=(8, 3200), flipped_from=4, flipped_to=8)
    options = {"seed": 5, "darks": 1, "flats": 1, "cache": cache}
    truth = simulate(tmp_path, SCENE, lens, faults, compressed=compressed, **options)
    assert Truth.load(tmp_path / "truth.json") == truth
    taken = list(photographs(SCENE, lens, faults, **options))
    assert [p.name for p in truth.photographs][-2:] == ["dark/SEA_0133.DNG", "flat/SEA_0134.DNG"]
    for record, shot in zip(truth.photographs, taken, strict=True):
        with rawpy.imread(str(tmp_path / record.name)) as raw:
            np.testing.assert_array_equal(raw.raw_image, shot.counts)
        with (tmp_path / record.name).open("rb") as handle:
            tags = exifread.process_file(handle, details=False)
        exposure = tags["EXIF ExposureTime"].values[0]
        assert float(exposure) == pytest.approx(record.exposure_s)
        assert tags["EXIF ISOSpeedRatings"].values[0] == record.iso
        assert tags["Image Orientation"].values[0] == record.orientation
        written = datetime.strptime(str(tags["EXIF DateTimeOriginal"]), "%Y:%m:%d %H:%M:%S")
        assert written.isoformat() == record.taken_at
    stack = truth.stack
    assert [p.exposure_s for p in stack[5:7]] == [0.25, 0.5]
    assert [p.iso for p in stack[7:9]] == [1600, 3200]
    assert [p.orientation for p in stack[3:5]] == [1, 8]
    assert truth.photographs[-1].orientation == 1


def test_clock_keeps_the_cadence_and_skips_what_was_missed(cache):
    taken = shots(cache, Faults(missed=(4,), doubled=(7,)), cadence_s=3.0)
    positions = [s.position for s in taken]
    assert positions == [0, 1, 2, 3, 5, 6, 7, 7, 8, 9, 10, 11]
    assert [s.name for s in taken[3:6]] == ["SEA_0124", "SEA_0125", "SEA_0126"]
    gaps = np.diff([s.truth.time_s for s in taken])
    np.testing.assert_allclose(gaps[[0, 3, 6, 7]], [3.0, 6.0, 1.5, 1.5], atol=0.15)
    seconds = [(s.taken_at - taken[0].taken_at).total_seconds() for s in taken]
    assert all(value == int(value) for value in seconds)
    assert taken[7].faults == ("doubled",)
    assert not np.array_equal(taken[6].counts, taken[7].counts)


def test_doubled_frames_show_one_plane_with_new_noise(cache):
    lens = tiny(hot_fraction=0.0)
    taken = shots(cache, Faults(doubled=(7,)), instrument=lens)
    a, b = (s.counts.astype(float) for s in taken if s.position == 7)
    expected = np.mean(a - black_at_sites(lens)) * lens.gain + (2 * lens.gain) ** 2 + 1 / 12
    assert 0.5 * np.mean((a - b) ** 2) == pytest.approx(expected, rel=0.1)


def test_backlash_begins_with_more_photographs_of_the_first_plane(cache):
    taken = shots(cache, Faults(backlash=3), instrument=tiny(scan=Scan.TOWARDS))
    assert [s.plane for s in taken[:6]] == [11, 11, 11, 11, 10, 9]
    assert [s.faults for s in taken[:4]] == [("lead_in",)] * 3 + [()]
    assert len(taken) == 15


def test_counter_rolls_over_after_the_planned_position(cache):
    taken = shots(cache, Faults(rollover_after=4, doubled=(2,), lamp_after=(3,)))
    names = {s.position: s.name for s in taken}
    assert names[4] == "SEA_9999"
    assert names[5] == "SEA_0001"


def test_wrong_light_looks_like_wrong_light(cache):
    lens = tiny()
    faults = Faults(
        laser_off=(2,), lamp_on=(4,), room_light=(6,), lamp_instead=(8,), lamp_after=(9,)
    )
    taken = shots(cache, faults, instrument=lens)
    level = {s.faults[0] if s.faults else "good": np.median(green(s, lens)) for s in taken}
    assert level["laser_off"] == pytest.approx(0.0, abs=2.0)
    assert level["good"] > 20
    assert level["room_light"] > level["good"] + 0.7 * 90 * lens.gain
    assert level["lamp_on"] > level["good"] + 500
    assert level["lamp_instead"] > 2000
    assert level["lamp_inside"] > 2000
    assert [s.role for s in taken if "lamp_inside" in s.faults] == ["lamp"]
    lamp = next(s for s in taken if "lamp_instead" in s.faults)
    sites = lamp.counts - black_at_sites(lens)
    red_to_green = sites[::2, ::2].mean() / green(lamp, lens).mean()
    assert red_to_green == pytest.approx(lens.lamp_colour[0] / lens.lamp_colour[1], rel=0.03)


def test_glare_fills_a_patch_of_every_colour_and_nothing_else(cache):
    lens = tiny()
    taken = shots(cache, Faults(saturated=(Glare(5, 40.0, 52.0, 6.0),)), instrument=lens)
    full = taken[5].counts == lens.white
    rows, columns = np.indices(full.shape)
    inside = np.hypot(rows - 40.0, columns - 52.0) <= 6.0
    assert np.all(full[inside])
    assert not full[np.hypot(rows - 40.0, columns - 52.0) > 14].any()
    assert not (taken[4].counts == lens.white).any()


def test_jitter_flicker_and_drift_are_drawn_as_asked(cache):
    lens = tiny(frames=120, rows=96, columns=96, margin_px=32, step_um=0.4, peak_e=1.0)
    plan = Faults(jitter_rms_px=2.0, flicker_rms=0.05)
    taken = shots(cache, plan, instrument=lens)
    shifts = np.array([s.shift_px for s in taken])
    assert shifts.std() == pytest.approx(2.0, rel=0.12)
    assert np.std([s.truth.flicker for s in taken]) == pytest.approx(0.05, rel=0.2)
    drifting = shots(cache, Faults(drift_px=(3.0, -5.0)))
    assert drifting[0].shift_px == (0.0, 0.0)
    assert drifting[-1].shift_px == pytest.approx((3.0, -5.0))


def test_shear_moves_each_frame_by_the_same(cache):
    lens = tiny(shear_px=(0.5, -1.0), peak_e=5e4, gain=0.25)  # bright: noise does not decide
    taken = shots(cache, instrument=lens)
    assert [taken[k].shift_px for k in (0, 1, 8)] == [(0.0, 0.0), (0.5, -1.0), (4.0, -8.0)]
    still = shots(cache, instrument=lens.but(shear_px=(0.0, 0.0)))
    moved, want = green(taken[8], lens), green(still[8], lens)
    change = [np.mean(np.abs(np.roll(want, (2, s), (0, 1)) - moved)[8:-8, 8:-8]) for s in (-4, 4)]
    assert change[0] < 0.6 * change[1]
    told = tomllib.loads(session_text(lens))["scale"]
    assert (told["shear_x"], told["shear_y"]) == ("-0.28 um", "0.14 um")


def test_brightness_is_power_exposure_and_iso(cache):
    plan = Faults(flicker_rms=0.05, exposure_change=(4, 2.0), iso_change=(8, 3200), laser_off=(10,))
    taken = [s.truth for s in shots(cache, plan)]
    assert taken[2].brightness == taken[2].flicker
    assert taken[5].brightness == pytest.approx(2 * taken[5].flicker)
    assert taken[9].brightness == pytest.approx(4 * taken[9].flicker)
    assert taken[10].brightness == 0.0


def test_clock_tells_hundredths_where_the_camera_writes_them(cache):
    assert shots(cache)[0].subsecond is None
    taken = shots(cache, subseconds=True)
    exact = [s.truth.time_s % 1 for s in taken]
    assert [int(s.subsecond) for s in taken] == pytest.approx([100 * e for e in exact], abs=1.0)


def test_wall_is_the_same_in_every_plane(cache):
    scene = with_walls(empty_scene(), x_um=8.0, y_um=-6.0)
    taken = list(photographs(scene, tiny(), seed=1, darks=0, flats=0, cache=cache))
    bright = [green(s, tiny()) for s in taken]
    columns = [int(np.argmax(b[24:].sum(axis=0))) for b in bright]
    rows = [int(np.argmax(b[:, :24].sum(axis=1))) for b in bright]
    assert set(columns) == {round((47.5 + 8.0 / 0.28 - 0.5) / 2)}
    assert set(rows) == {round((47.5 - 6.0 / 0.28 - 0.5) / 2)}


def test_shaken_frame_is_less_sharp(cache):
    lens = tiny(peak_e=5e4, gain=0.25)  # bright, so that noise does not decide
    still = shots(cache, instrument=lens)[5]
    shaken = shots(cache, Faults(shaken=(Shake(5, 8.0, 0.0),)), instrument=lens)[5]
    slope = [np.mean(np.diff(green(s, lens), axis=1) ** 2) for s in (still, shaken)]
    assert slope[1] < 0.7 * slope[0]
    assert (shaken.truth.shake_px, shaken.faults) == (8.0, ("shaken",))


def test_bubble_moves_up_and_darkens_what_lies_behind_it(cache):
    lens = tiny()
    plan = Faults(bubble=Bubble(3, 4, radius_px=10.0, column=0.3, light_e=3000.0))
    taken = shots(cache, plan, instrument=lens)
    there = [s for s in taken if "bubble" in s.faults]
    assert [s.position for s in there] == [3, 4, 5, 6]
    brightest = [int(np.argmax(green(s, lens).max(axis=1))) for s in there[1:3]]
    assert brightest[0] > brightest[1]


def test_copies_and_cut_files_are_planted(tmp_path, cache):
    plan = Faults(copied=(3,), truncated=(6,))
    truth = simulate(tmp_path, SCENE, tiny(), plan, seed=5, darks=0, flats=0, cache=cache)
    assert truth.copies == {"frames/SEA_0124 (1).DNG": "frames/SEA_0124.DNG"}
    for twin, original in truth.copies.items():
        assert (tmp_path / twin).read_bytes() == (tmp_path / original).read_bytes()
    cut = next(p for p in truth.photographs if "truncated" in p.faults)
    sizes = [(tmp_path / p.name).stat().st_size for p in truth.photographs]
    assert (tmp_path / cut.name).stat().st_size < 0.7 * np.median(sizes)


@pytest.mark.parametrize("kind", ["tiff", "png", "jpeg"])
def test_monochrome_camera_writes_its_formats(tmp_path, cache, kind):
    lens = monochrome_instrument(rows=64, columns=96, frames=2)
    options = {"seed": 1, "darks": 1, "flats": 0, "cache": cache}
    truth = simulate(tmp_path, SCENE, lens, file_kind=kind, **options)
    ending = {"tiff": ".TIF", "png": ".PNG", "jpeg": ".JPG"}[kind]
    assert all((tmp_path / p.name).suffix == ending for p in truth.photographs)
    if kind == "tiff":
        shot = next(photographs(SCENE, lens, **options))
        got = tifffile.imread(tmp_path / truth.photographs[0].name)
        np.testing.assert_array_equal(got, shot.counts)


@pytest.mark.parametrize(
    ("kind", "lens"), [("tiff", tiny()), ("png", tiny()), ("dng", monochrome_instrument())]
)
def test_camera_and_format_must_go_together(tmp_path, kind, lens):
    with pytest.raises(RangeProblem, match="does not write such files"):
        simulate(tmp_path, SCENE, lens, seed=1, file_kind=kind)


def test_progress_tells_planes_then_photographs(tmp_path):
    class Told(Quiet):
        def __init__(self):
            super().__init__()
            self.stages = []

        def stage(self, name, total, unit):
            self.stages.append([name, total, 0])

        def advance(self, steps=1):
            self.stages[-1][2] += steps

    told = Told()
    plan = Faults(missed=(3,), doubled=(5, 6), lamp_after=(7,), backlash=2)
    lens = tiny(rows=64, columns=64)
    truth = simulate(tmp_path, SCENE, lens, plan, seed=1, darks=2, flats=1, progress=told)
    assert told.stages == [["rendering", 12, 12], ["photographing", 19, 19]]
    assert len(truth.photographs) == 19


def test_fault_beyond_the_plan_is_refused(cache):
    with pytest.raises(RangeProblem, match="position that the plan does not have"):
        shots(cache, Faults(missed=(12,)))


@pytest.mark.parametrize("seed", range(20))
def test_random_faults_keep_apart(seed):
    lens = Instrument()
    plan = random_faults(seed, lens)
    plan.check(lens.frames)
    taken = [*plan.missed, *plan.doubled, *plan.laser_off, *plan.lamp_on, *plan.room_light]
    taken += [*plan.lamp_after, *(s.position for s in plan.shaken)]
    taken += [g.position for g in plan.saturated]
    assert np.diff(sorted(taken)).min() >= 2
    assert plan == random_faults(seed, lens)
    fwhm_px = lens.lateral_fwhm_um / lens.pixel_um
    assert all(s.swing_px >= 0.5 * fwhm_px for s in plan.shaken)


def test_session_text_is_toml_that_says_what_is_true():
    lens = small_instrument(scan=Scan.TOWARDS, mirrored=True, sheet_angle_deg=211.0)
    text = session_text(lens, title="Urchin 7", cadence_s=1.5, reference="gel beads")
    value = tomllib.loads(text)
    assert value["scale"]["pixel"].startswith("0.28 um")
    assert value["scale"]["step"].startswith("1.25 um")
    (one,) = value["pass"]
    assert (one["scan"], one["mirrored"], one["sheet_angle"]) == ("towards lens", True, "211 deg")
    assert (one["planned"], one["cadence"], one["reference"]) == (40, "1.5 s", "gel beads")
    assert [p["role"] for p in value["photographs"]] == ["specimen", "dark", "flat"]
    read = read_settings(SessionFile, text, where="session.toml")
    assert (read.passes[0].planned, read.passes[0].cadence_s) == (40, 1.5)
