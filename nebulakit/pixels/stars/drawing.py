"""Drawing stars: by their law and the few shapes they may be bent to, and what single ones have besides."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.law import MODES, Ghost, Law

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]

FURTHEST = 226.0  # px: stars are drawn no further
FAINTEST = 0.02  # sigma: nor to where they are fainter
STEEP = 3.0  # by how much, in widths, a law falls at most: of a star that has moved, how much that changes
OWN = 64.0  # px: so far a star has a flank of its own
NM = len(MODES)


class Drawn(NamedTuple):
    """Stars of a channel as they were drawn."""

    x: Array
    y: Array
    height: Array
    modes: Array


class Special(NamedTuple):
    """What cut-off stars of a channel, and others whose ghost is seen, were drawn with besides the law."""

    stars: Drawn
    laws: list[Law]  # of each where it stands
    own: list[npt.NDArray[np.float32] | None]
    ghost: Ghost | None
    ghostly: Array


Stroke = tuple[Law, Drawn, Array, float]  # by what law stars are drawn, how far, and with what sign


def draw_stars(plane: Plane, law: Law, stars: Drawn, reach: Array, sign: float, rows: tuple[int, int] | None = None) -> None:
    """Add stars, times ``sign``, to (these rows of) a plane, each to its ``reach`` px."""
    from nebulakit.pixels.stars import kernels

    amount = sign * stars.height
    amounts = stars.modes * amount[:, None]
    most = np.abs(amounts).max(1, initial=0.0)
    bent = most > 0.05
    bends = np.zeros((len(most), 5, 5), np.float32)
    bends[bent] = np.tensordot(amounts[bent], np.stack(MODES), 1)
    wide = law.scale(stars.x, stars.y)
    bend = np.where(bent, wide * law.radius(FAINTEST / 2 / np.maximum(most, 0.05)), 0.0)
    top, bottom = (0, len(plane)) if rows is None else rows
    reach = np.ascontiguousarray(np.minimum(reach, FURTHEST))
    law_here = law.placed(stars.x, stars.y)
    kernels.draw(plane, top, bottom, law_here, stars.x, stars.y, amount, reach, bends, bend)


def add_special(plane: Plane, special: Special, sign: float) -> None:
    """Add reflections and own flanks, times ``sign``, to a plane."""
    stars, ghost = special.stars, special.ghost
    if ghost is not None:
        beside = Drawn(stars.x + ghost.dx, stars.y + ghost.dy, stars.height * special.ghostly, np.zeros_like(stars.modes))
        draw_stars(plane, ghost.law, beside, np.full(len(stars.x), ghost.radius + 8 * ghost.soft), sign)
    for i, (law, own) in enumerate(zip(special.laws, special.own, strict=True)):
        if own is not None:
            # a star of height 1 that has this flank alone
            flank = Drawn(stars.x[i : i + 1], stars.y[i : i + 1], np.ones(1), np.zeros((1, NM)))
            draw_stars(plane, Law(law.contour, own, drawn_out=law.drawn_out), flank, np.full(1, OWN), sign)


def reach_of(law: Law, stars: Drawn) -> Array:
    """Give how far stars are drawn: to where they sink under :data:`FAINTEST`."""
    reach = law.scale(stars.x, stars.y) * law.radius(FAINTEST / np.maximum(stars.height, 1e-9))
    return np.where(stars.height > 0, reach, 0.0)


def differences(law: Law, old: Drawn, new: Drawn) -> list[Stroke]:
    """Give what puts stars back as they were and takes them off as they are, as far out as that makes a difference."""
    tall, wide = np.maximum(np.maximum(old.height, new.height), 0), law.scale(new.x, new.y)
    moved = np.hypot(new.x - old.x, new.y - old.y) * (STEEP / (wide * law.width)) + np.abs(new.modes - old.modes).sum(1)
    change = np.abs(new.height - old.height) + tall * moved
    reach = np.minimum(wide * law.radius(FAINTEST / 2 / np.maximum(change, 1e-9)), reach_of(law, new._replace(height=tall)))
    some = reach > 0
    return [(law, Drawn(*(a[some] for a in stars)), reach[some], sign) for stars, sign in ((old, 1.0), (new, -1.0))]


def changes(before: Law, law: Law, old: Drawn, now: Drawn) -> list[Stroke]:
    """Give what makes of stars as they were drawn by a law what they are now: a new law is drawn as its difference from the old, and then
    the stars that are not as they were.
    """
    if law is before:
        return differences(law, old, now)
    lit = (old.height > 0) & (now.height > 0)
    factor = float(median(now.height[lit] / old.height[lit])) if lit.any() else 1.0
    change = law.told(factor * law.table - before.table, factor * law.wings - before.wings)
    reach = law.scale(old.x, old.y) * change.radius(FAINTEST / 2 / np.maximum(old.height, 1e-9))
    some = (old.height > 0) & (reach > 0)
    first = (change, Drawn(*(a[some] for a in old)), reach[some], -1.0)
    return [first, *differences(law, old._replace(height=factor * old.height), now)]
