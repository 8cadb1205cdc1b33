"""The image of a star: Moffat laws fitted to many stars at once, and the kernel that is left when they are laid on one another.

Sources: Moffat 1969, A&A 3:455 (the law); Trujillo et al. 2001, MNRAS 328:977 (its widths); Anderson & King 2000,
PASP 112:1360 (a law plus the stacked residual as effective PSF); Marquardt 1963 (the fit).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.pixels.median import median
from nebulakit.pixels.stars.varying import exponential, logarithm, varying_of

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

FWHM_PER_SIGMA = 2 * math.sqrt(2 * math.log(2))
FEWEST = 5  # stars, below which no PSF is told
MOST = 120
BETA_RANGE = (1.3, 100.0)  # at 100 a Moffat law is a Gaussian, 0.3 % narrower
REACH = 4.5  # kernel radius in fwhm


def moffat_fwhm(alpha: float, beta: float) -> float:
    """Give the full width at half maximum of a Moffat law ``(1 + r^2/alpha^2)^-beta``.

    >>> round(moffat_fwhm(1.0, 2.5), 6)
    1.130501
    """
    return 2 * alpha * math.sqrt(2.0 ** (1 / beta) - 1)


def moffat_encircled(radius: float, alpha: float, beta: float) -> float:
    """Give the share of a Moffat star's light within ``radius``.

    >>> round(moffat_encircled(2.0, 1.0, 2.5), 6)
    0.910557
    """
    return float(1 - (1 + (radius / alpha) ** 2) ** (1 - beta))


def moffat_kernel(
    fwhm: float,
    beta: float,
    radius: int | None = None,
    ellipticity: float = 0.0,
    angle: float = 0.0,
    shift: tuple[float, float] = (0.0, 0.0),
) -> Plane:
    """Give a Moffat star sampled on pixels (odd size, sum 1); ``angle`` of the long axis in degrees from +x towards +y.

    >>> moffat_kernel(3.0, 3.0, 5).shape
    (11, 11)
    """
    r = radius if radius is not None else max(3, math.ceil(REACH * fwhm))
    y, x = np.mgrid[-r : r + 1, -r : r + 1].astype(np.float64)
    x, y = x - shift[0], y - shift[1]
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    ratio = math.sqrt(1 - ellipticity)
    u, v = (c * x + s * y) * ratio, (c * y - s * x) / ratio
    alpha = fwhm / moffat_fwhm(1.0, beta)
    kernel = (1 + (u * u + v * v) / alpha**2) ** -beta
    return _unit(kernel)


def gaussian_kernel(fwhm: float, radius: int | None = None) -> npt.NDArray[np.float32]:
    """Give a Gaussian star sampled on pixels (odd size, sum 1).

    >>> round(float(gaussian_kernel(3.0).sum()), 5)
    1.0
    """
    sigma = fwhm / FWHM_PER_SIGMA
    r = radius if radius is not None else max(2, math.ceil(4 * sigma))
    line = np.exp(-(np.arange(-r, r + 1) ** 2) / (2 * sigma**2))
    kernel = np.outer(line, line)
    return _unit(kernel)


def _unit(kernel: Array) -> Plane:
    """Bring a kernel to sum 1."""
    return np.asarray(kernel / kernel.sum(), np.float32)


def measure_psf(planes: Planes, stars: StarList, noise: Noise, white: tuple[float, ...] | None = None) -> Psf | None:
    """Measure the PSF on up to 120 isolated, unsaturated, bright stars of planes (channel, y, x), combined by inverse variance.

    Every star is fitted by its own elliptical Moffat law with free beta on a tilted background; width and shape are medians
    over the stars that agree. The kernel is that law plus the median of the stars' registered residuals where those stand
    above their own scatter. Where stars vary over the picture (:mod:`nebulakit.pixels.stars.varying`), this is what they
    have in common, and the PSF tells how they vary. ``white`` is the cut-off level per channel: stars above 80 % of it in any channel are left out.
    None with fewer than 5 usable stars. Pixels that are NaN rule a star out.
    """
    if len(stars) < FEWEST:
        return None
    weight = 1 / np.maximum(np.asarray(noise.sigma, np.float64), 1e-30) ** 2
    weight /= weight.sum()
    luminance = np.tensordot(weight.astype(np.float32), planes, 1)
    sigma = math.sqrt(float(((weight * np.asarray(noise.sigma)) ** 2).sum()))
    unclipped: npt.NDArray[np.bool_] = np.ones(len(stars), bool)
    if white is not None:
        limit = 0.8 * np.asarray(white, np.float32)
        unclipped = np.asarray((_peaks(planes, stars) <= limit[:, None]).all(0))
    first = _rough_width(luminance, stars, unclipped, sigma)
    if first is None:
        return None
    radius = min(max(4, math.ceil(2.5 * first)), 24)
    for least, loneliness in ((50.0, 0.01), (25.0, 0.05), (12.0, 0.2)):
        chosen = _choose(luminance, stars, unclipped, sigma, radius, first, least, loneliness)
        if len(chosen) >= 20:
            break
    if len(chosen) < FEWEST:
        return None
    stamps, near = _stamps(luminance, stars, chosen, radius)
    law = fit_moffat(stamps, near, first)
    x, y = np.rint(stars.x[chosen]), np.rint(stars.y[chosen])
    varies = varying_of(first, x, y, law, stamps, sigma, luminance.shape, seen=True)
    alike = law.copy()
    if varies is not None:  # as they would be if all were alike
        alike[:, 3:6] = exponential(logarithm(law[:, 3:6]) - varies.logs(x, y))
    fwhm, beta, e1, e2, good = _shapes(alike, stamps, sigma)
    keep = good.copy()
    for _ in range(5):  # stars that agree on the width: doubles, knots and hot pixels fall out
        if keep.sum() < FEWEST:
            return None
        centre = median(np.log(fwhm[keep]))
        spread = max(1.4826 * float(median(np.abs(np.log(fwhm[keep]) - centre))), 0.01)
        keep = good & (np.abs(np.log(np.where(good, fwhm, 1)) - centre) < 3 * spread)
    if keep.sum() < FEWEST:
        return None
    width, power = float(median(fwhm[keep])), float(median(beta[keep]))
    m1, m2 = float(median(e1[keep])), float(median(e2[keep]))
    ellipticity = min(math.hypot(m1, m2), 0.9)
    angle = math.degrees(0.5 * math.atan2(m2, m1))
    usual = Psf(moffat_kernel(width, power, None, ellipticity, angle), width, power, ellipticity, angle, int(keep.sum()), varies)
    return replace(usual, kernel=_kernel(luminance, stars, chosen[keep], law[keep], usual))


def psf_at(psf: Psf, x: float, y: float) -> Psf:
    """Give the PSF at a place of the layer, which holds there alone; the same where it does not vary."""
    if psf.varies is None:
        return psf
    return drawn_out(psf, psf.varies.logs(np.array([x]), np.array([y]))[0])


def drawn_out(psf: Psf, logs: Array) -> Psf:
    """Give a PSF whose contour has this (xx, xy, yy) more in its logarithm, as :meth:`Varying.logs` tells it of a place."""
    import cv2

    fwhm, ellipticity, angle = _shape(psf, logs)
    kernel = moffat_kernel(fwhm, psf.beta, None, ellipticity, angle).astype(np.float64)
    rest = psf.kernel - moffat_kernel(psf.fwhm, psf.beta, psf.kernel.shape[0] // 2, psf.ellipticity, psf.angle)
    # the law is drawn anew; only what is left of the kernel, which is little, is drawn out like it
    middle, new = psf.kernel.shape[0] // 2, kernel.shape[0] // 2
    back = _root(psf.fwhm, psf.ellipticity, psf.angle, -1) @ _root(fwhm, ellipticity, angle, 1)
    move = np.column_stack([back, np.full(2, middle) - back @ np.full(2, new)])
    how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    drawn = cv2.warpAffine(rest, move, kernel.shape, flags=how, borderMode=cv2.BORDER_CONSTANT)
    made = _unit(np.maximum(kernel + np.linalg.det(back) * drawn, 0))
    return replace(psf, kernel=made, fwhm=fwhm, ellipticity=ellipticity, angle=angle, varies=None)


def _shape(psf: Psf, logs: Array) -> tuple[float, float, float]:
    """Give its width, ellipticity and angle."""
    root = _root(psf.fwhm, psf.ellipticity, psf.angle, 1)
    matrix = root @ root
    a, b, c = exponential(logarithm(matrix[None, [0, 0, 1], [0, 1, 1]]) + logs)[0].tolist()
    mean, half = (a + c) / 2, math.hypot((a - c) / 2, b)
    small, large = max(mean - half, 1e-12), mean + half
    angle = math.degrees(0.5 * math.atan2(-2 * b, c - a))
    return 2 / (small * large) ** 0.25, min(1 - math.sqrt(small / large), 0.9), angle


def _root(fwhm: float, ellipticity: float, angle: float, power: int) -> Array:
    """Give the matrix that makes a circle of radius 1 of a star's contour at half of its height; or, by power -1, the way back."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    axes, ratio = np.array([[c, s], [-s, c]]), math.sqrt(1 - ellipticity)
    values = np.array([ratio, 1 / ratio]) * 2 / fwhm
    return np.asarray(axes.T @ np.diag(values**power) @ axes)


