"""The skyglow's shape, fitted beside a nebula that may cover much of the frame.

The levels of small boxes without their stars are told by three surfaces and a nebula that can only add light. Channels
are first turned so that one sees H-alpha, one [O III], and one (a difference) neither line; the last pins the part of
the glow in which the channels differ. A prior says that the channels' glows have mostly one shape and that high orders
are small. Several orders are fitted, each from two starting rules, and the data choose by the evidence (marginal
likelihood) of a mixture of sky boxes and nebula boxes.

Sources: Laplace's approximation of the evidence and mixtures with a one-sided class as in Bishop 2006, Pattern
Recognition and Machine Learning, 4.4 and 9; the low side alone telling the scale of the sky, as in Eilers & Boelens 2005.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.surface import box_levels

Planes = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# rows red, green, blue; columns H-alpha, [O III]: what cameras with open numeric responses have on average. It only has
# to turn the channels roughly: errors of 30 % in any entry cost nothing measurable
TYPICAL = np.array([[0.95, 0.035], [0.075, 0.75], [0.028, 0.63]])

ORDERS = (0, 1, 2, 3, 4, 6)
# where to begin: under which quantile of which boxes, how nebula falls off at first, whether to end with sky boxes alone.
# Nebulae are mostly framed in the middle, so that the corners often show sky
STARTS: tuple[tuple[str, float, float, bool], ...] = (
    ("all", 0.05, 0.0, True),
    ("all", 0.05, 0.5, False),
    ("corners", 0.2, 0.5, False),
)
FINE = 0.2  # by how much the prior shrinks from one order to the next, beyond the second
TRUST = 1 / 9  # what one box counts beside its neighbours, whose errors it shares (skyglow is smooth, nebula is not)
DOUBT = 12.0  # by how much the evidence of a fine surface must win over a coarse one, which cannot follow a nebula
FLOOR = 0.3  # in sigma: what a smooth surface leaves even where there is only sky


@dataclass(frozen=True)
class Boxes:
    """Star-free levels of square boxes: positions on [-1, 1], levels in noise sigma (channels, boxes)."""

    x: Doubles
    y: Doubles
    level: Doubles
    usable: Mask
    shape: tuple[int, int]  # boxes (rows, columns)
    error: float  # of one box's level, in sigma


@dataclass(frozen=True)
class Gradient:
    """A fitted glow: ``coefficients`` (channels, terms) of Legendre products, in the layer's own units."""

    order: int
    coefficients: Doubles
    evidence: dict[int, float]
    weight: Doubles  # per usable box, how surely it is sky
    boxes: Boxes
    scale: Doubles  # noise sigma per channel, the unit of the boxes' levels


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


def star_mask(planes: Planes, sigma: Doubles) -> Mask:
    """Mark stars and their wings (y, x), generously: what stands 5 sigma out of the first three starlet scales, grown by its height."""
    import cv2

    light = np.zeros(planes.shape[1:], np.float32)
    for plane, s in zip(planes, sigma, strict=True):
        light += plane * np.float32(1 / (s * math.sqrt(len(planes))))
    detail = np.zeros_like(light)
    for w, _ in starlet.descend(light, 3):
        detail += w
    spread = 1.4826 * float(np.median(np.abs(detail))) or 1e-9
    count, label, _, _ = cv2.connectedComponentsWithStats((detail > 5 * spread).astype(np.uint8))
    height = np.zeros(count)
    np.maximum.at(height, label.ravel().astype(np.intp), (detail / np.float32(spread)).ravel())
    height[0] = 0
    radius = 2 + 1.2 * (np.maximum(height, 1) / 5) ** 0.35
    # halos of the brightest reach further than their cores tell
    radius = np.where(height > 300, np.maximum(radius, 12 * np.log(np.maximum(height, 300) / 100)), radius)
    steps = np.where(height > 0, np.clip(np.ceil(np.log2(radius) * 2), 0, 16), -1).astype(int)
    marked = np.zeros(light.shape, np.uint8)
    for step in np.unique(steps[steps >= 0]):
        cores = (steps[label] == step).astype(np.uint8)
        marked |= (cv2.distanceTransform(1 - cores, cv2.DIST_L2, 3) <= 2 ** (step / 2)).astype(np.uint8)
    return marked > 0


