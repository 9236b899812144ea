"""Pass one: each photograph is decoded once, judged, levelled, and its plane put on scratch."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.files import read_text, whole_file, write_text
from planewright.base.nouns import Colour, Flag, Lattice
from planewright.base.problems import PhotographProblem
from planewright.check.figures import FrameFacts, FrameFigures, frame_figures
from planewright.check.levels import level_plane
from planewright.frames import Photograph, Plane, read_plane
from planewright.frames.readers import READERS
from planewright.volume.store import NumberFormat, choose_format, float_format

VERSION = 2


@dataclass(frozen=True)
class Recipe:
    """What is the same for all planes of a pass.

    Parameters
    ----------
    colour : Colour
        Which lattice of a mosaic becomes the image.
    shape : tuple of int
        Rows and columns of a plane.
    lattice : Lattice
        Where its pixels stand on the sensor.
    dark : ndarray of shape (y, x) or None
        Light of the capped camera above black, counts.
    flat : ndarray of shape (y, x) or None
        Relative light of an even scene, mean 1.
    hot : ndarray of bool of shape (y, x) or None
        Defective pixels.
    number : NumberFormat
        How scratch holds light.
    white_hint : float or None
        Stored number at which the sensor is full, where files do not say.
    key : str
        Hash of all that decides a plane but the photograph itself.
    black_stated : bool
        Whether files state their black level.
    about : dict
        What dark, flat and hot map were made of, for the provenance.
    """

    colour: Colour
    shape: tuple[int, int]
    lattice: Lattice
    dark: NDArray[np.float32] | None
    flat: NDArray[np.float32] | None
    hot: NDArray[np.bool_] | None
    number: NumberFormat
    white_hint: float | None
    key: str
    black_stated: bool
    about: dict[str, Any]


@dataclass(frozen=True)
class Scratch:
    """One plane on scratch. Its ``.json`` is written last: it proves that the rest is whole."""

    folder: Path
    name: str

    @property
    def stored_path(self) -> Path:
        """The plane's stored numbers."""
        return self.folder / f"{self.name}.npy"

    @property
    def mask_path(self) -> Path:
        """The plane's mask; missing where only the hot map flags anything."""
        return self.folder / f"{self.name}.mask.npy"

    @property
    def proof_path(self) -> Path:
        """The plane's figures."""
        return self.folder / f"{self.name}.json"

    def stored(self) -> NDArray[Any]:
        """Return the stored numbers, mapped from disk."""
        array: NDArray[Any] = np.load(self.stored_path, mmap_mode="r")
        return array

    def mask(self, hot: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the plane's mask, mapped from disk; the hot map's where it has none."""
        if not self.mask_path.exists():
            return hot
        array: NDArray[np.uint8] = np.load(self.mask_path, mmap_mode="r")
        return array


def scratch_format(
    plane: Plane,
    bits: int,
    flat: NDArray[np.float32] | None,
    *,
    deepest: float = 0.0,
) -> NumberFormat:
    """Choose how scratch holds light: each number that a photograph can hold, none cut.

    Parameters
    ----------
    plane : Plane
        Any plane of the pass.
    bits : int
        Bits of a stored number, for a sensor that does not say where it is full.
    flat : ndarray or None
        The flat by which planes are divided.
    deepest : float
        Most that the dark takes off a sound pixel, counts.

    Returns
    -------
    NumberFormat
        float32 for float photographs, else uint16 at the photographs' own step if it fits.
    """
    if plane.counts.dtype != np.uint16:
        return float_format()
    if plane.black == 0.0 and deepest <= 0.0 and flat is None:
        # Light is the file's own number: sixteen bits hold it without a pedestal and unrounded.
        return NumberFormat("uint16", 0, plane.step, "count")
    most = max(plane.white if np.isfinite(plane.white) else 0.0, 2.0**bits - 1.0)
    dimmest = 1.0 if flat is None else min(1.0, float(flat.min()))
    # No stored number is below zero, so no light is below black and dark together. Where files
    # state black, the dark is near nothing: one black level more leaves room on both sides.
    low = -(plane.black + max(plane.black, deepest) + 1.0) / dimmest
    return choose_format(low, (most + plane.black) / dimmest, plane.step, resampled=False, finest=1)


def make_plane(photograph: Photograph, recipe: Recipe, scratch: Scratch | None) -> FrameFigures:
    """Decode, judge and level one photograph; put its plane on scratch if there is a place.

    Parameters
    ----------
    photograph : Photograph
        What to read.
    recipe : Recipe
        Dark, flat, hot map, number format.
    scratch : Scratch or None
        Where the plane goes; None only judges.

    Returns
    -------
    FrameFigures
        The frame's figures. Read from scratch where the plane stands there already.

    Raises
    ------
    PhotographProblem
        If the photograph cannot be decoded.
    """
    if scratch is not None and scratch.proof_path.exists():
        return FrameFigures.from_dict(json.loads(read_text(scratch.proof_path)))
    if photograph.header.kind not in READERS:
        what, got = photograph.header.notes
        raise PhotographProblem(what, where=photograph.name, got=got)
    plane = read_plane(
        photograph.path,
        page=photograph.page,
        colour=recipe.colour,
        header=photograph.header,
        white_hint=recipe.white_hint,
    )
    if plane.counts.shape != recipe.shape:
        raise _other_size(photograph, plane, recipe)
    light, mask = level_plane(
        plane.light(),
        saturated=plane.saturated,
        invalid=plane.invalid,
        dark=recipe.dark,
        hot=recipe.hot,
    )
    facts = FrameFacts.of(photograph, plane)
    figures = frame_figures(light, mask, facts=facts, colours=plane.colour_light)
    if scratch is None:
        return figures
    if recipe.flat is not None:
        light /= recipe.flat
    stored, outside = recipe.number.encode(light)
    if outside.any():
        raise PhotographProblem(
            "Light lies beyond what dark and flat allow.",
            where=photograph.name,
            got=f"{int(outside.sum())} pixels",
            expected=f"{recipe.number.low:.0f} to {recipe.number.high:.0f} counts",
            do="look at the dark frames: they may have been taken with a light on",
        )
    _save(scratch.stored_path, stored)
    hot = np.uint8(Flag.HOT)
    if np.any(mask & ~hot):
        _save(scratch.mask_path, mask)
    write_text(scratch.proof_path, json.dumps(figures.to_dict()))
    return figures


def _other_size(photograph: Photograph, plane: Plane, recipe: Recipe) -> PhotographProblem:
    return PhotographProblem(
        "This photograph has another size than the rest of its pass.",
        where=photograph.name,
        got="{1} × {0} pixels".format(*plane.counts.shape),
        expected="{1} × {0} pixels".format(*recipe.shape),
        do="give it a pass of its own in session.toml, or take it out",
    )


def _save(path: Path, array: NDArray[Any]) -> None:
    with whole_file(path) as partial, partial.open("wb") as handle:
        np.save(handle, array)


def scratch_names(photographs: tuple[Photograph, ...], hashes: Mapping[Path, str]) -> list[str]:
    """Return a scratch name for each photograph: its content, not its place."""
    return [f"{hashes[p.path][:40]}-{p.page}" for p in photographs]


def plane_block_bytes(photograph: Photograph, recipe: Recipe) -> int:
    """Return about the peak memory of `make_plane`, bytes.

    Decoding holds the file's numbers twice (the decoder's and ours) and, for a compressed file,
    its bytes; judging holds about six float planes.
    """
    header = photograph.header
    sensor = header.rows * header.columns
    rows, columns = recipe.shape
    per_number = 4 if header.bits > 16 else 2
    channels = 3 if header.pattern == "RGB" else 1
    return sensor * per_number * channels * 3 + rows * columns * 4 * 7
