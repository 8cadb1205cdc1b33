"""Stars on the edge of the picture or just beyond it, of which only a flank is seen.

Along each edge, stretches into which light comes are explained by as many stars as it takes, all at once: their places
are searched for, their heights follow linearly, and the nebula behind is a Gaussian random field as it is for all other
stars (:mod:`~nebulakit.pixels.kriging`).
"""

from __future__ import annotations

import math
from copy import copy
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.stars.find import clear_shares, star_coloured
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD
from nebulakit.pixels.stars.rings import unevenness, untouched
from nebulakit.pixels.stars.whitening import Whitening

Array = npt.NDArray[np.float64]

ZONES = ((0, 6, 1), (6, 14, 2), (14, 38, 4))  # px from the edge: from, to, and the size of cells between
ASIDE = 24  # px along the edge beside what stands out
LONGEST = 150  # px along the edge that are looked at together
PLACES = (-1.0, -0.3, 0.4, 1.0, 1.7, 2.5, 3.5, 5.0, 7.0, 9.5, 12.5, 16.0, 20.0, 26.0, 33.0)  # px beyond the edge
GHOSTS_AT = (9.5, 12.5, 15.5, 18.5, 21.5, 24.5, 27.5, 30.5)  # px beyond the edge, for stars of which a ghost reaches in
SURE = 8.0
# log odds that a star is there, where hardly a nebula shines, that it must reach; and one so many times brighter than any in
# the picture, for what would take it may well be a ridge that runs out over the edge
BARE, LARGE = (-3.0, 30.0), 3.0
GRAIN = 0.1  # variance of the noise over what is compared, in that of a pixel
UNLIKE = 2.0  # how much more nebula may be left there
NOISE = 0.33  # sigma: of the mean of three rows
ASTEP, FARTHEST = 0.05, 3.0  # px: smaller steps than this drown in float32; further, stars beside each other change places
MISFIT = 0.02  # of the law so far out, pixel by pixel, and
TILT = 0.04  # as a whole, per e-fold of its radius
RARE = 4.2  # stars with as much light as f become rare as f^-2.1: what one brighter by an e-fold must explain more
# times as bright as the brightest star in the picture, or as one of BRIGHT noises, none is thought to be: what would
# take one is a nebula that runs out over the edge (it took 100 and 500 times)
BRIGHTER, BRIGHT = 20.0, 2e6


Place = tuple[float, float]


class Rim(NamedTuple):
    """Cells along an edge: how deep in the picture, where along the edge; light by channel, and the factors of its covariances;
    the mixture in which hardly a nebula shines, and the factor of its covariance."""

    depth: Array
    along: Array
    value: Array
    factors: list[Array]
    bare: Array
    bare_factor: Array


class Views(NamedTuple):
    """Mixtures of channels (mixture, channel), in which what a star brings is positive: their mean, and those in which the
    nebula is uneven independently. A bright nebula hides a reflection in every channel, but not where it hardly shines.

    ``bare`` is the mixture in which stars stand out of the nebula best (linear discriminant, Fisher 1936, Annals of Eugenics
    7:179), ``calm`` the variance of what nebula is left there, over that of channels mixed at random.
    """

    all: Array
    bare: Array
    calm: float


class Beyond(NamedTuple):
    """A star found: its place along and out of an edge, whether it has ghosts, and its heights."""

    along: float
    out: float
    ghostly: bool
    height: Array


