"""Files and images: the only room that opens or writes a picture."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from nebulakit.files.options import SUFFIXES, PrintSize, WriteOptions, check_output

if TYPE_CHECKING:
    from nebulakit.files.reading import count_values, read, read_map, with_coverage, within_reach
    from nebulakit.files.writing import header_text, write

__all__ = [
    "SUFFIXES",
    "PrintSize",
    "WriteOptions",
    "check_output",
    "count_values",
    "header_text",
    "read",
    "read_map",
    "with_coverage",
    "within_reach",
    "write",
]


def __getattr__(name: str) -> Any:
    # numpy and the file libraries load only when a picture is opened
    if name in __all__:
        room = "writing" if name in ("write", "header_text") else "reading"
        return getattr(importlib.import_module(f"nebulakit.files.{room}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
