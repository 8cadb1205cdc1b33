"""Finding stars.

Detection after the starlet: a star is a local maximum of the fine scales that stands out from the noise and from the
structure around it, is round (so no filament), and as sharp as the other stars (so neither a hot pixel nor a knot).
"""

from __future__ import annotations

import math
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.plateaus import plateaus

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

BETA = 3.0  # of the Moffat law used for first estimates of flux and reach, before the PSF is measured
WIDE = 5.5  # px: wider stars are looked for on coarser scales
ROUND, ALIKE, LESS = 0.9, 0.12, 0.7  # how round and like usual ones in area a star is that stands out by less than others
MANY = 8  # clear ones of one width must tell that there are such
B3 = 2.355  # px: the width of the spline by which the first scale is smoothed
FAR = 1.0  # px from a star's brightest pixel on the starlet scales: its middle is no farther
CLEAR, NARROW = 25.0, 0.86  # noise sigma from where on a star's curvature is sure, and how much less of its area a star may have
CHUNK = 4096  # stars whose cut-outs are held at once
ROWS, MARGIN = 512, 28  # rows that stars are looked for in in one go, and how far around them that sees
REACH = 14  # how far smoothing three times reaches
STRIP, STRIPS = 129, 8  # rows that tell how uneven a picture is on these scales, a multiple of 3; at least so many such strips do


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


def find_stars(
    planes: Planes,
    noise: Noise,
    coverage: npt.NDArray[np.float32] | None = None,
    white: tuple[float, ...] | None = None,
    *,
    threshold: float = 6.0,
    fwhm: float | None = None,
    crowded: bool = False,
) -> StarList:
    """Find the stars of planes (channel, y, x), brightest first.

    Detection on the channels' sum, each weighted by 1 / (noise^2 + structure^2) of these scales, for a star may be lost in the
    structure of one line alone: starlet scales 2 + 3, and 2 alone, ``threshold`` times above
    the noise and above the structure around, the largest of 5x5 pixels, round by the Hessian (4 det / trace^2; 1 = round,
    0 = a ridge), of the sharpness that the stars share (or that of ``fwhm``), and with light in all channels. Cut-off stars
    are found as connected plateaus at ``white``. ``crowded``: the light of other stars around is no structure.
    Stars over 5.5 px wide are looked for one scale coarser. Where ``fwhm`` is told, less contrast is enough for one of a star's form.
    Positions are windowed centroids, or maxima where a centroid would run into another star. Pixels that are NaN or without
    coverage hold no stars.
    """
    scales = np.array([[k / max(s, 1e-300) for k in row] for s, row in zip(noise.sigma, noise.scales, strict=True)])
    light, share, bad = _luminance(planes, noise, coverage, np.sqrt((scales[:, 1:3] ** 2).sum(1)))
    level = noise.map
    blobs = plateaus(planes, white, bad)
    spread = np.sqrt(share @ scales**2)
    xs, ys, usual, _ = _sharp(light, bad, level, spread, threshold, fwhm, crowded, not len(blobs))
    keep = np.ones(len(ys), bool)
    for x, y, r, _ in blobs:
        keep &= np.hypot(xs - x, ys - y) > r + 0.7 * math.sqrt(_area_of(usual)) + 1.5
    xs, ys, fwhm = xs[keep], ys[keep], usual
    r_sat = np.concatenate([np.zeros(len(xs)), blobs[:, 2]])
    x, y = np.concatenate([xs, blobs[:, 0]]), np.concatenate([ys, blobs[:, 1]])
    shared = np.concatenate([np.zeros(len(xs), bool), blobs[:, 3] > 0])  # its light would draw both to its middle
    refined = _centroids(light, x[~shared], y[~shared], np.maximum(fwhm / 2.355, 0.8 * r_sat)[~shared])
    before = x[~shared], y[~shared]
    # one that goes far has run into a brighter star beside it
    far = FAR * (1 if fwhm < WIDE else 2)
    astray = (np.hypot(refined[0] - before[0], refined[1] - before[1]) > far) & (r_sat[~shared] == 0)
    x[~shared], y[~shared] = (np.where(astray, old, new) for old, new in zip(before, refined, strict=True))
    peaks = _peaks(planes, bad, x, y, r_sat, fwhm)
    where = (np.clip(np.rint(y), 0, light.shape[0] - 1).astype(int), np.clip(np.rint(x), 0, light.shape[1] - 1).astype(int))
    local = np.ones(len(x)) if level is None else level[where].astype(np.float64)
    alpha = fwhm / (2 * math.sqrt(2 ** (1 / BETA) - 1))
    ratio = np.max(peaks / np.maximum(np.array(noise.sigma)[:, None] * local, 1e-300), axis=0, initial=0.0)
    radius = np.maximum(alpha * np.sqrt(np.maximum((2 * ratio) ** (1 / BETA) - 1, 0)), np.maximum(fwhm, r_sat + 2))
    radius = np.minimum(radius, 0.25 * min(light.shape))
    peak = peaks.sum(0)
    flux = peak * math.pi * alpha**2 / (BETA - 1)
    saturated = r_sat > 0
    h, w = light.shape
    # a centroid may step over the edge; a cut-off star is there all the same
    inside = (x > -0.5) & (y > -0.5) & (x < w - 0.5) & (y < h - 0.5)
    there = (peak > 0) & (saturated | inside & star_coloured(peaks, np.array(noise.sigma)[:, None] * local))
    order = np.argsort(-flux[there], kind="stable")
    return StarList(*(a[there][order] for a in (x, y, flux, peak, radius, saturated)))


