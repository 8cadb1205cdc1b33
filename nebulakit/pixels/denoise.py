"""Wavelet noise reduction against a known noise: an undecimated wavelet, shrunk locally, twice.

Each plane is taken apart by the biorthogonal 9/7 wavelet without decimation (Cohen, Daubechies & Feauveau 1992, CPAM
45:485; Starck & Murtagh 2006), from the third level on a halved grid; what the halving cannot hold is a band of its own.
A first pass shrinks every coefficient by how far the energy round it stands above the noise of its band (Mihcak, Kozintsev,
Ramchandran & Moulin 1999, IEEE SPL 6:300). A second pass shrinks the untouched coefficients again, by the energy of the
first result's (empirical Wiener filter, Ghael, Sayeed & Baraniuk 1997, Proc. SPIE 3169:389). Planes of several channels
are first turned so that light gathers in the first of them while noise stays even and independent.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

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


def decide_denoise(
    planes: Planes,
    noise: Noise,
    strength: float = 1.0,
    by_scale: tuple[float, ...] = (1.0,) * LEVELS,
    streaks: Streaks | None = None,
) -> dict[str, Any]:
    """Find what :func:`apply_denoise` needs: the axes of colour and the noise variance of every band.

    ``planes`` (channel, y, x) without NaN. ``strength`` multiplies the noise that is reckoned with, ``by_scale`` the same
    level by level. ``streaks`` are part of the noise, and fall into some bands more than into others.
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
    bands = np.einsum("kc,clb->klb", axes**2, white) * (factor**2)[None, :, None]
    return {"sigma": sigma.tolist(), "axes": axes.tolist(), "variances": bands.tolist()}


def apply_denoise(planes: Planes, values: dict[str, Any], noise_map: Plane | None = None) -> Planes:
    """Reduce the noise of planes (channel, y, x) without NaN; ``noise_map`` (y, x) is the noise relative to sigma."""
    sigma = np.asarray(values["sigma"], np.float32)
    axes = np.asarray(values["axes"], np.float32)
    inverse = _inverse_variances(noise_map, len(values["variances"][0]))
    into, back = axes / sigma, sigma[:, None] * axes.T
    out: Planes = np.empty_like(planes)
    for k, variances in enumerate(values["variances"]):
        calm = _denoise_plane(_mix(planes, into[k]), variances, inverse)
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
    row = np.convolve(taps, taps)
    row = row / row[len(row) // 2]
    out, gap, w = [], 1, wavelets.wavelet()
    for level in range(levels):
        low, high = wavelets.filtered(row, w.low, gap), wavelets.filtered(row, w.high, gap)
        middle = len(low) // 2, len(high) // 2
        left = 0.0
        if level:
            left = wavelets.left_by_halving(low)
        bands = np.array([high[middle[1]] * low[middle[0]]] * 2 + [high[middle[1]] ** 2, left])
        out.append(bands * more[min(level, len(more) - 1)] ** 2)
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


def _denoise_plane(plane: Plane, variances: list[list[float]], inverse: list[Plane | None]) -> Plane:
    """Reduce the noise of one plane in units of its noise."""
    first = _descend([plane], variances, inverse, 0)
    return _descend([plane, first], variances, inverse, 0)


def _descend(planes: list[Plane], variances: list[list[float]], inverse: list[Plane | None], stage: int) -> Plane:
    """Shrink the first of ``planes`` from this stage on; a second, where given, is the pilot."""
    shape = planes[0].shape
    gaps = (1, 2)[: len(variances)] if stage == 0 else (2,)
    here, rest = variances[: len(gaps)], variances[len(gaps) :]
    halved = [np.empty(((shape[0] + 1) // 2, (shape[1] + 1) // 2), np.float32) for _ in planes] if gaps[-1] == 2 else []
    out = np.empty(shape, np.float32)
    margin = _MARGINS[min(stage, 1)]

    def details(tile: tuple[slice, slice]) -> None:
        outer, inner = _around(tile, shape, margin)
        weights = inverse[stage]
        calm, lows = _shrink_tile([p[outer] for p in planes], gaps, here, None if weights is None else weights[outer], stage)
        out[tile] = calm[inner]
        for low, half in zip(lows, halved, strict=True):
            half[_half(tile)] = low[_half(inner)]

    over(details, list(_tiles(shape)))
    if not halved:
        return out
    coarse = _descend(halved, rest, inverse, stage + 1) if rest else halved[0]

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
    tiles: list[Plane], gaps: tuple[int, ...], variances: list[list[float]], inverse: Plane | None, stage: int
) -> tuple[Plane, list[Plane]]:
    """Take tiles (and their pilot) apart, shrink, and put the details together again: (details, lows on the halved grid)."""
    lows, kept = tiles, []
    for level, gap in enumerate(gaps):
        size = min(stage * 2 + level, 2) // 2
        parts = [wavelets.analyse(t, gap) for t in lows]
        kept.append(_shrink([list(p[1:]) for p in parts], variances[level][:3], inverse, size))
        lows = [p[0] for p in parts]
    halves: list[Plane] = []
    if gaps[-1] == 2:
        halves = [np.ascontiguousarray(t[::2, ::2]) for t in lows]
        left = [[t - wavelets.between(h, t.shape)] for t, h in zip(lows, halves, strict=True)]
        calm = _shrink(left, variances[-1][3:], inverse, 2)[0]
    else:  # too small for more: the rest stays as it is
        calm = lows[0]
    for gap, bands in zip(reversed(gaps), reversed(kept), strict=True):
        calm = wavelets.join(calm, bands, gap)
    return calm, halves


def _shrink(parts: list[list[Plane]], variances: list[float], inverse: Plane | None, size: int) -> list[Plane]:
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
        _guided(band, ratio, _faint(np.square(band), variance, inverse, _FAINT[size]))
        for band, ratio, variance in zip(parts[0], ratios, variances, strict=True)
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


def _guided(band: Plane, ratio: Plane, faint: Plane) -> Plane:
    """Shrink a band where the ratio of light to noise is told, of clear structure and of faint texture."""
    import cv2

    lifted = ratio + np.float32(_LIFT)
    ratio *= lifted
    cv2.max(ratio, faint, dst=ratio)  # both gains are x / (x + 1)
    np.add(ratio, np.float32(1), out=lifted)
    ratio /= lifted
    ratio *= band
    return ratio


def only(part: str, before: Planes, after: Planes) -> Planes:
    """Give planes of which only the "brightness" (mean of the channels) or the "colour" (what differs from it) has changed."""
    change = after - before
    mean = change.mean(0, keepdims=True)
    out: Planes = before + (mean if part == "brightness" else change - mean)
    return out
