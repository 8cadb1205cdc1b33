"""The noise of a stack: per channel, per starlet scale, and how it varies with coverage.

A stack was resampled, so the noise of neighbouring pixels is alike and the finest scale alone does not tell it; and
nebula and stars fill the coarser scales. The noise is therefore measured at the highest frequencies, over many small
blocks with the stars left out, and a model (:mod:`~nebulakit.pixels.noise_model`) carries it to the coarser scales.

Sources: Donoho & Johnstone 1994, Biometrika 81:425 (noise from the finest scale, by a robust measure); Olsen 1993, CVGIP
55:319 (the quiet ones among many blocks).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import noise_model, starlet
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.median import median
from nebulakit.pixels.noise_blocks import (
    FEWEST_BLOCKS,
    SURE,
    Blocks,
    Grid,
    choose_blocks,
    every_other,
    measure_blocks,
    thinness,
    typical,
)
from nebulakit.pixels.parallel import over
from nebulakit.pixels.streaks import measure_streaks, over_even, streak_scales, without

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SCALES = 6

_QUIET = 0.35  # this quantile over blocks that hold stars, for light only ever raises a block's value
_QUIET_Z = 0.3853  # where that lies in a normal distribution, below its middle
_TYPICAL_SHARE = 0.19  # how many of the finest differences are independent: the median of the family of kernels
_ODD = 3.5  # a block whose variance is off by so many deviations holds more than noise
_TOO_SMALL = 8  # px: no block fits


def measure_noise(planes: npt.NDArray[np.float32], coverage: npt.NDArray[np.float32] | None = None) -> Noise:
    """Measure the noise of planes (channel, y, x): standard deviation per channel and starlet scale, and its map.

    NaN, and what has no coverage, is left out. With a coverage map (more where more frames lie) the noise falls as one
    over its root and grows with the root of the light; where that fits the data worse than no map does, and without
    one, it is mapped as it is found locally. A constant plane has noise 0.

    It fails, saying too much, where there is structure as sharp as a pixel all over the frame, and where the noise is
    correlated in a way quite unlike smoothing.

    >>> flat = np.random.default_rng(1).normal(5, 0.1, (1, 200, 200)).astype(np.float32)
    >>> round(measure_noise(flat).sigma[0], 2)
    0.1
    """
    shape = planes.shape[1:]
    weight = _weight(coverage)
    if min(shape) < _TOO_SMALL:
        return _plain(planes)
    grid, there, gaps = choose_blocks(planes, weight)
    if gaps:
        held, box = _held(planes, weight)
        if weight is not None or held.shape != planes.shape:
            return _put_back(measure_noise(held), shape, box)
    first, near = every_other(grid, there)
    thin = thinness(weight, grid)
    thin_near = thin if first is grid else thin.reshape(grid.shape)[::2, ::2].ravel()
    found = over(lambda p: measure_blocks(p, first, near & np.isfinite(thin_near), None, gaps), planes)
    fits = _fit(found, _variances(found, first, thin_near, weight is not None)[0])
    # stars that fill all blocks make noise look blurred; then the sharpest noise among the planes tells what stands out of it
    sharpest = max((f.kernel for f in fits), key=lambda k: float(noise_model.family().gains[k, 0]))

    def measured(plane: Plane, own: int) -> Blocks:
        blocks = measure_blocks(plane, grid, there, sharpest, gaps)
        return blocks if blocks.starless or own == sharpest else measure_blocks(plane, grid, there, own, gaps)

    found = over(lambda pf: measured(pf[0], pf[1].kernel), list(zip(planes, fits, strict=True)))
    variances, by_map = _variances(found, grid, thin, weight is not None)
    fits = _fit(found, variances)
    streaks = measure_streaks(planes, weight, (grid, there, gaps))
    more = np.zeros(len(planes))
    for _ in range(4 if streaks else 0):  # what is streaks' and what is not depend on each other
        kernels = [noise_model.family().kernels[f.kernel] for f in fits]
        more = np.array([over_even(streaks, c, noise_model.power(k)) for c, k in enumerate(kernels)])
        fits = _fit([without(b, streaks, q, k) for b, q, k in zip(found, more, kernels, strict=True)], variances)

    if not by_map:
        weight, thin = None, np.ones(grid.total)
    # one map for all planes: what coverage does not tell of it is their geometric mean
    rest = np.exp(np.mean([np.log(_whole(v / thin, grid)) for v in variances], axis=0)).astype(np.float32)
    even, full = _map(shape, np.sqrt(rest), weight)
    sigma, scales = [], []
    for fit, v, blocks, q in zip(fits, variances, found, more, strict=True):
        with np.errstate(invalid="ignore"):
            ratio = np.sqrt(v / (rest.ravel() * thin))[np.isfinite(blocks.level)]
        at_one = fit.sigma * even * (float(np.sqrt(np.square(ratio).mean())) if ratio.size else 1.0)
        own = noise_model.scales_on(noise_model.family().kernels[fit.kernel], SCALES, shape)
        if q:
            own = np.sqrt(own**2 + q * streak_scales(streaks, SCALES))
        sigma.append(float(at_one * np.sqrt(1 + q)))
        scales.append(tuple(float(at_one * s) for s in own))
    return Noise(tuple(sigma), tuple(scales), full)


def _held(planes: npt.NDArray[np.float32], weight: Plane | None) -> tuple[npt.NDArray[np.float32], tuple[slice, slice]]:
    """Cut out the box that holds all that is covered, with NaN for what is not: where there is little, it is all in it."""
    there: Flags = np.asarray(np.isfinite(planes).any(0), bool)
    if weight is not None:
        there = there & (weight > 0)
    if not there.any():
        return planes, (slice(None), slice(None))
    spans = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
    rows, columns = (slice(int(s[0]), int(s[-1]) + 1) for s in spans)
    return np.where(there, planes, np.float32(np.nan))[:, rows, columns], (rows, columns)


def _put_back(noise: Noise, shape: tuple[int, ...], box: tuple[slice, slice]) -> Noise:
    """Give the noise of a box as that of the whole; around it as at its middle level."""
    if noise.map is None:
        return noise
    whole = np.ones(shape, np.float32)
    whole[box] = noise.map
    return Noise(noise.sigma, noise.scales, whole)


def _plain(planes: npt.NDArray[np.float32]) -> Noise:
    """Take the spread of all pixels of planes too small for anything else, as if it were white noise."""
    sigma = [float(np.std(plane[np.isfinite(plane)], dtype=np.float64)) if np.isfinite(plane).any() else 0.0 for plane in planes]
    return Noise(tuple(sigma), tuple(tuple(float(s * w) for w in noise_model.scales(np.ones(1), SCALES)) for s in sigma), None)


def _weight(coverage: Plane | None) -> Plane | None:
    """Give a coverage map without NaN and negative values; None where it says nothing."""
    if coverage is None:
        return None
    if not (float(coverage.min()) >= 0 and float(coverage.max()) < np.inf):
        coverage = np.where(np.isfinite(coverage) & (coverage > 0), coverage, np.float32(0))
    return coverage if coverage.any() else None


def _fit(found: list[Blocks], variances: list[Floats]) -> list[noise_model.Fit]:
    """Find noise and kernel of the planes from their quiet blocks, where the relative variance is 1."""
    quiet, independent, counts, steps = [], [], [], []
    below: list[float | None] = []
    for blocks, variance in zip(found, variances, strict=True):
        relative = blocks.bands / np.sqrt(variance)
        some: Flags = np.asarray(np.isfinite(relative).any(1))
        q = np.full(some.size, np.nan)
        if blocks.starless:
            q[some] = _pooled(relative[some], blocks.pixels)
            below.append(None)
        else:
            q[some] = np.nanquantile(relative[some], _QUIET, axis=1)
            below.append(_QUIET_Z)
        used = blocks.pixels[blocks.pixels > 0]
        quiet.append(q)
        independent.append(np.full(len(q), float(1 / np.mean(1 / used)) if used.size else 1.0))
        counts.append(np.maximum(np.isfinite(relative).sum(1), 1).astype(float))
        steps.append(blocks.step / float(np.sqrt(np.nanmedian(variance))))
    fits = noise_model.fit(quiet, below, independent, counts, steps)
    for i, (blocks, variance) in enumerate(zip(found, variances, strict=True)):
        if blocks.upper is not None and np.isfinite(blocks.upper).any():
            fits[i] = fits[i]._replace(sigma=float(np.nanquantile(blocks.upper / np.sqrt(variance), _QUIET)))
    return fits


def _pooled(values: Floats, pixels: Floats) -> Floats:
    """Give the root mean square (bands,) over the pixels of all blocks (bands, blocks) but those that stand out."""
    out = []
    for row in values:
        good = np.isfinite(row)
        square, weight = row[good] ** 2, pixels[good]
        off = np.abs(square / max(float(median(square)), 1e-300) - 1) * np.sqrt(weight)
        keep = off <= _ODD * 1.4826 * median(off)
        out.append(float(np.sqrt((square * weight)[keep].sum() / max(weight[keep].sum(), 1.0))))
    return np.array(out)


def _variances(found: list[Blocks], grid: Grid, thin: Floats, mapped: bool) -> tuple[list[Floats], bool]:
    """Give the relative noise variance of each block, per plane, and whether the coverage map explains it."""
    with_map, without, scatter = [], [], np.zeros(2)
    for blocks in found:
        used = blocks.bands[:SURE] if blocks.upper is None else blocks.upper[None]
        good = np.isfinite(used).all(0) & (used > 0).all(0) & np.isfinite(thin)
        if good.sum() < FEWEST_BLOCKS:
            with_map.append(thin)
            without.append(np.ones(grid.total))
            continue
        square = np.full(grid.total, np.nan)
        square[good] = (used[:, good] ** 2 / np.median(used[:, good] ** 2, axis=1, keepdims=True)).mean(0)
        light = _calm(blocks.level, grid)
        models = [_by_light(square / t, light, good) * t for t in (thin, np.ones(grid.total))]
        scatter += [float(median(np.abs(np.log(square[good] / m[good])))) for m in models]
        models = [m * _local(square / m, good, grid) for m in models]
        with_map.append(models[0])
        without.append(models[1])
    by_map = mapped and scatter[0] <= 1.1 * scatter[1] + 0.005
    return (with_map if by_map else without), by_map


def _local(ratio: Floats, good: Flags, grid: Grid) -> Floats:
    """Give what neighbouring blocks have in common beyond a model of them; 1 where they differ by no more than chance."""
    found = _calm(ratio, grid, smooth=True)
    chance = float(median(np.abs(np.log(ratio[good])))) / max(1.0, float(min(9, good.sum())) ** 0.5)
    spread = float(median(np.abs(np.log(found[good] / median(found[good])))))
    return found if spread > 1.2 * chance else np.ones(grid.total)


def _whole(values: Floats, grid: Grid) -> Plane:
    """Bring values of blocks to (rows, columns), gaps filled, median 1."""
    filled, _ = starlet.fill_gaps(values.reshape(grid.shape).astype(np.float32))
    middle = float(median(filled))
    return (filled / np.float32(middle)).astype(np.float32) if middle > 0 else np.ones(grid.shape, np.float32)


def _calm(values: Floats, grid: Grid, smooth: bool = False) -> Floats:
    """Take the median over each block and its neighbours (stars fall out), and smooth it on demand."""
    import cv2

    calm, _ = starlet.fill_gaps(values.reshape(grid.shape).astype(np.float32))
    if min(grid.shape) >= 3:
        calm = cv2.medianBlur(calm, 3)  # type: ignore[assignment]
    if smooth:
        calm = cv2.GaussianBlur(calm, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)  # type: ignore[assignment]
    return calm.ravel().astype(np.float64)


def _by_light(square: Floats, light: Floats, good: Flags) -> Floats:
    """Fit a line of the noise variance over the light, robustly against blocks that stars raised; positive everywhere."""
    y, x = square[good], light[good]
    middle, spread = float(median(x)), float(np.std(x))
    flat = np.full(light.size, float(median(y)))
    if spread <= 1e-6 * abs(middle) or y.size < 2 * FEWEST_BLOCKS:
        return flat
    design = np.stack([np.ones(y.size), (x - middle) / spread])
    model = np.full(y.size, float(median(y)))
    for _ in range(8):
        off = y / model - 1
        width = 1.4826 * float(median(np.abs(off))) + 1e-9
        weight = np.where(off > 0, np.minimum(1, (1.5 * width / np.maximum(off, 1e-12)) ** 2), 1.0) / model**2
        normal = (design * weight) @ design.T
        a, b = np.linalg.solve(normal, (design * weight) @ y)
        model = np.maximum(a + b * design[1], 0.1 * median(y))
    error = width * float(np.sqrt(np.linalg.inv(normal)[1, 1]))
    if b < 3 * error:  # more light never means less noise; and what is not sure is left out
        return flat
    line = a + b * (light - middle) / spread
    return np.asarray(np.clip(line, 0.2 * np.min(model), 2 * np.max(model)))


def _map(shape: tuple[int, ...], rest: Plane, weight: Plane | None) -> tuple[float, Plane | None]:
    """Bring the map to full size with median 1: (its median before, map), None where it is even to 1 %."""
    import cv2

    if weight is None and float(np.ptp(rest)) < 0.02:
        return float(median(rest)), None
    full = np.asarray(cv2.resize(rest, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)
    few = full[:: max(1, shape[0] // 1000), :: max(1, shape[1] // 1000)]
    if weight is not None:
        middle_of_map = np.float32(typical(weight))
        least = np.float32(1e-3)  # where hardly anything was taken, and nothing: no noise is told for it, but no infinity either

        def rows(y: int) -> None:
            full[y : y + 64] /= np.sqrt(np.maximum(weight[y : y + 64] / middle_of_map, least))

        over(rows, range(0, shape[0], 64))
        few = few[weight[:: max(1, shape[0] // 1000), :: max(1, shape[1] // 1000)] > 0]
    middle = float(median(few)) if few.size else 1.0
    if few.size and float(np.ptp(few)) < 0.02 * middle:
        return middle, None
    full *= np.float32(1 / middle)
    return middle, full


def fine_noise(planes: npt.NDArray[np.float32]) -> Floats:
    """Give per plane the standard deviation of its finest differences in quiet blocks, from a few blocks only.

    Of white noise that is the pixels' own; see :func:`fine_share` for what it is of correlated noise.
    """
    grid, there, gaps = choose_blocks(planes, None)
    grid, there = every_other(grid, there)
    found = over(lambda p: measure_blocks(p, grid, there, None, gaps), planes)
    out = []
    for blocks in found:
        some = np.isfinite(blocks.bands[0])
        # of a typical kernel; that of the picture is not told from so few blocks
        chance = np.sqrt(0.5 / max(1.0, float(median(blocks.pixels[some])) * _TYPICAL_SHARE)) if some.any() else 0.0
        out.append(float(np.quantile(blocks.bands[0][some], _QUIET)) / (1 - _QUIET_Z * min(chance, 0.5)) if some.any() else 0.0)
    return np.array(out)


def fine_share(noise: Noise) -> Floats:
    """Give per channel what :func:`fine_noise` should find of a noise that is told."""
    across = noise_model.binomial(noise_model.DIFFERENCES[0][0])
    out = []
    for sigma, row in zip(noise.sigma, noise.scales, strict=True):
        taps = noise_model.kernel_of(np.asarray(row, float) / max(sigma, 1e-300))
        left = np.convolve(taps, across)
        out.append(sigma * float(left @ left / (taps @ taps)))
    return np.array(out)


def quiet_scales(planes: npt.NDArray[np.float32], scales: int = SCALES) -> Floats:
    """Give the standard deviation (channel, scale) of what the starlet planes hold where a picture is quietest.

    The mean over the quietest quarter of blocks of 32 px: after noise reduction, this is the noise that is left, and what
    structure there is in the emptiest parts. NaN is left out. On large planes a part of the rows is enough.
    """
    import cv2

    rows = planes.shape[1]
    part = max(1, rows * planes.shape[2] // 3_000_000)
    height = max(1, min(rows, max(256, rows // part // 4)))
    starts = sorted({round(i * (rows - height) / 3) for i in range(4)}) if height < rows else [0]

    def one(plane: Plane) -> list[float]:
        squares: list[list[Floats]] = [[] for _ in range(scales)]
        for y in starts:
            filled, good = starlet.fill_gaps(plane[y : y + height])
            size = (max(1, filled.shape[1] // 32), max(1, filled.shape[0] // 32))
            seen = None if good is None else cv2.resize(good.astype(np.float32), size, interpolation=cv2.INTER_AREA).ravel() > 0.9
            for j, (w, _) in enumerate(starlet.descend(filled, scales)):
                block = cv2.resize(np.square(w), size, interpolation=cv2.INTER_AREA).ravel().astype(np.float64)
                squares[j].append(block if seen is None or not seen.any() else block[seen])
        out = []
        for blocks in squares:
            ordered = np.sort(np.concatenate(blocks))
            out.append(float(np.sqrt(ordered[: max(1, len(ordered) // 4)].mean())))
        return out

    return np.array(over(one, planes))
