"""The shape of a recipe: its sections and the parts of a step, before any name or value is looked up."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from nebulakit.recipe.faults import Faults, Place, Source
from nebulakit.recipe.names import PLAIN, meant, nearest
from nebulakit.recipe.text import UNKNOWN, Entry, Mapping, Node, Scalar, Sequence, kind_of, scalars, shortened

SECTIONS = ("version", "about", "vars", "inputs", "steps", "outputs")
EXTENDING = ("extends", "change", "insert", "skip")
BESIDE = ("id", "from", "as", "mask", "amount", "skip", "note")
"""What may stand beside a step."""

VARIABLE = re.compile(r"\$\{\s*([^{}]*?)\s*\}")


@dataclass(frozen=True)
class RawStep:
    """One entry of ``steps`` as written: the step's name, what stands in its braces, and what stands beside it."""

    key: Scalar
    body: dict[str, Entry] = field(default_factory=dict)
    beside: dict[str, Entry] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The step's name."""
        return self.key.text

    @property
    def given_id(self) -> str | None:
        """The id as written, if there is one of the right form."""
        entry = self.beside.get("id")
        value = entry.value.value if entry and isinstance(entry.value, Scalar) else None
        return value if isinstance(value, str) and PLAIN.fullmatch(value) else None


@dataclass(frozen=True)
class Document:
    """A recipe's sections as written."""

    source: Source
    place: Place
    about: str = ""
    vars: dict[str, Entry] = field(default_factory=dict)
    inputs: dict[str, Entry] = field(default_factory=dict)
    steps: tuple[RawStep, ...] = ()
    outputs: tuple[Mapping, ...] = ()
    extends: Scalar | None = None
    change: dict[str, Entry] = field(default_factory=dict)
    insert: tuple[Mapping, ...] = ()
    skip: tuple[Scalar, ...] = ()
    joined: bool = False
    """Whether it was put together of several files, so that the number of a line alone tells nothing."""

    def line(self, place: Place) -> str:
        """Tell the line of a part to people, with its file where there are several."""
        if place.source.setting:
            return place.source.name
        return f"line {place.line}" + (f" of {place.source.name}" if self.joined else "")


def document(node: Node, source: Source, faults: Faults, steps: Iterable[str]) -> Document | None:
    """Give the sections of a recipe; ``steps`` are the known steps, to tell a step from a misspelt key."""
    if not isinstance(node, Mapping):
        wanted = "a recipe is a mapping that begins with 'version: 1'"
        nothing = isinstance(node, Scalar) and node.value is None and not node.text.strip()
        faults.add(node.place, f"{wanted}; this text is empty" if nothing else f"{wanted}, found {kind_of(node)}")
        return None
    known, parts = tuple(steps), node.entries
    for name, entry in parts.items():
        if name not in SECTIONS + EXTENDING:
            told = (
                f"'{name}' is a step; steps stand in the list under 'steps:'"
                if name in known
                else meant(name, SECTIONS + EXTENDING)
            )
            faults.add(entry.key.place, f"unknown key '{shortened(name)}'; {told}")
    _version(parts.get("version"), node.place, faults)
    extends = parts.get("extends")
    for name in EXTENDING[1:]:
        if name in parts and extends is None:
            faults.add(parts[name].key.place, f"'{name}' changes another recipe, so 'extends: NAME-or-FILE' must say which")
    base = _text(extends, "extends", "the name or file of another recipe", faults) if extends else None
    for name in ("steps", "outputs"):
        if name not in parts and extends is None:
            faults.add(
                node.place, f"'{name}' is missing" + (": a recipe says at least what to write" if name == "outputs" else "")
            )
    if base is not None and "steps" in parts:
        faults.add(
            parts["steps"].key.place, "a recipe that extends another has no 'steps' of its own; use change, insert and skip"
        )
    about = _text(parts["about"], "about", "a text", faults) if "about" in parts else None
    return Document(
        source,
        node.place,
        about.text.strip() if about else "",
        _named(parts.get("vars"), "vars", faults),
        _named(parts.get("inputs"), "inputs", faults),
        tuple(steps_of(parts.get("steps"), faults, known)),
        tuple(_mappings(parts.get("outputs"), "outputs", "{layer: last, file: picture.tif}", faults)),
        base,
        _named(parts.get("change"), "change", faults, free=True),
        tuple(_mappings(parts.get("insert"), "insert", "{after: ID, steps: [...]}", faults)),
        tuple(_ids(parts.get("skip"), faults)),
    )


def _version(entry: Entry | None, place: Place, faults: Faults) -> None:
    if entry is None:
        faults.add(place, "'version' is missing; begin the recipe with 'version: 1'")
    elif (
        not isinstance(entry.value, Scalar)
        or type(entry.value.value) is not int
        or entry.value.value != 1
        or not entry.value.plain
    ):
        faults.add(entry.value.place, f"this nebulakit reads recipes of version 1, found {kind_of(entry.value)}")


def _text(entry: Entry, name: str, wanted: str, faults: Faults) -> Scalar | None:
    if isinstance(entry.value, Scalar) and isinstance(entry.value.value, str):
        return entry.value
    faults.add(entry.value.place, f"'{name}' must be {wanted}, found {kind_of(entry.value)}")
    return None


def _named(entry: Entry | None, section: str, faults: Faults, *, free: bool = False) -> dict[str, Entry]:
    """Give a section that maps names to something; ``free``: the names are looked up elsewhere."""
    if entry is None or (isinstance(entry.value, Scalar) and entry.value.value is None):
        return {}
    if not isinstance(entry.value, Mapping):
        faults.add(entry.value.place, f"'{section}' must be a mapping of names, found {kind_of(entry.value)}")
        return {}
    for name, one in entry.value.entries.items():
        if not free and not PLAIN.fullmatch(name):
            faults.add(
                one.key.place, f"'{shortened(name)}' is no name: names have letters, digits, '_' and '-', and begin with a letter"
            )
    return {k: v for k, v in entry.value.entries.items() if free or PLAIN.fullmatch(k)}


