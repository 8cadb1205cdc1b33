"""Work on several planes or blocks at once; the same bits for any number of threads."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar
from typing import TypeVar

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
