"""Bringing a stretched picture back to light, where its stars and its noise tell by what curve it was stretched."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import tone
from nebulakit.pixels.colour import by_rows
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.signs import step_of_values
from nebulakit.pixels.stars.factor import Factor, Kind, as_ours
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.unbend import RADII, Curve, Problem, Told, noise_by_level, sample, tell_curves, uneven_ground
from nebulakit.pixels.stars.windows import windows

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

ASKED = 200  # the brightest stars that stand alone
EMPTY = 400  # places without a star that tell how uneven the ground of stars is
ALONE = 3.0  # widths to the next star
RIM = 8  # px from where there is nothing
STARS, LEVELS = 5, 4  # without which no curve is asked
FEWEST = 12  # stars without which no curve is believed
# how far the stars may be off curves that are believed, mean over the channels: measured 0.7-1.2 by the way that is right,
# 0.9 (on an uneven nebula) to 1.4 by curves of the channels where our own stretches had rolled off highlights
STARS_OFF = 1.25
# and the noise of any: 0.4-1.3 (one 1.6; 1.1-1.45 where it was smoothed after the stretch) and 1.1-1.5
NOISE_OFF = 1.5
BRIGHT, SHARE = 30, 0.01  # bright stars are asked, or this share of all; no more of them than this share may be left
LEFT = 0.3  # of its height: a star that still stands out by more was not taken out
# where highlights are rolled off stars stand on knots that are nearly as bright: by this, above so many places around (knots
# are up to 0.43, stars that are given up from 0.62 on)
KNOTS, AROUND = 0.5, 0.8
# told of a curve in the record: noises of the sky, from the lowest level on (of one factor: from where no light is shown)
LIGHTS = 0, 10, 30, 100, 300, 1000, 3000, 10_000, 30_000
# the channels' curves are held alike to so much (logarithm of the slope, over the range of levels) unless stars and noise
# fit worse by so much: alike they rise by under 65, unlike by over 110 (asinh 0.002 beside 0.01)
TIE, RISE = 0.03, 80.0
KINDS = (
    *(Kind(of, encoded) for encoded in (False, True) for of in ("mean", "luma", "most")),
    *(Kind("mean", True, how) for how in ("asinh", "midtone")),
)
# one factor brings stars nearer to one law by 2 % or more where there was one, and by 0.1 % at most where there was none
NEARER = 0.99
# stars are less far off by our own stretches than by all other ways, by a sixth or more, where they are the way, else by a third more
ASTRAY = 1.1
WHITE = 1.0  # level before highlights are rolled off: stars have to tell more than that, or there is nothing to undo
LOW = 0.1  # of the light that our own stretches' way tells, if it can be believed: no other way that is cut off below is taken
DARK = 0.02  # of the frame is darker than the level from which one factor counts; near the sky all curves are straight
UNDER = 0.06  # of the light above the sky: so far under where it is cut off stars tell how nearly they have one law
NEARLY, STEPS = 0.995, 3  # of the range above the sky, or so many steps of saving below its end: brighter levels are cut off


class Each(NamedTuple):
    """A curve for each channel, and the level up to which it holds."""

    curves: list[Curve]
    limits: list[float]

    @property
    def white(self) -> tuple[float, ...]:
        """Give the light at which each channel is cut off."""
        return tuple(float(np.interp(v, c.level, c.light)) for v, c in zip(self.limits, self.curves, strict=True))

    def lit(self, planes: Planes) -> tuple[Planes, tuple[float, ...]]:
        """Undo the curves: give the light, and where each channel is cut off."""
        return self._by_rows(planes, Curve.to_light), self.white

    def to_level(self, light: Planes) -> Planes:
        """Apply the curves."""
        return self._by_rows(light, Curve.to_level)

    def _by_rows(self, planes: Planes, bend: Callable[[Curve, Plane], Plane]) -> Planes:
        out = np.empty_like(planes)

        def work(rows: slice) -> None:
            for to, plane, curve in zip(out, planes, self.curves, strict=True):
                to[rows] = bend(curve, plane[rows])

        by_rows(work, planes.shape[1:])
        return out


class Straight(NamedTuple):
    """A stretched picture in light (about in noises of the sky), how it was stretched, its noise, stars, their width, and where
    it is cut off."""

    planes: Planes
    way: Each | Factor
    noise: Noise
    stars: StarList
    fwhm: float
    white: tuple[float, ...]


class _View(NamedTuple):
    """What is looked at: planes, coverage, stars and their width; of the planes gaps between levels, and where they are cut off."""

    planes: Planes
    coverage: Plane | None
    stars: StarList
    fwhm: float
    steps: list[float]
    limits: list[float]


class _Try(NamedTuple):
    """A way to light, how well it is told, where the light is cut off, and how far stars there are off one law."""

    way: Each | Factor
    told: list[Told]
    white: tuple[float, ...]
    off: float

    @property
    def width(self) -> float:
        """Give the width of the stars in light."""
        return float(np.median([t.width for t in self.told]))

    @property
    def record(self) -> dict[str, Any]:
        """Tell how well it fits."""
        return {
            "curve_of": self.way.kind.name if isinstance(self.way, Factor) else "channels",
            "curve_stars": [t.stars for t in self.told],
            "curve_stars_off": [t.stars_off for t in self.told],
            "curve_noise_off": [t.noise_off for t in self.told],
        }


def straighten(
    planes: Planes, coverage: Plane | None, found: StarList, fwhm: float
) -> Iterator[tuple[Straight | None, dict[str, Any]]]:
    """Give planes (channel, y, x) in light, None where no curve can be believed, and what was measured, for the record; if that is
    not taken, those of the next best curve.

    Each channel has a curve of its own, held to the others' where they are alike, or one curve gives one factor for all, which
    keeps hues: whichever brings the stars nearer to one law. A factor that is only nearly right for all channels leaves stars
    that their own curves do not: those come second. ``found``: its stars, and ``fwhm`` their width, as they look in the picture.

    Curves are told by a part of a large picture (:mod:`nebulakit.pixels.stars.windows`).
    """
    if not np.isfinite(planes).all(0).any():
        return
    part, covered, stars = windows(planes, coverage, found, _lone(found, fwhm), fwhm)
    if len(stars) < STARS:
        return
    steps = [step_of_values(p) for p in part]
    view = _View(part, covered, stars, fwhm, steps, [_limit(*pair) for pair in zip(part, steps, strict=True)])
    first = _each(view, _ask(view), judged=False)
    if first is None:
        return
    # the first curves only have to be good enough to find the stars in their light
    asked = _asked_again(view, first) if _believed(first.told, 2.0) else None
    if asked is None:
        yield None, first.record
        return
    each = _each(view, asked, judged=True)
    ones = over(partial(_one, view, asked), KINDS if len(planes) == 3 else ())
    best = _nearest([t for t in (each, *ones) if t is not None])
    if best is not None and isinstance(best.way, Factor):
        if _believed(best.told, 1.0):
            # its stars were found in another light
            asked = _asked_again(view, best)
            best = None if asked is None else _one(view, asked, best.way.kind)
        if best is not None:
            yield _whole(planes, coverage, best)
        best = each
    if best is not None:
        yield _whole(planes, coverage, best)


def _nearest(tries: list[_Try]) -> _Try | None:
    """Choose the way by which stars are nearest to one law."""
    # of rolled off highlights other ways tell the lowest only; but by these stars are never nearer to one law
    least = min((t.off for t in tries), default=0.0)
    ours = [t for t in tries if is_ours(t.way) and _believed(t.told, 1.0) and t.off < ASTRAY * least]
    most = max((min(t.white) for t in ours), default=0.0)
    tries = [t for t in tries if min(t.white) > LOW * most]
    return min(tries, key=lambda t: t.off * (NEARER if isinstance(t.way, Each) else 1), default=None)


def _whole(planes: Planes, coverage: Plane | None, told: _Try) -> tuple[Straight | None, dict[str, Any]]:
    """Bring the whole to light, where its way there can be believed."""
    if not _believed(told.told, 1.0):
        return None, told.record
    light, white = told.way.lit(planes)
    noise = measure_noise(light, coverage)
    stars = find_stars(light, noise, coverage, white)
    if len(stars) < FEWEST:
        return None, told.record
    # of the curves: the levels at which so much light is shown
    lights = [float(v) for v in LIGHTS if v < min(white)]
    levels = [[round(float(np.interp(v, c.light, c.level)), 4) for v in lights] for c in told.way.curves]
    straight = Straight(light, told.way, noise, stars, told.width, white)
    return straight, {**told.record, "curve_light": lights, "curve_levels": levels}


def is_ours(way: Each | Factor) -> bool:
    """Tell whether a way is that of our own stretches, which roll off highlights."""
    return isinstance(way, Factor) and way.kind.rolled != ""


def _believed(told: list[Told], room: float) -> bool:
    return _off(told) < room * STARS_OFF and all(t.stars >= FEWEST and t.noise_off < room * NOISE_OFF for t in told)


def still_there(
    planes: Planes, left: Callable[[Ints, Ints], Planes], stars: StarList, fwhm: float, knots: bool = False
) -> tuple[int, int]:
    """Count the brightest stars that were not taken out of planes, where ``left`` gives what was left of them in places (y and x);
    they may stand on bright ``knots``, or not. And tell how many may be.

    Where stars do not shine by one law the brightest are the first to be given up. Among tens of thousands a close pair or
    a star at the rim may be left by any law.
    """
    h, w = planes.shape[1:]
    order = np.argsort(-stars.flux, kind="stable")
    # a star's middle, and a ring around it
    turns, away = np.arange(16) * (2 * math.pi / 16), max(25.0, 8 * fwhm)
    y, x = (
        np.clip(np.rint(v[order, None] + away * np.append(0, f(turns))), 0, n - 1).astype(int)
        for v, f, n in ((stars.y, np.sin, h), (stars.x, np.cos, w))
    )
    # at the rim of what is there nothing tells how bright it is around
    known: Mask = np.asarray(np.isfinite(planes[:, y, x]).all(0))
    told = np.flatnonzero((known[:, 1:].mean(1) > 0.5) & known[:, 0])[: max(BRIGHT, round(SHARE * len(stars)))]
    y, x = y[told], x[told]
    levels = np.where(known[told], left(y, x).mean(0), np.float32(np.nan))
    before, after = planes[:, y[:, 0], x[:, 0]].mean(0), levels[:, 0]
    around = np.nanquantile(levels[:, 1:], AROUND if knots else 0.5, axis=1)
    there = after - around > (KNOTS if knots else LEFT) * np.maximum(before - around, 1e-6)
    return int(there.sum()), int(SHARE * len(told))


class _Asked(NamedTuple):
    """Whom the curve is asked of: stars that stand alone, whose every pixel is, pixels that are no star's, and all there are; the
    rings that are looked at, px."""

    x: Array
    y: Array
    number: Ints
    owner: Ints
    free: Mask
    there: Mask
    radii: Array
    empty: tuple[Array, Array]  # x and y of places without a star

    def problem(
        self, plane: Plane, limit: float, step: float = 0.0, *, over_all: Planes | None = None, straight: bool = False
    ) -> Problem | None:
        """Give the curve of a plane, over its levels or those of ``over_all``, as a problem; None where too little tells of it."""
        low, high = (float(f(plane if over_all is None else over_all)) for f in (np.nanmin, np.nanmax))
        sky = float(np.nanmedian(plane))
        whole = np.where(self.there, plane, np.float32(sky))
        noise = noise_by_level(whole, self.free, step)
        if len(noise.level) < LEVELS or not high > low:
            return None
        rings = sample(whole, self.owner, self.x, self.y, self.number, self.radii, limit)
        nowhere = np.full(len(self.empty[0]), -1)
        ground = uneven_ground(sample(whole, self.owner, *self.empty, nowhere, self.radii, limit), noise)
        problem = Problem(rings, noise, self.radii, low, high, sky, ground, straight)
        return problem if len(problem.value) >= STARS else None


def _lone(stars: StarList, fwhm: float) -> Ints:
    """Give the numbers of the stars that stand alone, brightest first."""
    from scipy.spatial import cKDTree

    if len(stars) < 2:
        return np.zeros(0, int)
    place = np.column_stack([stars.x, stars.y])
    order = np.argsort(-stars.peak, kind="stable")
    return np.asarray(order[cKDTree(place).query(place, k=2)[0][order, 1] > ALONE * fwhm])


def _ask(view: _View, first: bool = True) -> _Asked:
    """Choose whom the curve is asked of; how far stars reach is known in light only, not at ``first``."""
    import cv2

    stars, shape = view.stars, view.planes.shape[1:]
    there: Mask = np.asarray(np.isfinite(view.planes).all(0))
    chosen = _lone(stars, view.fwhm)[:ASKED]
    reach = np.full(len(stars), 2 * view.fwhm) if first else np.clip(stars.radius, 1.5 * view.fwhm, 40.0)
    owner = _owners(stars, reach, shape)
    free = (_owners(stars, 2 * reach, shape) if first else owner) < 0
    # smoothing reaches across the rim of what is there
    free &= cv2.erode(there.view(np.uint8), np.ones((2 * RIM + 1,) * 2, np.uint8)) > 0
    owner[~there] = len(stars)
    bare = np.flatnonzero(free)
    y, x = np.divmod(bare[:: max(1, len(bare) // EMPTY)], shape[1])
    empty = x.astype(np.float64), y.astype(np.float64)
    return _Asked(stars.x[chosen], stars.y[chosen], chosen, owner, free, there, RADII * view.fwhm, empty)


def _asked_again(view: _View, found: _Try) -> _Asked | None:
    """Choose among the stars that are found in the light of a try."""
    light, white = found.way.lit(view.planes)
    stars = find_stars(light, measure_noise(light, view.coverage), view.coverage, white)
    return _ask(view._replace(stars=stars, fwhm=found.width), first=False) if len(stars) >= FEWEST else None


def _each(view: _View, asked: _Asked, judged: bool) -> _Try | None:
    """Tell a curve for each channel; how well stars fit its light only where it is to be ``judged``."""
    planes = view.planes
    facts = list(zip(planes, view.limits, view.steps, strict=True))
    problems = [p for p in over(lambda f: asked.problem(*f, over_all=planes), facts) if p is not None]
    if len(problems) < len(planes):
        return None
    told = over(lambda p: tell_curves([p])[0], problems)
    if len(told) > 1:
        alike = tell_curves(problems, TIE)
        if sum(t.cost for t in alike) < sum(t.cost for t in told) + RISE:
            told = alike
    # beyond what stars told the curve is a guess
    way = Each([t.curve for t in told], [min(limit, t.highest) for limit, t in zip(view.limits, told, strict=True)])
    return _Try(way, told, way.white, _off(_straight(*way.lit(planes), asked, told)) if judged else 0.0)


def _one(view: _View, asked: _Asked, kind: Kind) -> _Try | None:
    """Tell one curve for all channels."""
    if kind.rolled and not tone.KNEE < float(np.nanmax(view.planes)) < 1:
        return None  # rolled off levels never reach 1
    planes = kind.unrolled(view.planes)
    bright = kind.brightness(planes)
    top, zero = float(np.nanmax(bright)), float(np.nanquantile(bright, DARK))
    # where highlights are rolled off levels do not tell what is cut off
    limits = [math.inf] * len(planes) if kind.rolled else view.limits
    with np.errstate(invalid="ignore"):
        bright[(planes > np.array(limits, np.float32)[:, None, None]).any(0)] = top
    even = kind.even(bright, top)
    limit = _limit(even, step_of_values(even))
    step = view.steps[0] / (1 if kind.of == "most" else math.sqrt(len(planes)))
    problem = asked.problem(even, limit, step)
    if problem is None:
        return None
    told = tell_curves([problem])[0]
    curve, highest = told.curve, told.highest
    if kind.rolled:
        if kind.uneven(np.array([highest]), top)[0] < WHITE:
            return None
        curve, highest = as_ours(kind, curve, highest, float(np.nanmedian(even)), limit, top)
    way = Factor.of(kind, curve, zero, limits, highest)
    light, white = way.lit(view.planes)
    if not min(white) > -math.inf:
        return None
    fit = _straight(light, white, asked, [told] * len(light))
    return _Try(way, fit, white, _off(fit)) if len(fit) == len(light) else None


def _straight(light: Planes, white: tuple[float, ...], asked: _Asked, told: list[Told]) -> list[Told]:
    """Tell how well stars and noise fit light, whose stars have about the laws that were ``told``."""

    def channel(plane: Plane, most: float, before: Told) -> Told | None:
        limit = most - UNDER * (most - float(np.nanmedian(plane)))
        problem = asked.problem(plane, limit, straight=True)
        return None if problem is None else tell_curves([problem], start=[problem.start(before.unknown.law)])[0]

    return [t for t in over(lambda f: channel(*f), list(zip(light, white, told, strict=True))) if t is not None]


def _off(told: list[Told]) -> float:
    return sum(t.stars_off for t in told) / len(told) if told else math.inf


def _limit(plane: Plane, step: float) -> float:
    """Give the level above which nothing is told from one another; ``step``: the gap between levels."""
    sky, high = float(np.nanmedian(plane)), float(np.nanmax(plane))
    return min(sky + NEARLY * (high - sky), high - STEPS * step)


def _owners(stars: StarList, reach: npt.NDArray[np.float64], shape: tuple[int, int]) -> Ints:
    """Give each pixel the star whose disc it lies in, the brightest; -1 for none."""
    import cv2

    owner = np.full(shape, -1, np.int32)
    for i in np.argsort(stars.peak, kind="stable").tolist():
        cv2.circle(owner, (round(float(stars.x[i])), round(float(stars.y[i]))), math.ceil(reach[i]), i, -1)
    return np.asarray(owner)
