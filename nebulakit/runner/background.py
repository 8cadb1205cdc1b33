"""Work that goes on beside the steps: writing what is finished, looking at it for the page."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor


class Background:
    """Does one piece of work after the other beside the caller, who waits where more than two are open."""

    def __init__(self) -> None:
        self._pool: ThreadPoolExecutor | None = None
        self._open: list[Future[None]] = []
        self._fault: OSError | None = None

    def put(self, work: Callable[[], None]) -> None:
        """Take on a piece of work; after a fault nothing more is done."""
        if self._pool is None:
            self._pool = ThreadPoolExecutor(1, "keeping")
        while len(self._open) > 1:
            self._settle()
        if self._fault is None:
            self._open.append(self._pool.submit(work))

    def _settle(self) -> None:
        try:
            self._open.pop(0).result()
        except OSError as fault:
            self._fault = fault

    def wait(self) -> OSError | None:
        """Wait for all of it; give the fault that ended it, once, if there was one."""
        while self._open:
            self._settle()
        fault, self._fault = self._fault, None
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None
        return fault
