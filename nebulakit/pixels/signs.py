"""Signs, in the pixels, of what was done to a stack before: numbers only, what they mean is said elsewhere.

All functions take float32 planes (channel, y, x) or one plane (y, x) with NaN where nothing is. None of them changes anything.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_CENTRE = 1_500_000  # pixels are plenty for signs of the pixels' own noise


def middle(planes: Planes, pixels: int = _CENTRE) -> tuple[slice, slice]:
    """Give the rows and columns of the middle part of planes that holds about so many pixels: all, if there are fewer."""
    h, w = planes.shape[-2:]
    share = min(1.0, (pixels / (h * w)) ** 0.5)
    dy, dx = int(h * (1 - share) / 2), int(w * (1 - share) / 2)
    return slice(dy, h - dy), slice(dx, w - dx)


def step_of_values(plane: Plane) -> float:
    """Give the usual gap between neighbouring values in the middle of all values: next to 0 where they lie as dense as pixels do.

    >>> noise = np.random.default_rng(1).normal(0, 1, (100, 100)).astype(np.float32)
    >>> step_of_values(np.rint(noise * 2) / 2), step_of_values(noise) < 0.01
    (0.5, True)
    """
    known = plane[np.isfinite(plane)]
    if known.size < 200:
        return 0.0
    low, high = np.quantile(known, [0.1, 0.9])
    values = np.unique(known[(known >= low) & (known <= high)])
    if len(values) < 2:
        return float("inf") if low == high else 0.0
    if len(values) > 0.3 * known.size:
        return 0.0  # hardly two pixels alike: that is no grid of levels
    return float(median(np.diff(values)))


def at_lowest(plane: Plane, there: Mask, noise: float) -> float:
    """Give the share of the pixels that were cut off at the lowest value: hold it exactly, where their neighbours do not all hold it too.

    Above a cut the values go on. Where hardly any lies within the noise above it, the lowest value is that of dead pixels and holes.
    """
    import cv2

    if not there.any():
        return 0.0
    low = plane[there].min()
    same = ((plane == low) & there).astype(np.uint8)
    if same.sum() < 2:
        return 0.0
    crowd = cv2.boxFilter(same.astype(np.float32), -1, (9, 9), borderType=cv2.BORDER_REFLECT)
    share = float(((same > 0) & (crowd < 0.95)).sum() / there.sum())
    beside = float((there & (plane > low) & (plane < low + 2 * np.float32(noise))).sum() / there.sum())
    return share if beside > 0.05 * min(share, 0.01) else 0.0


def likeness(planes: Planes, good: Mask, share: float | tuple[float, ...] = 0.5) -> Floats:
    """Correlate the finest detail of the channels 0-1, 0-2, 1-2 in blocks; give the value below which ``share`` of the blocks lie.

    Few stars do not move the median; of a field in which hardly a block is without star the least alike tenth tells the noise.
    Of several shares the values are (pair, share).
    """
    import cv2

    bend = np.array([0.5, -1, 0.5], np.float32)
    size = 16
    h, w = (n // size * size for n in good.shape)
    full = good[:h, :w].reshape(h // size, size, w // size, size).all((1, 3))
    detail = [cv2.sepFilter2D(np.where(good, p, np.float32(0)), -1, bend, bend)[:h, :w] for p in planes]
    # pixels beside an empty one see the step down to it
    solid = cv2.erode(good.view(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)[:h, :w]
    full &= solid.reshape(h // size, size, w // size, size).all((1, 3))

    def means(a: npt.NDArray[Any]) -> Floats:
        return np.asarray(a.reshape(h // size, size, w // size, size).mean((1, 3), dtype=np.float64))[full]

    between = []
    for i, j in ((0, 1), (0, 2), (1, 2)) if len(planes) == 3 else ():
        both = np.sqrt(np.multiply(means(detail[i] ** 2), means(detail[j] ** 2)))
        with np.errstate(invalid="ignore", divide="ignore"):
            r = means(detail[i] * detail[j]) / both
        r = r[np.isfinite(r)]
        between.append(np.quantile(r, share) if r.size else np.zeros(np.shape(share)))
    return np.array(between)


def noise_by_level(variance: Floats, level: Floats, frames: Floats | None = None) -> tuple[float, float]:
    """Give how noise goes with the level over blocks: rank correlation, and the power of the level it follows.

    ``frames``: how many lie on each block, so that what they explain is taken out. Light has noise that grows with
    the power 0.5, electronics such that does not depend on it; where noise falls, levels were stretched.
    """
    ok = np.isfinite(variance) & (variance > 0) & np.isfinite(level) & (level > 0)
    if frames is not None:
        ok &= frames > 0
    if ok.sum() < 40:
        return 0.0, 0.5
    v = variance[ok] * (frames[ok] if frames is not None else 1.0)
    x, y = np.log(level[ok]), 0.5 * np.log(v)
    rank = float(np.corrcoef(np.argsort(np.argsort(x)), np.argsort(np.argsort(y)))[0, 1])
    # the median of the noise in ten classes of the level: blocks full of stars count little
    order = np.array_split(np.argsort(x), 10)
    px, py = (np.array([median(a[o]) for o in order]) for a in (x, y))
    spread = float(np.ptp(px))
    return rank, float(np.polyfit(px, py, 1)[0]) if spread > 0.05 else 0.5


def lone_points(planes: Planes, sigma: tuple[float, ...]) -> int:
    """Count points that no star can be: 12 sigma high in one channel, with nothing beside them that a blurred light would leave."""
    import cv2

    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    count = 0
    for plane, usual in zip(planes, sigma, strict=True):
        filled = np.where(np.isfinite(plane), plane, np.float32(np.nanmedian(plane)))
        s = np.float32(usual) * _uneven(filled)
        beside = cv2.dilate(filled, ring, borderType=cv2.BORDER_REPLICATE)
        floor = cv2.erode(filled, ring, borderType=cv2.BORDER_REPLICATE)
        high = filled - floor
        # in a star the floor itself stands above what lies a little further out, and on a cut-off one noise is larger
        sharp = (high > 12 * s) & (beside - floor < np.float32(0.3) * high + 3 * s)
        sharp &= floor - cv2.erode(filled, np.ones((7, 7), np.uint8), borderType=cv2.BORDER_REPLICATE) < 8 * s
        sky = float(median(filled[::7, ::5]))
        sharp &= floor < sky + 0.05 * (float(filled.max()) - sky)
        count += int(sharp.sum())
    return count


def _uneven(plane: Plane, side: int = 48) -> Plane:
    """Give the noise around each pixel over the usual one, at least 1: where few frames lie it is several times that."""
    import cv2

    rows, cols = plane.shape[0] // side, plane.shape[1] // side
    if rows * cols < 4:
        return np.ones_like(plane)
    step = np.abs(np.diff(plane[: rows * side, : cols * side], axis=1, append=0)).reshape(rows, side, cols, side)
    block = np.median(step, axis=(1, 3))
    grown = cv2.dilate(np.maximum(block / max(float(median(block)), 1e-30), 1).astype(np.float32), np.ones((3, 3), np.uint8))
    return np.asarray(cv2.resize(grown, plane.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


class Structure(NamedTuple):
    """Light of middle size between the stars."""

    significance: Floats  # per channel, over what noise would leave
    correlation: Floats  # (channel, channel)
    ratio: Floats  # of each channel to green along the common direction


def structure(planes: Planes, good: Mask, stars: Mask, sigma: tuple[float, ...]) -> Structure:
    """Measure how strongly the channels vary at some hundredths of the frame's width, skyglow and stars left out."""
    import cv2

    h, w = good.shape
    block = max(4, round(min(h, w) / 60))
    rows, cols = h // block, w // block
    use = (good & ~stars)[: rows * block, : cols * block].reshape(rows, block, cols, block)
    n = use.sum((1, 3))
    thick = n >= 0.3 * block * block
    weight = thick.astype(np.float32)
    out = []
    for plane in planes:
        p = np.where(good, plane, 0)[: rows * block, : cols * block].reshape(rows, block, cols, block)
        mean = (p * use).sum((1, 3)) / np.maximum(n, 1)
        mean = np.where(thick, mean - median(mean[thick]) if thick.any() else 0, 0).astype(np.float32)
        mean = _levelled(mean, thick)
        mean = cv2.medianBlur(mean, 3)
        # what varies more slowly than six blocks is left to the sky
        wide = cv2.GaussianBlur(mean * weight, (0, 0), 4.0) / np.maximum(cv2.GaussianBlur(weight, (0, 0), 4.0), 1e-3)
        out.append((mean - wide).astype(np.float64))
    inside = cv2.erode(weight, np.ones((5, 5), np.uint8), borderType=cv2.BORDER_REPLICATE) > 0
    if inside.sum() < 50:
        k = len(planes)
        return Structure(np.zeros(k), np.eye(k), np.ones(k))
    values = np.array([o[inside] for o in out])
    values -= np.median(values, axis=1, keepdims=True)
    limit = np.percentile(np.abs(values), 99.5, axis=1, keepdims=True)
    values = np.clip(values, -limit, limit)
    amplitude = values.std(axis=1)
    chance = np.asarray(sigma, float) / block * 1.2
    with np.errstate(invalid="ignore", divide="ignore"):
        corr = np.nan_to_num(np.atleast_2d(np.corrcoef(values)))
        significance = np.where(chance > 0, amplitude / chance, 0)
    ratio = np.ones(len(planes))
    if len(planes) == 3:
        cov = np.cov(values)
        vector = np.linalg.eigh(cov)[1][:, -1]
        ratio = vector / vector[1] if abs(vector[1]) > 1e-9 else np.array([np.inf, 1, np.inf])
    return Structure(significance, corr, np.asarray(ratio, float))


