"""Pictures whose hues were kept: one curve of a pixel's brightness gave one factor for all its channels.

There the channels' ratios are those of the light, so that one curve, from brightness to light, brings all of them back. What
the brightness is (the channels' mean, or the brightest of them), from what level the factor counts, and if factors are of
encoded levels or of light, is told by how well the stars in the light that comes of it follow one law.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import colour, tone
from nebulakit.pixels.stars.unbend import Curve

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LUMA = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709


END = 1e-3  # display levels: so near the highest levels tell where a midtone curve ends
FINER = 1e-6  # display levels: no picture tells less
CUT = 0.95  # of a channel's brightest light, above which it may be cut off


class Kind(NamedTuple):
    """How one factor is made: of which brightness, and if of light whose levels are sRGB-encoded.

    ``rolled``: as that of our own stretches does, which roll off the brightness, and the brightest channel once more
    (:mod:`nebulakit.pixels.tone`). Then levels are those before both.
    """

    of: Literal["mean", "luma", "most"]
    encoded: bool = False
    rolled: Literal["", "asinh", "midtone"] = ""

    @property
    def name(self) -> str:
        """Name it for the record."""
        return f"{self.of}{', encoded' if self.encoded else ''}{', as stretch_' + self.rolled if self.rolled else ''}"

    def unrolled(self, planes: Planes) -> Planes:
        """Give what the factor made, before the brightest channel was rolled off."""
        return _levelled(planes, tone.unrolled(planes.max(0))) if self.rolled else planes

    def rolled_off(self, planes: Planes) -> Planes:
        """Undo :meth:`unrolled`."""
        return _levelled(planes, tone.roll_off(planes.max(0))) if self.rolled else planes

    def brightness(self, planes: Planes) -> Plane:
        """Give the level of the brightness (y, x) of what the factor made."""
        return self.level(self.one(colour.decode(planes) if self.encoded else planes))

    def level(self, one: Plane) -> Plane:
        """Give the level of a brightness in what factors are of."""
        level = colour.encode(one) if self.encoded else one
        return tone.unrolled(level) if self.rolled else level

    def even(self, level: Plane, top: float) -> Plane:
        """Give levels up to ``top`` such that the light rises evenly with them, as a power or exponentially."""
        return -np.log(np.float32(top + END) - level) if self.rolled == "midtone" else level

    def uneven(self, even: Floats, top: float) -> Floats:
        """Undo :meth:`even`."""
        return np.asarray(top + END - np.exp(-even)) if self.rolled == "midtone" else even

    def seen(self, level: Floats) -> Floats:
        """Give levels of brightness as they were shown, before the brightest channel was rolled off."""
        if not self.rolled:
            return level
        above = np.maximum(level - tone.KNEE, 0)
        return np.asarray(np.minimum(level, tone.KNEE) + above / (above / (1 - tone.KNEE) + 1))

    def shown(self, level: Floats) -> Floats:
        """Give the brightness, in what factors are of, at levels of it."""
        seen = self.seen(level)
        return np.array([colour.decode1(v) for v in seen.tolist()]) if self.encoded else seen

    def one(self, light: Planes) -> Plane:
        """Give the brightness of light (channel, y, x)."""
        if self.of == "most":
            return np.asarray(light.max(0))
        weights = LUMA if self.of == "luma" and len(light) == 3 else (1 / len(light),) * len(light)
        return np.asarray(np.tensordot(np.asarray(weights, np.float32), light, 1), np.float32)


def _levelled(planes: Planes, wanted: Plane) -> Planes:
    """Bring the brightest channel, where highlights are rolled off, to the level ``wanted`` by one factor for all, in light."""
    most = planes.max(0)
    bright = most > tone.KNEE
    factor = np.where(bright, colour.decode(wanted) / colour.decode(np.where(bright, most, np.float32(1))), np.float32(1))
    return np.asarray(np.where(bright, colour.encode(colour.decode(planes) * factor), planes))


class Factor(NamedTuple):
    """A curve of brightness, and the level ``zero`` at which no light is shown, above which all channels have one factor.

    Above ``limits``, of each channel as the factor made it, or ``highest``, of brightness, nothing is told.
    """

    kind: Kind
    curve: Curve
    zero: float
    limits: Sequence[float]
    highest: float

    @staticmethod
    def of(kind: Kind, curve: Curve, zero: float, limits: Sequence[float], highest: float) -> Factor:
        """Make one of a curve whose light is counted from anywhere."""
        light = curve.light - np.interp(zero, curve.level, curve.light)
        return Factor(kind, curve._replace(light=light), zero, limits, highest)

    @property
    def curves(self) -> list[Curve]:
        """Give the one curve as it is seen."""
        return [self.curve._replace(level=self.kind.seen(self.curve.level))]

    def _tables(self) -> tuple[Floats, Floats, float]:
        """Give what is shown of the curve's light above zero, decoded; light per shown; and zero itself, decoded."""
        shown, light = self.kind.shown(np.append(self.curve.level, self.zero)), self.curve.light
        dark = float(shown[-1])
        shown = shown[:-1] - dark
        near = np.abs(shown) < 1e-3 * np.ptp(shown)
        gain = np.where(near, np.gradient(light, shown), light / np.where(near, 1, shown))
        return shown, gain, dark

    def lit(self, planes: Planes) -> tuple[Planes, tuple[float, ...]]:
        """Give the light above zero (channel, y, x), in the curve's unit, and where each channel is cut off.

        No channel of what is cut off in any is known: it lies higher than all that is.
        """
        shown, gain, dark = self._tables()
        kind, zero = self.kind, np.float32(dark)
        limits = np.array(self.limits, np.float32)[:, None, None]
        light, cut = np.empty_like(planes), np.zeros(planes[0].shape, bool)

        def undo(rows: slice) -> None:
            made = kind.unrolled(planes[:, rows])
            bare = colour.decode(made) if kind.encoded else made
            one = kind.one(bare)
            with np.errstate(invalid="ignore"):
                cut[rows] = (made > limits).any(0) | (kind.level(one) > self.highest)
            light[:, rows] = (bare - zero) * np.interp(one - zero, shown, gain).astype(np.float32)

        colour.by_rows(undo, planes.shape[1:])
        if kind.rolled:
            for plane in light:
                cut |= plane > np.float32(CUT) * np.nanmax(plane)
        white = tuple(float(np.fmax.reduce(plane, axis=None, where=~cut, initial=-np.inf)) for plane in light)
        for plane, most in zip(light, white, strict=True):
            plane[cut] = most
        return light, white

    def to_level(self, light: Planes) -> Planes:
        """Show light as the picture shows it."""
        _, gain, dark = self._tables()
        out = np.empty_like(light)

        def show(rows: slice) -> None:
            part = light[:, rows]
            above = np.asarray(part / np.interp(self.kind.one(part), self.curve.light, gain).astype(np.float32), np.float32)
            above += np.float32(dark)
            out[:, rows] = self.kind.rolled_off(colour.encode(above) if self.kind.encoded else above)

        colour.by_rows(show, light.shape[1:])
        return out


