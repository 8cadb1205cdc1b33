"""A picture, with the stars in it smaller, and what lies behind them moved in."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.morphology import dilated, eroded
from nebulakit.pixels.parallel import over
from nebulakit.pixels.shrinking.plan import BAND, FADE, FOOTPRINT, Shrinking, known, pulls

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

LARGE = 1.5  # times the usual width: from there on others lie on a star's flanks
APART = 1.5  # widths of a large star: so near no other is taken by its rings
RING = 0.35  # share of the pixels of a ring that are darker than what is taken for the star's
OUTER = 0.8  # share of what a large star takes up: from there on its surroundings are seen
DARKEST = 0.02  # share of their pixels that are darker than what counts as the darkest there
ROUND, OVAL = 1.2, 2.0  # times as long as wide: less is round, more is no one star
ASIDE = 0.07  # widths from where it is listed, from where on a round star is taken to be where its light is
INNER = 0.3, 0.7  # of white: from where on a large star's light is drawn in as it is, not by rings, partly and wholly
UNSEEN = 0.1  # of white: so near to it the less is seen of what is under a large star, and at white nothing
AT_ONCE = 1 << 16  # pixels of stars' surroundings that are worked on at a time


def picture_reduced(planes: Planes, plan: Shrinking) -> Planes:
    """Make the stars in a picture smaller.

    First the flanks of the large stars, told from their rings, are drawn in by themselves: what lies on them, nebula, grain
    or a small star, is not drawn along. Their middles, which need not be round, are drawn in as they are. Then the small stars,
    on what is left.
    """
    height, width = planes.shape[1:]
    out = planes.copy()
    filled = known(planes, plan.empty)
    bright = filled[0] if len(filled) == 1 else filled.mean(0)
    large = _large(bright, plan)
    plan, shapes = _middles(bright, plan, large)
    flanks, rest = _flanks(filled, plan, large, shapes)
    ground = rest[0] if len(rest) == 1 else rest.mean(0)
    sources = [_Source(ground)] + [_Source(plane) for plane in rest]
    behind = [_Source(plane) for plane in flanks]
    # where nothing is, a large star goes on as its rings tell
    stars = filled if plan.empty is None else np.where(plan.empty, rest + flanks * (1 - rest), filled)
    whole = [_Source(plane) for plane in stars] if large.any() else []
    keep = np.ones((height, width), np.float32)
    top = np.floor(plan.y - FOOTPRINT * FADE * plan.width) - 2
    low = np.ceil(plan.y + FOOTPRINT * FADE * plan.width) + 2

    def work(y0: int) -> None:
        rows = slice(y0, min(y0 + BAND, height))
        here = (low >= rows.start) & (top < rows.stop)
        shift_x, shift_y, core, kept = _fields(rows, width, plan, np.flatnonzero(here & ~large))
        if kept is not None:
            keep[rows] = kept
        large_x, large_y, _, kept = _fields(rows, width, plan, np.flatnonzero(here & large))
        if kept is not None:
            keep[rows] = np.minimum(keep[rows], kept)
        moved = (shift_x != 0) | (shift_y != 0)
        pulled = (large_x != 0) | (large_y != 0)
        drawn = moved | pulled
        if not drawn.any():
            return
        y, x = np.mgrid[rows, :width].astype(np.float32)
        light = sources[0].at(x + shift_x, y + shift_y)
        mean = ground[rows]
        factor = np.divide(light, mean, out=np.ones_like(mean), where=mean > 1e-7)
        factor = np.where(drawn, np.clip(factor, 0, 1), np.float32(1))
        from_x, from_y = x + large_x, y + large_y
        flank = [one.plane[rows].copy() for one in behind]
        if pulled.any():
            for one, source in zip(flank, behind, strict=True):
                one[pulled] = source.some(from_x[pulled], from_y[pulled])
        # the middle of a large star, round or not, is drawn in as it is
        inner = np.clip((np.maximum.reduce(flank) - INNER[0]) / (INNER[1] - INNER[0]), 0, 1) if whole else np.zeros_like(mean)
        within = inner > 0
        for c, plane in enumerate(rest):
            moved_in = sources[1 + c].at(x + shift_x, y + shift_y)
            mine = core * plane[rows] * factor + (1 - core) * moved_in
            # one factor keeps a core's colour, but would take ground from channels in which the star is weak
            mine = np.maximum(mine, np.minimum(plane[rows], moved_in))
            mine = np.where(moved, mine, plane[rows])
            nearer = flank[c]
            # no more of a flank comes back than was taken away: on uneven ground rings tell too bright a flank, of which
            # the dark side has nothing to give, and it would become a disc
            taken = 1 - (1 - filled[c, rows]) / np.maximum(1 - plane[rows], np.float32(1e-6))
            nearer = np.minimum(nearer, np.maximum(taken, 0))
            mine += nearer * (1 - mine)
            if within.any():
                mine[within] += inner[within] * (whole[c].some(from_x[within], from_y[within]) - mine[within])
            mine = np.where(drawn, mine, filled[c, rows])
            out[c, rows] = mine if plan.empty is None else np.where(plan.empty[rows], planes[c, rows], mine)

    over(work, range(0, height, BAND))
    if (keep < 1).any():
        nothing = np.zeros_like(keep, bool) if plan.empty is None else plan.empty
        for c in range(len(out)):
            base = push_pull(out[c], (keep < 0.98) | nothing)
            out[c] = np.where((keep < 1) & ~nothing, base + keep * (out[c] - base), out[c])
    return out


def _large(light: Plane, plan: Shrinking) -> Mask:
    """Tell the stars so much larger than usual that others lie on their flanks; they stand clear, and not on another's flank."""
    from scipy.spatial import cKDTree

    if not len(plan.x):
        return np.zeros(0, bool)
    large = plan.width > LARGE * np.median(plan.width)
    places = np.stack([plan.x, plan.y], 1)
    tree = cKDTree(places)
    for j in np.flatnonzero(large):
        large[j] = _off_middle(light, plan.x[j], plan.y[j], plan.width[j]) < 0.2 * plan.width[j]
    for j in np.flatnonzero(large):
        near = np.array(tree.query_ball_point(places[j], APART * plan.width[j]), int)
        told_twice = np.hypot(*(places[near] - places[j]).T) < 0.5 * plan.width[j]
        smaller = plan.width[near] < plan.width[j] / np.where(told_twice, 1, 1.2)
        large[near[smaller]] = False
    return np.asarray(large, bool)


