"""The wide wings of stars, learned from the brightest in spite of the nebula they shine through."""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.starfit import DOUBT, PAD, StarFit
from nebulakit.pixels.starlaw import RADII, Law
from nebulakit.pixels.starlearn import NODES, profile

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]

WINGS = np.geomspace(10, 70, 10)  # px: lengths of the exponential wings that a law may have
USUAL, SPREAD = 27.0, 0.25  # where lengths are expected before anything is seen: px, and in e-folds
SHARE = 0.006  # of a star's light in its wings: what is expected at most, if little is seen
PATIENCE = 10.0  # rings it takes to believe that around a star the nebula is more or less uneven than elsewhere
BOWL = 1.5  # sigma: how far a curved sky may lie above its middle at 90 px, on top of what the nebula does
SLACK = 0.03  # how far the law without its wings may be off, per unit of ln(1 + r^2 / width^2)
COARSE = 4  # px: the nebula's ring means are measured on a picture binned by this
PLACES = 4000  # around which they are measured


def learn_wings(fit: StarFit, longest: float) -> None:
    """Give all laws the exponential wings that fit what is left around the cut-off and other bright stars, far out.

    All channels have the same wings, as shares of a star's light: they come from the same glass and air, and it is where
    there is least nebula that they are seen. What the nebula does to means over rings is measured on rings around every
    place of the picture, and the wings are fitted by generalised least squares against that covariance, not negative,
    every star on a level of its own.
    """
    widths = [2 * float(RADII[int(np.searchsorted(-law.table, -0.5))]) for law in fit.laws]
    lengths = WINGS[(3 * max(widths) < WINGS) & (0.6 * longest > WINGS)]
    if not len(lengths):
        return
    atoms = np.exp(-RADII[None] / lengths[:, None]) / (2 * np.pi * lengths[:, None] ** 2)  # of unit light
    areas = [2 * math.pi * float(np.trapezoid((law.table - law.wings) * RADII, RADII)) for law in fit.laws]
    stars: list[tuple[Array, Array, Array, Array]] = []  # design, value, own variance, the nebula's covariance
    for c, law in enumerate(fit.laws):
        order = np.argsort(-fit.height[c] - 1e12 * fit.saturated, kind="stable")
        order = order[~fit.outside[order]]
        chosen = order[(fit.height[c, order] > 3000) | fit.saturated[order]][:60]
        found = profile(fit, c, chosen, longest)
        first = int(np.searchsorted(NODES, 3 * widths[c]))
        if not len(found.height) or first >= len(NODES) - 4:
            continue
        bowl, nebula = ring_statistics(fit, c, NODES[first:][NODES[first:] <= longest + 1])
        for i, height in enumerate(found.height):
            r, error = found.radius[i, first:], found.error[i, first:]
            use = np.nonzero(np.isfinite(error[: len(nebula)]))[0]
            if len(use) < 5:
                continue
            r, error, light = r[use], error[use], found.light[i, first:][use]
            value = found.value[i, first:][use] - bowl[use] + height * np.interp(r, RADII, law.wings)
            # the wings are not asked to mend a core that is a few percent off
            core = height * np.interp(r, RADII, law.table - law.wings)
            noise = (1 + fit.photons[c] * light) / (math.pi * 2 * r * np.maximum(np.gradient(r), 0.5)) + 0.1**2
            at = height * areas[c] * np.stack([np.interp(r, RADII, a) for a in atoms], -1)
            # how the light of the law goes up with its exponent, all stars of a channel alike
            steeper = np.zeros((len(r), len(fit.laws)))
            steeper[:, c] = core * np.log1p((r / widths[c]) ** 2)
            own = np.diag(noise + (0.3 * SLACK * steeper[:, c]) ** 2) + np.outer(r**2, r**2) * (BOWL / 90**2) ** 2
            stars.append((np.concatenate([at, steeper], 1), value, own, nebula[np.ix_(use, use)]))
    if not stars:
        return
    scale = np.ones(len(stars))
    count = len(lengths) + len(fit.laws)
    amounts = np.zeros(count)
    for _ in range(5):
        normal, right, whole = np.zeros((count, count)), np.zeros(count), 0.0
        roots = []
        for s, (at, value, own, nebula) in zip(scale, stars, strict=True):
            root = np.linalg.inv(np.linalg.cholesky(s * nebula + own + 1e6))
            roots.append(root)
            a, v = root @ at, root @ value
            normal, right, whole = normal + a.T @ a, right + a.T @ v, whole + float(v @ v)
        merit, tries = np.full(len(lengths), -np.inf), np.zeros((len(lengths), count))
        for j in range(len(lengths)):
            pick = [j, *range(len(lengths), count)]
            own_normal = normal[np.ix_(pick, pick)] + np.diag([SHARE**-2.0] + [SLACK**-2.0] * len(fit.laws))
            found_here = np.linalg.solve(own_normal, right[pick])
            if found_here[0] < 0:
                found_here = np.concatenate([[0.0], np.linalg.solve(own_normal[1:, 1:], right[pick][1:])])
            tries[j, pick] = found_here
            # how probable this length is with the amounts that fit it best, times how widely amounts fit as well
            merit[j] = (
                found_here @ right[pick] - 0.5 * found_here @ own_normal @ found_here - 0.5 * math.log(np.linalg.det(own_normal))
            )
            merit[j] += math.log(max(found_here[0], 1e-6)) - 0.5 * (math.log(lengths[j] / USUAL) / SPREAD) ** 2
        probable = np.exp(merit - merit.max())
        amounts = probable @ tries / probable.sum()
        for k, (at, value, _, _) in enumerate(stars):
            left = roots[k] @ (value - at @ amounts)
            # where the nebula is more uneven than elsewhere a star tells less, and the other way round
            scale[k] = np.clip(scale[k] * (PATIENCE + float((left**2).sum())) / (PATIENCE + len(value) - 1), 0.2, 1e4)
    for c, law in enumerate(fit.laws):
        wings = areas[c] * (amounts[: len(lengths)] @ atoms)
        table = law.table.astype(np.float64) - law.wings + wings
        fit.laws[c] = Law(law.contour, (table / table[0]).astype(np.float32), law.linear, (wings / table[0]).astype(np.float32))
        fit.height[c] *= table[0]


