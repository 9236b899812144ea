"""What the camera's clock says of the gap between two photographs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_STRAY = 1e-6  # share of time gaps that follow no rule
_PAUSE = 10.0  # cadences that an unplanned photograph may take
_QUICK = 0.75  # of the cadence within which a camera that fires twice fires again
_BINS = 16  # parts of a clock's step in which its hidden fraction is followed
_JITTER = 0.015  # of the cadence: how unevenly triggers come, at least


def estimate_cadence(moments_s: Floats, clock_step_s: float = 1.0) -> float | None:
    """Return the seconds from photograph to photograph, whatever the few missed.

    Parameters
    ----------
    moments_s : array of shape (frames,)
        Times; NaN where unknown.
    clock_step_s : float
        Step of the clock.

    Returns
    -------
    float or None
        Median slope over many photographs, gaps of several cadences counted as several; where
        the clock's step hides single gaps, over ten. None for fewer than three times or none
        that grow.
    """
    known = np.flatnonzero(np.isfinite(moments_s))
    if known.size < 3:
        return None
    gaps = np.diff(moments_s[known]) / np.diff(known)
    middle = float(np.median(gaps))
    if middle > 1.5 * clock_step_s:
        # Slots from the gaps themselves, then the median slope over many of them.
        # A gap that is short, beside a repeat, counts as the part that it is.
        share = gaps / middle
        share = np.where(share < 0.75, share, np.round(share))
        slots = np.concatenate([[0.0], np.cumsum(share * np.diff(known))])
        lag = max(1, known.size // 3)
        steps = slots[lag:] - slots[:-lag]
        slope = (moments_s[known[lag:]] - moments_s[known[:-lag]])[steps > 0] / steps[steps > 0]
        return float(np.median(slope)) if slope.size else middle
    lag = max(1, min(10, (known.size - 1) // 3))
    slope = (moments_s[known[lag:]] - moments_s[known[:-lag]]) / (known[lag:] - known[:-lag])
    cadence = float(np.median(slope))
    return cadence if cadence > 0 else None


class Clock:
    """Likelihood of time gaps for each advance.

    Where the cadence is longer than the clock's step, a gap speaks for itself. Where it is
    shorter, the hidden fraction of the step is followed from photograph to photograph: a missed
    trigger shows a few photographs later, when the seconds turn at the wrong place.

    Parameters
    ----------
    moments_s : array of shape (frames,)
        Times, seconds; NaN where unknown.
    advance : int array of shape (actions,)
        Cadences that each action takes; 0 for a photograph that repeats the one before, which
        mostly comes early.
    cadence_s : float or None
        Seconds from trigger to trigger.
    clock_step_s : float
        Step of the clock.
    free : bool array of shape (frames - 1,)
        Gaps beside a photograph that may not have been planned: then it came when it liked.
    """

    def __init__(
        self,
        moments_s: Floats,
        advance: NDArray[np.int64],
        cadence_s: float | None,
        clock_step_s: float,
        free: NDArray[np.bool_],
    ) -> None:
        self.gaps = np.diff(moments_s)
        self.advance = advance
        self.cadence_s = cadence_s
        self.step = clock_step_s
        self.free = free
        known = np.isfinite(self.gaps)
        hidden = cadence_s is not None and cadence_s < 1.5 * clock_step_s and bool(known.any())
        self.bins = _BINS if hidden else 1
        self._kept: dict[tuple[float, bool], Floats] = {}
        if cadence_s is not None and known.any():
            self.span = max(float(np.nanmax(self.gaps)), cadence_s) + 1.0
            self.jitter = self._jitter(self.gaps[known], cadence_s)

    def _jitter(self, gaps: Floats, cadence_s: float) -> float:
        least = _JITTER * cadence_s
        if self.bins > 1:
            return max(least, 0.6 * self.step / self.bins)
        near = np.abs(gaps - cadence_s) <= 1.01 * self.step + 0.1 * cadence_s
        if near.mean() >= 0.6:
            spread2 = float(np.mean(np.square(gaps[near] - cadence_s)))
        else:  # triggered by hand: gaps say little
            spread2 = (1.4826 * float(np.median(np.abs(gaps - cadence_s)))) ** 2
        return float(np.sqrt(max(spread2 - self.step**2 / 6.0, least**2)))

    def kernel(self, pair: int) -> Floats:
        """Return log likelihoods of one gap.

        Parameters
        ----------
        pair : int
            Index of the earlier photograph.

        Returns
        -------
        array of shape (2, actions, fractions before, fractions after)
            After an ordinary photograph, and after a repeat: this may have come early, so that
            the rest of its cadence is still to pass.
        """
        gap = float(self.gaps[pair])
        if self.cadence_s is None or not np.isfinite(gap):
            return np.full((2, self.advance.size, self.bins, self.bins), -np.log(self.bins))
        key = (gap, bool(self.free[pair]))
        if key not in self._kept:
            self._kept[key] = self._kernel(gap, self.cadence_s, key[1])
        return self._kept[key]

    def _kernel(self, gap: float, cadence_s: float, free: bool) -> Floats:
        out = np.empty((2, self.advance.size, self.bins, self.bins))
        stray, pause = _STRAY / self.span, 0.5 / (_PAUSE * cadence_s)
        for action, advance in enumerate(self.advance):
            plain = self._density(gap, advance * cadence_s)
            early = self._spread(gap, max(advance - 1, 0) * cadence_s, max(advance, 1) * cadence_s)
            if advance == 0:  # fired twice at once; seldom did the stage stand still for a step
                quick = self._spread(gap, 0.0, _QUICK * cadence_s)
                plain = 0.98 * quick + 0.02 * self._density(gap, cadence_s)
            after = 0.5 * plain + 0.5 * early
            for row, density in enumerate((plain, after)):
                # Only one more than planned came when it liked, none in a planned one's place.
                loose = free and (advance == 0 or row == 1)
                usual = 0.5 * density + pause if loose else density + stray
                out[row, action] = np.log(usual) - np.log(self.bins)
        return out

    def _spread(self, gap: float, first: float, last: float) -> Floats:
        """Return the density of a gap that is anything between two lengths."""
        nodes = first + (np.arange(8) + 0.5) / 8 * (last - first)
        mean: Floats = np.mean([self._density(gap, node) for node in nodes], axis=0)
        return mean

    def _density(self, gap: float, expected: float) -> Floats:
        """Return the density of a gap, times the number of bins where fractions are followed."""
        if self.bins == 1:
            return np.full((1, 1), _triangle(gap - expected, self.jitter, self.step))
        width = self.step / self.bins
        fraction = (np.arange(self.bins) + 0.5) * width
        # floor(t) grows by the gap, so the fraction moves by what is left of the true advance
        away = fraction[None, :] - fraction[:, None] - (expected - gap)
        sigma = self.jitter
        density = np.exp(-0.5 * (away / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
        result: Floats = density * width * self.bins
        return result


def _triangle(distance: float, jitter: float, step: float) -> float:
    """Return the density of a difference of two readings of a clock that cuts to its step."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    width = max(step, 0.5 * jitter)
    away = np.abs(distance - nodes * jitter) / width
    return float((weights / weights.sum() * np.maximum(0.0, 1.0 - away) / width).sum())
