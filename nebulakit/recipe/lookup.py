"""Names and values of a document looked up: variables, inputs, layers, ids."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from nebulakit.recipe.document import VARIABLE, Document, RawStep, put_in
from nebulakit.recipe.faults import Faults
from nebulakit.recipe.layers import OPEN, Layer
from nebulakit.recipe.model import Input, Ref
from nebulakit.recipe.names import meant, nearest
from nebulakit.recipe.text import Entry, Mapping, Node, Scalar, kind_of, scalars, shortened, unknown

RESERVED = {
    "last": "'last' always means the main result of the step before",
    "coverage": "'coverage' belongs to the stack and follows it by itself",
}
_INPUT_KEYS = ("optional", "about", "scale", "kind")
SCALES = ("linear", "display", "mask")
KINDS = ("rgb", "line", "mosaic")


@dataclass
class Known:
    """A layer as the resolver knows it."""

    ref: Ref
    layer: Layer
    name: str


@dataclass
class Lookup:
    """What is known at the step that is looked at."""

    doc: Document
    faults: Faults
    named: dict[str, Known] = field(default_factory=dict)
    last: Known = field(default_factory=lambda: Known(Ref(-1, "stack"), OPEN, "the stack"))
    vars: dict[str, Entry] = field(default_factory=dict)
    later: dict[str, list[tuple[int, RawStep]]] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    """Variables that were put in somewhere."""

    # -- values ------------------------------------------------------------------------------------------------------

    def value(self, node: Node) -> Node:
        """Give a node with its variables put in."""
        self.used |= {name for s in scalars(node) for name in VARIABLE.findall(s.text)}
        return put_in(node, self.vars, self.faults)

    def choice(self, entry: Entry, name: str, known: Iterable[str]) -> Any:
        """Give one of some words, or None after noting a fault."""
        node = self.value(entry.value)
        if unknown(node):
            return None
        words = tuple(known)
        if isinstance(node, Scalar) and node.value in words:
            return node.value
        near = nearest(node.text, words) if isinstance(node, Scalar) else None
        hint = f"; did you mean '{near}'?" if near else ""
        self.faults.add(node.place, f"{name}: expected {' or '.join(words)}, found {kind_of(node)}{hint}")
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
            self.named[name] = Known(Ref(-1, name), Layer(scale, mask, kind, size, how, one.optional), f"the input '{name}'")
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
        scale = self.choice(told["scale"], "scale", SCALES) if "scale" in told else default
        if name == "stack" and scale == "mask":
            self.faults.add(told["scale"].value.place, "the stack cannot be a mask; expected linear or display")
        kind = self.choice(told["kind"], "kind", KINDS) if "kind" in told else None
        return Input(name, optional, about, scale, kind, line)

    # -- names -------------------------------------------------------------------------------------------------------

    def named_later(self) -> dict[str, list[tuple[int, RawStep]]]:
        """Give for each layer name the steps that make it."""
        found: dict[str, list[tuple[int, RawStep]]] = {}
        for i, raw in enumerate(self.doc.steps):
            node = raw.beside["as"].value if "as" in raw.beside else None
            names = [e.value for e in node.entries.values()] if isinstance(node, Mapping) else [node] if node else []
            for name in names:
                if isinstance(name, Scalar):
                    found.setdefault(name.text, []).append((i, raw))
        return found

    def ids(self) -> list[tuple[str, bool]]:
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
                line = self.doc.line(self.doc.steps[seen[id]].key.place)
                self.faults.add(entry.value.place, f"the id '{id}' is taken by the step in {line}")
            elif raw.name != id and id in names:
                self.faults.add(entry.value.place, f"the id '{id}' is the name of another step of this recipe; choose another")
            elif id in ("vars", "last"):
                self.faults.add(entry.value.place, f"'{id}' cannot be an id; choose another")
            else:
                seen[id] = i
        return ids_of(self.doc.steps)

    def find(self, node: Node, index: int) -> Known | None:
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
        later = [(i, raw) for i, raw in self.later.get(name, []) if i >= index]
        if later and later[0][0] == index:
            self.faults.add(node.place, f"the layer '{shortened(name)}' is made by this very step, not before it{node.via}")
        elif later:
            at = f"by {later[0][1].name} in {self.doc.line(later[0][1].key.place)}"
            self.faults.add(node.place, f"the layer '{shortened(name)}' is used before it is made ({at}){node.via}")
        else:
            told = meant(name, [*self.named, "last"], what="known here")
            self.faults.add(node.place, f"unknown layer '{shortened(name)}'; {told}{node.via}")
        return None


def ids_of(steps: Iterable[RawStep]) -> list[tuple[str, bool]]:
    """Give each step's id, unique in any case, and whether it may be called by it."""
    many = list(steps)
    names = Counter(raw.name for raw in many)
    taken = {raw.given_id for raw in many} | set(names)
    found: list[tuple[str, bool]] = []
    used: set[str] = set()
    last: Counter[str] = Counter()
    for raw in many:
        id, called = raw.given_id, True
        if id is None or id in used:
            id, called = raw.name, names[raw.name] == 1
            while not called and (id == raw.name or id in taken or id in used):
                last[raw.name] += 1
                id = f"{raw.name}-{last[raw.name]}"
        used.add(id)
        found.append((id, called))
    return found
