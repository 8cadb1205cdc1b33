"""What ``mask`` and ``amount`` beside a step leave of it: what it made, blended with what came in, and the facts of that."""

from __future__ import annotations

import dataclasses
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels.colour import by_rows
from nebulakit.pixels.facts import Noise

Weight = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]

LEVELS: tuple[Literal["noise", "sky", "white"], ...] = ("noise", "sky", "white")
FEWEST = 16  # pixels that tell what the mask is at the sky, or where stars are cut off
NEGLIGIBLE = 1e-3  # of the noise: levels that lie this near each other are one, however much of a step is in them


def blend_back(before: Image, after: Image, mask: Image | None, amount: float) -> Image:
    """Blend what a step made with what came in: ``before + amount * mask * (after - before)``.

    Sky, noise and the level at which stars are cut off follow; all other facts are those of ``after``. Where either is NaN, so is
    the result. Raises StepError where sizes or scales differ.
    """
    if before.shape != after.shape or before.scale != after.scale or before.channels != after.channels:
        raise StepError(
            "'mask' and 'amount' blend the result with what came in, so both must have the same size, scale and channels"
        )
    if mask is not None and mask.shape != after.shape:
        raise StepError(
            f"the mask is {mask.shape[1]}x{mask.shape[0]} px but the layer is {after.shape[1]}x{after.shape[0]} px; make the mask after the crop"
        )
    weight = np.full((1, 1), amount, np.float32) if mask is None else np.nan_to_num(mask.planes[0]) * np.float32(amount)
    planes = np.empty_like(after.planes)

    def blend(rows: slice) -> None:
        part = weight if mask is None else weight[rows]
        was = before.planes[:, rows]
        np.add(was, part * (after.planes[:, rows] - was), out=planes[:, rows])

    by_rows(blend, after.shape)
    return dataclasses.replace(after, planes=planes, **_facts(before, after, weight))


def _facts(before: Image, after: Image, weight: Weight) -> dict[str, Any]:
    """Give the facts that a blend has of its own; what the step had to measure is measured on what came in, too."""
    for fact in LEVELS:
        if getattr(after, fact) is not None:
            before = before.measured(fact)
    share = _at_sky(before, weight)
    facts: dict[str, Any] = {
        "sky": _between(before.sky, after.sky, share, before.noise),
        "white": _between(before.white, after.white, _at_white(before, weight), before.noise),
    }
    if before.noise is not None and after.noise is not None:
        facts["noise"] = _noise(before.noise, after.noise, float(weight.mean()) if share is None else share)
    return facts


def _between(
    before: tuple[float, ...] | None, after: tuple[float, ...] | None, share: float | None, noise: Noise | None
) -> tuple[float, ...] | None:
    """Give levels by what share of a step is in them; None where that is not known and matters."""
    if before is None or after is None or before == after:
        return after
    if share is None and noise is not None:
        # work on colours moves grey by rounding alone, and a nebula that fills the frame shows no sky to look at
        sigmas = noise.sigma if len(noise.sigma) == len(after) else (0.0,) * len(after)
        if all(abs(a - b) <= NEGLIGIBLE * s for a, b, s in zip(after, before, sigmas, strict=True)):
            return after
    return None if share is None else tuple(b + share * (a - b) for b, a in zip(before, after, strict=True))


def _noise(before: Noise, after: Noise, share: float) -> Noise:
    """Give the noise of a blend, in which both are the same noise, made stronger or weaker."""

    def mean(b: float, a: float) -> float:
        return b + share * (a - b)

    rows = zip(before.scales, after.scales, strict=True)
    sigma = tuple(mean(b, a) for b, a in zip(before.sigma, after.sigma, strict=True))
    return Noise(sigma, tuple(tuple(mean(b, a) for b, a in zip(*row, strict=True)) for row in rows), after.map)


def _at_sky(before: Image, weight: Weight) -> float | None:
    """Give the weight where the sky is."""
    if weight.size == 1 or before.sky is None or before.noise is None:
        return float(weight[0, 0]) if weight.size == 1 else None
    off = [abs(p - np.float32(s)) <= 3 * n for p, s, n in zip(before.planes, before.sky, before.noise.sigma, strict=True)]
    return _middle(weight, np.logical_and.reduce(off))


def _at_white(before: Image, weight: Weight) -> float | None:
    """Give the weight where stars are cut off."""
    if weight.size == 1 or before.white is None:
        return float(weight[0, 0]) if weight.size == 1 else None
    zero = before.sky or (0.0,) * len(before.white)
    cut = [p >= np.float32(w - 0.05 * (w - s)) for p, w, s in zip(before.planes, before.white, zero, strict=True)]
    return _middle(weight, np.logical_or.reduce(cut))


def _middle(weight: Weight, at: Flags) -> float | None:
    return float(np.median(weight[at])) if at.sum() >= FEWEST else None