def ring_statistics(fit: StarFit, c: int, edges: Array) -> tuple[Array, Array]:
    """Give mean and covariance of what nebula and sky are on rings (between ``edges``, px) around any place; the first is 0.

    The mean is not 0 where the sky is a bowl.
    """
    from nebulakit.pixels import ringsums

    plane = fit.rest[c, PAD:-PAD, PAD:-PAD]
    free = ~(fit.cores[c] | fit.hidden[c])[PAD:-PAD, PAD:-PAD]
    free &= ~(fit.doubt[c, PAD:-PAD, PAD:-PAD] > np.float16(3 * DOUBT))
    h, w = (n // COARSE * COARSE for n in plane.shape)

    def blocks(a: Plane) -> Plane:
        b = a[:h, :w].reshape(h // COARSE, COARSE, w // COARSE, COARSE).sum((1, 3))
        return np.pad(b, reach)

    reach = math.ceil(edges[-1] / COARSE)
    level = np.float32(np.median(plane[free][::17])) if free.any() else np.float32(0)
    weight = blocks(free.astype(np.float32))
    value = blocks(np.where(free, plane - level, np.float32(0)))
    # places all over the picture, as many as tell the covariance well
    high, wide = h // COARSE, w // COARSE
    step = max(1, round(math.sqrt(high * wide / PLACES)))
    py, px = (v.ravel() for v in np.mgrid[step // 2 : high : step, step // 2 : wide : step])
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    r = np.hypot(dy, dx) * COARSE
    rings = []
    for low, up in itertools.pairwise(edges):
        # a ring thinner than the blocks is taken as thick as they are
        middle, half = (low + up) / 2, max((up - low) / 2, 0.6 * COARSE)
        rings.append(np.abs(r - middle) <= half)
    pixels = [(dy[ring] * value.shape[1] + dx[ring]).astype(np.int64) for ring in rings]
    starts = np.cumsum([0, *(len(p) for p in pixels)])
    means, totals = np.zeros((len(py), len(rings))), np.zeros((len(py), len(rings)))
    places = (py + reach) * value.shape[1] + px + reach
    ringsums.around(value.ravel(), weight.ravel(), places, np.concatenate(pixels), starts, means, totals)
    known = np.asarray((totals > 0.5 * COARSE**2 * np.diff(starts)).all(1), bool)
    means /= np.maximum(totals, 1)
    if known.sum() < 100:
        known[:] = True
    values = means[known].T
    mean = values.mean(1)
    values = values - mean[:, None]
    return mean - mean[0], np.asarray(values @ values.T / values.shape[1] + 1e-3 * np.eye(len(values)), np.float64)
