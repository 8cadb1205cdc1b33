"""Cubic splines on a grid of pixels, looked up at the places of another: compiled loops."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.compiling import compiled

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@compiled
def _mirrored(k: int, n: int) -> int:
    """Give the index inside 0..n-1 that the spline's coefficients are mirrored to, about the first and the last."""
    if n == 1:
        return 0
    k = abs(k) % (2 * n - 2)
    return k if k < n else 2 * n - 2 - k


@compiled
def _weights(t: Any, out: Floats) -> None:
    """Give the four values of the cubic B-spline around a place that lies ``t`` (0..1) beyond the second."""
    u = np.float32(1) - t
    sixth, three, four = np.float32(1 / 6), np.float32(3), np.float32(4)
    out[0] = sixth * u * u * u
    out[1] = sixth * (four + three * t * t * (t - np.float32(2)))
    out[2] = sixth * (four + three * u * u * (u - np.float32(2)))
    out[3] = sixth * t * t * t


@compiled
def look_up(knots: Floats, holes: Mask, matrix: Doubles, first: int, outside: Any, out: Floats) -> None:
    """Fill ``out``, rows from ``first`` on, with the spline of these coefficients at the places that ``matrix`` (2x3) gives.

    A place off the picture, or one that draws on a pixel marked in ``holes`` (empty: none), becomes ``outside``.
    """
    h, w = knots.shape
    wx, wy = np.empty(4, np.float32), np.empty(4, np.float32)
    at = np.empty(4, np.int64)
    for j in range(out.shape[0]):
        for i in range(out.shape[1]):
            x = matrix[0, 0] * i + matrix[0, 1] * (first + j) + matrix[0, 2]
            y = matrix[1, 0] * i + matrix[1, 1] * (first + j) + matrix[1, 2]
            if not (-0.5 <= x <= w - 0.5 and -0.5 <= y <= h - 0.5):
                out[j, i] = outside
                continue
            px, py = int(np.floor(x)), int(np.floor(y))
            _weights(np.float32(x - px), wx)
            _weights(np.float32(y - py), wy)
            for k in range(4):
                at[k] = _mirrored(px - 1 + k, w)
            total, hole = np.float32(0), False
            for k in range(4):
                row = _mirrored(py - 1 + k, h)
                total += wy[k] * (
                    wx[0] * knots[row, at[0]] + wx[1] * knots[row, at[1]] + wx[2] * knots[row, at[2]] + wx[3] * knots[row, at[3]]
                )
                if holes.size:
                    hole |= holes[row, at[0]] | holes[row, at[1]] | holes[row, at[2]] | holes[row, at[3]]
            out[j, i] = outside if hole else total
