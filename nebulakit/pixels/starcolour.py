"""The colours of stars: brought to white on average, and one colour from the core of each star to its rim."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.colour import by_rows
from nebulakit.pixels.facts import StarList
from nebulakit.pixels.masks import blurred
from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

# a star's light as a sum of Gaussians (width in fwhm, share): near enough to a Moffat law with a halo to tell whose light it is
LIGHT = ((0.45, 0.62), (1.1, 0.28), (2.7, 0.07), (6.5, 0.02), (16.0, 0.01))
GAIN_RANGE = (0.2, 5.0)
_TINY = np.float32(1e-30)  # no light, in place of a division by zero

# how channels fall from core to ring is told by as many whole stars, in whose ring others shed less than this of its light
FALL_STARS = 60
FALL_LEAST = 5
FALL_OTHERS = 0.3


def star_fluxes(
    planes: Planes, stars: StarList, fwhm: float, white: tuple[float, ...] | None
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Give the light of every star per channel (star, channel), and which stars were not cut off.

    Unclipped stars are summed within 0.8 fwhm. Of a star whose core is cut off the colour is read on the first ring
    outside that core, one fwhm wide, and whole stars tell how much more of it a wider channel has there. NaN counts as
    no light.
    """
    n, (channels, h, w) = len(stars), planes.shape
    flux, whole = np.zeros((n, channels)), np.ones(n, bool)
    x, y = np.rint(stars.x).astype(int), np.rint(stars.y).astype(int)
    limits = np.full(channels, np.inf) if white is None else 0.85 * np.asarray(white)
    r = max(1, math.ceil(0.8 * fwhm))
    step = np.arange(-r, r + 1)
    for part in np.array_split(np.arange(n), max(1, math.ceil(n / 20000))):
        rows, columns = y[part, None] + step, x[part, None] + step
        inside = ((rows >= 0) & (rows < h))[:, :, None] & ((columns >= 0) & (columns < w))[:, None, :]
        cuts = planes[:, np.clip(rows, 0, h - 1)[:, :, None], np.clip(columns, 0, w - 1)[:, None, :]]
        cuts = np.where(inside, np.nan_to_num(cuts), 0)
        dy = (rows - stars.y[part, None])[:, :, None]
        dx = (columns - stars.x[part, None])[:, None, :]
        aperture = np.clip(0.8 * fwhm + 0.5 - np.hypot(dx, dy), 0, 1)
        flux[part] = (cuts * aperture).sum((2, 3)).T
        whole[part] = ~(cuts >= limits[:, None, None, None]).any((0, 2, 3))
    whole &= ~stars.saturated
    edges: dict[int, float] = {}
    for i in np.flatnonzero(~whole).tolist():
        flux[i], edges[i] = _ring(planes, float(stars.x[i]), float(stars.y[i]), fwhm, limits)
    falls = _falls(planes, stars, np.maximum(flux, 0), whole, fwhm, sorted(set(edges.values())))
    for i, inner in edges.items():
        flux[i] /= falls[inner]
    return np.maximum(flux, 0), whole


def _ring(planes: Planes, x: float, y: float, fwhm: float, limits: Array) -> tuple[Array, float]:
    """Give the light per channel of a star with a cut-off core, scaled from the first ring that is whole in all channels.

    Second is where that ring begins.
    """
    far = min(120, max(planes.shape[1:]))
    cut, distance = _around(planes, x, y, far)
    if not cut.size:
        return np.zeros(len(planes)), 0.5
    over = (np.nan_to_num(cut) >= limits[:, None, None]).any(0)
    # the core reaches as far as rings are mostly cut off
    rings = np.minimum(distance.astype(int), far)
    share = np.bincount(rings.ravel(), over.ravel(), far + 1) / np.maximum(np.bincount(rings.ravel(), minlength=far + 1), 1)
    inner = int(np.argmax(share < 0.05)) + 0.5
    ring = (distance >= inner) & (distance < inner + max(1.5, fwhm)) & ~over & np.isfinite(cut).all(0)
    if not ring.any():
        return np.zeros(len(planes)), inner
    return np.asarray(cut[:, ring].mean(1, dtype=np.float64) / _law(inner + max(1.5, fwhm) / 2, fwhm)), inner


def _around(planes: Planes, x: float, y: float, far: int) -> tuple[Planes, Array]:
    """Cut out what lies up to ``far`` px beside a place, and give distances from it; both are empty too far outside the planes."""
    h, w = planes.shape[1:]
    y0, x0 = max(round(y) - far, 0), max(round(x) - far, 0)
    y1, x1 = max(min(round(y) + far + 1, h), y0), max(min(round(x) + far + 1, w), x0)
    return planes[:, y0:y1, x0:x1], np.hypot(np.arange(x0, x1)[None] - x, np.arange(y0, y1)[:, None] - y)


def _law(distance: Array | float, fwhm: float) -> Array:
    """Give the light per pixel of a star of light 1, so far from its middle."""
    square = np.asarray(distance, float) ** 2
    parts = (a * np.exp(-square / (2 * (s * fwhm) ** 2)) / (2 * math.pi * (s * fwhm) ** 2) for s, a in LIGHT)
    return np.asarray(np.maximum(sum(parts), 1e-12))