def _off_middle(light: Plane, x: float, y: float, width: float) -> float:
    """Give how far the middle of what is bright within a star's width lies from where the star is said to be, px."""
    reach = math.ceil(width)
    y0, x0 = max(round(y) - reach, 0), max(round(x) - reach, 0)
    box = light[y0 : max(round(y) + reach + 1, 0), x0 : max(round(x) + reach + 1, 0)]
    if not box.size:
        return math.inf  # it lies wholly outside
    yy, xx = np.nonzero(box > 0.5 * (box.max() + np.median(box)))
    return math.hypot(float(xx.mean()) + x0 - x, float(yy.mean()) + y0 - y) if len(xx) else 0.0


def _flanks(planes: Planes, plan: Shrinking, large: Mask, shapes: list[tuple[float, float]]) -> tuple[Planes, Planes]:
    """Give the light of the large stars as far as it is the same all along rings of their shape, and what is left without it.

    The stars stand on what is round them, and light is taken away as screening adds it, so that a white star on the flank of
    another stays white.
    """
    height, width = planes.shape[1:]
    out, under, floor = np.zeros_like(planes), planes.copy(), np.maximum(planes, 0)
    there = None if plan.empty is None else ~plan.empty
    for x, y, wide, (ratio, turn) in zip(plan.x[large], plan.y[large], plan.width[large], shapes, strict=True):
        reach = math.ceil(FOOTPRINT * FADE * wide)
        x0, y0 = max(round(x) - reach, 0), max(round(y) - reach, 0)
        part = (slice(y0, min(round(y) + reach + 1, height)), slice(x0, min(round(x) + reach + 1, width)))
        yy, xx = np.mgrid[part].astype(np.float32)
        dx, dy = xx - np.float32(x), yy - np.float32(y)
        along, across = math.cos(turn) * dx + math.sin(turn) * dy, math.cos(turn) * dy - math.sin(turn) * dx
        away = np.hypot(along / math.sqrt(ratio), across * math.sqrt(ratio))
        ring = np.rint(away).astype(int).ravel()
        seen = slice(None) if there is None else there[part].ravel()
        ring, off = ring[seen], away.ravel()[seen]
        if not len(ring):
            continue
        count = np.bincount(ring, minlength=reach + 1)
        first = np.cumsum(count) - count
        outer = ring >= OUTER * reach
        for plane, flank, below, least in zip(planes, out, under, floor, strict=True):
            values = plane[part].ravel()[seen]
            profile, slope = np.zeros(len(count), np.float32), np.zeros(len(values), np.float32)
            for _ in range(2):  # on a steep flank a ring's inner rim is brighter than its outer one: told once, that is taken off
                level = values - slope
                ordered = level[np.lexsort((level, ring))]
                # a little below the middle, so that neighbours on more than half of a ring do not raise it
                profile = ordered[np.minimum(first + (count * RING).astype(int), len(ordered) - 1)]
                profile = np.minimum.accumulate(np.where(count > 0, profile, values.max()))
                slope = np.interp(off, np.arange(len(profile)), profile).astype(np.float32) - profile[ring]
            # the slope taken off what is black leaves less than nothing
            profile = _smooth_outside(np.maximum(profile[: reach + 1], 0), wide)
            base = float(profile[-1])
            above = (profile - base) / (1 - min(base, 0.9))
            mine = np.interp(away, np.arange(len(profile)), above, right=0.0).astype(np.float32)
            below[part] = np.where(mine > 0.25, np.minimum(below[part], np.float32(base)), below[part])
            least[part] = np.minimum(least[part], np.quantile(values[outer], DARKEST) if outer.any() else 0)
            flank[part] = np.maximum(flank[part], mine)
    # a star that is not round, or not quite where it is said to be, leaves nothing darker than there is beside it
    rest = np.maximum(1 - (1 - planes) / (1 - np.minimum(out, np.float32(0.98))), np.minimum(planes, floor))
    # where it is white itself nothing tells what is under it: taken for seen, its white would stay as wide as it was
    rest -= np.clip(1 - (1 - out) / UNSEEN, 0, 1) * np.maximum(rest - under, 0)
    # the brighter the star, the less is seen of what is under it: no darker than what is round it
    rest += np.clip(2.5 * out - 0.75, 0, 1) * np.maximum(under - rest, 0)
    rest = np.where(out > 0, rest, planes)
    return out, rest if plan.empty is None else known(rest, plan.empty)


