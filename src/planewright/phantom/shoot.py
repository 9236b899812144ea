"""Shooting a simulated session: photographs in memory, or camera files in a folder."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Role
from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress, Quiet
from planewright.phantom.camera import Sensor, as_seen, field_of_light
from planewright.phantom.camera_files import (
    FileMeta,
    write_dng,
    write_jpeg,
    write_png,
    write_tiff,
)
from planewright.phantom.faults import Faults
from planewright.phantom.instrument import Instrument
from planewright.phantom.other_light import bubble_at, glare_light, lamp_light, room_light
from planewright.phantom.parts import Scene
from planewright.phantom.render import FineStack, fine_stack
from planewright.phantom.session_text import FILE_ENDINGS, session_text
from planewright.phantom.truth import ShotTruth, Truth, make_truth

__all__ = ["Shot", "file_meta", "photographs", "session_text", "simulate"]

FileKind = Literal["dng", "tiff", "png", "jpeg"]
START = datetime(2031, 5, 17, 9, 41, 8)
FIRST_NUMBER = 121
PREFIX = "SEA"


@dataclass(frozen=True)
class Shot:
    """One photograph in memory.

    Parameters
    ----------
    counts : ndarray of shape (rows, columns), uint16
        What the sensor gave.
    name : str
        File name without ending, e.g. ``"SEA_0121"``.
    taken_at : datetime
        Camera time, whole seconds.
    exposure_s : tuple of int
        Exposure time as a fraction, s.
    iso, orientation : int
        Sensitivity; EXIF orientation.
    role : Role
        What it really is.
    truth : ShotTruth
        The rest.
    subsecond : str or None
        Hundredths of a second, where the camera writes them.
    """

    counts: NDArray[np.uint16]
    name: str
    taken_at: datetime
    exposure_s: tuple[int, int]
    iso: int
    orientation: int
    role: Role
    truth: ShotTruth
    subsecond: str | None = None

    @property
    def plane(self) -> int | None:
        """Plane counted from the lens."""
        return self.truth.plane

    @property
    def position(self) -> int | None:
        """Planned position, in the order of shooting."""
        return self.truth.position

    @property
    def shift_px(self) -> tuple[float, float]:
        """True shift (rows, columns), sensor pixels."""
        return self.truth.shift_px

    @property
    def faults(self) -> tuple[str, ...]:
        """Names of what is wrong with it."""
        return self.truth.faults


@dataclass(frozen=True)
class _Event:
    """One press of the shutter, before light and noise are drawn."""

    role: Role
    position: int | None
    time_s: float
    labels: tuple[str, ...] = ()


def _events(instrument: Instrument, faults: Faults, cadence_s: float, seed: int) -> list[_Event]:
    """Lay out the stack's photographs in time."""
    rng = np.random.default_rng([seed, 31])
    out: list[_Event] = []
    clock = float(rng.uniform(0.1, 0.9))

    def late() -> float:
        return clock + abs(float(rng.normal(0, 0.02 * min(cadence_s, 1.0))))

    for _ in range(faults.backlash):
        out.append(_Event(Role.SPECIMEN, 0, late(), ("lead_in",)))
        clock += cadence_s
    for position in range(instrument.frames):
        labels = faults.labels(position)
        role = Role.LAMP if position in faults.lamp_instead else Role.SPECIMEN
        if position not in faults.missed:
            out.append(_Event(role, position, late(), labels))
        if position in faults.doubled:
            own = tuple(name for name in labels if name not in ("shaken", "saturated", "truncated"))
            out.append(_Event(role, position, late() + 0.5 * cadence_s, (*own, "doubled")))
        clock += cadence_s
        if position in faults.lamp_after:
            out.append(_Event(Role.LAMP, None, late() + cadence_s, ("lamp_inside",)))
            clock += 3 * cadence_s
    return out


def _repeat_events(
    events: list[_Event], repeats: tuple[int, ...], instrument: Instrument, cadence_s: float
) -> list[_Event]:
    """Go back to some planes after the stack, each within two cadences of the one before."""
    wrong = [position for position in repeats if not 0 <= position < instrument.frames]
    if wrong:
        raise RangeProblem(
            "A plane is to be photographed again that the plan does not have.",
            got=str(wrong),
            expected=f"0 to {instrument.frames - 1}",
        )
    after = events[-1].time_s if events else 0.0
    return [
        _Event(Role.SPECIMEN, position, after + 2 * (k + 1) * cadence_s, ("repeat",))
        for k, position in enumerate(repeats)
    ]


