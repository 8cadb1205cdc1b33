"""What a stretch is anchored to, and the curve that follows from it.

Everything above the sky is anchored to light, never to noise, so that the same nebula looks the same in a deeper stack:
the sky is shown at a wanted level, the nebula's dim parts at another, its highlights just under white. Noise
only decides where black lies, below the sky, where there is no light to show.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import colour, starlet
from nebulakit.pixels.colour import Array
from nebulakit.pixels.median import median
from nebulakit.pixels.tone import unrolled

FILLED = 0.6
"""Where more of the frame than this holds light, the dimmest of it is no faint shell on a sky but lanes in a nebula."""
GENTLE = 10.0
"""An asinh this soft is a straight line to a third of a percent."""


@dataclass(frozen=True)
class Anchors:
    """Light above the sky that a stretch is anchored to.

    ``dim``: a tenth of the nebula's light is fainter than this; up to half where light fills the frame. ``bright``: 2 % of it is brighter. ``share``: how much
    the mean of the channels is of their largest where it is bright (1 for grey). ``noise``: of one pixel, as it is in the
    layer. ``found``: False where no light stands out of the noise.
    """

    dim: float
    bright: float
    share: float
    noise: float
    found: bool


def anchors(planes: Array, sky: tuple[float, ...], noise: float, *, stars: bool, least: float = 0.0) -> Anchors:
    """Find what a stretch is anchored to, on pixels averaged so far that noise hardly matters.

    ``noise`` is that of one pixel (:func:`pixel_noise`). ``stars``: the layer holds stars and nebula; what is narrower
    than a few averaged pixels is taken away first. Light of less than ``least`` is not shown white, however bright the rest:
    what is left of a glow is no nebula. Weighting by light makes the answer independent of how much empty sky
    lies around, and of where the faintest light is lost in noise.
    """
    import cv2

    channels = _above(planes, sky)
    if stars:
        kernel = np.ones((5, 5), np.uint8)
        channels = np.stack([cv2.morphologyEx(np.nan_to_num(c), cv2.MORPH_OPEN, kernel) + 0 * c for c in channels])
    mean = channels.mean(0)
    good = np.isfinite(mean)
    if not good.any():
        return Anchors(1.0, 1.0, 1.0, noise, False)
    filled = np.where(good, mean, np.float32(median(mean[good])))
    smooth = starlet.smooth(filled, 1)
    scatter = 1.4826 * float(median(np.abs(filled - smooth))) / 0.89
    values = mean[good].astype(np.float64)
    highest = float(values.max())
    floor = max(4 * scatter, 1e-9 * float(np.abs(values).max()))
    if (values > floor).sum() < 8:
        widest = max(highest, 30 * noise, 30 * scatter, least)
        return Anchors(widest / 3, widest, 1.0, noise, False) if widest > 0 else Anchors(1 / 3, 1.0, 1.0, noise, False)
    bright = _light_quantile(values, max(floor, 0.02 * _light_quantile(values, floor, 0.98)), 0.98)
    # dim light, smoothed once more, stands out of a noise almost four times lower
    calm = smooth[good].astype(np.float64)
    faintest = max(1.2 * scatter, 0.02 * bright)
    # where light fills the frame the dimmest are lanes in it, no faint shell: a stretch that lifts these makes holes of them
    dim = _light_quantile(calm, faintest, 0.1)
    filled_by = min(max((float((calm > 0.3 * dim).mean()) - FILLED) / (1 - FILLED), 0.0), 1.0)
    dim = min(bright, _light_quantile(calm, faintest, 0.1 + 0.4 * filled_by))
    held = max(1.0, least / bright)
    top = channels[:, good & (mean >= 0.7 * bright)]
    share = float(median(top.mean(0) / np.maximum(top.max(0), 1e-30))) if top.size else 1.0
    # the weaker all is, the more it stays where a straight line puts it
    dim = max(dim, min(held * dim * held, held * bright / 3))
    return Anchors(dim, held * bright, min(1.0, max(1 / 3, share)), noise, held < 2)


def averaged(planes: Array) -> Array:
    """Average planes (channel, y, x) over squares so large that grain hardly matters: at most a million are left, 4 px wide at least."""
    import cv2

    height, width = planes.shape[1:]
    side = max(math.ceil(math.sqrt(height * width / 1_000_000)), 4 if min(height, width) >= 160 else 1)
    size = (max(1, width // side), max(1, height // side))
    return np.stack([cv2.resize(p[: size[1] * side, : size[0] * side], size, interpolation=cv2.INTER_AREA) for p in planes])


def smoothed(plane: Array) -> Array:
    """Give the finite values of a plane (y, x) smoothed once; what is missing counts as the median."""
    there = np.isfinite(plane)
    if not there.any():
        return np.zeros(0, np.float32)
    return np.asarray(starlet.smooth(np.where(there, plane, np.float32(median(plane[there]))), 1)[there])


def _above(planes: Array, sky: tuple[float, ...]) -> Array:
    """Give averaged light above the sky."""
    return averaged(planes) - np.array(sky, np.float32)[:, None, None]


def _light_quantile(values: npt.NDArray[np.float64], floor: float, share: float) -> float:
    """Give the value below which a share of the sum of all values above ``floor`` lies."""
    lit = np.sort(values[values > floor])
    if not len(lit):
        return floor
    total = np.cumsum(lit)
    return float(lit[min(len(lit) - 1, int(np.searchsorted(total, share * total[-1])))])


def pixel_noise(planes: Array) -> float:
    """Give the standard deviation of one pixel of the channels' mean as it is now, denoised or not; NaN is left out.

    Measured on sixteen tiles spread over a large frame, on all of a small one.
    """
    height, width = planes.shape[1:]
    side = 256
    if min(height, width) < 8 * side:
        tiles = [planes]
    else:
        ys, xs = (np.linspace(0, n - side, 4).astype(int).tolist() for n in (height, width))
        tiles = [planes[:, y : y + side, x : x + side] for y in ys for x in xs]
    fine = []
    for tile in tiles:
        level = tile.mean(0)
        good = np.isfinite(level)
        if good.any():
            filled = np.where(good, level, np.float32(median(level[good])))
            fine.append((filled - starlet.smooth(filled, 1))[good])
    return 1.4826 * float(median(np.abs(np.concatenate(fine)))) / 0.8908 if fine else 0.0


def softening_of(shown: Array, sky: float, lift: float = 0.4) -> float:
    """Tell the softening of the asinh that made a display plane (y, x): that with which its dim light came to ``lift``.

    As :func:`decide_asinh` chooses it; 0.3 where nothing stands above the sky. After other curves it is a fair guess of
    how strongly light was bent.
    """
    import cv2

    if sky >= 1:  # all is white
        return 0.3
    y = unrolled(shown)
    side = max(1, round(math.sqrt(y.size / 200_000)))
    if side > 1:
        y = np.asarray(cv2.resize(y, (y.shape[1] // side, y.shape[0] // side), interpolation=cv2.INTER_AREA), np.float32)
    y = (y - np.float32(sky)) * np.float32(1 / (1 - sky))
    wanted = (lift - sky) / (1 - sky)

    def above(softening: float) -> float:
        steep = math.asinh(1 / softening)
        light = np.sinh(np.clip(y, -1, 4) * np.float32(steep)) * np.float32(softening)
        found = anchors(light[None], (0.0,), 0.0, stars=False)
        return math.asinh(found.dim / softening) / steep - wanted if found.found else 0.0

    return _solve(above, 0.003, GENTLE, 16) if above(0.3) != 0 else 0.3


_CUT = 0.002
"""Share of the frame that may be shown black."""
_SPARE = 2.0
"""How much further down than that black lies, so that what is near it is seen apart."""


def deepest(planes: Array, sky: tuple[float, ...]) -> float:
    """Give how far under the sky black must lie for hardly any of the frame to be cut; 0 where nothing lies under it.

    Told on averaged pixels, so that noise does not count: empty sky lies a fifth of its noise deep at most, but where the
    glow was told too high whole corners lie under the sky.
    """
    calm = smoothed(_above(planes, sky).mean(0))
    return max(0.0, -_SPARE * float(np.quantile(calm.astype(np.float64), _CUT))) if calm.size else 0.0


FAINTEST = 6.0
"""What is never stronger than this, in noise of the linear stack, is not stretched to white: a single frame's uneven sky, say."""
VISIBLE = 0.1
"""No stretch found from the data shows the noise of the layer, as it is, stronger than this at the sky."""


