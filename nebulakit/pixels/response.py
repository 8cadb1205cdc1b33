"""The response of the sensor to H-alpha and [O III], found in the data.

Everything is told in the units (1, g, b) for H-alpha and (r, 1, b) for [O III]. Four numbers are estimated from

1. what colour sensors are like (a log-normal prior around :data:`~nebulakit.pixels.unmix.TYPICAL`),
2. the plane in colour space in which all light of two lines lies (total least squares: the direction in which a nebula's
   boxes scatter no more than their noise is the plane's normal), which ties two of the four numbers to the others,
3. the edge of the cone the data fill in that plane: neither line can be negative, so the boxes with least [O III] per
   H-alpha bound the crosstalk of H-alpha from above. How far the edge lies from pure H-alpha is judged by how the
   ratios thin out towards it (after the noise has been taken out of their distribution), and how little is known of it
   is kept: an edge that may be one of two lines always shining together counts for little.

Separation of sources by the faces of their cone: Naanaa & Nuzillard 2005 (Signal Processing 85:1711); the distribution
without noise: Kiefer & Wolfowitz 1956 (Ann. Math. Stat. 27:887), by expectation-maximisation (Laird 1978, JASA 73:805).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import balance
from nebulakit.pixels.parallel import over
from nebulakit.pixels.unmix import TYPICAL, Floats, Matrix, Planes, normalised, weights

Flags = npt.NDArray[np.bool_]

_MAIN, _CROSS = 0.15, 0.25  # log deviation of a sensor's large and small entries about TYPICAL
_TAIL = 6.0  # degrees of freedom of the prior: a sensor far from typical is rare, not impossible
_BOXES = 12_000  # about how many boxes the estimate looks at
_SMALLEST_BOX = 6
_BRIGHT = 20.0  # a box with this much of a line, in its noise, has a usable ratio
_LIT = 6.0  # a box with this much light, in its noise, belongs to the nebula
_FEWEST = 30  # boxes
_HONEST = 1.3  # on scenes with known truth the errors were this much larger than the deviations say
_SKY = 0.05  # what may be left of the sky in a line, in a pixel's noise
_WARP = 0.25  # how far the plane may be warped, in a box's noise (what is not exactly linear, small third lights)


@dataclass(frozen=True)
class Response:
    """What is known of the sensor: the matrix (columns normalised to red and green) and how far to trust it.

    ``trust``: relative standard deviation of each entry. ``leak``: standard deviation of the H-alpha left in [O III], and
    ``leak_ha`` of the [O III] left in H-alpha, as shares of the line that leaks. ``third``: light outside the plane
    of two lines, in noise of one box. ``evidence`` names what was decisive: "plane and edge", "plane",
    "one line" (no second one stands out), "prior" (nothing does).
    """

    matrix: Matrix
    trust: Matrix
    leak: float
    leak_ha: float
    evidence: str
    boxes: int = 0
    third: float = 0.0
    edge: tuple[float, float] = field(default=(math.nan, math.nan))


def decide_unmix(planes: Planes, sigma: npt.ArrayLike, keep: Flags | None = None, relative: Planes | None = None) -> Response:
    """Estimate the response from linear RGB ``planes`` (3, y, x), their sky about zero, channels of noise ``sigma``.

    ``keep`` is False where the light is not the nebula's (stars, what was filled in under them). ``relative``: the noise's
    map, 1 where it is ``sigma``. It fails, and says so by its trust, where the nebula is too faint, where there is no
    [O III], and where dust scatters starlight all over the nebula.
    """
    boxes, noise_of = box_means(planes, keep, relative)
    return estimate(boxes, np.asarray(sigma, float), noise_of)


def free_of_stars(planes: Planes, sigma: npt.ArrayLike, stars: Planes | None, search: bool) -> Flags | None:
    """Say which pixels count for the estimate: those where a star layer has no light; without one, and if ``search``,
    those that are not part of a white peak narrower than 9 px."""
    noise = np.asarray(sigma, np.float32)
    if stars is not None:
        level = float(noise[0] if len(stars) == 1 else noise.min())
        keep = np.abs(np.nan_to_num(stars)).max(0) <= level
        return keep if keep.mean() > 0.2 else None
    if not search:
        return None
    import cv2

    spike = np.ones(planes.shape[1:], bool)
    element = cv2.getStructuringElement(cv2.MORPH_RECT, (9, 9))
    for plane, s in zip(planes, noise, strict=True):
        filled = np.where(np.isfinite(plane), plane, np.float32(0))
        spike &= filled - cv2.morphologyEx(filled, cv2.MORPH_OPEN, element) > 10 * s
    if not spike.any():
        return None
    keep = np.asarray(cv2.dilate(spike.astype(np.uint8), element) == 0)
    return keep if keep.mean() > 0.5 else None  # so many are filaments, not stars


def box_means(planes: Planes, keep: Flags | None, relative: Planes | None) -> tuple[Floats, Floats]:
    """Give the means of boxes, (3, rows, columns), NaN where less than half of a box counts, and their relative noise."""
    h, w = planes.shape[1:]
    b = max(_SMALLEST_BOX, min(64, round(math.sqrt(h * w / _BOXES))))
    b = max(1, min(b, h // 4, w // 4))
    rows, cols = h // b, w // b

    size = rows * b, cols * b
    good: Any = np.isfinite(planes[:, : size[0], : size[1]]).all(0) if not np.isfinite(planes.sum(dtype=np.float64)) else None
    if keep is not None:
        good = keep[: size[0], : size[1]] if good is None else good & keep[: size[0], : size[1]]
    count = np.ones((rows, cols)) if good is None else balance.block_means(np.asarray(good, np.float32), b)

    def mean(plane: Planes) -> Floats:
        part = plane[: size[0], : size[1]]
        if good is None:
            return balance.block_means(part, b)
        total = balance.block_means(np.where(good, part, np.float32(0)), b)
        return np.where(count >= 0.5, total / np.maximum(count, 1e-9), np.nan)

    out = np.stack(over(mean, list(planes)))
    thin = np.ones((rows, cols)) if relative is None else mean(relative)
    return out, thin / np.sqrt(np.maximum(count, 1e-9))


def estimate(boxes: Floats, sigma: Floats, thin: Floats | None = None) -> Response:
    """Estimate the response from means of boxes (3, rows, columns); see :func:`decide_unmix`."""
    thin = np.ones(boxes.shape[1:]) if thin is None else thin
    start = normalised(TYPICAL)
    precision: Floats = np.asarray(np.linalg.inv(_prior_covariance()), float)
    good = np.isfinite(boxes).all(0) & np.isfinite(thin)
    if good.sum() < _FEWEST:
        return _fallback()
    # the noise of a box, in that of a pixel: taken where there is hardly any light, across the plane of a typical sensor
    across = _normal(start, sigma)
    flat = np.tensordot(across / sigma, boxes, 1) / thin
    steps = np.concatenate([(flat[:, 1:] - flat[:, :-1]).ravel(), (flat[1:] - flat[:-1]).ravel()])
    steps = steps[np.isfinite(steps)]
    unit = 1.4826 * float(np.median(np.abs(steps))) / math.sqrt(2) if steps.size else 0.0
    if not unit > 0:
        return _fallback()
    box_sigma = sigma * unit
    light = boxes[:, good]
    rel = thin[good]
    level = _without_surface(boxes, good, thin)  # what a left-over skyglow does not reach
    two = weights(start, box_sigma)
    for _ in range(2):
        amount = (two @ light) / (_line_noise(two, box_sigma)[:, None] * rel)
        lit = np.hypot(amount[0], amount[1]) > _LIT
        if lit.sum() < _FEWEST:
            return _fallback()
        theta, tilt, third, alone = _plane(level[:, lit] / (box_sigma[:, None] * rel[lit]), sigma, precision)
        pedestal = _pedestal(light, _normal(_of(theta), sigma), sigma)
        if not pedestal.any():
            break
        light = light - pedestal[:, None]
    matrix = _of(theta)
    two = weights(matrix, box_sigma)
    ha, oiii = two @ light
    noise_ha, noise_oiii = _line_noise(two, box_sigma)
    pixel = _line_noise(two, sigma)
    shifts, deviations, edges = [], [], []
    for column, (line, other, n_line, n_other, unsure) in enumerate(
        ((ha, oiii, noise_ha, noise_oiii, pixel[1]), (oiii, ha, noise_oiii, noise_ha, pixel[0]))
    ):
        bright = line > _BRIGHT * n_line * rel
        edge = None
        if bright.sum() >= _FEWEST:
            edge = _edge(other[bright] / line[bright], n_other * rel[bright] / line[bright])
            edge = (edge[0], math.hypot(edge[1], _SKY * unsure / float(np.median(line[bright]))))
        edges.append(edge)
        mean, deviation = _shift(matrix, column, edge, precision, known=0.7 if column == 0 else 0.2)
        shifts.append(mean)
        deviations.append(deviation)
    moved = np.stack([matrix[:, 0] + shifts[0] * matrix[:, 1], matrix[:, 1] + shifts[1] * matrix[:, 0]], 1)
    final = normalised(np.maximum(moved, 1e-4))
    trust = _trust(final, sigma, tilt, (deviations[0], deviations[1]))
    sharp = edges[0] is not None and edges[0][1] < 2 * deviations[0]
    return Response(
        matrix=_tuple(final),
        trust=_tuple(trust),
        leak=_HONEST * deviations[0],
        leak_ha=_HONEST * deviations[1],
        evidence="one line" if alone else "plane and edge" if sharp else "plane",
        boxes=int(lit.sum()),
        third=third,
        edge=(edges[0][0], edges[0][1]) if edges[0] is not None else (math.nan, math.nan),
    )


def _prior_covariance() -> Floats:
    """Covariance of log (g, b of H-alpha; b, r of [O III]); numbers of one column share its main entry."""
    m, x = _MAIN**2, _CROSS**2
    return np.array([[m + x, m, 0, 0], [m, m + x, 0, 0], [0, 0, 2 * m, m], [0, 0, m, m + x]])


def _of(theta: Floats) -> Floats:
    """The matrix of log (g, b; b, r)."""
    g, b, c, r = np.exp(theta)
    return np.array([[1.0, r], [g, 1.0], [b, c]])


def _theta(matrix: Floats) -> Floats:
    """The inverse of :func:`_of`, for any column scale."""
    m = normalised(matrix)
    return np.asarray(np.log(np.maximum(np.array([m[1, 0], m[2, 0], m[2, 1], m[0, 1]]), 1e-6)))


_TYPICAL_THETA = _theta(np.asarray(TYPICAL))


def _normal(matrix: Floats, sigma: Floats) -> Floats:
    """Unit normal of the plane of the two lines, in channels divided by their noise."""
    n = np.cross(matrix[:, 0] / sigma, matrix[:, 1] / sigma)
    return np.asarray(n / math.sqrt(float(n @ n)))


def _line_noise(two: Floats, sigma: Floats) -> Floats:
    return np.asarray(np.sqrt((two * two) @ (sigma * sigma)))


def _fallback() -> Response:
    """The typical response, trusted as far as sensors differ."""
    matrix = normalised(TYPICAL)
    g, b, c, r = np.sqrt(np.diag(_prior_covariance()))
    leak = math.hypot(0.6 * g * matrix[1, 0], 0.4 * b * matrix[2, 0] / matrix[2, 1])  # green and blue weigh about so
    return Response(
        _tuple(matrix), ((0.0, float(r)), (float(g), 0.0), (float(b), float(c))), leak, float(r * matrix[0, 1]), "prior"
    )


def _tuple(m: Floats) -> Matrix:
    a = [[float(v) for v in row] for row in m]
    return ((a[0][0], a[0][1]), (a[1][0], a[1][1]), (a[2][0], a[2][1]))


def _trust(matrix: Floats, sigma: Floats, tilt: Floats, leaks: tuple[float, float]) -> Floats:
    """Relative deviation of each entry: what turning a column within the plane may change, and what a tilt of the plane may.

    ``tilt``: covariance of the plane's normal. The main entries are 1 by definition.
    """
    normal = _normal(matrix, sigma) / sigma
    free = np.sqrt(np.diag(_prior_covariance()))
    out = np.zeros((3, 2))
    for row, column, k in ((1, 0, 0), (2, 0, 1), (2, 1, 2), (0, 1, 3)):
        main = 1 if column else 0
        turned = leaks[column] * (matrix[row, 1 - column] - matrix[row, column] * matrix[main, 1 - column])
        seen = matrix[:, column] / sigma
        tilted = math.sqrt(max(float(seen @ tilt @ seen), 0.0)) / max(abs(float(normal[row])), 1e-9)
        # a tilt moves whichever entry the plane leaves free the most; the others are held by what is known of sensors
        out[row, column] = min(
            free[k], math.hypot(turned, min(tilted, free[k] * matrix[row, column])) / max(matrix[row, column], 1e-6)
        )
    return out


def _pedestal(light: Floats, normal: Floats, sigma: Floats) -> Floats:
    """The level of the darkest boxes, where it cannot be the light of two lines (a sky that was not taken out); else nothing."""
    dark = light[:, np.argsort(light.sum(0))[: max(8, light.shape[1] // 20)]]
    level = np.median(dark, axis=1)
    white = level / sigma
    out_of_plane = abs(float(normal @ white))
    return level if out_of_plane > max(3.0, 0.05 * float(np.sqrt(white @ white))) else np.zeros(3)


def _without_surface(boxes: Floats, good: Flags, thin: Floats) -> Floats:
    """Take a quadratic surface out of every channel: the nebula's plane in colour space stays, a left-over sky goes."""
    rows, cols = good.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    basis = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], -1)[good] / thin[good][:, None]
    values = boxes[:, good].T / thin[good][:, None]
    fitted = basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    return np.asarray(((values - fitted) * thin[good][:, None]).T)


