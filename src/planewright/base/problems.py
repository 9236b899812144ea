"""What can go wrong, told so that a person can act on it.

::

    Problem                   exit code 1: something in the data or on the disk
    ├── PhotographProblem     a photograph cannot be read or cannot be used
    ├── SpaceProblem          disk or memory does not suffice
    ├── LockProblem           another process is writing to the session
    ├── StoreProblem          a volume on disk is missing, half there or not ours
    ├── StoppedProblem        the person asked to stop (exit code 130)
    └── UsageProblem          exit code 2: a setting, a command or an argument is wrong
        ├── RangeProblem      a number outside what is physically or sensibly possible
        ├── UnitProblem       a quantity without its unit, or with one of another kind
        └── SettingProblem    an unknown, missing or contradictory key in a settings file
"""

from __future__ import annotations

from typing import Any


class Problem(Exception):
    """Something a person must know of: what, where, got, expected, do.

    Parameters
    ----------
    what : str
        One sentence: what is wrong.
    where : str
        File, frame, key or line.
    got : str
        What was found, with its unit.
    expected : str
        What would have been right, with its unit.
    do : str
        What the person can do about it.
    """

    exit_code = 1

    def __init__(
        self, what: str, *, where: str = "", got: str = "", expected: str = "", do: str = ""
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.got = got
        self.expected = expected
        self.do = do

    @property
    def kind(self) -> str:
        """Short name of the kind of problem, for programs."""
        return type(self).__name__.removesuffix("Problem").lower() or "problem"

    def to_dict(self) -> dict[str, str]:
        """Return the one JSON shape in which every problem is told to programs."""
        return {
            "kind": self.kind,
            "what": self.what,
            "where": self.where,
            "got": self.got,
            "expected": self.expected,
            "do": self.do,
        }

    def __str__(self) -> str:
        lines = [self.what]
        for name in ("where", "got", "expected", "do"):
            text = getattr(self, name)
            if text:
                lines.append(f"  {name:<9} {text}")
        return "\n".join(lines)

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (type(self), self.to_dict()))


def _rebuild(cls: type[Problem], parts: dict[str, str]) -> Problem:
    parts = {name: text for name, text in parts.items() if name != "kind"}
    return cls(parts.pop("what"), **parts)


class PhotographProblem(Problem):
    """A photograph cannot be read, or cannot be used as what it is said to be."""


class SpaceProblem(Problem):
    """Disk or memory does not suffice."""


class LockProblem(Problem):
    """Another process is writing to the session."""


class StoreProblem(Problem):
    """A volume on disk is missing, half there, or not one of ours."""


class StoppedProblem(Problem):
    """The person asked to stop; what was finished is kept."""

    exit_code = 130


class UsageProblem(Problem):
    """A setting, a command or an argument is wrong."""

    exit_code = 2


class RangeProblem(UsageProblem):
    """A number lies outside what is physically or sensibly possible."""


class UnitProblem(UsageProblem):
    """A quantity has no unit, or one of another kind."""


class SettingProblem(UsageProblem):
    """A key in a settings file is unknown, missing or contradicts another."""
