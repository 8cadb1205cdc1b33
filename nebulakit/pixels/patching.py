"""Filling trails and spots from what lies around, as nothing but the likeliest light and noise like the neighbours'."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.kriging import FURTHEST, STRENGTHS, Field, noise_blur, strength_class

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Cells = npt.NDArray[np.int_]  # (n, 2) pixels: row, column
Told = dict[bytes, Planes]

AROUND = 6  # px of rim that tell what lies inside
NEXT, NEAR = 1.6, 3.6  # px from a hole: up to the first every pixel is asked, up to the second every other, beyond every fourth
SHARE = 0.45  # of the rim that is asked
WHOLE = 300  # such pixels up to which a hole is filled in one piece
KNOWN = 200  # pixels of the rim that tell about a piece of a larger one
MARGIN = 40  # px around all that is filled, to tell noise and nebula by
STEP = 32  # px: tables of covariances reach so far, or a multiple
BLOCK = 12  # px: a long trail is filled piece by piece, each from what lies nearest; a wide hole in wider pieces


def fill(planes: Planes, hole: Mask, noise: Noise, fwhm: float, seed: int = 1, told: Told | None = None) -> Planes:
    """Fill the pixels of ``hole`` (y, x) in planes (channel, y, x); the others keep every bit.

    The light is told as behind a bright star: as the expectation of a random field with the power spectrum of nebulae,
    cut by the seeing (``fwhm`` in px) and as strong as around the hole, given the pixels of its rim. On top lies noise of
    the picture's own strength, blur and likeness between the channels, drawn from ``seed``. NaN is not filled, and asked
    for nothing. A hole with nothing around it becomes 0. ``told``: the light in pieces of holes, kept for further calls that
    differ from this one in ``hole`` only.

    Sources: see :mod:`nebulakit.pixels.kriging`. The error is 0.4 to 1.1 times that of the smoothest surface through the
    rim (Laplace's), for trails of 6 and 12 px and discs with radii of 8 to 40 px in made nebulae.
    """
    hole = hole & np.isfinite(planes).all(0)
    if not hole.any():
        return planes.copy()
    rows, cols = (slice(max(int(k.min()) - MARGIN, 0), int(k.max()) + MARGIN + 1) for k in np.nonzero(hole))
    level = None if noise.map is None else noise.map[rows, cols]
    filled = _filled(planes[:, rows, cols], hole[rows, cols], noise, level, fwhm, seed, {} if told is None else told)
    out = planes.copy()
    out[:, rows, cols] = filled
    return out


def _filled(planes: Planes, hole: Mask, noise: Noise, level: Plane | None, fwhm: float, seed: int, told: Told) -> Planes:
    sigma = np.asarray(noise.sigma, np.float32)[:, None, None]
    unit = np.where(sigma > 0, sigma, np.float32(1))
    units = np.asarray(planes / unit, np.float32)
    second = [row[1] / row[0] for row in noise.scales if len(row) > 1 and row[0] > 0]
    blur = noise_blur(float(np.median(second))) if second else 0.0
    teller = _Teller(Field(blur, fwhm / 2.3548))
    third = [row[2] / s if len(row) > 2 and s > 0 else 0.0 for row, s in zip(noise.scales, noise.sigma, strict=True)]
    strengths = [_strength(z, hole, t) for z, t in zip(units, third, strict=True)]

    out = planes.copy()
    for inside, rim in _pieces(hole, np.asarray(np.isfinite(planes).all(0))):
        place = tuple(inside.T)
        if not len(rim):
            out[:, *place] = 0
            continue
        classes = [int(strength_class(s[place].mean())) for s in strengths]
        key = hashlib.sha256(b"".join([inside.tobytes(), b" ", rim.tobytes(), bytes(classes)])).digest()
        if key not in told:
            values = units[:, *rim.T].astype(np.float64)
            told[key] = np.empty((len(planes), len(inside)), np.float32)
            for k in sorted(set(classes)):
                same = np.equal(classes, k)
                told[key][same] = teller.expected(inside, rim, k, values[same])
        out[:, *place] = told[key]
    ys, xs = np.nonzero(hole)
    grains = grain(units, hole, blur, seed)[:, ys, xs] * (np.float32(1) if level is None else level[ys, xs])
    out[:, ys, xs] = out[:, ys, xs] * unit[:, 0] + grains * sigma[:, 0]
    return out


def _strength(plane: Plane, hole: Mask, third: float) -> Plane:
    """Give how strong the nebula is around: the variance of the third starlet scale, less the noise's, in noise variances."""
    import cv2

    smooth = push_pull(plane, hole)
    for j in (1, 2):
        smooth = starlet.smooth(smooth, j)
    detail = smooth - starlet.smooth(smooth, 3)
    free = (~hole & np.isfinite(plane)).astype(np.float32)
    power = cv2.GaussianBlur(detail * detail * free, (0, 0), 8) / np.maximum(cv2.GaussianBlur(free, (0, 0), 8), 1e-6)
    return np.asarray(np.maximum(power - third * third, 0), np.float32)


def _pieces(hole: Mask, there: Mask) -> Iterator[tuple[Cells, Cells]]:
    """Cut a hole into pieces; give the pixels of each, and those of the rim that tell about it, the nearest first."""
    import cv2
    from scipy.spatial import cKDTree

    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * AROUND + 1,) * 2)
    # what is next to a hole tells most; further out pixels tell nearly the same as their neighbours
    far = cv2.distanceTransform((~hole).astype(np.uint8), cv2.DIST_L2, 5)
    row, col = np.ogrid[: hole.shape[0], : hole.shape[1]]
    asked = there & ~hole & ((far < NEXT) | ((far < NEAR) & ((row + col) % 2 == 0)) | ((row % 2 == 0) & (col % 2 == 0)))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(hole.astype(np.uint8), connectivity=8)
    for k in range(1, count):
        x, y, width, height = (int(v) for v in boxes[k, :4])
        y0, x0 = max(y - AROUND, 0), max(x - AROUND, 0)
        box = np.s_[y0 : y + height + AROUND, x0 : x + width + AROUND]
        corner = np.array([y0, x0])
        own = labels[box] == k
        ring = cv2.dilate(own.astype(np.uint8), disc) > 0
        inside = np.argwhere(own) + corner
        rim = np.argwhere(ring & asked[box]) + corner
        if len(rim) <= WHOLE:
            yield inside, rim
            continue
        tree = cKDTree(rim)
        deep = float(tree.query(inside)[0].max())
        # as many as lie around a disc so deep; of a wide rim every few pixels are enough
        rim = rim[:: max(1, round(SHARE * math.pi * AROUND * (2 * deep + AROUND) / KNOWN))]
        tree = cKDTree(rim)
        for part in _blocks(inside, max(BLOCK, round(deep))):
            yield part, rim[np.sort(tree.query(part.mean(0), k=min(KNOWN, len(rim)))[1])]


