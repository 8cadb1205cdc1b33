"""Where a picture holds nothing: the even border that stacking or a turn leaves, told apart from pixels that happen to be zero."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]

_SMALLEST = 64  # px; a corner smaller than this is not worth a decision
_LONG = 0.5  # of a side: an even line along it is a border, however thin
_BLACK = 1.5 / 255  # level up to which a corner of a finished picture is black
_STEP = 4  # times that: the least level beside such a corner
_MOST = 0.5  # share of the picture that such corners have together at most
_ISLAND = 5  # px: from there on what is lit within the black is a star, no speck
_RAGGED = 0.05  # share of equal pixels beside the border above which they are clipped sky, not a border


def empty_border(planes: npt.NDArray[np.float32]) -> Mask | None:
    """Give (y, x) True where planes (channel, y, x) hold one exact value in all channels, connected to the edge, or None.

    Only what is certain counts. The value must not be the brightest of its channel (a burnt-out object at the edge), the
    area must be solid (3x3 pixels at a time, or a line along half a side), and no such pixels may be scattered beside it:
    those are the sign of sky cut off at black, whose pixels are values.
    """
    import cv2

    found: Mask | None = None
    for value in _candidates(planes):
        equal = _equal(planes, value)
        area = _solid(equal)
        if area is None:
            continue
        beside = cv2.dilate(area.view(np.uint8), np.ones((11, 11), np.uint8)).view(np.bool_) & ~area
        scattered = equal & beside
        if scattered.sum() <= _RAGGED * beside.sum():
            area |= scattered  # specks along the rim
            found = area if found is None else found | area
    return None if found is None or found.all() else found


def black_border(planes: npt.NDArray[np.float32]) -> Mask | None:
    """Give (y, x) True where a stretched picture (channel, y, x) is solidly black from the edge to a step up, or None.

    That is what a turn leaves in the corners, also after a step that changed black a little. Black is a value where it is most
    of the picture, where stars stand on it, and where levels fall down to it: so is a sky that was cut off.
    """
    import cv2

    black: Mask = np.asarray((planes <= np.float32(_BLACK)).all(axis=0), bool)
    area = _solid(black)
    if area is None or area.mean() > _MOST:
        return None
    light = planes.max(axis=0)
    _, lit, stats, _ = cv2.connectedComponentsWithStats((~area).view(np.uint8), connectivity=8)
    island = stats[:, cv2.CC_STAT_AREA] >= _ISLAND
    island[[0, 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))]] = False
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(area.view(np.uint8), connectivity=8)
    for n, (x, y, wide, high) in enumerate(boxes[1:, :4].tolist(), 1):
        part = np.s_[max(y - 4, 0) : y + high + 4, max(x - 4, 0) : x + wide + 4]
        mine = labels[part] == n
        # the two pixels along it may be mixed with the black
        touching, near, far = (cv2.dilate(mine.view(np.uint8), np.ones((k, k), np.uint8)).view(np.bool_) for k in (3, 5, 9))
        beside = light[part][far & ~near & ~area[part]]
        beside = beside[np.isfinite(beside)]
        if island[lit[part][touching]].any() or not beside.size or np.median(beside) < _STEP * _BLACK:
            area[part][mine] = False
    return area if area.any() else None


def _candidates(planes: npt.NDArray[np.float32]) -> list[npt.NDArray[np.float32]]:
    """Give the values that many edge pixels share, at most two."""
    ring = np.concatenate([planes[:, 0], planes[:, -1], planes[:, :, 0], planes[:, :, -1]], axis=1)
    ring = ring[:, np.isfinite(ring).all(0)]
    # most stacks have no border: no value, then, stands twice side by side
    same = (ring[:, 1:] == ring[:, :-1]).all(0)
    if same.sum() < 8:
        return []
    values, counts = np.unique(ring[:, 1:][:, same], axis=1, return_counts=True)
    best = np.argsort(-counts, kind="stable")[:2]
    top = np.array([np.nanmax(p) if np.isfinite(p).any() else np.nan for p in planes])
    return [values[:, k] for k in best if counts[k] >= 8 and not (values[:, k] >= top).any()]


def _equal(planes: npt.NDArray[np.float32], value: npt.NDArray[np.float32]) -> Mask:
    equal: Mask = planes[0] == value[0]
    for plane, v in zip(planes[1:], value[1:], strict=True):
        equal &= plane == v
    return equal


def _solid(equal: Mask) -> Mask | None:
    """Give the solid parts of ``equal`` that touch the edge."""
    import cv2

    small = equal.view(np.uint8)
    box = np.ones((3, 3), np.uint8)
    # beyond the edge all counts as equal, so that a thin border survives the opening
    core = cv2.erode(small, box, borderType=cv2.BORDER_CONSTANT, borderValue=1)
    opened: npt.NDArray[Any] = cv2.dilate(core, box, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    for edge in (np.s_[0, :], np.s_[-1, :], np.s_[:, 0], np.s_[:, -1]):
        if equal[edge].mean() >= _LONG:
            opened[edge] |= small[edge]
    for _ in range(3):  # ragged rims of the border belong to it
        opened = np.asarray(cv2.dilate(opened, box), np.uint8) & small
    _, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=8)
    h, w = equal.shape
    x0, y0, wide, high, area = (stats[:, k] for k in range(5))
    touches = (x0 == 0) | (y0 == 0) | (x0 + wide == w) | (y0 + high == h)
    keep = touches & (area >= _SMALLEST)
    keep[0] = False
    return keep[labels] if keep.any() else None
