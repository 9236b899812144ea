"""The ``session.toml`` that describes a simulated session truly."""

from __future__ import annotations

from planewright.base.nouns import Scan
from planewright.phantom.instrument import Instrument

FILE_ENDINGS = {"dng": "DNG", "tiff": "TIF", "png": "PNG", "jpeg": "JPG"}


def session_text(
    instrument: Instrument,
    *,
    title: str = "Simulated urchin",
    file_kind: str = "dng",
    cadence_s: float = 2.0,
    colour: str = "green",
    reference: str = "",
    darks: bool = True,
    flats: bool = True,
    bench: str = "",
    pixel_sigma_um: float = 0.0005,
    step_sigma_um: float = 0.002,
    repeats: tuple[int, ...] = (),
) -> str:
    """Return the text of a ``session.toml`` that describes a simulated session truly.

    Parameters
    ----------
    instrument : Instrument
        The instrument that took it.
    title : str
        Title.
    file_kind : str
        As for :func:`simulate`.
    cadence_s : float
        Time between photographs, s.
    colour : str
        Colour to take from a mosaic.
    reference : str
        What stands still, if anything.
    darks, flats : bool
        Whether there are such photographs.
    bench : str
        File name of the bench; left out if empty.
    pixel_sigma_um, step_sigma_um : float
        Uncertainties stated for pixel and step, µm.
    repeats : tuple of int
        As for :func:`simulate`. They make ``reference`` "repeat frames" where none is given.

    Returns
    -------
    str
        TOML.
    """
    ending = FILE_ENDINGS[file_kind]
    reference = reference or ("repeat frames" if repeats else "")
    scan = "away from lens" if instrument.scan is Scan.AWAY else "towards lens"
    lines = ["format = 1", f'title = "{title}"']
    lines += [f'bench = "{bench}"'] if bench else []
    lines += [
        "",
        "[scale]",
        f'pixel = "{instrument.pixel_um:g} um ± {pixel_sigma_um:g} um"',
        f'step = "{instrument.step_um:g} um ± {step_sigma_um:g} um"',
        *_shear(instrument),
        "",
        "[mounting]",
        'held = "agarose column"',
        'medium = "sea water"',
        'temperature = "16 degC"',
        "",
        "[[photographs]]",
        f'files = "frames/*.{ending}"',
        'role = "specimen"',
        'pass = "a"',
    ]
    if repeats:
        lines += ["", "[[photographs]]", f'files = "repeats/*.{ending}"', 'role = "specimen"']
        lines += ['pass = "a"', f"repeats = {[position + 1 for position in repeats]}"]
    for wanted, role in ((darks, "dark"), (flats, "flat")):
        if wanted:
            lines += ["", "[[photographs]]", f'files = "{role}/*.{ending}"', f'role = "{role}"']
    lines += [
        "",
        "[[pass]]",
        'name = "a"',
        'moved = "specimen"',
        f'scan = "{scan}"',
        f"mirrored = {'true' if instrument.mirrored else 'false'}",
        f'sheet_angle = "{instrument.sheet_angle_deg:g} deg"',
        f'colour = "{colour}"',
        'waist_at = "centre"',
    ]
    lines += [f'reference = "{reference}"'] if reference else []
    lines += [f"planned = {instrument.frames}", f'cadence = "{cadence_s:g} s"', ""]
    return "\n".join(lines)


def _shear(instrument: Instrument) -> list[str]:
    down, right = (value * instrument.pixel_um for value in instrument.shear_px)
    named = (("shear_x", right), ("shear_y", down))
    return [f'{key} = "{value:.6g} um"' for key, value in named if value]