def _items(entry: Entry | None, section: str, faults: Faults) -> Iterator[Node]:
    if entry is None:
        return
    if not isinstance(entry.value, Sequence):
        faults.add(entry.value.place, f"'{section}' must be a list with '- ' before each entry, found {kind_of(entry.value)}")
        return
    if not entry.value.items:
        faults.add(entry.value.place, f"the list '{section}' is empty")
    yield from entry.value.items


def _mappings(entry: Entry | None, section: str, example: str, faults: Faults) -> Iterator[Mapping]:
    for item in _items(entry, section, faults):
        if isinstance(item, Mapping):
            yield item
        else:
            faults.add(item.place, f"an entry of '{section}' looks like {example}, found {kind_of(item)}")


def _ids(entry: Entry | None, faults: Faults) -> Iterator[Scalar]:
    for item in _items(entry, "skip", faults):
        if isinstance(item, Scalar) and isinstance(item.value, str):
            yield item
        else:
            faults.add(item.place, f"'skip' is a list of ids, found {kind_of(item)}")


def steps_of(entry: Entry | None, faults: Faults, known: tuple[str, ...]) -> Iterator[RawStep]:
    """Give the steps of a list."""
    for item in _items(entry, "steps", faults):
        step = _step(item, faults, known)
        if step:
            yield step


def _step(item: Node, faults: Faults, known: tuple[str, ...]) -> RawStep | None:
    if not isinstance(item, Mapping):
        name = item.text if isinstance(item, Scalar) and item.text in known else None
        how = f"write '{name}: {{}}'" if name else "an entry of 'steps' looks like 'curve: {}'"
        faults.add(item.place, f"{how}, found {kind_of(item)}")
        return None
    others = [e.key for e in item.entries.values() if e.key.text not in BESIDE]
    keys = [k for k in others if k.text in known] or [k for k in others if _is_step(item, k, known)] or others
    if not keys:
        faults.add(item.place, "this entry names no step; it looks like 'curve: {}', with " + ", ".join(BESIDE) + " beside it")
        return None
    key = keys[0]
    for other in others:
        if other.text in known and other is not key:
            faults.add(other.place, f"a second step in one entry; begin '{other.text}' on a line of its own with '- '")
        elif other is not key:
            faults.add(
                other.place, f"unknown key '{shortened(other.text)}' beside {key.text}; {_beside(other.text, key.text, known)}"
            )
    beside = {k: e for k, e in item.entries.items() if k in BESIDE}
    body = item.entries[key.text].value
    if isinstance(body, Mapping):
        return RawStep(key, body.entries, beside)
    if not (isinstance(body, Scalar) and body.value is None):
        faults.add(
            body.place,
            f"the values of {shortened(key.text)} are named: '{shortened(key.text)}: {{name: value}}', found {kind_of(body)}",
        )
    return RawStep(key, {}, beside)


def _is_step(item: Mapping, key: Scalar, known: tuple[str, ...]) -> bool:
    """Whether an unknown key is rather a misspelt step than a misspelt key beside one."""
    return nearest(key.text, known) is not None or isinstance(item.entries[key.text].value, Mapping)


def _beside(name: str, step: str, known: tuple[str, ...]) -> str:
    from nebulakit.declare import STEPS

    if step in known and (name in STEPS[step].abouts or name in STEPS[step].images):
        return f"'{name}' belongs into the braces: '{step}: {{{name}: ...}}'"
    return meant(name, BESIDE, what="known beside a step")


def variables(doc: Document, faults: Faults) -> dict[str, Entry]:
    """Give the variables, refusing those that use others."""
    for name, entry in doc.vars.items():
        for scalar in scalars(entry.value):
            if "${" in scalar.text:
                faults.add(scalar.place, f"the variable '{name}' cannot use another; write its value out")
    return doc.vars


def put_in(node: Node, known: dict[str, Entry], faults: Faults) -> Node:
    """Give ``node`` with its variables replaced by their values; ``${name}`` stands only as a whole value."""
    if isinstance(node, Sequence):
        return replace(node, items=tuple(put_in(n, known, faults) for n in node.items))
    if isinstance(node, Mapping):
        return replace(node, entries={k: Entry(e.key, put_in(e.value, known, faults)) for k, e in node.entries.items()})
    if "${" not in node.text:
        return node
    found = VARIABLE.fullmatch(node.text.strip())
    if not found:
        faults.add(node.place, f"'{shortened(node.text)}': a variable stands only as a whole value, \"${{name}}\"")
        return replace(node, value=UNKNOWN)
    if found[1] not in known:
        faults.add(node.place, f"unknown variable '{shortened(found[1])}'; {meant(found[1], known, what='known under vars')}")
        return replace(node, value=UNKNOWN)
    value = known[found[1]].value
    source = value.place.source
    other = "" if source is node.place.source else f" of {source.name}"
    where = source.name if source.setting else f"vars.{found[1]}, line {value.place.line}{other}"
    return _moved(value, node.place, f" (from {where})")


def _moved(node: Node, place: Place, via: str) -> Node:
    """Give a variable's value as if it stood where it is used."""
    if isinstance(node, Scalar):
        return replace(node, place=place, via=via)
    if isinstance(node, Sequence):
        return replace(node, place=place, via=via, items=tuple(_moved(n, place, via) for n in node.items))
    return replace(
        node, place=place, via=via, entries={k: Entry(e.key, _moved(e.value, place, via)) for k, e in node.entries.items()}
    )
