"""Change parameters in a recipe's text, leaving its comments and layout alone."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

import yaml

from nebulakit.recipe.model import Recipe
from nebulakit.recipe.text import scalar_value

_SAFE = re.compile(r"[A-Za-z0-9_.+-](?:[A-Za-z0-9_.+%/ -]*[A-Za-z0-9_.+%/-])?")


def edited(recipe: Recipe, values: Mapping[str, Mapping[str, Any]]) -> str:
    """Give the recipe's text with parameters set: ``values`` maps step ids to parameters and their plain values.

    A parameter that stands in the text is replaced where it stands; a new one is added after the others.
    """
    root = yaml.compose(recipe.text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)
    steps = next(value for key, value in root.value if key.value == "steps")
    edits: list[tuple[int, int, str]] = []  # from, to, new text
    for call, node in zip(recipe.steps, steps.value, strict=True):
        wanted = values.get(call.id)
        if wanted:
            key, params = next((k, v) for k, v in node.value if k.value == call.step)
            edits += _edits(recipe.text, key, params, wanted)
    text = recipe.text
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def _edits(text: str, key: yaml.Node, params: yaml.Node, wanted: Mapping[str, Any]) -> list[tuple[int, int, str]]:
    if not isinstance(params, yaml.MappingNode):  # "- bin:" with nothing behind it
        end = text.index(":", key.end_mark.index) + 1
        return [(end, max(end, params.end_mark.index if text[end : params.end_mark.index].strip() else end), " " + flow(wanted))]
    there = {k.value: v for k, v in params.value}
    out = []
    for name, value in wanted.items():
        if name in there:
            start, end = there[name].start_mark.index, there[name].end_mark.index
            # a block collection ends where the next token begins: give the blanks and comments before it back
            piece = text[start:end]
            if not (isinstance(there[name], yaml.ScalarNode) or there[name].flow_style):
                kept = [line for line in piece.splitlines() if line.strip() and not line.lstrip().startswith("#")]
                end = start + piece.rindex(kept[-1]) + len(kept[-1])
            out.append((start, end, flow(value)))
    new = {name: value for name, value in wanted.items() if name not in there}
    if not new:
        return out
    if params.flow_style:
        end = params.end_mark.index - 1
        body = ", ".join(f"{k}: {flow(v)}" for k, v in new.items())
        out.append((end, end, f", {body}" if there else body))
    else:
        indent = " " * params.start_mark.column
        start = params.start_mark.index
        body = "".join(f"{k}: {flow(v)}\n{indent}" for k, v in new.items())
        out.append((start, start, body))
    return out


def flow(value: Any) -> str:
    """Write a plain value as YAML on one line.

    >>> flow({"size": "80%", "points": [[0, 0.5]], "of": "true"})
    '{size: 80%, points: [[0, 0.5]], of: "true"}'
    """
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(flow, value)) + "]"
    return word(value) if isinstance(value, str) else json.dumps(value)


def word(text: str) -> str:
    """Write a text, in quotation marks where it would otherwise be something else."""
    if not is_safe(text) or text.startswith(("- ", "---")) or text in ("-", "..."):
        return quoted(text)
    try:
        return text if scalar_value(text) == text else quoted(text)
    except ValueError:
        return quoted(text)


def is_safe(text: str) -> bool:
    """Say whether a text holds no sign that means something in YAML."""
    return _SAFE.fullmatch(text) is not None


def quoted(text: str) -> str:
    """Write a text in quotation marks; what does not print is written as YAML's escapes.

    >>> quoted('a "b"')
    '"a \\\\"b\\\\""'
    """
    signs = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}
    return '"' + "".join(signs.get(c) or (c if c.isprintable() else f"\\U{ord(c):08X}") for c in text) + '"'