def _peaks(planes: Planes, stars: StarList) -> npt.NDArray[np.float32]:
    """Give the brightest pixel within one pixel of each star, (channel, star); NaN counts as dark."""
    h, w = planes.shape[1:]
    x, y = np.rint(stars.x).astype(int), np.rint(stars.y).astype(int)
    best = np.full((len(planes), len(stars)), -np.inf, np.float32)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            here = planes[:, np.clip(y + dy, 0, h - 1), np.clip(x + dx, 0, w - 1)]
            best = np.fmax(best, here)
    return best


def _rough_width(luminance: Plane, stars: StarList, allowed: npt.NDArray[np.bool_], sigma: float) -> float | None:
    """Give a first width: the median of the areas above half of the peak, on the brightest stars that may be used."""
    h, w = luminance.shape
    order = np.argsort(-stars.peak, kind="stable")
    widths = []
    r = 12
    for i in order:
        x, y = round(float(stars.x[i])), round(float(stars.y[i]))
        if stars.saturated[i] or not allowed[i] or not (r <= x < w - r and r <= y < h - r):
            continue
        cut = luminance[y - r : y + r + 1, x - r : x + r + 1].astype(np.float64)
        if not np.isfinite(cut).all():
            continue
        cut -= median(cut)
        peak = cut[r - 1 : r + 2, r - 1 : r + 2].max()
        if peak <= 10 * sigma:
            continue
        yy, xx = np.mgrid[-r : r + 1, -r : r + 1]
        # the half-maximum radius by area, read between the pixels' steps by a soft count
        soft = np.clip((cut / peak - 0.5) * 2.5 + 0.5, 0, 1) * (np.hypot(xx, yy) < 8)
        widths.append(2 * math.sqrt(float(soft.sum()) / math.pi))
        if len(widths) >= MOST:
            break
    return float(np.clip(median(widths), 1.0, 12.0)) if len(widths) >= FEWEST else None


