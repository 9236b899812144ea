"""Who does the work: an executor, a memory budget, and whom to tell."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from planewright.base.blocks import run_blocks
from planewright.base.memory import blocks_in_flight, free_memory_bytes
from planewright.base.progress import Progress, Quiet

Block = TypeVar("Block")
Result = TypeVar("Result")

# The interpreter with the libraries loaded, and what the allocator keeps for later.
FIXED_BYTES = 350_000_000


@dataclass(frozen=True)
class Crew:
    """An executor with a budget.

    Parameters
    ----------
    executor : Executor
        Where blocks run: threads here; a cluster's executor elsewhere, if the session's folder
        is reached by the same path there.
    workers : int
        How many blocks it works on at once.
    budget_bytes : int
        Memory that may be used in all.
    progress : Progress
        Told of each block.
    """

    executor: Executor
    workers: int
    budget_bytes: int
    progress: Progress

    def run(
        self,
        function: Callable[[Block], Result],
        blocks: Iterable[Block],
        *,
        block_bytes: int,
        fixed_bytes: int = 0,
    ) -> Iterator[Result]:
        """Run a function over blocks, as many at once as the budget allows.

        Parameters
        ----------
        function : callable
            Pure function of one block.
        blocks : iterable
            What to run it on.
        block_bytes : int
            Peak memory of one block.
        fixed_bytes : int
            Memory in use whatever the number of blocks, beside the interpreter's.

        Yields
        ------
        object
            Results in the blocks' order.

        Raises
        ------
        SpaceProblem
            If not even one block fits into the budget.
        """
        in_flight = blocks_in_flight(
            block_bytes,
            budget_bytes=self.budget_bytes,
            fixed_bytes=FIXED_BYTES + fixed_bytes,
            workers=self.workers,
        )
        return run_blocks(
            function,
            blocks,
            executor=self.executor,
            in_flight=in_flight,
            progress=self.progress,
        )


@contextmanager
def crew(
    *,
    workers: int | None = None,
    memory_bytes: int | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Iterator[Crew]:
    """Gather threads for a job; one thread inside a block.

    Parameters
    ----------
    workers : int or None
        Blocks at once; None takes one a core that this process may use.
    memory_bytes : int or None
        Budget; None takes half of what is free.
    progress : Progress or None
        Whom to tell.
    executor : Executor or None
        Where blocks run instead of threads here; it stays the caller's.

    Yields
    ------
    Crew
        Gone when the job ends.
    """
    import cv2

    cv2.setNumThreads(1)
    count = workers or usable_cores()
    budget = memory_bytes or free_memory_bytes() // 2
    if executor is not None:
        yield Crew(executor, count, budget, progress or Quiet())
        return
    with ThreadPoolExecutor(count) as pool:
        yield Crew(pool, count, budget, progress or Quiet())


def usable_cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1
