"""How a star's light goes down from its core to its wide wings, learned from the bright stars in spite of the nebula they shine through."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over
from nebulakit.pixels.starfit import DOUBT, StarFit
from nebulakit.pixels.starlaw import GHOSTLY, PAD, RADII, Law
from nebulakit.pixels.starlearn import NODES, Left, Profile, profile

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

WINGS = np.geomspace(10, 70, 10)  # px: lengths of the exponential wings that a law may have
USUAL, SPREAD = 27.0, 0.25  # where lengths are expected before anything is seen: px, and in e-folds
SHARE, DOUBTFUL = 0.004, 0.004  # of a star's light in its wings: all optics and all air scatter some (King 1971, PASP 83:199)
PATIENCE = 10.0  # rings it takes to believe that around a star the nebula is more or less uneven than elsewhere
BOWL = 1.5  # sigma: how far a curved sky may lie above its middle at 90 px, on top of what the nebula does
PLACE = np.sqrt(NODES[:-1] * NODES[1:])
LOGS = np.log(PLACE)
BENT = 0.2  # how far a flank may be off the Moffat law that the cores show, standard deviation of its logarithm
ALIKE = 0.05  # how far, beyond that, the channels' flanks may differ
SMOOTH = 0.7  # e-folds of radius over which both stay alike
TOLD = 0.01  # how far off a single star's ring may be, as a share of its light
RIM = 0.03  # how far off a ghost's shape may be, ring by ring
CORE, FLANK = 1.2, 2.0  # widths: within the first the law is left alone, beyond the second it may change
COARSE = 4  # px: the nebula's ring means are measured on a picture binned by this
PLACES = 4000  # around which they are measured


class Rings(NamedTuple):
    """What is left around one star, ring by ring, mixture of channels after mixture."""

    star: int
    height: Array  # (channel, ring): of each channel's star, as it is in the mixture
    radius: Array
    value: Array
    own: Array  # covariance of what the star and the noise bring
    nebula: Array  # and of what the nebula does


def learn_law(fit: StarFit, longest: float) -> None:
    """Bring the laws in line with what is left around the cut-off and other bright stars: their flanks and their wings.

    All channels have the same wings, exponential ones, as shares of a star's light: they come from the same glass and
    air, and it is where there is least nebula that they are seen. The factor on the rest of a law is a Gaussian random
    function of the logarithm of the radius, most of it alike in all channels; far out, where nothing is told, the rest
    goes back to the Moffat law of the cores. Both are fitted together by generalised least squares, every star on a
    level of its own, against what the nebula does to means over rings, which is measured on rings around every place of
    the picture. Sources: Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, 2.7 (explicit basis
    functions) and 9.1 (several outputs).
    """
    widths = np.array([law.width for law in fit.laws])
    lengths = WINGS[(3 * max(widths) < WINGS) & (0.6 * longest > WINGS)]
    lead = leading(fit)
    order = np.argsort(-fit.height[lead] - 1e12 * fit.saturated, kind="stable")
    order = order[~fit.outside[order]]
    bright = order[(fit.height[lead, order] > 3000) | fit.saturated[order]][:60]
    stars = rings_around(fit, bright, FLANK * float(max(widths)), longest)
    if not len(lengths) or not stars:
        return
    cores = [law.table.astype(np.float64) - law.wings for law in fit.laws]
    if fit.flank is None:
        # as it would be if stars were 3 px wide
        scaled = [np.interp(PLACE * (w / 3), RADII, core) for w, core in zip(widths, cores, strict=True)]
        fit.flank = np.log(np.maximum(scaled, 1e-12)).mean(0)
    channel, node = (v.ravel() for v in np.indices((len(cores), len(PLACE))))
    use = PLACE[node] > CORE * widths[channel]
    channel, node = channel[use], node[use]
    precision, expected = _prior(fit.flank, cores, widths, channel, node)
    atoms = np.exp(-RADII[None] / lengths[:, None]) / (2 * np.pi * lengths[:, None] ** 2)  # of unit light
    areas = np.array([2 * math.pi * float(np.trapezoid(core * RADII, RADII)) for core in cores])
    count = len(lengths) + len(node)
    designs = []
    for s in stars:
        design = np.zeros((len(s.radius), count))
        design[:, : len(lengths)] = np.stack([(areas @ s.height) * np.interp(s.radius, RADII, a) for a in atoms], -1)
        own = [height * np.interp(s.radius, RADII, core) for height, core in zip(s.height, cores, strict=True)]
        near = np.stack([np.interp(np.log(s.radius), LOGS, unit) for unit in np.eye(len(PLACE))], -1)
        design[:, len(lengths) :] = np.array(own)[channel].T * near[:, node]
        designs.append(design)
    values = [s.value + sum(h * np.interp(s.radius, RADII, law.wings) for h, law in zip(s.height, fit.laws, strict=True)) for s in stars]
    amounts, scale = np.zeros(count), np.ones(len(stars))
    for _ in range(5):
        roots = [np.linalg.inv(np.linalg.cholesky(k * s.nebula + s.own)) for k, s in zip(scale, stars, strict=True)]
        whole = np.concatenate([root @ design for root, design in zip(roots, designs, strict=True)])
        value = np.concatenate([root @ v for root, v in zip(roots, values, strict=True)])
        amounts = _solved(whole.T @ whole, whole.T @ value, lengths, precision, expected)
        for k, (v, design, root) in enumerate(zip(values, designs, roots, strict=True)):
            left = root @ (v - design @ amounts)
            # where the nebula is more uneven than elsewhere a star tells less, and the other way round
            scale[k] = np.clip(scale[k] * (PATIENCE + float((left**2).sum())) / (PATIENCE + len(left) - len(cores)), 0.2, 1e4)
    for c, law in enumerate(fit.laws):
        wings = areas[c] * (amounts[: len(lengths)] @ atoms)
        factor = np.zeros(len(PLACE))
        factor[node[channel == c]] = np.clip(amounts[len(lengths) :][channel == c], -0.3, 0.3)
        factor[FLANK * widths[c] > PLACE] = 0
        table = cores[c] * np.exp(np.interp(np.log(np.maximum(RADII, 0.05)), LOGS, factor, left=0.0)) + wings
        fit.laws[c] = Law(law.contour, (table / table[0]).astype(np.float32), law.linear, (wings / table[0]).astype(np.float32))
        fit.height[c] *= table[0]
        fit.due[c] *= table[0]


def mixtures_of(fit: StarFit, free: Mask) -> Array:
    """Give the mixtures of channels (mixture, channel), each of unit noise, in which the nebula is uneven independently.

    Two lines in three channels leave one mixture in which hardly a nebula shines, but stars do: from it alone wings are
    told to a few percent that the nebula's structure hides in every channel.
    """
    import cv2

    planes = fit.rest[:, PAD:-PAD, PAD:-PAD]
    weight = free.astype(np.float32)
    known = cv2.blur(weight, (41, 41))
    use = (known > 0.3)[::8, ::8]
    if use.sum() < 100:
        return np.eye(len(planes))
    found = []
    for plane in planes:
        value = np.where(free, plane - np.float32(np.median(plane[free][::17])), np.float32(0))
        means = [cv2.blur(value, (k, k)) / np.maximum(cv2.blur(weight, (k, k)), np.float32(1e-3)) for k in (41, 121)]
        found.append((means[0] - means[1])[::8, ::8][use].astype(np.float64))
    return np.asarray(np.linalg.eigh(np.cov(found).reshape(len(planes), len(planes)))[1].T)


def rings_around(fit: StarFit, chosen: Ints, nearest: float, longest: float) -> list[Rings]:
    """Measure what is left around stars, on rings from ``nearest`` to ``longest`` px."""
    lead, free = leading(fit), untouched(fit)
    mixtures = mixtures_of(fit, free)
    first = int(np.searchsorted(NODES, nearest))
    edges = NODES[first:][NODES[first:] <= longest + 1]
    if len(edges) < 6:
        return []

    def look(share: Array) -> tuple[Profile, Array, Array]:
        seen = mixed(fit, share, lead)
        found = profile(fit, lead, chosen, longest, under_ghosts=True, seen=seen)
        return found, *ring_statistics(seen.rest[PAD:-PAD, PAD:-PAD], free, edges)

    views = over(look, mixtures)
    found, stars = views[0][0], []
    for i, star in enumerate(found.star.tolist()):
        use = np.nonzero(np.isfinite(found.error[i, first : first + len(edges) - 1]))[0]
        if len(use) < 5:
            continue
        r = found.radius[i, first:][use]
        height = fit.height[:, star]
        light = np.array([h * np.interp(r, RADII, law.table) for h, law in zip(height, fit.laws, strict=True)])
        discs = np.array([0 if g is None else g.bright * height[c] * fit.ghostly[c, star] for c, g in enumerate(fit.ghosts)])
        glow = np.outer(discs, found.glow[i, first:][use] / (discs[lead] or 1))
        noise = (1 + fit.photons[:, None] * light) / (math.pi * 2 * r * np.maximum(np.gradient(r), 0.5)) + 0.1**2
        noise += (TOLD * light) ** 2 + (RIM * glow) ** 2
        mine = GHOSTLY**2 * glow[:, :, None] * glow[:, None] + noise[:, :, None] * np.eye(len(r))
        size = len(mixtures) * len(r)
        own = np.einsum("ac,bc,cij->aibj", mixtures, mixtures, mine).reshape(size, size)
        bowl = np.outer(r**2, r**2) * (BOWL / 90**2) ** 2 + 1e6  # and a level of its own
        value = [v.value[i, first:][use] - mean[use] for v, mean, _ in views]
        stars.append(
            Rings(
                star,
                np.repeat(mixtures.T * height[:, None], len(r), axis=1),
                np.tile(r, len(mixtures)),
                np.concatenate(value),
                own + block_diag(*len(mixtures) * [bowl]),
                block_diag(*(nebula[np.ix_(use, use)] for _, _, nebula in views)),
            )
        )
    return stars


def leading(fit: StarFit) -> int:
    """Give the channel that shows best where other stars shine, and their reflections."""
    return max(range(len(fit.laws)), key=lambda c: (fit.ghosts[c] is not None, float(fit.height[c].sum())))


def mixed(fit: StarFit, share: Array, lead: int) -> Left:
    """Give what is left in a mixture of channels as :func:`profile` takes it; where other stars shine is told by ``lead``."""
    rest = np.tensordot(share.astype(np.float32), fit.rest, 1)
    own: list[npt.NDArray[np.float32] | None] = []
    for mine in zip(*fit.own, strict=True):
        there = [np.float32(a) * o for a, o in zip(share, mine, strict=True) if o is not None]
        own.append(np.sum(there, axis=0, dtype=np.float32) if there else None)
    return Left(rest, fit.data[lead] - fit.rest[lead] + rest, fit.hidden.any(0), own)


def _prior(flank: Array, cores: list[Array], widths: Array, channel: Ints, node: Ints) -> tuple[Array, Array]:
    """Give what is expected of the factors' logarithms at these nodes, as a precision matrix and that times the mean."""
    usual = np.array([np.interp(LOGS[k] - math.log(widths[c] / 3), LOGS, flank) for c, k in zip(channel, node, strict=True)])
    now = np.array(
        [math.log(max(float(np.interp(PLACE[k], RADII, cores[c])), 1e-12)) for c, k in zip(channel, node, strict=True)]
    )
    at = LOGS[node] - np.log(widths[channel])
    near = np.exp(-((at[:, None] - at[None]) ** 2) / (2 * SMOOTH**2))
    # where channels differ in width it is not known whether their flanks do
    free = (ALIKE + 2.5 * np.abs(np.log(widths / np.median(widths))))[channel]
    cover = (BENT**2 + (channel[:, None] == channel[None]) * np.outer(free, free)) * near + TOLD**2 * np.eye(len(node))
    precision = np.linalg.inv(cover)
    expected = precision @ (usual - now)
    # the cores themselves are known
    precision += np.diag(np.where(PLACE[node] < FLANK * widths[channel], TOLD**-2.0, 0))
    return precision, expected


