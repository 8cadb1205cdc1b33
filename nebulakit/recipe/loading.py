"""Find, read and check a recipe."""

from __future__ import annotations

import os
from collections.abc import Container, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from nebulakit.errors import RecipeError
from nebulakit.recipe.document import Document, document
from nebulakit.recipe.extend import flattened
from nebulakit.recipe.faults import Faults, Place, Source
from nebulakit.recipe.flat import flat_text
from nebulakit.recipe.model import Recipe
from nebulakit.recipe.names import meant
from nebulakit.recipe.resolve import Resolver
from nebulakit.recipe.settings import put_settings
from nebulakit.recipe.text import MOST, read

_ENDINGS = (".yaml", ".yml")


@cache
def _shipped_folder() -> Path | None:
    """Give the folder of shipped recipes: in the installed package, else beside it in the repository."""
    package = Path(__file__).resolve().parents[1]
    return next((f for f in (package / "data" / "recipes", package.parent / "recipes") if f.is_dir()), None)


def shipped() -> dict[str, Path]:
    """Give the recipes that come with nebulakit, by name."""
    folder = _shipped_folder()
    return {f.stem: f for f in sorted(folder.glob("*.yaml"))} if folder else {}


def load(where: str | os.PathLike[str], *, settings: Mapping[str, Any] = {}, varied: Container[str] = ()) -> Recipe:
    """Read and check a recipe: a file, or the name of a shipped one.

    Parameters
    ----------
    where
        A path, or a name such as ``bicolour``; a file of that name wins.
    settings
        ``{"ID.PARAM": "VALUE", "vars.NAME": "VALUE"}``, values as they would stand in the recipe.
    varied
        Which of them messages are to call varied instead of set.

    Raises
    ------
    RecipeError
        ``str()`` lists every fault with its place.
    UsageError
        Only ``settings`` is at fault.
    """
    path = find(where)
    return _checked(source_of(path), path, settings, varied)


def loads(text: str, source: str = "recipe.yaml", settings: Mapping[str, Any] = {}) -> Recipe:
    """Read and check a recipe given as text; ``source`` is what messages call it.

    >>> loads("version: 1").steps
    Traceback (most recent call last):
    nebulakit.recipe.faults.FaultyRecipe: recipe.yaml:1:1: error: 'steps' is missing
        version: 1
        ^
    recipe.yaml:1:1: error: 'outputs' is missing: a recipe says at least what to write
        version: 1
        ^
    """
    return _checked(Source(source, text.removeprefix("\ufeff")), None, settings)


def find(where: str | os.PathLike[str], *, beside: Path | None = None) -> Path:
    """Give the file of a recipe told by path or name; RecipeError where there is none."""
    name = os.fspath(where)
    try:
        path = (beside / name) if beside else Path(name)
        if path.is_file():
            return path
        there = path.exists()
    except (OSError, ValueError):  # a name no file system can have
        there = False
    known = shipped()
    if name in known:
        return known[name]
    if there:
        raise RecipeError(f"{name} is a folder, not a recipe")
    looks_like_file = name.endswith(_ENDINGS) or "/" in name or os.sep in name
    told = "give the path of a recipe file" if looks_like_file else meant(name, known, what="shipped recipes")
    raise RecipeError(
        f"there is no recipe file '{name}'{'' if looks_like_file else ', and no shipped recipe of that name'}; {told}"
    )


def source_of(path: Path) -> Source:
    """Read the text of a recipe file."""
    try:
        with path.open("rb") as file:
            raw = file.read(4 * MOST + 4)
    except OSError as fault:
        raise RecipeError(f"cannot read {path}: {fault.strerror or fault}") from None
    name = str(path) if not _is_shipped(path) else path.name
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        before = raw[: fault.start].decode("utf-8-sig", "replace")
        shown = Source(name, raw.decode("utf-8-sig", "replace"))
        faults = Faults()
        faults.add(
            Place(shown, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1),
            "this is not text in UTF-8; save the file as UTF-8",
        )
        faults.stop()
        raise AssertionError("unreachable") from None
    return Source(name, text)


def show(where: str | os.PathLike[str], *, settings: Mapping[str, Any] = {}, origins: bool = True) -> str:
    """Give the flat recipe, what it extends and ``settings`` put in, with the file and line each part came from."""
    path = find(where)
    _checked(source_of(path), path, settings)
    faults = Faults()
    doc = document_of(source_of(path), faults)
    assert doc is not None, "it was read a moment ago"
    flat = flattened(doc, path, faults) if doc.extends is not None else doc
    assert flat is not None, "it was read a moment ago"
    return flat_text(put_settings(flat, settings, faults), origins=origins)


def _is_shipped(path: Path) -> bool:
    return path.parent == _shipped_folder()


def document_of(source: Source, faults: Faults) -> Document | None:
    """Give the sections of a text."""
    from nebulakit.declare import STEPS

    node = read(source, faults)
    return document(node, source, faults, STEPS) if node is not None else None


def _checked(source: Source, path: Path | None, settings: Mapping[str, Any], varied: Container[str] = ()) -> Recipe:
    faults = Faults()
    doc = document_of(source, faults)
    text = source.text
    if doc is not None and doc.extends is not None:
        doc = flattened(doc, path, faults)
        text = flat_text(doc) if doc is not None else text
    if doc is None:
        faults.stop()
        raise AssertionError("a recipe that cannot be read has a fault")
    doc = put_settings(doc, settings, faults, varied)
    recipe = Resolver(doc, faults).recipe(path, text)
    faults.stop()
    return recipe
