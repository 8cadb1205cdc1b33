"""Document -> recipe: every name looked up, every value typed, every fault told."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nebulakit.steps  # noqa: F401  (fills STEPS)
from nebulakit.declare import STEPS, Step, canonical
from nebulakit.files.options import WriteOptions, check_output
from nebulakit.quantity import Share
from nebulakit.recipe.document import BESIDE, Document, RawStep, put_in, variables
from nebulakit.recipe.faults import Faults, Place
from nebulakit.recipe.layers import MASKS, OPEN, Layer, changes, differ, made, refused
from nebulakit.recipe.model import Call, Input, Output, Recipe, Ref
from nebulakit.recipe.names import PLAIN, meant
from nebulakit.recipe.text import Entry, Mapping, Node, Scalar, kind_of, plain, shortened, unknown
from nebulakit.recipe.values import near_name, typed

RESERVED = {
    "last": "'last' always means the main result of the step before",
    "coverage": "'coverage' belongs to the stack and follows it by itself",
}
_INPUT_KEYS = ("optional", "about", "scale", "kind")
_SCALES = ("linear", "display", "mask")
_KINDS = ("rgb", "line", "mosaic")


@dataclass
class _Known:
    """A layer as the resolver knows it."""

    ref: Ref
    layer: Layer
    name: str


@dataclass
class Resolver:
    """Goes through a document once, in its order."""

    doc: Document
    faults: Faults
    named: dict[str, _Known] = field(default_factory=dict)
    last: _Known = field(default_factory=lambda: _Known(Ref(-1, "stack"), OPEN, "the stack"))
    readers: dict[Ref, list[str]] = field(default_factory=dict)
    skipped: list[tuple[Call, Place, str | None]] = field(default_factory=list)

    def recipe(self, path: Path | None, text: str) -> Recipe:
        """Give the recipe; faults are noted, so ask for them before it is used."""
        doc, vars = self.doc, variables(self.doc, self.faults)
        self.vars = vars
        inputs = self.inputs()
        self.later = self._named_later()
        ids = self._ids()
        calls = [self.call(i, raw, *ids[i]) for i, raw in enumerate(doc.steps)]
        outputs = self.outputs()
        self._judge_skipped()
        return Recipe(
            1,
            doc.about,
            {k: plain(e.value) for k, e in vars.items()},
            inputs,
            tuple(c for c in calls if c is not None),
            tuple(outputs),
            doc.source.name,
            text,
            path,
        )

    # -- values ------------------------------------------------------------------------------------------------------

    def value(self, node: Node) -> Node:
        """Give a node with its variables put in."""
        return put_in(node, self.vars, self.faults)

    def choice(self, entry: Entry, name: str, known: Iterable[str]) -> Any:
        """Give one of some words, or None after noting a fault."""
        node = self.value(entry.value)
        if unknown(node):
            return None
        words = tuple(known)
        if isinstance(node, Scalar) and node.value in words:
            return node.value
        text = node.text if isinstance(node, Scalar) else ""
        self.faults.add(node.place, f"{name}: expected {' or '.join(words)}, found {kind_of(node)}; {meant(text, words)}")
        return None

    def flag(self, entry: Entry, name: str) -> bool:
        """Give true or false."""
        node = self.value(entry.value)
        if isinstance(node, Scalar) and isinstance(node.value, bool):
            return node.value
        if not unknown(node):
            self.faults.add(node.place, f"{name}: expected true or false, found {kind_of(node)}")
        return False

    def word(self, entry: Entry, name: str) -> str:
        """Give a free text."""
        node = entry.value
        if isinstance(node, Scalar) and node.value is not None:
            return node.text.strip()
        self.faults.add(node.place, f"{name}: expected a text, found {kind_of(node)}")
        return ""

    # -- inputs ------------------------------------------------------------------------------------------------------

    def inputs(self) -> dict[str, Input]:
        """Give the declared inputs, and the two that are always known."""
        found = {"stack": Input("stack", scale="linear"), "coverage": Input("coverage", optional=True)}
        for name, entry in self.doc.inputs.items():
            if name == "last":
                self.faults.add(entry.key.place, f"{RESERVED['last']}; call the input otherwise")
                continue
            found[name] = self._input(name, entry)
        for name, one in found.items():
            if name == "coverage":
                continue
            scale = one.scale if one.scale != "mask" else None
            mask = one.scale == "mask" if one.scale else None
            size = () if name == "stack" else None
            how = "as its entry under inputs says" if scale == "display" else ""
            kind = "line" if mask else one.kind
            self.named[name] = _Known(Ref(-1, name), Layer(scale, mask, kind, size, how, one.optional), f"the input '{name}'")
        self.last = self.named["stack"]
        return found

    def _input(self, name: str, entry: Entry) -> Input:
        node, line = entry.value, entry.key.place.line
        default: Any = "linear" if name == "stack" else None
        if isinstance(node, Scalar) and node.value is None:
            return Input(name, name == "coverage", scale=default, line=line)
        if not isinstance(node, Mapping):
            self.faults.add(node.place, f"an input looks like '{name}: {{optional: true, about: text}}', found {kind_of(node)}")
            return Input(name, scale=default, line=line)
        told = node.entries
        for key, one in told.items():
            if key not in _INPUT_KEYS:
                self.faults.add(one.key.place, f"unknown key '{shortened(key)}' of the input '{name}'; {meant(key, _INPUT_KEYS)}")
            elif name == "coverage" and key in ("scale", "kind"):
                self.faults.add(one.key.place, f"{RESERVED['coverage']}; it has no '{key}'")
        optional = self.flag(told["optional"], "optional") if "optional" in told else name == "coverage"
        if optional and name == "stack":
            self.faults.add(told["optional"].key.place, "the stack cannot be optional; it is what a recipe works on")
        about = self.word(told["about"], "about") if "about" in told else ""
        scale = self.choice(told["scale"], "scale", _SCALES) if "scale" in told else default
        if name == "stack" and scale == "mask":
            self.faults.add(told["scale"].value.place, "the stack cannot be a mask; expected linear or display")
        kind = self.choice(told["kind"], "kind", _KINDS) if "kind" in told else None
        return Input(name, optional, about, scale, kind, line)

    # -- names -------------------------------------------------------------------------------------------------------

    def _named_later(self) -> dict[str, list[tuple[int, RawStep]]]:
        """Give for each layer name the steps that make it."""
        found: dict[str, list[tuple[int, RawStep]]] = {}
        for i, raw in enumerate(self.doc.steps):
            node = raw.beside["as"].value if "as" in raw.beside else None
            names = [e.value for e in node.entries.values()] if isinstance(node, Mapping) else [node] if node else []
            for name in names:
                if isinstance(name, Scalar):
                    found.setdefault(name.text, []).append((i, raw))
        return found

    def _ids(self) -> list[tuple[str, bool]]:
        """Give each step's id, and whether it may be called by it."""
        names = [raw.name for raw in self.doc.steps]
        seen: dict[str, int] = {}
        for i, raw in enumerate(self.doc.steps):
            entry, id = raw.beside.get("id"), raw.given_id
            if entry is None:
                continue
            if id is None:
                what = "an id has letters, digits, '_' and '-', and begins with a letter"
                self.faults.add(entry.value.place, f"{what}, found {kind_of(entry.value)}")
            elif id in seen:
                line = self.doc.steps[seen[id]].key.place.line
                self.faults.add(entry.value.place, f"the id '{id}' is taken by the step in line {line}")
            elif any(n == id for j, n in enumerate(names) if j != i):
                self.faults.add(entry.value.place, f"the id '{id}' is the name of another step of this recipe; choose another")
            elif id in ("vars", "last"):
                self.faults.add(entry.value.place, f"'{id}' cannot be an id; choose another")
            else:
                seen[id] = i
        return ids_of(self.doc.steps)

    def find(self, node: Node, index: int) -> _Known | None:
        """Give the newest layer of a name, or None after noting a fault."""
        if unknown(node):
            return None
        if not isinstance(node, Scalar) or not isinstance(node.value, str):
            self.faults.add(node.place, f"expected the name of a layer, found {kind_of(node)}")
            return None
        name = node.value
        if name == "last":
            return self.last
        if name in self.named:
            return self.named[name]
        if name == "coverage":
            self.faults.add(node.place, f"{RESERVED['coverage']}; it is no layer that a step can read")
            return None
        later = [raw for i, raw in self.later.get(name, []) if i >= index]
        if later and later[0] is self._at(index):
            self.faults.add(node.place, f"the layer '{shortened(name)}' is made by this very step, not before it{node.via}")
        elif later:
            at = f"by {later[0].name} in line {later[0].key.place.line}"
            self.faults.add(node.place, f"the layer '{shortened(name)}' is used before it is made ({at}){node.via}")
        else:
            told = meant(name, [*self.named, "last"], what="known here")
            self.faults.add(node.place, f"unknown layer '{shortened(name)}'; {told}{node.via}")
        return None

    def _at(self, index: int) -> RawStep | None:
        return self.doc.steps[index] if index < len(self.doc.steps) else None

    # -- steps -------------------------------------------------------------------------------------------------------

    def call(self, index: int, raw: RawStep, id: str, called: bool) -> Call | None:
        """Give a step with everything resolved; None where its name is unknown."""
        step, beside, place = STEPS.get(raw.name), raw.beside, raw.key.place
        note = self.word(beside["note"], "note") if "note" in beside else ""
        skip = self.flag(beside["skip"], "skip") if "skip" in beside else False
        amount = self._amount(beside["amount"]) if "amount" in beside else 1.0
        if step is None:
            self.faults.add(place, f"unknown step '{shortened(raw.name)}'; {meant(raw.name, STEPS, what='known steps')}")
            self._open(index, raw)
            return None
        reads, layers, fits = self._reads(index, raw, step)
        first = next(iter(layers.values()), OPEN)
        given = {k: Entry(e.key, self.value(e.value)) for k, e in raw.body.items() if k not in step.images}
        params = typed(step.check, given, place, self.faults, stranger=lambda name: _stranger(name, step), known=step.abouts)
        mask = self._mask(index, beside["mask"], step, first) if "mask" in beside else None
        names = self._as(beside["as"], step) if "as" in beside else {}
        for key in ("mask", "amount"):
            if key in beside:
                self._blendable(beside[key].key.place, key, step, first, names)
        # what a step makes of a layer that it cannot work on is open, so that one fault does not bring others with it
        sort = made(step, first if fits else OPEN, repr(canonical(params)) if params is not None else None, place.line)
        if not fits:
            sort = {r: OPEN if known.mask is None else known for r, known in sort.items()}
        call = Call(
            index, id, raw.name, params, reads, names, mask, amount, skip, note, place.line, called,
            {k: plain(e.value) for k, e in given.items() if not unknown(e.value)},
        )  # fmt: skip
        for ref in [*list(reads.values())[: 1 if skip else None], *([mask] if mask and not skip else [])]:
            self.readers.setdefault(ref, []).append(f"{raw.name} in line {place.line}")
        if skip:
            self.skipped.append((call, beside["skip"].value.place, changes(step, first)))
            if not changes(step, first):
                sort[step.results[0]] = first
        for result, name in names.items():
            self.named[name] = _Known(Ref(index, result), sort[result], f"'{name}'")
        if step.gives != "mask":
            main = step.results[0]
            self.last = _Known(Ref(index, main), sort[main], f"'{names[main]}'" if main in names else f"the result of {raw.name}")
        return call

    def _open(self, index: int, raw: RawStep) -> None:
        """Keep the names that an unknown step makes, so that one fault does not bring others with it."""
        for name, steps in self.later.items():
            if any(i == index for i, _ in steps):
                self.named[name] = _Known(Ref(index, "image"), OPEN, f"'{name}'")
        self.last = _Known(Ref(index, "image"), OPEN, f"the result of {raw.name}")

    def _reads(self, index: int, raw: RawStep, step: Step) -> tuple[dict[str, Ref], dict[str, Layer], bool]:
        """Give the layers a step reads, in the order of its declaration, and whether it can work on the first."""
        fits = True
        found: dict[str, tuple[_Known, Place]] = {}
        at_fault = set()
        first = next(iter(step.images), None)
        for name in step.images:
            if name not in raw.body:
                continue
            node = self.value(raw.body[name].value)
            if not step.images[name] and isinstance(node, Scalar) and node.value is None:
                continue
            one = self.find(node, index)
            at_fault.add(name)
            if one:
                found[name] = (one, node.place)
        entry = raw.beside.get("from")
        if entry and first is None:
            self.faults.add(entry.key.place, f"{step.name} reads no layer, so 'from' means nothing here")
        elif entry and first in raw.body:
            place = raw.body[first].key.place
            self.faults.add(
                place, f"the layer '{first}' is given twice: here and by 'from' in line {entry.key.place.line}; take one away"
            )
        elif entry and first:
            node = self.value(entry.value)
            one = self.find(node, index)
            at_fault.add(first)
            if one:
                found[first] = (one, node.place)
        elif first and first not in raw.body:
            found[first] = (self.last, raw.key.place)
        for name, required in step.images.items():
            if required and name not in found and name not in at_fault:
                self.faults.add(
                    raw.key.place, f"{step.name} also needs the layer '{name}': write '{step.name}: {{{name}: LAYER}}'"
                )
            if required and name in found and found[name][0].layer.optional:
                one, place = found[name]
                self.faults.add(place, f"{one.name} is optional, but {step.name} cannot do without '{name}'")
        if first in found:
            one, place = found[first]
            why = refused(step, one.layer, one.name)
            if why:
                self.faults.add(place, why)
                fits = False
            for name in step.images:
                if name == first or name not in found:
                    continue
                other, place = found[name]
                why = None if step.resizes else differ(one.layer, other.layer)
                if why:
                    self.faults.add(place, f"{step.name} cannot combine {one.name} with {other.name}: {why}")
        ordered = {n: found[n] for n in step.images if n in found}
        layers = {n: k.layer for n, (k, _) in ordered.items()} if first in found else {}
        return {n: k.ref for n, (k, _) in ordered.items()}, layers, fits

    def _mask(self, index: int, entry: Entry, step: Step, first: Layer) -> Ref | None:
        node = self.value(entry.value)
        one = self.find(node, index)
        if one is None:
            return None
        if one.layer.mask is False:
            self.faults.add(node.place, f"{one.name} is no mask; make one with a step such as level_mask")
        elif not step.resizes and one.layer.size is not None and first.size is not None and one.layer.size != first.size:
            self.faults.add(node.place, f"the mask {one.name} does not fit what {step.name} works on: {differ(one.layer, first)}")
        return one.ref

    def _amount(self, entry: Entry) -> float:
        node = self.value(entry.value)
        if unknown(node):
            return 1.0
        try:
            if not isinstance(node, Scalar):
                raise ValueError
            share = Share.parse(node.value).fraction
        except ValueError:
            self.faults.add(node.place, f"amount: expected a share such as 80% or 0.8, found {kind_of(node)}")
            return 1.0
        if not 0 <= share <= 1:
            near = f"; did you mean '{node.text}%'?" if share <= 100 and "%" not in node.text else ""
            self.faults.add(node.place, f"amount: must be between 0% and 100%, found {kind_of(node)}{near}")
        return share

    def _blendable(self, place: Place, key: str, step: Step, first: Layer, names: dict[str, str]) -> None:
        """Refuse a blend of things that do not fit."""
        how = "changes the size" if step.resizes else "makes a mask" if step.gives == "mask" else changes(step, first)
        if how:
            self.faults.add(place, f"'{key}' blends a result with what came in, but {step.name} {how}")
            return
        kept = [n for r, n in names.items() if r in step.results[1:] and r not in MASKS]
        if kept:
            self.faults.add(place, f"'{key}' blends the main result of {step.name} alone, and '{kept[0]}' would no longer fit it")

    def _as(self, entry: Entry, step: Step) -> dict[str, str]:
        """Give the names of a step's results."""
        node = self.value(entry.value)
        if isinstance(node, Mapping):
            pairs = [(e.key, e.value) for e in node.entries.values()]
        else:
            pairs = [(Scalar(node.place, step.results[0], step.results[0]), node)]
        found: dict[str, str] = {}
        for result, value in pairs:
            if result.text not in step.results:
                several = "gives" if len(step.results) > 1 else "gives only"
                told = meant(result.text, step.results, what=f"{step.name} {several}")
                self.faults.add(result.place, f"{step.name} has no result '{shortened(result.text)}'; {told}")
                if isinstance(value, Scalar):
                    self.named[value.text] = _Known(Ref(-1, value.text), OPEN, f"'{value.text}'")
                continue
            if unknown(value):
                continue
            name = value.value if isinstance(value, Scalar) else None
            if not isinstance(name, str) or not PLAIN.fullmatch(name):
                what = "the name of a layer has letters, digits, '_' and '-', and begins with a letter"
                self.faults.add(value.place, f"{what}, found {kind_of(value)}")
            elif name in RESERVED:
                self.faults.add(value.place, f"{RESERVED[name]}; choose another name")
            elif name in found.values():
                self.faults.add(value.place, f"two results of {step.name} are called '{name}'")
            else:
                found[result.text] = name
        return found

    def _judge_skipped(self) -> None:
        """Refuse a skipped step whose results are read though what came in cannot stand for them."""
        for call, place, how in self.skipped:
            step = STEPS[call.step]
            main, *further = [Ref(call.index, r) for r in step.results]
            readers = self.readers.get(main, [])
            if how and readers:
                self.faults.add(place, f"{step.name} cannot be skipped: it {how}, and {readers[0]} reads its result")
            for ref in further:
                for reader in self.readers.get(ref, [])[:1]:
                    self.faults.add(place, f"{step.name} cannot be skipped: {reader} reads its result '{ref.result}'")

    # -- outputs -----------------------------------------------------------------------------------------------------

    def outputs(self) -> list[Output]:
        """Give the files to write."""
        found: list[Output] = []
        taken: dict[str, str] = {}
        for raw in self.doc.outputs:
            one = self._output(raw)
            if one is None:
                continue
            output, place = one
            key = unicodedata.normalize("NFC", output.file).casefold().strip("./")
            clash = next((f for k, f in taken.items() if k == key or k.startswith(f"{key}/") or key.startswith(f"{k}/")), None)
            if clash is not None:
                same = "" if clash == output.file else f" ('{clash}' and '{output.file}' are one name on many systems)"
                self.faults.add(place, f"two outputs to one file, '{shortened(output.file)}'{same}")
            taken.setdefault(key, output.file)
            found.append(output)
        return found

    def _output(self, raw: Mapping) -> tuple[Output, Place] | None:
        known = ("layer", "file", *WriteOptions.model_fields)
        told = {k: Entry(e.key, self.value(e.value)) for k, e in raw.entries.items()}
        for key, one in told.items():
            if key not in known:
                self.faults.add(one.key.place, f"unknown key '{shortened(key)}' of an output; {meant(key, known)}")
        for key in ("layer", "file"):
            if key not in told:
                self.faults.add(raw.place, f"this output has no '{key}'; it looks like {{layer: last, file: picture.tif}}")
        source = self.find(told["layer"].value, len(self.doc.steps)) if "layer" in told else None
        if source:
            self.readers.setdefault(source.ref, []).append(f"the output in line {raw.place.line}")
        choices = {k: e for k, e in told.items() if k in WriteOptions.model_fields}
        options = typed(
            _write_options, choices, raw.place, self.faults, stranger=near_name(known), known=WriteOptions.model_fields
        )
        file = told["file"].value if "file" in told else None
        if file is None or unknown(file):
            return None
        if not isinstance(file, Scalar) or not isinstance(file.value, str):
            self.faults.add(file.place, f"file: expected the name of a file such as picture.tif, found {kind_of(file)}")
            return None
        if options is None:
            return None
        try:
            check_output(file.value, options)
        except ValueError as fault:
            sentence = str(fault)
            to_blame = next(
                (k for k in choices if sentence.startswith(f"'{k}'") or (k == "bits" and "bits per value" in sentence)), None
            )
            self.faults.add(choices[to_blame].value.place if to_blame else file.place, sentence)
            return None
        if source is None:
            return None
        text = told["layer"].value
        assert isinstance(text, Scalar)
        return Output(source.ref, text.text, file.value, options, raw.place.line), file.place


def _write_options(given: dict[str, Any]) -> WriteOptions:
    import json

    return WriteOptions.model_validate_json(json.dumps(given))


def _stranger(name: str, step: Step) -> str:
    """End the sentence about an unknown parameter."""
    if name in BESIDE:
        return f"'{name}' stands beside {step.name}, not in its braces"
    return meant(name, [*step.abouts, *step.images], what=f"{step.name} knows")


def ids_of(steps: Iterable[RawStep]) -> list[tuple[str, bool]]:
    """Give each step's id, unique in any case, and whether it may be called by it."""
    many = list(steps)
    names = [raw.name for raw in many]
    taken = {raw.given_id for raw in many} | set(names)
    found: list[tuple[str, bool]] = []
    used: set[str] = set()
    for raw in many:
        id, called = raw.given_id, True
        if id is None or id in used:
            id, called = raw.name, names.count(raw.name) == 1
            n = 0
            while not called and (n == 0 or id in taken or id in used):
                n += 1
                id = f"{raw.name}-{n}"
        used.add(id)
        found.append((id, called))
    return found
