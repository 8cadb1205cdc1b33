"""One order of a glow: the penalised fit of all channels' surfaces beside a nebula that can only add light.

A prior says that the channels' glows have mostly one shape and that high orders are small; sky and nebula boxes are told
apart as a mixture in which nebula lies on one side only.
Sources: Laplace's approximation of the evidence and mixtures with a one-sided class as in Bishop 2006, Pattern
Recognition and Machine Learning, 4.4 and 9; the low side alone telling the scale of the sky, as in Eilers & Boelens 2005.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow.boxes import Boxes
from nebulakit.pixels.glow.legendre import basis, quantile_fit, terms
from nebulakit.pixels.median import median

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FINE = 0.2  # by how much the prior shrinks from one order to the next, beyond the second
OWN, OWN_BENT = 0.2, 0.04  # how much of a channel's glow is its own and not common to all: of its tilt, of its bend
TRUST = 1 / 9  # what one box counts beside its neighbours, whose errors it shares (skyglow is smooth, nebula is not)
FLOOR = 0.3  # in sigma: what a smooth surface leaves even where there is only sky
SMOOTH = 2.0  # in floors: boxes that differ more from their neighbours hold light of their own
EVEN = 1.0  # sigma: so do those whose neighbourhood differs more from what lies around it, for smooth nebulae bend
SEEN = 0.05  # a line that has this share of its boxes at the sky sees the sky
PULL = 0.1  # where sky is seen, how much nebula boxes still pull the surface up to them


def lines_of(turn: Doubles) -> int:
    """Give how many rows of the turned channels, the first, see nebula."""
    return min(2, len(turn))


def under(boxes: Boxes, turn: Doubles, where: str, tau: float, order: int) -> Doubles:
    """Give surfaces (channels, terms) under the light of some boxes: a low quantile for the lines, the middle for what sees none."""
    x, y = boxes.x[boxes.index], boxes.y[boxes.index]
    m = len(terms(order))
    part = np.minimum(np.abs(x), np.abs(y)) > 0.6 if where == "corners" else np.ones(len(x), bool)
    if part.sum() < 4 * m:
        part[:] = True
    a, seen = basis(x[part], y[part], order), turn @ boxes.level[:, boxes.index]
    rows = [quantile_fit(a, t[part], tau if k < lines_of(turn) else 0.5) for k, t in enumerate(seen)]
    return np.asarray(np.linalg.solve(turn, np.array(rows)), np.float64)


class Fit:
    """One order: the penalised fit of all channels' surfaces, by reweighted least squares."""

    def __init__(self, boxes: Boxes, turn: Doubles, order: int, sure: Mask | None, start: Doubles) -> None:
        """Begin at the coefficients ``start`` (channels, some terms); see :func:`under`."""
        self.boxes, self.turn, self.order, self.sure = boxes, turn, order, sure
        self.index = boxes.index
        self.a = basis(boxes.x[self.index], boxes.y[self.index], order)
        self.across = np.ascontiguousarray(self.a.T)
        self.seen = turn @ boxes.level[:, self.index]
        self.lines = lines_of(turn)
        self.n = len(turn)
        self.degree = np.array([i + j for i, j in terms(order)])
        norm = np.array([1 / math.sqrt((2 * i + 1) * (2 * j + 1)) for i, j in terms(order)])  # rms of each product
        beyond = np.maximum(self.degree - 2, 0)
        shape = np.where(self.degree <= 1, 1.0, 0.6)
        own = np.where(self.degree <= 1, OWN, OWN_BENT)
        self.bends = np.flatnonzero(self.degree > 0)
        self.norm = norm[self.bends]
        self.common = (shape * FINE**beyond)[self.bends]
        self.own = (own * (0.4 * FINE) ** beyond)[self.bends]
        self.floor = max(FLOOR, boxes.error)
        self.theta = np.zeros((self.n, self.a.shape[1]))
        self.theta[:, : start.shape[1]] = start
        self._learn_prior()

    def _learn_prior(self) -> None:
        """Learn how strong the glow is in each channel, from the shape they have in common."""
        if not self.bends.size:
            return
        scaled = self.theta[:, self.bends] * self.norm
        power = float((scaled**2).sum())
        strength = np.maximum(np.sqrt((scaled**2).sum(axis=1)), 0.5)
        shape = scaled / self.common
        u = np.linalg.eigh(shape @ shape.T)[1][:, -1] * math.sqrt(power)
        u = -u if u.sum() < 0 else u
        self.shared = np.where(np.abs(u) < 0.3 * strength, np.where(u < 0, -1, 1) * 0.3 * strength, u)
        self.strength = np.maximum(np.abs(self.shared), strength)

    def precision(self) -> Doubles:
        """Give the prior's inverse covariance of all coefficients, channel by channel; the constants are free."""
        nt, k = len(self.degree), self.bends
        p = np.zeros((self.n, nt, self.n, nt))
        if k.size:
            common = (self.common / self.norm) ** 2
            # the covariance of a term is diagonal but for what is common: Sherman & Morrison 1950, Ann. Math. Stat. 21:124
            alone = 1 / (((self.own / self.norm) ** 2)[:, None] * self.strength**2 + 1e-6)
            both = alone * self.shared
            less = common / (1 + common * (both @ self.shared))
            p[:, k, :, k] = alone[:, :, None] * np.eye(self.n) - less[:, None, None] * both[:, :, None] * both[:, None, :]
        return p.reshape(self.n * nt, self.n * nt)

    def residual(self) -> Doubles:
        """Give the levels above the surfaces, per row of ``turn``."""
        return np.asarray(self.seen - (self.turn @ self.theta) @ self.a.T)

    def _solve(self, weight: Doubles, pull: Doubles) -> float:
        h = self.precision() + self._seen_by(weight)
        b = self.turn.T @ (TRUST * ((weight * self.seen + pull) @ self.a))
        h[np.diag_indices(len(h))] += 1e-9
        return self.move(np.asarray(np.linalg.solve(h, b.ravel()), np.float64).reshape(b.shape))

    def _seen_by(self, weight: Doubles) -> Doubles:
        """Give the inverse covariance of all coefficients that boxes of a weight (rows of ``turn``, boxes) leave to them."""
        nt = len(self.degree)
        rows = TRUST * ((self.across * weight[:, None, :]).reshape(-1, len(self.a)) @ self.a)  # one product is the fastest
        turns = self.turn[:, :, None] * self.turn[:, None, :]
        both = turns.reshape(self.n, -1).T @ rows.reshape(self.n, -1)
        return both.reshape(self.n, self.n, nt, nt).swapaxes(1, 2).reshape(self.n * nt, self.n * nt)

    def move(self, theta: Doubles) -> float:
        """Take other coefficients, and learn the prior from them; give by how much the surfaces moved."""
        moved = float(np.abs((theta - self.theta) @ self.a[::37].T).max())
        self.theta = theta
        self._learn_prior()
        return moved

    def neither(self, r: Doubles) -> Doubles:
        """Weigh the rows that see no line: robustly, by Student's t."""
        e = max(1.48 * float(median(np.abs(r))), 0.1)
        return np.asarray(1 / (e * e + r**2 / 2))

    def soft(self, decay: float, scales: tuple[float, ...] = (4.0, 2.0, 1.0, 0.5), rounds: int = 12) -> None:
        """Fit with boxes that are sky by degrees; nebula's levels are thought to fall off as (level + 1)^-decay."""
        share = np.full((self.lines, len(self.a)), 0.3)
        for scale in (*scales, self.floor):
            s = max(scale, self.floor)
            for _ in range(rounds):
                r = self.residual()
                weight, pull = np.zeros_like(r), np.zeros_like(r)
                weight[: self.lines], pull[: self.lines], sky = self._mixture(r[: self.lines], s, share, decay)
                share = np.clip(self.boxes.around(sky) ** 2, 0.01, 0.99)  # a box beside nebula is likely nebula
                for k in range(self.lines, self.n):
                    weight[k] = self.neither(r[k])
                if self._solve(weight, pull) < 0.02:
                    break

    def _mixture(self, r: Doubles, s: float, share: Doubles, decay: float) -> tuple[Doubles, Doubles, Doubles]:
        """Give weight, pull and the probability of being sky for levels ``r`` of the lines above their surfaces."""
        low, high = np.minimum(r, 0), np.maximum(r, 0)
        top, soft = np.maximum(r.max(axis=1, keepdims=True), 10), max(1.0, s)
        fall, above = 1 - decay, high + soft
        # the integral of (level + soft)^-decay up to the brightest
        whole = np.log((top + soft) / soft) if fall == 0 else ((top + soft) ** fall - soft**fall) / fall
        # how much likelier nebula is than sky; below the surface both fall off alike
        odds = np.exp(np.minimum(0.5 * (high / s) ** 2, 50)) * (math.exp(0.919) * s / whole)
        odds *= (1 / share - 1) / above**decay
        p = 1 / (1 + odds)
        if self.sure is not None:
            p = np.where(self.sure[self.index], 1.0, p)
        robust = np.minimum(1, 3 * s / np.maximum(-low, 1e-9))
        weight = np.where(r < 0, robust, p) / s**2
        if self.sure is not None:
            weight = np.where(self.sure[self.index], 25 / s**2, weight)
        # nebula boxes pull the surface up only for want of sky: they share their errors far more than TRUST says
        pull = np.where((p > 0.5).mean(axis=1, keepdims=True) >= SEEN, PULL, 1.0)
        return weight, pull * (1 - p) * decay * (r > 0) / above, p

    def hard(self) -> None:
        """Finish with sky boxes alone: what stands 3 sigma above the surface is left out, with its neighbours."""
        import cv2

        for _ in range(15):
            r = self.residual()
            weight = np.zeros_like(r)
            for k in range(self.n):
                if k >= self.lines:
                    weight[k] = self.neither(r[k])
                    continue
                low = -r[k][r[k] < 0]
                s = max(1.4826 * float(median(low)) if low.size else 0.15, 0.15, self.boxes.error)
                bright = np.zeros(self.boxes.shape[0] * self.boxes.shape[1], np.uint8)
                bright[self.index] = r[k] > 3 * s
                grown = cv2.dilate(bright.reshape(self.boxes.shape), np.ones((3, 3), np.uint8)).ravel()[self.index] > 0
                keep = ~grown if (~grown).mean() >= 0.08 else r[k] <= 3 * s
                if self.sure is not None:
                    keep = keep | self.sure[self.index]
                weight[k] = keep * np.minimum(1, 2 * s / np.maximum(np.abs(r[k]), 1e-9)) / s**2
            if self._solve(weight, np.zeros_like(r)) < 0.02:
                break

    def structure(self, k: int, side: int) -> Doubles:
        """Give how much each box of a turned channel differs from its neighbours (rms over ``side`` x ``side`` boxes), in sigma."""
        light = self.residual()[k]  # a slope of the glow would leave its print where neighbours are missing
        fine = light - self.boxes.around(light, 3)
        return np.sqrt(np.maximum(self.boxes.around(fine**2, side), 1e-4))

    def sky(self) -> list[Doubles]:
        """Give per line how surely each box and its neighbours are sky; zero in a line that sees none.

        Sky has no structure: boxes that lie at the level of the surface and differ from each other are the darkest nebula.
        """
        s = max(FLOOR, self.boxes.error)
        found = []
        for k, light in enumerate(self.residual()[: self.lines]):
            even = np.abs(self.boxes.around(light, 3) - self.boxes.around(light, 7)) < EVEN
            p = self.boxes.around(_log_mixture(light, s)[1] * ((self.structure(k, 5) < SMOOTH * s) & even))
            found.append(p if float((p > 0.5).mean()) >= SEEN else np.zeros_like(p))
        return found

    def evidence(self) -> tuple[float, Doubles]:
        """Give the log marginal likelihood (Laplace), and how surely each box is sky."""
        told, weights, sky = self._likely()
        p0, h = self.precision(), self.precision() + self._seen_by(weights)
        free = np.ix_(*2 * [np.flatnonzero(np.tile(self.degree > 0, self.n))])
        occam = 0.5 * (np.linalg.slogdet(p0[free])[1] - np.linalg.slogdet(h[free])[1]) if self.order else 0.0
        prior = -0.5 * float(self.theta.ravel() @ p0 @ self.theta.ravel())
        return float(TRUST * told + prior + occam), sky

    def certainty(self) -> Doubles:
        """Give the inverse covariance that the boxes leave to all coefficients (Laplace), channel by channel."""
        return self.precision() + self._seen_by(self._likely()[1])

    def _likely(self) -> tuple[float, Doubles, Doubles]:
        """Give the log likelihood of the levels, what each box weighs per row of ``turn``, and how surely it is sky."""
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
        return told, np.stack(weights), sky


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
