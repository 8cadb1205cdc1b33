"""What is left around bright stars, ring by ring: apart from a star's own light, the nebula and its unevenness."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.fit import DOUBT, StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD, RADII, box_around

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

NODES = np.array(
    [2, 2.5, 3, 3.5, 4, 4.5, 5, 5.5, 6, 7, 8, 9.5, 11, 13, 15.5, 18.5, 22, 26, 31, 37, 44, 52, 62, 74, 88, 105, 125.0]
)
RING_OF = np.digitize(np.arange(2 * NODES[-1] + 1) / 2, NODES) - 1  # the ring of each half pixel: all nodes lie on such
SECTORS = 12
BOWL = 1.5  # sigma: how far a curved sky may lie above its middle at 90 px, on top of what the nebula does
TOLD = 0.01  # how far off a single star's ring may be, as a share of its light
HEIGHT = 0.003, 0.03  # how far off the height of a star may be; and of one that is cut off
RIM = 0.03  # how far off a ghost's shape may be, ring by ring
COARSE = 4  # px: the nebula's ring means are measured on a picture binned by this
SQUARES = 20, 60  # px to either side: the nebula is as uneven as means over the first differ from those over the second
ROWS = 64  # that are worked on in one go
PLACES = 4000  # around which they are measured


class Profile(NamedTuple):
    """What is left around stars by elliptical radius, (star, ring): place, value, and whether enough of the ring was seen."""

    radius: Array
    value: Array
    known: Mask
    glow: Array  # of its ghost
    star: Ints  # (star,)


class Left(NamedTuple):
    """What is left when all stars are taken off, all the light, what is hidden, and each star's own correction of the law."""

    rest: Plane
    data: Plane
    hidden: Mask
    own: list[Plane | None]


NO_GHOST = (0.0, 0.0, 0.0, 1.0, 0.0)


def profile(fit: StarFit, lead: int, stars: Ints, longest: float, seen: Left) -> Profile:
    """Measure what is left around these stars, to where their light in channel ``lead`` sinks under 0.3 sigma; cut-off ones further.

    A ring is divided into sectors, and sectors that face each other are taken together: a slope of the nebula drops out,
    and the pairs that differ most do not count. What a star had been given of its own is put back.
    """
    from nebulakit.pixels.stars import ringsums

    ghost = fit.ghosts[lead]
    bins = len(NODES) - 1
    out = []
    for i in stars.tolist():
        x, y, height = float(fit.x[lead, i]), float(fit.y[lead, i]), float(fit.height[lead, i])
        if height <= 0:
            continue
        law = fit.laws[lead].near(x, y)
        end = longest if fit.saturated[i] else float(np.clip(law.radius(0.3 / height), 8.0, longest))
        half = math.ceil(end)
        y0, y1, x0, x1 = box_around(x, y, half, seen.rest.shape, PAD)
        if y1 - y0 < half or x1 - x0 < half:
            continue
        rings, own, shown = np.zeros((bins, 5)), seen.own[i], fit.own[lead][i]
        used = ringsums.sectors(
            (seen.rest, seen.data, seen.hidden),
            (y0, y1, x0, x1),
            (x, y, height),
            law.shape,
            law.table if shown is None else law.table + shown / np.float32(height),  # else it would pass for another star
            np.zeros(0, np.float32) if own is None else own,
            NO_GHOST
            if ghost is None or not fit.saturated[i]
            else (ghost.dx, ghost.dy, ghost.radius, ghost.soft, ghost.bright * height * float(fit.ghostly[lead, i])),
            (float(NODES[0]), min(end, float(NODES[-1]))),
            RING_OF,
            SECTORS // 2,
            rings,
        )
        if used < 60:
            continue
        _, place, value, pairs, glow = rings.T
        out.append((place, value, pairs >= 4, glow, i))
    radius, values, known, glows = (np.array([o[j] for o in out]).reshape(-1, bins) for j in range(4))
    return Profile(radius, values, known, glows, np.array([o[4] for o in out], np.int_))


class Rings(NamedTuple):
    """What is left around one star, ring by ring, mixture of channels after mixture."""

    star: int
    height: Array  # (channel, ring): of each channel's star, as it is in the mixture
    radius: Array
    value: Array
    own: Array  # covariance of what the star and the noise bring
    nebula: Array  # and of what the nebula does
    scale: float  # how many times as wide as usual stars are here
    inner: Array  # where a star of the usual width is as bright


def mixtures_of(fit: StarFit, free: Mask, few: tuple[Ints, Ints] | None = None) -> Array:
    """Give the mixtures of channels (mixture, channel), each of unit noise, in which the nebula is uneven independently, the
    least uneven first.

    ``few``: rows and columns of some pixels that are ``free``, where they are known.

    Two lines in three channels leave one mixture in which hardly a nebula shines, but stars do: from it alone wings are
    told to a few percent that the nebula's structure hides in every channel.
    """
    uneven = unevenness(fit, free, few)
    return np.eye(len(fit.data)) if uneven is None else np.asarray(np.linalg.eigh(uneven)[1].T)


