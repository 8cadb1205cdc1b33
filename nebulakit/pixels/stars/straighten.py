"""Bringing a stretched picture back to light, where its stars and its noise tell by what curve it was stretched."""

from __future__ import annotations

import math
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import tone
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.signs import step_of_values
from nebulakit.pixels.stars.factor import CUT, Factor, Kind, as_ours
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.unbend import RADII, Curve, Problem, Told, noise_by_level, sample, tell_curves

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

ROUNDS = 2  # of curve, stars found in its light, and curve again
ASKED = 200  # the brightest stars that stand alone
ALONE = 3.0  # widths to the next star
STARS, LEVELS = 5, 4  # without which no curve is asked
FEWEST = 12  # stars without which no curve is believed
# how far the stars may be off curves that are believed, mean over the channels: measured 1.0-1.36 where each has its curve or one
# factor keeps hues, 1.5-1.8 where highlights were rolled off besides
STARS_OFF = 1.45
NOISE_OFF = 1.5  # and the noise of any: 0.4-1.35 and 1.2-2.2
BRIGHT = 30  # of so many bright stars none may be left
LEFT, WINGS = 0.3, 0.8  # by more than this share of its height, or this where its wide wings are left on purpose
# where highlights are rolled off stars stand on knots that are nearly as bright: by this, above so many places around (knots
# are up to 0.43, stars that are given up from 0.62 on)
KNOTS, AROUND = 0.5, 0.8
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
WHITE = 1.0  # level before highlights are rolled off: stars have to tell more than that, or there is nothing to undo
LOW = 0.1  # of the light that our own stretches' way tells, if it can be believed: no other way that is cut off below is taken
DARK = 0.02  # of the frame is darker than the level from which one factor counts; near the sky all curves are straight
NEARLY, STEPS = 0.995, 3  # of the range above the sky, or so many steps of saving below its end: brighter levels are cut off


class Each(NamedTuple):
    """A curve for each channel."""

    curves: list[Curve]

    def to_light(self, planes: Planes) -> Planes:
        """Undo the curves."""
        return np.stack(over(lambda pc: pc[1].to_light(pc[0]), list(zip(planes, self.curves, strict=True))))

    def to_level(self, light: Planes) -> Planes:
        """Apply the curves."""
        return np.stack(over(lambda pc: pc[1].to_level(pc[0]), list(zip(light, self.curves, strict=True))))


def is_ours(way: Each | Factor) -> bool:
    """Tell whether a way is that of our own stretches, which roll off highlights."""
    return isinstance(way, Factor) and way.kind.rolled != ""


class Straight(NamedTuple):
    """A stretched picture in light (about in noises of the sky), how it was stretched, its noise, stars, their width, and where
    it is cut off."""

    planes: Planes
    way: Each | Factor
    noise: Noise
    stars: StarList
    fwhm: float
    white: tuple[float, ...]

    def shown(self, light: Planes) -> Planes:
        """Stretch light as the picture was."""
        return self.way.to_level(light)


def straighten(
    planes: Planes, coverage: Plane | None, found: StarList, fwhm: float, kept: tuple[Kind, ...] = KINDS
) -> tuple[Straight | None, dict[str, Any]]:
    """Give planes (channel, y, x) in light, None where no curve can be believed; and what was measured, for the record.

    Each channel has a curve of its own, held to the others' where they are alike, or one curve gives one factor for all, which
    keeps hues, of one of the kinds in ``kept``: whichever brings the stars nearer to one law. ``found``: its stars, and
    ``fwhm`` their width, as they look in the picture.
    """
    straight: Straight | None = None
    kinds: tuple[Kind, ...] = ()
    each, left = True, ROUNDS
    record: dict[str, Any] = {}
    while left:
        left -= 1
        asked = _ask(planes, found, fwhm, first=straight is None)
        tries = [] if asked is None else [_each(planes, asked, judged=bool(kinds))] if each else []
        if asked is not None:
            tries += over(partial(_one, planes, asked), kinds)
        found_ways = [t for t in tries if t is not None]
        # of rolled off highlights other ways tell the lowest only, and hardly any star is off them
        most = max((min(t.white) for t in found_ways if is_ours(t.way) and _believed(t.told, 1.0)), default=0.0)
        found_ways = [t for t in found_ways if min(t.white) > LOW * most]
        best = min(found_ways, key=lambda t: t.off * (NEARER if isinstance(t.way, Each) else 1), default=None)
        if best is None:
            return None, {}
        record = {
            "curve_of": "channels" if isinstance(best.way, Each) else best.way.kind.name,
            "curve_stars": [t.stars for t in best.told],
            "curve_stars_off": [t.stars_off for t in best.told],
            "curve_noise_off": [t.noise_off for t in best.told],
        }
        # the first curves only have to be good enough to find the stars in their light
        if not _believed(best.told, 2.0 if left else 1.0):
            return None, record
        noise = measure_noise(best.light, coverage)
        found, fwhm = find_stars(best.light, noise, coverage, best.white), float(np.median([t.width for t in best.told]))
        straight = Straight(best.light, best.way, noise, found, fwhm, best.white)
        if len(found) < FEWEST:
            return None, record
        if isinstance(best.way, Factor) and each:
            # its stars were found in another light
            kinds, each, left = (best.way.kind,), False, 1
        elif len(planes) == 3:
            kinds = kept
    assert straight is not None
    # of the curves: the levels at which so much light is shown (in noises, from the lowest level on)
    curves = straight.way.curves if isinstance(straight.way, Each) else [straight.way.seen]
    lights = [float(v) for v in LIGHTS if v < min(straight.white)]
    record["curve_light"] = lights
    record["curve_levels"] = [[round(float(np.interp(v, c.light, c.level)), 4) for v in lights] for c in curves]
    return straight, record


