"""Sequences of advances from photograph to photograph: the likeliest, and draws of likely ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planewright.check.clock import Clock

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Paths:
    """A hidden Markov chain over (offset against the plan, last action, fraction of the clock).

    Parameters
    ----------
    count : int
        Photographs.
    change : int array of shape (actions,)
        How each action changes the offset.
    weights : callable
        ``weights(pair)`` gives log weights (previous action, action).
    clock : Clock
        Log likelihoods of the gaps.
    start, finish : arrays of shape (offsets,)
        Log weights of the offset of the first and of the last photograph.
    first_action : int
        Action that stands before the first photograph.
    """

    def __init__(
        self,
        count: int,
        change: Ints,
        weights: Callable[[int], Floats],
        clock: Clock,
        start: Floats,
        finish: Floats,
        first_action: int = 1,
    ) -> None:
        self.count = count
        self.change = change
        self.weights = weights
        self.clock = clock
        self.finish = finish
        self.first = np.full((start.size, change.size, clock.bins), -np.inf)
        self.first[:, first_action, :] = start[:, None] - np.log(clock.bins)

    def _moved(self, table: NDArray[Any], action: int, empty: float = -np.inf) -> NDArray[Any]:
        """Return values by offset before an action, placed at the offset after it."""
        change = int(self.change[action])
        if change == 0:
            return table
        moved = np.full_like(table, empty)
        if change < 0:
            moved[:change] = table[-change:]
        elif change < table.shape[0]:
            moved[change:] = table[:-change]
        return moved

    def best(self) -> tuple[int, Ints]:
        """Return the first offset's index and the actions of the likeliest sequence."""
        score = self.first
        trail: list[tuple[Ints, Ints]] = []
        for pair in range(self.count - 1):
            weight, kernel = self.weights(pair), self.clock.kernel(pair)
            following = np.full_like(score, -np.inf)
            by_bin = np.zeros(score.shape, np.int64)
            by_action = np.zeros(score.shape, np.int64)
            for action in range(self.change.size):
                options = score + weight[:, action][None, :, None]
                usual = _best(options[:, 1:], kernel[0, action])
                after_repeat = _best(options[:, :1], kernel[1, action])
                again = after_repeat[0] > usual[0]
                height = np.where(again, after_repeat[0], usual[0])
                places = np.where(again, after_repeat[1], usual[1])
                actions = np.where(again, 0, usual[2] + 1)
                by_bin[:, action] = self._moved(places, action, 0)
                by_action[:, action] = self._moved(actions, action, 0)
                following[:, action] = self._moved(height, action)
            trail.append((by_bin, by_action))
            score = following
        final = score + self.finish[:, None, None]
        offset, action, place = (int(i) for i in np.unravel_index(np.argmax(final), final.shape))
        actions = np.empty(max(0, self.count - 1), np.int64)
        for pair in range(self.count - 2, -1, -1):
            by_bin, by_action = trail[pair]
            actions[pair] = action
            before = int(by_bin[offset, action, place]), int(by_action[offset, action, place])
            offset -= int(self.change[action])
            place, action = before
        return offset, actions

    def forward(self) -> list[Floats]:
        """Return the summed log weights of all sequences up to each photograph."""
        tables = [self.first]
        for pair in range(self.count - 1):
            weight, kernel = self.weights(pair), self.clock.kernel(pair)
            following = np.full_like(self.first, -np.inf)
            for action in range(self.change.size):
                options = tables[-1] + weight[:, action][None, :, None]
                usual = _sum(_sum(options[:, 1:], 1)[:, :, None] + kernel[0, action][None], 1)
                again = _sum(options[:, 0][:, :, None] + kernel[1, action][None], 1)
                reach = np.logaddexp(usual, again)
                following[:, action] = self._moved(reach, action)
            tables.append(following)
        return tables

    def draws(self, number: int, rng: np.random.Generator) -> tuple[Ints, Ints]:
        """Return first offsets' indices and actions, one sequence a row."""
        tables = self.forward()
        final = (tables[-1] + self.finish[:, None, None]).ravel()
        flat = _draw(np.broadcast_to(final, (number, final.size)), rng)
        shape = self.first.shape
        offsets, actions, places = (np.asarray(i) for i in np.unravel_index(flat, shape))
        out = np.empty((number, max(0, self.count - 1)), np.int64)
        for pair in range(self.count - 2, -1, -1):
            out[:, pair] = actions
            weight, kernel = self.weights(pair), self.clock.kernel(pair)
            offsets = offsets - self.change[actions]
            options = tables[pair][offsets] + weight[:, actions].T[:, :, None]
            options[:, 0] += kernel[1, actions, :, places]
            options[:, 1:] += kernel[0, actions, :, places][:, None, :]
            flat = _draw(options.reshape(number, -1), rng)
            actions, places = flat // self.clock.bins, flat % self.clock.bins
        return offsets.astype(np.int64), out


def _best(options: Floats, kernel: Floats) -> tuple[Floats, Ints, Ints]:
    """Return the best score, and from which fraction and action, for each fraction after."""
    action = np.argmax(options, axis=1)
    reach = options.max(axis=1)[:, :, None] + kernel[None]
    place = np.argmax(reach, axis=1)
    return reach.max(axis=1), place, np.take_along_axis(action, place, axis=1)


def _sum(values: Floats, axis: int) -> Floats:
    """Return log of the sum of exponentials along an axis; -inf where all are."""
    top = values.max(axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total: Floats = np.log(np.exp(values - safe).sum(axis=axis)) + np.squeeze(safe, axis)
    return total


def _draw(log_weights: Floats, rng: np.random.Generator) -> Ints:
    """Draw one index a row."""
    top = log_weights.max(axis=1, keepdims=True)
    total = np.cumsum(np.exp(log_weights - np.where(np.isfinite(top), top, 0.0)), axis=1)
    point = rng.random((log_weights.shape[0], 1)) * total[:, -1:]
    chosen: Ints = np.argmax(total > point, axis=1).astype(np.int64)
    return chosen