def _levelled(mean: Plane, there: Mask) -> Plane:
    """Take a surface of third order off the means of blocks: skyglow bends little."""
    h, w = mean.shape
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    design = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], -1)
    use = there.copy()
    for _ in range(3):
        if use.sum() < 40:
            return mean
        fit = np.linalg.lstsq(design[use], mean[use].astype(np.float64), rcond=None)[0]
        rest = mean - design @ fit
        spread = 1.4826 * float(median(np.abs(rest[use] - median(rest[use]))))
        use = there & (rest < 2.5 * spread)
    return np.where(there, mean - design @ fit, 0).astype(np.float32)


def lower_plateau(coverage: Plane) -> tuple[float, float]:
    """Give the share of the frame in which coverage has one level clearly below its best, beyond what levels nearby have, and that level.

    Frames that turn through one night thin out steadily, and all levels are about as frequent (share 0); where one stands
    out three times, another night or field ends there. Two nights are seen from 8 degrees between them on, or as much more
    as each of them turns.
    """
    there = coverage > 0
    top = float(np.percentile(coverage[there], 99)) if there.any() else 0.0
    if top <= 0:
        return 0.0, 0.0
    found = (0.0, 0.0)
    for first in (0.14, 0.16):  # so that no level is parted by the edge of a class
        counts, edges = np.histogram(coverage[there] / top, np.arange(first, 0.861, 0.04))
        share = counts / coverage.size
        for k in range(1, len(share) - 1):
            usual = float(median(np.r_[share[max(0, k - 4) : k], share[k + 1 : k + 5]]))
            more = float(share[k]) - usual
            if more > max(0.012, found[0]) and share[k] > 3 * usual:
                found = (more, float(edges[k] + edges[k + 1]) / 2)
    return found


def repeats(planes: Planes, good: Mask) -> float:
    """Give the share of pixels equal, to the last bit, to the next in their row; a median over neighbours leaves some, noise none."""
    both = good[:, 1:] & good[:, :-1]
    return float(np.mean([(p[:, 1:] == p[:, :-1])[both].mean() for p in planes])) if both.any() else 0.0


def repeats_by_levels(planes: Planes, good: Mask) -> float:
    """Give the share of pixels that equal the next in their row because values lie on a grid of levels, be it one for each row.

    As many neighbours are equal then as lie one level up, or one down. Where there is no grid, next to none.
    """
    both = good[:, 1:] & good[:, :-1]
    if not both.any():
        return 0.0
    one_apart = 0.0
    for p in planes:
        step = np.abs(np.diff(p, axis=1))
        step[~both | (step == 0)] = np.inf
        least = step.min(axis=1, keepdims=True)
        # the least one itself says nothing
        one_apart += float(((step < 1.5 * least).sum(axis=1) - 1).clip(0).sum())
    return one_apart / 2 / float(both.sum()) / len(planes)
