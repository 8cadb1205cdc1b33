"""Wavelet noise reduction against a known noise: an undecimated wavelet, shrunk locally, twice.

Each plane is taken apart by the biorthogonal 9/7 wavelet without decimation (Cohen, Daubechies & Feauveau 1992, CPAM
45:485; Starck & Murtagh 2006), from the third level on a halved grid; what the halving cannot hold is a band of its own.
A first pass shrinks every coefficient by how far the energy round it stands above the noise of its band (Mihcak, Kozintsev,
Ramchandran & Moulin 1999, IEEE SPL 6:300). A second pass shrinks the untouched coefficients again, by the energy of the
first result's (empirical Wiener filter, Ghael, Sayeed & Baraniuk 1997, Proc. SPIE 3169:389; both in ``shrinkage.py``).
Level by level these results and the noisy plane are mixed so that the least error is to be expected (``denoise_shares.py``).
Planes of several channels are first turned so that light gathers in the first of them while noise stays even and
independent.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import noise_model, wavelets
from nebulakit.pixels.denoise_shares import SIDE, find_shares
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.shrinkage import Share, inverse_variances, shrink
from nebulakit.pixels.streaks import Streaks, over_even, spectrum, streak_scales

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LEVELS = 6  # structure of about 1, 2, 4, 8, 16, 32 px

_TILE = 512  # px: few enough that what is in work stays in the processor's cache
_MARGINS = (48, 28)  # how far a value depends on others: on the finest two levels together, on one level after them


def decide_denoise(
    planes: Planes,
    noise: Noise,
    strength: float = 1.0,
    by_scale: tuple[float, ...] = (1.0,) * LEVELS,
    streaks: Streaks | None = None,
    seed: int = 0,
) -> dict[str, Any]:
    """Find what :func:`apply_denoise` needs: the axes of colour, the noise variance of every band, the shares of results.

    ``planes`` (channel, y, x) without NaN. ``strength`` multiplies the noise that is reckoned with, ``by_scale`` the same
    level by level. ``streaks`` are part of the noise, and fall into some bands more than into others. ``seed`` is that of
    the noise by which shares are found.
    """
    sigma = np.asarray(noise.sigma, float)
    axes = _axes(planes, sigma)
    levels = _levels(planes.shape[1:])
    each = [_bands(np.asarray(row) / s, levels, streaks, c) for c, (row, s) in enumerate(zip(noise.scales, sigma, strict=True))]
    factor = strength * np.array([by_scale[min(j, len(by_scale) - 1)] for j in range(levels)])
    variances = np.einsum("kc,clb->klb", axes**2, np.array([v for v, _ in each])) * (factor**2)[None, :, None]
    powers = np.einsum("kc,cyx->kyx", axes**2, np.array([p for _, p in each]))
    shares = [
        find_shares(_mix(planes, (axis / sigma).astype(np.float32)), rows.tolist(), power, factor, noise.map, seed)
        for axis, rows, power in zip(axes, variances, powers, strict=True)
    ]
    return {"sigma": sigma.tolist(), "axes": axes.tolist(), "variances": variances.tolist(), "shares": shares}


def apply_denoise(planes: Planes, values: dict[str, Any], noise_map: Plane | None = None) -> Planes:
    """Reduce the noise of planes (channel, y, x) without NaN; ``noise_map`` (y, x) is the noise relative to sigma."""
    sigma = np.asarray(values["sigma"], np.float32)
    axes = np.asarray(values["axes"], np.float32)
    inverse = inverse_variances(noise_map, len(values["variances"][0]))
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


def _bands(found: Floats, levels: int, streaks: Streaks | None, channel: int) -> tuple[Floats, Floats]:
    """Give the noise of a plane, of which streaks are a part, in units of its whole: variance (level, band), power (n, n)."""
    if not streaks or not len(found):
        return _band_variances(found, levels), noise_model.power(noise_model.kernel_of(found), SIDE)
    even, theirs = found, streak_scales(streaks, len(found))
    for _ in range(4):  # what is streaks' and what is not depend on each other
        more = over_even(streaks, channel, noise_model.power(noise_model.kernel_of(even)))
        share = more / (1 + more)
        even = np.sqrt(np.maximum(found**2 - share * theirs, 0.05 * found**2))
    return (
        _band_variances(even, levels) + share * wavelets.band_variances(spectrum(streaks, 256), levels),
        (1 - share) * noise_model.power(noise_model.kernel_of(even), SIDE) + share * spectrum(streaks, SIDE),
    )


def _band_variances(found: Floats, levels: int) -> Floats:
    """Give the noise variance (level, band) of a plane, from the standard deviations of its starlet planes, both in sigma.

    Bands: high across, high down, high both, and what halving the grid leaves (0 on the first level).
    """
    taps = noise_model.kernel_of(found)
    more = found / noise_model.scales(taps, len(found))  # what the kernel does not explain: sharpening, for one
    levels_more = [more[min(level, len(more) - 1)] ** 2 for level in range(levels)]
    out: Floats = wavelets.kernel_variances(taps, levels) * np.array(levels_more)[:, None]
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
        parts = [wavelets.level_apart(low, gap) for low in lows]
        lows = [low for low, _ in parts]
        kept.append(shrink([bands for _, bands in parts], variances[level], inverse, 2 * stage + level, shares[level]))
    halves = lows if gaps[-1] == 2 else []
    calm = None if halves else lows[0]  # too small for more: the rest stays as it is
    for gap, bands in zip(reversed(gaps), reversed(kept), strict=True):
        calm = wavelets.level_back(calm, bands, gap)
    assert calm is not None
    return calm, halves


def only(part: str, before: Planes, after: Planes) -> Planes:
    """Give planes of which only the "brightness" (mean of the channels) or the "colour" (what differs from it) has changed."""
    change = after - before
    mean = change.mean(0, keepdims=True)
    out: Planes = before + (mean if part == "brightness" else change - mean)
    return out
