"""What lies beside the project and is no part of it: observations, and another generator of scenes with known truth."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[3] / "shared"


def generator() -> Any:
    """Give the module that makes the scenes."""
    folder = str(FOLDER / "score")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return import_module("scene")
