"""What every star of a layer of stars shines by itself: one profile a star, round its middle, all told together.

Light is added as screening adds it: 1 - (1 - a)(1 - b), so that u = -log(1 - light) of stars that overlap is a sum. A profile is a
falling, piecewise linear function of the radius, fitted to what the other stars leave (least squares by simultaneous
reconstruction, Gilbert 1972, J. theor. Biol. 36:105; falling by pooling adjacent violators, Barlow et al. 1972).
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled
from nebulakit.pixels.parallel import over
from nebulakit.pixels.shrinking.plan import Pull

Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

CUT = 4.625  # of u, a 32-bit float: 99 % of white, from where a star is no more told than "at least so bright"
MOST = 1.5  # times the middle of the pixels of a ring: no profile rises beyond it, whatever shines that is no star of the list
START = 0.35  # share of the pixels of a ring that are darker than what a profile starts from: neighbours raise the others
ROUNDS = 8
CELL = 8  # px: of the map that tells which stars touch
SHARE = 64  # stars that a thread works on at a time
LEVEL = 0.01  # of u: below it no star is told from another
TAIL = 0.001  # of u: by this an ended profile goes on, so that what is left beyond it shrinks with the star


class Profiles(NamedTuple):
    """One profile a star: that of star i at a radius of k px is ``u[first[i] + k]``, and 0 at ``first[i + 1] - first[i]``."""

    x: Array
    y: Array
    first: Ints  # (star + 1,)
    u: Array


def tell_profiles(u: Plane, seen: Mask, x: Array, y: Array, reach: Ints) -> Profiles:
    """Tell the profiles of stars at (x, y), px, from u (y, x), as far as ``reach``, px; the first star is the brightest.

    Only pixels that are ``seen`` count; u must not hold NaN, and is ``CUT`` itself where it is cut off.
    """
    first = np.concatenate([[0], np.cumsum(reach)]).astype(np.int64)
    out, total, most = Profiles(x, y, first, np.zeros(first[-1])), np.zeros(u.shape), np.zeros(first[-1])
    turn = np.zeros(len(x), np.int64)
    _turns(u.shape[0], u.shape[1], x, y, reach.astype(np.int64), turn)
    # stars of one turn do not touch, and those that do come in their order: the same for any number of threads
    order = np.argsort(turn, kind="stable")
    turns = np.split(order, np.flatnonzero(np.diff(turn[order])) + 1)
    parts = [np.array_split(stars, len(stars) // SHARE + 1) for stars in turns]
    for work in (_begin_all, *[_tell] * ROUNDS):
        for part in parts:
            over(partial(work, u, seen, total, *out, most), part)
    return out


def draw_profiles(
    rows: slice, width: int, profiles: Profiles, which: npt.NDArray[np.intp], pull: Pull, light: Array
) -> tuple[Plane, Plane]:
    """Give the sum of profiles u as they are, and as they become, on some ``rows`` of a picture that is ``width`` px wide.

    ``which`` stars may reach there. Where it is drawn in from, a star becomes ``light`` times what it is there.
    """
    before = np.zeros((rows.stop - rows.start, width), np.float32)
    after = np.zeros_like(before)
    _draw(before, after, rows.start, *profiles, which, pull.pull, pull.fade, pull.turn, pull.far, pull.least, light)
    return before, after


@compiled
def _at(u: Array, r: float) -> float:
    k = int(r)
    if k >= len(u):
        return 0.0
    t = r - k
    return float((1 - t) * u[k] + (t * u[k + 1] if k + 1 < len(u) else 0.0))


@compiled
def _fall(u: Array, weight: Array) -> None:
    """Make values fall, and nowhere under 0, with as little change as may be: neighbours that rise are pooled."""
    level, share, size = np.empty(len(u)), np.empty(len(u)), np.empty(len(u), np.int64)
    n = 0
    for k in range(len(u)):
        level[n], share[n], size[n] = u[k], weight[k], 1
        n += 1
        while n > 1 and level[n - 1] > level[n - 2]:
            total = share[n - 2] + share[n - 1]
            level[n - 2] = (level[n - 2] * share[n - 2] + level[n - 1] * share[n - 1]) / total
            share[n - 2] = total
            size[n - 2] += size[n - 1]
            n -= 1
    k = 0
    for j in range(n):
        for _ in range(size[j]):
            u[k] = max(level[j], 0.0)
            k += 1


@compiled
def _ends(u: Array) -> int:
    """Give the radius, px, at which a profile has come down to nothing."""
    for k in range(1, len(u)):
        if u[k] <= 0:
            return k
    return len(u)


@compiled
def _add(total: Array, x: float, y: float, u: Array, sign: float) -> None:
    """Add a profile to a plane, or take it off."""
    reach = len(u)
    h, w = total.shape
    for row in range(max(int(y) - reach, 0), min(int(y) + reach + 2, h)):
        for col in range(max(int(x) - reach, 0), min(int(x) + reach + 2, w)):
            r = np.sqrt((row - y) ** 2 + (col - x) ** 2)
            if r < reach:
                total[row, col] += sign * _at(u, r)


@compiled
def _begin(u: Plane, seen: Mask, total: Array, x: float, y: float, out: Array, most: Array) -> None:
    """Start a profile from what is darker than a share of the pixels of each ring, the others' light off; and tell the most it may be."""
    reach = len(out)
    h, w = u.shape
    count = np.zeros(reach + 1, np.int64)
    for fill in range(2):
        if fill:
            start = np.cumsum(count) - count
            values, whole = np.empty(count.sum()), np.empty(count.sum())
            count[:] = 0
        for row in range(max(int(y) - reach, 0), min(int(y) + reach + 2, h)):
            for col in range(max(int(x) - reach, 0), min(int(x) + reach + 2, w)):
                k = int(np.sqrt((row - y) ** 2 + (col - x) ** 2) + 0.5)
                if k < reach and seen[row, col]:
                    if fill:
                        rest = u[row, col] - total[row, col]
                        whole[start[k] + count[k]] = u[row, col]
                        values[start[k] + count[k]] = max(u[row, col], 0) if u[row, col] >= CUT else max(rest, 0.0)
                    count[k] += 1
    least, largest = CUT, MOST * CUT
    for k in range(reach):
        if count[k]:
            ring = np.sort(values[start[k] : start[k] + count[k]])
            least = min(least, ring[int(count[k] * START)])
            largest = min(largest, MOST * np.sort(whole[start[k] : start[k] + count[k]])[count[k] // 2] + LEVEL)
        out[k], most[k] = least, largest
    if not count[0] and reach > 1:
        out[0] = out[1]  # the middle lies between pixels


@compiled
def _turns(h: int, w: int, xs: Array, ys: Array, reach: Ints, out: Ints) -> None:
    """Number stars so that each comes after those before it in the list whose light it may touch."""
    last = np.zeros((h // CELL + 1, w // CELL + 1), np.int64)
    for i in range(len(xs)):
        far = reach[i] + 2
        # one that is listed outside reaches no cell
        y0, y1 = max(int(ys[i]) - far, 0) // CELL, max(min(int(ys[i]) + far, h - 1), -1) // CELL + 1
        x0, x1 = max(int(xs[i]) - far, 0) // CELL, max(min(int(xs[i]) + far, w - 1), -1) // CELL + 1
        for row in range(y0, y1):
            for col in range(x0, x1):
                out[i] = max(out[i], last[row, col] + 1)
        last[y0:y1, x0:x1] = out[i]


@compiled
def _begin_all(
    u: Plane, seen: Mask, total: Array, xs: Array, ys: Array, first: Ints, out: Array, most: Array, which: Ints
) -> None:
    """Start the profiles of ``which`` stars, and add their light to ``total``."""
    for i in which:
        mine = out[first[i] : first[i + 1]]
        _begin(u, seen, total, xs[i], ys[i], mine, most[first[i] : first[i + 1]])
        _add(total, xs[i], ys[i], mine, 1.0)


@compiled
def _tell(u: Plane, seen: Mask, total: Array, xs: Array, ys: Array, first: Ints, out: Array, most: Array, which: Ints) -> None:
    """Tell the profiles of ``which`` stars better from what the others leave, once."""
    h, w = u.shape
    for i in which:
        x, y, mine = xs[i], ys[i], out[first[i] : first[i + 1]]
        reach = min(_ends(mine) + 3, len(mine))  # it may grow
        better, weight = np.zeros(reach), np.full(reach, 1e-9)
        for row in range(max(int(y) - reach, 0), min(int(y) + reach + 2, h)):
            for col in range(max(int(x) - reach, 0), min(int(x) + reach + 2, w)):
                r = np.sqrt((row - y) ** 2 + (col - x) ** 2)
                if r >= reach or not seen[row, col]:
                    continue
                own = _at(mine[:reach], r)
                rest = u[row, col] - total[row, col]
                if u[row, col] >= CUT and rest < 0:
                    rest = 0.0
                # where others shine more, little is told of this one
                share = (own + LEVEL) / (total[row, col] + LEVEL)
                share *= share
                k = int(r)
                t = r - k
                better[k] += share * (1 - t) * rest
                weight[k] += share * (1 - t)
                if k + 1 < reach:
                    better[k + 1] += share * t * rest
                    weight[k + 1] += share * t
        new = np.minimum(mine[:reach] + better / weight, most[first[i] : first[i] + reach])
        _fall(new, weight)
        _add(total, x, y, new - mine[:reach], 1.0)
        mine[:reach] = new


@compiled
def _draw(
    before: Plane,
    after: Plane,
    y0: int,
    xs: Array,
    ys: Array,
    first: Ints,
    u: Array,
    which: npt.NDArray[np.intp],
    pull: Array,
    fade: Array,
    turn: Array,
    far: Array,
    least: float,
    light: Array,
) -> None:
    h, w = before.shape
    for i in which:
        x, y, mine = xs[i], ys[i] - y0, u[first[i] : first[i + 1]]
        reach = len(mine)
        scale, end = 0.3 * fade[i], np.exp(-reach / (0.3 * fade[i]))
        for row in range(max(int(np.floor(y)) - reach, 0), min(int(np.floor(y)) + reach + 2, h)):
            for col in range(max(int(x) - reach, 0), min(int(x) + reach + 2, w)):
                r = np.sqrt((row - y) ** 2 + (col - x) ** 2)
                if r >= reach:
                    continue
                from_r = r * (1 + pull[i] * max(np.exp(-((r / fade[i]) ** 2)) - least, 0.0))
                if r > turn[i]:
                    from_r = max(from_r, far[i])
                from_r = min(from_r, float(reach))
                before[row, col] += _at(mine, r) + TAIL * (np.exp(-r / scale) - end)
                after[row, col] += light[i] * (_at(mine, from_r) + TAIL * (np.exp(-from_r / scale) - end))