@dataclass(frozen=True)
class _Studio:
    """What all photographs of a session share."""

    scene: Scene
    instrument: Instrument
    faults: Faults
    seed: int
    fine: FineStack
    sensor: Sensor
    subseconds: bool = False

    def drift(self, position: int, *, ended: bool = False) -> tuple[float, float]:
        """Return drift and shear; the drift of a stack that has ended stays what it came to."""
        share = 1.0 if ended else position / max(1, self.instrument.frames - 1)
        bend = 0.5 - 0.5 * math.cos(math.pi * share)  # starts and ends at rest
        shear = self.instrument.shear_px
        return (
            self.faults.drift_px[0] * bend + shear[0] * position,
            self.faults.drift_px[1] * share + shear[1] * position,
        )

    def specimen(
        self, event: _Event, rng: np.random.Generator
    ) -> tuple[NDArray[np.uint16], dict[str, Any]]:
        """Photograph the specimen at a planned position."""
        own, plan, position = self.instrument, self.faults, event.position
        assert position is not None
        jitter = rng.normal(0.0, plan.jitter_rms_px, 2) if plan.jitter_rms_px else np.zeros(2)
        again = "repeat" in event.labels
        drift = self.drift(position, ended=again)
        shift = (float(jitter[0] + drift[0]), float(jitter[1] + drift[1]))
        flicker = 1.0 + float(rng.normal(0.0, plan.flicker_rms)) if plan.flicker_rms else 1.0
        shaken = [s for s in plan.shaken if s.position == position and "shaken" in event.labels]
        laser = event.role is Role.SPECIMEN and "laser_off" not in event.labels
        facts: dict[str, Any] = {"shift_px": shift, "flicker": flicker}
        facts["plane"] = own.plane_of(position)
        facts["z_um"] = float(own.plane_z_um(facts["plane"])) - own.near_plane_um
        dye = np.zeros((own.rows, own.columns), np.float32)
        extra = np.zeros((own.rows, own.columns), np.float32)
        if laser:
            swing, angle = (shaken[0].swing_px, shaken[0].angle_deg) if shaken else (0.0, 0.0)
            facts.update(shake_px=swing, shake_deg=angle)
            seen = self.fine.plane(facts["plane"], shift_px=shift, shake_px=swing, shake_deg=angle)
            dye += seen * field_of_light(own) * np.float32(own.peak_e * flicker)
        else:
            facts["flicker"] = 0.0
        if "bubble" in event.labels and plan.bubble is not None:
            passed, ring = bubble_at(plan.bubble, position, own)
            dye = dye * passed + (ring if laser else 0)
        for glare in plan.saturated:
            if glare.position == position and "saturated" in event.labels:
                dye += glare_light(glare, own)
        if "lamp_on" in event.labels or event.role is Role.LAMP:
            extra += lamp_light(self.scene, own, level_e=1400.0 if not laser else 350.0)
        if "room_light" in event.labels:
            extra += room_light(own)
        exposure, iso = self.setting(own.frames - 1 if again else position)
        facts.update(exposure=exposure, iso=iso)
        facts["brightness"] = facts["flicker"] * exposure * iso / own.iso
        counts = self.sensor.expose(dye, rng, leak=laser, extra_e=extra, exposure=exposure, iso=iso)
        return counts, facts

    def setting(self, position: int) -> tuple[float, int]:
        """Return the exposure factor and the ISO in use at a position."""
        exposure, iso = 1.0, self.instrument.iso
        if self.faults.exposure_change and position >= self.faults.exposure_change[0]:
            exposure = self.faults.exposure_change[1]
        if self.faults.iso_change and position >= self.faults.iso_change[0]:
            iso = self.faults.iso_change[1]
        return exposure, iso


