"""Reductions equal NumPy's on the whole array, whatever the blocks, and read only blocks."""

from __future__ import annotations

import numpy as np
import pytest
import xarray
from xarray.backends import BackendArray
from xarray.core import indexing

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem, StoppedProblem
from planewright.base.progress import Quiet
from planewright.picture.fit import fit, fit_seen
from planewright.picture.reduce import cut_xy, cut_xz, cut_yz, middle_of_light, project
from planewright.picture.scene import subject

SHAPE = (11, 23, 17)


@pytest.fixture
def flagged(volume_of):
    rng = np.random.default_rng(5)
    light = np.rint(rng.normal(2, 3, SHAPE)).astype(np.float32)  # columns with several maxima
    light[rng.random(SHAPE) < 0.02] = np.nan
    mask = rng.choice(np.array([0, 0, 0, 1, 2, 4, 8, 16, 18], np.uint8), SHAPE)
    mask[4] = Flag.MISSING
    mask[:, 3, 5] = Flag.OUTSIDE
    return volume_of(light), volume_of(mask)


@pytest.mark.parametrize("workers", [1, 3])
@pytest.mark.parametrize(
    "block", [(1, 23, 17), (3, 7, 5), (32, 512, 1024), (11, 1, 17), (5, 23, 1)]
)
def test_projections_equal_numpy(flagged, block, workers):
    volume, mask = flagged
    got = project(subject(volume, mask), block=block, workers=workers)
    light = volume.to_numpy()
    seen = np.isfinite(light) & ((mask.to_numpy() & 9) == 0)
    columns = seen.any(axis=0)
    lowest = np.where(seen, light, -np.inf)
    np.testing.assert_array_equal(got.brightest, np.where(columns, lowest.max(axis=0), 0))
    np.testing.assert_array_equal(got.at, np.where(columns, lowest.argmax(axis=0), -1))
    np.testing.assert_array_equal(got.seen, seen.sum(axis=0))
    np.testing.assert_array_equal(got.planes, seen.any(axis=(1, 2)))
    total = np.where(seen, light, 0).astype(np.float64).cumsum(axis=0)[-1]
    np.testing.assert_array_equal(got.total, total)
    mean = np.divide(total, seen.sum(axis=0), out=np.zeros_like(total), where=columns)
    np.testing.assert_array_equal(got.average, mean)
    assert got.saturated == np.count_nonzero(seen & ((mask.to_numpy() & 2) != 0))
    assert not columns.all()
    assert not got.planes[4]


class _Recorder(BackendArray):
    """A volume on no disk that notes the largest piece asked for."""

    def __init__(self, shape: tuple[int, int, int]) -> None:
        self.shape, self.dtype, self.largest = shape, np.dtype(np.float32), 0

    def __getitem__(self, key: indexing.ExplicitIndexer) -> np.ndarray:
        def read(place: tuple[slice | int, ...]) -> np.ndarray:
            grid = np.zeros(self.shape, np.bool_)[place]  # one byte a voxel: cheap enough here
            self.largest = max(self.largest, grid.size)
            return np.ones(grid.shape, np.float32)

        return indexing.explicit_indexing_adapter(
            key, self.shape, indexing.IndexingSupport.BASIC, read
        )


def test_only_blocks_are_read():
    recorder = _Recorder((64, 200, 300))
    variable = xarray.Variable(("z", "y", "x"), indexing.LazilyIndexedArray(recorder))
    coords = {name: np.arange(size) * 1.0 for name, size in zip("zyx", recorder.shape, strict=True)}
    scene = subject(xarray.DataArray(variable, coords=coords))
    block = (8, 50, 100)
    project(scene, block=block)
    assert recorder.largest == 8 * 50 * 100
    middle_of_light(scene, block=block)
    assert recorder.largest == 8 * 50 * 100
    recorder.largest = 0
    cut_xz(scene, 3, slab=8)
    cut_yz(scene, 3, slab=8)
    assert recorder.largest == 8 * 300
    cut_xy(scene, 3)
    assert recorder.largest == 200 * 300


def test_cuts_are_slices(flagged):
    scene = subject(*flagged)
    whole, seen, _ = scene.read(slice(None), slice(None), slice(None))
    for cut, place in (
        (cut_xy(scene, 2), np.s_[2]),
        (cut_xz(scene, 7, slab=4), np.s_[:, 7]),
        (cut_yz(scene, 9, slab=4), np.s_[:, :, 9]),
    ):
        np.testing.assert_array_equal(cut.light, whole[place])
        np.testing.assert_array_equal(cut.seen, seen[place])


