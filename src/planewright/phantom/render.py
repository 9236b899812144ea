"""From scene and instrument to the noise-free stack, rendered once and kept on disk."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from planewright.base.files import hash_json, whole_file
from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress, Quiet
from planewright.phantom.camera import field_of_light
from planewright.phantom.drawing import Drawing, Grid, Plane
from planewright.phantom.instrument import Instrument
from planewright.phantom.parts import Scene
from planewright.phantom.pupil import DefocusNodes, gaussian_transfer, transfer
from planewright.phantom.shadows import path_um

_FINEST_SLICE_UM = 0.65
_SHEET_FLOOR = 1.5e-3  # where the sheet's profile is cut off, as a share of its peak
_VERSION = 4
_ROWS = 48  # rows worked on at once, so that they stay in the processor's cache


class FineStack:
    """The noise-free stack before the sensor: planes counted from the lens, brightness units.

    Frames lie on a periodic grid that is larger than the sensor, and hold nothing finer than
    the lens passes, so a frame can be moved and shaken exactly by transforms.

    Parameters
    ----------
    planes : ndarray of shape (frames, rows + margins, columns + margins), float32
        Brightness: 1 is thick dye of brightness 1.
    grid : Grid
        Where the sensor lies in it.
    """

    def __init__(self, planes: NDArray[np.float32], grid: Grid) -> None:
        self.planes = planes
        self.grid = grid

    def __len__(self) -> int:
        """Return the number of planes."""
        return len(self.planes)

    def plane(
        self,
        index: int,
        *,
        shift_px: tuple[float, float] = (0.0, 0.0),
        shake_px: float = 0.0,
        shake_deg: float = 0.0,
    ) -> Plane:
        """Return one plane as the sensor sees it, moved and shaken.

        Parameters
        ----------
        index : int
            Plane, counted from the lens.
        shift_px : tuple of float
            Rows down and columns right by which the picture is moved, sensor pixels.
        shake_px : float
            Full swing of a vibration during the exposure, sensor pixels. Fast against the
            exposure, so the picture dwells at the ends (arcsine law).
        shake_deg : float
            Its direction, from +columns towards +rows.

        Returns
        -------
        ndarray of shape (rows, columns), float32
            Brightness.

        Raises
        ------
        RangeProblem
            If the shift is beyond the margin that was rendered.
        """
        rows, columns = self.grid.instrument.rows, self.grid.instrument.columns
        top, left = self.grid.corner
        if max(abs(shift_px[0]), abs(shift_px[1])) + 0.5 * shake_px > min(top, left) - 8:
            raise RangeProblem(
                "A frame is shifted beyond the rendered margin.",
                got=f"{shift_px[0]:.1f}, {shift_px[1]:.1f} px",
                expected=f"at most {min(top, left) - 8} px",
                do="raise the instrument's margin_px",
            )
        frame = np.asarray(self.planes[index])
        if shift_px != (0.0, 0.0) or shake_px:
            frame = _move(frame, shift_px, shake_px, shake_deg)
        return np.array(frame[top : top + rows, left : left + columns])


def _move(frame: Plane, shift: tuple[float, float], shake: float, angle_deg: float) -> Plane:
    """Shift by a phase ramp; shake by J₀, the transform of the arcsine law."""
    from scipy.special import j0

    down = scipy.fft.fftfreq(frame.shape[0])[:, None]
    along = scipy.fft.rfftfreq(frame.shape[1])[None, :]
    spectrum = scipy.fft.rfft2(frame.astype(np.float64), workers=1)
    spectrum *= np.exp(-2j * np.pi * (down * shift[0] + along * shift[1]))
    if shake:
        angle = math.radians(angle_deg)
        spectrum *= j0(np.pi * shake * (along * math.cos(angle) + down * math.sin(angle)))
    moved = scipy.fft.irfft2(spectrum, s=frame.shape, workers=1)
    return np.asarray(moved, dtype=np.float32)


def fine_stack(
    scene: Scene,
    instrument: Instrument,
    *,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> FineStack:
    """Render a stack, or fetch it from the cache.

    Parameters
    ----------
    scene : Scene
        The specimen.
    instrument : Instrument
        The optics; what only the camera decides is not part of this.
    cache : Path or None
        Folder in which rendered stacks are kept by the hash of scene and optics.
    progress : Progress or None
        Told of each plane.

    Returns
    -------
    FineStack
        Planes from the lens outwards; mapped from disk, read-only, where a cache is given.
    """
    progress = progress or Quiet()
    grid = Grid(instrument)
    if cache is None:
        planes = np.empty((instrument.frames, *grid.shape), np.float32)
        for index, plane in enumerate(_planes(scene, instrument, progress)):
            planes[index] = plane
        return FineStack(planes, grid)
    key = hash_json({"v": _VERSION, "scene": scene.to_dict(), "optics": instrument.optics()})
    path = Path(cache) / f"{scene.name}-{key[:24]}.npy"
    if not path.exists():
        with whole_file(path) as partial:
            shape = (instrument.frames, *grid.shape)
            with partial.open("wb") as handle:
                header = {"descr": "<f4", "fortran_order": False, "shape": shape}
                np.lib.format.write_array_header_1_0(handle, header)
                for plane in _planes(scene, instrument, progress):
                    handle.write(plane.astype("<f4", copy=False).tobytes())
    return FineStack(np.load(path, mmap_mode="r"), grid)


def clean_stack(
    scene: Scene,
    instrument: Instrument,
    *,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> NDArray[np.float32]:
    """Return the noise-free light on the sensor, in the order of shooting.

    Parameters
    ----------
    scene : Scene
        The specimen.
    instrument : Instrument
        The instrument.
    cache : Path or None
        Folder for rendered stacks.
    progress : Progress or None
        Told of each plane.

    Returns
    -------
    ndarray of shape (frames, rows, columns), float32
        Electrons that a pixel of the dye's main colour gives at each site; vignetting and the
        sheet's height included, filter leak and dust not.
    """
    fine = fine_stack(scene, instrument, cache=cache, progress=progress)
    light = instrument.peak_e * field_of_light(instrument)
    out = np.empty((instrument.frames, instrument.rows, instrument.columns), np.float32)
    for position in range(instrument.frames):
        out[position] = fine.plane(instrument.plane_of(position)) * light
    return out


def _planes(scene: Scene, instrument: Instrument, progress: Progress) -> Iterator[Plane]:
    renderer = _Renderer(scene, instrument)
    progress.stage("rendering", instrument.frames, "planes")
    for plane in renderer.planes():
        progress.check()
        progress.advance()
        yield plane


class _Renderer:
    """Sums slices under the sheet, blurs them by their defocus, plane after plane."""

    def __init__(self, scene: Scene, instrument: Instrument) -> None:
        self.scene = scene
        self.instrument = instrument
        self.grid = Grid(instrument)
        self.parts = max(1, math.ceil(instrument.step_um / _FINEST_SLICE_UM))
        self.thickness_um = instrument.step_um / self.parts
        x = self.grid.xy_um[0]
        if instrument.view_angle_deg % 180 == 0:
            x = x[:1]
        self._radius = instrument.sheet_radius_um(x).astype(np.float32)
        widest = float(self._radius.max())
        self.reach = math.ceil(
            widest * math.sqrt(-0.5 * math.log(_SHEET_FLOOR)) / self.thickness_um
        )
        offsets = np.arange(self.reach + 1, dtype=np.float64) * self.thickness_um
        self.nodes = DefocusNodes(instrument, max(float(offsets[-1]), 1.0))
        self._weights = self.nodes.weights(offsets)
        shape = self.grid.shape
        haze = gaussian_transfer(shape, instrument.pixel_um, instrument.haze_um)
        share = np.float32(instrument.haze)
        veil = (1 - share) + share * haze
        self._transfers = [transfer(shape, instrument, z) * veil for z in self.nodes.nodes_um]
        self._scatter: Plane | None = None
        if scene.ball is not None and scene.ball.loss_seen_per_um > 0:
            wide = gaussian_transfer(shape, instrument.pixel_um, scene.ball.scatter_um)
            self._scatter = wide * veil
        self._beads = _Beads(scene, instrument, self.grid, self.nodes)

    def planes(self) -> Iterator[Plane]:
        drawing = Drawing(self.scene, self.instrument, self.thickness_um)
        start = self.instrument.near_plane_um - self.reach * self.thickness_um
        count = 2 * self.reach + 1
        still = not _varies_along_z(self.scene)
        held: deque[Plane] = deque(maxlen=count)
        drawn = 0
        for plane in range(self.instrument.frames):
            while drawn < plane * self.parts + count:
                fresh = not (still and held)
                held.append(drawing.at(start + drawn * self.thickness_um) if fresh else held[-1])
                drawn += 1
            z = float(self.instrument.plane_z_um(plane))
            yield self._image(list(held), z, drawing)

    def _under_sheet(self, held: list[Plane]) -> NDArray[np.float32]:
        """Return, for each defocus node, the slices summed under the sheet."""
        out = np.empty((len(self._weights), *self.grid.shape), np.float32)
        middle = self.reach
        dz = np.float32(self.thickness_um)
        weights = self._weights.astype(np.float32)
        stack = np.empty((self.reach + 1, _ROWS * self.grid.shape[1]), np.float32)
        for row in range(0, self.grid.shape[0], _ROWS):
            rows = slice(row, min(row + _ROWS, self.grid.shape[0]))
            radius = self._radius if len(self._radius) == 1 else self._radius[rows]
            # exp(−2 (j·dz)²/w²) by the recurrence E(j+1) = E(j) · q^(2j+1), q = exp(−2 dz²/w²)
            square = np.exp(-4 * (dz / radius) ** 2)
            ratio = np.sqrt(square)
            sheet = dz / (radius * np.float32(math.sqrt(math.pi / 2)))
            n = (rows.stop - rows.start) * self.grid.shape[1]
            for j in range(self.reach + 1):
                both = (
                    held[middle][rows]
                    if j == 0
                    else held[middle - j][rows] + held[middle + j][rows]
                )
                np.multiply(both, sheet, out=stack[j, :n].reshape(both.shape))
                sheet = sheet * ratio
                ratio = ratio * square
            out[:, rows] = _product(weights, stack[:, :n]).reshape(
                len(weights), -1, self.grid.shape[1]
            )
        return out

    def _image(self, held: list[Plane], z_um: float, drawing: Drawing) -> Plane:
        lit = self._under_sheet(held)
        points = self._beads.spectra(z_um, drawing)
        spectrum = np.zeros(self._transfers[0].shape, np.complex64)
        ball = self.scene.ball
        if self._scatter is not None and ball is not None:
            x, y = self.grid.xy_um
            path = path_um(ball, x, y, np.float32(z_um), along=2)
            direct = np.exp(np.float32(-ball.loss_seen_per_um) * path)
            stray = lit.sum(axis=0) * (1 - direct) * np.float32(ball.scatter_kept)
            lit *= direct
            spectrum += (scipy.fft.rfft2(stray, workers=1) + points[-1]) * self._scatter
        for m, blur in enumerate(self._transfers):
            spectrum += (scipy.fft.rfft2(lit[m], workers=1) + points[m]) * blur
        return np.asarray(scipy.fft.irfft2(spectrum, s=self.grid.shape, workers=1), np.float32)


def _product(left: NDArray[Any], right: NDArray[Any]) -> NDArray[Any]:
    """Multiply matrices in pieces so small that the BLAS starts no threads of its own."""
    out = np.empty((left.shape[0], right.shape[1]), np.result_type(left, right))
    width = max(8, 50_000 // left.size)
    for first in range(0, right.shape[1], width):
        piece = slice(first, first + width)
        np.matmul(left, right[:, piece], out=out[:, piece])
    return out


def _varies_along_z(scene: Scene) -> bool:
    return bool(scene.ball or scene.nuclei or scene.rods or scene.specks or scene.slabs)


class _Beads:
    """Points, placed exactly: their transforms are plane waves."""

    def __init__(
        self, scene: Scene, instrument: Instrument, grid: Grid, nodes: DefocusNodes
    ) -> None:
        self.scene = scene
        self.nodes = nodes
        self.instrument = instrument
        self.grid = grid
        self.places = np.array([b.centre_um for b in scene.beads]).reshape(-1, 3)
        strength = np.array([b.strength_um3 for b in scene.beads])
        self.strength_px = strength / instrument.pixel_um**2
        self.radius = instrument.sheet_radius_um(self.places[:, 0])
        self._kept: NDArray[np.float64] | None = None

    def spectra(self, z_um: float, drawing: Drawing) -> NDArray[np.complex64] | list[float]:
        """Return the transform of the points' light for each defocus node, then of their stray."""
        if self._kept is None:
            self._kept = drawing.shadows.kept(self.places) if len(self.places) else np.ones(0)
        away = self.places[:, 2] - z_um
        near = np.abs(away) <= np.minimum(
            self.radius * math.sqrt(-0.5 * math.log(_SHEET_FLOOR)), self.nodes.limit_um
        )
        if not near.any():
            return [0.0] * (len(self.nodes.nodes_um) + 1)
        radius = self.radius[near]
        sheet = np.exp(-2 * (away[near] / radius) ** 2) / (radius * math.sqrt(math.pi / 2))
        light = self.strength_px[near] * sheet * self._kept[near]
        stray = np.zeros_like(light)
        ball = self.scene.ball
        if ball is not None:
            x, y = self.places[near, 0], self.places[near, 1]
            path = path_um(ball, x, y, np.full(x.shape, z_um), along=2)
            direct = np.exp(-ball.loss_seen_per_um * path)
            stray = light * (1 - direct) * ball.scatter_kept
            light = light * direct
        place = self.grid.place(self.places[near, :2])
        down = scipy.fft.fftfreq(self.grid.shape[0])[:, None]
        along = scipy.fft.rfftfreq(self.grid.shape[1])[None, :]
        waves_down = np.exp(-2j * np.pi * down * place[None, :, 0]).astype(np.complex64)
        waves_along = np.exp(-2j * np.pi * along.T * place[None, :, 1]).astype(np.complex64)
        share = np.vstack([self.nodes.weights(away[near]) * light, stray])
        return np.stack(
            [_product(waves_down * row.astype(np.float32), waves_along.T) for row in share]
        )
