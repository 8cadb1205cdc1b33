"""The same recipe with several values side by side: what they share is computed once."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.recipe.model import Recipe
from nebulakit.runner.execute import Run, execute
from nebulakit.runner.store import Store


@dataclass(frozen=True)
class Variant:
    """One cell of a sweep: its settings, its picture and its numbers."""

    number: int
    settings: Mapping[str, str]
    picture: Image
    numbers: Mapping[str, float | None]
    computed: int  # steps that were run rather than reused


def grid(varied: Sequence[tuple[str, Sequence[str]]]) -> list[dict[str, str]]:
    """Give every combination of values.

    >>> grid([("a.x", ["1", "2"]), ("b.y", ["3"])])
    [{'a.x': '1', 'b.y': '3'}, {'a.x': '2', 'b.y': '3'}]
    """
    return [dict(zip([name for name, _ in varied], values, strict=True)) for values in itertools.product(*(v for _, v in varied))]


def sweep(
    load: Callable[[Mapping[str, str]], Recipe],
    cells: Sequence[Mapping[str, str]],
    inputs: Mapping[str, Image],
    keys: Mapping[str, str],
    store: Store,
) -> Iterator[Variant]:
    """Run the recipe for every cell, one after the other, sharing all that is the same through ``store``.

    Every recipe is checked before the first is run.
    """
    recipes = [load(cell) for cell in cells]
    for number, (cell, recipe) in enumerate(zip(cells, recipes, strict=True), 1):
        run = execute(recipe, inputs, store=store, input_keys=keys)
        picture = run.results[recipe.last]
        yield Variant(number, cell, picture, numbers(picture, run), sum(s.state == "computed" for s in run.steps))


def numbers(picture: Image, run: Run) -> dict[str, float | None]:
    """Give the figures by which pictures are told apart: sky, noise, star width, clipped."""
    finite = picture.planes[:, np.isfinite(picture.planes).all(axis=0)]
    if finite.size == 0:
        return {}
    shown: dict[str, Any] = {"sky": float(np.median(np.percentile(finite, 25, axis=1)))}
    if picture.scale == "display":
        shown["clipped_percent"] = 100 * float(((finite >= 0.999) | (finite <= 0.001)).any(axis=0).mean())
    noise = picture.replace(noise=None).measured("noise").noise
    shown["noise"] = float(np.mean(noise.sigma)) if noise else None
    shown["fwhm"] = picture.replace(fwhm=None, stars=None, psf=None, noise=None, white=None).measured("fwhm").fwhm
    return shown
