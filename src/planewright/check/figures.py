"""The figures of one photograph, from which it is judged."""

from __future__ import annotations

import base64
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.kernels.hot import replace_pixels
from planewright.kernels.noise import diagonal_halves, noise_model
from planewright.kernels.sharpness import polar_power, sharpness
from planewright.kernels.signature import Signature, signature

if TYPE_CHECKING:
    from planewright.frames import Photograph, Plane

Image = NDArray[np.float32]

SNR_OF_CONTENT = 5.0  # a cell counts as content where it stands this far above its noise
_HOT, _FULL = np.uint8(Flag.HOT), np.uint8(Flag.SATURATED)
_RIM = 15  # lattice pixels; light falls off around a full patch
_GRID = 16  # lattice pixels a side of the squares from which the background is read


@dataclass(frozen=True)
class FrameFacts:
    """What a photograph's file says of itself, as far as the judge needs it.

    Parameters
    ----------
    name : str
        Path relative to the session where possible.
    kind : str
        ``"raw"``, ``"tiff"``, ``"png"``, ``"jpeg"`` or ``"video"``.
    rows, columns : int
        Size as stored, sensor pixels.
    taken_at : datetime or None
        As the camera wrote it, whole seconds.
    subsecond_s : float or None
        Part of a second after ``taken_at``, where the camera wrote one.
    exposure_s, iso, f_number, orientation : number or None
        None where the file does not say.
    camera, serial : str
        Empty where the file does not say.
    counter : int or None
        Number in the file's name.
    shape_only : bool
        Display-referred: no measure of light may be made from it.
    """

    name: str
    kind: str = ""
    rows: int = 0
    columns: int = 0
    taken_at: datetime | None = None
    subsecond_s: float | None = None
    exposure_s: float | None = None
    iso: int | None = None
    f_number: float | None = None
    orientation: int | None = None
    camera: str = ""
    serial: str = ""
    counter: int | None = None
    shape_only: bool = False

    @classmethod
    def of(cls, photograph: Photograph, plane: Plane | None = None) -> FrameFacts:
        """Take the facts from a photograph as the readers describe it.

        Parameters
        ----------
        photograph : frames.Photograph
            Name, counter and header.
        plane : frames.Plane or None
            Its decoded plane; says whether light may be measured.

        Returns
        -------
        FrameFacts
            For `frame_figures`.
        """
        header, exposure = photograph.header, photograph.header.exposure
        taken_at, subsecond_s = exposure.taken_at, exposure.subsecond_s
        return cls(
            name=photograph.name,
            kind=header.kind,
            rows=header.rows,
            columns=header.columns,
            taken_at=taken_at,
            subsecond_s=subsecond_s,
            exposure_s=exposure.exposure_s,
            iso=exposure.iso,
            f_number=exposure.f_number,
            orientation=exposure.orientation,
            camera=exposure.camera,
            serial=exposure.serial,
            counter=photograph.counter,
            shape_only=header.shape_only if plane is None else plane.shape_only,
        )

    def moment_s(self) -> float | None:
        """Return the time as seconds since the year 1, None where the file does not say."""
        if self.taken_at is None:
            return None
        whole = (self.taken_at - datetime(1, 1, 1)).total_seconds()
        return whole + (self.subsecond_s or 0.0)