def _sharp(
    light: Plane,
    bad: npt.NDArray[np.bool_],
    level: Plane | None,
    spread: Floats,
    threshold: float,
    fwhm: float | None,
    crowded: bool,
    bare: bool,
) -> tuple[Floats, Floats, float, int]:
    """Give x, y of the maxima that look like stars, the width (px) that stars have here, and how many clear ones told it.

    ``spread``: of the noise on each starlet scale; ``bare``: no star is known. Stars wider than :data:`WIDE` are looked for
    at every second pixel, where the scales suit them.
    """
    bands = {}
    for band in (DEEP, MIDDLE, FINEST):
        least = threshold + band.more
        # in a first look more of them would tell the law, and of a crowd's it told a wrong one
        less = LESS if band is FINEST and fwhm is not None and not crowded else 1.0
        bands[band] = 1.1 * float(np.sqrt((spread[band.first : band.last] ** 2).sum())), least, less * least
    found, usual, few, told = [], 0.0, False, 0
    for band, seen in _maxima(light, bad, level, bands, crowded).items():
        ys, xs, snr, contrast, roundness, area = seen[:6]
        if band is DEEP:
            usual, told = _usual_area(roundness, area, snr, contrast) if fwhm is None else (_area_of(fwhm), MANY)
            few = bare and (contrast > 10).sum() < 3
            if _fwhm_of(usual) > WIDE and len(spread) > DEEP.last + 1:
                # every second pixel of the smoothed picture has the same scales from the second on
                half, own = starlet.smooth(light, 1)[::2, ::2].copy(), None if fwhm is None else math.hypot(fwhm, B3) / 2
                there = None if level is None else level[::2, ::2]
                x, y, width, told = _sharp(half, bad[::2, ::2], there, spread[1:], threshold, own, crowded, bare)
                if told >= MANY:  # else a few knots of a nebula look alike
                    return 2 * x, 2 * y, math.sqrt(max(4 * width**2 - B3**2, WIDE**2)), told
        here = usual if band is DEEP else _area_of(_fwhm_of(usual), band)
        clear = (contrast > 30) & (band is not FINEST)  # a close pair is neither round nor sharp, but clearly there
        # where stars are hardly wider than a pixel, one in a pixel's middle is told from a hot pixel if it is clear
        narrow, pixel = _area_of(1.3, band), _area_of(1.0, band)
        thin = np.where(snr > CLEAR, np.clip(NARROW * here, pixel, narrow), narrow)
        keep = (roundness > np.where(clear, 0.3, 0.5)) & (area > np.maximum(band.sharpest * here, thin))
        keep &= area < np.where(clear, 2.5, band.widest) * here
        if band is FINEST:  # pixels leave bumps on a filament's crest
            keep &= seen.middle_roundness > 0.5
            # on a nebula as uneven as itself a star is known by its form
            alike = (np.minimum(roundness, seen.middle_roundness) > ROUND) & (np.abs(area / here - 1) < ALIKE)
            alike &= np.abs(seen.middle_area / _area_of(_fwhm_of(usual), MIDDLE) - 1) < 2 * ALIKE
            keep &= (contrast > threshold + band.more) | alike
        if few:
            keep &= contrast > 10  # where there is hardly a star, the brightest knots of a nebula are none
        found.append((ys[keep], xs[keep]))
    ys, xs = found[0]
    for places in found[1:]:
        more = _apart_from(places, (ys, xs), 2.5)
        ys, xs = np.concatenate([ys, places[0][more]]), np.concatenate([xs, places[1][more]])
    return xs.astype(np.float64), ys.astype(np.float64), _fwhm_of(usual), told


