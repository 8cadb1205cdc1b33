"""Making every star smaller about its own middle.

An erosion (Serra 1982) that knows where each star's middle is: the value at a radius becomes the one further out, by the share of
the radius that makes the star as much smaller as was asked for. On a layer of stars each has a profile of its own (:mod:`profiles`);
in a picture large stars are taken by their rings and apart from what lies on them, and around small ones the pixels move.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.morphology import dilated, disc, draw_discs, eroded, peaks
from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

SMALLEST = 1.6  # px: stars are not made narrower, they would be lost between the pixels
EXTRA = 0.16  # pixels and blends cost about this share of what is taken from the width: aim further by that
FADE = 1.2  # widths: how far out a star is pulled in
FOOTPRINT = 2.2  # times FADE times the width: beyond this nothing moves
TALLEST = 80  # px: the widest half-maximum radius looked for
PEAK = 0.02  # height from which a peak that no list names counts as a star
DARK = 0.002  # level that counts as dark when such peaks are looked for
BAND = 256  # rows that are worked on at a time
LARGE = 1.5  # times the usual width: from there on others lie on a star's flanks
APART = 1.5  # widths of a large star: so near no other is taken by its rings
RING = 0.35  # share of the pixels of a ring that are darker than what is taken for the star's
OUTER = 0.8  # share of what a large star takes up: from there on its surroundings are seen
DARKEST = 0.02  # share of their pixels that are darker than what counts as the darkest there
ON_FLANK = 0.7  # share of its light that is its own: below it a star stands on another
WHITE = 0.8  # least level that counts as white on a layer of stars
AT_ONCE = 1 << 16  # pixels of stars' surroundings that are worked on at a time


@dataclass(frozen=True)
class Shrinking:
    """What is done to every star; arrays (star,)."""

    x: Array
    y: Array
    width: Array  # full width at half maximum, px, as it stands in the picture
    peak: Array  # above what is around it
    clear: Array  # how much of the light at its middle is its own, 0..1
    scale: Array  # 0.8: a width of 0.8 times what it was
    light: Array  # 0: taken away, 1: as it was
    empty: Mask | None = None  # (y, x): where nothing is, which neither shines nor is dark; None: nowhere


def star_widths(plane: Plane, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Give the full width at half maximum, the peak, and the level it stands on, of stars at (x, y) in a plane without NaN.

    The level is that at which rings round the star fall no further: the sky, the nebula or the flank of a brighter star.
    The width is that of the disc with the area above half, read between the pixels.
    """
    width, peak, base = np.zeros(len(x)), np.zeros(len(x)), np.zeros(len(x))
    left = np.arange(len(x))
    for reach in (9, 27, TALLEST):
        if not len(left):
            break
        for part in np.array_split(left, math.ceil(len(left) * (2 * reach + 1) ** 2 / 4e6)):
            width[part], peak[part], base[part] = _widths(plane, x[part], y[part], reach)
        left = left[(width[left] > 0.7 * reach) & (reach < TALLEST)]
    return width, peak, base


def _widths(plane: Plane, x: Array, y: Array, reach: int) -> tuple[Array, Array, Array]:
    """Measure stars on cut-outs of 2 reach + 1 px."""
    h, w = plane.shape
    xi, yi = np.clip(np.rint(x).astype(int), 0, w - 1), np.clip(np.rint(y).astype(int), 0, h - 1)
    step = np.arange(-reach, reach + 1)
    rows, columns = np.clip(yi[:, None] + step, 0, h - 1), np.clip(xi[:, None] + step, 0, w - 1)
    cuts = plane[rows[:, :, None], columns[:, None, :]].reshape(len(x), -1)
    dy, dx = (a.ravel() for a in np.meshgrid(step, step, indexing="ij"))
    ring = np.minimum(np.rint(np.hypot(dx, dy)).astype(int), reach + 1)
    member = (ring[:, None] == np.arange(reach + 1)).astype(np.float32)
    member /= member.sum(0)
    rings = cuts @ member
    top = cuts[:, np.hypot(dx, dy) < 1.5].max(1)
    profile = np.minimum.accumulate(rings, axis=1)
    # where rings rise again another star begins
    rises = rings > profile + 0.02 * top[:, None]
    end = np.where(rises.any(1), np.argmax(rises, axis=1), reach)
    base = profile[np.arange(len(x)), end].astype(float)
    peak = np.maximum(top - base, 1e-12)
    above = profile - base[:, None] > 0.5 * peak[:, None]
    # the first ring below half bounds the star; neighbours beyond it do not count
    first = np.where(above.all(1), reach, np.argmin(above, axis=1))
    # a flat top that goes on beyond the cut-out differs from its rings by rounding alone: it is to be looked at from further off
    first[top - base < 1e-4 * top] = reach
    width = 2.0 * np.maximum(first, 1)
    for bound in np.unique(first):
        these = np.flatnonzero(first == bound)
        share = (cuts[np.ix_(these, ring <= bound + 1)] - base[these, None]) / peak[these, None]
        for _ in range(2):
            soft = np.clip((share - 0.5) * (width[these, None] / 1.386) + 0.5, 0, 1)
            width[these] = np.maximum(2 * np.sqrt(soft.sum(1) / math.pi), 1.0)
    return width, peak, base