def find_beyond(fit: StarFit, last: bool = False) -> None:
    """Find stars whose light comes in over an edge, and take it off; those known from before are found anew.

    ``last``: none are added that lie in the picture, for they would be solved only once.
    """
    known = np.nonzero(fit.outside)[0]
    for c in range(len(fit.data)):
        _paint(fit, c, known[fit.height[c, known] > 0], 1.0)
    before = np.column_stack([fit.x.mean(0)[known] - PAD, fit.y.mean(0)[known] - PAD])
    with_ghosts = fit.saturated[known].tolist()
    fit.drop(~fit.outside)
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    if min(h, w) < 3 * ZONES[-1][1]:
        return
    views = _views(fit)
    for edge in range(4):
        length = w if edge < 2 else h
        for start, stop, bumps in _stretches(fit, edge, length, views):
            rim = _rim(fit, edge, start, stop, views)
            places = zip(_turned(before, edge, h, w).tolist(), with_ghosts, strict=True)
            old = [(a, out, ghost) for (a, out), ghost in places if out > 0 and start <= a < stop]
            for star in _explain(fit, edge, rim, bumps, old):
                x, y = _place(edge, star.along, star.out, h, w)
                outside = star.out > 0 or not 0 <= star.along <= length - 1  # this edge or, in a corner, the next
                if last and not outside:
                    continue
                fit.add(np.array([x]), np.array([y]), star.height[:, None], np.array([star.ghostly and outside]))
                fit.outside[-1] = outside
                for c in range(len(fit.data)):
                    _paint(fit, c, np.array([fit.count - 1]), -1.0)


def _paint(fit: StarFit, c: int, stars: npt.NDArray[np.int_], sign: float) -> None:
    """Add stars, times ``sign``, to what is left, with their ghosts."""
    fit.paint(fit.rest[c], c, stars, 80, sign)
    fit.add_special(fit.rest[c], fit.special(c, stars), sign)


def _place(edge: int, along: float, out: float, h: int, w: int) -> tuple[float, float]:
    """Give x, y of a place along and out of an edge."""
    return ((along, -out), (along, h - 1 + out), (-out, along), (w - 1 + out, along))[edge]


def _turned(places: Array, edge: int, h: int, w: int) -> Array:
    """Give places (n, x and y) as along and out of an edge."""
    x, y = places.T
    return np.column_stack(((x, -y), (x, y - h + 1), (y, -x), (y, x - w + 1))[edge])


def _strips(fit: StarFit, edge: int, deep: int, along: slice) -> tuple[Array, Array]:
    """Give (channel, depth, along) of what is left at an edge of the picture, the outermost first, and its variance."""

    def cut(plane: npt.NDArray[np.generic]) -> Array:
        a = plane[PAD:-PAD, PAD:-PAD]
        return np.asarray((a[:deep], a[::-1][:deep], a[:, :deep].T, a[:, ::-1][:, :deep].T)[edge][:, along], np.float64)

    rest = np.stack([cut(p) for p in fit.rest])
    light = np.maximum(np.stack([cut(p) for p in fit.data]) - rest, 0)
    grain = 1.0 if fit.level is None else cut(fit.level) ** 2
    variance = grain + np.stack([cut(p) for p in fit.doubt]) ** 2 + 1e9 * np.stack([cut(p) for p in fit.hidden])
    variance += fit.photons[:, None, None] * light + (0.01 * light) ** 2
    return rest, variance


def _views(fit: StarFit) -> Views:
    """Give the mixtures of channels that are looked at."""
    uneven = unevenness(fit, untouched(fit))
    if uneven is None:
        uneven = np.eye(len(fit.data))
    light = fit.height[:, ~fit.outside].sum(1)
    mixtures = np.linalg.eigh(uneven)[1].T
    mixtures *= np.where(mixtures @ light < 0, -1.0, 1.0)[:, None]
    bare = np.linalg.solve(uneven + GRAIN * np.eye(len(uneven)), light + 1e-9)
    bare /= np.linalg.norm(bare)
    calm = float(bare @ uneven @ bare) / max(float(bare**2 @ np.diag(uneven)), 1e-12)
    return Views(np.concatenate([np.full((1, len(mixtures)), 1 / len(mixtures)), mixtures]), bare, calm)


def _stretches(fit: StarFit, edge: int, length: int, views: Views) -> list[tuple[int, int, list[float]]]:
    """Give stretches along an edge (from, to) with the places in them where something bright stands right at the edge.

    The brightest come first: their light reaches into others.
    """
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    giants = np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD])[fit.saturated & ~fit.outside]
    # what shines near the edge itself floods it
    flooded = [along for along, out in _turned(giants, edge, h, w).tolist() if out > -15]
    groups: list[tuple[int, int, list[float]]] = []
    strip = _strips(fit, edge, 24, slice(None))[0]
    for bump in _bumps(np.tensordot(views.all, strip, 1)):
        if any(abs(bump - along) < 15 for along in flooded):
            continue
        start, stop = max(int(bump) - ASIDE, 0), min(int(bump) + ASIDE + 1, length)
        if groups and start < groups[-1][1] - ASIDE and stop - groups[-1][0] <= LONGEST:
            groups[-1] = (groups[-1][0], stop, [*groups[-1][2], bump])
        else:
            groups.append((start, stop, [bump]))
    rim = strip[:, :3].mean((0, 1))
    return sorted(groups, key=lambda g: -max(float(rim[int(b)]) for b in g[2]))


