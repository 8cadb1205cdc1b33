"""Where stars are cut off: the white level, and the plateaus at it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

# times as long for its width as usual a plateau is where two stars share it; and more in one of few pixels, by px over its radius
LONG, FEW = 1.25, 1.0
BEYOND, OTHER = 1.15, 4  # times its radius, and pixels: what lies so far from the middle of a disc is of another
CUT = 0.03  # of white above the sky: so near under it a star is cut off
# of white above the sky: so low it may be in some places where a glow was taken off, and from where on it counts as even
UNEVEN = 0.6, 0.99
SURE, FALLEN = 9, 4  # pixels of a plateau that tells so, and px beyond which its star's flank has plainly fallen
PART, PARTS = 100, 8  # px: so wide at least is what has a sky of its own, of so many parts at most each way
PIECE = 6  # times as long as wide a plateau may be where an edge cuts it
ENOUGH = 8  # pixels of a plateau that an edge cuts: fewer tell no middle
LARGEST = 1.5  # times what is seen of a plateau, its radius
WHOLE = 0.9  # of a disc's area
SOFT = 1.5  # px over which a disc's rim fades, so that a fit feels it


def white_level(planes: Planes, linear: bool = True) -> tuple[float, ...] | None:
    """Give the level per channel at which stars are cut off; None if nothing saturates.

    A cut-off star is flat over more than a star's width: a pixel counts as plateau when it and its eight neighbours
    differ by under 4 % of its height above the sky. The level is where the plateaus pile up, not the full scale of the
    file (stacks are rescaled). A channel without plateau of its own takes the level of the others, or its own maximum
    if that is higher. Of ``linear`` light it is the lowest plateau: a glow taken off leaves each at a level of its own. A stretch
    makes plateaus of tops that are not cut off.

    >>> star = 3 * np.exp(-0.1 * (np.mgrid[-20:21, -20:21] ** 2).sum(0))
    >>> white_level(np.minimum(star, 0.8)[None].astype(np.float32))
    (0.800000011920929,)
    >>> white_level(star[None].astype(np.float32)) is None
    True
    """
    found = [_plateau(plane, linear) for plane in planes]
    levels = [level for level in found if level is not None]
    if not levels:
        return None
    return tuple(
        float(np.nanmax(p, initial=max(levels))) if level is None else level for level, p in zip(found, planes, strict=True)
    )


def _plateau(plane: Plane, linear: bool) -> float | None:
    """Give the level at which the stars of one plane are cut off, or None."""
    import cv2

    good = np.isfinite(plane)
    if not good.any():
        return None
    filled = plane if good.all() else np.where(good, plane, np.float32(np.nanmin(plane)))
    sky = float(median(filled[::7, ::5]))
    top = float(filled.max())
    if not top > sky:
        return None
    # only what is high can be a cut-off star; looking there alone keeps this fast
    ground = np.maximum(_ground(filled), np.float32(sky)) if linear else np.float32(sky)
    ys, xs = np.nonzero(filled > ground + np.float32(0.3 * (top - sky)))
    if not len(ys) or len(ys) > 0.2 * plane.size:
        return None
    box = np.ones((3, 3), np.uint8)
    low = cv2.erode(filled, box, borderType=cv2.BORDER_REPLICATE)[ys, xs]
    high = cv2.dilate(filled, box, borderType=cv2.BORDER_REPLICATE)[ys, xs]
    value = filled[ys, xs]
    flat = high - low < 0.04 * (value - sky)
    # a small plateau, or one cut by the edge: of no star that is not cut off are five of nine pixels alike to 1 %
    h, w = filled.shape
    alike = np.zeros(len(ys), int)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            inside = (ys + dy >= 0) & (ys + dy < h) & (xs + dx >= 0) & (xs + dx < w)
            near = filled[np.clip(ys + dy, 0, h - 1), np.clip(xs + dx, 0, w - 1)]
            alike += inside & (np.abs(near - value) < 0.01 * (value - sky))
    flat |= alike >= 5
    if flat.sum() < 1:
        return None
    values = np.sort(value[flat].astype(np.float64))
    # the fullest window of 3 % of the height is the pile-up
    width = 0.03 * (top - sky)
    counts = np.searchsorted(values, values + width, "right") - np.arange(len(values))
    first = int(np.argmax(counts))
    pile = values[first : first + int(counts[first])]
    level = float(median(pile))
    own = np.zeros(len(ys), bool)
    if linear:
        tops = np.zeros(plane.shape, np.uint8)
        tops[ys[flat], xs[flat]] = 1
        level = _lowest(filled, tops, level, sky)
        own = cv2.dilate(tops, np.ones((5, 5), np.uint8))[ys, xs] > 0
    # a star that reaches clearly higher without a plateau of its own was not cut off there: this is then no white level
    above = int(((value > level + 2 * width) & ~own).sum())
    return None if above > 0.1 * len(pile) + 2 else level


def _ground(plane: Plane) -> Plane:
    """Give the sky of a plane as it is around each place, from every 35th pixel: one side of it may be far brighter."""
    import cv2

    down, across = (int(np.clip(n // PART, 1, PARTS)) for n in plane.shape)
    bands = np.array_split(plane[::7, ::5], down)
    told = np.array([[median(part) for part in np.array_split(band, across, axis=1)] for band in bands], np.float32)
    return np.asarray(cv2.resize(told, plane.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _lowest(plane: Plane, tops: npt.NDArray[np.uint8], level: float, sky: float) -> float:
    """Give the level of the lowest plateau, little under ``level`` where most lie: what was taken off before may have been uneven.

    ``tops`` marks flat pixels. Only steep hills are stars.
    """
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(tops, connectivity=8)
    wide = (stats[:, cv2.CC_STAT_AREA] >= SURE) & _compact(stats, plane.shape)
    for k in np.flatnonzero(wide[1:]) + 1:
        x0, y0, w, h = stats[k, :4].tolist()
        rows, columns = slice(max(y0 - FALLEN, 0), y0 + h + FALLEN), slice(max(x0 - FALLEN, 0), x0 + w + FALLEN)
        mine = labels[rows, columns] == k
        own = float(median(plane[rows, columns][mine]))
        if not UNEVEN[0] * (level - sky) < own - sky < UNEVEN[1] * (level - sky):
            continue
        inner, outer = (
            cv2.dilate(mine.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * far + 1,) * 2))
            for far in (FALLEN - 1, FALLEN)
        )
        if float(median(plane[rows, columns][outer > inner])) - sky < 0.8 * (own - sky):
            level = own
    return level


def _compact(stats: npt.NDArray[Any], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Say which pieces (of the statistics that OpenCV gives) of a plane of ``shape`` are no cut-off nebula, large and ragged."""
    import cv2

    extent = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    return np.asarray((extent.max(1) < 0.1 * max(shape)) & (stats[:, cv2.CC_STAT_AREA] > 0.4 * extent.prod(1)), bool)