def _choose(
    luminance: Plane,
    stars: StarList,
    allowed: npt.NDArray[np.bool_],
    sigma: float,
    radius: int,
    fwhm: float,
    least: float,
    loneliness: float,
) -> npt.NDArray[np.int_]:
    """Give the brightest usable stars: S/N above ``least``, no neighbour with more than ``loneliness`` of their light near."""
    from scipy.spatial import cKDTree

    h, w = luminance.shape
    x, y = np.rint(stars.x).astype(int), np.rint(stars.y).astype(int)
    inside = (x >= radius) & (x < w - radius) & (y >= radius) & (y < h - radius)
    usable = np.flatnonzero(inside & allowed & ~stars.saturated)
    tree = cKDTree(np.column_stack([stars.x, stars.y]))
    chosen: list[int] = []
    for i in usable[np.argsort(-stars.peak[usable], kind="stable")]:
        cut = luminance[y[i] - radius : y[i] + radius + 1, x[i] - radius : x[i] + radius + 1]
        middle = cut[radius - 1 : radius + 2, radius - 1 : radius + 2].max()
        if not np.isfinite(cut).all() or middle - median(cut) < least * sigma:
            continue
        others = [j for j in tree.query_ball_point((stars.x[i], stars.y[i]), radius + 1.5 * fwhm) if j != i]
        if others and float(stars.flux[others].max()) > loneliness * float(stars.flux[i]):
            continue
        chosen.append(int(i))
        if len(chosen) >= MOST:
            break
    return np.array(chosen, int)


def _stamps(luminance: Plane, stars: StarList, chosen: npt.NDArray[np.int_], radius: int) -> tuple[Array, Array]:
    """Cut out the chosen stars, (star, y, x), and tell where in the stamp each should stand, (star, 2)."""
    x, y = np.rint(stars.x[chosen]).astype(int), np.rint(stars.y[chosen]).astype(int)
    r = radius
    cuts = np.stack([luminance[b - r : b + r + 1, a - r : a + r + 1] for a, b in zip(x, y, strict=True)]).astype(np.float64)
    return cuts, np.column_stack([stars.x[chosen] - x, stars.y[chosen] - y])


