"""Loops over the pixels of single stars, compiled: drawing them, and solving for them in their discs.

Import this module inside the functions that use it: it loads the compiler. What a loop gives does not depend on how
stars or rows were shared out among threads.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled
from nebulakit.pixels.stars.law import MODES, PAD, STEP, Parts, Placed

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Real = Any  # single precision, where the compiler is left to it


FINE = np.float32(1 / STEP)  # entries of a law's table per px
BENT = 9  # px: how far from its middle a star is bent
PIECE = 512  # at least the pixels of a row that a star is drawn on
LONG = 30  # px: rows of larger stars are drawn one by one
NEAR, FEW = 0.3, 20.0  # how far the height of a neighbour may be off: as a share of it, and in noise sigma
OPEN = 0.03  # how far the law of a cut-off star may be off
SLOTS = 8  # rows that are taken off together when a matrix is factored

HALVES = np.arange(2**16, dtype=np.uint16).view(np.float16).astype(np.float32)  # what the bits of half precision mean

_taps = [(k, j, i, float(mode[j, i])) for k, mode in enumerate(MODES) for j, i in np.argwhere(mode).tolist()]
TAP_AT = np.array([t[:3] for t in _taps])
TAPS = np.array([t[3] for t in _taps], np.float32)


@compiled
def _squared(dx: Real, dy: Real, contour: Floats) -> Real:
    """Give the square of the radius by which a law's table is looked up."""
    flat = contour[0] * dx * dx + contour[1] * dx * dy + contour[2] * dy * dy
    if contour[6] > 0:  # drawn out near the middle alone
        flat += (contour[3] * dx * dx + contour[4] * dx * dy + contour[5] * dy * dy) * (contour[6] / (contour[6] + abs(flat)))
    return flat


@compiled
def _by_table(place: Floats, table: Floats, amount: Real) -> None:
    """Turn places in a law's table (its entries are 0, 1, ...) into ``amount`` times what it gives there, on straight lines between."""
    last = np.uint32(len(table) - 2)
    for k in range(len(place)):
        u = place[k]
        j = min(np.uint32(np.int32(u)), last)
        share = min(u - np.float32(np.int32(j)), np.float32(1))
        value = table[j]
        place[k] = amount * (value + share * (table[j + np.uint32(1)] - value))


@compiled
def look_up(x: Floats, y: Floats, table: Floats, contour: Floats, out: Floats) -> None:
    """Give what the law gives at these distances from a star of height 1."""
    a, b, d = contour[0], contour[1], contour[2]
    for k in range(len(out)):
        out[k] = np.sqrt(abs(a * x[k] * x[k] + b * x[k] * y[k] + d * y[k] * y[k])) * FINE
    if contour[6] > 0:
        for k in range(len(out)):
            out[k] = np.sqrt(abs(_squared(x[k], y[k], contour))) * FINE
    _by_table(out, table, np.float32(1))


@compiled
def _draw_row(row: Floats, low: int, high: int, px: int, dy: Real, fx: Real, law: Parts, amount: Real, place: Floats) -> None:
    """Add to pixels ``low`` to ``high`` of a row, ``dy`` from the star, what the law gives there."""
    table, contour = law[0], law[1]
    a, b, d = contour[0], contour[1], contour[2]
    cross, base = b * dy, d * dy * dy
    start = np.float32(low - px) - fx
    # one thing after the other: this way the processor takes many pixels at once
    part, n = row[low:high], high - low
    place = place[:n]
    for k in range(n):
        dx = start + np.float32(np.int32(k))
        place[k] = np.sqrt(abs(a * dx * dx + cross * dx + base)) * FINE
    if contour[6] > 0:
        for k in range(n):
            place[k] = np.sqrt(abs(_squared(start + np.float32(np.int32(k)), dy, contour))) * FINE
    _by_table(place, table, amount)
    for k in range(n):
        part[k] += place[k]


@compiled
def _draw_shared(row: Floats, low: int, high: int, px: int, whole: Floats, step: int, share: Real, amount: Real) -> None:
    """Add what a star resampled linearly gives: shares of whole pixels; ``whole`` is one row of the law, from its middle."""
    first = low - px + len(whole) // 2
    part, here, there = row[low:high], whole[first : first + high - low], whole[first - step : first - step + high - low]
    near, far = amount * (np.float32(1) - share), amount * share
    for k in range(len(part)):
        part[k] += near * here[k] + far * there[k]


