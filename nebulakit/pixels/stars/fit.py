"""Fitting all stars of a picture together: heights, places and shapes of each, against a nebula that shines through.

Each star is solved in a small disc, where what lies behind is told from the ring around (:mod:`~nebulakit.pixels.kriging`); neighbours are
taken off as they are known so far, and the round is repeated. What all stars share, the law and what noise their light
brings, is learned from the bright ones between the rounds.
"""

from __future__ import annotations

import math
from copy import copy
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.kriging import RING, Field, strength_class
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.drawing import NM, Drawn, Special, Stroke, add_special, changes, differences, draw_stars, reach_of
from nebulakit.pixels.stars.law import FREEDOM, PAD, Ghost, Law, box_around

if TYPE_CHECKING:
    from nebulakit.pixels.stars.spikes import Spikes

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

DISCS = np.array([1.5, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0])
BEYOND = 3.0  # px that the disc of a cut-off star reaches beyond its plateau
FAINT = 20.0  # sigma of star light: less tells nothing of how light brings noise
DOUBT = 0.01  # how far the law may be off where a cut-off star is far brighter than those it was learned from
BENDS = 1.6 * 1.5 ** np.arange(4.0)  # widths: where the law of a cut-off star is left open
COARSE = 4  # px: at every one of so many the strength of the nebula is told
BATCH = 4096  # pixels that are solved for in one go
BAND = 512  # rows that are drawn in one go
NEIGHBOURS = 4  # of a star whose heights are left open when it is solved for
UNSETTLED = 3.0  # chi^2 per pixel of a star whose neighbours, or place, are not known well yet
# what is kept of every star and channel, and is not told yet of a new one
UNTOLD = {"ghostly": 0.0, "poor": 1.0, "due": 0.0, "trust": 0.0, "alone": 0.0, "unsure": math.inf}


