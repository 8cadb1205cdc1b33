"""Small blocks of a plane, what is measured in them, and what spoils the measurement: stars, gaps, few levels, cut blacks."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import noise_model, starlet
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FEWEST_BLOCKS = 12
SURE = 6  # the first bands, from which the noise is mapped

_MOST_BLOCKS = 1000
_TOGETHER = 64  # so many blocks are filtered at once, so that they stay in the processor's cache
_SIZES, _TINY = ((32, 14), (16, 14)), ((8, 6),)  # of a block and of the margin that its filters need
# Stars in a block are left out: pixels above so many sigma of w_2 + w_3, and so many pixels round them
_STARS = ((4.5, 3), (25.0, 6), (150.0, 10))
# Where that leaves too few pixels of all (crowded fields, deep stacks, bright nebulae), so many times as much is let stand:
# of a star's light in w_2 + w_3 a hundredth is in the finest bands, and its photons raise the noise by less
_BOLDER, _ENOUGH, _SHARE = (1.0, 2.0, 4.0, 8.0, 16.0), 80_000, 0.2


class Grid(NamedTuple):
    """Where blocks are taken: corners of the patches (a block and its margin)."""

    y: npt.NDArray[np.intp]
    x: npt.NDArray[np.intp]
    size: int
    margin: int
    pad: int  # the plane is mirrored outwards by so much first

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of blocks."""
        return len(self.y), len(self.x)

    @property
    def total(self) -> int:
        """How many blocks there are."""
        return len(self.y) * len(self.x)


class Blocks(NamedTuple):
    """What the blocks of one plane hold; NaN where a block is not to be used."""

    bands: Floats  # (bands, blocks): standard deviations
    pixels: Floats  # (blocks,): how many they rest on
    level: Floats  # (blocks,): the light
    step: float  # distance of the values the plane can take, 0 where it is fine
    starless: bool  # stars were left out
    upper: Floats | None  # (blocks,): standard deviations from the brighter side, where the darkest values were cut off


