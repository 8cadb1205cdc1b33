"""Document -> recipe: every name looked up, every value typed, every fault told."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import nebulakit.steps  # noqa: F401  (fills STEPS)
from nebulakit.declare import STEPS, Step, canonical
from nebulakit.quantity import Share
from nebulakit.recipe.document import BESIDE, RawStep, variables
from nebulakit.recipe.faults import Place
from nebulakit.recipe.layers import MASKS, OPEN, Layer, changes, differ, made, made_nonetheless, refused, refused_beside
from nebulakit.recipe.lookup import RESERVED, Known
from nebulakit.recipe.model import Call, Recipe, Ref
from nebulakit.recipe.names import PLAIN, meant
from nebulakit.recipe.text import Entry, Mapping, Scalar, kind_of, plain, shortened, unknown
from nebulakit.recipe.values import typed
from nebulakit.recipe.writes import Outputs


@dataclass
class Resolver(Outputs):
    """Goes through a document once, in its order."""

    skipped: list[tuple[Call, Place, str | None]] = field(default_factory=list)

    def recipe(self, path: Path | None, text: str) -> Recipe:
        """Give the recipe; faults are noted, so ask for them before it is used."""
        doc = self.doc
        self.vars = variables(doc, self.faults)
        inputs = self.inputs()
        self.later = self.named_later()
        ids = self.ids()
        calls = [self.call(i, raw, *ids[i]) for i, raw in enumerate(doc.steps)]
        outputs = self.outputs()
        self._judge_skipped()
        read = {ref for c in calls if c for ref in c.needs} | {o.ref for o in outputs}
        idle = [(e, f"the variable '{n}'") for n, e in self.vars.items() if n not in self.used]
        idle += [
            (e, f"the input '{n}'") for n, e in doc.inputs.items() if n not in ("stack", "coverage") and Ref(-1, n) not in read
        ]
        return Recipe(
            1,
            doc.about,
            {k: plain(e.value) for k, e in self.vars.items()},
            inputs,
            tuple(c for c in calls if c is not None),
            tuple(outputs),
            doc.source.name,
            text,
            path,
            tuple(f"{e.key.place}: warning: nothing uses {what}" for e, what in idle),
        )

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
        why = step.refuses(params, set(layers) | self._written(raw, step)) if params is not None else None
        if why:
            self.faults.add(raw.body[why[0]].value.place if why[0] in raw.body else place, f"{step.name}: {why[1].rstrip('.')}")
        mask = self._mask(index, beside["mask"], step, first) if "mask" in beside else None
        names = self._as(beside["as"], step) if "as" in beside else {}
        for key in ("mask", "amount"):
            if key in beside:
                self._blendable(beside[key].key.place, key, step, first, names)
        sort = (made if fits else made_nonetheless)(
            step, first, repr(canonical(params)) if params is not None else None, self.doc.line(place)
        )
        plainly = {k: plain(e.value) for k, e in given.items() if not unknown(e.value)}
        file = place.source.name if self.doc.joined else ""
        # params is None only beside a fault, and then the recipe is never given away
        call = Call(index, id, raw.name, params, reads, names, mask, amount, skip, note, place.line, called, plainly, file)  # type: ignore[arg-type]
        for ref in list(reads.values())[:1] if skip else call.needs:
            self.readers.setdefault(ref, []).append(f"{raw.name} in {self.doc.line(place)}")
        if skip:
            self.skipped.append((call, beside["skip"].value.place, changes(step, first)))
            if not changes(step, first):
                sort[step.results[0]] = first
        for result, name in names.items():
            self.named[name] = Known(Ref(index, result), sort[result], f"'{name}'")
        if step.gives != "mask":
            main = step.results[0]
            self.last = Known(Ref(index, main), sort[main], f"'{names[main]}'" if main in names else f"the result of {raw.name}")
        return call

    def _open(self, index: int, raw: RawStep) -> None:
        """Keep the names that an unknown step makes, so that one fault does not bring others with it."""
        for name, steps in self.later.items():
            if any(i == index for i, _ in steps):
                self.named[name] = Known(Ref(index, "image"), OPEN, f"'{name}'")
        self.last = Known(Ref(index, "image"), OPEN, f"the result of {raw.name}")

    def _reads(self, index: int, raw: RawStep, step: Step) -> tuple[dict[str, Ref], dict[str, Layer], bool]:
        """Give the layers a step reads, in the order of its declaration, and whether it can work on the first."""
        found, told = self._found(index, raw, step)
        for name, required in step.images.items():
            if required and name not in found and name not in told:
                self.faults.add(
                    raw.key.place, f"{step.name} also needs the layer '{name}': write '{step.name}: {{{name}: LAYER}}'"
                )
            if required and name in found and found[name][0].layer.optional:
                one, place = found[name]
                self.faults.add(place, f"{one.name} is optional, but {step.name} cannot do without '{name}'")
        ordered = {n: found[n] for n in step.images if n in found}
        reads = {n: k.ref for n, (k, _) in ordered.items()}
        if step.first not in found:
            return reads, {}, True
        return reads, {n: k.layer for n, (k, _) in ordered.items()}, self._can_read(step, ordered)

    def _found(self, index: int, raw: RawStep, step: Step) -> tuple[dict[str, tuple[Known, Place]], set[str]]:
        """Give the layers that were found, each with where it is named, and which images are told at all."""
        first = step.first
        entries = {name: raw.body[name] for name in step.images if name in raw.body}
        beside = raw.beside.get("from")
        if beside and first is None:
            self.faults.add(beside.key.place, f"{step.name} reads no layer, so 'from' means nothing here")
        elif beside and first in entries:
            there = self.doc.line(beside.key.place)
            words = f"the layer '{first}' is given twice: here and by 'from' in {there}; take one away"
            self.faults.add(entries[first].key.place, words)
        elif beside and first:
            entries[first] = beside
        found: dict[str, tuple[Known, Place]] = {}
        told = set()
        for name, entry in entries.items():
            node = self.value(entry.value)
            if not step.images[name] and isinstance(node, Scalar) and node.value is None:
                continue
            told.add(name)
            one = self.find(node, index)
            if one:
                found[name] = (one, node.place)
        if first and first not in entries:
            found[first] = (self.last, raw.key.place)
        return found, told

    def _can_read(self, step: Step, found: dict[str, tuple[Known, Place]]) -> bool:
        """Refuse layers that the step cannot work on, or not together; give whether it can on the first."""
        one, place = next(iter(found.values()))
        why_not = refused(step, one.layer, one.name)
        if why_not:
            self.faults.add(place, why_not)
        for name, (other, place) in list(found.items())[1:]:
            why = refused_beside(step, name, other.layer, other.name, one.layer)
            # of a step that needs one scale, each layer has been held against that
            layer = one.layer if step.reads == "any" else replace(one.layer, scale=None)
            unlike = None if why or step.resizes else differ(layer, other.layer)
            if why or unlike:
                self.faults.add(place, why or f"{step.name} cannot combine {one.name} with {other.name}: {unlike}")
        return not why_not

    def _written(self, raw: RawStep, step: Step) -> set[str]:
        """Give the images that a step is told to read, also those that cannot be found."""
        nodes = {k: self.value(e.value) for k, e in raw.body.items() if k in step.images}
        return {k for k, node in nodes.items() if not (isinstance(node, Scalar) and node.value is None)}

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
                    self.named[value.text] = Known(Ref(-1, value.text), OPEN, f"'{value.text}'")
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
            main, *further = call.results
            readers = self.readers.get(main, [])
            if how and readers:
                self.faults.add(place, f"{step.name} cannot be skipped: it {how}, and {readers[0]} reads its result")
            for ref in further:
                for reader in self.readers.get(ref, [])[:1]:
                    self.faults.add(place, f"{step.name} cannot be skipped: {reader} reads its result '{ref.result}'")


def _stranger(name: str, step: Step) -> str:
    """End the sentence about an unknown parameter."""
    if name in BESIDE:
        return f"'{name}' stands beside {step.name}, not in its braces"
    return meant(name, [*step.abouts, *step.images], what=f"{step.name} knows")
