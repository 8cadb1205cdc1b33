"""Reflections of bright stars: discs beside them, of one brightness, in some channels only.

A filter throws an out-of-focus image of a bright star back beside it. On the picture it is a flat disc with a soft edge,
often off the star, and most of all a ring where its edge is, once the star itself is gone.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow import legendre
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD, Ghost, box_around, disc
from nebulakit.pixels.stars.rings import ground_of, mixtures_of

Array = npt.NDArray[np.float64]

SURE = 12.0  # how far a disc's edge must stand out of all other circles of its size in one channel,
BOTH = 6.5  # or in each of two (measured on 24 scenes: true discs 9-37, two channels that agree by chance at most 6)
MOST_STARS = 60  # the brightest, that are laid over one another
# stars in the middle of the picture, and their part of all weight, with which those near its edges are left out
ENOUGH, PART = 3, 0.1
CLEAR = 0.6  # of the surest circle's sureness: such circles are looked at
ASIDE = 0.5  # of its radius: how far off its star a disc may lie (further off, the ends of the pictures that are laid over one another stand out)
SHOWN = 0.25  # of the usual brightness: a star whose disc is told fainter shows none
SEEN = 4.0  # times its error a disc must stand out
RIM = 12.0  # px: no farther from its edge is a disc measured that is known; in the middle the star's own flank errs
FLANK, MIDST = 4.0, 0.1  # widths of a star, and of a disc's radius: smaller ones, nearer to its middle, are no discs
LEAST, MOST = 8.0, 90.0  # px: radii looked for


class Circle(NamedTuple):
    """How far the edge of a disc stands out, where it is (dx, dy, radius; whole px), and whether it is bright (1) or dark (-1)."""

    sure: float
    place: tuple[float, float, float]
    sign: float


def find_ghosts(fit: StarFit) -> list[Ghost | None]:
    """Look in every channel for the disc that the cut-off stars share; they must have been taken off already.

    Discs that are known (``fit.ghosts``) are measured again, on what is left with them put back.
    """
    stars = np.nonzero(fit.saturated & ~fit.outside & (fit.height.min(0) > 0))[0]
    stars = stars[np.argsort(-fit.height[:, stars].sum(0), kind="stable")[:MOST_STARS]]
    none: list[Ghost | None] = [None] * len(fit.data)
    if not len(stars):
        return none
    most = min(MOST, 0.12 * min(fit.data.shape[1:]))
    half = 2 * (math.ceil(1.7 * most) // 2) + 1
    flanks = over(fit.flanks, range(len(fit.data)))

    def stacked(mixtures: Array, sharply: bool) -> list[tuple[Array, Array]]:
        return over(lambda mix: _stack(fit, mix, stars, half, flanks, sharply), mixtures)

    if any(fit.ghosts):
        # one that shows none would say that all are fainter, the more so the calmer it lies
        shown = stars[fit.ghostly[:, stars][[g is not None for g in fit.ghosts]].max(0) > SHOWN]
        stars = shown if len(shown) else stars
        stacks = stacked(np.eye(len(fit.data)), False)
        g = max((g for g in fit.ghosts if g is not None), key=lambda g: g.bright)
        first = _refine(*stacks[fit.ghosts.index(g)], (g.dx, g.dy, g.radius), g, fit.fwhm)
        if first is None:
            again = [
                _refine(sign * v, w, (g.dx, g.dy, g.radius), g, fit.fwhm)
                for v, w in stacked(mixtures_of(ground_of(fit)), False)
                for sign in (1.0, -1.0)
            ]
            first = max((a for a in again if a is not None), key=lambda a: a.bright, default=None)
        if first is not None:
            return _all(stacks, first)
    # none is known, or what was known is not there: it was measured while the law was not known
    stacks = stacked(np.eye(len(fit.data)), True)
    seen = over(lambda stack: _search(*_binned(*stack), most), stacks)
    first = _clearest(stacks, seen, [_believed(seen, c) for c in range(len(seen))], fit.fwhm)
    if first is not None:
        found = _all(stacks, first)
        # what stands out as plainly in a channel that has no such disc is not one in the others, either
        plain = max(SURE, 0.5 * max(circle.sure for circle in seen))
        other = (_same(circle.place, (first.dx, first.dy, first.radius)) and circle.sure > plain for circle in seen)
        return none if any(g is None and there for g, there in zip(found, other, strict=True)) else found
    if len(stacks) > 1:
        # a nebula that hides it in every channel hardly shines in one of their mixtures
        both = stacked(mixtures_of(ground_of(fit)), True)
        seen = over(lambda stack: _search(*_binned(*stack), most, either=True), both)
        first = _clearest(both, seen, [circle.sure > SURE for circle in seen], fit.fwhm)
    return none if first is None else _all(stacks, first)


def _clearest(stacks: list[tuple[Array, Array]], seen: list[Circle], believed: list[bool], fwhm: float) -> Ghost | None:
    """Fit the disc whose edge is clearest; one that is none (the flank of giants, while their law is not known) gives way to the next."""
    for circle, believe, (value, weight) in sorted(zip(seen, believed, stacks, strict=True), key=lambda z: -z[0].sure):
        found = _refine(circle.sign * value, weight, circle.place, None, fwhm) if believe else None
        if found is not None:
            return found
    return None


def _all(stacks: list[tuple[Array, Array]], first: Ghost) -> list[Ghost | None]:
    """Fit the disc's brightness in all channels: it is as large and lies as far off, for the optics are the same.

    What the nebula gives such discs beside the place, it gives in all channels together; that a disc is there is known, and
    a further channel has it only where that explains more than ``SEEN`` squared.
    """
    amounts, errors, beside = zip(*(_amounts(*s, first) for s in stacks), strict=True)
    there = np.isfinite(np.array(beside)).all(0)
    others = np.array(beside)[:, there]
    cover = np.diag(np.square(np.minimum(errors, 1.0)))
    if there.sum() >= 4:
        cover += others @ others.T / others.shape[1]
    inverse = np.linalg.inv(cover)
    best, chosen, bright = math.inf, np.zeros(len(stacks), bool), np.zeros(len(stacks))
    for code in range(1, 2 ** len(stacks)):
        use = np.array([code >> c & 1 for c in range(len(stacks))], bool)
        own = np.zeros(len(stacks))
        own[use] = np.linalg.solve(inverse[np.ix_(use, use)], (inverse @ np.array(amounts))[use])
        left = np.array(amounts) - own
        merit = float(left @ inverse @ left) + SEEN**2 * use.sum()
        if (own[use] > 0).all() and merit < best:
            best, chosen, bright = merit, use, own
    return [replace(first, bright=float(b)) if u else None for u, b in zip(chosen, bright, strict=True)]


def _believed(seen: list[Circle], best: int) -> bool:
    """Say whether what :func:`_search` found is a reflection: one channel is sure, or two agree."""
    sure, (x, y, radius), _ = seen[best]
    for c, (other, (a, b, size), _) in enumerate(seen):
        if c != best and min(sure, other) > BOTH and _same((x, y, radius), (a, b, size)):
            return True
    return sure > SURE


def _same(one: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    """Say whether two circles (dx, dy, radius) are about the same."""
    return math.hypot(one[0] - other[0], one[1] - other[1]) < 5 and abs(one[2] - other[2]) < 5


def _binned(value: Array, weight: Array) -> tuple[Array, Array]:
    """Bring a stack of odd size to half the scale, its middle pixel staying the middle of one."""
    n = len(value) // 2 // 2
    half = len(value) // 2
    k = 2 * n - 1
    w = weight[half - k - 1 : half + k + 1, half - k - 1 : half + k + 1]
    v = value[half - k - 1 : half + k + 1, half - k - 1 : half + k + 1] * w
    total = w.reshape(2 * n, 2, 2 * n, 2).sum((1, 3))
    return np.divide(v.reshape(2 * n, 2, 2 * n, 2).sum((1, 3)), total, out=np.zeros_like(total), where=total > 0), total


def _stack(
    fit: StarFit, mix: Array, stars: npt.NDArray[np.int_], half: int, flanks_of: list[npt.NDArray[np.float32]], sharply: bool
) -> tuple[Array, Array]:
    """Lay what is left around the stars in a mixture of channels on one another: mean per height, and its weight.

    ``sharply``: what lies close to a star counts by how uneven it is without the glow there, by which a disc is found. With it,
    more evenly, the brightness of one that is known comes out 0.94-1.02 of the true one on seven scenes, sharply 0.95-1.07.
    """
    h, w = fit.rest.shape[1:]
    size = 2 * half + 1
    total, weight = np.zeros((size, size)), np.zeros((size, size))
    used = np.flatnonzero(np.abs(mix) > 1e-6).tolist()
    span = np.arange(-half, half + 1.0)
    shapes = {c: g.at(span[None, :], span[:, None]).astype(np.float64) for c in used if (g := fit.ghosts[c]) is not None}
    lead = max(used, key=lambda c: abs(mix[c]) * float(fit.height[c, stars].sum()))
    xs, ys = fit.x[lead, stars], fit.y[lead, stars]
    # where a star's surroundings end at the edge of the picture the mean of the others steps: better without such stars
    deep = np.minimum.reduce([xs - PAD, ys - PAD, w - 1 - PAD - xs, h - 1 - PAD - ys])
    middle, tall2 = deep > half + 1, np.square(np.abs(mix) @ fit.height[:, stars])
    if middle.sum() >= ENOUGH and tall2[middle].sum() > PART * tall2.sum():
        stars = stars[middle]
    for i in stars:
        px, py = round(float(fit.x[lead, i])), round(float(fit.y[lead, i]))
        y0, y1, x0, x1 = box_around(px, py, half, (h, w), PAD)
        if y1 - y0 < half or x1 - x0 < half:
            continue
        box = np.s_[y0:y1, x0:x1]
        own = np.s_[y0 - py + half : y1 - py + half, x0 - px + half : x1 - px + half]
        rest, discs = np.zeros((y1 - y0, x1 - x0)), np.zeros((y1 - y0, x1 - x0))
        free, flanks, tall = np.ones(rest.shape, bool), np.zeros(rest.shape), 0.0
        for c in used:
            height, mine = float(fit.height[c, i]), fit.rest[c][box].astype(np.float64)
            # as bright as it was taken to be here
            disc_here = height * float(fit.ghostly[c, i]) * shapes[c][own] if c in shapes else np.zeros(rest.shape)
            # neighbours' cores say nothing, be they cut off themselves
            x, y = float(fit.x[c, i]), float(fit.y[c, i])
            dx, dy = np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y
            free &= ~fit.hidden[c][box]
            free &= fit.data[c][box] - fit.rest[c][box] - height * fit.laws[c].near(x, y).at(dx, dy) - disc_here < 60
            rest += mix[c] * mine
            discs += mix[c] * disc_here
            flanks += abs(mix[c]) * flanks_of[c][box]
            tall += abs(mix[c]) * height
        if free.sum() < 100:
            continue
        surface = _glow(rest, free)
        uneven = (rest - surface if sharply else rest - median(rest[free]))[free]
        spread = max(1.4826 * float(median(np.abs(uneven))), 1.0)
        rest -= surface
        # close to the star the law is not right: by a few percent, and more as long as a disc was taken for its flank
        good = free / (spread**2 + ((0.05 if shapes else 0.1) * flanks) ** 2)
        value = np.clip(rest, -200, 200 + 0.1 * flanks) + discs
        total[own] += good * value * tall
        weight[own] += good * tall**2
    return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0), weight


def _glow(rest: Array, free: npt.NDArray[np.bool_]) -> Array:
    """Give the surface of second order that the pixels which count lie about.

    Under a steep glow stars' surroundings, of which each lacks other pixels, would else make steps where they are laid on one another.
    """
    step = 4 if free.sum() > 5000 else 1
    few = np.s_[::step, ::step]
    y, x = np.meshgrid(*(np.linspace(-1, 1, n)[::step] for n in rest.shape), indexing="ij")
    use = free[few]
    basis, value = legendre.basis(x[use], y[use], 2), rest[few][use]
    left = value - median(value)
    for _ in range(3):
        near = np.abs(left) <= 3 * 1.4826 * median(np.abs(left))
        found = np.linalg.lstsq(basis[near], value[near], rcond=None)[0]
        left = value - basis @ found
    return np.asarray(legendre.surface(found[None], rest.shape, 2)[0], np.float64)


def _search(value: Array, weight: Array, most: float, either: bool = False) -> Circle:
    """Give the clearest disc edge in a stack of half scale; ``either``: of a bright disc or, in a mixture of channels, a dark one."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    size = len(value)
    place = 2 * (np.arange(size) - size / 2 + 0.5) - 0.5  # of the binned pixels, from the middle one
    yy, xx = np.meshgrid(place, place, indexing="ij")
    near, off = np.maximum(np.abs(yy), np.abs(xx)), np.hypot(yy, xx)
    radii = np.arange(LEAST, most, 2.0)
    full = next_fast_len(size + math.ceil(most / 2) + 4)  # a circle reaches most / 2 + 2.5 of these pixels
    shape = (full, full)
    lit, there = rfft2(value * weight, shape), rfft2(weight, shape)
    axis = np.fft.fftfreq(full, 1 / full) * 2
    r = np.hypot(axis[:, None], axis[None])
    sides, trusts = [], []
    for low in LEAST - 5 + 2 * np.arange(len(radii) + 3.0):
        ring = rfft2(((r >= low) & (r < low + 4)).astype(np.float64))
        total = np.maximum(irfft2(there * ring, shape)[:size, :size], 1e-6 * weight.max())
        sides.append(irfft2(lit * ring, shape)[:size, :size] / total)
        trusts.append(1 / total)
    # the ring outside of a circle is that inside of the one 6 px larger
    steps = [inside - outside for inside, outside in zip(sides, sides[3:], strict=False)]
    sures = [inside + outside for inside, outside in zip(trusts, trusts[3:], strict=False)]
    found = []
    for k in range(3, len(radii) - 3):
        # a halo falls at every radius, a disc's edge at one
        step = steps[k] - 0.5 * (steps[k - 3] + steps[k + 3])
        edge = step / np.sqrt(sures[k] + 0.25 * (sures[k - 3] + sures[k + 3]))
        others = edge[near < near.max() - radii[k]]
        spread = 1.4826 * float(median(np.abs(others - median(others)))) if others.size > 50 else np.inf
        for sign in (1.0, -1.0) if either else (1.0,):
            j = int(np.argmax(np.where(off <= max(ASIDE * radii[k], 6), sign * edge, -np.inf)))
            circle = Circle(
                sign * float(edge.flat[j]) / max(spread, 1e-12), (float(xx.flat[j]), float(yy.flat[j]), radii[k]), sign
            )
            found.append((sign * float(step.flat[j]), circle))
    # circles that touch a clear edge from within stand out as well: the whole edge is where the step is highest
    most_sure = max((circle.sure for _, circle in found), default=0.0)
    clear = [f for f in found if f[1].sure > CLEAR * most_sure]
    return max(clear, key=lambda f: f[0], default=(0.0, Circle(0.0, (0.0, 0.0, 0.0), 1.0)))[1]


