"""The noise of a stack: per channel, per starlet scale, and how it varies with coverage.

A stack was resampled, so the noise of neighbouring pixels is alike and the finest scale alone does not tell it; and
nebula and stars fill the coarser scales. But their light went through the atmosphere: at the highest frequencies of the
pixel grid there is hardly any of it. The noise is therefore measured there, in high-order differences, over many small
blocks, and a one-parameter family of noise spectra (white noise smoothed by a sampled Gaussian, much as resampling does)
carries it to the coarser scales.

Sources: Donoho & Johnstone 1994, Biometrika 81:425 (noise from the finest scale, by a robust measure); Olsen 1993, CVGIP
55:319 (the quiet ones among many blocks).
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

SCALES = 6

_MOST_BLOCKS = 1200
_FEWEST_BLOCKS = 12
_QUIET = 0.35  # this quantile over the blocks: stars and filaments only ever raise a block's value
_QUIET_Z = 0.3853  # the same quantile of a normal distribution, below its middle

# What is measured: differences by binomial coefficients (order across, order down), the least of light and the most of
# noise first, and starlet planes. How far each looks, and how far it may be off by more than chance (light that is left
# in it, spectra unlike the family's).
_DIFFERENCES = ((0, 8), (8, 0), (4, 4), (0, 6), (6, 0), (2, 2), (0, 4), (4, 0))
_REACH = (4, 4, 2, 3, 3, 1, 2, 2, 2, 6, 14)
_TRUST = np.array([0.01, 0.01, 0.01, 0.015, 0.015, 0.02, 0.03, 0.03, 0.06, 0.10, 0.15])
_SURE = 3  # so many of them are used to map the noise


class _Grid(NamedTuple):
    """Where blocks are taken: corners of the patches (block and margin), and the coverage there."""

    y: npt.NDArray[np.intp]
    x: npt.NDArray[np.intp]
    size: int
    margin: int
    thin: Floats  # (blocks,) one over coverage, relative; NaN: do not use
    pad: int  # the plane is mirrored outwards by so much first

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.y), len(self.x)


class _Blocks(NamedTuple):
    """What the blocks of one plane hold; NaN where a block is not to be used."""

    bands: Floats  # (bands, blocks): standard deviations; the last row, of the pixels as they are, only where values were cut off
    level: Floats  # (blocks,)
    pixels: int  # in a block
    step: float  # distance of the values the plane can take, 0 where it is fine
    cut: bool  # the darkest values were cut off


class _Fit(NamedTuple):
    sigma: float
    width: float


def measure_noise(planes: npt.NDArray[np.float32], coverage: npt.NDArray[np.float32] | None = None) -> Noise:
    """Measure the noise of planes (channel, y, x): standard deviation per channel and starlet scale, and its map.

    NaN, and what has no coverage, is left out. With a coverage map (more where more frames lie) the noise falls as one
    over its root and grows with the root of the light; where that fits the data worse than an even noise does, and
    without a map, it is mapped as it is found locally. A constant plane has noise 0.

    It fails, saying too much, where there is structure as sharp as a pixel all over the frame, and where noise is
    correlated in a way quite unlike smoothing.

    >>> flat = np.random.default_rng(1).normal(5, 0.1, (1, 200, 200)).astype(np.float32)
    >>> round(measure_noise(flat).sigma[0], 2)
    0.1
    """
    weight = None
    if coverage is not None:
        weight = np.where(np.isfinite(coverage) & (coverage > 0), coverage, np.float32(0))
        weight = weight / np.float32(np.median(weight[weight > 0])) if weight.any() else None
    for size, margin in ((32, 14), (16, 14), (8, 6), (4, 4)):
        grid = _grid(planes.shape[1:], weight, size, margin)
        found = over(functools.partial(_measure_blocks, grid=grid), planes)
        if min(np.isfinite(b.level).sum() for b in found) >= _FEWEST_BLOCKS:
            break
    variances, by_map = _variances(found, grid, weight is not None)
    fits = [_fit(blocks, v) for blocks, v in zip(found, variances, strict=True)]
    weight, thin = (weight, grid.thin) if by_map else (None, np.ones(grid.thin.size))
    # one map for all planes: what coverage does not tell of it is their geometric mean
    rest = np.exp(np.mean([np.log(_whole(v / thin, grid)) for v in variances], axis=0)).astype(np.float32)
    even, full = _map(planes.shape[1:], np.sqrt(rest), weight)
    sigma, scales = [], []
    for fit, v in zip(fits, variances, strict=True):
        with np.errstate(invalid="ignore"):
            ratio = np.sqrt(v / (rest.ravel() * thin))
        at_one = fit.sigma * even * (float(np.nanmedian(ratio)) if np.isfinite(ratio).any() else 1.0)
        sigma.append(at_one)
        scales.append(tuple(float(at_one * s) for s in _scales(fit.width)))
    return Noise(tuple(sigma), tuple(scales), full)


def _grid(shape: tuple[int, ...], weight: Plane | None, size: int, margin: int) -> _Grid:
    """Choose blocks evenly over the plane, as many as fit but no more than is worth it."""
    small = min(shape) < 4 * size + 2 * margin
    pad = margin if small else 0
    room = [n + 2 * pad - 2 * margin for n in shape]
    counts = [max(1, r // size) for r in room]
    fewer = min(1.0, (_MOST_BLOCKS / (counts[0] * counts[1])) ** 0.5)
    counts = [max(1, int(c * fewer)) for c in counts]
    y, x = (np.array([int((i + 0.5) * r / c - size / 2) for i in range(c)]).clip(0) for r, c in zip(room, counts, strict=True))
    thin = np.ones(len(y) * len(x))
    if weight is not None:
        there = _patches(weight, _Grid(y, x, size, margin, thin, pad)).reshape(thin.size, -1)
        with np.errstate(divide="ignore"):
            thin = np.where(there.min(1) > 0, (1 / there.astype(np.float64)).mean(1), np.nan)
    return _Grid(y, x, size, margin, thin, pad)


def _patches(plane: Plane, grid: _Grid) -> Plane:
    """Cut the blocks with their margins: (blocks, side, side)."""
    if grid.pad:
        import cv2

        plane = cv2.copyMakeBorder(plane, *[grid.pad] * 4, cv2.BORDER_REFLECT_101)  # type: ignore[assignment]
    side = min(grid.size + 2 * grid.margin, *plane.shape)
    windows = np.lib.stride_tricks.sliding_window_view(plane, (side, side))
    y, x = np.minimum(grid.y, windows.shape[0] - 1), np.minimum(grid.x, windows.shape[1] - 1)
    return windows[np.ix_(y, x)].reshape(-1, side, side)


def _measure_blocks(plane: Plane, grid: _Grid) -> _Blocks:
    """Measure every band of every block of a plane."""
    import cv2

    patches = _patches(plane, grid)
    blocks, side = patches.shape[0], patches.shape[1]
    usable = np.isfinite(patches).all((1, 2)) & np.isfinite(grid.thin)
    bands = np.full((len(_REACH) + 1, blocks), np.nan)
    level = np.full(blocks, np.nan)
    if not usable.any():
        return _Blocks(bands, level, 0, 0.0, False)
    patches = patches[usable]
    step, lowest = _steps(patches)
    # a border without data holds one value throughout; where the sky was cut off that value is scattered
    solid = np.ones((*patches.shape[:1], side - 2, side - 2), bool)
    for dy in range(3):
        for dx in range(3):
            solid &= patches[:, dy : dy + side - 2, dx : dx + side - 2] == 0
    full = solid.mean((1, 2)) <= 0.03
    at_lowest = (patches == lowest).mean((1, 2))
    cut = bool(at_lowest[full].mean() > 1e-3) and step == 0 if full.any() else False
    if cut and (full & (at_lowest < 1e-3)).sum() >= _FEWEST_BLOCKS:  # brighter blocks that nothing was cut from
        full, cut = full & (at_lowest < 1e-3), False
    where = np.flatnonzero(usable)[full]
    patches = patches[full]
    if not len(patches):
        return _Blocks(bands, level, 0, step, cut)

    tall = np.ascontiguousarray(patches.reshape(-1, side))
    inner = slice(grid.margin, max(grid.margin + 1, side - grid.margin)) if side > 2 * grid.margin else slice(None)

    def core(a: Plane) -> Plane:
        return a.reshape(len(patches), side, side)[:, inner, inner].reshape(len(patches), -1)

    level[where] = np.median(core(tall)[:, ::3], axis=1)
    if cut:
        bands[-1, where] = _upper_side(core(tall), lowest)
    for i, (across, down) in enumerate(_DIFFERENCES):
        if _REACH[i] <= grid.margin:
            bands[i, where] = _spread(core(cv2.sepFilter2D(tall, -1, _binomial(across), _binomial(down))), step)  # type: ignore[arg-type]
    for i, (w, _) in enumerate(starlet.descend(tall, 3), len(_DIFFERENCES)):
        if _REACH[i] <= grid.margin:
            bands[i, where] = _spread(core(w), step)
    return _Blocks(bands, level, len(core(tall)[0]), step, cut)


@functools.cache
def _binomial(order: int) -> Floats:
    """Give the taps of the difference of an order, with sum of squares 1 (so that float32 holds them well)."""
    taps = np.ones(1)
    for _ in range(order):
        taps = np.convolve(taps, [1.0, -1.0])
    return taps / np.sqrt(taps @ taps)


def _steps(patches: Plane) -> tuple[float, float]:
    """Give the distance of the values there are, 0 where the noise spans many of them, and the lowest value."""
    few = patches[:: max(1, len(patches) // 40)]
    distinct = [np.unique(p) for p in few]
    if np.median([len(d) for d in distinct]) > 24:
        return 0.0, float(patches.min())
    gaps = np.concatenate([np.diff(d) for d in distinct])
    return (float(np.median(gaps)) if gaps.size else 0.0), float(patches.min())


def _spread(values: Plane, step: float) -> Floats:
    """Give the standard deviation of each row of (blocks, n), outliers left out."""
    if step:  # few levels: the median of the deviations is one of them, or 0
        return np.sqrt(np.square(values).mean(1, dtype=np.float64))
    size = np.abs(values)
    guess = np.median(size[:, ::3], axis=1).astype(np.float64) * 1.4826
    plain = np.sqrt(np.square(values).mean(1, dtype=np.float64))
    guess = np.where(guess > 0, guess, plain)
    for _ in range(2):
        keep = size <= (3 * guess).astype(np.float32)[:, None]
        total = np.einsum("ij,ij,ij->i", values, values, keep.astype(np.float32))
        guess = np.sqrt(total / np.maximum(keep.sum(1), 1)) / 0.986578
    return np.asarray(guess, np.float64)


def _upper_side(values: Plane, lowest: float) -> Floats:
    """Give the standard deviation of each row, from quantiles above those at which the darkest values were cut off."""
    from scipy.special import ndtri

    out = np.empty(len(values))
    for i, row in enumerate(values):
        low = max(0.5, min(0.97, float((row == lowest).mean()) + 0.05))
        high = low + 0.7 * (1 - low)
        a, b = np.quantile(row, [low, high])
        out[i] = (b - a) / (ndtri(high) - ndtri(low))
    return out


def _variances(found: list[_Blocks], grid: _Grid, mapped: bool) -> tuple[list[Floats], bool]:
    """Give the relative noise variance of each block, per plane, and whether the coverage map explains it."""
    thin = grid.thin
    with_map, without, scatter = [], [], np.zeros(2)
    for blocks in found:
        used = blocks.bands[-1:] if blocks.cut else blocks.bands[:_SURE]
        square = np.full(grid.thin.size, np.nan)
        good = np.isfinite(used).all(0) & (used > 0).all(0)
        if good.sum() < _FEWEST_BLOCKS:
            with_map.append(thin)
            without.append(np.ones(grid.thin.size))
            continue
        square[good] = (used[:, good] ** 2 / np.median(used[:, good] ** 2, axis=1, keepdims=True)).mean(0)
        light = _calm(blocks.level, grid)
        explained, even = _by_light(square / thin, light, good) * thin, _by_light(square, light, good)
        found_there = even * _calm(square / even, grid, smooth=True)
        with_map.append(explained)
        without.append(found_there)
        scatter += [float(np.median(np.abs(np.log(square[good] / p[good])))) for p in (explained, even)]
    by_map = mapped and scatter[0] <= 1.05 * scatter[1] + 0.005
    return (with_map if by_map else without), by_map


def _whole(values: Floats, grid: _Grid) -> Plane:
    """Bring values of blocks to (rows, columns), gaps filled, median 1."""
    filled, _ = starlet.fill_gaps(values.reshape(grid.shape).astype(np.float32))
    middle = float(np.median(filled))
    return filled / np.float32(middle) if middle > 0 else np.ones(grid.shape, np.float32)


def _calm(values: Floats, grid: _Grid, smooth: bool = False) -> Floats:
    """Take the median over each block and its neighbours (stars fall out), and smooth it on demand."""
    import cv2

    filled, _ = starlet.fill_gaps(values.reshape(grid.shape).astype(np.float32))
    calm = cv2.medianBlur(filled, 3) if min(grid.shape) >= 3 else filled
    if smooth:
        calm = cv2.GaussianBlur(calm, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
    return calm.ravel().astype(np.float64)


def _by_light(square: Floats, light: Floats, good: npt.NDArray[np.bool_]) -> Floats:
    """Fit a line of the noise variance over the light, robustly against blocks that stars raised; positive everywhere."""
    y, x = square[good], light[good]
    middle, spread = float(np.median(x)), float(np.std(x))
    flat = np.full(light.size, float(np.median(y)))
    if spread <= 1e-6 * abs(middle) or y.size < 2 * _FEWEST_BLOCKS:
        return flat
    design = np.stack([np.ones(y.size), (x - middle) / spread])
    model = np.full(y.size, float(np.median(y)))
    for _ in range(8):
        off = y / model - 1
        width = 1.4826 * float(np.median(np.abs(off))) + 1e-9
        weight = np.where(off > 0, np.minimum(1, (1.5 * width / np.maximum(off, 1e-12)) ** 2), 1.0) / model**2
        normal = (design * weight) @ design.T
        a, b = np.linalg.solve(normal, (design * weight) @ y)
        model = np.maximum(a + b * design[1], 0.1 * np.median(y))
    error = width * np.sqrt(np.linalg.inv(normal)[1, 1])
    if b < 3 * error:  # more light never means less noise; and what is not sure is left out
        return flat
    line = a + b * (light - middle) / spread
    return np.asarray(np.clip(line, 0.2 * np.min(model), 2 * np.max(model)))


def _map(shape: tuple[int, ...], rest: Plane, weight: Plane | None) -> tuple[float, Plane | None]:
    """Bring the map to full size with median 1: (its median before, map), None where it is even to 1 %."""
    import cv2

    if weight is None and float(np.ptp(rest)) < 0.02:
        return float(np.median(rest)), None
    full = cv2.resize(rest, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    if weight is not None:
        some = weight > 0
        full /= np.sqrt(np.maximum(weight, np.float32(max(float(weight[some].min()), 1e-3))))
        few = full[some][:: max(1, full.size // 1_000_000)]
    else:
        few = full[:: max(1, shape[0] // 1000), :: max(1, shape[1] // 1000)]
    middle = float(np.median(few))
    if float(np.ptp(few)) < 0.02 * middle:
        return middle, None
    full *= np.float32(1 / middle)
    return middle, full  # type: ignore[return-value]


def _fit(blocks: _Blocks, variance: Floats) -> _Fit:
    """Find standard deviation and kernel width of a plane's noise from the quiet blocks of every band."""
    size = blocks.pixels
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = blocks.bands / np.sqrt(variance)
    some = np.isfinite(relative).any(1)
    if not some.any():
        return _Fit(0.0, 0.0)
    quiet, count = np.zeros(len(some)), np.isfinite(relative).sum(1)
    quiet[some] = np.nanquantile(relative[some], _QUIET, axis=1)
    if quiet[: len(_REACH)].max() <= 0:
        return _Fit(0.0, 0.0)
    widths, gains, share = _family()
    white = blocks.step**2 / 12 / float(np.nanmedian(variance)) * gains[0] ** 2
    quiet[: len(_REACH)] = np.sqrt(np.maximum(quiet[: len(_REACH)] ** 2 - white, 0.05 * white))
    use = some[: len(_REACH)] & (quiet[: len(_REACH)] > 0)
    chance = np.sqrt(0.5 / (size * share[:, use]))
    ratio = np.log(quiet[: len(_REACH)][use] / (1 - _QUIET_Z * np.minimum(chance, 0.5)) / gains[:, use])  # (widths, bands)
    allowed = np.sqrt(_TRUST[use] ** 2 + (1.3 * chance) ** 2 / count[: len(_REACH)][use])
    tries = np.linspace(ratio[:, :_SURE].min() - 0.05, ratio[:, :_SURE].max() + 0.05, 600)
    best, log_sigma, width = np.inf, 0.0, 0.0
    for i in range(len(widths)):
        off = (ratio[i] - tries[:, None]) / allowed[i]
        # light can only have raised a band: being above the family is forgiven, being below it is not
        cost = np.where(off > 0, np.minimum(off**2, 4), off**2).sum(1)
        if cost.min() < best:
            best, log_sigma, width = float(cost.min()), float(tries[cost.argmin()]), float(widths[i])
    sigma = float(np.exp(log_sigma))
    return _Fit(float(quiet[-1]) if blocks.cut else sigma, width)