def _plane(white: Floats, sigma: Floats, precision: Floats) -> tuple[Floats, Floats, float, bool]:
    """Find the response whose plane the boxes ``white`` (3, n; noise 1) lie in, near the prior.

    Gives log (g, b; b, r), the covariance of the plane's normal, the light out of the plane in box noise, and whether
    no second line stands out.
    """
    n = white.shape[1]
    values, vectors = np.linalg.eigh(white @ white.T / n)
    out_of_plane = max(values[0], 1.0)
    third = math.sqrt(max(values[0] - 1.0, 0.0))
    warp = math.hypot(_WARP, third)
    axes = vectors[:, :0:-1].T  # the two directions with most light
    tight = []
    for lam in (values[2], values[1]):
        signal = max(lam - values[0], 1e-9)
        tight.append(1 / (out_of_plane / (n * signal) + warp**2 / max(signal, 1e-6) + 1e-10))
    k = np.array(tight)
    theta = _TYPICAL_THETA.copy()
    hessian = precision
    for _ in range(12):
        miss = axes @ _normal(_of(theta), sigma)
        slope = np.stack([(axes @ _normal(_of(theta + 1e-4 * e), sigma) - miss) / 1e-4 for e in np.eye(4)], 1)
        away = theta - _TYPICAL_THETA
        soft = (_TAIL + 4) / (_TAIL + away @ precision @ away)
        hessian = soft * precision + slope.T @ (slope * k[:, None])
        step = np.linalg.solve(hessian, soft * precision @ away + slope.T @ (k * miss))
        theta = theta - step * min(1.0, 0.5 / max(float(np.abs(step).max()), 1e-12))
    return theta, axes.T @ np.diag(1 / k) @ axes, third, bool(values[1] < 1.3 * values[0])


