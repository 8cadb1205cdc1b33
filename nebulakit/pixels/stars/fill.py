"""Parting stars from a stretched picture, where light no longer adds up and noise hangs on the level.

No law of a star's image holds there. What does: around the middle of a star its light falls with distance, and far enough
out nothing of it is seen. So each star is followed outward until its rings fall no more; what lies behind is told from
around that disc; and where the star is faint, the ring's median is taken off and the detail of the picture itself kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.kriging import noise_blur
from nebulakit.pixels.patching import Told, fill, grain
from nebulakit.pixels.stars.coloured import star_coloured
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.law import box_around

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

FALLS = 0.35  # sigma: a ring that lies by less than this above those around shows no star
SHINES = 2.0, 8.0  # sigma of a star's light on a ring: below the first its detail is kept, above the second it is filled
ALIKE = 1.5  # how much brighter or broader a star may be that tells how far another reaches
LEVELS = 24
DISCS = 0.93, 0.85, 0.75, 0.6, 0.45  # levels at which broad stars are looked for, over the range of the picture
BENDS = 4.0, 8.0  # exponents over the range of the picture


class Filled(NamedTuple):
    """What lies behind the stars, which pixels were touched, which filled rather than subtracted, and the stars' radii."""

    nebula: Planes
    touched: Mask
    told: Mask
    radius: Array


def fill_stars(
    planes: Planes,
    noise: Noise,
    stars: StarList,
    fwhm: float,
    *,
    halos: bool = True,
    add: Sequence[tuple[float, float, float]] = (),
    seed: int = 1,
    told: Told | None = None,
) -> Filled:
    """Take the stars out of stretched planes (channel, y, x) of any monotone stretch; NaN stays NaN.

    ``halos`` False follows no star further than four widths. ``add``: (x, y, radius) of places filled as if a star stood
    there. What is put in a star's place lies between the lowest and the highest level around it, but for noise. ``told``:
    holes that are known from another call for the same picture, which is added to.
    """
    there: Mask = np.asarray(np.isfinite(planes).all(0))
    whole = np.stack([push_pull(p, ~there) for p in planes])
    radius = _reach(whole, noise, stars, fwhm, halos)
    x, y = (np.concatenate([v, [a[k] for a in add]]) for k, v in enumerate((stars.x, stars.y)))
    reach = np.concatenate([radius, [a[2] for a in add]])
    owner, far, shared = _owners(x, y, reach, there.shape)
    hole = (owner >= 0) & there
    if not hole.any():
        return Filled(planes.copy(), hole, hole.copy(), radius)
    nothing = Noise(noise.sigma, noise.scales, np.zeros(there.shape, np.float32))
    behind = fill(whole, hole, nothing, fwhm, seed, told)
    _bound(behind, whole, hole, noise)
    grains = grain(np.asarray(whole / np.asarray(noise.sigma, np.float32)[:, None, None], np.float32), hole, _blur(noise), seed)

    ys, xs = np.nonzero(hole)
    mine, ring = owner[ys, xs], far[ys, xs]
    out, filled = planes.copy(), np.zeros(there.shape, bool)
    low, high = (f(planes[:, there], axis=1) for f in (np.min, np.max))
    for c, (plane, light) in enumerate(zip(planes, behind, strict=True)):
        noise_at = _noise_at(np.where(hole, light, whole[c]), hole, noise, c)
        sigma = noise_at(light[ys, xs])
        above = plane[ys, xs] - light[ys, xs]
        shine, keep = _shine(above, sigma, mine, ring, len(x))
        # where two stars shine no ring tells of one; and a place that was asked to be filled is
        keep = np.where((mine < len(stars)) & ~shared[ys, xs], keep, 0)
        # a stretch is flatter where a star lifts the level: detail there comes out as much smaller as noise does
        flatter = np.clip(sigma / noise_at(light[ys, xs] + np.maximum(shine, 0)), 1, 1.6)
        value = light[ys, xs] + keep * np.clip(flatter * (above - shine), -4 * sigma, 4 * sigma)
        value += np.sqrt(1 - keep**2) * sigma * grains[c, ys, xs]
        # a star only adds light: what lies behind is not brighter than what is seen
        out[c, ys, xs] = np.minimum(np.clip(value, low[c], high[c]), plane[ys, xs])
        filled[ys, xs] |= keep < 0.5
    return Filled(out, hole, filled, radius)


