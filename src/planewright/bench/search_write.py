"""Write a train that was found as a bench."""

from __future__ import annotations

import math

from planewright.bench.search import Candidate
from planewright.bench.search_wish import Wish
from planewright.optics.elements import Element, Gap, Lens, Shape, Wall


def bench_text(candidate: Candidate, wish: Wish, *, medium: str, temperature_degc: float) -> str:
    """Return a bench file with the train that was found.

    Parameters
    ----------
    candidate : Candidate
        The train.
    wish : Wish
        What was asked.
    medium : str
        What the cell is filled with.
    temperature_degc : float
        Its temperature, °C.

    Returns
    -------
    str
        TOML: light, train and cell. The rest of the instrument is for its owner to add.
    """
    lines = [
        "format = 1",
        f"title = {_text(f'{candidate.layout}, from the drawer')}",
        "",
        "[light]",
        f'wavelength = "{wish.wavelength_nm:g} nm"',
        f'beam_radius = "{wish.beam_radius_mm:g} mm"   # 1/e², its waist at the first lens',
        f"beam_quality = {wish.beam_quality:g}",
    ]
    elements = candidate.train.elements
    roles = iter(candidate.roles)
    for element, after in zip(elements[::2], elements[1::2], strict=True):
        role = next(roles) if isinstance(element, Lens) else "window"
        gap = after.length_mm if isinstance(after, Gap) else 0.0
        lines += ["", f"[[train]]   # {role}", *_part(element), f'gap_after = "{gap:.3f} mm"']
    lines += [
        "",
        "[cell]",
        f"medium = {_text(medium)}",
        f'temperature = "{temperature_degc:g} degC"',
        "",
    ]
    return "\n".join(lines)


def _part(element: Element) -> list[str]:
    if isinstance(element, Wall):
        return [
            'kind = "wall"',
            f"name = {_text(element.name)}",
            f'thickness = "{element.thickness_mm:g} mm"',
            f"index = {element.index:g}",
            'into = "cell"',
        ]
    assert isinstance(element, Lens)
    out = ['kind = "lens"' if element.acts_on == "both" else 'kind = "cylinder"']
    out.append(f"name = {_text(element.name)}")
    if element.acts_on != "both":
        out.append(f'axis = "{element.acts_on}"')
    out.append(f'focal_length = "{element.focal_length_mm:g} mm"')
    out.append(f'shape = "{element.shape.value}"')
    if element.facing is not None:
        out.append(f'facing = "{element.facing.value}"')
    width = element.clear_mm("z")
    if not math.isinf(width):
        out.append(f'diameter = "{width:g} mm"')
    if element.shape not in (Shape.ACHROMAT, Shape.IDEAL):
        out.append(f"index = {element.glass_index:g}")
    if element.bending is not None:
        out.append(f"bending = {element.bending:g}")
    return out


def _text(words: str) -> str:
    escaped = words.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
