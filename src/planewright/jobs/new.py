"""Make a session's folder, with a session file that says what is still to be filled in."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planewright.base.files import disk_problem, hash_file, write_bytes, write_text
from planewright.base.problems import Problem, RangeProblem, UnitProblem
from planewright.base.settings import read_settings
from planewright.bench.model import read_bench
from planewright.sessions.folder import NAME
from planewright.sessions.model import SessionFile
from planewright.sessions.provenance import step, write_provenance

_TEMPLATE = """\
# What was done with this specimen. Quantities carry their unit between quotation marks.
format = 1
title = {title}
{bench}
[scale]
{scale}
[mounting]
held = ""            # for example "agarose column"
medium = ""          # water, sea water or air
# temperature = "16 degC"

# What each photograph is. A photograph without a role is a finding.
[[photographs]]
files = {frames}
role = "specimen"    # specimen, lamp, dark, flat, ruling, beam
pass = "a"

[[photographs]]
files = "dark/*"     # lens capped, same exposure, ISO and temperature as the frames
role = "dark"

[[photographs]]
files = "flat/*"     # the cell full of thin dye, no specimen
role = "flat"

[[pass]]
name = "a"
moved = "specimen"         # what the stage moved: specimen, lens or camera
scan = "away from lens"    # which way the imaged plane went: away from lens, or towards lens
mirrored = false           # true if print photographed in the cell reads reversed
sheet_angle = "0 deg"      # direction of the light in the photographs: 0 to the right, 90 down
colour = "green"
# planned = 120            # number of frames that were planned
# cadence = "2 s"          # planned time from frame to frame
# reference = "gel beads"  # what stands still: gel beads, wall, repeat frames
"""


@dataclass(frozen=True)
class NewSession:
    """What was made.

    Parameters
    ----------
    folder : Path
        The session's folder.
    written : tuple of str
        Files written.
    missing : tuple of str
        Keys still to be filled in before ``build``.
    frames : str
        Pattern of the specimen's photographs, from the folder.
    """

    folder: Path
    written: tuple[str, ...]
    missing: tuple[str, ...]
    frames: str

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {
            "folder": str(self.folder),
            "written": list(self.written),
            "missing": list(self.missing),
            "frames": self.frames,
        }


def new_session(
    folder: Path,
    *,
    bench: Path | None = None,
    frames: str = "frames/*",
    pixel: str = "",
    step_text: str = "",
    title: str = "",
) -> NewSession:
    """Make a session's folder.

    Parameters
    ----------
    folder : Path
        Where; made if it is not there. Photographs already in it are left alone.
    bench : Path or None
        Bench file to copy; its origin and hash are noted in the provenance.
    frames : str
        Pattern of the specimen's photographs, from the folder.
    pixel, step_text : str
        One sensor pixel in the specimen and the travel between frames, with units; empty leaves
        them to be filled in.
    title : str
        The session in a few words; empty takes the folder's name.

    Returns
    -------
    NewSession
        What was written and what is still missing.

    Raises
    ------
    UnitProblem, RangeProblem
        If the pixel or the step has no unit, or an impossible value.
    Problem
        If there is a session already, or the folder cannot be written to.
    """
    if (folder / NAME).exists():
        raise Problem(
            "There is a session here already; nothing was changed.",
            where=str(folder / NAME),
            do="choose another folder, or edit this session's file",
        )
    written = [NAME]
    bench_model = read_bench(bench) if bench is not None else None
    missing = []
    scale = []
    known_pixel = bench_model is not None and bench_model.pixel_um() is not None
    known_step = bench_model is not None and bench_model.calibrated.step_um is not None
    for key, text, known, example, about in (
        ("pixel", pixel, known_pixel, "0.412 um ± 0.002 um", "one sensor pixel in the specimen"),
        ("step", step_text, known_step, "2.5 um ± 0.01 um", "true travel between two frames"),
    ):
        if text:
            scale.append(f"{key} = {_quoted(text)}    # {about}")
        elif known:
            scale.append(f'# {key} = "{example}"    # {about}; left to the bench')
        else:
            scale.append(f'# {key} = "{example}"    # {about}: measure it and write it here')
            missing.append(f"scale.{key}")
    text = _TEMPLATE.format(
        title=_quoted(title or folder.resolve().name),
        bench='bench = "bench.toml"\n' if bench is not None else "",
        scale="\n".join(scale) + "\n",
        frames=_quoted(frames),
    )
    _refuse_wrong(text)
    try:
        for name in ("", "dark", "flat", *(["frames"] if frames.startswith("frames/") else [])):
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise disk_problem(error, folder) from error
    if bench is not None:
        write_bytes(folder / "bench.toml", bench.read_bytes())
        written.append("bench.toml")
    write_text(folder / NAME, text)
    if bench is not None:
        write_provenance(
            folder,
            "bench.toml",
            [
                step(
                    "copy of the bench",
                    number=1,
                    options={},
                    inputs=[
                        {"name": os.fspath(bench.resolve()), "sha256": hash_file(bench)},
                    ],
                )
            ],
        )
        written.append("provenance.json")
    return NewSession(folder, tuple(written), tuple(missing), frames)


def _refuse_wrong(text: str) -> None:
    """Refuse a pixel or a step that the session file could not be read with, by its option."""
    try:
        read_settings(SessionFile, text, where=NAME)
    except (UnitProblem, RangeProblem) as problem:
        problem.where = "--" + problem.where.rpartition(".")[2]
        raise


def _quoted(text: str) -> str:
    import tomlkit

    return tomlkit.string(text).as_string()
