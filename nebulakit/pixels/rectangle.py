"""The largest rectangle inside a mask: exactly, in time and memory that grow with the pixels alone."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]


class Box(NamedTuple):
    """A rectangle of pixels: first row, first column, height, width."""

    y0: int
    x0: int
    height: int
    width: int

    @property
    def area(self) -> int:
        """Pixels inside."""
        return self.height * self.width

    def cut(self, array: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Give the part of an array (..., y, x) that lies inside."""
        return array[..., self.y0 : self.y0 + self.height, self.x0 : self.x0 + self.width]


def fit(height: Any, width: Any, aspect: float | None) -> tuple[Any, Any]:
    """Give the largest height and width of this aspect (width / height) inside a rectangle; works on arrays, too.

    >>> [int(n) for n in fit(100, 400, 1.5)]
    [100, 150]
    """
    if aspect is None:
        return height, width
    w = np.minimum(width, np.floor(height * aspect + 0.5).astype(int))
    h = np.minimum(height, np.floor(w / aspect + 0.5).astype(int))
    return h, w


def widened(box: Box, rim: int, ok: Mask) -> Box:
    """Give a rectangle with up to ``rim`` more pixels on each side, on each only as far as all of them are True in ``ok``.

    All sides grow alike, line by line, so that none takes the corners from the others.

    >>> ok = np.ones((6, 9), bool)
    >>> ok[:, 8] = False
    >>> widened(Box(2, 3, 2, 3), 3, ok)
    Box(y0=0, x0=0, height=6, width=8)
    """
    rows, cols = ok.shape
    top, left, bottom, right = box.y0, box.x0, box.y0 + box.height, box.x0 + box.width
    free = [True] * 4
    for _ in range(rim):
        # a side that is stopped stays so: its next line only gets longer
        free[0] = free[0] and top > 0 and bool(ok[top - 1, left:right].all())
        top -= free[0]
        free[1] = free[1] and bottom < rows and bool(ok[bottom, left:right].all())
        bottom += free[1]
        free[2] = free[2] and left > 0 and bool(ok[top:bottom, left - 1].all())
        left -= free[2]
        free[3] = free[3] and right < cols and bool(ok[top:bottom, right].all())
        right += free[3]
    return Box(top, left, bottom - top, right - left)


def largest_rectangle(ok: Mask, aspect: float | None = None, centre: tuple[float, float] | None = None) -> Box | None:
    """Find the largest rectangle of True pixels, or None where there is none.

    With ``aspect`` (width / height) the largest of that shape, with ``centre`` (x, y) the largest whose middle is that
    pixel. For each row and column the tallest run of True that ends there is known with how far it can be widened
    (Vandevoorde 1998 finds the same rectangles with a stack); one of these is the answer, as every largest rectangle is
    stopped by a False on each side. A smaller one of a given aspect is put into the middle of the one that holds it.

    >>> largest_rectangle(np.array([[1, 0, 1, 0, 0], [1, 0, 1, 1, 1], [1, 1, 1, 1, 1], [1, 0, 0, 1, 0]], bool))
    Box(y0=1, x0=2, height=2, width=3)
    """
    if centre is not None:
        return _centred(ok, aspect, centre)
    rows, cols = ok.shape
    number = np.arange(cols, dtype=np.int32)
    tall, left, right = np.zeros(cols, np.int32), np.zeros(cols, np.int32), np.full(cols, cols, np.int32)
    first, last = np.empty(cols, np.int32), np.empty(cols, np.int32)
    best, best_area = None, 0
    changed = np.ones(rows, bool)  # where a row differs from the one above; only before such a row a rectangle can end
    changed[1:] = (ok[1:] != ok[:-1]).any(1)
    for y in range(rows):
        row = ok[y]
        if changed[y]:
            out = ~row
            np.maximum.accumulate(np.where(out, number + 1, 0), out=first)
            np.minimum.accumulate(np.where(out, number, cols)[::-1], out=last)
            np.maximum(left, first, out=left)
            np.minimum(right, last[::-1], out=right)
            left[out], right[out], tall[out] = 0, cols, 0
        tall += row
        if y + 1 < rows and not changed[y + 1]:
            continue
        area = tall.astype(np.int64) * (right - left)
        if aspect is not None:
            promising = np.flatnonzero(area > best_area)
            if not promising.size:
                continue
            h, w = fit(tall[promising].astype(np.int64), (right - left)[promising], aspect)
            k = int(np.argmax(h * w))
            x, found = int(promising[k]), int(h[k] * w[k])
        else:
            x = int(np.argmax(area))
            found = int(area[x])
        if found > best_area:
            best_area = found
            best = Box(y - int(tall[x]) + 1, int(left[x]), int(tall[x]), int(right[x] - left[x]))
    if best is None or aspect is None:
        return best
    height, width = (int(n) for n in fit(best.height, best.width, aspect))
    return Box(best.y0 + (best.height - height) // 2, best.x0 + (best.width - width) // 2, height, width)


def _centred(ok: Mask, aspect: float | None, centre: tuple[float, float]) -> Box | None:
    """Find the largest rectangle whose middle is the pixel nearest to ``centre``."""
    rows, cols = ok.shape
    x, y = (int(np.floor(c + 0.5)) for c in centre)
    if not (0 <= x < cols and 0 <= y < rows and ok[y, x]):
        return None
    # how far each row can be widened to both sides of the middle column
    gaps = ~ok
    to_right = np.where(gaps[:, x:].any(1), gaps[:, x:].argmax(1), cols - x)
    to_left = np.where(gaps[:, x::-1].any(1), gaps[:, x::-1].argmax(1), x + 1)
    wide = np.minimum(to_right, to_left)
    reach = min(y, rows - 1 - y) + 1
    half = np.minimum.accumulate(np.minimum(wide[y : y + reach], wide[y - reach + 1 : y + 1][::-1]))
    half = half[half > 0]
    tall, across = 2 * np.arange(len(half)) + 1, 2 * half - 1
    if aspect is not None:
        across = np.minimum(across, np.floor(tall * aspect + 0.5).astype(int))
        tall = np.minimum(tall, np.floor(across / aspect + 0.5).astype(int))
        tall, across = tall - (1 - tall % 2), across - (1 - across % 2)
        some = (tall > 0) & (across > 0)
        tall, across = tall[some], across[some]
        if not len(tall):
            return None
    k = int(np.argmax(tall * across))
    height, width = int(tall[k]), int(across[k])
    return Box(y - height // 2, x - width // 2, height, width)
