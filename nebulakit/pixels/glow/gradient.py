"""The skyglow's shape, fitted beside a nebula that may cover much of the frame.

The levels of small boxes without their stars are told by three surfaces and a nebula that can only add light. Channels
are first turned so that one sees H-alpha, one [O III], and one (a difference) neither line; the last pins the part of
the glow in which the channels differ. Several orders are fitted (:mod:`fit`), each from three starting rules, and
the data choose by the evidence. Where a line sees no sky, the darkest boxes are nebula: there the nebula is also told as
a field whose structure speaks for its light (:mod:`field`). The field tells the level of the sky; the shape is the
mean of both fits. Where some sky is seen under a bent glow, each fit tells the glow where it is the surer.
"""

from __future__ import annotations

import copy
import functools
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow.boxes import Boxes, measure_boxes
from nebulakit.pixels.glow.field import refine
from nebulakit.pixels.glow.fit import Fit, under
from nebulakit.pixels.glow.legendre import terms

Planes = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# rows red, green, blue; columns H-alpha, [O III]: what cameras with open numeric responses have on average. It only has
# to turn the channels roughly: errors of 30 % in any entry cost nothing measurable
TYPICAL = np.array([[0.95, 0.035], [0.075, 0.75], [0.028, 0.63]])

ORDERS = (0, 1, 2, 3, 4, 6)
# where to begin: under which quantile of which boxes, how nebula falls off at first, whether to end with sky boxes alone.
# Nebulae are mostly framed in the middle, so that the corners often show sky
STARTS: tuple[tuple[str, float, float, bool], ...] = (
    ("all", 0.05, 0.0, True),
    ("all", 0.05, 0.5, False),
    ("corners", 0.2, 0.5, False),
)
DOUBT = 12.0  # by how much the evidence of a fine surface must win over a coarse one, which cannot follow a nebula
PLENTY = 0.4  # where each line sees this share of its boxes as sky, sky alone holds a fine surface


@dataclass(frozen=True)
class Gradient:
    """A fitted glow: ``coefficients`` (channels, terms) of Legendre products, in the layer's own units."""

    order: int
    coefficients: Doubles
    evidence: dict[int, float]
    weight: Doubles  # per usable box, how surely it is sky
    boxes: Boxes
    scale: Doubles  # noise sigma per channel, the unit of the boxes' levels
    sky_seen: tuple[float, ...] = ()  # per line, the share of boxes that show sky; 0 where a nebula hides it all


def centre(fit: Fit, sky: Doubles) -> None:
    """Bring the sky boxes of every channel to zero in the middle: the mixture leaves them a small common offset."""
    empty = sky > 0.5
    if empty.mean() < 0.05:
        return
    left = fit.boxes.level[:, fit.index] - fit.theta @ fit.a.T
    fit.theta[:, 0] += np.median(left[:, empty], axis=1)


def turning(sigma: Doubles) -> Doubles:
    """Give the matrix that turns channels in noise units into (H-alpha, [O III], neither line); for other than three planes, each by itself."""
    if len(sigma) != 3:
        return np.eye(len(sigma))
    m = TYPICAL / sigma[:, None] * sigma[0]
    k, r = m[1, 0] / m[0, 0], m[0, 1] / m[1, 1]
    a, b = np.linalg.solve(np.array([[m[0, 0], m[1, 0]], [m[0, 1], m[1, 1]]]), m[2])
    return np.array([[1, -r, 0], [-k, 1, 0], [-a, -b, 1]])


def unit(planes: Planes, sigma: npt.ArrayLike) -> Doubles:
    """Give the noise per channel; for one without any a thousandth of what the planes (channel, y, x) vary by, to measure levels in."""
    s = np.asarray(sigma, float)
    return s if (s > 0).all() else np.where(s > 0, s, max(float(np.nanstd(planes)) * 1e-3, 1e-12))


