"""The OME-TIFF export against the published OME XSD and other readers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import ome_types
import pytest
import tifffile
from lxml import etree
from PIL import Image

from planewright.base.nouns import Flag
from planewright.base.problems import RangeProblem, StoppedProblem
from planewright.base.progress import Quiet
from planewright.volume import ome_tiff
from planewright.volume.ome_tiff import write_ome_tiff
from planewright.volume.store import Facts, NumberFormat, open_volume, plan_layout, write_volume

NUMBER = NumberFormat("uint16", 64, 0.25, "electron")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    path = tmp_path_factory.mktemp("tiff") / "volume.ome.zarr"
    shape = (7, 41, 67)
    light = NUMBER.decode(np.random.default_rng(2).integers(0, 4096, shape).astype(np.uint16))
    mask = np.zeros(shape, np.uint8)
    mask[2], mask[5] = Flag.MISSING, Flag.MISSING
    mask[3, :4] = Flag.MISSING
    facts = Facts("a", "green", -8.0, False, 0.31, 2.5, 520.0, 488.0, "lanczos4")
    layout = plan_layout(
        shape,
        voxel_um=(2.5, 0.824, 0.824),
        origin_um=(0.0, 0.206, 0.618),
        number=NUMBER,
        facts=facts,
        name="Urchin & <7>, vierzehn Stunden: größer",
        shard=(4, 32, 32),
        chunk=(2, 16, 16),
        coarsest=40,
    )
    write_volume(path, layout, light, mask)
    return path


@pytest.mark.parametrize("as_float", [False, True])
@pytest.mark.parametrize("level", [0, 1])
def test_it_passes_the_xsd_and_says_the_same_as_the_store(store, tmp_path, as_float, level):
    """Schema OME 2016-06, the file that ome-types carries, checked by lxml."""
    target = tmp_path / "volume.ome.tif"
    write_ome_tiff(store, target, as_float=as_float, level=level)
    want = open_volume(store, level)
    with tifffile.TiffFile(target) as file:
        xml, values = file.ome_metadata, file.asarray()
        assert file.is_ome
        assert not file.is_bigtiff
        assert {page.compression for page in file.pages} == {8}  # Adobe Deflate
    schema = Path(ome_types.__file__).parent / "ome-2016-06.xsd"
    etree.XMLSchema(etree.parse(schema)).assertValid(etree.fromstring(xml.encode()))

    light = values if as_float else NUMBER.decode(values)
    assert values.dtype == (np.float32 if as_float else np.uint16)
    assert np.array_equal(light, want.values)

    ome = ome_types.from_xml(xml)
    (image,) = ome.images
    pixels = image.pixels
    assert image.name == "Urchin & <7>, vierzehn Stunden: größer"
    assert (pixels.size_z, pixels.size_y, pixels.size_x) == want.shape
    for axis in "zyx":
        assert getattr(pixels, f"physical_size_{axis}_unit").value == "µm"
        step = want[axis].values[1] - want[axis].values[0]
        assert getattr(pixels, f"physical_size_{axis}") == pytest.approx(step)
    assert [p.position_z for p in pixels.planes] == pytest.approx(want.z.values)
    assert pixels.planes[0].position_x == pytest.approx(want.x.values[0])
    (channel,) = pixels.channels
    assert (channel.emission_wavelength, channel.excitation_wavelength) == (520.0, 488.0)
    assert channel.emission_wavelength_unit.value == "nm"
    notes = dict(ome.structured_annotations.map_annotations[0].value.items())
    assert notes["unit of light"] == "electron"
    assert notes["sheet angle from +x towards +y (deg)"] == "-8.0"
    assert (float(notes["pedestal"]), float(notes["gain"])) == ((0, 1) if as_float else (64, 0.25))
    if level == 0:
        assert notes["planes without a photograph"] == "2 5"


def test_a_plain_tiff_reader_sees_the_planes(store, tmp_path):
    """Pillow (libtiff) reads the compressed planes with their predictor."""
    write_ome_tiff(store, tmp_path / "v.ome.tif")
    want = open_volume(store)
    with Image.open(tmp_path / "v.ome.tif") as picture:
        assert picture.n_frames == want.shape[0]
        for z in (0, 4):
            picture.seek(z)
            assert np.array_equal(NUMBER.decode(np.asarray(picture)), want[z])


def test_same_store_same_file_and_large_ones_are_bigtiff(store, tmp_path, monkeypatch):
    for name in ("a", "b"):
        write_ome_tiff(store, tmp_path / name)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    monkeypatch.setattr(ome_tiff, "_CLASSIC_BYTES", 1000)
    write_ome_tiff(store, tmp_path / "a")
    with tifffile.TiffFile(tmp_path / "a") as file:
        assert file.is_bigtiff
        assert np.array_equal(NUMBER.decode(file.asarray()), open_volume(store))


def test_stopped_or_asked_for_what_is_not_there_it_leaves_nothing(store, tmp_path):
    quiet = Quiet()
    quiet.ask_to_stop()
    with pytest.raises(StoppedProblem):
        write_ome_tiff(store, tmp_path / "v.ome.tif", progress=quiet)
    with pytest.raises(RangeProblem, match="no such level"):
        write_ome_tiff(store, tmp_path / "v.ome.tif", level=7)
    assert list(tmp_path.iterdir()) == []
