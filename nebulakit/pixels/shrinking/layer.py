"""A layer of stars, with every star smaller."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over
from nebulakit.pixels.shrinking.plan import BAND, FADE, FOOTPRINT, Shrinking, pulls
from nebulakit.pixels.shrinking.profiles import CUT, draw_profiles, tell_profiles

Planes = npt.NDArray[np.float32]

WHITE = 0.8  # least level that counts as white on a layer of stars


def layer_reduced(planes: Planes, plan: Shrinking) -> Planes:
    """Dim a layer of stars by what the sum of all stars' profiles becomes when each is made smaller, over what it is."""
    bright = np.nan_to_num(planes).max(0)
    white = max(float(bright.max()), WHITE)
    # cut off as u: cut off as light, rounding would leave all of it just below
    u = np.minimum(-np.log1p(-np.clip(bright / white, 0, 0.999)), np.float32(CUT))
    seen = np.ones(bright.shape, bool) if plan.empty is None else ~plan.empty
    order = np.argsort(-plan.peak * plan.width**2, kind="stable")
    width, scale, light = plan.width[order], plan.scale[order], plan.light[order]
    reach = np.ceil(FOOTPRINT * FADE * width).astype(np.int64)
    profiles = tell_profiles(u, seen, plan.x[order], plan.y[order], reach)
    pull = pulls(width, scale)
    out = planes.copy()

    def work(y0: int) -> None:
        rows = slice(y0, min(y0 + BAND, len(bright)))
        here = np.flatnonzero((profiles.y + reach + 1 >= rows.start) & (profiles.y - reach - 1 < rows.stop))
        was, now = draw_profiles(rows, bright.shape[1], profiles, here, pull, light)
        # 1 - exp(-u) is the light; what is cut off stays as bright as it is
        factor = np.divide(np.expm1(-np.minimum(now, CUT)), np.expm1(-np.minimum(was, CUT)), out=np.ones_like(was), where=was > 0)
        out[:, rows] = np.where(seen[rows], planes[:, rows] * np.minimum(factor, 1), planes[:, rows])

    over(work, range(0, len(bright), BAND))
    return out
