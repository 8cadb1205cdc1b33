"""Noise that resampling made alike among neighbours: a family of spectra, and how it is told from light.

Noise is white noise smoothed by a sampled Gaussian of some width, on its own or after interpolation halfway between pixels
(and twice, as demosaicing does); light is a power law blurred by air and optics. Both are told apart by a few bands at the
highest frequencies of the pixel grid, where hardly any light is left, by how one band stands to the other.
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet

Floats = npt.NDArray[np.float64]

# The bands: differences by binomial coefficients (order across, order down), the least of light and the most of noise
# first, and the first starlet plane. How far each looks, and how far its value may be off by more than chance.
DIFFERENCES = ((4, 4), (2, 6), (6, 2), (0, 8), (8, 0), (6, 6), (2, 2), (0, 4), (4, 0))
REACH = (2, 3, 3, 4, 4, 3, 1, 2, 2, 2)
_TRUST = np.array([0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.02, 0.02, 0.05])

_LIGHT_SLOPE = 3.0
_LIGHT_WIDTHS = (0.9, 1.05, 1.2, 1.4, 1.6, 1.9)  # px; nothing in a picture taken through air and optics is much sharper
_OWN = 9.0  # a plane keeps its own kernel where the planes' common one fits it worse by so much (chi square)
_BEFORE = ((1.0,), (0.276393, 0.723607), (0.5, 0.5), (0.25, 0.5, 0.25))  # what may have come before the Gaussian
_N = 128  # size of the grid of frequencies


class Family(NamedTuple):
    """The spectra: of noise by kernel, of light by blur."""

    kernels: tuple[Floats, ...]  # the first are sampled Gaussians alone
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


@functools.cache
def family() -> Family:
    """Compute the spectra once."""
    fine, coarse = np.concatenate([[0.0], np.arange(0.26, 1.0, 0.005), np.arange(1.0, 3.01, 0.05)]), np.arange(0.0, 1.01, 0.02)
    kernels, widths = [], []
    for before in _BEFORE:
        for width in fine if len(before) == 1 else coarse:
            kernels.append(np.convolve(before, kernel(float(width))))
            widths.append(float(width))
    bands, low = band_powers().reshape(len(REACH), -1), starlet_lows(_N, 3)
    blob = ((low[1] - low[3]) ** 2).ravel()
    gains, share, blobs = [], [], []
    for taps in kernels:
        one = np.abs(np.fft.fft(taps, _N)) ** 2
        noise = np.outer(one, one).ravel() / float(one.mean()) ** 2
        spectra = bands * noise
        gains.append(np.sqrt(spectra.mean(1)))
        share.append(spectra.mean(1) ** 2 / (spectra**2).mean(1))
        blobs.append(np.sqrt((blob * noise).mean()))
    f = np.fft.fftfreq(_N)
    k = np.hypot(f[:, None], f).ravel()
    k[0] = 1 / _N
    light = np.stack([(bands * k**-_LIGHT_SLOPE * np.exp(-((2 * np.pi * k * blur) ** 2))).mean(1) for blur in _LIGHT_WIDTHS])
    return Family(tuple(kernels), np.array(widths), np.array(gains), np.array(share), np.array(blobs), light / light[:, -1:])


@functools.cache
def band_powers() -> Floats:
    """Give the power (band, frequency down, frequency across) that each band lets through."""
    line = [np.abs(np.fft.fft(binomial(order), _N)) ** 2 for order in range(9)]
    squares = [np.outer(line[down], line[across]) for across, down in DIFFERENCES]
    low = starlet_lows(_N, 1)
    return np.stack([*squares, (low[0] - low[1]) ** 2])


def starlet_lows(n: int, count: int) -> list[Floats]:
    """Give what of every frequency (n, n) is left in c_0..c_J of the starlet transform."""
    low = [np.ones((n, n))]
    for j in range(count):
        one = sum(
            (b * np.cos(2 * np.pi * np.fft.fftfreq(n) * 2**j * k) for k, b in zip(range(-2, 3), starlet.B3, strict=True)),
            np.zeros(n),
        )
        low.append(low[-1] * np.outer(one, one))
    return low


def fit(
    quiet: list[Floats], below: list[float], independent: list[Floats], blocks: list[Floats], steps: list[float]
) -> list[Fit]:
    """Find noise and kernel of planes from the standard deviations of their bands in quiet blocks.

    ``quiet``: per plane one value a band, NaN where not measured: a quantile of the blocks, ``below`` standard deviations
    under their middle. ``independent``: pixels of a block. ``blocks``: how many there were. ``steps``: the
    distance of the values the planes can take, 0 where it is fine.
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
        found = (q[use] / (1 - under * np.minimum(chance, 0.5))) ** 2
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
    """Give the sampled Gaussian after which noise has the ratio of w_2 to w_1 that was found."""
    if not (len(found) > 1 and found[0] > 0 and found[1] > 0):
        return kernel(0.0)
    widths, ratios = _ratios()
    return kernel(float(np.interp(found[1] / found[0], ratios, widths)))


@functools.cache
def _ratios() -> tuple[Floats, Floats]:
    """Tell the ratio of w_2 to w_1 for every width of a Gaussian."""
    widths = np.arange(0.0, 3.01, 0.01)
    two = [scales(kernel(float(width)), 2) for width in widths]
    return widths, np.array([pair[1] / pair[0] for pair in two])
