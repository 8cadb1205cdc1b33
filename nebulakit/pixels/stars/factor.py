"""Pictures whose hues were kept: one curve of a pixel's brightness gave one factor for all its channels.

There the channels' ratios are those of the light, so that one curve, from brightness to light, brings all of them back. What
the brightness is (the channels' mean, or the brightest of them), from what level the factor counts, and if factors are of
encoded levels or of light, is told by how well the stars in the light that comes of it follow one law.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import colour
from nebulakit.pixels.stars.unbend import Curve

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LUMA = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709


class Kind(NamedTuple):
    """How one factor is made: of which brightness, and if of light whose levels are sRGB-encoded."""

    of: Literal["mean", "luma", "most"]
    encoded: bool = False

    @property
    def name(self) -> str:
        """Name it for the record."""
        return f"{self.of}{', encoded' if self.encoded else ''}"

    def brightness(self, planes: Planes) -> Plane:
        """Give the level of a picture's brightness (y, x)."""
        one = self.one(colour.decode(planes) if self.encoded else planes)
        return colour.encode(one) if self.encoded else one

    def one(self, light: Planes) -> Plane:
        """Give the brightness of light (channel, y, x)."""
        if self.of == "most":
            return np.asarray(light.max(0))
        weights = LUMA if self.of == "luma" and len(light) == 3 else (1 / len(light),) * len(light)
        return np.asarray(np.tensordot(np.asarray(weights, np.float32), light, 1), np.float32)


class Factor(NamedTuple):
    """A curve of brightness, and the level ``zero`` at which no light is shown, above which all channels have one factor."""

    kind: Kind
    curve: Curve
    zero: float

    @staticmethod
    def of(kind: Kind, curve: Curve, zero: float) -> Factor:
        """Make one of a curve whose light is counted from anywhere."""
        return Factor(kind, curve._replace(light=curve.light - np.interp(zero, curve.level, curve.light)), zero)

    def _tables(self) -> tuple[Floats, Floats, float]:
        """Give what is shown of the curve's light above zero, decoded; light per shown; and zero itself, decoded."""
        level, light = np.append(self.curve.level, self.zero), self.curve.light
        if self.kind.encoded:
            level = np.array([colour.decode1(v) for v in level.tolist()])
        dark = float(level[-1])
        shown = level[:-1] - dark
        near = np.abs(shown) < 1e-3 * np.ptp(shown)
        gain = np.where(near, np.gradient(light, shown), light / np.where(near, 1, shown))
        return shown, gain, dark

    def to_light(self, planes: Planes) -> Planes:
        """Give the light above zero (channel, y, x), in the curve's unit."""
        shown, gain, dark = self._tables()
        above = (colour.decode(planes) if self.kind.encoded else planes) - np.float32(dark)
        return np.asarray(above * np.interp(self.kind.one(above), shown, gain).astype(np.float32))

    def to_level(self, light: Planes) -> Planes:
        """Show light as the picture shows it."""
        _, gain, dark = self._tables()
        above = np.asarray(light / np.interp(self.kind.one(light), self.curve.light, gain).astype(np.float32), np.float32)
        above += np.float32(dark)
        return np.asarray(colour.encode(above) if self.kind.encoded else above)