class Colours(NamedTuple):
    """The usual logarithms of the channels' shares in a star's light, and how far from them (channel,) a star's may lie."""

    usual: Floats
    room: Floats


def usual_colours(heights: Floats, error: Floats) -> Colours | None:
    """Give the colours of those of the stars (channel, star) that are clear in all channels: within four times the spread
    of their shares, and 60 % to 160 % are always well. None with fewer than three channels, or ten such stars.
    """
    clear = (heights > 10 * error).all(0)
    if len(heights) < 3 or clear.sum() < 10:
        return None
    shares = np.log(heights[:, clear] / heights.sum(0)[clear])
    usual = median(shares, axis=1)
    return Colours(usual, np.maximum(4 * 1.4826 * median(np.abs(shares - usual[:, None]), axis=1), 0.5))


def coloured_as(colours: Colours | None, heights: Floats, error: Floats, strict: bool = False) -> npt.NDArray[np.bool_]:
    """Say which of the stars (channel, star) have light in all channels, as stars have: a knot of a nebula shines in one line.

    Each channel must hold a fifth of the share it usually has, or could hold it within three errors. ``strict``: a share
    within the room there is for it, for stars that are known to a few errors. Where no colours are told, all do.
    """
    if colours is None:
        return np.ones(heights.shape[1], bool)
    total, (usual, room) = heights.sum(0), colours
    if not strict:
        return np.asarray((heights + 3 * error > 0.2 * np.exp(usual)[:, None] * total).all(0))
    least, most = (np.exp(usual + s * room)[:, None] * total for s in (-1, 1))
    return np.asarray(((heights + 3 * error > least) & (heights - 3 * error < most)).all(0))


def star_coloured(heights: Floats, error: Floats, strict: bool = False) -> npt.NDArray[np.bool_]:
    """Say which of the stars have light in all channels, going by the clear ones among them, as :func:`coloured_as`.

    >>> heights = np.array([[5.0] * 12 + [5.0, 9.0], [4.0] * 12 + [0.2, 4.0], [5.0] * 12 + [0.1, 2.0]])
    >>> star_coloured(heights, np.full((3, 14), 0.01)).tolist()[-3:]
    [True, False, True]
    >>> star_coloured(heights, np.full((3, 14), 0.01), strict=True).tolist()[-3:]
    [True, False, False]
    """
    return coloured_as(usual_colours(heights, error), heights, error, strict)


def _apart_from(
    places: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]],
    others: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]],
    least: float,
) -> npt.NDArray[np.bool_]:
    """Say which places (y, x) are farther than ``least`` from all others."""
    from scipy.spatial import cKDTree

    if not len(places[0]) or not len(others[0]):
        return np.ones(len(places[0]), bool)
    return np.asarray(cKDTree(np.column_stack(others)).query(np.column_stack(places))[0] > least)