@functools.cache
def _family() -> tuple[Floats, Floats, Floats]:
    """Tell the spectra: kernel widths, (width, band) standard deviation of each band for pixels of 1, independent share.

    The share of independent values follows from the spectrum: (mean P)**2 / mean(P**2).
    """
    widths = np.concatenate([[0], np.arange(0.24, 1.2, 0.01), np.arange(1.2, 3.01, 0.1)])
    n = 128
    line = [np.abs(np.fft.fft(_binomial(order), n)) ** 2 for order in (0, 2, 4, 6, 8)]
    squares = [line[down // 2][:, None] * line[across // 2] for across, down in _DIFFERENCES]
    low = np.ones((n, n))
    for j in range(3):
        taps = np.zeros(4 * 2**j + 1)
        taps[:: 2**j] = starlet.B3
        one = np.real(np.fft.fft(np.roll(np.pad(taps, (0, n - len(taps))), -(len(taps) // 2))))
        lower = low * np.outer(one, one)
        squares.append((low - lower) ** 2)
        low = lower
    bands = np.stack(squares).reshape(len(squares), -1)
    gains, share = [], []
    for width in widths:
        one = np.abs(np.fft.fft(_kernel(float(width)), n)) ** 2
        noise = np.outer(one, one).ravel() / one.mean() ** 2
        spectra = bands * noise
        gains.append(np.sqrt(spectra.mean(1)))
        share.append(spectra.mean(1) ** 2 / (spectra**2).mean(1))
    return widths, np.array(gains), np.array(share)


def _kernel(width: float) -> Floats:
    """Give the sampled Gaussian by which resampling is thought to have smoothed white noise; sum 1."""
    reach = int(4 * width + 0.5)
    x = np.arange(-reach, reach + 1)
    taps = np.exp(-0.5 * (x / max(width, 1e-3)) ** 2)
    return np.asarray(taps / taps.sum())


def _scales(width: float) -> Floats:
    """Give the standard deviations of w_1..w_J for noise of a kernel width whose pixels have 1."""
    fine, pixels = starlet.kernel_sigmas(_kernel(width), SCALES)
    return fine / pixels[0]
