"""Work on hue and chroma: two lines in two colours, casts, saturation, turned hues. Display planes in, display planes out.

All of it keeps OKLab's lightness, and what would leave the range of a picture loses chroma, never hue.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from nebulakit.pixels import colour, masks, tone
from nebulakit.pixels.colour import Array

COLOURS: dict[str, tuple[float, float]] = {"red-teal": (25, 205), "gold-blue": (80, 255), "rose-cyan": (5, 200)}
"""Hues (degrees, OKLCh) of H-alpha and [O III]."""


SURE = 0.6
"""Light of this many noises of the linear stack has its full colour: what is left of a glow is mostly under half of it."""


def two_lines(
    ha: Array,
    oiii: Array,
    sky: tuple[float, float],
    hues: tuple[float, float],
    purity: float,
    softening: float,
    noise: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """Paint two display planes (y, x) in the hues of two lines; give red, green and blue.

    In light: the line ahead gives the brightness M; with rho the ratio of the weaker line to it, M rho of that is white
    and the rest has the colour of the line ahead. rho is the ratio of the lines before the stretch, an asinh of that
    ``softening``, or the same gas would change its hue with its brightness. Both at the sky or below it are grey at the sky's
    level (that of the first line) or below, both alike are grey anywhere, and nothing can leave 0..1.
    Where the line ahead stands less than :data:`SURE` of its ``noise`` above its sky, as what is left of a glow does, the colour
    fades into grey of the same lightness.
    """
    first, second = (colour.line_light(h, purity) for h in hues)
    greys = [_grey(c) for c in (first, second)]
    out = np.empty((3, *ha.shape), np.float32)
    level, other = sky
    unsure = [max(SURE * n, 1e-9) for n in (noise[0], noise[1] * (1 - level) / (1 - other))]
    steep = math.asinh(1 / softening)
    # light s of a line is replaced by s/2 + sqrt(s^2/4 + ground^2), so that just above the sky M rho is the weaker line's own light
    slope = (colour.decode1(level + 1e-4) - colour.decode1(level - 1e-4)) / 2e-4
    ground = max(0.005, 0.5 * colour.decode1(level) * steep * softening / (1 - level) / slope)

    def light_before(shown: Array) -> Array:
        y = tone.unrolled(shown)
        y -= np.float32(level)
        np.maximum(y, 0, out=y)  # below the sky there is no light, and no colour of it
        y *= np.float32(steep / (1 - level))
        np.exp(y, out=y)
        y -= 1 / y
        y *= np.float32(0.25 * softening)
        root = y * y
        root += np.float32(ground * ground)
        y += np.sqrt(root, out=root)
        return y

    def work(rows: slice) -> None:
        one, two = ha[rows], oiii[rows]
        if other != level:  # bring the second line's sky to the first's; black and white stay
            under = np.minimum(two, np.float32(other)) * np.float32(level / other if other > 0 else 1)
            two = under + np.maximum(two - np.float32(other), 0) * np.float32((1 - level) / (1 - other))
        brighter = colour.decode(np.maximum(one, two))
        a, b = light_before(one), light_before(two)
        ahead = a >= b
        shared = np.minimum(a, b)
        shared /= np.maximum(a, b, out=a)
        shared *= brighter
        brighter -= shared
        told = masks.smoothstep(np.where(ahead, (one - np.float32(level)) / unsure[0], (two - np.float32(level)) / unsure[1]))
        shared += (1 - told) * brighter * np.where(ahead, *map(np.float32, greys))
        brighter *= told
        for c in range(3):
            light = ahead * np.float32(first[c] - second[c])
            light += np.float32(second[c])
            light *= brighter
            light += shared
            out[c, rows] = colour.encode(light)

    colour.by_rows(work, (ha.shape[0], ha.shape[1]))
    return out


def _grey(light: tuple[float, float, float]) -> float:
    """Give the grey light that is as light, in OKLab, as ``light``."""
    return float(colour.to_lab(np.array(light, np.float32)[:, None, None])[0, 0, 0]) ** 3


def two_lines_noise(hues: tuple[float, float], purity: float) -> list[list[float]]:
    """Give how the noise of the two planes at the sky, equal in both, comes into red, green and blue."""
    first, second = (colour.line_light(h, purity) for h in hues)
    normal = NormalDist()
    quantiles = np.array([normal.inv_cdf((i + 0.5) / 64) for i in range(64)])
    one, two = np.meshgrid(quantiles, quantiles)
    most = np.maximum(one, two)
    shared = np.where(most < 0, most, np.maximum(np.minimum(one, two), 0))  # both below the sky are grey
    told = masks.smoothstep(np.asarray(most / SURE, np.float32))
    grey = np.where(one >= two, _grey(first), _grey(second))
    rows = []
    for a, b in zip(first, second, strict=True):
        share = (a + 1 - b) / 2
        tint = told * np.where(one >= two, a, b) + (1 - told) * grey
        sigma = float((tint * (most - shared) + shared).std())
        rows.append([sigma * v / math.hypot(share, 1 - share) for v in (share, 1 - share)])
    return rows


def on_lab(planes: Array, change: Callable[[Array, slice], None]) -> Array:
    """Let ``change`` alter OKLab (3, rows, x) in place, for each block of rows; give display planes again, in range."""
    out = np.empty_like(planes)

    def work(rows: slice) -> None:
        lab = colour.to_lab(colour.decode(np.ascontiguousarray(planes[:, rows])))
        change(lab, rows)
        out[:, rows] = colour.encode(colour.fit(lab))

    colour.by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


@dataclass(frozen=True)
class Window:
    """A range of hues in degrees, going up from ``start`` to ``end`` (through 0 where that is smaller), with soft ends; 0 to 360 is all."""

    start: float
    end: float
    feather: float

    def weight(self, lab: Array) -> Array:
        """Give 1 inside, 0 outside, a raised cosine over ``feather`` degrees beyond each end."""
        extent = self.end - self.start
        half = (360 if extent == 360 else extent % 360) / 2
        away = np.arctan2(lab[2], lab[1])
        away *= np.float32(180 / math.pi)
        away -= np.float32(self.start + half)
        away -= np.float32(360) * np.round(away * np.float32(1 / 360))
        np.abs(away, out=away)
        away -= np.float32(half)
        if self.feather <= 0:
            return np.asarray(away <= 0, np.float32)
        away *= np.float32(math.pi / self.feather)
        np.clip(away, 0, np.float32(math.pi), out=away)
        np.cos(away, out=away)
        away += np.float32(1)
        away *= np.float32(0.5)
        return np.asarray(away)


def above_sky(planes: Array, sky: float, full: float) -> Array:
    """Give 0 where the mean of the channels is at the sky or under, 1 from ``full`` on, smooth between."""
    t = planes[0] + planes[1]
    t += planes[2]
    t *= np.float32(1 / 3)
    t -= np.float32(sky)
    t *= np.float32(1 / max(full - sky, 1e-6))
    np.clip(t, 0, 1, out=t)
    return np.asarray(t * t * (3 - 2 * t))


def saturated(planes: Array, gain: float, window: Window | None, sky: float, full: float) -> Array:
    """Multiply chroma by ``gain`` in a range of hues, fading in from the sky to the level ``full``; lightness and hue stay.

    The nearer chroma comes to what a picture can show, the less it gains.
    """

    def change(lab: Array, rows: slice) -> None:
        more = np.full(lab.shape[1:], gain - 1, np.float32)
        if window is not None:
            more *= window.weight(lab)
        if gain > 1:
            more *= above_sky(planes[:, rows], sky, full)
        more += np.float32(1)
        if gain > 1:
            # as told where three times the rise would fit; from there on less and less, so that no flat areas form
            reach = more * np.float32(3) - np.float32(2)
            wanted = lab.copy()
            wanted[1:] *= reach
            room = np.maximum(reach * colour.room_for(wanted) - np.float32(1), np.float32(1e-9))
            rise = np.minimum((more - np.float32(1)) / room, np.float32(5 / 3))
            bent = np.maximum(rise - np.float32(1 / 3), 0)
            rise -= bent * bent * np.float32(3 / 8)
            more = rise * room + np.float32(1)
        lab[1:] *= more

    return on_lab(planes, change)


def turned(planes: Array, angle: float, window: Window | None) -> Array:
    """Turn hues by ``angle`` degrees in a range of hues; lightness stays, and chroma unless it would leave the picture's range."""

    def change(lab: Array, rows: slice) -> None:
        by = np.full(lab.shape[1:], math.radians(angle), np.float32)
        if window is not None:
            by *= window.weight(lab)
        c, s = np.cos(by), np.sin(by)
        a, b = c * lab[1] - s * lab[2], s * lab[1] + c * lab[2]
        lab[1], lab[2] = a, b

    return on_lab(planes, change)


