"""Signs, in the stars, of what was done to a stack before: sharpened, out of focus, cut off, balanced.

Numbers only, what they mean is said elsewhere. Planes are float32 (channel, y, x) or (y, x), with NaN where nothing is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


def star_ring(planes: Planes, x: Floats, y: Floats, peak: Floats, saturated: Mask, fwhm: float) -> tuple[float, float, int]:
    """Give (dark ring, middle) of the mean profile of bright stars that are not cut off, in units of its highest ring; and their number.

    A ring below what lies outside it is a trace of sharpening: the light of neighbours, which a profile ends in, only makes it
    fall on and on. A middle clearly below 1 is a star out of focus.
    """
    lum = planes.sum(0)
    reach = max(4, int(np.ceil(3.2 * fwhm)))
    h, w = lum.shape
    yy, xx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    rr = np.hypot(yy, xx)
    order = [i for i in np.argsort(-peak) if not saturated[i]]
    stamps = []
    for i in order:
        a, b = round(float(x[i])), round(float(y[i]))
        if not (reach <= a < w - reach and reach <= b < h - reach):
            continue
        stamp = lum[b - reach : b + reach + 1, a - reach : a + reach + 1]
        if not np.isfinite(stamp).all():
            continue
        stamp = stamp - median(stamp[rr > reach - 1])
        top = float(stamp[rr < 0.8 * fwhm + 1].max())
        if top <= 0:
            continue
        stamps.append(stamp / top)
        if len(stamps) >= 40:
            break
    if len(stamps) < 5:
        return 0.0, 1.0, len(stamps)
    mean = median(stamps, axis=0)
    rings = np.array([mean[(rr >= k - 0.5) & (rr < k + 0.5)].mean() for k in range(reach)])
    top = float(rings.max())
    dark = min(float(rings[k] - rings[k + 1 :].max()) for k in range(1, reach - 1))
    return min(dark, 0.0) / top, float(rings[0] / top), len(stamps)


def dips(lum: Plane, sigma: float, size: int = 15) -> tuple[float, int]:
    """Give the median height of the middle of bright round spots over their highest part, and how many there are.

    1 for stars in focus; less for the rings that stars out of focus are.
    """
    import cv2

    filled = np.where(np.isfinite(lum), lum, np.float32(np.nanmedian(lum)))
    soft = cv2.GaussianBlur(filled, (0, 0), 1.0)
    high = soft - cv2.GaussianBlur(filled, (0, 0), 2.0 * size)
    limit = max(30 * sigma, 0.02 * float(np.percentile(high, 99.99)))
    number, _, boxes, centres = cv2.connectedComponentsWithStats((high > limit).astype(np.uint8))
    found = []
    for k in np.argsort(-boxes[1:number, cv2.CC_STAT_AREA])[:300] + 1:
        x0, y0, w, h, area = (int(v) for v in boxes[k])
        if area < 25 or max(w, h) > 1.5 * min(w, h) or max(w, h) > 6 * size:
            continue
        x, y = np.rint(centres[k]).astype(int)
        found.append(float(high[y, x]) / float(high[y0 : y0 + h, x0 : x0 + w].max()))
    return (float(median(found)) if found else 1.0), len(found)


def star_mask(shape: tuple[int, int], x: Floats, y: Floats, radius: Floats) -> Mask:
    """Give True within each star's reach."""
    import cv2

    out = np.zeros(shape, np.uint8)
    for a, b, r in zip(x, y, radius, strict=True):
        cv2.circle(out, (round(float(a)), round(float(b))), max(2, round(float(r) * 1.3)), 1, -1)
    return out.view(np.bool_)


def star_colour(planes: Planes, x: Floats, y: Floats, saturated: Mask) -> Floats:
    """Give the median height of the channels at stars that are not cut off, over green's."""
    h, w = planes.shape[1:]
    ok = (~saturated) & (x >= 6) & (y >= 6) & (x < w - 6) & (y < h - 6)
    rows = []
    for a, b in zip(np.rint(x[ok]).astype(int), np.rint(y[ok]).astype(int), strict=True):
        cut = planes[:, b - 6 : b + 7, a - 6 : a + 7]
        if np.isfinite(cut).all():
            edge = np.concatenate([cut[:, 0], cut[:, -1], cut[:, :, 0], cut[:, :, -1]], axis=1)
            rows.append(cut[:, 5:8, 5:8].mean((1, 2)) - median(edge, axis=1))
    if len(rows) < 5:
        return np.full(len(planes), np.nan)
    bright = np.array(sorted(rows, key=lambda v: -float(v.sum()))[:60], float)
    return np.asarray(median(bright / np.maximum(bright[:, 1:2], 1e-12), axis=0))


class Beyond(NamedTuple):
    """Stars whose flanks tell that they would be higher than the highest top of all."""

    number: int
    times: float  # how many times as high the brightest of them would be
    doubt: float  # relative standard error of that


def beyond_tops(planes: Planes, x: Floats, y: Floats, fwhm: float) -> Beyond:
    """Tell stars that were cut off from their flanks, where their tops do not show it (blurred, turned or averaged after the cut).

    All stars have one shape, so the light 1 to 1.7 fwhm from the middle tells the height at the middle; what it is worth is
    told by the stars less than half as high as the highest (the weighted median of their ratios: the brighter count
    more, one close pair among them does not decide). A star whose flanks say 1.4 times the highest top, and twice the
    error on top of that, was cut off. ``planes`` (channel, y, x) may hold NaN; the channel that tells most is told.

    (0, 1, 0) where fewer than five fainter stars can be seen whole, or they tell the shape to worse than a half: then it
    cannot be known. Stars that are cut by less than 1.4 are not told either.
    """
    h, w = planes.shape[1:]
    reach = int(np.ceil(4 * fwhm))
    away = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1])
    top, flank, out = away <= 1, (away >= fwhm) & (away < 1.7 * fwhm), away >= 3.3 * fwhm
    xi, yi = np.rint(x).astype(int), np.rint(y).astype(int)
    whole = (xi >= reach) & (xi < w - reach) & (yi >= reach) & (yi < h - reach)
    best = Beyond(0, 1.0, 0.0)
    for plane in planes:
        rows = []
        for a, b in zip(xi[whole], yi[whole], strict=True):
            cut = plane[b - reach : b + reach + 1, a - reach : a + reach + 1].astype(np.float64)
            if np.isfinite(cut).all():
                base = float(median(cut[out]))
                rough = 1.4826 * float(median(np.abs(cut[out] - base)))
                # not the mean: a neighbour that shines into the flank lifts less than half of it
                rows.append((float(cut[top].mean()) - base, float(np.percentile(cut[flank], 40)) - base, max(rough, 1e-12)))
        if len(rows) < 6:
            continue
        height, side, rough_ = np.array(rows).T
        highest = float(height.max())
        usual = (height > 0) & (height < 0.5 * highest)
        if usual.sum() < 5:
            continue
        clear = height[usual] / rough_[usual]
        share = _weighted_median(side[usual] / height[usual], clear**1.5)
        # the 40th percentile of some tens of alike pixels scatters by a third of one pixel's noise
        doubt = 0.35 / float(np.sqrt((clear**2).sum())) / share if share > 0 else np.inf
        if doubt > 0.5:
            continue
        would = side / share / highest
        beyond = would > 1.4 + 2 * doubt
        if beyond.any() and would.max() > best.times:
            best = Beyond(int(beyond.sum()), float(would.max()), doubt)
    return best


def _weighted_median(values: Floats, weights: Floats) -> float:
    """Give the value that half of the weight lies below."""
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, 0.5 * sums[-1])])