def decide_reduce(
    planes: Planes, stars: StarList | None, size: float, number: float, alone: bool, empty: Mask | None = None
) -> Shrinking:
    """Measure the stars on a picture (channel, y, x) and say what becomes of each.

    ``size``: of the width; ``number``: share of the stars that stay, the faintest fading first; ``alone``: a layer of stars,
    where peaks that the list leaves out count as stars, too; ``empty``: where (y, x) there is no picture, None: where it has no value.
    """
    empty = np.asarray(~np.isfinite(planes).all(axis=0), bool) if empty is None else empty
    if not empty.any() or empty.all():
        empty = None
    light = _known(planes, empty).mean(0, dtype=np.float32)
    x, y = (stars.x, stars.y) if stars is not None else (np.zeros(0), np.zeros(0))
    width, peak, base = star_widths(light, x, y)
    if alone and light.size:
        more = _unlisted(light, x, y, width)
        found = star_widths(light, *more)
        x, y = np.concatenate([x, more[0]]), np.concatenate([y, more[1]])
        width, peak, base = (np.concatenate(pair) for pair in zip((width, peak, base), found, strict=True))
    clear = np.clip(peak / np.maximum(peak + np.maximum(base - _ground(light, alone), 0), 1e-12), 0, 1)
    real = (peak > 1e-4) & (clear > 0.05)
    x, y, width, peak, clear = x[real], y[real], width[real], peak[real], clear[real]
    if alone and (clear > ON_FLANK).any():
        # of a star on the flank of another the flank makes the width
        width = np.where(clear > ON_FLANK, width, np.minimum(width, 1.5 * np.median(width[clear > ON_FLANK])))
    scale = np.clip(np.maximum(size - EXTRA * (1 - size) * size, SMALLEST / np.maximum(width, 1e-3)), None, 1.0)
    n = len(x)
    kept = np.ones(n)
    if number < 1 and n:
        # the last tenth of those that stay fades, so that no brightness is a cliff
        rank = (np.argsort(np.argsort(-peak * width**2, kind="stable"), kind="stable") + 0.5) / n
        t = np.clip((number - rank) / max(0.1 * number, 0.5 / n) + 1, 0, 1)
        kept = t * t * (3 - 2 * t)
    return Shrinking(x, y, width, peak, clear, scale, kept, empty)


def _known(planes: Planes, empty: Mask | None) -> Planes:
    """Give planes with a value everywhere: where nothing is, what lies around it."""
    if empty is None:
        return np.nan_to_num(planes)  # no value anywhere, or one everywhere
    return np.stack([push_pull(p, empty) for p in planes])


def _ground(light: Plane, alone: bool) -> float:
    """Give the level on which bright stars stand: nothing on a layer of stars, else that of most of the picture."""
    return 0.0 if alone or not light.size else float(np.median(light))


