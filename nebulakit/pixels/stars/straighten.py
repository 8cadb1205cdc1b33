"""Bringing a stretched picture back to light, where its stars and its noise tell by what curve it was stretched."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.signs import step_of_values
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.unbend import RADII, Curve, Problem, Told, noise_by_level, sample, tell_curves

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int_]

ROUNDS = 2  # of curve, stars found in its light, and curve again
ASKED = 200  # the brightest stars that stand alone
ALONE = 3.0  # widths to the next star
STARS, LEVELS = 5, 4  # without which no curve is asked
FEWEST = 12  # stars without which no curve is believed
# how far the stars may be off curves that are believed, mean over the channels: measured 1.0-1.36 where each has its curve,
# 1.5-1.9 where one factor keeps hues
STARS_OFF = 1.45
NOISE_OFF = 1.5  # and the noise of any: 0.4-1.35 and 1.2-2.2
BRIGHT = 30  # of so many bright stars none may be left
LEFT, WINGS = 0.3, 0.8  # by more than this share of its height, or this where its wide wings are left on purpose
LIGHTS = 0, 10, 30, 100, 300, 1000, 3000, 10_000, 30_000
# the channels' curves are held alike to so much (logarithm of the slope, over the range of levels) unless stars and noise
# fit worse by so much: alike they rise by under 65, unlike by over 110 (asinh 0.002 beside 0.01)
TIE, RISE = 0.03, 80.0
NEARLY, STEPS = 0.995, 3  # of the range above the sky, or so many steps of saving below its end: brighter levels are cut off


class Straight(NamedTuple):
    """A stretched picture in light (each channel in noises of its sky), its curves, stars, noise, and where it is cut off."""

    planes: Planes
    curves: list[Curve]
    noise: Noise
    stars: StarList
    white: tuple[float, ...]

    def shown(self, light: Planes) -> Planes:
        """Stretch light as the picture was."""
        return np.stack([curve.to_level(plane) for plane, curve in zip(light, self.curves, strict=True)])


def straighten(planes: Planes, coverage: Plane | None, found: StarList, fwhm: float) -> tuple[Straight | None, dict[str, Any]]:
    """Give planes (channel, y, x) in light, None where no curve can be believed; and what was measured, for the record.

    Each channel has a curve of its own, held to the others' where they are alike. ``found``: its stars, and ``fwhm`` their
    width, as they look in the picture.
    """
    straight = None
    for k in range(ROUNDS):
        told = _tell(planes, found, fwhm, first=k == 0)
        fit = told or []
        record = {
            "curve_stars": [t.stars for t in fit],
            "curve_stars_off": [t.stars_off for t in fit],
            "curve_noise_off": [t.noise_off for t in fit],
        }
        # the first curves only have to be good enough to find the stars in their light
        room = 1.0 if k == ROUNDS - 1 else 2.0
        if not fit or not _believed(fit, room):
            return None, record
        straight = _light(planes, coverage, fit)
        if len(straight.stars) < FEWEST:
            return None, record
        found, fwhm = straight.stars, float(np.median([t.width for t in fit]))
    assert straight is not None
    # of the curves: the levels at which so much light is shown (in noises, from the lowest level on)
    lights = [float(v) for v in LIGHTS if v < min(straight.white)]
    record["curve_light"] = lights
    record["curve_levels"] = [[round(float(np.interp(v, t.curve.light, t.curve.level)), 4) for v in lights] for t in fit]
    return straight, record


def _believed(told: list[Told], room: float) -> bool:
    stars_off = sum(t.stars_off for t in told) / len(told)
    return stars_off < room * STARS_OFF and all(t.stars >= FEWEST and t.noise_off < room * NOISE_OFF for t in told)


def still_there(planes: Planes, nebula: Planes, stars: StarList, fwhm: float, wings: bool) -> int:
    """Count the brightest stars that were not taken out of planes, where ``nebula`` is what was left of them
    (with their ``wings``, or without).

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
    around = np.median(np.nan_to_num(nebula[:, py, px]).mean(0), axis=1)
    return int((after - around > (WINGS if wings else LEFT) * np.maximum(before - around, 1e-6)).sum())


def _tell(planes: Planes, found: StarList, fwhm: float, first: bool) -> list[Told] | None:
    from scipy.spatial import cKDTree

    shape = planes.shape[1:]
    there = np.isfinite(planes).all(0)
    if not there.any():
        return None
    place = np.column_stack([found.x, found.y])
    if len(place) < 2:
        return None
    apart = cKDTree(place).query(place, k=2)[0][:, 1]
    order = np.argsort(-found.peak, kind="stable")
    chosen = order[apart[order] > ALONE * fwhm][:ASKED]
    # how far stars reach is known in light only
    reach = np.full(len(place), 2 * fwhm) if first else np.clip(found.radius, 1.5 * fwhm, 40.0)
    owner = _owners(found, reach, shape)
    free = (_owners(found, 2 * reach, shape) if first else owner) < 0
    radii = RADII * fwhm

    low, high = float(np.nanmin(planes)), float(np.nanmax(planes))

    def channel(plane: Plane) -> Problem | None:
        sky = float(np.nanmedian(plane))
        whole = np.where(there, plane, np.float32(sky))
        noise = noise_by_level(whole, free & there, step_of_values(plane))
        if len(noise.level) < LEVELS or not high > low:
            return None
        rings = sample(whole, owner, found.x[chosen], found.y[chosen], chosen, radii, _limit(plane))
        return Problem(rings, noise, radii, low, high, sky)

    problems = [p for p in over(channel, planes) if p is not None and len(p.value) >= STARS]
    if len(problems) < len(planes):
        return None
    unlike = over(lambda p: tell_curves([p])[0], problems)
    if len(unlike) == 1:
        return unlike
    alike = tell_curves(problems, TIE)
    return alike if sum(t.cost for t in alike) < sum(t.cost for t in unlike) + RISE else unlike


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


def _light(planes: Planes, coverage: Plane | None, told: list[Told]) -> Straight:
    curves = [t.curve for t in told]
    light = np.stack(over(lambda pc: pc[1].to_light(pc[0]), list(zip(planes, curves, strict=True))))
    noise = measure_noise(light, coverage)
    white = []
    for plane, t in zip(planes, told, strict=True):
        # beyond what stars told the curve is a guess
        level = min(_limit(plane), t.highest)
        white.append(float(np.interp(level, t.curve.level, t.curve.light)))
    return Straight(light, curves, noise, find_stars(light, noise, coverage, tuple(white)), tuple(white))
