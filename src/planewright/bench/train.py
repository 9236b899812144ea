"""From the bench file to the train that optics works on."""

from __future__ import annotations

from dataclasses import dataclass

from planewright.base.problems import RangeProblem, SettingProblem
from planewright.bench.model import BenchFile, Cell, Light
from planewright.optics.elements import Element, Train
from planewright.optics.media import medium_index


@dataclass(frozen=True)
class Built:
    """A train and where its elements come from.

    Parameters
    ----------
    train : Train
        The train.
    parts : tuple of int
        For each element, which part of the bench it belongs to, counted from 0.
    labels : tuple of str
        A name for each part.
    keys : tuple of str
        How a person names each part on the command line, ``train.2``.
    enters : int
        Element behind which the cell's medium begins; the number of elements where none does.
    """

    train: Train
    parts: tuple[int, ...]
    labels: tuple[str, ...]
    keys: tuple[str, ...]
    enters: int

    def label(self, element: int) -> str:
        """Return the name of the part that an element belongs to."""
        return self.labels[self.parts[element]]

    def key(self, element: int) -> str:
        """Return the key of the part that an element belongs to."""
        return self.keys[self.parts[element]]


def cell_index(cell: Cell, wavelength_nm: float) -> float:
    """Return the index of the cell's medium at a wavelength.

    Parameters
    ----------
    cell : Cell
        The cell.
    wavelength_nm : float
        Wavelength in vacuum, nm.

    Returns
    -------
    float
        Refractive index.

    Raises
    ------
    RangeProblem
        If it is not known at this wavelength or temperature.
    """
    try:
        return medium_index(
            cell.medium, float(wavelength_nm), temperature_degc=float(cell.temperature_degc)
        )
    except RangeProblem as problem:
        problem.where = "bench: [cell]"
        raise


def build(bench: BenchFile) -> Built:
    """Return the train of a bench.

    Parameters
    ----------
    bench : BenchFile
        The bench.

    Returns
    -------
    Built
        The train, and which part each of its elements comes from.

    Raises
    ------
    SettingProblem
        If the laser, its beam, the cell or the train is not stated, or no part leads into the
        cell's liquid.
    RangeProblem
        If the medium's index is not known at this wavelength or temperature.
    """
    light, cell = bench.light, bench.cell
    if light is None or cell is None or not bench.parts:
        what = "[light]" if light is None else "[cell]" if cell is None else "[[train]]"
        raise _lacking(f"The bench does not state its {what} table.", f"bench: {what}")
    radius_y, radius_z = _radii(light)
    index = cell_index(cell, light.wavelength_nm)
    labels = tuple(
        part.name or f"{part.kind} {number}" for number, part in enumerate(bench.parts, start=1)
    )
    elements: list[Element] = []
    parts: list[int] = []
    enters = None
    for number, part in enumerate(bench.parts):
        made = part.elements(index, labels[number])
        if part.into == "cell":
            enters = len(elements) + (0 if part.kind == "wall" else 1)
        elements += made
        parts += [number] * len(made)
    if enters is None and cell.medium != "air":
        raise SettingProblem(
            "No part of the train leads into the cell.",
            where="bench: [[train]]",
            got=f"a cell of {cell.medium}, and light that stays in air",
            expected='into = "cell" at the wall or dipping lens behind which the liquid begins',
        )
    quality = float(light.beam_quality)
    train = Train(
        float(light.wavelength_nm),
        radius_y,
        radius_z,
        tuple(elements),
        beam_quality_y=quality,
        beam_quality_z=quality,
    )
    keys = tuple(f"train.{number}" for number in range(1, len(labels) + 1))
    return Built(train, tuple(parts), labels, keys, len(elements) if enters is None else enters)


def _radii(light: Light) -> tuple[float, float]:
    if light.beam_radius_y_mm is not None and light.beam_radius_z_mm is not None:
        return float(light.beam_radius_y_mm), float(light.beam_radius_z_mm)
    if light.beam_radius_mm is None:
        raise _lacking("The radius of the laser's beam is not stated.", "bench: light.beam_radius")
    return float(light.beam_radius_mm), float(light.beam_radius_mm)


def _lacking(what: str, where: str) -> SettingProblem:
    return SettingProblem(what, where=where, do="write it: docs/options.md lists every key")
