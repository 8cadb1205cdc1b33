"""Skyglow: the level of the sky and smooth surfaces fitted to it."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Noise
from nebulakit.pixels.parallel import over

Planes = npt.NDArray[np.float32]


def sky_level(planes: Planes, noise: Noise, coverage: npt.NDArray[np.float32] | None = None) -> tuple[float, ...]:
    """Give the level of the empty sky per channel: the lower edge of the levels of small boxes without their stars.

    A box's level is the median of its pixels after its stars were clipped. Among the boxes the sky is where most of the
    lower ones agree: the shortest interval that holds 3 % of them, sought in their lower half, so that neither
    stars nor a nebula over most of the frame lift it. Where everything is nebula this is its darkest part.
    NaN and pixels without coverage are left out; a plane without any finite pixel has the level 0.
    """
    return tuple(over(lambda c: _plane_level(planes[c], noise.sigma[c], coverage), range(len(planes))))


def sky_doubt(planes: Planes, noise: Noise, coverage: npt.NDArray[np.float32] | None = None) -> tuple[float, ...]:
    """Give per channel how many boxes lie below the level of :func:`sky_level` for each that agrees with it.

    Nothing is darker than the sky, so this is near 0 where sky is seen; 1 or more tells that the level is that of some dark
    part of a nebula which fills the frame. 0 where there is too little to tell.
    """

    def one(c: int) -> float:
        levels, error = _plane_boxes(planes[c], noise.sigma[c], coverage)
        if len(levels) < 8:
            return 0.0
        level = lower_mode(levels, error)
        return float((levels < level - 2 * error).sum() / max(1, (np.abs(levels - level) <= 2 * error).sum()))

    return tuple(over(one, range(len(planes))))


def _plane_level(plane: npt.NDArray[np.float32], sigma: float, coverage: npt.NDArray[np.float32] | None) -> float:
    """Do :func:`sky_level` for one plane."""
    levels, error = _plane_boxes(plane, sigma, coverage)
    if len(levels) < 8:  # too small or too empty for boxes
        finite = plane[np.isfinite(plane)]
        return float(np.median(finite)) if finite.size else 0.0
    return lower_mode(levels, error)


def _plane_boxes(
    plane: npt.NDArray[np.float32], sigma: float, coverage: npt.NDArray[np.float32] | None
) -> tuple[npt.NDArray[np.float64], float]:
    """Give the levels of the boxes of a plane, and what one is uncertain by."""
    if coverage is not None and not (coverage > 0).all():
        seen = np.where(coverage > 0, plane, np.float32(np.nan))
        plane = seen if np.isfinite(seen).any() else plane
    bins = _binned(plane, 2_000_000)
    side = int(min(16, max(4, min(bins.shape) // 24)))
    values = _box_rows(bins, side)
    levels = _clipped_medians(values)
    # 1.5: a median, and the noise of a resampled stack is correlated
    return levels[np.isfinite(levels)], 1.5 * sigma / side


def lower_mode(levels: npt.NDArray[np.float64], error: float) -> float:
    """Give the level on which the most of the lower half of ``levels`` agree; ``error`` is what one is uncertain by.

    >>> lower_mode(np.r_[np.full(30, 2.0), np.linspace(2, 9, 70)], 0.1)
    2.0
    """
    ordered = np.sort(levels)
    n = len(ordered)
    hold = max(6, math.ceil(0.03 * n))
    if hold >= n:
        return float(np.median(ordered))
    last = max(1, min(n // 2 + 1 - hold // 2, n - hold + 1))  # windows whose middle lies in the lower half
    best = int(np.argmin(ordered[hold - 1 : hold - 1 + last] - ordered[:last]))
    window = ordered[best : best + hold]
    level, reach = float(np.median(window)), max(1.5 * error, float(window[-1] - window[0]) / 2)
    for _ in range(20):  # on to the middle of all that agree with it within their error
        near = ordered[np.abs(ordered - level) <= reach]
        moved = float(np.median(near))
        if moved == level:
            break
        level = moved
    return level


def _binned(plane: npt.NDArray[np.float32], pixels: int) -> npt.NDArray[np.float32]:
    """Average k x k pixels, k the smallest that leaves at most ``pixels``; a bin with a NaN is NaN."""
    import cv2

    height, width = plane.shape
    k = max(1, math.ceil(math.sqrt(height * width / pixels)))
    if k == 1:
        return plane
    height, width = height // k, width // k
    return np.asarray(cv2.resize(plane[: height * k, : width * k], (width, height), interpolation=cv2.INTER_AREA), np.float32)


def box_levels(plane: npt.NDArray[np.float32], side: int) -> npt.NDArray[np.float64]:
    """Give the level of each box of ``side`` px, row by row: the median after what stands above it was clipped; NaN where too little is there."""
    return _clipped_medians(_box_rows(plane, side))


def _box_rows(plane: npt.NDArray[np.float32], side: int) -> npt.NDArray[np.float32]:
    """Cut a plane in boxes of ``side`` px, one a row; what is left over at the far edges goes unseen."""
    ny, nx = plane.shape[0] // side, plane.shape[1] // side
    return plane[: ny * side, : nx * side].reshape(ny, side, nx, side).swapaxes(1, 2).reshape(ny * nx, side * side)


def _clipped_medians(rows: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Give the median of each row after clipping what stands above it (stars); NaN where under 40 % are finite."""
    if not rows.size:
        return np.empty(0)
    ordered = np.sort(rows, 1)  # NaN last
    total = np.isfinite(ordered).sum(1)
    kept = total
    line = np.arange(len(rows))
    for _ in range(3):
        top = np.maximum(kept - 1, 0)
        middle = ordered[line, top // 2]
        lower = middle - ordered[line, (top * 0.16).astype(int)]
        kept = np.minimum(kept, (ordered <= (middle + 2.5 * lower)[:, None]).sum(1))
    top = np.maximum(kept - 1, 0)
    out: npt.NDArray[np.float64] = (ordered[line, top // 2].astype(np.float64) + ordered[line, (top + 1) // 2]) / 2
    out[total < 0.4 * rows.shape[1]] = np.nan
    return out
