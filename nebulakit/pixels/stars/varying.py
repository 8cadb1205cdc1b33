"""How the image of a star varies over the picture: wider, or drawn out, towards corners or one side, as glass and mounts make it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int_]

GRADE = 0.04  # of the logarithm of the width: in such steps wings are kept apart from cores
WIDEST = 25  # such steps up or down
NEAR = 1.1  # widths from the middle at which half of what a blur does is left,
LEFT = 0.22  # and what is left of its widening far out
HALF = 1 / (1 + (0.5 / NEAR) ** 2)  # what is left of it where widths are measured
COUNTS = 1, 3, 6, 9  # of terms: a slope, bowls and saddles, and what goes with the place and its distance from the middle squared
ENOUGH = 5  # stars for each term
FIRM = 0.01  # error of a logarithm of the contour, however clear the star is,
SEEN = 2.0  # and what comes to it, times what lies around over the height
ODD = 3.0  # degrees of freedom of Student's law, which the shapes of stars follow that are two, or none
SURELY = 15.0  # by so much, twice a log likelihood, more terms must gain: where all stars are alike none gained anything
CLEAR = 20.0  # times as high as what lies around is rough: stars that are asked
RIM = 0.6  # of a cut-out's half: beyond it a star's ground is seen
LEAST = 0.02  # of the logarithm of the contour, rms over the stars: less is left to the modes of single stars


@dataclass(frozen=True)
class Varying:
    """The logarithm of a star's contour matrix (xx, xy, yy) above the usual, as polynomials of the place.

    A logarithm's sums stay contours, whatever is added to them (Arsigny et al. 2006, Magn. Reson. Med. 56:411).
    """

    middle: tuple[float, float]
    unit: float  # px from the middle to the corners
    amounts: Array  # (term, 3)
    grades: tuple[int, int] = (-WIDEST, WIDEST)  # least and most of :meth:`grade` in the picture
    blurred: float = 0.0  # how much of this is blur, which leaves flanks as they are; the rest makes flanks wider as cores are
    width: float = 3.0  # px, of the usual star

    @property
    def constant(self) -> bool:
        """Say whether it is the same all over, which a blur may be whose flanks are not as its cores."""
        return len(self.amounts) == 1

    def logs(self, x: Array, y: Array) -> Array:
        """Give (star, 3) for these places."""
        return terms(*self.placed(x, y), len(self.amounts)) @ self.amounts

    def placed(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Give places from the middle, at most 1 at the corners."""
        return (np.asarray(x, np.float64) - self.middle[0]) / self.unit, (np.asarray(y, np.float64) - self.middle[1]) / self.unit

    def moved(self, new_to_old: Array) -> Varying:
        """Give the same for a picture turned, mirrored, cut or scaled: ``new_to_old`` (2x3) takes its pixels to where they were."""
        turn, shift = np.asarray(new_to_old, np.float64)[:, :2], np.asarray(new_to_old, np.float64)[:, 2]
        scale = math.sqrt(abs(float(np.linalg.det(turn))))
        x, y = (float(v) for v in np.linalg.solve(turn, np.array(self.middle) - shift))
        there = replace(self, middle=(x, y), unit=self.unit / scale, width=self.width / scale)
        turn = turn / scale
        if np.array_equal(turn, np.eye(2)):
            return there
        # such polynomials stay such when they are turned: their amounts follow from some places
        v, u = (a.ravel() for a in np.mgrid[-1:1:7j, -1:1:7j])
        old_u, old_v = turn @ np.stack([u, v])
        logs = (terms(old_u, old_v, len(self.amounts)) @ self.amounts)[:, [[0, 1], [1, 2]]]
        turned = (turn.T @ logs @ turn)[:, [0, 0, 1], [0, 1, 1]]
        amounts = np.linalg.lstsq(terms(u, v, len(self.amounts)), turned, rcond=None)[0]
        return replace(there, amounts=np.asarray(amounts, np.float64))

    def scale(self, x: Array, y: Array) -> Array:
        """Give how many times as wide as usual stars are at these places."""
        found = self.logs(x, y)
        return np.asarray(np.exp(-(found[..., 0] + found[..., 2]) / 4), np.float64)

    def outer(self, radius: npt.NDArray[np.floating[Any]], scale: float) -> Array:
        """Give where a star ``scale`` times as wide is as bright as one of the usual width is at a radius.

        What is left of a blur far out is told by the height alone, which it takes down. For Moffat laws of beta 2.5 to 4.5
        both this and :meth:`shapes` are right within a tenth of the widening.
        """
        near = 1 / (1 + (radius / (NEAR * self.width)) ** 2)
        share = 1 - self.blurred + self.blurred * (LEFT + (1 - LEFT) * near) / (LEFT + (1 - LEFT) * HALF)
        return np.asarray(radius * np.exp(math.log(scale) * share), np.float64)

    def shapes(self, contour: tuple[float, float, float], x: Array, y: Array) -> Array:
        """Give (star, 7) contours of stars at these places, what comes to them near the middle, and the square of how near.

        Both are for tables of the places' grades of width.
        """
        logs, grade = self.logs(x, y), self.grade(x, y)
        round_ = (logs[:, 0] + logs[:, 2]) / 2
        oval, rest = logs - np.outer(round_, (1, 0, 1)), np.outer(round_ + 2 * GRADE * grade, (1, 0, 1))
        far = contours(contour, rest + (1 - self.blurred) * oval)
        core = contours(contour, rest + (1 - self.blurred + self.blurred / HALF) * oval)
        near = (NEAR * self.width) ** 2 * np.exp(2 * GRADE * grade) if self.blurred else np.zeros(len(logs))
        return np.column_stack([far, core - far, near])

    def grade(self, x: Array, y: Array) -> Ints:
        """Give their width in steps of :data:`GRADE`."""
        return np.clip(np.rint(np.log(self.scale(x, y)) / GRADE), *self.grades).astype(np.int_)


