"""The first laws of a stack's channels: Moffat laws, fitted to stars that stand alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.psf import fit_moffat
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD, Law, moffat_law
from nebulakit.pixels.stars.varying import Varying, exponential, logarithm, varying_over

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

FEWEST, MOST = 5, 60  # stars a law is fitted to
MANY = 240  # that tell how the image of a star varies over the picture
CLEAR = 20.0  # sigma, in every channel: stars that tell a law once more
SANE = 3  # of which at least so many must look alike
# how far channels' laws differ (standard deviations): logarithms of width and beta, both parts of the elongation, the
# share of linear resampling, which is the same for all
APART = np.array([0.08, 0.05, 0.03, 0.03, 0.03])
BLURRED = (0.0, 0.5, 1.0)  # shares of how stars vary that are tried for blur, which is what glass and mounts mostly do
PLAINLY = 6.0  # by how much, a log likelihood, flanks must tell otherwise
STEPS = np.array([1e-3, 1e-3, 1e-3, 1e-3, 1e-2])
WIDE, FAR = 2.2, 1.4  # widths to the edge of a cut-out, and from where on it shows a flank
ENTRIES = 2000  # of a law's table that the corners of a cut-out ask for
RIM = 0.6  # of a cut-out's half: beyond it a star's ground is seen
LONG = 4.0  # how often the unevenness of a star's ground counts, for it goes on from pixel to pixel
LOOSE = 3.0  # of what is left: more counts less


class Told(NamedTuple):
    """What stars told of a channel's law."""

    law: Array  # as :func:`_law` takes it
    cover: Array  # its covariance
    left: Array  # what is left of each star (star, pixel)
    weight: Array  # by which that counted, 0 where no flank is
    uneven: Array  # how uneven each star's ground is


def alone(hidden: Mask, stars: StarList, fwhm: float) -> Ints:
    """Give the brightest stars that stand alone and are seen whole in all channels."""
    from scipy.spatial import cKDTree

    if len(stars) < FEWEST:
        return np.zeros(0, int)
    place = np.column_stack([stars.x, stars.y])
    apart = cKDTree(place).query(place, k=2)[0][:, 1]
    free = ~stars.saturated
    free[free] = _whole(hidden, stars.x[free], stars.y[free], _half(fwhm))
    for least in (4.0, 3.0, 2.0):
        chosen = np.nonzero(free & (apart > least * fwhm))[0][:MANY]
        if len(chosen) >= 12:
            break
    return chosen if len(chosen) >= FEWEST else chosen[:0]


def _half(fwhm: float) -> int:
    return int(min(max(math.ceil(WIDE * fwhm), 5), 14))


def _whole(hidden: Mask, x: Array, y: Array, half: int) -> Mask:
    """Say around which places all is seen in all channels."""
    h, w = hidden.shape[1:]
    out = np.zeros(len(x), bool)
    for i, (px, py) in enumerate(np.rint(np.column_stack([x, y])).astype(int).tolist()):
        inside = half <= px < w - half and half <= py < h - half
        out[i] = inside and not hidden[:, py - half : py + half + 1, px - half : px + half + 1].any()
    return out


def laws_again(fit: StarFit) -> None:
    """Tell the first laws anew by the brightest stars, with all others taken off: in a crowd hardly one stands alone."""
    from scipy.spatial import cKDTree

    half, margin = _half(fit.fwhm), slice(PAD, -PAD)
    x, y = (v - PAD for v in fit.place)
    apart = cKDTree(np.column_stack([x, y])).query(np.column_stack([x, y]), k=2)[0][:, 1] if fit.count > 1 else np.zeros(0)
    usable = np.nonzero((apart > fit.fwhm) & (fit.height.min(0) > CLEAR) & ~fit.saturated & ~fit.outside)[0]
    usable = usable[np.argsort(-fit.height[:, usable].sum(0), kind="stable")][: 2 * MANY]
    chosen = usable[_whole(fit.hidden[:, margin, margin], x[usable], y[usable], half)][:MANY]
    if len(chosen) < FEWEST:
        return
    # what they were drawn as, where they were
    px, py = np.rint(x[chosen]), np.rint(y[chosen])
    own = []
    for c, law in enumerate(fit.laws):
        stars = fit.drawn(c, chosen)
        stamps = law.stamps(stars.x - PAD - px, stars.y - PAD - py, half, (stars.x, stars.y))
        own.append(stamps * stars.height[:, None, None].astype(np.float32))
    rest = fit.rest[:, margin, margin]
    varying = varies(rest, x[chosen], y[chosen], fit.fwhm, own)
    few = chosen[:MOST]
    fit.laws = first_laws(rest, x[few], y[few], fit.fwhm, [o[:MOST] for o in own], varying)


