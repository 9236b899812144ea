"""The whole job on a simulated session, held against what is known of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planewright.base.files import write_text
from planewright.base.problems import Problem
from planewright.base.progress import Progress, Quiet
from planewright.jobs.build import Built, build_pass
from planewright.jobs.compare import Compared, compare
from planewright.jobs.pictures import make_pictures
from planewright.phantom.faults import Faults, Glare, Shake
from planewright.phantom.instrument import Instrument
from planewright.phantom.scene import urchin_scene
from planewright.phantom.shoot import session_text, simulate
from planewright.phantom.truth import Truth
from planewright.sessions.folder import NAME, Session

SEED = 7


@dataclass(frozen=True)
class Demo:
    """What the demo made.

    Parameters
    ----------
    folder : Path
        The simulated session.
    photographs : int
        Camera files written.
    built : Built
        The volume and the verdict.
    compared : Compared
        How both stand against the truth.
    pictures : tuple of str
        Pictures written.
    """

    folder: Path
    photographs: int
    built: Built
    compared: Compared
    pictures: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {
            "folder": str(self.folder),
            "photographs": self.photographs,
            "built": self.built.to_dict(),
            "compared": self.compared.to_dict(),
            "pictures": list(self.pictures),
        }


def run_demo(folder: Path, *, progress: Progress | None = None) -> Demo:
    """Simulate a session, build it, draw it, and compare it with the truth.

    Parameters
    ----------
    folder : Path
        Where; made if it is not there. Run again, it goes on where it was.
    progress : Progress or None
        Told of each stage.

    Returns
    -------
    Demo
        What came out.

    Raises
    ------
    Problem
        If the folder holds something else.
    """
    progress = progress or Quiet()
    truth = _shoot(folder, progress)
    built = build_pass(folder, progress=progress)
    pictures = make_pictures(folder, progress=progress)
    session = Session.open(folder)
    compared = compare(session, session.find_pass(None), built.checked, truth)
    return Demo(folder, len(truth.photographs), built, compared, pictures.written)


def _shoot(folder: Path, progress: Progress) -> Truth:
    """Write the session's camera files; session.toml comes last and proves that all are there."""
    if (folder / NAME).exists() and (folder / "truth.json").exists():
        return Truth.load(folder / "truth.json")
    if folder.exists() and any(folder.iterdir()) and not (folder / ".demo").exists():
        raise Problem(
            "This folder holds something else; the demo does not write into it.",
            where=str(folder),
            do="name an empty folder or a new one",
        )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / ".demo").touch()
    instrument = Instrument()
    truth = simulate(
        folder,
        urchin_scene(SEED),
        instrument,
        demo_faults(instrument),
        seed=SEED,
        progress=progress,
    )
    text = session_text(instrument, title="Urchin blastula, simulated", reference="gel beads")
    write_text(folder / NAME, text)
    return truth


def demo_faults(instrument: Instrument) -> Faults:
    """Return what goes wrong in the demo: a bit of everything that goes wrong at a bench."""
    return Faults(
        missed=(31,),
        doubled=(52,),
        shaken=(Shake(70, 8.0, 30.0), Shake(23, 6.0, 100.0)),
        saturated=(Glare(44, 0.4 * instrument.rows, 0.6 * instrument.columns, 7.0),),
        jitter_rms_px=2.0,
        flicker_rms=0.02,
        backlash=2,
        lamp_after=(60,),
        flipped_from=80,
        rollover_after=38,
    )
