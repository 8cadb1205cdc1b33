"""Fitting all stars of a picture together: heights, places and shapes of each, against a nebula that shines through.

Each star is solved in a small disc, where what lies behind is told from the ring around (:mod:`kriging`); neighbours are
taken off as they are known so far, and the round is repeated. What all stars share, the law and what noise their light
brings, is learned from the bright ones between the rounds.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.kriging import RING, Disc, Field, strength_class
from nebulakit.pixels.parallel import over
from nebulakit.pixels.starlaw import FREEDOM, MODES, STEP, Ghost, Law, applied

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

DISCS = np.array([1.5, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0])
WIDE = np.array([6, 9, 13, 19, 28, 40, 57, 80, 113, 160, 226])
PAD = 16
DOUBT = 0.01  # how far the law may be off where a cut-off star is far brighter than those it was learned from
BATCH = 256
NM = len(MODES)


class Seen(NamedTuple):
    """What a round showed, for learning: per pixel the light, the squared rest due to noise, the noise without stars;
    per clear star its height and the squared modes."""

    light: Array
    rest2: Array
    spread: Array
    height: Array
    modes2: Array


class StarFit:
    """The state of the fit. Planes are in units of each channel's noise; arrays of stars are (channel, star)."""

    def __init__(self, planes: Planes, hidden: Mask, level: Plane | None, laws: list[Law], field: Field) -> None:
        """Take planes without gaps, the pixels (channel, y, x) that say nothing, and the noise map."""
        width = ((0, 0), (PAD, PAD), (PAD, PAD))
        self.data = np.pad(planes, width, mode="reflect")
        self.hidden = np.pad(hidden, width, constant_values=True)
        self.level = None if level is None else np.pad(level, PAD, mode="edge")
        self.laws, self.field = laws, field
        c = len(planes)
        self.x = self.y = self.height = np.zeros((c, 0))
        self.modes = np.zeros((c, 0, NM))
        self.saturated = np.zeros(0, bool)
        self.origin = np.zeros((0, 2))
        self.outside = np.zeros(0, bool)  # beyond the edge of the picture: not solved for, but drawn
        self.rest = self.data.copy()  # without the stars
        self.cores = np.zeros(self.data.shape, bool)  # pixels that were solved for
        self.behind = self.data.copy()  # the same, with the cores told from around where that is better
        self.lost = np.zeros(self.data.shape, np.float16)
        self.strength = np.zeros_like(self.data)
        self.photons = np.full(c, 1 / 500)  # noise variance per star light
        self.misfit = np.full(c, 0.01)  # of the law, in shares of the light
        self.poor = np.zeros((c, 0))  # chi^2 per pixel of each star
        self.loose = np.ones((c, 0))  # how much freer than usual a star is
        self.usual = np.zeros((c, NM))  # modes that all stars share
        self.freedom = np.tile(FREEDOM, (c, 1))
        self.doubt = np.zeros(self.data.shape, np.float16)  # how far the flanks of cut-off stars may be off, sigma
        self.ghosts: list[Ghost | None] = [None] * c
        self.ghostly = np.ones((c, 0))  # brightness of each star's ghosts, 1 as usual
        self.own: list[list[npt.NDArray[np.float32] | None]] = [[] for _ in range(c)]  # each star's correction to the law
        self.third2 = np.full(c, 0.016)  # noise variance of the third starlet scale
        self.fwhm = 3.0
        self.sigma: tuple[float, ...] = (1.0,) * c  # of the channels, in the planes' first unit
        self.tie = 0.5  # px: how far a channel's place may lie from the common one

    @property
    def count(self) -> int:
        """How many stars there are."""
        return self.x.shape[1]

    def add(self, x: Array, y: Array, height: Array, saturated: Mask) -> None:
        """Add stars at x, y (of the unpadded planes) with first heights (channel, star)."""
        c = len(self.data)
        self.x = np.concatenate([self.x, np.tile(x + PAD, (c, 1))], 1)
        self.y = np.concatenate([self.y, np.tile(y + PAD, (c, 1))], 1)
        self.height = np.concatenate([self.height, height], 1)
        self.modes = np.concatenate([self.modes, np.zeros((c, len(x), NM))], 1)
        self.saturated = np.concatenate([self.saturated, saturated])
        self.outside = np.concatenate([self.outside, np.zeros(len(x), bool)])
        self.origin = np.concatenate([self.origin, np.column_stack([x + PAD, y + PAD])])
        self.ghostly = np.concatenate([self.ghostly, np.ones((c, len(x)))], 1)
        for own in self.own:
            own.extend([None] * len(x))
        self.poor = np.concatenate([self.poor, np.ones((c, len(x)))], 1)
        self.loose = np.concatenate([self.loose, np.ones((c, len(x)))], 1)

    def drop(self, keep: Mask) -> None:
        """Keep only these stars."""
        self.x, self.y, self.height, self.modes = self.x[:, keep], self.y[:, keep], self.height[:, keep], self.modes[:, keep]
        self.saturated, self.outside, self.origin = self.saturated[keep], self.outside[keep], self.origin[keep]
        self.ghostly = self.ghostly[:, keep]
        self.own = [[o for o, k in zip(own, keep, strict=True) if k] for own in self.own]
        self.poor, self.loose = self.poor[:, keep], self.loose[:, keep]

    # ---- drawing -------------------------------------------------------------------------------------------------

    def stamps(self, c: int, stars: Ints, half: int, sign: float = 1.0) -> tuple[Planes, Ints, Ints]:
        """Give the drawn stars (n, y, x) of one channel, times ``sign``, and the middle pixels they belong to."""
        px, py = np.rint(self.x[c, stars]).astype(int), np.rint(self.y[c, stars]).astype(int)
        x, y, height = self.x[c, stars] - px, self.y[c, stars] - py, sign * self.height[c, stars]
        law, inner = self.laws[c], min(half, 9)
        few = half > 19 and len(stars) < 20  # a wide stencil costs as much as drawing some twenty stars
        out = law.stamps(x, y, half) if few else law.stencil(half).stars(x, y)
        out *= height.astype(np.float32)[:, None, None]
        amounts = self.modes[c, stars] * height[:, None]
        own = np.nonzero(np.abs(amounts).max(1) > 0.05)[0]
        if len(own):
            core = law.stencil(inner + 2).stars(x[own], y[own])
            kernels = np.tensordot(amounts[own], np.stack(MODES), 1).astype(np.float32)
            change = out[own, half - inner : half + inner + 1, half - inner : half + inner + 1]
            h = core.shape[1]
            for j in range(5):
                for i in range(5):
                    change += kernels[:, j, i, None, None] * core[:, 4 - j : h - j, 4 - i : h - i]
            out[own, half - inner : half + inner + 1, half - inner : half + inner + 1] = change
        return out, px, py

    def paint(self, plane: Plane, c: int, stars: Ints, half: int, sign: float) -> None:
        """Add the drawn stars, times ``sign``, to a plane."""
        h, w = plane.shape
        for part in np.array_split(stars, -(-len(stars) // BATCH)) if len(stars) else []:
            drawn, px, py = self.stamps(c, part, half, sign)
            for star, a, b in zip(drawn, px.tolist(), py.tolist(), strict=True):
                y0, y1, x0, x1 = max(b - half, 0), min(b + half + 1, h), max(a - half, 0), min(a + half + 1, w)
                if y0 < y1 and x0 < x1:
                    plane[y0:y1, x0:x1] += star[y0 - b + half : y1 - b + half, x0 - a + half : x1 - a + half]

    def model(self, c: int, faintest: float = 0.02) -> Plane:
        """Draw all stars of a channel, each to where it sinks under ``faintest`` sigma."""
        plane = np.zeros(self.data.shape[1:], np.float32)
        reach = self.laws[c].radius(faintest / np.maximum(self.height[c], 1e-9))
        size = np.minimum(np.searchsorted(WIDE, reach), len(WIDE) - 1)
        for k in np.unique(size):
            self.paint(plane, c, np.nonzero((size == k) & (self.height[c] > 0))[0], int(WIDE[k]), 1.0)
        self._special(plane, c)
        return plane

    def _special(self, plane: Plane, c: int) -> None:
        """Draw what cut-off stars have besides the law: ghosts and corrections of their own."""
        h, w = plane.shape
        ghost = self.ghosts[c]
        for i in np.nonzero(self.saturated & (self.height[c] > 0))[0].tolist():
            own = self.own[c][i]
            half = 0 if own is None else min(math.ceil(float(np.flatnonzero(own).max(initial=0)) * STEP) + 1, 64)
            if ghost is not None:
                half = max(half, math.ceil(ghost.radius + 8 * ghost.soft + max(abs(ghost.dx), abs(ghost.dy))))
            if not half:
                continue
            x, y = float(self.x[c, i]), float(self.y[c, i])
            y0, y1, x0, x1 = (
                max(round(y) - half, 0),
                min(round(y) + half + 1, h),
                max(round(x) - half, 0),
                min(round(x) + half + 1, w),
            )
            if y0 >= y1 or x0 >= x1:
                continue
            dx, dy = np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y
            if ghost is not None:
                plane[y0:y1, x0:x1] += np.float32(self.height[c, i] * self.ghostly[c, i]) * ghost.at(dx, dy)
            if own is not None:
                a, b, d = self.laws[c].contour
                u = np.sqrt(a * dx * dx + 2 * b * dx * dy + d * dy * dy) * (1 / STEP)
                plane[y0:y1, x0:x1] += own.take(u.astype(np.int32), mode="clip")

    def redraw(self) -> None:
        """Bring ``rest`` in line with the stars as they are known now."""

        def channel(c: int) -> None:
            np.subtract(self.data[c], self.model(c), out=self.rest[c])
            self.mirror(self.rest[c])
            np.copyto(self.behind[c], self.rest[c], where=~self.cores[c])
            self.mirror(self.behind[c])
            self.doubt[c] = np.minimum(DOUBT * self.flanks(c), 6e4)

        over(channel, range(len(self.data)))

    def flanks(self, c: int) -> Plane:
        """Draw the cut-off stars alone."""
        plane = np.zeros(self.data.shape[1:], np.float32)
        cut = np.nonzero(self.saturated & (self.height[c] > 0))[0]
        reach = self.laws[c].radius(5 / self.height[c, cut])
        size = np.minimum(np.searchsorted(WIDE, reach), len(WIDE) - 1)
        for k in np.unique(size):
            self.paint(plane, c, cut[size == k], int(WIDE[k]), 1.0)
        return plane

    @staticmethod
    def mirror(plane: Plane) -> None:
        """Let what lies inside, without its stars, be mirrored in the margin."""
        p = PAD
        plane[:p], plane[-p:] = plane[2 * p : p : -1], plane[-p - 2 : -2 * p - 2 : -1]
        plane[:, :p], plane[:, -p:] = plane[:, 2 * p : p : -1], plane[:, -p - 2 : -2 * p - 2 : -1]

    # ---- solving -------------------------------------------------------------------------------------------------

    def disc_class(self, height: Array, c: int, wide: bool = True) -> Ints:
        """Give which disc a star is solved in: as far as its light, or the error of its law, counts."""
        reach = self.laws[c].radius(30 / np.maximum(height, 1e-9))
        return np.asarray(np.minimum(np.searchsorted(DISCS, np.maximum(reach, 2.0)), len(DISCS) - (1 if wide else 2)), np.int_)

    def sweep(self, stars: Ints, wide: bool = True) -> None:
        """Solve the given stars once, those that touch one after the other; the largest discs only if ``wide``."""
        channels = len(self.data)
        size = np.stack([self.disc_class(self.height[c, stars], c, wide) for c in range(channels)])
        reach = DISCS[size].max(0) + RING + 0.5
        if len(stars) == int((~self.outside).sum()):
            self.cores[:] = False
        self.seen: list[list[Seen]] = [[] for _ in range(channels)]
        group = apart(self.x[:, stars].mean(0), self.y[:, stars].mean(0), reach)
        for k in np.unique(size):
            self.field.disc(float(DISCS[k]))  # made before the channels share it

        def channel(c: int) -> None:
            for g in range(group.max(initial=-1) + 1):
                for k in np.unique(size[c]):
                    chosen = stars[(group == g) & (size[c] == k)]
                    for part in np.array_split(chosen, -(-len(chosen) // BATCH)) if len(chosen) else []:
                        self._solve(c, part, float(DISCS[k]))

        over(channel, range(channels))

    def design(self, c: int, stars: Ints, disc: Disc, count: int = NM) -> tuple[Array, Ints, Ints]:
        """Give (n, pixel, 3 + modes): the star, its two shifts and its modes per unit height, and the middle pixels."""
        px, py = np.rint(self.x[c, stars]).astype(int), np.rint(self.y[c, stars]).astype(int)
        half = int(max(-disc.ky.min(), 1))
        fx, fy = self.x[c, stars] - px, self.y[c, stars] - py
        stencil = self.laws[c].stencil(half + 2)
        drawn = stencil.stars(fx, fy)
        columns = [a[:, disc.ky + half + 2, disc.kx + half + 2] for a in (drawn, *stencil.slopes(fx, fy))]
        pick = (disc.ky + half, disc.kx + half)
        modes = applied(MODES[:count], drawn)[:, :, pick[0], pick[1]]
        return np.concatenate([np.stack(columns, 1), modes], 1).transpose(0, 2, 1).astype(np.float64), px, py

    def _solve(self, c: int, stars: Ints, radius: float) -> None:
        disc = self.field.disc(radius)
        # of a faint star no mode would be seen
        count = NM if float((self.freedom[c].max() * self.loose[c, stars] * self.height[c, stars]).max()) > 0.25 else 0
        x, px, py = self.design(c, stars, disc, count)
        n, pixels, _ = x.shape
        h, w = self.rest.shape[1:]
        ky, kx = np.clip(py[:, None] + disc.ky, 0, h - 1), np.clip(px[:, None] + disc.kx, 0, w - 1)
        ry, rx = np.clip(py[:, None] + disc.ry, 0, h - 1), np.clip(px[:, None] + disc.rx, 0, w - 1)
        grain = np.ones(n) if self.level is None else self.level[np.clip(py, 0, h - 1), np.clip(px, 0, w - 1)].astype(np.float64)
        strength = strength_class(self.strength[c, np.clip(py, 0, h - 1), np.clip(px, 0, w - 1)] / grain**2)
        expected = np.matmul(disc.weights[strength], self.behind[c, ry, rx].astype(np.float64)[:, :, None])[:, :, 0]
        height, modes = self.height[c, stars], self.modes[c, stars, :count]
        usual = np.broadcast_to(self.usual[c, :count], modes.shape)
        own = height[:, None] * (x[:, :, 0] + np.einsum("npk,nk->np", x[:, :, 3:], modes))
        rest = self.rest[c, ky, kx].astype(np.float64)
        light = np.maximum(self.data[c, ky, kx] - rest, 0)  # of all stars
        extra = self.photons[c] * light + (self.misfit[c] * self.loose[c, stars, None] * light) ** 2
        extra += self.doubt[c, ky, kx].astype(np.float64) ** 2
        extra = np.where(self.hidden[c, ky, kx], 1e9, extra)
        total = disc.spread[strength] * (grain**2)[:, None, None]
        total[:, np.arange(pixels), np.arange(pixels)] += extra
        # the star as usual at this place in its pixel; what deviates is held to what stars deviate by
        design = x.copy()
        design[:, :, 0] += np.einsum("npk,nk->np", x[:, :, 3:], usual)
        scale = np.maximum(height, 1.0)[:, None]
        design[:, :, 1:] *= scale[:, :, None]
        # of a cut-off star only the flanks are seen: its modes are not let loose
        whole = ~self.hidden[c, ky, kx].any(1)
        free = self.freedom[c, None, :count] * np.where(whole, self.loose[c, stars], 1.0)[:, None]
        # a plateau's middle is the star's, whatever its flanks seem to say
        inside = (px > PAD + 5) & (py > PAD + 5) & (px < w - PAD - 6) & (py < h - PAD - 6)
        tie = np.where(self.saturated[stars] & inside, 0.02, self.tie)[:, None] * np.ones(2)
        prior = np.concatenate([np.full((n, 1), 1e-12), tie**-2.0, free**-2.0], 1)
        home = np.zeros((n, 3 + count, 1))
        home[:, 1, 0] = np.clip(self.origin[stars, 0] - self.x[c, stars], -1, 1)
        home[:, 2, 0] = np.clip(self.origin[stars, 1] - self.y[c, stars], -1, 1)
        target = rest + own - expected
        solved = found = normal = np.zeros(0)
        for attempt in (0, 1):
            solved = np.linalg.solve(total, np.concatenate([design, target[:, :, None]], 2))
            normal = np.matmul(design.transpose(0, 2, 1), solved[:, :, :-1])
            normal[:, np.arange(3 + count), np.arange(3 + count)] += prior
            right = np.matmul(design.transpose(0, 2, 1), solved[:, :, -1:]) + prior[:, :, None] * home
            found = np.linalg.solve(normal, right)[:, :, 0]
            # beside a cut-off star anything may stand that is not known yet: what does not fit counts less
            off = (target - np.einsum("npk,nk->np", design, found)) ** 2 - 9 * np.einsum("npp->np", total)
            off *= self.saturated[stars, None]
            if attempt == 1 or not (off > 0).any():
                break
            total[:, np.arange(pixels), np.arange(pixels)] += np.maximum(off, 0)
        left = target - np.einsum("npk,nk->np", design, found)
        behind = (
            expected
            + np.matmul(
                disc.spread[strength] * (grain**2)[:, None, None],
                (solved[:, :, -1] - np.einsum("npk,nk->np", solved[:, :, :-1], found))[:, :, None],
            )[:, :, 0]
        )
        self.behind[c, ky, kx] = behind
        self.cores[c, ky, kx] = True
        # how much of the noise that belongs there was lost: all of it where nothing is seen
        self.lost[c, ky, kx] = extra / np.einsum("npp->np", total)
        new = np.maximum(found[:, 0], 0.0)
        safe = np.maximum(new, 1e-3)
        step = np.clip(found[:, 1:3] * (scale / safe[:, None]), -0.7, 0.7)
        half = math.ceil(radius + RING) + 1
        self.paint(self.rest[c], c, stars, half, 1.0)
        # a star that is not cut off shows its height
        middle = (disc.ky**2 + disc.kx**2 <= 2.5)[None] & ~self.hidden[c, ky, kx]
        seen = 1.6 * np.where(middle, target, 0).max(1)
        self.height[c, stars] = np.where(self.saturated[stars], new, np.minimum(new, np.maximum(seen, 0)))
        self.x[c, stars] += step[:, 0]
        self.y[c, stars] += step[:, 1]
        self.modes[c, stars] = 0
        self.modes[c, stars, :count] = usual + found[:, 3:] * (scale / safe[:, None])
        self.paint(self.rest[c], c, stars, half, -1.0)
        # what a right model would leave, and how sure the modes are
        cover = np.linalg.inv(normal)
        diagonal = np.einsum("npp->np", total)
        due = np.maximum(1 - np.einsum("npk,nkl,npl->np", design, cover, design) / diagonal, 0.05)
        known: Mask = np.asarray(extra < 1e8, bool)
        spread = diagonal - extra
        excess = np.where(known, left**2 / (diagonal * due), 0)
        self.poor[c, stars] = excess.sum(1) / np.maximum(known.sum(1), 1)
        whole_disc: Mask = np.asarray(known.all(1), bool)
        sure = whole_disc & (new > 60) & (count > 0)
        plain: Mask = known & whole_disc[:, None]  # cut-off stars follow other errors
        self.seen[c].append(
            Seen(
                light[plain],
                (left**2 / due)[plain],
                spread[plain],
                new[sure],
                self._squares(found, np.asarray(cover, np.float64), sure, count),
            )
        )

    @staticmethod
    def _squares(found: Array, cover: Array, sure: Mask, count: int) -> Array:
        if not count:
            return np.zeros((0, NM))
        return np.asarray(found[sure, 3:] ** 2 + np.einsum("nkk->nk", cover)[sure, 3:])


def apart(x: Array, y: Array, reach: Array) -> Ints:
    """Give a group number to each star, so that within a group none reaches into another; the far-reaching first."""
    from scipy.spatial import cKDTree

    group = np.full(len(x), -1, np.int_)
    if not len(x):
        return group
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(2 * float(reach.max()), output_type="ndarray")
    near = np.hypot(x[pairs[:, 0]] - x[pairs[:, 1]], y[pairs[:, 0]] - y[pairs[:, 1]]) < reach[pairs[:, 0]] + reach[pairs[:, 1]]
    touching: list[list[int]] = [[] for _ in x]
    for a, b in pairs[near].tolist():
        touching[a].append(b)
        touching[b].append(a)
    for i in np.argsort(-reach, kind="stable").tolist():
        taken = {int(group[j]) for j in touching[i]}
        g = 0
        while g in taken:
            g += 1
        group[i] = g
    return group