def unevenness(fit: StarFit, free: Mask, few: tuple[Ints, Ints] | None = None) -> Array | None:
    """Give the covariance (channel, channel) of how the nebula differs from its surroundings, if enough of it is seen."""
    from nebulakit.pixels.stars import ringsums

    def means(plane: Plane, margin: int, level: np.float32) -> list[Plane]:
        """How far a plane is above a level on average, within a small and a large square round every 8th pixel."""
        out = [np.empty((-(-free.shape[0] // 8), -(-free.shape[1] // 8)), np.float32) for _ in SQUARES]
        for mean, half in zip(out, SQUARES, strict=True):
            ringsums.squares(plane, margin, free, level, half, 8, mean)
        return out

    known = means(np.ones(free.shape, np.float32), 0, np.float32(0))
    use = known[0] > 0.3
    if use.sum() < 100:
        return None

    few = _few(free) if few is None else few

    def uneven(plane: Plane) -> Array:
        sums = means(plane, PAD, np.float32(median(plane[PAD:-PAD, PAD:-PAD][few])))
        near, far = (a[use] / np.maximum(b[use], np.float32(1e-3)) for a, b in zip(sums, known, strict=True))
        return np.asarray(near - far, np.float64)

    return np.asarray(np.cov(over(uneven, fit.rest)).reshape(len(fit.rest), len(fit.rest)), np.float64)


def rings_around(fit: StarFit, chosen: Ints, nearest: float, longest: float) -> list[Rings]:
    """Measure what is left around stars, on rings from ``nearest`` to ``longest`` px."""
    from scipy.linalg import block_diag

    lead, free = leading(fit), untouched(fit)
    few = _few(free)
    mixtures = mixtures_of(fit, free, few)
    first = int(np.searchsorted(NODES, nearest))
    edges = NODES[first:][NODES[first:] <= longest + 1]
    if len(edges) < 6:
        return []

    def look(share: Array) -> tuple[Profile, Array, Array]:
        seen = mixed(fit, share, lead)
        found = profile(fit, lead, chosen, longest, seen)
        return found, *ring_statistics(seen.rest[PAD:-PAD, PAD:-PAD], free, few, edges)

    views = over(look, mixtures)
    found, stars = views[0][0], []
    for i, star in enumerate(found.star.tolist()):
        use = np.nonzero(found.known[i, first : first + len(edges) - 1])[0]
        if len(use) < 5:
            continue
        r = found.radius[i, first:][use]
        height = fit.height[:, star]
        x, y = float(fit.x[lead, star]), float(fit.y[lead, star])
        light = np.array([h * np.interp(r, RADII, law.near(x, y).table) for h, law in zip(height, fit.laws, strict=True)])
        discs = np.array([0 if g is None else g.bright * height[c] * fit.ghostly[c, star] for c, g in enumerate(fit.ghosts)])
        glow = np.outer(discs, found.glow[i, first:][use] / (discs[lead] or 1))
        noise = (1 + fit.photons[:, None] * light) / (math.pi * 2 * r * np.maximum(np.gradient(r), 0.5)) + 0.1**2
        noise += (TOLD * light) ** 2 + (RIM * glow) ** 2
        height_off, ghost_off = HEIGHT[int(fit.saturated[star])] * light, GHOSTLY * glow
        mine = sum(off[:, :, None] * off[:, None] for off in (height_off, ghost_off)) + noise[:, :, None] * np.eye(len(r))
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
                scale := float(fit.laws[lead].scale(np.array([x]), np.array([y]))[0]),
                np.tile(fit.laws[lead].inner(r, scale), len(mixtures)),
            )
        )
    return stars


def leading(fit: StarFit) -> int:
    """Give the channel that shows best where other stars shine, and their reflections."""
    return max(range(len(fit.laws)), key=lambda c: (fit.ghosts[c] is not None, float(fit.height[c].sum())))


def mixed(fit: StarFit, share: Array, lead: int) -> Left:
    """Give what is left in a mixture of channels as :func:`profile` takes it; where other stars shine is told by ``lead``."""
    rest = np.tensordot(share.astype(np.float32), fit.rest, 1)
    own: list[Plane | None] = []
    for mine in zip(*fit.own, strict=True):
        there = [np.float32(a) * o for a, o in zip(share, mine, strict=True) if o is not None]
        own.append(np.sum(there, axis=0, dtype=np.float32) if there else None)
    return Left(rest, fit.data[lead] - fit.rest[lead] + rest, np.logical_or.reduce(fit.hidden), own)


def untouched(fit: StarFit) -> Mask:
    """Say which pixels, without the margin, tell of the nebula in every channel."""
    out = np.empty(fit.cores.shape[1:], bool)
    # half precision is compared as the whole numbers of the same bits, which is many times faster
    doubt, sure = fit.doubt.view(np.int16), np.float16(3 * DOUBT).view(np.int16)

    def look(first: int) -> None:
        rows = slice(first, first + ROWS)
        untold = fit.cores[:, rows] | fit.hidden[:, rows] | (doubt[:, rows] > sure)
        out[rows] = ~np.logical_or.reduce(untold)

    over(look, range(0, len(out), ROWS))
    return out[PAD:-PAD, PAD:-PAD]


def _few(free: Mask) -> tuple[Ints, Ints]:
    """Give rows and columns of every 17th pixel that is free: enough for a median."""
    rows, columns = np.divmod(np.flatnonzero(free)[::17], free.shape[1])
    return rows, columns


def ring_statistics(plane: Plane, free: Mask, few: tuple[Ints, Ints], edges: Array) -> tuple[Array, Array]:
    """Give mean and covariance of what nebula and sky are on rings (between ``edges``, px) around any place; the first is 0.

    The mean is not 0 where the sky is a bowl. ``few``: rows and columns of some pixels that are ``free``.
    """
    import cv2

    from nebulakit.pixels.stars import ringsums

    h, w = (n // COARSE * COARSE for n in plane.shape)

    def blocks(a: Plane) -> Plane:
        mean = cv2.resize(a[:h, :w], (w // COARSE, h // COARSE), interpolation=cv2.INTER_AREA)
        return np.pad(mean * np.float32(COARSE**2), reach)

    reach = math.ceil(edges[-1] / COARSE)
    level = np.float32(median(plane[few])) if len(few[0]) else np.float32(0)
    weight = blocks(free.astype(np.float32))
    value = blocks((plane - level) * free)
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
