"""Wavelet noise reduction against a known noise: an undecimated wavelet, shrunk locally, twice.

Each plane is taken apart by the biorthogonal 9/7 wavelet without decimation (Cohen, Daubechies & Feauveau 1992, CPAM
45:485; Starck & Murtagh 2006), from the third level on a halved grid; what the halving cannot hold is a band of its own.
A first pass shrinks every coefficient by how far the energy round it stands above the noise of its band (Mihcak, Kozintsev,
Ramchandran & Moulin 1999, IEEE SPL 6:300). A second pass shrinks the untouched coefficients again, by the energy of the
first result's (empirical Wiener filter, Ghael, Sayeed & Baraniuk 1997, Proc. SPIE 3169:389). Level by level both results and
the noisy plane are mixed by the shares from which the least error is to be expected (:func:`_shares`). Planes of several channels
are first turned so that light gathers in the first of them while noise stays even and independent.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import noise_model, wavelets
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.streaks import Streaks, over_even, spectrum, streak_scales

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LEVELS = 6  # structure of about 1, 2, 4, 8, 16, 32 px

_TILE = 512  # px: few enough that what is in work stays in the processor's cache
_MARGINS = (48, 28)  # how far a value depends on others: on the finest two levels together, on one level after them
# First pass: energy is taken over so many pixels (fine levels, coarse levels, what halving leaves); a coefficient is kept
# by what lies over the noise by more than 1 + _DOUBT, less where a wider neighbourhood shows structure too.
_NEAR, _WIDE, _DOUBT, _TRUST = (7, 5, 3), (21, 11, 9), 2.0, 4.0
# Second pass: energy over so many pixels; gain x(x+a)/(x(x+a)+1) of the ratio x of light to noise, which leaves clear
# structure more fully alone than Wiener's x/(x+1): what is taken away looks less like the nebula.
_PILOT, _LIFT = (11, 7, 3), 0.3
# Faint texture, too weak to be seen in one place: its share is found over so many pixels from energies that single
# structures cannot raise above _CAP; by less than _SURE it is taken for chance. Then Wiener's gain is the least that is kept.
_FAINT, _CAP, _SURE = (47, 25, 15), 3.0, 0.2

# Of the second result, of the first, of the noisy plane. What is missing to 1 goes to the second result shrunk by its gains
# once more: where structure is clear it stays, since a rare knot is no noise, whatever is best for all the rest.
Share = tuple[float, float, float]
_SECOND: Share = (1.0, 0.0, 0.0)
# Shares are found for so many of the finest levels, on so many tiles of so many pixels, with so much more noise (in sigma).
_MIXED, _SAMPLES, _SAMPLE, _NUDGE = 4, 12, 128, 0.1
# So much more noise variance, level by level, is reckoned with in what the noisy plane holds: where the noise is told a little
# too low, that would come back whole.
_WARY = (1.3, 1.07, 1.03, 1.03)
_CHANCE = 1.05  # the same in the first result, whose few remnants of noise tell the change with the noise by chance alone
_USUAL, _SWEEPS = 4.0, 10


def decide_denoise(
    planes: Planes,
    noise: Noise,
    strength: float = 1.0,
    by_scale: tuple[float, ...] = (1.0,) * LEVELS,
    streaks: Streaks | None = None,
    seed: int = 0,
) -> dict[str, Any]:
    """Find what :func:`apply_denoise` needs: the axes of colour and the noise variance of every band.

    ``planes`` (channel, y, x) without NaN. ``strength`` multiplies the noise that is reckoned with, ``by_scale`` the same
    level by level. ``streaks`` are part of the noise, and fall into some bands more than into others. ``seed`` is that of
    the noise by which the shares of :func:`_shares` are found.
    """
    sigma = np.asarray(noise.sigma, float)
    axes = _axes(planes, sigma)
    levels = _levels(planes.shape[1:])
    white = np.array(
        [
            _with_streaks(np.asarray(row) / s, levels, streaks, c)
            for c, (row, s) in enumerate(zip(noise.scales, sigma, strict=True))
        ]
    )
    factor = strength * np.array([by_scale[min(j, len(by_scale) - 1)] for j in range(levels)])
    bands = np.einsum("kc,clb->klb", axes**2, white)
    taps = [noise_model.kernel_of(np.asarray(row) / s) for row, s in zip(noise.scales, sigma, strict=True)]
    shares = [
        _shares(_mix(planes, (axis / sigma).astype(np.float32)), _Level(axis, taps, true, factor, noise.map), seed)
        for axis, true in zip(axes, bands, strict=True)
    ]
    bands = bands * (factor**2)[None, :, None]
    return {"sigma": sigma.tolist(), "axes": axes.tolist(), "variances": bands.tolist(), "shares": shares}


def apply_denoise(planes: Planes, values: dict[str, Any], noise_map: Plane | None = None) -> Planes:
    """Reduce the noise of planes (channel, y, x) without NaN; ``noise_map`` (y, x) is the noise relative to sigma."""
    sigma = np.asarray(values["sigma"], np.float32)
    axes = np.asarray(values["axes"], np.float32)
    inverse = _inverse_variances(noise_map, len(values["variances"][0]))
    into, back = axes / sigma, sigma[:, None] * axes.T
    out: Planes = np.empty_like(planes)
    for k, (variances, shares) in enumerate(zip(values["variances"], values["shares"], strict=True)):
        calm = _denoise_plane(_mix(planes, into[k]), variances, shares, inverse)
        for c in range(len(planes)):
            if k:
                _add_scaled(out[c], calm, float(back[c, k]))
            else:
                np.multiply(calm, back[c, k], out=out[c])
    return out


def _mix(planes: Planes, weights: npt.NDArray[np.float32]) -> Plane:
    """Give the weighted sum of planes."""
    out: Plane = planes[0] * weights[0]
    for plane, w in zip(planes[1:], weights[1:], strict=True):
        _add_scaled(out, plane, float(w))
    return out


def _add_scaled(out: Plane, plane: Plane, factor: float) -> None:
    """Add ``factor * plane`` to ``out`` in place, in rows that fit the cache."""
    for y in range(0, len(out), 64):
        out[y : y + 64] += plane[y : y + 64] * np.float32(factor)


def _axes(planes: Planes, sigma: Floats) -> Floats:
    """Give orthonormal axes (axis, channel) of planes in units of their noise, on which their structure is least spread.

    Principal axes first; then the two with the most light are turned to where few values hold it (independent components,
    Hyvarinen & Oja 2000, Neural Networks 13:411), which for two emission lines is nearly one line an axis.
    """
    import cv2

    if len(planes) == 1:
        return np.ones((1, 1))
    small = []
    for plane, s in zip(planes, sigma, strict=True):
        size = (max(1, plane.shape[1] // 4), max(1, plane.shape[0] // 4))
        coarse = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        small.append(
            (coarse - cv2.GaussianBlur(coarse, (0, 0), 2.0, borderType=cv2.BORDER_REFLECT_101)).ravel().astype(np.float64) / s
        )
    structure = np.array(small)
    _, vectors = np.linalg.eigh(structure @ structure.T)
    axes: Floats = vectors.T[::-1].copy()
    a, b = axes[:2] @ structure[:, :: max(1, structure.shape[1] // 200_000)]
    turns = np.deg2rad(np.arange(0, 90, 3))
    spread = [
        float((np.log1p((c * a + s * b) ** 2) + np.log1p((c * b - s * a) ** 2)).sum())
        for c, s in zip(np.cos(turns), np.sin(turns), strict=True)
    ]
    c, s = np.cos(turns[int(np.argmin(spread))]), np.sin(turns[int(np.argmin(spread))])
    axes[:2] = [c * axes[0] + s * axes[1], c * axes[1] - s * axes[0]]
    return axes * np.where(axes.sum(1) < 0, -1.0, 1.0)[:, None]


def _levels(shape: tuple[int, ...]) -> int:
    """Give how many levels a plane is large enough for."""
    return max(1, min(LEVELS, int(np.log2(max(2, min(shape)) / 4)) + 1))


def _with_streaks(found: Floats, levels: int, streaks: Streaks | None, channel: int) -> Floats:
    """Give the noise variance (level, band) of a plane, of which streaks are a part, in units of its whole."""
    if not streaks or not len(found):
        return _band_variances(found, levels)
    even, theirs = found, streak_scales(streaks, len(found))
    for _ in range(4):  # what is streaks' and what is not depend on each other
        more = over_even(streaks, channel, noise_model.power(noise_model.kernel_of(even)))
        even = np.sqrt(np.maximum(found**2 - more / (1 + more) * theirs, 0.05 * found**2))
    out = _band_variances(even, levels)
    return out + more / (1 + more) * wavelets.band_variances(spectrum(streaks, 256), levels)


def _band_variances(found: Floats, levels: int) -> Floats:
    """Give the noise variance (level, band) of a plane, from the standard deviations of its starlet planes, both in sigma.

    Bands: high across, high down, high both, and what halving the grid leaves (0 on the first level).
    """
    taps = noise_model.kernel_of(found)
    more = found / noise_model.scales(taps, len(found))  # what the kernel does not explain: sharpening, for one
    levels_more = [more[min(level, len(more) - 1)] ** 2 for level in range(levels)]
    out: Floats = _kernel_variances(taps, levels) * np.array(levels_more)[:, None]
    return out


def _kernel_variances(taps: Floats, levels: int) -> Floats:
    """Give the variance (level, band) of noise of a kernel whose pixels have 1."""
    row = np.convolve(taps, taps)
    row = row / row[len(row) // 2]
    out, gap, w = [], 1, wavelets.wavelet()
    for level in range(levels):
        low, high = wavelets.filtered(row, w.low, gap), wavelets.filtered(row, w.high, gap)
        middle = len(low) // 2, len(high) // 2
        left = 0.0
        if level:
            left = wavelets.left_by_halving(low)
        out.append([high[middle[1]] * low[middle[0]]] * 2 + [high[middle[1]] ** 2, left])
        row, gap = (low[middle[0] % 2 :: 2], 2) if level else (low, 2)
    return np.array(out)


def _inverse_variances(noise_map: Plane | None, levels: int) -> list[Plane | None]:
    """Give one over the squared noise map for the grid of the first levels and of each halved one."""
    if noise_map is None:
        return [None] * levels
    import cv2

    square: Plane = np.square(noise_map)
    out: list[Plane | None] = []
    for _ in range(levels):
        out.append(np.reciprocal(np.maximum(square, np.float32(1e-6))))
        half = ((square.shape[1] + 1) // 2, (square.shape[0] + 1) // 2)
        square = np.asarray(cv2.resize(square, half, interpolation=cv2.INTER_AREA), np.float32)
    return out


def _denoise_plane(plane: Plane, variances: list[list[float]], shares: list[Share], inverse: list[Plane | None]) -> Plane:
    """Reduce the noise of one plane in units of its noise."""
    first = _descend([plane], variances, shares, inverse, 0)
    return _descend([plane, first], variances, shares, inverse, 0)


def _descend(
    planes: list[Plane], variances: list[list[float]], shares: list[Share], inverse: list[Plane | None], stage: int
) -> Plane:
    """Shrink the first of ``planes`` from this stage on; a second, where given, is the pilot."""
    shape = planes[0].shape
    gaps = (1, 2)[: len(variances)] if stage == 0 else (2,)
    here, rest = variances[: len(gaps)], variances[len(gaps) :]
    mixed, further = shares[: len(gaps)], shares[len(gaps) :]
    halved = [np.empty(((shape[0] + 1) // 2, (shape[1] + 1) // 2), np.float32) for _ in planes] if gaps[-1] == 2 else []
    out = np.empty(shape, np.float32)
    margin = _MARGINS[min(stage, 1)]

    def details(tile: tuple[slice, slice]) -> None:
        outer, inner = _around(tile, shape, margin)
        weights = inverse[stage]
        weights = None if weights is None else weights[outer]
        calm, lows = _shrink_tile([p[outer] for p in planes], gaps, here, mixed, weights, stage)
        out[tile] = calm[inner]
        for low, half in zip(lows, halved, strict=True):
            half[_half(tile)] = low[_half(inner)]

    over(details, list(_tiles(shape)))
    if not halved:
        return out
    coarse = _descend(halved, rest, further, inverse, stage + 1) if rest else halved[0]

    def light(tile: tuple[slice, slice]) -> None:
        outer, inner = _around(tile, shape, margin)
        raised = wavelets.between(coarse[_half(outer)], (outer[0].stop - outer[0].start, outer[1].stop - outer[1].start))
        for gap in reversed(gaps):
            raised = wavelets.smooth_back(raised, gap)
        out[tile] += raised[inner]

    over(light, list(_tiles(shape)))
    return out


def _tiles(shape: tuple[int, ...]) -> Iterator[tuple[slice, slice]]:
    """Cut a plane into tiles that start at even rows and columns."""
    for y in range(0, shape[0], _TILE):
        for x in range(0, shape[1], _TILE):
            yield slice(y, min(y + _TILE, shape[0])), slice(x, min(x + _TILE, shape[1]))


def _around(tile: tuple[slice, slice], shape: tuple[int, ...], margin: int) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Give a tile with its margin, and where in that the tile lies."""
    outer = tuple(slice(max(0, s.start - margin), min(n, s.stop + margin)) for s, n in zip(tile, shape, strict=True))
    inner = tuple(slice(s.start - o.start, s.stop - o.start) for s, o in zip(tile, outer, strict=True))
    return outer, inner  # type: ignore[return-value]


