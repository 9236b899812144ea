"""planewright: from light-sheet photographs to one volume in true micrometres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from planewright.jobs.reading import SessionView

__version__ = "0.1.0"
__all__ = ["__version__", "session"]


def session(path: Any) -> SessionView:
    """Open a session folder for reading.

    Parameters
    ----------
    path : str or path-like
        The session's folder, or its ``session.toml``.

    Returns
    -------
    SessionView
        What a notebook needs: ``.volume("a")`` gives a lazy ``xarray.DataArray`` (z, y, x) in µm.

    Raises
    ------
    planewright.base.problems.Problem
        If the folder is no session, or its settings cannot be read.
    """
    from planewright.jobs.reading import SessionView

    return SessionView.open(path)
