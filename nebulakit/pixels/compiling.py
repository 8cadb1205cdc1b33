"""Loops over pixels, compiled: once for a machine, and kept beside the file that holds them.

Import what uses this inside functions: it loads the compiler.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a loop; where there is no place to keep what was compiled, anew in each process."""
    # sums may be taken in the order that the processor likes: it is always the same one
    how: dict[str, Any] = {"nogil": True, "fastmath": {"contract", "reassoc", "nsz"}, "error_model": "numpy"}
    try:
        return cast(F, numba.njit(cache=True, **how)(function))
    except RuntimeError:
        return cast(F, numba.njit(**how)(function))