@compiled
def _draw_line(
    row: Floats, low: int, high: int, px: int, dy: int, fx: Real, fy: Real, law: Parts, amount: Real, place: Floats, shared: bool
) -> None:
    """Add a star to one row, ``dy`` rows from its middle pixel; ``shared``: only what was resampled linearly."""
    linear, whole = law[2], law[3]
    if linear < 1 and not shared:
        _draw_row(row, low, high, px, np.float32(dy) - fy, fx, law, amount * (np.float32(1) - linear), place)
    if linear > 0 and len(whole) == 1:
        # the law is another for each star: drawn on whole pixels as often as it is shared out
        step, down = (1 if fx >= 0 else -1), (1 if fy >= 0 else -1)
        for k in range(4):
            share = abs(fx) if k % 2 else np.float32(1) - abs(fx)
            below = abs(fy) if k // 2 else np.float32(1) - abs(fy)
            if share * below > 0:
                beside, under = px + step * (k % 2), np.float32(dy - down * (k // 2))
                _draw_row(row, low, high, beside, under, np.float32(0), law, amount * linear * share * below, place)
    elif linear > 0:
        middle = whole.shape[0] // 2
        step, down = (1 if fx >= 0 else -1), (1 if fy >= 0 else -1)
        share, below = abs(fx), abs(fy)
        part = amount * linear
        _draw_shared(row, low, high, px, whole[middle + dy], step, share, part * (np.float32(1) - below))
        if below > 0:
            _draw_shared(row, low, high, px, whole[middle + dy - down], step, share, part * below)


@compiled
def _own(law: Placed, i: int) -> Parts:
    """Give the law of star ``i``."""
    return law[0][law[2][i]], law[1][i], law[3], law[4]


@compiled
def _shift(half: int) -> int:
    """Give the logarithm of the stride in which :func:`_unit` keeps a square of 2 half + 1."""
    return 4 if half < 8 else 5 if half < 16 else 6


@compiled
def _unit(flat: Floats, shift: int, low: int, high: int, my: int, mx: int, fx: Real, fy: Real, law: Parts, place: Floats) -> None:
    """Draw a star of height 1, ``fx``, ``fy`` off its middle pixel ``my``, ``mx``, into the rows ``low`` to ``high`` of a square
    of stride ``1 << shift`` (a power of two, so that one loop, many pixels at once, goes over all of it)."""
    table, contour, linear = law[0], law[1], law[2]
    a, b, d = contour[0], contour[1], contour[2]
    first, n = low << shift, (high - low) << shift
    part, mask = flat[first : first + n], np.int32((1 << shift) - 1)
    if linear < 1:
        own = place[:n]
        left, top, bits = np.float32(mx) + fx, np.float32(my - low) + fy, np.int32(shift)
        for k in range(n):
            t = np.int32(k)
            dx, dy = np.float32(t & mask) - left, np.float32(t >> bits) - top
            own[k] = np.sqrt(abs(a * dx * dx + b * dx * dy + d * dy * dy)) * FINE
        if contour[6] > 0:
            for k in range(n):
                t = np.int32(k)
                own[k] = np.sqrt(abs(_squared(np.float32(t & mask) - left, np.float32(t >> bits) - top, contour))) * FINE
        _by_table(own, table, np.float32(1) - linear)
        part[:] = own
    else:
        part[:] = 0
    if linear > 0:
        for row in range(high - low):
            line = part[row << shift : (row + 1) << shift]
            _draw_line(line, 0, len(line), mx, low + row - my, fx, fy, law, np.float32(1), place, True)


@compiled
def stamps(x: Array, y: Array, law: Placed, out: Floats) -> None:
    """Draw stars of height 1 (star, row, column), each ``x``, ``y`` (under a pixel) off the middle."""
    side = out.shape[1]
    half, shift = side // 2, _shift(side // 2)
    flat, place = np.empty(side << shift, np.float32), np.empty(max(side << shift, PIECE), np.float32)
    for k in range(len(out)):
        _unit(flat, shift, 0, side, half, half, np.float32(x[k]), np.float32(y[k]), _own(law, k), place)
        for row in range(side):
            out[k, row] = flat[row << shift : (row << shift) + side]


@compiled
def draw(
    plane: Floats,
    top: int,
    bottom: int,
    laws: Placed,
    x: Array,
    y: Array,
    amount: Array,
    reach: Array,
    bends: Floats,
    bent: Array,
) -> None:
    """Add stars to the rows ``top`` to ``bottom`` of a plane, each to its ``reach`` (px).

    ``bends`` (star, 5, 5) is what each is convolved with, on top of itself and in its own height, to ``bent`` px.
    """
    h, w = plane.shape
    flat, place = np.empty(64 * 64, np.float32), np.empty(64 * 64, np.float32)
    bowed = np.empty((2 * BENT + 1) * 64, np.float32)
    for i in range(len(x)):
        px, py = int(np.rint(x[i])), int(np.rint(y[i]))
        half = int(reach[i])
        if py + half < top or py - half >= bottom or px + half < 0 or px - half >= w:
            continue
        fx, fy, light = np.float32(x[i] - px), np.float32(y[i] - py), np.float32(amount[i])
        law = _own(laws, i)
        inner = min(half, BENT, int(bent[i]) + 1)
        wide = max(half, inner + 2) if half < LONG else inner + 2
        shift = _shift(wide)
        if half < LONG or bent[i] > 0:
            _unit(flat, shift, 0, 2 * wide + 1, wide, wide, fx, fy, law, place)
        for row in range(max(py - half, top, 0), min(py + half + 1, bottom, h)):
            span = int(math.sqrt(reach[i] * reach[i] - float(row - py) ** 2))
            low, high = max(px - span, 0), min(px + span + 1, w)
            if low >= high:  # beside the plane
                continue
            if half < LONG:
                part, first = plane[row, low:high], ((row - py + wide) << shift) + low - px + wide
                line = flat[first : first + high - low]
                for k in range(len(part)):
                    part[k] += light * line[k]
            else:
                _draw_line(plane[row], low, high, px, row - py, fx, fy, law, light, place, False)
        if bent[i] == 0:
            continue
        # all rows of the star at once, from the first column that its middle ones need
        begin, n = ((wide - inner) << shift) + wide - inner, ((2 * inner) << shift) + 2 * inner + 1
        part = bowed[:n]
        part[:] = 0
        for j in range(5):
            first = begin + ((2 - j) << shift) - 2
            line, bend = flat[first : first + n + 4], bends[i, j]
            b0, b1, b2, b3, b4 = bend
            for k in range(len(part)):
                part[k] += b4 * line[k] + b3 * line[k + 1] + b2 * line[k + 2] + b1 * line[k + 3] + b0 * line[k + 4]
        low, high = max(px - inner, 0), max(min(px + inner + 1, w), 0)
        for row in range(max(py - inner, top, 0), min(py + inner + 1, bottom, h)):
            to, first = plane[row, low:high], ((row - py + inner) << shift) + low - px + inner
            of = bowed[first : first + high - low]
            for k in range(len(to)):
                to[k] += of[k]


@compiled
def stand_out(planes: tuple[Floats, Floats, Mask, Floats], doubt: Floats, noise: tuple[float, float], out: Floats) -> None:
    """Give what is left above a ground in units of what it may be off by, and 0 where it is hidden.

    ``planes``: what is left, all the light, what is hidden, and the ground; ``doubt``: of cut-off stars' flanks, sigma (empty:
    there are none); ``noise``: photons and misfit of :class:`StarFit`.
    """
    rest, data, hidden, ground = planes
    photons, misfit = np.float32(noise[0]), np.float32(4 * noise[1] * noise[1])
    for y in range(out.shape[0]):
        to, left, whole, level, none = out[y], rest[y], data[y], ground[y], hidden[y]
        for x in range(len(to)):
            light = max(whole[x] - left[x], np.float32(0))
            variance = np.float32(1) + light * (photons + misfit * light)
            to[x] = np.float32(0) if none[x] else (left[x] - level[x]) / np.sqrt(variance)
        if len(doubt):
            off = doubt[y]
            for x in range(len(to)):
                light = max(whole[x] - left[x], np.float32(0))
                variance = np.float32(1) + light * (photons + misfit * light)
                to[x] /= np.sqrt(np.float32(1) + np.float32(4) * off[x] * off[x] / variance)


@compiled
def _factor(a: Any, n: int, m: int) -> None:
    """Bring the upper half of a positive definite (n, n) to its Cholesky factor, and the ``m`` columns after it to the
    solution of the transposed factor, in place; the diagonal holds the factor's inverse."""
    width = n + m
    for first in range(0, n, SLOTS):
        after = min(first + SLOTS, n)
        for k in range(first, after):
            row = a[k, k:width]
            for j in range(first, k):
                f, other = a[j, k], a[j, k:width]
                for t in range(len(row)):
                    row[t] -= f * other[t]
            row[0] = 1 / math.sqrt(max(row[0], 1e-12))
            scale = row[0]
            for t in range(1, len(row)):
                row[t] *= scale
        if after - first < SLOTS:
            break
        for i in range(after, n):
            row = a[i, i:width]
            r0, r1, r2, r3 = a[first, i:width], a[first + 1, i:width], a[first + 2, i:width], a[first + 3, i:width]
            r4, r5, r6, r7 = a[first + 4, i:width], a[first + 5, i:width], a[first + 6, i:width], a[first + 7, i:width]
            c0, c1, c2, c3, c4, c5, c6, c7 = r0[0], r1[0], r2[0], r3[0], r4[0], r5[0], r6[0], r7[0]
            for t in range(len(row)):
                row[t] -= c0 * r0[t] + c1 * r1[t] + c2 * r2[t] + c3 * r3[t] + c4 * r4[t] + c5 * r5[t] + c6 * r6[t] + c7 * r7[t]


@compiled
def _back(a: Any, n: int, right: Array) -> None:
    """Solve with the factor of :func:`_factor` what its own columns have begun, in place."""
    for k in range(n - 1, -1, -1):
        total, row, known = 0.0, a[k, k + 1 : n], right[k + 1 : n]
        for j in range(len(row)):
            total += row[j] * known[j]
        right[k] = (right[k] - total) * a[k, k]


@compiled
def solve(
    planes: tuple[Floats, Floats, Floats, npt.NDArray[np.uint8], Mask, npt.NDArray[np.uint8], npt.NDArray[np.uint16]],
    disc: tuple[Ints, Ints, Ints, Ints, Floats, Floats],
    laws: Placed,
    noise: tuple[float, float],
    count: int,
    stars: tuple[Array, Array, Array, Array],
    near: tuple[Array, Array, Array],
    held: tuple[Array, Array, Array, Array, Array],
    saturated: Mask,
    settled: Mask,
    grain: Array,
    strength: Ints,
    bends: Array,
    found: Array,
    unsure: Array,
    seen: Floats,
    told: Mask,
    squares: Array,
) -> None:
    """Solve for stars whose discs and rings do not touch, each in its disc.

    ``planes``: data, rest, behind, cores, hidden, lost, doubt of :class:`StarFit`, the last as the bits it has; ``noise``: its photons and misfit; ``stars``:
    x, y, height, modes; ``near``: x, y, height (star, neighbour) of stars that shine into the disc, whose heights are not
    taken for right; ``held``: the way (star, 2) to where they were found at first, how far they may go from there and, all
    alike, in their modes, the height that other channels lead to expect, and the inverse of its variance. All that follows
    is by star. ``settled``: what is told from around is corrected for the star's own flank there, in one step; among stars
    not known yet that overshoots, and is left to the rounds. ``bends``, the same for all: radii (px) round which the law of
    a cut-off star is left open. ``found`` (star, 4 + modes) becomes height, steps in x and y, chi^2 per pixel and modes;
    ``unsure`` the height's variance; ``seen`` (star, disc, 3) star light, squared rest and noise; ``told`` whether a whole
    disc was seen; ``squares`` (star, modes) is not 0 where they were well seen.
    """
    data, rest, behind, cores, hidden, lost, doubt = planes
    ky, kx, ry, rx, weights, spread = disc
    photons, misfit = noise
    x, y, height, modes = stars
    home, tie, free, likely, firm = held
    h, w = rest.shape
    pixels, ring = len(ky), len(ry)
    near_x, near_y, near_height = near
    own_m = 3 + count
    most = own_m + near_x.shape[1] + len(bends)
    half = 1
    for p in range(pixels):
        half = max(half, -ky[p])
    # what is told from around is told from the star's own flank, too
    far = half + 2
    for q in range(ring):
        far = max(far, abs(ry[q]), abs(rx[q]))
    shift, stride = _shift(far), 1 << _shift(far)
    side = 2 * far + 1
    flat, beside = np.zeros(side * stride, np.float32), np.zeros(side * stride, np.float32)
    columns, swing = np.zeros((most, pixels)), np.zeros((most, pixels))
    # single precision is enough for the pixels, of which each has some noise; the sums over them are taken in double
    a = np.zeros((pixels, pixels + most + 1), np.float32)
    normal = np.zeros((most, most + 1 + most))
    target, expected, extra, light = np.zeros(pixels), np.zeros(pixels), np.zeros(pixels), np.zeros(pixels)
    diagonal, left, more, right = np.zeros(pixels), np.zeros(pixels), np.zeros(pixels), np.zeros(pixels)
    answer = np.zeros(most)
    order, rows = np.zeros(pixels, np.int64), np.zeros(pixels, np.int64)
    cols, place = np.zeros(pixels, np.int64), np.zeros(pixels, np.int64)
    line_of = np.empty(max(side * stride, PIECE), np.float32)
    around, flank, spill = np.zeros(ring, np.float32), np.zeros(ring, np.float32), np.zeros(pixels)
    for i in range(len(x)):
        px, py = int(np.rint(x[i])), int(np.rint(y[i]))
        fx, fy = np.float32(x[i] - px), np.float32(y[i] - py)
        law = _own(laws, i)
        _unit(flat, shift, 0, side, far, far, fx, fy, law, line_of)
        scale, power = max(height[i], 1.0), grain[i] * grain[i]
        grade = np.float32(power)
        told_by, kin = weights[strength[i]], spread[strength[i]]
        # the hidden pixels of the disc come last, and are not solved for
        n, back = 0, pixels
        for p in range(pixels):
            yy, xx = min(max(py + ky[p], 0), h - 1), min(max(px + kx[p], 0), w - 1)
            if hidden[yy, xx]:
                back -= 1
                k = back
            else:
                k = n
                n += 1
            order[k], rows[k], cols[k], place[k] = p, yy, xx, (ky[p] + far) * stride + kx[p] + far
        # what is told from around
        for p in range(ring):
            yy, xx = min(max(py + ry[p], 0), h - 1), min(max(px + rx[p], 0), w - 1)
            around[p] = behind[yy, xx] if cores[yy, xx] else rest[yy, xx]
            mirrored = yy < PAD or xx < PAD or yy >= h - PAD or xx >= w - PAD
            flank[p] = (
                np.float32(0) if cores[yy, xx] or mirrored or not settled[i] else flat[(ry[p] + far) * stride + rx[p] + far]
            )
        for k in range(pixels):
            line = told_by[order[k]]
            told_here, spilt = np.float32(0), np.float32(0)
            for q in range(ring):
                told_here += line[q] * around[q]
                spilt += line[q] * flank[q]
            expected[k], spill[k] = told_here, spilt
        # the star, its shifts and modes per unit height
        for k in range(n):
            columns[0, k] = flat[place[k]] - spill[k]
            across, down = _slopes(ky[order[k]], kx[order[k]], fx, fy, law)
            columns[1, k], columns[2, k] = across * scale, down * scale
        columns[3:] = 0
        if count:
            for t in range(len(TAPS)):
                column, tap, aside = columns[3 + TAP_AT[t, 0]], TAPS[t], (2 - TAP_AT[t, 1]) * stride + 2 - TAP_AT[t, 2]
                for k in range(n):
                    column[k] += tap * flat[place[k] + aside]
        for k in range(n):
            seen_here = rest[rows[k], cols[k]]
            target[k] = seen_here + height[i] * columns[0, k] - expected[k]
            light[k] = max(data[rows[k], cols[k]] - seen_here, np.float32(0))  # of all stars
            extra[k] = photons * light[k] + (misfit * light[k]) ** 2 + HALVES[doubt[rows[k], cols[k]]] ** 2
            more[k] = 0
        for c in range(count):
            own, column = height[i] * modes[i, c], columns[3 + c]
            for k in range(n):
                target[k] += own * column[k]
                column[k] *= scale
        m = own_m
        for q in range(near_x.shape[1]):
            if near_height[i, q] <= 0:
                continue
            qx, qy = int(np.rint(near_x[i, q])), int(np.rint(near_y[i, q]))
            amount = NEAR * near_height[i, q] + FEW
            gx, gy = np.float32(near_x[i, q] - qx), np.float32(near_y[i, q] - qy)
            _unit(beside, shift, far - half, far + half + 1, qy - py + far, qx - px + far, gx, gy, law, line_of)
            for k in range(n):
                columns[m, k] = amount * beside[place[k]]
            m += 1
        if saturated[i]:
            # far brighter than those the law was learned from, it shows where the law is off, all around alike
            _bent(columns[m : m + len(bends)], flat, place, ky, kx, order, n, fx, fy, law, bends, scale)
            m += len(bends)
        for attempt in range(2):
            for u in range(n):
                line, kins = a[u], kin[order[u]]
                if n == pixels:
                    to, of = line[u:n], kins[u:n]
                    for v in range(len(to)):
                        to[v] = of[v] * grade
                else:
                    for v in range(u, n):
                        line[v] = kins[order[v]] * grade
                line[u] += extra[u] + more[u]
                diagonal[u] = line[u]
                for c in range(m):
                    line[n + c] = columns[c, u]
                line[n + m] = target[u]
            _factor(a, n, m + 1)
            # what is known of the star before: where it was found, and how far stars deviate
            normal[:] = 0
            for u in range(n):
                line = a[u, n : n + m + 1]
                for c in range(m):
                    f, to, of = np.float64(line[c]), normal[c, c : m + 1], line[c:]
                    for d in range(len(to)):
                        to[d] += f * of[d]
            normal[0, 0] += 1e-12 + firm[i]
            normal[0, m] += firm[i] * likely[i]
            for c in range(m):
                normal[c, m + 1 + c] = 1
                if c > 0:
                    hold = 1.0 if c >= own_m else (tie[i] ** -2 if c < 3 else free[c - 3] ** -2)
                    normal[c, c] += hold
                    if c < 3:
                        normal[c, m] += hold * home[i, c - 1]
            _factor(normal, m, m + 1)
            for c in range(m):
                answer[c] = normal[c, m]
            _back(normal, m, answer)
            left[:n] = target[:n]
            for c in range(m):
                share = answer[c]
                for k in range(n):
                    left[k] -= columns[c, k] * share
            if attempt == 1 or not saturated[i]:
                break
            # beside a cut-off star anything may stand that is not known yet: what does not fit counts less
            again = False
            for k in range(n):
                more[k] = max(left[k] ** 2 - 9 * diagonal[k], 0.0)
                again |= more[k] > 0
            if not again:
                break
        for u in range(n):
            rest_here = a[u, n + m]
            for c in range(m):
                rest_here -= a[u, n + c] * answer[c]
            right[u] = rest_here
        _back(a, n, right)
        changed = height[i] - max(answer[0], 0.0)
        for k in range(pixels):
            kins = kin[order[k]]
            lifted = 0.0
            if n == pixels:
                for u in range(n):
                    lifted += kins[u] * right[u]
            else:
                for u in range(n):
                    lifted += kins[order[u]] * right[u]
            behind[rows[k], cols[k]] = expected[k] + changed * spill[k] + power * lifted
            cores[rows[k], cols[k]] |= np.uint8(2)
            # how much of the noise that belongs there was lost: all of it where nothing is seen
            lost[rows[k], cols[k]] = np.uint8(np.rint(255 * extra[k] / diagonal[k])) if k < n else np.uint8(255)
        # what a right model would leave
        for c in range(m):
            swing[c, :n] = columns[c, :n]
            for d in range(c):
                f = normal[d, c]
                for k in range(n):
                    swing[c, k] -= f * swing[d, k]
            for k in range(n):
                swing[c, k] *= normal[c, c]
        chi2, top = 0.0, 0.0
        for k in range(n):
            sway = 0.0
            for c in range(m):
                sway += swing[c, k] ** 2
            due = max(1 - sway / diagonal[k], 0.05)
            p = order[k]
            chi2 += left[k] ** 2 / (diagonal[k] * due)
            seen[i, p, 0], seen[i, p, 1], seen[i, p, 2] = light[k], left[k] ** 2 / due, diagonal[k] - extra[k]
            if ky[p] ** 2 + kx[p] ** 2 <= 2.5:
                top = max(top, target[k] + max(answer[0], 0.0) * spill[k])
        new = max(answer[0], 0.0)
        safe = max(new, 1e-3)
        # a star that is not cut off shows its height, and one that is does not vanish
        found[i, 0] = max(new, 0.5 * height[i]) if saturated[i] else min(new, 1.6 * top)
        for c in range(1, 3):
            # one that is not seen here has no place here: walking, it would leave its light to its neighbours, who then fail too
            found[i, c] = min(max(answer[c] * scale / safe, -0.7), 0.7) if new > 0 else 0.0
        found[i, 3] = chi2 / max(n, 1)
        for d in range(m):
            unsure[i] += normal[d, m + 1] ** 2
        told[i] = n == pixels
        sure = n == pixels and new > 60
        for c in range(3, own_m):
            if new > 1:  # of a star that is hardly there, none are known
                found[i, 1 + c] = answer[c] * scale / new
            if sure:
                cover = 0.0
                for d in range(c, m):
                    cover += normal[d, m + 1 + c] ** 2
                squares[i, c - 3] = answer[c] ** 2 + cover


@compiled
def _bent(
    columns: Array,
    flat: Floats,
    place: Ints,
    ky: Ints,
    kx: Ints,
    order: Ints,
    n: int,
    fx: Real,
    fy: Real,
    law: Parts,
    bends: Array,
    scale: float,
) -> None:
    """Give what a star of height ``scale`` is when its law is off around each of the radii ``bends`` (px, rising) by :data:`OPEN`.

    Between two radii both share; within the first it fades as far as a radius would reach, beyond the last it stays.
    """
    a, b, d = law[1][0], law[1][1], law[1][2]
    step = np.log(bends[1] / bends[0])
    for k in range(n):
        p = order[k]
        dx, dy = np.float32(kx[p]) - fx, np.float32(ky[p]) - fy
        u = np.sqrt(max(a * dx * dx + b * dx * dy + d * dy * dy, np.float32(1e-6)))
        at = np.log(u / bends[0]) / step
        for j in range(len(bends)):
            share = max(0.0, 1 - abs(at - j))
            if j == len(bends) - 1 and at > j:
                share = 1.0
            columns[j, k] = OPEN * share * scale * flat[place[k]]


@compiled
def _slopes(j: int, i: int, fx: Real, fy: Real, law: Parts) -> tuple[float, float]:
    """Give the derivatives to x and y of the star, ``fx``, ``fy`` off its middle pixel, ``j``, ``i`` from that pixel."""
    table, contour, linear = law[0], law[1], law[2]
    across, down = 0.0, 0.0
    if linear < 1:
        a, b, d = contour[0], contour[1], contour[2]  # of u^2, whose middle term is 2 b there
        dx, dy = np.float32(i) - fx, np.float32(j) - fy
        if contour[6] > 0:  # how much of what it is drawn out by is left here
            share = contour[6] / (contour[6] + a * dx * dx + b * dx * dy + d * dy * dy)
            a, b, d = a + share * contour[3], b + share * contour[4], d + share * contour[5]
        u = np.sqrt(max(a * dx * dx + b * dx * dy + d * dy * dy, np.float32(1e-6)))
        k = min(int(u * FINE), len(table) - 3)
        # over two entries, so that it does not jump
        part = u * FINE - k
        slope = ((1 - part) * (table[k + 1] - table[max(k - 1, 0)]) + part * (table[k + 2] - table[k])) * (FINE / 2)
        across = -(1 - linear) * slope * (a * dx + b * dy / 2) / u
        down = -(1 - linear) * slope * (d * dy + b * dx / 2) / u
    if linear > 0:
        step, under = (1 if fx >= 0 else -1), (1 if fy >= 0 else -1)
        share, below = abs(fx), abs(fy)
        near, beside = _on_whole(j, i, law), _on_whole(j, i - step, law)
        near_under, beside_under = _on_whole(j - under, i, law), _on_whole(j - under, i - step, law)
        first = (1 - share) * near + share * beside
        second = (1 - share) * near_under + share * beside_under
        across += linear * step * ((1 - below) * (beside - near) + below * (beside_under - near_under))
        down += linear * under * (second - first)
    return across, down


@compiled
def _on_whole(j: int, i: int, law: Parts) -> Real:
    """Give the law ``j`` rows and ``i`` columns from a star that stands on a pixel."""
    table, contour, _, whole = law
    if len(whole) > 1:
        return whole[whole.shape[0] // 2 + j, whole.shape[0] // 2 + i]
    u = np.sqrt(abs(_squared(np.float32(i), np.float32(j), contour))) * FINE
    k = min(int(u), len(table) - 2)
    return table[k] + min(u - np.float32(k), np.float32(1)) * (table[k + 1] - table[k])