def _deep(plane: Plane, top: int) -> Plane:
    """Give how far every third pixel of a strip is off zero on the deepest band."""
    first = max(top - REACH, 0)
    smoothed = _smoothed(plane[first : top + STRIP + REACH])
    a, b = (smoothed[k][top - first :: 3, ::3][: STRIP // 3] for k in (DEEP.first, DEEP.last))
    return np.asarray(np.abs(a - b), np.float32)


def _luminance(
    planes: Planes, noise: Noise, coverage: npt.NDArray[np.float32] | None, usual: Floats
) -> tuple[Plane, Floats, npt.NDArray[np.bool_]]:
    """Give the channels' sum in units of its noise, without gaps, the share each has in that noise, and where there is nothing.

    ``usual``: what noise leaves on the starlet scales 2 + 3 of each channel, over its sigma.
    """
    good = np.isfinite(planes).all(0)
    if coverage is not None:
        good &= coverage > 0
    bad = np.asarray(~good, bool)
    reach = float(np.nanmax(planes) - np.nanmin(planes)) if good.any() else 1.0

    # an even picture has no noise to weigh by
    scale = [np.float32(1 / max(s, 1e-7 * reach or 1.0)) for s in noise.sigma]

    gaps, weight = list[Plane](), list[float]()
    for plane, k, noisy in zip(planes, scale, usual.tolist(), strict=True):  # one after the other: each takes much memory
        own = plane * k
        own = push_pull(own, bad) if bad.any() else own
        step = STRIP * min(max(len(own) // (STRIPS * STRIP), 1), 4)
        some = np.concatenate(over(partial(_deep, own), range(0, len(own), step)))
        spread = 1.4826 * float(median(some))
        gaps.append(own[bad])
        weight.append(1 / max(spread / noisy, 1.0) ** 2 if noisy > 0 else 1.0)
    share = np.square(weight) / np.square(weight).sum()
    light = np.zeros(planes.shape[1:], np.float32)
    parts = [np.float32(v) for v in np.sqrt(share).tolist()]

    def add(top: int) -> None:
        rows = slice(top, top + ROWS)
        for plane, k, part in zip(planes, scale, parts, strict=True):
            light[rows] += plane[rows] * k * part

    over(add, range(0, len(light), ROWS))  # scaled a second time: all channels at once take much memory
    if bad.any():
        light[bad] = sum(own * part for own, part in zip(gaps, parts, strict=True))
    return light, share, bad


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


def _maxima(
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
        smoothed, nothing = _smoothed(light[rows]), bad[rows]
        noise = np.ones((1, 1), np.float32) if level is None else level[rows]
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
    ok = (own == top[rows]) & (own > least * sigma * (level if level.size == 1 else level[rows])) & ~bad[rows]
    ok[:, [0, -1]] = False
    ys, xs = np.nonzero(ok)
    ys += rows.start
    value = band[ys, xs].astype(np.float64)
    snr = value / np.maximum(sigma * (1 if level.size == 1 else level[ys, xs].astype(np.float64)), 1e-30)
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


def _smoothed(plane: Plane) -> list[Plane]:
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
            smoothed = _smoothed(((1 + r2 / alpha2) ** -BETA).astype(np.float32))
            found.append(float(_shape(smoothed[band.first] - smoothed[band.last], np.array([40]), np.array([40]))[1][0]))
        _areas[band] = found
    return _areas[band]


def _area_of(fwhm: float, band: Band = DEEP) -> float:
    """Give the curvature's area of a star of this width."""
    return float(np.interp(fwhm, _WIDTHS, _table(band)))


def _fwhm_of(area: float) -> float:
    """Give the width of a star with this curvature's area."""
    return float(np.interp(area, _table(DEEP), _WIDTHS))


def _usual_area(roundness: Floats, area: Floats, snr: Floats, contrast: Floats) -> tuple[float, int]:
    """Give the curvature's area that the stars share, and how many clear ones told it: the densest place among the clear,
    round maxima, the sharper first."""
    ok = (roundness > 0.7) & (area > _area_of(1.3)) & (area < _area_of(11.0))
    best = ok & (snr > 15) & (contrast > 12)
    clear = int(best.sum())
    if clear < 5:
        best = ok
    if not best.any():
        return _area_of(3.0), 0
    order = np.argsort(-snr[best], kind="stable")[:400]
    logs = np.sort(np.log(area[best][order]))
    counts = np.searchsorted(logs, logs + 0.2, "right") - np.searchsorted(logs, logs - 0.2, "left")
    centre = logs[int(np.argmax(counts))]
    return float(np.exp(median(logs[np.abs(logs - centre) < 0.2]))), clear


def _cutouts(plane: Plane, x: Floats, y: Floats, half: int) -> tuple[npt.NDArray[np.float32], Floats, Floats]:
    """Give (n, 2 half + 1, 2 half + 1) pixels around the stars, and their distances dx, dy from each; edges are repeated."""
    h, w = plane.shape
    span = np.arange(-half, half + 1)
    cy, cx = np.rint(y).astype(int), np.rint(x).astype(int)
    rows, cols = np.clip(cy[:, None] + span, 0, h - 1), np.clip(cx[:, None] + span, 0, w - 1)
    return (
        plane[rows[:, :, None], cols[:, None, :]],
        (cx - x)[:, None, None] + span[None, None, :],
        (cy - y)[:, None, None] + span[None, :, None],
    )


def _centroids(light: Plane, x: Floats, y: Floats, width: Floats) -> tuple[Floats, Floats]:
    """Refine positions by centroids under a Gaussian window of the star's own width, above the ring around."""
    x, y = x.copy(), y.copy()
    for half, chosen in _by_size(np.ceil(2.5 * width + 1.5).astype(int)):
        for part in np.array_split(chosen, -(-len(chosen) // CHUNK)):
            stamp, dx, dy = _cutouts(light, x[part], y[part], half + 2)
            span = np.arange(-half - 2, half + 3)
            ground = median(stamp[:, np.hypot(span[:, None], span) > half + 0.5], axis=1)
            above = stamp - ground[:, None, None]
            ox, oy = np.zeros(len(part)), np.zeros(len(part))
            for _ in range(8):
                ux, uy = dx - ox[:, None, None], dy - oy[:, None, None]
                window = np.exp(-(ux**2 + uy**2) / (2 * width[part][:, None, None] ** 2))
                weight = (window * above).sum((1, 2))
                sure = weight > 0
                scale = np.where(sure, 2 / np.where(sure, weight, 1), 0)
                ox = np.clip(ox + scale * (window * above * ux).sum((1, 2)), -2, 2)
                oy = np.clip(oy + scale * (window * above * uy).sum((1, 2)), -2, 2)
            x[part] += ox
            y[part] += oy
    return x, y


def _by_size(half: npt.NDArray[np.int_]) -> list[tuple[int, npt.NDArray[np.intp]]]:
    """Group stars by the size of their cut-outs."""
    return [(int(v), np.nonzero(half == v)[0]) for v in np.unique(half)]


def _peaks(planes: Planes, bad: npt.NDArray[np.bool_], x: Floats, y: Floats, r_sat: Floats, fwhm: float) -> Floats:
    """Give (channel, n) heights of the stars above their surroundings: a Moffat star and a level fitted to each.

    For a cut-off star only the flank outside the plateau is used, so its height is an extrapolation.
    """
    out = np.zeros((len(planes), len(x)))
    alpha2 = fwhm**2 / (4 * (2 ** (1 / BETA) - 1))
    inner = np.where(r_sat > 0, r_sat + 1.0, 0)
    outer = inner + 1.5 * fwhm + 1
    for half, chosen in _by_size(np.ceil(outer).astype(int)):
        for part in np.array_split(chosen, -(-len(chosen) // CHUNK)):
            for c, plane in enumerate(planes):
                stamp, dx, dy = _cutouts(plane, x[part], y[part], half)
                hidden = _cutouts(bad.view(np.uint8), x[part], y[part], half)[0] > 0
                r2 = dx**2 + dy**2
                use = ((r2 <= outer[part][:, None, None] ** 2) & (r2 >= inner[part][:, None, None] ** 2) & ~hidden).astype(
                    np.float64
                )
                star = (1 + r2 / alpha2) ** -BETA
                value = np.where(use > 0, stamp, 0).astype(np.float64)
                n, s, ss = use.sum((1, 2)), (use * star).sum((1, 2)), (use * star * star).sum((1, 2))
                v, sv = value.sum((1, 2)), (value * star).sum((1, 2))
                det = n * ss - s * s
                out[c, part] = np.where(det > 1e-12 * np.maximum(n * ss, 1e-300), (n * sv - s * v) / np.where(det > 0, det, 1), 0)
    return out
