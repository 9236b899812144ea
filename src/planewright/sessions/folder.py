"""The session's folder: where everything stands, read from its files."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from planewright.base.files import hash_file, read_text
from planewright.base.nouns import Moved
from planewright.base.problems import Problem, SettingProblem
from planewright.base.settings import read_settings
from planewright.base.units import Measured
from planewright.bench.model import BenchFile, read_bench
from planewright.optics.media import medium_index
from planewright.sessions.model import Pass, SessionFile

NAME = "session.toml"


@dataclass(frozen=True)
class TrueScale:
    """True sizes in the specimen, and where each is from.

    Parameters
    ----------
    pixel_um : Measured
        One sensor pixel in the specimen, µm.
    step_um : Measured
        Distance between two planes in the specimen, µm: the stage's travel times the index
        factor where the specimen was not what moved.
    pixel_from, step_from : str
        Where each is from, in words.
    """

    pixel_um: Measured
    step_um: Measured
    pixel_from: str
    step_from: str


@dataclass(frozen=True)
class Session:
    """A session's folder with its settings, read once.

    Parameters
    ----------
    root : Path
        The folder.
    settings : SessionFile
        ``session.toml``.
    bench : BenchFile or None
        The session's copy of the bench.
    settings_hash : str
        Content hash of ``session.toml``.
    """

    root: Path
    settings: SessionFile
    bench: BenchFile | None
    settings_hash: str

    @classmethod
    def open(cls, path: str | os.PathLike[str]) -> Session:
        """Read a session.

        Parameters
        ----------
        path : str or path-like
            The folder, or its ``session.toml``.

        Returns
        -------
        Session
            The session.

        Raises
        ------
        Problem
            If there is no session here, or a key, unit or value in its files is wrong.
        """
        root = Path(path)
        if root.name == NAME and root.is_file():
            root = root.parent
        file = root / NAME
        if not file.is_file():
            raise Problem(
                "There is no session here.",
                where=str(root),
                expected=f"a folder with a {NAME}",
                do="make one with: planewright new FOLDER",
            )
        settings = read_settings(SessionFile, read_text(file), where=NAME)
        bench = read_bench(root / settings.bench) if settings.bench else None
        return cls(root, settings, bench, hash_file(file))

    @property
    def work(self) -> Path:
        """Work in progress; may be deleted."""
        return self.root / ".planewright" / "work"

    def pass_folder(self, name: str) -> Path:
        """Return the folder of a pass's results."""
        return self.root / "passes" / name

    def volume_path(self, name: str) -> Path:
        """Return the place of a pass's volume."""
        return self.pass_folder(name) / "volume.ome.zarr"

    def find_pass(self, name: str | None) -> Pass:
        """Return a pass by its name, or the only one.

        Parameters
        ----------
        name : str or None
            The name; None if there is only one pass.

        Returns
        -------
        Pass
            Its settings.

        Raises
        ------
        SettingProblem
            If there is no such pass, or None is given and there is not exactly one.
        """
        names = [one.name for one in self.settings.passes]
        if name is None and len(names) == 1:
            name = names[0]
        for one in self.settings.passes:
            if one.name == name:
                return one
        raise SettingProblem(
            "Which pass?" if name is None else f"There is no pass '{name}' in this session.",
            where=str(self.root / NAME),
            expected="one of: " + ", ".join(names) if names else "a [[pass]] table",
            do="name the pass" if names else "describe the stack in a [[pass]] table",
        )

    def true_scale(self, one: Pass) -> TrueScale:
        """Return the true pixel and plane distance of a pass.

        Parameters
        ----------
        one : Pass
            The pass.

        Returns
        -------
        TrueScale
            The session's own values if given, else the bench's.

        Raises
        ------
        SettingProblem
            If the pixel or the step is known nowhere. Neither is ever assumed.
        """
        scale = self.settings.scale
        pixel = (scale.pixel_um, "session") if scale.pixel_um else None
        if pixel is None and self.bench is not None:
            pixel = self.bench.pixel_um()
        if pixel is None:
            raise _missing("pixel", "0.412 um ± 0.002 um", "a ruling photographed in the cell")
        step = (scale.step_um, "session") if scale.step_um else None
        if step is None and self.bench is not None and self.bench.calibrated.step_um:
            step = (self.bench.calibrated.step_um, "bench, calibrated")
        if step is None or step[0] is None or pixel[0] is None:
            raise _missing("step", "2.5 um ± 0.01 um", "a counted number of steps on a gauge")
        factor, why = self._travel_factor(one)
        sigma = step[0].sigma
        return TrueScale(
            pixel_um=pixel[0],
            step_um=Measured(step[0].value * factor, None if sigma is None else sigma * factor),
            pixel_from=pixel[1],
            step_from=step[1] + why,
        )

    def _travel_factor(self, one: Pass) -> tuple[float, str]:
        """Return how far the imaged plane travels in the specimen for a unit of stage travel."""
        if one.moved is Moved.SPECIMEN:
            return 1.0, ""
        mounting = self.settings.mounting
        cell = self.bench.cell if self.bench else None
        medium = mounting.medium or (cell.medium if cell else "")
        temperature = mounting.temperature_degc
        if temperature is None:
            temperature = cell.temperature_degc if cell else 20.0
        light = self.bench.light if self.bench else None
        if not medium:
            raise SettingProblem(
                f"The {one.moved} moved, so the step in the specimen depends on the medium.",
                where=f"{NAME}: mounting.medium",
                expected="water, sea water or air",
                do="write it under [mounting], or state moved = specimen if that is what moved",
            )
        nm = (light.emission_nm or light.wavelength_nm) if light else 520.0
        index = medium_index(medium, nm, temperature_degc=temperature)
        if one.moved is Moved.LENS:
            return index, f", times {index:.4f} for a lens moved in air before {medium}"
        if self.bench is None or self.bench.detection is None:
            raise SettingProblem(
                "The camera moved, so the step in the specimen depends on the magnification.",
                where=f"{NAME}: bench",
                expected="a bench file with [detection] magnification",
            )
        magnification = self.bench.detection.effective_magnification
        factor = index / magnification**2
        return factor, f", times {factor:.6f} for a camera moved behind {magnification:g}×"


def _missing(key: str, example: str, how: str) -> SettingProblem:
    return SettingProblem(
        f"The {key} is not known; without it nothing has a size.",
        where=f"{NAME}: scale.{key}",
        expected=f'for example {key} = "{example}" under [scale]',
        do=f"measure it ({how}) and write it there; it is never assumed",
    )
