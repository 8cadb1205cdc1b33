"""Shapes: discs, erosion and its kin, peaks.

Sources: Serra 1982 and Soille 2003 (flat morphology); Vincent 1993, IEEE TIP 2:176 (reconstruction, domes).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

FEW = 100_000  # pixels: so few are looked at without sorting them


def disc(radius: int) -> npt.NDArray[np.uint8]:
    """Give the pixels whose centres lie within ``radius`` of the middle one.

    >>> [int(disc(r).sum()) for r in (1, 2, 3)]
    [5, 13, 29]
    """
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= radius * radius, np.uint8)


def eroded(plane: Plane, shape: npt.NDArray[np.uint8]) -> Plane:
    """Give the smallest value within ``shape`` round every pixel; outside the picture there is nothing."""
    import cv2

    return np.asarray(cv2.erode(plane, shape), plane.dtype)


def dilated(plane: Plane, shape: npt.NDArray[np.uint8]) -> Plane:
    """Give the largest value within ``shape`` round every pixel; outside the picture there is nothing."""
    import cv2

    return np.asarray(cv2.dilate(plane, shape), plane.dtype)


def opened(plane: Plane, shape: npt.NDArray[np.uint8]) -> Plane:
    """Take away what is bright and smaller than ``shape``."""
    return dilated(eroded(plane, shape), shape)


def domes(plane: Plane, height: float) -> Plane:
    """Give the part of every peak that stands at most ``height`` above its saddle: the plane less its reconstruction.

    >>> line = np.array([[0, 1, 3, 2, 0, 4, 4, 0, 0]], np.float32)
    >>> domes(line, 1)[0].tolist()
    [0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0]
    """
    if not plane.size:
        return plane
    low = plane - np.float32(height)
    if plane.size <= FEW:
        return plane - _rebuilt(low, plane)
    from skimage.morphology import reconstruction

    return np.asarray(plane - reconstruction(low, plane), np.float32)  # type: ignore[no-untyped-call]


def _rebuilt(plane: Plane, below: Plane) -> Plane:
    """Let a plane grow under another until it grows no more: quick where there are few pixels, and nothing is to be loaded for it."""
    box = np.ones((3, 3), np.uint8)
    while True:
        grown = np.minimum(dilated(plane, box), below)
        if np.array_equal(grown, plane, equal_nan=True):
            return grown
        plane = grown


def peaks(plane: Plane, height: float) -> tuple[Array, Array]:
    """Give the middles (x, y) of all peaks that stand at least ``height`` above their surroundings, the highest first."""
    import cv2

    count, label = cv2.connectedComponents((domes(plane, height) > 0.999 * height).astype(np.uint8), connectivity=8)
    y, x = np.nonzero(label)
    which = np.asarray(label[y, x] - 1, np.intp)
    size = np.bincount(which, minlength=count - 1)
    top = np.full(count - 1, -np.inf)
    np.maximum.at(top, which, plane[y, x])
    order = np.argsort(-top, kind="stable")
    middle_x, middle_y = (np.asarray(np.bincount(which, a, count - 1) / size, float) for a in (x, y))
    return middle_x[order], middle_y[order]


def draw_discs(plane: npt.NDArray[np.uint8], x: Array, y: Array, radius: Array) -> None:
    """Set a uint8 plane to 255 on discs round places told to a sixteenth of a pixel; rims lie up to 0.4 px too far out."""
    import cv2

    for cx, cy, r in zip(
        (x * 16).round().astype(int), (y * 16).round().astype(int), (radius * 16).round().astype(int), strict=True
    ):
        cv2.circle(plane, (int(cx), int(cy)), max(int(r), 8), 255, -1, cv2.LINE_8, 4)


def star_discs(shape: tuple[int, int], x: Array, y: Array, radius: Array) -> Plane:
    """Give a plane that is 1 on discs of ``radius`` px round (x, y), as :func:`draw_discs` draws them, and 0 elsewhere."""
    plane = np.zeros(shape, np.uint8)
    draw_discs(plane, x, y, radius)
    return (plane > 0).astype(np.float32)