def _solved(normal: Array, right: Array, lengths: Array, precision: Array, expected: Array) -> Array:
    """Give the amounts of wings of every length, and the factors' logarithms: the mean over the lengths, as probable as they are."""
    count = len(lengths)
    merit, tries = np.full(count, -np.inf), np.zeros((count, len(right)))
    for j in range(count):
        pick = np.array([j, *range(count, len(right))])
        own, mine = normal[np.ix_(pick, pick)], right[pick]
        own[0, 0] += DOUBTFUL**-2.0
        mine[0] += SHARE / DOUBTFUL**2
        own[1:, 1:] += precision
        mine[1:] += expected
        found = np.linalg.solve(own, mine)
        if found[0] < 0:
            found = np.concatenate([[0.0], np.linalg.solve(own[1:, 1:], mine[1:])])
        tries[j, pick] = found
        # how probable this length is with the amounts that fit it best, times how widely amounts fit as well
        merit[j] = found @ mine - 0.5 * found @ own @ found - 0.5 * np.linalg.slogdet(own)[1]
        merit[j] += math.log(max(found[0], 1e-6)) - 0.5 * (math.log(lengths[j] / USUAL) / SPREAD) ** 2
    probable = np.exp(merit - merit.max())
    return np.asarray(probable @ tries / probable.sum(), np.float64)