class Seen(NamedTuple):
    """What a round showed, for learning: per pixel with much star light this light, the squared rest due to noise, the noise without stars;
    per clear star its height and the squared modes."""

    light: Planes
    rest2: Planes
    spread: Planes
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
        self.behind = np.zeros_like(self.data)  # what is told of them from around, and holds there alone
        self.lost = np.zeros(self.data.shape, np.uint8)  # how much of the noise that belongs there was lost, of 255
        self.strength = np.zeros((c, *(-(-n // COARSE) for n in self.data.shape[1:])), np.float32)  # of the nebula
        self.photons = np.full(c, 1 / 500)  # noise variance per star light
        self.misfit = np.full(c, 0.01)  # of the law, in shares of the light
        self.poor = np.zeros((c, 0))  # chi^2 per pixel of each star
        # the height that a star's other channels lead to expect, and how surely: 1 / variance
        self.due = self.trust = np.zeros((c, 0))
        self.alone = self.unsure = np.zeros((c, 0))  # the height that a channel tells by itself, and its variance
        self.freedom = np.tile(FREEDOM, (c, 1))
        self.doubt = np.zeros(self.data.shape, np.float16)  # how far the flanks of cut-off stars may be off, sigma
        self.ghosts: list[Ghost | None] = [None] * c
        self.ghostly = np.ones((c, 0))  # brightness of each star's ghosts, 1 as usual
        self.own: list[list[npt.NDArray[np.float32] | None]] = [[] for _ in range(c)]  # each star's correction to the law
        self.flank: Array | None = None  # the logarithm of the Moffat law that the cores show, as :mod:`wings` keeps it
        self.third2 = np.full(c, 0.016)  # noise variance of the third starlet scale
        self.moved, self.bent = (
            0.0,
            False,
        )  # how far flanks of the law went when they were told last, and if they are none of Moffat's
        self.fwhm, self.crowded = 3.0, False
        self.sigma: tuple[float, ...] = (1.0,) * c  # of the channels, in the planes' first unit
        # what the stars in ``rest`` were taken off with, by channel
        self.known: dict[int, tuple[Law, Drawn, list[Special]]] = {}
        self.bared: dict[int, Special] = {}  # the ghosts without which ``behind`` is
        self.stirred = False  # whether cut-off stars are not what they were when ``doubt`` was told
        self.beside = np.zeros((0, 1), int)  # each star's nearest ones
        self.tie = 0.5  # px: how far a channel's place may lie from the common one
        self.spikes: Spikes | None = None
        self.rays: Planes | None = None  # of all stars, which ``data`` is without
        self.shifts: Array | None = None  # (channel, term, x and y) px from there, of 1 and both directions from the middle

    @property
    def count(self) -> int:
        """How many stars there are."""
        return self.x.shape[1]

    @property
    def place(self) -> tuple[Array, Array]:
        """Give where the stars are, by the channels that show them: where one shows nothing, its place is that of something else."""
        shown = np.maximum(self.height, 1e-6)
        return (shown * self.x).sum(0) / shown.sum(0), (shown * self.y).sum(0) / shown.sum(0)

    def shift(self, x: Array, y: Array) -> Array:
        """Give (channel, star, x and y) how far the channels' images of stars at these places lie from them."""
        if self.shifts is None:
            return np.zeros((len(self.data), len(x), 2))
        return self.from_middle(x, y) @ self.shifts

    def from_middle(self, x: Array, y: Array) -> Array:
        """Give (star, term): 1, and how far from the middle a place is, in half diagonals."""
        h, w = self.data.shape[1:]
        unit = 0.5 * math.hypot(h, w)
        return np.column_stack([np.ones(len(x)), (x - w / 2) / unit, (y - h / 2) / unit])

    def add(self, x: Array, y: Array, height: Array, saturated: Mask) -> None:
        """Add stars at x, y (of the unpadded planes) with first heights (channel, star)."""
        c = len(self.data)
        self.stirred |= bool(saturated.any())
        aside = self.shift(x + PAD, y + PAD)
        self.x = np.concatenate([self.x, x + PAD + aside[:, :, 0]], 1)
        self.y = np.concatenate([self.y, y + PAD + aside[:, :, 1]], 1)
        self.height = np.concatenate([self.height, height], 1)
        self.modes = np.concatenate([self.modes, np.zeros((c, len(x), NM))], 1)
        self.saturated = np.concatenate([self.saturated, saturated])
        self.outside = np.concatenate([self.outside, np.zeros(len(x), bool)])
        self.origin = np.concatenate([self.origin, np.column_stack([x + PAD, y + PAD])])
        for own in self.own:
            own.extend([None] * len(x))
        for name, value in UNTOLD.items():
            setattr(self, name, np.concatenate([getattr(self, name), np.full((c, len(x)), value)], 1))
        self.ghostly[:, self.count - len(x) :] = saturated  # others have ghosts only where they are seen
        for k, (law, stars, special) in self.known.items():
            more = self.drawn(k, slice(self.count - len(x), None))._replace(height=np.zeros(len(x)))
            self.known[k] = law, Drawn(*(np.concatenate(pair) for pair in zip(stars, more, strict=True))), special

    def drop(self, keep: Mask) -> None:
        """Keep only these stars, and put the light of the others back."""
        for c, (law, stars, special) in self.known.items():
            gone = Drawn(*(a[~keep] for a in stars))
            draw_stars(self.rest[c], law, gone, reach_of(law, gone), 1.0)
            self.known[c] = law, Drawn(*(a[keep] for a in stars)), special
        self.stirred |= bool(self.saturated[~keep].any())
        self.saturated, self.outside, self.origin = self.saturated[keep], self.outside[keep], self.origin[keep]
        self.own = [[o for o, k in zip(own, keep, strict=True) if k] for own in self.own]
        for name in ("x", "y", "height", "modes", *UNTOLD):
            setattr(self, name, getattr(self, name)[:, keep])

    def branch(self, some: Mask) -> StarFit:
        """Give a fit with some of the stars, on the same planes, that adds others: for work on far parts at once; see :meth:`join`."""
        other = copy(self)
        other.saturated, other.outside, other.origin = self.saturated[some], self.outside[some], self.origin[some]
        other.own = [[o for o, k in zip(own, some, strict=True) if k] for own in self.own]
        for name in ("x", "y", "height", "modes", *UNTOLD):
            setattr(other, name, getattr(self, name)[:, some])
        other.known = {c: (law, Drawn(*(a[some] for a in stars)), []) for c, (law, stars, _) in self.known.items()}
        return other

    def join(self, other: StarFit, first: int) -> None:
        """Take over the stars that a branch added, from its number ``first`` on."""
        for name in ("saturated", "outside", "origin"):
            setattr(self, name, np.concatenate([getattr(self, name), getattr(other, name)[first:]]))
        for name in ("x", "y", "height", "modes", *UNTOLD):
            setattr(self, name, np.concatenate([getattr(self, name), getattr(other, name)[:, first:]], 1))
        for mine, own in zip(self.own, other.own, strict=True):
            mine.extend(own[first:])
        for c, (law, stars, special) in self.known.items():
            _, more, fresh = other.known[c]
            both = Drawn(*(np.concatenate([a, b[first:]]) for a, b in zip(stars, more, strict=True)))
            self.known[c] = law, both, [*special, *fresh]
        self.stirred |= other.stirred

    # ---- drawing -------------------------------------------------------------------------------------------------

    def drawn(self, c: int, stars: Ints | Mask | slice) -> Drawn:
        """Give some stars of a channel as they are now."""
        return Drawn(*(a[c, stars].copy() for a in (self.x, self.y, self.height, self.modes)))

    def paint(self, plane: Plane, c: int, stars: Ints, reach: float | Array, sign: float) -> None:
        """Add the drawn stars, times ``sign``, to a plane, each to ``reach`` px."""
        draw_stars(plane, self.laws[c], self.drawn(c, stars), np.broadcast_to(np.asarray(reach, np.float64), len(stars)), sign)

    def show(self, star: int) -> None:
        """Take off a star that was only just added, with all it has."""
        one = np.array([star])
        for c, (law, stars, special) in self.known.items():
            now, mine = self.drawn(c, one), self.special(c, one)
            draw_stars(self.rest[c], law, now, reach_of(law, now), -1.0)
            add_special(self.rest[c], mine, -1.0)
            for to, of in zip(stars, now, strict=True):
                to[one] = of
            special.append(mine)

    def halos(self, c: int) -> Plane:
        """Draw the wide wings of all stars of a channel, and their reflections."""
        plane = np.zeros(self.data.shape[1:], np.float32)
        law, stars, special = self.laws[c], self.drawn(c, slice(None)), self.special(c)
        wings = law.told(law.wings, law.wings)
        draw_stars(plane, wings, stars, reach_of(wings, stars), 1.0)
        add_special(plane, special._replace(own=[None] * len(special.own)), 1.0)
        return plane

    def special(self, c: int, stars: Ints | None = None) -> Special:
        """Give what the cut-off stars (among these) have besides the law, and others whose ghost is seen."""
        lit = self.saturated | (self.ghostly[c] > 0)
        cut = np.nonzero(lit & (self.height[c] > 0))[0] if stars is None else stars[lit[stars]]
        own = [self.own[c][i] for i in cut.tolist()]
        laws = [self.laws[c].near(*place) for place in zip(self.x[c, cut].tolist(), self.y[c, cut].tolist(), strict=True)]
        return Special(self.drawn(c, cut), laws, own, self.ghosts[c], self.ghostly[c, cut])

    def redraw(self, anew: bool = False) -> None:
        """Bring ``rest`` in line with the stars as they are known now; only what changed, unless ``anew``."""
        channels, h = len(self.data), self.data.shape[1]
        # by a law of another shape all stars are others
        for c, law in enumerate(self.laws):
            if c in self.known and (anew or not law.shaped_as(self.known[c][0])):
                del self.known[c]
        strokes = [self._changes(c) for c in range(channels)]

        def band(at: tuple[int, int]) -> None:
            c, top = at
            rows = (top, min(top + BAND, h))
            if c not in self.known:
                self.rest[c, slice(*rows)] = self.data[c, slice(*rows)]
            for stroke in strokes[c]:
                draw_stars(self.rest[c], *stroke, rows)

        def finish(c: int) -> None:
            new = c not in self.known
            for special in [] if new else self.known[c][2]:
                add_special(self.rest[c], special, 1.0)
            special = self.special(c)
            add_special(self.rest[c], special, -1.0)
            # what was told of a core while a ghost was not known holds its light; beside what is left now, it would be a step
            ghosts = special._replace(own=[None] * len(special.own))
            if c in self.bared:
                add_special(self.behind[c], self.bared[c], 1.0)
            add_special(self.behind[c], ghosts, -1.0)
            self.bared[c] = ghosts
            self.mirror_margin(c)
            if new or self.stirred:
                self._doubt(c)
            self.known[c] = (self.laws[c], self.drawn(c, slice(None)), [special])

        over(band, [(c, top) for c in range(channels) for top in range(0, h, BAND)])
        over(finish, range(channels))
        self.stirred = False

    def _changes(self, c: int) -> list[Stroke]:
        """Give what brings ``rest`` in line."""
        law, now = self.laws[c], self.drawn(c, slice(None))
        if c not in self.known:
            return [(law, now, reach_of(law, now), -1.0)]
        before, old, _ = self.known[c]
        return changes(before, law, old, now)

    def flanks(self, c: int) -> Plane:
        """Draw the cut-off stars alone."""
        plane = np.zeros(self.data.shape[1:], np.float32)
        self.paint(plane, c, *self._flanks(c), 1.0)
        return plane

    def _flanks(self, c: int) -> tuple[Ints, Array]:
        """Give the cut-off stars, and how far out their flanks count."""
        cut = np.nonzero(self.saturated & (self.height[c] > 0))[0]
        law = self.laws[c]
        return cut, law.scale(self.x[c, cut], self.y[c, cut]) * law.radius(5 / self.height[c, cut])

    def _doubt(self, c: int) -> None:
        """Tell how far the flanks of cut-off stars may be off."""
        flanks = self.flanks(c)
        self.doubt[c] = 0
        for i, reach in zip(*self._flanks(c), strict=True):
            y0, y1, x0, x1 = box_around(self.x[c, i], self.y[c, i], math.ceil(reach), flanks.shape)
            # half precision ends at 65504; a star bent far while its law is not known goes below zero, too
            self.doubt[c, y0:y1, x0:x1] = np.clip(DOUBT * flanks[y0:y1, x0:x1], -6e4, 6e4)

    def mirror_margin(self, c: int) -> None:
        """Let the margin show what a channel is behind its stars now: a star at an edge is told from there, too."""
        for plane in (self.rest[c], self.behind[c], self.cores[c]):
            self.mirror(plane)

    @staticmethod
    def mirror(plane: npt.NDArray[Any]) -> None:
        """Let what lies inside, without its stars, be mirrored in the margin."""
        p = PAD
        plane[:p], plane[-p:] = plane[2 * p : p : -1], plane[-p - 2 : -2 * p - 2 : -1]
        plane[:, :p], plane[:, -p:] = plane[:, 2 * p : p : -1], plane[:, -p - 2 : -2 * p - 2 : -1]

    # ---- solving -------------------------------------------------------------------------------------------------

    def disc_class(self, stars: Ints, c: int, wide: bool = True) -> Ints:
        """Give which disc a star is solved in: as far as its light, or the error of its law, counts."""
        law = self.laws[c]
        reach = law.scale(self.x[c, stars], self.y[c, stars]) * law.radius(30 / np.maximum(self.height[c, stars], 1e-9))
        size = np.minimum(np.searchsorted(DISCS, np.maximum(reach, 2.0)), len(DISCS) - (1 if wide else 2))
        # within a disc that hardly reaches beyond its plateau nothing is seen of a star
        for k in np.flatnonzero(self.saturated[stars]).tolist():
            size[k] = max(size[k], min(np.searchsorted(DISCS, self._plateau(c, stars[k]) + BEYOND), len(DISCS) - 1))
        return np.asarray(size, np.int_)

    def _plateau(self, c: int, i: int) -> float:
        """Give the radius of what is hidden around a star, px; as far as the largest disc."""
        far = math.ceil(float(DISCS[-1]))
        y, x = round(float(self.y[c, i])), round(float(self.x[c, i]))
        cut = self.hidden[c, max(y - far, 0) : y + far + 1, max(x - far, 0) : x + far + 1]
        return math.sqrt(int(np.count_nonzero(cut)) / math.pi)

    def sweep(self, stars: Ints, wide: bool = True) -> None:
        """Solve the given stars once, those that touch one after the other; the largest discs only if ``wide``."""
        from scipy.spatial import cKDTree

        channels = len(self.data)
        size = np.stack([self.disc_class(stars, c, wide) for c in range(channels)])
        reach = DISCS[size].max(0) + RING + 0.5
        self.seen: list[list[Seen]] = [[] for _ in range(channels)]
        group = apart(self.x[:, stars].mean(0), self.y[:, stars].mean(0), reach)
        if not len(stars):
            return
        place = np.column_stack([self.x.mean(0), self.y.mean(0)])
        self.beside = np.atleast_2d(cKDTree(place).query(place, k=min(NEIGHBOURS + 1, self.count))[1]).reshape(self.count, -1)
        for g in range(group.max(initial=-1) + 1):
            tasks = []
            for k in np.unique(size)[::-1]:
                batch = max(BATCH // len(self.field.disc(float(DISCS[k]), ()).ky), 8)
                for c in range(channels):
                    alike = stars[(group == g) & (size[c] == k)]
                    tasks += [(c, alike[n : n + batch], float(DISCS[k])) for n in range(0, len(alike), batch)]
            chosen = stars[group == g]
            before = [self.drawn(c, chosen) for c in range(channels)]
            self._bring_home(chosen)
            found = over(lambda task: self._solve(*task), tasks)
            for (c, _, _), seen in zip(tasks, found, strict=True):
                self.seen[c].append(seen)

            def moved(c: int) -> None:
                # those of a group do not meet in what they were solved from, but in what is drawn: one after the other
                old, new = before[c], self.drawn(c, chosen)  # noqa: B023
                if self.ghosts[c] is not None:  # measured as it is, whatever height its star is now thought to have
                    lit = (old.height > 0) & (new.height > 0)
                    self.ghostly[c, chosen[lit]] *= old.height[lit] / new.height[lit]  # noqa: B023
                for stroke in differences(self.laws[c], old, new):
                    draw_stars(self.rest[c], *stroke)

            over(moved, range(channels))
        for c, (law, _, special) in self.known.items():
            self.known[c] = (law, self.drawn(c, slice(None)), special)
        self.stirred = True
        marks = self.cores.view(np.uint8)
        if len(stars) == int((~self.outside).sum()):
            marks >>= 1  # only what was solved for this time
        else:
            np.minimum(marks, 1, out=marks)

    def _bring_home(self, stars: Ints) -> None:
        """Put a star that was not seen in one channel where it is seen best; astray it would never be found again."""
        best = self.height[:, stars].argmax(0)
        aside = self.shift(*self.origin[stars].T)
        for k, plane in enumerate((self.x, self.y)):
            here, off = plane[:, stars], aside[:, :, k]
            home = (here - off)[best, np.arange(len(stars))] + off
            plane[:, stars] = np.where(self.height[:, stars] > 0, here, home)

    def _near(self, c: int, stars: Ints, radius: float) -> tuple[Array, Array, Array]:
        """Give x, y and height (star, neighbour) of the stars that shine into each one's disc; height 0 where there is none."""
        others = self.beside[stars]
        x, y = self.x[c, others], self.y[c, others]
        far = np.hypot(x - self.x[c, stars, None], y - self.y[c, stars, None])
        # one that came out at 0 in this channel alone did so in error
        height = np.where((far < radius + 3) & (others != stars[:, None]), self.height[:, others].max(0), 0)
        return x, y, height

    def _shares_plateau(self, stars: Ints) -> Mask:
        """Say which stars may share their plateau with another cut-off star, so that its middle is not theirs."""
        others = self.beside[stars]
        far = np.hypot(*(p[others] - p[stars, None] for p in self.origin.T))
        return np.asarray((self.saturated[others] & (others != stars[:, None]) & (far < 3 * self.fwhm)).any(1), bool)

    def _solve(self, c: int, stars: Ints, radius: float) -> Seen:
        """Solve stars whose discs and rings do not touch; they are not drawn anew yet."""
        from nebulakit.pixels.stars import kernels

        disc, n = self.field.disc(radius, ()), len(stars)
        # of a faint star no mode would be seen
        count = NM if float((self.freedom[c].max() * self.height[c, stars]).max()) > 0.25 else 0
        x, y, height = self.x[c, stars], self.y[c, stars], self.height[c, stars]
        h, w = self.rest.shape[1:]
        px, py = np.rint(x).astype(int), np.rint(y).astype(int)
        ix, iy = np.clip(px, 0, w - 1), np.clip(py, 0, h - 1)
        grain = np.ones(n) if self.level is None else self.level[iy, ix].astype(np.float64)
        # a plateau's middle is the star's, whatever its flanks seem to say
        # behind one that the edge parts nothing holds the nebula on one side: as uneven as elsewhere it would take the star's light
        reach = radius + RING
        cut = self.saturated[stars] & ((px < PAD + reach) | (py < PAD + reach) | (px > w - PAD - reach) | (py > h - PAD - reach))
        inside = (px > PAD + 5) & (py > PAD + 5) & (px < w - PAD - 6) & (py < h - PAD - 6)
        strength = strength_class(np.where(cut, 0.0, self.strength[c, iy // COARSE, ix // COARSE]) / grain**2)
        self.field.disc(radius, np.unique(strength).tolist())
        found, squares, unsure = np.zeros((n, 4 + NM)), np.zeros((n, NM)), np.zeros(n)
        seen, whole = np.zeros((n, len(disc.ky), 3), np.float32), np.zeros(n, bool)
        home = np.clip(self.origin[stars] + self.shift(*self.origin[stars].T)[c] - np.column_stack([x, y]), -1, 1)
        # where channels lie apart, a plateau is in one channel what it is in all together, but for a part of that
        held = 0.02 if self.shifts is None else 0.1
        tie = np.where(self.saturated[stars] & inside & ~self._shares_plateau(stars), held, self.tie)
        kernels.solve(
            (
                *(self.data[c], self.rest[c], self.behind[c], self.cores[c].view(np.uint8), self.hidden[c], self.lost[c]),
                self.doubt[c].view(np.uint16),
            ),
            (disc.ky, disc.kx, disc.ry, disc.rx, disc.weights, disc.spread),
            self.laws[c].placed(x, y),
            (float(self.photons[c]), float(self.misfit[c])),
            count,
            (x, y, height, self.modes[c, stars]),
            self._near(c, stars, radius),
            (home, tie, self.freedom[c], self.due[c, stars], self.trust[c, stars]),
            self.saturated[stars],
            (self.poor[c, stars] < UNSETTLED) & ~self.saturated[stars],  # of a plateau's flanks too little is seen for that
            grain,
            strength,
            BENDS * self.laws[c].width,
            found,
            unsure,
            seen,
            whole,
            squares,
        )
        # what the channel tells by itself
        alone = np.maximum(1 / np.maximum(unsure, 1e-12) - self.trust[c, stars], 1e-12)
        self.alone[c, stars] = (found[:, 0] / np.maximum(unsure, 1e-12) - self.trust[c, stars] * self.due[c, stars]) / alone
        self.unsure[c, stars] = 1 / alone
        self.height[c, stars] = found[:, 0]
        self.x[c, stars] += found[:, 1]
        self.y[c, stars] += found[:, 2]
        self.poor[c, stars] = found[:, 3]
        self.modes[c, stars] = found[:, 4:]
        light, rest2, spread = seen[whole].reshape(-1, 3).T  # cut-off stars follow other errors
        lit = light > FAINT
        sure = squares.any(1)
        return Seen(light[lit], rest2[lit], spread[lit], found[sure, 0], squares[sure])


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
