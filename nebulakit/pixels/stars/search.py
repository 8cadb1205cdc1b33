"""The search for the stars beyond an edge that explain what comes in along a stretch of it: their places are tried, their heights follow."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import copy
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.coloured import Colours, coloured_as, usual_colours
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import GHOSTLY, PAD, RADII
from nebulakit.pixels.stars.rim import ZONES, Rim, place_at, turned
from nebulakit.pixels.stars.whitening import Whitening, factored

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# one so many times brighter than any in the picture must be seen where hardly a nebula shines, for what would take it may well
# be a ridge that runs out over the edge
LARGE = 3.0
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


class Told(NamedTuple):
    """What the stars of the picture tell of others."""

    colours: Colours | None
    shares: tuple[Array, Array] | None  # the channels' shares of a star's light and how far these spread, as a part of them
    least: Array  # (channel,): such bright stars have ghosts
    large: Array  # one so bright must be seen where hardly a nebula shines
    most: Array  # none is thought to be brighter


def told_by(fit: StarFit) -> Told:
    """Give what the stars in the picture tell of those beyond its edges."""
    height, sigma = fit.height[:, ~fit.outside], np.asarray(fit.sigma)[:, None]
    cut = height[:, fit.saturated[~fit.outside]]
    least = 0.1 * cut.min(1) if cut.size else np.full(len(height), np.inf)
    large, most = LARGE * height.max(1, initial=BRIGHT / LARGE), BRIGHTER * height.max(1, initial=BRIGHT)
    colours = usual_colours(height * sigma, (2 + 0.02 * height) * sigma)
    return Told(colours, _usual_shares(height), least, large, most)


def _usual_shares(height: Array) -> tuple[Array, Array] | None:
    clear = height[:, (height > 100).all(0)]
    if clear.shape[1] < 5:
        return None
    shares = clear / clear.sum(0)
    usual = median(shares, axis=1)
    spread = 1.4826 * median(np.abs(shares / usual[:, None] - 1), axis=1)
    return usual[:, None], np.clip(spread, 0.1, 0.5)[:, None]


class Search:
    """The search along a stretch of an edge. Places are along the edge and out of it (star, 2)."""

    def __init__(self, fit: StarFit, edge: int, rim: Rim, told: Told) -> None:
        """Take the fit, for its laws and ghosts, the stretch, and what other stars tell."""
        self.shape = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
        self.edge, self.rim, self.told = edge, rim, told
        x, y = place_at(edge, (rim.start + rim.stop - 1) / 2, 0.0, *self.shape)
        laws = [law.near(x + PAD, y + PAD) for law in fit.laws]
        self.sigma = np.asarray(fit.sigma)[:, None]
        self.widths = [law.width for law in fit.laws]
        none = np.zeros(len(RADII), np.float32)
        self.looks = (
            np.stack([law.table for law in laws]),
            np.stack([law.shape for law in laws]),
            np.stack([none if ghost is None else ghost.law.table for ghost in fit.ghosts]),
            np.array([(0.0, 0.0) if ghost is None else (ghost.dx, ghost.dy) for ghost in fit.ghosts]),
        )
        self.whites = [Whitening(factor) for factor in rim.factors]
        # stars that might be there: where, whether only their ghosts are seen, and how they look, kept white; no more
        # than which of them explains most is asked of these, for which single precision is enough
        self.places, self.by_ghost = np.zeros((0, 2)), np.zeros(0, bool)
        self.tries = np.zeros((len(laws), 0, len(rim.x)), np.float32)
        self._doubt_inner(fit)
        self.value = self._white(rim.value[:, None].copy())[:, 0]
        self.sure = [copy(white) for white in self.whites], self.value.copy()

    def allow_places(self, seen: Array, hardly: Array) -> None:
        """Take stars at these places for possible, and those of which hardly more than the ghost is seen."""
        self.places = np.concatenate([seen, hardly])
        self.by_ghost = np.arange(len(self.places)) >= len(seen)
        self.tries = np.empty((len(self.whites), len(self.places), len(self.rim.x)), np.float32)
        self._draw(self._at(self.places), self.by_ghost, self.tries)
        for white, rows in zip(self.whites, self.tries, strict=True):
            white.roughly(rows)

    def _doubt_inner(self, fit: StarFit) -> None:
        """Take for possible that stars near the edge were fitted wrongly, as long as what comes in was not known."""
        along, out = turned(np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD]), self.edge, *self.shape).T
        near = (self.rim.start - 6 < along) & (along < self.rim.stop + 5) & (-ZONES[1][1] < out) & ((out <= 0) | ~fit.outside)
        x, y, height = (a[:, near] for a in (fit.x - PAD, fit.y - PAD, np.maximum(fit.height, 0)[:, :, None]))
        sides = [np.concatenate([a + d for d in aside], 1) for a, aside in ((x, (0, -0.5, 0.5, 0, 0)), (y, (0, 0, 0, -0.5, 0.5)))]
        light = np.empty((len(x), 5 * x.shape[1], len(self.rim.x)))
        self._draw((sides[0], sides[1]), np.zeros(light.shape[1], bool), light)
        at, right, left, down, up = np.split(light, 5, axis=1)
        own = (0.3 * height + 10) * at
        doubts = np.concatenate([own, 0.2 * height * (right - left), 0.2 * height * (down - up)], 1)
        self.bare_doubts = np.tensordot(self.rim.bare, own, 1)
        for white, rows in zip(self.whites, doubts, strict=True):
            white.allow(white(rows))

    @cached_property
    def bare(self) -> Whitening:
        """What makes the mixture in which hardly a nebula shines white; most stretches never ask."""
        white = Whitening(factored(self.rim.bare_cover))
        white.allow(white(self.bare_doubts))
        return white

    def _white(self, rows: Array) -> Array:
        """Give (channel, n, cell) without what nebula and noise make alike, in its place."""
        for white, part in zip(self.whites, rows, strict=True):
            white.make(part)
        return rows

    def _at(self, places: Array) -> tuple[Array, Array]:
        """Give x and y (1, star) of places, the same for all channels."""
        x, y = place_at(self.edge, places[:, 0], places[:, 1], *self.shape)
        return np.array([x]), np.array([y])

    def _draw(self, stars: tuple[Array, Array], ghostly: Mask, out: npt.NDArray[np.floating]) -> None:
        from nebulakit.pixels.stars import rimloops

        rimloops.draw((self.rim.x, self.rim.y), stars, ghostly, self.looks, out)

    def _star(self, places: Array, ghostly: Mask) -> Array:
        """Give (channel, star, cell) stars of height 1."""
        out = np.empty((len(self.looks[0]), len(places), len(self.rim.x)))
        self._draw(self._at(places), ghostly, out)
        return out

    def _far2(self, places: Array) -> Array:
        """Give (star, cell) the squares of the cells' distances from places."""
        x, y = place_at(self.edge, places[:, :1], places[:, 1:], *self.shape)
        return (self.rim.x - x) ** 2 + (self.rim.y - y) ** 2

    def _drawn(self, places: Array, ghostly: Mask) -> Array:
        """Give (channel, star, cell) stars of height 1, white."""
        return self._white(self._star(places, ghostly))

    def _heights(self, drawn: Array, ghostly: Mask) -> tuple[Array, Array]:
        """Give (channel, cell) what these stars leave, white, and their heights (channel, star), none negative."""
        from scipy.optimize import nnls

        normal = drawn @ drawn.transpose(0, 2, 1)
        heights = np.asarray(np.linalg.solve(_steady(normal), drawn @ self.value[:, :, None])[:, :, 0], np.float64)
        for c in np.nonzero((heights < 0).any(1))[0].tolist():
            heights[c] = nnls(drawn[c].T, self.value[c])[0]
        if ghostly.any():
            errors = 1 / np.sqrt(np.maximum(np.einsum("cii->ci", normal)[:, ghostly], 1e-30))
            heights[:, ghostly] = self.likely(heights[:, ghostly], errors)
        return self.value - (heights[:, None] @ drawn)[:, 0], heights

    def left(self, places: Array, ghostly: Mask) -> Array:
        """Give (channel, cell) what stars at these places leave, white."""
        return self._heights(self._drawn(places, ghostly), ghostly)[0] if len(places) else self.value

    def likely(self, heights: Array, errors: Array) -> Array:
        """Give heights (channel, star) with what is known of colours: where a star is hardly seen itself, its ghost is, in some channels."""
        if self.told.shares is None:
            return heights
        share, spread = self.told.shares
        surest = np.argmax(heights / errors, axis=0)[None]
        light = np.maximum(np.take_along_axis(heights / share, surest, 0), 1e-9)
        for _ in range(2):
            weight = 1 / (errors**2 + (spread * share * light) ** 2)
            light = np.maximum((weight * share * heights).sum(0) / (weight * share**2).sum(0), 1e-9)[None]
        usual, own = (spread * share * light) ** -2, errors**-2
        return np.asarray((own * heights + usual * share * light) / (own + usual))

    def starlike(self, heights: Array, error: Array) -> Mask:
        """Say which heights (channel, star), known within errors, are those of stars, going by the stars of the picture."""
        errors = (error + 0.1 * heights) * self.sigma
        coloured = coloured_as(self.told.colours, heights * self.sigma, errors, strict=True)
        return np.asarray(coloured & (heights <= self.told.most[:, None]).all(0))

    def refine(self, places: Array, ghostly: Mask) -> tuple[Array, Array, Array]:
        """Move stars to where they explain most: give these places, what is left then (channel, cell) and heights (channel, star)."""
        at, damping = places, DAMPING
        drawn = self._drawn(at, ghostly)
        left, heights = self._heights(drawn, ghostly)
        merit = _merit(left, heights)
        for _ in range(MOST_STEPS):
            step = self._steps(at, ghostly, drawn, left, heights)
            for _ in range(PATIENCE):
                moved = np.clip(at + step(damping), places - FARTHEST, places + FARTHEST)
                if np.abs(moved - at).max() < SETTLED:
                    return at, left, heights
                there = self._drawn(moved, ghostly)
                after = self._heights(there, ghostly)
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

    def _steps(self, places: Array, ghostly: Mask, drawn: Array, left: Array, heights: Array) -> Callable[[float], Array]:
        """Give what tells, for a damping, how far the stars have to be moved to explain more, by what they leave here.

        Heights follow by themselves: of what a star is when it is moved a little, what the stars explain as they are does
        not count (variable projection as simplified by Kaufman 1975, BIT 15:49).
        """
        aside = np.repeat(places, 2, axis=0) + np.tile(ASTEP * np.eye(2), (len(places), 1))
        slopes = (self._drawn(aside, np.repeat(ghostly, 2)) - np.repeat(drawn, 2, axis=1)) / ASTEP
        slopes *= np.repeat(heights, 2, axis=1)[:, :, None]
        lit = drawn * (heights > 0)[:, :, None]
        across = lit.transpose(0, 2, 1)
        normal = lit @ across
        told = np.linalg.solve(_steady(normal), lit @ slopes.transpose(0, 2, 1))  # channel, star, slope
        slopes -= told.transpose(0, 2, 1) @ lit
        weighed = slopes / np.sqrt(1 + (left / LOOSE) ** 2)[:, None]
        normal, right = (weighed @ slopes.transpose(0, 2, 1)).sum(0), (weighed @ left[:, :, None])[:, :, 0].sum(0)
        # one more by an e-fold must explain more
        for i, c in enumerate(heights.argmax(0).tolist()):
            if heights[c, i] > 1:
                rare = RARE * math.log(heights[c, i])
                weight = 1 / math.sqrt(1 + rare / LOOSE**2)
                slope = -told[c, i] / heights[c, i] * RARE / 2  # of its height
                normal += weight * np.outer(slope, slope) / rare
                right -= weight * slope
        scale = np.diag(normal) + 1e-9
        return lambda damping: np.linalg.solve(normal + np.diag(damping * scale), right).reshape(-1, 2)

    def seen_bare(self, places: Array, ghostly: Mask, heights: Array) -> float:
        """Give how much likelier the last of these stars is than none, as a log odds, where hardly a nebula shines."""
        white = copy(self.bare)
        light = np.einsum("c,cs,csn->sn", self.rim.bare, heights, self._star(places, ghostly))
        white.allow(white(TILT * light * np.log1p(self._far2(places) / self.widths[0] ** 2)))
        drawn = white(np.concatenate([light, [self.rim.bare @ self.rim.value]]))
        left = drawn[-1] - drawn[:-2].sum(0)
        return float(left @ drawn[-2] - 0.5 * drawn[-2] @ drawn[-2])

    def doubt(self, place: Array, ghostly: bool, height: Array) -> None:
        """Take for possible that the law is a few percent off: a rest of that shape is no sign of another star."""
        with_ghost = np.array([False, ghostly])
        light = height[:, None, None] * self._star(np.stack([place, place]), with_ghost)
        far2 = self._far2(place[None])[0]
        for c, (width, white) in enumerate(zip(self.widths, self.whites, strict=True)):
            off = np.stack([TILT * light[c, 0] * np.log1p(far2 / width**2), GHOSTLY * (light[c, 1] - light[c, 0])])
            u = white(off[: 1 + ghostly])
            follow = white.allow(u) @ u
            self.value[c] -= (u @ self.value[c]) @ follow
            self.tries[c] -= (self.tries[c] @ u.astype(np.float32).T) @ follow.astype(np.float32)

    def settle(self) -> None:
        """Take the law for right again."""
        self.whites, self.value = self.sure


def _steady(normal: Array) -> Array:
    """Give equations that can be solved even where a star is not lit, or two are one."""
    one = np.eye(normal.shape[1])
    return normal * (1 + 1e-12 * one) + 1e-30 * one


def _merit(left: Array, heights: Array) -> float:
    """Give how badly stars explain what comes in: what is left, large rests counting less, and how rare such stars are."""
    rare = RARE * np.log(np.maximum(heights.max(0), 1.0))
    return float((np.sqrt(1 + (left / LOOSE) ** 2) - 1).sum() + (np.sqrt(1 + rare / LOOSE**2) - 1).sum())
