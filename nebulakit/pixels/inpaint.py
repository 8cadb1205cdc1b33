"""Filling holes of a plane from around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]


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

    hole = hole | ~np.isfinite(plane)
    if not hole.any():
        return plane.copy()
    weight = (~hole).astype(np.float32)
    value = np.where(hole, np.float32(0), plane)
    levels = [(value, weight)]
    while not (weight > 0.5).all() and max(weight.shape) > 1:
        value, weight = cv2.pyrDown(value), cv2.pyrDown(weight)
        levels.append((value, weight))
    value, weight = levels.pop()
    filled = np.divide(value, weight, out=np.zeros_like(value), where=weight > 0)
    for value, weight in reversed(levels):
        filled = cv2.pyrUp(filled, dstsize=value.shape[::-1])
        # a pixel with little weight of its own leans on the coarser level
        filled = value + (1 - weight) * filled
    return np.where(hole, filled, plane).astype(np.float32)
