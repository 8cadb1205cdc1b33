"""Telling from a stretched plane by what curve it was stretched.

Two things tell of the curve from light to level. Noise: it is nearly even in a linear stack (light adds a little), so where
it shows half as strong the curve is half as steep; that holds for levels that sky and nebula have. Stars: all have one law of
light, so that the rings of bright and faint ones must be copies of each other; that holds up to where stars are cut off, but
for a power of the light above the sky, which noise tells. So both are fitted together. A curve is known up to a factor and
a level, which a linear stack does not need.

Sources: Moffat 1969, A&A 3:455, and Bunclark & Irwin 1983, ESA SP-201:195 (the curve of a plate from the images of its
stars); Matsushita & Lin 2007, CVPR (a camera's curve from its noise). Cited from memory.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

RADII = np.array([1.0, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8.5, 10, 12, 14.5, 17.5, 21]) / 3  # in widths of a star
TURNS = 32  # places on a ring
FEWEST = 7  # known rings of a star that is asked
TELL = 2  # stars must reach a level for it to be told
STANDS = 6.0  # noises that its innermost known ring must stand above its outermost
INTERVALS = 20  # of the spline over the range of levels
FINE = 1024  # levels of the tables
LAW = 0.02  # how far a star's ring may be off the law, as a share of its light
OUTER = 4  # rings far out
# of how uneven the ground is: so much counts as each ring's own; neighbours are off alike, and a star's height takes part of it
ALONG = 0.5
GROUND = 0.15  # noises: and how far at least by what else there is around it
ROUGH = 60.0  # how quickly the slope's logarithm bends: its second derivative over the range of levels, squared
MOST = 1_000_000  # pixels are plenty
QUIET = 0.5149  # the mean size of the smaller three quarters of normal numbers
UNCUT = 1.5  # noises that a level lies above the lowest there is, at least, if its noise is whole
NOISE = 0.04  # how far a class of noise may be off, logarithm
PHOTONS = math.log(1 / 700)  # noise variance per light: usual where skyglow makes the noise, give or take an e-fold
FALL, FREE = -4.5, 2.0  # power by which laws fall far out, give or take so much
TURNS_MOST, STILL = 40, 1e-4  # of the cost: gaining less than this is standing still


class Curve(NamedTuple):
    """A rising curve as a table: display levels, and the light of each, about in noises of the sky and from the lowest level on."""

    level: Array
    light: Array

    def to_light(self, shown: Plane) -> Plane:
        """Undo the curve; beyond the table its ends hold."""
        return np.interp(shown, self.level, self.light).astype(np.float32)

    def to_level(self, light: Plane) -> Plane:
        """Apply the curve."""
        return np.interp(light, self.light, self.level).astype(np.float32)


class Rings(NamedTuple):
    """Medians of a plane on rings around stars, (star, ring), NaN where nothing is known, and their errors."""

    value: Array
    error: Array


class NoiseByLevel(NamedTuple):
    """The noise of a plane in classes of its level: the middle level, the noise, its logarithm's error."""

    level: Array
    noise: Array
    error: Array


class Told(NamedTuple):
    """A curve, and how well it is told: stars asked, how far they and the noise are off (1: as expected), the highest level that told."""

    curve: Curve
    stars: int
    stars_off: float
    noise_off: float
    highest: float
    width: float  # of the stars in light: the radius at half height, times 2
    cost: float  # of stars, noise and what is expected of both and of the curve: squares of what they are off
    unknown: _Unknown


