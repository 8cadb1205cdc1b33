"""Recipes: YAML text with positions -> a checked, frozen recipe. This room touches no pixel."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nebulakit.recipe.loading import load, loads, shipped, show
    from nebulakit.recipe.plainly import resolved, to_yaml

__all__ = ["load", "loads", "resolved", "shipped", "show", "to_yaml"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        room = "plainly" if name in ("resolved", "to_yaml") else "loading"
        return getattr(import_module(f"nebulakit.recipe.{room}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