def decide_gradient(
    planes: Planes,
    sigma: npt.ArrayLike,
    *,
    order: int | None = None,
    orders: Iterable[int] = ORDERS,
    left_out: Mask | None = None,
    sure: Any = None,
) -> Gradient:
    """Fit the skyglow of linear planes (channel, y, x) whose pixel noise is ``sigma`` per channel.

    ``order``: of the surface (0 a constant); None lets the data choose among ``orders``. ``left_out`` (y, x): pixels not to
    look at. ``sure``: a function of (x, y) on [-1, 1] that says which boxes are certainly sky.
    """
    s = np.maximum(np.asarray(sigma, float), 1e-30)
    boxes = measure_boxes(planes, s, left_out)
    known = int(boxes.usable.sum())
    if known == 0:
        return Gradient(0, np.zeros((len(planes), 1)), {}, np.zeros(0), boxes, s)
    certain = sure(boxes.x, boxes.y) & boxes.usable if sure is not None else None
    tried = [order] if order is not None else list(orders)
    tried = [o for o in tried if len(terms(o)) * 3 <= known] or [0]
    begin = functools.cache(functools.partial(under, boxes, turning(s)))
    best = {o: _fitted(boxes, turning(s), o, certain, begin) for o in tried}
    told = {o: value for o, (value, _, _) in best.items()}
    chosen = tried[0]
    for o in tried[1:]:
        if told[o] > told[chosen] + (DOUBT if o > 2 >= chosen else 0.0):
            chosen = o
    _, fit, sky = best[chosen]
    seen = fit.sky()
    shares = tuple(float((p > 0.5).mean()) for p in seen)
    if sure is None and chosen > 0 and any(not p.any() for p in seen):
        fields, told = _beside_a_field({o: (value, f) for o, (value, f, _) in best.items() if o > 0})
        chosen = _finer(max(told, key=lambda o: told[o]), told)
        theta = _mean(fields[chosen].theta, best[chosen][1].theta)
    else:
        chosen = _finer(chosen, told)
        fit, sky = best[chosen][1:]
        if sure is None and chosen > 2:
            _held(fit)
        centre(fit, sky)
        theta = fit.theta
    return Gradient(chosen, theta * s[:, None], told, sky, boxes, s, shares)


def _finer(chosen: int, told: dict[int, float]) -> int:
    """Give 4 for 3: that 3 wins over 2 says that the glow is bent, and held by its prior 4 follows a bend better.

    The evidence counts boxes for less than they are (:data:`fit.TRUST`), so that it rarely pays for fifteen more terms.
    """
    return 4 if chosen == 3 and 4 in told else chosen


def _fitted(
    boxes: Boxes, turn: Doubles, order: int, certain: Mask | None, begin: Callable[[str, float, int], Doubles]
) -> tuple[float, Fit, Doubles]:
    """Fit one order from every start; give the one of most evidence, with it and how surely each box is sky.

    ``begin`` gives the first surfaces, which bend no more than order 2.
    """
    found = []
    for where, tau, decay, finish in STARTS:
        fit = Fit(boxes, turn, order, certain, begin(where, tau, min(order, 2)))
        fit.soft(decay, (4.0, 2.0, 1.0, 0.5) if where == "all" else (1.0, 0.5))
        if finish:
            fit.hard()
        # every candidate ends at the optimum of one and the same model, so that their evidence can be compared
        fit.soft(0.5, (), 25)
        value, sky = fit.evidence()
        found.append((value, fit, sky))
    return max(found, key=lambda f: f[0])


def _beside_a_field(fits: dict[int, tuple[float, Fit]]) -> tuple[dict[int, Fit], dict[int, float]]:
    """Fit each order again beside a nebula that is a field; give these, and the sum of both evidences, for either alone errs."""
    again = {o: copy.copy(fit) for o, (_, fit) in fits.items()}
    return again, {o: value + refine(again[o], fit.sky())[0] for o, (value, fit) in fits.items()}


def _held(fit: Fit) -> None:
    """Hold a fine surface between patches of sky, where it follows the nebula, by that beside a field.

    Both are weighed by how sure they are (inverse covariances): on the sky the boxes tell, away from it the field.
    """
    seen = fit.sky()
    if min(float((p > 0.5).mean()) for p in seen) >= PLENTY:
        return
    again = copy.copy(fit)
    _, field = refine(again, seen)
    boxes = fit.certainty()
    both = np.linalg.solve(boxes + field, boxes @ fit.theta.ravel() + field @ again.theta.ravel())
    fit.move(np.asarray(both).reshape(fit.theta.shape))


def _mean(field: Doubles, boxes: Doubles) -> Doubles:
    """Give the mean of two surfaces' shapes; the level is the first's.

    They err apart: one goes by what structure tells, the other by the darkest boxes, which are no sky.
    """
    out = (field + boxes) / 2
    out[:, 0] = field[:, 0]
    return out