def _bumps(strips: Array) -> list[float]:
    """Give where along an edge something bright stands right at it, in any of the mixtures (mixture, depth, along)."""
    from scipy.ndimage import gaussian_filter1d, median_filter

    out: list[float] = []
    height: list[float] = []
    for strip in strips:
        rise = strip[:3].mean(0) - median_filter(np.median(strip[10:], axis=0), 15, mode="nearest")
        rise = gaussian_filter1d(rise, 1.0, mode="nearest")
        # narrow ones on an uneven nebula, then broad ones, that come from far beyond; a reflection is some 50 px wide
        for window in (31, 121, 0):
            bare = rise - (median_filter(rise, window, mode="nearest") if window else np.median(rise))
            spread = max(1.4826 * float(np.median(np.abs(bare - np.median(bare)))), NOISE)
            wide = np.pad(bare, 1, constant_values=-np.inf)  # a star beyond a corner is brightest in it
            places = np.nonzero((bare >= wide[:-2]) & (bare > wide[2:]) & (bare > 7 * spread))[0]
            for p in places[np.argsort(-bare[places], kind="stable")].tolist():
                if all(abs(p - q) > 4 for q in out):
                    out.append(float(p))
                    height.append(float(rise[p]))
    brightest = np.argsort(-np.array(height), kind="stable")[: 40 + strips.shape[2] // 50]
    return sorted(out[k] for k in brightest.tolist())


def _rim(fit: StarFit, edge: int, start: int, stop: int, views: Views) -> Rim:
    """Cut a stretch of an edge into cells, the finer the nearer to the edge."""
    from scipy.linalg.lapack import dpotrf

    value, variance = _strips(fit, edge, ZONES[-1][1], slice(start, stop))
    # the star is not known yet, but what stands out is its light
    light = np.maximum(value - np.median(value[:, 20:], axis=(1, 2), keepdims=True), 0)
    variance = variance + fit.photons[:, None, None] * light
    share = max(4 * math.pi * fit.field.noise_blur**2, 1.0)  # pixels that are one as to their noise
    parts = []
    for first, last, size in ZONES:
        n = (stop - start) // size

        def blocks(a: Array, first: int = first, last: int = last, size: int = size, n: int = n) -> Array:
            cut = a[..., first:last, : n * size].reshape(*a.shape[:-2], (last - first) // size, size, n, size)
            return np.asarray(cut.mean((-3, -1)).reshape(*a.shape[:-2], -1))

        d, s = np.mgrid[0 : ZONES[-1][1], start:stop].astype(np.float64)
        own = blocks(variance) * min(share / size**2, 1.0) + (MISFIT * blocks(light)) ** 2
        parts.append((blocks(d), blocks(s), blocks(value), own))
    depth, along, mean, own = (np.concatenate([p[k] for p in parts], -1) for k in range(4))
    y, x = np.rint(depth).astype(int), np.rint(along).astype(int) - start
    strengths = _strengths(fit, edge, start, stop)
    factors = []
    bare2 = views.bare**2
    strengths.append(UNLIKE * views.calm * float(bare2 @ strengths))
    for cover, noise in zip(fit.field.nebulas(y, x, strengths), [*own, bare2 @ own], strict=True):
        cover[np.diag_indices(len(y))] += noise
        factors.append(dpotrf(cover.T, lower=1, overwrite_a=1)[0])  # in Fortran order, the same matrix
    return Rim(depth, along, mean, factors[:-1], views.bare, factors[-1])


def _strengths(fit: StarFit, edge: int, start: int, stop: int) -> list[float]:
    """Give how uneven the nebula is by an edge, for each channel, where the light that comes in has sunk."""
    inner = fit.strength[:, PAD // 2 : -PAD // 2, PAD // 2 : -PAD // 2]
    band = (inner[:, 4:32], inner[:, -32:-4], inner[:, :, 4:32], inner[:, :, -32:-4])[edge]
    band = band if edge < 2 else band.transpose(0, 2, 1)
    return [float(v) for v in np.quantile(band[:, :, max(start - 40, 0) // 2 : (stop + 40) // 2], 0.25, axis=(1, 2))]


class Search:
    """The search for what explains the light that comes in along a stretch of an edge."""

    def __init__(self, fit: StarFit, edge: int, rim: Rim) -> None:
        """Take the fit, for its laws and ghosts, and the stretch."""
        self.laws, self.ghosts, self.edge, self.rim = fit.laws, fit.ghosts, edge, rim
        self.widths = [law.width for law in fit.laws]
        brightest = fit.height[:, fit.saturated & ~fit.outside]
        self.shares = _usual_shares(fit)
        self.sigma = np.asarray(fit.sigma)[:, None]
        self.clear = clear_shares(fit.height * self.sigma, (2 + 0.02 * fit.height) * self.sigma)
        # such bright stars have ghosts
        self.least = 0.1 * brightest.min(1) if brightest.size else np.full(len(fit.laws), np.inf)
        self.large = LARGE * fit.height[:, ~fit.outside].max(1, initial=BRIGHT / LARGE)
        self.most = BRIGHTER * fit.height[:, ~fit.outside].max(1, initial=BRIGHT)
        self.whites, self.bare = [Whitening(factor) for factor in rim.factors], Whitening(rim.bare_factor)
        # stars that might be there: where, whether only their ghosts are seen, and how they look, kept white
        self.places, self.by_ghost, self.tries = np.zeros((0, 2)), np.zeros(0, bool), np.zeros((*rim.value.shape, 0))
        self._doubt_inner(fit)
        self.sure = [copy(white) for white in self.whites]
        self.value = self.white(rim.value[:, :, None])[:, :, 0]

    def begin(self, seen: list[Place], hardly: list[Place]) -> None:
        """Take stars at these places for possible, and those of which hardly more than the ghost is seen; the law for right."""
        self.settle()
        self.places, self.by_ghost = np.array([*seen, *hardly]), np.arange(len(seen) + len(hardly)) >= len(seen)
        groups = ((np.array(seen), False), (np.array(hardly), True))
        drawn = [self.star((at[:, :1], at[:, 1:]), ghost) for at, ghost in groups if len(at)]
        self.tries = self.white(np.concatenate(drawn, 1).transpose(0, 2, 1))

    def _doubt_inner(self, fit: StarFit) -> None:
        """Take for possible that stars near the edge were fitted wrongly, as long as what comes in was not known."""
        h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
        start, stop = self.rim.along.min() - 6, self.rim.along.max() + 6
        along, out = _turned(np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD]), self.edge, h, w).T
        near = (start < along) & (along < stop) & (-ZONES[1][1] < out) & (out <= 0)
        bare = np.zeros((int(near.sum()), len(self.rim.depth)))
        for c, law in enumerate(fit.laws):
            places = _turned(np.column_stack([fit.x[c] - PAD, fit.y[c] - PAD]), self.edge, h, w)[near]
            dx, dy = self.distances((places[:, :1], places[:, 1:]))
            height = np.maximum(fit.height[c, near][:, None], 0)
            across = [law.at(dx + a / 2, dy + b / 2) - law.at(dx - a / 2, dy - b / 2) for a, b in ((1, 0), (0, 1))]
            doubts = np.stack([(0.3 * height + 10) * law.at(dx, dy), *(0.2 * height * v for v in across)], 1)
            solved = self.whites[c].solved(doubts.reshape(-1, len(self.rim.depth)).T)
            for k in range(solved.shape[1]):
                self.whites[c].allow(self.whites[c].further(solved[:, k]))
            bare += self.rim.bare[c] * doubts[:, 0]
        for light in bare:
            self.bare.allow(self.bare(light[:, None])[:, 0])

    def white(self, columns: Array) -> Array:
        """Give (channel, cell, n) without what nebula and noise make alike."""
        return np.stack([white(part) for white, part in zip(self.whites, columns, strict=True)])

    def distances(self, place: Place | tuple[Array, Array]) -> tuple[Array, Array]:
        """Give how far the cells are from a place along and out of the edge, in x and in y; with arrays (n, 1) from n places."""
        down, across = self.rim.depth + place[1], self.rim.along - place[0]
        down = -down if self.edge % 2 else down
        return (down, across) if self.edge >= 2 else (across, down)

    def star(self, place: Place | tuple[Array, Array], ghostly: bool) -> Array:
        """Give (channel, cell) of a star of height 1; for n places (channel, n, cell)."""
        dx, dy = self.distances(place)
        light = [np.asarray(law.at(dx, dy), np.float64) for law in self.laws]
        if ghostly:
            light = [a if ghost is None else a + ghost.at(dx, dy) for a, ghost in zip(light, self.ghosts, strict=True)]
        return np.stack(light)

    def drawn(self, places: Array, ghostly: list[bool]) -> Array:
        """Give (channel, cell, star) stars of height 1, white."""
        own = np.array(ghostly, bool)
        out = np.empty((len(self.laws), len(places), len(self.rim.depth)))
        for flag in (False, True):
            if (own == flag).any():
                some = places[own == flag]
                out[:, own == flag] = self.star((some[:, :1], some[:, 1:]), flag)
        return self.white(out.transpose(0, 2, 1))

    def heights(self, drawn: Array, ghostly: list[bool]) -> tuple[Array, Array]:
        """Give (channel, cell) what these stars leave, white, and their heights (channel, star), none negative."""
        from scipy.optimize import nnls

        heights = np.stack([nnls(a, v)[0] for a, v in zip(drawn, self.value, strict=True)])
        own = np.nonzero(np.array(ghostly, bool))[0]
        if len(own):
            errors = 1 / np.sqrt(np.maximum((drawn[:, :, own] ** 2).sum(1), 1e-30))
            heights[:, own] = self.likely(heights[:, own], errors)
        return self.value - np.matmul(drawn, heights[:, :, None])[:, :, 0], heights

    def solve(self, places: Array, ghostly: list[bool]) -> tuple[Array, Array]:
        """Give what stars at these places leave, and their heights, as :meth:`heights`."""
        return self.heights(self.drawn(places, ghostly), ghostly)

    def likely(self, heights: Array, errors: Array) -> Array:
        """Give heights (channel, star) with what is known of colours: where a star is hardly seen itself, its ghost is, in some channels."""
        if self.shares is None:
            return heights
        share, spread = (v[:, None] for v in self.shares)
        surest = np.argmax(heights / errors, axis=0)[None]
        light = np.maximum(np.take_along_axis(heights / share, surest, 0), 1e-9)
        for _ in range(2):
            weight = 1 / (errors**2 + (spread * share * light) ** 2)
            light = np.maximum((weight * share * heights).sum(0) / (weight * share**2).sum(0), 1e-9)[None]
        usual, own = (spread * share * light) ** -2, errors**-2
        return np.asarray((own * heights + usual * share * light) / (own + usual))

    def starlike(self, heights: Array, error: Array) -> npt.NDArray[np.bool_]:
        """Say which heights (channel, star), known within errors, are those of stars, going by the stars of the picture."""
        errors = (error + 0.1 * heights) * self.sigma
        coloured = star_coloured(heights * self.sigma, errors, strict=True, others=self.clear)
        return np.asarray(coloured & (heights <= self.most[:, None]).all(0))

    def refine(self, places: Array, ghostly: list[bool]) -> Array:
        """Move stars to where they explain most."""
        from scipy.optimize import least_squares

        def merit(drawn: Array) -> Array:
            left, heights = self.heights(drawn, ghostly)
            return np.concatenate([left.ravel(), np.sqrt(RARE * np.log(np.maximum(heights.max(0), 1.0)))])

        known: dict[bytes, tuple[Array, Array]] = {}

        def at(moved: Array) -> tuple[Array, Array]:
            if moved.tobytes() not in known:
                drawn = self.drawn(places + (moved.reshape(-1, 2) - 10), ghostly)
                known[moved.tobytes()] = drawn, merit(drawn)
            return known[moved.tobytes()]

        def slopes(moved: Array) -> Array:
            # each star a little aside, in both directions, all drawn at once
            drawn, here = at(moved)
            steps = np.where(moved - 10 + ASTEP > FARTHEST, -ASTEP, ASTEP)
            stars = np.arange(len(steps)) // 2
            trials = np.repeat(places + (moved.reshape(-1, 2) - 10), 2, axis=0)
            trials[np.arange(len(steps)), np.arange(len(steps)) % 2] += steps
            aside = self.drawn(trials, [ghostly[i] for i in stars])
            out = np.empty((len(here), len(steps)))
            for j, i in enumerate(stars):
                changed = drawn.copy()
                changed[:, :, i] = aside[:, :, j]
                out[:, j] = (merit(changed) - here) / steps[j]
            return out

        # counted from 10, so that the smallest step, which is relative, is a length (0.001 px)
        start = np.full(places.size, 10.0)
        bounds, ends = (start - FARTHEST, start + FARTHEST), {"ftol": 1e-5, "xtol": 1e-4, "max_nfev": 20}
        found = least_squares(lambda v: at(v)[1], start, jac=slopes, loss="soft_l1", f_scale=3.0, bounds=bounds, **ends)
        return np.asarray(places + (found.x.reshape(-1, 2) - 10), np.float64)

    def seen_bare(self, places: Array, ghostly: list[bool], heights: Array) -> float:
        """Give how much likelier the last of these stars is than none, as a log odds, where hardly a nebula shines."""
        white, mine = copy(self.bare), []
        for (a, out), ghost, height in zip(places.tolist(), ghostly, heights.T, strict=True):
            light = self.rim.bare * height @ self.star((a, out), ghost)
            dx, dy = self.distances((a, out))
            white.allow(white((TILT * light * np.log1p((dx**2 + dy**2) / self.widths[0] ** 2))[:, None])[:, 0])
            mine.append(light)
        drawn = white(np.column_stack([*mine, self.rim.bare @ self.rim.value]))
        left = drawn[:, -1] - drawn[:, :-2].sum(1)
        return float(left @ drawn[:, -2] - 0.5 * drawn[:, -2] @ drawn[:, -2])

    def doubt(self, place: Place, ghostly: bool, height: Array) -> None:
        """Take for possible that the law is a few percent off: a rest of that shape is no sign of another star."""
        dx, dy = self.distances(place)
        for c, (law, width, white) in enumerate(zip(self.laws, self.widths, self.whites, strict=True)):
            light = height[c] * law.at(dx, dy)
            off = [TILT * light * np.log1p((dx**2 + dy**2) / width**2)]
            ghost = self.ghosts[c]
            if ghostly and ghost is not None:
                off.append(GHOSTLY * height[c] * ghost.at(dx, dy))
            for vector in off:
                u = white(vector[:, None])[:, 0]
                amount = white.allow(u)
                self.tries[c] -= np.outer(amount * u, u @ self.tries[c])
        self.value = self.white(self.rim.value[:, :, None])[:, :, 0]

    def settle(self) -> None:
        """Take the law for right again."""
        self.whites = [copy(white) for white in self.sure]
        self.value = self.white(self.rim.value[:, :, None])[:, :, 0]


def _usual_shares(fit: StarFit) -> Array | None:
    """Give the channels' usual shares of a star's light and how far these spread, as a part of them, by the clear stars."""
    clear = fit.height[:, (fit.height > 100).all(0) & ~fit.outside]
    if clear.shape[1] < 5:
        return None
    shares = clear / clear.sum(0)
    usual = np.median(shares, axis=1)
    spread = 1.4826 * np.median(np.abs(shares / usual[:, None] - 1), axis=1)
    return np.stack([usual, np.clip(spread, 0.1, 0.5)])


def _explain(fit: StarFit, edge: int, rim: Rim, bumps: list[float], old: list[tuple[float, float, bool]]) -> list[Beyond]:
    """Explain what comes in along a stretch of an edge by as few stars as do.

    What was found before (along, out, with ghosts) is one more beginning: one star that is wrong may pass for two right ones
    as long as the second is not there.
    """
    search = Search(fit, edge, rim)
    offsets = np.array([-12, -9, -6, -3, -1.5, 0, 1.5, 3, 6, 9, 12.0])
    along = [float(a) for a in np.unique(np.add.outer(np.array(bumps), offsets))]
    seen = [(a, out) for a in along for out in PLACES] + [(a, out) for a, out, _ in old]
    # of a giant farther out nothing may be seen but its ghost
    hardly = [(a, out) for a in along for out in GHOSTS_AT if any(fit.ghosts)]
    found = []
    for start in ([], old) if old else ([],):
        search.begin(seen, hardly)
        found.append(_added(fit, search, start, 2 * len(bumps) + 4))
    _, places, ghostly, heights = min(found, key=lambda f: f[0])
    stars = zip(places.tolist(), ghostly, heights.T, strict=True)
    told = [Beyond(along, out, ghost, height) for (along, out), ghost, height in stars if height.max() > 0]
    return [star for star in told if (star.height <= search.most).all()]


def _added(
    fit: StarFit, search: Search, start: list[tuple[float, float, bool]], most: int
) -> tuple[float, Array, list[bool], Array]:
    """Add stars to those of the start, one after the other, as long as each explains enough: what is not explained, places,
    whether they have ghosts, and heights."""
    places, ghostly = np.array([s[:2] for s in start]).reshape(-1, 2), [s[2] for s in start]
    heights = np.zeros((len(fit.laws), 0))
    if start:
        places = search.refine(places, ghostly)
        heights = search.solve(places, ghostly)[1]
        for (a, out), ghost, height in zip(places.tolist(), ghostly, heights.T, strict=True):
            search.doubt((a, out), ghost, height)
    tries, by_ghost = search.places, search.by_ghost
    barred = np.zeros(len(tries), bool)
    for _ in range(most):
        left = search.solve(places, ghostly)[0] if len(places) else search.value
        columns = search.tries
        norms = np.maximum((columns**2).sum(1), 1e-30)
        fits = (columns * left[:, :, None]).sum(1)
        amount = np.maximum(fits / norms, 0)  # channel, try
        amount[:, by_ghost] = search.likely(amount[:, by_ghost], 1 / np.sqrt(norms[:, by_ghost]))
        gain = (2 * fits * amount - amount**2 * norms).sum(0) - RARE * np.log(np.maximum(amount.max(0), 1.0))
        gain[barred | ~search.starlike(amount, 1 / np.sqrt(norms))] = -np.inf
        gain[by_ghost & (amount < search.least[:, None]).any(0)] = -np.inf
        best = int(np.argmax(gain))
        if not gain[best] > SURE**2:
            break
        before, begin = float(np.minimum(left**2, 25).sum()), np.concatenate([places, [tries[best]]])
        outcomes = []
        for ghost in (False, True) if any(fit.ghosts) and (amount[:, best] > 0.3 * search.least).all() else (False,):
            flags = [*ghostly, ghost]
            found = search.refine(begin, flags)
            rest, tall = search.solve(found, flags)
            if not ghost or (tall[:, -1] > search.least).all():
                outcomes.append((float(np.minimum(rest**2, 25).sum()), found, flags, tall))
        after, found, flags, tall = min(outcomes, key=lambda o: o[0])
        starlike = search.starlike(tall[:, -1:], 0.05 * tall[:, -1:])[0]
        least = BARE[int((tall[:, -1] > search.large).all())]
        if before - after < SURE**2 or not starlike or search.seen_bare(found, flags, tall) < least:
            # not this one, nor one beside it
            barred |= (np.hypot(*(tries - tries[best]).T) < 2) & (by_ghost == by_ghost[best])
            continue
        places, ghostly, heights = found, flags, tall
        search.doubt((places[-1, 0], places[-1, 1]), ghostly[-1], heights[:, -1])
    search.settle()
    left = search.value
    if len(places):
        places = search.refine(places, ghostly)
        left, heights = search.solve(places, ghostly)
    unlikely = RARE * np.log(np.maximum(heights.max(0), 1.0)).sum()
    return float(np.minimum(left**2, 25).sum() + unlikely), places, ghostly, heights
