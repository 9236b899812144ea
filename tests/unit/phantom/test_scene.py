"""The specimen: sizes, contacts, volumes, places."""

import itertools

import numpy as np
import pytest

from planewright.phantom.drawing import Drawing
from planewright.phantom.instrument import Instrument, small_instrument
from planewright.phantom.scene import (
    Nucleus,
    Scene,
    beads_scene,
    chiral_scene,
    even_directions,
    small_urchin_scene,
    tissue_scene,
    urchin_scene,
)


@pytest.fixture(scope="module", params=[0, 1, 2])
def urchin(request):
    return urchin_scene(request.param)


def test_blastula_is_a_hollow_ball_of_a_few_hundred_cells(urchin):
    assert 120 <= 2 * urchin.ball.outer_um <= 200
    assert 200 <= len(urchin.nuclei) <= 600
    centres = np.array([n.centre_um for n in urchin.nuclei])
    radius = np.linalg.norm(centres, axis=1)
    assert radius.min() > urchin.ball.inner_um
    assert radius.max() < urchin.ball.outer_um


def test_nuclei_are_six_to_nine_micrometres_and_some_touch(urchin):
    across = 2 * np.array([n.radii_um for n in urchin.nuclei])
    assert across.min() >= 6.0
    assert across.max() <= 9.0
    centres = np.array([n.centre_um for n in urchin.nuclei])
    reach = across.max(axis=1) / 2
    pairs = list(itertools.combinations(range(len(reach)), 2))
    a, b = np.array(pairs).T
    gap = np.linalg.norm(centres[a] - centres[b], axis=1) - reach[a] - reach[b]
    assert gap.min() > -1e-9
    assert np.sum(np.abs(gap) < 1e-9) >= 10


@pytest.mark.parametrize("scene", [urchin_scene(5), beads_scene(5)])
def test_beads_reach_far_enough_for_a_scale(scene):
    lens = Instrument()
    places = np.array([b.centre_um for b in scene.beads])
    apart = np.abs(places[:, None] - places[None])
    assert len(places) >= 60
    for axis, least in ((0, 100.0), (1, 100.0), (2, 25 * float(lens.axial_fwhm_um(0.0)))):
        assert np.sum(np.triu(apart[..., axis] >= least)) >= 200


def test_beads_and_markers_are_clear_of_the_embryo(urchin):
    from_centre = [np.linalg.norm(b.centre_um) for b in urchin.beads]
    assert min(from_centre) > urchin.ball.outer_um
    for rod in urchin.rods:
        way = np.linspace(rod.start_um, rod.end_um, 50)
        assert np.linalg.norm(way, axis=1).min() > urchin.ball.outer_um + 2


@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("make", [chiral_scene, lambda hand: small_urchin_scene(1, hand=hand)])
def test_chiral_marker_has_the_hand_it_says(make, hand):
    scene = make(hand=hand)
    rods = [scene.rods[k] for k in scene.chiral]
    ways = np.array([np.subtract(r.end_um, r.start_um) for r in rods])
    assert np.sign(np.linalg.det(ways)) == hand == scene.hand
    long, middle, short = np.linalg.norm(ways, axis=1)
    assert long > 1.3 * middle
    assert middle > 1.2 * short


def test_drawn_nucleus_keeps_its_volume():
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    axes = tuple(tuple(float(v) for v in row) for row in turn)
    nucleus = Nucleus((1.3, -2.2, 0.4), (3.2, 3.9, 4.4), axes, brightness=1.0)
    lens = small_instrument(rows=96, columns=96, sheet_angle_deg=20.0)
    drawing = Drawing(Scene("one", nuclei=(nucleus,)), lens, 0.5)
    z = np.arange(-8.0, 8.0, 0.5)
    drawn = sum(float(drawing.at(v).sum()) for v in z) * 0.5 * lens.pixel_um**2
    assert nucleus.volume_um3 == pytest.approx(4 / 3 * np.pi * 3.2 * 3.9 * 4.4)
    assert drawn == pytest.approx(nucleus.volume_um3, rel=0.01)


def test_tissue_walks_sideways_by_its_slant():
    scene = tissue_scene(1, slant_deg=50.0)
    centres = np.array([n.centre_um for n in scene.nuclei])
    slope = np.polyfit(centres[:, 2], centres[:, 0], 1)[0]
    assert slope == pytest.approx(scene.walk_um_per_um, rel=0.01)
    assert scene.walk_um_per_um == pytest.approx(1 / np.tan(np.radians(50.0)))


def test_directions_are_even():
    way = even_directions(400)
    np.testing.assert_allclose(np.linalg.norm(way, axis=1), 1.0)
    assert np.abs(way.mean(axis=0)).max() < 0.01


def test_same_seed_same_scene_and_another_seed_another():
    assert urchin_scene(4) == urchin_scene(4)
    assert urchin_scene(4) != urchin_scene(5)
