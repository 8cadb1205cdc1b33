"""The steps, one file each or a close pair: every file in this folder is imported, and its steps are names here."""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

from nebulakit.declare import STEPS

for _file in sorted(m.name for m in pkgutil.iter_modules(__path__)):
    importlib.import_module(f"{__name__}.{_file}")


# a file may be called like its step: the function, not the file, is what a user means
globals().update({name: declared.call for name, declared in STEPS.items()})


def __getattr__(name: str) -> Any:
    raise AttributeError(f"there is no step called {name!r}; known steps: {', '.join(sorted(STEPS))}")


def __dir__() -> list[str]:
    return sorted(STEPS)
