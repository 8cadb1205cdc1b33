"""How the image of a star varies over the picture: wider, or drawn out, towards corners or one side, as glass and mounts make it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int_]

GRADE = 0.02  # of the logarithm of the width: in such steps wings are kept apart from cores


@dataclass(frozen=True)
class Varying:
    """The logarithm of a star's contour matrix (xx, xy, yy) above the usual, as polynomials of the place.

    A logarithm's sums stay contours, whatever is added to them (Arsigny et al. 2006, Magn. Reson. Med. 56:411).
    """

    middle: tuple[float, float]
    unit: float  # px from the middle to the corners
    amounts: Array  # (term, 3)
    grades: tuple[int, int]  # least and most of :meth:`grade` in the picture

    def logs(self, x: Array, y: Array) -> Array:
        """Give (star, 3) for these places."""
        return terms(*self.placed(x, y), order_of(len(self.amounts))) @ self.amounts

    def placed(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Give places from the middle, at most 1 at the corners."""
        return (np.asarray(x, np.float64) - self.middle[0]) / self.unit, (np.asarray(y, np.float64) - self.middle[1]) / self.unit

    def scale(self, x: Array, y: Array) -> Array:
        """Give how many times as wide as usual stars are at these places."""
        found = self.logs(x, y)
        return np.asarray(np.exp(-(found[..., 0] + found[..., 2]) / 4), np.float64)

    def grade(self, x: Array, y: Array) -> Ints:
        """Give their width in steps of :data:`GRADE`."""
        return np.clip(np.rint(np.log(self.scale(x, y)) / GRADE), *self.grades).astype(np.int_)


def order_of(count: int) -> int:
    """Give the order of polynomials of so many terms.

    >>> [order_of(n) for n in (1, 3, 6, 10, 15)]
    [0, 1, 2, 3, 4]
    """
    return (math.isqrt(8 * count + 1) - 3) // 2


def terms(u: Array, v: Array, order: int) -> Array:
    """Give (place, term) of the polynomials to this order."""
    return np.stack([u ** (n - k) * v**k for n in range(order + 1) for k in range(n + 1)], -1)


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


ORDERS = (1, 2, 3, 4)
ENOUGH = 5  # stars for each term
FIRM = 0.03  # of a star's logarithm of the contour: how far stars differ, whatever is seen of them
ODD = 3.0  # degrees of freedom of Student's law, which stars that are two, or none, follow
SEEN = 3.0  # what noise adds to that, times noise over height
SURELY = 20.0  # by so much, twice a log likelihood, the picture's law must gain with each order
LEAST = 0.02  # of the logarithm of the contour, rms over the stars: less is left to the modes of single stars


def varying_over(x: Array, y: Array, logs: Array, peak: Array, shape: tuple[int, int]) -> Varying | None:
    """Tell how stars at these places vary over a picture of this shape, by the logarithms (star, 3) of their contours.

    Polynomials are fitted by iterated weights (Holland & Welsch 1977, Comm. Stat. A6:813), as doubles and knots are no such
    stars; the order is the one that tells each star best from the others. None where none tells more than the mean.
    """
    h, w = shape
    unit, middle = 0.5 * math.hypot(h, w), ((w - 1) / 2, (h - 1) / 2)
    u, v = (np.asarray(x, np.float64) - middle[0]) / unit, (np.asarray(y, np.float64) - middle[1]) / unit
    most = max((order for order in ORDERS if ENOUGH * len(terms(u[:1], v[:1], order)[0]) <= len(u)), default=0)
    if not most:
        return None
    error2 = FIRM**2 + (SEEN / np.maximum(peak, 1e-9)) ** 2
    far = _settled(terms(u, v, most), logs, error2)[0]
    # the median of chi^2 with three degrees of freedom is 2.366
    error2 *= max(float(median(far)) / 2.366, 1e-12)
    best, chosen, amounts = -math.inf, 0, np.zeros((1, 3))
    for order in range(most + 1):
        far, lever, found = _settled(terms(u, v, order), logs, error2)
        # each told by the others
        merit = -float((ODD + 3) * np.log1p(far / (1 - np.minimum(lever, 0.9)) ** 2 / ODD).sum())
        if merit > best + SURELY:
            best, chosen, amounts = merit, order, found
    if not chosen:
        return None
    # what is the same all over is the law's
    amounts[0] -= (terms(u, v, chosen) @ amounts).mean(0)
    if math.sqrt(float(((terms(u, v, chosen) @ amounts) ** 2).sum(1).mean())) < LEAST:
        return None
    ys, xs = (a.ravel() for a in np.mgrid[0 : h - 1 : 33j, 0 : w - 1 : 33j])
    whole = Varying(middle, unit, amounts, (-100, 100)).grade(xs, ys)
    return Varying(middle, unit, amounts, (int(whole.min()), int(whole.max())))


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
