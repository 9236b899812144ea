"""Build three real confocal stacks and hold what comes out against what is known of them.

    python benchmarks/real_stacks.py --data ../shared/data
    python benchmarks/real_stacks.py --data ../shared/data --keep real

Each stack becomes a session in a temporary folder (or in ``--keep``), which only refers to the
photographs where they are. Built twice by the public job: as the session says (not steadied,
since a point-scanned stack does not shake from frame to frame), and steadied.
"""

from __future__ import annotations

import argparse
import contextlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray
from scipy import ndimage

import planewright
from planewright.jobs.build import Built, build_pass
from planewright.kernels.beads import find_beads

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stack:
    """What the source says of a stack.

    Parameters
    ----------
    name : str
        Its folder.
    frames : int
        Number of files.
    step, pixel : str
        Voxel along z, and along y and x, with units.
    credit : str
        Whom to name.
    """

    name: str
    frames: int
    step: str
    pixel: str
    credit: str


STACKS = {
    one.name: one
    for one in (
        Stack("beads", 41, "0.125 um", "0.022492 um", "MPI-CBG, BioImageAnalysisNotebooks"),
        Stack("chromosomes", 40, "0.150 um", "0.033854 um", "NEUBIAS training-resources"),
        Stack("nuclei", 37, "4.0 um", "0.82864 um", "NEUBIAS training-resources"),
    )
}

# Published with the stack of beads: centroids x, y, z in pixels, by another definition of centre.
PUBLISHED_BEADS = np.array(
    [
        (30.108, 73.029, 23.327),
        (44.293, 111.633, 23.329),
        (76.093, 82.453, 23.300),
        (125.440, 35.972, 23.391),
    ]
)

SESSION = """\
format = 1
title = "{title}"
# Recorded by a point-scanning microscope; credit: {credit}, CC BY 4.0.

[scale]
pixel = "{pixel}"
step = "{step}"

[[photographs]]
files = "{files}"
role = "specimen"
pass = "a"

[[pass]]
name = "a"
moved = "specimen"
scan = "away from lens"  # not stated by the source
mirrored = false         # not stated by the source
# The stack is point-scanned and does not shake from frame to frame as a stage driven between
# photographs does, so there is nothing for steadying to take out.
steady = {steady}
"""


def make_session(folder: Path, data: Path, stack: Stack, *, steady: bool) -> Path:
    """Write a session that refers to a stack where it is.

    Parameters
    ----------
    folder : Path
        Where; made.
    data : Path
        Folder of the real stacks; only read.
    stack : Stack
        Which.
    steady : bool
        Whether jitter is taken out.

    Returns
    -------
    Path
        The session's folder.
    """
    folder.mkdir(parents=True)
    text = SESSION.format(
        title=stack.name.capitalize(),
        credit=stack.credit,
        pixel=stack.pixel,
        step=stack.step,
        files=(data.resolve() / stack.name / "frames" / "*.tif").as_posix(),
        steady=str(steady).lower(),
    )
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def voxel_um(stack: Stack) -> Floats:
    """Return the voxel (z, y, x) as the source states it, µm."""
    step, pixel = (float(text.split()[0]) for text in (stack.step, stack.pixel))
    return np.array([step, pixel, pixel])


def read_files(data: Path, stack: Stack) -> NDArray[np.float32]:
    """Read a stack's files by a general-purpose library, in the order of their names."""
    files = sorted((data / stack.name / "frames").glob("*.tif"))
    return np.stack([tifffile.imread(file) for file in files]).astype(np.float32)


def width_at_half(light: NDArray[np.float32], centre: tuple[float, ...]) -> Floats:
    """Return a bead's full widths at half maximum (z, y, x) in voxels, along lines through it.

    Above the volume's median, half points between voxels by straight lines.
    """
    base = float(np.median(light))
    at = tuple(round(c) for c in centre)
    widths = []
    for axis in range(3):
        line = light[tuple(slice(None) if a == axis else at[a] for a in range(3))] - base
        half = 0.5 * float(line[at[axis]])
        low = high = at[axis]
        while low > 0 and line[low] > half:
            low -= 1
        while high < line.size - 1 and line[high] > half:
            high += 1
        left = low + (half - line[low]) / (line[low + 1] - line[low])
        right = high - (half - line[high]) / (line[high - 1] - line[high])
        widths.append(float(right - left))
    return np.array(widths)


