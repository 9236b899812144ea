"""Where the judge draws its lines, each with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Limits:
    """Thresholds of the judge.

    Parameters
    ----------
    patch_pixels : int
        Connected full pixels from which a frame is called saturated. Nine are a 3 × 3 patch: a
        full spot of specimen; single ones are cosmic hits or unmapped hot pixels.
    dark_share : float
        Share of the neighbours' light below which the light was off. Flicker and bleaching stay
        far above it.
    added_share : float
        Rise of the background, relative to the neighbours' signal, from which other light is
        suspected; it must also stand out from the usual scatter and from the noise.
    colour_change : float
        Change of a colour's share of all light from which the light is another one.
    scatter : float
        How many standard deviations (robust, from the neighbours) a figure must stand out. At
        4.5 a stack of 1000 frames with Gaussian scatter gives no false finding.
    shake_scatter : float
        The same for blur by shaking. Frames that shook by half the lens's width are few and lie
        low; of 530 simulated good frames none stayed above it, but more do beside faults.
    content : float
        Share of cells well above noise below which sharpness is not judged.
    flicker_share : float
        Scatter of the light from frame to frame from which it is reported.
    drift_pixels : float
        Slow movement over the stack, lattice pixels, from which it is reported.
    jump_pixels : float
        Sudden movement between two frames, lattice pixels, from which it is reported.
    passing_pixels : float
        Size of a bright patch that neither neighbour shows, signature pixels, from which
        something crossed the picture. A bead stays below it.
    absurd_exposure_s : float
        Exposure times from here on are taken for a damaged entry.
    """

    patch_pixels: int = 9
    dark_share: float = 0.3
    added_share: float = 0.02
    colour_change: float = 0.03
    scatter: float = 4.5
    shake_scatter: float = 4.0
    content: float = 0.01
    flicker_share: float = 0.03
    drift_pixels: float = 10.0
    jump_pixels: float = 6.0
    passing_pixels: float = 50.0
    absurd_exposure_s: float = 86_400.0


@dataclass(frozen=True)
class JudgeSettings:
    """What the judge is told of a pass.

    Parameters
    ----------
    planned : int or None
        Number of planned positions; None where no plan is known.
    cadence_s : float or None
        Planned seconds from trigger to trigger; estimated from the times where not given.
    step_um : float or None
        Travel between positions, for the words and tables.
    first_z_um : float
        z of position 0, µm.
    towards_lens : bool
        Whether z falls from position to position.
    controller_position : callable or None
        Gives the controller's reading for a position, e.g. ``"6.66 mm"``, for retakes.
    expect_light : str
        Light by which the pass was taken: ``"laser"`` or ``"lamp"``.
    limits : Limits
        Thresholds.
    """

    planned: int | None = None
    cadence_s: float | None = None
    step_um: float | None = None
    first_z_um: float = 0.0
    towards_lens: bool = False
    controller_position: Callable[[int], str] | None = None
    expect_light: str = "laser"
    limits: Limits = field(default_factory=Limits)

    def z_um(self, position: int) -> float | None:
        """Return z of a position, µm; None where the step is not known."""
        if self.step_um is None:
            return None
        return self.first_z_um + (-1 if self.towards_lens else 1) * position * self.step_um

    def place(self, first: int, total: int, last: int | None = None) -> str:
        """Name a position, or a run of them, with z and the controller's reading where known."""
        ends = [first] if last is None or last == first else [first, last]
        name = " to ".join(str(position + 1) for position in ends)
        parts = []
        if self.step_um is not None:
            heights = " to ".join(f"{self.z_um(position):.1f}" for position in ends)
            parts.append(f"z = {heights} µm")
        if self.controller_position is not None:
            readings = " to ".join(self.controller_position(position) for position in ends)
            parts.append(f"controller at {readings}")
        more = f" ({', '.join(parts)})" if parts else ""
        return f"plane{'s' if len(ends) > 1 else ''} {name} of {total}{more}"
