"""Diffraction spikes: rays that go out from every bright star, the same from all, and in opposite directions alike.

What holds a mirror in front of a telescope throws the light of a star into thin rays. Where the field turns while it is
photographed the rays turn with it, and a stack shows them smeared over as wide an angle. A star's rays are therefore one
density over angle times one brightness over radius, blurred across as the stars themselves are. What vanes do to the image of
a star: Harvey & Ftaclas 1995, Applied Optics 34:6337 (from memory). Where fewer than three bright stars show them, they stay.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD, RADII, Law, box_around

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int_]

ANGLES = 360  # in half a turn
EDGES = np.geomspace(3.0, 220.0, 60)  # px: of the rings
RADIUS = np.sqrt(EDGES[:-1] * EDGES[1:])
RING_OF = np.digitize(np.arange(2 * EDGES[-1] + 2) / 2, EDGES) - 1  # the ring of each half pixel
INNERMOST = 2.5  # widths of a star: nearer, its own image hides what it is like
FEW = 8  # angles of a ring: from less its level is not told
LOOK = 70.0  # px: so far out rays are looked for, before any is known
TALL = 3000.0  # sigma: fainter stars show no rays
MOST_STARS, LEAST_STARS = 30, 3
# how far all stars must agree, at first and later, when laws are better known, in deviations by chance: on some 120 scenes without
# rays they did by at most 3.5 and 2.9 but for one, by 4.1 and 5.3, of which no ring was left; with rays by 4 to 13
SURE = 5.0, 4.0
FALL = 1.5  # the power of radius by which rays are expected to fall
BENT = 0.02  # how far a star's flank may be off, as a share of its light
OTHERS = 60.0  # sigma: under more light of other stars nothing is told
ROUNDS, STEPS = 3, 50  # of both shapes in turn, and towards the density over angle
BARE, CHANCE = (0.35, 0.25), 5.0  # shares of all angles that are bare, and by how many times the difference chance may shine
UNEVEN = 0.005  # by how much the density over angle changes from one to the next
ALIKE = 10.0  # neighbouring pixels err together with the nebula: so many tell no more than one
AGAIN, FAR, DIFFER = 3, 3.0, 0.3  # fits; deviations, and part of a ray's light, from which what a star shows counts less
GAP = 4  # rings that may be dark between bright ones
CLEAR = 1.5  # times its error a ring must shine
STRONGER, WEAKER = 2.0, 8.0  # times what is measured, and times its error, that a ring may hold down those beyond by
LIT = 0.3  # of the brightest: where rays are said to shine
FAINTEST = 0.05  # sigma: rays are drawn to where they are fainter
FINE = 2  # steps of the drawn image to a pixel


class Spikes(NamedTuple):
    """The rays of a star of height 1."""

    density: Array  # (angle,) over half a turn
    along: Array  # (channel, ring) brightness
    laws: tuple[Law, ...]  # how stars are blurred

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Give between which angles they shine, in degrees from the x axis towards y; the first below 180."""
        near = np.arange(-4, 5)
        smooth = np.mean([np.roll(self.density, k) for k in near], axis=0)
        lit = smooth > LIT * smooth.max()
        begins, ends = (np.nonzero(lit & ~np.roll(lit, k))[0] for k in (1, -1))
        if not len(begins):
            return []
        ends = ends if ends[0] >= begins[0] else np.roll(ends, -1)
        unit = 180 / ANGLES
        return [(float(x) * unit, float(y + (ANGLES if y < x else 0) + 1) * unit) for x, y in zip(begins, ends, strict=True)]

    def polar(self) -> Array:
        """Give (channel, ring, angle)."""
        return self.along[:, :, None] * _blurred(self.density, np.stack([_across(law) for law in self.laws]))

    def image(self, c: int, polar: Array, reach: int) -> Planes:
        """Draw a channel's rays to ``reach`` px, :data:`FINE` steps to a pixel."""
        import cv2

        span = np.arange(-FINE * reach, FINE * reach + 1, dtype=np.float32) / FINE
        x, y = np.meshgrid(span, span)
        step = math.log(RADIUS[1] / RADIUS[0])
        r = np.hypot(x, y)
        ring = (np.log(np.maximum(r, 1e-3)) - np.float32(math.log(RADIUS[0]))) * np.float32(1 / step)
        angle = np.mod(np.arctan2(y, x), np.float32(math.pi)) * np.float32(ANGLES / math.pi) + np.float32(0.5)
        # an angle's neighbours beyond either end
        whole = np.concatenate([polar[c][:, -1:], polar[c], polar[c][:, :1]], 1).astype(np.float32)
        drawn = cv2.remap(whole, angle, np.maximum(ring, 0), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return np.asarray(drawn, np.float32) * np.clip(r / np.float32(RADIUS[0]), 0, 1)


class Seen(NamedTuple):
    """What is left around a star, (channel, ring, angle): means above those of the rings, how many pixels, its heights, and how uneven."""

    value: Array
    number: Array
    height: Array
    spread: Array  # (channel, ring, 1)


def learn_spikes(fit: StarFit, longest: float, sure: float) -> None:
    """Look for the rays of stars in what is left around the brightest of them, and take them off the fit's data.

    ``sure``: how far stars must agree about them. Rays that are known are measured again, on what is left with them put back.
    """
    stars = np.nonzero(~fit.outside & (fit.saturated | (fit.height.min(0) > TALL)) & (fit.height.min(0) > 0))[0]
    stars = stars[np.argsort(-fit.height[:, stars].sum(0), kind="stable")[:MOST_STARS]]
    longest = min(longest, float(EDGES[-1]))
    shown = None if fit.spikes is None else fit.spikes.polar()

    def around(reach: float) -> list[Seen]:
        return [s for s in over(lambda i: _around(fit, i, reach, shown), stars.tolist()) if s is not None]

    known = fit.spikes is not None
    seen = around(longest if known else min(longest, LOOK))
    if len(seen) >= LEAST_STARS and (known or _agreement(fit, seen) > sure):
        found = _fitted(fit, seen if known else around(longest))
        fit.spikes = found if found.along.any() else None
    if known or fit.spikes is not None:
        draw_spikes(fit)


def draw_spikes(fit: StarFit) -> None:
    """Take the rays that are known off the data, instead of those that were taken off before."""
    rays = None if fit.spikes is None else _drawn(fit, fit.spikes)
    for plane in (fit.data, fit.rest, fit.behind):
        if fit.rays is not None:
            plane += fit.rays
        if rays is not None:
            plane -= rays
    fit.rays, fit.stirred = rays, True


def _drawn(fit: StarFit, spikes: Spikes) -> Planes:
    """Draw the rays of all stars."""
    import cv2

    polar = spikes.polar()
    brightest = polar.max(2)  # channel, ring
    rays = np.zeros_like(fit.data)
    shape = fit.data.shape[1:]

    def channel(c: int) -> None:
        tall = np.maximum(fit.height[c], 0)
        far = np.maximum.accumulate(brightest[c][::-1])[::-1]  # the brightest there is from here outwards
        rings = np.searchsorted(-far, -FAINTEST / np.maximum(tall, 1e-9))
        stars = np.nonzero(rings > 1)[0]
        if not len(stars):
            return
        reach = np.ceil(EDGES[rings]).astype(int)
        half = int(reach[stars].max()) + 2
        image = spikes.image(c, polar, half)
        for i in stars.tolist():
            x, y = float(fit.x[c, i]), float(fit.y[c, i])
            y0, y1, x0, x1 = box_around(x, y, int(reach[i]), shape)
            if y1 <= y0 or x1 <= x0:
                continue
            to_image = np.array([[FINE, 0, (half + x0 - x) * FINE], [0, FINE, (half + y0 - y) * FINE]])
            star = cv2.warpAffine(image, to_image, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
            rays[c, y0:y1, x0:x1] += np.float32(tall[i]) * star
        fit.mirror(rays[c])

    over(channel, range(len(rays)))
    return rays


def _around(fit: StarFit, i: int, reach: float, rays: Array | None) -> Seen | None:
    """Give what is left around a star, with its ``rays`` put back; None where too little of it is seen."""
    half, shape = math.ceil(reach), fit.rest.shape[1:]
    x, y = float(fit.x[:, i].mean()), float(fit.y[:, i].mean())
    y0, y1, x0, x1 = box_around(x, y, half, shape, PAD)
    if y1 - y0 < half or x1 - x0 < half:
        return None
    rings, n = len(RADIUS), len(RADIUS) * ANGLES
    value, count, spread = np.zeros((len(fit.data), n)), np.zeros((len(fit.data), n)), np.ones((len(fit.data), rings, 1))
    box = np.s_[y0:y1, x0:x1]
    for c in range(len(fit.data)):
        dx = np.arange(x0, x1, dtype=np.float32)[None, :] - np.float32(fit.x[c, i])
        dy = np.arange(y0, y1, dtype=np.float32)[:, None] - np.float32(fit.y[c, i])
        r = np.hypot(dx, dy)
        law = fit.laws[c].near(float(fit.x[c, i]), float(fit.y[c, i]))
        own = np.float32(fit.height[c, i]) * law.at(dx, dy)
        others = fit.data[c][box] - fit.rest[c][box] - own
        free = (r > max(EDGES[0], INNERMOST * law.width)) & (r < half) & ~fit.hidden[c][box] & (others < OTHERS)
        angle = np.minimum(np.mod(np.arctan2(dy, dx)[free], math.pi) * (ANGLES / math.pi), ANGLES - 1).astype(int)
        place = RING_OF[(2 * r[free]).astype(int)] * ANGLES + angle
        count[c] = np.bincount(place, minlength=n)
        value[c] = np.bincount(place, fit.rest[c][box][free], minlength=n) / np.maximum(count[c], 1)
        if rays is not None:
            value[c] += fit.height[c, i] * rays[c].ravel()
        part = value[c].reshape(rings, ANGLES)
        there = count[c].reshape(rings, ANGLES) > 0
        part -= _middle(part, there)
        off = 1.4826 * _middle(np.abs(part), there)
        flank = BENT * fit.height[c, i] * np.interp(RADIUS, RADII, law.table)
        spread[c] = np.sqrt(np.maximum(off, 0.3) ** 2 + flank[:, None] ** 2)
    grid = (len(fit.data), rings, ANGLES)
    count *= np.repeat((count.reshape(-1, ANGLES) > 0).sum(1) >= FEW, ANGLES).reshape(count.shape)
    value *= count > 0
    return Seen(value.reshape(grid), count.reshape(grid), fit.height[:, i].copy(), spread)


def _agreement(fit: StarFit, seen: list[Seen]) -> float:
    """Say how far stars agree about the angles at which they are brighter, in deviations by chance.

    Every pair of stars is held together at the same angle, and with one turned by any other.
    """
    across = np.stack([_across(law) for law in fit.laws])
    profiles, root = [], []
    for s in seen:
        weight = s.number / s.spread**2
        form = s.height[:, None] * RADIUS**-FALL
        profiles.append(_by_angle(s.value * weight, weight, form, across))
        root.append(math.sqrt(float((weight * form[:, :, None] ** 2).sum())))
    waves = np.fft.rfft(np.array(profiles))
    waves[:, :2] = 0  # a flank that is a little oval is no ray
    score, squares = 0.0, 0.0
    for i in range(len(waves)):
        turned = np.fft.irfft(waves[:i] * np.conj(waves[i]), ANGLES)
        weight = root[i] * np.array(root[:i])
        score += float((weight * turned[:, 0] / np.maximum(turned.std(1), 1e-30)).sum())
        squares += float((weight**2).sum())
    return score / math.sqrt(max(squares, 1e-30))


def _across(law: Law) -> Array:
    """Give (ring, frequency) by what a star's width blurs a density over angle, ring by ring."""
    core = law.table.astype(np.float64) - law.wings
    u = np.arange(0, 40, 0.25)
    v = np.arange(0, 60, 0.25)
    line = np.interp(np.hypot(u[None, :], v[:, None]), RADII, core, right=0.0).sum(1)
    offset = np.arange(ANGLES) * (math.pi / ANGLES)
    offset = np.minimum(offset, math.pi - offset)
    blur = np.interp(RADIUS[:, None] * np.sin(offset), v, line, right=0.0)
    return np.asarray(np.fft.rfft(blur / blur.sum(1, keepdims=True)).real)


def _blurred(turn: Array, across: Array) -> Array:
    """Give a density over angle as it is seen ring by ring."""
    return np.asarray(np.fft.irfft(np.fft.rfft(turn) * across, ANGLES))


def _fitted(fit: StarFit, seen: list[Seen]) -> Spikes:
    """Fit one density over angle and a brightness of every ring and channel to what is left around all stars."""
    across = np.stack([_across(law) for law in fit.laws])
    height = np.array([s.height for s in seen])[:, :, None, None]  # star, channel, ring, angle
    value, count = np.array([s.value for s in seen]), np.array([s.number for s in seen])
    spread = np.array([s.spread for s in seen])
    trust = count / spread**2
    for k in range(AGAIN):
        weight = (trust * height**2).sum(0)
        mean = (trust * height * value).sum(0) / np.maximum(weight, 1e-30)
        if k == 0:
            bright = _Unknown(weight).without(mean) * weight
            turn = _bared(_by_angle(bright, weight, RADIUS**-FALL, across))
            along = _brightness(mean, weight, _blurred(turn, across))
        for _ in range(ROUNDS):
            turn = _density(mean, weight, along, across)
            along = _brightness(mean, weight, _blurred(turn, across))
        # what only one star shows is something else
        shape = along[:, :, None] * _blurred(turn, across)
        off = np.abs(value - height * shape)
        usual = 1.4826 * _middle(off, count > 0)
        trust = count / (spread**2 * (1 + (off / (FAR * np.clip(usual, 0.1, spread) + DIFFER * height * shape)) ** 2))
    return Spikes(turn, along, tuple(fit.laws))


def _middle(value: Array, there: npt.NDArray[np.bool_]) -> Array:
    """Give the median over angle (ring, 1) of values that are there; 0 where none is."""
    some = np.sort(np.where(there, value, np.inf), axis=-1)
    number = there.sum(-1, keepdims=True)
    return np.asarray(np.where(number > 0, np.take_along_axis(some, np.maximum(number - 1, 0) // 2, -1), 0.0))


def _by_angle(lit: Array, weight: Array, form: Array, across: Array) -> Array:
    """Give how much brighter than on average what falls with radius as ``form`` is at each angle, by weighted values."""
    top, there = (
        np.fft.irfft((np.fft.rfft(a * f[..., None]) * across).sum((0, 1)), ANGLES) for a, f in ((lit, form), (weight, form**2))
    )
    return np.asarray(top / np.maximum(there, 0.1 * there.mean() + 1e-30))


def _bared(turn: Array) -> Array:
    """Give a density without what is the same at all angles: some are bare, and what those differ by is chance."""
    bare, least = np.quantile(turn, BARE)
    out = np.maximum(turn - bare - CHANCE * (bare - least), 0)
    return np.asarray(out / max(float(out.sum()), 1e-30))


def _density(value: Array, weight: Array, along: Array, across: Array) -> Array:
    """Give the density over angle that explains most, by least squares; it changes little from one angle to the next."""
    from scipy.sparse.linalg import LinearOperator, cg

    weight = weight / ALIKE
    unknown = _Unknown(weight)

    def told(a: Array) -> Array:
        a = weight * unknown.without(a) * along[:, :, None]
        return np.asarray(np.fft.irfft((np.fft.rfft(a) * across).sum((0, 1)), ANGLES))

    def normal(at: Array) -> Array:
        bent = np.roll(at, 1) + np.roll(at, -1) - 2 * at
        return np.asarray(told(along[:, :, None] * _blurred(at, across)) + (at.mean() - bent) / UNEVEN**2)

    found, _ = cg(LinearOperator((ANGLES, ANGLES), matvec=normal), told(value), rtol=1e-3, maxiter=STEPS)
    return _bared(found)


class _Unknown:
    """What rings show that is not the rays': their level, which is the law's and the nebula's, and a flank that is a little oval."""

    def __init__(self, weight: Array) -> None:
        angle = (np.arange(ANGLES) + 0.5) * (2 * math.pi / ANGLES)
        self.shapes = np.stack([np.ones(ANGLES), np.cos(angle), np.sin(angle)])
        normal = np.einsum("cra,ia,ja->crij", weight, self.shapes, self.shapes)
        normal += 1e-9 * np.maximum(np.trace(normal, axis1=2, axis2=3), 1e-30)[..., None, None] * np.eye(3)
        self.told = np.linalg.solve(normal, weight[:, :, None] * self.shapes)

    def without(self, value: Array) -> Array:
        """Give values (channel, ring, angle) without it, by weighted least squares."""
        return np.asarray(value - np.einsum("cria,cra->cri", self.told, value) @ self.shapes)


def _brightness(value: Array, weight: Array, shape: Array) -> Array:
    """Give how bright rays are on every ring, as far as they are clear.

    A ray's light, px by px along it, grows weaker outwards: what shines far out alone is none, be it the nebula or what ends
    the image of a star.
    """
    shape = _Unknown(weight).without(shape)
    strength = np.maximum((weight * shape**2).sum(2), 1e-30)
    amount = (weight * shape * value).sum(2) / strength
    error2 = ALIKE / strength
    most = np.minimum.accumulate((STRONGER * np.maximum(amount, 0) + WEAKER * np.sqrt(error2)) * RADIUS, axis=1) / RADIUS
    amount = np.minimum(amount, most)
    sure = np.maximum(1 - CLEAR**2 * error2 / np.maximum(amount, 1e-30) ** 2, 0)
    out = np.where(amount > 0, amount * sure, 0)
    # rays end somewhere: what is seen again far beyond is something else
    shown = np.nonzero(out.any(0))[0]
    far = np.nonzero(np.diff(shown) > GAP)[0]
    if len(far):
        out[:, shown[far[0]] + 1 :] = 0
    for rings in out:  # inwards as they go on: as bright along, and a larger part of the turn
        if rings.any():
            first = int(np.argmax(rings > 0))
            rings[:first] = rings[first] * RADIUS[first] / RADIUS[:first]
    return np.asarray(out)