def _believed(told: list[Told], room: float) -> bool:
    stars_off = sum(t.stars_off for t in told) / len(told)
    return stars_off < room * STARS_OFF and all(t.stars >= FEWEST and t.noise_off < room * NOISE_OFF for t in told)


def still_there(planes: Planes, nebula: Planes, stars: StarList, fwhm: float, wings: bool, knots: bool = False) -> int:
    """Count the brightest stars that were not taken out of planes, where ``nebula`` is what was left of them
    (with their ``wings``, or without; on bright ``knots``, or not).

    Where stars do not shine by one law the brightest are the first to be given up.
    """
    h, w = planes.shape[1:]
    order = np.argsort(-stars.flux, kind="stable")[:BRIGHT]
    turns, away = np.arange(16) * (2 * math.pi / 16), max(25.0, 8 * fwhm)
    x, y = stars.x[order][:, None], stars.y[order][:, None]
    py, px = (
        np.clip(np.rint(v), 0, n - 1).astype(int) for v, n in ((y + away * np.sin(turns), h), (x + away * np.cos(turns), w))
    )
    my, mx = np.clip(np.rint(y[:, 0]), 0, h - 1).astype(int), np.clip(np.rint(x[:, 0]), 0, w - 1).astype(int)
    before, after = (np.nan_to_num(p[:, my, mx]).mean(0) for p in (planes, nebula))
    around = np.quantile(np.nan_to_num(nebula[:, py, px]).mean(0), AROUND if knots else 0.5, axis=1)
    return int((after - around > (WINGS if wings else KNOTS if knots else LEFT) * np.maximum(before - around, 1e-6)).sum())


class _Asked(NamedTuple):
    """Whom the curve is asked of: stars that stand alone, whose every pixel is, and pixels that are no star's."""

    x: Array
    y: Array
    number: Ints
    owner: Ints
    free: Mask
    there: Mask
    radii: Array

    def problem(
        self, plane: Plane, limit: float, low: float, high: float, step: float = 0.0, straight: bool = False
    ) -> Problem | None:
        """Give the curve of a plane as a problem; None where too little tells of it."""
        sky = float(np.nanmedian(plane))
        whole = np.where(self.there, plane, np.float32(sky))
        noise = noise_by_level(whole, self.free & self.there, step)
        if len(noise.level) < LEVELS or not high > low:
            return None
        rings = sample(whole, self.owner, self.x, self.y, self.number, self.radii, limit)
        problem = Problem(rings, noise, self.radii, low, high, sky, straight)
        return problem if len(problem.value) >= STARS else None


class _Try(NamedTuple):
    """A way to light, how well it is told, the light, where it is cut off, and how far stars there are off one law."""

    way: Each | Factor
    told: list[Told]
    light: Planes
    white: tuple[float, ...]
    off: float


def _ask(planes: Planes, found: StarList, fwhm: float, first: bool) -> _Asked | None:
    from scipy.spatial import cKDTree

    shape = planes.shape[1:]
    there: Mask = np.asarray(np.isfinite(planes).all(0))
    place = np.column_stack([found.x, found.y])
    if len(place) < 2 or not there.any():
        return None
    apart = cKDTree(place).query(place, k=2)[0][:, 1]
    order = np.argsort(-found.peak, kind="stable")
    chosen = order[apart[order] > ALONE * fwhm][:ASKED]
    # how far stars reach is known in light only
    reach = np.full(len(place), 2 * fwhm) if first else np.clip(found.radius, 1.5 * fwhm, 40.0)
    owner = _owners(found, reach, shape)
    free = (_owners(found, 2 * reach, shape) if first else owner) < 0
    return _Asked(found.x[chosen], found.y[chosen], chosen, owner, free, there, RADII * fwhm)


