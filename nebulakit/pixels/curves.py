"""Curves of display levels through points, and ways of laying one layer over another."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import colour
from nebulakit.pixels.anchors import averaged, smoothed
from nebulakit.pixels.colour import Array
from nebulakit.pixels.facts import Noise

Points = Sequence[tuple[float, float]]


class Curve:
    """The monotone cubic through points (x rising, y not falling): no level is passed twice, nothing swings over.

    Source: Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238; slopes of Fritsch & Butland 1984 (PCHIP). Outside the
    points the curve stays at its ends.

    >>> curve = Curve([(0, 0), (0.25, 0.15), (0.75, 0.85), (1, 1)])
    >>> [round(v, 6) for v in curve(np.array([0.1, 0.5, 0.6], np.float32)).tolist()]
    [0.045498, 0.5, 0.665021]
    """

    def __init__(self, points: Points) -> None:
        x, y = (np.array(v, float) for v in zip(*points, strict=True))
        width, rise = np.diff(x), np.diff(y)
        slope = _slopes(width, rise / width)
        self.start = float(y[0])
        # each piece by its own variable 0..1: y gains c1 t + c2 t^2 + c3 t^3
        c1, out = width * slope[:-1], width * slope[1:]
        columns = (x[:-1], width, c1, 3 * rise - 2 * c1 - out, c1 + out - 2 * rise)
        self.pieces = list(zip(*(c.tolist() for c in columns), strict=True))

    def __call__(self, level: Array) -> Array:
        """Give the curve's value at each level: the sum of what the level has gained in every piece."""
        out = np.full_like(level, self.start)
        for x0, width, c1, c2, c3 in self.pieces:
            t = level - np.float32(x0)
            t *= np.float32(1 / width)
            np.clip(t, 0, 1, out=t)
            gained = t * np.float32(c3)
            gained += np.float32(c2)
            gained *= t
            gained += np.float32(c1)
            gained *= t
            out += gained
        return out