def find_shown(planes: Planes, noise: Noise, coverage: Plane | None = None) -> StarList:
    """Find the stars of stretched planes, the bright ones too, which a stretch makes broad and flat.

    Beside those found in the picture as it is, those found when it is bent back by exponentials of two strengths (about
    the inverse of what stretches do, so that there bright stars are as sharp as others), and what is burnt out.
    """
    from scipy.spatial import cKDTree

    low, high = float(np.nanmin(planes)), float(np.nanmax(planes))
    span = max(high - low, 1e-30)
    middle = [float(np.nanmedian(p)) if np.isfinite(p).any() else low for p in planes]
    found = [_discs(planes, low, span), find_stars(planes, noise, coverage)]
    for bend in BENDS:
        bent = np.expm1(np.float32(bend / span) * (planes - np.float32(low)))
        slope = [bend / span * math.exp(bend * (m - low) / span) for m in middle]
        found.append(find_stars(bent, noise.scaled(slope), coverage))
    keep = [np.ones(len(f), bool) for f in found]
    for k, more in enumerate(found[1:], 1):
        have = np.concatenate([np.column_stack([f.x, f.y])[use] for f, use in zip(found[:k], keep[:k], strict=True)])
        if len(have) and len(more):
            keep[k] = cKDTree(have).query(np.column_stack([more.x, more.y]))[0] > 3
    one = {
        name: np.concatenate([getattr(f, name)[use] for f, use in zip(found, keep, strict=True)])
        for name in ("x", "y", "flux", "peak", "radius", "saturated")
    }
    one["radius"][len(found[0]) :] = 0
    h, w = planes.shape[1:]
    at = (np.clip(np.rint(one["y"]).astype(int), 0, h - 1), np.clip(np.rint(one["x"]).astype(int), 0, w - 1))
    one["peak"] = np.nan_to_num(planes[:, *at]).sum(0) - sum(middle)
    # a knot of the nebula has the nebula's colour, above what is around it
    turns, away = np.arange(16) * (2 * math.pi / 16), (6 + 1.6 * one["radius"])[:, None]
    ry = np.clip(np.rint(one["y"][:, None] + away * np.sin(turns)).astype(int), 0, h - 1)
    rx = np.clip(np.rint(one["x"][:, None] + away * np.cos(turns)).astype(int), 0, w - 1)
    heights = np.nan_to_num(planes[:, *at] - np.median(planes[:, ry, rx], axis=2)).astype(np.float64)
    good = one["saturated"] | star_coloured(heights, 2 * np.asarray(noise.sigma)[:, None], strict=True)
    order = np.argsort(-one["peak"], kind="stable")
    return StarList(**one).take(order[good[order]])


def _discs(planes: Planes, low: float, span: float) -> StarList:
    """Find what is round, solid and bright in most channels, at several levels: broad stars, which end in no peak.

    ``saturated`` are those of the highest level.
    """
    import cv2

    middle = np.median(np.nan_to_num(planes, nan=low), axis=0)
    x, y, radius, saturated = np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, bool)
    for level in DISCS:
        _, labels, stats, middles = cv2.connectedComponentsWithStats(
            (middle > low + level * span).astype(np.uint8), connectivity=4
        )
        extent, size = stats[:, 2:4], stats[:, 4]
        # the edge cuts a disc in half
        corner = stats[:, :2]
        cut = (corner == 0).any(1) | (corner + extent == np.array(labels.shape[::-1])).any(1)
        good = (
            (size >= 12) & (extent.max(1) < 0.25 * min(labels.shape)) & (extent.max(1) <= np.where(cut, 2.5, 1.4) * extent.min(1))
        )
        good &= size > 0.65 * extent.prod(1)
        good[0] = False
        # one known from a higher level is as broad as its disc at this one; several in one disc were parts of it
        mine = labels[np.rint(y).astype(int), np.rint(x).astype(int)]
        off = np.hypot(x - middles[mine, 0], y - middles[mine, 1])
        nearest = np.full(len(good), np.inf)
        np.minimum.at(nearest, mine, off)
        first = off <= nearest[mine]
        radius = np.where(good[mine] & first, np.sqrt(size[mine] / math.pi), radius)
        stays = ~good[mine] | first
        good[mine] = False
        x, y, radius, saturated = x[stays], y[stays], radius[stays], saturated[stays]
        x, y = np.concatenate([x, middles[good, 0]]), np.concatenate([y, middles[good, 1]])
        radius = np.concatenate([radius, np.sqrt(size[good] / math.pi)])
        saturated = np.concatenate([saturated, np.full(int(good.sum()), level == DISCS[0])])
    none = np.zeros(len(x))
    return StarList(x, y, none, none.copy(), radius, saturated)


