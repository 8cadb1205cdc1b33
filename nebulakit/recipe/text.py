"""YAML text -> nodes that know where they stand; read strictly, so that a recipe can never run or expand anything.

Only the parser of PyYAML is used, never its constructors. Scalars follow the core schema of YAML 1.2.2 (section 10.3):
``1e-3`` is a number, only ``true`` and ``false`` are truth values, and ``no``, ``off``, ``12:30`` are texts. Tags,
anchors and aliases are refused, and with them everything that could make a small text large; so are duplicate keys.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

import yaml

from nebulakit.recipe.faults import Faults, Place, Source, place_at

MOST = 200_000
"""Characters a recipe may have; people write some thousands."""
DEEPEST = 24
"""Levels of lists and mappings within each other."""

_INT = re.compile(r"[-+]?[0-9]{1,300}|0o[0-7]{1,300}|0x[0-9a-fA-F]{1,300}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_ODD = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
# what YAML 1.2 calls printable (section 5.1), less the lone halves of surrogate pairs
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True)
class Scalar:
    """A single value: ``text`` as written, ``value`` what it means."""

    place: Place
    value: Any
    text: str
    plain: bool = True  # written without quotes
    via: str = ""  # how it came here if not by standing here: " (from vars.keep, line 4)"


@dataclass(frozen=True)
class Sequence:
    """A list."""

    place: Place
    items: tuple[Node, ...]
    via: str = ""


@dataclass(frozen=True)
class Entry:
    """A key and its value."""

    key: Scalar
    value: Node


@dataclass(frozen=True)
class Mapping:
    """Keys, all texts, and their values, in the order written."""

    place: Place
    entries: dict[str, Entry] = field(default_factory=dict)
    via: str = ""


class _Unknown:
    """A value at fault already; nothing more is said about it."""


UNKNOWN = _Unknown()

Node: TypeAlias = Scalar | Sequence | Mapping


def plain(node: Node) -> Any:
    """Give the values without their places."""
    if isinstance(node, Mapping):
        return {k: plain(e.value) for k, e in node.entries.items()}
    return [plain(n) for n in node.items] if isinstance(node, Sequence) else node.value


def scalars(node: Node) -> Iterator[Scalar]:
    """Give all single values in a node."""
    if isinstance(node, Scalar):
        yield node
        return
    for inner in node.items if isinstance(node, Sequence) else [e.value for e in node.entries.values()]:
        yield from scalars(inner)


def unknown(node: Node) -> bool:
    """Whether something in ``node`` is at fault already."""
    return any(s.value is UNKNOWN for s in scalars(node))


def kind_of(node: Node) -> str:
    """Say what a node is, for people."""
    if isinstance(node, Scalar):
        found = "nothing" if node.value is None else f"{'' if node.plain else 'the text '}'{shortened(node.text)}'"
    elif isinstance(node, Mapping):
        found = "a mapping"
    else:
        short = len(node.items) <= 6 and all(isinstance(i, Scalar) for i in node.items)
        found = shortened(f"[{', '.join(s.text for s in scalars(node))}]") if short else f"a list of {len(node.items)}"
    return found + node.via


def shortened(text: str, most: int = 60) -> str:
    """Give a text on one line, cut where it is long."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 3] + "..."


def scalar_value(text: str) -> Any:
    """Give the value of a scalar without quotes, by the core schema of YAML 1.2; ValueError for .inf, .nan and the like.

    >>> [scalar_value(t) for t in ("1e-3", "0x10", "true", "no", "~", "85%", "1_000")]
    [0.001, 16, True, 'no', None, '85%', '1_000']
    """
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
        return text[0] in "tT"
    if _INT.fullmatch(text):
        return int(text, {"0o": 8, "0x": 16}.get(text[:2], 10))
    if _FLOAT.fullmatch(text):
        number = float(text)
        if not math.isfinite(number):
            raise ValueError(f"the number {shortened(text)} is too large")
        return number
    if _ODD.fullmatch(text):
        raise ValueError(f"{text} is not a finite number")
    return text


def read(source: Source, faults: Faults) -> Node | None:
    """Give the tree of a text, or None where the syntax is broken. Faults go to ``faults``.

    A duplicate key, a tag or an anchor is noted, and the rest is read on, so that all faults can be told at once.
    """
    text = source.text
    if len(text) > MOST:
        faults.add(Place(source, 1, 1), f"the text has {len(text)} characters; a recipe may have {MOST}")
        return None
    if unprintable(source, faults):
        return None
    try:
        return _Reader(source, faults).document()
    except yaml.YAMLError as fault:
        faults.add(*_told(source, fault))
        return None
    except _TooDeep as deep:
        faults.add(deep.place, f"more than {DEEPEST} lists and mappings within each other")
        return None


def unprintable(source: Source, faults: Faults) -> bool:
    """Note a sign that no recipe may hold; say whether there is one."""
    odd = _UNPRINTABLE.search(source.text)
    if odd:
        file = "" if source.setting else "; is this a text file, saved as UTF-8?"
        faults.add(place_at(source, odd.start()), f"the character U+{ord(odd[0]):04X} cannot stand in a recipe{file}")
    return odd is not None


class _TooDeep(Exception):
    def __init__(self, place: Place) -> None:
        self.place = place


