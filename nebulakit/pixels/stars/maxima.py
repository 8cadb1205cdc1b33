"""What stands out of a picture on the scales of stars: local maxima, how they stand out, and how round and sharp they are."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

ROWS, MARGIN = 512, 28  # rows that stars are looked for in in one go, and how far around them that sees
REACH = 14  # how far smoothing three times reaches
CHUNK = 4096  # maxima whose surroundings are held at once
BETA = 3.0  # of the Moffat law used for first estimates, before the PSF is measured


class Band(NamedTuple):
    """Starlet scales on which stars are looked for: what is smoothed ``first`` times less what is so ``last`` times."""

    first: int
    last: int
    more: float  # by how much more than the threshold a star must stand out
    sharpest: float  # area of its curvature over the usual star's
    widest: float


# scales 2 and 3 reach deepest; the finer ones see stars on a bright, uneven nebula and beside brighter ones: seeing leaves a
# nebula less fine structure than a star. On the finest, peaks of noise have 0.4-0.5 of a star's area
DEEP, MIDDLE, FINEST = Band(1, 3, 0.0, 0.62, 1.6), Band(1, 2, 2.0, 0.62, 1.6), Band(0, 1, 4.0, 0.75, 1.4)


class Maxima(NamedTuple):
    """Local maxima of a band: their places, how they stand out of noise and structure, and their form, on the middle band, too."""

    y: npt.NDArray[np.intp]
    x: npt.NDArray[np.intp]
    snr: Floats
    contrast: Floats
    roundness: Floats
    area: Floats
    middle_roundness: Floats
    middle_area: Floats


def maxima_of(
    light: Plane,
    bad: npt.NDArray[np.bool_],
    level: Plane | None,
    bands: dict[Band, tuple[float, float, float]],
    crowded: bool,
) -> dict[Band, Maxima]:
    """Give the local maxima of the bands, each with its noise and by how many times of that, and of the structure around, they stand out.

    A few rows are looked at at once, so that the scales of a large picture take little memory.
    """
    h = len(light)

    def look(top: int) -> list[Maxima]:
        first, end = max(top - MARGIN, 0), min(top + ROWS, h)
        rows = slice(first, end + MARGIN)
        smoothed, nothing = smoothed_of(light[rows]), bad[rows]
        noise = np.broadcast_to(np.float32(1), nothing.shape) if level is None else level[rows]
        middle = smoothed[MIDDLE.first] - smoothed[MIDDLE.last]
        inside = slice(max(top, 1) - first, min(end, h - 1) - first)
        out = []
        for band, (sigma, least, contrast) in bands.items():
            plane = middle if band is MIDDLE else smoothed[band.first] - smoothed[band.last]
            found = _band_maxima(plane, nothing, noise, sigma, least, contrast, inside, crowded)
            ys, xs = found[:2]
            out.append(Maxima(ys + first, *found[1:], *_shape(plane, ys, xs), *_shape(middle, ys, xs)))
        return out

    strips = over(look, range(0, h, ROWS))
    by_band = zip(bands, zip(*strips, strict=True), strict=True)
    return {band: Maxima(*(np.concatenate(v) for v in zip(*some, strict=True))) for band, some in by_band}


def _band_maxima(
    band: Plane,
    bad: npt.NDArray[np.bool_],
    level: Plane,
    sigma: float,
    least: float,
    contrast: float,
    rows: slice,
    crowded: bool,
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Floats, Floats]:
    """Give y, x, S/N and contrast to the structure around of the local maxima in some rows of a band."""
    import cv2

    top = np.asarray(cv2.dilate(band, np.ones((5, 5), np.uint8), borderType=cv2.BORDER_REPLICATE))
    own = band[rows]
    ok = (own == top[rows]) & (own > least * sigma * level[rows]) & ~bad[rows]
    ok[:, [0, -1]] = False
    ys, xs = np.nonzero(ok)
    ys += rows.start
    value = band[ys, xs].astype(np.float64)
    snr = value / np.maximum(sigma * level[ys, xs].astype(np.float64), 1e-30)
    stands = value / np.maximum(np.maximum(_spread_around(band, ys, xs, crowded), sigma), 1e-30) if len(ys) else np.zeros(0)
    keep = stands > contrast
    return ys[keep], xs[keep], snr[keep], stands[keep]


def _spread_around(band: Plane, ys: npt.NDArray[np.intp], xs: npt.NDArray[np.intp], crowded: bool) -> Floats:
    """Give the robust spread of the band on three rings around each place.

    ``crowded``: on each ring about its middle. A wide star's own ring on the starlet scales is no structure then, nor is the
    light of many around it; but nor would be a nebula's around its knots.
    """
    h, w = band.shape
    turns = np.arange(16) * (2 * math.pi / 16)
    r = np.repeat([7.0, 10.0, 13.0], 16)
    dy, dx = np.rint(r * np.sin(np.tile(turns, 3))).astype(int), np.rint(r * np.cos(np.tile(turns, 3))).astype(int)
    out = []
    for y, x in zip(np.array_split(ys, -(-len(ys) // CHUNK)), np.array_split(xs, -(-len(xs) // CHUNK)), strict=True):
        values = band[np.clip(y[:, None] + dy, 0, h - 1), np.clip(x[:, None] + dx, 0, w - 1)].reshape(len(y), 3, 16)
        if crowded:
            values = values - median(values, axis=2)[:, :, None]
        out.append(median(np.abs(values).reshape(len(y), 48), axis=1).astype(np.float64))
    return 1.4826 * np.concatenate(out)


def _shape(band: Plane, ys: npt.NDArray[np.intp], xs: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Give roundness 4 det / trace^2 of the Hessian, and the curvature's area: for a Gaussian its variance in px^2."""

    def at(dy: int, dx: int) -> Floats:
        return band[ys + dy, xs + dx].astype(np.float64)

    f = at(0, 0)
    fxx, fyy = at(0, 1) - 2 * f + at(0, -1), at(1, 0) - 2 * f + at(-1, 0)
    fxy = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / 4
    trace = fxx + fyy
    peaked = (trace < 0) & (fxx < 0) & (fyy < 0)
    roundness = np.where(peaked, 4 * (fxx * fyy - fxy**2) / np.where(peaked, trace, 1) ** 2, 0)
    return roundness, np.where(peaked, -2 * f / np.where(peaked, trace, 1), np.inf)


