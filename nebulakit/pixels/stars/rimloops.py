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
Mask = npt.NDArray[np.bool_]
Looks = tuple[Floats, Floats, Floats, Array]  # by channel: table and shape of the law; table of the ghost, and how far off it lies

CIRCLE = np.array([1, 0, 1, 0, 0, 0, 0], np.float32)


@compiled
def draw(cells: tuple[Array, Array], stars: tuple[Array, Array], ghostly: Mask, looks: Looks, out: npt.NDArray[Any]) -> None:
    """Give (channel, star, cell) stars of height 1, at places (channel, star) in x and in y, those that are ``ghostly`` with their ghosts."""
    (x, y), (px, py), (tables, shapes, discs, aside) = cells, stars, looks
    dx, dy, light = np.empty(len(x), np.float32), np.empty(len(x), np.float32), np.empty(len(x), np.float32)
    for c in range(len(tables)):
        for i in range(len(ghostly)):
            for k in range(len(x)):
                dx[k], dy[k] = x[k] - px[c, i], y[k] - py[c, i]
            look_up(dx, dy, tables[c], shapes[c], light)
            out[c, i] = light
            if ghostly[i]:
                for k in range(len(x)):
                    dx[k], dy[k] = x[k] - (px[c, i] + aside[c, 0]), y[k] - (py[c, i] + aside[c, 1])
                look_up(dx, dy, discs[c], CIRCLE, light)
                out[c, i] += light
