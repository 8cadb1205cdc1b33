"""Stretch: how linear light becomes display levels, and what the stretch is anchored to.

Everything above the sky is anchored to light, never to noise, so that the same nebula looks the same in a deeper stack:
the sky is shown at a wanted level, the nebula's dim parts at another, its highlights just under white. Noise
only decides where black lies, below the sky, where there is no light to show.

The curve through these is asinh (Lupton, Gunn & Szalay 1999, AJ 118:1406; Lupton et al. 2004, PASP 116:133) or the
rational bias curve (Schlick 1994, Graphics Gems IV; Barron 2020, arXiv 2010.09714).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import colour, starlet
from nebulakit.pixels.colour import Array
from nebulakit.pixels.median import median

KNEE = 0.9
"""Display level from which highlights are rolled off: 1 becomes 0.95, nothing ever reaches 1."""
FILLED = 0.6
"""Where more of the frame than this holds light, the dimmest of it is no faint shell on a sky but lanes in a nebula."""
GENTLE = 10.0
"""An asinh this soft is a straight line to a third of a percent."""


def asinh_rise(z: Array, softening: float) -> Array:
    """Give asinh(z/a)/asinh(1/a) for z >= 0: 0 at 0, 1 at 1, steep below a.

    >>> [round(v, 6) for v in asinh_rise(np.array([0, 0.25, 1], np.float32), 0.1).tolist()]
    [0.0, 0.549402, 1.0]
    """
    out = z * np.float32(1 / softening)
    root = out * out
    root += np.float32(1)
    np.sqrt(root, out=root)
    out += root
    np.log(out, out=out)  # asinh; np.arcsinh is vector code on few machines only
    out *= np.float32(1 / math.asinh(1 / softening))
    return out


def midtone_rise(z: Array, bend: float) -> Array:
    """Give Schlick's bias z / ((1/b - 2)(1 - z) + 1) for z >= 0: 0 at 0, b at 1/2, 1 at 1.

    >>> midtone_rise(np.array([0, 0.25, 0.5, 1], np.float32), 0.75).tolist()
    [0.0, 0.5, 0.75, 1.0]
    """
    k = bend / (1 - bend)
    below = z * np.float32(k - 1)
    below += np.float32(1)
    return np.asarray(np.divide(z * np.float32(k), below, out=below))


@dataclass(frozen=True)
class Stretch:
    """A stretch, all of it: levels are light above (``white``) or below (``black``) the sky, ``shape`` is softening or bend.

    The sky is shown at ``sky``, ``white`` at 1 before the highlights are rolled off, ``black`` at 0; light under
    ``ease`` is drawn towards the sky (star layers: what is left of noise there).
    """

    kind: Literal["asinh", "midtone"]
    shape: float
    black: float
    white: float
    sky: float
    ease: float = 0.0

    def rise(self, z: Array) -> Array:
        """Give the curve from sky (0) to white (1)."""
        return asinh_rise(z, self.shape) if self.kind == "asinh" else midtone_rise(z, self.shape)

    @property
    def slope(self) -> float:
        """Display level per light at the sky."""
        k = 1 / (self.shape * math.asinh(1 / self.shape)) if self.kind == "asinh" else self.shape / (1 - self.shape)
        return (1 - self.sky) * k / self.white

    @property
    def reach(self) -> float:
        """How far under the sky the shown level is 0: at black, or further where the curve's slope at the sky leads there."""
        return max(self.black, self.sky / self.slope)

    @property
    def fade(self) -> float:
        """Light above the sky at which colour has faded to half."""
        return self.black if self.sky <= 0 else max(self.black, 1e-3 * self.reach)

    @property
    def tint(self) -> float:
        """Display level per light by which a channel differs from the mean at the sky."""
        shown = colour.decode1(self.sky)
        return shown / self.fade * (colour.encode1(shown * 1.001) - colour.encode1(shown * 0.999)) / (0.002 * shown)

    def level(self, light: Array) -> Array:
        """Give the display level of light above the sky (any shape, one plane)."""
        if self.ease > 0:
            t = np.clip(light * np.float32(1 / self.ease), 0, 1)
            light = light * (t * t * (3 - 2 * t))
        out = self.rise(np.maximum(light * np.float32(1 / self.white), 0))
        out *= np.float32(1 - self.sky)
        if self.sky > 0:
            # from the sky down to black a power, which meets the curve with its own slope
            under = np.clip(light * np.float32(1 / self.reach) + np.float32(1), 0, 1)
            out += np.float32(self.sky) * colour.power(under, self.slope * self.reach / self.sky)
        return roll_off(out)


def roll_off(level: Array) -> Array:
    """Bend levels above KNEE so that they near 1 and never reach it; changes and returns ``level``."""
    above = np.maximum(level - np.float32(KNEE), 0)
    np.minimum(level, np.float32(KNEE), out=level)
    level += above / (above * np.float32(1 / (1 - KNEE)) + np.float32(1))
    return level


def unrolled(level: Array) -> Array:
    """Undo :func:`roll_off`, up to a level of 4; gives a new array."""
    above = np.clip((level - np.float32(KNEE)) * np.float32(1 / (1 - KNEE)), 0, np.float32(31 / 32))
    out = np.minimum(level, np.float32(KNEE))
    out += np.float32(1 - KNEE) * above / (1 - above)
    return np.asarray(out)