_WIDTHS = np.geomspace(0.8, 12, 40)
_areas: dict[Band, list[float]] = {}


def smoothed_of(plane: Plane) -> list[Plane]:
    """Give a plane smoothed 0 to 3 times; differences of two are starlet scales."""
    out = [plane]  # each reaches over REACH rows in the end
    for scale in (1, 2, 3):
        out.append(starlet.smooth(out[-1], scale))
    return out


def _table(band: Band) -> list[float]:
    """Give the curvature's area of Moffat stars of ``_WIDTHS`` on a band, measured as on a picture."""
    if band not in _areas:
        r2 = (np.mgrid[-40:41, -40:41] ** 2).sum(0)
        found = []
        for width in _WIDTHS:
            alpha2 = width**2 / (4 * (2 ** (1 / BETA) - 1))
            smoothed = smoothed_of(((1 + r2 / alpha2) ** -BETA).astype(np.float32))
            found.append(float(_shape(smoothed[band.first] - smoothed[band.last], np.array([40]), np.array([40]))[1][0]))
        _areas[band] = found
    return _areas[band]


def area_of(fwhm: float, band: Band = DEEP) -> float:
    """Give the curvature's area of a star of this width."""
    return float(np.interp(fwhm, _WIDTHS, _table(band)))


def fwhm_of(area: float) -> float:
    """Give the width of a star with this curvature's area."""
    return float(np.interp(area, _table(DEEP), _WIDTHS))


def usual_area(roundness: Floats, area: Floats, snr: Floats, contrast: Floats) -> tuple[float, int]:
    """Give the curvature's area that the stars share, and how many clear ones told it: the densest place among the clear,
    round maxima, the sharper first."""
    ok = (roundness > 0.7) & (area > area_of(1.3)) & (area < area_of(11.0))
    best = ok & (snr > 15) & (contrast > 12)
    clear = int(best.sum())
    if clear < 5:
        best = ok
    if not best.any():
        return area_of(3.0), 0
    order = np.argsort(-snr[best], kind="stable")[:400]
    logs = np.sort(np.log(area[best][order]))
    counts = np.searchsorted(logs, logs + 0.2, "right") - np.searchsorted(logs, logs - 0.2, "left")
    centre = logs[int(np.argmax(counts))]
    return float(np.exp(median(logs[np.abs(logs - centre) < 0.2]))), clear
