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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, Psf
from nebulakit.pixels.narrowing import (
    FILTER_REACH,
    NARROWER,
    Transfer,
    aim_for,
    bring_to,
    cut_filter,
    narrowed,
    reached,
    set_aside,
    transfer_of,
)
from nebulakit.pixels.parallel import over
from nebulakit.pixels.psf import drawn_out, psf_at
from nebulakit.pixels.spared import Spared, without
from nebulakit.pixels.stars.varying import Varying

Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

NARROWEST = 1.5  # px: a narrower star is no longer sampled; by 1.6 stars of 2.2 px did not come down to three quarters
LEVELS = (0.1, 0.03, 0.006, 0.001)  # share of a frequency the star image must have left for its gain not to be held
SPECTRUM = 3.0  # power of the unblurred nebula falls like frequency to minus this
MARGIN = 2.5  # how many times the noise let in must be outweighed
DOUBT = 0.06  # how well the noise energy of a place is known at best
VOUCHED = 2.0  # times the energy close by: how much signal the wider surroundings may claim for a place
FLANK = 6.0  # energy of the wider surroundings over that close by, from where on a place is the flank of a bright star
STAR = 1.5  # fwhm round a strong place of the finest bands that count as one star
BOLD = 1000.0  # times the noise that the boldest filter lets in: where a band has more power, a star may be taken for granted
WORTH = 0.0015  # of the noise's energy: a plane from which less can be won stays as it is
ALIKE = 0.03  # of the logarithm of the contour, 1.5 % of the width: what a grid may be off
STEP = 0.4  # of the same: what neighbouring nodes may differ by, so that the mean of their filters is the filter between them
NODES = 9  # along a side, at most
KIND = 0.05, 0.1  # of the logarithm of the width, and of the ellipticity: within such steps stars are aimed alike
ROWS = 1024  # rows of a block: borders depend on the image alone, so the bits do not depend on threads


