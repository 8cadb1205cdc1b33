"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any


@contextlib.contextmanager
def whole(path: Path, prefix: str = ".", mode: str = "xb") -> Iterator[IO[Any]]:
    """Open a file of another name beside ``path``, which takes its place when all is written, and is gone where that fails.

    The other name begins with ``prefix`` and is short: ``path`` may be as long as a name can be.
    """
    part = path.with_name(prefix + secrets.token_hex(6))
    try:
        with open(part, mode) as to:
            yield to
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(OSError):  # a disk that cannot be written to refuses this, too
            part.unlink()
        raise
