"""Change parameters in a recipe's text, leaving its comments and layout alone."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

import yaml

from nebulakit.declare import STEPS
from nebulakit.recipe.document import BESIDE
from nebulakit.recipe.model import Recipe
from nebulakit.recipe.text import scalar_value

_SAFE = re.compile(r"[A-Za-z0-9_.+-](?:[A-Za-z0-9_.+%/ -]*[A-Za-z0-9_.+%/-])?")


def settled(recipe: Recipe, settings: Mapping[str, Any]) -> tuple[dict[str, dict[str, Any]], dict[str, Any]]:
    """Give what ``settings`` say, for :func:`edited`: by the ids of steps, and of variables. ``recipe`` was loaded with them."""
    from nebulakit.recipe.settings import value_of

    steps: dict[str, dict[str, Any]] = {}
    vars: dict[str, Any] = {}
    for key, given in settings.items():
        id, _, name = key.strip().partition(".")
        if id == "vars":
            vars[name] = value_of(key, given)
            continue
        call = recipe.by_id(id)
        name = "from" if name == STEPS[call.step].first else name
        steps.setdefault(call.id, {})[name] = call.given[name] if name in call.given else value_of(key, given)
    return steps, vars


def edited(recipe: Recipe, values: Mapping[str, Mapping[str, Any]], vars: Mapping[str, Any] = {}) -> str:
    """Give the recipe's text with values set: ``values`` maps step ids to plain values of parameters, further layers and what
    may stand beside the step; ``vars`` are those of variables.

    What stands in the text is replaced where it stands; what is new is added after the others.
    """
    root = yaml.compose(recipe.text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)
    sections = {key.value: value for key, value in root.value}
    edits: list[tuple[int, int, str]] = []  # from, to, new text
    if vars:
        edits += [_replaced(recipe.text, node, vars[name.value]) for name, node in sections["vars"].value if name.value in vars]
    for call, node in zip(recipe.steps, sections["steps"].value, strict=True):
        wanted = values.get(call.id)
        if wanted:
            key, params = next((k, v) for k, v in node.value if k.value == call.step)
            first = STEPS[call.step].first
            if first and isinstance(params, yaml.MappingNode) and any(k.value == first for k, _ in params.value):
                wanted = {first if name == "from" else name: value for name, value in wanted.items()}
            inside = {name: value for name, value in wanted.items() if name not in BESIDE}
            edits += _edits(recipe.text, key, params, inside) if inside else []
            edits += _beside(recipe.text, node, key, params, {k: v for k, v in wanted.items() if k in BESIDE})
    text = recipe.text
    edits.reverse()  # of those at one place the first stands first
    for start, end, new in sorted(edits, key=lambda e: e[0], reverse=True):
        text = text[:start] + new + text[end:]
    return text


def _edits(text: str, key: yaml.Node, params: yaml.Node, wanted: Mapping[str, Any]) -> list[tuple[int, int, str]]:
    if not isinstance(params, yaml.MappingNode):  # "- bin:" with nothing behind it
        end = text.index(":", key.end_mark.index) + 1
        return [(end, max(end, params.end_mark.index if text[end : params.end_mark.index].strip() else end), " " + flow(wanted))]
    there = {k.value: v for k, v in params.value}
    out = [_replaced(text, there[name], value) for name, value in wanted.items() if name in there]
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


def _beside(
    text: str, step: yaml.MappingNode, key: yaml.Node, params: yaml.Node, wanted: Mapping[str, Any]
) -> list[tuple[int, int, str]]:
    """Set what stands beside a step, new entries in the line below its parameters."""
    there = {k.value: v for k, v in step.value}
    out = [_replaced(text, there[name], value) for name, value in wanted.items() if name in there]
    new = [f"{name}: {flow(value)}" for name, value in wanted.items() if name not in there]
    end = _end(text, params) if isinstance(params, yaml.MappingNode) else text.index(":", key.end_mark.index) + 1
    if new and step.flow_style:
        end = max(end, params.end_mark.index)
        out.append((end, end, "".join(f", {one}" for one in new)))
    elif new:
        line = text.find("\n", end)
        end = line if line >= 0 else len(text)
        out.append((end, end, "".join(f"\n{' ' * key.start_mark.column}{one}" for one in new)))
    return out


def _replaced(text: str, node: yaml.Node, value: Any) -> tuple[int, int, str]:
    return node.start_mark.index, _end(text, node), flow(value)


def _end(text: str, node: yaml.Node) -> int:
    """Give where a value ends."""
    start, end = int(node.start_mark.index), int(node.end_mark.index)
    # a block collection ends where the next token begins: give the blanks and comments before it back
    if isinstance(node, yaml.CollectionNode) and not node.flow_style:
        piece = text[start:end]
        kept = [line for line in piece.splitlines() if line.strip() and not line.lstrip().startswith("#")]
        end = start + piece.rindex(kept[-1]) + len(kept[-1])
    return end


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
