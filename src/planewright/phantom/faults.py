"""What goes wrong on purpose."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from planewright.base.problems import RangeProblem
from planewright.phantom.instrument import Instrument


@dataclass(frozen=True)
class Shake:
    """A vibration during one exposure: full swing in sensor pixels, direction in degrees."""

    position: int
    swing_px: float
    angle_deg: float = 0.0


@dataclass(frozen=True)
class Glare:
    """A patch so bright that the sensor is full: sensor row, column and radius, pixels."""

    position: int
    row: float
    column: float
    radius_px: float = 6.0


@dataclass(frozen=True)
class Bubble:
    """A bubble that crosses the field: first frame, number of frames, radius and path, pixels."""

    first: int
    frames: int = 5
    radius_px: float = 30.0
    column: float = 0.3  # share of the width
    light_e: float = 250.0


@dataclass(frozen=True)
class Faults:
    """A plan of faults. Positions are planned ones, counted from 0 in the order of shooting.

    Parameters
    ----------
    missed : tuple of int
        The stage moved, the camera did not fire.
    doubled : tuple of int
        The camera fired twice; the second photograph has its own noise.
    shaken : tuple of Shake
        Vibration during the exposure.
    saturated : tuple of Glare
        A patch of the sensor is full.
    jitter_rms_px : float
        Shift of each frame, drawn for each axis, sensor pixels rms.
    drift_px : tuple of float
        Slow shift (rows, columns) over the whole stack, sensor pixels.
    flicker_rms : float
        Laser power, relative rms from frame to frame.
    exposure_change, iso_change : tuple or None
        From which position on, and to how many times the exposure time, or to which ISO.
    backlash : int
        Lead-in: the stage stands still for this many photographs before the plan begins to
        advance, so the first plane is photographed this many times more.
    bubble : Bubble or None
        A bubble.
    laser_off, lamp_on, room_light : tuple of int
        Laser off; lamp left on beside the laser; room light on.
    lamp_instead : tuple of int
        The lamp was on and the laser off: a lamp photograph stands at this position.
    lamp_after : tuple of int
        One photograph more, under the lamp, was taken after this position.
    flipped_from, flipped_to : int or None, int
        From this position on the camera writes this EXIF orientation; pixels do not turn.
    rollover_after : int or None
        The file counter goes from 9999 to 0001 after this position.
    copied : tuple of int
        The file is there twice, byte for byte.
    truncated : tuple of int
        The file was cut off.
    """

    missed: tuple[int, ...] = ()
    doubled: tuple[int, ...] = ()
    shaken: tuple[Shake, ...] = ()
    saturated: tuple[Glare, ...] = ()
    jitter_rms_px: float = 0.0
    drift_px: tuple[float, float] = (0.0, 0.0)
    flicker_rms: float = 0.0
    exposure_change: tuple[int, float] | None = None
    iso_change: tuple[int, int] | None = None
    backlash: int = 0
    bubble: Bubble | None = None
    laser_off: tuple[int, ...] = ()
    lamp_on: tuple[int, ...] = ()
    room_light: tuple[int, ...] = ()
    lamp_instead: tuple[int, ...] = ()
    lamp_after: tuple[int, ...] = ()
    flipped_from: int | None = None
    flipped_to: int = 6
    rollover_after: int | None = None
    copied: tuple[int, ...] = ()
    truncated: tuple[int, ...] = ()

    def but(self, **changes: Any) -> Faults:
        """Return a copy with some fields changed."""
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return asdict(self)

    def check(self, frames: int) -> None:
        """Refuse positions that the plan does not have."""
        named = [*self.missed, *self.doubled, *self.laser_off, *self.lamp_on, *self.room_light]
        named += [*self.lamp_instead, *self.lamp_after, *self.copied, *self.truncated]
        named += [shake.position for shake in self.shaken]
        named += [glare.position for glare in self.saturated]
        wrong = [position for position in named if not 0 <= position < frames]
        if wrong:
            raise RangeProblem(
                "A fault is planned for a position that the plan does not have.",
                got=str(wrong),
                expected=f"0 to {frames - 1}",
            )

    def count(self, frames: int) -> int:
        """Return how many photographs the stack has."""
        more = len(set(self.doubled)) + len(set(self.lamp_after)) + self.backlash
        return frames - len(set(self.missed)) + more

    def labels(self, position: int) -> tuple[str, ...]:
        """Return the names of the faults of one frame, not those of the whole stack."""
        out = []
        for name in ("laser_off", "lamp_on", "room_light", "lamp_instead", "truncated"):
            if position in getattr(self, name):
                out.append(name)
        if any(shake.position == position for shake in self.shaken):
            out.append("shaken")
        if any(glare.position == position for glare in self.saturated):
            out.append("saturated")
        bubble = self.bubble
        if bubble is not None and bubble.first <= position < bubble.first + bubble.frames:
            out.append("bubble")
        return tuple(out)


def random_faults(
    seed: int,
    instrument: Instrument,
    *,
    jitter_rms_px: float = 0.8,
    flicker_rms: float = 0.01,
    share: float = 1.0,
    with_bubble: bool = False,
) -> Faults:
    """Draw a realistic mix of faults, no two at one position and none beside another.

    Parameters
    ----------
    seed : int
        Draws them.
    instrument : Instrument
        Number of planned frames, size of the sensor, width of the lens's blur.
    jitter_rms_px, flicker_rms : float
        Faults of the whole stack.
    share : float
        Probability with which each kind takes part.
    with_bubble : bool
        Whether a bubble passes.

    Returns
    -------
    Faults
        The plan.
    """
    rng = np.random.default_rng([seed, 21])
    frames = instrument.frames
    places = list(rng.permutation(np.arange(3, frames - 2, 2)))

    def some(low: int, high: int) -> tuple[int, ...]:
        wanted = int(rng.integers(low, high + 1)) if rng.random() < share else 0
        return tuple(sorted(int(places.pop()) for _ in range(min(wanted, len(places)))))

    fwhm_px = instrument.lateral_fwhm_um / instrument.pixel_um
    shaken = tuple(
        Shake(p, float(fwhm_px * rng.uniform(0.6, 2.5)), float(rng.uniform(0, 180)))
        for p in some(1, 3)
    )
    radius = float(rng.uniform(4, 9))
    saturated = tuple(
        Glare(
            p,
            float(rng.uniform(0.2, 0.8) * instrument.rows),
            float(rng.uniform(0.2, 0.8) * instrument.columns),
            radius,
        )
        for p in some(1, 2)
    )
    missed, doubled, laser_off = some(1, 2), some(1, 2), some(0, 1)
    lamp_on, room_light, lamp_after = some(0, 1), some(0, 1), some(1, 1)
    bubble = Bubble(int(rng.integers(frames // 3, frames // 2)), 5) if with_bubble else None
    change = int(rng.integers(frames // 4, 3 * frames // 4))
    which = rng.random()
    return Faults(
        missed=missed,
        doubled=doubled,
        shaken=shaken,
        saturated=saturated,
        jitter_rms_px=jitter_rms_px,
        flicker_rms=flicker_rms,
        bubble=bubble,
        laser_off=laser_off,
        lamp_on=lamp_on,
        room_light=room_light,
        lamp_after=lamp_after,
        exposure_change=(change, float(rng.choice([0.5, 2.0]))) if which < 0.5 * share else None,
        iso_change=(change, 2 * instrument.iso) if which > 1 - 0.5 * share else None,
        backlash=int(rng.integers(0, 4)) if rng.random() < share else 0,
        flipped_from=int(rng.integers(3, frames - 3)) if rng.random() < share else None,
        flipped_to=int(rng.choice([3, 6, 8])),
        rollover_after=int(rng.integers(3, frames - 3)) if rng.random() < share else None,
    )