def terms(u: Array, v: Array, count: int) -> Array:
    """Give (place, term) of so many (see :data:`COUNTS`) of the polynomials by which optics vary."""
    r2 = u * u + v * v
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v, r2 * u, r2 * v, r2 * r2][:count], -1)


def contours(contour: tuple[float, float, float], logs: Array) -> Array:
    """Give (star, 3) contours: the usual one with what :meth:`Varying.logs` adds to its logarithm.

    >>> np.round(contours((4.0, 0.0, 1.0), np.array([[0.0, 0.0, 2.0]])), 3).tolist()
    [[4.0, 0.0, 7.389]]
    """
    return exponential(logarithm(np.array([contour])) + logs)


def logarithm(matrix: Array) -> Array:
    """Give the logarithm of positive definite (n, 3) matrices (xx, xy, yy)."""
    a, b, c = matrix.T
    mean, half = (a + c) / 2, np.maximum(np.hypot((a - c) / 2, b), 1e-12)
    high, low = np.log(mean + half), np.log(np.maximum(mean - half, 1e-30))
    return _of(matrix, mean, (high + low) / 2, (high - low) / (2 * half))


def exponential(matrix: Array) -> Array:
    """Give the exponential of symmetric (n, 3) matrices (xx, xy, yy).

    >>> np.round(exponential(logarithm(np.array([[2.0, 0.3, 1.0]]))), 6).tolist()
    [[2.0, 0.3, 1.0]]
    """
    a, b, c = matrix.T
    mean, half = (a + c) / 2, np.maximum(np.hypot((a - c) / 2, b), 1e-12)
    return _of(matrix, mean, np.exp(mean) * np.cosh(half), np.exp(mean) * np.sinh(half) / half)


def _of(matrix: Array, mean: Array, level: Array, slope: Array) -> Array:
    """Give a function of symmetric matrices by its mean and its slope on their two values."""
    a, b, c = matrix.T
    return np.stack([level + slope * (a - mean), slope * b, level + slope * (c - mean)], -1)