def sky_of(plane: Plane) -> float:
    """Give about the level of a plane's sky, from every 35th pixel."""
    return float(np.nanmedian(plane[::7, ::5]))


def plateaus(planes: Planes, white: tuple[float, ...] | None, bad: npt.NDArray[np.bool_]) -> Floats:
    """Give (n, 4): x, y, radius of the connected plateaus at the white level, and 1 where their form tells the middle, not the light."""
    import cv2

    if white is None:
        return np.zeros((0, 4))
    cut, round_it = np.zeros(bad.shape, bool), np.zeros(bad.shape, bool)
    for plane, level in zip(planes, white, strict=True):
        if not np.isfinite(plane).any():
            continue
        sky = sky_of(plane)
        with np.errstate(invalid="ignore"):
            mine = plane > level - CUT * (level - sky)
            bright = (plane > sky + 0.25 * (level - sky)).astype(np.uint8)
        cut |= mine
        # a hot pixel stands alone, the brightest pixel of a star does not
        round_it |= mine & (cv2.erode(bright, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE) > 0)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(cut.astype(np.uint8), connectivity=8)
    if count < 2:
        return np.zeros((0, 4))
    size, extent = stats[1:, cv2.CC_STAT_AREA], stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    stars = np.bincount(labels[round_it], minlength=count)[1:] > 0
    # of a star beyond an edge a short piece of its plateau is seen
    ends = stats[1:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]]
    at_edge = ((ends == 0) | (ends + extent == bad.shape[::-1])).any(1)
    ok = ((size >= 4) | stars) & _compact(stats[1:], bad.shape) & (extent.max(1) <= np.where(at_edge, PIECE, 3) * extent.min(1))
    blobs, at = [], []
    for k in np.nonzero(ok)[0].tolist():
        x0, y0, w, h = stats[k + 1, :4].tolist()
        blobs.append(labels[y0 : y0 + h, x0 : x0 + w] == k + 1)
        at.append((x0, y0))
    usual = np.median([_form(b) for b in blobs], axis=0) if len(blobs) >= 3 else np.eye(2)
    out = []
    for k, blob, (x0, y0) in zip(np.nonzero(ok)[0].tolist(), blobs, at, strict=True):
        rows, columns = slice(max(y0 - 1, 0), y0 + blob.shape[0] + 1), slice(max(x0 - 1, 0), x0 + blob.shape[1] + 1)
        inside = y0 and x0 and rows.stop <= bad.shape[0] and columns.stop <= bad.shape[1] and not bad[rows, columns].any()
        # what an edge cuts is not as long as its star
        two = (
            _two_stars(blob, usual)
            if inside
            else _cut_by_an_edge(blob, ~bad[rows, columns], (y0 - rows.start, x0 - columns.start), usual)
        )
        if two is None:
            out.append((*centres[k + 1], math.sqrt(size[k] / math.pi), 0.0))
        else:
            out += [(x0 + x, y0 + y, r, 1.0) for x, y, r in two]
    return np.array(out).reshape(-1, 4)


def _form(blob: npt.NDArray[np.bool_]) -> Floats:
    """Give the covariance (x, y) of a blob's pixels, its determinant brought to 1."""
    ys, xs = np.nonzero(blob)
    cover = np.cov(np.stack([xs, ys]), ddof=0) + np.eye(2) / 12
    return np.asarray(cover / math.sqrt(float(np.linalg.det(cover))), np.float64)


