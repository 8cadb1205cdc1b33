"""The image of a star as a law of position: a radial table on elliptical contours, and how single stars deviate from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

STEP = 0.025  # px between the entries of the table
REACH = 240.0  # px
RADII = np.arange(int(REACH / STEP) + 2) * STEP


def _mode(*taps: tuple[dict[int, float], dict[int, float]]) -> Array:
    kernel = np.zeros((5, 5))
    for down, across in taps:
        for j, a in down.items():
            for i, b in across.items():
                kernel[j + 2, i + 2] += a * b
    return kernel


_ONE = {0: 1.0}
_SLOPE = {-1: -0.5, 1: 0.5}
_BEND = {-1: 1.0, 0: -2.0, 1: 1.0}
_SKEW = {-2: -0.5, -1: 1.0, 1: -1.0, 2: 0.5}
_PEAKED = {-2: 1.0, -1: -4.0, 0: 6.0, 1: -4.0, 2: 1.0}

MODES = (
    *(_mode((_ONE, _BEND)), _mode((_BEND, _ONE)), _mode((_SLOPE, _SLOPE))),
    *(_mode((_ONE, _SKEW)), _mode((_SKEW, _ONE)), _mode((_SLOPE, _BEND)), _mode((_BEND, _SLOPE))),
    *(_mode((_ONE, _PEAKED)), _mode((_PEAKED, _ONE)), _mode((_BEND, _BEND))),
)
"""These widen it, skew it and make it more or less peaked: convolutions with a small kernel, as guiding, field and
resampling make them (a kernel for each star, after Alard & Lupton 1998, ApJ 503:325)."""

FREEDOM = np.array([0.06, 0.06, 0.04, 0.02, 0.02, 0.02, 0.02, 0.01, 0.01, 0.01])
"""How much of each mode a star may have before anything is known of the stack (standard deviation, of its height)."""


@dataclass(frozen=True)
class Law:
    """Brightness of a star of height 1 as a function of elliptical radius: ``u^2 = a dx^2 + 2 b dx dy + c dy^2``.

    ``linear``: 0 where a star between pixels is the law taken there; 1 where the stack was resampled linearly, so that it
    is the mean of the law at the four pixels around, by distance (such a star is wider between pixels than on one).
    ``wings``: what of the table is wide exponential wings.
    """

    contour: tuple[float, float, float]
    table: Floats
    linear: float = 0.0
    wings: Floats = field(default_factory=lambda: np.zeros(len(RADII), np.float32))
    _stencils: dict[int, Stencil] = field(default_factory=dict, repr=False, compare=False)

    def at(self, dx: npt.ArrayLike, dy: npt.ArrayLike) -> Floats:
        """Give the law at these distances from the star (arrays that broadcast)."""
        a, b, c = self.contour
        x, y = np.asarray(dx, np.float32), np.asarray(dy, np.float32)
        u2 = np.float32(a) * x * x + np.float32(2 * b) * x * y + np.float32(c) * y * y
        u = np.sqrt(np.maximum(u2, 0)) * np.float32(1 / STEP)
        index = np.minimum(u.astype(np.int32), len(self.table) - 2)
        part = np.minimum(u - index, np.float32(1))
        low = self.table[index]
        return np.asarray(low + part * (self.table[index + 1] - low), np.float32)

    def radius(self, level: npt.ArrayLike) -> Array:
        """Give how far from a star of height 1 its light sinks under ``level``."""
        falling = np.maximum.accumulate(self.table[::-1])  # the table may waver where it is nearly 0
        place = len(self.table) - np.searchsorted(falling, np.asarray(level, np.float32), "left")
        return np.asarray(np.minimum(place, len(self.table) - 1) * STEP, np.float64)

    def stencil(self, half: int) -> Stencil:
        """Give what draws many stars of this law fast."""
        if half not in self._stencils:
            self._stencils[half] = Stencil(self, half)
        return self._stencils[half]

    def stamps(self, x: Array, y: Array, half: int) -> Floats:
        """Give (n, 2 half + 1, 2 half + 1) stars of height 1, each ``x``, ``y`` (below a pixel or so) off the middle."""
        span = np.arange(-half, half + 1, dtype=np.float32)
        out = np.zeros((len(x), 2 * half + 1, 2 * half + 1), np.float32)
        if self.linear < 1:
            x4, y4 = np.asarray(x, np.float32), np.asarray(y, np.float32)
            out += np.float32(1 - self.linear) * self.at(
                span[None, None, :] - x4[:, None, None], span[None, :, None] - y4[:, None, None]
            )
        if self.linear > 0:
            wide = np.arange(-half - 2, half + 3, dtype=np.float32)
            grid = np.float32(self.linear) * self.at(wide[None, :], wide[:, None])
            x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
            fx, fy = (x - x0).astype(np.float32), (y - y0).astype(np.float32)
            size = 2 * half + 1
            for i, j in {(int(a), int(b)) for a, b in zip(x0, y0, strict=True)}:
                k = (x0 == i) & (y0 == j)
                at = [[grid[2 - j - q : 2 - j - q + size, 2 - i - p : 2 - i - p + size] for p in (0, 1)] for q in (0, 1)]
                u, v = fx[k, None, None], fy[k, None, None]
                out[k] += (1 - v) * ((1 - u) * at[0][0] + u * at[0][1]) + v * ((1 - u) * at[1][0] + u * at[1][1])
        return out


SHARP = 10  # px from the middle: within, the law bends too much for the coarser stencils
SPAN = 0.56  # px: stars lie at most half a pixel off the pixel they are drawn around, and derivatives look a little further


class Stencil:
    """Draws many stars of one law fast: any place below a pixel is a polynomial between a few drawn once.

    Lagrange polynomials through Chebyshev nodes along each axis, 8 nodes near the middle (which is as exact as
    the law's own table), 4 further out; a linearly resampled law is exactly a mean of whole-pixel shifts. ``slopes`` are
    the same polynomials' derivatives.
    """

    def __init__(self, law: Law, half: int) -> None:
        """Draw ``law`` at the nodes, to ``half`` px from the middle."""
        self.law, self.half = law, half
        self.inner = min(half, SHARP)
        self._fine, self._coarse = _nodes(8), _nodes(4)
        self._core = self._drawn(self._fine, self.inner)
        self._far = self._drawn(self._coarse, half) if half > self.inner else None
        self._whole = None
        if law.linear > 0:
            wide = np.arange(-half - 1, half + 2, dtype=np.float32)
            grid = np.float32(law.linear) * law.at(wide[None, :], wide[:, None])
            size = 2 * half + 1
            self._whole = np.stack([grid[1 - j : 1 - j + size, 1 - i : 1 - i + size] for j in (-1, 0, 1) for i in (-1, 0, 1)])

    def _drawn(self, nodes: Array, half: int) -> Floats:
        span = np.arange(-half, half + 1, dtype=np.float32)
        at = nodes.astype(np.float32)
        x, y = span - at[:, None], span - at[:, None]
        drawn = self.law.at(x[None, :, None, :], y[:, None, :, None])
        return np.float32(1 - self.law.linear) * drawn.reshape(len(nodes) ** 2, -1)

    def stars(self, x: Array, y: Array) -> Floats:
        """Give (n, 2 half + 1, 2 half + 1) stars of height 1, each ``x``, ``y`` (at most :data:`SPAN` px) off the middle."""
        return self._mixed((x, y), (0, 0))

    def slopes(self, x: Array, y: Array) -> tuple[Floats, Floats]:
        """Give the derivatives of :meth:`stars` to x and to y."""
        return self._mixed((x, y), (1, 0)), self._mixed((x, y), (0, 1))

    def _mixed(self, at: tuple[Array, Array], order: tuple[int, int]) -> Floats:
        n, size, inner = len(at[0]), 2 * self.half + 1, 2 * self.inner + 1
        core = (_weights(self._fine, *at, order) @ self._core).reshape(n, inner, inner)
        if self._far is None:
            out = core
        else:
            out = (_weights(self._coarse, *at, order) @ self._far).reshape(n, size, size)
            edge = self.half - self.inner
            out[:, edge : edge + inner, edge : edge + inner] = core
        if self._whole is not None:
            across, down = (_hats(v, k) for v, k in zip(at, order, strict=True))
            shares = (down[:, :, None] * across[:, None, :]).reshape(n, 9).astype(np.float32)
            out += (shares @ self._whole.reshape(9, -1)).reshape(n, size, size)
        return np.asarray(out, np.float32)


def _nodes(count: int) -> Array:
    return np.asarray(SPAN * np.cos(math.pi * (np.arange(count) + 0.5) / count), np.float64)


def _weights(nodes: Array, x: Array, y: Array, order: tuple[int, int]) -> Floats:
    """Give (n, nodes * nodes) what each node counts at x, y: Lagrange's polynomials, or their derivatives where order is 1."""
    powers = np.linalg.inv(np.vander(nodes, increasing=True))  # coefficients of each node's polynomial
    degree = np.arange(len(nodes))
    sides = []
    for v, k in zip((x, y), order, strict=True):
        place = np.asarray(v, np.float64)[:, None]
        sides.append((degree * place ** np.maximum(degree - 1, 0) if k else place**degree) @ powers)
    return np.asarray((sides[1][:, :, None] * sides[0][:, None, :]).reshape(len(sides[0]), -1), np.float32)


def _hats(v: Array, order: int) -> Array:
    """Give (n, 3) what the pixels before, at and after share linearly, or how that changes with ``v``."""
    v = np.asarray(v, np.float64)[:, None]
    if order:
        return np.asarray(np.concatenate([-1.0 * (v < 0), np.where(v < 0, 1.0, -1.0), v >= 0], 1), np.float64)
    return np.concatenate([np.maximum(-v, 0), 1 - np.abs(v), np.maximum(v, 0)], 1)


def moffat_law(contour: tuple[float, float, float], alpha: float, beta: float, linear: float = 0.0) -> Law:
    """Give the law of a Moffat star.

    >>> round(float(moffat_law((1, 0, 1), 3.0, 2.0).at(np.array(3.0), np.array(0.0))), 6)
    0.25
    """
    return Law(contour, ((1 + (RADII / alpha) ** 2) ** -beta).astype(np.float32), linear)


def applied(kernels: tuple[Array, ...] | Array, stars: npt.NDArray[np.floating]) -> Floats:
    """Give (n, kernel, h - 4, w - 4): each 5x5 kernel applied to each star (n, h, w)."""
    n, h, w = stars.shape
    out = np.zeros((n, len(kernels), h - 4, w - 4), np.float32)
    for k, kernel in enumerate(kernels):
        for j, i in np.argwhere(kernel):
            out[:, k] += np.float32(kernel[j, i]) * stars[:, 4 - j : h - j, 4 - i : w - i]
    return out


@dataclass(frozen=True)
class Ghost:
    """A disc ``dx``, ``dy`` off the star, ``bright`` per height of the star."""

    dx: float
    dy: float
    radius: float
    soft: float
    bright: float

    def at(self, x: Array, y: Array) -> Floats:
        """Give the disc of a star of height 1 at these distances from it."""
        return np.asarray(self.bright * disc(np.hypot(x - self.dx, y - self.dy), self.radius, self.soft), np.float32)


def disc(r: Array, radius: float, soft: float) -> Array:
    """Give a disc of height 1 with a soft edge, by the distance from its middle."""
    return np.asarray(0.5 - 0.5 * np.tanh((r - radius) / (2 * soft)), np.float64)