def hue_turned(hue: float, angle: float, window: Window | None) -> float:
    """Give where :func:`turned` brings a hue (degrees).

    >>> hue_turned(350, 20, None)
    10.0
    """
    at = math.radians(hue)
    lab = np.array([1, math.cos(at), math.sin(at)], np.float32)[:, None, None]
    share = 1.0 if window is None else float(window.weight(lab)[0, 0])
    return (hue + angle * share) % 360


FADE = 40.0
"""Degrees over which a colour beyond the hues that two lines can make goes to grey."""


def gaps(hues: tuple[float, float], width: float) -> list[tuple[float, float]]:
    """Give the ranges (start, extent) of hues that two lines do not make: further than ``width`` from either.

    Between lines less than 120 degrees apart all hues of the shorter way count as made by both together; lines further
    apart meet in grey.
    """
    found = []
    for one, other in ((hues[0], hues[1]), (hues[1], hues[0])):
        span = (other - one) % 360
        if span >= 120 and span > 2 * width:
            found.append(((one + width) % 360, span - 2 * width))
    return found


def tint_limited(planes: Array, hues: tuple[float, float], width: float, strength: float) -> Array:
    """Pull hues that two lines cannot make to the edge of those they can, losing chroma on the way: all of it at FADE degrees.

    ``strength`` 1 does so fully, 0 not at all. Lightness stays.
    """
    ranges = gaps(hues, width)

    def change(lab: Array, rows: slice) -> None:
        angle = np.arctan2(lab[2], lab[1])
        angle *= np.float32(180 / math.pi)
        chroma = np.sqrt(lab[1] * lab[1] + lab[2] * lab[2])
        for start, extent in ranges:
            along = angle - np.float32(start)
            along -= np.float32(360) * np.floor(along * np.float32(1 / 360))
            inside = along < extent
            first = along < extent / 2
            depth = np.minimum(along, np.float32(extent) - along)
            depth *= np.float32(math.pi / 2 / min(FADE, extent / 2))
            np.minimum(depth, np.float32(math.pi / 2), out=depth)
            kept = np.cos(depth)
            kept *= kept
            kept *= chroma
            for plane, trig in ((lab[1], math.cos), (lab[2], math.sin)):
                near, far = trig(math.radians(start)), trig(math.radians(start + extent))
                goal = first * np.float32(near - far)
                goal += np.float32(far)
                goal *= kept
                goal -= plane
                goal *= np.float32(strength)
                goal *= inside
                plane += goal

    return on_lab(planes, change)
