"""Run the steps of a checked recipe in order, holding only the layers that something later reads."""

from __future__ import annotations

import dataclasses
import time
from collections import Counter
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field
from typing import Any, Literal

from nebulakit.declare import STEPS
from nebulakit.errors import InputError, NebulakitError, StepError
from nebulakit.image import Image, Notice
from nebulakit.recipe.model import Call, Recipe, Ref
from nebulakit.runner.blended import blend_back
from nebulakit.runner.keys import Keys
from nebulakit.runner.memory import give_back_memory, peak_memory_mb, reset_peak_memory
from nebulakit.runner.placed import MasksToCome, nowhere, placed
from nebulakit.runner.store import Store, reading

State = Literal["computed", "reused", "skipped"]
Told = tuple[State, Mapping[str, Any], tuple[Notice, ...]]


@dataclass(frozen=True)
class StepRun:
    """What became of one step: its record and notices, and what it cost."""

    call: Call
    state: State
    record: Mapping[str, Any]
    notices: tuple[Notice, ...]
    seconds: float
    peak_memory_mb: float | None
    key: str | None = None  # what it is kept under


@dataclass(frozen=True)
class Run:
    """A finished run: the layers that were asked for, and what every step measured and decided."""

    recipe: Recipe
    results: dict[Ref, Image]
    steps: tuple[StepRun, ...]
    keys: dict[Ref, str] = field(default_factory=dict)
    said: Mapping[str, tuple[Notice, ...]] = field(default_factory=dict)  # of the inputs, by name
    stack: Image | None = None  # a small copy, where the run was asked for from Python

    def _repr_html_(self) -> str:
        """Show the run in a notebook."""
        from nebulakit.runner.notebook import html

        return html(self)

    def __getitem__(self, layer: str) -> Image:
        """Give the newest layer of that name (``last`` for the main result of the last step that was run), if it was kept."""
        ref = self.recipe.layers().get(layer)
        if layer == "last" and ref not in self.results and self.steps:
            ref = self.steps[-1].call.main
        if ref is None or ref not in self.results:
            kept = sorted({name for c in self.recipe.steps for r, name in c.names.items() if Ref(c.index, r) in self.results})
            raise KeyError(f"layer {layer!r} was not kept; kept: {', '.join([*kept, 'last'])}")
        return self.results[ref]

    @property
    def notices(self) -> list[tuple[str, Notice]]:
        """Everything the user should know, each with the id of the step (or the input) that says so."""
        said = [(name, n) for name, notices in self.said.items() for n in notices]
        return said + [(s.call.id, n) for s in self.steps for n in s.notices]


class StepFailed(StepError):
    """A step failed; says which, and how many before it are done."""


def execute(
    recipe: Recipe,
    inputs: Mapping[str, Image],
    *,
    until: str | None = None,
    keep: Callable[[Ref], bool] | None = None,
    have: Set[Ref] = frozenset(),
    store: Store | None = None,
    input_keys: Mapping[str, str] | None = None,
    before: Callable[[Call], None] = lambda call: None,
    after: Callable[[StepRun, dict[Ref, Image]], None] = lambda done, layers: None,
) -> Run:
    """Run ``recipe`` on ``inputs`` (by name: ``stack``, and others it declares), each looked up when a step first reads it.

    ``until``: stop after the step of that id, and run only what it needs. ``keep``: which results to hand back
    beside the outputs. ``have``: outputs that are not asked for, since their files are there. ``store`` and ``input_keys``:
    where finished layers are looked up and kept, and what the inputs are known by. ``before`` and ``after`` are told of
    each step. Raises StepFailed where a step cannot go on, and InputError where an input that the recipe needs was not given.
    """
    _refuse_missing(recipe, inputs)
    asked, calls = recipe.asked(until)
    wanted = {r for r in asked if r not in have or r == recipe.last}
    keys = Keys(recipe, input_keys) if store is not None and input_keys is not None else None
    reused: dict[int, dict[Ref, Image]] = {}
    if store is not None and keys is not None:
        store.begin(keys)
        reused = plan_reuse(calls, wanted, keys, store, keep)
    # the place of the last step that reads a layer
    uses = {ref: n for n, call in enumerate(calls) if call.index not in reused for ref in call.needs}
    readers = Counter(ref for call in recipe.steps for ref in call.needs)
    masks = MasksToCome(recipe, [call for call in calls if call.index not in reused], inputs)
    layers: dict[Ref, Image] = {}
    again: dict[Ref, float] = {}  # seconds to make a layer anew from what is kept
    done: list[StepRun] = []
    try:
        for number, call in enumerate(calls):
            before(call)
            if call.index not in reused:
                missing = [r for r in call.needs if r.step < 0 and r not in layers and r.result in inputs]
                layers.update({ref: inputs[ref.result] for ref in missing})
                masks.refuse_misfits({ref: layers[ref] for ref in call.needs if ref in layers})
            start = time.perf_counter()
            reset_peak_memory()
            if call.index in reused:
                produced, told = reused[call.index], _told(call, store, keys)
            else:
                produced, told = _do(call, layers, number, len(calls), store)
            if store is not None and keys is not None and told[0] == "computed":
                seconds = time.perf_counter() - start + sum(again.get(ref, 0.0) for ref in call.needs)
                worth = {r: i for r, i in produced.items() if r in asked or readers[r] > 1 or seconds > reading(i)}
                again.update({r: seconds for r in produced if r not in worth})
                store.keep_step(keys.step(call.index), {keys[r]: i for r, i in worth.items()}, told[1], told[2])
            layers.update({r: _bare(i) for r, i in produced.items()})
            key = keys.step(call.index) if keys else None
            done.append(StepRun(call, *told, time.perf_counter() - start, peak_memory_mb(), key))
            after(done[-1], layers)
            for ref in [r for r in layers if uses.get(r, -1) <= number and r not in wanted and not (keep and keep(r))]:
                del layers[ref]
            del produced
            if done[-1].seconds > 1:
                give_back_memory()
    finally:
        if store is not None:
            store.finish()
    layers.update({r: inputs[r.result] for r in wanted if r.step < 0 and r not in layers})
    said = {name: image.notices for name, image in inputs.items()} if isinstance(inputs, dict) else {}
    results = {r: i for r, i in layers.items() if r.step >= 0 or r in wanted}
    return Run(recipe, results, tuple(done), dict(keys) if keys else {}, said)


