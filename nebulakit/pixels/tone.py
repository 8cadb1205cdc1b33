"""Stretch: how linear light becomes display levels.

The curve through these is asinh (Lupton, Gunn & Szalay 1999, AJ 118:1406; Lupton et al. 2004, PASP 116:133) or the
rational bias curve (Schlick 1994, Graphics Gems IV; Barron 2020, arXiv 2010.09714).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from nebulakit.pixels import colour
from nebulakit.pixels.colour import Array

KNEE = 0.9
"""Display level from which highlights are rolled off: 1 becomes 0.95, nothing ever reaches 1."""
_WHITES = 1e9  # what lies further over white is as white as can be, and its square would not fit into a 32-bit float
FAINT_TINT = 0.75
"""Under the sky no channel lies further below the mean than by this share of it."""


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
    ``ease`` is drawn towards the sky (star layers: what is left of noise there). Colour fades in the noise, as deep as
    ``black`` is, but no deeper than ``fading``.
    """

    kind: Literal["asinh", "midtone"]
    shape: float
    black: float
    white: float
    sky: float
    ease: float = 0.0
    fading: float = math.inf

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
        deep = min(self.black, self.fading)
        return deep if self.sky <= 0 else max(deep, 1e-3 * self.reach)

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
    most = np.float32(_WHITES * how.white)

    def light(plane: Array, level: float) -> Array:
        return np.asarray(np.clip(plane - np.float32(level), -most, most))

    def plain(rows: slice) -> None:
        for plane, level, made in zip(planes, sky, out, strict=True):
            made[rows] = how.level(light(plane[rows], level))

    def colourful(rows: slice) -> None:
        out[:, rows] = _coloured(np.stack([light(p[rows], s) for p, s in zip(planes, sky, strict=True)]), how)

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
        # a channel far under the others is no colour either: cut at black it left green and teal corners under a glow told too high
        least = np.minimum(np.minimum(light[0], light[1]), light[2])
        light *= np.minimum(np.float32(FAINT_TINT) * level / np.maximum(-least, np.float32(1e-9)), 1)
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
