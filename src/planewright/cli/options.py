"""Options that several commands share."""

from __future__ import annotations

import typer

from planewright.base.problems import RangeProblem
from planewright.base.units import parse_quantity

PASS = typer.Option("--pass", help="Name of the pass; needed only if there are several.")
WORKERS = typer.Option(help="Threads that work at once. Default: one a core.", min=1, max=256)
MEMORY = typer.Option(help='Memory to use at most, "4 GB". Default: half of what is free.')


def memory_bytes(text: str | None) -> int | None:
    """Read the memory option.

    Parameters
    ----------
    text : str or None
        As typed.

    Returns
    -------
    int or None
        Bytes; None where the default is meant.

    Raises
    ------
    UnitProblem, RangeProblem
        If it is no amount of memory, or absurdly small.
    """
    if text is None:
        return None
    value = int(parse_quantity(text, "byte", where="--memory"))
    if value < 50_000_000:
        raise RangeProblem(
            "This is too little memory to work with.",
            where="--memory",
            got=text,
            expected="at least 50 MB",
        )
    return value
