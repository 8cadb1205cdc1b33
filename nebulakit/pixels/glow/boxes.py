"""Levels of small boxes without their stars: what a smooth sky is fitted to."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.glow.legendre import basis, quantile_fit, surface, terms
from nebulakit.pixels.glow.surface import box_levels
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over

Planes = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LEAST = 0.3  # of a box's pixels that must be free of stars
ENOUGH = 1 / 4  # of the boxes that must be so to look at
HALVINGS = 6


@dataclass(frozen=True)
class Boxes:
    """Star-free levels of square boxes: positions on [-1, 1], levels in noise sigma (channels, boxes)."""

    x: Doubles
    y: Doubles
    level: Doubles
    usable: Mask
    shape: tuple[int, int]  # boxes (rows, columns)
    error: float  # of one box's level, in sigma
    _there: dict[int, Doubles] = field(default_factory=dict, repr=False)  # per size of a neighbourhood, the usable share

    @cached_property
    def index(self) -> npt.NDArray[np.intp]:
        """The usable boxes."""
        return np.flatnonzero(self.usable)

    def around(self, values: Doubles, side: int = 5) -> Doubles:
        """Average values of the usable boxes, one or more rows, over ``side`` x ``side`` boxes, as far as these are usable."""
        import cv2

        def spread(v: Doubles) -> Doubles:
            plane = np.zeros((self.shape[0] * self.shape[1], v.size // len(self.index)), np.float32)
            plane[self.index] = v.T.reshape(len(self.index), -1)
            blurred = cv2.blur(plane.reshape(*self.shape, -1), (side, side), borderType=cv2.BORDER_REFLECT)
            return np.asarray(blurred.reshape(plane.shape)[self.index].T.reshape(v.shape), np.float64)

        if side not in self._there:
            self._there[side] = np.maximum(spread(np.ones(len(self.index))), 1e-6)
        return spread(values) / self._there[side]


def star_mask(planes: Planes, sigma: Doubles, side: int) -> Mask:
    """Mark stars and their wings (y, x), generously: what stands out of the first three starlet scales, grown by its height.

    By 5 sigma; more where less than :data:`ENOUGH` of the boxes of ``side`` px would be left to look at. In a binned or very
    deep frame everything stands out.
    """
    detail = np.zeros(planes.shape[1:], np.float32)
    for plane, s in zip(planes, sigma, strict=True):
        detail += plane * np.float32(1 / (s * math.sqrt(len(planes))))
    detail -= starlet.smooth(starlet.smooth(starlet.smooth(detail, 1), 2), 3)
    detail *= np.float32(1 / (1.4826 * float(median(np.abs(detail))) or 1e-9))
    for _ in range(HALVINGS):
        marked = _grown(detail)
        free = box_sums((~marked).astype(np.float32), side) >= LEAST * side * side
        if not free.size or free.mean() >= ENOUGH:
            break
        detail *= np.float32(0.5)
    return marked


def _grown(detail: Planes) -> Mask:
    """Mark what stands out by more than 5, each grown by how high it is."""
    import cv2

    count, label, _, _ = cv2.connectedComponentsWithStats((detail > 5).astype(np.uint8))
    height = np.zeros(count)
    some = label > 0
    np.maximum.at(height, label[some].astype(np.intp), detail[some])
    radius = 2 + 1.2 * (np.maximum(height, 1) / 5) ** 0.35
    # halos of the brightest reach further than their cores tell
    radius = np.where(height > 300, np.maximum(radius, 12 * np.log(np.maximum(height, 300) / 100)), radius)
    steps = np.where(height > 0, np.clip(np.ceil(np.log2(radius) * 2), 0, 16), -1).astype(int)
    step_of = steps.astype(np.int8)[label]

    def near(step: int) -> Mask:
        others = (step_of != step).view(np.uint8)
        return np.asarray(cv2.distanceTransform(others, cv2.DIST_L2, 3) <= 2 ** (step / 2))

    marked = np.zeros(detail.shape, bool)
    for some in over(near, np.unique(steps[steps >= 0])):
        marked |= some
    return marked


def measure_boxes(planes: Planes, sigma: Doubles, left_out: Mask | None = None, pixels: int = 1_000_000) -> Boxes:
    """Measure the level of boxes, their stars left out; a large frame is averaged down to ``pixels`` first. NaN is left out."""
    import cv2

    h, w = planes.shape[1:]
    k = max(1, round(math.sqrt(h * w / pixels)))
    good = np.asarray(np.isfinite(planes).all(axis=0), bool)
    if left_out is not None:
        good &= ~left_out
    size = (w // k, h // k)
    small = np.stack(
        [
            np.asarray(cv2.resize(np.where(good, p, 0)[: size[1] * k, : size[0] * k], size, interpolation=cv2.INTER_AREA))
            for p in planes
        ]
    )
    share = np.asarray(cv2.resize(good.astype(np.float32)[: size[1] * k, : size[0] * k], size, interpolation=cv2.INTER_AREA))
    there = share > 0.999
    middle = [float(median(p[there])) if there.any() else 0.0 for p in small]
    filled = np.stack([np.where(there, p, np.float32(m)) for p, m in zip(small, middle, strict=True)])
    side = int(np.clip(min(size) // 26, 4, 24))
    usable = there & ~star_mask(filled, sigma / k, side)
    ny, nx = size[1] // side, size[0] // side
    count = np.maximum(box_sums(usable.astype(np.float32), side), 1)
    across, down = np.arange(size[0], dtype=np.float32), np.arange(size[1], dtype=np.float32)[:, None]
    x, y = (box_sums(np.where(usable, place, np.float32(0)), side) / count for place in (across, down))
    u, v = x / max(size[0] - 1, 1) * 2 - 1, y / max(size[1] - 1, 1) * 2 - 1
    enough = count >= LEAST * side * side
    seen = [np.where(usable, p / np.float32(s), np.float32(np.nan)) for p, s in zip(small, sigma, strict=True)]
    levels = np.stack(over(lambda p: _levels(p, side, u, v, enough), seen))
    full = enough & np.isfinite(levels).all(axis=0)
    return Boxes(
        (x * k + (k - 1) / 2) / max(w - 1, 1) * 2 - 1,
        (y * k + (k - 1) / 2) / max(h - 1, 1) * 2 - 1,
        np.where(full, levels, 0),
        full,
        (ny, nx),
        1.7 / (side * k),  # of a median, in noise that neighbours share
    )


def _levels(plane: Planes, side: int, u: Doubles, v: Doubles, enough: Mask) -> Doubles:
    """Give the boxes' levels at the middles (u, v) of their pixels.

    A slope inside a box and a star in its corner would shift the median: a first smooth surface is taken off before the
    medians and put back after them.
    """
    rough = box_levels(plane, side)
    good = enough & np.isfinite(rough)
    order = max(o for o in (0, 1, 2, 3) if len(terms(o)) * 3 <= max(int(good.sum()), 3))
    c = quantile_fit(basis(u[good], v[good], order), rough[good], 0.5) if good.sum() >= 3 else np.zeros(len(terms(order)))
    flat = plane - surface(c[None], plane.shape, order)[0]
    return np.asarray(box_levels(flat, side) + basis(u, v, order) @ c)


def box_sums(plane: Planes, side: int) -> Doubles:
    """Sum the pixels of each box of ``side`` px, row by row."""
    ny, nx = plane.shape[0] // side, plane.shape[1] // side
    return np.asarray(plane[: ny * side, : nx * side].reshape(ny, side, nx, side).sum(axis=(1, 3)), np.float64).ravel()
