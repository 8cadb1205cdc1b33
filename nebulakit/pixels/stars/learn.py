"""Learning from the stars what all of them share: how far they deviate from the law, and what noise their light brings."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import FREEDOM

Array = npt.NDArray[np.float64]

PLAIN, FEWEST = 60.0, 20  # sigma in every channel of stars that tell how far channels lie apart, and how many it takes
APART, SURE = 0.05, 4.0  # px, and errors: less is none


def learn_shifts(fit: StarFit) -> None:
    """Learn how far each channel's stars lie from where they are in all together: air spreads their light by colour, and glass
    magnifies colours differently. Nothing is said unless it is plain.
    """
    clear = ~(fit.saturated | fit.outside) & (fit.height.min(0, initial=np.inf) > PLAIN) & (fit.poor.max(0, initial=0) < 5)
    if len(fit.data) < 2 or clear.sum() < FEWEST:
        return
    place = np.stack([fit.x[:, clear], fit.y[:, clear]], -1)
    middle = place.mean(0)
    terms = fit.from_middle(*middle.T)
    shifts, seen = np.zeros((len(place), terms.shape[1], 2)), 0.0
    for c, off in enumerate(place - middle):
        weight = np.ones(len(off))
        for _ in range(8):  # stars that ran elsewhere count less
            turned = terms.T * weight
            shifts[c] = np.linalg.solve(turned @ terms, turned @ off)
            left2 = ((off - terms @ shifts[c]) ** 2).sum(1)
            scatter2 = max(float(median(left2)), 1e-6)
            weight = 1 / (1 + left2 / (2 * scatter2))
        # of one star's place, over as many as there are for each term
        error = math.sqrt(scatter2 * terms.shape[1] / len(off))
        seen = max(seen, math.sqrt(float(((terms @ shifts[c]) ** 2).sum(1).mean())) / max(APART, SURE * error))
    if seen < 1:
        fit.shifts = None
        return
    new, fit.shifts = fit.shifts is None, shifts
    if new:  # those whose plateau holds them start where they belong
        cut = fit.saturated & ~fit.outside
        aside = fit.shift(*fit.origin[cut].T)
        fit.x[:, cut], fit.y[:, cut] = fit.origin[cut, 0] + aside[:, :, 0], fit.origin[cut, 1] + aside[:, :, 1]


def learn_scatter(fit: StarFit) -> None:
    """Learn from the last round how far stars deviate from the law, and what noise and misfit their light brings."""
    from scipy.optimize import nnls

    for c, seen in enumerate(fit.seen):
        if not seen:
            continue
        light, rest2, spread = (np.concatenate([s[k] for s in seen]) for k in range(3))
        height, modes2 = np.concatenate([s.height for s in seen]), np.concatenate([s.modes2 for s in seen])
        if len(height) >= 10:
            # a blend is no star: what lies far beyond the others does not count
            usual = modes2 < 20 * median(modes2, axis=0)
            weight = np.minimum((height / 300) ** 2, 30)[:, None] * usual
            fit.freedom[c] = np.clip(np.sqrt((weight * modes2).sum(0) / np.maximum(weight.sum(0), 1e-9)), 2e-4, FREEDOM)
        edges = np.geomspace(20, max(float(light.max(initial=0)), 100), 14)
        place, excess = [], []
        for low, high in pairwise(edges.tolist()):
            k = (light > low) & (light <= high)
            if k.sum() >= 25:
                place.append(float(median(light[k])))
                # the median of chi^2 with one degree of freedom is 0.455
                excess.append(max(float(median(rest2[k])) / 0.455 - float(median(spread[k])), 0.0))
        if len(place) >= 3:
            x, y = np.array(place), np.array(excess)
            weight = 1 / (y + 1)
            found, _ = nnls(np.column_stack([x, x * x]) * weight[:, None], y * weight)
            fit.photons[c] = float(np.clip(found[0], 3e-4, 1e-2))
            fit.misfit[c] = float(np.clip(math.sqrt(found[1]), 1e-3, 0.03))