_NODES = np.concatenate([np.arange(-0.1, 0.1001, 0.001), np.geomspace(0.102, 8, 60)])


def _edge(ratio: Floats, error: Floats) -> tuple[float, float]:
    """Give the ratio of pure boxes and its deviation, from ratios with known errors.

    The distribution without noise is found on :data:`_NODES`; its 1 % and 10 % points say where it ends and how fast
    it thins out, and what is not seen of it is taken to be about half as long as that again.
    """
    order = np.argsort(ratio)[np.linspace(0, len(ratio) - 1, min(800, len(ratio))).astype(int)]
    t, s = np.minimum(ratio[order], 8.0), np.hypot(error[order], 0.0015)
    z = (t[:, None] - _NODES) / np.maximum(s[:, None], np.where(_NODES > 0.1, 0.05 * _NODES, 0.0))
    likely = np.exp(-0.5 * z * z) / s[:, None] + 1e-6
    p = np.full(len(_NODES), 1 / len(_NODES))
    for _ in range(80):
        share = likely * p
        p = (share / share.sum(1, keepdims=True)).mean(0)
    borders = np.concatenate([[_NODES[0] - 0.0005], (_NODES[1:] + _NODES[:-1]) / 2, [_NODES[-1]]])
    low, high = np.interp([0.01, 0.10], np.concatenate([[0], np.cumsum(p)]), borders)
    lower = error[ratio <= np.quantile(ratio, 0.3)]
    chance = float(np.median(lower)) / math.sqrt(max(0.1 * len(lower), 1.0))
    spread = float(high - low)
    return float(low) - 0.5 * spread, math.sqrt((0.5 * spread) ** 2 + chance**2 + 0.005**2)