@dataclass(frozen=True)
class FrameFigures:
    """What one photograph shows, in counts above black.

    Parameters
    ----------
    facts : FrameFacts
        What its file says.
    shape : tuple of int
        Rows and columns of the lattice.
    background : float
        Light of the darkest twentieth of 16 × 16 squares, counts.
    signal : float
        Light of the brightest 0.5 % of 2 × 2 cells above the background, counts.
    mean : float
        Mean light, counts.
    noise, noise_signal : float
        Standard deviation of a pixel at the background and at the signal, counts.
    noise_slope : float
        Variance per light, counts: what one electron makes, where photon noise rules.
    snr : float
        ``signal / noise_signal``.
    content : float
        Share of 2 × 2 cells in which a pixel stands five times its noise above background.
    saturated : float
        Share of pixels that are full, hot ones left out.
    saturated_patch : int
        Pixels of the largest connected full patch, hot ones left out.
    saturated_at : tuple of float or None
        Row and column of that patch's centre.
    sharpness : float or None
        Fine detail over coarse, see `planewright.kernels.sharpness.sharpness`.
    lowest, highest : float
        Extremes of light, hot pixels left out, counts. For the store's number format.
    colours : dict
        Mean light by colour, counts above black.
    power, power_sigma : arrays of shape (bands, sectors)
        See `planewright.kernels.sharpness.polar_power`; zeros where the image is too small.
    power_noise : float
        Noise power a mode.
    signature : Signature
        For similarity to neighbours.
    """

    facts: FrameFacts
    shape: tuple[int, int]
    background: float
    signal: float
    mean: float
    noise: float
    noise_signal: float
    noise_slope: float
    snr: float
    content: float
    saturated: float
    saturated_patch: int
    saturated_at: tuple[float, float] | None
    sharpness: float | None
    lowest: float
    highest: float
    colours: dict[str, float]
    power: NDArray[np.float64]
    power_sigma: NDArray[np.float64]
    power_noise: float
    signature: Signature

    def without_picture(self) -> FrameFigures:
        """Return a copy whose signature keeps its energies and lets its picture go."""
        nothing = np.zeros((0, 0), np.float32)
        return replace(self, signature=replace(self.signature, image=nothing))

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy from which `from_dict` makes an equal one, bit for bit."""
        out: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        facts = asdict(self.facts)
        facts["taken_at"] = None if self.facts.taken_at is None else str(self.facts.taken_at)
        out["facts"] = facts
        for name in ("power", "power_sigma"):
            out[name] = _pack(out[name])
        out["signature"] = {**vars(self.signature), "image": _pack(self.signature.image)}
        return out

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> FrameFigures:
        """Rebuild what `to_dict` wrote."""
        values = dict(data)
        facts = dict(values["facts"])
        if facts["taken_at"] is not None:
            facts["taken_at"] = datetime.fromisoformat(facts["taken_at"])
        values["facts"] = FrameFacts(**facts)
        values["shape"] = tuple(values["shape"])
        if values["saturated_at"] is not None:
            values["saturated_at"] = tuple(values["saturated_at"])
        for name in ("power", "power_sigma"):
            values[name] = _unpack(values[name])
        values["signature"] = Signature(
            **{**values["signature"], "image": _unpack(values["signature"]["image"])}
        )
        return cls(**values)


def frame_figures(
    light: Image,
    mask: NDArray[np.uint8] | None = None,
    *,
    facts: FrameFacts,
    colours: dict[str, float] | None = None,
) -> FrameFigures:
    """Measure one plane.

    Parameters
    ----------
    light : array of shape (y, x)
        Light above black, dark taken off where there is one, counts, float32. Not levelled by
        the flat, so that noise keeps its relation to light.
    mask : uint8 array of shape (y, x) or None
        Bits of `planewright.base.nouns.Flag`; saturated and hot pixels matter here.
    facts : FrameFacts
        What the file says.
    colours : dict or None
        Mean light by colour, where the sensor has colours (``Plane.colour_light``).

    Returns
    -------
    FrameFigures
        Same numbers for the same input, whatever else runs.
    """
    light = np.asarray(light, dtype=np.float32)
    hot = None if mask is None else (mask & _HOT) != 0
    if hot is not None:
        light = replace_pixels(light, hot)
    light, size = _finite(light), light.shape
    if min(light.shape) < 2:
        light = np.repeat(np.repeat(light, 2, axis=0), 2, axis=1)  # nothing but levels to tell
    main, other = diagonal_halves(light)
    model = noise_model(main, other)
    cell = (main + other) * np.float32(0.5)
    background = _background(cell)
    signal = _high(cell) - background
    level = background + signal
    stride = max(1, int(np.sqrt(cell.size / 200_000)))
    some = cell[::stride, ::stride]
    sigma = np.sqrt(model.floor + model.slope * np.maximum(some, 0.0))
    content = float(np.mean(some - background >= SNR_OF_CONTENT * np.maximum(sigma, 1e-12)))
    saturated, patch, place = _saturated(mask)
    shape, shape_halves = light, (main, other)
    if mask is not None and patch:
        shape = _without_full(light, mask)
        shape_halves = diagonal_halves(shape)
    found = polar_power(shape)
    noise_signal = model.sigma(level)
    return FrameFigures(
        facts=facts,
        shape=(int(size[0]), int(size[1])),
        background=background,
        signal=signal,
        mean=float(cell.mean(dtype=np.float64)) if cell.size else float(light.mean()),
        noise=model.sigma(background),
        noise_signal=noise_signal,
        noise_slope=model.slope,
        snr=signal / noise_signal if noise_signal > 0 else 0.0,
        content=content,
        saturated=saturated,
        saturated_patch=patch,
        saturated_at=place,
        sharpness=sharpness(found),
        lowest=float(light.min()),
        highest=float(light.max()),
        colours=dict(colours or {}),
        power=found.power,
        power_sigma=found.sigma,
        power_noise=found.noise,
        signature=signature(*shape_halves),
    )


def _finite(light: Image) -> Image:
    if np.isfinite(light.sum(dtype=np.float64)):
        return light
    good = np.isfinite(light)
    filled: Image = np.where(good, light, np.float32(np.median(light[good])) if good.any() else 0)
    return filled.astype(np.float32)


def _without_full(light: Image, mask: NDArray[np.uint8]) -> Image:
    """Return the light with full patches and their rims at the level of bright specimen.

    Else one full spot outweighs everything by which planes are told apart.
    """
    full = ((mask & _FULL) != 0).view(np.uint8)
    near = cv2.dilate(full, np.ones((_RIM, _RIM), np.uint8)).view(np.bool_)
    stride = max(1, int(np.sqrt(light.size / 100_000)))
    rest = light[::stride, ::stride][~near[::stride, ::stride]]
    top = np.float32(np.quantile(rest, 0.99)) if rest.size else np.float32(0)
    out = light.copy()
    out[near] = np.minimum(out[near], top)
    return out


def _background(cell: Image) -> float:
    """Return the mean of the darkest twentieth of squares: low, and hardly biased by noise."""
    side = _GRID // 2
    rows, columns = max(1, cell.shape[0] // side), max(1, cell.shape[1] // side)
    squares = cv2.resize(
        cell[: rows * side, : columns * side], (columns, rows), interpolation=cv2.INTER_AREA
    )
    flat = np.sort(squares.ravel())
    return float(flat[: max(1, round(0.05 * flat.size))].mean(dtype=np.float64))


def _high(cell: Image) -> float:
    """Return the 99.5 % level of cells; a few specks and cosmic hits stay above it."""
    stride = max(1, int(np.sqrt(cell.size / 100_000)))
    flat = cell[::stride, ::stride].ravel()
    rank = min(flat.size - 1, int(0.995 * flat.size))
    return float(np.partition(flat, rank)[rank])


def _saturated(
    mask: NDArray[np.uint8] | None,
) -> tuple[float, int, tuple[float, float] | None]:
    if mask is None:
        return 0.0, 0, None
    full = ((mask & (_FULL | _HOT)) == _FULL).view(np.uint8)
    count = cv2.countNonZero(full)
    if count == 0:
        return 0.0, 0, None
    left, top, width, height = cv2.boundingRect(full)
    box = np.ascontiguousarray(full[top : top + height, left : left + width])
    _, _, stats, centres = cv2.connectedComponentsWithStats(box, connectivity=8)
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    x, y = centres[largest]
    return (
        count / full.size,
        int(stats[largest, cv2.CC_STAT_AREA]),
        (float(top + y), float(left + x)),
    )


def _pack(array: NDArray[Any]) -> dict[str, Any]:
    data = np.ascontiguousarray(array)
    return {
        "dtype": data.dtype.str,
        "shape": list(data.shape),
        "base64": base64.b64encode(data.tobytes()).decode("ascii"),
    }


def _unpack(packed: dict[str, Any]) -> NDArray[Any]:
    flat = np.frombuffer(base64.b64decode(packed["base64"]), dtype=np.dtype(packed["dtype"]))
    return flat.reshape(packed["shape"])
