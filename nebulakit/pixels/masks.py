"""Masks: planes (y, x) of 0..1, made from levels and shapes, feathered and combined. NaN stays NaN."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.colour import Array, by_rows

Wide = npt.NDArray[np.float64]

_LINES, _PARTS = 16, 256  # a polygon is told on so many lines in a row of pixels, on each to such a part of a pixel


def smoothstep(t: Array) -> Array:
    """Give 3t^2 - 2t^3 of t held within 0..1: 0 and 1 are met without a corner.

    >>> smoothstep(np.array([-1, 0.25, 0.5, 2], np.float32)).tolist()
    [0.0, 0.15625, 0.5, 1.0]
    """
    t = np.clip(t, 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def feathered(mask: Array, sigma: float) -> Array:
    """Blur a mask by a Gaussian of ``sigma`` px, at the border and beside NaN by what is there alone."""
    if sigma <= 0:
        return mask
    gap = np.isnan(mask)
    if not gap.any():
        return np.clip(blurred(mask, sigma), 0, 1)
    weight = blurred((~gap).astype(np.float32), sigma)
    out = blurred(np.where(gap, np.float32(0), mask), sigma)
    out /= np.maximum(weight, np.float32(1e-6))
    np.clip(out, 0, 1, out=out)
    out[gap] = np.nan
    return out


def blurred(plane: Array, sigma: float) -> Array:
    """Blur a plane without NaN by a Gaussian of ``sigma`` px, mirrored at the border; wide ones on an averaged plane."""
    import cv2

    height, width = plane.shape
    side = min(int(sigma / 6), max(1, min(height, width) // 8))
    if side < 2:
        reach = min(math.ceil(5 * sigma), 4 * max(height, width))
        return np.asarray(cv2.GaussianBlur(plane, (2 * reach + 1,) * 2, sigma, borderType=cv2.BORDER_REFLECT), np.float32)
    # averaging and the way back blur too: by a box and by a tent of ``side`` px
    left = math.sqrt(max(sigma * sigma - (side * side - 1) / 12 - side * side / 6, 0.01)) / side
    size = (math.ceil(width / side), math.ceil(height / side))
    padded = cv2.copyMakeBorder(plane, 0, size[1] * side - height, 0, size[0] * side - width, cv2.BORDER_REFLECT)
    small = blurred(np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.float32), left)
    wide = cv2.resize(small, (size[0] * side, size[1] * side), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(wide[:height, :width], np.float32)


def between(planes: Array, low: float, high: float | None) -> Array:
    """Give 1 where the mean of the channels lies from ``low`` up to ``high`` (no limit: None), else 0; NaN stays NaN."""
    out = np.empty(planes.shape[1:], np.float32)

    def work(rows: slice) -> None:
        mean = planes[0, rows].copy()
        for p in planes[1:]:
            mean += p[rows]
        mean *= np.float32(1 / len(planes))
        inside = mean >= np.float32(low)
        if high is not None:
            inside &= mean <= np.float32(high)
        mean *= 0
        mean += inside
        out[rows] = mean

    by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


def combined(a: Array, b: Array | None, how: str) -> Array:
    """Combine masks: both (the smaller), either (the larger), the first without the second, or what none takes in."""
    if how == "not":
        return 1 - (a if b is None else np.maximum(a, b))
    assert b is not None
    if how == "and":
        return np.asarray(np.minimum(a, b))
    if how == "or":
        return np.asarray(np.maximum(a, b))
    return np.asarray(np.minimum(a, 1 - b))


def _grid(shape: tuple[int, int]) -> tuple[Array, Array]:
    y, x = np.ogrid[: shape[0], : shape[1]]
    return x.astype(np.float32), y.astype(np.float32)


def ellipse(shape: tuple[int, int], centre: tuple[float, float], radii: tuple[float, float], angle: float) -> Array:
    """Give 1 inside an ellipse round ``centre`` (x, y): radii along and across, the first turned by ``angle`` degrees from +x to +y."""
    x, y = _grid(shape)
    u, v = x - np.float32(centre[0]), y - np.float32(centre[1])
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    along, across = (u * np.float32(c) + v * np.float32(s)), (v * np.float32(c) - u * np.float32(s))
    along *= np.float32(1 / max(radii[0], 1e-6))
    across *= np.float32(1 / max(radii[1], 1e-6))
    return np.asarray(along * along + across * across <= 1, np.float32)


def polygon(shape: tuple[int, int], corners: Sequence[tuple[float, float]]) -> Array:
    """Give the share of each pixel that lies in a polygon of corners (x, y), to a sixteenth; it closes itself and may cross itself."""
    height, width = shape
    lines, places = [], []
    for (x0, y0), (x1, y1) in itertools.pairwise([*corners, corners[0]]):
        start, end = (_LINES * (y + 0.5) - 0.5 for y in (y0, y1))
        low, high = sorted((start, end))
        line = np.arange(max(math.ceil(low), 0), min(math.ceil(high), _LINES * height))
        lines.append(line)
        places.append(x0 + (line - start) * ((x1 - x0) / (end - start or 1.0)))
    line, place = np.concatenate(lines), np.concatenate(places)
    order = np.lexsort((place, line))
    row = line[order] // _LINES
    # in whole parts of a pixel, from the left edge: so that sums are 0 outside and 1 inside to the last bit
    cell, part = np.divmod(np.rint((np.clip(place[order], -0.5, width - 0.5) + 0.5) * _PARTS).astype(np.int32), _PARTS)
    side = np.where(np.arange(len(row)) % 2, 1, -1).astype(np.int32)  # each line is entered as often as it is left
    out = np.empty(shape, np.float32)

    def work(rows: slice) -> None:
        mine = slice(*np.searchsorted(row, (rows.start, rows.stop)))
        steps = np.zeros((rows.stop - rows.start, width + 2), np.int32)
        np.add.at(steps, (row[mine] - rows.start, cell[mine]), side[mine] * (part[mine] - _PARTS))
        np.add.at(steps, (row[mine] - rows.start, cell[mine] + 1), -side[mine] * part[mine])
        np.cumsum(steps, axis=1, out=steps)
        np.multiply(steps[:, :width], np.float32(1 / (_LINES * _PARTS)), out=out[rows], casting="same_kind")

    by_rows(work, shape)
    return out


def ramp(shape: tuple[int, int], start: tuple[float, float], end: tuple[float, float]) -> Array:
    """Give a plane rising smoothly from 0 at ``start`` (x, y) to 1 at ``end``, constant across and beyond."""
    x, y = _grid(shape)
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = max(dx * dx + dy * dy, 1e-12)
    return smoothstep((x - np.float32(start[0])) * np.float32(dx / length) + (y - np.float32(start[1])) * np.float32(dy / length))


def band(shape: tuple[int, int], points: Sequence[tuple[float, float]], half: float) -> Array:
    """Give 1 where the way along ``points`` (x, y) is at most ``half`` px away, its ends round."""
    x, y = _grid(shape)
    out = np.zeros(shape, bool)
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        dx, dy = x1 - x0, y1 - y0
        u, v = x - np.float32(x0), y - np.float32(y0)
        along = np.clip((u * np.float32(dx) + v * np.float32(dy)) / np.float32(max(dx * dx + dy * dy, 1e-12)), 0, 1)
        out |= np.hypot(u - along * np.float32(dx), v - along * np.float32(dy)) <= half
    return out.astype(np.float32)
