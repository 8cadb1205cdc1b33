"""``extends``: a recipe made from another by ``change``, ``insert`` and ``skip``, always by id, never by position.

The result is an ordinary document whose parts still know which file and line they came from.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from nebulakit.declare import STEPS
from nebulakit.errors import RecipeError, UsageError
from nebulakit.recipe.document import BESIDE, Document, RawStep, steps_of
from nebulakit.recipe.faults import Faults
from nebulakit.recipe.lookup import ids_of
from nebulakit.recipe.names import called, meant
from nebulakit.recipe.text import Entry, Mapping, Scalar, kind_of

DEEPEST = 8
"""How many recipes may stand on each other's shoulders."""


def flattened(doc: Document, path: Path | None, faults: Faults, chain: tuple[str, ...] = ()) -> Document | None:
    """Give ``doc`` with everything it takes from the recipe it extends; None where that one cannot be had."""
    from nebulakit.recipe.loading import document_of, find, source_of

    assert doc.extends is not None
    here = (*chain, os.path.realpath(path) if path else doc.source.name)
    shown = [*(Path(p).name for p in here), doc.extends.text]
    try:
        # a path is meant from the folder of the recipe that says it
        base_path = find(doc.extends.text, beside=path.parent if path else None)
        source = source_of(base_path)
    except RecipeError as fault:
        faults.add(doc.extends.place, f"extends: {fault}")
        return None
    if os.path.realpath(base_path) in here:
        faults.add(doc.extends.place, f"these recipes extend each other in a circle: {' -> '.join(shown)}")
        return None
    if len(here) >= DEEPEST:
        faults.add(doc.extends.place, f"more than {DEEPEST} recipes extend each other: {' -> '.join(shown)}")
        return None
    base = document_of(source, faults)
    if base is not None and base.extends is not None:
        base = flattened(base, base_path, faults, here)
    return _joined(base, doc, faults) if base is not None else None


def _joined(base: Document, doc: Document, faults: Faults) -> Document:
    steps = _changed(base, doc, faults)
    steps = _inserted(steps, doc, faults)
    for scalar in doc.skip:
        index = index_of(scalar, steps, faults)
        if index is not None:
            entry = Entry(Scalar(scalar.place, "skip", "skip"), Scalar(scalar.place, True, "true"))
            steps[index] = replace(steps[index], beside={**steps[index].beside, "skip": entry})
    return replace(
        doc,
        about=doc.about or base.about,
        vars={**base.vars, **doc.vars},
        inputs={**base.inputs, **doc.inputs},
        steps=tuple(steps),
        outputs=doc.outputs or base.outputs,
        extends=None,
        joined=True,
    )


def index_of(name: Scalar, steps: list[RawStep], faults: Faults) -> int | None:
    """Give the place of the step that an id means; None after noting a fault."""
    ids = [(id, raw.name, so) for raw, (id, so) in zip(steps, ids_of(steps), strict=True)]
    try:
        return called(name.text, ids)
    except UsageError as fault:
        faults.add(name.place, str(fault))
        return None


def changed(raw: RawStep, name: str, entry: Entry, faults: Faults, settable: tuple[str, ...] = BESIDE) -> RawStep:
    """Give a step with a parameter, a layer, or one of ``settable`` beside it set anew.

    The first layer stands among the parameters or beside the step as 'from': what is new takes the place of either.
    """
    step = STEPS.get(raw.name)
    first = step.first if step else None
    if step and (name in step.abouts or name in step.images):
        beside = {k: e for k, e in raw.beside.items() if not (k == "from" and name == first)}
        return replace(raw, body={**raw.body, name: entry}, beside=beside)
    if name in settable and name != "id":
        body = {k: e for k, e in raw.body.items() if not (name == "from" and k == first)}
        return replace(raw, body=body, beside={**raw.beside, name: entry})
    if step and name == "id" and name in settable:
        faults.add(entry.key.place, "the id of a step cannot be changed; other recipes may speak of it")
    elif step:
        known = [*step.abouts, *step.images, *(k for k in settable if k != "id")]
        faults.add(entry.key.place, f"{step.name} has no parameter '{name}'; {meant(name, known, what='it has')}")
    return raw


def _changed(base: Document, doc: Document, faults: Faults) -> list[RawStep]:
    """Put the new values, and what stands beside a step, into the steps they are meant for."""
    steps = list(base.steps)
    for entry in doc.change.values():
        index = index_of(entry.key, steps, faults)
        if not isinstance(entry.value, Mapping):
            faults.add(
                entry.value.place, f"a change looks like '{entry.key.text}: {{name: value}}', found {kind_of(entry.value)}"
            )
        elif index is not None:
            for name, one in entry.value.entries.items():
                steps[index] = changed(steps[index], name, one, faults)
    return steps


def _inserted(steps: list[RawStep], doc: Document, faults: Faults) -> list[RawStep]:
    """Put new steps before or after others."""
    for raw in doc.insert:
        for name, entry in raw.entries.items():
            if name not in ("before", "after", "steps"):
                faults.add(entry.key.place, f"unknown key '{name}' of an insertion; {meant(name, ('before', 'after', 'steps'))}")
        anchors = [raw.entries[k] for k in ("before", "after") if k in raw.entries]
        if len(anchors) != 1 or "steps" not in raw.entries:
            faults.add(raw.place, "an insertion has 'before: ID' or 'after: ID', and 'steps'")
            continue
        new = list(steps_of(raw.entries["steps"], faults, tuple(STEPS)))
        if not isinstance(anchors[0].value, Scalar):
            faults.add(anchors[0].value.place, f"expected the id of a step, found {kind_of(anchors[0].value)}")
            continue
        index = index_of(anchors[0].value, steps, faults)
        if index is not None:
            at = index + ("after" in raw.entries)
            steps = [*steps[:at], *new, *steps[at:]]
    return steps
