"""Two lines out of three colours, the sensor's response known: weighted least squares, and the noise of its result.

Behind a dual-band filter every pixel is d = M x + noise, with d the three colours above the sky, x = (H-alpha, [O III])
and M the 3x2 response of the sensor (Aitken 1935, Proc. R. Soc. Edinburgh 55:42). How M is found in the data:
:mod:`~nebulakit.pixels.response`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.colour import by_rows
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.median import median

Planes = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Matrix = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]

TYPICAL: Matrix = ((0.96, 0.030), (0.060, 0.780), (0.022, 0.620))
"""A colour sensor behind a dual-band filter: rows red, green, blue; columns H-alpha, [O III]. Only ratios within a column count."""

RESPONSES: dict[str, Matrix] = {
    "typical": TYPICAL,
    # mean of three open tables of cameras with their stock infrared-cut filter (656 and 501 nm): 1 : .117 .079 .082 : .045 0 .023
    # and .045 .065 .081 : 1 : .629 .862 .883
    "infrared-cut": ((1.0, 0.0634), (0.0926, 1.0), (0.0224, 0.7910)),
    # an open table of a small sensor without one: 1 : .1943 : .1057 and .0685 : 1 : .4879
    "infrared-open": ((1.0, 0.0685), (0.1943, 1.0), (0.1057, 0.4879)),
}


def normalised(matrix: npt.ArrayLike) -> Floats:
    """Scale the columns of a 3x2 response so that H-alpha is 1 in red and [O III] is 1 in green."""
    m = np.asarray(matrix, float)
    return np.asarray(m / np.array([m[0, 0], m[1, 1]]))


def weights(matrix: npt.ArrayLike, sigma: npt.ArrayLike) -> Floats:
    """Give the 2x3 weighted least-squares inverse of a response for channels of noise ``sigma``.

    >>> weights([[1, 0], [0, 1], [0, 1]], [1, 1, 1]).round(2).tolist()
    [[1.0, 0.0, 0.0], [0.0, 0.5, 0.5]]
    """
    s = np.asarray(sigma, float)
    return np.asarray(np.linalg.pinv(np.asarray(matrix, float) / s[:, None]) / s)


def weighted(planes: Planes, rows: npt.ArrayLike) -> Planes:
    """Give sums of planes, one for each row of weights; NaN in any plane gives NaN in all sums.

    Each sum runs in a fixed order, so the bits do not depend on threads.
    """
    w = np.asarray(rows, np.float32)
    out = np.empty((len(w), *planes.shape[1:]), np.float32)

    def part(ys: slice) -> None:
        for k, row in enumerate(w):
            total = np.multiply(planes[0, ys], row[0], out=out[k, ys])
            for c in range(1, len(planes)):
                total += planes[c, ys] * row[c]

    by_rows(part, (planes.shape[1], planes.shape[2]))
    return out


def apply_unmix(planes: Planes, matrix: npt.ArrayLike, sigma: npt.ArrayLike) -> Planes:
    """Give (2, y, x): H-alpha and [O III] of RGB ``planes``. NaN in any channel gives NaN in both."""
    return weighted(planes, weights(matrix, sigma))


def correlation(planes: Planes) -> Floats:
    """Measure how alike the noise of the channels is: the correlation matrix of their finest detail, near 0 taken as 0.

    Channels interpolated from a mosaic, or mixed by a colour matrix, do not have noise of their own.
    """
    n = len(planes)
    out = np.eye(n)
    step = max(1, planes.shape[1] * planes.shape[2] // 1_000_000)
    rows = planes[:, ::step].astype(np.float64)
    if rows.shape[2] < 3:
        return out
    fine = rows[:, :, 1:-1] - 0.5 * (rows[:, :, :-2] + rows[:, :, 2:])
    fine = fine[:, np.isfinite(fine).all(0)]
    if fine.shape[1] < 1000:
        return out

    def spread(v: Floats) -> float:
        return float(median(np.abs(v)))

    unit = [spread(f) for f in fine]
    if min(unit) <= 0:
        return out
    for a in range(n):
        for b in range(a):
            plus, minus = spread(fine[a] / unit[a] + fine[b] / unit[b]) ** 2, spread(fine[a] / unit[a] - fine[b] / unit[b]) ** 2
            r = (plus - minus) / (plus + minus)
            out[a, b] = out[b, a] = r if abs(r) > 0.05 else 0.0
    return out


def noise_of_lines(noise: Noise, two: Floats, alike: Floats) -> Noise:
    """Give the noise of the two lines from that of the channels, whose noise is ``alike`` (a correlation matrix)."""

    def mix(values: npt.ArrayLike) -> Floats:
        s = np.asarray(values, float)
        covariance = alike * np.outer(s, s)
        return np.asarray(np.sqrt(np.maximum(np.einsum("ka,ab,kb->k", two, covariance, two), 0.0)))

    sigma = mix(noise.sigma)
    scales = np.stack([mix(row) for row in np.asarray(noise.scales).T], 1) if noise.scales[0] else np.zeros((2, 0))
    return Noise(tuple(map(float, sigma)), tuple(tuple(map(float, row)) for row in scales), noise.map)