def fit_moffat(stamps: Array, near: Array, fwhm: float, rounds: int = 40) -> Array:
    """Fit an elliptical Moffat law on a tilted background to every stamp (star, y, x) at once, by damped Gauss-Newton steps.

    Returns (star, 10): peak, x, y (from the stamp's middle), qxx, qxy, qyy, ln beta, level, tilt in x, tilt in y, for
    ``peak * (1 + qxx dx^2 + 2 qxy dx dy + qyy dy^2)^-beta + level + tilt``. ``near`` is the first guess of x and y.
    """
    n, size, _ = stamps.shape
    r = size // 2
    yy, xx = (a.ravel().astype(np.float64) for a in np.mgrid[-r : r + 1, -r : r + 1])
    data = stamps.reshape(n, -1)
    level = median(data[:, np.hypot(xx, yy) > 0.8 * r], axis=1)
    peak = np.maximum(data.reshape(n, size, size)[:, r - 1 : r + 2, r - 1 : r + 2].max((1, 2)) - level, 1e-30)
    scale = peak[:, None]
    data = (data - level[:, None]) / scale
    beta = 3.0
    # within the fit 1/beta and beta * q: so a Gaussian is one end of a straight road and not a point beyond all bounds
    s = beta * (2 ** (1 / beta) - 1) / (fwhm / 2) ** 2
    p = np.zeros((n, 10))
    p[:, 0], p[:, 1:3], p[:, 3], p[:, 5], p[:, 6] = 1.0, np.clip(near, -1, 1), s, s, 1 / beta
    damping = np.full(n, 1e-2)
    model, jacobian = _moffat(p, xx, yy)
    cost = ((data - model) ** 2).sum(1)
    lo, hi = 1 / BETA_RANGE[1], 1 / BETA_RANGE[0]
    for _ in range(rounds):
        normal = np.einsum("nkp,nlp->nkl", jacobian, jacobian)
        right = np.einsum("nkp,np->nk", jacobian, data - model)
        diagonal = np.einsum("nkk->nk", normal)
        damped = normal + np.eye(10) * (damping[:, None] * diagonal + 1e-12 * diagonal.max(1, keepdims=True))[:, None, :]
        move = np.linalg.solve(damped, right[..., None])[..., 0]
        trial = p + move
        trial[:, 0] = np.maximum(trial[:, 0], 1e-3)
        trial[:, 1:3] = np.clip(trial[:, 1:3], -2, 2)
        trial[:, 3], trial[:, 5] = np.maximum(trial[:, 3], 1e-4), np.maximum(trial[:, 5], 1e-4)
        bound = 0.9 * np.sqrt(trial[:, 3] * trial[:, 5])
        trial[:, 4] = np.clip(trial[:, 4], -bound, bound)
        trial[:, 6] = np.clip(trial[:, 6], lo, hi)
        new_model, new_jacobian = _moffat(trial, xx, yy)
        new_cost = ((data - new_model) ** 2).sum(1)
        better = new_cost < cost
        gain = np.where(better, (cost - new_cost) / np.maximum(cost, 1e-30), 0)
        p = np.where(better[:, None], trial, p)
        model = np.where(better[:, None], new_model, model)
        jacobian = np.where(better[:, None, None], new_jacobian, jacobian)
        cost = np.where(better, new_cost, cost)
        damping = np.clip(np.where(better, damping * 0.3, damping * 8), 1e-9, 1e6)
        if (gain < 1e-7).all() and (better | (damping > 1)).all():
            break
    p[:, 3:6] *= p[:, 6:7]
    p[:, 6] = -np.log(p[:, 6])
    p[:, 0] *= peak
    p[:, 7] = p[:, 7] * peak + level
    p[:, 8:] *= scale
    return p


def _moffat(p: Array, xx: Array, yy: Array) -> tuple[Array, Array]:
    """Give the model (star, pixel) and its derivatives (star, parameter, pixel)."""
    a, x, y, sxx, sxy, syy, k, level, tx, ty = (c[:, None] for c in p.T)
    dx, dy = xx - x, yy - y
    square = sxx * dx * dx + 2 * sxy * dx * dy + syy * dy * dy
    base = np.maximum(1 + k * square, 1e-9)
    shape = base ** (-1 / k)
    slope = -a * shape / base  # derivative to the square
    jacobian = np.stack(
        [
            shape,
            slope * (-2 * sxx * dx - 2 * sxy * dy),
            slope * (-2 * sxy * dx - 2 * syy * dy),
            slope * dx * dx,
            slope * 2 * dx * dy,
            slope * dy * dy,
            a * shape * (np.log(base) / k - square / base) / k,
            np.ones_like(shape),
            np.broadcast_to(xx, shape.shape),
            np.broadcast_to(yy, shape.shape),
        ],
        axis=1,
    )
    return a * shape + level + tx * xx + ty * yy, jacobian


