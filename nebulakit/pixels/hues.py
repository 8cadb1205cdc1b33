"""Work on hue and chroma: two lines in two colours, casts, saturation, turned hues. Display planes in, display planes out.

All of it keeps OKLab's lightness, and what would leave the range of a picture loses chroma, never hue.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nebulakit.pixels import colour
from nebulakit.pixels.colour import Array

COLOURS: dict[str, tuple[float, float]] = {"red-teal": (25, 205), "gold-blue": (80, 255), "rose-cyan": (5, 200)}
"""Hues (degrees, OKLCh) of H-alpha and [O III]."""


def two_lines(ha: Array, oiii: Array, sky: tuple[float, float], hues: tuple[float, float], purity: float) -> Array:
    """Paint two display planes (y, x) in the hues of two lines; give red, green and blue.

    In light: what both lines have in common is white, what one has beyond the other is that line's colour. So both at
    the sky are grey at the sky's level (that of the first line), and nothing can leave 0..1.
    """
    first, second = (colour.line_light(h, purity) for h in hues)
    base, other = (colour.decode1(s) for s in sky)
    out = np.empty((3, *ha.shape), np.float32)

    def work(rows: slice) -> None:
        a, b = colour.decode(ha[rows]), colour.decode(oiii[rows])
        if other != base:  # bring the second line's sky to the first's, white stays white
            b = np.maximum((b - np.float32(1)) * np.float32((1 - base) / (1 - other)) + np.float32(1), 0)
        both = np.minimum(a, b)
        a -= both
        b -= both
        for c in range(3):
            light = a * np.float32(first[c])
            light += b * np.float32(second[c])
            light += both
            out[c, rows] = colour.encode(light)

    colour.by_rows(work, (ha.shape[0], ha.shape[1]))
    return out


def two_lines_noise(hues: tuple[float, float], purity: float) -> list[list[float]]:
    """Give how small changes of the two planes at the sky change red, green and blue (the mean of either line being ahead)."""
    first, second = (colour.line_light(h, purity) for h in hues)
    share = [(a + 1 - b) / 2 for a, b in zip(first, second, strict=True)]
    return [[s, 1 - s] for s in share]


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
    """A range of hues in degrees, going up from ``start`` to ``end`` (through 0 where that is smaller), with soft ends."""

    start: float
    end: float
    feather: float

    def weight(self, lab: Array) -> Array:
        """Give 1 inside, 0 outside, a raised cosine over ``feather`` degrees beyond each end."""
        half = ((self.end - self.start) % 360) / 2
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