def decide_asinh(found: Anchors, *, sky: float, lift: float, softening: float | None, white: float | None) -> tuple[float, float]:
    """Give (softening, white above the sky) that show ``found.dim`` at ``lift`` and its highlights just under white."""
    top = max(sky + 0.05, colour.encode1(found.share)) if white is None else 1.0
    bright = found.bright if white is None else white
    if softening is None:
        wanted = (lift * max(sky + 0.05, colour.encode1(found.share)) - sky) / (top - sky)
        soft = _solve(lambda s: math.asinh(found.dim / s) / math.asinh(bright / s) - wanted, 1e-6 * bright, GENTLE * bright)
        noise = found.noise * (top - sky) / VISIBLE
        soft = max(soft, _solve(lambda s: noise / s / math.asinh(bright / s) - 1, 1e-6 * bright, GENTLE * bright))
    else:
        soft = softening * bright
    if top < 1 and softening is None:  # a coloured light has its largest channel at 1 before its mean is there
        bright = soft * math.sinh(min(600.0, math.asinh(bright / soft) * (1 - sky) / (top - sky)))
    return soft / bright if softening is None else softening, bright


def decide_midtone(found: Anchors, *, sky: float, lift: float, bend: float | None, white: float | None) -> tuple[float, float]:
    """Give (bend, white above the sky) as :func:`decide_asinh` does; in closed form."""
    top = max(sky + 0.05, colour.encode1(found.share))
    bright = found.bright if white is None else white
    dim = min(found.dim, 0.999 * bright)
    y = (lift * top - sky) / (1 - sky)
    high = (top - sky) / (1 - sky) if white is None else 1.0
    if bend is not None:
        return bend, bright
    # as a function of light d the curve is e d / (1 + c d): straight where c is 0, level at e / c far out
    c = max(0.0, (y / dim - high / bright) / (high - y)) if y < high else 0.0
    e = high * (1 / bright + c)
    steepest = VISIBLE / found.noise / (1 - sky) if found.noise > 0 else math.inf
    if e > steepest:
        c = max(0.0, steepest / high - 1 / bright)
        e = high * (1 / bright + c)
    far = max(1 / (100 * bright), e - c)
    k = 1 + c / far
    return k / (1 + k), 1 / far