def _middles(light: Plane, plan: Shrinking, large: Mask) -> tuple[Shrinking, list[tuple[float, float]]]:
    """Give the plan with large stars where their middles are, and of each of them the two that :func:`_middle` tells."""
    x, y, shapes = plan.x.copy(), plan.y.copy(), []
    for j in np.flatnonzero(large):
        x[j], y[j], ratio, turn = _middle(light, plan.empty, x[j], y[j], plan.width[j])
        shapes.append((ratio, turn))
    return replace(plan, x=x, y=y), shapes


def _middle(light: Plane, empty: Mask | None, x: float, y: float, wide: float) -> tuple[float, float, float, float]:
    """Give where a star's middle is, px, how many times as long as wide it is at half its height, and which way, radians.

    By rings that are round, or about another place, its ends would be told as something else, and stay where they are.
    """
    import cv2

    as_told = (x, y, 1.0, 0.0)
    reach = math.ceil(wide)
    y0, x0 = round(y) - reach, round(x) - reach
    part = (slice(max(y0, 0), y0 + 2 * reach + 1), slice(max(x0, 0), x0 + 2 * reach + 1))
    box = light[part]
    if box.shape != (2 * reach + 1, 2 * reach + 1) or (empty is not None and empty[part].any()):
        return as_told  # an edge may cut it
    _, parts = cv2.connectedComponents((box > 0.5 * (box.max() + np.median(box))).astype(np.uint8), connectivity=4)
    yy, xx = np.nonzero(parts == parts[reach, reach])
    area = math.pi / 4 * wide**2
    if not parts[reach, reach] or not 0.5 * area < len(xx) < 1.6 * area:
        return as_told  # it is not alone
    (a, c), (_, b) = np.cov(xx, yy)
    middle, half = (a + b) / 2, math.hypot((a - b) / 2, c)
    ratio = math.sqrt((middle + half) / max(middle - half, 1e-6))
    mx, my = float(xx.mean()) + x0, float(yy.mean()) + y0
    # little of either may be the ground's, and the list knows better
    if ratio > OVAL or (ratio < ROUND and math.hypot(mx - x, my - y) < ASIDE * wide):
        return as_told
    return mx, my, ratio if ratio > ROUND else 1.0, 0.5 * math.atan2(2 * c, a - b)