def _half(tile: tuple[slice, slice]) -> tuple[slice, slice]:
    """Give the place of a tile on the halved grid."""
    return slice(tile[0].start // 2, (tile[0].stop + 1) // 2), slice(tile[1].start // 2, (tile[1].stop + 1) // 2)


def _shrink_tile(
    tiles: list[Plane],
    gaps: tuple[int, ...],
    variances: list[list[float]],
    shares: list[Share],
    inverse: Plane | None,
    stage: int,
) -> tuple[Plane, list[Plane]]:
    """Take tiles (and their pilot) apart, shrink, and put the details together again: (details, lows on the halved grid)."""
    lows, kept = tiles, []
    for level, gap in enumerate(gaps):
        size = min(stage * 2 + level, 2) // 2
        parts = [wavelets.analyse(t, gap) for t in lows]
        kept.append(_shrink([list(p[1:]) for p in parts], variances[level][:3], inverse, size, shares[level]))
        lows = [p[0] for p in parts]
    halves: list[Plane] = []
    if gaps[-1] == 2:
        halves = [np.ascontiguousarray(t[::2, ::2]) for t in lows]
        left = [[t - wavelets.between(h, t.shape)] for t, h in zip(lows, halves, strict=True)]
        calm = _shrink(left, variances[-1][3:], inverse, 2, shares[-1])[0]
    else:  # too small for more: the rest stays as it is
        calm = lows[0]
    for gap, bands in zip(reversed(gaps), reversed(kept), strict=True):
        calm = wavelets.join(calm, bands, gap)
    return calm, halves


def _shrink(
    parts: list[list[Plane]], variances: list[float], inverse: Plane | None, size: int, share: Share = _SECOND
) -> list[Plane]:
    """Shrink the bands of one level: by their own energy, or by that of the pilot's bands, the second of ``parts``."""
    if len(parts) == 1:
        return [_by_own_energy(band, variance, inverse, size) for band, variance in zip(parts[0], variances, strict=True)]
    ratios = [
        _ratio(np.square(band), variance, inverse, _PILOT[size]) for band, variance in zip(parts[1], variances, strict=True)
    ]
    if len(ratios) > 1:  # where one direction holds structure the others are likelier to, too
        together = sum(ratios[1:], ratios[0])
        together *= np.float32(1 / len(ratios))
        for ratio in ratios:
            ratio *= together
            np.sqrt(ratio, out=ratio)
    return [
        _guided(band, pilot, ratio, _faint(np.square(band), variance, inverse, _FAINT[size]), share)
        for band, pilot, ratio, variance in zip(*parts, ratios, variances, strict=True)
    ]


def _ratio(square: Plane, variance: float, inverse: Plane | None, n: int) -> Plane:
    """Give the mean energy of ``n`` x ``n`` pixels over that of the noise."""
    mean = _mean(square, n)
    mean *= np.float32(1 / max(variance, 1e-12))
    if inverse is not None:
        mean *= inverse
    return mean


def _mean(plane: Plane, n: int) -> Plane:
    """Give the mean over ``n`` x ``n`` pixels of what is not negative; running sums leave a trace below 0 beside bright light."""
    import cv2

    mean = np.asarray(cv2.boxFilter(plane, -1, (n, n), borderType=cv2.BORDER_REFLECT_101), np.float32)
    cv2.threshold(mean, 0.0, 0.0, cv2.THRESH_TOZERO, dst=mean)
    return mean


def _faint(square: Plane, variance: float, inverse: Plane | None, n: int) -> Plane:
    """Give the ratio of light to noise of faint texture, 0 where there is none to be sure of.

    The mean of a normal variable's square, cut at 3, is 0.858 and rises by 0.608 of what is added to its variance; the
    fraction follows it as far as it matters. ``square`` is used up.
    """
    import cv2

    square *= np.float32(1 / max(variance, 1e-12))
    if inverse is not None:
        square *= inverse
    cv2.threshold(square, _CAP, 0.0, cv2.THRESH_TRUNC, dst=square)
    mean = _mean(square, n)
    room = np.float32(_CAP + 1e-3) - mean
    mean -= np.float32(0.8582)
    mean *= np.float32((_CAP - 0.8582) / 0.6084)
    mean /= room
    mean -= np.float32(_SURE)
    cv2.threshold(mean, 0.0, 0.0, cv2.THRESH_TOZERO, dst=mean)
    return mean


def _by_own_energy(band: Plane, variance: float, inverse: Plane | None, size: int) -> Plane:
    """Shrink a band by the energy round every coefficient."""
    import cv2

    square: Plane = np.square(band)
    doubt = _ratio(square, variance, inverse, _WIDE[size])
    doubt -= np.float32(1)
    cv2.threshold(doubt, 0.0, 0.0, cv2.THRESH_TOZERO, dst=doubt)
    doubt *= np.float32(_TRUST)
    doubt += np.float32(1)
    np.divide(np.float32(_DOUBT), doubt, out=doubt)
    doubt += np.float32(1)
    gain = _ratio(square, variance, inverse, _NEAR[size])
    gain -= doubt
    cv2.threshold(gain, 0.0, 0.0, cv2.THRESH_TOZERO, dst=gain)
    np.add(gain, np.float32(1), out=doubt)
    gain /= doubt
    gain *= band
    return gain


def _guided(band: Plane, pilot: Plane, ratio: Plane, faint: Plane, share: Share) -> Plane:
    """Shrink a band where the ratio of light to noise is told, of clear structure and of faint texture; then mix by shares."""
    import cv2

    lifted = ratio + np.float32(_LIFT)
    ratio *= lifted
    cv2.max(ratio, faint, dst=ratio)  # both gains are x / (x + 1)
    np.add(ratio, np.float32(1), out=lifted)
    ratio /= lifted
    second = ratio * band
    if share == _SECOND:
        return second
    ratio *= np.float32(1 - sum(share))
    ratio += np.float32(share[0])
    ratio *= second
    if share[1]:
        _add_scaled(ratio, pilot, share[1])
    if share[2]:
        _add_scaled(ratio, band, share[2])
    return ratio


class _Level(NamedTuple):
    """What is known of the noise of one plane."""

    axis: Floats  # of the channels, whose noise is even and independent
    taps: list[Floats]  # by which it is correlated, channel by channel
    variances: Floats  # (level, band)
    factor: Floats  # (level): by how much more noise is reckoned with
    map: Plane | None


def _shares(plane: Plane, level: _Level, seed: int) -> list[Share]:
    """Give per level the shares of the results and of the noisy plane that leave the least error.

    What is best differs from picture to picture: sharp edges want the first result, texture that is nowhere clear some of
    the noisy plane. The error is expected without knowing the truth (Stein 1981, Ann. Statist. 9:1135), the change with the
    noise from a second run on slightly noisier tiles (Ramani, Blu & Unser 2008, IEEE TIP 17:1540), the shares as in
    Luisier, Blu & Unser 2007 (IEEE TIP 16:593). Tiles are taken from the smoothest to the most structured.
    """
    count, n = min(_MIXED, len(level.variances)), len(_SECOND)
    tiles = _samples(plane)
    if not tiles:
        return [_SECOND] * len(level.variances)
    found = over(lambda i: _normal(plane[tiles[i]], tiles[i], level, [seed, i]), range(len(tiles)))
    square, product = sum(f[0] for f in found), sum(f[1] for f in found)
    places = [slice(n * j, n * j + n) for j in range(count)]
    shares = np.tile(_SECOND, count)
    usual = _USUAL + 1e-12 * float(np.trace(square))  # a little towards what is usual, where the tiles tell nothing
    square = square + usual * np.eye(n * count)
    product = product + usual * shares
    for _ in range(_SWEEPS):
        for at in places:
            own = square[at, at]
            shares[at] = _least(own, product[at] - square[at] @ shares + own @ shares[at])
    mixed: list[Share] = [tuple(row) for row in shares.reshape(count, n).tolist()]
    return mixed + [_SECOND] * (len(level.variances) - count)


def _samples(plane: Plane) -> list[tuple[slice, slice]]:
    """Give tiles of a plane, evenly from the one with the least to the one with the most structure."""
    if min(plane.shape) < _SAMPLE // 2:
        return []
    sides = [min(_SAMPLE, n // 2 * 2) for n in plane.shape]
    starts = [np.linspace(0, n - side, n // side).astype(int) // 2 * 2 for n, side in zip(plane.shape, sides, strict=True)]
    tiles = [(slice(y, y + sides[0]), slice(x, x + sides[1])) for y in starts[0] for x in starts[1]]
    tiles.sort(key=lambda tile: float(plane[tile][::4, ::4].std()))
    return [tiles[i] for i in np.unique(np.linspace(0, len(tiles) - 1, min(_SAMPLES, len(tiles))).round().astype(int))]


def _normal(tile: Plane, place: tuple[slice, slice], level: _Level, seed: list[int]) -> tuple[Floats, Floats]:
    """Give what a tile adds to the normal equations of the shares: products of the parts, and of the parts with the truth."""
    here = None if level.map is None else level.map[place]
    probe = _probe(tile.shape, here, level, seed)
    count = min(_MIXED, len(level.variances))
    inverse = _inverse_variances(here, len(level.variances))
    variances = (level.variances * (level.factor**2)[:, None]).tolist()
    now, kept = _parts(tile, variances, inverse, count)
    then, _ = _parts(tile + np.float32(_NUDGE) * probe, variances, inverse, count)
    part = np.array([_alone(kind, j).ravel() for j in range(count) for kind in now], np.float64)
    moved = [
        [[b - a for a, b in zip(*rows, strict=True)] for rows in zip(*kinds, strict=True)]
        for kinds in zip(now, then, strict=True)
    ]
    change = [float((_alone(kind, j) * probe).sum(dtype=np.float64)) for j in range(count) for kind in moved]
    # what the noisy plane itself holds is trusted a little less: an error in the noise would all come back with it
    doubt = np.ravel([[min(1.0, f**2), _CHANCE * min(1.0, f**2), w * f**2] for f, w in zip(level.factor, _WARY, strict=False)])
    return part @ part.T, part @ (tile - kept).ravel().astype(np.float64) - doubt * np.array(change) / _NUDGE


def _alone(levels: list[list[Plane]], j: int) -> Plane:
    """Give what the bands of one level make of the plane."""
    plane = wavelets.join(np.zeros_like(levels[j][0]) if j == 0 else levels[j][3], levels[j][:3], 1 if j == 0 else 2)
    for i in range(j - 1, -1, -1):
        if i:
            plane = wavelets.between(plane, levels[i][0].shape)
        plane = wavelets.smooth_back(plane, 1 if i == 0 else 2)
    return plane


def _probe(shape: tuple[int, ...], noise_map: Plane | None, level: _Level, seed: list[int]) -> Plane:
    """Give noise like that of the plane."""
    random, out, plain = np.random.default_rng(seed), np.zeros(shape, np.float32), np.zeros(level.variances.shape)
    for taps, a in zip(level.taps, level.axis, strict=True):
        taps = taps / np.sqrt(taps @ taps)
        wide = random.standard_normal([n + len(taps) - 1 for n in shape], np.float32)
        edge = len(taps) // 2
        rows = wavelets.down_columns(wavelets.across_rows(wide, taps, 1), taps, 1)
        _add_scaled(out, rows[edge : edge + shape[0], edge : edge + shape[1]], float(a))
        plain += a**2 * _kernel_variances(taps, len(plain))
    bands, low = _apart(out, len(plain))  # streaks, and what no kernel explains
    for j, row in enumerate(bands):
        for band, true, made in zip(row, level.variances[j], plain[j], strict=False):
            band *= np.float32(np.sqrt(true / max(made, 1e-12)))
    out = _together(bands, low)
    if noise_map is not None:
        out *= noise_map
    return out


def _least(square: Floats, product: Floats) -> Floats:
    """Give x >= 0 with sum at most 1 that makes x square x / 2 - product x least."""
    best, least = np.zeros(len(product)), 0.0
    for many in range(1, len(product) + 1):
        for some in itertools.combinations(range(len(product)), many):
            own = square[np.ix_(some, some)]
            x, one = np.linalg.solve(own, np.array([product[list(some)], np.ones(many)]).T).T
            if x.sum() > 1:
                x = x - one * (x.sum() - 1) / one.sum()
            cost = float(x @ own @ x / 2 - product[list(some)] @ x)
            if cost < least and (x >= 0).all():
                best, least = np.zeros(len(product)), cost
                best[list(some)] = x
    return best


def _parts(
    plane: Plane, variances: list[list[float]], inverse: list[Plane | None], count: int
) -> tuple[list[list[list[Plane]]], Plane]:
    """Give what is mixed on so many levels, as bands in the order of a share, and the plane that is left where shares are 0."""

    def calmed(*sets: list[list[Plane]]) -> list[list[Plane]]:
        out = []
        for j in range(len(variances)):
            weights = inverse[max(0, j - 1)]
            bands = _shrink([s[j][:3] for s in sets], variances[j][:3], weights, int(j > 1))
            out.append(bands + (_shrink([s[j][3:] for s in sets], variances[j][3:], weights, 2) if j else []))
        return out

    noisy, low = _apart(plane, len(variances))
    pilot = _apart(_together(calmed(noisy), low), len(variances))[0]
    second = calmed(noisy, pilot)
    clear = [[_clear(b, a) for a, b in zip(*rows, strict=True)] for rows in zip(noisy[:count], second[:count], strict=True)]
    mixed = [
        [[b - c for b, c in zip(*rows, strict=True)] for rows in zip(kind[:count], clear, strict=True)]
        for kind in (second, pilot, noisy)
    ]
    return mixed, _together(clear + second[count:], low)


def _clear(second: Plane, noisy: Plane) -> Plane:
    """Give what stays of a second result whatever the shares: see :func:`_guided`."""
    gain = np.divide(second, noisy, out=np.zeros_like(noisy), where=noisy != 0)
    gain *= second
    return gain


def _apart(plane: Plane, levels: int) -> tuple[list[list[Plane]], Plane]:
    """Take a small plane apart as a whole: bands per level (with what halving leaves), and what is coarser."""
    out, low = [], plane
    for j in range(levels):
        low, *bands = wavelets.analyse(low, 1 if j == 0 else 2)
        if j:
            half = np.ascontiguousarray(low[::2, ::2])
            bands.append(low - wavelets.between(half, low.shape))
            low = half
        out.append(bands)
    return out, low


def _together(levels: list[list[Plane]], low: Plane) -> Plane:
    """Put together what :func:`_apart` took apart."""
    for j in range(len(levels) - 1, -1, -1):
        bands = levels[j]
        if j:
            low = wavelets.between(low, bands[3].shape) + bands[3]
        low = wavelets.join(low, bands[:3], 1 if j == 0 else 2)
    return low


def only(part: str, before: Planes, after: Planes) -> Planes:
    """Give planes of which only the "brightness" (mean of the channels) or the "colour" (what differs from it) has changed."""
    change = after - before
    mean = change.mean(0, keepdims=True)
    out: Planes = before + (mean if part == "brightness" else change - mean)
    return out
