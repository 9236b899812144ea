"""What about a bench cannot work or will disappoint, in words, with the figure and the cure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from planewright.base.nouns import Severity
from planewright.base.problems import Problem
from planewright.base.units import show
from planewright.bench.figures import SAMPLES_PER_FWHM
from planewright.bench.reasons import Context, um
from planewright.bench.train import Built
from planewright.optics.aberration import MARECHAL_WAVES, spherical
from planewright.optics.adjust import foci
from planewright.optics.elements import Aperture, Axis, Facing, Gap, Lens, Shape
from planewright.optics.gauss import Clipping, clippings
from planewright.optics.layouts import focus_by_gap

_DARK = 1e-3  # of the light: below it there is no sheet to speak of
_SHEET_FROM = 4.0  # times as high as thick: below it is called a line
_DUST_MM = 1.0  # a focus nearer to a surface than this shows its dust
_WRONG_WAY = 2.0  # a lens turned round must lower the aberration by this factor to be worth it


@dataclass(frozen=True)
class Trouble:
    """Something about a bench that cannot work or will disappoint.

    Parameters
    ----------
    code : str
        Short kebab-case name; stable, for programs.
    severity : Severity
        ``fault``: cannot work; ``doubt``: will disappoint; ``note``: worth knowing.
    what : str
        One sentence.
    where : str
        Key of the bench, with the part's name.
    got, expected : str
        The figure and what it should be.
    do : str
        The cure, with its figure where one can be worked out.
    """

    code: str
    severity: Severity
    what: str
    where: str = ""
    got: str = ""
    expected: str = ""
    do: str = ""


def find_troubles(c: Context, failed: Problem | None) -> tuple[Trouble, ...]:
    """Return everything that is wrong with a bench, the worst first.

    Parameters
    ----------
    c : Context
        The bench and its figures.
    failed : Problem or None
        Why its sheet or its lens could not be worked out.

    Returns
    -------
    tuple of Trouble
        Faults, then doubts, then notes.
    """
    found = [*_openings(c), *_failed(c, failed), *_place(c), *_lenses(c), *_stray(c)]
    found += [*_pixel(c), *_step(c), *_seeing(c), *_colours(c)]
    if any(one.code == "no-light" for one in found):
        found = [one for one in found if one.code != "no-sheet"]
    order = [Severity.FAULT, Severity.DOUBT, Severity.NOTE]
    return tuple(sorted(found, key=lambda one: order.index(one.severity)))


def _at(built: Built, element: int) -> str:
    key, label = built.key(element), built.label(element)
    return f"{key} ({label})"


def _openings(c: Context) -> Iterator[Trouble]:
    if c.built is None:
        return
    train = c.built.train
    for cut in clippings(train):
        at, label = _at(c.built, cut.element), c.built.label(cut.element)
        axis, radius, half = _tightest(cut)
        wide, clear = show(2 * radius * 1e-3, "mm", digits=3), show(2 * half * 1e-3, "mm", digits=3)
        got = f"a beam {wide} wide along {axis} at 1/e², {clear} clear"
        needed = show(3 * radius * 1e-3, "mm", digits=3)
        if cut.passed < _DARK:
            yield Trouble(
                "no-light",
                Severity.FAULT,
                f"No light comes through {label}.",
                at,
                f"{100 * cut.passed:.2g} % of the light passes; {got}",
                "most of the light",
                f"open it to {needed} or more, or make the beam narrower before it",
            )
        elif radius > half and not isinstance(train.elements[cut.element], Aperture):
            yield Trouble(
                "beam-too-wide",
                Severity.FAULT,
                f"The beam is wider than {label}.",
                at,
                f"{got}; {100 * cut.passed:.0f} % of the light passes",
                f"{needed} clear, which passes 99.7 %",
                f"take a part at least {needed} wide, or make the beam narrower before it",
            )

        elif cut.passed < 0.5:
            yield Trouble(
                "little-light",
                Severity.NOTE,
                f"Most of the light ends at {label}.",
                at,
                f"{100 * cut.passed:.2g} % of the light passes; {got}",
                do=f"open it to {needed} if the light is needed",
            )


def _tightest(cut: Clipping) -> tuple[Axis, float, float]:
    if cut.truncation_z >= cut.truncation_y:
        return "z", cut.radius_z_um, cut.half_z_um
    return "y", cut.radius_y_um, cut.half_y_um


def _failed(c: Context, failed: Problem | None) -> Iterator[Trouble]:
    if failed is None:
        return
    where = failed.where
    if c.built is not None and where.startswith("element "):
        where = _at(c.built, int(where.split()[1]) - 1)
    code = "no-sheet" if c.sheet is None and c.built is not None else "no-lens"
    yield Trouble(code, Severity.FAULT, failed.what, where, failed.got, failed.expected, failed.do)


def _place(c: Context) -> Iterator[Trouble]:
    if c.built is None or c.sheet is None:
        return
    if c.sheet.thin_axis == "y":
        yield Trouble(
            "thin-axis-wrong",
            Severity.FAULT,
            "The sheet is thin along y: it stands across the imaged plane, not in it.",
            "[[train]]",
            f"thin along y, {um(2 * c.sheet.height_radius_um)} wide along z",
            "thin along z, the detection axis",
            _turn_cylinders(c),
        )
    if c.sheet.height_radius_um < _SHEET_FROM * c.sheet.waist_um:
        yield Trouble(
            "line-not-sheet",
            Severity.FAULT,
            "The light comes to a line, not to a sheet: it is thin along both axes.",
            "[[train]]",
            f"{um(2 * c.sheet.height_radius_um)} high and {um(2 * c.sheet.waist_um)} thick at 1/e²",
            "high enough for the field",
            "a sheet needs a cylinder: one that focuses z alone, or one before the last lens",
        )
    depth = sum(e.length_mm for e in c.built.train.elements[c.built.enters :] if isinstance(e, Gap))
    at, field = c.sheet.waist_at_um, c.values.get("field_along")
    got = f"the waist lies {um(abs(at))} {'before' if at < 0 else 'behind'} "
    got += "the middle of the field"
    if c.bench.cell is not None and c.bench.cell.medium != "air" and at < -1e3 * depth:
        yield Trouble(
            "waist-outside-cell",
            Severity.FAULT,
            "The sheet is thinnest before the light enters the cell.",
            _at(c.built, min(c.built.enters, len(c.built.parts) - 1)),
            f"{got}, which itself is {show(depth, 'mm', digits=3)} deep in the liquid",
            "in the middle of the field",
            _refocus(c),
        )
    elif field and field / 2 >= abs(at) > c.sheet.rayleigh_um / 2:
        yield Trouble(
            "waist-off-centre",
            Severity.NOTE,
            "The sheet is not thinnest in the middle of the field.",
            "[[train]]",
            f"{got}; the Rayleigh range is {um(c.sheet.rayleigh_um)}",
            f"within {um(c.sheet.rayleigh_um / 2)} of it",
            _refocus(c),
        )
    elif abs(at) > (field / 2 if field else c.sheet.rayleigh_um):
        yield Trouble(
            "waist-off-field",
            Severity.FAULT if c.values["middle_fwhm"] > 3 * c.sheet.fwhm_um else Severity.DOUBT,
            "The sheet is thinnest outside the field.",
            "[[train]]",
            got,
            f"within {um((field or 2 * c.sheet.rayleigh_um) / 2)} of it",
            _refocus(c),
        )


def _turn_cylinders(c: Context) -> str:
    keys = [f"train.{n}.axis" for n, p in enumerate(c.bench.parts, start=1) if p.kind == "cylinder"]
    turn = f"turn the cylinder by a quarter turn ({', '.join(keys)})" if keys else ""
    return turn or 'the cylinder that makes the sheet thin needs axis = "z"'


def _refocus(c: Context) -> str:
    """Return the gap that would bring the waist into the middle, if one does."""
    assert c.built is not None
    assert c.sheet is not None
    train = c.built.train
    last = max(
        (k for k, e in enumerate(train.elements) if isinstance(e, Lens) and _acts(e, c)), default=-1
    )
    for k in range(max(last, 0), len(train.elements)):
        element, behind = train.elements[k], train.elements[k + 1 : k + 2]
        if isinstance(element, Gap):
            start, stop, now = k, k + 1, element.length_mm
        elif k == last and not (behind and isinstance(behind[0], Gap)):
            start, stop, now = k + 1, k + 1, 0.0  # the lens touches the next part
        else:
            continue
        # the search looks to four times a gap's length: the second try reaches a far waist
        for length in (now, now + abs(c.sheet.waist_at_um) * 1e-3):
            elements = (*train.elements[:start], Gap(length), *train.elements[stop:])
            tried = replace(train, elements=elements)
            try:
                changed = focus_by_gap(tried, start, axis=c.sheet.thin_axis).elements[start]
            except Problem:
                continue
            assert isinstance(changed, Gap)
            key, label = c.built.key(k), c.built.label(k)
            return f"set {key}.gap_after to {show(changed.length_mm, 'mm')} ({label})"
    return "move the lens, or take one of another focal length"


def _acts(element: Lens, c: Context) -> bool:
    assert c.sheet is not None
    return element.acts_on in ("both", c.sheet.thin_axis)


def _lenses(c: Context) -> Iterator[Trouble]:
    if c.built is None:
        return
    train, ideal = c.built.train, []
    for k, element in enumerate(train.elements):
        if not isinstance(element, Lens):
            continue
        part = c.bench.parts[c.built.parts[k]]
        if part.shape is None:
            ideal.append(c.built.label(k))
        elif element.facing is None and element.shape in (
            Shape.PLANO_CONVEX,
            Shape.PLANO_CONCAVE,
            Shape.MENISCUS,
        ):
            yield Trouble(
                "facing-not-stated",
                Severity.NOTE,
                f"Which face of {c.built.label(k)} meets the light first is not stated.",
                f"{c.built.key(k)}.facing",
                "the worse way round is counted",
                '"curved side first" or "flat side first"',
                "state it; towards wide parallel light the curved side comes first",
            )
        else:
            yield from _wrong_way(c.built, k, element)
    if ideal:
        yield Trouble(
            "shape-not-stated",
            Severity.NOTE,
            f"The shape of {' and '.join(ideal)} is not stated: counted as free of aberration.",
            "train.N.shape",
            do="state the shape and the facing; a singlet the wrong way round thickens a sheet",
        )
    if c.sheet is not None and not c.sheet.aberration.within_quarter_wave:
        off = c.sheet.aberration
        worst = _at(c.built, off.shares[0].element) if off.shares else ""
        thick, perfect = c.um("sheet_fwhm"), show(c.sheet.perfect_fwhm_um, "um", digits=3)
        yield Trouble(
            "aberrated",
            Severity.DOUBT,
            "Spherical aberration thickens the sheet.",
            worst,
            f"{off.peak_to_valley_waves:.2g} waves; {thick} instead of {perfect}",
            "a quarter of a wave at most",
            "use an achromat, a longer focal length or a narrower beam",
        )


def _wrong_way(built: Built, k: int, element: Lens) -> Iterator[Trouble]:
    if element.facing is None or element.shape not in (
        Shape.PLANO_CONVEX,
        Shape.PLANO_CONCAVE,
        Shape.MENISCUS,
    ):
        return
    other = Facing.FLAT if element.facing is Facing.CURVED else Facing.CURVED
    elements = list(built.train.elements)
    elements[k] = replace(element, facing=other)
    turned = replace(built.train, elements=tuple(elements))
    axis: Axis = "y" if element.acts_on == "y" else "z"
    now, then = (abs(spherical(t, axis).peak_to_valley_waves) for t in (built.train, turned))
    if now < _WRONG_WAY * then or now < 0.05:
        return
    yield Trouble(
        "wrong-way-round",
        Severity.DOUBT if now > 0.25 else Severity.NOTE,
        f"{built.label(k)} stands the wrong way round.",
        f"{built.key(k)}.facing ({built.label(k)})",
        f"{element.facing}: {now:.2g} waves of aberration",
        f"{other}: {then:.2g} waves",
        "turn it round",
    )


def _stray(c: Context) -> Iterator[Trouble]:
    if c.built is None or c.sheet is None:
        return
    for focus in foci(c.built.train):
        if focus.is_sheet or focus.to_surface_mm > _DUST_MM or focus.brighter < 1:
            continue
        yield Trouble(
            "focus-on-glass",
            Severity.NOTE,
            "A focus lies on or beside a surface: its dust and scratches show in the sheet.",
            _at(c.built, focus.element),
            f"{show(focus.to_surface_mm, 'mm', digits=2)} from the surface, "
            f"{focus.brighter:.2g} times as bright as the sheet",
            f"{_DUST_MM:g} mm or more from glass",
            "move the surface, or keep it clean and out of the beam's waist",
        )


def _pixel(c: Context) -> Iterator[Trouble]:
    if not c.has("plane_pixel", "largest_pixel"):
        return
    have, most = c.values["plane_pixel"], c.values["largest_pixel"]
    if have <= most:
        return
    tube = c.bench.detection.tube_length_mm if c.bench.detection else None
    longer = f": a tube lens of {show(tube * have / most, 'mm', digits=3)}" if tube else ""
    yield Trouble(
        "pixel-too-coarse",
        Severity.DOUBT if have > 2 * most else Severity.NOTE,
        "The pixels are too coarse for the lens: its finest detail is not recorded.",
        "camera.pixel_pitch",
        f"{um(have)} in the specimen",
        f"{um(most)} at most, λ/(4 NA)",
        f"magnify {have / most:.2g} times more{longer}, or be content with {um(2 * have)}",
    )


def _step(c: Context) -> Iterator[Trouble]:
    step = c.choices.step_um
    if step is None or not c.has("axial_fwhm", "middle_fwhm"):
        return
    both = c.values["axial_fwhm"]
    beyond = step > c.values["middle_fwhm"]
    if SAMPLES_PER_FWHM * step <= both:
        return
    what = (
        "The step is longer than the sheet is thick: what lies between two planes is never lit."
        if beyond
        else "The step is too long for the axial width: axial detail is lost."
    )
    yield Trouble(
        "step-beyond-sheet" if beyond else "step-too-long",
        Severity.FAULT if beyond else Severity.DOUBT,
        what,
        "--step",
        f"{um(step)}, {both / step:.2g} frames to the axial width of {um(both)}",
        f"{SAMPLES_PER_FWHM:g} frames at least",
        f"step {um(both / SAMPLES_PER_FWHM)} or less: {2 * step / both:.2g} times as many frames",
    )


def _seeing(c: Context) -> Iterator[Trouble]:
    seen, cell = c.bench.detection, c.bench.cell
    if seen is None or cell is None or cell.medium == "air" or seen.immersion != "air":
        return
    if seen.depth_mm is None:
        yield Trouble(
            "depth-not-stated",
            Severity.NOTE,
            "A lens made for air looks into liquid, and how deep is not stated.",
            "detection.depth",
            expected="the liquid between the window and the focus",
            do='state it, or immersion = "cell" if the lens dips',
        )
        return
    rms = c.values.get("liquid_rms", 0.0)
    if rms > MARECHAL_WAVES:
        most = seen.depth_mm * MARECHAL_WAVES / rms  # the error grows in proportion
        yield Trouble(
            "liquid-too-deep",
            Severity.DOUBT,
            "The liquid blurs a lens that was made for air.",
            "detection.depth",
            f"{rms:.2g} waves rms at NA {seen.numerical_aperture:g} through "
            f"{show(seen.depth_mm, 'mm', digits=3)}",
            f"{MARECHAL_WAVES:.2g} waves at most",
            f"focus {show(most, 'mm', digits=2)} deep at most, or take a lens that dips",
        )
    index = c.values.get("index", math.inf)
    if seen.working_distance_mm is not None and seen.depth_mm / index > seen.working_distance_mm:
        yield Trouble(
            "out-of-reach",
            Severity.FAULT,
            "The focus lies deeper than the lens reaches.",
            "detection.depth",
            f"{show(seen.depth_mm, 'mm', digits=3)} of liquid, as long as "
            f"{show(seen.depth_mm / index, 'mm', digits=3)} of air",
            f"less than the working distance of {show(seen.working_distance_mm, 'mm', digits=3)}",
            "bring the window nearer to the focus, or take a lens that reaches further",
        )


def _colours(c: Context) -> Iterator[Trouble]:
    light, seen = c.bench.light, c.bench.detection
    if light is None:
        return
    line, dye = float(light.wavelength_nm), light.emission_nm
    edge = seen.filter_passes_nm if seen is not None else None
    if dye is not None and dye <= line:
        yield Trouble(
            "dye-below-laser",
            Severity.FAULT,
            "The dye would shine at a shorter wavelength than it is lit with.",
            "light.emission",
            f"{dye:g} nm, lit at {line:g} nm",
            "a longer wavelength than the laser's",
            "check both",
        )
    if edge is not None and edge <= line:
        yield Trouble(
            "filter-passes-laser",
            Severity.FAULT,
            "The barrier filter lets the laser into the picture.",
            "detection.filter_passes",
            f"passes above {edge:g} nm, the laser is at {line:g} nm",
            "an edge above the laser's line",
            "take a filter with an edge between the laser and the dye",
        )
    if edge is not None and dye is not None and edge > dye:
        yield Trouble(
            "filter-cuts-dye",
            Severity.DOUBT,
            "The barrier filter holds back the peak of the dye's light.",
            "detection.filter_passes",
            f"passes above {edge:g} nm, the dye's peak is at {dye:g} nm",
            "an edge below the dye's peak",
            "take a filter with an edge between the laser and the dye",
        )
