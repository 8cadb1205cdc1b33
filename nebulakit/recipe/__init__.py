"""Recipes: YAML text with positions -> a checked, frozen recipe. This room touches no pixel."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__all__ = ["Call", "Input", "Output", "Recipe", "RecipeError", "Ref", "load", "loads", "resolved", "shipped", "show", "to_yaml"]

if TYPE_CHECKING:
    from nebulakit.errors import RecipeError
    from nebulakit.recipe.loading import load, loads, shipped, show
    from nebulakit.recipe.model import Call, Input, Output, Recipe, Ref
    from nebulakit.recipe.plainly import resolved, to_yaml

_WHERE = {
    "RecipeError": "nebulakit.errors",
    "load": "nebulakit.recipe.loading",
    "loads": "nebulakit.recipe.loading",
    "shipped": "nebulakit.recipe.loading",
    "show": "nebulakit.recipe.loading",
    "Call": "nebulakit.recipe.model",
    "Input": "nebulakit.recipe.model",
    "Output": "nebulakit.recipe.model",
    "Recipe": "nebulakit.recipe.model",
    "Ref": "nebulakit.recipe.model",
    "resolved": "nebulakit.recipe.plainly",
    "to_yaml": "nebulakit.recipe.plainly",
}


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
