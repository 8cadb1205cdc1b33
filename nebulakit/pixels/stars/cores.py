"""How far the cores of a stack's stars are from the Moffat laws that were fitted to them: out of focus, by the shape of an
opening, by what haze and dew scatter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.cutfit import LOOSE, CutFit
from nebulakit.pixels.stars.law import RADII, Law

Array = npt.NDArray[np.float64]

# widths: radii at which a law may be off, straight lines between; it is as it was in the middle
NODES = np.array([0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.4, 3.0])
# how far it may be off, standard deviations of its logarithm, that are tried
SPREADS = 0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0
FURTHEST, SETTLED = 1.0, 0.01  # that it may go in one step, and that ends them
ALIKE = 0.4  # widths over which it is off alike
APART = 0.3  # of how far laws are off: how far channels' are apart
FLANK = 1.25, 2.0  # widths: where a flank is looked at, for what it does beyond: there the ground of a cut-out hides it
USUAL, WEAK, MOST = 3.0, 0.02, 4.5  # the beta that is expected of it, how firmly, and the most (the edge of a disc falls as none)
PLAIN = 0.05  # so far off a law is none of Moffat's; else it goes on as it was
STEPS, MISFIT = 8, 0.003  # at most; and how far a law may be off in a pixel


def reshaped(fits: Sequence[CutFit | None], laws: list[Law]) -> list[Law]:
    """Give laws whose cores are as the stars show them, in the mean of all, by a factor of the radius.

    The logarithm of the factor is a Gaussian random function of the radius in widths, most of it alike in all channels, for air
    and glass are the same; how large it is the stars tell by the evidence (Bishop 2006, Pattern Recognition and Machine Learning,
    3.5): of Moffat stars nothing is. Beyond two widths, where the ground of a cut-out hides them, laws that are plainly off go on by
    the Moffat law of their flanks.
    """
    size = len(laws) * len(NODES)
    logs = np.zeros((len(laws), len(NODES)))
    middle = np.exp(-(NODES**2) / (2 * ALIKE**2))
    like = np.exp(-((NODES[:, None] - NODES) ** 2) / (2 * ALIKE**2)) - np.outer(middle, middle) + 1e-3 * np.eye(len(NODES))
    cover = np.kron(np.full((len(laws),) * 2, 1 - APART**2) + APART**2 * np.eye(len(laws)), like)
    precision, hats = np.linalg.inv(cover), [_hats(law) for law in laws]
    for _ in range(STEPS):
        told = over(lambda c: _told(fits[c], _off(laws[c], logs[c], hats[c]), hats[c], logs[c]), range(len(laws)))  # noqa: B023
        normal, right = np.zeros((size, size)), np.zeros(size)
        for c, (own, mine) in enumerate(told):
            here = slice(c * len(NODES), (c + 1) * len(NODES))
            normal[here, here], right[here] = own, mine
        spread = max(SPREADS, key=lambda s: _evidence(normal, right, cover, s))
        if spread == 0:
            return laws
        step = np.linalg.solve(normal + precision / spread**2, right).reshape(logs.shape) - logs
        logs = logs + np.clip(step, -FURTHEST, FURTHEST)
        if np.abs(step).max() < SETTLED:
            break
    hidden = FLANK[1] < NODES
    plainly = np.abs(logs[:, ~hidden]).max() > PLAIN
    if not plainly:
        logs[:, hidden] = logs[:, ~hidden][:, -1:]
    shaped = [_off(*one) for one in zip(laws, logs, hats, strict=True)]
    return [_ending(law) for law in shaped] if plainly else shaped


def _evidence(normal: Array, right: Array, cover: Array, spread: float) -> float:
    """Give the log probability, but for what is the same for all, of what is seen if laws are off by so much."""
    if spread == 0:
        return 0.0
    whole = np.eye(len(right)) + spread**2 * cover @ normal
    return float(0.5 * right @ np.linalg.solve(whole, spread**2 * cover @ right) - 0.5 * np.linalg.slogdet(whole)[1])


def _hats(law: Law) -> Array:
    """Give (node, entry of the law's table) what each node has to say there."""
    radii = RADII[: len(law.table)] / law.width
    return np.stack([np.interp(radii, np.append(0, NODES), np.append(0, unit)) for unit in np.eye(len(NODES))])


def _off(law: Law, logs: Array, hats: Array) -> Law:
    """Give a law that is off by these logarithms."""
    return law.told(law.table * np.exp(logs @ hats))


def _ending(law: Law) -> Law:
    """Give a law that goes on beyond the last node by the Moffat law that its flank follows before it."""
    from scipy.optimize import least_squares

    inner = np.linspace(*FLANK, 12) * law.width
    seen = np.log(np.interp(inner, RADII, law.table))

    def falling(v: Array, radius: Array) -> Array:
        return np.asarray(-np.exp(v[1]) * np.log1p((radius / np.exp(v[0])) ** 2))

    def off(v: Array) -> Array:
        shape = falling(v, inner)
        return np.append(seen - shape - (seen - shape).mean(), WEAK * (v[1] - np.log(USUAL)))

    v = least_squares(off, np.log([law.width / 2, USUAL]), bounds=(-np.inf, [np.inf, np.log(MOST)])).x
    last = int(np.searchsorted(RADII, FLANK[1] * law.width))
    table = law.table.astype(np.float64)
    table[last:] = table[last] * np.exp(falling(v, beyond := RADII[last:].astype(np.float64)) - falling(v, beyond[:1]))
    return law.told(table)


def _told(fit: CutFit | None, now: Law, hats: Array, logs: Array) -> tuple[Array, Array]:
    """Give the normal equations of the logarithms, near those by which the law is off ``now``."""
    if fit is None:
        return np.zeros((len(NODES),) * 2), np.zeros(len(NODES))
    left = fit.left(now)
    fit.move()
    fit.feel(left)  # as if the ground were uneven where the law is off, it would tell nothing there
    fit.weigh(MISFIT)
    left = fit.left(now)
    drawn = np.stack([fit.stamps(now.told(now.table * hat), fit.place) for hat in hats], -1)
    slopes = fit.unseen(drawn).reshape(-1, len(NODES))
    left = left.ravel()
    weight = 1 / np.sqrt(1 + (left / LOOSE) ** 2) / max(1.0, float(median(left**2)) / 0.455)
    turned = slopes.T * weight
    return turned @ slopes, turned @ (left + slopes @ logs)
