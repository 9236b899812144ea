"""What was done to the photographs: every step, its options, the hash of every input."""

from __future__ import annotations

import json
import platform
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from planewright.base.files import read_text, write_json
from planewright.base.problems import SettingProblem

FORMAT = 1
_LIBRARIES = (
    "planewright",
    "numpy",
    "scipy",
    "opencv-python-headless",
    "rawpy",
    "tifffile",
    "imagecodecs",
    "zarr",
    "numcodecs",
)


def step(
    name: str,
    *,
    number: int,
    options: Mapping[str, Any],
    inputs: Sequence[Mapping[str, Any]] = (),
    results: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Describe one step in plain values.

    Parameters
    ----------
    name : str
        The step.
    number : int
        Its version; it grows when the step computes something else.
    options : mapping
        All options with units in their names.
    inputs : sequence of mappings
        What it read: name and hash of each.
    results : mapping, optional
        What it found out.

    Returns
    -------
    dict
        JSON-ready.
    """
    return {
        "step": name,
        "version": number,
        "options": dict(options),
        "inputs": list(inputs),
        "results": dict(results or {}),
    }


def write_provenance(folder: Path, about: str, steps: Sequence[Mapping[str, Any]]) -> Path:
    """Put a product's steps into the session's ``provenance.json``, replacing its earlier ones.

    Parameters
    ----------
    folder : Path
        The session's folder.
    about : str
        The product, e.g. ``"passes/a/volume.ome.zarr"``.
    steps : sequence of mappings
        As ``step`` gives them.

    Returns
    -------
    Path
        The file.
    """
    path = folder / "provenance.json"
    told: dict[str, Any] = {"format": FORMAT, "products": {}}
    if path.exists():
        told = read_provenance(folder)
    told["products"][about] = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        "steps": list(steps),
    }
    write_json(path, told)
    return path


def read_provenance(folder: Path) -> dict[str, Any]:
    """Read ``provenance.json``.

    Parameters
    ----------
    folder : Path
        The session's folder.

    Returns
    -------
    dict
        Its content.

    Raises
    ------
    SettingProblem
        If the file is newer than this program, or damaged.
    """
    path = folder / "provenance.json"
    try:
        told = json.loads(read_text(path))
        found = told["format"]
    except (ValueError, KeyError, TypeError) as error:
        raise SettingProblem(
            "The provenance file is damaged.",
            where=str(path),
            got=str(error),
            do="restore it from a copy, or move it away; products can be built again",
        ) from error
    if found != FORMAT:
        raise SettingProblem(
            "The provenance file has a format that this version does not read.",
            where=str(path),
            got=f"format {found!r}",
            expected=f"format {FORMAT}",
        )
    return dict(told)


def versions() -> dict[str, str]:
    """Return the versions of the program, the interpreter and the libraries that compute."""
    found = {"python": sys.version.split()[0], "system": platform.platform(terse=True)}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
