"""What is left around bright stars, ring by ring: apart from a star's own light, the nebula and its unevenness."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow import legendre
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.fit import BAND, DOUBT, StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD, RADII, box_around

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

NODES = np.array(
    [2, 2.5, 3, 3.5, 4, 4.5, 5, 5.5, 6, 7, 8, 9.5, 11, 13, 15.5, 18.5, 22, 26, 31, 37, 44, 52, 62, 74, 88, 105, 125.0]
)
RING_OF = np.digitize(np.arange(2 * NODES[-1] + 1) / 2, NODES) - 1  # the ring of each half pixel: all nodes lie on such
SECTORS = 12
BOWL = 0.3  # sigma: how far a curved sky may lie above its middle at 90 px, beyond the glow that is taken off
CURVED = 0.7  # of how far the nebula varies: how far it may do so, beyond what its rings tell
TOLD = 0.01  # how far off a single star's ring may be, as a share of its light
HEIGHT = 0.003, 0.03  # how far off the height of a star may be; and of one that is cut off
COLOUR = 0.003, 0.006  # and each channel's beyond that
RIM = 0.03  # how far off a ghost's shape may be, ring by ring
COARSE = 4  # px: the nebula's ring means are measured on a picture binned by this
SQUARES = 20, 60  # px to either side: the nebula is as uneven as means over the first differ from those over the second
ORDER, FITTED = 4, 20000  # of the surface taken for the glow, and from about how many blocks it is told
TURNS = 16  # directions in which that is looked up around a star
PATIENCE = 3.0  # rings it takes to believe that around a star the nebula is more uneven than elsewhere
ROWS = 64  # that are worked on in one go
PLACES = 4000  # around which they are measured


class Ground(NamedTuple):
    """What is seen of the nebula where no star hides it in any channel, by blocks of :data:`COARSE` px, without the margin."""

    value: Planes  # sums of what is above the glow
    known: Plane  # how many pixels tell
    glow: Array  # (channel, term): Legendre coefficients of the surface taken for it


class Profile(NamedTuple):
    """What is left around stars by elliptical radius, (star, ring): place, value, and whether enough of the ring was seen."""

    radius: Array
    value: Array  # (star, mixture, ring)
    known: Mask
    glow: Array  # of its ghost
    star: Ints  # (star,)


NO_GHOST = (0.0, 0.0, 0.0, 1.0, 0.0)


def profile(fit: StarFit, lead: int, stars: Ints, longest: float, mixtures: Array) -> Profile:
    """Measure what is left around these stars, to where their light in channel ``lead`` sinks under 0.3 sigma; cut-off ones further.

    ``mixtures`` (mixture, channel) are measured; where other stars shine is told by ``lead``. A ring is divided into
    sectors, and sectors that face each other are taken together: a slope of the nebula drops out, and the pairs that
    differ most do not count. What a star had been given of its own is put back.
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
        y0, y1, x0, x1 = box_around(x, y, half, fit.rest.shape[1:], PAD)
        if y1 - y0 < half or x1 - x0 < half:
            continue
        rings, values, shown = np.zeros((bins, 4)), np.zeros((len(mixtures), bins)), fit.own[lead][i]
        mine = [own[i] for own in fit.own]
        own = np.zeros((len(mine), 0 if all(o is None for o in mine) else len(law.table)), np.float32)
        for c, o in enumerate(mine):
            if o is not None:
                own[c] = o
        used = ringsums.sectors(
            (fit.rest, fit.data, fit.hidden),
            lead,
            (y0, y1, x0, x1),
            (x, y, height),
            law.shape,
            law.table if shown is None else law.table + shown / np.float32(height),  # else it would pass for another star
            own,
            NO_GHOST
            if ghost is None or not fit.ghostly[lead, i] > 0
            else (ghost.dx, ghost.dy, ghost.radius, ghost.soft, ghost.bright * height * float(fit.ghostly[lead, i])),
            (float(NODES[0]), min(end, float(NODES[-1]))),
            RING_OF,
            SECTORS // 2,
            mixtures,
            rings,
            values,
        )
        if used < 60:
            continue
        _, place, pairs, glow = rings.T
        out.append((place, values, pairs >= 4, glow, i))
    radius, known, glows = (np.array([o[j] for o in out]).reshape(-1, bins) for j in (0, 2, 3))
    mixed = np.array([o[1] for o in out]).reshape(-1, len(mixtures), bins)
    return Profile(radius, mixed, known, glows, np.array([o[4] for o in out], np.int_))


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


