"""Sharpening of linear data to a narrower star image, by as much as the signal-to-noise of each place and scale bears.

The result is ``y + sum over levels of D_l * s_l``. ``s`` is what stands out of the noise in the data ``y``, band by band of the
starlet transform; ``D`` is the filter that turns the star image into a narrower one, minus identity. Only what is significant is
sharpened, so noise stays as it was; every ``D`` sums to zero, so the light stays where it was; and the star image aimed at is
positive everywhere, so stars get no dark rings. Where the star image varies over the picture, ``D`` is made for the nodes of a
grid and ``s`` is parted among them by weights that sum to one (a sum of windowed invariant filters).

Sources: Wiener 1949 (the filter); Starck & Murtagh 1994, A&A 288:342 and Starck, Pantin & Murtagh 2002, PASP 114:1051
(only significant wavelet coefficients are deconvolved); Magain, Courbin & Sohy 1998, ApJ 494:472 (deconvolve to a narrower star
image, not to a point); Nagy & O'Leary 1998, SIAM J. Sci. Comput. 19:1063 (filters that vary over the picture). The dosing rule
is the least expected squared error to first order, worked out here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.deconvolution_plan import Nodes, Plan
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.parallel import over
from nebulakit.pixels.spared import Spared, without

Plane = npt.NDArray[np.float32]

MARGIN = 2.5  # how many times the noise let in must be outweighed
VOUCHED = 2.0  # times the energy close by: how much signal the wider surroundings may claim for a place
FLANK = 6.0  # energy of the wider surroundings over that close by, from where on a place is the flank of a bright star
STAR = 1.5  # fwhm round a strong place of the finest bands that count as one star
BOLD = 1000.0  # times the noise that the boldest filter lets in: where a band has more power, a star may be taken for granted
WORTH = 0.0015  # of the noise's energy: a plane from which less can be won stays as it is
ROWS = 1024  # rows of a block: borders depend on the image alone, so the bits do not depend on threads


def apply_deconvolve(
    planes: npt.NDArray[np.float32],
    plans: list[Plan | None],
    noise: Noise,
    spared: Spared | None = None,
    caution: float = 4.0,
) -> tuple[npt.NDArray[np.float32], list[float]]:
    """Sharpen planes (channel, y, x) each by its plan; None leaves a channel as it is.

    ``spared`` tells what must not be sharpened (cut-off stars, defects): the filters see the picture without it, so that it
    neither rings nor loses light. NaN is bridged likewise and stays NaN. Returns the planes and per channel the share of the
    frame in which something was sharpened.
    """
    height, width = planes.shape[1:]
    halo = 16 * math.ceil(max([2 * (2 ** len(p.spread)) + 3 * p.spread[-1] + _widest(p) / 2 for p in plans if p], default=0) / 16)
    right, below = -width % 16, -height % 16
    relative = None
    if noise.map is not None:
        even = np.where(np.isfinite(noise.map) & (noise.map > 0), noise.map, np.float32(1)).astype(np.float32)
        relative = _framed(even, halo, right, below)
    out = planes.copy()
    shares = []
    for c, plan in enumerate(plans):
        if plan is None:
            shares.append(0.0)
            continue
        framed = _framed(without(planes[c], spared), halo, right, below)
        starts = range(0, height, ROWS)

        def block(y0: int, framed: Plane = framed, plan: Plan = plan) -> tuple[Plane, float, float]:
            rows = min(ROWS, height - y0)
            end = y0 + 16 * math.ceil(rows / 16) + 2 * halo
            part = None if relative is None else relative[y0:end]
            added, share, won = _added(np.ascontiguousarray(framed[y0:end]), plan, part, caution, (y0 - halo, -halo))
            return added[halo : halo + rows, halo : halo + width], share * rows / height, won * rows / height

        done = over(block, starts)
        if math.fsum(won for _, _, won in done) < WORTH:
            shares.append(0.0)
            continue
        for y0, (added, _, _) in zip(starts, done, strict=True):
            out[c, y0 : y0 + len(added)] += added
        shares.append(math.fsum(share for _, share, _ in done))
    return out, shares


def _widest(plan: Plan) -> int:
    """Give the side of the widest filter."""
    nodes = [] if plan.nodes is None else [one[0].shape[0] for row in plan.nodes.filters for one in row]
    return int(max([plan.filters[0].shape[0], *nodes]))


def _framed(plane: Plane, halo: int, right: int, below: int) -> Plane:
    """Lay a mirrored frame round a plane, and bring its sides to multiples of 16."""
    import cv2

    if min(plane.shape) > halo + 16:
        return np.asarray(cv2.copyMakeBorder(plane, halo, halo + below, halo, halo + right, cv2.BORDER_REFLECT), np.float32)
    rows, columns = (
        np.pad(np.arange(n), (halo, halo + m), mode="symmetric") for n, m in zip(plane.shape, (below, right), strict=True)
    )
    return np.ascontiguousarray(plane[rows][:, columns])


def _added(
    plane: Plane, plan: Plan, relative: Plane | None, caution: float, corner: tuple[int, int]
) -> tuple[Plane, float, float]:
    """Give what sharpening adds to a framed block, the share of it in which that is anything, and the error it should save.

    ``corner``: row and column of the picture at which the block begins. The error is told as a share of the energy of the noise.
    """
    height, width = plane.shape
    step = min(4, 2 ** max(0, int(math.log2(plan.spread[0] / 1.5))))
    small = (width // step, height // step)
    grain = None if relative is None else _resized(relative, small) ** 2
    bands, signals, flanks = [], [], np.zeros((small[1], small[0]), np.float32)
    least = max(1e-19, 1e-15 * float(np.ptp(plane)))  # of a noise, so that its inverse square is a number of single precision
    for j, (w, _) in enumerate(starlet.descend(plane, len(plan.spread))):
        here = _resized(w * w, small)
        here *= np.float32(1 / max(plan.sigma[j], least) ** 2)
        if grain is not None:
            here /= grain
        wide = _blurred(here, plan.spread[j] / step)
        excess = np.maximum(wide - 1, 0)
        sure = (excess / np.float32(plan.chance[j]) - caution) / max(caution, 0.5)
        # a bright star's energy spreads far: what it may vouch for round it is held by what is there
        near = _averaged(here, math.ceil(max(0.5 * plan.spread[0], 2.0 ** (j - 1)) / step))
        if j < 2:
            flanks = np.maximum(flanks, np.clip(wide / np.maximum(near, 0.3) / FLANK - 1, 0, 1))
        bands.append(w)
        signals.append(np.minimum(excess * np.clip(sure, 0, 1), np.float32(VOUCHED) * near))
    parts: list[Plane | None] = [None] * len(plan.filters)
    touched, won = 0.0, 0.0
    # a star is put together from all bands: one filter for it, the one that its finest band bears
    at_least = np.zeros((small[1], small[0]), np.uint8)
    around = np.ones((2 * math.ceil(STAR * plan.spread[0] / step) + 1,) * 2, np.uint8)
    second = list(_gains(plan, 1, corner, step, small))
    star = signals[1] > BOLD * second[-1][3]
    for j, w in enumerate(bands):
        if not signals[j].any():
            continue
        gains = second if j == 1 else _gains(plan, j, corner, step, small)
        doses, win = _doses(signals[j], gains, at_least, star if j == 0 else None)
        won += win * plan.sigma[j] ** 2
        touched = max(touched, float(np.mean(np.sum(doses, 0) > 0.05)))
        for i, dose in enumerate(doses):
            if not dose.any():
                continue
            if i and j < 2:
                at_least = np.maximum(at_least, _dilated(np.where(dose > 0.3, np.uint8(i), np.uint8(0)), around))
            term = _resized(_blurred(dose, 1.0), (width, height))
            term *= w
            held = parts[i]
            if held is None:
                parts[i] = term
            else:
                held += term
    total = np.zeros_like(plane)
    for level, part in enumerate(parts):
        if part is not None and plan.nodes is None:
            total += _filtered(part, plan.filters[level])
        elif part is not None and plan.nodes is not None:
            _add_filtered(total, part, plan.nodes, level, corner)
    if flanks.any():  # there a star is smooth, and a filter that ends at some frequency leaves ripples of it
        rippled = total * _resized(_blurred(flanks, 1.0), (width, height))
        total += _blurred(rippled, 0.4 * plan.spread[0]) - rippled  # spread, not dropped: the light stays
    return total, touched, won / max(math.fsum(s * s for s in plan.sigma), 1e-300)


def _add_filtered(total: Plane, part: Plane, nodes: Nodes, level: int, corner: tuple[int, int]) -> None:
    """Add what the filters of a level make of a block, each of what its node has a share in."""
    height, width = part.shape
    across, down = nodes.weights(corner[1] + np.arange(width, dtype=float), corner[0] + np.arange(height, dtype=float))
    for row, high in zip(nodes.filters, down.astype(np.float32), strict=True):
        for filters, wide in zip(row, across.astype(np.float32), strict=True):
            reach = filters[level].shape[0] // 2
            y, x = (_around(share, reach) for share in (high, wide))
            own = part[y, x] * high[y, None] * wide[x]
            if own.any():
                total[y, x] += _filtered(own, filters[level])


def _around(share: Plane, reach: int) -> slice:
    """Give where a share is anything, and ``reach`` beyond."""
    there = np.flatnonzero(share)
    return slice(max(int(there[0]) - reach, 0), int(there[-1]) + reach + 1) if len(there) else slice(0, 0)


Gains = Iterable[tuple[Any, Any, Any, Any]]  # of each level, numbers or planes


def _gains(plan: Plan, band: int, corner: tuple[int, int], step: int, small: tuple[int, int]) -> Gains:
    """Give the gains of a band in a block, which is looked at in steps of ``step`` px."""
    if plan.nodes is None:
        yield from ((a, b, c, d) for a, b, c, d in plan.gains[:, band].tolist())
        return
    x, y = (
        np.asarray(start + (np.arange(n) + 0.5) * step - 0.5, np.float64) for start, n in zip(corner[::-1], small, strict=True)
    )
    across, down = (w.astype(np.float32) for w in plan.nodes.weights(x, y))
    for level in np.moveaxis(plan.nodes.gains[:, :, :, band].astype(np.float32), (2, 3), (0, 1)):
        a, b, c, d = (np.einsum("ky,kx->yx", down, gain @ across) for gain in level)
        yield a, b, c, d


def _doses(
    signal: Plane, gains: Gains, at_least: npt.NDArray[np.uint8], star: npt.NDArray[np.bool_] | None = None
) -> tuple[list[Plane], float]:
    """Give, per filter, by how much it acts where a band has this power over its noise: the one with the least expected error.

    ``at_least`` bars filters before that one; in a ``star`` the boldest is taken wherever it acts in full. The second value is the
    mean of the squared error this should save, the noise of the band being 1.
    """
    doses, wins = [], []
    for i, (won, let_in, won2, let_in2) in enumerate(gains):
        push = won * signal - MARGIN * let_in
        pull = np.maximum(won2 * signal + let_in2, 1e-30)
        dose = np.clip(push / pull, 0, 1)
        doses.append(dose)
        wins.append(np.where(at_least > i, 0, dose * (2 * push - dose * pull)))
    # where even the boldest (the last) costs next to nothing it is the truest, and all parts of a bright star get the same
    bold = signal > BOLD * let_in2
    if star is not None:  # of filters for narrower stars in one band than in the next it would come out narrower than by either
        bold = bold | (star & (dose >= 1))
    wins[:-1] = [np.where(bold, 0, win) for win in wins[:-1]]
    most = np.maximum.reduce(wins)
    chosen, free = [], most > 0
    for dose, win in zip(doses, wins, strict=True):
        here = free & (win == most)
        free &= ~here
        chosen.append(np.where(here, dose, np.float32(0)).astype(np.float32))
    return chosen, float(np.mean(most, dtype=np.float64))


def _resized(plane: Plane, size: tuple[int, int]) -> Plane:
    """Bring a plane to (width, height): means of blocks downwards, straight lines upwards."""
    import cv2

    how = cv2.INTER_AREA if size[0] < plane.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, size, interpolation=how), np.float32)


def _dilated(plane: npt.NDArray[np.uint8], shape: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Give the largest value within ``shape``."""
    import cv2

    return np.asarray(cv2.dilate(plane, shape), np.uint8)


def _blurred(plane: Plane, sigma: float) -> Plane:
    """Blur a plane by a Gaussian with mirrored borders."""
    import cv2

    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), np.float32)


def _averaged(plane: Plane, radius: int) -> Plane:
    """Average a plane over squares of 2 radius + 1, with mirrored borders."""
    import cv2

    return np.asarray(cv2.blur(plane, (2 * radius + 1, 2 * radius + 1), borderType=cv2.BORDER_REFLECT), np.float32)


def _filtered(plane: Plane, kernel: Plane) -> Plane:
    """Convolve a plane with a kernel, with mirrored borders."""
    import cv2

    return np.asarray(cv2.filter2D(plane, -1, kernel[::-1, ::-1], borderType=cv2.BORDER_REFLECT), np.float32)