def as_ours(kind: Kind, told: Curve, highest: float, low: float, limit: float, top: float) -> tuple[Curve, float]:
    """Give a curve of brightness as our own stretches have it, and the level up to which it holds.

    From ``low`` (the sky) on it goes by its formula, which the curve ``told`` tells up to ``highest``, and so on to the
    brightest, ``top``. All but the latter, and ``limit``, above which levels are alike, are as :meth:`Kind.even` gives levels.
    """
    from scipy.optimize import least_squares

    def slope(free: Floats, level: Floats) -> Floats:
        """Give the logarithm of light per level."""
        if kind.rolled == "midtone":
            return np.asarray(free[0] - 2 * np.log(top + FINER + math.exp(free[1]) - level))
        bent = np.abs(math.exp(free[1]) * (level - free[2]))
        return np.asarray(free[0] + bent + np.log1p(np.exp(-2 * bent)))

    levels = kind.uneven(told.level, top)
    lowest, most = kind.uneven(np.array([low, limit]), top).tolist()
    use = (told.level[:-1] > low) & (told.level[1:] < highest)
    middle, steep = 0.5 * (levels[1:] + levels[:-1])[use], np.log((np.diff(told.light) / np.diff(levels))[use])
    usual = [0.0, math.log(END)] if kind.rolled == "midtone" else [0.0, math.log(5.0), lowest]
    free = least_squares(lambda f: slope(f, middle) - steep, usual, loss="soft_l1", f_scale=0.1).x
    # finer and finer towards the brightest, where a midtone curve rises without end
    under = np.concatenate([np.linspace(1, 1e-3, 4000), np.geomspace(1e-3, 1e-7, 1000)[1:], [0]])
    fine = top - (top - lowest) * under
    rise = np.exp(slope(free, fine))
    light = np.interp(low, told.level, told.light) + np.cumsum(
        np.concatenate([[0], 0.5 * (rise[1:] + rise[:-1]) * np.diff(fine)])
    )
    below = levels < lowest - FINER
    curve = Curve(np.concatenate([levels[below], fine]), np.concatenate([told.light[below], light]))
    return curve, min(most, float(np.interp(CUT * light[-1], light, fine)))
