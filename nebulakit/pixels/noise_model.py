"""Noise that resampling made alike among neighbours: a family of spectra, and how it is told from light.

Noise is white noise smoothed by a sampled Gaussian of some width, on its own or after interpolation: halfway between pixels
(and twice, as demosaicing does), or at all shifts, as dithered frames are, by linear, cubic or windowed-sinc weights, after
demosaicing or not. Resampling leaves low frequencies alone: where the kernel is known, so is the noise of coarse scales.
Light is a power law blurred by air and optics. Both are told apart by a few bands at the highest frequencies of the pixel
grid, where hardly any light is left, by how one band stands to the other.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet

Floats = npt.NDArray[np.float64]

# The bands: differences by binomial coefficients (order across, order down), the least of light and the most of noise
# first, and the first starlet plane. How far each looks, and how far its value may be off by more than chance.
DIFFERENCES = ((4, 4), (2, 6), (6, 2), (0, 8), (8, 0), (6, 6), (2, 2), (0, 4), (4, 0))
REACH = (2, 3, 3, 4, 4, 3, 1, 2, 2, 2)
_TRUST = np.array([0.005, 0.005, 0.005, 0.005, 0.005, 0.005, 0.005, 0.01, 0.01, 0.03])

_LIGHT_SLOPE = 3.0
_LIGHT_WIDTHS = (0.9, 1.05, 1.2, 1.4, 1.6, 1.9)  # px; nothing in a picture taken through air and optics is much sharper
_OWN = 9.0  # a plane keeps its own kernel where the planes' common one fits it worse by so much (chi square)
_BEFORE = ((1.0,), (0.276393, 0.723607), (0.5, 0.5), (0.25, 0.5, 0.25))  # what may have come before the Gaussian
_FINE = 4  # by so many starlet planes a kernel is told; coarser ones tell of borders as well
_REACH = 7  # px: of the taps that stand for interpolation at all shifts
_N = 128  # size of the grid of frequencies


class Family(NamedTuple):
    """The spectra: of noise by kernel, of light by blur."""

    kernels: tuple[Floats, ...]  # the first are sampled Gaussians alone
    simple: tuple[bool, ...]  # which are sampled Gaussians alone
    widths: Floats  # (kernels,): of the Gaussian
    gains: Floats  # (kernels, bands): standard deviation in each band where pixels have 1
    share: Floats  # (kernels, bands): how many of the values are independent, (mean P)**2 / mean(P**2)
    blob: Floats  # (kernels,): standard deviation of w_2 + w_3 where pixels have 1
    light: Floats  # (blurs, bands): variance of light in each band, relative


class Fit(NamedTuple):
    """What was found for a plane."""

    sigma: float
    kernel: int  # its place in the family


@functools.cache
def binomial(order: int) -> Floats:
    """Give the taps of the difference of an order, with sum of squares 1 (so that float32 holds the outcome well)."""
    taps = np.ones(1)
    for _ in range(order):
        taps = np.convolve(taps, [1.0, -1.0])
    return taps / float(np.sqrt(taps @ taps))


def kernel(width: float) -> Floats:
    """Give the sampled Gaussian by which resampling is thought to have smoothed white noise; sum 1."""
    reach = int(4 * width + 0.5)
    x = np.arange(-reach, reach + 1)
    taps: Floats = np.exp(-0.5 * (x / max(width, 1e-3)) ** 2)
    return taps / float(taps.sum())


def power(taps: Floats, n: int = _N) -> Floats:
    """Give the power (n, n) over frequency of noise of a kernel, mean 1."""
    one = np.abs(np.fft.fft(taps, n)) ** 2
    one = one / float(one.mean())
    return np.outer(one, one)


def scales(taps: Floats, count: int) -> Floats:
    """Give the standard deviations of starlet planes w_1.. of noise of a kernel whose pixels have 1."""
    fine, pixels = starlet.kernel_sigmas(taps, count)
    return fine / float(pixels[0])


def _at_random_shifts(interpolation: Callable[[Floats], Floats]) -> Floats:
    """Give symmetric taps whose power is that of interpolation, on average over all shifts between pixels."""
    x, shifts = np.arange(-_REACH, _REACH + 1), (np.arange(32) + 0.5) / 32
    each = interpolation(x[:, None] - shifts)
    mean = (np.abs(np.fft.fft(each / each.sum(0), _N, axis=0)) ** 2).mean(1)
    taps: Floats = np.fft.fftshift(np.fft.ifft(np.sqrt(mean)).real)[_N // 2 - _REACH : _N // 2 + _REACH + 1]
    return taps


def _cubic(x: Floats, steep: float) -> Floats:
    """Keys 1981, IEEE TASSP 29:1153."""
    x = np.abs(x)
    far = steep * (x**3 - 5 * x**2 + 8 * x - 4)
    return np.where(x < 1, (steep + 2) * x**3 - (steep + 3) * x**2 + 1, np.where(x < 2, far, 0.0))


def _lanczos(x: Floats, lobes: int) -> Floats:
    """Duchon 1979, J. Appl. Meteorology 18:1016."""
    return np.where(np.abs(x) < lobes, np.sinc(x) * np.sinc(x / lobes), 0.0)


_INTERPOLATIONS: tuple[Callable[[Floats], Floats], ...] = (
    lambda x: np.maximum(0.0, 1 - np.abs(x)),  # linear
    functools.partial(_cubic, steep=-0.5),
    functools.partial(_cubic, steep=-0.75),
    functools.partial(_lanczos, lobes=3),
    functools.partial(_lanczos, lobes=4),
)


def scales_on(taps: Floats, count: int, shape: tuple[int, ...]) -> Floats:
    """Give :func:`scales` as they are, on average, on planes of a shape (y, x), whose borders the transform mirrors.

    Near a border the mirror image adds the same noise once more: on 450 x 600 pixels w_6 is 3 % more than without borders.
    """
    row = np.convolve(taps, taps[::-1])
    row = row / row[len(row) // 2]
    (down, down_mixed), (across, across_mixed) = (_left_on(row.tobytes(), count, n) for n in shape)
    one = down * across
    return np.sqrt(np.maximum(one[:-1] - 2 * down_mixed * across_mixed + one[1:], 0.0))


@functools.lru_cache(maxsize=64)
def _left_on(row: bytes, count: int, n: int) -> tuple[Floats, Floats]:
    """Give the mean over n pixels of a line of var(c_0..c_J), and of cov(c_j-1, c_j), for noise of an autocovariance."""
    alike = np.frombuffer(row)
    size = min(n, 4 * 2**count + 2 * len(alike))  # beyond, only the part far from both ends is longer
    lags = np.abs(np.arange(size)[:, None] - np.arange(size))
    inside = lags <= len(alike) // 2
    covariance = np.where(inside, alike[np.minimum(lags, len(alike) // 2) + len(alike) // 2], 0.0)
    left, pixels, one, mixed = covariance, np.eye(size), [np.diag(covariance)], []  # left: of c_j with the pixels
    for j in range(count):
        last, left_before, pixels_before = max(2 * (size - 1), 1), left, pixels
        left, pixels = np.zeros((size, size)), np.zeros((size, size))
        for k, b in zip(range(-2, 3), starlet.B3, strict=True):
            at = np.abs(np.arange(size) + k * 2**j) % last
            at = np.minimum(at, np.abs(last - at))
            left += b * left_before[at]
            pixels += b * pixels_before[at]
        mixed.append((left_before * pixels).sum(1))
        one.append((left * pixels).sum(1))

    def mean(values: list[Floats]) -> Floats:
        return np.array([(v.sum() + (n - size) * v[size // 2]) / n for v in values])

    return mean(one), mean(mixed)


@functools.cache
def family() -> Family:
    """Compute the spectra once."""
    fine, coarse = np.concatenate([[0.0], np.arange(0.26, 1.0, 0.002), np.arange(1.0, 3.01, 0.05)]), np.arange(0.0, 1.01, 0.02)
    kernels, widths, simple = [], [], []
    interpolated = [_at_random_shifts(k) for k in _INTERPOLATIONS]
    demosaiced = [np.convolve(_BEFORE[-1], taps) for taps in interpolated]
    for before in (*map(np.array, _BEFORE), *interpolated, *demosaiced):
        for width in fine if len(before) == 1 else coarse:
            kernels.append(np.convolve(before, kernel(float(width))))
            widths.append(float(width))
            simple.append(len(before) == 1)
    lines = np.zeros((len(kernels), _N))
    for line, taps in zip(lines, kernels, strict=True):
        line[: len(taps)] = taps
    noise = np.abs(np.fft.rfft(lines)) ** 2
    noise /= (noise @ _EVEN)[:, None]
    bands = _bands()
    power = np.stack([_through(noise, band) for band in bands], axis=1)
    twice = np.stack([_through(noise**2, _times(band, band)) for band in bands], axis=1)
    low = [one[: _N // 2 + 1] for one in starlet_low(_N, 3)]
    blob = _through(noise, _times(*2 * [[(1.0, low[1], low[1]), (-1.0, low[3], low[3])]]))
    f = np.fft.fftfreq(_N)
    k = np.hypot(f[:, None], f)
    k[0, 0] = 1 / _N
    sharp = [k**-_LIGHT_SLOPE * np.exp(-((2 * np.pi * k * blur) ** 2)) for blur in _LIGHT_WIDTHS]
    light = np.array([[float((band * one).mean()) for band in band_powers()] for one in sharp])
    return Family(
        tuple(kernels), tuple(simple), np.array(widths), np.sqrt(power), power**2 / twice, np.sqrt(blob), light / light[:, -1:]
    )


_EVEN = np.r_[1, np.full(_N // 2 - 1, 2), 1] / _N  # what each frequency of half a line counts, for spectra are even
_Parts = list[tuple[float, Floats, Floats]]  # a spectrum as the sum of factor * (line down) * (line across)


def _bands() -> list[_Parts]:
    """Give the spectra of the bands in parts."""
    line = [np.abs(np.fft.rfft(binomial(order), _N)) ** 2 for order in range(9)]
    low = [one[: _N // 2 + 1] for one in starlet_low(_N, 1)]
    first: _Parts = [(1.0, low[0], low[0]), (-1.0, low[1], low[1])]
    return [*([(1.0, line[down], line[across])] for across, down in DIFFERENCES), _times(first, first)]


def _times(one: _Parts, other: _Parts) -> _Parts:
    """Multiply spectra."""
    return [(f * g, a * c, b * d) for f, a, b in one for g, c, d in other]


def _through(noise: Floats, spectrum: _Parts) -> Floats:
    """Give the variance that a spectrum leaves of noises (noises, frequencies) that are alike down and across."""
    return np.asarray(sum(f * (noise @ (_EVEN * down)) * (noise @ (_EVEN * across)) for f, down, across in spectrum))


@functools.cache
def band_powers() -> Floats:
    """Give the power (band, frequency down, frequency across) that each band lets through."""
    line = [np.abs(np.fft.fft(binomial(order), _N)) ** 2 for order in range(9)]
    squares = [np.outer(line[down], line[across]) for across, down in DIFFERENCES]
    low = starlet_lows(_N, 1)
    return np.stack([*squares, (low[0] - low[1]) ** 2])


def starlet_lows(n: int, count: int) -> list[Floats]:
    """Give what of every frequency (n, n) is left in c_0..c_J of the starlet transform."""
    return [np.outer(one, one) for one in starlet_low(n, count)]


def starlet_low(n: int, count: int) -> list[Floats]:
    """Give what of every frequency (n,) of a line is left in c_0..c_J of the starlet transform."""
    low = [np.ones(n)]
    for j in range(count):
        taps = zip(range(-2, 3), starlet.B3, strict=True)
        low.append(low[-1] * sum(b * np.cos(2 * np.pi * np.fft.fftfreq(n) * 2**j * k) for k, b in taps))
    return low


def fit(
    quiet: list[Floats], below: list[float | None], independent: list[Floats], blocks: list[Floats], steps: list[float]
) -> list[Fit]:
    """Find noise and kernel of planes from the standard deviations of their bands in quiet blocks.

    ``quiet``: per plane one value a band, NaN where not measured: a quantile of the blocks, ``below`` standard deviations
    under their middle (None: the mean over all their pixels). ``independent``: pixels of a block. ``blocks``: how many
    there were. ``steps``: the distance of the values the planes can take, 0 where it is fine.
    """
    known = family()
    costs, sigmas = [], []
    for q, under, pixels, count, step in zip(quiet, below, independent, blocks, steps, strict=True):
        if not np.nanmax(q, initial=0.0) > 0:
            costs.append(np.zeros(len(known.widths)))
            sigmas.append(np.zeros(len(known.widths)))
            continue
        use = np.isfinite(q) & (q > 0)
        chance = np.sqrt(0.5 / (pixels[use] * known.share[:, use]))
        # a quantile of variances that few values tell lies below the variance: Wilson & Hilferty 1931, PNAS 17:684
        found = q[use] ** 2
        if under is not None:
            few = np.minimum(chance, 0.5)
            found = found / (1 - 2 / 3 * under * few - 4 / 9 * few**2) ** 3
        # rounding adds white noise of step**2 / 12, which is not the picture's
        white = step**2 / 12 * known.gains[0, use] ** 2
        found = np.maximum(found - white, 0.05 * found)
        allowed = 2 * np.sqrt(_TRUST[use] ** 2 + (1.3 * chance) ** 2 / count[use])
        cost, sigma = _two_parts(found, allowed, known.gains[:, use] ** 2, known.light[:, use])
        costs.append(cost)
        sigmas.append(sigma)
    together = int(np.sum(costs, axis=0).argmin())
    out = []
    for cost, sigma in zip(costs, sigmas, strict=True):
        own = int(cost.argmin())
        i = own if cost[together] - cost[own] > _OWN else together
        out.append(Fit(float(sigma[i]), i))
    return out


def _two_parts(found: Floats, allowed: Floats, noise: Floats, light: Floats) -> tuple[Floats, Floats]:
    """Explain variances by noise and light, both at least 0, for every kernel: (cost, sigma of the noise)."""
    best, sigma = np.full(len(noise), np.inf), np.zeros(len(noise))
    a, y = noise / found / allowed, 1 / allowed
    for blurred in light:
        b = blurred / found / allowed
        aa, bb, ab, ay, by = (
            np.asarray((u * v).sum(1)) for u, v in ((a, a), (b, b), (a, b), (a, y * np.ones_like(a)), (b, y * np.ones_like(b)))
        )
        det = aa * bb - ab**2
        with np.errstate(divide="ignore", invalid="ignore"):
            p, q = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
        none = ~((q > 0) & np.isfinite(p) & np.isfinite(q))
        p, q = np.where(none, ay / aa, p), np.where(none, 0.0, q)
        cost = ((a * p[:, None] + b * q[:, None] - y) ** 2).sum(1)
        better = (cost < best) & (p > 0)
        best, sigma = np.where(better, cost, best), np.where(better, np.sqrt(np.maximum(p, 0)), sigma)
    return best, sigma


def kernel_of(found: Floats) -> Floats:
    """Give the kernel of the family that leaves starlet planes w_1.. with standard deviations found, where pixels have 1.

    Between the widths of Gaussians it is told by the ratio of w_2 to w_1; other kernels are taken where they fit better.
    """
    if not (len(found) > 1 and found[0] > 0 and found[1] > 0):
        return kernel(0.0)
    widths, ratios = _ratios()
    gaussian = kernel(float(np.interp(found[1] / found[0], ratios, widths)))
    count = min(len(found), _FINE)
    others, theirs = _others()
    off = np.abs(np.log(np.maximum(found[:count], 1e-30)) - theirs[:, :count]).max(1)
    best = int(off.argmin())
    own = np.abs(np.log(np.maximum(found[:count], 1e-30) / scales(gaussian, count))).max()
    return others[best] if off[best] < 0.5 * own else gaussian


@functools.cache
def _others() -> tuple[list[Floats], Floats]:
    """Give the kernels of the family that are no Gaussians, and the logarithms of their starlet planes' deviations."""
    known = family()
    others = [k for k, simple in zip(known.kernels, known.simple, strict=True) if not simple]
    return others, np.log([scales(k, _FINE) for k in others])


@functools.cache
def _ratios() -> tuple[Floats, Floats]:
    """Tell the ratio of w_2 to w_1 for every width of a Gaussian."""
    widths = np.arange(0.0, 3.01, 0.01)
    two = [scales(kernel(float(width)), 2) for width in widths]
    return widths, np.array([pair[1] / pair[0] for pair in two])
