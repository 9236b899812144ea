"""Hold a built session against the simulated truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.base.nouns import Flag
from planewright.jobs.check import Checked
from planewright.kernels.beads import centre_of_light
from planewright.phantom.truth import Truth
from planewright.sessions.folder import Session
from planewright.sessions.model import Pass
from planewright.sessions.provenance import read_provenance
from planewright.volume.steady import slow_basis
from planewright.volume.store import describe, open_mask, open_volume

Floats = NDArray[np.float64]

# Which finding answers which planted fault.
ANSWERS = {
    "missed": ("missed",),
    "doubled": ("repeated",),
    "lead_in": ("lead-in",),
    "shaken": ("shaken",),
    "saturated": ("saturated",),
    "laser_off": ("dark-frame",),
    "lamp_on": ("lamp-left-on", "wrong-light"),
    "lamp_instead": ("wrong-light",),
    "lamp_inside": ("wrong-light",),
    "room_light": ("room-light",),
    "flipped": ("orientation-flipped",),
    "rollover": ("roll-over",),
    "exposure_changed": ("exposure-changed",),
    "iso_changed": ("iso-changed",),
}


@dataclass(frozen=True)
class Compared:
    """How a built pass stands against the truth.

    Parameters
    ----------
    faults : dict
        For each kind of planted fault: (found, planted).
    false_frames : tuple of int
        Frames without a planted fault that a fault finding names, and frames in all.
    jitter_px : tuple of float
        Jitter injected and left above the cut-off, lattice pixels rms an axis.
    cutoff_frames : float
        That cut-off.
    scale : dict
        Scale factor along z, y, x from beads, and how many beads.
    bead_error_um : tuple of float
        rms distance of beads from the truth along z, y, x, the common offset taken off.
    flicker : tuple of float or None
        Flicker injected, and left after evening, relative rms.
    """

    faults: dict[str, tuple[int, int]]
    false_frames: tuple[int, int]
    jitter_px: tuple[float, float]
    cutoff_frames: float
    scale: dict[str, Any]
    bead_error_um: tuple[float, float, float]
    flicker: tuple[float, float] | None

    def lines(self) -> list[str]:
        """Return lines for a person."""
        out = []
        found = sum(a for a, _ in self.faults.values())
        planted = sum(b for _, b in self.faults.values())
        out.append(f"faults        {found} of {planted} planted ones found")
        for name, (a, b) in self.faults.items():
            out.append(f"                {name.replace('_', ' '):<17} {a} of {b}")
        wrong, all_frames = self.false_frames
        out.append(f"              {wrong} of {all_frames} good frames called faulty")
        before, after = self.jitter_px
        out.append(
            f"jitter        {before:.2f} pixels rms put in, {after:.3f} left "
            f"(periods up to {self.cutoff_frames:g} frames)"
        )
        if self.scale:
            out.append(
                f"scale         from {self.scale['beads']} beads, measured over true: "
                + ", ".join(f"{axis} {self.scale[axis]:.4f}" for axis in "zyx")
            )
            z, y, x = self.bead_error_um
            out.append(f"beads         rms error z {z:.3f}, y {y:.3f}, x {x:.3f} µm")
        if self.flicker is not None:
            put_in, left = self.flicker
            out.append(f"flicker       {100 * put_in:.2f} % rms put in, {100 * left:.2f} % left")
        return out

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def compare(session: Session, one: Pass, checked: Checked, truth: Truth) -> Compared:
    """Compare a built pass with the truth of its simulation.

    Parameters
    ----------
    session : Session
        The session.
    one : Pass
        The pass.
    checked : Checked
        The verdict on its frames.
    truth : Truth
        What is true of it.

    Returns
    -------
    Compared
        Figures.
    """
    about = session.volume_path(one.name).relative_to(session.root).as_posix()
    steps = {s["step"]: s for s in read_provenance(session.root)["products"][about]["steps"]}
    jitter, cutoff = _jitter(steps, truth)
    scale, errors = _beads(session.volume_path(one.name), truth)
    faults, false_frames = _faults(checked, truth)
    return Compared(
        faults=faults,
        false_frames=false_frames,
        jitter_px=jitter,
        cutoff_frames=cutoff,
        scale=scale,
        bead_error_um=errors,
        flicker=_flicker(steps, truth),
    )


def planted(truth: Truth) -> dict[str, list[Any]]:
    """Return what was planted: names of photographs by kind of fault, positions if missed."""
    out: dict[str, list[Any]] = {}
    for shot in truth.stack:
        for name in shot.faults:
            if name in ANSWERS:
                out.setdefault(name, []).append(Path(shot.name).name)
    for position in truth.faults["missed"]:
        out.setdefault("missed", []).append(position)
    for key, name in (
        ("flipped_from", "flipped"),
        ("rollover_after", "rollover"),
        ("exposure_change", "exposure_changed"),
        ("iso_change", "iso_changed"),
    ):
        if truth.faults[key] is not None:
            out.setdefault(name, []).append(None)
    return out


def _faults(checked: Checked, truth: Truth) -> tuple[dict[str, tuple[int, int]], tuple[int, int]]:
    counts = {}
    for name, items in planted(truth).items():
        hits = [f for f in checked.findings if f.code in ANSWERS[name]]
        found = 0
        for item in items:
            if item is None:
                found += bool(hits)
            elif isinstance(item, int):
                found += any(f.positions and f.positions[0] <= item <= f.positions[1] for f in hits)
            else:
                found += any(item in (Path(p).name for p in f.photographs) for f in hits)
        counts[name] = (found, len(items))
    good = {Path(s.name).name for s in truth.stack if not s.faults}
    named = {Path(p).name for f in checked.findings if f.severity == "fault" for p in f.photographs}
    return counts, (len(good & named), len(good))


def _shifts(steps: dict[str, Any], truth: Truth) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Return applied and true shifts (n, 2), lattice pixels, and the positions they belong to."""
    pitch = steps["orient"]["options"]["lattice_pitch"]
    results = steps["steady"]["results"]
    applied = np.stack([results["shift_y_px"], results["shift_x_px"]], axis=1)
    by_name = {Path(s.name).name: s for s in truth.stack}
    names = [Path(i["name"]).name for i in steps["judge"]["inputs"]]
    place, true = [], []
    for position, frame, _ in steps["judge"]["results"]["placements"]:
        if frame is not None:
            shot = by_name[names[frame]]
            if shot.role == "specimen" and "laser_off" not in shot.faults:
                place.append(position)
                true.append(np.asarray(shot.shift_px) / pitch)
    where = np.array(place)
    return applied[where], np.array(true), where