def _slopes(width: npt.NDArray[np.float64], chord: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Give the slopes (n + 1) at the ends of n pieces from the slopes of their chords."""
    if len(chord) == 1:
        return np.repeat(chord, 2)
    before, after = chord[:-1], chord[1:]
    w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
    turns = before * after <= 0
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = np.where(turns, 0.0, (w1 + w2) / (w1 / before + w2 / after))
    ends = []
    for (h0, h1), (m0, m1) in ((width[:2], chord[:2]), (width[:-3:-1], chord[:-3:-1])):
        end = ((2 * h0 + h1) * m0 - h0 * m1) / (h0 + h1)
        if np.sign(end) != np.sign(m0):
            end = 0.0
        elif np.sign(m0) != np.sign(m1) and abs(end) > 3 * abs(m0):
            end = 3 * m0
        ends.append(end)
    return np.concatenate([ends[:1], inner, ends[1:]])


STEEPEST = 1.5
"""No more than this is all that is lighter spread when dark levels are brought down, for grain is spread along with it."""
DEEPEST = 0.25
"""No level is brought down to less than this share of itself."""
_TWENTIETH = 0.05


class Lowered:
    """Bring a dark level down to another: what is lighter is spread evenly up to white, what is darker falls to black.

    Below the level a power that meets the straight part with its own slope, so that nothing is cut off and no edge is seen.

    >>> lowered = Lowered(0.2, 0.1)
    >>> [round(v, 4) for v in lowered(np.array([0, 0.1, 0.2, 0.6, 1], np.float32)).tolist()]
    [0.0, 0.021, 0.1, 0.55, 1.0]
    """

    def __init__(self, dark: float, to: float) -> None:
        self.dark = min(max(dark, 1e-6), 0.99)
        self.to = max(to, DEEPEST * self.dark, 1 - STEEPEST * (1 - self.dark))
        self.slope = (1 - self.to) / (1 - self.dark)

    def __call__(self, level: Array) -> Array:
        """Give the level that each level becomes."""
        if self.to >= self.dark:
            return level.copy()
        below = np.clip(level * np.float32(1 / self.dark), 0, 1)
        out = colour.power(below, self.slope * self.dark / self.to)
        out *= np.float32(self.to)
        out += np.maximum(level - np.float32(self.dark), 0) * np.float32(self.slope)
        return out


def darkest_level(planes: Array) -> float:
    """Give the level of the grey that is as light as the darkest twentieth of a picture at its lightest; 0 for an empty one.

    Told on pixels averaged so far that grain hardly matters: else a noisier night of the same nebula had darker lanes.
    """
    small = averaged(planes)
    if len(small) == 3:
        root = colour.lightness(colour.decode(small))
        grey = colour.encode(root * root * root)
    else:
        grey = small.mean(0)
    calm = smoothed(grey)
    return float(np.quantile(calm.astype(np.float64), _TWENTIETH)) if calm.size else 0.0


CALM = 0.7
"""Share of the way from its grey to white that the brightest channel of a colour goes before a curve costs it chroma."""


def lightness_curve(planes: Array, curve: Callable[[Array], Array]) -> Array:
    """Run lightness (OKLab, told as the level of the grey of that lightness) through a curve; hue and purity stay.

    A pixel's light is multiplied by one factor. Where that would bring its brightest channel near white or beyond, it loses
    chroma, the more the nearer: all of it at once, as soon as the channel is at white, made pale areas with edges.
    """
    out = np.empty_like(planes)

    def work(rows: slice) -> None:
        before = colour.decode(np.ascontiguousarray(planes[:, rows]))
        lab = colour.to_lab(before)
        old = lab[0].copy()
        grey = colour.encode(old * old * old)
        light = curve(grey)
        new = np.cbrt(colour.decode(light))
        new /= np.maximum(old, np.float32(1e-6))
        lab *= new
        top = colour.most_of(before)
        limit = _limit(grey, colour.encode(top), light, colour.encode(top * (new * new * new)))
        out[:, rows] = colour.encode(colour.fit(lab, before, limit))

    colour.by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


def _limit(grey: Array, top: Array, light: Array, wanted: Array) -> Array:
    """Give the light up to which the brightest channel may go, from levels: of the grey and of that channel, before and after.

    How far the channel is on the way from the grey to white (0..1) nears 1 from where it was, or from CALM, and never gets
    there; a channel that gets no further on that way is let be.
    """
    was = np.clip((top - grey) / np.maximum(1 - grey, np.float32(1e-6)), 0, 1)
    room = np.maximum(1 - light, np.float32(1e-6))
    start = np.maximum(was, np.float32(CALM))
    more = np.maximum((wanted - light) / room - start, 0)
    left = 1 - start
    way = start + left * more / np.maximum(left + more, np.float32(1e-6))
    limit = colour.decode(np.minimum(light + way * room, 1))
    return colour.choose(more <= 0, np.full_like(limit, 2), limit)


def channel_curve(planes: Array, curve: Callable[[Array], Array], channels: Sequence[int]) -> Array:
    """Run some channels through a curve."""
    out = planes.copy()

    def work(rows: slice) -> None:
        for c in channels:
            out[c, rows] = curve(planes[c, rows])

    colour.by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


def screen(below: Array, above: Array) -> Array:
    """Give 1 - (1 - a)(1 - b): both lights seen on one screen; never over 1 for levels 0..1."""
    out = below + above
    out -= below * above
    return out


def lightest(below: Array, above: Array) -> Array:
    """Give the lighter of two levels."""
    return np.asarray(np.maximum(below, above))


def darkest(below: Array, above: Array) -> Array:
    """Give the darker of two levels."""
    return np.asarray(np.minimum(below, above))


MODES: dict[str, Callable[[Array, Array], Array]] = {
    "normal": lambda below, above: above,
    "screen": screen,
    "lighten": lightest,
    "darken": darkest,
    "add": lambda below, above: below + above,
    "subtract": lambda below, above: below - above,
    "multiply": lambda below, above: below * above,
}
"""What two levels become (ISO 32000-1, 11.3.5 for those that it has)."""


def blended(below: Array, above: Array, mode: str, opacity: float, limit: bool) -> Array:
    """Lay ``above`` (1 or as many planes) over ``below``: (1 - opacity) below + opacity mode(below, above); ``limit`` keeps 0..1."""
    out = np.empty_like(below)
    how, part = MODES[mode], np.float32(opacity)

    def work(rows: slice) -> None:
        for c in range(len(below)):
            mine, other = below[c, rows], above[min(c, len(above) - 1), rows]
            made = mine + part * (how(mine, other) - mine) if opacity < 1 else how(mine, other) + 0 * mine
            out[c, rows] = np.clip(made, 0, 1) if limit else made

    colour.by_rows(work, (below.shape[1], below.shape[2]))
    return out


def mode_slopes(mode: str, below: float, above: float, opacity: float) -> tuple[float, float]:
    """Give how a blended level grows with the level below and with the one above."""
    ahead = 0.5 if above == below else float(above > below)
    down, up = {
        "normal": (0.0, 1.0),
        "screen": (1 - above, 1 - below),
        "lighten": (1 - ahead, ahead),
        "darken": (ahead, 1 - ahead),
        "add": (1.0, 1.0),
        "subtract": (1.0, -1.0),
        "multiply": (above, below),
    }[mode]
    return 1 - opacity + opacity * down, opacity * up


def noise_of_both(one: Noise, other: Noise) -> Noise:
    """Give the noise of the channels of two layers, one after the other."""
    scales = min(len(row) for row in one.scales + other.scales)
    return Noise(one.sigma + other.sigma, tuple(row[:scales] for row in one.scales + other.scales), one.map)


def slopes(levels: Sequence[float], change: Callable[[Array], Array]) -> npt.NDArray[np.float64]:
    """Give how the display levels that ``change`` makes of some levels (n, 1, k) grow with each of them, (m, n)."""
    inputs, n, step = np.clip(np.array(levels, float), 2e-3, 1 - 2e-3), len(levels), 1e-3
    up, down = (inputs[:, None] + s * step * np.eye(n) for s in (1, -1))
    came = change(np.hstack([up, down]).astype(np.float32)[:, None, :])[:, 0, :].astype(float)
    return np.asarray((came[:, :n] - came[:, n:]) / (2 * step))
