"""A recipe with what a run measured and decided written in, so that another picture is treated alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from nebulakit.declare import STEPS
from nebulakit.pixels.geometry import unbinned_fwhm
from nebulakit.quantity import Share
from nebulakit.recipe import loads
from nebulakit.recipe.edit import edited, settled
from nebulakit.recipe.model import Call, Recipe


def from_record(record: Mapping[str, Any]) -> Recipe:
    """Give the recipe that a ``run.json`` holds, its ``--set`` choices included."""
    held = record["recipe"]
    recipe: Recipe = loads(held["text"], source=held["file"], settings=held["settings"])
    return recipe


def decided(record: Mapping[str, Any], look: bool = False) -> dict[str, dict[str, Any]]:
    """Give per step id the measured values that are parameters of the step, so that they can be given back to it.

    ``look``: only those that make the look (softening, gain, curves), not what must be measured anew on other data. What
    the recipe says already is left out.
    """
    calls = {call.id: call for call in from_record(record).steps}
    out: dict[str, dict[str, Any]] = {}
    for step in record["steps"]:
        declared, call = STEPS.get(step["step"]), calls.get(step["id"])
        if declared is None or call is None or step.get("state") == "skipped":
            continue
        values = {}
        for name, value in step["measured"].items():
            about = declared.abouts.get(name)
            if about is None or value is None or (look and not about.look):
                continue
            try:
                typed = declared.check({**declared.examples, name: value})
            except ValueError:
                continue  # told for the reader, not in a form the step takes
            if not _alike(getattr(typed, name), getattr(call.params, name)):
                values[name] = value
        if values:
            out[step["id"]] = values
    return out


def _alike(one: Any, other: Any) -> bool:
    """Say whether two values of a parameter mean the same, such as 8% and 0.08."""
    if isinstance(one, Share) and isinstance(other, Share):
        return one.fraction == other.fraction
    return bool(one == other)


def frozen(record: Mapping[str, Any], look: bool = False) -> str:
    """Write the recipe of a run with its decided values filled in; comments and layout are kept."""
    recipe = from_record(record)
    values, vars = settled(recipe, record["recipe"]["settings"])
    for id, filled in decided(record, look).items():
        values[id] = {**values.get(id, {}), **filled}
    what = "What a run decided about the look" if look else "What a run measured and decided"
    width = None if look else _width(recipe, record)
    told = (
        ""
        if width is None
        else f"# Lengths in fwhm follow the stars of each stack; here they were {width:.4g} px wide. To hold them: --fwhm {width:.4g}\n"
    )
    return f"# {what} is filled in.\n{told}" + edited(recipe, values, vars)


def _width(recipe: Recipe, record: Mapping[str, Any]) -> float | None:
    """Give the width of the stars in pixels of the stack, from the first step that tells it; None where none does."""
    if any(w["id"] == "preview-softened" for w in record["warnings"]):
        return None if record["options"].get("fwhm") is None else float(record["options"]["fwhm"])
    calls = {call.id: call for call in recipe.steps}
    for step in record["steps"]:
        width, call = step["measured"].get("fwhm"), calls.get(step["id"])
        if not width or call is None:
            continue
        before = list(_before(recipe, call))
        if any(c.step in ("deconvolve", "reduce_stars") for c in before):
            continue  # made narrower there
        for c in before:
            if c.step == "bin":
                width = unbinned_fwhm(width, c.params.model_dump()["factor"])
        cell = 2 if any(c.step == "collapse_bayer" for c in before) else 1
        width = cell * unbinned_fwhm(width, record["options"]["preview"])  # a preview is binned by whole cells
        return float(width) if width > 0 else None
    return None


def _before(recipe: Recipe, call: Call) -> Iterator[Call]:
    """Give the steps that led to what a step works on, the last first; skipped ones left out."""
    ref = call.first
    while ref is not None and ref.step >= 0:
        one = recipe.steps[ref.step]
        ref = one.first
        if not one.skip:
            yield one