def ground_of(fit: StarFit) -> Ground:
    """Give what is seen of the nebula where no star hides it."""
    import cv2

    free = untouched(fit)
    h, w = (n // COARSE * COARSE for n in free.shape)
    few = _few(free)

    def blocks(a: Plane) -> Plane:
        size = w // COARSE, len(a) // COARSE
        return np.asarray(cv2.resize(a[:, :w], size, interpolation=cv2.INTER_AREA) * np.float32(COARSE**2))

    def one(plane: Plane) -> Plane:
        plane = plane[PAD:-PAD, PAD:-PAD]
        dark = np.float32(median(plane[few])) if len(few[0]) else np.float32(0)
        bands = (slice(top, min(top + BAND, h)) for top in range(0, h, BAND))  # a whole plane more takes much memory
        return np.concatenate([blocks((plane[rows] - dark) * free[rows]) for rows in bands])

    value, known = np.stack(over(one, fit.rest)), blocks(free[:h].astype(np.float32))
    glow = _glow(value, known)
    value -= known * legendre.surface(glow, known.shape, ORDER)
    return Ground(value, known, glow)


def _glow(value: Planes, known: Plane) -> Array:
    """Give the smooth surface (channel, term) that the ground lies about.

    A sky has a colour of its own. Left in, its slope would pass for a nebula's unevenness at the edges and beside the gaps of stars.
    """
    step = max(1, round(math.sqrt(known.size / FITTED)))
    few = np.s_[::step, ::step]
    y, x = np.meshgrid(*(np.linspace(-1, 1, n)[::step] for n in known.shape), indexing="ij")
    weight = known[few].ravel().astype(np.float64)
    basis = legendre.basis(x.ravel(), y.ravel(), ORDER)
    turned = basis.T * weight
    normal = turned @ basis + 1e-6 * weight.sum() * np.eye(basis.shape[1])
    return np.linalg.solve(normal, basis.T @ value[(slice(None), *few)].reshape(len(value), -1).T).T


def _glow_around(fit: StarFit, ground: Ground, star: int, radii: Array) -> Array:
    """Give the means (channel, ring) of the glow over rings around a star, as far as they lie in the picture."""
    inside = np.array(fit.rest.shape[1:]) - 2 * PAD
    turns = np.arange(TURNS) * (2 * math.pi / TURNS)
    place = np.array([fit.y[:, star].mean(), fit.x[:, star].mean()]) - PAD
    off = radii[:, None, None] * np.stack([np.sin(turns), np.cos(turns)], -1)
    y, x = np.moveaxis(2 * (place + off) / (inside - 1) - 1, -1, 0)
    there = (np.abs(y) <= 1) & (np.abs(x) <= 1)
    there &= np.roll(there, TURNS // 2, axis=1)  # sectors that face each other are taken together
    light = legendre.basis(np.clip(x, -1, 1).ravel(), np.clip(y, -1, 1).ravel(), ORDER) @ ground.glow.T
    light = light.reshape(*there.shape, -1) * there[:, :, None]
    return np.asarray((light.sum(1) / np.maximum(there.sum(1), 1)[:, None]).T)


def mixtures_of(ground: Ground) -> Array:
    """Give the mixtures of channels (mixture, channel), each of unit noise, in which the nebula is uneven independently, the
    least uneven first.

    Two lines in three channels leave one mixture in which hardly a nebula shines, but stars do: from it alone wings are
    told to a few percent that the nebula's structure hides in every channel.
    """
    uneven = unevenness(ground)
    return np.eye(len(ground.value)) if uneven is None else np.asarray(np.linalg.eigh(uneven)[1].T)


def unevenness(ground: Ground) -> Array | None:
    """Give the covariance (channel, channel) of how the nebula differs from its surroundings, if enough of it is seen."""
    import cv2

    def means(plane: Plane) -> list[Plane]:
        """Give the mean within a small and a large square round every second block."""
        sides = (2 * (half // COARSE) + 1 for half in SQUARES)
        return [
            np.asarray(cv2.boxFilter(plane, -1, (n, n), borderType=cv2.BORDER_REFLECT_101)[::2, ::2], np.float32) for n in sides
        ]

    known = means(ground.known)
    use = known[0] > 0.3 * COARSE**2
    if use.sum() < 100:
        return None
    least = np.float32(1e-3 * COARSE**2)

    def uneven(plane: Plane) -> Array:
        near, far = (a[use] / np.maximum(b[use], least) for a, b in zip(means(plane), known, strict=True))
        return np.asarray(near - far, np.float64)

    count = len(ground.value)
    return np.asarray(np.cov(over(uneven, ground.value)).reshape(count, count), np.float64)


def rings_around(fit: StarFit, chosen: Ints, nearest: float, longest: float) -> list[Rings]:
    """Measure what is left around stars, on rings from ``nearest`` to ``longest`` px."""
    from scipy.linalg import block_diag

    lead, ground = leading(fit), ground_of(fit)
    mixtures = mixtures_of(ground)
    first = int(np.searchsorted(NODES, nearest))
    edges = NODES[first:][NODES[first:] <= longest + 1]
    if len(edges) < 6:
        return []

    nebulas = ring_statistics(ground, mixtures, edges)
    found, stars = profile(fit, lead, chosen, longest, mixtures), []
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
        cut, size = int(fit.saturated[star]), light.size
        colour_off, ghost_off = COLOUR[cut] * light, GHOSTLY * glow
        mine = sum(off[:, :, None] * off[:, None] for off in (colour_off, ghost_off)) + noise[:, :, None] * np.eye(len(r))
        own = np.einsum("ac,bc,cij->aibj", mixtures, mixtures, mine).reshape(size, size)
        height_off = HEIGHT[cut] * (mixtures @ light).ravel()
        own += np.outer(height_off, height_off)
        curve = np.outer(r**2, r**2) / 90**4
        own += block_diag(*(1e6 + (BOWL**2 + CURVED**2 * nebula[0, 0]) * curve for nebula in nebulas))  # and a level of its own
        value = found.value[i, :, first:][:, use] - mixtures @ _glow_around(fit, ground, star, r)
        stars.append(
            Rings(
                star,
                np.repeat(mixtures.T * height[:, None], len(r), axis=1),
                np.tile(r, len(mixtures)),
                value.ravel(),
                own,
                block_diag(*(nebula[np.ix_(use, use)] for nebula in nebulas)),
                scale := float(fit.laws[lead].scale(np.array([x]), np.array([y]))[0]),
                np.tile(fit.laws[lead].inner(r, scale), len(mixtures)),
            )
        )
    return stars


def uneven_here(uneven: Array, left: Array, cover: Array, mixtures: int) -> Array:
    """Tell anew how many times as uneven (variance, per ring of every mixture) the nebula is around a star as elsewhere.

    ``left`` has the covariance ``cover`` if it is as uneven as ``uneven`` says. Each mixture tells its own: where one line has an
    edge the other may be smooth. That it is less uneven than elsewhere is not believed: a few rings may agree by chance.
    """
    out, rings = uneven.copy(), len(left) // mixtures
    for first in range(0, len(left), rings):
        here = slice(first, first + rings)
        misfit = float(left[here] @ np.linalg.solve(cover[here, here], left[here]))
        out[here] = np.clip(out[here] * (PATIENCE + misfit) / (PATIENCE + rings - 1), 1, 1e4)
    return out


def leading(fit: StarFit) -> int:
    """Give the channel that shows best where other stars shine, and their reflections."""
    return max(range(len(fit.laws)), key=lambda c: (fit.ghosts[c] is not None, float(fit.height[c].sum())))


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
    from nebulakit.pixels.stars import ringsums

    rows, columns = np.empty((2, free.size // 17 + 1), np.int64)
    count = ringsums.every(free, 17, rows, columns)
    return rows[:count], columns[:count]


def ring_statistics(ground: Ground, mixtures: Array, edges: Array) -> Array:
    """Give the covariance (mixture, ring, ring) of what the nebula is on rings (between ``edges``, px) around any place."""
    from nebulakit.pixels.stars import ringsums

    reach = math.ceil(edges[-1] / COARSE)
    high, wide = ground.known.shape
    weight = np.pad(ground.known, reach)
    value = np.pad(ground.value, ((0, 0), (reach, reach), (reach, reach)))
    # places all over the picture, as many as tell the covariance well
    step = max(1, round(math.sqrt(high * wide / PLACES)))
    py, px = (v.ravel() for v in np.mgrid[step // 2 : high : step, step // 2 : wide : step])
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    r = np.hypot(dy, dx) * COARSE
    rings = []
    for low, up in itertools.pairwise(edges):
        # a ring thinner than the blocks is taken as thick as they are
        middle, half = (low + up) / 2, max((up - low) / 2, 0.6 * COARSE)
        rings.append(np.abs(r - middle) <= half)
    pixels = [(dy[ring] * weight.shape[1] + dx[ring]).astype(np.int64) for ring in rings]
    starts = np.cumsum([0, *(len(p) for p in pixels)])
    sums, totals = np.zeros((len(value), len(py), len(rings))), np.zeros((len(py), len(rings)))
    places = (py + reach) * weight.shape[1] + px + reach
    ringsums.around(value.reshape(len(value), -1), weight.ravel(), places, np.concatenate(pixels), starts, sums, totals)
    known = np.asarray((totals > 0.5 * COARSE**2 * np.diff(starts)).all(1), bool)
    if known.sum() < 100:
        known[:] = True
    sums /= np.maximum(totals, 1)
    values = np.einsum("mc,cpr->mrp", mixtures, sums[:, known])
    values -= values.mean(2, keepdims=True)
    return np.asarray(values @ values.transpose(0, 2, 1) / values.shape[2] + 1e-3 * np.eye(len(rings)), np.float64)
