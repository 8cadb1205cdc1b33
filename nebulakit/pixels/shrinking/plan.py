"""What becomes of every star: how wide and how bright stars are in a picture, and how much smaller each is to be."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.morphology import dilated, disc, draw_discs, peaks

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SMALLEST = 1.6  # px: stars are not made narrower, they would be lost between the pixels
EXTRA = 0.16  # pixels and blends cost about this share of what is taken from the width: aim further by that
FADE = 1.2  # widths: how far out a star is pulled in
FOOTPRINT = 2.2  # times FADE times the width: beyond this nothing moves
TALLEST = 80  # px: the widest half-maximum radius looked for
PEAK = 0.02  # height from which a peak that no list names counts as a star
DARK = 0.002  # level that counts as dark when such peaks are looked for
BAND = 256  # rows that are worked on at a time
CORE = 0.9  # of its top: what does not sink lower is a star's own core, whether its middle is dimmer or not
ON_FLANK = 0.7  # share of its light that is its own: below it a star stands on another


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


def star_widths(plane: Plane, x: Array, y: Array, alone: bool = False) -> tuple[Array, Array, Array]:
    """Give the full width at half maximum, the peak, and the level it stands on, of stars at (x, y) in a plane without NaN;
    ``alone``: of nothing but stars.

    The level is that at which rings round the star fall no further: the sky, the nebula or the flank of a brighter star.
    The width is that of the disc with the area above half, read between the pixels.
    """
    width, peak, base = np.zeros(len(x)), np.zeros(len(x)), np.zeros(len(x))
    left = np.arange(len(x))
    for reach in (9, 27, TALLEST):
        if not len(left):
            break
        for part in np.array_split(left, math.ceil(len(left) * (2 * reach + 1) ** 2 / 4e6)):
            width[part], peak[part], base[part] = _widths(plane, x[part], y[part], reach, alone)
        left = left[(width[left] > 0.7 * reach) & (reach < TALLEST)]
    return width, peak, base


def _widths(plane: Plane, x: Array, y: Array, reach: int, alone: bool) -> tuple[Array, Array, Array]:
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
    # where rings rise again another star begins, but for what is uneven within a core
    rises = (rings > profile + 0.02 * top[:, None]) & (profile < CORE * top[:, None])
    end = np.where(rises.any(1), np.argmax(rises, axis=1), reach)
    base = profile[np.arange(len(x)), end].astype(float)
    peak = np.maximum(top - base, 1e-12)
    above = profile - base[:, None] > 0.5 * peak[:, None]
    # the first ring below half bounds the star; neighbours beyond it do not count
    first = np.where(above.all(1), reach, np.argmin(above, axis=1))
    # a flat top that goes on beyond the cut-out differs from its rings by rounding alone: it is to be looked at from further off
    # (where nothing but stars shines it may be uneven)
    flat = top - base < 1e-4 * top
    if alone:
        flat |= cuts[:, ring <= reach].min(1) > CORE * top
    first[flat] = reach
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
    light = known(planes, empty).mean(0, dtype=np.float32)
    x, y = (stars.x, stars.y) if stars is not None else (np.zeros(0), np.zeros(0))
    width, peak, base = star_widths(light, x, y, alone)
    if alone and light.size:
        more = _unlisted(light, x, y, width)
        found = star_widths(light, *more, alone)
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


class Pull(NamedTuple):
    """How stars are drawn in, an array each (star,) but for ``least``.

    A pixel at a radius r takes its value from r (1 + pull (exp(-(r/fade)^2) - least)), from ``turn`` on from no nearer than ``far``.
    """

    pull: Array
    fade: Array  # px
    turn: Array  # px
    far: Array  # px
    least: float


def pulls(width: Array, scale: Array) -> Pull:
    """Draw in so that a width comes from half as far out as it was, and at the footprint's end nothing moves."""
    fade, least = FADE * width, math.exp(-(FOOTPRINT**2))
    pull = (1 / scale - 1) / (np.exp(-((0.5 * scale * width / fade) ** 2)) - least)
    # what is drawn in by much would come from further in again outwards of some radius, and make a ring: it waits there
    low, high = np.full(len(width), 0.5), np.full(len(width), 1.5)
    for _ in range(50):
        middle = (low + high) / 2
        falls = 1 + pull * (np.exp(-middle) * (1 - 2 * middle) - least) < 0
        low, high = np.where(falls, low, middle), np.where(falls, middle, high)
    turn = np.where(high < 1.5, fade * np.sqrt(high), np.inf)
    far = np.where(high < 1.5, fade * np.sqrt(high) * (1 + pull * (np.exp(-high) - least)), 0.0)
    return Pull(pull, fade, turn, far, least)


def known(planes: Planes, empty: Mask | None) -> Planes:
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