def sample(plane: Plane, owner: Ints, x: Array, y: Array, index: Ints, radii: Array, limit: float) -> Rings:
    """Take the medians of a plane (y, x) on rings around places, from pixels that no other star than ``index`` owns.

    A median of levels is the level of the median light, whatever the rising curve. Rings that reach above ``limit``
    (where stars are cut off), that leave the picture or of which less than half is free are not known.
    """
    import cv2

    turns = np.arange(TURNS) * (2 * math.pi / TURNS)
    h, w = plane.shape
    value, error = np.full((len(x), len(radii)), np.nan), np.full((len(x), len(radii)), np.nan)
    for j, r in enumerate(radii.tolist() if len(x) else []):
        px = (x[:, None] + r * np.cos(turns)).astype(np.float32)
        py = (y[:, None] + r * np.sin(turns)).astype(np.float32)
        shown = np.asarray(cv2.remap(plane, px, py, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT), np.float64)
        whose = owner[np.clip(np.rint(py), 0, h - 1).astype(int), np.clip(np.rint(px), 0, w - 1).astype(int)]
        inside = (px > 2) & (py > 2) & (px < w - 3) & (py < h - 3) & ((whose < 0) | (whose == index[:, None]))
        enough = (inside.sum(1) > TURNS / 2) & (np.where(inside, shown, -np.inf).max(1, initial=-np.inf) < limit)
        if not enough.any():
            continue
        some, count = np.where(inside, shown, np.nan)[enough], inside[enough].sum(1)
        middle = _medians(some, count)
        value[enough, j] = middle
        # neighbouring places share pixels: a ring has no more independent ones than it has pixels
        error[enough, j] = 1.25 * 1.4826 * _medians(np.abs(some - middle[:, None]), count)
        error[enough, j] /= np.sqrt(np.minimum(count, 2 * math.pi * r))
    return Rings(value, error)


def uneven_ground(rings: Rings, noise: NoiseByLevel) -> Array:
    """Tell how far rings without a star, of which ``rings`` are some, are off those far out, but for their own noise: noises, per ring."""
    far = rings.value[:, -OUTER:]
    known = np.isfinite(far).sum(1)
    value, error = rings.value[known > 0], rings.error[known > 0]
    local = np.exp(np.interp(value, noise.level, np.log(noise.noise)))
    off = (value - _medians(far[known > 0], known[known > 0])[:, None]) / local
    out, count = np.full(value.shape[1], GROUND), np.isfinite(off).sum(0)
    seen = count > 0
    spread, noisy = (_medians(v.T[seen], count[seen]) for v in (1.4826 * np.abs(off), error / local))
    out[seen] = np.maximum(ALONG * np.sqrt(np.maximum(spread**2 - noisy**2, 0)), GROUND)
    return out