@dataclass(frozen=True)
class Nodes:
    """Where a plan varies over the picture: what it is at the nodes of a grid, between which it goes on straight."""

    x: Array  # px, of the columns of nodes: the first and the last of the picture and some between, or one in the middle
    y: Array  # of the rows
    filters: tuple[tuple[tuple[Plane, ...], ...], ...]  # (row, column, level) of :attr:`Plan.filters`
    gains: Array  # (row, column, level, band, 4)

    def weights(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Give the weights of each column of nodes (column, x) and of each row (row, y): they sum to one at each place.

        Beyond the edges, where the picture is mirrored, they are so, too.
        """
        across, down = (
            np.stack([np.interp(_mirrored(at, nodes[-1]), nodes, one) for one in np.eye(len(nodes))])
            for at, nodes in ((x, self.x), (y, self.y))
        )
        return across, down


def _mirrored(at: Array, last: float) -> Array:
    """Give where in a picture lies what is mirrored beyond its first and its ``last`` pixel."""
    return np.asarray(last + 0.5 - np.abs(last + 0.5 - (np.abs(at + 0.5) - 0.5)))


@dataclass(frozen=True)
class Plan:
    """How one channel is sharpened: filters and, per starlet band, the constants of the rule that doses them."""

    filters: tuple[Plane, ...]  # (y, x), sum 0: what is added to the plane when they run over its significant part
    gains: Array  # (level, band, 4): signal won, noise let in, and the two quadratic terms, per unit of band power
    chance: Array  # (band,): scatter of the local noise energy in units of its mean
    spread: tuple[float, ...]  # Gaussian sigma in px over which the energy of each band is averaged
    sigma: tuple[float, ...]  # noise of each band
    reached: Psf  # the star image of well exposed stars afterwards
    aims: tuple[float | None, ...] = ()  # px: what the filters are made for, see :func:`aim_for`
    nodes: Nodes | None = None  # where the star image varies


def decide_deconvolve(
    psfs: Sequence[Psf | None], noise: Noise, size: float, shape: tuple[int, int] | None = None
) -> list[Plan | None]:
    """Work out a plan per channel that brings all channels to one star image, ``size`` times the mean width now.

    A PSF that varies over a picture of ``shape`` is brought to it everywhere; where it is too wide for that, as near as its
    image stays smooth. None where the PSF is not known, where the stars are as narrow as that already, or where they would come out under
    1.5 px and lose their sampling.
    """
    known = [math.log(p.fwhm) for p in psfs if p is not None]
    widest = [0.0 if p is None else p.fwhm if shape is None else extremes(p, shape)[1].fwhm for p in psfs]
    if not known:
        return [None] * len(psfs)
    aim = max(size * math.exp(math.fsum(known) / len(known)), NARROWEST)
    plans: list[Plan | None] = [None] * len(psfs)
    for _ in range(2):  # one channel may not come that far: then the others wait for it
        for c, (psf, bands) in enumerate(zip(psfs, noise.scales, strict=True)):
            held = plans[c]
            if psf is None or aim > 0.95 * widest[c]:
                plans[c] = None
            elif held is None or held.reached.fwhm < 0.98 * aim:
                plans[c] = make_plan(psf, bands, aim)
        aim = max([aim, *(p.reached.fwhm for p in plans if p is not None)])
    if shape is None:
        return plans
    return [
        p if p is None or psf is None or psf.varies is None else replace(p, nodes=_nodes(psf, psf.varies, p, aim, shape))
        for psf, p in zip(psfs, plans, strict=True)
    ]


def _nodes(psf: Psf, varies: Varying, plan: Plan, aim: float, shape: tuple[int, int]) -> Nodes:
    """Work out what a plan is at the nodes of as coarse a grid as tells how the star image varies."""
    x, y, logs = _grid(varies, shape)
    there = [drawn_out(psf, log) for log in logs.reshape(-1, 3)]
    # what to aim for, and what it gains, hardly minds which way stars are drawn out
    kinds = [(round(math.log(p.fwhm) / KIND[0]), round(p.ellipticity / KIND[1])) for p in there]
    first = dict(zip(reversed(kinds), reversed(there), strict=True))
    made = over(lambda p: make_plan(p, plan.sigma, aim, plan), list(first.values()))
    each = [dict(zip(first, made, strict=True))[kind] for kind in kinds]
    filters = over(lambda k: _filters(there[k], each[k].aims), range(len(there)))
    gains = np.array([one.gains for one in each]).reshape(len(y), len(x), *plan.gains.shape)
    return Nodes(x, y, tuple(tuple(filters[i : i + len(x)]) for i in range(0, len(filters), len(x))), gains)


def _grid(varies: Varying, shape: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Give columns and rows of the coarsest grid that tells how stars vary, and what they are there (row, column, 3).

    That is what fits best between the nodes, not at them: straight lines lie on one side of what is bent.
    """
    h, w = shape
    fine_y, fine_x = (np.linspace(0, n - 1, 33) for n in (h, w))
    logs = varies.logs(*(a.ravel() for a in np.meshgrid(fine_x, fine_y))).reshape(33, 33, 3)
    sides = []
    for fine in (fine_y, fine_x):
        for count in range(1, NODES + 1):
            nodes = np.linspace(fine[0], fine[-1], count) if count > 1 else np.array([fine[-1] / 2])
            own = np.stack([np.interp(fine, nodes, one) for one in np.eye(count)])
            best = np.linalg.pinv(own.T)
            there = np.tensordot(best, logs, 1)
            if _far(np.tensordot(own.T, there, 1) - logs) < ALIKE and (count == 1 or _far(np.diff(there, axis=0)) < STEP):
                break
        sides.append((nodes, best))
        logs = logs.transpose(1, 0, 2)
    (y, down), (x, across) = sides
    return x, y, np.asarray(np.einsum("ry,cx,yxm->rcm", down, across, logs))


def _far(logs: Array) -> float:
    """Give the largest of symmetric matrices (..., 3)."""
    a, b, c = np.moveaxis(logs, -1, 0)
    return float((np.abs(a + c) / 2 + np.hypot((a - c) / 2, b)).max())


def extremes(psf: Psf, shape: tuple[int, int]) -> tuple[Psf, Psf]:
    """Give the PSF where it is narrowest in a picture of ``shape``, and where it is widest."""
    if psf.varies is None:
        return psf, psf
    h, w = shape
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, w - 1, 33), np.linspace(0, h - 1, 33)))
    wide = psf.varies.scale(x, y)
    least, most = int(np.argmin(wide)), int(np.argmax(wide))
    return psf_at(psf, float(x[least]), float(y[least])), psf_at(psf, float(x[most]), float(y[most]))


