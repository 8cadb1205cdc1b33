"""The light along an edge of the picture: where something comes in over it, and cells in which it is compared with stars."""

from __future__ import annotations

import math
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.fit import COARSE, StarFit
from nebulakit.pixels.stars.law import PAD
from nebulakit.pixels.stars.rings import ground_of, unevenness
from nebulakit.pixels.stars.whitening import factored

Array = npt.NDArray[np.float64]
Stretch = tuple[int, int, list[float]]  # from and to along an edge, and where in it something bright stands right at the edge
T = TypeVar("T", float, Array)

ZONES = ((0, 6, 1), (6, 14, 2), (14, 38, 4))  # px from the edge: from, to, and the size of cells between
NEAR = 12  # px along the edge from what stands out: beyond, cells are twice as large
ASIDE = 24  # px along the edge beside what stands out
LONGEST = 150  # px along the edge that are looked at together
NOISE = 0.33  # sigma: of the mean of three rows
GRAIN = 0.1  # variance of the noise over what is compared, in that of a pixel
UNLIKE = 2.0  # how much more nebula may be left where it hardly shines
PLAIN = 0.5  # of a cut-off star's light: what stands so high beside it is no fault of its flank
MISFIT = 0.02  # of a star's law so far out, pixel by pixel
_BELL = np.exp(-0.5 * np.arange(-4.0, 5.0) ** 2)
_SOFT = _BELL / _BELL.sum()  # what smooths along an edge: a Gaussian of 1 px


class Rim(NamedTuple):
    """Cells along a stretch of an edge: where they lie; light by channel, and the factors of its covariances; the mixture in
    which hardly a nebula shines, and its covariance."""

    start: int
    stop: int
    x: Array
    y: Array
    value: Array
    factors: list[Array]
    bare: Array
    bare_cover: Array


class Views(NamedTuple):
    """Mixtures of channels (mixture, channel), in which what a star brings is positive: their mean, and those in which the
    nebula is uneven independently. A bright nebula hides a reflection in every channel, but not where it hardly shines.

    ``bare`` is the mixture in which stars stand out of the nebula best (linear discriminant, Fisher 1936, Annals of Eugenics
    7:179), ``calm`` the variance of what nebula is left there, over that of channels mixed at random.
    """

    all: Array
    bare: Array
    calm: float


def mixtures_at(fit: StarFit) -> Views:
    """Give the mixtures of channels that are looked at."""
    uneven = unevenness(ground_of(fit))
    if uneven is None:
        uneven = np.eye(len(fit.data))
    light = fit.height[:, ~fit.outside].sum(1)
    mixtures = np.linalg.eigh(uneven)[1].T
    mixtures *= np.where(mixtures @ light < 0, -1.0, 1.0)[:, None]
    bare = np.linalg.solve(uneven + GRAIN * np.eye(len(uneven)), light + 1e-9)
    bare /= np.linalg.norm(bare)
    calm = float(bare @ uneven @ bare) / max(float(bare**2 @ np.diag(uneven)), 1e-12)
    return Views(np.concatenate([np.full((1, len(mixtures)), 1 / len(mixtures)), mixtures]), bare, calm)


def stretches(fit: StarFit, edge: int, length: int, views: Views) -> list[Stretch]:
    """Give the stretches of an edge in which something bright stands right at it.

    The brightest come first: their light reaches into others.
    """
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    giants = np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD])[fit.saturated & ~fit.outside]
    # what shines near the edge itself floods it, unless far more stands there than its flank can be off by
    flooded = [along for along, out in turned(giants, edge, h, w).tolist() if out > -15]
    groups: list[Stretch] = []
    strip, _, drawn = _strips(fit, edge, 24, slice(None))
    rim, lit = (part[:, :3].mean((0, 1)) for part in (strip, drawn))
    for bump in _bumps(np.tensordot(views.all, strip, 1)):
        if any(abs(bump - along) < 15 for along in flooded) and rim[int(bump)] < PLAIN * lit[int(bump)]:
            continue
        start, stop = max(int(bump) - ASIDE, 0), min(int(bump) + ASIDE + 1, length)
        if groups and start < groups[-1][1] - ASIDE and stop - groups[-1][0] <= LONGEST:
            groups[-1] = (groups[-1][0], stop, [*groups[-1][2], bump])
        else:
            groups.append((start, stop, [bump]))
    return sorted(groups, key=lambda g: -max(float(rim[int(b)]) for b in g[2]))


