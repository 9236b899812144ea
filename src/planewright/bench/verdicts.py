"""What limits what: lens or pixel, sheet or lens or step, sheet or camera."""

from __future__ import annotations

from dataclasses import dataclass

from planewright.base.nouns import Severity
from planewright.bench.figures import SAMPLES_PER_FWHM
from planewright.bench.reasons import Context, um
from planewright.bench.troubles import Trouble

_ALIKE = 1.15  # two widths within this factor limit together


@dataclass(frozen=True)
class Verdict:
    """What limits one thing.

    Parameters
    ----------
    about : str
        ``"lateral detail"``, ``"axial detail"``, ``"field"`` or ``"height"``.
    limited_by : str
        ``"pixel"``, ``"lens"``, ``"sheet"``, ``"step"``, ``"sheet and lens"`` or ``"camera"``.
    value : float
        What it comes to.
    unit : str
        Its unit.
    reason : str
        One sentence with both figures.
    """

    about: str
    limited_by: str
    value: float
    unit: str
    reason: str


def find_verdicts(c: Context) -> tuple[Verdict, ...]:
    """Return what limits what, as far as the bench states enough.

    Parameters
    ----------
    c : Context
        The bench and its figures.

    Returns
    -------
    tuple of Verdict
        Lateral and axial detail, then the field along and across the light.
    """
    found = (_lateral(c), _axial(c), _field(c), _height(c))
    return tuple(one for one in found if one is not None)


def _lateral(c: Context) -> Verdict | None:
    if not c.has("abbe", "plane_pixel"):
        return None
    by_pixel, by_lens = 2 * c.values["plane_pixel"], c.values["abbe"]
    reason = (
        f"the finest period that pixels of {c.um('plane_pixel')} hold is {um(by_pixel)}, that the "
        f"lens passes is {um(by_lens)}"
    )
    who = "pixel" if by_pixel > by_lens else "lens"
    return Verdict("lateral detail", who, max(by_pixel, by_lens), "um", reason)


def _axial(c: Context) -> Verdict | None:
    if not c.has("axial_fwhm"):
        return None
    both, step = c.values["axial_fwhm"], c.choices.step_um
    if step is not None and SAMPLES_PER_FWHM * step > both:
        reason = (
            f"steps of {um(step)} hold nothing finer than {um(SAMPLES_PER_FWHM * step)}, sheet "
            f"and lens together give {um(both)}"
        )
        return Verdict("axial detail", "step", SAMPLES_PER_FWHM * step, "um", reason)
    thin, lens = c.values["middle_fwhm"], c.values["lens_axial_fwhm"]
    who = "sheet and lens"
    if max(thin, lens) > _ALIKE * min(thin, lens):
        who = "sheet" if thin < lens else "lens"
    reason = f"in the middle the sheet is {um(thin)} thick, the lens alone gives {um(lens)}"
    return Verdict("axial detail", who, both, "um", reason)


def _field(c: Context) -> Verdict | None:
    if not c.has("usable_width", "field_along"):
        return None
    part = c.values["field_along"] * c.values["usable_share"] / 100
    reason = (
        f"the sheet is thin enough ({c.choices.usable}) over {um(part)} of the "
        f"{c.um('field_along')} that the camera sees along the light"
    )
    who = "camera" if c.values["usable_share"] > 99.5 else "sheet"
    return Verdict("field", who, part, "um", reason)


def _height(c: Context) -> Verdict | None:
    if not c.has("height", "field_across"):
        return None
    high, seen = c.values["height"], c.values["field_across"]
    reason = (
        f"the sheet is bright enough over {um(high)}, the camera sees {um(seen)} across the light"
    )
    who = "camera" if high >= seen else "sheet"
    return Verdict("height", who, min(high, seen), "um", reason)


def sentence(c: Context, verdicts: tuple[Verdict, ...], troubles: tuple[Trouble, ...]) -> str:
    """Return the verdict in one sentence.

    Parameters
    ----------
    c : Context
        The bench and its figures.
    verdicts : tuple of Verdict
        What limits what.
    troubles : tuple of Trouble
        The worst first.

    Returns
    -------
    str
        What cannot work, or else what the bench gives and what limits it.
    """
    faults = [one for one in troubles if one.severity is Severity.FAULT]
    if faults:
        more = f" ({len(faults) - 1} more below)" if len(faults) > 1 else ""
        return f"This bench cannot work: {_lower(faults[0].what)}{more}"
    if verdicts:
        told = [f"{one.about} {um(one.value)}, limited by the {one.limited_by}" for one in verdicts]
        return _upper("; ".join(told)) + "."
    if c.has("sheet_fwhm"):
        return f"A sheet of {c.um('sheet_fwhm')}, usable over {c.um('usable_width')}."
    return f"A lens of {c.values.get('magnification', 0.0):g}×."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
