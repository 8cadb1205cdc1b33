"""How many frames lie where: the sense of a given map, and what the noise tells where no map is given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Meaning = Literal["frames", "rejections", "variance"]

_ANGLES = 120
_WINDOW = 4.0  # degrees to each side of a ray
_FEW = 150  # blocks
_CERTAIN = 0.1  # rank correlation under which a map has nothing to do with the noise


@dataclass(frozen=True)
class Blocks:
    """Noise and level of blocks of ``size`` px: (channel, rows, columns), NaN where a block is not full."""

    size: int
    variance: Doubles
    level: Doubles


def block_noise(planes: Floats, good: Mask, size: int) -> Blocks:
    """Measure variance (of the finest detail, robustly) and level in blocks; what lies over the last full block is left out.

    The detail is the second difference along both axes: stars and filaments, being smooth over three pixels, leave
    little in it (Immerkaer 1996, Comput. Vis. Image Underst. 64:300). The median of its size is hardly moved by the rest.
    """
    import cv2

    h, w = good.shape
    rows, cols = h // size, w // size
    step = max(1, size // 16)  # hundreds of pixels tell a block's noise well enough
    # pixels beside an empty one see the step down to it
    solid = cv2.erode(good.view(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE).view(np.bool_)
    full = _blocks(solid, rows, cols, size, step).all(1)
    # blocks are looked at in some of their rows and columns; an edge continues as it is
    ys, xs = ((np.arange(many)[:, None] * size + np.arange(0, size, step)).ravel() for many in (rows, cols))

    def one(plane: Floats) -> tuple[Doubles, Doubles]:
        here = plane[ys]
        with np.errstate(invalid="ignore", over="ignore"):  # what is not good may be anything
            bent = np.float32(0.5) * (plane[np.maximum(ys - 1, 0)] + plane[np.minimum(ys + 1, h - 1)]) - here
            bent = np.float32(0.5) * (bent[:, np.maximum(xs - 1, 0)] + bent[:, np.minimum(xs + 1, w - 1)]) - bent[:, xs]
        noise, level = np.full(rows * cols, np.nan), np.full(rows * cols, np.nan)
        for values, out in ((np.abs(bent), noise), (here[:, xs], level)):
            part = _blocks(values, rows, cols, -(-size // step))[full]
            if part.size:
                out[full] = median(part, axis=1)
        return (1.4826 * noise) ** 2, level

    done = over(one, planes)
    shape = (len(planes), rows, cols)
    return Blocks(size, np.array([d[0] for d in done]).reshape(shape), np.array([d[1] for d in done]).reshape(shape))


def _blocks(array: npt.NDArray[Any], rows: int, cols: int, size: int, step: int = 1) -> npt.NDArray[Any]:
    """Give the pixels of each block, (block, pixel)."""
    cut = array[: rows * size, : cols * size].reshape(rows, size, cols, size)[:, ::step, :, ::step]
    return cut.transpose(0, 2, 1, 3).reshape(rows * cols, cut.shape[1] * cut.shape[3])


# --- what a given map counts ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sense:
    """What a map counts, and how surely the noise says so."""

    meaning: Meaning | None  # None: it has nothing to do with the noise
    correlation: float  # of the map with the noise, by rank, the level's share taken out


def sense_of(map_: Floats, planes: Floats, good: Mask) -> Sense:
    """Find from the noise whether a map counts frames (more is better), rejected frames, or variance.

    Noise falls where more frames lie. It also follows the level; so the rank correlation of map and noise is taken with
    both freed of their correlation with the level.
    """
    size = int(np.clip(min(good.shape) // 36, 8, 64))
    blocks = block_noise(planes, good, size)
    rows, cols = blocks.variance.shape[1:]
    told = median(_blocks(map_, rows, cols, size), axis=1).reshape(rows, cols)
    known = np.isfinite(blocks.variance).all(0) & (blocks.variance > 0).all(0) & np.isfinite(told)
    if known.sum() < 12 or np.ptp(told[known]) == 0:
        return Sense("frames", 0.0)  # an even map: nothing depends on its sense
    noise = np.log(blocks.variance[:, known]).mean(0)
    level = blocks.level[:, known].mean(0)
    m = _ranks(told[known])
    n, v = _ranks(noise), _ranks(level)
    with np.errstate(invalid="ignore", divide="ignore"):
        mn, mv, nv = np.corrcoef(m, n)[0, 1], np.corrcoef(m, v)[0, 1], np.corrcoef(n, v)[0, 1]
        rho = float((mn - mv * nv) / np.sqrt((1 - mv**2) * (1 - nv**2)))
    rho = rho if np.isfinite(rho) else float(mn)
    if known.sum() < _FEW and rho < 0.5:
        return Sense("frames", rho)  # too few blocks to say more than what a map mostly is
    if abs(rho) < _CERTAIN:
        return Sense(None, rho)
    if rho < 0:
        return Sense("frames", rho)
    t = told[known]
    if (t > 0).all():
        # a variance map is proportional to the noise's variance, a count of rejections is not
        t = np.log(t)
        slope = float(((t - t.mean()) * (noise - noise.mean())).mean() / t.var())
        if 0.7 < slope < 1.4:
            return Sense("variance", rho)
    return Sense("rejections", rho)


def as_frames(map_: Floats, meaning: Meaning, planes: Floats, good: Mask) -> Floats:
    """Turn a map into one that is more where more frames lie; 0 where nothing is.

    From rejections to frames one must know how many frames there were: the number at which the noise fits best,
    variance being proportional to 1 / (frames - rejections).
    """
    if meaning == "frames":
        return np.where(good, map_, np.float32(0))
    if meaning == "variance":
        with np.errstate(divide="ignore"):
            return np.where(good & (map_ > 0), np.float32(1) / map_, np.float32(0)).astype(np.float32)
    top = float(map_[good].max())
    size = int(np.clip(min(good.shape) // 36, 8, 64))
    blocks = block_noise(planes, good, size)
    rows, cols = blocks.variance.shape[1:]
    told = median(_blocks(map_, rows, cols, size), axis=1).reshape(rows, cols)
    known = np.isfinite(blocks.variance).all(0) & (blocks.variance > 0).all(0)
    frames = 2 * top
    if known.sum() >= 12:
        weight = np.exp(-np.log(blocks.variance[:, known]).mean(0))
        slope, offset = np.polyfit(told[known], weight / weight.mean(), 1)
        frames = float(-offset / slope) if slope < 0 else frames
    return np.where(good, np.float32(max(frames, 1.02 * top)) - map_, np.float32(0)).astype(np.float32)


def _ranks(a: Doubles) -> Doubles:
    """Ranks, equal values sharing theirs."""
    _, inverse, counts = np.unique(a, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    return np.asarray((ends - (counts - 1) / 2)[inverse], float)


def best_level(coverage: Floats) -> tuple[float, bool]:
    """Give the coverage that counts as the best, and whether it is the plain maximum.

    The maximum, if more than a thousandth of the covered pixels come within 5 % of it; else the level that a thousandth
    exceed, since a few odd pixels say nothing of the field.
    """
    there = coverage[coverage > 0]
    if not there.size:
        return 0.0, True
    top = float(there.max())
    if float((there >= 0.95 * top).mean()) > 0.001:
        return top, True
    return float(np.partition(there, int(0.999 * (there.size - 1)))[int(0.999 * (there.size - 1))]), False


# --- no map: what the noise tells ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Profile:
    """Coverage along rays from the middle, as the noise tells it: 1 inside, falling outwards."""

    middle: tuple[float, float]  # x, y
    step: float  # px along a ray
    rays: tuple[Doubles, ...]  # relative coverage at each step, never rising

    def mask(self, shape: tuple[int, int], keep: float, scale: float = 1.0) -> Mask:
        """Give the pixels whose coverage is at least ``keep``, on a picture ``scale`` times as large."""
        import cv2

        told = np.array([self._reach(ray, keep) for ray in self.rays])
        # one ray of many may be off; a few neighbours decide, rather for the field than against it
        reach, whole = np.percentile([np.roll(told, i, axis=0) for i in range(-2, 3)], 68, axis=0).T
        if (whole > 0.5).mean() > 0.95:
            return np.ones(shape, np.bool_)
        angle = np.radians(np.arange(len(reach)) * 360 / len(reach))
        x = (self.middle[0] + 0.5 + reach * np.cos(angle)) * scale - 0.5
        y = (self.middle[1] + 0.5 + reach * np.sin(angle)) * scale - 0.5
        # what many frames share is convex
        hull = cv2.convexHull(np.stack([x, y], 1).astype(np.float32))
        out = np.zeros(shape, np.uint8)
        cv2.fillPoly(out, [np.round(hull).astype(np.int32)], 1)
        return out.view(np.bool_)

    def _reach(self, ray: Doubles, keep: float) -> tuple[float, bool]:
        """How far a ray is good enough, and whether that is as far as could be measured: then a block more."""
        enough = np.flatnonzero(ray >= keep)
        if not enough.size:
            return 0.0, False
        whole = bool(enough[-1] == len(ray) - 1)
        return float((enough[-1] + (2 if whole else 1)) * self.step), whole


def profile_of(planes: Floats, good: Mask) -> Profile | None:
    """Estimate coverage from the noise: what many turned and shifted frames share never grows from the middle outwards.

    Noise is measured in small blocks, freed of what the level explains, gathered along rays from the middle, and each ray
    is made to fall (isotonic regression by pooling adjacent violators; Barlow et al. 1972). Stars and nebula only ever
    add to the noise, so an upper quantile of the blocks is taken. Field rotation about the target leaves a field
    that looks the same turned by 180 degrees; where the data agree with that, opposite rays are taken together.
    None where the picture is too small.
    """
    h, w = good.shape
    size = int(np.clip(min(h, w) // 90, 5, 48))
    blocks = block_noise(planes, good, size)
    rows, cols = blocks.variance.shape[1:]
    shares = [_log_share(v, level) for v, level in zip(blocks.variance, blocks.level, strict=True)]
    known = np.isfinite(np.array(shares)).all(0) if shares else np.zeros((rows, cols), bool)
    if known.sum() < 400:
        return None
    # the channel in which structure shows most is left out
    share = np.sort(np.array(shares), axis=0)[1 if len(shares) > 2 else 0 :].mean(0)[known]
    y, x = (np.array(np.nonzero(known)) + 0.5) * size - 0.5
    middle = (_middle(good.any(axis=0)), _middle(good.any(axis=1)))
    radius = np.hypot(x - middle[0], y - middle[1])
    angle = np.degrees(np.arctan2(y - middle[1], x - middle[0]))
    single = _rays(share, radius, angle, size, False)
    double = _rays(share, radius, angle, size, True)
    inner = float(np.median([np.mean(r[: max(3, len(r) // 2)]) for r in double if len(r)]))
    # opposite sides that end at clearly different places are not of one rotation about the middle
    ends = np.array([np.count_nonzero(r - inner > np.log(0.5)) for r in single], float)
    apart = np.abs(ends - np.roll(ends, len(ends) // 2)) / np.maximum(ends + np.roll(ends, len(ends) // 2), 1)
    alike = bool(np.percentile(apart, 75) < 0.04)
    rays = tuple(np.exp(r - inner) for r in (double if alike else single))
    return Profile(middle, float(size), rays)


def _middle(there: Any) -> float:
    return float(np.flatnonzero(there)[[0, -1]].mean())


def _log_share(variance: Doubles, level: Doubles) -> Doubles:
    """Logarithm of a block's coverage relative to the middle of the field."""
    rows, cols = variance.shape
    inner = np.zeros(variance.shape, bool)
    inner[rows // 4 : rows - rows // 4, cols // 4 : cols - cols // 4] = True
    inner &= np.isfinite(variance) & (variance > 0)
    if inner.sum() < 20:
        inner = np.isfinite(variance) & (variance > 0)
    if not inner.any():
        return np.full(variance.shape, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        out = _log_expected(variance[inner], level[inner], level) - np.log(variance)
    out[~np.isfinite(out)] = np.nan
    return np.asarray(out - median(out[inner & np.isfinite(out)]))


def _log_expected(variance: Doubles, inner: Doubles, level: Doubles) -> Doubles:
    """Logarithm of the variance that full coverage would have at each level, up to a constant.

    Photon noise: variance is proportional to the level. Of a raw sky (far above zero) that is assumed, and corrected by
    what the well-covered middle shows, as far as levels there differ enough to tell. Of a sky already subtracted
    nothing is known.
    """
    middle, spread = float(median(inner)), float(np.subtract(*np.percentile(inner, [90, 10])))
    if middle <= 2 * spread or spread <= 0:
        return np.zeros(level.shape)
    order = np.argsort(inner, kind="stable")
    half = len(inner) // 2
    low, high = order[:half], order[-half:]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = float(np.nanmedian((variance[high] - variance[low]) / (inner[high] - inner[low])))
    told = (spread / middle) ** 2
    trust = told / (told + 0.09)
    power = float(np.clip(trust * slope * middle / float(median(variance)) + 1 - trust, 0.6, 1.5))
    return np.asarray(power * np.log(np.maximum(level, 0.2 * middle) / middle))


def _rays(share: Doubles, radius: Doubles, angle: Doubles, step: float, opposite: bool) -> list[Doubles]:
    """Gather blocks along rays: per step outwards an upper quantile, made never to rise; the last step fills gaps."""
    out = []
    order = np.argsort(radius, kind="stable")
    share, angle = share[order], angle[order]
    place = (radius[order] / step).astype(int)
    for k in range(_ANGLES):
        away = np.abs((angle - k * 360 / _ANGLES + 180) % 360 - 180)
        near = np.minimum(away, 180 - away) < _WINDOW if opposite else away < _WINDOW
        at, first, count = np.unique(place[near], return_index=True, return_counts=True)
        values = share[near]
        upper = np.array([np.percentile(values[f : f + n], 82) for f, n in zip(first, count, strict=True)])
        fallen = _falling(upper, count.astype(float))
        # near the middle a ray may miss blocks: it holds there what it holds at the next one outwards
        out.append(fallen[np.searchsorted(at, np.arange(int(at[-1]) + 1))] if len(at) else fallen)
    return out


def _falling(values: Doubles, weights: Doubles) -> Doubles:
    """Give the non-increasing sequence nearest to ``values`` (pool adjacent violators)."""
    level: list[float] = []
    weight: list[float] = []
    many: list[int] = []
    for v, w in zip(values.tolist(), weights.tolist(), strict=True):
        level.append(v)
        weight.append(w)
        many.append(1)
        while len(level) > 1 and level[-2] < level[-1]:
            total = weight[-2] + weight[-1]
            level[-2] = (level[-2] * weight[-2] + level[-1] * weight[-1]) / total
            weight[-2] = total
            many[-2] += many[-1]
            del level[-1], weight[-1], many[-1]
    return np.repeat(np.array(level), many)