def _smooth_outside(profile: Plane, wide: float) -> Plane:
    """Give a falling profile told pixel by pixel with its outer part averaged over a tenth of the radius to either side.

    Where the ground is uneven it falls in steps, which would be drawn in as rings.
    """
    radius = np.arange(len(profile))
    half = np.where(radius > wide, radius // 10, 0)
    total = np.concatenate([[0.0], np.cumsum(profile, dtype=np.float64)])
    low, high = np.maximum(radius - half, 0), np.minimum(radius + half + 1, len(profile))
    return np.asarray(np.minimum.accumulate((total[high] - total[low]) / (high - low)), np.float32)


class _Source:
    """A plane to be read between its pixels; the value lies between those around it: no overshoot, no ring."""

    def __init__(self, plane: Plane) -> None:
        box = np.ones((3, 3), np.uint8)
        self.plane, self.low, self.high = plane, eroded(plane, box), dilated(plane, box)

    def at(self, x: Plane, y: Plane) -> Plane:
        """Read it at (x, y)."""
        import cv2

        sharp = cv2.remap(self.plane, x, y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)
        low = cv2.remap(self.low, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT)
        high = cv2.remap(self.high, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT)
        return np.asarray(np.clip(sharp, low, high), np.float32)

    def some(self, x: Plane, y: Plane) -> Plane:
        """Read it at places in a row, however many."""
        side = math.ceil(math.sqrt(len(x)))  # of a square, as no side of what is read may be longer than 32767
        square = [np.pad(a, (0, side * side - len(a)), "edge").reshape(side, side) for a in (x, y)]
        return self.at(*square).ravel()[: len(x)]


def _fields(rows: slice, w: int, plan: Shrinking, which: npt.NDArray[np.intp]) -> tuple[Plane, Plane, Plane, Plane | None]:
    """Give where every pixel of some rows takes its value from (dx, dy), how much it is a star's core, and which share of its
    star light stays, None for all of it; ``which`` stars may reach there. Where several do the smaller wins.
    """
    fading = bool((plan.light[which] < 1).any())
    sums = _pasted(rows, w, plan, which, 4 + fading, partial(_moves, plan, fading=fading))
    sums[1:] /= np.maximum(sums[0], np.float32(1e-20))
    return sums[1], sums[2], sums[3], 1 - np.clip(sums[-1], 0, 1) if fading else None


def _pasted(
    rows: slice, w: int, plan: Shrinking, which: npt.NDArray[np.intp], kinds: int, make: Callable[[Ints, Ints, Ints, int], Planes]
) -> Planes:
    """Sum what ``make`` gives round every star, (kind, star, 2 far + 1, 2 far + 1), on some rows of the picture."""
    sums = np.zeros((kinds, rows.stop - rows.start, w), np.float32)
    reach = np.ceil(FOOTPRINT * FADE * plan.width[which]).astype(int)
    for far in np.unique(reach).tolist():
        alike = which[reach == far]
        for some in np.array_split(alike, min(len(alike), math.ceil(len(alike) * (2 * far + 1) ** 2 / AT_ONCE))):
            x, y = np.rint(plan.x[some]).astype(int), np.rint(plan.y[some]).astype(int)
            stamps = make(some, x, y, far)
            for n, (left, top) in enumerate(zip((x - far).tolist(), (y - far).tolist(), strict=True)):
                x0, x1 = max(left, 0), min(left + 2 * far + 1, w)
                y0, y1 = max(top, rows.start), min(top + 2 * far + 1, rows.stop)
                if x1 > x0 and y1 > y0:
                    sums[:, y0 - rows.start : y1 - rows.start, x0:x1] += stamps[:, n, y0 - top : y1 - top, x0 - left : x1 - left]
    return sums


class _Stamps(NamedTuple):
    """The pixels round some stars, (star, 2 far + 1, 2 far + 1): how far from the star they lie and how they are pulled in."""

    dx: Planes
    dy: Planes
    r2: Planes
    fade: Planes
    pull: Planes  # times dx, dy: from where a pixel takes its value
    changes: Mask  # (star,)


def _each(values: Array | Mask) -> Planes:
    return values.astype(np.float32)[:, None, None]


def _stamps(plan: Shrinking, some: Ints, x: Ints, y: Ints, far: int) -> _Stamps:
    """Give them round the pixels (x, y) that ``some`` stars lie in."""
    width, scale = plan.width[some], plan.scale[some]
    step = np.arange(-far, far + 1)
    dx = (x[:, None] + step - plan.x[some, None]).astype(np.float32)[:, None, :]
    dy = (y[:, None] + step - plan.y[some, None]).astype(np.float32)[:, :, None]
    r2 = dx * dx + dy * dy
    # a star that stays as it is holds its place against its neighbours' pull
    changes = (scale < 1) | (plan.light[some] < 1)
    pull, reach, turn, far_in, least = pulls(width, scale)
    fade = np.maximum(np.exp(-r2 / _each(reach * reach)) - np.float32(least), 0)
    drawn = _each(pull) * fade
    if np.isfinite(turn).any():
        r = np.sqrt(r2)
        drawn = np.where(r > _each(turn), np.maximum(drawn, _each(far_in) / np.maximum(r, np.float32(1e-3)) - 1), drawn)
    return _Stamps(dx, dy, r2, fade, _each(changes) * drawn, changes)


def _moves(plan: Shrinking, some: Ints, x: Ints, y: Ints, far: int, *, fading: bool) -> Planes:
    """Give what ``_fields`` sums: weight, and weight times dx, dy, core, lost light, each (star, 2 far + 1, 2 far + 1)."""
    width, clear, scale, light = (a[some] for a in (plan.width, plan.clear, plan.scale, plan.light))
    dx, dy, r2, fade, pull, changes = _stamps(plan, some, x, y, far)
    out = np.zeros((4 + fading, *r2.shape), np.float32)
    # on the flank of a large star a small one holds its place, as far as it stands out of it
    weight = _each(clear * clear / (width * width)) * np.exp(-np.square(r2 / _each((1.4 * width) ** 2)))
    weight += np.float32(1e-6) / (1 + r2)
    weight *= r2 < far * far
    out[0] = weight
    pulled = weight * pull
    np.multiply(pulled, dx, out=out[1])
    np.multiply(pulled, dy, out=out[2])
    np.multiply(weight, np.exp(-np.square(r2 / _each((0.75 * scale * width) ** 2))), out=out[3])
    out[3] *= _each(changes)
    if fading:
        np.multiply(weight, _each(1 - light) * np.minimum(fade * np.float32(4), 1), out=out[-1])
    return out