def stretched(planes: Array, sky: tuple[float, ...], how: Stretch) -> Array:
    """Stretch linear planes (1 or 3); give encoded display planes.

    Colour: all channels of a pixel are multiplied, in light, by one factor, which brings their mean to its level; the
    brightest channel is rolled off by one factor too. Near the sky, where colour is noise, it fades into grey; the
    hue is that of the light above the sky throughout. A pixel with NaN in any channel is NaN in all.
    """
    out = np.empty_like(planes)

    def plain(rows: slice) -> None:
        for plane, level, made in zip(planes, sky, out, strict=True):
            made[rows] = how.level(plane[rows] - np.float32(level))

    def colourful(rows: slice) -> None:
        light = np.stack([p[rows] - np.float32(s) for p, s in zip(planes, sky, strict=True)])
        out[:, rows] = _coloured(light, how)

    colour.by_rows(colourful if len(planes) == 3 else plain, (planes.shape[1], planes.shape[2]))
    return out


def _coloured(light: Array, how: Stretch) -> Array:
    """Do :func:`stretched` for light above the sky (3, y, x)."""
    mean = light[0] + light[1]
    mean += light[2]
    mean *= np.float32(1 / 3)
    level = how.level(mean)
    fade = how.fade
    # grey light, as strong as black is deep, is added so that colour fades where it is but noise
    part = colour.decode(level)
    part /= np.maximum(mean + np.float32(fade), np.float32(1e-6 * how.white))
    shown = light + np.float32(fade)
    shown *= part
    np.maximum(shown, 0, out=shown)
    most = np.maximum(np.maximum(shown[0], shown[1]), shown[2])
    if np.nanmax(most, initial=0) > colour.decode1(KNEE):
        shown *= colour.decode(roll_off(colour.encode(most))) / np.maximum(most, np.float32(1e-12))
    # the grey turns the hue of what stands above the sky, so that is set again; a channel below the sky holds no light,
    # and as less than none it would make hues that no light has: olive and violet where red is faint
    lab, wanted = colour.to_lab(shown), colour.to_lab(np.maximum(light, 0))
    length = np.sqrt(wanted[1] * wanted[1] + wanted[2] * wanted[2])
    chroma = np.sqrt(lab[1] * lab[1] + lab[2] * lab[2])
    chroma /= np.maximum(length, np.float32(1e-20))
    np.multiply(wanted[1:], chroma, out=lab[1:])
    out = colour.encode(colour.fit(lab))
    if fade > 0 and how.sky > 0:
        # at the sky colour is noise: added to the level it leaves the sky of every channel where it belongs
        clear = np.clip(mean * np.float32(1 / fade), 0, 1)
        clear *= clear * (3 - 2 * clear)
        light -= mean
        light *= np.minimum(level * np.float32(how.tint / how.sky * 2), np.float32(how.tint))
        light += level
        np.clip(light, 0, 1, out=light)
        out -= light
        out *= clear
        out += light
    return out


def noise_matrix(channels: int, how: Stretch) -> list[list[float]]:
    """Give how small changes of the light's channels at the sky change the display's channels, (out, in)."""
    if channels != 3:
        return [[how.slope * (a == b) for b in range(channels)] for a in range(channels)]
    step = np.float32(0.01 * (how.fade or how.white))
    light = np.zeros((3, 1, 6), np.float32)
    for c in range(3):
        light[c, 0, 2 * c], light[c, 0, 2 * c + 1] = step, -step
    shown = stretched(light, (0.0,) * 3, how)[:, 0].astype(float)
    return [[float(v) for v in row] for row in (shown[:, ::2] - shown[:, 1::2]) / (2 * float(step))]


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

    height, width = planes.shape[1:]
    side = max(math.ceil(math.sqrt(height * width / 1_000_000)), 4 if min(height, width) >= 160 else 1)
    size = (max(1, width // side), max(1, height // side))
    small = []
    for plane, level in zip(planes, sky, strict=True):
        part = plane[: size[1] * side, : size[0] * side]
        bins = cv2.resize(part, size, interpolation=cv2.INTER_AREA) - np.float32(level)
        if stars:
            kernel = np.ones((5, 5), np.uint8)
            bins = cv2.morphologyEx(np.nan_to_num(bins), cv2.MORPH_OPEN, kernel) + 0 * bins
        small.append(np.asarray(bins, np.float32))
    channels = np.stack(small)
    mean = channels.mean(0)
    good = np.isfinite(mean)
    if not good.any():
        return Anchors(1.0, 1.0, 1.0, noise, False)
    filled = np.where(good, mean, np.float32(median(mean[good])))
    scatter = 1.4826 * float(median(np.abs(filled - starlet.smooth(filled, 1)))) / 0.89
    values = mean[good].astype(np.float64)
    highest = float(values.max())
    floor = max(4 * scatter, 1e-9 * float(np.abs(values).max()))
    if (values > floor).sum() < 8:
        widest = max(highest, 30 * noise, 30 * scatter, least)
        return Anchors(widest / 3, widest, 1.0, noise, False) if widest > 0 else Anchors(1 / 3, 1.0, 1.0, noise, False)
    bright = _light_quantile(values, max(floor, 0.02 * _light_quantile(values, floor, 0.98)), 0.98)
    # dim light, smoothed once more, stands out of a noise almost four times lower
    calm = starlet.smooth(filled, 1)[good].astype(np.float64)
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
