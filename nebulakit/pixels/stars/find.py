"""Finding stars.

Detection after the starlet: a star is a local maximum of the fine scales that stands out from the noise and from the
structure around it, is round (so no filament), and as sharp as the other stars (so neither a hot pixel nor a knot).
"""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.coloured import star_coloured
from nebulakit.pixels.stars.cutouts import centroids, peaks_at
from nebulakit.pixels.stars.maxima import (
    BETA,
    DEEP,
    FINEST,
    MIDDLE,
    REACH,
    ROWS,
    area_of,
    fwhm_of,
    maxima_of,
    smoothed_of,
    usual_area,
)
from nebulakit.pixels.stars.plateaus import CUT, plateaus, sky_of

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

WIDE = 5.5  # px: wider stars are looked for on coarser scales
ROUND, ALIKE, LESS = 0.9, 0.12, 0.7  # how round and like usual ones in area a star is that stands out by less than others
MANY = 8  # clear ones of one width must tell that there are such
B3 = 2.355  # px: the width of the spline by which the first scale is smoothed
FAR = 1.0  # px from a star's brightest pixel on the starlet scales: its middle is no farther
CLEAR, NARROW = 25.0, 0.86  # noise sigma from where on a star's curvature is sure, and how much less of its area a star may have
STRIP, STRIPS = 129, 8  # rows that tell how uneven a picture is on these scales, a multiple of 3; at least so many such strips do


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
        keep &= np.hypot(xs - x, ys - y) > r + 0.7 * math.sqrt(area_of(usual)) + 1.5
    xs, ys, fwhm = xs[keep], ys[keep], usual
    r_sat = np.concatenate([np.zeros(len(xs)), blobs[:, 2]])
    x, y = np.concatenate([xs, blobs[:, 0]]), np.concatenate([ys, blobs[:, 1]])
    shared = np.concatenate([np.zeros(len(xs), bool), blobs[:, 3] > 0])  # its light would draw both to its middle
    refined = centroids(light, x[~shared], y[~shared], np.maximum(fwhm / 2.355, 0.8 * r_sat)[~shared])
    before = x[~shared], y[~shared]
    # one that goes far has run into a brighter star beside it
    far = FAR * (1 if fwhm < WIDE else 2)
    astray = (np.hypot(refined[0] - before[0], refined[1] - before[1]) > far) & (r_sat[~shared] == 0)
    x[~shared], y[~shared] = (np.where(astray, old, new) for old, new in zip(before, refined, strict=True))
    peaks = peaks_at(planes, bad, x, y, r_sat, fwhm)
    where = (np.clip(np.rint(y), 0, light.shape[0] - 1).astype(int), np.clip(np.rint(x), 0, light.shape[1] - 1).astype(int))
    if len(blobs):
        peaks = np.maximum(peaks, _least_heights(planes, white, where) * (r_sat > 0))
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
    for band, seen in maxima_of(light, bad, level, bands, crowded).items():
        ys, xs, snr, contrast, roundness, area = seen[:6]
        if band is DEEP:
            usual, told = usual_area(roundness, area, snr, contrast) if fwhm is None else (area_of(fwhm), MANY)
            few = bare and (contrast > 10).sum() < 3
            if fwhm_of(usual) > WIDE and len(spread) > DEEP.last + 1:
                # every second pixel of the smoothed picture has the same scales from the second on
                half, own = starlet.smooth(light, 1)[::2, ::2].copy(), None if fwhm is None else math.hypot(fwhm, B3) / 2
                there = None if level is None else level[::2, ::2]
                x, y, width, told = _sharp(half, bad[::2, ::2], there, spread[1:], threshold, own, crowded, bare)
                if told >= MANY:  # else a few knots of a nebula look alike
                    return 2 * x, 2 * y, math.sqrt(max(4 * width**2 - B3**2, WIDE**2)), told
        here = usual if band is DEEP else area_of(fwhm_of(usual), band)
        clear = (contrast > 30) & (band is not FINEST)  # a close pair is neither round nor sharp, but clearly there
        # where stars are hardly wider than a pixel, one in a pixel's middle is told from a hot pixel if it is clear
        narrow, pixel = area_of(1.3, band), area_of(1.0, band)
        thin = np.where(snr > CLEAR, np.clip(NARROW * here, pixel, narrow), narrow)
        keep = (roundness > np.where(clear, 0.3, 0.5)) & (area > np.maximum(band.sharpest * here, thin))
        keep &= area < np.where(clear, 2.5, band.widest) * here
        if band is FINEST:  # pixels leave bumps on a filament's crest
            keep &= seen.middle_roundness > 0.5
            # on a nebula as uneven as itself a star is known by its form
            alike = (np.minimum(roundness, seen.middle_roundness) > ROUND) & (np.abs(area / here - 1) < ALIKE)
            alike &= np.abs(seen.middle_area / area_of(fwhm_of(usual), MIDDLE) - 1) < 2 * ALIKE
            keep &= (contrast > threshold + band.more) | alike
        if few:
            keep &= contrast > 10  # where there is hardly a star, the brightest knots of a nebula are none
        found.append((ys[keep], xs[keep]))
    ys, xs = found[0]
    for places in found[1:]:
        more = _apart_from(places, (ys, xs), 2.5)
        ys, xs = np.concatenate([ys, places[0][more]]), np.concatenate([xs, places[1][more]])
    return xs.astype(np.float64), ys.astype(np.float64), fwhm_of(usual), told


def _least_heights(planes: Planes, white: tuple[float, ...] | None, where: tuple[Any, Any]) -> Floats:
    """Give (channel, n) how high cut-off stars at ``where`` are at least: as white is above the sky, in channels cut off there.

    On the flank of a brighter star what is seen of a small plateau's own flank may tell nothing.
    """
    out = []
    for plane, level in zip(planes, white or (), strict=True):
        above = level - sky_of(plane) if np.isfinite(plane).any() else 0.0
        with np.errstate(invalid="ignore"):
            out.append(np.where(plane[where] > level - CUT * above, above, 0.0))
    return np.array(out)


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
    smoothed = smoothed_of(plane[first : top + STRIP + REACH])
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