def _unlisted(light: Plane, x: Array, y: Array, width: Array) -> tuple[Array, Array]:
    """Give peaks of a star layer that are no star of the list, the highest first."""
    import cv2

    h, w = light.shape
    taken = np.zeros((h, w), np.uint8)
    draw_discs(taken, x, y, np.maximum(width, 2.5))
    # at the rim of a disc just cut out the flank of a star is no peak of its own
    own = (light >= dilated(light, disc(2)) - np.float32(1e-6)) & (taken == 0)
    free = np.where(taken > 0, np.float32(0), light)
    # islands in the dark are looked at one by one: most hold no such peak, and a reconstruction sorts all it is given
    _, island, boxes, _ = cv2.connectedComponentsWithStats((free > DARK).astype(np.uint8), connectivity=8)
    found = [(np.zeros(0),) * 3]
    for n in np.unique(island[own & (free >= PEAK)]):
        x0, y0, columns, rows = boxes[n][:4]
        part = (slice(y0, y0 + rows), slice(x0, x0 + columns))
        alone = np.pad(np.where(island[part] == n, free[part], np.float32(DARK)), 1, constant_values=DARK)
        px, py = (a + corner - 1 for a, corner in zip(peaks(alone, PEAK - DARK), (x0, y0), strict=True))
        xi, yi = np.clip(np.rint(px).astype(int), 0, w - 1), np.clip(np.rint(py).astype(int), 0, h - 1)
        good = own[yi, xi]
        found.append((px[good], py[good], light[yi, xi][good]))
    px, py, height = (np.concatenate(columns) for columns in zip(*found, strict=True))
    order = np.argsort(-height, kind="stable")
    return px[order], py[order]


def apply_reduce(planes: Planes, plan: Shrinking, alone: bool) -> Planes:
    """Make the stars of a picture (channel, y, x) smaller about their middles; outside their footprints not a bit changes.

    ``alone``: a layer of stars, of which every pixel is dimmed by one factor for all channels, so that its colour stays. In a
    picture that holds for the cores only; around them the pixels themselves move inwards, so that what comes free has the
    colour and the grain of the nebula.
    """
    if not len(plan.x):
        return planes.copy()
    return _layer_reduced(planes, plan) if alone else _picture_reduced(planes, plan)


def _layer_reduced(planes: Planes, plan: Shrinking) -> Planes:
    """Dim a layer of stars by what the sum of all stars' profiles becomes when each is made smaller, over what it is."""
    from nebulakit.pixels.profiles import CUT, Edge, draw_profiles, tell_profiles

    known = np.nan_to_num(planes)
    bright = known[0] if len(known) == 1 else known.max(0)
    white = max(float(bright.max()), WHITE)
    u = -np.log1p(-np.clip(bright / white, 0, 1 - math.exp(-CUT)))
    seen = np.ones(bright.shape, bool) if plan.empty is None else ~plan.empty
    order = np.argsort(-plan.peak * plan.width**2, kind="stable")
    width, scale, light = plan.width[order], plan.scale[order], plan.light[order]
    reach = np.ceil(FOOTPRINT * FADE * width).astype(np.int64)
    profiles = tell_profiles(u, seen, plan.x[order], plan.y[order], reach)
    fade, least = FADE * width, math.exp(-(FOOTPRINT**2))
    # a width that comes from half as far out as it was
    pull = (1 / scale - 1) / (np.exp(-((0.5 * scale * width / fade) ** 2)) - least)
    out = planes.copy()

    def work(y0: int) -> None:
        rows = slice(y0, min(y0 + BAND, len(bright)))
        here = np.flatnonzero((profiles.y + reach + 1 >= rows.start) & (profiles.y - reach - 1 < rows.stop))
        was, now = draw_profiles(rows, bright.shape[1], profiles, here, Edge(pull, fade, least), light)
        # 1 - exp(-u) is the light; what is cut off stays as bright as it is
        factor = np.divide(np.expm1(-np.minimum(now, CUT)), np.expm1(-np.minimum(was, CUT)), out=np.ones_like(was), where=was > 0)
        out[:, rows] = np.where(seen[rows], planes[:, rows] * np.minimum(factor, 1), planes[:, rows])

    over(work, range(0, len(bright), BAND))
    return out