def _shapes(law: Array, stamps: Array, sigma: float) -> tuple[Array, Array, Array, Array, npt.NDArray[np.bool_]]:
    """Give width, beta, two components of the ellipticity, and which fits are sane, per star."""
    qxx, qxy, qyy, beta = law[:, 3], law[:, 4], law[:, 5], np.exp(law[:, 6])
    mean, half = (qxx + qyy) / 2, np.hypot((qxx - qyy) / 2, qxy)
    small, large = np.maximum(mean - half, 1e-12), mean + half
    factor = 2 * np.sqrt(2 ** (1 / beta) - 1)
    major, minor = factor / np.sqrt(small), factor / np.sqrt(large)
    fwhm = np.sqrt(major * minor)
    e = 1 - minor / major
    turn = np.arctan2(-2 * qxy, qyy - qxx)  # twice the angle of the long axis
    size = stamps.shape[1]
    good = (np.hypot(law[:, 1], law[:, 2]) < 1.5) & (fwhm > 0.7) & (fwhm < size) & (law[:, 0] > 8 * sigma) & (e < 0.8)
    return fwhm, beta, e * np.cos(turn), e * np.sin(turn), good


def _kernel(luminance: Plane, stars: StarList, chosen: npt.NDArray[np.int_], law: Array, usual: Psf) -> Plane:
    """Give the common law plus the stars' median residual from it, laid on one another to a fraction of a pixel.

    The residual counts within two star widths only: further out the level of the sky under a star is not known well enough.
    """
    import cv2

    fwhm, beta, ellipticity, angle = usual.fwhm, usual.beta, usual.ellipticity, usual.angle
    kernel = usual.kernel.astype(np.float64)
    reach = kernel.shape[0] // 2
    r = min(max(3, math.ceil(3 * fwhm)), reach)
    share = float(kernel[reach - r : reach + r + 1, reach - r : reach + r + 1].sum())
    yy, xx = np.mgrid[-r : r + 1, -r : r + 1]
    distance = np.hypot(xx, yy)
    disc, rim = distance <= r, (distance <= r) & (distance > 0.8 * r)
    residuals, amounts = [], []
    for i, p in zip(chosen, law, strict=True):
        a, b = round(float(stars.x[i])), round(float(stars.y[i]))
        cut = luminance[max(b - r, 0) : b + r + 1, max(a - r, 0) : a + r + 1].astype(np.float64)
        if cut.shape != disc.shape or not np.isfinite(cut).all():
            continue
        x, y = float(p[1]), float(p[2])
        shape = fwhm, ellipticity, angle
        if usual.varies is not None:
            shape = _shape(usual, usual.varies.logs(np.array([a]), np.array([b]))[0])
        own = share * moffat_kernel(shape[0], beta, r, shape[1], shape[2], (x, y)).astype(np.float64)
        left = cut - p[8] * xx - p[9] * yy
        level, amount = float(median(left[rim])), 0.0
        for _ in range(3):  # amount by least squares, level by a median, which faint neighbours hardly lift
            amount = float(((left - level) * own)[disc].sum() / (own[disc] ** 2).sum())
            level = float(median((left - amount * own)[rim]))
        rest = ((left - level) / amount - own).astype(np.float32)
        # residuals are small, so what the shift does to them does not widen the star
        move = np.array([[1, 0, x], [0, 1, y]], np.float32)
        how = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
        residuals.append(cv2.warpAffine(rest, move, rest.shape, flags=how, borderMode=cv2.BORDER_REFLECT_101))
        amounts.append(amount)
    if len(residuals) >= FEWEST:
        order = np.argsort(amounts)[::-1][: max(FEWEST, len(amounts) * 2 // 3)]  # the brightest two thirds
        stack = np.stack(residuals)[order].astype(np.float64)
        middle = median(stack, axis=0)
        scatter = 1.2533 * 1.4826 * median(np.abs(stack - middle), axis=0) / math.sqrt(len(stack))
        trust = middle**2 / (middle**2 + (2 * scatter) ** 2 + (1e-6 * kernel.max()) ** 2)
        fade = np.clip((2.5 * fwhm - distance) / fwhm, 0, 1)
        kernel[reach - r : reach + r + 1, reach - r : reach + r + 1] += middle * trust * fade
        kernel = np.maximum(kernel, 0)
    return _unit(kernel)
