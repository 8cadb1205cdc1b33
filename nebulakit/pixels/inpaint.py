"""Filling holes of a plane from around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

AROUND = 16  # px beyond a hole's own size: from so far around it is told
ROWS = 128  # of a halved plane, that are halved in one go


def push_pull(plane: Plane, hole: Mask) -> Plane:
    """Fill the pixels of ``hole`` from coarser and coarser averages of the others; these stay as they are.

    Normalised convolution over a pyramid (the pull-push of Gortler et al. 1996; pyramidal interpolation of star holes:
    A&AS 1998 ds3147): fast, smooth, and right for a mean level; a gradient across a hole is followed to second order.
    Coarse pixel i lies on fine pixel 2i on the way down and up, or every level would shift the picture.
    NaN outside ``hole`` counts as hole. All holes: zeros.

    >>> push_pull(np.array([[1, 0, 1], [1, 1, 1]], np.float32), np.array([[False, True, False], [False] * 3]))
    array([[1., 1., 1.],
           [1., 1., 1.]], dtype=float32)
    """
    import cv2

    seen = np.isfinite(plane) & ~hole
    if seen.all():
        return plane.copy()
    value, weight = halved(plane, seen)
    halves = [(value, weight)]
    while not (weight > 0.5).all() and max(weight.shape) > 1:
        value, weight = _half(value), _half(weight)
        halves.append((value, weight))
    filled = np.divide(value, weight, out=np.zeros_like(value), where=weight > 0)
    for value, weight in reversed(halves[:-1]):
        filled = cv2.pyrUp(filled, dstsize=value.shape[::-1])
        # a pixel with little weight of its own leans on the coarser level
        filled = value + (1 - weight) * filled
    # on the finest level a pixel has its own value, or none
    filled = cv2.pyrUp(filled, dstsize=plane.shape[::-1])
    return np.asarray(cv2.copyTo(plane, seen.view(np.uint8), filled), np.float32)


def harmonic(plane: Plane, hole: Mask, sweeps: int = 60) -> Plane:
    """Fill the pixels of ``hole`` by the smoothest surface through those around (Laplace's equation).

    Starts from :func:`push_pull`; each hole's own box is relaxed red-black with over-relaxation (Young 1954). The rim
    is smoothed a little first, or its noise would run into the hole.

    >>> y, x = np.mgrid[0:21, 0:21].astype(np.float32)
    >>> hole = np.hypot(y - 10, x - 10) < 6
    >>> bool(np.abs(harmonic(x + y, hole) - (x + y)).max() < 0.5)  # of the 22 that the slope covers
    True
    """
    import cv2

    out = plane.copy()
    count, labels, stats, _ = cv2.connectedComponentsWithStats(hole.astype(np.uint8), connectivity=8)
    for k in range(1, count):
        x0, y0, bw, bh = (int(v) for v in stats[k, :4])
        far = max(bw, bh) + AROUND
        seen = np.s_[max(y0 - far, 0) : y0 + bh + far, max(x0 - far, 0) : x0 + bw + far]
        first = push_pull(plane[seen], hole[seen])
        soft = cv2.GaussianBlur(first, (0, 0), 1.5)
        box = np.s_[max(min(y0, far) - 1, 0) : min(y0, far) + bh + 1, max(min(x0, far) - 1, 0) : min(x0, far) + bw + 1]
        inside = labels[seen][box] == k
        work = np.where(hole[seen][box], first[box], soft[box])
        yy, xx = np.mgrid[0 : work.shape[0], 0 : work.shape[1]]
        framed = np.pad(work, 1, mode="edge")
        work = framed[1:-1, 1:-1]
        halves = [np.nonzero(inside & ((yy + xx) % 2 == half)) for half in (0, 1)]
        for step in range(2 * sweeps):
            framed[0], framed[-1], framed[:, 0], framed[:, -1] = framed[1], framed[-2], framed[:, 1], framed[:, -2]
            y, x = halves[step % 2]
            mean = (framed[y, x + 1] + framed[y + 2, x + 1] + framed[y + 1, x] + framed[y + 1, x + 2]) / 4
            work[y, x] += np.float32(1.6) * (mean - work[y, x])
        out[seen][box][inside] = work[inside]
    return out


def halved(plane: Plane, seen: Mask) -> tuple[Plane, Plane]:
    """Halve a plane, 0 where it is not seen, and where it is seen: a few rows at once, which take little memory.

    >>> halved(np.full((2, 3), 4, np.float32), np.array([[True] * 3, [False] * 3]))[0].shape
    (1, 2)
    """
    import cv2

    h, w = plane.shape
    value, weight = (np.empty(((h + 1) // 2, (w + 1) // 2), np.float32) for _ in range(2))
    for top in range(0, len(value), ROWS):
        first = max(top - 1, 0)
        rows, mine = slice(2 * first, 2 * (top + ROWS + 1)), slice(top - first, top - first + ROWS)
        there = seen[rows]
        value[top : top + ROWS] = _half(np.asarray(cv2.copyTo(plane[rows], there.view(np.uint8)), np.float32))[mine]
        weight[top : top + ROWS] = _half(there.astype(np.float32))[mine]
    return value, weight


def _half(plane: Plane) -> Plane:
    import cv2

    return np.asarray(cv2.pyrDown(plane), np.float32)
