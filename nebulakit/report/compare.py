"""Two runs, pictures or recipes beside each other: what differs in the recipe, in the numbers, and to the eye."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.errors import InputError, UsageError
from nebulakit.report import figures, render
from nebulakit.report.collect import Pair
from nebulakit.report.page import render as page

WIDTH = 1100


@dataclass(frozen=True)
class Side:
    """One of the two: whatever of a name, a resolved recipe, a record and a picture it has."""

    name: str
    recipe: Mapping[str, Any] | None = None
    record: Mapping[str, Any] | None = None
    picture: Path | None = None


def side(path: Path) -> Side:
    """Find out what ``path`` is: a run (its folder or ``run.json``), a recipe, or a picture."""
    from nebulakit.recipe import load, resolved
    from nebulakit.runner.job import RECORD, read_record

    if path.is_dir() or path.name == RECORD:
        folder = path if path.is_dir() else path.parent
        record = read_record(folder)
        if record is None:
            raise InputError(f"{folder} holds no {RECORD} that can be read")
        shown = [o["file"] for o in record["outputs"] if o["scale"] == "display"] or [o["file"] for o in record["outputs"]]
        best = sorted(shown, key=lambda f: (not f.endswith((".tif", ".tiff", ".png")), f))
        return Side(
            str(path), record["recipe"]["resolved"], record, folder / best[0] if best and (folder / best[0]).is_file() else None
        )
    if path.suffix in (".yaml", ".yml") or not path.exists():
        recipe = load(str(path))
        return Side(recipe.name, resolved(recipe))
    return Side(path.name, picture=path)


def steps_that_differ(a: Mapping[str, Any], b: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Give (step id, what, in A, in B) for all that differs between two resolved recipes."""
    one, two = ({s["id"]: s for s in r["steps"]} for r in (a, b))
    out = []
    for id in [*one, *(i for i in two if i not in one)]:
        if id not in one or id not in two:
            out.append((id, "the step", "there" if id in one else "-", "there" if id in two else "-"))
            continue
        was, now = _flat(one[id]), _flat(two[id])
        out += [
            (id, key, _short(was.get(key)), _short(now.get(key))) for key in sorted({*was, *now}) if was.get(key) != now.get(key)
        ]
    return out


def _flat(step: Mapping[str, Any]) -> dict[str, Any]:
    return {**{k: v for k, v in step.items() if k != "params"}, **step.get("params", {})}


def numbers_that_differ(a: Mapping[str, Any], b: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Give (step id, what, in A, in B) for every measured or decided value that differs between two runs."""
    one, two = ({s["id"]: s["measured"] for s in r["steps"]} for r in (a, b))
    return [
        (id, key.replace("_", " "), _short(one[id].get(key)), _short(two[id].get(key)))
        for id in one
        if id in two
        for key in sorted({*one[id], *two[id]})
        if one[id].get(key) != two[id].get(key) and len(json.dumps([one[id].get(key), two[id].get(key)])) < 400
    ]


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.5g}"
    return "-" if value is None else value if isinstance(value, str) else json.dumps(value)


def facts(a: Side, b: Side) -> dict[str, Any]:
    """Give everything that differs, as plain values."""
    out: dict[str, Any] = {"a": a.name, "b": b.name}
    if a.recipe and b.recipe:
        out["recipe"] = [list(row) for row in steps_that_differ(a.recipe, b.recipe)]
    if a.record and b.record:
        out["numbers"] = [list(row) for row in numbers_that_differ(a.record, b.record)]
        out["same_stack"] = a.record["inputs"]["stack"]["sha256"] == b.record["inputs"]["stack"]["sha256"]
    if a.picture and b.picture:
        one, two = _aligned(a, b)
        out["picture"] = {
            "width": one.shape[2],
            "height": one.shape[1],
            "largest_difference": float(np.abs(one - two).max(initial=0)),
            "mean_difference": float(np.abs(one - two).mean()),
        }
    if len(out) == 2:
        raise UsageError(f"{a.name} and {b.name} cannot be compared: give two runs, two pictures or two recipes")
    return out


def _aligned(a: Side, b: Side) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Read both pictures and cut them to what they share: by their place in the stack where both are runs on it, else by size."""
    from nebulakit import files

    assert a.picture is not None
    assert b.picture is not None
    one, two = (np.nan_to_num(files.read(p).planes) for p in (a.picture, b.picture))
    if one.shape[0] != two.shape[0]:
        one, two = (np.repeat(p, 3, axis=0) if p.shape[0] == 1 else p for p in (one, two))
    boxes = [s.record.get("crop") if s.record else None for s in (a, b)]
    same = a.record and b.record and a.record["inputs"]["stack"]["sha256"] == b.record["inputs"]["stack"]["sha256"]
    if same and all(box is not None and tuple(box[2:]) == p.shape[1:] for box, p in zip(boxes, (one, two), strict=True)):
        (ya, xa, ha, wa), (yb, xb, hb, wb) = boxes[0], boxes[1]  # type: ignore[misc]
        y0, y1, x0, x1 = max(ya, yb), min(ya + ha, yb + hb), max(xa, xb), min(xa + wa, xb + wb)
        if y1 > y0 and x1 > x0:
            return one[:, y0 - ya : y1 - ya, x0 - xa : x1 - xa], two[:, y0 - yb : y1 - yb, x0 - xb : x1 - xb]
    if one.shape != two.shape:
        raise InputError(
            f"the pictures have different sizes ({one.shape[2]}x{one.shape[1]} and {two.shape[2]}x{two.shape[1]}) and it is not known "
            "how they lie in one stack; compare the folders of two runs on the same stack, or pictures of one size"
        )
    return one, two


def comparison(a: Side, b: Side) -> str:
    """Give the page."""
    told = facts(a, b)
    pictures: dict[str, str] = {}
    pair = None
    drawings: list[Any] = []
    if a.picture and b.picture:
        small = [render.shrink(p, WIDTH) for p in _aligned(a, b)]
        for key, shown in zip(("a", "b"), small, strict=True):
            pictures[key] = render.data_url(render.eight_bits(np.clip(shown, 0, 1)), True)
        pair = Pair("picture", "a", "b", small[0].shape[2], small[0].shape[1])
        names = ("red", "green", "blue") if len(small[0]) == 3 else ("grey",)
        drawings = [
            (f"Histogram of {s.name}", figures.histogram(p, names, f"histogram of {s.name}"))
            for s, p in zip((a, b), small, strict=True)
        ]
    head = ("step", "what", a.name, b.name)
    tables = [
        (title, head, told[key])
        for title, key in (("What differs in the recipe", "recipe"), ("What differs in the numbers", "numbers"))
        if told.get(key)
    ]
    rows = [(k.replace("_", " "), _short(v)) for k, v in told.get("picture", {}).items()]
    if told.get("recipe") == []:
        rows.append(("recipe", "the same in both"))
    return page(
        title=f"{a.name} and {b.name}",
        lead="Left of the divider the first, right of it the second.",
        picture=pair,
        names=(a.name, b.name),
        tables=tables,
        facts=rows,
        pictures=pictures,
        extra=drawings,
    )
