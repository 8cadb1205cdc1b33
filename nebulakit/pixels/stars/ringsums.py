"""Loops over rings around stars and other places, compiled; see :mod:`kernels`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled
from nebulakit.pixels.stars.kernels import FINE, _squared

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@compiled
def sectors(
    planes: tuple[Floats, Floats, Mask],
    box: tuple[int, int, int, int],
    star: tuple[float, float, float],
    contour: Floats,
    table: Floats,
    special: Floats,
    ghost: tuple[float, float, float, float, float],
    reach: tuple[float, float],
    ring_of: Ints,
    pairs: int,
    out: Array,
) -> int:
    """Measure what is left around a star by rings, each divided into sectors, and give from how many pixels.

    ``planes``: what is left, all the light, and what is hidden; ``box``: rows and columns that are looked at; ``star``: x, y, height;
    ``ghost``: dx, dy, radius, softness and brightness of its ghost, which is then not taken for another star; ``reach``: of
    elliptical radii; ``ring_of``: the ring of each half pixel. ``out`` (ring, 5) becomes the number of pixels, the mean
    radius, the mean over pairs of sectors that face each other, without the highest and lowest where there are more than
    four, the number of pairs, and the ghost's mean light.
    """
    rest, data, hidden = planes
    y0, y1, x0, x1 = box
    x, y, height = np.float32(star[0]), np.float32(star[1]), np.float32(star[2])
    a, b, d, drawn_out = contour[0], contour[1], contour[2], contour[6] > 0
    least, most = np.float32(reach[0]), np.float32(reach[1])
    rings, last = len(out), np.int32(len(table) - 1)
    ghost_x, ghost_y, size, soft, bright = ghost
    glow = np.float32(0)
    number, total = np.zeros((rings, pairs, 2)), np.zeros((rings, pairs, 2))
    out[:] = 0
    used = 0
    for row in range(y0, y1):
        dy = np.float32(row) - y
        for col in range(x0, x1):
            dx = np.float32(col) - x
            u = np.sqrt(abs(_squared(dx, dy, contour) if drawn_out else a * dx * dx + b * dx * dy + d * dy * dy))
            if u < least or u >= most or hidden[row, col]:
                continue
            place = u * FINE
            k = min(np.int32(place), last)
            own, value = height * table[k], rest[row, col]
            if bright > 0:
                glow = np.float32(bright * (0.5 - 0.5 * math.tanh((math.hypot(dx - ghost_x, dy - ghost_y) - size) / (2 * soft))))
            # not where another star shines
            if data[row, col] - value - own - glow >= np.float32(2) + np.float32(0.03) * own:
                continue
            if len(special):
                # what the star had been given of its own is put back
                part = min(place - np.float32(k), np.float32(1))
                value += special[k] + part * (special[min(k + 1, last)] - special[k])
            turn = math.atan2(dy, dx)
            ring = ring_of[int(2 * u)]
            sector = int((turn / (2 * math.pi) + 1) * 2 * pairs) % pairs
            side = 1 if turn > 0 else 0
            number[ring, sector, side] += 1
            total[ring, sector, side] += value
            out[ring, 0] += 1
            out[ring, 1] += u
            out[ring, 4] += glow
            used += 1
    for ring in range(rings):
        n, first, low, high = 0, 0.0, np.inf, -np.inf
        for sector in range(pairs):
            if number[ring, sector, 0] > 0 and number[ring, sector, 1] > 0:
                mean = (total[ring, sector, 0] / number[ring, sector, 0] + total[ring, sector, 1] / number[ring, sector, 1]) / 2
                n += 1
                first += mean
                low, high = min(low, mean), max(high, mean)
        out[ring, 1] /= max(out[ring, 0], 1)
        out[ring, 4] /= max(out[ring, 0], 1)
        out[ring, 3] = n
        if n > 0:
            out[ring, 2] = (first - low - high) / (n - 2) if n > 4 else first / n
    return used


@compiled
def around(value: Floats, weight: Floats, places: Ints, shifts: Ints, starts: Ints, sums: Array, weights: Array) -> None:
    """Sum two planes over rings around places: ``places`` and ``shifts`` count pixels of the raveled planes.

    ``shifts`` holds the pixels of ring k from ``starts[k]`` to ``starts[k + 1]``; the sums are (place, ring).
    """
    for i in range(len(places)):
        for k in range(len(starts) - 1):
            total, known = np.float32(0), np.float32(0)
            for j in range(starts[k], starts[k + 1]):
                total += value[places[i] + shifts[j]]
                known += weight[places[i] + shifts[j]]
            sums[i, k], weights[i, k] = total, known


@compiled
def _mirrored(k: int, n: int) -> int:
    """Give the place of ``k`` in a line of ``n`` that is mirrored at both ends, however far beyond."""
    k = abs(k) % max(2 * n - 2, 1)
    return k if k < n else 2 * n - 2 - k


@compiled
def _add_row(column: Array, line: Floats, free: Mask, level: Any, sign: float) -> None:
    for x in range(len(column)):
        column[x] += sign * ((line[x] - level) if free[x] else np.float32(0))


@compiled
def squares(plane: Floats, margin: int, free: Mask, level: Any, half: int, step: int, means: Floats) -> None:
    """Give the means, within ``half`` px round every ``step``-th pixel, of a plane above a level.

    A pixel that is not free counts as at the level; ``free`` lacks the plane's margin.
    """
    h, w = free.shape
    column = np.zeros(w)
    total = np.zeros(w + 2 * half + 1)
    share = 1 / (2 * half + 1) ** 2
    for i in range(means.shape[0]):
        # of the rows of the square before this one, some go and as many come
        for k in range(-half if i == 0 else half + 1 - step, half + 1):
            come, go = _mirrored(i * step + k, h), _mirrored(i * step + k - 2 * half - 1, h)
            _add_row(column, plane[margin + come, margin : margin + w], free[come], level, 1.0)
            if i > 0:
                _add_row(column, plane[margin + go, margin : margin + w], free[go], level, -1.0)
        for x in range(len(total) - 1):
            total[x + 1] = total[x] + column[_mirrored(x - half, w)]
        for j in range(means.shape[1]):
            means[i, j] = (total[j * step + 2 * half + 1] - total[j * step]) * share
