"""The JSON schema for editors: made from the declarations, current, right about what it can know."""

from __future__ import annotations

import copy
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from nebulakit.declare import STEPS, canonical
from nebulakit.errors import RecipeError
from nebulakit.recipe import load, loads, shipped
from nebulakit.recipe.edit import flow
from nebulakit.recipe.faults import Faults, Source
from nebulakit.recipe.schema import build_schema, schema_text
from nebulakit.recipe.text import plain, read

KEPT = Path(__file__).resolve().parents[2] / "recipes" / "recipe.schema.json"


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return build_schema()


@pytest.fixture(scope="module")
def validator(schema: dict[str, Any]) -> Any:
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema comes with the extra 'test'")
    jsonschema.Draft7Validator.check_schema(schema)
    return jsonschema.Draft7Validator(schema)


def values(text: str) -> Any:
    node = read(Source("recipe.yaml", text), Faults())
    assert node is not None
    return plain(node)


def test_the_kept_file_is_current() -> None:
    assert KEPT.read_text(encoding="utf-8") == schema_text(), (
        "a declaration has changed; run: nebulakit schema > recipes/recipe.schema.json"
    )


def test_it_knows_every_step_and_parameter(schema: dict[str, Any]) -> None:
    for step in STEPS.values():
        entry = schema["definitions"][step.name]["properties"]
        body = entry[step.name]["properties"]
        assert set(body) == set(step.images) | set(step.abouts)
        assert {"id", "as", "skip", "note"} <= set(entry)
        assert ("amount" in entry) <= (not step.resizes and step.gives != "mask")
        for name, about in step.abouts.items():
            assert about.text.rstrip(".")[1:] in body[name]["description"]
            told, field = body[name], step.params.model_fields[name]
            assert ("default" in told) != field.is_required()
            if "default" in told:  # and not the example, which some parameters have as well
                assert getattr(step.check({**step.examples, name: told["default"]}), name) == field.default


@pytest.mark.parametrize("name", sorted(shipped()))
def test_shipped_recipes_fit(validator: Any, name: str) -> None:
    assert [e.message for e in validator.iter_errors(values(load(name).text))] == []


def test_every_default_and_example_fits(validator: Any) -> None:
    """What the declarations take as defaults and examples the schema takes too."""
    for step in STEPS.values():
        required = [n for n, needed in list(step.images.items())[1:] if needed]
        params = canonical(step.check(step.examples))
        text = f"version: 1\nsteps:\n  - {step.name}: {flow({**dict.fromkeys(required, 'last'), **params})}\noutputs: [{{layer: last, file: a.fits}}]\n"
        assert [e.message for e in validator.iter_errors(values(text))] == [], step.name


