"""What stars beyond an edge explain the light that comes in over it: their places are searched for together, their heights follow."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import copy
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.find import clear_shares, star_coloured
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD
from nebulakit.pixels.stars.rim import ZONES, Rim, place_at, turned
from nebulakit.pixels.stars.whitening import Whitening, factored

Array = npt.NDArray[np.float64]

PLACES = (-1.0, -0.3, 0.4, 1.0, 1.7, 2.5, 3.5, 5.0, 7.0, 9.5, 12.5, 16.0, 20.0, 26.0, 33.0)  # px beyond the edge
GHOSTS_AT = (9.5, 12.5, 15.5, 18.5, 21.5, 24.5, 27.5, 30.5)  # px beyond the edge, for stars of which a ghost reaches in
SURE = 8.0
# log odds that a star is there, where hardly a nebula shines, that it must reach; and one so many times brighter than any in
# the picture, for what would take it may well be a ridge that runs out over the edge
BARE, LARGE = (-3.0, 30.0), 3.0
ASTEP, FARTHEST = 0.05, 3.0  # px: smaller steps than this drown in float32; further, stars beside each other change places
TILT = 0.04  # how far the law may be off so far out, per e-fold of its radius
# the search ends where steps are shorter (px), or win less (half of chi^2), or after so many; a step that wins nothing is taken shorter
SETTLED, ENOUGH, MOST_STEPS, PATIENCE = 0.005, 0.02, 15, 4
DAMPING = 1e-3  # of the first step
LOOSE = 3.0  # noises: what is left beyond counts less
RARE = 4.2  # stars with as much light as f become rare as f^-2.1: what one brighter by an e-fold must explain more
# times as bright as the brightest star in the picture, or as one of BRIGHT noises, none is thought to be: what would
# take one is a nebula that runs out over the edge (it took 100 and 500 times)
BRIGHTER, BRIGHT = 20.0, 2e6


Place = tuple[float, float]


class Beyond(NamedTuple):
    """A star found: its place along and out of an edge, whether it has ghosts, and its heights."""

    along: float
    out: float
    ghostly: bool
    height: Array


def explain(fit: StarFit, edge: int, rim: Rim, bumps: list[float]) -> list[Beyond]:
    """Explain what comes in along a stretch of an edge by as few stars as do."""
    search = Search(fit, edge, rim)
    offsets = np.array([-12, -9, -6, -3, -1.5, 0, 1.5, 3, 6, 9, 12.0])
    along = [float(a) for a in np.unique(np.add.outer(np.array(bumps), offsets))]
    seen = [(a, out) for a in along for out in PLACES]
    # of a giant farther out nothing may be seen but its ghost
    hardly = [(a, out) for a in along for out in GHOSTS_AT if any(fit.ghosts)]
    search.allow_places(seen, hardly)
    places, ghostly, heights = _added(fit, search, 2 * len(bumps) + 4)
    stars = zip(places.tolist(), ghostly, heights.T, strict=True)
    told = [Beyond(along, out, ghost, height) for (along, out), ghost, height in stars if height.max() > 0]
    return [star for star in told if (star.height <= search.most).all()]


def _added(fit: StarFit, search: Search, most: int) -> tuple[Array, list[bool], Array]:
    """Add one star after the other as long as each explains enough: places, whether they have ghosts, and heights."""
    places, ghostly, heights = np.zeros((0, 2)), list[bool](), np.zeros((len(fit.laws), 0))
    tries, by_ghost = search.places, search.by_ghost
    barred = np.zeros(len(tries), bool)
    for _ in range(most):
        left = search.solve(places, ghostly)[0] if len(places) else search.value
        columns = search.tries
        norms = np.maximum(np.einsum("cij,cij->cj", columns, columns), np.float32(1e-30)).astype(np.float64)
        fits = np.matmul(left[:, None].astype(np.float32), columns)[:, 0].astype(np.float64)
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
            found, rest, tall = search.refine(begin, flags)
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
    search.settle()  # each has been found with the laws of those before it in doubt
    if len(places) > 1:
        places, _, heights = search.refine(places, ghostly)
    return places, ghostly, heights


class Search:
    """The search for what explains the light that comes in along a stretch of an edge."""

    def __init__(self, fit: StarFit, edge: int, rim: Rim) -> None:
        """Take the fit, for its laws and ghosts, and the stretch."""
        h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
        x, y = place_at(edge, float(rim.along.min() + rim.along.max()) / 2, 0.0, h, w)
        self.laws = [law.near(x + PAD, y + PAD) for law in fit.laws]
        self.ghosts, self.edge, self.rim = fit.ghosts, edge, rim
        self.widths = [law.width for law in fit.laws]
        brightest = fit.height[:, fit.saturated & ~fit.outside]
        self.shares = _usual_shares(fit)
        self.sigma = np.asarray(fit.sigma)[:, None]
        self.clear = clear_shares(fit.height * self.sigma, (2 + 0.02 * fit.height) * self.sigma)
        # such bright stars have ghosts
        self.least = 0.1 * brightest.min(1) if brightest.size else np.full(len(fit.laws), np.inf)
        self.large = LARGE * fit.height[:, ~fit.outside].max(1, initial=BRIGHT / LARGE)
        self.most = BRIGHTER * fit.height[:, ~fit.outside].max(1, initial=BRIGHT)
        self.whites = [Whitening(factor) for factor in rim.factors]
        # stars that might be there: where, whether only their ghosts are seen, and how they look, kept white; no more
        # than which of them explains most is asked of these, for which single precision is enough
        self.places, self.by_ghost = np.zeros((0, 2)), np.zeros(0, bool)
        self.tries = np.zeros((*rim.value.shape, 0), np.float32)
        self._doubt_inner(fit)
        self.sure = [copy(white) for white in self.whites]
        self.value = self.white(rim.value[:, :, None])[:, :, 0]

    def allow_places(self, seen: list[Place], hardly: list[Place]) -> None:
        """Take stars at these places for possible, and those of which hardly more than the ghost is seen."""
        self.places, self.by_ghost = np.array([*seen, *hardly]), np.arange(len(seen) + len(hardly)) >= len(seen)
        groups = ((np.array(seen), False), (np.array(hardly), True))
        apart = [(self.distances((at[:, :1], at[:, 1:])), ghost) for at, ghost in groups if len(at)]
        self.tries = np.empty((*self.rim.value.shape, len(self.places)), np.float32)

        def channel(c: int) -> None:
            drawn = np.concatenate([self.light(c, *far, ghost).astype(np.float32) for far, ghost in apart])
            self.tries[c] = self.whites[c].roughly(drawn.T)

        over(channel, range(len(self.whites)))

    def _doubt_inner(self, fit: StarFit) -> None:
        """Take for possible that stars near the edge were fitted wrongly, as long as what comes in was not known."""
        h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
        start, stop = self.rim.along.min() - 6, self.rim.along.max() + 6
        along, out = turned(np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD]), self.edge, h, w).T
        near = (start < along) & (along < stop) & (-ZONES[1][1] < out) & ((out <= 0) | ~fit.outside)
        self.bare_doubts = np.zeros((int(near.sum()), len(self.rim.depth)))
        for c, law in enumerate(self.laws):
            places = turned(np.column_stack([fit.x[c] - PAD, fit.y[c] - PAD]), self.edge, h, w)[near]
            dx, dy = self.distances((places[:, :1], places[:, 1:]))
            height = np.maximum(fit.height[c, near][:, None], 0)
            across = [law.at(dx + a / 2, dy + b / 2) - law.at(dx - a / 2, dy - b / 2) for a, b in ((1, 0), (0, 1))]
            doubts = np.stack([(0.3 * height + 10) * law.at(dx, dy), *(0.2 * height * v for v in across)], 1)
            solved = self.whites[c].solved(doubts.reshape(-1, len(self.rim.depth)).T)
            for k in range(solved.shape[1]):
                self.whites[c].allow(self.whites[c].further(solved[:, k]))
            self.bare_doubts += self.rim.bare[c] * doubts[:, 0]

    @cached_property
    def bare(self) -> Whitening:
        """What makes the mixture in which hardly a nebula shines white; most stretches never ask."""
        white = Whitening(factored(self.rim.bare_cover))
        for light in self.bare_doubts:
            white.allow(white(light[:, None])[:, 0])
        return white

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
        return np.stack([self.light(c, *self.distances(place), ghostly) for c in range(len(self.laws))])

    def light(self, c: int, dx: Array, dy: Array, ghostly: bool) -> Array:
        """Give a star of height 1 in a channel, so far from it."""
        light, ghost = np.asarray(self.laws[c].at(dx, dy), np.float64), self.ghosts[c]
        return light + ghost.at(dx, dy) if ghostly and ghost is not None else light

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

    def refine(self, places: Array, ghostly: list[bool]) -> tuple[Array, Array, Array]:
        """Move stars to where they explain most: give these places, what is left then and heights, as :meth:`heights`."""
        at, damping = places, DAMPING
        drawn = self.drawn(at, ghostly)
        left, heights = self.heights(drawn, ghostly)
        merit = _merit(left, heights)
        for _ in range(MOST_STEPS):
            step = self._steps(at, ghostly, drawn, left, heights)
            for _ in range(PATIENCE):
                moved = np.clip(at + step(damping), places - FARTHEST, places + FARTHEST)
                if np.abs(moved - at).max() < SETTLED:
                    return at, left, heights
                there = self.drawn(moved, ghostly)
                after = self.heights(there, ghostly)
                now = _merit(*after)
                if now < merit:
                    break
                damping *= 10
            else:
                break
            settled = merit - now < ENOUGH
            at, drawn, (left, heights), merit, damping = moved, there, after, now, damping / 10
            if settled:
                break
        return at, left, heights

    def _steps(self, places: Array, ghostly: list[bool], drawn: Array, left: Array, heights: Array) -> Callable[[float], Array]:
        """Give what tells, for a damping, how far the stars have to be moved to explain more, by what they leave here.

        Heights follow by themselves: of what a star is when it is moved a little, what the stars explain as they are does
        not count (variable projection as simplified by Kaufman 1975, BIT 15:49).
        """
        aside = np.repeat(places, 2, axis=0) + np.tile(ASTEP * np.eye(2), (len(places), 1))
        turned = (self.drawn(aside, [g for g in ghostly for _ in range(2)]) - np.repeat(drawn, 2, axis=2)) / ASTEP
        turned *= np.repeat(heights, 2, axis=1)[:, None]
        normal, right = np.zeros((2, 2 * len(places), 2 * len(places)))[0], np.zeros(2 * len(places))
        slopes_of = np.zeros((len(heights), len(places), 2 * len(places)))  # of the heights
        for c, slopes in enumerate(turned):
            lit = heights[c] > 0
            q, r = np.linalg.qr(drawn[c][:, lit])
            told = q.T @ slopes
            slopes = slopes - q @ told
            slopes_of[c, lit] = -np.linalg.lstsq(r, told, rcond=None)[0]
            weighed = slopes / np.sqrt(1 + (left[c] / LOOSE) ** 2)[:, None]
            normal += weighed.T @ slopes
            right += weighed.T @ left[c]
        # one more by an e-fold must explain more
        best = heights.argmax(0)
        for i, c in enumerate(best):
            if heights[c, i] > 1:
                rare = RARE * math.log(heights[c, i])
                weight = 1 / math.sqrt(1 + rare / LOOSE**2)
                slope = slopes_of[c, i] / heights[c, i] * RARE / 2
                normal += weight * np.outer(slope, slope) / rare
                right -= weight * slope
        scale = np.diag(normal) + 1e-9
        return lambda damping: np.linalg.solve(normal + np.diag(damping * scale), right).reshape(-1, 2)

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
                short = u.astype(np.float32)
                self.tries[c] -= np.outer(np.float32(amount) * short, short @ self.tries[c])
        self.value = self.white(self.rim.value[:, :, None])[:, :, 0]

    def settle(self) -> None:
        """Take the law for right again."""
        self.whites = [copy(white) for white in self.sure]
        self.value = self.white(self.rim.value[:, :, None])[:, :, 0]


def _merit(left: Array, heights: Array) -> float:
    """Give how badly stars explain what comes in: what is left, large rests counting less, and how rare such stars are."""
    rare = RARE * np.log(np.maximum(heights.max(0), 1.0))
    return float((np.sqrt(1 + (left / LOOSE) ** 2) - 1).sum() + (np.sqrt(1 + rare / LOOSE**2) - 1).sum())


def _usual_shares(fit: StarFit) -> Array | None:
    """Give the channels' usual shares of a star's light and how far these spread, as a part of them, by the clear stars."""
    clear = fit.height[:, (fit.height > 100).all(0) & ~fit.outside]
    if clear.shape[1] < 5:
        return None
    shares = clear / clear.sum(0)
    usual = median(shares, axis=1)
    spread = 1.4826 * median(np.abs(shares / usual[:, None] - 1), axis=1)
    return np.stack([usual, np.clip(spread, 0.1, 0.5)])