def _refine(value: Array, weight: Array, place: tuple[float, float, float], like: Ghost | None, fwhm: float) -> Ghost | None:
    """Fit a disc near ``place``, on a smooth ground with a halo around the star, to the stack; ``like``: as it was known before.

    One on the flanks of the star (``fwhm`` wide), and about its middle, is what their law lacks there.
    """
    from scipy.optimize import least_squares

    around = _Around(value, weight, place, RIM if like is not None else place[2])
    if around.x.size < 100:
        return None
    start = np.array([*place, math.log(like.soft if like else 1.0)])
    room = np.array([6, 6, 6, 1.6]) if like is None else np.array([3, 3, 3, 0.7])
    p = least_squares(
        lambda q: around.solve(q)[0],
        start,
        bounds=(start - room, start + room),
        loss="soft_l1",
        max_nfev=40,
        x_scale=[1, 1, 1, 0.5],
    ).x
    if (np.abs(p - start) > 0.98 * room).any():  # nothing there has the shape of a disc
        return None
    if p[2] < FLANK * fwhm and math.hypot(p[0], p[1]) < MIDST * p[2]:
        return None
    amount, error = around.amount(p)
    return Ghost(float(p[0]), float(p[1]), float(p[2]), math.exp(float(p[3])), amount) if amount > SEEN * error else None


