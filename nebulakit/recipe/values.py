"""Values typed by a declaration, and the declaration's refusals brought back to where the value stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from nebulakit.declare import describe
from nebulakit.recipe.faults import Faults, Place
from nebulakit.recipe.names import nearest
from nebulakit.recipe.text import Entry, Mapping, Node, Scalar, Sequence, kind_of, plain, shortened, unknown

M = TypeVar("M", bound=BaseModel)

_WORDS = {
    "tuple_type": "expected a list",
    "list_type": "expected a list",
    "model_type": "expected a mapping",
    "model_attributes_type": "expected a mapping",
    "dict_type": "expected a mapping",
}


def typed(
    check: Callable[[dict[str, Any]], M],
    given: dict[str, Entry],
    place: Place,
    faults: Faults,
    *,
    known: Iterable[str],
    stranger: Callable[[str], str] = lambda name: "",
) -> M | None:
    """Give what ``check`` makes of the values, or None after noting each refusal where it belongs.

    ``known`` are the names that there are, and ``stranger`` ends the sentence about another; ``place`` is where a missing
    value is told.
    """
    names = set(known)
    for name, entry in given.items():
        if name not in names:
            faults.add(entry.key.place, f"unknown parameter '{shortened(name)}'; {stranger(name)}")
    # values with a fault already are left out: one fault, one sentence
    sound = {k: e for k, e in given.items() if k in names and not unknown(e.value)}
    whole = len(sound) == len(given)
    try:
        model = check({k: plain(e.value) for k, e in sound.items()})
    except ValidationError as refused:
        _tell(refused.errors(), sound, set(given), place, faults)
        return None
    return model if whole else None


def _tell(errors: Iterable[Any], given: dict[str, Entry], named: set[str], place: Place, faults: Faults) -> None:
    """Note what a model refused, gathered by parameter: a value that fits none of several forms is one fault."""
    by_name: dict[str, list[Any]] = {}
    for error in errors:
        by_name.setdefault(str(error["loc"][0]) if error["loc"] else "", []).append(error)
    for name, refusals in by_name.items():
        if name not in given:
            if name not in named:
                words = f"parameter '{name}' must be given" if name else describe(refusals[0])
                faults.add(place, words)
            continue
        reached = [(_walk(given[name].value, e["loc"][1:]), e) for e in refusals]
        # of several forms, the one that fits furthest is the one that was meant
        deepest = max(len(path) for (_, path), _ in reached)
        told: dict[tuple[Any, ...], tuple[Node, list[Any]]] = {}
        for (node, path), error in reached:
            if len(path) == deepest or not _is_choice(error):
                told.setdefault(path, (node, []))[1].append(error)
        for path, (node, alike) in told.items():
            inner = "".join(f"[{p + 1}]" if isinstance(p, int) else f".{p}" for p in path)
            _one(f"{name}{inner}", node, alike, faults)


def _is_choice(error: Any) -> bool:
    """Whether a refusal is that of one form among several."""
    return len(error["loc"]) > 1 and isinstance(error["loc"][1], str)


def _walk(node: Node, loc: Iterable[Any]) -> tuple[Node, tuple[Any, ...]]:
    """Follow pydantic's path as far as the text goes; its names for the forms of a union are no part of the text."""
    path: list[Any] = []
    for part in loc:
        if isinstance(node, Mapping) and part in node.entries:
            node = node.entries[part].value
        elif isinstance(node, Sequence) and isinstance(part, int) and part < len(node.items):
            node = node.items[part]
        else:
            continue
        path.append(part)
    return node, tuple(path)


def _one(name: str, node: Node, errors: list[Any], faults: Faults) -> None:
    """Note what is wrong with one value."""
    strange = [str(e["loc"][-1]) for e in errors if e["type"] == "extra_forbidden"]
    lacking = [e["loc"][-1] for e in errors if e["type"] == "missing"]
    if strange:
        faults.add(node.place, f"{name}: there is no such value")
        return
    if lacking and isinstance(node, Sequence):
        faults.add(node.place, f"{name}: expected {max(map(int, lacking)) + 1} values, found {kind_of(node)}")
        return
    if lacking:
        faults.add(node.place, f"{name}: {', '.join(repr(str(k)) for k in lacking)} must be given")
        return
    words = list(dict.fromkeys(_words(e) for e in errors))
    expected = [w.removeprefix("expected ") for w in words if w.startswith("expected ")]
    others = [w for w in words if not w.startswith("expected ")]
    sentence = "; ".join(others + ([f"expected {', or '.join(expected)}"] if expected else []))
    faults.add(node.place, f"{name}: {sentence}, found {kind_of(node)}{_hint(node, errors)}")


def _words(error: Any) -> str:
    """Give the declaration's own words, less the name before and the value after them."""
    if error["type"] in _WORDS:
        return _WORDS[error["type"]]
    if error["type"] == "too_long":
        return f"expected {error['ctx']['max_length']} values"
    if error["type"] == "value_error":
        return re.sub(r", found (?:(?!, found ).)*$", "", str(error["ctx"]["error"]), flags=re.DOTALL)
    return re.sub(r", found (?:(?!, found ).)*$", "", describe(error).split(": ", 1)[-1], flags=re.DOTALL)


def _hint(node: Node, errors: list[Any]) -> str:
    """Give the nearest choice, or the nearest unit."""
    if not isinstance(node, Scalar) or not isinstance(node.value, str):
        return ""
    choices = [c for e in errors if e["type"] == "literal_error" for c in re.findall(r"'([^']*)'", e["ctx"]["expected"])]
    near = nearest(node.value, choices)
    if near:
        return f"; did you mean '{near}'?"
    quantity = re.fullmatch(r"\s*([-+.\deE]*\d\.?)\s*([A-Za-z]+)\s*", node.value)
    if quantity:
        words = " ".join(str(e["ctx"]["error"]) for e in errors if e["type"] == "value_error")
        units = [
            w for w in re.findall(r"[A-Za-z]+", words.split(", found")[0]) if w not in ("expected", "a", "number", "or", "with")
        ]
        near = nearest(quantity[2], units)
        if near and near != quantity[2]:
            return f"; did you mean '{quantity[1]} {near}'?"
    return ""
