"""Where a page looks closely: a star, a filament, empty sky, the rim; and the pieces cut out there."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image

LARGEST = 168
"""Pixels of a close-up's side."""
NAMES = {"star": "a star", "filament": "a filament", "sky": "empty sky", "rim": "the rim"}

Places = dict[str, tuple[float, float]]
Piece = tuple[str, str, int, int, int]


def side(shape: tuple[int, int]) -> int:
    """Give the side of close-ups, in px: a third of a small picture, never more than LARGEST."""
    return min(LARGEST, max(48, min(shape) // 3 // 8 * 8))


def pieces(image: Image, chosen: Places, size: int) -> Iterator[Piece]:
    """Give name, title, zoom, row and column of the piece of ``size`` px round each place that lies in a layer, moved inside.

    The zoom is how many pixels of the page each of its pixels takes along a side.
    """
    h, w = image.shape
    zoom = max(1, LARGEST // size)
    for name, at in chosen.items():
        x, y = image.frame.from_stack(*at)
        if -0.25 * size <= x < w + 0.25 * size and -0.25 * size <= y < h + 0.25 * size and min(h, w) >= size:
            row, column = (int(min(max(round(v) - size // 2, 0), n - size)) for v, n in ((y, h), (x, w)))
            yield name, f"{NAMES[name]}, {zoom}:1", zoom, row, column


def places(image: Image, size: int) -> Places:
    """Choose where to look closely; positions (x, y) in the stack, ``size`` px of room round each.

    By lower quarters and maxima of blocks, so that it costs next to nothing: the star is the block whose maximum stands out most
    without being cut off, the filament where the quarters are most structured, the sky where they are lowest and calmest,
    the rim the corner with the least coverage. No two share more than half their room where another place will do.
    """
    import cv2

    block = max(2, min(32, min(image.shape) // 40))
    h, w = image.shape
    bh, bw = h // block, w // block
    if bh < 6 or bw < 6:
        return {}
    mean = np.nan_to_num(np.mean(image.planes[:, : bh * block, : bw * block], axis=0))
    tiles = mean.reshape(bh, block, bw, block)
    few = max(1, block // 8)
    level = np.percentile(tiles[:, few // 2 :: few, :, few // 2 :: few], 25, axis=(1, 3)).astype(np.float32)
    top = tiles.max(axis=(1, 3)).astype(np.float32)
    level = cv2.medianBlur(level, 3) - _glow(level)  # without stars, and above the skyglow
    inner = np.zeros((bh, bw), bool)
    m = math.ceil(size / 2 / block)
    inner[m : bh - m, m : bw - m] = True
    if not inner.any():
        return {}
    texture = cv2.GaussianBlur(np.abs(cv2.GaussianBlur(level, (0, 0), 1) - cv2.GaussianBlur(level, (0, 0), 3)), (0, 0), 2)
    bright = top > 0.6 * float(top.max())
    halos = cv2.dilate(bright.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    calm = cv2.GaussianBlur(level, (0, 0), 2.5) + 0.2 * cv2.GaussianBlur(top - level, (0, 0), 2.5)
    covered = image.coverage if image.coverage is not None else np.isfinite(image.planes[0]).astype(np.float32)
    corners = [(y, x) for y in (m, bh - 1 - m) for x in (m, bw - 1 - m)]
    rim = np.full((bh, bw), -np.inf, np.float32)
    for y, x in corners:
        rim[y, x] = -float(covered[y * block, x * block])
    scores = {
        "star": np.where(inner & ~bright, top - cv2.medianBlur(top, 5), -np.inf),
        "filament": np.where(inner & ~halos, texture, -np.inf) if (inner & ~halos).any() else texture,
        "sky": np.where(inner, -calm, -np.inf),
        "rim": rim,
    }
    rows, columns = np.mgrid[0:bh, 0:bw]
    free = np.ones((bh, bw), bool)
    chosen: Places = {}
    for name, score in scores.items():
        apart = np.where(free, score, -np.inf)
        best = apart if np.isfinite(apart).any() else score
        y, x = (int(v) for v in np.unravel_index(int(np.argmax(best)), best.shape))
        chosen[name] = image.frame.to_stack((x + 0.5) * block - 0.5, (y + 0.5) * block - 0.5)
        free &= np.maximum(np.abs(rows - y), np.abs(columns - x)) > size / 2 / block
    return chosen


def _glow(level: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Give the smooth surface (order 2) under the levels of blocks (y, x), what stands above it left out: a rough skyglow."""
    h, w = level.shape
    y, x = (v.ravel() for v in np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j])
    a, v = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1), level.ravel().astype(float)
    under = np.ones(v.size, bool)
    for _ in range(6):
        fitted = a @ np.linalg.lstsq(a[under], v[under], rcond=None)[0]
        rest = v - fitted
        under = rest <= 1.5 * 1.4826 * float(np.median(np.abs(rest[under])))
        if under.sum() < 20:
            break
    return np.asarray(fitted.reshape(h, w), np.float32)


def contrast(planes: npt.NDArray[np.float32], middle: npt.NDArray[np.float32], factor: float = 4.0) -> npt.NDArray[np.float32]:
    """Give planes with ``factor`` times the contrast about a level per channel, so that what noise is left in the sky shows."""
    level = middle[:, None, None]
    return np.asarray(level + np.float32(factor) * (planes - level), np.float32)
