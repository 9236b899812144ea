"""A small simulated session that several tests build."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from planewright.phantom.faults import Faults
from planewright.phantom.instrument import small_instrument
from planewright.phantom.scene import small_urchin_scene
from planewright.phantom.shoot import session_text, simulate

TINY = {"rows": 192, "columns": 224, "frames": 26, "margin_px": 16}


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Return the folder of real photographs beside the repository, or skip."""
    folder = Path(__file__).parents[1].parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("real photographs are not here: ../shared/data")
    return folder


@pytest.fixture(scope="session")
def shot_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a simulated session as the camera leaves it; not to be written to."""
    folder = tmp_path_factory.mktemp("shot") / "urchin"
    instrument = small_instrument(**TINY)
    faults = Faults(jitter_rms_px=1.5, flicker_rms=0.01, missed=(9,))
    simulate(folder, small_urchin_scene(2), instrument, faults, seed=2, darks=4, flats=4)
    (folder / "session.toml").write_text(session_text(instrument), encoding="utf-8")
    return folder


@pytest.fixture
def a_session(shot_session: Path, tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of copies of the simulated session; words of its file can be changed."""
    count = [0]

    def make(**changes: str) -> Path:
        count[0] += 1
        folder = tmp_path / f"session {count[0]}"
        shutil.copytree(shot_session, folder)
        file = folder / "session.toml"
        text = file.read_text(encoding="utf-8")
        for old, new in changes.items():
            text = _changed(text, old, new)
        file.write_text(text, encoding="utf-8")
        return folder

    return make


def _changed(text: str, key: str, value: str) -> str:
    """Replace the line of a key; an empty value takes it out."""
    lines: list[Any] = []
    hit = False
    for line in text.splitlines():
        if line.split("=")[0].strip() == key:
            hit = True
            if value:
                lines.append(f"{key} = {value}")
        else:
            lines.append(line)
    assert hit, f"no key {key} in the simulated session's file"
    return "\n".join(lines) + "\n"