def untouched(fit: StarFit) -> Mask:
    """Say which pixels, without the margin, tell of the nebula in every channel."""
    free = ~(fit.cores | fit.hidden).any(0)[PAD:-PAD, PAD:-PAD]
    free &= ~(fit.doubt[:, PAD:-PAD, PAD:-PAD] > np.float16(3 * DOUBT)).any(0)
    return np.asarray(free, bool)


def block_diag(*blocks: Array) -> Array:
    """Give square matrices along the diagonal of one."""
    size = sum(len(b) for b in blocks)
    out, at = np.zeros((size, size)), 0
    for b in blocks:
        out[at : at + len(b), at : at + len(b)] = b
        at += len(b)
    return out


def ring_statistics(plane: Plane, free: Mask, edges: Array) -> tuple[Array, Array]:
    """Give mean and covariance of what nebula and sky are on rings (between ``edges``, px) around any place; the first is 0.

    The mean is not 0 where the sky is a bowl.
    """
    import cv2

    from nebulakit.pixels import ringsums

    h, w = (n // COARSE * COARSE for n in plane.shape)

    def blocks(a: Plane) -> Plane:
        mean = cv2.resize(a[:h, :w], (w // COARSE, h // COARSE), interpolation=cv2.INTER_AREA)
        return np.pad(mean * np.float32(COARSE**2), reach)

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
