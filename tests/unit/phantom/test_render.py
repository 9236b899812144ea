"""The forward model against what light must do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from planewright.base.problems import RangeProblem
from planewright.phantom.instrument import Instrument, small_instrument
from planewright.phantom.render import clean_stack, fine_stack
from planewright.phantom.scene import Bead, Rod, Scene, Speck, small_urchin_scene, uniform_scene
from planewright.phantom.shadows import SpeckShadow, chord_um


def tiny(**changes):
    parts = {"rows": 96, "columns": 160, "frames": 33, "step_um": 0.6, "haze": 0.0, "vignette": 0.0}
    return small_instrument(**{**parts, "sheet_height_um": 1e9, **changes})


def test_even_dye_is_even_from_waist_to_edge():
    # The sheet's light integrated over its thickness does not depend on x.
    planes = fine_stack(uniform_scene(0.7), tiny(frames=2)).planes
    np.testing.assert_allclose(planes, 0.7, rtol=2e-3)


@pytest.mark.parametrize("angle", [0.0, 37.0])
def test_bead_keeps_its_light_over_the_stack(angle):
    # Sheet profiles sum to 1 over z, the blur to 1 over the plane, wherever the bead lies.
    lens = tiny(frames=41, haze=0.1, sheet_angle_deg=angle)
    for x in (0.0, 15.0):
        planes = fine_stack(Scene("b", beads=(Bead((x, 2.0, 0.3), 2.5),)), lens).planes
        total = planes.sum(dtype=np.float64) * lens.pixel_um**2 * lens.step_um
        assert total == pytest.approx(2.5, rel=3e-3)


@pytest.mark.parametrize("x_um", [0.0, -18.0])
def test_bead_is_as_long_as_the_instrument_says(x_um):
    lens = tiny(waist_x_um=0.0)
    fine = fine_stack(Scene("b", beads=(Bead((x_um, 0.0, 0.0)),)), lens)
    row, column = fine.grid.place(np.array([[x_um, 0.0]]))[0]
    profile = fine.planes[:, round(row), round(column)].astype(np.float64)
    z = lens.plane_z_um(np.arange(lens.frames))
    core = profile > 0.05 * profile.max()
    finer = np.linspace(z[core][0], z[core][-1], 20001)
    smooth = np.exp(CubicSpline(z[core], np.log(profile[core]))(finer))  # the log is smooth
    above = finer[smooth >= 0.5 * smooth.max()]
    assert above[-1] - above[0] == pytest.approx(float(lens.axial_fwhm_um(x_um)), rel=0.02)


def test_shifted_frame_is_the_frame_of_a_moved_scene():
    lens = tiny(frames=3)
    shift = (2.3, -1.7)
    move = lens.pixel_um * np.array([shift[1], shift[0], 0.0])
    places = np.array([[-20.0, 5.0, 0.1], [3.0, -12.9, -0.5], [22.0, 0.0, 0.7]])
    here = fine_stack(Scene("b", beads=tuple(Bead(tuple(p)) for p in places)), lens)
    there = fine_stack(
        Scene("b", beads=tuple(Bead(tuple(p + move)) for p in places)), lens.but(waist_x_um=move[0])
    )
    # The sheet's thickness moves with the picture: a shift is one of the camera.
    got, want = here.plane(1, shift_px=shift), there.plane(1)
    assert np.abs(got - want).max() < 2e-5 * want.max()
    with pytest.raises(RangeProblem, match="beyond the rendered margin"):
        here.plane(1, shift_px=(40.0, 0.0))


def test_content_comes_in_over_the_edge_and_nothing_wraps():
    lens = tiny(frames=1)
    top = -0.5 * lens.rows * lens.pixel_um
    fine = fine_stack(Scene("b", beads=(Bead((0.0, top - 2.0, 0.0)),)), lens)
    assert fine.plane(0).max() < 0.05 * fine.plane(0, shift_px=(10.0, 0.0)).max()
    moved = fine.plane(0, shift_px=(10.0, 0.0))
    assert np.unravel_index(moved.argmax(), moved.shape)[0] == 2
    assert np.abs(moved[48:]).max() < 2e-3 * moved.max()


def test_shake_is_the_mean_over_a_vibration():
    fine = fine_stack(Scene("b", beads=(Bead((1.0, 2.0, 0.0)),)), tiny(frames=1))
    phase = (np.arange(64) + 0.5) * np.pi / 64
    steps = 2.5 * np.cos(phase)
    angle = np.radians(30.0)
    want = np.mean(
        [fine.plane(0, shift_px=(s * np.sin(angle), s * np.cos(angle))) for s in steps], axis=0
    )
    got = fine.plane(0, shake_px=5.0, shake_deg=30.0)
    assert np.abs(got - want).max() < 1e-5 * fine.plane(0).max()
    assert got.max() < 0.8 * fine.plane(0).max()


def test_shadow_follows_beer_and_lambert_and_only_downstream():
    speck = Speck((0.0, 0.0, 0.0), 4.0, 0.1)
    shadow = SpeckShadow(speck, 0.01, 0.03, 80.0)
    y = np.linspace(-5, 5, 41)
    straight = 1 - np.exp(-0.1 * chord_um(y, 4.0))
    clear = np.abs(np.abs(y) - 4.0) > 0.4  # the rim is smooth over a table cell
    got = shadow.loss(1e-6, y, 0.0)
    np.testing.assert_allclose(got[clear], straight[clear], atol=0.012)
    assert float(shadow.loss(1e-6, 0.0, 0.0)) == pytest.approx(1 - np.exp(-0.8), abs=2e-3)
    assert np.all(shadow.loss(-0.01, y, 0.0) == 0.0)


def test_shadow_widens_and_takes_the_same_light_everywhere():
    shadow = SpeckShadow(Speck((0.0, 0.0, 0.0), 4.0, 0.1), 0.01, 0.03, 80.0)
    y = np.linspace(-12, 12, 241)[None, :]
    z = np.linspace(-16, 16, 321)[:, None]
    near, far = shadow.loss(0.5, y, z), shadow.loss(79.0, y, z)
    assert far.sum() == pytest.approx(near.sum(), rel=5e-3)
    assert far.max() < 0.9 * near.max()
    spread = [np.sqrt((s * z**2).sum() / s.sum()) for s in (near, far)]
    assert spread[1] ** 2 - spread[0] ** 2 == pytest.approx((78.5 * 0.03) ** 2, rel=0.05)


def test_shadow_is_seen_in_the_picture_on_one_side():
    scene = Scene("s", specks=(Speck((-5.0, 3.0, 0.0), 3.0, 0.4),), gel=1.0)
    lens = tiny(frames=1)
    picture = fine_stack(scene, lens).plane(0)
    row = round(0.5 * (lens.rows - 1) + 3.0 / lens.pixel_um)
    column = 0.5 * (lens.columns - 1) - 5.0 / lens.pixel_um
    assert picture[row, : int(column - 8)].min() > 0.985
    assert picture[row, int(column + 15) :].max() < 0.75


def test_ball_dims_the_far_side_and_the_deep_side():
    scene = small_urchin_scene(2)
    ball = scene.ball
    lens = small_instrument(frames=1)
    lost = Scene("g", ball=ball, gel=1.0)
    clear = lost.but(ball=None)
    picture = fine_stack(lost, lens).plane(0) / fine_stack(clear, lens).plane(0).mean()
    row, middle = lens.rows // 2, (lens.columns - 1) / 2
    ahead, behind = (int(middle + k * 38 / lens.pixel_um) for k in (-1, 1))
    assert picture[row, ahead] == pytest.approx(1.0, abs=0.04)
    kept = np.exp(-ball.loss_light_per_um * 2 * ball.outer_um)
    assert picture[row, behind] / picture[row, ahead] == pytest.approx(kept, rel=0.02)


@pytest.mark.parametrize("bead", [False, True])
def test_light_is_lost_on_the_way_to_the_lens(bead):
    # Seen through the whole ball: direct e^(−µ·2R), scattered and half kept the rest.
    ball = small_urchin_scene(2).ball
    kept = np.exp(-ball.loss_seen_per_um * 2 * ball.outer_um)
    lens = tiny(frames=81, step_um=0.9, numerical_aperture=0.25)
    scene = Scene("d", gel=0.0 if bead else 1.0)
    if bead:
        scene = scene.but(beads=(Bead((0.0, 0.0, ball.outer_um + 2.0)),))
    plane = 40 + round((ball.outer_um + 2.0) / 0.9)
    clear = fine_stack(scene, lens).plane(plane).astype(np.float64)
    shell = {"membrane": 0.0, "cytoplasm": 0.0, "loss_light_per_um": 0.0}
    deep = fine_stack(scene.but(ball=replace(ball, **shell)), lens).plane(plane).astype(np.float64)
    middle = (slice(28, 68), slice(60, 100)) if not bead else (slice(None), slice(None))
    ratio = deep[middle].sum() / clear[middle].sum()
    assert ratio == pytest.approx(kept + ball.scatter_kept * (1 - kept), rel=0.01)
    if bead:  # the part that arrives direct is as sharp as before
        assert deep.max() / clear.max() == pytest.approx(kept, rel=0.02)


def test_fibre_goes_from_end_to_end():
    rod = Rod((-9.0, -6.0, -4.0), (9.0, 6.0, 4.0), sigma_um=0.5)
    lens = tiny(frames=21)
    fine = fine_stack(Scene("f", rods=(rod,)), lens)
    weight = np.stack([fine.plane(k) for k in range(21)]).astype(np.float64)
    weight[weight < 0.1 * weight.max()] = 0
    z, y, x = np.indices(weight.shape)
    z_um = lens.plane_z_um(z)
    x_um = (x - 79.5) * lens.pixel_um
    y_um = (y - 47.5) * lens.pixel_um
    assert abs(np.average(x_um, weights=weight)) < 0.05
    cov = np.cov([x_um.ravel(), y_um.ravel()], aweights=weight.ravel())
    assert np.degrees(0.5 * np.arctan2(2 * cov[0, 1], cov[0, 0] - cov[1, 1])) == pytest.approx(
        np.degrees(np.arctan2(12, 18)), abs=0.7
    )
    near = np.abs(z_um - 2.4) < 0.1
    assert np.average(x_um[near], weights=weight[near]) == pytest.approx(2.4 * 18 / 8, abs=0.15)


def test_stack_comes_back_from_the_cache_the_same(tmp_path):
    scene, lens = small_urchin_scene(1), small_instrument(rows=96, columns=96, frames=3)
    fresh = fine_stack(scene, lens).planes
    fine_stack(scene, lens, cache=tmp_path)
    kept = fine_stack(scene, lens, cache=tmp_path).planes
    assert isinstance(kept, np.memmap)
    np.testing.assert_array_equal(fresh, kept)
    fine_stack(scene, lens.but(peak_e=20.0, gain=1.0), cache=tmp_path)
    assert len(list(tmp_path.iterdir())) == 1  # what only the camera decides is not rendered anew
    fine_stack(scene, lens.but(waist_x_um=5.0), cache=tmp_path)
    assert len(list(tmp_path.iterdir())) == 2


def test_clean_stack_is_in_the_order_of_shooting():
    scene = small_urchin_scene(1)
    lens = small_instrument(rows=96, columns=96, frames=3)
    away = clean_stack(scene, lens)
    towards = clean_stack(scene, Instrument.from_dict({**lens.to_dict(), "scan": "towards lens"}))
    assert away.dtype == np.float32
    assert away.shape == (3, 96, 96)
    np.testing.assert_array_equal(away, towards[::-1])
