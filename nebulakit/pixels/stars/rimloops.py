"""Loops over the cells along an edge of the picture, compiled.

Import this module inside the functions that use it: it loads the compiler.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled
from nebulakit.pixels.stars.kernels import look_up

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Looks = tuple[
    Floats, Floats, Floats, Array
]  # by channel: table and shape of the law; table of the ghost, and how far off it lies

CIRCLE = np.array([1, 0, 1, 0, 0, 0, 0], np.float32)


@compiled
def draw(cells: tuple[Array, Array], stars: tuple[Array, Array], ghostly: Mask, looks: Looks, out: npt.NDArray[Any]) -> None:
    """Give (channel, star, cell) stars of height 1, at places (channel, or 1 for all, star) in x and in y, ``ghostly`` ones with their ghosts."""
    (x, y), (px, py), (tables, shapes, discs, aside) = cells, stars, looks
    dx, dy, light = np.empty(len(x), np.float32), np.empty(len(x), np.float32), np.empty(len(x), np.float32)
    for c in range(len(tables)):
        own = min(c, len(px) - 1)
        for i in range(len(ghostly)):
            for k in range(len(x)):
                dx[k], dy[k] = x[k] - px[own, i], y[k] - py[own, i]
            look_up(dx, dy, tables[c], shapes[c], light)
            out[c, i] = light
            if ghostly[i]:
                for k in range(len(x)):
                    dx[k], dy[k] = x[k] - (px[own, i] + aside[c, 0]), y[k] - (py[own, i] + aside[c, 1])
                look_up(dx, dy, discs[c], CIRCLE, light)
                out[c, i] += light


@compiled
def covers(cells: tuple[Ints, Ints], shape: Array, strengths: Array, own: Array, out: Array) -> None:
    """Give the covariances (k, n, n) of n cells, above the diagonal and on it, under nebulas of k strengths, a level and a slope.

    ``shape``: of a nebula of strength 1, by the distance of rows and columns; ``own`` (k, n): variances that cells have for themselves.
    """
    y, x = cells
    n, (down, across) = len(y), (len(shape) // 2, shape.shape[1] // 2)
    nebula, free = np.empty(n), np.empty(n)
    for i in range(n):
        for j in range(i, n):
            nebula[j] = shape[y[i] - y[j] + down, x[i] - x[j] + across]
            free[j] = 1e4 + float(y[i] * y[j] + x[i] * x[j])
        for k in range(len(strengths)):
            for j in range(i, n):
                out[k, i, j] = strengths[k] * nebula[j] + free[j]
            out[k, i, i] += own[k, i]
