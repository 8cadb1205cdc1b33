"""How the colours of stars vary from star to star, and what a star's other channels say of its height in one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.fit import StarFit

Array = npt.NDArray[np.float64]

CLEAR = 0.03  # relative error of a height in every channel, for stars from which colours are learned
FEWEST, ENOUGH = 20, 3000  # of such stars: with fewer nothing is learned, of more only some
LEAST = 0.002  # by how much colours are thought to vary at least, all errors of the law included
STRANGE = 4.0  # standard deviations: a star of such a colour, its own errors included, follows no rule
ROUNDS = 60
USUAL, FEW = 0.01, 5  # how far colours are off a rule before stars are seen, and by how many stars that is outweighed
APART = 1.2  # widths: closer stars are not held to colours
UNKNOWN = 0.25  # variance of a logarithm beyond which nothing is said


def learn_tints(fit: StarFit) -> None:
    """Tell for every star and channel the height that its other channels lead to expect, and how surely.

    Differences of the heights' logarithms are normally distributed, with the mean and covariance that clear stars show
    less their own errors; of how bright a star is nothing is said. What a channel itself has told is left out, so that
    nothing counts twice. Red under a bright H-alpha nebula is known worst, and gains most. Sources: empirical Bayes, as in
    Bishop 2006, Pattern Recognition and Machine Learning, 3.5; conditional normal distributions, 2.3.1.
    """
    from scipy.spatial import cKDTree

    channels = len(fit.laws)
    fit.due, fit.trust = np.zeros_like(fit.height), np.zeros_like(fit.height)
    if channels < 2:
        return
    height, variance = fit.alone, fit.unsure / np.maximum(fit.alone, 1e-9) ** 2
    free = ~(fit.saturated | fit.outside) & (height > 0).any(0)
    clear = free & (height > 0).all(0) & (variance < CLEAR**2).all(0) & (fit.poor.max(0) < 5)
    if clear.sum() < FEWEST:
        return
    logs = np.log(np.maximum(height, 1e-9))
    some = np.nonzero(clear)[0][:: -(-int(clear.sum()) // ENOUGH)]
    mean, spread = _colours(logs[1:, some] - logs[0, some], variance[:, some])
    # the same as a distribution of all logarithms, whose common part is free
    turn = np.concatenate([np.full((channels - 1, 1), -1.0), np.eye(channels - 1)], axis=1)
    inverse = np.linalg.inv(spread)
    precision, right = turn.T @ inverse @ turn, turn.T @ inverse @ mean
    known = (height > 0) & (variance < UNKNOWN)
    away = turn @ logs - mean[:, None]
    own = np.einsum("ac,cn,bc->nab", turn, np.where(known, variance, UNKNOWN), turn) + spread
    strange = np.einsum("an,nab,bn->n", away, np.linalg.inv(own), away) > STRANGE**2 + channels
    # of two that are hardly apart each channel shares the light out as it may, and what one lacks the other has
    apart = cKDTree(place := np.column_stack([fit.x.mean(0), fit.y.mean(0)])).query(place, k=2)[0][:, 1]
    usable = free & (~strange | ~known.all(0)) & (apart > APART * fit.fwhm)
    for c in range(channels):
        others = [k for k in range(channels) if k != c]
        use = usable & known[others].any(0)
        told = np.where(known[others], 1 / np.maximum(variance[others], LEAST**2), 0.0)[:, use]
        whole = np.tile(precision, (told.shape[1], 1, 1))
        whole[:, others, others] += told.T
        side = np.tile(right, (told.shape[1], 1))
        side[:, others] += (told * logs[others][:, use]).T
        whole[:, c, c] += 1e-9
        cover = np.linalg.inv(whole)
        expected, doubt = (cover @ side[:, :, None])[:, c, 0], cover[:, c, c]
        level = np.exp(np.minimum(expected, 30.0))
        fit.due[c, use] = level
        fit.trust[c, use] = np.where(doubt < UNKNOWN, 1 / (level**2 * doubt), 0.0)


def _colours(colour: Array, variance: Array) -> tuple[Array, Array]:
    """Give mean and covariance of colours (channels - 1, star): differences to the first channel; strange ones do not count.

    ``variance``: of each channel's logarithm. By expectation and maximisation, every star with its own error.
    """
    size = len(colour)
    noise = variance[0][:, None, None] + np.einsum("an,ab->nab", variance[1:], np.eye(size))
    mean = median(colour, axis=1)
    spread = np.diag((1.4826 * median(np.abs(colour - mean[:, None]), axis=1)) ** 2 + LEAST**2)
    for _ in range(ROUNDS):
        inverse = np.linalg.inv(spread + noise)
        away = colour - mean[:, None]
        use = np.einsum("an,nab,bn->n", away, inverse, away) < STRANGE**2
        weight = inverse[use]
        mean = np.linalg.solve(weight.sum(0), np.einsum("nab,bn->a", weight, colour[:, use]))
        part = spread @ weight
        told = np.einsum("nab,bn->an", part, colour[:, use] - mean[:, None])
        total = told @ told.T - part.sum(0) @ spread + use.sum() * spread
        spread = (total + FEW * USUAL**2 * np.eye(size)) / (use.sum() + FEW)
    value, axes = np.linalg.eigh(spread)
    return mean, np.asarray((axes * np.maximum(value, LEAST**2)) @ axes.T)
