"""The drawing of a bench is to scale, in colours apart, and shows what the answers say."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.bench.figures import true_sheet
from planewright.bench.train import build
from planewright.picture.bench import BenchScene, bench_figure, save_bench


def scene(bench, **more):
    built = build(bench)
    return BenchScene(built, true_sheet(built.train), "Pier bench", "It works.", **more)


def drawn(figure, label):
    return next(axes for axes in figure.axes if axes.get_label() == label)


def lines(axes, gid):
    return [np.asarray(line.get_xydata()) for line in axes.lines if line.get_gid() == gid]


def test_one_scale_along_and_across(pier):
    figure = bench_figure(scene(pier(), field_um=1462.5))
    for label in ("train-y", "train-z"):
        axes = drawn(figure, label)
        box = axes.get_window_extent()
        along = box.width / np.ptp(axes.get_xlim())
        across = box.height / np.ptp(axes.get_ylim())
        assert across == pytest.approx(along, rel=1e-3)
        assert along / figure.dpi * 25.4 == pytest.approx(1 / 1.31, rel=0.01)  # as it says


def test_beams_are_those_of_the_train(pier):
    figure = bench_figure(scene(pier(), field_um=1462.5))
    z, y = (lines(drawn(figure, f"train-{a}"), f"beam-{a}") for a in ("z", "y"))
    assert z[1][0, 1] == y[1][0, 1] == pytest.approx(1.0)  # the laser's radius, mm
    # analytic: λ M² f/(π w) in the thin axis; the other one passes the cylinder unbent
    assert z[1][:, 1].min() == pytest.approx(1.1 * 488e-6 * 60 / np.pi, rel=5e-3)
    assert np.ptp(y[1][:, 1]) < 2e-3
    assert np.array_equal(z[0][:, 1], -z[1][:, 1])
    field = z[1][np.argmin(z[1][:, 1]), 0]
    assert field == pytest.approx(80 + 70 + 53.4 + 1 + 8, abs=0.05)


@pytest.mark.parametrize(("facing", "side"), [("curved side first", 0), ("flat side first", 1)])
def test_a_lens_shows_its_curved_face(pier, facing, side):
    axes = drawn(bench_figure(scene(pier(f"train.3.facing={facing}"))), "train-z")
    outline = next(p.get_xy() for p in axes.patches if len(p.get_xy()) > 20)
    ends = [outline[outline[:, 0] == edge(outline[:, 0])] for edge in (np.min, np.max)]
    assert len(ends[side]) == 1  # the vertex of the curved face
    assert ends[side][0, 1] == pytest.approx(0.0)
    assert len(ends[1 - side]) > 20  # the flat face
    # the sagitta of R = f (n − 1) over a half width of 10 mm, plus an edge of 0.6 mm
    sag = 31.2 - np.sqrt(31.2**2 - 100)
    assert np.ptp(outline[:, 0]) == pytest.approx(sag + 0.6, abs=0.02)


def test_the_profile_shows_what_is_answered(pier):
    shown = scene(pier(), field_um=1000.0, lens_axial_um=7.5, step_um=2.5)
    axes = drawn(bench_figure(shown), "profile")
    assert axes.get_xlim() == (-500.0, 500.0)
    edge = lines(axes, "sheet-fwhm")[1]
    assert 2 * edge[:, 1].min() == pytest.approx(shown.sheet.fwhm_um, rel=1e-3)
    usable = lines(axes, "usable")[0][:, 0]
    start, stop = shown.sheet.usable_um(shown.usable)
    assert usable[0] == max(start, -500.0)
    assert usable[1] == min(stop, 500.0)
    heights = sorted(line[0, 1] for line in lines(axes, "step"))
    assert np.diff(heights) == pytest.approx(2.5)
    assert sorted(line[0, 1] for line in lines(axes, "lens-axial")) == [-3.75, 3.75]


def test_names_do_not_touch(pier):
    bench = pier("train.2.name=a fold with quite a long name", "train.1.gap_after=10 mm")
    figure = bench_figure(scene(bench, field_um=1462.5))
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in drawn(figure, "train-z").texts]
    assert len(boxes) == 5
    for k, one in enumerate(boxes):
        assert not any(one.overlaps(other) for other in boxes[k + 1 :])


def test_files(pier, tmp_path):
    shown = scene(pier(), field_um=1462.5)
    for name in ("a.svg", "b.svg", "c.png", "d.pdf"):
        save_bench(shown, tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert (tmp_path / "c.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(RangeProblem, match="not written"):
        save_bench(shown, tmp_path / "e.bmp")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.svg", "b.svg", "c.png", "d.pdf"]
