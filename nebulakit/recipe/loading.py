"""Find, read and check a recipe."""

from __future__ import annotations

import codecs
import errno
import os
from collections.abc import Container, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from nebulakit.errors import RecipeError
from nebulakit.recipe.document import Document, document
from nebulakit.recipe.extend import flattened
from nebulakit.recipe.faults import Fault, Faults, FaultyRecipe, Source, place_at
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
    if not name:
        raise RecipeError("the name of the recipe is empty; give the path of a recipe file, or the name of a shipped recipe")
    path = (beside / name) if beside else Path(name)
    if os.path.isfile(path):
        return path
    known = shipped()
    if name in known:
        return known[name]
    if os.path.exists(path):
        raise RecipeError(f"{name} is a {'folder' if os.path.isdir(path) else 'pipe or a device'}, not a recipe")
    try:
        os.stat(path)
    except FileNotFoundError:
        if os.path.islink(path):
            raise RecipeError(f"{name} is a link to {os.readlink(path)}, which is not there") from None
    except (OSError, ValueError) as fault:  # a name with a zero byte is the latter
        if getattr(fault, "errno", None) in (errno.EACCES, errno.ELOOP):
            raise RecipeError(f"cannot read {name}: {fault.strerror}") from None  # type: ignore[union-attr]
    looks_like_file = name.endswith(_ENDINGS) or "/" in name or os.sep in name
    told = "give the path of a recipe file" if looks_like_file else meant(name, known, what="shipped recipes")
    told += f", or make one with:  nebulakit new {name}" if name.endswith(_ENDINGS) else ""
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
    name = path.name if path.parent == _shipped_folder() else str(path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        if b"\0" in raw and not raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise RecipeError(f"{path} is no text, so it is no recipe; the recipe comes first, then the stack") from None
        before = raw[: fault.start].decode("utf-8-sig", "replace")
        shown = Source(name, raw.decode("utf-8-sig", "replace"))
        words = "this is not text in UTF-8; save the file as UTF-8"
        raise FaultyRecipe((Fault(place_at(shown, len(before)), words),)) from None
    return Source(name, text)


def show(where: str | os.PathLike[str], *, settings: Mapping[str, Any] = {}, origins: bool = True) -> str:
    """Give the flat recipe, what it extends and ``settings`` put in, with the file and line each part came from."""
    path = find(where)
    source = source_of(path)
    _checked(source, path, settings)
    doc, _ = _whole(source, path, settings, Faults())
    assert doc is not None, "it was read a moment ago"
    return flat_text(doc, origins=origins)


def document_of(source: Source, faults: Faults) -> Document | None:
    """Give the sections of a text."""
    from nebulakit.declare import STEPS

    node = read(source, faults)
    return document(node, source, faults, STEPS) if node is not None else None


def _whole(
    source: Source, path: Path | None, settings: Mapping[str, Any], faults: Faults, varied: Container[str] = ()
) -> tuple[Document | None, str]:
    """Give the sections with what they extend and ``settings`` put in, and the recipe's text, which is without the settings."""
    doc, text = document_of(source, faults), source.text
    if doc is not None and doc.extends is not None:
        doc = flattened(doc, path, faults)
        text = flat_text(doc) if doc is not None else text
    return None if doc is None else put_settings(doc, settings, faults, varied), text


def _checked(source: Source, path: Path | None, settings: Mapping[str, Any], varied: Container[str] = ()) -> Recipe:
    faults = Faults()
    doc, text = _whole(source, path, settings, faults, varied)
    recipe = None if doc is None else Resolver(doc, faults).recipe(path, text)
    faults.stop()
    assert recipe is not None, "a recipe that cannot be read has a fault"
    return recipe
