"""Stars on the edge of the picture or just beyond it, of which only a flank is seen.

Along each edge, stretches into which light comes (:mod:`~nebulakit.pixels.stars.rim`) are explained by as many stars as it
takes, all at once (:mod:`~nebulakit.pixels.stars.explain`): their places are searched for, their heights follow linearly, and
the nebula behind is a Gaussian random field as it is for all other stars (:mod:`~nebulakit.pixels.kriging`).
"""

from __future__ import annotations

import numpy as np

from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.drawing import FURTHEST
from nebulakit.pixels.stars.explain import explain
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD
from nebulakit.pixels.stars.rim import ZONES, Views, cells, mixtures_at, place_at, stretches, turned
from nebulakit.pixels.stars.search import Told, told_by


def find_beyond(fit: StarFit, last: bool = False) -> None:
    """Find stars whose light comes in over an edge, and take it off; those known from before are found anew.

    ``last``: none are added that lie in the picture, for they would be solved only once.
    """
    if fit.outside.any():
        fit.drop(~fit.outside)
        fit.redraw()
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    if min(h, w) < 3 * ZONES[-1][1]:
        return
    views, told = mixtures_at(fit), told_by(fit)
    reach = FURTHEST + max((max(abs(g.dx), abs(g.dy)) for g in fit.ghosts if g), default=0.0) + ZONES[-1][1]
    for edges, apart in (((0, 1), h), ((2, 3), w)):
        # from one of these edges to the other light comes in small pictures alone
        for alone in [edges] if apart > 2 * reach else [edges[:1], edges[1:]]:
            place = np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD])
            parts = [(edge, fit.branch(turned(place, edge, h, w)[:, 1] > -ZONES[-1][1])) for edge in alone]
            first = [part.count for _, part in parts]
            over(lambda part: _find_along(*part, views, told, last), parts)
            for (_, part), n in zip(parts, first, strict=True):
                fit.join(part, n)


def _find_along(edge: int, fit: StarFit, views: Views, told: Told, last: bool) -> None:
    """Find stars whose light comes in over one edge; the fit has the stars near it."""
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    length = w if edge < 2 else h
    for stretch in stretches(fit, edge, length, views):
        rim = cells(fit, edge, stretch, views)
        for star in explain(fit, edge, rim, stretch[2], told):
            x, y = place_at(edge, star.along, star.out, h, w)
            outside = star.out > 0
            # one beyond the next edge alone is seen better there; one in the picture needs to be solved more than once
            if not outside and (last or not 0 <= star.along <= length - 1):
                continue
            # one in the picture may be cut off, if hardly: its middle says nothing
            special = star.ghostly if outside else fit.hidden[:, round(y) + PAD, round(x) + PAD].any()
            fit.add(np.array([x]), np.array([y]), star.height[:, None], np.array([special]))
            fit.outside[-1] = outside
            fit.show(fit.count - 1)