def varying_of(
    width: float, x: Array, y: Array, fits: Array, cuts: Array, noise: float, shape: tuple[int, int], seen: bool = False
) -> Varying | None:
    """Tell how stars vary over a picture of this shape by Moffat laws fitted to cut-outs (star, row, column) around whole pixels.

    ``fits``: as :func:`nebulakit.pixels.psf.fit_moffat` gives them; ``noise``: of a pixel; ``width``: of the stars, roughly.
    ``seen``: as stars are seen on the average; else as they were before the stack was resampled linearly. None where all are
    alike, see :func:`varying_over`.
    """
    half = cuts.shape[1] // 2
    span = np.arange(-half, half + 1)
    # the contour at half of the height, which hardly minds beta
    halves = fits[:, 3:6] / np.expm1(math.log(2) * np.exp(-fits[:, 6:7]))
    logs = logarithm(halves)
    # what lies around a star tells how far its shape may be off: noise, and whatever else is there
    off = np.hypot(*np.meshgrid(span, span))
    rim = (off > RIM * half) & (off <= half)
    around = cuts[:, rim] - fits[:, 7:8] - fits[:, 8:] @ np.stack(np.meshgrid(span, span))[:, rim]
    rough = 1.4826 * median(np.abs(around - median(around, axis=1)[:, None]), axis=1)
    clear = fits[:, 0] / np.maximum(rough, max(noise, 1e-30))
    sane = (clear > CLEAR) & (np.hypot(fits[:, 1], fits[:, 2]) < 1.5) & np.isfinite(logs).all(1)
    sane &= np.abs(-(logs[:, 0] + logs[:, 2]) / 4 - math.log(width / 2)) < 1.0
    # resampled linearly, a star between pixels is wider than one on a pixel, the more so the narrower it is
    between = np.abs(fits[:, 1:3] - np.rint(fits[:, 1:3]))
    between *= (1 - between) * halves[:, [0, 2]]
    mean = halves[sane][:, [0, 2]] / 6 if seen else None  # of f (1 - f), f from 0 to 1
    return varying_over(width, x[sane], y[sane], logs[sane], clear[sane], between[sane], shape, mean)


def varying_over(
    width: float,
    x: Array,
    y: Array,
    logs: Array,
    clear: Array,
    beside: Array,
    shape: tuple[int, int],
    mean: Array | None = None,
) -> Varying | None:
    """Tell how stars at these places vary over a picture of this shape, by the logarithms (star, 3) of their contours.

    ``clear``: how many times as high they are as what lies around them is rough. ``beside`` (star, n): what else has to do
    with their shapes, and not with their places; ``mean``: what of that is to be taken for the place's. Of polynomials of
    the place those are taken that tells each star from the others much better than fewer do (cross-validation, Stone
    1974, J. R. Stat. Soc. B 36:111); None where none does, or where stars vary by less than each of them may by itself.
    """
    h, w = shape
    whole = Varying(((w - 1) / 2, (h - 1) / 2), 0.5 * math.hypot(h, w), np.zeros((1, 3)), width=width)
    u, v = whole.placed(x, y)
    columns = [np.column_stack([terms(u, v, count), beside]) for count in COUNTS]
    columns = [c for c in columns if ENOUGH * c.shape[1] <= len(u)]
    if len(columns) < 2:
        return None
    error2 = FIRM**2 + (SEEN / clear) ** 2
    # the median of chi^2 with three degrees of freedom is 2.366
    error2 *= max(float(median(_settled(columns[-1], logs, error2)[0])) / 2.366, 1e-12)
    best, amounts, aside = -math.inf, np.zeros((1, 3)), np.zeros((beside.shape[1], 3))
    for some in columns:
        far, lever, found = _settled(some, logs, error2)
        merit = -float((ODD + 3) * np.log1p(far / (1 - np.minimum(lever, 0.9)) ** 2 / ODD).sum())
        if merit > best + SURELY:
            best, amounts, aside = merit, found[: -beside.shape[1]], found[-beside.shape[1] :]
    if mean is not None:
        amounts = amounts + np.linalg.lstsq(terms(u, v, len(amounts)), mean @ aside, rcond=None)[0]
    here = terms(u, v, len(amounts)) @ amounts
    amounts[0] -= here.mean(0)  # what is the same all over is the law's
    if math.sqrt(float(((here - here.mean(0)) ** 2).sum(1).mean())) < LEAST:
        return None
    ys, xs = (a.ravel() for a in np.mgrid[0 : h - 1 : 33j, 0 : w - 1 : 33j])
    grade = replace(whole, amounts=amounts).grade(xs, ys)
    return replace(whole, amounts=amounts, grades=(int(grade.min()), int(grade.max())))


def _settled(columns: Array, values: Array, error2: Array) -> tuple[Array, Array, Array]:
    """Fit values (star, 3), those far off counting less: how far each is off, how much it tells of itself, and the amounts."""
    far = np.zeros(len(values))
    for _ in range(12):
        weight = 1 / (error2 * (1 + far / ODD))
        turned = columns.T * weight
        inverse = np.linalg.inv(turned @ columns + 1e-9 * np.eye(columns.shape[1]) * weight.sum())
        amounts = inverse @ (turned @ values)
        far = ((values - columns @ amounts) ** 2).sum(1) / error2
    return far, np.einsum("nk,kl,nl->n", columns, inverse, columns) * weight, amounts
