"""What is true of a simulated session, for tests to hold results against.

World coordinates are (z, y, x) in µm as a built volume has them. They are worked out here from
the stated conventions alone:

- a photograph that is not mirrored is what an eye at the lens sees: x right, y down, z away;
- the mirror is undone first, then quarter turns bring the light nearest to +x;
- the origin is the centre of the first sensor pixel after that, in the plane nearest the lens.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.base.files import write_json
from planewright.base.nouns import Scan
from planewright.phantom.instrument import Instrument
from planewright.phantom.parts import Scene

_FORMAT = 1


@dataclass(frozen=True)
class ShotTruth:
    """What is true of one photograph.

    Parameters
    ----------
    name : str
        File name relative to the session, posix.
    role : str
        What it really is: specimen, lamp, dark, flat.
    position : int or None
        Planned position, from 0 in the order of shooting; None outside the plan.
    plane : int or None
        Plane counted from the lens.
    z_um : float or None
        World z of that plane, µm.
    shift_px : tuple of float
        (rows, columns) by which the picture is moved, sensor pixels: jitter, drift and shear.
    shake_px, shake_deg : float
        Swing and direction of a vibration.
    flicker : float
        Factor of the laser's power; 0 where it was off.
    brightness : float
        Factor of the dye's counts against the plan: power, exposure time and ISO.
    exposure_s : float
        Exposure time, s.
    iso : int
        Sensitivity.
    orientation : int
        EXIF orientation.
    taken_at : str
        Camera time as written, whole seconds.
    time_s : float
        Exact time since the start, s.
    faults : tuple of str
        Names of what is wrong with it; ``"repeat"`` is its mark where it is no frame of the stack.
    """

    name: str
    role: str
    position: int | None = None
    plane: int | None = None
    z_um: float | None = None
    shift_px: tuple[float, float] = (0.0, 0.0)
    shake_px: float = 0.0
    shake_deg: float = 0.0
    flicker: float = 1.0
    brightness: float = 1.0
    exposure_s: float = 0.0
    iso: int = 0
    orientation: int = 1
    taken_at: str = ""
    time_s: float = 0.0
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Truth:
    """Everything that is true of a simulated session.

    Parameters
    ----------
    instrument : dict
        The instrument's fields.
    scene : dict
        The scene's fields: nuclei, beads, rods, specks.
    faults : dict
        The plan of faults.
    seed : int
        Seed of noise and jitter.
    photographs : tuple of ShotTruth
        In the order of shooting; repeats, darks and flats after the stack.
    copies : dict
        Extra files that are byte for byte another photograph: name to original's name.
    """

    instrument: dict[str, Any]
    scene: dict[str, Any]
    faults: dict[str, Any]
    seed: int
    photographs: tuple[ShotTruth, ...]
    copies: dict[str, str] = field(default_factory=dict)

    @property
    def apparatus(self) -> Instrument:
        """The instrument."""
        return Instrument.from_dict(self.instrument)

    @property
    def stack(self) -> tuple[ShotTruth, ...]:
        """Photographs taken during the stack, strays included."""
        outside = ("dark", "flat")
        return tuple(
            p for p in self.photographs if p.role not in outside and "repeat" not in p.faults
        )

    @property
    def repeats(self) -> tuple[ShotTruth, ...]:
        """Photographs of planes taken once more after the stack, in the order of shooting."""
        return tuple(p for p in self.photographs if "repeat" in p.faults)

    def beads_zyx_um(self) -> NDArray[np.float64]:
        """Return the beads' world places, shape (N, 3), µm."""
        return to_world(_points(b["centre_um"] for b in self.scene["beads"]), self.apparatus)

    def nuclei_zyx_um(self) -> NDArray[np.float64]:
        """Return the nuclei's world centres, shape (N, 3), µm."""
        return to_world(_points(n["centre_um"] for n in self.scene["nuclei"]), self.apparatus)

    def nuclei_volumes_um3(self) -> NDArray[np.float64]:
        """Return the nuclei's volumes, µm³."""
        radii = _points(n["radii_um"] for n in self.scene["nuclei"])
        return np.asarray(4.0 / 3.0 * math.pi * np.prod(radii, axis=1))

    def beads_from_waist_um(self) -> NDArray[np.float64]:
        """Return how far downstream of the waist each bead lies (negative: upstream), µm."""
        x = _points(b["centre_um"] for b in self.scene["beads"])[:, 0]
        return np.asarray(x - self.apparatus.waist_x_um)

    def rods_zyx_um(self, which: tuple[int, ...]) -> NDArray[np.float64]:
        """Return start and end of rods in the world, shape (N, 2, 3), µm."""
        rods = [self.scene["rods"][index] for index in which]
        ends = _points(rod[key] for rod in rods for key in ("start_um", "end_um"))
        return to_world(ends, self.apparatus).reshape(-1, 2, 3)

    def fibre_zyx_um(self) -> NDArray[np.float64]:
        """Return start and end of the fibre in the world, shape (2, 3), µm."""
        return np.asarray(self.rods_zyx_um(tuple(self.scene["fibre"]))[0])

    def chiral_zyx_um(self) -> NDArray[np.float64]:
        """Return start and end of the long, middle and short rod in the world, (3, 2, 3), µm."""
        return self.rods_zyx_um(tuple(self.scene["chiral"]))

    @property
    def hand(self) -> int:
        """Hand of the chiral marker: +1 right, −1 left, 0 none."""
        return int(self.scene["hand"])

    def save(self, path: Path) -> None:
        """Write the truth as JSON."""
        write_json(path, {"format": _FORMAT, **asdict(self)})

    @classmethod
    def load(cls, path: Path) -> Truth:
        """Read what :meth:`save` wrote."""
        value = json.loads(Path(path).read_text(encoding="utf-8"))
        value.pop("format")
        value["photographs"] = tuple(ShotTruth(**_with_tuples(p)) for p in value["photographs"])
        return cls(**value)