def measure_boxes(planes: Planes, sigma: Doubles, left_out: Mask | None = None, pixels: int = 1_000_000) -> Boxes:
    """Measure the level of boxes, their stars left out; a large frame is averaged down to ``pixels`` first. NaN is left out."""
    import cv2

    h, w = planes.shape[1:]
    k = max(1, round(math.sqrt(h * w / pixels)))
    good = np.asarray(np.isfinite(planes).all(axis=0), bool)
    if left_out is not None:
        good &= ~left_out
    size = (w // k, h // k)
    small = np.stack(
        [
            np.asarray(cv2.resize(np.where(good, p, 0)[: size[1] * k, : size[0] * k], size, interpolation=cv2.INTER_AREA))
            for p in planes
        ]
    )
    share = np.asarray(cv2.resize(good.astype(np.float32)[: size[1] * k, : size[0] * k], size, interpolation=cv2.INTER_AREA))
    there = share > 0.999
    middle = [float(np.median(p[there])) if there.any() else 0.0 for p in small]
    filled = np.stack([np.where(there, p, np.float32(m)) for p, m in zip(small, middle, strict=True)])
    usable = there & ~star_mask(filled, sigma / k)
    side = int(np.clip(min(size) // 26, 4, 24))
    ny, nx = size[1] // side, size[0] // side
    count = np.maximum(box_sums(usable.astype(np.float32), side), 1)
    yy, xx = np.mgrid[0 : size[1], 0 : size[0]].astype(np.float32)
    x, y = (box_sums(np.where(usable, p, np.float32(0)), side) / count for p in (xx, yy))
    u, v = x / max(size[0] - 1, 1) * 2 - 1, y / max(size[1] - 1, 1) * 2 - 1
    enough = count >= 0.3 * side * side
    seen = [np.where(usable, p / np.float32(s), np.float32(np.nan)) for p, s in zip(small, sigma, strict=True)]
    levels = np.stack([_levels(p, side, u, v, enough) for p in seen])
    full = enough & np.isfinite(levels).all(axis=0)
    return Boxes(
        (x * k + (k - 1) / 2) / max(w - 1, 1) * 2 - 1,
        (y * k + (k - 1) / 2) / max(h - 1, 1) * 2 - 1,
        np.where(full, levels, 0),
        full,
        (ny, nx),
        1.7 / (side * k),  # of a median, in noise that neighbours share
    )


def _levels(plane: Planes, side: int, u: Doubles, v: Doubles, enough: Mask) -> Doubles:
    """Give the boxes' levels at the middles (u, v) of their pixels.

    A slope inside a box and a star in its corner would shift the median: a first smooth surface is taken off before the
    medians and put back after them.
    """
    rough = box_levels(plane, side)
    good = enough & np.isfinite(rough)
    order = max(o for o in (0, 1, 2, 3) if len(terms(o)) * 3 <= max(int(good.sum()), 3))
    c = _quantile_fit(basis(u[good], v[good], order), rough[good], 0.5) if good.sum() >= 3 else np.zeros(len(terms(order)))
    flat = plane - surface(c[None], plane.shape, order)[0]
    return np.asarray(box_levels(flat, side) + basis(u, v, order) @ c)


def box_sums(plane: Planes, side: int) -> Doubles:
    """Sum the pixels of each box of ``side`` px, row by row."""
    ny, nx = plane.shape[0] // side, plane.shape[1] // side
    return np.asarray(plane[: ny * side, : nx * side].reshape(ny, side, nx, side).sum(axis=(1, 3)), np.float64).ravel()


class _Fit:
    """One order: the penalised fit of all channels' surfaces, by reweighted least squares."""

    def __init__(self, boxes: Boxes, turn: Doubles, order: int, sure: Mask | None, where: str = "all", tau: float = 0.05) -> None:
        self.boxes, self.turn, self.order, self.sure = boxes, turn, order, sure
        self.index = np.flatnonzero(boxes.usable)
        self.a = basis(boxes.x[self.index], boxes.y[self.index], order)
        self.seen = turn @ boxes.level[:, self.index]
        self.lines = min(2, len(turn))  # rows of `turn` in which nebula shines
        self.n = len(turn)
        self.degree = np.array([i + j for i, j in terms(order)])
        self.norm = np.array([1 / math.sqrt((2 * i + 1) * (2 * j + 1)) for i, j in terms(order)])  # rms of each product
        beyond = np.maximum(self.degree - 2, 0)
        shape = np.where(self.degree <= 1, 1.0, 0.6)
        self.common = np.where(self.degree > 0, shape * FINE**beyond, 0.0)
        self.own = np.where(self.degree > 0, shape * (0.4 * FINE) ** beyond, 0.0)
        self.floor = max(FLOOR, boxes.error)
        self._there: Doubles | None = None
        self.theta = self._start(where, tau)
        self._learn_prior()

    def _start(self, where: str, tau: float) -> Doubles:
        """Begin under the light of some boxes: a low quantile for the lines, the middle for what sees none."""
        m = min(6, self.a.shape[1])
        x, y = np.abs(self.boxes.x[self.index]), np.abs(self.boxes.y[self.index])
        part = np.minimum(x, y) > 0.6 if where == "corners" else x >= 0
        if part.sum() < 4 * m:
            part[:] = True
        rows = [_quantile_fit(self.a[part, :m], t[part], tau if k < self.lines else 0.5) for k, t in enumerate(self.seen)]
        theta = np.zeros((self.n, self.a.shape[1]))
        theta[:, :m] = np.linalg.solve(self.turn, np.array(rows))
        return theta

    def _learn_prior(self) -> None:
        """Learn how strong the glow is in each channel, from the shape they have in common."""
        k = self.degree > 0
        if not k.any():
            return
        scaled = self.theta[:, k] * self.norm[k]
        strength = np.maximum(np.sqrt((scaled**2).sum(axis=1)), 0.5)
        u = np.linalg.svd(scaled / self.common[k])[0][:, 0] * math.sqrt(float((scaled**2).sum()))
        u = -u if u.sum() < 0 else u
        self.shared = np.where(np.abs(u) < 0.3 * strength, np.where(u < 0, -1, 1) * 0.3 * strength, u)
        self.strength = np.maximum(np.abs(self.shared), strength)

    def precision(self) -> Doubles:
        """Give the prior's inverse covariance of all coefficients, channel by channel; the constants are free."""
        nt, k = len(self.degree), np.flatnonzero(self.degree > 0)
        p = np.zeros((self.n, nt, self.n, nt))
        if k.size:
            common = (self.common[k] / self.norm[k]) ** 2
            own = (0.2 * self.own[k] / self.norm[k]) ** 2
            cov = common[:, None, None] * np.outer(self.shared, self.shared)
            cov += own[:, None, None] * np.diag(self.strength**2) + 1e-6 * np.eye(self.n)
            p[:, k, :, k] = np.linalg.inv(cov)
        return p.reshape(self.n * nt, self.n * nt)

    def residual(self) -> Doubles:
        """Give the levels above the surfaces, per row of ``turn``."""
        return np.asarray(self.seen - (self.turn @ self.theta) @ self.a.T)

    def _solve(self, weight: Doubles, pull: Doubles) -> float:
        nt = len(self.degree)
        h: Any = self.precision()
        b = np.zeros(self.n * nt)
        for k in range(self.n):
            aw = self.a * weight[k][:, None]
            m = TRUST * (self.a.T @ aw)
            right = TRUST * (aw.T @ self.seen[k] + self.a.T @ pull[k])
            turned = np.outer(self.turn[k], self.turn[k])[:, None, :, None] * m[:, None, :]
            h += turned.reshape(h.shape)
            b += np.outer(self.turn[k], right).ravel()
        h[np.diag_indices(len(h))] += 1e-9
        new = np.linalg.solve(h, b).reshape(self.n, nt)
        moved = float(np.abs((new - self.theta) @ self.a[::37].T).max())
        self.theta = new
        self._learn_prior()
        return moved

    def _neither(self, r: Doubles) -> Doubles:
        """Weigh the rows that see no line: robustly, by Student's t."""
        e = max(1.48 * float(np.median(np.abs(r))), 0.1)
        return np.asarray(1 / (e * e + r**2 / 2))

    def soft(self, decay: float, scales: tuple[float, ...] = (4.0, 2.0, 1.0, 0.5), rounds: int = 12) -> None:
        """Fit with boxes that are sky by degrees; nebula's levels are thought to fall off as (level + 1)^-decay."""
        share = [np.full(len(self.a), 0.3) for _ in range(self.lines)]
        for scale in (*scales, self.floor):
            s = max(scale, self.floor)
            for _ in range(rounds):
                r = self.residual()
                weight, pull = np.zeros_like(r), np.zeros_like(r)
                for k in range(self.n):
                    if k >= self.lines:
                        weight[k] = self._neither(r[k])
                        continue
                    weight[k], pull[k], sky = self._mixture(r[k], s, share[k], decay)
                    share[k] = np.clip(self._around(sky) ** 2, 0.01, 0.99)
                if self._solve(weight, pull) < 0.02:
                    break

    def _mixture(self, r: Doubles, s: float, share: Doubles, decay: float) -> tuple[Doubles, Doubles, Doubles]:
        """Give weight, pull and the probability of being sky for levels ``r`` above the surface."""
        low, high = np.minimum(r, 0), np.maximum(r, 0)
        top, soft = max(float(r.max()), 10.0), max(1.0, s)
        # the integral of (level + soft)^-decay up to the brightest
        whole = math.log((top + soft) / soft) if decay == 1 else ((top + soft) ** (1 - decay) - soft ** (1 - decay)) / (1 - decay)
        sky = np.log(share) - 0.5 * (r / s) ** 2 - math.log(s) - 0.919
        nebula = np.log1p(-share) - 0.5 * (low / s) ** 2 - decay * np.log(high + soft) - math.log(whole)
        p = 1 / (1 + np.exp(np.clip(nebula - sky, -50, 50)))
        if self.sure is not None:
            p = np.where(self.sure[self.index], 1.0, p)
        robust = np.minimum(1, 3 * s / np.maximum(-low, 1e-9))
        weight = np.where(r < 0, robust, p) / s**2
        if self.sure is not None:
            weight = np.where(self.sure[self.index], 25 / s**2, weight)
        return weight, (1 - p) * decay * (r > 0) / (high + soft), p

    def _around(self, values: Doubles) -> Doubles:
        """Average over 5x5 boxes: a box beside nebula is likely nebula."""
        import cv2

        def spread(v: Doubles) -> Doubles:
            plane = np.zeros(self.boxes.shape[0] * self.boxes.shape[1], np.float32)
            plane[self.index] = v
            blurred = cv2.blur(plane.reshape(self.boxes.shape), (5, 5), borderType=cv2.BORDER_REFLECT)
            return np.asarray(blurred.ravel()[self.index], np.float64)

        if self._there is None:
            self._there = np.maximum(spread(np.ones(len(self.index))), 1e-6)
        return spread(values) / self._there

    def hard(self) -> None:
        """Finish with sky boxes alone: what stands 3 sigma above the surface is left out, with its neighbours."""
        import cv2

        for _ in range(15):
            r = self.residual()
            weight = np.zeros_like(r)
            for k in range(self.n):
                if k >= self.lines:
                    weight[k] = self._neither(r[k])
                    continue
                low = -r[k][r[k] < 0]
                s = max(1.4826 * float(np.median(low)) if low.size else 0.15, 0.15, self.boxes.error)
                bright = np.zeros(self.boxes.shape[0] * self.boxes.shape[1], np.uint8)
                bright[self.index] = r[k] > 3 * s
                grown = cv2.dilate(bright.reshape(self.boxes.shape), np.ones((3, 3), np.uint8)).ravel()[self.index] > 0
                keep = ~grown if (~grown).mean() >= 0.08 else r[k] <= 3 * s
                if self.sure is not None:
                    keep = keep | self.sure[self.index]
                weight[k] = keep * np.minimum(1, 2 * s / np.maximum(np.abs(r[k]), 1e-9)) / s**2
            if self._solve(weight, np.zeros_like(r)) < 0.02:
                break

    def evidence(self) -> tuple[float, Doubles]:
        """Give the log marginal likelihood (Laplace), and how surely each box is sky."""
        r = self.residual()
        s = max(0.3, self.boxes.error)
        e = max(0.15, self.boxes.error)
        told, weights, sky = 0.0, [], np.ones(len(self.a))
        for k in range(self.n):
            if k < self.lines:
                likely, p = _log_mixture(r[k], s)
                told += likely
                weights.append(p / s**2)
                sky = np.minimum(sky, p)
            else:
                told += float(-1.5 * np.log1p(r[k] ** 2 / (2 * e**2)).sum())
                weights.append(np.full(len(self.a), 1 / e**2))
        p0 = self.precision()
        h = p0 + sum(
            np.kron(np.outer(t, t), TRUST * (self.a.T @ (self.a * w[:, None]))) for t, w in zip(self.turn, weights, strict=True)
        )
        free = np.ix_(*2 * [np.flatnonzero(np.tile(self.degree > 0, self.n))])
        occam = 0.5 * (np.linalg.slogdet(p0[free])[1] - np.linalg.slogdet(h[free])[1]) if self.order else 0.0
        prior = -0.5 * float(self.theta.ravel() @ p0 @ self.theta.ravel())
        return float(TRUST * told + prior + occam), sky


def centre(fit: _Fit, sky: Doubles) -> None:
    """Bring the sky boxes of every channel to zero in the middle: the mixture leaves them a small common offset."""
    empty = sky > 0.5
    if empty.mean() < 0.05:
        return
    left = fit.boxes.level[:, fit.index] - fit.theta @ fit.a.T
    fit.theta[:, 0] += np.median(left[:, empty], axis=1)


def _log_mixture(r: Doubles, s: float) -> tuple[float, Doubles]:
    """Give the log likelihood of levels as sky or nebula, the share of sky fitted, and each level's probability of being sky."""
    low, high = np.minimum(r, 0), np.maximum(r, 0)
    soft = max(1.0, s)
    whole = 2 * (math.sqrt(200.0 + soft) - math.sqrt(soft))
    sky = np.exp(-0.5 * (r / s) ** 2) / s / 2.5066
    nebula = np.exp(-np.abs(low) / s) / np.sqrt(high + soft) / whole
    share, p = 0.3, np.zeros_like(r)
    for _ in range(25):
        p = share * sky / (share * sky + (1 - share) * nebula + 1e-300)
        share = float(np.clip(p.mean(), 0.02, 0.98))
    return float(np.log(share * sky + (1 - share) * nebula + 1e-300).sum()), p


def _quantile_fit(a: Doubles, v: Doubles, tau: float) -> Doubles:
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


def turning(sigma: Doubles) -> Doubles:
    """Give the matrix that turns channels in noise units into (H-alpha, [O III], neither line); for other than three planes, each by itself."""
    if len(sigma) != 3:
        return np.eye(len(sigma))
    m = TYPICAL / sigma[:, None] * sigma[0]
    k, r = m[1, 0] / m[0, 0], m[0, 1] / m[1, 1]
    a, b = np.linalg.solve(np.array([[m[0, 0], m[1, 0]], [m[0, 1], m[1, 1]]]), m[2])
    return np.array([[1, -r, 0], [-k, 1, 0], [-a, -b, 1]])


def decide_gradient(
    planes: Planes,
    sigma: npt.ArrayLike,
    *,
    order: int | None = None,
    orders: Iterable[int] = ORDERS,
    left_out: Mask | None = None,
    sure: Any = None,
) -> Gradient:
    """Fit the skyglow of linear planes (channel, y, x) whose pixel noise is ``sigma`` per channel.

    ``order``: of the surface (0 a constant); None lets the data choose among ``orders``. ``left_out`` (y, x): pixels not to
    look at. ``sure``: a function of (x, y) on [-1, 1] that says which boxes are certainly sky.
    """
    s = np.maximum(np.asarray(sigma, float), 1e-30)
    boxes = measure_boxes(planes, s, left_out)
    certain = sure(boxes.x, boxes.y) & boxes.usable if sure is not None else None
    turn = turning(s)
    known = int(boxes.usable.sum())
    tried = [order] if order is not None else list(orders)
    tried = [o for o in tried if len(terms(o)) * 3 <= known] or [0]
    best: tuple[float, _Fit, Doubles] | None = None
    told: dict[int, float] = {}
    if known == 0:
        return Gradient(0, np.zeros((len(planes), 1)), {}, np.zeros(0), boxes, s)
    for o in tried:
        for where, tau, decay, finish in STARTS:
            fit = _Fit(boxes, turn, o, certain, where, tau)
            fit.soft(decay, (4.0, 2.0, 1.0, 0.5) if where == "all" else (1.0, 0.5))
            if finish:
                fit.hard()
            fit.soft(
                0.5, (), 25
            )  # every candidate ends at the optimum of one and the same model, so that their evidence can be compared
            value, sky = fit.evidence()
            told[o] = max(told.get(o, -math.inf), value)
            better = best is None or value > best[0] + (DOUBT if o > 2 >= best[1].order else 0.0)
            if better:
                best = (value, fit, sky)
    assert best is not None
    centre(best[1], best[2])
    return Gradient(best[1].order, best[1].theta * s[:, None], told, best[2], boxes, s)
