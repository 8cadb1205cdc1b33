"""A document written out: what a recipe that extends another amounts to, with where each part came from."""

from __future__ import annotations

from nebulakit.recipe.document import Document, RawStep
from nebulakit.recipe.edit import is_safe, quoted, word
from nebulakit.recipe.faults import Place
from nebulakit.recipe.text import Entry, Mapping, Node, Sequence


def flat_text(doc: Document, *, origins: bool = False) -> str:
    """Write a document as one recipe, variables kept; ``origins`` adds to each line the file and line it came from."""
    lines: list[tuple[str, Place | None]] = [("version: 1", None)]
    if doc.about:
        lines.append((f"about: {quoted(doc.about)}", None))
    for section, entries in (("vars", doc.vars), ("inputs", doc.inputs)):
        if entries:
            lines.append((f"{section}:", None))
            lines += [(f"  {name}: {_flow(e.value)}", e.key.place) for name, e in entries.items()]
    lines.append(("steps:", None))
    for raw in doc.steps:
        lines += _step(raw, origins)
    lines.append(("outputs:", None))
    lines += [(f"  - {_flow(o)}", o.place) for o in doc.outputs]
    if not origins:
        return "".join(f"{text}\n" for text, _ in lines)
    width = min(100, max(len(text) for text, _ in lines))
    return "".join(f"{text:{width}}  # {_told(place)}\n" if place else f"{text}\n" for text, place in lines)


def _told(place: Place) -> str:
    return place.source.name if place.source.setting else f"{place.source.name}:{place.line}"


def _step(raw: RawStep, origins: bool) -> list[tuple[str, Place | None]]:
    places = {e.value.place[:2] for e in raw.body.values()}
    lines: list[tuple[str, Place | None]]
    if (origins and len(places) > 1) or any(p[:2] != raw.key.place[:2] for p in places):
        lines = [(f"  - {raw.name}:", raw.key.place)]
        lines += [(f"      {name}: {_flow(e.value)}", e.value.place) for name, e in raw.body.items()]
    else:
        lines = [(f"  - {raw.name}: {_entries(raw.body)}", raw.key.place)]
    return lines + [(f"    {name}: {_flow(e.value)}", e.value.place) for name, e in raw.beside.items()]


def _entries(entries: dict[str, Entry]) -> str:
    return "{" + ", ".join(f"{word(k)}: {_flow(e.value)}" for k, e in entries.items()) + "}"


def _flow(node: Node) -> str:
    if isinstance(node, Mapping):
        return _entries(node.entries)
    if isinstance(node, Sequence):
        return "[" + ", ".join(map(_flow, node.items)) + "]"
    if not isinstance(node.value, str):
        return node.text if is_safe(node.text) else "null"
    return word(node.value)