def bead_centres(light: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Find the beads and their centres of light, told nothing but the picture.

    Beads are where the smoothed light exceeds a quarter of the brightest. Widths at half maximum
    are measured through the brightest voxel of each; the median over the beads is the semi-axis
    of the ellipsoid in which the centre of light is taken, as `find_beads` defines it.

    Parameters
    ----------
    light : array of shape (z, y, x)
        The volume.

    Returns
    -------
    centres : array of shape (beads, 3)
        x, y, z in voxels, sorted by x.
    widths : array of shape (beads, 3)
        Full width at half maximum z, y, x in voxels.
    """
    smooth = ndimage.gaussian_filter(light, 1.5)
    base = float(np.median(smooth))
    lit, count = ndimage.label(smooth > base + 0.25 * (float(smooth.max()) - base))
    tops = ndimage.maximum_position(smooth, lit, range(1, count + 1))
    widths = np.array([width_at_half(light, top) for top in tops])
    half = tuple(float(w) for w in np.median(widths, axis=0))
    contrast = 0.1 * (float(light.max()) - base)
    found = [b for b in find_beads(light, half_width=half, contrast=contrast) if b.ok]
    centres = np.array([b.centre[::-1] for b in found])
    order = np.argsort(centres[:, 0])
    return centres[order], widths[np.argsort([top[2] for top in tops])]


def apart(centres: Floats) -> tuple[Floats, Floats]:
    """Return the error of each bead, and of each pair's difference, x, y, z in voxels."""
    error = centres - PUBLISHED_BEADS
    first, second = np.triu_indices(len(error), 1)
    return error, error[first] - error[second]


def spread_um(
    light: NDArray[np.float32], where_um: tuple[Floats, Floats, Floats], share: float
) -> Floats:
    """Return the standard deviation along z, y, x of the brightest voxels, µm.

    Parameters
    ----------
    light : array of shape (z, y, x)
        The volume.
    where_um : tuple of arrays
        Coordinates along z, y and x.
    share : float
        How many of all voxels count as bright.
    """
    bright = np.nonzero(light > np.quantile(light, 1 - share))
    return np.array([line[index].std() for line, index in zip(where_um, bright, strict=True)])


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep
    else:
        with tempfile.TemporaryDirectory() as folder:
            yield Path(folder)


def _tell(built: Built) -> None:
    print(f"  {built.sentence} {built.checked.sentence}")
    for line in built.figures:
        if line.startswith(("voxel", "steadying")):
            print(f"  {line}")
    for finding in built.checked.findings:
        print(f"  {finding.severity}: {finding.code}: {finding.what} {finding.got}")


def _tell_beads(light: NDArray[np.float32]) -> None:
    centres, widths = bead_centres(light)
    if len(centres) != len(PUBLISHED_BEADS):
        print(f"  MISSED: {len(centres)} beads found, {len(PUBLISHED_BEADS)} published")
        return
    error, between = apart(centres)
    print(f"  median FWHM z, y, x {np.median(widths, axis=0).round(2)} voxels")
    for centre, away in zip(centres, error, strict=True):
        print(f"  bead at x, y, z {centre.round(3)}: {away.round(3)} from the published one")
    print(f"  largest: centre {np.abs(error).max(0).round(3)}, limit 0.5 0.3 0.3")
    print(f"  largest: pair   {np.abs(between).max(0).round(3)}, limit 0.3 0.3 0.3")


def main() -> None:
    """Build all three, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, default=Path("../shared/data"))
    parser.add_argument("--keep", type=Path, default=None, help="keep the sessions here")
    given = parser.parse_args()
    with _folder(given.keep) as folder:
        for stack in STACKS.values():
            for steady in (False, True):
                name = stack.name + ("-steadied" if steady else "")
                print(name)
                session = make_session(folder / name, given.data, stack, steady=steady)
                _tell(build_pass(session))
                volume = planewright.session(session).volume("a")
                light = np.asarray(volume, dtype=np.float32)
                if stack.name == "beads":
                    _tell_beads(light)
                if stack.name == "chromosomes":
                    where = tuple(np.asarray(volume[axis]) for axis in "zyx")
                    for share in (0.05, 0.1):
                        out = spread_um(light, where, share).round(3)
                        print(f"  spread of the brightest {share:.0%} z, y, x: {out} µm")


if __name__ == "__main__":
    main()
