"""The memory of this process and of the system, as far as the system tells."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import sys


def give_back_memory() -> None:
    """Let go of what steps left behind: cycles of objects, and pages that the allocator holds for later, where it can be told to.

    After the parting of stars three quarters of what the process held went back.
    """
    gc.collect(1)  # a step's are young; looking through all that was ever loaded takes 0.1 s
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):  # another C library
            ctypes.CDLL("libc.so.6").malloc_trim(0)


def reset_peak_memory() -> None:
    """Start measuring peak memory anew, where the system can."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError), open("/proc/self/clear_refs", "w") as f:
            f.write("5")


def peak_memory_mb() -> float | None:
    """Give the largest memory this process has held, since the last reset where the system knows it."""
    if sys.platform == "linux":
        with open("/proc/self/status") as f:
            for line in f:
                if line.startswith("VmHWM"):
                    return round(int(line.split()[1]) / 1024, 1)
    try:
        import resource
    except ImportError:  # not on Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (1024 * 1024 if sys.platform == "darwin" else 1024), 1)


def available_memory() -> int | None:
    """Give the bytes of memory that can still be used, where the system tells."""
    try:
        with open("/proc/meminfo") as f:
            return next(int(line.split()[1]) * 1024 for line in f if line.startswith("MemAvailable"))
    except (OSError, StopIteration):
        pass
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None
