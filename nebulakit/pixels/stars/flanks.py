"""What single cut-off stars have of their own: a flank that deviates from the law, and a ghost brighter or fainter than usual."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD, RADII, Ghost, box_around, disc
from nebulakit.pixels.stars.rings import Rings, rings_around, uneven_here

Array = npt.NDArray[np.float64]

DEVIATION = 0.04  # of all channels from the law, as a standard deviation
APART = 0.35  # of that: how far channels deviate apart
NONE = 0.05  # how many stars have no ghost for one that has: what the optics show of one they may hide of another
SHOWN = 2.0  # sigma: fainter ghosts of stars that are not cut off are not looked for
ALIKE = 0.5  # over how many e-folds of radius a deviation stays alike


def learn_own(fit: StarFit, longest: float) -> None:
    """Give every cut-off star its own radial correction in every channel.

    What is left around the star, in mixtures of channels (:func:`nebulakit.pixels.stars.rings.mixtures_of`), is the nebula, whose
    means over rings vary together as they do all over the picture, and a deviation of the star from the law, which is a
    part of its light, smooth, and mostly the same in all channels; the expectation of the latter, given the sum, is taken off
    (Rybicki & Press 1992, ApJ 398:169).
    """
    stars = np.nonzero(fit.saturated & ~fit.outside)[0]
    around = rings_around(fit, stars, 1.2 * max(law.width for law in fit.laws), min(longest, 60.0))
    if not around:
        return
    inwards = np.log(np.maximum(RADII, 0.5))
    for a in around:
        parts = _deviating(fit, a)
        place = np.log(a.radius)
        order = np.argsort(place, kind="stable")
        nearest = float(a.radius.min())
        fade = np.clip((RADII - 0.5 * nearest) / (0.5 * nearest), 0, 1)
        for c, law in enumerate(fit.laws):
            law = law.near(float(fit.x[c, a.star]), float(fit.y[c, a.star]))
            # told where it was measured, as a share of the law between and inwards
            part = parts[c][order]
            table = np.interp(inwards, place[order], part, left=float(part[0]), right=0.0)
            fit.own[c][a.star] = (fit.height[c, a.star] * law.table * table * fade).astype(np.float32)


def _deviating(fit: StarFit, a: Rings) -> list[Array]:
    """Give, per channel and on the rings of ``a``, the share of its light by which a star deviates from the law."""
    place = np.log(a.radius)
    near = np.exp(-((place[:, None] - place[None]) ** 2) / (2 * ALIKE**2))
    laws = [law.near(float(fit.x[c, a.star]), float(fit.y[c, a.star])) for c, law in enumerate(fit.laws)]
    light = np.array([h * np.interp(a.radius, RADII, law.table) for h, law in zip(a.height, laws, strict=True)])
    whole = light.sum(0)
    known = DEVIATION**2 * (np.outer(whole, whole) + APART**2 * light.T @ light) * near + a.own
    uneven, cover = np.ones(len(a.value)), known + a.nebula
    for _ in range(4):
        uneven = uneven_here(uneven, a.value, cover, len(a.height))
        cover = known + a.nebula * np.sqrt(np.outer(uneven, uneven))
    weights = np.linalg.solve(cover, a.value)
    return [DEVIATION**2 * near @ (weights * (whole + APART**2 * own)) for own in light]


def learn_ghosts(fit: StarFit, beyond: bool = False) -> None:
    """Tell for each star how bright its ghosts are, as far as their edges show it: about as bright as usual, or not there at all.

    For those of the picture, or those ``beyond`` its edges. Cut-off stars have them unless they plainly are not there, others only
    where they plainly are.
    """
    told, absent = [], dict[int, float]()  # (channel, star); per star the log odds that it has none
    doubt = np.where(fit.saturated, math.log(NONE), -math.log(NONE))
    for c, ghost in enumerate(fit.ghosts):
        if ghost is None:
            continue
        bright = fit.saturated | (fit.height[c] * ghost.bright > SHOWN)
        for i in np.nonzero(bright & (fit.outside == beyond))[0].tolist():
            seen = _brightness(fit, c, i, ghost)
            if seen is None:
                continue
            amount, error2 = seen
            weight = GHOSTLY**2 / (GHOSTLY**2 + error2)
            fit.ghostly[c, i] = float(np.clip(1 + weight * (amount - 1), 0.5, 1.5))
            usual2, none2 = (amount - 1) ** 2 / (GHOSTLY**2 + error2), amount**2 / error2
            absent[i] = absent.get(i, doubt[i]) + 0.5 * (usual2 - none2 + math.log(1 + GHOSTLY**2 / error2))
            told.append((c, i))
    for c, i in told:
        fit.ghostly[c, i] /= 1 + math.exp(min(absent[i], 50.0))


def _brightness(fit: StarFit, c: int, i: int, ghost: Ghost) -> tuple[float, float] | None:
    """Give how bright a star's ghost is by its edge, 1 as usual, and the variance of that; None where too little is seen of it."""
    x, y, height = float(fit.x[c, i]), float(fit.y[c, i]), float(fit.height[c, i])
    half = math.ceil(ghost.radius + max(abs(ghost.dx), abs(ghost.dy)) + 10)
    y0, y1, x0, x1 = box_around(x, y, half, fit.rest.shape[1:], PAD)
    if min(y1 - y0, x1 - x0) < (0 if fit.outside[i] else half) or height <= 0:
        return None
    dx, dy = np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y
    off = np.hypot(dx - ghost.dx, dy - ghost.dy)
    box = np.s_[y0:y1, x0:x1]
    own = height * fit.laws[c].near(x, y).at(dx, dy)
    lit = fit.data[c][box] - fit.rest[c][box] - own - height * ghost.at(dx, dy) * fit.ghostly[c, i]
    use = (np.abs(off - ghost.radius) < 7) & ~fit.hidden[c][box] & (lit < 5) & (own < 300)
    if use.sum() < 60:
        return None
    shape = height * ghost.bright * disc(off, ghost.radius, ghost.soft)
    ground = np.stack(np.broadcast_arrays(np.ones_like(off), dx / half, dy / half, off / half), -1)
    columns = np.concatenate([shape[..., None], ground], -1)[use]
    value = fit.rest[c][box][use] + shape[use] * fit.ghostly[c, i]
    root = 1 / np.sqrt(1 + (0.05 * own[use]) ** 2)
    columns, value = columns * root[:, None], value * root
    for _ in range(2):
        normal = columns.T @ columns
        amount = np.linalg.solve(normal, columns.T @ value)
        left = value - columns @ amount
        far = np.abs(left) > 4 * 1.4826 * median(np.abs(left))
        columns, value = columns[~far], value[~far]
    # neighbouring pixels err together with the nebula
    return float(amount[0]), max(12 * float(left.var()) * float(np.linalg.inv(normal)[0, 0]), 1e-9)
