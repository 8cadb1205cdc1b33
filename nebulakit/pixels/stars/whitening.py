"""Making correlated light white, so that least squares may weigh all of it alike."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]


def factored(cover: Array) -> Array:
    """Give the lower Cholesky factor of a covariance (n, n), which is overwritten.

    >>> factored(np.array([[4.0, 2.0], [2.0, 2.0]])).tolist()
    [[2.0, 0.0], [1.0, 1.0]]
    """
    from scipy.linalg.lapack import dpotrf

    return np.asarray(dpotrf(cover.T, lower=1, overwrite_a=1)[0], np.float64)  # in Fortran order, the same matrix


class Whitening:
    """What makes light of a given covariance white, of which it may turn out that more may be there.

    The covariance is kept as its Cholesky factor; vectors whose amounts are unknown are added as one product
    ``1 - u t u'`` on top of it, the compact form of many such of rank one (Schreiber & Van Loan 1989, SIAM J. Sci. Stat.
    Comput. 10:53; cited from memory).

    >>> white = Whitening(np.asfortranarray(np.diag([1.0, 2.0])))
    >>> white(np.array([[3.0], [4.0]])).ravel().tolist()
    [3.0, 2.0]
    >>> amount = white.allow(white(np.array([[0.0], [1e9]]))[:, 0])
    >>> [round(v, 6) for v in white(np.array([[3.0], [4.0]])).ravel().tolist()]
    [3.0, 0.0]
    """

    def __init__(self, factor: Array) -> None:
        """Take the lower Cholesky factor (n, n) of the covariance, best in Fortran order."""
        self.factor = factor
        self._u, self._t = np.zeros((len(factor), 0)), np.zeros((0, 0))

    def __call__(self, columns: Array) -> Array:
        """Make columns (n, m) white."""
        return self.further(self.solved(columns))

    def solved(self, columns: Array) -> Array:
        """Make columns white as if nothing had been allowed."""
        from scipy.linalg.lapack import dtrtrs

        return np.asarray(dtrtrs(self.factor, columns, lower=1)[0], np.float64)

    def roughly(self, columns: Floats) -> Floats:
        """Make many columns white in single precision, in half the time."""
        from scipy.linalg.lapack import strtrs

        solved = strtrs(self.factor.astype(np.float32), columns, lower=1)[0]
        u, t = self._u.astype(np.float32), self._t.astype(np.float32)
        return np.asarray(solved - u @ (t @ (u.T @ solved)), np.float32)

    def further(self, solved: Array) -> Array:
        """Go on from there to what they are with all that was allowed."""
        return solved - self._u @ (self._t @ (self._u.T @ solved)) if self._t.size else solved

    def allow(self, white: Array) -> float:
        """Let there be any amount of a vector, whose standard deviation is 1; ``white`` (n) is the vector as it is made here.

        Whatever else was made white, ``v``, has to follow: ``v - a white (white . v)``, and a is given.
        """
        size = float(white @ white)
        if size <= 1e-6:
            return 0.0
        a = (1 - 1 / math.sqrt(1 + size)) / size  # (1 + u u')^-1/2 = 1 - a u u'
        m = len(self._t)
        t = np.zeros((m + 1, m + 1))
        t[:m, :m], t[m, :m], t[m, m] = self._t, -a * (white @ self._u) @ self._t, a
        self._u, self._t = np.column_stack([self._u, white]), t
        return a