def _cut_by_an_edge(
    blob: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_], at: tuple[int, int], usual: Floats
) -> list[tuple[float, float, float]] | None:
    """Give x, y, radius of the disc, as oval as the ``usual`` form, of which a plateau is what is seen; None if that
    is little, or nearly all.

    ``known``: which pixels around are seen, the blob's first at ``at`` of them. The middle of what is seen lies too far in.

    >>> y, x = np.mgrid[:7, :11]
    >>> seen = np.hypot(x - 5, y - 1.2) < 4.8
    >>> blob = seen[:6, 1:10]
    >>> np.round(_cut_by_an_edge(blob, np.ones(seen.shape, bool), (0, 1), np.eye(2))).tolist()
    [[4.0, 1.0, 5.0]]
    """
    from scipy.optimize import least_squares

    lit = np.zeros(known.shape)
    lit[at[0] : at[0] + blob.shape[0], at[1] : at[1] + blob.shape[1]] = blob
    if (lit * known).sum() < ENOUGH:
        return None
    ys, xs = np.nonzero(known)
    round_off, want = np.linalg.inv(np.linalg.cholesky(usual)), lit[known]

    def left(v: Floats) -> Floats:
        far = np.hypot(*(round_off @ np.stack([xs - v[0], ys - v[1]])))
        return np.asarray(np.clip((v[2] - far) / SOFT + 0.5, 0, 1) - want, np.float64)

    rows, columns = np.nonzero(lit)
    middle, radius = np.array([columns.mean(), rows.mean()]), math.sqrt(len(rows) / math.pi)
    # nearer to the edge than what is seen of it, or beyond
    away = middle - np.array([xs.mean(), ys.mean()])
    starts = [np.append(middle + k * away, radius) for k in (0.0, 1.0)]
    best = min((least_squares(left, start, diff_step=1e-3) for start in starts), key=lambda found: float(found.cost)).x
    # hardly cut: what it shines tells its middle better; or of a form that is no disc's
    if len(rows) > WHOLE * math.pi * best[2] ** 2 or best[2] > LARGEST * max(blob.shape):
        return None
    return [(float(best[0]) - at[1], float(best[1]) - at[0], float(best[2]))]


def _two_stars(blob: npt.NDArray[np.bool_], usual: Floats) -> list[tuple[float, float, float]] | None:
    """Part a plateau that two cut-off stars share, far longer than the ``usual`` form or with a part that lies beyond its disc: x, y,
    radius of the discs, made as oval as that form, that cover it best.

    >>> y, x = np.mgrid[:11, :16]
    >>> blob = (np.hypot(x - 5, y - 5) < 5.3) | (np.hypot(x - 11, y - 6) < 4.3)
    >>> [[round(v) for v in disc] for disc in sorted(_two_stars(blob, np.eye(2)))]
    [[5, 5, 5], [11, 6, 4]]
    """
    radius = math.sqrt(float(blob.sum()) / math.pi)
    if radius < 2:
        return None
    round_off = np.linalg.inv(np.linalg.cholesky(usual))
    lengths, axes = np.linalg.eigh(round_off @ _form(blob) @ round_off.T)
    if math.sqrt(lengths[1] / lengths[0]) < LONG + FEW / radius and not _has_another(blob, round_off):
        return None
    turn = axes.T @ round_off
    ys, xs = np.nonzero(blob)
    middle = np.array([xs.mean(), ys.mean()])
    gy, gx = np.mgrid[-2 : blob.shape[0] + 2, -2 : blob.shape[1] + 2]
    here = np.pad(blob, 2)
    across, along = np.tensordot(turn, np.stack([gx - middle[0], gy - middle[1]]), 1)
    first, last = along[here].min() - 0.5, along[here].max() + 0.5
    radii = np.arange(1.0, 0.45 * (last - first), 0.25)
    lit = [[np.hypot(along - end, across) < r for end in (first + r, last - r)] for r in radii]
    missed = np.array([[np.count_nonzero((a[0] | b[1]) != here) for b in lit] for a in lit])
    a, b = (radii[k] for k in np.unravel_index(int(np.argmin(missed)), missed.shape))
    back = np.linalg.inv(turn)[:, 1]
    return [(*(middle + end * back), r) for end, r in ((first + a, a), (last - b, b))]


def _has_another(blob: npt.NDArray[np.bool_], round_off: Floats) -> bool:
    """Say whether a few pixels of a plateau lie well beyond the largest disc in it, on one side: those of a fainter star."""
    import cv2

    depth = cv2.distanceTransform(np.pad(blob, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    ys, xs = np.nonzero(blob)
    middle = [np.average(v, weights=depth[blob] > 0.9 * depth.max()) for v in (xs, ys)]
    away = round_off @ (np.stack([xs, ys]) - np.array(middle)[:, None])
    far = away[:, np.hypot(*away) > BEYOND * float(depth.max()) + SOFT]
    # spikes reach out on both
    return far.shape[1] >= OTHER and bool((far.mean(1) @ far > 0).all())