def varies(planes: Planes, x: Array, y: Array, fwhm: float, own: Sequence[Floats] | None = None) -> Varying | None:
    """Tell how the image of a star varies over planes (in noise sigma), by stars that stand well apart; None if it does not.

    ``own``: where all stars are taken off the planes, what each was drawn as in each channel (star, row, column).
    """
    half = _half(fwhm)
    h, w = planes.shape[1:]
    px, py = np.rint(x).astype(int), np.rint(y).astype(int)
    inside = (px >= half) & (px < w - half) & (py >= half) & (py < h - half)
    px, py, near = px[inside], py[inside], np.column_stack([x - px, y - py])[inside]
    if len(px) < SANE:
        return None
    span = np.arange(-half, half + 1)
    at = py[:, None, None] + span[:, None], px[:, None, None] + span
    cuts = np.zeros((len(px), 2 * half + 1, 2 * half + 1))
    for c, plane in enumerate(planes):
        cuts += plane[at]
        if own is not None:
            cuts += own[c][inside]
    each = fit_moffat(cuts, near, fwhm, 12)
    # the contour at half of the height, which hardly minds beta
    contours = each[:, 3:6] / np.expm1(math.log(2) * np.exp(-each[:, 6:7]))
    logs = logarithm(contours)
    # what lies around a star tells how far its shape may be off: noise, and whatever else is there
    off = np.hypot(*np.meshgrid(span, span))
    rim = (off > RIM * half) & (off <= half)
    around = cuts[:, rim] - each[:, 7:8] - each[:, 8:] @ np.stack(np.meshgrid(span, span))[:, rim]
    rough = 1.4826 * median(np.abs(around - median(around, axis=1)[:, None]), axis=1)
    clear = each[:, 0] / np.maximum(rough, math.sqrt(len(planes)))
    sane = (clear > CLEAR) & (np.hypot(each[:, 1], each[:, 2]) < 1.5) & np.isfinite(logs).all(1)
    width = -(logs[:, 0] + logs[:, 2]) / 4
    sane &= np.abs(width - math.log(fwhm / 2)) < 1.0
    # resampled linearly, a star between pixels is wider than one on a pixel, the more so the narrower it is
    between = np.abs(each[:, 1:3] - np.rint(each[:, 1:3]))
    between *= (1 - between) * contours[:, [0, 2]]
    x, y = px[sane] + PAD, py[sane] + PAD
    return varying_over(fwhm, x, y, logs[sane], clear[sane], between[sane], (h + 2 * PAD, w + 2 * PAD))


def first_laws(
    planes: Planes, x: Array, y: Array, fwhm: float, own: Sequence[Floats] | None = None, varying: Varying | None = None
) -> list[Law]:
    """Fit a Moffat law to well separated stars of each plane (in noise sigma): contour, width, beta and linear share.

    ``own``: where all stars are taken off the planes, what each was drawn as in each channel (star, row, column). ``varying``:
    how stars vary over the picture; it is kept.

    How wide stars are is asked of those that look like stars in the channel that shows them best; a bright nebula makes
    most of another's look like any. Channels' laws are much alike, for air, optics and resampling are the same: each
    is drawn to the mean of all as far as its own stars leave it open (empirical Bayes, as in Bishop 2006, Pattern
    Recognition and Machine Learning, 3.5), which leaving out one star after the other tells (Efron 1982, The Jackknife,
    the Bootstrap and Other Resampling Plans).
    """
    half = _half(fwhm)
    h, w = planes.shape[1:]
    px, py = np.rint(x).astype(int), np.rint(y).astype(int)
    inside = (px >= half) & (px < w - half) & (py >= half) & (py < h - half)
    px, py, near = px[inside], py[inside], np.column_stack([x - px, y - py])[inside]
    usual = replace(moffat_law((1.0, 0.0, 1.0), fwhm / (2 * math.sqrt(2 ** (1 / 3) - 1)), 3.0), varying=varying)
    if len(px) < SANE:
        return [usual] * len(planes)
    span = np.arange(-half, half + 1)
    at = py[:, None, None] + span[:, None], px[:, None, None] + span
    cuts = [plane[at].astype(np.float64) for plane in planes]
    if own is not None:
        cuts = [cut + drawn[inside] for cut, drawn in zip(cuts, own, strict=True)]
    each = over(lambda c: fit_moffat(c, near, fwhm), cuts)
    places = (px + PAD).astype(np.float64), (py + PAD).astype(np.float64)
    if varying is not None:  # as they would be if all were alike
        for e in each:
            e[:, 3:6] = exponential(logarithm(e[:, 3:6]) - varying.logs(*places))
    clear = max((_alike(e, np.ones(len(e), bool)) for e in each), key=np.count_nonzero)
    if clear.sum() < SANE:  # what was found are no stars of one width (a starless layer)
        return [usual] * len(planes)
    parts = list(zip(cuts, each, strict=True))

    def tell(varying: Varying | None, before: list[Told | None]) -> list[Told | None]:
        return over(lambda cut: _tell(*cut[0], clear, places, varying, cut[1]), list(zip(parts, before, strict=True)))

    kinds, tries = [varying], [tell(varying, [None] * len(parts))]
    if varying is not None:  # whether flanks vary as cores do, the stars themselves must say
        kinds += [replace(varying, blurred=share) for share in BLURRED if share != varying.blurred]
        tries += [tell(kind, tries[0]) for kind in kinds[1:]]
    scaled = [0.0 if kind is None else 1 - kind.blurred for kind in kinds]
    best = min(range(len(kinds)), key=lambda k: _off(tries[k], tries[0]) + PLAINLY * scaled[k])
    told, varying = tries[best], kinds[best]
    if all(t is None for t in told):
        return [usual] * len(planes)
    return [replace(_law(v), varying=varying) for v in _drawn_together(told)]