def _each(planes: Planes, asked: _Asked, judged: bool) -> _Try | None:
    """Tell a curve for each channel."""
    low, high = float(np.nanmin(planes)), float(np.nanmax(planes))
    problems = [p for p in over(lambda p: asked.problem(p, _limit(p), low, high, step_of_values(p)), planes) if p is not None]
    if len(problems) < len(planes):
        return None
    told = over(lambda p: tell_curves([p])[0], problems)
    if len(told) > 1:
        alike = tell_curves(problems, TIE)
        if sum(t.cost for t in alike) < sum(t.cost for t in told) + RISE:
            told = alike
    way = Each([t.curve for t in told])
    light = way.to_light(planes)
    # beyond what stars told the curve is a guess
    levels = [min(_limit(p), t.highest) for p, t in zip(planes, told, strict=True)]
    white = tuple(float(np.interp(v, t.curve.level, t.curve.light)) for v, t in zip(levels, told, strict=True))
    return _Try(way, told, light, white, _off(_straight(light, white, asked)) if judged else 0.0)


def _one(planes: Planes, asked: _Asked, kind: Kind) -> _Try | None:
    """Tell one curve for all channels."""
    if kind.rolled and not tone.KNEE < float(np.nanmax(planes)) < 1:
        return None  # rolled off levels never reach 1
    made = kind.unrolled(planes)
    bright = kind.brightness(made)
    top = float(np.nanmax(bright))
    # where highlights are rolled off levels do not tell what is cut off
    limits = np.array([math.inf if kind.rolled else _limit(p) for p in made], np.float32)[:, None, None]
    with np.errstate(invalid="ignore"):
        cut = (made > limits).any(0)
    step = step_of_values(planes[0]) / (1 if kind.of == "most" else math.sqrt(len(planes)))
    zero = float(np.nanquantile(bright, DARK))
    bright[cut] = top
    even = kind.even(bright, top)
    problem = asked.problem(even, _limit(even), float(np.nanmin(even)), float(np.nanmax(even)), step)
    if problem is None:
        return None
    told = tell_curves([problem])[0]
    curve, highest = told.curve, told.highest
    if kind.rolled:
        if kind.uneven(np.array([highest]), top)[0] < WHITE:
            return None
        curve, highest = as_ours(kind, curve, highest, float(np.nanmedian(even)), _limit(even), top)
    way = Factor.of(kind, curve, zero)
    light = way.to_light(planes)
    with np.errstate(invalid="ignore"):
        cut |= bright > highest
        if kind.rolled:
            cut |= (light > CUT * np.nanmax(light, axis=(1, 2), keepdims=True)).any(0)
    if not (~cut & asked.there).any():
        return None
    # no channel of what is cut off in any, or beyond what stars told, is known: it lies higher than all that is
    white = tuple(float(np.nanmax(p[~cut])) for p in light)
    light[:, cut] = np.array(white, np.float32)[:, None]
    fit = _straight(light, white, asked)
    return _Try(way, fit, light, white, _off(fit)) if len(fit) == len(planes) else None


def _straight(light: Planes, white: tuple[float, ...], asked: _Asked) -> list[Told]:
    """Tell how well stars and noise fit light."""

    def channel(plane: Plane, most: float) -> Told | None:
        sky = float(np.nanmedian(plane))
        limit = most - 0.06 * (most - sky)
        problem = asked.problem(plane, limit, float(np.nanmin(plane)), float(np.nanmax(plane)), straight=True)
        return None if problem is None else tell_curves([problem])[0]

    return [t for t in over(lambda pw: channel(*pw), list(zip(light, white, strict=True))) if t is not None]


def _off(told: list[Told]) -> float:
    return sum(t.stars_off for t in told) / len(told) if told else math.inf


def _limit(plane: Plane) -> float:
    """Give the level above which nothing is told from one another."""
    sky, high = float(np.nanmedian(plane)), float(np.nanmax(plane))
    return min(sky + NEARLY * (high - sky), high - STEPS * step_of_values(plane))


def _owners(stars: StarList, reach: npt.NDArray[np.float64], shape: tuple[int, int]) -> Ints:
    """Give each pixel the star whose disc it lies in, the brightest; -1 for none."""
    import cv2

    owner = np.full(shape, -1, np.int32)
    for i in np.argsort(stars.peak, kind="stable").tolist():
        cv2.circle(owner, (round(float(stars.x[i])), round(float(stars.y[i]))), math.ceil(reach[i]), i, -1)
    return np.asarray(owner)
