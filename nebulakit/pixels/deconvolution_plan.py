"""How a plane is to be sharpened: the filters that bring its stars to one width, level by level, and what dosing them takes.

A filter is made for each of a few shares of a frequency that the star image must have left, from bold to cautious, with the
constants of the rule that doses it (:mod:`nebulakit.pixels.deconvolution`). Where the star image varies over the picture
filters are made for the nodes of a grid.

Sources: as there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

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
from nebulakit.pixels.stars.varying import Varying

Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

NARROWEST = 1.5  # px: a narrower star is no longer sampled; by 1.6 stars of 2.2 px did not come down to three quarters
LEVELS = (0.1, 0.03, 0.006, 0.001)  # share of a frequency the star image must have left for its gain not to be held
SPECTRUM = 3.0  # power of the unblurred nebula falls like frequency to minus this
DOUBT = 0.06  # how well the noise energy of a place is known at best
ALIKE = 0.03  # of the logarithm of the contour, 1.5 % of the width: what a grid may be off
STEP = 0.4  # of the same: what neighbouring nodes may differ by, so that the mean of their filters is the filter between them
NODES = 9  # along a side, at most
KIND = 0.05, 0.1  # of the logarithm of the width, and of the ellipticity: within such steps stars are aimed alike


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
