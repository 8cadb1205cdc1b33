"""The four cells of a colour-filter mosaic against each other: which are green, which is red, and whether there are any.

Planes are float32 (y, x), with NaN where nothing is.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


class Cells(NamedTuple):
    """The four cells of a 2x2 mosaic against each other: rms difference over its noise, the diagonals (top left to bottom right first)."""

    diagonals: tuple[float, float]
    spread: float  # largest difference of any two cells
    bright: int  # the cell of 0..3 that is red
    sure: bool  # whether red and blue can be told apart


def cells(mosaic: Plane, good: Mask) -> Cells:
    """Compare the four cells of a mosaic in blocks: the two green ones show the same, the others do not."""
    size = 16
    planes = [np.where(good, mosaic, np.nan)[i::2, j::2] for i in (0, 1) for j in (0, 1)]
    h, w = (min(p.shape[k] for p in planes) // size * size for k in (0, 1))
    medians, noise = [], []
    for p in planes:
        blocks = p[:h, :w].reshape(h // size, size, w // size, size).transpose(0, 2, 1, 3).reshape(-1, size * size)
        with np.errstate(invalid="ignore"):
            m = median(blocks, axis=1)
            noise.append(1.4826 * median(np.abs(blocks - m[:, None]), axis=1) * 1.2533 / size)
        medians.append(m)
    m, s = np.array(medians, float), np.array(noise, float)
    ok = np.isfinite(m).all(0) & (s > 0).all(0)
    if ok.sum() < 8:
        return Cells((0.0, 0.0), 0.0, 0, False)
    m, s = m[:, ok], s[:, ok]

    def apart(i: int, j: int) -> float:
        z = (m[i] - m[j]) / np.hypot(s[i], s[j])
        return float(np.sqrt(median(z**2) / 0.4549))

    diagonals = (apart(0, 3), apart(1, 2))
    spread = max(apart(i, j) for i in range(4) for j in range(i))
    pair = (1, 2) if diagonals[0] < diagonals[1] else (0, 3)
    green = m[0] + m[3] if diagonals[0] < diagonals[1] else m[1] + m[2]

    # blue sees [O III] as green does, red sees H-alpha alone; where that says nothing, red is the brighter one
    likes = [float(np.corrcoef(m[c], green)[0, 1]) for c in pair]
    apart_by = abs(likes[0] - likes[1])
    wide = [float(m[c].std()) for c in pair]
    # else the skyglow: behind a dual-band filter it is strongest in red
    pick = int(likes[1] < likes[0]) if apart_by > 0.05 else int(wide[1] > wide[0])
    return Cells(diagonals, spread, pair[pick], apart_by > 0.05 or max(wide) > 1.3 * min(wide))


def cell_levels(plane: Plane, good: Mask) -> Floats:
    """Give the levels of the four cells of 2x2 pixels (rows first) against their mean, in units of the pixels' noise.

    They are told by second differences, which no slope of the light moves, and by the blocks' median: zeros (within their
    error) on a grey picture, however steep. All zero, too, where less than 20 blocks are whole, or there is no noise.
    """
    import cv2

    size = 16
    bend, calm = np.array([-0.25, 0.5, -0.25], np.float32), np.array([0.25, 0.5, 0.25], np.float32)
    h, w = (n // size * size for n in good.shape)
    # what lies beside nothing, or at the edge, has no neighbours on both sides
    solid = cv2.erode(good.view(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    full = np.argwhere(solid[:h, :w].reshape(h // size, size, w // size, size).all((1, 3)))
    if len(full) < 20:
        return np.zeros(4)
    # some thousands tell to a hundredth of the noise
    i, j = full[:: math.ceil(len(full) / 4000)].T
    filled = np.where(good, plane, np.float32(0))
    odd = np.array([1, -1] * (size // 2))
    waves = []
    for across, down, sign in (
        (bend, calm, np.tile(odd, (size, 1))),
        (calm, bend, np.tile(odd[:, None], (1, size))),
        (bend, bend, np.outer(odd, odd)),
    ):
        detail = cv2.sepFilter2D(filled, -1, across, down)[:h, :w]
        blocks = detail.reshape(h // size, size, w // size, size)[i, :, j] * sign.astype(np.float32)
        middle = float(median(blocks))
        noise = 1.4826 * float(median(np.abs(blocks - middle))) / float(np.linalg.norm(np.outer(across, down)))
        if noise == 0:
            return np.zeros(4)
        with np.errstate(over="ignore"):  # stars and edges of a nebula count as any other pixel, however bright
            each = np.clip((blocks - middle) / noise, -2, 2).mean((1, 2), dtype=np.float64) + middle / noise
        error = 1.2533 * 1.4826 * float(median(np.abs(each - median(each)))) / len(each) ** 0.5
        wave = float(median(each))
        waves.append(wave if abs(wave) > 5 * error else 0.0)
    x, y, both = waves
    return np.array([x + y + both, -x + y - both, x - y - both, -x - y + both])
