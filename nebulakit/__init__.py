"""nebulakit: a finished picture from a linear stack of an emission nebula, by a recipe of small, repeatable steps."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Image", "load_recipe", "read", "run", "steps", "write"]

if TYPE_CHECKING:
    from nebulakit import steps
    from nebulakit.files import read, write
    from nebulakit.image import Image
    from nebulakit.recipe import load as load_recipe
    from nebulakit.runner.face import run

_WHERE = {
    "Image": ("nebulakit.image", "Image"),
    "read": ("nebulakit.files", "read"),
    "write": ("nebulakit.files", "write"),
    "load_recipe": ("nebulakit.recipe", "load"),
    "run": ("nebulakit.runner.face", "run"),
}


def __getattr__(name: str) -> Any:
    # joined on first use, so that a command that needs no pixels loads no numpy
    if name == "steps":
        return import_module("nebulakit.steps")
    if name in _WHERE:
        module, attribute = _WHERE[name]
        return getattr(import_module(module), attribute)
    raise AttributeError(f"module 'nebulakit' has no attribute {name!r}")