def photographs(
    scene: Scene,
    instrument: Instrument,
    faults: Faults | None = None,
    *,
    seed: int,
    darks: int = 8,
    flats: int = 8,
    first_number: int = FIRST_NUMBER,
    cadence_s: float = 2.0,
    start: datetime = START,
    subseconds: bool = False,
    repeats: tuple[int, ...] = (),
    fine: FineStack | None = None,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> Iterator[Shot]:
    """Take the photographs of a session one by one: stack, repeats, darks, flats.

    Parameters
    ----------
    scene : Scene
        The specimen.
    instrument : Instrument
        The instrument.
    faults : Faults or None
        What goes wrong.
    seed : int
        Draws jitter, flicker, clock and noise; each photograph has its own stream.
    darks, flats : int
        How many of each.
    first_number : int
        File counter of the first photograph, unless the plan has a roll-over.
    cadence_s : float
        Time between photographs, s.
    start : datetime
        Camera time when it begins.
    subseconds : bool
        Whether the camera writes hundredths of a second.
    repeats : tuple of int
        Planned positions, from 0, photographed once more after the stack, in this order. The
        drift stays at what it came to; jitter and noise are their own.
    fine : FineStack or None
        The rendered stack, where it is at hand.
    cache : Path or None
        Folder for rendered stacks.
    progress : Progress or None
        Told of planes rendered.

    Yields
    ------
    Shot
        In the order of shooting.
    """
    plan = faults or Faults()
    plan.check(instrument.frames)
    if fine is None:
        fine = fine_stack(scene, instrument, cache=cache, progress=progress)
    studio = _Studio(scene, instrument, plan, seed, fine, Sensor.draw(instrument), subseconds)
    events = _events(instrument, plan, cadence_s, seed)
    number = _first_number(events, plan, first_number)
    events += _repeat_events(events, repeats, instrument, cadence_s)
    after = events[-1].time_s + 60.0 if events else 0.0
    for k in range(darks):
        events.append(_Event(Role.DARK, None, after + k * cadence_s))
    after += darks * cadence_s + 300.0
    for k in range(flats):
        events.append(_Event(Role.FLAT, None, after + k * cadence_s))
    last = 0
    for index, event in enumerate(events):
        rng = np.random.default_rng([seed, 41, index])
        if event.position is not None and "repeat" not in event.labels:
            last = event.position
        yield _take(studio, event, rng, last, f"{PREFIX}_{number:04d}", start)
        number = number % 9999 + 1


def _first_number(events: list[_Event], plan: Faults, usual: int) -> int:
    if plan.rollover_after is None:
        return usual
    taken = [i for i, e in enumerate(events) if e.position is not None]
    before = [i for i in taken if (events[i].position or 0) <= plan.rollover_after]
    return 9999 - (before[-1] if before else 0)


def _take(
    studio: _Studio,
    event: _Event,
    rng: np.random.Generator,
    last: int,
    name: str,
    start: datetime,
) -> Shot:
    own, plan = studio.instrument, studio.faults
    facts: dict[str, Any] = {"exposure": 1.0, "iso": own.iso}
    if event.position is not None:
        counts, facts = studio.specimen(event, rng)
    elif event.role is Role.DARK:
        counts = studio.sensor.dark(rng)
    elif event.role is Role.FLAT:
        counts = studio.sensor.flat(rng, level_e=_flat_level_e(own))
    else:
        exposure, iso = studio.setting(last)
        facts = {"exposure": exposure, "iso": iso}
        lamp = lamp_light(studio.scene, own)
        counts = studio.sensor.expose(
            0.0, rng, leak=False, extra_e=lamp, exposure=exposure, iso=iso
        )
    flipped = plan.flipped_from is not None and last >= plan.flipped_from
    orientation = plan.flipped_to if flipped and event.role in (Role.SPECIMEN, Role.LAMP) else 1
    exposure_s = _times(own.exposure_s, facts.pop("exposure"))
    exact = start + timedelta(seconds=event.time_s)
    taken_at = exact.replace(microsecond=0)
    subsecond = f"{exact.microsecond // 10000:02d}" if studio.subseconds else None
    truth = ShotTruth(
        name=name,
        role=str(event.role),
        position=event.position,
        exposure_s=exposure_s[0] / exposure_s[1],
        orientation=orientation,
        taken_at=taken_at.isoformat(),
        time_s=event.time_s,
        faults=event.labels,
        **facts,
    )
    return Shot(
        counts, name, taken_at, exposure_s, truth.iso, orientation, event.role, truth, subsecond
    )


def _flat_level_e(instrument: Instrument) -> float:
    """Return a dye bath that fills a third of the sensor."""
    return 0.33 * (instrument.white - max(instrument.black)) / instrument.gain_now


def _times(fraction: tuple[int, int], factor: float) -> tuple[int, int]:
    whole = round(1000 * factor)
    top, bottom = fraction[0] * whole, fraction[1] * 1000
    divisor = math.gcd(top, bottom)
    return top // divisor, bottom // divisor


def simulate(
    folder: Path,
    scene: Scene,
    instrument: Instrument,
    faults: Faults | None = None,
    *,
    seed: int,
    file_kind: FileKind = "dng",
    compressed: bool = True,
    pairs: bool = False,
    darks: int = 8,
    flats: int = 8,
    first_number: int = FIRST_NUMBER,
    cadence_s: float = 2.0,
    start: datetime = START,
    subseconds: bool = False,
    repeats: tuple[int, ...] = (),
    cache: Path | None = None,
    progress: Progress | None = None,
) -> Truth:
    """Write a session's camera files, and ``truth.json``, into a folder.

    Parameters
    ----------
    folder : Path
        The session's folder. Files go to ``frames``, ``repeats``, ``dark`` and ``flat`` in it.
    scene, instrument, faults, seed, darks, flats, first_number, cadence_s, start,
        subseconds, repeats, cache
        As for :func:`photographs`.
    file_kind : str
        ``"dng"`` (a mosaic camera), ``"tiff"`` or ``"png"`` (a monochrome one), ``"jpeg"``.
    compressed : bool
        Whether a DNG is compressed, without loss.
    pairs : bool
        Whether a JPEG is written beside each DNG.
    progress : Progress or None
        Told of planes rendered and photographs written.

    Returns
    -------
    Truth
        What ``truth.json`` holds.

    Raises
    ------
    RangeProblem
        If camera and file format do not go together.
    """
    _check_kind(file_kind, instrument, pairs)
    progress = progress or Quiet()
    folder = Path(folder)
    plan = faults or Faults()
    records: list[ShotTruth] = []
    copies: dict[str, str] = {}
    fine = fine_stack(scene, instrument, cache=cache, progress=progress)
    shots = photographs(
        scene,
        instrument,
        plan,
        seed=seed,
        darks=darks,
        flats=flats,
        first_number=first_number,
        cadence_s=cadence_s,
        start=start,
        subseconds=subseconds,
        repeats=repeats,
        fine=fine,
    )
    stack = plan.count(instrument.frames)
    progress.stage("photographing", stack + len(repeats) + darks + flats, "frames")
    for shot in shots:
        progress.check()
        place = {Role.DARK: "dark", Role.FLAT: "flat"}.get(shot.role, "frames")
        place = "repeats" if "repeat" in shot.faults else place
        path = folder / place / f"{shot.name}.{FILE_ENDINGS[file_kind]}"
        meta = file_meta(shot, instrument)
        _write(path, shot, instrument, meta, file_kind, compressed)
        if pairs:
            write_jpeg(path.with_suffix(".JPG"), as_seen(shot.counts, instrument), meta)
        name = path.relative_to(folder).as_posix()
        records.append(replace(shot.truth, name=name))
        twin = _harm_file(path, shot, plan)
        if twin is not None:
            copies[twin.relative_to(folder).as_posix()] = name
        progress.advance()
    truth = make_truth(instrument, scene, plan.to_dict(), seed, tuple(records), copies)
    truth.save(folder / "truth.json")
    return truth


def _harm_file(path: Path, shot: Shot, plan: Faults) -> Path | None:
    """Copy or cut a written file as planned; return the copy."""
    if {"doubled", "lead_in", "repeat"} & set(shot.faults):
        return None
    twin = None
    if shot.position in plan.copied:
        twin = path.with_stem(f"{path.stem} (1)")
        twin.write_bytes(path.read_bytes())
    if shot.position in plan.truncated:
        whole = path.read_bytes()
        path.write_bytes(whole[: int(0.6 * len(whole))])
    return twin


def _check_kind(file_kind: FileKind, instrument: Instrument, pairs: bool) -> None:
    mosaic = bool(instrument.mosaic)
    if file_kind not in FILE_ENDINGS:
        raise RangeProblem(
            "This file format is not simulated.", got=file_kind, expected=", ".join(FILE_ENDINGS)
        )
    if (file_kind == "dng" and not mosaic) or (file_kind in ("tiff", "png") and mosaic):
        raise RangeProblem(
            "This camera does not write such files.",
            got=f"{file_kind}, mosaic {instrument.mosaic!r}",
            expected="dng or jpeg with a mosaic; tiff, png or jpeg without",
        )
    if pairs and file_kind != "dng":
        raise RangeProblem("Pairs are a RAW file and a JPEG.", got=file_kind, expected="dng")


def file_meta(shot: Shot, instrument: Instrument) -> FileMeta:
    """Return what the camera writes about a photograph into its file."""
    return FileMeta(
        taken_at=shot.taken_at,
        subsecond=shot.subsecond,
        utc_offset_min=None,
        exposure_s=shot.exposure_s,
        iso=shot.iso,
        f_number=instrument.f_number,
        orientation=shot.orientation,
        make=instrument.make,
        model=instrument.model,
        serial=instrument.serial,
        pattern=instrument.mosaic or "RGGB",
        black=instrument.black,
        white=instrument.white,
        active=None,
    )


def _write(
    path: Path,
    shot: Shot,
    instrument: Instrument,
    meta: FileMeta,
    file_kind: FileKind,
    compressed: bool,
) -> None:
    if file_kind == "dng":
        write_dng(path, shot.counts, meta, compressed=compressed)
    elif file_kind == "tiff":
        write_tiff(path, shot.counts, meta)
    elif file_kind == "png":
        write_png(path, shot.counts, meta)
    else:
        write_jpeg(path, as_seen(shot.counts, instrument), meta)
