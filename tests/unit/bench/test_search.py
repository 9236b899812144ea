"""The search finds what a slow search and the closed formula find, and tells what is wanting."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest

from planewright.base.problems import RangeProblem
from planewright.bench.drawer import OwnedLens, read_drawer
from planewright.bench.search import edge_um, make_train, place_all, promising, search
from planewright.bench.search_bent import cut_waist
from planewright.bench.search_place import rough_cost
from planewright.bench.search_plans import BEFORE_OBJECTIVE, INTO_CELL, Pool
from planewright.bench.search_rate import rate
from planewright.bench.search_wave import by_waves
from planewright.bench.search_wish import Wish
from planewright.optics.aberration import spherical
from planewright.optics.elements import Facing, Gap, Lens, Shape, Train, Wall
from planewright.optics.gauss import clippings, end_beam
from planewright.optics.layouts import focus_by_gap
from planewright.optics.sheet import sheet
from planewright.optics.truncate import slit_focus

DEMO = read_drawer(Path(__file__).parents[3] / "docs" / "drawer.csv")
INDEX = 1.3430
FWHM = math.sqrt(2 * math.log(2))


def lens(name: str, focal: float, clear: float = 22.5, shape: Shape = Shape.ACHROMAT) -> OwnedLens:
    kind = "cylinder" if name.startswith("C") else "lens"
    return OwnedLens(name, kind, focal, clear, shape, is_round=kind == "lens")


def wish(**changes) -> Wish:
    return replace(Wish(5.08, 600.0, 488.0, 0.6, INDEX), **changes)


def test_the_train_that_the_closed_formula_names_comes_first():
    # collimated beam of radius w on a lens f: waist λ f/(π w); behind a cylinder in its rear
    # focal plane the other axis leaves with radius w f/f_cyl (Kogelnik and Li 1966, section 3;
    # afocal expander f2/f1). 0.6 mm × 3 on 50 mm: FWHM 5.080 µm; 1.8 × 50/100 = 0.9 mm high,
    # of which 0.668 are lit to 80 %: 601 µm. No other choice gives both within a tenth.
    drawer = [lens("-25", -25), lens("75", 75), lens("50", 50), lens("30", 30), lens("250", 250)]
    drawer += [lens("C100", 100), lens("C200", 200), lens("C20", 20)]
    found = search(drawer, wish())
    best = found.best[0]
    assert found.ok
    assert best.names == ("-25", "75", "C100", "50")
    assert best.layout == BEFORE_OBJECTIVE
    assert best.sheet.fwhm_um == pytest.approx(FWHM * 0.488 * 50 / (math.pi * 1.8), rel=2e-3)
    assert best.height_um == pytest.approx(900 * 2 * math.sqrt(math.log(1 / 0.8) / 2), rel=2e-3)
    assert abs(best.sheet.waist_at_um) < 0.02 * best.sheet.rayleigh_um


def test_a_cylinder_into_the_cell_comes_first_where_the_formula_says_so():
    # a beam of 1.8 mm on a cylinder of 50 mm: the same sheet, 1.8 × 0.668 = 1.2 mm high
    drawer = [lens("C50", 50), lens("C150", 150), lens("40", 40), lens("200", 200)]
    best = search(drawer, wish(beam_radius_mm=1.8, height_um=1200.0)).best[0]
    assert (best.layout, best.names) == (INTO_CELL, ("C50",))
    assert best.train.elements[1].length_mm == pytest.approx(
        50 - 1 / 1.52 - 5 / INDEX, abs=0.01
    )  # window and liquid pull the waist by t/n


SMALL = (
    lens("-30", -30, 11, Shape.PLANO_CONCAVE),
    lens("40", 40, 11, Shape.PLANO_CONVEX),
    lens("60", 60, 8),
    lens("100", 100, 9, Shape.PLANO_CONVEX),
    lens("C35", 35, 7, Shape.PLANO_CONVEX),
    lens("C80", 80, 9, Shape.PLANO_CONVEX),
)


HOPELESS = 0.45  # cost of the sheet alone from which a train is not worked out further


def slowly(lenses, asked: Wish) -> dict[tuple[str, ...], float]:
    """Rank every train with a pair of lenses before the cylinder, or none, one at a time."""
    out = {}
    for count in (1, 2, 3, 4):
        for chosen in permutations(lenses, count):
            kinds = "".join(x.kind[0] for x in chosen)
            if kinds in ("c", "cl", "llc", "llcl"):
                value = one(chosen, asked)
                if value is not None:
                    out[tuple(x.name for x in chosen)] = value
    return out


def one(chosen, asked: Wish) -> float | None:
    before = chosen[:-2] if chosen[-1].kind == "lens" else chosen[:-1]
    if before and sum(x.focal_length_mm for x in before) <= 0:
        return None
    into_cell = chosen[-1].kind == "cylinder"
    gaps = [a.focal_length_mm + b.focal_length_mm for a, b in pairwise(chosen)]
    if before:
        gaps[1] = 25.0
    trains = []
    for turns in np.ndindex(*(2 if x.shape is not Shape.ACHROMAT else 1 for x in chosen)):
        glass = [
            Lens(
                x.focal_length_mm,
                acts_on="both" if x.kind == "lens" else "z" if into_cell else "y",
                shape=x.shape,
                facing=(Facing.CURVED, Facing.FLAT)[turn],
                diameter_mm=x.clear_mm if x.is_round else None,
                width_y_mm=None if x.is_round else x.clear_mm,
                width_z_mm=None if x.is_round else x.clear_mm,
            )
            for x, turn in zip(chosen, turns, strict=True)
        ]
        trains.append(build(glass, gaps, asked))
    trains = [t for t in trains if t is not None]
    if not trains:
        return None
    shares = [sum(abs(s.w040_um) for s in spherical(t, "z").shares) for t in trains]
    train = trains[int(np.argmin(shares))]
    beam = end_beam(train, "z")
    perfect = missed(beam.fwhm_um, FWHM * float(beam.at(beam.to_waist_um + 300)), train, asked)
    if perfect > HOPELESS:
        return perfect
    made = sheet(train)
    if abs(made.waist_at_um) > 0.02 * made.rayleigh_um:
        last = train.elements[-3].length_mm + made.waist_at_um * 1e-3 / INDEX
        train = replace(train, elements=(*train.elements[:-3], Gap(last), *train.elements[-2:]))
        made = sheet(train)
    return price(train, made, asked)


def build(glass, gaps, asked: Wish) -> Train | None:
    elements = [glass[0]]
    for gap, piece in zip(gaps, glass[1:], strict=True):
        elements += [Gap(gap), piece]
    bare = Train(488, asked.beam_radius_mm, asked.beam_radius_mm, tuple(elements))
    last = end_beam(bare, "z").to_waist_um * 1e-3 - asked.wall_mm / 1.52 - asked.depth_mm / INDEX
    if min([*gaps, last + 2]) < 5:
        return None
    tail = (Gap(last), Wall(asked.wall_mm, beyond_index=INDEX), Gap(asked.depth_mm))
    return replace(bare, elements=(*bare.elements, *tail))


def missed(fwhm, edge, train: Train, asked: Wish) -> float:
    beam = end_beam(train, "y")
    height = 2 * math.sqrt(math.log(1 / 0.8) / 2) * float(beam.at([-300, 0, 300]).min())
    thick = max(fwhm / asked.sheet_um, edge / asked.edge_um) - 1
    return max(thick, 0) + max(asked.height / height - 1, 0)


def price(train: Train, made, asked: Wish) -> float:
    """Work out the cost as the page on lenses states it."""
    edge = edge_um(train, made, 600.0)
    base = missed(made.fwhm_um, edge, train, asked)
    radius = float(end_beam(train, "y").at([-300, 0, 300]).min())
    inside = made.passed * math.erf(math.sqrt(2) * asked.height / 2 / radius)
    dark = 1 - min(inside / math.erf(math.sqrt(math.log(1 / 0.8))), 1)
    growth = made.fwhm_um / made.perfect_fwhm_um
    right = end_beam(train, "z")
    moves, spoils = 0.5 * INDEX * 1e3, 0.0
    lenses = [k for k, e in enumerate(train.elements) if isinstance(e, Lens)]
    for k in lenses[:-1]:
        for off in (-0.5, 0.5):
            gap = Gap(train.elements[k + 1].length_mm + off)
            wrong = replace(
                train, elements=(*train.elements[: k + 1], gap, *train.elements[k + 2 :])
            )
            moves = max(moves, abs(end_beam(wrong, "z").to_waist_um - right.to_waist_um))
            again = focus_by_gap(wrong, len(wrong.elements) - 3)
            thin = end_beam(again, "z")
            wide = edge * float(thin.at(thin.to_waist_um + 300) / right.at(right.to_waist_um + 300))
            spoils = max(spoils, missed(thin.fwhm_um * growth, wide, again, asked) - base)
    excess = max(made.aberration.peak_to_valley_waves / 0.25 - 1, 0)
    nervous = min(max(moves / (0.5e3 * INDEX) - 1, 0), 20)
    return base + dark / 4 + spoils / 2 + excess / 4 + nervous / 100 + len(lenses) / 100


@pytest.mark.parametrize(
    "count", [4, pytest.param(6, marks=pytest.mark.prove)], ids=["four lenses", "six lenses"]
)
def test_a_slow_search_by_sheets_of_single_trains_ranks_alike(count):
    asked = wish(sheet_um=6.0)
    drawer = SMALL[-count:]
    ranked = slowly(drawer, asked)
    pool = Pool(drawer)
    fast = {}
    for many in place_all(pool, asked)[0]:
        if many.plan.roles.count("expander") == 1 or "relay" in many.plan.roles:
            continue
        rating = rate(many, pool, asked)
        for k in range(len(many)):
            fast[tuple(pool.names(many.picks[:, k].tolist()))] = float(rating.cost[k])
    assert len(ranked) > 3 * (count - 2)
    assert set(fast) == set(ranked)
    names = sorted(ranked, key=ranked.__getitem__)
    for name in [n for n in names if ranked[n] < HOPELESS][:8]:
        assert fast[name] == pytest.approx(ranked[name], rel=0.08, abs=0.035), name
    # trains nearer than these tables are good for may change places; others may not
    for k, name in enumerate(sorted(fast, key=fast.__getitem__)[:5]):
        assert ranked[name] - ranked[names[k]] < 0.035, name
    best = search(drawer, asked).best[0]
    if best.roles.count("expander") != 1 and "relay" not in best.roles:
        assert best.names == names[0]
        assert best.cost == pytest.approx(ranked[names[0]], rel=0.02)


def test_fast_figures_of_a_train_are_those_that_optics_gives():
    asked = wish(sheet_um=6.0)
    pool = Pool(SMALL)
    seen = 0
    for many in place_all(pool, asked)[0]:
        rating = rate(many, pool, asked)
        for k in range(0, len(many), 7):
            train = make_train(many, k, pool, asked, rating.turned[:, k].tolist())
            assert many.waist_um[k] == pytest.approx(end_beam(train, "z").waist_um, rel=1e-9)
            assert abs(end_beam(train, "z").to_waist_um) < 1e-3
            by_optics = spherical(train, "z")
            assert rating.waves[k] == pytest.approx(by_optics.waves, rel=1e-6, abs=1e-9)
            valley = by_optics.peak_to_valley_waves
            assert rating.peak_to_valley_waves[k] == pytest.approx(valley, rel=1e-6)
            passed = math.prod(c.passed for c in clippings(train))
            assert rating.passed[k] == pytest.approx(passed, abs=1e-4)
            seen += 1
    assert seen > 40


def test_the_table_of_cut_waists_is_that_of_the_slit():
    for truncation in (0.35, 0.5, 0.8, 1.0, 1.6):
        # FWHM of a Gaussian focus in λ f/D is √(2 ln 2) · 2/(π T)
        growth = slit_focus(truncation).fwhm * truncation * math.pi / 2 / FWHM
        assert float(cut_waist(np.array(truncation))) == pytest.approx(growth, rel=0.01)


def test_each_lens_stands_the_better_way_round():
    pool = Pool(SMALL)
    asked = wish(sheet_um=6.0)
    turned = 0
    for many in place_all(pool, asked)[0][:4]:
        rating = rate(many, pool, asked)
        for k in range(0, len(many), 5):
            way = rating.turned[:, k].tolist()
            chosen = sum(abs(s.w040_um) for s in shares(many, k, pool, asked, way))
            for j in range(len(way)):
                other = [w != (i == j) for i, w in enumerate(way)]
                assert chosen <= sum(abs(s.w040_um) for s in shares(many, k, pool, asked, other))
            turned += sum(way)
    assert turned > 0


def shares(many, k, pool, asked, way):
    return spherical(make_train(many, k, pool, asked, way), "z").shares


def test_no_lens_is_used_more_often_than_it_is_there():
    once = [lens("50", 50), lens("C100", 100), lens("75", 75)]
    twice = [lens("50", 50), lens("50b", 50), lens("C100", 100), lens("75", 75)]
    for drawer, most in ((once, 1), (twice, 2)):
        pool = Pool(drawer)
        used = set()
        for many in place_all(pool, wish())[0]:
            for picks in many.picks.T:
                used.add(max(picks.tolist().count(p) for p in picks.tolist()))
                names = pool.names(picks.tolist())
                assert len(set(names)) == len(names)
        assert max(used) == most


def test_on_a_rail_holders_stand_at_its_positions_but_the_last():
    found = search(DEMO[::2], wish(rail_mm=25.0), most_rated=20_000)
    assert found.ok
    gaps = [e.length_mm for e in found.best[0].train.elements if isinstance(e, Gap)]
    assert len(gaps) > 2
    assert all(gap % 25.0 == 0 for gap in gaps[:-2])


def test_a_train_over_a_quarter_wave_never_comes_before_one_that_does_it():
    found = search(DEMO[::2], wish(), shown=10, most_rated=20_000)
    does = [c.does_it for c in found.best]
    assert does == sorted(does, reverse=True)
    assert all(c.misses for c in found.best if c.over_quarter_wave)


def test_what_cannot_be_asked_is_refused():
    for change, told in (
        ({"sheet_um": 0.5}, "thicker sheet"),
        ({"field_um": 0.6}, "--field"),
        ({"wavelength_nm": 0.488}, "--wavelength"),
        ({"beam_radius_mm": 600.0}, "--beam-radius"),
        ({"longest_mm": 1.0}, "--longest"),
    ):
        with pytest.raises(RangeProblem) as caught:
            wish(**change)
        assert told in str(caught.value)


@pytest.mark.prove
def test_a_hundred_thousand_trains_in_ten_seconds():
    pool = Pool(DEMO)
    start = time.perf_counter()
    groups, tried = place_all(pool, wish(), most=100_000)
    kept = promising(groups, wish(), 100_000)
    for many in kept:
        rate(many, pool, wish())
    assert len(DEMO) >= 30
    assert tried >= 100_000
    assert sum(len(many) for many in kept) == 100_000
    assert time.perf_counter() - start < 10.0


@pytest.mark.prove
@pytest.mark.parametrize("sheet_um", [2.5, 4.0, 6.0, 10.0, 16.0])
@pytest.mark.parametrize("beam_radius_mm", [0.35, 1.0])
def test_wave_optics_bears_out_what_is_found(sheet_um, beam_radius_mm):
    # the angular spectrum of the same train: another account of edges and aberration
    field = 2.5 * math.pi * INDEX * (sheet_um / FWHM) ** 2 / 0.488
    asked = wish(sheet_um=sheet_um, field_um=field, beam_radius_mm=beam_radius_mm, height_um=400.0)
    found = search(DEMO, asked)
    assert found.ok
    for candidate in found.best[:2]:
        waves = by_waves(candidate, asked)
        assert waves.ok, waves.why
        assert waves.keeps, waves.why
        assert waves.fwhm_um == pytest.approx(candidate.sheet.fwhm_um, rel=0.03)
        assert waves.edge_um == pytest.approx(candidate.edge_um, rel=0.05)


def test_keeping_only_the_promising_changes_nothing():
    pool = Pool(DEMO[::3])
    every = place_all(pool, wish())[0]
    some = place_all(pool, wish(), most=300)[0]
    first, second = (
        sorted(np.concatenate([rough_cost(m, wish()) for m in promising(groups, wish(), 300)]))
        for groups in (every, some)
    )
    assert len(first) == 300
    assert first == second