def _blur(noise: Noise) -> float:
    ratios = [row[1] / row[0] for row in noise.scales if len(row) > 1 and row[0] > 0]
    return noise_blur(float(np.median(ratios))) if ratios else 0.0


def _reach(planes: Planes, noise: Noise, stars: StarList, fwhm: float, halos: bool) -> Array:
    """Follow every star outward until its rings fall no more; give the radii in px."""
    sigma = np.asarray(noise.sigma, np.float32)[:, None, None]
    light = (planes / sigma).sum(0) / np.float32(math.sqrt(len(planes)))
    radius = np.maximum(1.2 * fwhm, stars.radius)
    # the nebula falls around a star that stands on its ridge; how far a star can reach hangs on how broad it is
    most = radius * np.minimum(2.2 + 0.3 * radius / fwhm, 3.5)
    most = np.minimum(most, 0.15 * min(light.shape) if halos else 4 * fwhm)
    growing = np.ones(len(stars), bool)
    while growing.any():
        owner = _owners(stars.x, stars.y, radius, light.shape)[0]
        for i in np.nonzero(growing)[0].tolist():
            r = float(radius[i])
            edges = (r, r + max(1.5, 0.15 * r), r + max(5.0, 0.5 * r))
            near, around = _rings(light, owner, i, float(stars.x[i]), float(stars.y[i]), edges)
            # the darker side of a ring: a filament that crosses it does not count
            fall = float(np.quantile(near, 0.3) - np.quantile(around, 0.3)) if min(len(near), len(around)) >= 8 else 0.0
            if fall > FALLS + 3 / math.sqrt(max(len(near), 1)):
                radius[i] = min(1.2 * r + 0.5, most[i])
                growing[i] = radius[i] < most[i]
            else:
                growing[i] = False
    # so do others as bright and broad
    owner = _owners(stars.x, stars.y, radius, light.shape)[0]
    broad = np.zeros(len(stars))
    for i in range(len(stars)):
        r = float(radius[i])
        disc, around = _rings(light, owner, i, float(stars.x[i]), float(stars.y[i]), (0.0, r, r + 4))
        if len(disc) and len(around):
            above = disc - np.median(around)
            broad[i] = float(above.max()) * float((above > 0.5 * above.max()).sum())
    order = np.argsort(broad, kind="stable")
    sorted_radius, sorted_broad = radius[order], broad[order]
    for i in range(len(stars)):
        low, high = np.searchsorted(sorted_broad, broad[i] * ALIKE ** np.array([-1.0, 1.0]))
        if high - low < 5 and stars.radius[i] == 0:
            low, high = max(low - 5, 0), high + 5
        if high - low >= 5:
            radius[i] = min(radius[i], 1.2 * float(np.median(sorted_radius[low:high])) + 0.5)
    return radius


def _rings(light: Plane, owner: Ints, i: int, x: float, y: float, edges: tuple[float, float, float]) -> tuple[Plane, Plane]:
    """Give the pixels of two rings around a star that lie in no other star's disc."""
    half = math.ceil(edges[2])
    y0, y1, x0, x1 = box_around(x, y, half, light.shape)
    r = np.hypot(np.arange(x0, x1)[None] - x, np.arange(y0, y1)[:, None] - y)
    box = owner[y0:y1, x0:x1]
    free = (box < 0) | (box == i)
    cut = light[y0:y1, x0:x1]
    return cut[free & (r >= edges[0]) & (r < edges[1])], cut[free & (r >= edges[1]) & (r < edges[2])]


