"""Smooth surfaces over a frame: products of Legendre polynomials in x and y."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Planes = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]


def terms(order: int) -> list[tuple[int, int]]:
    """Give the (x, y) degrees of all Legendre products up to a total degree.

    >>> terms(2)
    [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]
    """
    return [(n - j, j) for n in range(order + 1) for j in range(n + 1)]


def basis(x: Doubles, y: Doubles, order: int) -> Doubles:
    """Give the Legendre products at positions on [-1, 1]: (positions, terms)."""
    from numpy.polynomial import legendre

    vx, vy = legendre.legvander(x, order), legendre.legvander(y, order)
    return np.stack([vx[:, i] * vy[:, j] for i, j in terms(order)], axis=-1)


def surface(coefficients: Doubles, shape: tuple[int, int], order: int) -> Planes:
    """Evaluate a fitted glow on every pixel of a frame: float32 (channels, y, x)."""
    from numpy.polynomial import legendre

    h, w = shape
    vy = legendre.legvander(np.linspace(-1, 1, h), order).astype(np.float32)
    vx = legendre.legvander(np.linspace(-1, 1, w), order).astype(np.float32)
    out = []
    for row in coefficients:
        grid = np.zeros((order + 1, order + 1), np.float32)
        for c, (i, j) in zip(row, terms(order), strict=True):
            grid[j, i] = c
        out.append((vy @ grid) @ vx.T)
    return np.stack(out)


def quantile_fit(a: Doubles, v: Doubles, tau: float) -> Doubles:
    """Fit a quantile by reweighted least squares (Koenker & Bassett 1978, Econometrica 46:33)."""
    c = np.linalg.lstsq(a, v, rcond=None)[0]
    for _ in range(80):
        r = v - a @ c
        w = np.sqrt(np.where(r > 0, tau, 1 - tau) / np.maximum(np.abs(r), 0.05))
        new = np.linalg.lstsq(a * w[:, None], v * w, rcond=None)[0]
        if float(np.abs(new - c).max()) < 1e-4:
            return np.asarray(new)
        c = new
    return np.asarray(c)