def mutations(recipe: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give a recipe with one thing wrong, for every place in it."""

    def changed(path: tuple[Any, ...], edit: Any) -> dict[str, Any]:
        whole = copy.deepcopy(recipe)
        inner: Any = whole
        for part in path:
            inner = inner[part]
        edit(inner)
        return whole

    def rename(old: str) -> Any:
        return lambda m: m.update({f"{old}x": m.pop(old)})

    def put(key: Any, value: Any) -> Any:
        return lambda m: m.__setitem__(key, value)

    for key in list(recipe):
        yield f"{key} renamed", changed((), rename(key))
        if key not in ("about", "vars", "inputs"):
            yield f"{key} missing", changed((), lambda m, key=key: m.pop(key))
        yield f"{key} of a wrong type", changed((), put(key, 7.5))
    yield "a key too many", changed((), put("more", 1))
    for i, entry in enumerate(recipe["steps"]):
        for key in list(entry):
            yield f"step {i}: {key} renamed", changed(("steps", i), rename(key))
            if key != "note":
                yield f"step {i}: {key} of a wrong type", changed(("steps", i), put(key, [[7]]))
        step = next(k for k in entry if k in STEPS)
        yield f"step {i}: no step", changed(("steps", i), lambda m, step=step: m.pop(step))
        yield f"step {i}: a text", changed(("steps",), put(i, step))
        for key in entry[step] or {}:
            yield f"step {i}: parameter {key} renamed", changed(("steps", i, step), rename(key))
            yield f"step {i}: parameter {key} of a wrong type", changed(("steps", i, step), put(key, {"not": "this"}))
            about = STEPS[step].abouts.get(key)
            if about is not None and about.high is not None and isinstance(entry[step][key], (int, float)):
                yield f"step {i}: parameter {key} too large", changed(("steps", i, step), put(key, about.high + 1000))
        if isinstance(entry.get("as"), dict):
            for key in entry["as"]:
                yield f"step {i}: result {key} renamed", changed(("steps", i, "as"), rename(key))
    for i, entry in enumerate(recipe["outputs"]):
        for key in entry:
            yield f"output {i}: {key} renamed", changed(("outputs", i), rename(key))
            yield f"output {i}: {key} of a wrong type", changed(("outputs", i), put(key, [7]))
        yield f"output {i}: unknown kind of file", changed(("outputs", i), put("file", "a.xyz"))


@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_mutation_of_a_shipped_recipe_is_refused(validator: Any, name: str) -> None:
    """By the schema, and by the reader of recipes as well."""
    whole = values(load(name).text)
    count = 0
    for what, mutated in mutations(whole):
        # the schema looks at each step by itself: the others need not be looked at again and again
        alone = re.match(r"step (\d+)", what)
        looked_at = {**mutated, "steps": [mutated["steps"][int(alone[1])]]} if alone else mutated
        assert not validator.is_valid(looked_at), f"the schema takes {name} with {what}"
        with pytest.raises(RecipeError):
            loads(flow(mutated))
        count += 1
    assert count > 20


def test_the_schema_refuses_nothing_that_the_reader_takes(validator: Any) -> None:
    text = """\
version: 1
vars: {keep: 85%, list: [1, 2], yes: true}
inputs: {mine: {optional: true}, other: }
steps:
  - crop_to_coverage: {keep: "${keep}"}
  - remove_gradient:
    skip: "${yes}"
  - unmix_lines: {image: last, stars: null}
    as: {ha: ha, oiii: oiii}
  - denoise_wavelet: {strength: 1e-1}
    from: ha
    amount: 0.5
    mask: mine
outputs:
  - {layer: last, file: sub/picture.TIF, bits: 16}
  - {layer: ha, file: ha.fits.gz}
"""
    loads(text)
    assert [e.message for e in validator.iter_errors(values(text))] == []
    extending = "version: 1\nextends: bicolour\nchange: {}\ninsert: [{after: x, steps: [{level_sky: {}}]}]\nskip: [y]\n"
    assert [e.message for e in validator.iter_errors(values(extending))] == []


def test_the_checker_that_editors_users_have_agrees(tmp_path: Path) -> None:
    """``check-jsonschema`` takes every shipped recipe and refuses every one with a key misspelt."""
    pytest.importorskip("check_jsonschema", reason="check-jsonschema comes with the extra 'test'")
    check = [sys.executable, "-m", "check_jsonschema", "--schemafile", str(KEPT)]
    good = subprocess.run([*check, *map(str, shipped().values())], capture_output=True, text=True, check=False)
    assert good.returncode == 0, good.stdout + good.stderr
    for name in shipped():
        bad = tmp_path / f"{name}.yaml"
        bad.write_text(load(name).text.replace("outputs:", "output:", 1))
    bad_ones = [str(tmp_path / f"{name}.yaml") for name in shipped()]
    refused = subprocess.run([*check, "-o", "json", *bad_ones], capture_output=True, text=True, check=False)
    assert refused.returncode == 1
    assert {Path(e["filename"]).stem for e in json.loads(refused.stdout)["errors"]} == set(shipped())
