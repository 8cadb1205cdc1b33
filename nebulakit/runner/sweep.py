"""The same recipe with several values side by side: what they share is computed once."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nebulakit.errors import InputError, StepError
from nebulakit.image import Image
from nebulakit.pixels.borders import black_border
from nebulakit.recipe.model import Recipe
from nebulakit.runner.execute import execute
from nebulakit.runner.store import Store

BLOCK = 16  # px: grain and blotches are smaller, the sky's slope over it is not seen


@dataclass(frozen=True)
class Variant:
    """One cell of a sweep: its settings and the numbers of its picture; or why it has none."""

    number: int
    settings: Mapping[str, str]
    numbers: Mapping[str, float | None] = field(default_factory=dict)
    computed: int = 0  # steps that were run rather than reused
    error: str = ""


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
    lines: tuple[Image, Image] | None = None,
    see: Callable[[int, Image], None] = lambda number, picture: None,
) -> Iterator[Variant]:
    """Run the recipe for every cell, one after the other, sharing all that is the same through ``store``.

    Every recipe is checked before the first is run. A cell that fails does not stop the others, unless it is the first and
    its inputs cannot be read. Of each picture its numbers are held; ``lines`` are the true H-alpha and [O III] of the uncropped
    stack, where they are known. ``see`` is shown each picture whole.
    """
    recipes = [load(cell) for cell in cells]
    for number, (cell, recipe) in enumerate(zip(cells, recipes, strict=True), 1):
        try:
            run = execute(recipe, inputs, store=store, input_keys=keys)
        except (StepError, InputError) as fault:
            if isinstance(fault, InputError) and number == 1:
                raise
            yield Variant(number, cell, error=str(fault))
            continue
        picture = run.results[recipe.last]
        see(number, picture)
        told = numbers(picture)
        if lines is not None:
            told["hue_truth"] = hue_truth(picture, *lines)
        yield Variant(number, cell, told, sum(s.state == "computed" for s in run.steps))


def hue_truth(picture: Image, ha: Image, oiii: Image) -> float | None:
    """Give the rank correlation of (blue - red) / (blue + red) with the true [O III] / H-alpha, where there is nebula.

    Nebula is where the lines together have a tenth of their 99th percentile. None where the picture is no colour picture, has
    but one hue, or lies turned in the stack.
    """
    from scipy.stats import spearmanr

    (a, b, x0), (c, d, y0) = picture.frame.to_stack_matrix
    if len(picture.channels) != 3 or abs(b) + abs(c) > 1e-9 or a != d or a < 1 or a != round(a):
        return None
    h, w = picture.shape
    size, corner = round(a), (round(y0 - (a - 1) / 2), round(x0 - (a - 1) / 2))
    part = tuple(slice(at, at + size * n) for at, n in zip(corner, (h, w), strict=True))
    true = [line.planes[0][part] for line in (ha, oiii)]
    if true[0].shape != (h * size, w * size):
        return None
    one, two = (np.asarray(p.reshape(h, size, w, size).mean(axis=(1, 3)), float) for p in true)
    red, blue = (np.asarray(picture.planes[k], float) for k in (0, 2))
    if not np.isfinite(one + two).any():
        return None
    lit = (one + two > 0.1 * np.nanpercentile(one + two, 99)) & (one > 0) & np.isfinite(red + blue) & (red + blue > 0)
    if lit.sum() < 100:
        return None
    step = max(1, int(lit.sum()) // 200_000)
    shown, ratio = (blue[lit] - red[lit]) / (blue[lit] + red[lit]), two[lit] / one[lit]
    if np.ptp(shown[::step]) < 1e-6 or np.ptp(ratio[::step]) == 0:  # grey, but for rounding
        return None
    return float(spearmanr(shown[::step], ratio[::step]).statistic)


def grain(picture: Image) -> float | None:
    """Give how much the levels scatter within small blocks in the darkest quarter, a share of white; None where no block is whole.

    That is what is seen of the noise, coarse blotches and what a noise reduction left of it as well. The noise of a stack
    cannot be measured on a finished picture: a curve made it uneven, and smoothing took its finest scales.
    """
    light = picture.planes.mean(0)
    corners = black_border(picture.planes)
    if corners is not None:
        light[corners] = np.nan  # no picture: darkest of all, and without grain
    high, wide = (n // BLOCK for n in light.shape)
    blocks = light[: high * BLOCK, : wide * BLOCK].reshape(high, BLOCK, wide, BLOCK).swapaxes(1, 2).reshape(-1, BLOCK * BLOCK)
    blocks = blocks[np.isfinite(blocks).all(1)]
    if not len(blocks):
        return None
    middle = np.median(blocks, axis=1)
    dark = np.argsort(middle, kind="stable")[: max(1, len(blocks) // 4)]
    # by medians, since small stars stand in the blocks; 1.4826 of it is the standard deviation of a normal distribution
    return float(1.4826 * np.median(np.median(np.abs(blocks[dark] - middle[dark, None]), axis=1)))


def numbers(picture: Image) -> dict[str, float | None]:
    """Give the figures by which pictures are told apart: sky, clipped, grain, star width."""
    finite = picture.planes[:, np.isfinite(picture.planes).all(axis=0)]
    if finite.size == 0:
        return {}
    shown: dict[str, Any] = {"sky": float(np.median(np.percentile(finite, 25, axis=1)))}
    if picture.scale == "display":
        shown["clipped_percent"] = 100 * float(((finite >= 0.999) | (finite <= 0.001)).any(axis=0).mean())
    shown["grain"] = grain(picture)
    shown["fwhm"] = picture.replace(fwhm=None, stars=None, psf=None, noise=None, white=None).measured("fwhm").fwhm
    return shown