def _amounts(value: Array, weight: Array, like: Ghost) -> tuple[float, float, list[float]]:
    """Give the brightness of such a disc in a stack, its error, and that of equal discs beside the place (NaN: not seen)."""
    p = np.array([like.dx, like.dy, like.radius, math.log(like.soft)])
    found = _Around(value, weight, (like.dx, like.dy, like.radius), RIM).amount(p)
    beside = []
    for turn in np.arange(8) * (math.pi / 4):
        there = like.dx + 1.5 * like.radius * math.cos(turn), like.dy + 1.5 * like.radius * math.sin(turn)
        around = _Around(value, weight, (*there, like.radius), RIM)
        beside.append(around.amount(np.array([*there, *p[2:]]))[0] if around.x.size >= 100 else math.nan)
    return *found, beside


class _Around:
    """The pixels of a stack in and around a disc, and the fit of such a disc to them."""

    def __init__(self, value: Array, weight: Array, place: tuple[float, float, float], within: float) -> None:
        half = len(value) // 2
        yy, xx = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
        off = np.hypot(xx - place[0], yy - place[1]) - place[2]
        near = (off < 12) & (off > -within)
        r = np.hypot(xx, yy)
        use = near & (weight > 0.02 * median(weight[near])) & (r > 4)
        self.x, self.y, self.root = xx[use], yy[use], np.sqrt(weight[use])
        self.seen = value[use] * self.root
        s = place[2] + 12
        x, y, r = (self.x - place[0]) / s, (self.y - place[1]) / s, r[use]
        self.ground = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y, *(np.exp(-r / q) for q in (5, 10, 20))], 1)

    def amount(self, p: Array) -> tuple[float, float]:
        """Give the brightness of a disc (dx, dy, radius, log softness), and its error."""
        if self.x.size < 100:
            return 0.0, math.inf
        left, amount, flat = self.solve(p)
        # neighbouring pixels err together: the nebula's patches are some 5 px wide
        return amount, math.sqrt(25 * float((left**2).mean()) / max(float(((flat - flat.mean()) ** 2).sum()), 1e-300))

    def solve(self, p: Array) -> tuple[Array, float, Array]:
        """Give what a disc (dx, dy, radius, log softness) leaves, its brightness, and its shape, all times the weights' roots."""
        flat = disc(np.hypot(self.x - p[0], self.y - p[1]), p[2], math.exp(p[3])) * self.root
        columns = np.column_stack([flat, self.ground * self.root[:, None]])
        amounts = np.linalg.lstsq(columns, self.seen, rcond=None)[0]
        return np.asarray(self.seen - columns @ amounts), float(amounts[0]), flat
