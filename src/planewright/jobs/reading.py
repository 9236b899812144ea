"""A session for reading, as a notebook wants it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from planewright.sessions.folder import Session
from planewright.volume.store import open_mask, open_volume

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True)
class SessionView:
    """What a session holds.

    Parameters
    ----------
    session : Session
        Its folder and settings.
    """

    session: Session

    @classmethod
    def open(cls, path: str | os.PathLike[str]) -> SessionView:
        """Open a session's folder.

        Parameters
        ----------
        path : str or path-like
            The folder, or its ``session.toml``.

        Returns
        -------
        SessionView
            The session.

        Raises
        ------
        planewright.base.problems.Problem
            If there is no session, or its settings cannot be read.
        """
        return cls(Session.open(path))

    @property
    def passes(self) -> tuple[str, ...]:
        """Names of the session's passes."""
        return tuple(one.name for one in self.session.settings.passes)

    def volume(self, name: str | None = None, *, level: int = 0) -> xarray.DataArray:
        """Return a pass's volume, lazily.

        Parameters
        ----------
        name : str or None
            The pass; None if there is only one.
        level : int
            Level of the pyramid, 0 the finest.

        Returns
        -------
        xarray.DataArray of float32, dims (z, y, x)
            Light, with the voxels' centres in µm as coordinates. Only what is used is read.

        Raises
        ------
        StoreProblem
            If the volume has not been built.
        """
        one = self.session.find_pass(name)
        return open_volume(self.session.volume_path(one.name), level=level)

    def mask(self, name: str | None = None, *, level: int = 0) -> xarray.DataArray:
        """Return a pass's mask, lazily: sums of ``planewright.base.nouns.Flag``.

        Parameters
        ----------
        name : str or None
            The pass; None if there is only one.
        level : int
            Level of the pyramid, 0 the finest.

        Returns
        -------
        xarray.DataArray of uint8, dims (z, y, x)
            Zero where the light can be used.

        Raises
        ------
        StoreProblem
            If the volume has not been built.
        """
        one = self.session.find_pass(name)
        return open_mask(self.session.volume_path(one.name), level=level)