def _picture_reduced(planes: Planes, plan: Shrinking) -> Planes:
    """Make the stars in a picture smaller.

    First the flanks of the large stars, told from their rings, are drawn in by themselves: what lies on them, nebula, grain
    or a small star, is not drawn along. Then the small stars, on what is left.
    """
    height, width = planes.shape[1:]
    out = planes.copy()
    known = _known(planes, plan.empty)
    bright = known[0] if len(known) == 1 else known.mean(0)
    large = _large(bright, plan)
    flanks, rest = _flanks(known, plan, large)
    ground = rest[0] if len(rest) == 1 else rest.mean(0)
    sources = [_Source(ground)] + [_Source(plane) for plane in rest]
    behind = [_Source(plane) for plane in flanks]
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
        drawn = moved | (large_x != 0) | (large_y != 0)
        if not drawn.any():
            return
        y, x = np.mgrid[rows, :width].astype(np.float32)
        light = sources[0].at(x + shift_x, y + shift_y)
        mean = ground[rows]
        factor = np.divide(light, mean, out=np.ones_like(mean), where=mean > 1e-7)
        factor = np.where(drawn, np.clip(factor, 0, 1), np.float32(1))
        for c, plane in enumerate(rest):
            mine = core * plane[rows] * factor + (1 - core) * sources[1 + c].at(x + shift_x, y + shift_y)
            mine = np.where(moved, mine, plane[rows])
            nearer = behind[c].at(x + large_x, y + large_y)
            mine = np.where(drawn, mine + nearer * (1 - mine), known[c, rows])
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


def _flanks(planes: Planes, plan: Shrinking, large: Mask) -> tuple[Planes, Planes]:
    """Give the light of the large stars as far as it is round, the same all along each ring, and what is left without it.

    The stars stand on what is round them, and light is taken away as screening adds it, so that a white star on the flank of
    another stays white.
    """
    height, width = planes.shape[1:]
    out, under, floor = np.zeros_like(planes), planes.copy(), np.maximum(planes, 0)
    there = None if plan.empty is None else ~plan.empty
    for x, y, wide in zip(plan.x[large], plan.y[large], plan.width[large], strict=True):
        reach = math.ceil(FOOTPRINT * FADE * wide)
        x0, y0 = max(round(x) - reach, 0), max(round(y) - reach, 0)
        part = (slice(y0, min(round(y) + reach + 1, height)), slice(x0, min(round(x) + reach + 1, width)))
        yy, xx = np.mgrid[part].astype(np.float32)
        away = np.hypot(xx - np.float32(x), yy - np.float32(y))
        ring = np.rint(away).astype(int).ravel()
        seen = slice(None) if there is None else there[part].ravel()
        ring = ring[seen]
        if not len(ring):
            continue
        count = np.bincount(ring, minlength=reach + 1)
        first = np.cumsum(count) - count
        outer = ring >= OUTER * reach
        for plane, flank, below, least in zip(planes, out, under, floor, strict=True):
            values = plane[part].ravel()[seen]
            ordered = values[np.lexsort((values, ring))]
            # a little below the middle, so that neighbours on more than half of a ring do not raise it
            profile = ordered[np.minimum(first + (count * RING).astype(int), len(ordered) - 1)]
            profile = np.minimum.accumulate(np.where(count > 0, profile, values.max()))[: reach + 1]
            base = float(profile[-1])
            above = (profile - base) / (1 - min(base, 0.9))
            mine = np.interp(away, np.arange(len(profile)), above, right=0.0).astype(np.float32)
            below[part] = np.where(mine > 0.25, np.minimum(below[part], np.float32(base)), below[part])
            least[part] = np.minimum(least[part], np.quantile(values[outer], DARKEST) if outer.any() else 0)
            flank[part] = np.maximum(flank[part], mine)
    np.minimum(out, np.float32(0.98), out=out)
    # a star that is not round, or not quite where it is said to be, leaves nothing darker than there is beside it
    rest = np.maximum(1 - (1 - planes) / (1 - out), np.minimum(planes, floor))
    # the brighter the star, the less is seen of what is under it: no darker than what is round it
    rest += np.clip(2.5 * out - 0.75, 0, 1) * np.maximum(under - rest, 0)
    rest = np.where(out > 0, rest, planes)
    return out, rest if plan.empty is None else _known(rest, plan.empty)


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
    reach = FADE * width
    edge = math.exp(-(FOOTPRINT**2))
    fade = np.maximum(np.exp(-r2 / _each(reach * reach)) - np.float32(edge), 0)
    pull = (1 / scale - 1) / (np.exp(-((0.5 * scale * width / reach) ** 2)) - edge)
    return _Stamps(dx, dy, r2, fade, _each(np.where(changes, pull, 0)) * fade, changes)


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