def _owners(x: Array, y: Array, radius: Array, shape: tuple[int, int]) -> tuple[Ints, Plane, Mask]:
    """Give each pixel the star in whose disc it lies deepest (-1: none), the distance from it, and if it lies in another's too."""
    owner, far, depth = np.full(shape, -1, np.int32), np.zeros(shape, np.float32), np.ones(shape, np.float32)
    shared = np.zeros(shape, bool)
    for i, (a, b, r) in enumerate(zip(x.tolist(), y.tolist(), radius.tolist(), strict=True)):
        half = math.ceil(r)
        y0, y1, x0, x1 = box_around(a, b, half, shape)
        if y0 >= y1 or x0 >= x1:
            continue
        d = np.hypot(np.arange(x0, x1)[None] - a, np.arange(y0, y1)[:, None] - b).astype(np.float32)
        shared[y0:y1, x0:x1] |= (d < r) & (owner[y0:y1, x0:x1] >= 0)
        here = d / np.float32(max(r, 1e-6)) < depth[y0:y1, x0:x1]
        owner[y0:y1, x0:x1][here] = i
        far[y0:y1, x0:x1][here] = d[here]
        depth[y0:y1, x0:x1][here] = d[here] / np.float32(r)
    return np.asarray(owner), np.asarray(far), np.asarray(shared, bool)


def _noise_at(plane: Plane, hole: Mask, noise: Noise, c: int) -> Callable[[Plane], Plane]:
    """Measure how the noise of a plane hangs on the level, outside ``hole``: a stretch lifts it in the dark."""
    smooth = plane  # so far that the level hardly hangs on the noise that is measured by it
    for j in (1, 2, 3, 4):
        smooth = starlet.smooth(smooth, j)
    fine = np.abs(plane - starlet.smooth(plane, 1))[~hole]
    level = smooth[~hole]
    share = noise.scales[c][0] / noise.sigma[c] if noise.sigma[c] > 0 else 1.0
    if len(level) < 50 * LEVELS or not share > 0:
        return lambda level: np.full_like(level, noise.sigma[c])
    order = np.argsort(level, kind="stable")
    parts = np.array_split(order[:: max(1, len(order) // 400_000)], LEVELS)
    place = np.array([float(np.median(level[k])) for k in parts])
    found = np.array([1.4826 * float(np.median(fine[k])) / share for k in parts])
    found = np.maximum(found, 1e-3 * noise.sigma[c])
    return lambda level: np.interp(level, place, found).astype(np.float32)


def _bound(behind: Planes, planes: Planes, hole: Mask, noise: Noise) -> None:
    """Keep what was told within the range of the levels around each hole, noise taken off."""
    import cv2

    count, labels = cv2.connectedComponents(hole.astype(np.uint8), connectivity=8)
    grown = np.where(hole, 0, cv2.dilate(labels.astype(np.float32), np.ones((7, 7), np.uint8)).astype(np.int32))
    ring, inside = grown > 0, labels[hole]
    of = grown[ring]
    seen = np.bincount(of, minlength=count) > 0
    for plane, light, sigma in zip(planes, behind, noise.sigma, strict=True):
        around = cv2.blur(plane, (3, 3))[ring]
        low, high = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(low, of, around)
        np.maximum.at(high, of, around)
        # star light may reach a little over the rim: the middle of the levels there counts, and as much again
        low, high = np.where(seen, low, 0) - sigma, np.where(seen, high, 0) + sigma
        light[hole] = np.clip(light[hole], low[inside], high[inside])


def _shine(above: Plane, sigma: Plane, mine: Ints, ring: Plane, stars: int) -> tuple[Plane, Plane]:
    """Give for each pixel its star's light, by the medians of rings 1 px wide, and how far its own detail can be kept."""
    steps = int(ring.max()) + 3
    number = mine.astype(np.int64) * steps + ring.astype(np.int64)
    medians, counts = np.zeros(stars * steps), np.zeros(stars * steps)
    noise = np.ones(stars * steps)
    order = np.lexsort((above, number))
    which, first, count = np.unique(number[order], return_index=True, return_counts=True)
    medians[which] = above[order][first + count // 2]
    counts[which] = count
    noise[which] = sigma[order][first + count // 2]
    table, known = medians.reshape(stars, steps), counts.reshape(stars, steps) > 0
    # beyond its last ring a star has no light; rings further in are at least as bright as those around them
    table = np.where(known, table, 0)
    over = np.maximum.accumulate((table / noise.reshape(stars, steps))[:, ::-1], axis=1)[:, ::-1]
    place = np.clip(ring - 0.5, 0, steps - 2)
    k = place.astype(np.int64)
    part = (place - k).astype(np.float32)

    def at(values: Array) -> Plane:
        return np.asarray((1 - part) * values[mine, k] + part * values[mine, k + 1], np.float32)

    least, most = SHINES
    return at(table), np.clip((most - at(over)) / (most - least), 0, 1)
