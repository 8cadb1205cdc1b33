"""The part of a large picture that tells of the whole: windows laid side by side."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import StarList

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int_]

ENOUGH = 1_000_000  # pixels tell a curve as well as all
WIDE, SIDES = 24.0, (96, 256)  # widths of a star that a window is wide, and so many px at least and at most
CLEAR = 4.0  # widths from the rim that a star must stand to be chosen for
APART = 8  # px of nothing between windows


def windows(
    planes: Planes, coverage: Plane | None, stars: StarList, lone: Ints, fwhm: float
) -> tuple[Planes, Plane | None, StarList]:
    """Lay windows of planes (channel, y, x) side by side, NaN between; with their coverage and stars. A small picture is one.

    Those that hold the lowest and the highest values, those with the brightest of the ``lone`` stars (numbers, brightest first),
    and of the rest such that all levels are there. The same picture gives the same windows.
    """
    h, w = planes.shape[1:]
    side = int(np.clip(round(WIDE * fwhm), *SIDES))
    if h * w <= ENOUGH or min(h, w) < side:
        return planes, coverage, stars
    top, left = (np.rint(np.linspace(0, n - side, math.ceil(n / side))).astype(int) for n in (h, w))

    def cell(y: float, x: float) -> tuple[int, int]:
        """Give the corner of the window in whose middle a place lies best."""
        return int(top[np.abs(top + side / 2 - y).argmin()]), int(left[np.abs(left + side / 2 - x).argmin()])

    level = planes.mean(0)
    chosen = {cell(*divmod(int(f(p)), w)): None for p in (*planes, level) for f in (np.nanargmin, np.nanargmax)}
    count, margin = ENOUGH // side**2, CLEAR * fwhm
    half = (count + len(chosen)) // 2
    for i in lone.tolist():
        if len(chosen) >= half:
            break
        x, y = float(stars.x[i]), float(stars.y[i])
        y0, x0 = cell(y, x)
        if margin <= y - y0 < side - margin and margin <= x - x0 < side - margin:
            chosen[y0, x0] = None
    some = [(y0, x0, level[y0 : y0 + side : 4, x0 : x0 + side : 4]) for y0 in top.tolist() for x0 in left.tolist()]
    known = [(float(np.nanmedian(p)), y0, x0) for y0, x0, p in some if (y0, x0) not in chosen and np.isfinite(p).mean() > 0.5]
    known.sort()
    for k in np.unique(np.rint(np.linspace(0, len(known) - 1, min(count - len(chosen), len(known)))).astype(int)).tolist():
        chosen[known[k][1:]] = None

    across, step = math.ceil(math.sqrt(len(chosen))), side + APART
    shape = math.ceil(len(chosen) / across) * step, across * step
    out = np.full((len(planes), *shape), np.nan, np.float32)
    covered = None if coverage is None else np.zeros(shape, np.float32)
    which, moved = list[Ints](), list[tuple[int, int]]()
    for k, (y0, x0) in enumerate(chosen):
        y, x = k // across * step, k % across * step
        out[:, y : y + side, x : x + side] = planes[:, y0 : y0 + side, x0 : x0 + side]
        if covered is not None and coverage is not None:
            covered[y : y + side, x : x + side] = coverage[y0 : y0 + side, x0 : x0 + side]
        inside = (np.abs(stars.y - y0 - side / 2) < side / 2) & (np.abs(stars.x - x0 - side / 2) < side / 2)
        which.append(np.nonzero(inside)[0])
        moved.extend([(y - y0, x - x0)] * int(inside.sum()))
    index, move = np.concatenate(which), np.array(moved, float).reshape(-1, 2)
    held = stars.take(index)
    return out, covered, replace(held, x=held.x + move[:, 1], y=held.y + move[:, 0])
