"""Parting a picture into what the stars gave and what lies behind them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import partial
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import patching
from nebulakit.pixels.borders import black_border
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.inpaint import harmonic
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.fill import fill_stars, find_shown
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD, RADII
from nebulakit.pixels.stars.rounds import fit_stars, inner
from nebulakit.pixels.stars.straighten import Straight, is_ours, still_there, straighten

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]


Halos = Literal["stars", "nebula", "dropped"]


class Parted(NamedTuple):
    """What came of parting a picture; ``touched`` is every pixel that is not as it was."""

    nebula: Planes
    stars: Planes
    touched: Mask
    found: StarList
    record: dict[str, Any]


def separate(
    planes: Planes,
    noise: Noise,
    coverage: Plane | None = None,
    white: tuple[float, ...] | None = None,
    stars: StarList | None = None,
    *,
    halos: Halos = "stars",
    add: Sequence[tuple[float, float, float]] = (),
    spare: Sequence[tuple[float, float, float]] = (),
    seed: int = 1,
) -> Parted:
    """Part planes (channel, y, x) into nebula and stars, whose float32 sum is what came in, to the last bit.

    ``halos``: whose the wide wings and reflections of bright stars are; dropped, they are in neither, and the sum lacks them.
    ``add`` and ``spare``: (x, y, radius) of places to be filled as if a star stood there, and of places whose stars are none.
    """
    found = _without(find_stars(planes, noise, coverage, white) if stars is None else stars, spare)
    noise = _some(noise, planes)
    if not len(found) and not add:
        return _nothing(planes, found)
    return _apart(planes, noise, fit_stars(planes, noise, coverage, white, found, spare=spare), halos, add, seed)


def _nothing(planes: Planes, none: StarList) -> Parted:
    """Part planes in which no star is to be parted."""
    return Parted(planes.copy(), np.where(np.isnan(planes), planes, 0), np.zeros(planes.shape[1:], bool), none, {"stars": 0})


def _apart(
    planes: Planes, noise: Noise, fit: StarFit, halos: Halos, add: Sequence[tuple[float, float, float]], seed: int
) -> Parted:
    """Part planes whose stars are fitted."""
    laws = fit.laws  # as they were told, whoever keeps the wings
    if halos == "nebula":
        _without_halos(fit)
        fit.redraw()
    nebula, touched = compose(planes, fit, noise, seed, add)
    listed = _listed(fit, noise)
    cores = inner(fit.cores).any(0)
    reach = fit.laws[int(np.argmax(fit.height.sum(1)))].radius(1 / np.maximum(fit.height.max(0), 1)) if fit.count else np.zeros(0)
    record = {
        "stars": fit.count,
        "saturated": int(fit.saturated.sum()),
        "share_touched": float(touched.mean()),
        "share_filled": float((cores & (inner(fit.lost).max(0) > 127)).mean()),
        "halo_radii_px": [float(v) for v in np.sort(reach[fit.saturated])[::-1][:20]],
        "widths_px": [law.width for law in laws],
        "wings_share": [float(np.trapezoid(law.wings * RADII, RADII) / np.trapezoid(law.table * RADII, RADII)) for law in laws],
        "resampled_linearly": [float(law.linear) for law in laws],
        **how_shaped(fit),
        **({} if fit.spikes is None else {"spikes_deg": fit.spikes.spans}),
    }
    shed = [inner(fit.halos(c)) for c in range(len(planes))] if halos == "dropped" else []
    del fit  # what is left to do needs the room
    rest = exact_rest(planes, nebula, [NUDGED * sigma for sigma in noise.sigma])
    for c, halo in enumerate(shed):
        np.subtract(rest[c], np.float32(noise.sigma[c]) * halo, out=rest[c], where=touched)
    return Parted(nebula, rest, touched, listed, record)


def how_shaped(fit: StarFit) -> dict[str, Any]:
    """Tell for the record what stars look like where they are not all alike and round: how many times as wide as usual they are
    where they are least so, and most; or how they were trailed, all alike (length over width at
    half maximum, and from the x axis towards y along what); nothing else."""
    varying, law = fit.laws[0].varying, fit.laws[0].near(0, 0)
    if varying is None:
        return {}
    if not varying.constant:
        h, w = fit.data.shape[1:]
        y, x = np.mgrid[PAD : h - 1 - PAD : 9j, PAD : w - 1 - PAD : 9j]
        scale = fit.laws[0].scale(x.ravel(), y.ravel())
        return {"widths_vary": [float(scale.min()), float(scale.max())]}
    a, b, c = np.array(law.contour) + (law.drawn_out or (0, 0, 0))[:3]
    (x_, u), (y_, v) = np.linalg.eigh([[a, b], [b, c]])[1]  # along, across
    far = np.arange(0, 4 * law.width, 0.01)
    long, short = (far[np.argmax(law.at(far * dx, far * dy) < 0.5)] for dx, dy in ((x_, y_), (u, v)))
    return {"trailed": float(long / short), "trailed_deg": math.degrees(math.atan2(y_, x_)) % 180}


def _without_halos(fit: StarFit) -> None:
    """Take the wide wings off the laws of a fit, and the reflections off its stars; what is told of cores gets their light."""

    def behind(c: int) -> None:
        fit.behind[c] += fit.halos(c)

    over(behind, range(len(fit.laws)))
    fit.bared.clear()
    fit.laws = [law.told(law.table - law.wings) for law in fit.laws]
    fit.ghosts = [None] * len(fit.laws)


class _Wish(NamedTuple):
    """What is asked for beside a picture, as :func:`separate` takes it."""

    halos: Halos
    add: Sequence[tuple[float, float, float]]
    spare: Sequence[tuple[float, float, float]]
    seed: int


def separate_shown(
    planes: Planes,
    noise: Noise,
    coverage: Plane | None = None,
    fwhm: float | None = None,
    *,
    halos: Halos = "stars",
    add: Sequence[tuple[float, float, float]] = (),
    spare: Sequence[tuple[float, float, float]] = (),
    seed: int = 1,
) -> Parted:
    """Part planes that were stretched, as :func:`separate` does linear ones.

    In their light, where the curve that stretched them can be told (:mod:`nebulakit.pixels.stars.straighten`), else as they are
    (:mod:`nebulakit.pixels.stars.fill`). ``fwhm``: of the stars as they look. A black border holds no star and tells nothing:
    it is nebula as it is.
    """
    black = black_border(planes)
    # black is no light: counted as the darkest there is, it took the level from which one factor counts for all
    known = planes if black is None else np.where(black, np.float32(np.nan), planes)
    noise, width, wish = _some(noise, known), 3.0 if fwhm is None else fwhm, _Wish(halos, add, spare, seed)
    found = find_shown(known, noise, coverage)
    parted, tries = _in_light(known, noise, coverage, found, width, wish)
    if parted is None:
        parted = _in_levels(known, noise, found, width, wish)
    # what is believed, or was tried last
    record = {**parted.record, **(tries.pop() if tries else {}), **_given_up(tries)}
    if black is not None:
        np.copyto(parted.nebula, planes, where=black)
        np.copyto(parted.stars, np.float32(0), where=black)
    return parted._replace(record=record)


def _given_up(tries: list[dict[str, Any]]) -> dict[str, Any]:
    """Tell of tries that another followed, for the record: what was believed of them, and how many stars they left."""
    kept = "curve_of", "curve_stars_off", "curve_noise_off", "stars_left"
    return {"given_up": [{k: told[k] for k in kept if k in told} for told in tries]} if tries else {}


def _in_light(
    planes: Planes, noise: Noise, coverage: Plane | None, found: StarList, fwhm: float, wish: _Wish
) -> tuple[Parted | None, list[dict[str, Any]]]:
    """Part a stretched picture in its light, None where no curve brings it there; and tell what was tried."""
    tries = list[dict[str, Any]]()
    for straight, told in straighten(planes, coverage, found, fwhm):
        tries.append(told)
        if straight is None:
            continue
        # nothing is put in that is darker or brighter than all there is
        span = [f(planes, axis=(1, 2), keepdims=True) for f in (np.nanmin, np.nanmax)]
        light, stars = _some(straight.noise, straight.planes), _without(straight.stars, wish.spare)
        if not len(stars) and not wish.add:
            return _shown(planes, noise, straight, _nothing(straight.planes, stars), span, wish.halos), tries
        fit = fit_stars(straight.planes, light, coverage, straight.white, stars, spare=wish.spare)
        ours, left = is_ours(straight.way), partial(_left, fit, light, straight, span)
        told["stars_left"], most = still_there(planes, left, stars, straight.fwhm if ours else fwhm, ours)
        if told["stars_left"] <= most:
            parted = _apart(straight.planes, light, fit, wish.halos, wish.add, wish.seed)
            del fit, left
            return _shown(planes, noise, straight, parted, span, wish.halos), tries
        del straight, fit, left  # a large picture's next try needs the room
    return None, tries


def _left(fit: StarFit, noise: Noise, straight: Straight, span: list[Planes], y: Ints, x: Ints) -> Planes:
    """Give what a picture shows in places (channel, y and x) once all star light is taken off, halos too, whoever is to have them."""
    core, rest, behind = (inner(a)[:, y, x] for a in (fit.cores, fit.rest, fit.behind))
    light = np.where(core, behind, rest) * np.array(noise.sigma, np.float32)[:, None, None]
    return np.clip(straight.way.to_level(light), *span)


def _shown(planes: Planes, noise: Noise, straight: Straight, parted: Parted, span: list[Planes], halos: Halos) -> Parted:
    """Stretch what a picture was parted into in its light as the picture was."""
    shown = straight.way.to_level
    nebula = shown(parted.nebula)
    np.clip(nebula, *span, out=nebula)
    there = parted.touched & np.isfinite(planes)
    np.copyto(nebula, planes, where=~there)
    rest = exact_rest(planes, nebula)
    if halos == "dropped":
        # what the way to light and back does not bring back (stars that are cut off) belongs to both sides
        whole = shown(parted.nebula + parted.stars)
        whole += planes
        whole -= shown(straight.planes)
        np.clip(whole, *span, out=whole)
        np.subtract(whole, nebula, out=rest, where=there)
    factor = sum(noise.sigma) / sum(straight.noise.sigma)  # what a star's light would be if the curve were straight
    found = dataclasses.replace(parted.found, flux=parted.found.flux * factor, peak=parted.found.peak * factor)
    return Parted(nebula, rest, parted.touched, found, {"parted_in": "light", **parted.record})


def _in_levels(planes: Planes, noise: Noise, found: StarList, fwhm: float, wish: _Wish) -> Parted:
    """Part a stretched picture as it is."""
    found = _without(found, wish.spare)
    fill = partial(fill_stars, planes, noise, found, fwhm, add=wish.add, seed=wish.seed, told={})
    filled = fill(halos=wish.halos != "nebula")
    # cores alone are put back where halos are dropped
    rest = exact_rest(planes, (fill(halos=False) if wish.halos == "dropped" else filled).nebula)
    record = {
        "parted_in": "levels",
        "stars": len(found),
        "saturated": int(found.saturated.sum()),
        "share_touched": float(filled.touched.mean()),
        "share_filled": float(filled.told.mean()),
    }
    return Parted(filled.nebula, rest, filled.touched, dataclasses.replace(found, radius=filled.radius), record)


def _some(noise: Noise, planes: Planes) -> Noise:
    """Give the noise, and a little where there is none."""
    span = float(np.nanmax(planes) - np.nanmin(planes))
    return Noise(tuple(max(s, 1e-7 * span, 1e-30) for s in noise.sigma), noise.scales, noise.map)


def _without(stars: StarList, spare: Sequence[tuple[float, float, float]]) -> StarList:
    """Leave out the stars in these places."""
    keep = np.ones(len(stars), bool)
    for x, y, r in spare:
        keep &= np.hypot(stars.x - x, stars.y - y) > r
    return stars.take(keep)


def _listed(fit: StarFit, noise: Noise) -> StarList:
    """Give the fitted stars as a list, brightest first, in the planes' own units."""
    sigma = np.array(noise.sigma)
    area = np.array([2 * math.pi * float(np.trapezoid(law.table * RADII, RADII)) for law in fit.laws])
    peak, flux = sigma @ fit.height, (sigma * area) @ fit.height
    radius = np.max([law.radius(0.5 / np.maximum(fit.height[c], 1e-6)) for c, law in enumerate(fit.laws)], axis=0, initial=0.0)
    x, y = (at - PAD for at in fit.place)
    order = np.argsort(-flux, kind="stable")
    return StarList(*(np.asarray(v)[order] for v in (x, y, flux, peak, radius, fit.saturated)))


