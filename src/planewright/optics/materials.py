"""What lenses, windows, holders and mounting media are made of, and dyes by their peaks.

Indices at about 589 nm and 20 to 25 °C unless a formula is named. Each entry says where it comes
from; those "from memory" are good to orient by, not to be quoted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from planewright.base.problems import RangeProblem

MEMORY = "from memory"
TABLES = "International Tables for Crystallography C, table 3.3.2.1"
LIST = "a list of mounting media"

_SELLMEIER = {
    # maker's and Malitson's (1965) coefficients: from memory
    "N-BK7": (
        (1.03961212, 0.231792344, 1.01046945),
        (6.00069867e-3, 2.00179144e-2, 103.560653),
    ),
    "fused silica": (
        (0.6961663, 0.4079426, 0.8974794),
        (0.0684043**2, 0.1162414**2, 9.896161**2),
    ),
}


def glass_index(glass: str, wavelength_nm: float) -> float:
    """Return the index of a glass against air, by its Sellmeier formula.

    Parameters
    ----------
    glass : str
        ``"N-BK7"`` or ``"fused silica"``.
    wavelength_nm : float
        Wavelength, nm, 350 to 1100.

    Returns
    -------
    float
        Refractive index.

    Raises
    ------
    RangeProblem
        If the glass is not known or the wavelength outside the range.
    """
    if glass not in _SELLMEIER:
        known = " or ".join(_SELLMEIER)
        raise RangeProblem("This glass's index is not known.", got=glass, expected=known)
    if not 350 <= wavelength_nm <= 1100:
        raise RangeProblem(
            "A glass's index is known here only for 350 to 1100 nm.", got=f"{wavelength_nm:g} nm"
        )
    square = (wavelength_nm * 1e-3) ** 2
    strengths, places = _SELLMEIER[glass]
    terms = [b * square / (square - c) for b, c in zip(strengths, places, strict=True)]
    return math.sqrt(1.0 + sum(terms))


@dataclass(frozen=True)
class Material:
    """A medium or a solid that light goes through.

    Parameters
    ----------
    name : str
        Name.
    index : float
        Index; the middle of the range where it varies.
    spread : float
        Half of the range in which it is found; 0 where one value is given.
    source : str
        Where the value comes from.
    per_kelvin : float or None
        Fall of the index per kelvin, where known.
    """

    name: str
    index: float
    spread: float
    source: str
    per_kelvin: float | None = None


MATERIALS: tuple[Material, ...] = (
    Material("glycerol", 1.473, 0.0, TABLES, 2.2e-4),
    Material("n-hexadecane", 1.434, 0.0, TABLES),
    Material("mineral oil", 1.477, 0.0, TABLES),
    Material("glycerol 75 %", 1.44, 0.0, LIST),
    Material("glycerol 80 %", 1.445, 0.005, MEMORY),
    Material("sucrose 40 %", 1.3999, 0.0, MEMORY),
    Material("sucrose 50 %", 1.4200, 0.0, MEMORY),
    Material("sucrose 60 %", 1.4418, 0.0, MEMORY),
    Material("agarose 0.5 to 1.5 %", 1.334, 0.001, MEMORY),
    Material("FEP tube", 1.341, 0.003, MEMORY),
    Material("PDMS", 1.42, 0.01, MEMORY),
    Material("2,2'-thiodiethanol", 1.521, 0.0, MEMORY),
    Material("benzyl alcohol and benzoate 1:2", 1.559, 0.0, MEMORY),
    Material("dibenzyl ether", 1.562, 0.0, MEMORY),
    Material("ethyl cinnamate", 1.558, 0.0, MEMORY),
    Material("methyl salicylate", 1.536, 0.0, MEMORY),
    Material("PMMA", 1.491, 0.0, MEMORY),
    Material("polystyrene", 1.590, 0.0, MEMORY),
    Material("COC", 1.53, 0.0, MEMORY),
    Material("soda-lime slide", 1.52, 0.0, MEMORY),
    Material("borosilicate capillary", 1.473, 0.0, MEMORY),
)


def material(name: str) -> Material:
    """Return a material by its name.

    Parameters
    ----------
    name : str
        Name, in any case.

    Returns
    -------
    Material
        The entry of `MATERIALS`.

    Raises
    ------
    RangeProblem
        If none has this name.
    """
    for entry in MATERIALS:
        if entry.name.casefold() == name.casefold().strip():
            return entry
    raise RangeProblem(
        "This material is not known.", got=name, expected=", ".join(m.name for m in MATERIALS)
    )


@dataclass(frozen=True)
class Dye:
    """A dye by its peaks, from memory.

    Parameters
    ----------
    name : str
        Name.
    excitation_nm, emission_nm : float
        Wavelengths at which it takes and gives most light; they move with its surroundings.
    """

    name: str
    excitation_nm: float
    emission_nm: float


DYES: tuple[Dye, ...] = (
    Dye("DAPI", 358, 461),
    Dye("calcein", 494, 517),
    Dye("fluorescein", 494, 516),
    Dye("EGFP", 488, 507),
    Dye("acridine orange (DNA)", 502, 526),
    Dye("YFP", 514, 527),
    Dye("eosin Y", 524, 545),
    Dye("rhodamine 6G", 528, 551),
    Dye("rhodamine B", 553, 577),
    Dye("propidium", 535, 617),
    Dye("mCherry", 587, 610),
    Dye("Texas Red", 595, 615),
    Dye("methylene blue", 665, 686),
    Dye("phycoerythrin", 565, 575),
    Dye("pyranine", 454, 511),
)
