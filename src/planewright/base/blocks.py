"""Blocks of work on an executor: bounded in flight, results in order, stoppable.

A block is a frame, a slab or a 3D block with a halo. The function is pure; the executor is any
``concurrent.futures.Executor`` (threads here, a cluster's executor elsewhere).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

from planewright.base.progress import Progress

Block = TypeVar("Block")
Result = TypeVar("Result")


def run_blocks(
    function: Callable[[Block], Result],
    blocks: Iterable[Block],
    *,
    executor: Executor,
    in_flight: int,
    progress: Progress,
) -> Iterator[Result]:
    """Run a function over blocks and give the results in the blocks' order.

    Parameters
    ----------
    function : callable
        Pure function of one block.
    blocks : iterable
        What to run it on; taken lazily.
    executor : concurrent.futures.Executor
        Where it runs.
    in_flight : int
        How many blocks may be under way or waiting to be fetched at once.
    progress : Progress
        Asked before each block whether to stop, told after each result.

    Yields
    ------
    object
        ``function(block)`` for each block, in order.

    Raises
    ------
    StoppedProblem
        If the person asked to stop; blocks under way are finished first.
    """
    waiting: deque[Future[Result]] = deque()
    source = iter(blocks)
    try:
        while True:
            progress.check()
            while len(waiting) < max(1, in_flight):
                try:
                    block = next(source)
                except StopIteration:
                    break
                waiting.append(executor.submit(function, block))
            if not waiting:
                return
            result = waiting.popleft().result()
            progress.advance()
            yield result
    finally:
        for future in waiting:
            future.cancel()
        for future in waiting:
            if not future.cancelled():
                future.exception()
