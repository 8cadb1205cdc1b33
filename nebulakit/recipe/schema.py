"""A draft-07 JSON schema of recipes, made from the declarations alone, for editors.

What a schema can say it says: sections, steps, what stands beside them, every parameter with its unit, range, default
and description. What it cannot (a layer used before it is made, a linear step after a stretch) ``nebulakit check`` tells.

``nebulakit schema > recipes/recipe.schema.json`` brings the kept file up to date.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import TypeAdapter

import nebulakit.steps  # noqa: F401  (fills STEPS)
from nebulakit.declare import STEPS, About, Step
from nebulakit.files.options import SUFFIXES, WriteOptions
from nebulakit.quantity import Share
from nebulakit.recipe.lookup import KINDS, SCALES
from nebulakit.recipe.names import PLAIN

_NAME: dict[str, Any] = {"type": "string", "pattern": f"^{PLAIN.pattern}$"}
_LAYER = {"$ref": "#/definitions/layer"}
_VARIABLE = {"$ref": "#/definitions/variable"}


def build_schema() -> dict[str, Any]:
    """Give the schema as plain values, the same for the same declarations."""
    definitions: dict[str, Any] = {
        "variable": {
            "type": "string",
            "pattern": r"^\$\{\s*[A-Za-z][A-Za-z0-9_-]*\s*\}$",
            "description": "a variable from vars, as a whole value",
        },
        "layer": {
            "anyOf": [{**_NAME, "not": {"const": "coverage"}}, _VARIABLE],
            "description": "the name of a layer made before, of an input, 'stack' or 'last'",
        },
        "new_layer": {
            "anyOf": [{**_NAME, "not": {"enum": ["last", "coverage"]}}, _VARIABLE],
            "description": "a name for the layer; it may be made again, and later steps read the newest",
        },
        "id": {
            **_NAME,
            "not": {"enum": ["vars", "last"]},
            "description": "what the step is called in --set, --until and extends",
        },
        "share": _or_variable(
            {**TypeAdapter(Share).json_schema(), "minimum": 0, "maximum": 1, "description": "a share: 80% or 0.8"}
        ),
    }
    for name in sorted(STEPS):
        definitions |= _definitions(STEPS[name])
    steps = {"type": "array", "minItems": 1, "items": {"anyOf": [{"$ref": f"#/definitions/{name}"} for name in sorted(STEPS)]}}
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "nebulakit recipe",
        "description": "How a linear stack of an emission nebula becomes a picture: steps in the order they run, and what is written.",
        "type": "object",
        "required": ["version"],
        "additionalProperties": False,
        "if": {"required": ["extends"]},
        "then": {"not": {"required": ["steps"]}},
        "else": {"required": ["steps", "outputs"], "not": {"anyOf": [{"required": [k]} for k in ("change", "insert", "skip")]}},
        "properties": {
            "version": {"const": 1, "description": "the version of the recipe language"},
            "about": {"type": "string", "description": "one sentence about the picture"},
            "vars": _mapping({"not": {"type": "null"}}, "values used in several places as ${name}, only as a whole value"),
            "inputs": _mapping(_input(), "further pictures, given on the command line with --input NAME=FILE"),
            "steps": {**steps, "description": "what is done, in this order"},
            "outputs": {"type": "array", "minItems": 1, "items": _output(), "description": "the files to write"},
            "extends": {"type": "string", "description": "the name of a shipped recipe, or the path of a recipe from here"},
            "change": {
                "type": "object",
                "additionalProperties": {"type": "object"},
                "description": "new values by id of the step: {ID: {parameter: value}}",
            },
            "insert": {
                "type": "array",
                "minItems": 1,
                "items": _insertion(steps),
                "description": "new steps before or after others",
            },
            "skip": {"type": "array", "minItems": 1, "items": {"type": "string"}, "description": "ids of steps to leave out"},
        },
        "definitions": definitions,
    }


def schema_text() -> str:
    """Give the schema as it stands in its file."""
    return json.dumps(build_schema(), indent=1, allow_nan=False) + "\n"


# -- steps ---------------------------------------------------------------------------------------------------------------


def _definitions(step: Step) -> dict[str, Any]:
    """Give the definition of an entry of ``steps`` that runs this step, and of what its parameters share."""
    raw = step.params.model_json_schema(mode="validation")
    shared = {f"{step.name}.{k}": _draft7(v, step.name) for k, v in raw.get("$defs", {}).items()}
    values = {name: _image(name, name == step.first, required) for name, required in step.images.items()}
    defaults = step.defaults()
    for name, about in step.abouts.items():
        told = _parameter(raw["properties"][name], about, step.name)
        values[name] = {**told, "default": defaults[name]} if name in defaults else told
    needed = [n for n in step.abouts if n not in defaults]
    needed += [n for n, required in step.images.items() if required and n != step.first]
    body = {
        "type": "object" if needed else ["object", "null"],
        "additionalProperties": False,
        "properties": values,
        **({"required": needed} if needed else {}),
        "description": step.summary,
    }
    beside = _beside(step)
    entry = {
        "type": "object",
        "required": [step.name],
        "additionalProperties": False,
        "properties": {step.name: body, **beside},
        "description": step.summary,
    }
    if "from" in beside:
        # the first image is given beside the step or among its values, never both ways
        entry["not"] = {"required": ["from"], "properties": {step.name: {"type": "object", "required": [step.first]}}}
    return {**shared, step.name: entry}


def _image(name: str, first: bool, required: bool) -> dict[str, Any]:
    if first:
        return {**_LAYER, "description": f"the layer '{name}', which may also be given by 'from'"}
    if required:
        return {**_LAYER, "description": f"the layer '{name}'"}
    return {"anyOf": [_LAYER, {"type": "null"}], "description": f"the layer '{name}', if there is one"}


def _beside(step: Step) -> dict[str, Any]:
    results = {r: {"$ref": "#/definitions/new_layer"} for r in step.results}
    named = {"type": "object", "additionalProperties": False, "minProperties": 1, "properties": results}
    told: dict[str, Any] = {"id": {"$ref": "#/definitions/id"}}
    if step.images:
        told["from"] = {**_LAYER, "description": "the layer it works on; by default the main result of the step before"}
    told["as"] = {
        "anyOf": [{"$ref": "#/definitions/new_layer"}, named],
        "description": f"a name for its result ({', '.join(step.results)}), or a mapping result: name",
    }
    rescales = step.reads != "any" and step.gives not in ("same", step.reads)
    remakes = step.takes != "any" and step.makes not in ("same", step.takes)
    if not (step.resizes or step.gives == "mask" or rescales or remakes):
        told["mask"] = {**_LAYER, "description": "a mask, 0..1: where the step acts"}
        told["amount"] = {"$ref": "#/definitions/share", "description": "blend with what came in: 80% or 0.8"}
    told["skip"] = _or_variable({"type": "boolean", "description": "pass on what came in instead of running the step"})
    told["note"] = {"type": ["string", "number", "boolean"], "description": "free text"}
    return told


def _parameter(schema: dict[str, Any], about: About, step: str) -> dict[str, Any]:
    """Give the schema of a parameter, in draft-07, with its description in words."""
    inner = _draft7({k: v for k, v in schema.items() if k not in ("title", "default", "description", "minimum", "maximum")}, step)
    for bound in ("minimum", "maximum"):
        if bound in schema:
            _bound(inner, bound, schema[bound])
    return {**_or_variable(inner), "description": described(about)}


def described(about: About) -> str:
    """Give a parameter's sentence with its range and when to turn it which way.

    >>> described(About("how much", 0, 2, raise_when="it is too little"))
    'How much. Between 0 and 2. Raise it when it is too little.'
    """
    told = [about.text, about.range() if about.low is not None or about.high is not None else ""]
    told += [
        f"raise it when {about.raise_when}" if about.raise_when else "",
        f"lower it when {about.lower_when}" if about.lower_when else "",
    ]
    return " ".join(f"{t[0].upper()}{t[1:].rstrip('.')}." for t in told if t)


def _bound(schema: dict[str, Any], name: str, value: float) -> None:
    """Put a bound where the numbers are, also inside lists and alternatives."""
    if schema.get("type") in ("number", "integer"):
        schema[name] = value
    items = schema.get("items", [])
    for inner in [*(items if isinstance(items, list) else [items]), *schema.get("anyOf", [])]:
        _bound(inner, name, value)


def _or_variable(schema: dict[str, Any]) -> dict[str, Any]:
    told = {k: v for k, v in schema.items() if k == "description"}
    bare = {k: v for k, v in schema.items() if k != "description"}
    choices = bare["anyOf"] if set(bare) == {"anyOf"} else [bare]
    return {"anyOf": [*choices, _VARIABLE], **told}


def _draft7(schema: Any, step: str) -> Any:
    """Bring what pydantic writes for draft 2020-12 to draft 07."""
    if isinstance(schema, list):
        return [_draft7(s, step) for s in schema]
    if not isinstance(schema, dict):
        return schema
    told = {k: _draft7(v, step) for k, v in schema.items() if k != "title" or isinstance(v, dict)}
    if "prefixItems" in told:
        told["items"] = told.pop("prefixItems")
        told["additionalItems"] = False
    if isinstance(told.get("$ref"), str):
        told["$ref"] = told["$ref"].replace("#/$defs/", f"#/definitions/{step}.")
    if isinstance(told.get("default"), dict):  # a quantity that pydantic did not print
        del told["default"]
    return told


# -- the other sections --------------------------------------------------------------------------------------------------


def _mapping(value: dict[str, Any], description: str) -> dict[str, Any]:
    return {
        "type": ["object", "null"],
        "propertyNames": {"pattern": f"^{PLAIN.pattern}$"},
        "additionalProperties": value,
        "description": description,
    }


def _input() -> dict[str, Any]:
    return {
        "type": ["object", "null"],
        "additionalProperties": False,
        "properties": {
            "optional": {"type": "boolean", "default": False, "description": "whether it may be missing"},
            "about": {"type": "string", "description": "one sentence about it"},
            "scale": {"enum": list(SCALES), "description": "what it must be; by default what its file says"},
            "kind": {"enum": list(KINDS), "description": "its planes; by default what its file says"},
        },
    }


def _output() -> dict[str, Any]:
    raw = WriteOptions.model_json_schema(mode="validation")
    shared = {f"#/$defs/{k}": _draft7(v, "") for k, v in raw.get("$defs", {}).items()}
    options: dict[str, Any] = {}
    for name, schema in raw["properties"].items():
        inner = json.loads(json.dumps(_draft7({k: v for k, v in schema.items() if k != "default"}, "")))
        for choice in inner.get("anyOf", [inner]):
            ref = choice.pop("$ref", None)
            if ref:
                choice.update(shared[ref.replace("#/definitions/.", "#/$defs/")])
        options[name] = _or_variable(inner) | ({"default": schema["default"]} if schema.get("default") is not None else {})
    ends = "|".join(sorted({s.lower().replace(".", r"\.") for s in SUFFIXES}, key=lambda s: (-len(s), s)))
    anycase = "".join(f"[{c.upper()}{c}]" if c.isalpha() else c for c in ends)
    file = {"type": "string", "pattern": rf"^(?![/~])(?!.*[\\:])(?!(.*/)?\.\.(/|$)).*({anycase})$"}
    return {
        "type": "object",
        "required": ["layer", "file"],
        "additionalProperties": False,
        "properties": {
            "layer": {**_LAYER, "description": "the layer to write; 'last' is the main result of the last step"},
            "file": {**_or_variable(file), "description": "a name inside the output folder; its ending tells the kind of file"},
            **options,
        },
    }


def _insertion(steps: dict[str, Any]) -> dict[str, Any]:
    anchor = {"type": "string", "description": "the id of a step"}
    return {
        "type": "object",
        "required": ["steps"],
        "additionalProperties": False,
        "oneOf": [{"required": ["before"]}, {"required": ["after"]}],
        "properties": {"before": anchor, "after": anchor, "steps": steps},
    }