def make_truth(
    instrument: Instrument,
    scene: Scene,
    faults: dict[str, Any],
    seed: int,
    photographs: tuple[ShotTruth, ...],
    copies: dict[str, str],
) -> Truth:
    """Put a truth together in the form in which it also comes back from JSON."""
    plain = json.loads(json.dumps([instrument.to_dict(), scene.to_dict(), faults]))
    return Truth(plain[0], plain[1], plain[2], seed, photographs, dict(copies))


def _with_tuples(value: dict[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in value.items()}


def _points(values: Any) -> NDArray[np.float64]:
    return np.asarray([list(v) for v in values], np.float64).reshape(-1, 3)


def quarter_turns(instrument: Instrument) -> int:
    """Return how many quarter turns against the clock bring the light nearest to +x."""
    view = instrument.view_angle_deg
    return math.ceil((view - 45.0) / 90.0) % 4


def angle_left_deg(instrument: Instrument) -> float:
    """Return the light's direction after mirror and quarter turns, in (−45°, 45°]."""
    view = instrument.view_angle_deg
    return view - 90.0 * math.ceil((view - 45.0) / 90.0)


def world_shape(instrument: Instrument) -> tuple[int, int, int]:
    """Return planes, rows and columns of sensor pixels after quarter turns."""
    size = (instrument.rows, instrument.columns)
    if quarter_turns(instrument) % 2:
        size = (size[1], size[0])
    return (instrument.frames, *size)


def to_world(points_um: ArrayLike, instrument: Instrument) -> NDArray[np.float64]:
    """Turn specimen (x, y, z) into world (z, y, x).

    Parameters
    ----------
    points_um : array_like of shape (N, 3)
        Specimen coordinates, µm.
    instrument : Instrument
        Angle, mirror, pixel, step and size.

    Returns
    -------
    ndarray of shape (N, 3)
        World coordinates of the built volume, µm.
    """
    x, y, z = np.asarray(points_um, np.float64).reshape(-1, 3).T
    # The light's direction in the turned picture is +x but for the angle that is left.
    left = math.radians(angle_left_deg(instrument))
    right = math.cos(left) * x - math.sin(left) * y
    down = math.sin(left) * x + math.cos(left) * y
    _, rows, columns = world_shape(instrument)
    pixel = instrument.pixel_um
    return np.stack(
        [
            z - instrument.near_plane_um,
            down + 0.5 * (rows - 1) * pixel,
            right + 0.5 * (columns - 1) * pixel,
        ],
        axis=1,
    )


def to_photograph(points_um: ArrayLike, instrument: Instrument) -> NDArray[np.float64]:
    """Turn specimen (x, y, z) into (position, row, column) of photographs as written.

    Parameters
    ----------
    points_um : array_like of shape (N, 3)
        Specimen coordinates, µm.
    instrument : Instrument
        Angle, mirror, scan, pixel, step and size.

    Returns
    -------
    ndarray of shape (N, 3)
        Planned position in the order of shooting, and sensor row and column of a frame that is
        not shifted; fractions are meant.
    """
    x, y, z = np.asarray(points_um, np.float64).reshape(-1, 3).T
    view = math.radians(instrument.view_angle_deg)
    right = math.cos(view) * x - math.sin(view) * y  # as an eye at the lens sees it
    down = math.sin(view) * x + math.cos(view) * y
    if instrument.mirrored:
        right = -right
    plane = (z - instrument.near_plane_um) / instrument.step_um
    return np.stack(
        [
            plane if instrument.scan is Scan.AWAY else instrument.frames - 1 - plane,
            down / instrument.pixel_um + 0.5 * (instrument.rows - 1),
            right / instrument.pixel_um + 0.5 * (instrument.columns - 1),
        ],
        axis=1,
    )