def _blocks(inside: Cells, side: int) -> list[Cells]:
    """Part pixels by the squares of ``side`` px in which they lie."""
    number = (inside // side) @ (1 << 20, 1)
    order = np.argsort(number, kind="stable")
    return np.split(inside[order], np.flatnonzero(np.diff(number[order])) + 1)


class _Teller:
    """What the rim of a hole tells about its pixels. Tables of covariances are kept, as small as the hole allows."""

    def __init__(self, field: Field) -> None:
        self.field = field
        self._tables: dict[tuple[int, int], tuple[Floats, Floats]] = {}

    def expected(self, inside: Cells, rim: Cells, strength: int, values: Floats) -> Floats:
        """Give what is expected inside (channel, pixel) of the values on the rim, with an unknown level and slope.

        ``strength``: the class of the nebula's. Solved for the values, not for weights: a few right sides instead of one a pixel.
        """
        from scipy.linalg.lapack import dposv

        middle = inside.mean(0).astype(int)
        inside, rim = inside - middle, rim - middle
        extent = np.maximum(inside.max(0), rim.max(0)) - np.minimum(inside.min(0), rim.min(0))
        reach = min(STEP * math.ceil(int(extent.max()) / STEP), FURTHEST)
        if (strength, reach) not in self._tables:
            tables = [self.field.table(float(STRENGTHS[strength]), reach, noise).ravel() for noise in (True, False)]
            self._tables[strength, reach] = tables[0], tables[1]
        among, behind = self._tables[strength, reach]
        free, there = (np.column_stack([np.full(len(k), 100.0), 10.0 * k]) for k in (rim, inside))
        around = among.take(_places(rim, rim, reach))
        around += free @ free.T
        around.ravel()[:: len(rim) + 1] += self.field.own(float(STRENGTHS[strength]))
        level = values.mean(1)[:, None]
        _, told, failed = dposv(around.T, (values - level).T, lower=True, overwrite_a=True)
        if failed:
            raise np.linalg.LinAlgError("the rim of a hole does not tell what lies inside")
        across = behind.take(_places(inside, rim, reach))
        across += there @ free.T
        return np.asarray((across @ told).T + level, np.float64)


def _places(one: Cells, other: Cells, reach: int) -> Cells:
    """Give where, in a flat table of distances up to ``reach``, the n pixels stand to m others (n, m)."""
    width = 2 * reach + 1
    if max(np.ptp(np.concatenate([one, other]), axis=0)) <= reach:
        return np.asarray((one @ (width, 1))[:, None] + reach * (width + 1) - other @ (width, 1), np.int_)
    # further apart than any table reaches they have nothing in common
    y, x = (np.clip(a[:, None] - b, -reach, reach) + reach for a, b in zip(one.T, other.T, strict=True))
    return np.asarray(y * width + x, np.int_)


def grain(units: Planes, hole: Mask, blur: float, seed: int, size: tuple[int, int] | None = None) -> Planes:
    """Give noise of standard deviation 1 with this blur (px), as alike between the channels as that of ``units`` beside the hole.

    As large as ``units``, or of ``size`` (y, x).
    """
    import cv2

    rng = np.random.default_rng(seed)
    out = rng.standard_normal((len(units), *(size or units.shape[1:])), dtype=np.float32)
    if blur > 0.1:
        reach = 2 * math.ceil(4 * blur) + 1
        out = np.stack([cv2.GaussianBlur(p, (reach, reach), blur, borderType=cv2.BORDER_REFLECT) for p in out])
        line = cv2.getGaussianKernel(reach, blur)
        out /= np.float32((line**2).sum())
    c = len(units)
    if c > 1:
        filled = [p if np.isfinite(p).all() else np.where(np.isfinite(p), p, np.float32(np.nanmedian(p))) for p in units]
        fine = np.stack([p[::3, ::3] - starlet.smooth(p, 1)[::3, ::3] for p in filled])
        free = ((~hole) & np.isfinite(units).all(0))[::3, ::3] & (np.abs(fine) < 3).all(0)
        if free.sum() > 100 and (fine[:, free].std(1) > 0).all():
            alike = np.corrcoef(fine[:, free]) + 1e-6 * np.eye(c)
            out = np.tensordot(np.linalg.cholesky(alike).astype(np.float32), out, 1)
    return out
