"""A checked recipe as plain values and as text."""

from __future__ import annotations

from typing import Any

from nebulakit.declare import STEPS, canonical
from nebulakit.recipe.edit import flow
from nebulakit.recipe.model import Input, Recipe, Ref


def resolved(recipe: Recipe) -> dict[str, Any]:
    """Give a recipe as plain JSON values with nothing left open: every default filled in, every layer by its maker.

    A layer is told as ``ID.result``, an input by its name; the same recipe always gives the same, whatever its
    comments, key order or variables.
    """
    ids = [c.id for c in recipe.steps]

    def told(ref: Ref) -> str:
        return ref.result if ref.step < 0 else f"{ids[ref.step]}.{ref.result}"

    return {
        "version": recipe.version,
        "about": recipe.about,
        "inputs": {
            i.name: {"optional": i.optional, "about": i.about, "scale": i.scale, "kind": i.kind} for i in recipe.inputs.values()
        },
        "steps": [
            {
                "id": call.id,
                "step": call.step,
                "params": canonical(call.params),
                "reads": {name: told(ref) for name, ref in call.reads.items()},
                "names": dict(call.names),
                "mask": told(call.mask) if call.mask else None,
                "amount": call.amount,
                "skip": call.skip,
                "note": call.note,
            }
            for call in recipe.steps
        ],
        "outputs": [
            {"layer": o.layer, "of": told(o.ref), "file": o.file, **o.options.model_dump(mode="json", exclude_unset=True)}
            for o in recipe.outputs
        ],
    }


def to_yaml(recipe: Recipe, *, defaults: bool = False) -> str:
    """Give a recipe as text that reads back as the same: flat and without variables; ``defaults``: every value written out."""
    named: dict[str, Ref] = {name: Ref(-1, name) for name in recipe.inputs if name != "coverage"}
    last = Ref(-1, "stack")

    def name_of(ref: Ref) -> str:
        return "last" if ref == last else next(name for name, newest in named.items() if newest == ref)

    lines = ["version: 1"]
    lines += [f"about: {flow(recipe.about)}"] if recipe.about else []
    told = {i.name: _input(i) for i in recipe.inputs.values() if i.line}
    lines += [f"inputs: {flow(told)}"] if told else []
    lines.append("steps:")
    for call in recipe.steps:
        step = STEPS[call.step]
        values = canonical(call.params) if defaults else dict(call.given)
        layers = {name: name_of(ref) for name, ref in call.reads.items() if ref != call.first or name != step.first}
        lines.append(f"  - {call.step}: {flow({**layers, **values})}")
        spoken_of = call.called and (call.id != call.step or sum(c.step == call.step for c in recipe.steps) > 1)
        beside: dict[str, Any] = {"id": call.id} if spoken_of else {}
        if call.first is not None and call.first != last:
            beside["from"] = name_of(call.first)
        if call.names:
            beside["as"] = next(iter(call.names.values())) if list(call.names) == [step.results[0]] else dict(call.names)
        beside |= {"mask": name_of(call.mask)} if call.mask else {}
        beside |= {"amount": call.amount} if call.amount != 1 else {}
        beside |= {"skip": True} if call.skip else {}
        beside |= {"note": call.note} if call.note else {}
        lines += [f"    {key}: {flow(value)}" for key, value in beside.items()]
        named |= {name: Ref(call.index, result) for result, name in call.names.items()}
        last = call.main if step.gives != "mask" else last
    lines.append("outputs:")
    for o in recipe.outputs:
        options = o.options.model_dump(mode="json", exclude_unset=True)
        lines.append(f"  - {flow({'layer': o.layer, 'file': o.file, **options})}")
    return "\n".join(lines) + "\n"


def _input(declared: Input) -> dict[str, Any]:
    """Give what an entry under ``inputs`` says."""
    told = {"optional": declared.optional, "about": declared.about, "scale": declared.scale, "kind": declared.kind}
    if declared.name == "coverage":
        told = {"optional": declared.optional, "about": declared.about}
    if declared.name == "stack":
        del told["optional"]
    return {k: v for k, v in told.items() if v not in (None, "")}