TOUCHED = 0.05  # sigma: star light below this is left where it is
TILE = 512
NUDGED = 5.0  # sigma: by more the nebula is not moved for the sake of a sum's last bit (under a sky far below 0 it would be by hundreds)


def compose(
    planes: Planes, fit: StarFit, noise: Noise, seed: int, add: Sequence[tuple[float, float, float]] = ()
) -> tuple[Planes, Mask]:
    """Give the nebula, and which pixels were touched."""
    nebula = planes.copy()
    _fill_edges(fit)
    grain = patching.grain(inner(fit.rest), inner(fit.cores).any(0), fit.field.noise_blur, seed, (TILE, TILE))
    h, w = planes.shape[1:]

    touched = np.empty((h, w), bool)

    def band(top: int) -> None:
        rows = slice(top, top + TILE)
        touched[rows] = False
        for c, sigma in enumerate(noise.sigma):
            core, rest, behind, lost = (inner(a[c])[rows] for a in (fit.cores, fit.rest, fit.behind, fit.lost))
            light = inner(fit.data[c])[rows] - rest
            if fit.rays is not None:
                light += inner(fit.rays[c])[rows]
            there = (np.abs(light) > TOUCHED) | core
            ys, xs = np.nonzero(core)
            share = lost[ys, xs] * np.float32(1 / 255)
            missing = np.sqrt(share * (2 - share))
            level = 1.0 if noise.map is None else noise.map[rows][ys, xs]
            value = rest.copy()
            value[ys, xs] = behind[ys, xs] + missing * level * grain[c][ys, xs % TILE]
            there &= np.isfinite(planes[c, rows])
            nebula[c, rows][there] = value[there] * np.float32(sigma)
            touched[rows] |= there

    over(band, range(0, h, TILE))
    if add:
        yy, xx = np.mgrid[0:h, 0:w]
        hole = np.zeros((h, w), bool)
        for x, y, r in add:
            hole |= np.hypot(xx - x, yy - y) <= r
        hole &= np.isfinite(planes).all(0)
        ys, xs = np.nonzero(hole)
        for c, sigma in enumerate(noise.sigma):
            level = 1.0 if noise.map is None else noise.map[ys, xs]
            nebula[c][ys, xs] = harmonic(nebula[c], hole)[ys, xs] + np.float32(sigma) * level * grain[c][ys % TILE, xs % TILE]
        touched |= hole
    return nebula, touched