def midtone_through(x: float, y: float) -> float:
    """Give the slope k at 0 of the bias curve that shows x at y, not under 1; the bend is k / (1 + k).

    >>> round(midtone_through(0.02, 0.25), 6)
    16.333333
    """
    x, y = min(max(x, 1e-9), 1 - 1e-9), min(max(y, 1e-9), 1 - 1e-9)
    return max(1.0, y * (1 - x) / (x * (1 - y)))


def decide_faint(kind: str, *, faint: float, shown: float, bright: float) -> float:
    """Give the softening or bend that shows light ``faint`` above black at ``shown``; ``bright`` is white."""
    x = min(max(faint / bright, 1e-9), 0.5)
    if kind == "midtone":
        k = midtone_through(x, shown)
        return k / (1 + k)
    return _solve(lambda a: math.asinh(x / a) / math.asinh(1 / a) - shown, 1e-9, GENTLE)


def _solve(falling: Callable[[float], float], low: float, high: float, halvings: int = 80) -> float:
    """Give where a falling function is zero between low and high, by halving their logarithms; else the nearer end."""
    if falling(low) <= 0:
        return low
    if falling(high) >= 0:
        return high
    a, b = math.log(low), math.log(high)
    for _ in range(halvings):
        middle = (a + b) / 2
        a, b = (middle, b) if falling(math.exp(middle)) > 0 else (a, middle)
    return math.exp((a + b) / 2)


def star_white(planes: Array, sky: tuple[float, ...], white: tuple[float, ...] | None, noise: float) -> float:
    """Give the light above the sky at which a star is shown white: a thirtieth of that at which stars are cut off.

    Where that is not known the brightest pixel stands for it. Not under 100 times the noise.
    """
    cut = (
        [w - s for w, s in zip(white, sky, strict=True)]
        if white
        else [float(np.nanmax(p, initial=s)) - s for p, s in zip(planes, sky, strict=True)]
    )
    return max(math.fsum(cut) / len(cut) / 30, 100 * noise) or 1.0