class _Reader:
    """Puts the parser's events together."""

    def __init__(self, source: Source, faults: Faults) -> None:
        self.source, self.faults = source, faults
        self.events: Iterator[Any] = yaml.parse(source.text, Loader=_LOADER)

    def document(self) -> Node:
        next(self.events)  # start of stream
        first = next(self.events)
        if isinstance(first, yaml.StreamEndEvent):
            return Scalar(Place(self.source, 1, 1), None, "")
        node = self.node(next(self.events), 0)
        next(self.events)  # end of document
        more = next(self.events)
        if not isinstance(more, yaml.StreamEndEvent):
            self.faults.add(self.place(more), "a second document begins here; a recipe is one document, so remove the '---'")
            for _ in self.events:  # faults of its syntax are told too
                pass
        return node

    def place(self, event: Any) -> Place:
        return Place(self.source, event.start_mark.line + 1, event.start_mark.column + 1)

    def node(self, event: Any, depth: int) -> Node:
        place = self.place(event)
        if depth > DEEPEST:
            raise _TooDeep(place)
        if isinstance(event, yaml.AliasEvent):
            self.faults.add(place, f"'*{event.anchor}': a recipe has no aliases; write the value out, or use vars")
            return self.nothing(place)
        if event.anchor is not None:
            self.faults.add(
                place, f"'&{event.anchor}': a recipe has no anchors; put the value under vars and use it as \"${{name}}\""
            )
        if event.tag is not None:
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            self.faults.add(place, f"'{shortened(tag)}': a recipe has no tags; write the value alone, in quotes if it is a text")
            self.faults.settled.add(place)
        if isinstance(event, yaml.ScalarEvent):
            return self.scalar(event, place)
        if isinstance(event, yaml.SequenceStartEvent):
            items = []
            while not isinstance(item := next(self.events), yaml.SequenceEndEvent):
                items.append(self.node(item, depth + 1))
            return Sequence(place, tuple(items))
        return self.mapping(place, depth)

    def scalar(self, event: Any, place: Place) -> Scalar:
        if event.style not in (None, ""):
            return Scalar(place, event.value, event.value, plain=False)
        try:
            return Scalar(place, scalar_value(event.value), event.value)
        except ValueError as fault:
            self.faults.add(place, str(fault))
            return self.nothing(place)

    def nothing(self, place: Place) -> Scalar:
        """Give a value of which enough has been said."""
        self.faults.settled.add(place)
        return Scalar(place, UNKNOWN, "")

    def mapping(self, place: Place, depth: int) -> Mapping:
        entries: dict[str, Entry] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key, value = self.node(event, depth + 1), self.node(next(self.events), depth + 1)
            if isinstance(value, Scalar) and value.value is None and not value.text:
                value = replace(value, place=key.place)  # nothing stands nowhere: point at its name
            if not isinstance(key, Scalar):
                self.faults.add(key.place, f"a key must be a name, found {kind_of(key)}")
            elif key.text in entries:
                first = entries[key.text].key.place.line
                self.faults.add(key.place, f"duplicate key '{shortened(key.text)}'; it stands already in line {first}")
            else:
                entries[key.text] = Entry(key, value)
        return Mapping(place, entries)


def _told(source: Source, fault: yaml.YAMLError) -> tuple[Place, str]:
    """Put a fault of the syntax into words, at the place where a person would mend it."""
    mark, problem = getattr(fault, "problem_mark", None), str(getattr(fault, "problem", None) or "not readable as YAML")
    if mark is None:
        return Place(source, 1, 1), f"not readable as YAML: {shortened(str(fault), 120)}"
    place = Place(source, mark.line + 1, mark.column + 1)
    line = source.line(place.line)
    start = getattr(fault, "context_mark", None)
    begun = Place(source, start.line + 1, start.column + 1) if start is not None else place
    context = str(getattr(fault, "context", None) or "")
    indent = line[: len(line) - len(line.lstrip())]
    if "\t" in indent:
        return Place(source, place.line, indent.index("\t") + 1), "a tab cannot indent a line; use spaces"
    if "escape" in problem:
        return place, "this is no escape that YAML knows; in single quotes a '\\\\' stands for itself"
    if "quoted scalar" in context:
        return begun, "the quotation mark that begins here is never closed"
    if "${" in line and "flow" in context:
        column = line.index("${") + 1
        return Place(source, place.line, column), 'a variable must be written in quotes here: "${name}"'
    if "flow node" in context:
        return place, "a value is missing here, or a bracket is not closed"
    if "flow mapping" in context:
        missing = f"a ',' or '}}' is missing before line {place.line}, column {place.column}"
        return begun, f"the brace '{{' that begins here is not closed properly: {missing}"
    if "flow sequence" in context:
        missing = f"a ',' or ']' is missing before line {place.line}, column {place.column}"
        return begun, f"the bracket '[' that begins here is not closed properly: {missing}"
    if "mapping values are not allowed" in problem:
        return place, "a ':' cannot stand here; put a text that holds one in quotes, or begin a new line for a new key"
    if "cannot start any token" in problem and line[place.column - 1 : place.column]:
        return place, f"a value cannot begin with '{line[place.column - 1]}'; put it in quotes"
    if "tag" in problem or "tag" in context:
        return place, "a recipe has no tags; write the value alone, in quotes if it is a text"
    if "block" in context and line[place.column - 2 : place.column - 1] in ("'", '"') and place.column > 1:
        return place, "nothing may follow a closing quotation mark; put the whole text in quotes, or none of it"
    if "block" in context and line[place.column - 1 : place.column] in ("}", "]"):
        return place, f"a '{line[place.column - 1]}' too many"
    if "block collection" in context or "block mapping" in context or "block sequence" in context:
        return (
            place,
            "the indentation does not fit: entries that belong together must begin in the same column, those of a list with '- '",
        )
    if "could not find expected ':'" in problem:
        return begun, "a ':' is missing after this key"
    return place, f"not readable as YAML: {' '.join([context + ':'] if context else [])} {problem}".replace(":  ", ": ")
