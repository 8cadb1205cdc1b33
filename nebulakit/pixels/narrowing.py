"""From one star image to a narrower one: the image to aim at, and filters that lead there as far as the blur left anything.

Source of the idea to aim at a narrower star instead of a point: Magain, Courbin & Sohy 1998, ApJ 494:472. Regularisation:
Wiener 1949, towards identity instead of nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Psf
from nebulakit.pixels.psf import fit_moffat, moffat_fwhm, moffat_kernel

Plane = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Transfer = npt.NDArray[np.complex128]

RIPPLE = 1e-3  # of a star's peak: what its image may rise outwards; narrower stars than this allows are not aimed at
NARROWER = 0.97  # the PSF is taken this much narrower: a star narrower than assumed would get a dark ring, a wider one none
FILTER_REACH = 8.0  # fwhm: at 6 the boldest filter, cut off, would give a star 1 % more light than it has; at 8 0.1 %
# fwhm, from within which light is drawn in, and how suddenly that ends: by 1 and 2 stars over 4.4 px drew some in from beyond
# 8 px, by 0.8 and 2 gas won less; from 2.5 on the image of a much narrower star would rise outwards by more than RIPPLE
DRAWN_IN, SUDDEN = 0.91, 2.4
RIPPLE_WEAK = 0.2  # the same, in units of the share of a frequency that a filter takes for seen
BAREST = 1.3  # px: a filter made for a narrower kernel than this would see it between the pixels
# px from the middle of a pixel: there a law fits a narrow star as wide as the median star, within 0.2 % of the median over all
# places on a pixel; on its middle it fits it up to 8 % wider, on a corner up to a quarter narrower
ASIDE = (0.125, 0.375)


def narrow_kernel(psf: Psf, fwhm: float) -> Plane:
    """Give the star image to be reached: the law of ``psf`` with its light moved inwards, its far wings where they were.

    The radius that holds a given share of the light shrinks by the ratio of the widths in the core and not at all beyond
    about two star widths. The new image is therefore positive, falls outwards (``RIPPLE`` apart), keeps the flux of every
    wider aperture, and is round.
    """
    r = psf.kernel.shape[0] // 2
    over_sampling = 3
    n = (2 * r + 1) * over_sampling
    line = (np.arange(n) - (n - 1) / 2) / over_sampling
    y, x = line[:, None], line[None]
    turn = math.radians(psf.angle)
    along, across = math.cos(turn) * x + math.sin(turn) * y, math.cos(turn) * y - math.sin(turn) * x
    # round within, as oval as it was without
    ratio = (1 - psf.ellipticity) ** (0.5 * (1 - np.exp(-(x * x + y * y) / (DRAWN_IN * psf.fwhm) ** 2)))
    radius = np.hypot(along * ratio, across / ratio)
    alpha = psf.fwhm / moffat_fwhm(1.0, psf.beta)
    pull = psf.fwhm / fwhm - 1
    outwards = (radius / (DRAWN_IN * psf.fwhm)) ** SUDDEN
    fade = np.exp(-outwards)
    moved = radius * (1 + pull * fade)
    narrower = (1 + pull * fade) * np.maximum(1 + pull * fade * (1 - SUDDEN * outwards), 0)
    density = (1 + (moved / alpha) ** 2) ** -psf.beta * narrower
    kernel = density.reshape(2 * r + 1, over_sampling, 2 * r + 1, over_sampling).mean((1, 3))
    return np.asarray(kernel / kernel.sum(), np.float32)


def aim_for(
    psf: Psf, taken: Psf, transfers: tuple[Transfer, Transfer, Transfer], fwhm: float, least: float, halvings: int = 9
) -> float | None:
    """Give the width for which to make the filter that brings stars to ``fwhm`` px, or as near as they stay smooth.

    The filter stops short of what it is made for, the more so the larger ``least`` is: the width is chosen so that the one
    wished for comes out (found by ``halvings`` of the range). A filter for weak signal may leave ripples as far under the
    noise as one for strong signal. None where no filter does.
    """
    now, true, aside = transfers
    both = true + 1j * aside  # filters are real: so is what they make of the one, and what of the other is imaginary
    low, high = min(max(0.36 * psf.fwhm, BAREST), 0.9 * psf.fwhm), psf.fwhm
    best = None
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        made = _image(both + bring_to(taken, now, middle, least) * both, psf.kernel.shape[0] // 2)
        if _law(made.imag, psf.fwhm, 15)[0] < fwhm or _ripple(made.real) > max(RIPPLE, RIPPLE_WEAK * least):
            low = middle
        else:
            high = best = middle
    return best


def bring_to(taken: Psf, now: Transfer, fwhm: float | None, least: float) -> Transfer:
    """Give the filter, minus identity, that is made for stars of ``fwhm`` px out of ``taken``; None: the one that does nothing."""
    if fwhm is None:
        return 0 * now
    return _difference(now, transfer_of(narrow_kernel(taken, fwhm), now.shape[0]), least)


def reached(psf: Psf, transfer: Transfer, aside: Transfer) -> Psf:
    """Give the star image whose transform is ``transfer``, and as wide as it is ``aside`` the middle of a pixel."""
    r = psf.kernel.shape[0] // 2
    kernel = np.maximum(_image(transfer, r).real, 0)
    fwhm, beta = _law(_image(aside, r).real, psf.fwhm, 40)
    made = np.asarray(kernel / kernel.sum(), np.float32)
    return replace(psf, kernel=made, fwhm=fwhm, beta=beta, ellipticity=0.0, angle=0.0, varies=None)


def cut_filter(change: Transfer, psf: Psf) -> Plane:
    """Cut the filter to the reach of the star image, fading at its rim, and make it sum to exactly nothing."""
    n = change.shape[0]
    r = min(n // 2 - 1, math.ceil(FILTER_REACH * psf.fwhm))
    kernel = np.fft.fftshift(np.fft.ifft2(change).real)[n // 2 - r : n // 2 + r + 1, n // 2 - r : n // 2 + r + 1]
    y, x = np.mgrid[-r : r + 1, -r : r + 1]
    window = np.clip((r + 1 - np.hypot(x, y)) / (0.15 * r), 0, 1)
    kernel = kernel * window
    soft = np.exp(-(x**2 + y**2) / (2 * psf.fwhm**2)) * window
    return np.asarray(kernel - kernel.sum() * soft / soft.sum(), np.float32)


def narrowed(kernel: Plane, factor: float) -> Plane:
    """Shrink a kernel about its middle."""
    import cv2

    middle = kernel.shape[0] // 2
    back = np.array([[1 / factor, 0, middle - middle / factor], [0, 1 / factor, middle - middle / factor]])
    how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out = np.maximum(cv2.warpAffine(kernel, back, kernel.shape, flags=how, borderMode=cv2.BORDER_REPLICATE), 0)
    return np.asarray(out / out.sum(), np.float32)


def set_aside(psf: Psf) -> Plane:
    """Draw a star image where stars usually fall, beside the middle of a pixel."""
    import cv2

    r = psf.kernel.shape[0] // 2
    law, moved = (moffat_kernel(psf.fwhm, psf.beta, r, psf.ellipticity, psf.angle, at) for at in ((0.0, 0.0), ASIDE))
    move = np.array([[1, 0, ASIDE[0]], [0, 1, ASIDE[1]]])
    # the law is drawn anew; what is left of the kernel is little, and what a shift does to it does not widen the star
    return moved + cv2.warpAffine(psf.kernel - law, move, law.shape, flags=cv2.INTER_CUBIC)


def transfer_of(kernel: Plane, n: int) -> Transfer:
    """Give the Fourier transform of a centred kernel of sum 1 on an n x n grid."""
    size = kernel.shape[0]
    grid = np.zeros((n, n))
    grid[:size, :size] = kernel
    out = np.fft.fft2(np.roll(grid, (-(size // 2), -(size // 2)), (0, 1)))
    return np.asarray(out / out[0, 0].real)


def _difference(now: Transfer, wanted: Transfer, least: float) -> Transfer:
    """Give the filter that turns ``now`` into ``wanted``, minus identity; it fades where ``now`` has less than ``least`` left."""
    return (wanted - now) * np.conj(now) / (np.abs(now) ** 2 + least**2)


def _image(transfer: Transfer, radius: int) -> Transfer:
    """Give the kernel whose transform this is, out to ``radius``; as complex numbers."""
    n = transfer.shape[0] // 2
    return np.fft.fftshift(np.fft.ifft2(transfer))[n - radius : n + radius + 1, n - radius : n + radius + 1]


def _ripple(kernel: Array) -> float:
    """Tell how far a star image rises outwards or dips under 0, as a share of its peak."""
    r = kernel.shape[0] // 2
    y, x = np.mgrid[-r : r + 1, -r : r + 1]
    ring = np.rint(np.hypot(x, y)).astype(int).ravel()
    profile = np.bincount(ring, kernel.ravel())[: r + 1] / np.bincount(ring)[: r + 1]
    return max(float(np.diff(profile).max()), -float(profile.min())) / float(profile[0])


def _law(kernel: Array, fwhm: float, rounds: int) -> tuple[float, float]:
    """Give width and beta of the law that fits best within two widths of a star set aside; ``fwhm`` is the largest it may have."""
    r = kernel.shape[0] // 2
    inner = min(r, max(4, math.ceil(2 * fwhm)))
    stamp = kernel[r - inner : r + inner + 1, r - inner : r + inner + 1]
    law = fit_moffat(stamp[None], np.array([ASIDE]), 0.7 * fwhm, rounds)[0]
    beta = math.exp(float(law[6]))
    return moffat_fwhm(1.0, beta) / max(float(law[3] * law[5] - law[4] ** 2), 1e-12) ** 0.25, beta