def _off(told: list[Told | None], first: list[Told | None]) -> float:
    """Give how far the flanks of stars are off what these told, as they were weighed at first."""
    total = 0.0
    for one, weighed in zip(told, first, strict=True):
        if one is not None and weighed is not None:
            total += float((np.sqrt(1 + (one.left * weighed.weight / LOOSE) ** 2) - 1).sum())
    return total


def _usual(each: Array, clear: Mask) -> tuple[float, ...]:
    """Give the usual qxx, qxy, qyy and ln beta of stars as :func:`fit_moffat` gives them."""
    return tuple(float(v) for v in median(each[clear, 3:7], axis=0))


def _alike(each: Array, clear: Mask) -> Mask:
    """Say which stars are about as wide as those that are ``clear`` usually are."""
    qxx, _, qyy, _ = _usual(each, clear)
    return np.asarray((each[:, 0] > 0) & (np.abs(each[:, 3] / qxx - 1) < 0.5) & (np.abs(each[:, 5] / qyy - 1) < 0.5))


def _law(v: Array) -> Law:
    """Give the law of ln alpha, ln beta, both parts of the elongation and the linear share."""
    e1, e2, linear = (float(e) for e in v[2:])
    k = 1 / math.sqrt(max(1 - e1 * e1 - e2 * e2, 1e-3))
    return moffat_law(((1 + e1) * k, e2 * k, (1 - e1) * k), math.exp(v[0]), math.exp(v[1]), linear)


def _tell(
    cuts: Array,
    each: Array,
    clear: Mask,
    places: tuple[Array, Array],
    varying: Varying | None,
    before: Told | None = None,
) -> Told | None:
    """Fit one law to the stars of a channel; ``before``: what they told where they vary otherwise.

    Each star has its own height, place and sloping ground; these are eliminated star by star (variable projection,
    Golub & Pereyra 1973), and the shared values are found by least squares.
    """
    from scipy.optimize import least_squares

    qxx, qxy, qyy, beta = _usual(each, clear)
    sane = _alike(each, clear)
    if sane.sum() < SANE:
        return None
    cuts, each = cuts[sane], each[sane]
    there = np.tile(places[0][sane], 5), np.tile(places[1][sane], 5)
    half = cuts.shape[1] // 2
    span = np.arange(-half, half + 1.0)
    ground = np.stack([np.ones((2 * half + 1,) * 2), *np.meshgrid(span, span)]).reshape(3, -1)
    data = cuts.reshape(len(cuts), -1)
    # the brighter a star the more its misfit of the law decides, not its ground; a ground that passed for noise would let
    # the wings of stars on a bright nebula tell the law
    light = np.maximum(data - each[:, 7:8], 0)
    rim = np.hypot(*np.meshgrid(span, span)).ravel() > RIM * half
    uneven = np.full(len(cuts), 3.0)

    def weights(misfit: float) -> Array:
        return np.asarray(1 / np.sqrt(uneven[:, None] + light / 300 + (misfit * light) ** 2))

    weight = weights(0.02)
    place = np.clip(each[:, 1:3], -0.9, 0.9)  # one that lies further off is two stars

    def left(v: Array, move: bool = False) -> Array:
        whole = _law(v)
        own = replace(whole, table=whole.table[:ENTRIES], varying=varying)  # which is drawn often, and no further
        d = 0.05
        aside = np.array([(0, 0), (d, 0), (-d, 0), (0, d), (0, -d)])
        x, y = (place[None] + aside[:, None]).reshape(-1, 2).T
        at = own.stamps(x, y, half, there).reshape(len(aside), len(cuts), -1)
        columns = np.empty((*at[0].shape, 6))
        columns[:, :, 0] = at[0]
        np.subtract(at[1], at[2], out=columns[:, :, 1])
        np.subtract(at[3], at[4], out=columns[:, :, 2])
        columns[:, :, 1:3] *= 1 / (2 * d)
        columns[:, :, 3:] = ground.T
        columns *= weight[:, :, None]
        target = data * weight
        normal = np.matmul(columns.transpose(0, 2, 1), columns)
        normal += 1e-9 * np.eye(6) * np.einsum("nkk->n", normal)[:, None, None]
        found = np.linalg.solve(normal, np.matmul(columns.transpose(0, 2, 1), target[:, :, None]))[:, :, 0]
        if move:
            step = np.clip(found[:, 1:3] / np.maximum(found[:, :1], 1e-9), -0.3, 0.3)
            place[:] = np.clip(place + step, -0.9, 0.9)
        return np.asarray((target - np.einsum("npk,nk->np", columns, found)).ravel())

    mean = math.sqrt(max(qxx * qyy - qxy * qxy, 1e-12))
    total = (qxx + qyy) / 2
    start = np.array([-0.5 * math.log(mean), beta, (qxx - qyy) / 2 / total, qxy / total, 0.5])
    low, high = [math.log(0.3), math.log(1.2), -0.9, -0.9, 0.0], [math.log(30), math.log(30), 0.9, 0.9, 1.0]
    best = np.clip(start, np.array(low) + 1e-3, np.array(high) - 1e-3)
    if before is not None:
        best, uneven = np.clip(before.law, np.array(low) + 1e-3, np.array(high) - 1e-3), before.uneven
    for misfit in (0.02, 0.02, 0.006, 0.003, 0.003) if before is None else (0.003,):
        weight = weights(misfit)
        left(best, move=True)
        ends = {"max_nfev": 6, "diff_step": 1e-3}
        best = least_squares(left, best, bounds=(low, high), loss="soft_l1", f_scale=LOOSE, **ends).x
        rough = np.abs(left(best).reshape(data.shape) / weight)[:, rim]
        uneven = 3 + LONG * (1.4826 * median(rough, axis=1)) ** 2
    off, flank = left(best).reshape(data.shape) / weight, np.hypot(*np.meshgrid(span, span)).ravel() > FAR * half / WIDE
    return Told(best, _covariance(left, best, len(cuts)), off, weight * flank, uneven)


