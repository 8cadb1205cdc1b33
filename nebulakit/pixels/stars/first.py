"""The first laws of a stack's channels: Moffat laws, fitted to stars that stand alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.psf import fit_moffat
from nebulakit.pixels.stars.cores import reshaped
from nebulakit.pixels.stars.cutfit import LOOSE, CutFit
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD, Law, moffat_law
from nebulakit.pixels.stars.varying import Varying, exponential, logarithm, varying_of

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
AGAIN = 3  # times that blur is told, each time by what its flanks left
OVAL = 0.04  # of the logarithm of the contour: less is not asked after
PLAINLY = 6.0  # by how much, a log likelihood, flanks must tell otherwise
STEPS = np.array([1e-3, 1e-3, 1e-3, 1e-3, 1e-2])
WIDE, FAR = 2.2, 1.4  # widths to the edge of a cut-out, and from where on it shows a flank
MOST_STEPS = 4


class Told(NamedTuple):
    """What stars told of a channel's law."""

    law: Array  # as :func:`_law` takes it
    cover: Array  # its covariance
    left: Array  # what is left of each star (star, pixel)
    weight: Array  # by which that counted, 0 where no flank is
    fit: CutFit


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
    # enough that MANY are left without those beside something hidden; to ask all would take long
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
    return varying_of(fwhm, px + PAD, py + PAD, each, cuts, math.sqrt(len(planes)), (h + 2 * PAD, w + 2 * PAD))


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
    drawn = _drawn_out(tries[0], fwhm, (h + 2 * PAD, w + 2 * PAD)) if varying is None else None
    start = [None if t is None else t._replace(law=t.law * [1, 1, 0, 0, 1]) for t in tries[0]]  # round
    while drawn is not None and len(kinds) <= AGAIN:
        # what draws out all stars alike while they are photographed leaves their flanks round; the glass does not
        kinds.append(drawn)
        tries.append(tell(drawn, start))
        scaled.append(1.0)
        better = _off(tries[-1], tries[0]) <= _off(tries[0], tries[0])
        drawn = replace(drawn, amounts=drawn.amounts + _oval(tries[-1])) if better else None
    best = min(range(len(kinds)), key=lambda k: _off(tries[k], tries[0]) + PLAINLY * scaled[k])
    told, varying = tries[best], kinds[best]
    if all(t is None for t in told):
        return [usual] * len(planes)
    laws = [replace(_law(v), varying=varying) for v in _drawn_together(told)]
    return reshaped([None if t is None else t.fit for t in told], laws)


def _drawn_out(told: list[Told | None], fwhm: float, shape: tuple[int, int]) -> Varying | None:
    """Give what blurs round stars, the same all over, to the contours they were told to have; None where they are round."""
    oval, (h, w) = _oval(told), shape
    if math.hypot(oval[0, 0], oval[0, 1]) < OVAL:
        return None
    return Varying(((w - 1) / 2, (h - 1) / 2), 0.5 * math.hypot(h, w), oval, (0, 0), 1.0, fwhm)


def _oval(told: list[Told | None]) -> Array:
    """Give (1, 3) the logarithm of the contour that all channels have in the mean."""
    if all(t is None for t in told):
        return np.zeros((1, 3))
    return np.asarray(logarithm(np.array([_law(v).contour for v in _drawn_together(told)])).mean(0, keepdims=True))


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
    """Fit one law to the stars of a channel; ``before``: what they told where they vary otherwise."""
    qxx, qxy, qyy, beta = _usual(each, clear)
    sane = _alike(each, clear)
    if sane.sum() < SANE:
        return None
    fit = CutFit(cuts[sane], each[sane], (places[0][sane], places[1][sane]), varying)
    mean = math.sqrt(max(qxx * qyy - qxy * qxy, 1e-12))
    total = (qxx + qyy) / 2
    start = np.array([-0.5 * math.log(mean), beta, (qxx - qyy) / 2 / total, qxy / total, 0.5])
    low, high = np.array([math.log(0.3), math.log(1.2), -0.9, -0.9, 0.0]), np.array([math.log(30), math.log(30), 0.9, 0.9, 1.0])
    best = np.clip(start, low + 1e-3, high - 1e-3)
    if before is not None:
        best, fit.uneven = np.clip(before.law, low + 1e-3, high - 1e-3), before.fit.uneven
    for misfit in (0.02, 0.02, 0.006, 0.003, 0.003) if before is None else (0.003,):
        fit.weigh(misfit)
        fit.left(_law(best))
        fit.move()
        best = _bettered(fit, best, low, high)
        fit.feel(fit.left(_law(best)))
    off, flank = fit.left(_law(best)) / fit.weight, np.hypot(*np.meshgrid(fit.span, fit.span)).ravel() > FAR * fit.half / WIDE
    return Told(best, _covariance(fit, best), off, fit.weight * flank, fit)


def _slopes(fit: CutFit, v: Array) -> Array:
    """Give (star, pixel, value) how what is left would change with each of the values, after ``fit.left``."""
    steps = np.where(v > 0.5, -STEPS, STEPS)  # the share stays between 0 and 1
    drawn = [(fit.stamps(_law(v + s), fit.place) - fit.columns[:, :, 0]) / s.sum() for s in np.diag(steps)]
    return -fit.unseen(np.stack(drawn, -1))


def _bettered(fit: CutFit, v: Array, low: Array, high: Array) -> Array:
    """Give values between bounds that leave less, large rests counting less, by a few damped steps (Levenberg & Marquardt)."""
    damping = 1e-3
    left = fit.left(_law(v))
    merit = _merit(left)
    for _ in range(MOST_STEPS):
        slopes = _slopes(fit, v).reshape(-1, len(v))
        weighed = slopes / np.sqrt(1 + (left / LOOSE) ** 2).reshape(-1, 1)
        normal, right = weighed.T @ slopes, -(weighed.T @ left.ravel())
        free = ~((v <= low) & (right < 0) | (v >= high) & (right > 0))
        for _ in range(MOST_STEPS):
            step = np.zeros(len(v))
            own = normal[np.ix_(free, free)]
            step[free] = np.linalg.solve(own + damping * np.diag(np.diag(own) + 1e-9), right[free])
            there = np.clip(v + step, low, high)
            after = fit.left(_law(there))
            now = _merit(after)
            if now < merit:
                break
            damping *= 10
        else:
            break
        settled = merit - now < 1e-4 * merit
        v, left, merit, damping = there, after, now, damping / 10
        if settled:
            break
    return v


def _merit(left: Array) -> float:
    return float((np.sqrt(1 + (left / LOOSE) ** 2) - 1).sum())


def _covariance(fit: CutFit, best: Array) -> Array:
    """Give the covariance of what was fitted, by leaving out one star after the other."""
    here = fit.left(_law(best))
    slopes, count = _slopes(fit, best), len(here)
    weight = 1 / np.sqrt(1 + (here / LOOSE) ** 2)
    normal = np.matmul(slopes.transpose(0, 2, 1) * weight[:, None], slopes)
    right = np.matmul(slopes.transpose(0, 2, 1), (weight * here)[:, :, None])
    whole = normal.sum(0)
    # a star may be all that tells
    least = 1e-6 * np.diag(np.diag(whole) + 1e-6)
    moved = np.linalg.solve(whole[None] - normal + least, right)[:, :, 0]
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
