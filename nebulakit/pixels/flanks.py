"""What single cut-off stars have of their own: a flank that deviates from the law, and a ghost brighter or fainter than usual."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.starfit import StarFit
from nebulakit.pixels.starlaw import GHOSTLY, PAD, RADII, disc
from nebulakit.pixels.starlearn import NODES, profile
from nebulakit.pixels.wings import block_diag, leading, mixed, mixtures_of, ring_statistics, untouched

Array = npt.NDArray[np.float64]

COMMON, APART = 0.055, 0.02  # deviations from the law, as standard deviations: of all channels alike, and of one alone
ALIKE = 0.5  # over how many e-folds of radius a deviation stays alike


def learn_own(fit: StarFit, longest: float) -> None:
    """Give every cut-off star its own radial correction in every channel.

    What is left around the star, in mixtures of channels (:func:`nebulakit.pixels.wings.mixtures_of`), is the nebula, whose
    means over rings vary together as they do all over the picture, and a deviation of the star from the law, which is a
    part of its light, smooth, and mostly the same in all channels; the expectation of the latter, given the sum, is taken off
    (Rybicki & Press 1992, ApJ 398:169).
    """
    stars = np.nonzero(fit.saturated & ~fit.outside)[0]
    channels, farthest = range(len(fit.laws)), min(longest, 60.0)
    width = max(law.width for law in fit.laws)
    first = int(np.searchsorted(NODES, 1.2 * width))
    edges = NODES[first:][NODES[first:] <= farthest]
    if len(edges) < 6 or not len(stars):
        return
    free, lead = untouched(fit), leading(fit)
    views = []
    for share in mixtures_of(fit, free):
        seen = mixed(fit, share, lead)
        views.append((share, seen, *ring_statistics(seen.rest[PAD:-PAD, PAD:-PAD], free, edges)))
    inwards = np.log(np.maximum(RADII, 0.5))
    for i in stars.tolist():
        radii, values, shares, blocks = [], [], [], []
        for share, seen, bowl, nebula in views:
            found = profile(fit, lead, np.array([i]), farthest, seen=seen)
            if not len(found.height):
                continue
            size = len(nebula)
            r, error = found.radius[0, first : first + size], found.error[0, first : first + size]
            use = np.nonzero(np.isfinite(error))[0]
            if len(use) < 5:
                continue
            value = found.value[0, first : first + size][use] - bowl[use]
            light = np.array([share[c] * fit.height[c, i] * np.interp(r[use], RADII, fit.laws[c].table) for c in channels])
            size_of = np.sqrt((light**2).sum(0))
            noise = np.minimum(error[use], 0.3 * size_of + 0.3) ** 2 / 4 + 0.05
            radii.append(r[use])
            values.append(value - np.median(value[-3:]))
            shares.append(light)
            blocks.append(nebula[np.ix_(use, use)] + np.diag(noise) + 1e6)
        if not radii:
            continue
        r, light = np.log(np.concatenate(radii)), np.concatenate(shares, axis=1)
        near = np.exp(-((r[:, None] - r[None]) ** 2) / (2 * ALIKE**2))
        cover = (COMMON**2 * np.outer(light.sum(0), light.sum(0)) + APART**2 * light.T @ light) * near
        weights = np.linalg.solve(cover + block_diag(*blocks), np.concatenate(values))
        # told where it was measured, as a share of the law between and inwards
        order = np.argsort(r, kind="stable")
        fade = np.clip((RADII - 0.5 * math.exp(r[order[0]])) / (0.5 * math.exp(r[order[0]])), 0, 1)
        for c, law in enumerate(fit.laws):
            part = near @ (weights * (COMMON**2 * light.sum(0) + APART**2 * light[c]))
            table = np.interp(inwards, r[order], part[order], left=float(part[order[0]]), right=0.0)
            fit.own[c][i] = (fit.height[c, i] * law.table * table * fade).astype(np.float32)


def learn_ghosts(fit: StarFit) -> None:
    """Tell for each star how bright its ghosts are, as far as their edges show it."""
    for c, ghost in enumerate(fit.ghosts):
        if ghost is None:
            continue
        h, w = fit.rest.shape[1:]
        half = math.ceil(ghost.radius + max(abs(ghost.dx), abs(ghost.dy)) + 10)
        for i in np.nonzero(fit.saturated & ~fit.outside)[0].tolist():
            x, y, height = float(fit.x[c, i]), float(fit.y[c, i]), float(fit.height[c, i])
            px, py = round(x), round(y)
            y0, y1, x0, x1 = max(py - half, PAD), min(py + half + 1, h - PAD), max(px - half, PAD), min(px + half + 1, w - PAD)
            if y1 - y0 < half or x1 - x0 < half or height <= 0:
                continue
            dx, dy = np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y
            off = np.hypot(dx - ghost.dx, dy - ghost.dy)
            box = np.s_[y0:y1, x0:x1]
            own = height * fit.laws[c].at(dx, dy)
            lit = fit.data[c][box] - fit.rest[c][box] - own - height * ghost.at(dx, dy) * fit.ghostly[c, i]
            use = (np.abs(off - ghost.radius) < 7) & ~fit.hidden[c][box] & (lit < 5) & (own < 300)
            if use.sum() < 60:
                continue
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
                far = np.abs(left) > 4 * 1.4826 * np.median(np.abs(left))
                columns, value = columns[~far], value[~far]
            # neighbouring pixels err together with the nebula
            error2 = 12 * float(left.var()) * float(np.linalg.inv(normal)[0, 0])
            weight = GHOSTLY**2 / (GHOSTLY**2 + error2)
            fit.ghostly[c, i] = float(np.clip(1 + weight * (amount[0] - 1), 0.5, 1.5))