def _medians(rows: Array, count: Ints) -> Array:
    """Give the median of each row, of which ``count`` values are known (the others NaN); numpy's takes ten times as long."""
    rows, row = np.sort(rows, axis=1), np.arange(len(rows))
    return np.asarray(0.5 * (rows[row, (count - 1) // 2] + rows[row, count // 2]))


def noise_by_level(plane: Plane, free: Mask, step: float = 0.0, bins: int = 24) -> NoiseByLevel:
    """Measure the noise by the level, where ``free``: at the highest frequencies, which hold least of the nebula.

    Noise that was blurred has little there; how much more it has at the finest starlet scale is one ratio for all levels,
    taken from the quiet quarter of them. ``step``: the gap between levels of a plane that was saved in few. Classes whose noise
    black cuts off are left out.
    """
    import cv2

    once = starlet.smooth(plane, 1)
    wide = starlet.smooth(starlet.smooth(once, 2), 3)
    across = np.array([0.5, -1, 0.5], np.float32)
    some = np.flatnonzero(free)
    some = some[:: max(1, len(some) // MOST)]
    fine = np.abs(cv2.sepFilter2D(plane, -1, across, across, borderType=cv2.BORDER_REFLECT_101).ravel()[some])
    level = wide.ravel()[some]
    order = np.argsort(level, kind="stable")
    # as many pixels in each, and the brightest, which are few, in classes of their own
    cuts = np.unique(np.rint(np.concatenate([np.linspace(0, 1, bins + 1), 1 - np.geomspace(1, 1e-3, 10) / bins]) * len(order)))
    parts = [order[int(a) : int(b)] for a, b in itertools.pairwise(cuts) if b - a > 300]
    # the mean of the smaller three quarters: of a plane saved in few levels a median could only be one of these
    quiet = [np.partition(fine[k], 3 * len(k) // 4)[: 3 * len(k) // 4] for k in parts]
    noise = np.array([float(np.mean(q, dtype=np.float64)) / QUIET / 1.5 for q in quiet])
    noise = np.sqrt(np.maximum(noise**2 - step**2 / 12, 0))
    first = np.abs(plane.ravel()[some] - once.ravel()[some])
    ratio = [1.4826 * float(np.median(first[k])) / 0.8908 / max(n, 1e-30) for k, n in zip(parts, noise, strict=True)]
    noise *= float(np.quantile(ratio, 0.25)) if ratio else 1.0
    count = np.array([len(k) for k in parts], float)
    middle = np.array([float(np.median(level[k])) for k in parts])
    # where black cuts noise off less is left of it than of that of the next class
    known = (noise > 0.3 * step) & (middle - UNCUT * np.maximum(noise, np.append(noise[1:], 0)) > plane.min())
    middle = middle[known]
    noise, count = noise[known], count[known]
    return NoiseByLevel(middle, noise, np.sqrt(NOISE**2 + 2 / count + (0.1 * step / np.maximum(noise, 1e-30)) ** 2))


class _Spline:
    """Light per level: its logarithm is a cubic spline of the level, linear at its ends where nothing tells; or ``straight``."""

    def __init__(self, low: float, high: float, sky: float, straight: bool) -> None:
        from scipy.interpolate import BSpline

        gap = (high - low) / INTERVALS
        self.low, self.high = low, high
        self.fine = np.linspace(low, high, FINE)
        knots = low + gap * np.arange(-3, INTERVALS + 4)
        self.basis = np.ones((FINE, 1))
        if not straight:
            self.basis = BSpline.design_matrix(np.clip(self.fine, low, high - 1e-9 * gap), knots, 3).toarray()
        self.count = self.basis.shape[1]
        self.bend = np.diff(np.eye(self.count), 2, axis=0) * (INTERVALS**1.5 / ROUGH)
        self.zero = round(float(np.clip((sky - low) / (high - low) * (FINE - 1), 0, FINE - 1)))

    def at(self, table: Array, level: Array) -> Array:
        """Read a table (FINE, ...) at levels."""
        place = np.clip((level - self.low) / (self.high - self.low) * (FINE - 1), 0, FINE - 1.001)
        k = place.astype(int)
        part = (place - k).reshape(place.shape + (1,) * (table.ndim - 1))
        return np.asarray((1 - part) * table[k] + part * table[k + 1])

    def slope(self, amounts: Array) -> Array:
        """Give light per level."""
        return np.asarray(np.exp(np.clip(self.basis @ amounts, -30, 60)))

    def light(self, slope: Array) -> Array:
        """Integrate light per level (FINE, ...) from the sky on."""
        mean = 0.5 * (slope[1:] + slope[:-1]) * (self.fine[1] - self.fine[0])
        whole = np.concatenate([np.zeros((1, *slope.shape[1:])), np.cumsum(mean, axis=0)])
        return np.asarray(whole - whole[self.zero])


class _Unknown(NamedTuple):
    """The spline's amounts, the logarithm of the law on its rings, and that of the noise variance per light."""

    amounts: Array
    law: Array
    photons: float

    def moved(self, step: Array) -> _Unknown:
        k = len(self.amounts)
        photons = float(np.clip(self.photons + step[k], math.log(1e-5), math.log(0.02)))
        return _Unknown(self.amounts + step[:k], self.law + step[k + 1 :], photons)

    def flat(self) -> Array:
        return np.concatenate([self.amounts, [self.photons], self.law])


class _Seen(NamedTuple):
    """What the unknown comes to: per star and ring, then per class of noise."""

    cost: float
    level: Array  # that the model shows
    steep: Array  # light per level there
    shine: Array  # light of the star itself
    error: Array
    trust: Array
    off: Array
    noise_off: Array
    noise_trust: Array


class Problem:
    """The curve of one channel as a problem of least squares, each star's height and ground taken out of it.

    From ``rings`` around its stars, with their ``radii`` in px, and its ``noise``; ``low`` to ``high``: the range of levels,
    the same for all channels; ``sky``: a level at which there is noise to see; ``ground``: how uneven it is on each ring,
    noises. ``straight``: no curve is left to be told, only how well stars and noise fit light as it is.
    """

    def __init__(
        self,
        rings: Rings,
        noise: NoiseByLevel,
        radii: Array,
        low: float,
        high: float,
        sky: float,
        ground: Array | float = GROUND,
        straight: bool = False,
    ) -> None:
        self.spline = _Spline(low, high, sky, straight)
        self.noise, self.radii = noise, radii
        known = np.isfinite(rings.value)
        ring, stars = np.arange(len(radii))[None], np.arange(len(known))
        first = np.clip(np.where(known, ring, len(radii)).min(1), 0, len(radii) - 1)
        last = np.clip(np.where(known, ring, -1).max(1), 0, None)
        filled = np.where(known, rings.value, sky)
        local = np.exp(np.interp(filled, noise.level, np.log(noise.noise)))
        use = known.sum(1) >= FEWEST
        use &= filled[stars, first] - filled[stars, last] > STANDS * local[stars, last]
        least = np.maximum(np.nan_to_num(rings.error), 0.3 * local / np.sqrt(2 * math.pi * radii))
        self.value, self.known = filled[use], known[use].astype(float)
        self.own = np.sqrt(least**2 + (ground * local) ** 2)[use]
        # what is expected of a law: no kinks, and a fall by a power far out
        fall = np.diff(np.eye(len(radii)), 1, axis=0) / np.diff(np.log(radii))[:, None]
        outer = fall[radii[:-1] > 2 * radii[np.searchsorted(RADII, 0.9)]]
        self.smooth = np.concatenate([np.diff(fall, 1, axis=0) / 1.5, outer / FREE])
        self.usual = np.concatenate([np.zeros(len(radii) - 2), np.full(len(outer), FALL / FREE)])

    def start(self, law: Array | None = None) -> _Unknown:
        """Give what the noise alone tells, and beyond that a curve as curves are; with the logarithm of the ``law``, if it is known."""
        rows, want = self.spline.at(self.spline.basis, self.noise.level), -np.log(self.noise.noise)
        tilt = np.diff(np.eye(self.spline.count), 1, axis=0) / 0.2
        right = rows.T @ want / 0.1**2 + tilt.T @ np.full(len(tilt), 5.0 / INTERVALS / 0.2)
        amounts = np.linalg.solve(rows.T @ rows / 0.1**2 + tilt.T @ tilt, right)
        if law is not None:
            return _Unknown(amounts, law, PHOTONS)
        core = 1 + (self.radii / (0.6 * self.radii[np.searchsorted(RADII, 0.9)])) ** 2
        return _Unknown(amounts, -3.2 * np.log(core / core[0]), PHOTONS)

    def see(self, now: _Unknown, held: _Seen | None = None) -> _Seen:
        """Compare with the data; errors and trust as in ``held``, else anew."""
        spline, n = self.spline, self.noise
        slope = spline.slope(now.amounts)
        light = spline.light(slope)
        x, steep = spline.at(light, self.value), spline.at(slope, self.value)
        shape = np.broadcast_to(np.exp(now.law), x.shape)
        error, trust = (self.own, np.ones_like(x)) if held is None else (held.error, held.trust)
        for _ in range(6 if held is None else 2):
            height, ground = _heights(x, shape, self.known * trust / (error * steep) ** 2)
            shine = height[:, None] * shape
            level = np.interp(ground[:, None] + shine, light, spline.fine)
            steep = spline.at(slope, level)
            if held is None:
                error = np.sqrt(self.own**2 + (LAW * shine / steep) ** 2)
                trust = 2 / np.maximum(np.abs(self.value - level) / error, 2)
        off = self.known * (self.value - level) / error
        photon = np.maximum(1 + math.exp(now.photons) * spline.at(light, n.level), 0.3)
        noise_off = (np.log(n.noise) + np.log(spline.at(slope, n.level)) - 0.5 * np.log(photon)) / n.error
        # structure of the nebula passes for noise, never the other way round
        noise_trust = np.where(noise_off > 0, 1 / (1 + (noise_off / 1.5) ** 2), 2 / np.maximum(-noise_off, 2))
        if held is not None:
            noise_trust = held.noise_trust
        cost = float(
            (trust * off**2).sum() + (noise_trust * noise_off**2).sum() + ((self.smooth @ now.law - self.usual) ** 2).sum()
        )
        cost += float(((spline.bend @ now.amounts) ** 2).sum()) + (now.photons - PHOTONS) ** 2
        return _Seen(cost, level, steep, shine, error, trust, off, noise_off, noise_trust)

    def equations(self, now: _Unknown, seen: _Seen) -> tuple[Array, Array]:
        """Give the normal equations of a step."""
        spline, n = self.spline, self.noise
        k, m = spline.count, len(self.radii)
        slope = spline.slope(now.amounts)
        grad, light = spline.light(slope[:, None] * spline.basis), spline.light(slope)
        normal, right = np.zeros((k + 1 + m, k + 1 + m)), np.zeros(k + 1 + m)
        weight = self.known * np.sqrt(seen.trust) / (seen.error * seen.steep)
        # the curve is asked at the level of the model: asked at that of the data it would shrink to nothing
        whole = np.concatenate([spline.at(grad, seen.level), -seen.shine[:, :, None] * np.eye(m)], axis=2) * weight[:, :, None]
        own = np.stack([seen.shine, np.ones_like(weight)], 2) * weight[:, :, None]
        inner = np.linalg.inv(np.einsum("srl,srk->slk", own, own) + 1e-12 * np.eye(2))
        whole -= own @ (inner @ (own.transpose(0, 2, 1) @ whole))
        flat, index = whole.reshape(-1, k + m), np.concatenate([np.arange(k), np.arange(k + 1, k + 1 + m)])
        normal[np.ix_(index, index)] = flat.T @ flat
        right[index] = -flat.T @ (seen.off * np.sqrt(seen.trust)).ravel()
        normal[k + 1 :, k + 1 :] += self.smooth.T @ self.smooth
        right[k + 1 :] -= self.smooth.T @ (self.smooth @ now.law - self.usual)
        normal[k + 1, k + 1] += 1e8  # the law is 1 at its first ring
        share = math.exp(now.photons)
        photon = np.maximum(1 + share * spline.at(light, n.level), 0.3)
        rows = np.zeros((len(n.level), k + 1))
        rows[:, :k] = spline.at(spline.basis, n.level) - (0.5 * share / photon)[:, None] * spline.at(grad, n.level)
        rows[:, k] = -0.5 * share * spline.at(light, n.level) / photon
        rows *= (np.sqrt(seen.noise_trust) / n.error)[:, None]
        normal[: k + 1, : k + 1] += rows.T @ rows
        right[: k + 1] -= rows.T @ (seen.noise_off * np.sqrt(seen.noise_trust))
        normal[:k, :k] += spline.bend.T @ spline.bend
        right[:k] -= spline.bend.T @ (spline.bend @ now.amounts)
        normal[k, k] += 1
        right[k] -= now.photons - PHOTONS
        return normal, right

    def told(self, now: _Unknown) -> Told:
        """Give the curve, and how well it fits."""
        seen = self.see(now)
        used = self.known > 0
        at_half = float(np.interp(-(now.law[0] + 0.5 * (now.law[0] - now.law[1]) - math.log(2)), -now.law, self.radii))
        light = self.spline.light(self.spline.slope(now.amounts))
        return Told(
            Curve(self.spline.fine, light - light[0]),
            len(self.value),
            float(np.sqrt(np.minimum(seen.off[used] ** 2, 9).mean())),
            float(np.sqrt((seen.noise_trust * seen.noise_off**2).mean())),
            float(np.sort(np.where(used, self.value, -np.inf).max(1))[-TELL]),
            2 * at_half,
            seen.cost,
            now,
        )


def _heights(x: Array, shape: Array, weight: Array) -> tuple[Array, Array]:
    """Give height and ground of each star by weighted least squares: x = ground + height * shape."""
    total = np.maximum(weight.sum(1), 1e-30)
    mean_x, mean_shape = (weight * x).sum(1) / total, (weight * shape).sum(1) / total
    dx, ds = x - mean_x[:, None], shape - mean_shape[:, None]
    height = np.maximum((weight * dx * ds).sum(1) / np.maximum((weight * ds * ds).sum(1), 1e-30), 1e-3)
    return height, mean_x - height * mean_shape


def tell_curves(problems: list[Problem], tie: float = math.inf, start: list[_Unknown] | None = None) -> list[Told]:
    """Tell the curves of channels, each from its problem, held alike.

    A picture's channels are stretched alike as a rule, but for a factor on the light: what one of them leaves open
    (structure of a bright nebula passes for noise) another tells. ``tie``: how far their slopes may differ, standard
    deviation of the logarithm over the range of levels. ``start``: where to begin, if not at what noise tells; so near, less
    is left to gain. Gauss-Newton with damped steps (Levenberg 1944).
    """
    now, damp = [p.start() for p in problems] if start is None else start, 1e-3
    sizes = [len(p.radii) + p.spline.count + 1 for p in problems]
    ends = np.cumsum([0, *sizes])
    bond = _bond(problems, ends, tie)
    before, still = math.inf, STILL if start is None else 5 * STILL
    for _ in range(TURNS_MOST):
        seen = [p.see(n) for p, n in zip(problems, now, strict=True)]
        normal, right = bond.copy(), -bond @ np.concatenate([n.flat() for n in now])
        for p, n, s, a, b in zip(problems, now, seen, ends[:-1], ends[1:], strict=True):
            own, toward = p.equations(n, s)
            normal[a:b, a:b] += own
            right[a:b] += toward
        cost = sum(s.cost for s in seen) + _bound(bond, now)
        better, gain = None, 0.0
        for _ in range(8):
            step = np.asarray(np.linalg.solve(normal + np.diag(damp * np.diag(normal) + 1e-9), right), np.float64)
            step *= min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-9))
            trial = [n.moved(step[a:b]) for n, a, b in zip(now, ends[:-1], ends[1:], strict=True)]
            after = sum(p.see(t, s).cost for p, t, s in zip(problems, trial, seen, strict=True))
            gain = cost - after - _bound(bond, trial)
            if gain > 0:
                better = trial
                break
            damp *= 8
        if better is None:
            break
        now, damp = better, max(damp / 4, 1e-6)
        # with errors and trust anew a step may gain as much for ever that leaves all as it was
        if gain < still * (1 + cost) or (gain < 30 * still * (1 + cost) and abs(before - cost) < 0.1 * still * (1 + cost)):
            break
        before = cost
    return [p.told(n) for p, n in zip(problems, now, strict=True)]


def _bond(problems: list[Problem], ends: Ints, tie: float) -> Array:
    """Give the precision that holds the shapes of all curves together, over the flat unknowns of all channels."""
    whole = np.zeros((ends[-1], ends[-1]))
    k, n = problems[0].spline.count, len(problems)
    turn = np.diff(np.eye(k), 1, axis=0) * (math.sqrt(INTERVALS) / tie)
    for i, j in itertools.product(range(n), repeat=2):
        share = (1.0 if i == j else 0.0) - 1 / n
        whole[ends[i] : ends[i] + k, ends[j] : ends[j] + k] = share * (turn.T @ turn)
    return whole


def _bound(bond: Array, now: list[_Unknown]) -> float:
    """Give what unlike curves cost."""
    flat = np.concatenate([n.flat() for n in now])
    return float(flat @ bond @ flat)
