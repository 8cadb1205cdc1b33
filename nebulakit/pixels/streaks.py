"""Noise that runs in streaks: what a sensor's fixed pattern leaves in a stack whose frames drifted without dither.

The noise of a stack is alike among near neighbours, whichever way they lie. Streaks make far pixels alike, in one
direction. They are found in the autocorrelation of the finest differences (where hardly any light is left), taken block by
block and its median over the blocks, along rays of every direction beyond the reach of any resampling.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import noise_model
from nebulakit.pixels.median import median
from nebulakit.pixels.noise_blocks import FEWEST_BLOCKS, Blocks, Grid, choose_blocks, every_other, patches_of
from nebulakit.pixels.parallel import over

Planes = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_NEAR, _FAR = (5, 9), (10, 15)  # px: along the rays
_LENGTHS, _BLURS = (4.0, 6.0, 9.0, 13.0, 18.0, 26.0, 38.0), (0.0, 0.4, 0.5, 0.6, 0.75, 0.9)
_LEAST = 0.006  # share of the fine noise: less than this is not told from chance and from edges of the nebula
_CLEAR = 7.0  # by so many of their deviations the best ray must stand out of the others


class Streaks(NamedTuple):
    """Streaks: direction from +x towards +y in degrees, over how many px they stay alike, how blurred, and how strong.

    ``share``: per channel the part of the variance of the finest differences that is theirs; all 0 where there are none.
    """

    angle: float
    length: float
    blur: float  # px: of the Gaussian that resampling left on them
    share: tuple[float, ...]

    def __bool__(self) -> bool:
        """Whether there are any."""
        return any(s > 0 for s in self.share)


def measure_streaks(
    planes: Planes,
    coverage: npt.NDArray[np.float32] | None = None,
    chosen: tuple[Grid, npt.NDArray[np.bool_], bool] | None = None,
) -> Streaks:
    """Find streaks in planes (channel, y, x); NaN and what has no coverage is left out.

    ``chosen``: what :func:`choose_blocks` gives, where it is known.

    >>> bool(measure_streaks(np.random.default_rng(1).standard_normal((1, 200, 200)).astype(np.float32)))
    False
    """
    grid, there, gaps = chosen or choose_blocks(planes, coverage)
    none = Streaks(0.0, 0.0, 0.0, (0.0,) * len(planes))
    if gaps or grid.margin < 14 or there.sum() < FEWEST_BLOCKS:
        return none
    thinner, there = every_other(grid, there)
    alike = np.array(over(lambda p: _autocorrelation(p, thinner, there), planes))
    angles = np.arange(0.0, 180.0, 3.0)
    together = median(alike, axis=0) if len(planes) > 2 else alike.mean(0)
    rays = np.array([_along(together, a, _NEAR) for a in angles])
    best = int(rays.argmax())
    others = rays[np.abs((angles - angles[best] + 90) % 180 - 90) > 15]
    middle = float(median(others))
    spread = 1.4826 * float(median(np.abs(others - middle)))
    if not rays[best] - middle > max(_LEAST, _CLEAR * spread):
        return none
    close = angles[best] + np.arange(-3.0, 3.1, 0.5)
    angle = float(close[int(np.argmax([_along(together, a, (_NEAR[0], _FAR[1])) for a in close]))] % 180)
    length, blur, weights = _shape(together - middle, angle)
    if length == _LENGTHS[0]:  # that short, or shorter: many oval stars look like it
        return none
    share = [float(np.clip((weights * (a - middle)).sum(), 0.0, 0.9)) for a in alike]
    return Streaks(angle, length, blur, tuple(share))


def _shape(lags: Floats, angle: float) -> tuple[float, float, Floats]:
    """Find length and blur of streaks by the lags beyond the other noise's reach, and the weights that give their share."""
    reach = len(lags) // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    turn = np.deg2rad(angle)
    along, beside = np.abs(x * np.cos(turn) + y * np.sin(turn)), np.abs(y * np.cos(turn) - x * np.sin(turn))
    use = (along >= _NEAR[0]) & (along < _FAR[1]) & (beside <= 3)
    best: tuple[float, float, float, Floats] = (np.inf, _LENGTHS[0], 0.0, np.zeros_like(lags))
    for length in _LENGTHS:
        for blur in _BLURS:
            power = fine_power(96) * spectrum(Streaks(angle, length, blur, ()), 96)
            expected = np.roll(np.fft.ifft2(power).real, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
            expected = np.where(use, expected / power.mean(), 0)
            weights = expected / (expected**2).sum()
            off = float(((lags - (weights * lags).sum() * expected)[use] ** 2).sum())
            if off < best[0]:
                best = (off, length, blur, weights)
    return best[1:]


def spectrum(streaks: Streaks, n: int) -> Floats:
    """Give the power (n, n) of streaks over frequency, mean 1."""
    f = np.fft.fftfreq(n)
    turn = np.deg2rad(streaks.angle)
    along = f * np.cos(turn) + f[:, None] * np.sin(turn)
    power: Floats = np.exp(-2 * (np.pi * streaks.length * along) ** 2) * noise_model.power(noise_model.kernel(streaks.blur), n)
    return power / float(power.mean())


def fine_power(n: int) -> Floats:
    """Give the power (n, n) that the differences used here let through."""
    f = 2 - 2 * np.cos(2 * np.pi * np.fft.fftfreq(n))
    return np.asarray((f + f[:, None]) ** 4)


def over_even(streaks: Streaks, channel: int, even: Floats) -> float:
    """Give the variance of a channel's streaks over that of its other noise, whose power (n, n) has mean 1."""
    share, fine = streaks.share[channel], fine_power(len(even))
    return float(share / (1 - share) * (fine * even).mean() / (fine * spectrum(streaks, len(even))).mean())


def streak_scales(streaks: Streaks, count: int) -> Floats:
    """Give the variance of starlet planes w_1.. of streaks whose pixels have 1."""
    power = spectrum(streaks, 256)
    low = noise_model.starlet_lows(256, count)
    return np.array([float(((a - b) ** 2 * power).mean()) for a, b in itertools.pairwise(low)])


def without(blocks: Blocks, streaks: Streaks, more: float, kernel: Floats) -> Blocks:
    """Take streaks of ``more`` times the variance of the other noise (of a kernel) out of what blocks hold."""
    bands = noise_model.band_powers()
    theirs = (bands * spectrum(streaks, bands.shape[1])).mean((1, 2))
    others = (bands * noise_model.power(kernel, bands.shape[1])).mean((1, 2))
    return blocks._replace(bands=blocks.bands / np.sqrt(1 + more * theirs / others)[:, None])


def _autocorrelation(plane: npt.NDArray[np.float32], grid: Grid, there: npt.NDArray[np.bool_]) -> Floats:
    """Give the median over blocks of the autocorrelation of their finest differences: (2 r + 1, 2 r + 1) lags."""
    import cv2

    blocks = patches_of(plane, grid)[there]
    side = blocks.shape[1]
    blocks -= median(blocks.reshape(len(blocks), -1)[:, ::7], axis=1)[:, None, None]
    once = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float32)
    twice = cv2.filter2D(np.pad(once, 1), -1, once, borderType=cv2.BORDER_CONSTANT) / 20
    fine = cv2.filter2D(np.ascontiguousarray(blocks.reshape(-1, side)), -1, twice).reshape(-1, side, side)[:, 2:-2, 2:-2]
    size = median(np.abs(fine.reshape(len(fine), -1)[:, ::3]), axis=1) * np.float32(1.4826)
    keep = (size > 0) & np.isfinite(size)
    reach = _FAR[1] + 1
    lags: Floats = np.zeros((2 * reach + 1, 2 * reach + 1))
    if not keep.any():
        return lags
    with np.errstate(over="ignore"):  # beside a noise that is hardly a number
        fine = fine[keep] / size[keep][:, None, None]
    fine[np.abs(fine) > 3.5] = 0  # stars
    n = 72  # 56 and a reach of 16
    power = np.abs(np.fft.rfft2(fine, (n, n))) ** 2
    found = np.roll(np.fft.irfft2(power, (n, n)), (reach, reach), (1, 2))[:, : 2 * reach + 1, : 2 * reach + 1]
    inside = fine.shape[1]
    overlap = inside - np.abs(np.arange(-reach, reach + 1))
    found = found / np.outer(overlap, overlap)
    return np.asarray(median(found / found[:, reach : reach + 1, reach : reach + 1], axis=0))


def _along(lags: Floats, angle: float, span: tuple[int, int]) -> float:
    """Give the mean of lags along a ray, told between pixels by the four around."""
    reach, turn = len(lags) // 2, np.deg2rad(angle)
    r = np.arange(*span, dtype=float)
    y, x = reach + r * np.sin(turn), reach + r * np.cos(turn)
    i, j = np.floor(y).astype(int), np.floor(x).astype(int)
    v, u = y - i, x - j
    above, below = ((1 - u) * lags[k, j] + u * lags[k, j + 1] for k in (i, i + 1))
    return float(((1 - v) * above + v * below).mean())
