"""Loops over rings around stars and other places, compiled; see :mod:`kernels`."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled
from nebulakit.pixels.stars.kernels import FINE

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@compiled
def every(flags: Mask, step: int, rows: Ints, columns: Ints) -> int:
    """Give rows and columns of every so many of the flags that are set, beginning with the first, and how many these are."""
    count, left = 0, 1
    for y in range(len(flags)):
        for x in range(flags.shape[1]):
            if flags[y, x]:
                left -= 1
                if left == 0:
                    rows[count], columns[count] = y, x
                    count += 1
                    left = step
    return count


@compiled
def sectors(
    planes: tuple[Floats, Floats, Mask],
    lead: int,
    box: tuple[int, int, int, int],
    star: tuple[float, float, float],
    contour: Floats,
    table: Floats,
    special: Floats,
    ghost: tuple[float, float, float, float, float],
    reach: tuple[float, float],
    ring_of: Ints,
    pairs: int,
    mixtures: Array,
    out: Array,
    values: Array,
) -> int:
    """Measure what is left around a star by rings, each divided into sectors, and give from how many pixels.

    ``planes`` (channel, y, x): what is left, all the light, and what is hidden; ``lead``: the channel that tells where other
    stars shine, and that ``star`` (x, y, height), ``contour``, ``table`` and ``ghost`` are of (dx, dy, radius, softness and
    brightness, which is then not taken for another star); ``box``: rows and columns that are looked at; ``special``
    (channel, entry) is put back; ``reach``: of elliptical radii; ``ring_of``: the ring of each half pixel. ``out``
    (ring, 4) becomes the number of pixels, the mean radius, the number of pairs of sectors that face each other, and the
    ghost's mean light; ``values`` (mixture, ring) the mean over these pairs in each of the ``mixtures`` (mixture, channel),
    without the highest and lowest where there are more than four.
    """
    rest, data, hidden = planes
    y0, y1, x0, x1 = box
    x, y, height = np.float32(star[0]), np.float32(star[1]), np.float32(star[2])
    a, b, d, drawn_out = contour[0], contour[1], contour[2], contour[6] > 0
    least, most = np.float32(reach[0]), np.float32(reach[1])
    channels, rings, last = len(rest), len(out), np.int32(len(table) - 1)
    ghost_x, ghost_y, size, soft, bright = ghost
    glow = np.float32(0)
    number, total = np.zeros((rings, pairs, 2)), np.zeros((rings, pairs, 2, channels))
    out[:] = 0
    used = 0
    for row in range(y0, y1):
        dy = np.float32(row) - y
        for col in range(x0, x1):
            dx = np.float32(col) - x
            flat = a * dx * dx + b * dx * dy + d * dy * dy
            if drawn_out:  # as in ``kernels._squared``, which a loop kept for another file would not see change
                flat += (contour[3] * dx * dx + contour[4] * dx * dy + contour[5] * dy * dy) * (
                    contour[6] / (contour[6] + abs(flat))
                )
            u = np.sqrt(abs(flat))
            if u < least or u >= most:
                continue
            place = u * FINE
            k = min(np.int32(place), last)
            own = height * table[k]
            if bright > 0:
                glow = np.float32(bright * (0.5 - 0.5 * math.tanh((math.hypot(dx - ghost_x, dy - ghost_y) - size) / (2 * soft))))
            # not where another star shines
            if data[lead, row, col] - rest[lead, row, col] - own - glow >= np.float32(2) + np.float32(0.03) * own:
                continue
            unseen = False
            for c in range(channels):
                unseen |= hidden[c, row, col]
            if unseen:
                continue
            turn = math.atan2(dy, dx)
            ring = ring_of[int(2 * u)]
            sector = int((turn / (2 * math.pi) + 1) * 2 * pairs) % pairs
            side = 1 if turn > 0 else 0
            number[ring, sector, side] += 1
            for c in range(channels):
                total[ring, sector, side, c] += rest[c, row, col]
            if special.shape[1]:
                # what the star had been given of its own is put back
                part, after = min(place - np.float32(k), np.float32(1)), min(k + 1, last)
                for c in range(channels):
                    total[ring, sector, side, c] += special[c, k] + part * (special[c, after] - special[c, k])
            out[ring, 0] += 1
            out[ring, 1] += u
            out[ring, 3] += glow
            used += 1
    for ring in range(rings):
        out[ring, 1] /= max(out[ring, 0], 1)
        out[ring, 3] /= max(out[ring, 0], 1)
        for m in range(len(mixtures)):
            n, first, low, high = 0, 0.0, np.inf, -np.inf
            for sector in range(pairs):
                if number[ring, sector, 0] > 0 and number[ring, sector, 1] > 0:
                    mean = 0.0
                    for c in range(channels):
                        near = total[ring, sector, 0, c] / number[ring, sector, 0]
                        mean += mixtures[m, c] * (near + total[ring, sector, 1, c] / number[ring, sector, 1]) / 2
                    n += 1
                    first += mean
                    low, high = min(low, mean), max(high, mean)
            out[ring, 2] = n
            if n > 0:
                values[m, ring] = (first - low - high) / (n - 2) if n > 4 else first / n
    return used


@compiled
def around(values: Floats, weight: Floats, places: Ints, shifts: Ints, starts: Ints, sums: Array, weights: Array) -> None:
    """Sum planes over rings around places: ``places`` and ``shifts`` count pixels of the raveled planes.

    ``shifts`` holds the pixels of ring k from ``starts[k]`` to ``starts[k + 1]``; the sums are (channel, place, ring) of
    ``values``, and (place, ring) of ``weight``.
    """
    for i in range(len(places)):
        for k in range(len(starts) - 1):
            known = np.float32(0)
            for j in range(starts[k], starts[k + 1]):
                known += weight[places[i] + shifts[j]]
            weights[i, k] = known
            for c in range(len(values)):
                plane, total = values[c], np.float32(0)
                for j in range(starts[k], starts[k + 1]):
                    total += plane[places[i] + shifts[j]]
                sums[c, i, k] = total
