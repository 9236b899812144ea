"""Pictures of a built pass."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray
from numpy.typing import NDArray

from planewright.base.files import read_text
from planewright.base.nouns import Finding, Flag, Scan, Severity
from planewright.base.problems import RangeProblem
from planewright.base.progress import Progress, Quiet
from planewright.picture import KINDS, Cell, Kind, contact_sheet
from planewright.sessions.folder import Session
from planewright.sessions.lock import writing
from planewright.volume.store import Layout, describe, open_mask, open_volume

_VOXELS = 400_000_000  # above this a coarser level is drawn: finer detail than paper can hold


@dataclass(frozen=True)
class Pictures:
    """Pictures that were made.

    Parameters
    ----------
    written : tuple of str
        Files, from the session's folder.
    """

    written: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {"written": list(self.written)}


def make_pictures(
    folder: Path,
    pass_name: str | None = None,
    *,
    kinds: Sequence[str] = (),
    colours: str = "grey",
    window: tuple[float, float] | None = None,
    gamma: float = 1.0,
    point_um: tuple[float, float, float] | None = None,
    suffix: str = ".png",
    dpi: float = 200,
    progress: Progress | None = None,
) -> Pictures:
    """Draw pictures of a built pass into the session's ``pictures`` folder.

    Parameters
    ----------
    folder : Path
        The session.
    pass_name : str or None
        The pass; None if there is only one.
    kinds : sequence of str
        Names of kinds of picture; empty draws all.
    colours : str
        Colour map of light.
    window : tuple of float or None
        Light shown as black and as full; None chooses and says it on the picture.
    gamma : float
        Exponent of the rise between them.
    point_um : tuple of float or None
        z, y, x of the point that the cuts share, µm; None takes the middle of the light.
    suffix : str
        ``".png"``, ``".pdf"``, ``".svg"`` or ``".tif"``.
    dpi : float
        Dots an inch.
    progress : Progress or None
        Told how far it is.

    Returns
    -------
    Pictures
        Files written.

    Raises
    ------
    Problem
        If the pass has not been built, or an option is wrong.
    """
    progress = progress or Quiet()
    session = Session.open(folder)
    one = session.find_pass(pass_name)
    known = {kind.name: kind for kind in KINDS}
    unknown = [name for name in kinds if name not in known]
    if unknown:
        raise RangeProblem(
            "This kind of picture is not known.",
            where="--kind",
            got=", ".join(unknown),
            expected=", ".join(known),
        )
    path = session.volume_path(one.name)
    layout = describe(path)
    title = session.settings.title
    written = []
    with writing(session.root):
        for kind in [known[name] for name in kinds] or list(KINDS):
            progress.check()
            if kind.of == "frames":
                picture = _frames(session, one.name, layout, title, kind)
            else:
                level = _level(layout)
                options: dict[str, Any] = {"window": window, "gamma": gamma, "title": title}
                if kind.name != "depth":
                    options["colours"] = colours
                if kind.name == "cuts":
                    options["point_um"] = point_um
                    options["step_um"] = dict(
                        zip("zyx", layout.levels[level].voxel_um, strict=True)
                    )
                picture = kind.draw(
                    open_volume(path, level=level),
                    open_mask(path, level=level),
                    progress=progress,
                    **options,
                )
            file = session.root / "pictures" / f"{one.name}-{kind.name}{suffix}"
            picture.save(file, dpi=dpi)
            written.append(file.relative_to(session.root).as_posix())
    return Pictures(tuple(written))


def _level(layout: Layout) -> int:
    for number, level in enumerate(layout.levels):
        if np.prod(level.shape) <= _VOXELS:
            return number
    return len(layout.levels) - 1


def _frames(session: Session, name: str, layout: Layout, title: str, kind: Kind) -> Any:
    """Draw the contact sheet: every planned position, from the volume's overview."""
    path = session.volume_path(name)
    flat = [n for n, level in enumerate(layout.levels) if level.factor[0] == 1]
    level = flat[-1]
    light, mask = open_volume(path, level=level), open_mask(path, level=level)
    rows = _rows(session.pass_folder(name) / "frames.csv")
    findings = _findings(session.pass_folder(name) / "findings.csv")
    planes = layout.shape[0]
    orientation = layout.facts.orientation or {}
    towards = orientation.get("scan") == str(Scan.TOWARDS)
    thumbnails, cells = [], []
    for position in range(planes):
        z = planes - 1 - position if towards else position
        row = rows[position] if position < len(rows) else {}
        photograph = row.get("photograph", "")
        thumbnails.append(_thumbnail(light, mask, z) if photograph else None)
        near = tuple(
            f for f in findings if f.positions and f.positions[0] <= position <= f.positions[1]
        )
        cells.append(
            Cell(position, Path(photograph).name, float(light.z[z]), near if len(near) else ())
        )
    return contact_sheet(
        thumbnails,
        cells,
        pixel_um=layout.levels[level].voxel_um[2],
        unit=f"{layout.number.unit}s",
        title=title,
    )


def _thumbnail(light: xarray.DataArray, mask: xarray.DataArray, z: int) -> NDArray[np.float32]:
    image = np.array(light[z], dtype=np.float32)
    image[(np.asarray(mask[z]) & int(Flag.MISSING | Flag.OUTSIDE)) != 0] = np.nan
    return image


def _rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(read_text(path))))


def _findings(path: Path) -> list[Finding]:
    found = []
    for row in _rows(path):
        first, last = row["first plane (from 1)"], row["last plane (from 1)"]
        found.append(
            Finding(
                code=row["code"],
                severity=Severity(row["severity"]),
                what=row["what"],
                photographs=tuple(filter(None, row["photographs"].split("; "))),
                positions=(int(first) - 1, int(last) - 1) if first and last else None,
            )
        )
    return found