def make_plan(psf: Psf, sigma: tuple[float, ...], fwhm: float, usual: Plan | None = None) -> Plan:
    """Work out how a plane with star image ``psf`` and band noise ``sigma`` is brought to stars of ``fwhm`` px.

    Frequencies that the blur wiped out cannot come back; where the lack of them would make a star image that is no longer
    smooth, a wider one is aimed at. ``usual``: the plan of the usual star, where this is for one place of the picture alone.
    """
    taken, transfers = _seen_as(psf)
    (now, true, aside), n = transfers, len(transfers[0])
    halvings = 9 if usual is None else 6
    aims = tuple(aim_for(psf, taken, transfers, fwhm, least, halvings) for least in LEVELS)
    changes = [bring_to(taken, now, aim, least) for aim, least in zip(aims, LEVELS, strict=True)]
    after = reached(psf, true + changes[-1] * true, aside + changes[-1] * aside)
    bands = len(usual.sigma) if usual is not None else max(4, math.ceil(math.log2(psf.fwhm)) + 3)
    own = list(sigma[:bands])
    own += [own[-1] / 2 ** (i + 1) for i in range(bands - len(own))]
    responses = _responses(bands, n)
    noise = _noise_power(own[1] / max(own[0], 1e-30), n)
    k = np.fft.fftfreq(n)
    frequency = np.hypot(k[:, None], k[None])
    frequency[0, 0] = 1 / n
    light = frequency**-SPECTRUM
    gains = np.zeros((len(LEVELS), bands, 4))
    filters = []
    for i, change in enumerate(changes):
        added = (change * now).real
        for j, band in enumerate(responses):
            power, grain = band**2 * light, band**2 * noise
            seen = (power * np.abs(now) ** 2).sum()
            gains[i, j] = (
                (power * added * (1 - now.real)).sum() / seen,
                (grain * change.real).sum() / grain.sum(),
                (power * added**2).sum() / seen,
                (grain * np.abs(change) ** 2).sum() / grain.sum(),
            )
        filters.append(cut_filter(change, psf))
    spread = tuple(max(psf.fwhm, 0.7 * 2**j) for j in range(bands))
    chance = np.array([_scatter(band**2 * noise, s) for band, s in zip(responses, spread, strict=True)])
    return Plan(tuple(filters), gains, np.hypot(chance, DOUBT), spread, tuple(own), after, aims)


def _seen_as(psf: Psf) -> tuple[Psf, tuple[Transfer, Transfer, Transfer]]:
    """Give the star image that filters are made for, a little narrower than it is; transforms of that, of it, and of it set aside."""
    n = 128
    while n < 2 * (FILTER_REACH * psf.fwhm + 1):
        n *= 2
    taken = replace(psf, kernel=narrowed(psf.kernel, NARROWER), fwhm=NARROWER * psf.fwhm)
    return taken, (transfer_of(taken.kernel, n), transfer_of(psf.kernel, n), transfer_of(set_aside(psf), n))


def _filters(psf: Psf, aims: tuple[float | None, ...]) -> tuple[Plane, ...]:
    """Give the filters of a star image that are made for these widths."""
    taken, (now, *_) = _seen_as(psf)
    return tuple(cut_filter(bring_to(taken, now, aim, least), psf) for aim, least in zip(aims, LEVELS, strict=True))


def _responses(bands: int, n: int) -> list[Array]:
    """Give the transfer functions of the starlet bands w_1, w_2, ... on an n x n grid."""
    k = np.fft.fftfreq(n)
    line, out = np.ones(n), []
    for j in range(bands):
        smoother = line * np.cos(np.pi * k * 2**j) ** 4
        out.append(np.outer(line, line) - np.outer(smoother, smoother))
        line = smoother
    return out


def _noise_power(ratio: float, n: int) -> Array:
    """Give the power spectrum of noise blurred by that Gaussian for which w_2 to w_1 scatter like ``ratio`` (white: 0.225)."""
    k = np.fft.fftfreq(n)
    k2 = k[:, None] ** 2 + k[None] ** 2
    first, second = _responses(2, n)
    low, high = 0.0, 2.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        power = np.exp(-4 * np.pi**2 * middle**2 * k2)
        if (second**2 * power).sum() < ratio**2 * (first**2 * power).sum():
            low = middle
        else:
            high = middle
    return np.asarray(np.exp(-4 * np.pi**2 * low**2 * k2))


def _scatter(power: Array, spread: float) -> float:
    """Give the relative scatter of the energy of Gaussian noise of this spectrum, averaged over a Gaussian of ``spread`` px."""
    n = power.shape[0]
    likeness = np.fft.ifft2(power).real
    likeness /= likeness[0, 0]
    k = np.fft.fftfreq(n)
    average = np.exp(-4 * np.pi**2 * spread**2 * (k[:, None] ** 2 + k[None] ** 2))
    return math.sqrt(max(2 * float((average * np.fft.fft2(likeness**2).real).sum()) / n**2, 0))


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
