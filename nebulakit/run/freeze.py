"""A recipe with what a run measured and decided written in, so that another picture is treated alike."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from nebulakit.declare import STEPS
from nebulakit.errors import InputError
from nebulakit.recipe import loads
from nebulakit.recipe.model import Recipe


def from_record(record: Mapping[str, Any]) -> Recipe:
    """Give the recipe that a ``run.json`` holds, its ``--set`` choices included; InputError where it holds none."""
    try:
        held = record["recipe"]
        return loads(held["text"], source=held["file"], settings=held["settings"])
    except (KeyError, TypeError):
        raise InputError("this is no run.json of nebulakit: it holds no recipe") from None


def decided(record: Mapping[str, Any], look: bool = False) -> dict[str, dict[str, Any]]:
    """Give per step id the measured values that are parameters of the step, so that they can be given back to it.

    ``look``: only those that make the look (softening, gain, curves), not what must be measured anew on other data.
    """
    out: dict[str, dict[str, Any]] = {}
    for step in record.get("steps", ()):
        declared = STEPS.get(step["step"])
        if declared is None or step.get("state") == "skipped":
            continue
        values = {}
        for name, value in step.get("measured", {}).items():
            about = declared.abouts.get(name)
            if about is None or value is None or (look and not about.look):
                continue
            try:
                declared.check({name: value, **{k: a.example for k, a in declared.abouts.items() if a.example is not None and k != name}})
            except ValueError:
                continue  # told for the reader, not in a form the step takes
            values[name] = value
        if values:
            out[step["id"]] = values
    return out


def frozen(record: Mapping[str, Any], look: bool = False) -> str:
    """Write the recipe of a run with its decided values filled in; comments and layout are kept."""
    import yaml

    recipe = from_record(record)
    lines = recipe.text.splitlines()
    root = yaml.compose(recipe.text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)
    steps = next(value for key, value in root.value if key.value == "steps")
    values = decided(record, look)
    edits: list[tuple[Any, Any, str]] = []
    for call, node in zip(recipe.steps, steps.value, strict=True):
        filled = {**_plain(call.params, call.given), **values.get(call.id, {})}
        if filled == dict(call.given) and not values.get(call.id):
            continue
        key, params = next((k, v) for k, v in node.value if k.value == call.step)
        images = {k.value: v.value for k, v in params.value if k.value in STEPS[call.step].images} if isinstance(params, yaml.MappingNode) else {}
        text = "{" + ", ".join(f"{k}: {_flow(v)}" for k, v in {**images, **filled}.items()) + "}"
        edits.append((params.start_mark if params.start_mark.index != params.end_mark.index else key.end_mark, params.end_mark, text))
    text = recipe.text
    for start, end, new in sorted(edits, key=lambda e: e[0].index, reverse=True):
        piece = text[start.index : end.index]
        tail = piece[len(piece.rstrip()) :]  # a block mapping ends at the next token: keep the line break before it
        lead = ": " if text[start.index - 1 : start.index] not in (" ", "\n") and not text[: start.index].endswith(":") and start.index == end.index else ""
        text = text[: start.index] + lead + new + tail + text[end.index :]
    del lines
    about = "# Values measured or decided in a run are filled in" + (" (those that make the look)" if look else "") + ".\n"
    return about + text


def _plain(params: Any, given: Mapping[str, Any]) -> dict[str, Any]:
    dumped = params.model_dump(mode="json")
    return {k: dumped[k] for k in given if k in dumped}


def _flow(value: Any) -> str:
    """Write a value as YAML in one line."""
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_flow, value)) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k}: {_flow(v)}" for k, v in value.items()) + "}"
    return json.dumps(value)