def _covariance(left: Callable[[Array], Array], best: Array, count: int) -> Array:
    """Give the covariance of what was fitted to ``count`` stars, by leaving out one after the other."""
    steps = np.where(best > 0.5, -STEPS, STEPS)  # the share stays between 0 and 1
    here = left(best)
    slopes = np.stack([(left(best + step) - here) / step.sum() for step in np.diag(steps)], -1)
    here, slopes = here.reshape(count, -1), slopes.reshape(count, -1, len(best))
    weight = 1 / np.sqrt(1 + (here / LOOSE) ** 2)
    normal = np.einsum("nki,nk,nkj->nij", slopes, weight, slopes)
    right = np.einsum("nki,nk->ni", slopes, weight * here)
    whole = normal.sum(0)
    # a star may be all that tells
    least = 1e-6 * np.diag(np.diag(whole) + 1e-6)
    moved = np.linalg.solve(whole[None] - normal + least, right[:, :, None])[:, :, 0]
    return np.asarray((moved.T @ moved) * (count - 1) / count)


def _drawn_together(told: list[Told | None]) -> list[Array]:
    """Give what is to be expected of each channel: its own fit and the mean of all, as surely as they are known."""
    # width and beta in place of alpha and beta
    turned = [None if t is None else _by_width(t.law, t.cover) for t in told]
    spread = np.diag(APART**2)
    known = [t for t in turned if t is not None]
    weights = [np.linalg.inv(cover + spread) for _, cover in known]
    mean = np.linalg.solve(sum(weights), sum(w @ v for w, (v, _) in zip(weights, known, strict=True)))
    out = []
    for t in turned:
        v = mean.copy() if t is None else mean + spread @ np.linalg.inv(t[1] + spread) @ (t[0] - mean)
        v[0] -= _wide(float(v[1]))
        v[4] = 0.0 if v[4] < 0.1 else 1.0 if v[4] > 0.9 else v[4]
        out.append(v)
    return out


def _wide(beta: float) -> float:
    """Give the logarithm of width over alpha, given that of beta."""
    return math.log(2 * math.sqrt(2 ** math.exp(-beta) - 1))


def _by_width(v: Array, cover: Array) -> tuple[Array, Array]:
    turn = np.eye(len(v))
    turn[0, 1] = (_wide(float(v[1]) + 1e-4) - _wide(float(v[1]) - 1e-4)) / 2e-4
    own = v.copy()
    own[0] += _wide(float(v[1]))
    return own, turn @ cover @ turn.T