def _refuse_missing(recipe: Recipe, inputs: Mapping[str, Image]) -> None:
    for name, declared in recipe.inputs.items():
        if name not in inputs and not declared.optional:
            about = f" ({declared.about})" if declared.about else ""
            raise InputError(f"the recipe needs the input {name!r}{about}; give it with --input {name}=FILE")


def _bare(image: Image) -> Image:
    return dataclasses.replace(image, record={}, notices=()) if image.record or image.notices else image


def _told(call: Call, store: Store | None, keys: Keys | None) -> Told:
    """Give what a step told that is not run again."""
    if call.skip or store is None or keys is None:
        return "skipped", {}, ()
    known = store.record(keys.step(call.index)) or {}
    return "reused", known.get("record", {}), tuple(Notice(*n) for n in known.get("notices", ()))


def _do(call: Call, layers: Mapping[Ref, Image], number: int, count: int, store: Store | None) -> tuple[dict[Ref, Image], Told]:
    """Run one step."""
    declared = STEPS[call.step]
    images = {name: layers[ref] for name, ref in call.reads.items() if ref in layers}
    first = images[next(iter(call.reads))]
    if call.skip:
        return {call.main: first}, ("skipped", {}, ())
    params = {k: getattr(call.params, k) for k in type(call.params).model_fields}
    try:
        mask = layers.get(call.mask) if call.mask else None  # an optional one that was not given: the step acts everywhere
        painted = {n: r for n, r in call.reads.items() if r.step < 0 and n in images and images[n].content == "mask"}
        beside = next((i for n, i in images.items() if n not in painted), None)
        if beside is not None:
            images |= {n: placed(images[n], beside, r.result) for n, r in painted.items()}
            first = images[next(iter(call.reads))]
        empty = [n for name, ref in painted.items() for n in nowhere(images[name], ref.result, call.step, acts=False)]
        if call.mask is not None and mask is not None and call.mask.step < 0 and mask.content == "mask":
            mask = placed(mask, first, call.mask.result)
            empty += nowhere(mask, call.mask.result, call.step, acts=True)
        made = declared.call(**images, **params)
        results = list(made) if isinstance(made, tuple) else [made]
        record, notices = dict(results[0].record), (*results[0].notices, *empty)
        if mask is not None or call.amount != 1.0:
            results[0] = blend_back(first, results[0], mask, call.amount)
    except NebulakitError as fault:
        raise StepFailed(_failure(call, number, count, str(fault), store)) from fault
    except MemoryError as fault:
        why = "there was not enough memory; try --preview 2, or crop first"
        raise StepFailed(_failure(call, number, count, why, store)) from fault
    return dict(zip(call.results, results, strict=True)), ("computed", record, notices)


def _failure(call: Call, number: int, count: int, why: str, store: Store | None) -> str:
    name = call.step if call.id == call.step else f"{call.id} ({call.step})"
    words = why.removeprefix(f"{call.step}: ")
    before = "Step 1 is" if number == 1 else f"Steps 1-{number} are"
    rest = f" {before} kept; mend and run again." if number and store is not None and store.keeps() else ""
    return f"step {number + 1} of {count}, {name}, in {call.where} failed: {words.rstrip('.')}.{rest}"


def plan_reuse(
    calls: list[Call], wanted: set[Ref], keys: Keys, store: Store, keep: Callable[[Ref], bool] | None = None
) -> dict[int, dict[Ref, Image]]:
    """Find the steps that need not run: what is still read of them is in the store, or nothing reads them any more.

    Gives for each such step the layers that were opened.
    """
    needed = set(wanted)
    reused: dict[int, dict[Ref, Image]] = {}
    for call in reversed(calls):
        asked = [r for r in call.results if r in needed or (keep and keep(r))]
        if call.skip:
            if not asked:
                reused[call.index] = {}
            elif call.first is not None:
                needed.add(call.first)
            continue
        known = store.record(keys.step(call.index)) is not None
        opened = {r: store.open(keys[r]) for r in asked} if known else None
        if opened is not None and all(image is not None for image in opened.values()):
            reused[call.index] = {r: image for r, image in opened.items() if image is not None}
        else:
            needed.update(call.needs)
    return reused