def test_middle_of_light_is_on_the_only_bead(volume_of):
    light = np.random.default_rng(0).normal(10, 1, (20, 40, 50)).astype(np.float32)
    light[6:8, 30:33, 11:14] += 500
    mask = np.zeros(light.shape, np.uint8)
    mask[7] = Flag.MISSING
    z, y, x = middle_of_light(subject(volume_of(light), volume_of(mask)), block=(7, 16, 50))
    assert (z, y, x) in {(6, j, i) for j in (30, 31, 32) for i in (11, 12, 13)}


def test_middle_of_light_is_the_specimen_not_a_glaring_speck(volume_of):
    z, y, x = np.indices((20, 40, 50))
    light = np.where((z - 12) ** 2 + (y - 25) ** 2 + (x - 30) ** 2 < 50, 300.0, 10.0)
    light[3, 6:9, 6:9] = 15000.0
    found = middle_of_light(subject(volume_of(light.astype(np.float32))))
    assert np.abs(np.subtract(found, (12, 25, 30))).max() <= 2


def test_middle_of_nothing_is_the_middle(volume_of):
    light = np.full((5, 6, 7), 3, np.float32)
    assert middle_of_light(subject(volume_of(light))) == (2, 3, 3)
    everything = volume_of(np.full(light.shape, 1, np.uint8))
    assert middle_of_light(subject(volume_of(light), everything)) == (2, 3, 3)


def test_stops_when_asked(volume_of):
    progress = Quiet()
    progress.ask_to_stop()
    with pytest.raises(StoppedProblem):
        project(subject(volume_of(np.zeros((4, 4, 4), np.float32))), progress=progress)


@pytest.mark.parametrize("shape", [(1, 1), (7, 9), (12, 18), (24, 36), (25, 100), (11, 40)])
def test_fit_keeps_the_mean(shape):
    image = np.random.default_rng(1).normal(size=(12, 18))
    out = fit(image, shape)
    assert out.shape == shape
    assert out.mean() == pytest.approx(image.mean(), abs=1e-12)


def test_fit_is_block_means_down_and_the_voxels_themselves_up():
    image = np.random.default_rng(1).normal(size=(12, 18))
    np.testing.assert_allclose(
        fit(image, (4, 9)), image.reshape(4, 3, 9, 2).mean(axis=(1, 3)), rtol=0, atol=1e-12
    )
    np.testing.assert_array_equal(fit(image, (36, 36)), image.repeat(3, axis=0).repeat(2, axis=1))


def test_unseen_voxels_do_not_dim_their_neighbours():
    image = np.full((8, 8), 5.0)
    seen = np.ones((8, 8), np.bool_)
    seen[::4] = False
    image[~seen] = 0
    mean, shown = fit_seen(image, seen, (2, 8))
    np.testing.assert_allclose(mean, 5.0, rtol=1e-12)
    assert shown.all()
    _, shown = fit_seen(image, seen, (8, 8))
    np.testing.assert_array_equal(shown, seen)


def test_fit_refuses_nothing():
    with pytest.raises(RangeProblem, match="voxels and pixels"):
        fit(np.zeros((3, 3)), (0, 3))


def test_inputs_are_not_written_to(flagged):
    volume, mask = flagged
    before = volume.to_numpy().copy(), mask.to_numpy().copy()
    project(subject(volume, mask))
    np.testing.assert_array_equal(volume.to_numpy(), before[0])
    np.testing.assert_array_equal(mask.to_numpy(), before[1])


def test_subject_refuses_what_has_no_true_scale(volume_of):
    good = volume_of(np.zeros((3, 4, 5), np.float32))
    with pytest.raises(RangeProblem, match="three axes"):
        subject(good[0])
    with pytest.raises(RangeProblem, match="micrometres along y"):
        subject(good.drop_vars("y"))
    uneven = good.assign_coords(x=[0.0, 1.0, 2.0, 3.0, 5.0])
    with pytest.raises(RangeProblem, match="evenly spaced along x") as caught:
        subject(uneven)
    assert "1 to 2 µm" in caught.value.got
    with pytest.raises(RangeProblem, match="another volume"):
        subject(good, volume_of(np.zeros((3, 4, 4), np.uint8)))
