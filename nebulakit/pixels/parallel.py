"""Work on several planes or blocks at once; the same bits for any number of threads."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

threads: ContextVar[int] = ContextVar("threads", default=1)
"""How many threads :func:`over` may use: set by the command line, one in a library call."""


def over(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Give ``[function(item) for item in items]``, in order; numpy and OpenCV release the lock meanwhile.

    >>> over(abs, [-1, 2])
    [1, 2]
    """
    many = list(items)
    n = min(threads.get(), len(many))
    if n <= 1:
        return [function(item) for item in many]
    with ThreadPoolExecutor(n) as pool:
        return list(pool.map(function, many))


class _Blas:
    """How many threads BLAS has belongs to the process: the first that asks for one sets it, the last that needs it gives back."""

    lock = threading.Lock()
    depth = 0
    limited: Any = None


@contextlib.contextmanager
def one_blas_thread() -> Iterator[None]:
    """Let BLAS run on one thread meanwhile: on several, sums come out in other bits, and small matrices take several times longer.

    The command line starts that way; a notebook does not.

    >>> with one_blas_thread():
    ...     pass
    """
    if os.environ.get("OPENBLAS_NUM_THREADS") == os.environ.get("MKL_NUM_THREADS") == "1":
        yield
        return
    import scipy.linalg  # noqa: F401  what is loaded later would not be reached
    from threadpoolctl import threadpool_limits

    with _Blas.lock:
        if _Blas.depth == 0:
            _Blas.limited = threadpool_limits(1, user_api="blas")
        _Blas.depth += 1
    try:
        yield
    finally:
        with _Blas.lock:
            _Blas.depth -= 1
            if _Blas.depth == 0:
                _Blas.limited.restore_original_limits()
