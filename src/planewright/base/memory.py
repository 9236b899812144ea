"""The memory budget: what is free on this machine or in this container, and what fits in it."""

from __future__ import annotations

import os
from pathlib import Path

from planewright.base.problems import SpaceProblem


def free_memory_bytes() -> int:
    """Return the memory that can still be used: the smaller of system's and container's.

    Returns
    -------
    int
        Bytes. Two gigabytes where the system does not tell.
    """
    found = [value for value in (_system_bytes(), _container_bytes()) if value is not None]
    return min(found) if found else 2 * 10**9


def _system_bytes() -> int | None:
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    if hasattr(os, "sysconf"):
        try:
            return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_AVPHYS_PAGES")
        except (ValueError, OSError):
            try:
                return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
            except (ValueError, OSError):
                return None
    return _windows_bytes()


def _windows_bytes() -> int | None:
    import ctypes

    if not hasattr(ctypes, "windll"):
        return None

    class Status(ctypes.Structure):
        _fields_ = [("length", ctypes.c_ulong), ("load", ctypes.c_ulong)] + [
            (name, ctypes.c_ulonglong)
            for name in ("total", "free", "page", "page_free", "virtual", "virtual_free", "extra")
        ]

    status = Status()
    status.length = ctypes.sizeof(status)
    if not ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(status)):
        return None
    return int(status.free)


def _container_bytes() -> int | None:
    for limit_file, used_file in (
        ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
        (
            "/sys/fs/cgroup/memory/memory.limit_in_bytes",
            "/sys/fs/cgroup/memory/memory.usage_in_bytes",
        ),
    ):
        try:
            limit = Path(limit_file).read_text().strip()
            used = Path(used_file).read_text().strip()
        except OSError:
            continue
        if limit == "max":
            return None
        return max(0, int(limit) - int(used))
    return None


def blocks_in_flight(block_bytes: int, *, budget_bytes: int, fixed_bytes: int, workers: int) -> int:
    """Return how many blocks may be under way at once.

    Parameters
    ----------
    block_bytes : int
        Peak memory of one block, bytes.
    budget_bytes : int
        What may be used in all.
    fixed_bytes : int
        What is used whatever the number of blocks (libraries, tables).
    workers : int
        How many can be worked on at once; two more may wait to be fetched.

    Returns
    -------
    int
        At least 1.

    Raises
    ------
    SpaceProblem
        If not even one block fits.
    """
    room = budget_bytes - fixed_bytes
    if room < block_bytes:
        raise SpaceProblem(
            "One block of work does not fit into the memory budget.",
            got=f"budget {budget_bytes / 1e6:.0f} MB",
            expected=f"at least {(fixed_bytes + block_bytes) / 1e6:.0f} MB",
            do="raise --memory, or close other programs",
        )
    return max(1, min(workers + 1, room // max(1, block_bytes)))