def _jitter(steps: dict[str, Any], truth: Truth) -> tuple[tuple[float, float], float]:
    applied, true, where = _shifts(steps, truth)
    cutoff = float(steps["steady"]["results"].get("cutoff_frames", 40.0))
    basis = slow_basis(where.astype(np.float64), cutoff_frames=cutoff)

    def fast(values: Floats) -> float:
        left = values - basis @ (basis.T @ values)
        freedom = len(values) - basis.shape[1]
        return float(np.sqrt((left**2).sum() / (2 * max(freedom, 1))))

    return (fast(true), fast(true + applied)), cutoff


def _flicker(steps: dict[str, Any], truth: Truth) -> tuple[float, float] | None:
    results = steps["even"]["results"]
    by_name = {Path(s.name).name: s for s in truth.stack}
    names = [Path(i["name"]).name for i in steps["judge"]["inputs"]]
    true, applied = [], []
    for position, frame, doubtful in steps["judge"]["results"]["placements"]:
        if frame is not None and not doubtful:
            true.append(by_name[names[frame]].flicker)
            applied.append(results["factor"][position] / results["exposure"][position])
    ratio = np.array(true) / np.array(applied)
    return float(np.std(true) / np.mean(true)), float(np.std(ratio) / np.mean(ratio))


def _beads(path: Path, truth: Truth) -> tuple[dict[str, Any], tuple[float, float, float]]:
    """Measure beads near their true places and compare scale along each axis.

    Photographs shift as one (their slow drift is not determined), so an offset is taken off.
    """
    layout = describe(path)
    voxel = np.array(layout.levels[0].voxel_um)
    origin = np.array(layout.levels[0].origin_um)
    light = np.asarray(open_volume(path))
    mask = np.asarray(open_mask(path))
    fwhm_um = np.array([truth.apparatus.axial_fwhm_um(0.0)] + 2 * [truth.apparatus.lateral_fwhm_um])
    half = np.maximum(1.5 * fwhm_um / voxel, (2.0, 3.0, 3.0))
    bad = int(Flag.MISSING | Flag.OUTSIDE | Flag.DOUBTFUL | Flag.SATURATED)
    found, known = [], []
    for true in truth.beads_zyx_um():
        start = tuple((true - origin) / voxel)
        bead = centre_of_light(light, start, half_width=(half[0], half[1], half[2]))
        if not bead.ok or np.abs(np.array(bead.centre) - start).max() > 6:
            continue
        low = np.maximum(np.floor(np.array(bead.centre) - half), 0).astype(int)
        high = np.ceil(np.array(bead.centre) + half).astype(int) + 1
        if np.any(mask[tuple(slice(a, b) for a, b in zip(low, high, strict=True))] & bad):
            continue
        found.append(np.array(bead.centre) * voxel + origin)
        known.append(true)
    if len(found) < 4:
        return {}, (np.nan, np.nan, np.nan)
    measured, true_places = np.array(found), np.array(known)
    scale: dict[str, Any] = {"beads": len(found)}
    errors = []
    for k, axis in enumerate("zyx"):
        slope, offset = np.polyfit(true_places[:, k], measured[:, k], 1)
        scale[axis] = float(slope)
        left = measured[:, k] - slope * true_places[:, k] - offset
        errors.append(float(np.sqrt(np.mean(left**2))))
    return scale, (errors[0], errors[1], errors[2])
