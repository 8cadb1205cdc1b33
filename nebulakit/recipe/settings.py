"""Choices made on the command line: ``ID.PARAM=VALUE`` and ``vars.NAME=VALUE`` put into a document as if they stood there."""

from __future__ import annotations

import json
from collections.abc import Container
from collections.abc import Mapping as Names
from dataclasses import replace
from typing import Any

from nebulakit.declare import STEPS
from nebulakit.recipe.document import Document, RawStep
from nebulakit.recipe.extend import changed, index_of
from nebulakit.recipe.faults import Faults, Place, Source
from nebulakit.recipe.names import meant
from nebulakit.recipe.text import Entry, Node, Scalar, plain, read, scalar_value, unprintable

_BESIDE = ("from", "mask", "amount", "skip")
"""What may be set beside a step."""


def put_settings(doc: Document, settings: Names[str, Any], faults: Faults, varied: Container[str] = ()) -> Document:
    """Give the document with the settings in their places; unknown names are answered with the nearest.

    Those that a sweep ``varied`` were told by another option.
    """
    steps, vars = list(doc.steps), dict(doc.vars)
    for key, given in settings.items():
        text = given if isinstance(given, str) else json.dumps(given)
        source = Source(f"{'--vary' if key in varied else '--set'} {key}={text}", text, setting=True)
        place = Place(source, 1, 1)
        id, dot, name = key.strip().partition(".")
        if not dot or not id or not name:
            faults.add(place, "expected ID.PARAM=VALUE or vars.NAME=VALUE")
            continue
        value = setting_value(source, faults)
        if value is None:
            continue
        entry = Entry(Scalar(place, name, name), value)
        if id == "vars":
            if name not in vars:
                faults.add(place, f"the recipe has no variable '{name}'; {meant(name, vars, what='it has')}")
            vars[name] = entry
            continue
        index = index_of(Scalar(place, id, id), steps, faults)
        if index is not None:
            steps[index] = changed(steps[index], name, _as_text(steps[index], name, entry), faults, _BESIDE)
    return replace(doc, steps=tuple(steps), vars=vars)


def _as_text(raw: RawStep, name: str, entry: Entry) -> Entry:
    """Give a value as the text it was typed as where only a text is wanted: a shell takes the quotation marks away."""
    node, step = entry.value, STEPS.get(raw.name)
    if step is None or name not in step.abouts:
        return entry
    if not isinstance(node, Scalar) or isinstance(node.value, str) or node.value is None:
        return entry
    kind = step.params.model_json_schema()["properties"][name].get("type")
    return Entry(entry.key, replace(node, value=node.text)) if kind == "string" else entry


def value_of(key: str, given: Any) -> Any:
    """Give the plain value of a setting that was put in before."""
    text = given if isinstance(given, str) else json.dumps(given)
    node = setting_value(Source(key, text, setting=True), Faults())
    return None if node is None else plain(node)


def setting_value(source: Source, faults: Faults) -> Node | None:
    """Read the value of a setting: a list, mapping or quoted text as in a recipe, anything else whole as one value."""
    text = source.text.strip()
    if text[:1] in ("[", "{", '"', "'"):
        return read(Source(source.name, text, setting=True), faults)
    if unprintable(source, faults):
        return None
    place = Place(source, 1, 1)
    try:
        return Scalar(place, scalar_value(text), text)
    except ValueError as fault:
        faults.add(place, str(fault))
        return None