def _falls(
    planes: Planes, stars: StarList, flux: Array, whole: npt.NDArray[np.bool_], fwhm: float, edges: list[float]
) -> dict[float, Array]:
    """Give how much more than the mean channel each has, of the light in the core, in the ring that begins at each edge.

    Told by the brightest whole stars that reach so far: the flank of a channel wider by a tenth is brighter by half, and
    a star read there would take that channel's colour. Beyond the last ring that enough stars reach, flanks keep their
    ratio, as those of all channels fall by one power.
    """
    from scipy.spatial import cKDTree

    told: dict[float, Array] = {}
    last: Array = np.ones(len(planes))
    if not edges:
        return told
    wide = max(1.5, fwhm)
    total = flux.sum(1)
    clear = np.flatnonzero(whole & (flux > 0).all(1))
    clear = clear[np.argsort(-total[clear], kind="stable")]
    places = np.column_stack([stars.x, stars.y])
    tree, giants = cKDTree(places), np.flatnonzero(~whole)
    for inner in edges:
        middle = inner + wide / 2
        ratios: list[Array] = []
        for i in clear[stars.radius[clear] > inner + wide][: 3 * FALL_STARS]:
            # a neighbour may lie on the ring itself; what shines further away only giants do
            near = np.union1d(np.asarray(tree.query_ball_point(places[i], inner + 8 * fwhm), int), giants)
            away = np.hypot(*(places[near] - places[i]).T)
            others = float((total[near] * _law(np.abs(away - middle), fwhm))[near != i].sum())
            if others > FALL_OTHERS * total[i] * float(_law(middle, fwhm)):
                continue
            level = _annulus(planes, float(stars.x[i]), float(stars.y[i]), inner, inner + wide)
            if (level > 0).all():
                ratios.append(np.log(level / flux[i]))
            if len(ratios) == FALL_STARS:
                break
        if len(ratios) >= FALL_LEAST:
            usual = np.median(ratios, axis=0)
            last = np.exp(usual - usual.mean())
        told[inner] = last
    return told


def _annulus(planes: Planes, x: float, y: float, inner: float, outer: float) -> Array:
    """Give the mean per channel between two distances from a place, without pixels that hold nothing."""
    cut, distance = _around(planes, x, y, math.ceil(outer))
    ring = (distance >= inner) & (distance < outer) & np.isfinite(cut).all(0)
    return np.asarray(cut[:, ring].mean(1, dtype=np.float64) if ring.any() else np.zeros(len(planes)))


def decide_balance(fluxes: Array, good: npt.NDArray[np.bool_]) -> tuple[float, ...] | None:
    """Give the factor per channel that makes the middle star colour white and keeps its light; None with fewer than 5 stars."""
    use = good & (fluxes > 0).all(1)
    if use.sum() < 5:
        return None
    part = fluxes[use] / fluxes[use].sum(1, keepdims=True)
    middle = np.exp(np.median(np.log(np.maximum(part, 1e-6)), axis=0))
    gains = np.clip(1 / (len(middle) * middle / middle.sum()), *GAIN_RANGE)
    return tuple(float(g) for g in gains)


def colour_matrix(gains: tuple[float, ...], colour: float) -> Array:
    """Give the matrix that applies the gains and keeps the share ``colour`` of what differs from grey."""
    n = len(gains)
    return (colour * np.eye(n) + (1 - colour) * np.full((n, n), 1 / n)) @ np.diag(gains)


def apply_balance(planes: Planes, matrix: Array, even: StarList | None, fluxes: Array, fwhm: float) -> Planes:
    """Multiply planes (channel, y, x) by ``matrix``; with a star list, let every star have one colour out to its rim.

    The colour of a place is that of the stars whose light falls there, each by its share. Where they do not account for the
    light (a star that is not in the list), the pixel keeps its own colour.
    """
    h, w = planes.shape[1:]
    out = np.empty(planes.shape, np.float32)

    def mix(rows: slice) -> None:
        for c, row in enumerate(matrix.tolist()):
            out[c, rows] = sum(np.float32(m) * p for m, p in zip(row, planes[:, rows], strict=True))

    by_rows(mix, (h, w))
    if even is None or not len(even):
        return out
    shares = _shed((h, w), even, np.maximum(fluxes @ matrix.T, 0), fwhm)
    model = np.empty((h, w), np.float32)

    def sum_up(rows: slice) -> None:
        model[rows] = shares[:, rows].mean(0)

    by_rows(sum_up, (h, w))
    least = 1e-9 * float(model.max(initial=0))

    def colour(rows: slice) -> None:
        light, told = out[:, rows].mean(0), model[rows]
        bright = np.maximum(np.abs(np.nan_to_num(light)), np.maximum(told, _TINY))
        trust = np.clip(2 * told / bright, 0, 1)
        trust[~(told > least)] = 0
        told = np.maximum(told, _TINY)
        for mine, share in zip(out[:, rows], shares[:, rows], strict=True):
            mine += trust * (light * (share / told) - mine)

    by_rows(colour, (h, w))
    return out


def _shed(shape: tuple[int, int], stars: StarList, fluxes: Array, fwhm: float) -> Planes:
    """Give the light of point stars spread by the law above, (channel, y, x)."""
    h, w = shape
    points = np.zeros((fluxes.shape[1], h, w), np.float32)
    x0, y0 = np.floor(stars.x).astype(int), np.floor(stars.y).astype(int)
    fx, fy = stars.x - x0, stars.y - y0
    for dy, dx, part in ((0, 0, (1 - fx) * (1 - fy)), (0, 1, fx * (1 - fy)), (1, 0, (1 - fx) * fy), (1, 1, fx * fy)):
        inside = (x0 + dx >= 0) & (x0 + dx < w) & (y0 + dy >= 0) & (y0 + dy < h)
        for c in range(len(points)):
            np.add.at(points[c], (y0[inside] + dy, x0[inside] + dx), (part * fluxes[:, c])[inside].astype(np.float32))

    def spread(plane: Plane) -> None:
        light = np.zeros_like(plane)
        for s, a in LIGHT:
            light += np.float32(a) * blurred(plane, s * fwhm)
        plane[:] = light

    over(spread, points)
    return points