def typical(weight: Plane) -> float:
    """Give the middle of a coverage map where there is any."""
    few = weight[:: max(1, weight.shape[0] // 1000), :: max(1, weight.shape[1] // 1000)]
    return float(median(few[few > 0])) if (few > 0).any() else float(weight.max())


def choose_blocks(planes: npt.NDArray[np.float32], weight: Plane | None) -> tuple[Grid, Flags, bool]:
    """Choose blocks, smaller ones where too few lie clear of gaps: (grid, usable ones, whether gaps lie in them)."""
    sizes = _SIZES if min(planes.shape[1:]) >= 64 else _TINY
    holed = [plane for plane in planes if not np.isfinite(plane).all()]
    for size, margin in sizes:
        grid = _grid(planes.shape[1:], size, margin)
        there = np.ones(grid.total, bool) if weight is None else patches_of(weight, grid).min((1, 2)) > 0
        for plane in holed:
            there &= np.isfinite(patches_of(plane, grid)).all((1, 2))
        if there.sum() >= min(FEWEST_BLOCKS, grid.total):
            return grid, there, False
    return grid, np.ones(grid.total, bool), True


def _grid(shape: tuple[int, ...], size: int, margin: int) -> Grid:
    """Choose blocks evenly over the plane, as many as fit but no more than is worth it."""
    pad = margin if min(shape) < 4 * size + 2 * margin else 0
    room = [n + 2 * pad - 2 * margin for n in shape]
    counts = [max(1, r // size) for r in room]
    fewer = min(1.0, (_MOST_BLOCKS / (counts[0] * counts[1])) ** 0.5)
    counts = [max(1, int(c * fewer)) for c in counts]
    y, x = (np.array([int((i + 0.5) * r / c - size / 2) for i in range(c)]).clip(0) for r, c in zip(room, counts, strict=True))
    return Grid(y, x, size, margin, pad)


def every_other(grid: Grid, there: Flags) -> tuple[Grid, Flags]:
    """Leave out blocks of a large grid, for a first look, if enough stay that are ``there``; give these, too."""
    fewer = there.reshape(grid.shape)[::2, ::2].ravel()
    if grid.total < 12 * FEWEST_BLOCKS or fewer.sum() < FEWEST_BLOCKS:
        return grid, there
    return grid._replace(y=grid.y[::2], x=grid.x[::2]), fewer


def patches_of(plane: npt.NDArray[np.float32], grid: Grid) -> Plane:
    """Cut the blocks with their margins: (blocks, side, side)."""
    if grid.pad:
        plane = np.pad(plane, grid.pad, mode="reflect" if min(plane.shape) > 1 else "edge")
    side = min(grid.size + 2 * grid.margin, *plane.shape)
    windows = np.lib.stride_tricks.sliding_window_view(plane, (side, side))
    y, x = np.minimum(grid.y, windows.shape[0] - 1), np.minimum(grid.x, windows.shape[1] - 1)
    return windows[np.ix_(y, x)].reshape(-1, side, side)


def thinness(weight: Plane | None, grid: Grid) -> Floats:
    """Give one over the coverage of each block, NaN where some of it has none."""
    if weight is None:
        return np.ones(grid.total)
    there = patches_of(weight, grid)
    least = there.min((1, 2))
    edge = grid.margin if there.shape[1] > 2 * grid.margin else 0
    core = there[:, edge : there.shape[1] - edge, edge : there.shape[1] - edge]
    middle = np.float32(typical(weight))
    return np.where(least > 0, (middle / np.maximum(core, np.float32(1e-6) * middle)).mean((1, 2)), np.nan)


def measure_blocks(plane: Plane, grid: Grid, there: Flags, kernel: int | None, gaps: bool) -> Blocks:
    """Measure the bands of the blocks that are ``there``; with a kernel of the noise told, stars are left out."""

    bands, pixels, level = (
        np.full((len(noise_model.REACH), grid.total), np.nan),
        np.zeros(grid.total),
        np.full(grid.total, np.nan),
    )
    known = patches_of(_certain(plane), grid)[there] if gaps else None
    patches = patches_of(starlet.fill_gaps(plane)[0] if gaps else plane, grid)[there]
    index = np.flatnonzero(there)
    if not len(patches):
        return Blocks(bands, pixels, level, 0.0, False, None)
    step, lowest, usable, cut = _defects(patches)
    patches, index, known = patches[usable], index[usable], None if known is None else known[usable]
    if not len(patches):
        return Blocks(bands, pixels, level, step, False, None)
    edge = grid.margin if patches.shape[1] > 2 * grid.margin else 0
    upper = None
    if cut:
        upper = np.full(grid.total, np.nan)
        upper[index] = _upper_side(_core(patches, edge), lowest)
    middle = median(_core(patches, edge)[:, ::3], axis=1)
    level[index] = middle
    patches -= middle[:, None, None]  # so that rounding is that of the noise, not of the level
    inner = _core(patches, edge)
    values = _bands(patches, edge)
    family = noise_model.family()
    near = int(np.abs(family.widths[: len(family.widths) // 2] - 0.45).argmin()) if kernel is None else kernel
    least = robust(values[0]) / family.gains[near, 0]
    use = np.ones(inner.shape, bool) if known is None else _core(known, edge) > 0
    starless = False
    if kernel is not None and grid.margin >= 14:
        blobs = _blobs(patches)
        for bolder in _BOLDER:
            free = use & ~_stars(blobs, bolder * least * family.blob[near], edge)
            clear = free.mean(1) >= 0.2
            starless = bool(clear.sum() >= FEWEST_BLOCKS)
            if starless and free[clear].sum() >= min(_ENOUGH, _SHARE * use.sum()):
                break
        use = free if starless else use
    enough = use.mean(1) >= (0.2 if known is None else 0.05)
    rounding = 3e-7 * np.abs(middle)  # less than this is no noise but the end of the digits
    for i, v in enumerate(values):
        guess = least * family.gains[near, i] if i < SURE and kernel is not None else robust(v)
        bands[i, index] = np.where(enough, spread(v, use, guess, bool(step)), np.nan)
    nothing = (bands[-1, index] <= rounding) & (np.ptp(inner, axis=1) <= 4 * rounding)
    bands[:, index[nothing]] = 0
    pixels[index] = use.sum(1)
    level[index[~enough]] = np.nan
    return Blocks(bands, pixels, level, step, starless, upper)


def _core(patches: npt.NDArray[Any], edge: int) -> npt.NDArray[Any]:
    """Give the blocks without their margins: (blocks, pixels)."""
    side = patches.shape[1]
    return patches[:, edge : side - edge, edge : side - edge].reshape(len(patches), -1)


def _bands(patches: Plane, edge: int) -> Plane:
    """Filter blocks: (bands, blocks, pixels)."""
    import cv2

    spare = max(0, edge - max(noise_model.REACH))  # of the margin, more than the differences need
    near = _core(patches, spare) if spare else patches
    side, edge = patches.shape[1] - 2 * spare, edge - spare
    values = np.empty((len(noise_model.REACH), len(patches), (side - 2 * edge) ** 2), np.float32)

    def some(part: slice) -> None:
        tall = near[part].reshape(-1, side)
        planes = [
            cv2.sepFilter2D(tall, -1, noise_model.binomial(across), noise_model.binomial(down))
            for across, down in noise_model.DIFFERENCES
        ]
        for i, plane in enumerate([*planes, tall - starlet.smooth(tall, 1)]):
            values[i, part] = _core(plane.reshape(-1, side, side), edge)

    # blocks without a margin see those above and below them
    over(some, (slice(i, i + _TOGETHER) for i in range(0, len(patches), _TOGETHER)) if edge else [slice(None)])
    return values


def _blobs(patches: Plane) -> Plane:
    """Give w_2 + w_3 of blocks with their margins."""
    side = patches.shape[1]
    tall = np.ascontiguousarray(patches.reshape(-1, side))
    smooth = starlet.smooth(tall, 1)
    return (smooth - starlet.smooth(starlet.smooth(smooth, 2), 3)).reshape(patches.shape)


def _certain(plane: Plane) -> Plane:
    """Mark (1) values whose neighbours are there too; or all there are, where that leaves too few."""
    import cv2

    good = np.isfinite(plane).astype(np.uint8)
    clear = cv2.erode(good, np.ones((3, 3), np.uint8))
    return (clear if clear.sum() > 0.1 * good.sum() else good).astype(np.float32)


def _defects(patches: Plane) -> tuple[float, float, Flags, bool]:
    """Look for what spoils a measurement: (distance of few levels or 0, lowest value, usable patches, darkest cut off?)."""
    distinct = [np.unique(p) for p in patches[:: max(1, len(patches) // 40)]]
    gaps = np.concatenate([np.diff(d) for d in distinct])
    coarse = bool(np.median([len(d) for d in distinct]) <= 24)
    step = float(median(gaps)) if coarse and gaps.size else 0.0
    lowest = float(patches.min())
    # a border without data is zero throughout; where the sky was cut off zeros are scattered
    empty = patches == 0
    usable: Flags = np.ones(len(patches), bool)
    if empty.any():
        solid = empty[:, 1:-1, 1:-1] & empty[:, :-2, 1:-1] & empty[:, 2:, 1:-1] & empty[:, 1:-1, :-2] & empty[:, 1:-1, 2:]
        usable = np.asarray(solid.mean((1, 2)) <= 0.03)
    if usable.sum() < FEWEST_BLOCKS:
        usable = np.ones(len(patches), bool)
    at_lowest = (patches == lowest).mean((1, 2))
    cut = not coarse and bool(at_lowest[usable].mean() > 1e-3)
    whole = usable & (at_lowest < 1e-3)
    if cut and whole.sum() >= FEWEST_BLOCKS:  # brighter blocks that nothing was cut from
        usable, cut = whole, False
    return step, lowest, usable, cut


def robust(values: Plane) -> Floats:
    """Give the standard deviation of each row from the median of its sizes; where that is 0, the plain one."""
    middle = median(np.abs(values[:, ::3]), axis=1).astype(np.float64) * 1.4826
    return np.asarray(np.where(middle > 0, middle, np.sqrt(np.square(values).mean(1, dtype=np.float64))), np.float64)


def spread(values: Plane, use: Flags, guess: Floats, plain: bool) -> Floats:
    """Give the standard deviation of each row's used values about 0, what lies beyond 3 of it left out (unless ``plain``)."""
    if plain:  # few levels: values beyond 3 sigma of a robust guess may be all there is of the noise
        square = np.square(values) * use
        return np.asarray(np.sqrt(square.sum(1, dtype=np.float64) / np.maximum(use.sum(1), 1)), np.float64)
    size, square = np.abs(values), np.square(values)
    for _ in range(2):
        keep = (size <= (3 * guess).astype(np.float32)[:, None]) & use
        total = (square * keep).sum(1)
        # 0.986578: what clipping at 3 sigma leaves of a normal distribution's
        guess = np.sqrt(total / np.maximum(np.count_nonzero(keep, axis=1), 1)) / 0.986578
    return np.asarray(guess, np.float64)


def _stars(blobs: Plane, sigma: Floats, edge: int) -> Flags:
    """Mark pixels on and around what stands out of the noise as a star does: (blocks, pixels)."""
    import cv2

    side = blobs.shape[1]
    with np.errstate(over="ignore"):  # what is beyond all numbers stands out, too
        excess = (blobs / np.maximum(sigma, 1e-30).astype(np.float32)[:, None, None]).reshape(-1, side)
    marked = np.zeros(excess.shape, np.uint8)
    for above, reach in _STARS:
        hot = (excess > above).view(np.uint8)
        cv2.max(marked, cv2.dilate(hot, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)), dst=marked)
    return _core(marked.reshape(blobs.shape), edge) > 0


def _upper_side(values: Plane, lowest: float) -> Floats:
    """Give the standard deviation of each row from quantiles above those at which the darkest values were cut off."""
    from scipy.special import ndtri

    out = np.empty(len(values))
    for i, row in enumerate(values):
        low = max(0.5, min(0.97, float((row == lowest).mean()) + 0.05))
        high = low + 0.7 * (1 - low)
        a, b = np.quantile(row, [low, high])
        out[i] = (b - a) / (ndtri(high) - ndtri(low))
    return out
