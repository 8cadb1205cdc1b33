"""The undecimated biorthogonal 9/7 wavelet, level by level, and what it makes of noise.

Source: Cohen, Daubechies & Feauveau 1992, CPAM 45:485; undecimated as in Starck & Murtagh 2006. The filters are symmetric
and of odd length, so that mirrored borders are exact.
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]


class Wavelet(NamedTuple):
    """Filters with sum 1 (low) and 0 (high): undecimated, low * back + high * high_back gives the plane again."""

    low: Floats
    high: Floats
    back: Floats
    high_back: Floats


@functools.cache
def wavelet() -> Wavelet:
    """Give the biorthogonal 9/7 filters; symmetric and of odd length, so that mirrored borders are exact."""
    import pywt

    filters = pywt.Wavelet("bior4.4")
    out = []
    for taps in (filters.dec_lo, filters.dec_hi, filters.rec_lo, filters.rec_hi):
        there = np.flatnonzero(np.abs(taps) > 1e-12)
        out.append(np.asarray(taps)[there[0] : there[-1] + 1] / np.sqrt(2))
    return Wavelet(*out)


# Between the points of a halved grid: six-point interpolation (Deslauriers & Dubuc 1989, Constr. Approx. 5:49).
_BETWEEN = np.array([3, 0, -25, 0, 150, 256, 150, 0, -25, 0, 3]) / 256


def analyse(plane: Plane, gap: int) -> tuple[Plane, Plane, Plane, Plane]:
    """Take a plane apart: low both ways; high across; high down; high both ways."""
    w = wavelet()
    low, high = across_rows(plane, w.low, gap), across_rows(plane, w.high, gap)
    return (
        down_columns(low, w.low, gap),
        down_columns(high, w.low, gap),
        down_columns(low, w.high, gap),
        down_columns(high, w.high, gap),
    )


def join(low: Plane, bands: list[Plane], gap: int) -> Plane:
    """Put together what :func:`analyse` took apart."""
    w = wavelet()
    left = down_columns(low, w.back, gap)
    left += down_columns(bands[1], w.high_back, gap)
    right = down_columns(bands[0], w.back, gap)
    right += down_columns(bands[2], w.high_back, gap)
    out = across_rows(left, w.back, gap)
    out += across_rows(right, w.high_back, gap)
    return out


def level_apart(plane: Plane, gap: int) -> tuple[Plane, list[Plane]]:
    """Take one level off a plane: (low, bands); with a gap of 2 low is halved, and what that cannot hold is a fourth band."""
    low, *bands = analyse(plane, gap)
    if gap == 1:
        return low, bands
    half = np.ascontiguousarray(low[::2, ::2])
    low -= between(half, low.shape)
    return half, [*bands, low]


def level_back(low: Plane | None, bands: list[Plane], gap: int) -> Plane:
    """Put together what :func:`level_apart` took apart; without ``low``, what the bands alone make of the plane."""
    if gap == 2:
        low = bands[3] if low is None else between(low, bands[3].shape) + bands[3]
    elif low is None:
        low = np.zeros_like(bands[0])
    return join(low, bands[:3], gap)


def apart(plane: Plane, levels: int) -> tuple[Plane, list[list[Plane]]]:
    """Take a plane apart: (low, bands of each level), halved from the second level on."""
    out, low = [], plane
    for level in range(levels):
        low, bands = level_apart(low, 2 if level else 1)
        out.append(bands)
    return low, out


def together(low: Plane, levels: list[list[Plane]]) -> Plane:
    """Put together what :func:`apart` took apart."""
    for level in reversed(range(len(levels))):
        low = level_back(low, levels[level], 2 if level else 1)
    return low


def smooth_back(low: Plane, gap: int) -> Plane:
    """Put a plane together that has no bands."""
    back = wavelet().back
    return across_rows(down_columns(low, back, gap), back, gap)


def across_rows(plane: Plane, taps: Floats, gap: int) -> Plane:
    """Filter along rows with ``gap - 1`` zeros between the taps (which this routine does not pay for); mirror borders."""
    import cv2

    return cv2.filter2D(plane, -1, _spread(taps.tobytes(), gap)[None], borderType=cv2.BORDER_REFLECT_101)  # type: ignore[return-value]


def down_columns(plane: Plane, taps: Floats, gap: int) -> Plane:
    """Filter along columns, as :func:`across_rows` does along rows."""
    import cv2

    return cv2.filter2D(plane, -1, _spread(taps.tobytes(), gap)[:, None], borderType=cv2.BORDER_REFLECT_101)  # type: ignore[return-value]


@functools.cache
def _spread(taps: bytes, gap: int) -> npt.NDArray[np.float32]:
    """Put zeros between taps."""
    dense = np.frombuffer(taps)
    spread = np.zeros((len(dense) - 1) * gap + 1, np.float32)
    spread[::gap] = dense
    return spread


def between(half: Plane, shape: tuple[int, ...]) -> Plane:
    """Bring a plane of every other row and column back to all of them, by interpolation."""
    wide: Plane = np.zeros(shape, np.float32)
    wide[::2, ::2] = half
    return down_columns(across_rows(wide, _BETWEEN, 1), _BETWEEN, 1)


def _filtered(row: Floats, taps: Floats, gap: int) -> Floats:
    """Give the autocorrelation of noise after a filter with ``gap - 1`` zeros between the taps."""
    spread = np.zeros((len(taps) - 1) * gap + 1)
    spread[::gap] = taps
    return np.convolve(np.convolve(row, spread), spread)


def _left_by_halving(row: Floats) -> float:
    """Give the mean variance of a plane less what interpolation makes of every other row and column of it."""
    place = np.array([-5, -3, -1, 1, 3, 5])
    taps = _BETWEEN[place + 5]
    wide = np.pad(row, 12)
    middle = len(wide) // 2
    own, cross = wide[middle], taps @ wide[middle + place]
    made = taps @ wide[middle + place[:, None] - place] @ taps
    one_way = own * own - 2 * cross * own + made * own
    both_ways = own * own - 2 * cross * cross + made * made
    return float((2 * one_way + both_ways) / 4)


def kernel_variances(taps: Floats, levels: int) -> Floats:
    """Give the variance (level, band) of noise of a kernel whose pixels have 1; bands as in :func:`level_apart`."""
    row = np.convolve(taps, taps)
    row = row / row[len(row) // 2]
    out, gap, w = [], 1, wavelet()
    for level in range(levels):
        low, high = _filtered(row, w.low, gap), _filtered(row, w.high, gap)
        middle = len(low) // 2, len(high) // 2
        left = 0.0
        if level:
            left = _left_by_halving(low)
        out.append([high[middle[1]] * low[middle[0]]] * 2 + [high[middle[1]] ** 2, left])
        row, gap = (low[middle[0] % 2 :: 2], 2) if level else (low, 2)
    return np.array(out)


def band_variances(power: Floats, levels: int) -> Floats:
    """Give the variance (level, band) in the bands of noise of any power over frequency (n, n); bands as in :func:`analyse`.

    A fourth band, what halving the grid leaves, is taken as the same share of the level's others as of white noise: little.
    """
    w, n = wavelet(), len(power)
    low, out, gap = np.ones((n, n)), [], 1
    for level in range(levels):
        sides = []
        for taps in (w.low, w.high):
            wrapped = np.zeros(n)
            np.add.at(wrapped, (np.arange(len(taps)) - len(taps) // 2) * gap % n, taps)
            sides.append(np.abs(np.fft.fft(wrapped)) ** 2)
        bands = [float((low * np.outer(sides[down], sides[across]) * power).mean()) for across, down in ((1, 0), (0, 1), (1, 1))]
        out.append([*bands, 0.0125 * sum(bands) if level else 0.0])
        low = low * np.outer(sides[0], sides[0])
        gap *= 2
    return np.array(out)
