"""What is asked of a train, and the figure by which trains are ranked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import erf

from planewright.base.problems import RangeProblem
from planewright.optics.gauss import FWHM_OF_RADIUS

HEIGHT_FRACTION = 0.8  # the sheet's height is usable down to this share of the middle's light
HEIGHT_RADII = math.sqrt(math.log(1.0 / HEIGHT_FRACTION) / 2.0)
PLACEMENT_MM = 0.5
QUARTER_WAVE = 0.25
WALL_INDEX = 1.52


@dataclass(frozen=True)
class Wish:
    """What is asked of a train, and what it must live with.

    Parameters
    ----------
    sheet_um : float
        FWHM of the sheet where it is thinnest, µm.
    field_um : float
        Width of the field along the light, µm.
    wavelength_nm : float
        Vacuum wavelength, nm.
    beam_radius_mm : float
        1/e² radius of the laser's beam, mm; its waist is taken to lie at the first lens.
    index : float
        Index of the cell's medium.
    height_um : float or None
        Height that must be lit to 80 %; None for a square field.
    beam_quality : float
        M² of the laser.
    wall_mm : float
        Thickness of the cell's window, mm.
    depth_mm : float
        From the inside of the window to the middle of the field, mm.
    rail_mm : float or None
        Spacing of the positions on the rail; None for lenses that slide freely.
    longest_mm : float
        Longest train from the first lens to the middle of the field, mm.
    """

    sheet_um: float
    field_um: float
    wavelength_nm: float
    beam_radius_mm: float
    index: float
    height_um: float | None = None
    beam_quality: float = 1.0
    wall_mm: float = 1.0
    depth_mm: float = 5.0
    rail_mm: float | None = None
    longest_mm: float = 800.0

    def __post_init__(self) -> None:
        limits = (
            ("--sheet", self.sheet_um, 0.3, 500, "µm"),
            ("--field", self.field_um, 5, 50_000, "µm"),
            ("--height", self.height, 5, 50_000, "µm"),
            ("--wavelength", self.wavelength_nm, 200, 1100, "nm"),
            ("--beam-radius", self.beam_radius_mm, 0.05, 50, "mm"),
            ("--beam-quality", self.beam_quality, 1, 50, ""),
            ("--wall", self.wall_mm, 0.05, 50, "mm"),
            ("--depth", self.depth_mm, 0.1, 300, "mm"),
            ("--rail", 25.0 if self.rail_mm is None else self.rail_mm, 1, 200, "mm"),
            ("--longest", self.longest_mm, 20, 5000, "mm"),
        )
        for name, value, least, most, unit in limits:
            if not least <= value <= most:
                raise RangeProblem(
                    "What is asked of the train is not possible.",
                    where=name,
                    got=f"{value:g} {unit}".strip(),
                    expected=f"{least:g} to {most:g} {unit}".strip(),
                )
        if self.numerical_aperture > 0.3:
            raise RangeProblem(
                "So thin a sheet is beyond what single lenses make.",
                where="--sheet",
                got=f"{self.sheet_um:g} µm, which needs NA {self.numerical_aperture:.2f}",
                expected=f"{self.sheet_um * self.numerical_aperture / 0.3:.2g} µm or more",
                do="ask for a thicker sheet, or a shorter wavelength",
            )

    @property
    def height(self) -> float:
        """Height asked for, µm."""
        return self.field_um if self.height_um is None else self.height_um

    @property
    def um(self) -> float:
        """M² times the wavelength, µm."""
        return self.beam_quality * self.wavelength_nm * 1e-3

    @property
    def waist_um(self) -> float:
        """1/e² radius of the sheet asked for, µm."""
        return self.sheet_um / FWHM_OF_RADIUS

    @property
    def numerical_aperture(self) -> float:
        """NA that makes the sheet asked for."""
        return self.um / (math.pi * self.waist_um)

    @property
    def edge_um(self) -> float:
        """FWHM that a perfect sheet as thin as asked has at the edges of the field, µm."""
        rayleigh_um = math.pi * self.index * self.waist_um**2 / self.um
        return self.sheet_um * math.hypot(1.0, self.field_um / 2 / rayleigh_um)

    @property
    def free_mm(self) -> tuple[float, ...]:
        """Places on the rail at which a lens before the others is tried, mm."""
        step = 25.0 if self.rail_mm is None else self.rail_mm
        return tuple(k * step for k in (1, 2, 4, 6))


def thickness_missed(fwhm_um: Any, edge_um: Any, wish: Wish) -> Any:
    """Return by what part a sheet is thicker than asked, at its waist or the field's edges.

    Zero for a sheet that is as thin as asked at the waist, and at the edges as thin as such a
    sheet can be.
    """
    worst = np.maximum(fwhm_um / wish.sheet_um, edge_um / wish.edge_um)
    return np.maximum(worst - 1.0, 0.0)


def height_missed(height_um: Any, wish: Wish) -> Any:
    """Return by what part the usable height would have to grow."""
    return np.maximum(wish.height / height_um - 1.0, 0.0)


def light_missed(passed: Any, radius_y_um: Any, wish: Wish) -> Any:
    """Return the part of the light that lands outside the height asked for, or on edges.

    Counted against a sheet that is just as high as asked.
    """
    inside = passed * erf(math.sqrt(2.0) * wish.height / 2 / radius_y_um)
    return 1.0 - np.minimum(inside / math.erf(math.sqrt(2.0) * HEIGHT_RADII), 1.0)


def cost(
    *,
    thick: Any,
    high: Any,
    dark: Any,
    spoils: Any,
    moves_um: Any,
    valley_waves: Any,
    lenses: int,
    wish: Wish,
) -> Any:
    """Return the figure by which trains are ranked: 0 for what is asked from no lens at all.

    A part missed of thickness or height counts whole, light a quarter, what misplacement adds a
    half, aberration over a quarter wave a quarter for each further quarter wave; each lens counts
    0.01, and so does each further time that the waist moves as far as the cell does.
    """
    cell = PLACEMENT_MM * 1e3 * wish.index
    excess = np.maximum(valley_waves / QUARTER_WAVE - 1.0, 0.0)
    nervous = np.minimum(np.maximum(moves_um / cell - 1.0, 0.0), 20.0)
    return (
        thick + high + 0.25 * dark + 0.5 * spoils + 0.25 * excess + 0.01 * nervous + 0.01 * lenses
    )
