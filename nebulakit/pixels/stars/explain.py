"""What stars beyond an edge explain the light that comes in over it: as few as do, one after the other, each with those before it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.rim import Rim
from nebulakit.pixels.stars.search import RARE, Search, Told

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ASIDE = (-12.0, -9.0, -6.0, -3.0, -1.5, 0.0, 1.5, 3.0, 6.0, 9.0, 12.0)  # px along the edge from what stands out
PLACES = (-1.0, -0.3, 0.4, 1.0, 1.7, 2.5, 3.5, 5.0, 7.0, 9.5, 12.5, 16.0, 20.0, 26.0, 33.0)  # px beyond the edge
GHOSTS_AT = (9.5, 12.5, 15.5, 18.5, 21.5, 24.5, 27.5, 30.5)  # px beyond the edge, for stars of which a ghost reaches in
SURE = 8.0
BARE = -3.0, 30.0  # log odds that a star is there, where hardly a nebula shines, that it must reach; and a large one


class Beyond(NamedTuple):
    """A star found: its place along and out of an edge, whether it has ghosts, and its heights."""

    along: float
    out: float
    ghostly: bool
    height: Array


def explain(fit: StarFit, edge: int, rim: Rim, bumps: list[float], told: Told) -> list[Beyond]:
    """Explain what comes in along a stretch of an edge by as few stars as do."""
    search = Search(fit, edge, rim, told)
    along = np.unique(np.add.outer(np.array(bumps), ASIDE))
    # of a giant farther out nothing may be seen but its ghost
    seen, hardly = (
        np.column_stack([np.repeat(along, len(outs)), np.tile(outs, len(along))])
        for outs in (PLACES, GHOSTS_AT if any(fit.ghosts) else ())
    )
    search.allow_places(seen, hardly)
    places, ghostly, heights = _added(search, any(fit.ghosts), 2 * len(bumps) + 4)
    stars = zip(places.tolist(), ghostly.tolist(), heights.T, strict=True)
    return [
        Beyond(along, out, ghost, height)
        for (along, out), ghost, height in stars
        if height.max() > 0 and (height <= told.most).all()
    ]


def _is_star(search: Search, places: Array, ghostly: Mask, heights: Array) -> bool:
    """Say whether the last of these stars has a star's colour, is not too bright, and is seen where hardly a nebula shines, as it must be."""
    tall = heights[:, -1:]
    least = BARE[int((tall[:, 0] > search.told.large).all())]
    return bool(search.starlike(tall, 0.05 * tall)[0]) and search.seen_bare(places, ghostly, heights) >= least


def _added(search: Search, ghosts: bool, most: int) -> tuple[Array, Mask, Array]:
    """Add one star after the other as long as each explains enough: places, whether they have ghosts, and heights."""
    places, ghostly, heights = np.zeros((0, 2)), np.zeros(0, bool), np.zeros((len(search.value), 0))
    tries, by_ghost, told = search.places, search.by_ghost, search.told
    barred = np.zeros(len(tries), bool)
    for _ in range(most):
        left = search.left(places, ghostly)
        rows = search.tries
        norms = np.maximum(np.einsum("cij,cij->ci", rows, rows), np.float32(1e-30)).astype(np.float64)
        fits = (rows @ left.astype(np.float32)[:, :, None])[:, :, 0].astype(np.float64)
        amount = np.maximum(fits / norms, 0)  # channel, try
        amount[:, by_ghost] = search.likely(amount[:, by_ghost], 1 / np.sqrt(norms[:, by_ghost]))
        gain = (2 * fits * amount - amount**2 * norms).sum(0) - RARE * np.log(np.maximum(amount.max(0), 1.0))
        gain[barred | ~search.starlike(amount, 1 / np.sqrt(norms))] = -np.inf
        gain[by_ghost & (amount < told.least[:, None]).any(0)] = -np.inf
        best = int(np.argmax(gain))
        if not gain[best] > SURE**2:
            break
        before, begin = float(np.minimum(left**2, 25).sum()), np.concatenate([places, [tries[best]]])
        outcomes = []
        for ghost in (False, True) if ghosts and (amount[:, best] > 0.3 * told.least).all() else (False,):
            flags = np.append(ghostly, ghost)
            found, rest, tall = search.refine(begin, flags)
            if not ghost or (tall[:, -1] > told.least).all():
                outcomes.append((float(np.minimum(rest**2, 25).sum()), found, flags, tall))
        after, *outcome = min(outcomes, key=lambda o: o[0])
        if before - after < SURE**2 or not _is_star(search, *outcome):
            # not this one, nor one beside it
            barred |= (np.hypot(*(tries - tries[best]).T) < 2) & (by_ghost == by_ghost[best])
            continue
        places, ghostly, heights = outcome
        search.doubt(places[-1], bool(ghostly[-1]), heights[:, -1])
    search.settle()  # each has been found with the laws of those before it in doubt
    if len(places) > 1:
        places, _, heights = search.refine(places, ghostly)
    return places, ghostly, heights
