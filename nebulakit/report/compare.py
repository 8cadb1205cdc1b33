"""Two runs, pictures or recipes beside each other: what differs in the recipe, in the numbers, and to the eye."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.errors import InputError, UsageError
from nebulakit.image import Image
from nebulakit.pixels import look
from nebulakit.report import figures, places
from nebulakit.report.collect import Pair, Shown
from nebulakit.report.page import Table
from nebulakit.report.page import render as page

Planes = npt.NDArray[np.float32]
WIDTH = 1100


@dataclass(frozen=True)
class Side:
    """One of the two: where it lies, and whatever of a resolved recipe, a record and a picture it has."""

    path: Path
    recipe: Mapping[str, Any] | None = None
    record: Mapping[str, Any] | None = None
    picture: Path | None = None


def side(path: Path) -> Side:
    """Find out what ``path`` is: a run (its folder or ``run.json``), a recipe, or a picture."""
    from nebulakit.recipe import load, resolved, shipped
    from nebulakit.runner.folder import RECORD, read_run

    if os.path.isdir(path) or path.name == RECORD:
        folder, record = path if os.path.isdir(path) else path.parent, read_run(path)
        shown = [o["file"] for o in record["outputs"] if o["scale"] == "display"] or [o["file"] for o in record["outputs"]]
        best = sorted(shown, key=lambda f: (not f.endswith((".tif", ".tiff", ".png")), f))
        picture = folder / best[0] if best and (folder / best[0]).is_file() else None
        return Side(folder, record["recipe"]["resolved"], record, picture)
    if path.suffix in (".yaml", ".yml") or (str(path) in shipped() and not os.path.exists(path)):
        return Side(path, resolved(load(str(path))))
    try:
        os.stat(path)
    except OSError as fault:
        known = ", ".join(shipped())
        kinds = f"Give the folder of a run, a picture, or a recipe (a file, or one of {known})"
        raise InputError(f"{path} cannot be read: {fault.strerror}. {kinds}") from None
    return Side(path, picture=path)


def names(a: Side, b: Side) -> tuple[str, str]:
    """Give the shortest ends of two paths that tell them apart; no more of a folder than needed is written down.

    >>> names(Side(Path("/x/one/run")), Side(Path("/x/two/run")))
    ('one/run', 'two/run')
    >>> names(Side(Path("mine")), Side(Path("mine")))
    ('mine', 'mine (B)')
    """
    one, two = (s.path.absolute().parts for s in (a, b))
    for n in range(1, max(len(one), len(two))):
        if one[-n:] != two[-n:]:
            return "/".join(one[-n:]), "/".join(two[-n:])
    return a.path.name, f"{b.path.name} (B)"


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
    """Write a value, numbers to five digits.

    >>> _short(1 / 3), _short([1 / 3, {"a": 2 / 3}]), _short("5%"), _short(None)
    ('0.33333', '[0.33333, {"a": 0.66667}]', '5%', '-')
    """
    if isinstance(value, float):
        return f"{value:.5g}"
    return "-" if value is None else value if isinstance(value, str) else json.dumps(_rounded(value))


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_rounded(v) for v in value]
    return float(f"{value:.5g}") if isinstance(value, float) else value


def facts(a: Side, b: Side) -> dict[str, Any]:
    """Give everything that differs, as plain values."""
    return _facts(a, b, _aligned(a, b) if a.picture and b.picture else None)


def _facts(a: Side, b: Side, both: tuple[Image, Image] | None) -> dict[str, Any]:
    one, two = names(a, b)
    out: dict[str, Any] = {"a": one, "b": two}
    if a.recipe and b.recipe:
        out["recipe"] = [list(row) for row in steps_that_differ(a.recipe, b.recipe)]
    if a.record and b.record:
        out["numbers"] = [list(row) for row in numbers_that_differ(a.record, b.record)]
        out["same_stack"] = _same_stack(a, b)
    if both:
        out["picture"] = {"width": both[0].shape[1], "height": both[0].shape[0]}
        if both[0].scale == both[1].scale:  # else the one's values are no measure for the other's
            apart = np.abs(both[0].planes - both[1].planes)
            out["picture"]["largest_difference"] = float(np.nanmax(apart, initial=0))
            out["picture"]["mean_difference"] = float(np.nanmean(apart)) if np.isfinite(apart).any() else 0.0
    if len(out) == 2:
        raise UsageError(f"{one} and {two} cannot be compared: give two runs, two pictures or two recipes")
    return out


def _same_stack(a: Side, b: Side) -> bool:
    return bool(a.record and b.record and a.record["inputs"]["stack"]["sha256"] == b.record["inputs"]["stack"]["sha256"])


def _aligned(a: Side, b: Side) -> tuple[Image, Image]:
    """Read both pictures and cut them to what they share: by their place in the stack where both are runs on it, else by size."""
    from nebulakit import files

    assert a.picture is not None and b.picture is not None
    one, two = files.read(a.picture), files.read(b.picture)
    if len(one.channels) != len(two.channels):
        one, two = (_rgb(i) for i in (one, two))
    apart = _apart(a, one, b, two) if _same_stack(a, b) else None
    if apart is not None:
        x, y = apart
        (ha, wa), (hb, wb) = one.shape, two.shape
        y0, y1, x0, x1 = max(0, y), min(ha, y + hb), max(0, x), min(wa, x + wb)
        if y1 > y0 and x1 > x0:
            return _plain(one, one.planes[:, y0:y1, x0:x1]), _plain(two, two.planes[:, y0 - y : y1 - y, x0 - x : x1 - x])
    if one.shape != two.shape:
        (h1, w1), (h2, w2) = one.shape, two.shape
        why = "it is not known how they lie in one stack; compare the folders of two runs on the same stack, or pictures of one size"
        if _same_stack(a, b):
            why = "they share no part of the stack in one scale and direction; compare two runs that are binned, turned and cropped alike"
        raise InputError(f"the pictures have different sizes ({w1}x{h1} and {w2}x{h2}), and {why}")
    return _plain(one, one.planes), _plain(two, two.planes)


def _apart(a: Side, one: Image, b: Side, two: Image) -> tuple[int, int] | None:
    """Give where in the first picture (x, y) the second begins; None where it lies turned to it or has another scale."""
    found = []
    for side, image in ((a, one), (b, two)):
        corners = side.record["corners"] if side.record else None
        h, w = image.shape
        if corners is None or min(h, w) < 2:
            return None
        first, right, _, down = np.asarray(corners, float)
        found.append((first, np.transpose([(right - first) / (w - 1), (down - first) / (h - 1)])))
    (at, axes), (other, others) = found
    if abs(axes - others).max() * max(*one.shape, *two.shape) > 0.1 or abs(np.linalg.det(axes)) < 1e-6:
        return None
    apart = np.linalg.solve(axes, other - at)
    x, y = (round(float(v)) for v in apart)
    return (x, y) if abs(apart - [x, y]).max() < 0.1 else None


def _plain(image: Image, planes: Planes) -> Image:
    return Image(np.ascontiguousarray(planes), image.channels, image.scale)


def _rgb(image: Image) -> Image:
    if len(image.channels) == 3:
        return image
    return Image(np.repeat(image.planes[:1], 3, axis=0), ("red", "green", "blue"), image.scale)


def comparison(a: Side, b: Side) -> str:
    """Give the page."""
    both = _aligned(a, b) if a.picture and b.picture else None
    told, called = _facts(a, b, both), names(a, b)
    shown = _pictures(*both, called) if both else {}
    head = ("step", "what", *called)
    tables = [
        Table(title, head, told[key])
        for title, key in (("What differs in the recipe", "recipe"), ("What differs in the numbers", "numbers"))
        if told.get(key)
    ]
    rows = []
    if both:
        seen = told["picture"]
        rows = [("shared part", f"{seen['width']} x {seen['height']} px")]
        rows += [(f"{k} difference", _short(seen[f"{k}_difference"])) for k in ("mean", "largest") if f"{k}_difference" in seen]
        rows += [("difference", "none is told: one is linear, the other stretched")] if len(rows) == 1 else []
    if told.get("recipe") == []:
        rows.append(("recipe", "the same in both"))
    if told.get("numbers") == []:
        rows.append(("measured and decided", "the same in both"))
    if told.get("same_stack") is False:
        rows.append(("stack", "not the same file"))
    lead = f"Left of the divider: {called[0]}. Right of it: {called[1]}." if both else "Two recipes, by step."
    return page(
        title=f"{called[0]} and {called[1]}",
        lead=lead,
        names=called,
        tables=tables,
        facts=rows,
        facts_title="At a glance",
        **shown,
    )


def _pictures(one: Image, two: Image, called: tuple[str, str]) -> dict[str, Any]:
    """Show two pictures alike: whole under one divider and side by side, and closely at a few places, lossless."""
    pictures: dict[str, str] = {}
    small = [look.shrink(i.planes, WIDTH) for i in (one, two)]
    # linear ones by one curve, that of the first
    linear = one if one.scale == "linear" else two
    view = look.view_of(small[0] if linear is one else small[1], None)
    shown = [
        Shown(view, tuple(look.levels(small[0] if one.scale == i.scale else s).tolist())) if i.scale == "linear" else Shown(None)
        for i, s in zip((one, two), small, strict=True)
    ]

    def pair(name: str, pieces: list[Planes], lossless: bool, zoom: int = 1) -> Pair:
        keys = []
        for which, piece, how in zip("ab", pieces, shown, strict=True):
            keys.append(f"{which} {name}")
            pictures[keys[-1]] = look.data_url(look.eight_bits(how(piece)), lossless=lossless, quality=92)
        return Pair(name, keys[0], keys[1], pieces[0].shape[2], pieces[0].shape[1], None, zoom)

    whole = pair("picture", small, False)
    side = places.side(one.shape)
    close = []
    for _, title, zoom, y, x in places.pieces(one, places.places(one, side), side):
        close.append(pair(title, [i.planes[:, y : y + side, x : x + side] for i in (one, two)], True, zoom))
    told = "How many pixels there are of each level: "
    drawings = [
        figures.Drawing(told + name, figures.histogram(None, how(s), i.channels, f"histogram of {name}"))
        for name, how, s, i in zip(called, shown, small, (one, two), strict=True)
    ]
    beside = [(name, key, whole.width, whole.height) for name, key in zip(called, (whole.before, whole.after), strict=True)]
    return {"picture": whole, "closer": close, "pictures": pictures, "extra": drawings, "beside": beside}