def _windows(line: Array, n: int) -> Array:
    """Give the n values around each of a line; beyond its ends the last ones go on."""
    return np.lib.stride_tricks.sliding_window_view(np.pad(line, n // 2, mode="edge"), n)


def _middles(line: Array, n: int) -> Array:
    """Give the median of the n values around each of a line."""
    return np.asarray(median(_windows(line, n), axis=1))


def _bumps(strips: Array) -> list[float]:
    """Give where along an edge something bright stands right at it, in any of the mixtures (mixture, depth, along)."""
    out: list[float] = []
    height: list[float] = []
    for strip in strips:
        rise = strip[:3].mean(0) - _middles(median(strip[10:], axis=0), 15)
        rise = (_windows(rise, len(_SOFT)) @ _SOFT).astype(rise.dtype)
        # narrow ones on an uneven nebula, then broad ones, that come from far beyond; a reflection is some 50 px wide
        for window in (31, 121, 0):
            bare = rise - (_middles(rise, window) if window else median(rise))
            spread = max(1.4826 * float(median(np.abs(bare - median(bare)))), NOISE)
            wide = np.pad(bare, 1, constant_values=-np.inf)  # a star beyond a corner is brightest in it
            places = np.nonzero((bare >= wide[:-2]) & (bare > wide[2:]) & (bare > 7 * spread))[0]
            for p in places[np.argsort(-bare[places], kind="stable")].tolist():
                if all(abs(p - q) > 4 for q in out):
                    out.append(float(p))
                    height.append(float(rise[p]))
    brightest = np.argsort(-np.array(height), kind="stable")[: 40 + strips.shape[2] // 50]
    return sorted(out[k] for k in brightest.tolist())


def cells(fit: StarFit, edge: int, stretch: Stretch, views: Views) -> Rim:
    """Cut a stretch of an edge into cells, the finer the nearer to the edge and to what stands out."""
    from nebulakit.pixels.stars import rimloops

    start, stop, bumps = stretch
    value, variance, _ = _strips(fit, edge, ZONES[-1][1], slice(start, stop))
    # the star is not known yet, but what stands out is its light
    light = np.maximum(value - median(value[:, 20:].reshape(len(value), -1), axis=1)[:, None, None], 0)
    variance += fit.photons[:, None, None] * light
    place = np.mgrid[0 : ZONES[-1][1], start:stop].astype(np.float64)
    planes, parts, sizes = np.concatenate([value, variance, light, place]), [], []
    for first, last, size in ZONES:
        near = max(int(min(bumps)) - start - NEAR, 0) // (2 * size) * 2 * size
        far = min(int(max(bumps)) - start + NEAR + 1, stop - start)
        for left, right, side in ((0, near, 2 * size), (near, far, size), (far, stop - start, 2 * size)):
            cut = planes[:, first:last, left : left + max(right - left, 0) // side * side]
            means = cut.reshape(len(cut), (last - first) // side, side, -1, side).mean((2, 4)).reshape(len(cut), -1)
            parts.append(means)
            sizes.append(np.full(means.shape[1], side**2))
    value, variance, light, (depth, along) = np.split(np.concatenate(parts, 1), len(value) * np.arange(1, 4))
    share = max(4 * math.pi * fit.field.noise_blur**2, 1.0)  # pixels that are one as to their noise
    own = variance * np.minimum(share / np.concatenate(sizes), 1.0) + (MISFIT * light) ** 2
    bare2, strengths = views.bare**2, _strengths(fit, edge, start, stop)
    strengths = np.append(strengths, UNLIKE * views.calm * float(bare2 @ strengths))
    covers = np.zeros((len(strengths), len(depth), len(depth)))
    y, x = np.rint(depth).astype(int), np.rint(along).astype(int) - start
    shape = fit.field.table(1.0, max(stop - start, ZONES[-1][1]), noise=False)
    rimloops.covers((y, x), shape, strengths, np.concatenate([own, [bare2 @ own]]), covers)
    at = place_at(edge, along, -depth, fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD)
    return Rim(start, stop, *at, value, [factored(cover) for cover in covers[:-1]], views.bare, covers[-1])


def _strengths(fit: StarFit, edge: int, start: int, stop: int) -> Array:
    """Give how uneven the nebula is by an edge, for each channel, where the light that comes in has sunk."""
    pad = PAD // COARSE
    inner = fit.strength[:, pad:-pad, pad:-pad]
    band = (inner[:, 2:16], inner[:, -16:-2], inner[:, :, 2:16], inner[:, :, -16:-2])[edge]
    band = band if edge < 2 else band.transpose(0, 2, 1)
    return np.asarray(
        np.quantile(band[:, :, max(start - 40, 0) // COARSE : (stop + 40) // COARSE], 0.25, axis=(1, 2)), np.float64
    )


def _strips(fit: StarFit, edge: int, deep: int, along: slice) -> tuple[Array, Array, Array]:
    """Give (channel, depth, along) of what is left at an edge of the picture, the outermost first, its variance, and the stars' light."""

    def cut(planes: npt.NDArray[np.generic]) -> Array:
        a = planes[..., PAD:-PAD, PAD:-PAD]
        a = a[..., ::-1, ::-1] if edge % 2 else a
        a = a[..., :deep, :] if edge < 2 else a[..., :deep].swapaxes(-1, -2)
        return np.array((a[..., ::-1] if edge % 2 else a)[..., along], np.float64)

    rest = cut(fit.rest)
    light = np.maximum(cut(fit.data) - rest, 0)
    grain = 1.0 if fit.level is None else cut(fit.level) ** 2
    variance = grain + cut(fit.doubt) ** 2 + 1e9 * cut(fit.hidden) + fit.photons[:, None, None] * light + (0.01 * light) ** 2
    return rest, variance, light


def turned(places: Array, edge: int, h: int, w: int) -> Array:
    """Give places (n, x and y) as along and out of an edge."""
    x, y = places.T
    return np.column_stack(((x, -y), (x, y - h + 1), (y, -x), (y, x - w + 1))[edge])


def place_at(edge: int, along: T, out: T, h: int, w: int) -> tuple[T, T]:
    """Give x, y of a place along and out of an edge."""
    return ((along, -out), (along, h - 1 + out), (-out, along), (w - 1 + out, along))[edge]
