"""The image of a star as a law of position: a radial table on elliptical contours, and how single stars deviate from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.stars.varying import GRADE, Varying

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Real = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int_]
Parts = tuple[Floats, Floats, np.float32, Floats]  # of one star: table, :attr:`Law.shape`, ``linear``, the law on whole pixels
Placed = tuple[Floats, Floats, Ints, np.float32, Floats]  # of stars here and there: tables, shape of each and which table it has

PAD = 16  # px: the margin around a picture in which stars are fitted
STEP = 0.025  # px between the entries of the table
REACH = 240.0  # px
RADII = np.arange(int(REACH / STEP) + 2) * STEP
TWICE = np.array([1, 2, 1, 1, 2, 1, 1], np.float32)
GHOSTLY = 0.15  # how far the brightness of a ghost varies from star to star


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

MODES = (
    *(_mode((_ONE, _BEND)), _mode((_BEND, _ONE)), _mode((_SLOPE, _SLOPE))),
    *(_mode((_ONE, _SKEW)), _mode((_SKEW, _ONE)), _mode((_SLOPE, _BEND)), _mode((_BEND, _SLOPE))),
)
"""These widen it and skew it: convolutions with a small kernel, as guiding, field and
resampling make them (a kernel for each star, after Alard & Lupton 1998, ApJ 503:325)."""

FREEDOM = np.array([0.06, 0.06, 0.04, 0.02, 0.02, 0.02, 0.02])
"""How much of each mode a star may have before anything is known of the stack (standard deviation, of its height)."""


@dataclass(frozen=True)
class Law:
    """Brightness of a star of height 1 as a function of elliptical radius: ``u^2 = a dx^2 + 2 b dx dy + c dy^2``.

    ``linear``: 0 where a star between pixels is the law taken there; 1 where the stack was resampled linearly, so that it
    is the mean of the law at the four pixels around, by distance (such a star is wider between pixels than on one).
    ``wings``: what of the table is wide exponential wings. ``varying``: how cores vary over the picture, if they do; wings,
    which are the air's and the glass's, do not. ``drawn_out``: what comes to the contour near the middle, and the square of the
    radius at which half of it is left: what blurs a star draws out its core, and not its flanks.
    """

    contour: tuple[float, float, float]
    table: Floats
    linear: float = 0.0
    wings: Floats = field(default_factory=lambda: np.zeros(len(RADII), np.float32))
    varying: Varying | None = None
    drawn_out: tuple[float, float, float, float] | None = None

    def at(self, dx: npt.ArrayLike, dy: npt.ArrayLike) -> Floats:
        """Give the law at these distances from the star (arrays that broadcast)."""
        from nebulakit.pixels.stars import kernels

        x, y = np.broadcast_arrays(np.asarray(dx, np.float32), np.asarray(dy, np.float32))
        out = np.empty(x.shape, np.float32)
        kernels.look_up(x.ravel(), y.ravel(), self.table, self.shape, out.reshape(-1))
        return out

    @cached_property
    def shape(self) -> Floats:
        """Give the contour and what it is drawn out by as :mod:`kernels` take them, cross terms twice."""
        return np.array([*self.contour, *(self.drawn_out or (0.0,) * 4)], np.float32) * TWICE

    @property
    def width(self) -> float:
        """The full width at half maximum along a contour, px."""
        return 2 * float(RADII[int(np.searchsorted(-self.table, -0.5))])

    @cached_property
    def _rising(self) -> Floats:
        """The table from its end, without its wavering where it is nearly 0."""
        return np.asarray(np.maximum.accumulate(np.abs(self.table[::-1])), np.float32)

    def radius(self, level: npt.ArrayLike) -> Array:
        """Give how far from a star of height 1 its light sinks under ``level``."""
        place = len(self.table) - np.searchsorted(self._rising, np.asarray(level, np.float32), "left")
        return np.asarray(np.minimum(place, len(self.table) - 1) * STEP, np.float64)

    @cached_property
    def _whole(self) -> Floats:
        """The law on whole pixels; a single one where it is not asked for, or not the same everywhere."""
        if self.linear == 0 or (self.varying is not None and not self.varying.constant):
            return np.zeros((1, 1), np.float32)
        span = np.arange(-math.ceil(REACH) - 2, math.ceil(REACH) + 3, dtype=np.float32)
        return self.near(0.0, 0.0).at(span[None, :], span[:, None])

    @cached_property
    def _tables(self) -> Floats:
        """The table of each grade of width, from the least that occurs: wings are as wide, and hold as much light, at any."""
        if self.varying is None:
            return self.table[None]
        return np.stack([self._table(grade) for grade in range(self.varying.grades[0], self.varying.grades[1] + 1)])

    def _table(self, grade: int) -> Floats:
        scale = math.exp(grade * GRADE)
        radii, wings = RADII[: len(self.table)], self.wings[: len(self.table)]
        core = (self.table - wings).astype(np.float64)
        return np.asarray(np.interp(self.inner(radii, scale), radii, core) + scale**2 * wings, np.float32)

    def inner(self, radius: Real, scale: float) -> Array:
        """Give where a star of the usual width is as bright as one ``scale`` times as wide is at a radius."""
        radii = RADII[: len(self.table)]
        where = radius if self.varying is None else np.interp(radius, self.varying.outer(radii, scale), radii)
        return np.asarray(where, np.float64)

    def placed(self, x: Array, y: Array) -> Placed:
        """Give the law of stars at these places as :mod:`kernels` take it."""
        if self.varying is None:
            return self._tables, np.tile(self.shape, (len(x), 1)), np.zeros(len(x), np.int_), np.float32(self.linear), self._whole
        grade = self.varying.grade(x, y)
        each = self.varying.shapes(self.contour, x, y).astype(np.float32) * TWICE
        return self._tables, each, grade - self.varying.grades[0], np.float32(self.linear), self._whole

    def near(self, x: float, y: float) -> Law:
        """Give the law of stars at this place, which holds there alone."""
        if self.varying is None:
            return self
        x_, y_ = np.array([x]), np.array([y])
        grade = int(self.varying.grade(x_, y_)[0])
        a, b, c, *more = self.varying.shapes(self.contour, x_, y_)[0].tolist()
        wings = np.float32(math.exp(2 * grade * GRADE)) * self.wings
        drawn_out = (more[0], more[1], more[2], more[3]) if more[3] > 0 else None
        return Law((a, b, c), self._tables[grade - self.varying.grades[0]], self.linear, wings, None, drawn_out)

    def scale(self, x: Array, y: Array) -> Array:
        """Give how many times as wide as usual stars at these places are."""
        return np.ones(np.shape(x)) if self.varying is None else self.varying.scale(x, y)

    def shaped_as(self, other: Law) -> bool:
        """Say whether another law differs by its table alone."""
        return self.contour == other.contour and self.linear == other.linear and self.varying is other.varying

    def told(self, table: Real, wings: Real | None = None) -> Law:
        """Give a law that is the same but for its table, and its wings; without any unless told."""
        some: Real = np.zeros(len(RADII)) if wings is None else wings
        return replace(self, table=np.asarray(table, np.float32), wings=np.asarray(some, np.float32))

    def stamps(self, x: Array, y: Array, half: int, at: tuple[Array, Array] | None = None) -> Floats:
        """Give (n, 2 half + 1, 2 half + 1) stars of height 1, each ``x``, ``y`` (below a pixel or so) off the middle.

        ``at``: where in the picture these are, if it matters.
        """
        from nebulakit.pixels.stars import kernels

        wide = np.arange(-half - 2, half + 3, dtype=np.float32)
        if at is not None and self.varying is not None:
            placed = self.placed(*at)
        else:  # on whole pixels the law is asked for no further out than this
            each, which = np.tile(self.shape, (len(x), 1)), np.zeros(len(x), np.int_)
            placed = self.table[None], each, which, np.float32(self.linear), self.at(wide[None, :], wide[:, None])
        out = np.empty((len(x), 2 * half + 1, 2 * half + 1), np.float32)
        kernels.stamps(np.asarray(x, np.float64), np.asarray(y, np.float64), placed, out)
        return out


def moffat_law(contour: tuple[float, float, float], alpha: float, beta: float, linear: float = 0.0) -> Law:
    """Give the law of a Moffat star.

    >>> round(float(moffat_law((1, 0, 1), 3.0, 2.0).at(np.array(3.0), np.array(0.0))), 6)
    0.25
    """
    return Law(contour, ((1 + (RADII / alpha) ** 2) ** -beta).astype(np.float32), linear)


@dataclass(frozen=True)
class Ghost:
    """A disc ``dx``, ``dy`` off the star, ``bright`` per height of the star."""

    dx: float
    dy: float
    radius: float
    soft: float
    bright: float

    @cached_property
    def law(self) -> Law:
        """Give the disc as a law of the distance from its middle."""
        return Law(
            (1.0, 0.0, 1.0), (self.bright * disc(np.asarray(RADII, np.float64), self.radius, self.soft)).astype(np.float32)
        )

    def at(self, x: npt.NDArray[np.floating[Any]], y: npt.NDArray[np.floating[Any]]) -> Floats:
        """Give the disc of a star of height 1 at these distances from it."""
        return np.asarray(self.bright * disc(np.hypot(x - self.dx, y - self.dy), self.radius, self.soft), np.float32)


def disc(r: Array, radius: float, soft: float) -> Array:
    """Give a disc of height 1 with a soft edge, by the distance from its middle."""
    return np.asarray(0.5 - 0.5 * np.tanh((r - radius) / (2 * soft)), np.float64)


def box_around(x: float, y: float, half: int, shape: tuple[int, int], pad: int = 0) -> tuple[int, int, int, int]:
    """Give y0, y1, x0, x1 of the box that reaches ``half`` px from the pixel at (x, y), cut off ``pad`` px within a plane of ``shape``.

    >>> box_around(2.4, 7.6, 3, (10, 12))
    (5, 10, 0, 6)
    """
    h, w = shape
    px, py = round(x), round(y)
    return max(py - half, pad), min(py + half + 1, h - pad), max(px - half, pad), min(px + half + 1, w - pad)