def _shift(matrix: Floats, column: int, edge: tuple[float, float] | None, precision: Floats, known: float) -> tuple[float, float]:
    """Turn one column of ``matrix`` within the plane: give the mean and deviation of how much of the other it takes up.

    ``known`` is the chance that the edge is that of a pure line; else it only bounds from above (the two shine together).
    """
    from scipy.special import ndtr

    grid = np.linspace(-0.15, 0.15, 601)
    log_p = np.empty_like(grid)
    for i, d in enumerate(grid):
        turned = matrix.copy()
        turned[:, column] += d * matrix[:, 1 - column]
        if (turned <= 0).any():
            log_p[i] = -np.inf
            continue
        away = _theta(turned) - _TYPICAL_THETA
        log_p[i] = -0.5 * (_TAIL + 4) * math.log1p(float(away @ precision @ away) / _TAIL)
    if edge is not None:
        at, deviation = edge
        z = (at - grid) / deviation
        pure = np.exp(-0.5 * z * z) / (deviation * math.sqrt(2 * math.pi))
        together = np.exp(-np.maximum(at - grid, 0) / 0.1) / 0.1 * ndtr(z)
        log_p = log_p + np.log(known * pure + (1 - known) * together + 1e-12)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    mean = float((p * grid).sum())
    return mean, math.sqrt(float((p * (grid - mean) ** 2).sum()))