def _fill_edges(fit: StarFit) -> None:
    """Tell the nebula from further in where much light comes in from a star beyond the edge."""
    for c in range(len(fit.data)):  # one after the other: each takes two planes more
        light = np.zeros_like(fit.data[c])
        fit.paint(light, c, np.nonzero(fit.outside & (fit.height[c] > 0))[0], 60, 1.0)
        hole = inner(light) > 40
        del light
        if hole.any():
            core, behind = inner(fit.cores[c]), inner(fit.behind[c])
            behind[hole] = harmonic(np.where(core, behind, inner(fit.rest[c])), hole)[hole]
            core[hole] = True
            inner(fit.lost[c])[hole] = 255


def exact_rest(whole: Planes, part: Planes, most: Sequence[float] | None = None) -> Planes:
    """Give ``rest`` such that ``part + rest`` is ``whole`` in float32, to the last bit; ``part`` is nudged where it must be.

    By the last bits only where it lies between ``-whole`` and ``2 whole``. Numbers further off are too coarse for a sum
    that fine, and are moved to where one of the two can just be told as finely as ``whole``; not by more than ``most``,
    per channel: beyond, both stay and their sum is off by up to half of their last bit.

    >>> whole, part = np.float32([[[1.1, 1e8]]]), np.float32([[[0.3, 0.7]]])
    >>> bool((part + exact_rest(whole, part) == whole).all())
    True
    """
    rest = whole - part
    wrong = np.zeros(whole.shape, bool)
    with np.errstate(invalid="ignore"):
        for w, r, p, whole_plane in zip(wrong, rest, part, whole, strict=True):
            w[:] = (p + r != whole_plane) & np.isfinite(whole_plane)
    if not wrong.any():
        return rest
    # counted in steps of the whole's last bit: one of the two must be below 2^24 of them, the other even beyond that
    there = whole[wrong].astype(np.float64)
    step = np.spacing(np.abs(whole[wrong])).astype(np.float64)
    total, top = np.rint(np.abs(there) / step), 2.0**24
    mine = np.clip(np.rint(part[wrong] * np.sign(there) / step), -top, total + top)
    odd = (np.maximum(np.abs(mine), np.abs(total - mine)) > top) & (np.where(np.abs(mine) > top, mine, total - mine) % 2 != 0)
    mine -= np.where(odd, np.sign(mine), 0)
    nudged = mine * step * np.sign(there)
    small = np.ones(len(nudged), bool)
    if most is not None:
        small = np.abs(nudged - part[wrong]) <= np.asarray(most)[np.nonzero(wrong)[0]]
        wrong[wrong] = small
    part[wrong] = nudged[small]
    rest[wrong] = ((total - mine) * step * np.sign(there))[small]
    return rest
