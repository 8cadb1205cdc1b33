"""Learning from the bright stars what all stars share: the first law, its table and far wings, its scatter, its noise."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.psf import fit_moffat
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import FREEDOM, Law, moffat_law

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int_]


def first_law(plane: Plane, x: Array, y: Array, fwhm: float) -> Law:
    """Fit one Moffat law to well separated stars of a plane (in noise sigma): contour, width, beta and linear share.

    Each star has its own height, place and sloping ground; these are eliminated star by star (variable projection,
    Golub & Pereyra 1973), and the shared values are found by least squares.
    """
    from scipy.optimize import least_squares

    half = int(min(max(math.ceil(2.2 * fwhm), 5), 14))
    h, w = plane.shape
    px, py = np.rint(x).astype(int), np.rint(y).astype(int)
    inside = (px >= half) & (px < w - half) & (py >= half) & (py < h - half)
    px, py, x, y = px[inside], py[inside], x[inside], y[inside]
    cuts = np.stack([plane[b - half : b + half + 1, a - half : a + half + 1] for a, b in zip(px, py, strict=True)]).astype(
        np.float64
    )
    each = fit_moffat(cuts, np.column_stack([x - px, y - py]), fwhm)
    qxx, qxy, qyy, beta = (float(np.median(v)) for v in (each[:, 3], each[:, 4], each[:, 5], np.exp(each[:, 6])))
    sane = (each[:, 0] > 0) & (np.abs(each[:, 3] / qxx - 1) < 0.5) & (np.abs(each[:, 5] / qyy - 1) < 0.5)
    if sane.sum() < 3:  # what was found are no stars of one width (a starless layer): the usual law
        return moffat_law((1.0, 0.0, 1.0), fwhm / (2 * math.sqrt(2 ** (1 / 3) - 1)), 3.0)
    cuts, each = cuts[sane], each[sane]
    span = np.arange(-half, half + 1.0)
    ground = np.stack([np.ones((2 * half + 1,) * 2), *np.meshgrid(span, span)]).reshape(3, -1)
    data = cuts.reshape(len(cuts), -1)
    # the brighter a star the more its misfit of the law, not its noise, decides
    light = np.maximum(data - each[:, 7:8], 0)

    def weights(misfit: float) -> Array:
        return np.asarray(1 / np.sqrt(3 + light / 300 + (misfit * light) ** 2))

    weight = weights(0.02)
    place = np.clip(each[:, 1:3], -0.9, 0.9)  # one that lies further off is two stars

    def law(v: Array) -> Law:
        alpha, e1, e2 = math.exp(v[0]), v[2], v[3]
        k = 1 / math.sqrt(max(1 - e1 * e1 - e2 * e2, 1e-3))
        return moffat_law(((1 + e1) * k, e2 * k, (1 - e1) * k), alpha, math.exp(v[1]), float(v[4]))

    def left(v: Array, move: bool = False) -> Array:
        own = law(v)
        d = 0.05
        aside = np.array([(0, 0), (d, 0), (-d, 0), (0, d), (0, -d)])
        x, y = (place[None] + aside[:, None]).reshape(-1, 2).T
        at = own.stamps(x, y, half).reshape(len(aside), len(cuts), -1)
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
    start = np.array([-0.5 * math.log(mean), math.log(beta), (qxx - qyy) / 2 / total, qxy / total, 0.5])
    low, high = [math.log(0.3), math.log(1.2), -0.9, -0.9, 0.0], [math.log(30), math.log(30), 0.9, 0.9, 1.0]
    best = np.clip(start, np.array(low) + 1e-3, np.array(high) - 1e-3)
    for misfit in (0.02, 0.02, 0.006, 0.003, 0.003):
        weight = weights(misfit)
        left(best, move=True)
        best = least_squares(left, best, bounds=(low, high), loss="soft_l1", f_scale=3.0, max_nfev=6, diff_step=1e-3).x
    v = best.copy()
    v[4] = 0.0 if v[4] < 0.1 else 1.0 if v[4] > 0.9 else v[4]
    return law(v)


def learn_scatter(fit: StarFit, loosen: bool) -> None:
    """Learn from the last round how far stars deviate from the law, and what noise and misfit their light brings."""
    from scipy.optimize import nnls

    for c, seen in enumerate(fit.seen):
        if not seen:
            continue
        light, rest2, spread = (np.concatenate([s[k] for s in seen]) for k in range(3))
        height, modes2 = np.concatenate([s.height for s in seen]), np.concatenate([s.modes2 for s in seen])
        if len(height) >= 10:
            # a blend is no star: what lies far beyond the others does not count
            usual = modes2 < 20 * np.median(modes2, axis=0)
            weight = np.minimum((height / 300) ** 2, 30)[:, None] * usual
            fit.freedom[c] = np.clip(np.sqrt((weight * modes2).sum(0) / np.maximum(weight.sum(0), 1e-9)), 2e-4, FREEDOM)
        edges = np.geomspace(20, max(float(light.max(initial=0)), 100), 14)
        place, excess = [], []
        for low, high in pairwise(edges.tolist()):
            k = (light > low) & (light <= high)
            if k.sum() >= 25:
                place.append(float(np.median(light[k])))
                # the median of chi^2 with one degree of freedom is 0.455
                excess.append(max(float(np.median(rest2[k])) / 0.455 - float(np.median(spread[k])), 0.0))
        if len(place) >= 3:
            x, y = np.array(place), np.array(excess)
            weight = 1 / (y + 1)
            found, _ = nnls(np.column_stack([x, x * x]) * weight[:, None], y * weight)
            fit.photons[c] = float(np.clip(found[0], 3e-4, 1e-2))
            fit.misfit[c] = float(np.clip(math.sqrt(found[1]), 1e-3, 0.03))
        if loosen:
            fit.loose[c] = np.clip(np.sqrt(np.maximum(fit.poor[c] / 2.5, 1.0)) * fit.loose[c], 1, 20)
