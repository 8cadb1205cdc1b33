"""Making correlated light white, so that least squares may weigh all of it alike."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

FEW = 4  # rows: so many are solved for at once


@cache
def _library(module: str, name: str, arguments: int) -> Callable[..., None]:
    """Give a routine of LAPACK or BLAS by its address: scipy's own way to it keeps all other threads waiting meanwhile."""
    from numba.extending import get_cython_function_address

    address = get_cython_function_address(f"scipy.linalg.{module}", name)
    return ctypes.CFUNCTYPE(None, *[ctypes.c_void_p] * arguments)(address)


def factored(cover: Array) -> Array:
    """Give the lower Cholesky factor of a covariance (n, n), in Fortran order, in its place.

    Of the covariance no more is read than what stands on the diagonal and above; there the factor is without meaning.

    >>> np.tril(factored(np.array([[4.0, 2.0], [2.0, 2.0]]))).tolist()
    [[2.0, 0.0], [1.0, 1.0]]
    """
    n, info = ctypes.c_int(len(cover)), ctypes.c_int()
    _library("cython_lapack", "dpotrf", 5)(b"L", ctypes.byref(n), cover.ctypes.data, ctypes.byref(n), ctypes.byref(info))
    return cover.T


def _solved(factor: npt.NDArray[Any], rows: npt.NDArray[Any]) -> None:
    """Solve for each of some rows (m, n), in C order, in place; both in double precision, or both in single."""
    n, m, at, to = ctypes.c_int(len(factor)), ctypes.c_int(len(rows)), factor.ctypes.data, rows.ctypes.data
    size, double = ctypes.byref(n), rows.itemsize == 8
    if double and len(rows) < FEW:  # what goes before many rows at once would take as long again
        one_by_one = _library("cython_blas", "dtrsv", 8)
        for k in range(len(rows)):
            one_by_one(b"L", b"N", b"N", size, at, size, to + k * rows.strides[0], ctypes.byref(ctypes.c_int(1)))
        return
    together = _library("cython_blas", "dtrsm" if double else "strsm", 11)
    one = (ctypes.c_double if double else ctypes.c_float)(1)
    together(b"L", b"L", b"N", b"N", size, ctypes.byref(m), ctypes.byref(one), at, size, to, size)


class Whitening:
    """What makes light of a given covariance white, of which it may turn out that more may be there.

    The covariance is kept as its Cholesky factor; vectors whose amounts are unknown are added as one product
    ``1 - u' t u`` on top of it, the compact form of many such of rank one (Schreiber & Van Loan 1989, SIAM J. Sci. Stat.
    Comput. 10:53; cited from memory).

    >>> white = Whitening(np.asfortranarray(np.diag([1.0, 2.0])))
    >>> white(np.array([[3.0, 4.0]])).tolist()
    [[3.0, 2.0]]
    >>> amounts = white.allow(white(np.array([[0.0, 1e9]])))
    >>> [round(v, 6) for v in white(np.array([[3.0, 4.0]])).ravel().tolist()]
    [3.0, 0.0]
    """

    def __init__(self, factor: Array) -> None:
        """Take the lower Cholesky factor (n, n) of the covariance, in Fortran order."""
        self.factor = factor
        self._u, self._t = np.zeros((0, len(factor))), np.zeros((0, 0))

    def __call__(self, rows: Array) -> Array:
        """Give rows (m, n) white."""
        rows = np.array(rows, np.float64, order="C")
        self.make(rows)
        return rows

    def make(self, rows: Array) -> None:
        """Make rows white in place."""
        _solved(self.factor, rows)
        if len(self._t):
            rows -= ((rows @ self._u.T) @ self._t.T) @ self._u

    def roughly(self, rows: Floats) -> None:
        """Make many rows white in single precision, in half the time, and in place."""
        _solved(self.factor.astype(np.float32, order="F"), rows)
        if len(self._t):
            u, t = self._u.astype(np.float32), self._t.astype(np.float32)
            rows -= ((rows @ u.T) @ t.T) @ u

    def allow(self, white: Array) -> Array:
        """Let there be any amounts of vectors, whose standard deviations are 1; ``white`` (k, n) are the vectors as they are made here.

        Whatever else was made white, ``v``, has to follow: ``v - (v white') a white``, and a (k, k) is given.
        """
        # (1 + u' u)^-1/2 = 1 - u' a u, and a has the vectors of u u' and its values as follows
        size, turn = np.linalg.eigh(white @ white.T)
        root = np.sqrt(1 + np.maximum(size, 0))
        a = np.asarray((turn / (root * (1 + root))) @ turn.T, np.float64)
        m, k = len(self._t), len(white)
        t = np.zeros((m + k, m + k))
        t[:m, :m], t[m:, :m], t[m:, m:] = self._t, -a @ (white @ self._u.T) @ self._t, a
        self._u, self._t = np.concatenate([self._u, white]), t
        return a
