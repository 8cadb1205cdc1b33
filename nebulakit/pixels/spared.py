"""What sharpening must leave alone: stars that are cut off, what is sharper than any star, and places where nothing is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Psf

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

WIDEST = 120  # px: how far the light of a cut-off star is followed


@dataclass(frozen=True)
class Spared:
    """What is kept from the filters: ``closed`` (y, x) 0..1, and the cut-off stars (x, y, radius of the core) with their light."""

    closed: Plane
    cores: tuple[tuple[float, float, float], ...] = ()
    fwhm: float = 3.0


def spare(
    planes: Planes, sigma: Sequence[float], psfs: Sequence[Psf | None], levels: Sequence[float] | None, fwhm: float
) -> Spared | None:
    """Find in planes (channel, y, x) what must not be sharpened; ``levels`` are those above which a channel counts as cut off."""
    import cv2

    odd = defects(planes, sigma, psfs)
    closed = None if odd is None else _grown(odd, 1.5, 1.0)
    cores: tuple[tuple[float, float, float], ...] = ()
    if levels is not None:
        above = (planes >= np.asarray(levels, np.float32)[:, None, None]).any(0)
        if above.any():
            near = _grown(np.asarray(above), 2.0 * fwhm, 1.0 * fwhm)
            closed = near if closed is None else np.maximum(closed, near)
            count, _, box, middle = cv2.connectedComponentsWithStats(np.asarray(above, np.uint8), connectivity=8)
            found = [(float(middle[i][0]), float(middle[i][1]), float(np.sqrt(box[i][4] / np.pi))) for i in range(1, count)]
            cores = tuple(sorted(found, key=lambda core: -core[2]))
    return None if closed is None else Spared(closed, cores, fwhm)


def _grown(mask: Mask, reach: float, feather: float) -> Plane:
    """Give 1 within ``reach`` px of a mask, falling to 0 over ``feather`` px."""
    import cv2

    distance = cv2.distanceTransform(np.asarray(~mask, np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    return np.asarray(np.clip(1 - (distance - reach) / feather, 0, 1), np.float32)


def defects(planes: Planes, sigma: Sequence[float], psfs: Sequence[Psf | None]) -> Mask | None:
    """Find what is sharper than any star can be (hot and dead pixels): a filter made for stars would ring round it."""
    import cv2

    ring = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], np.uint8)
    found = None
    for plane, noise, psf in zip(planes, sigma, psfs, strict=True):
        good = np.isfinite(plane)
        if psf is None or not good.any():
            continue
        middle = psf.kernel.shape[0] // 2
        # of the peak that the next pixel of a star has at least, with room for a doubtful PSF
        least = np.float32(0.55 * float(psf.kernel[middle, middle + 1]) / float(psf.kernel[middle, middle]))
        filled = plane if good.all() else np.where(good, plane, np.float32(np.median(plane[good])))
        base = np.asarray(cv2.medianBlur(filled, 5), np.float32)
        above = filled - base
        odd = (above > 12 * noise) & (np.asarray(cv2.dilate(filled, ring), np.float32) - base < least * above)
        odd |= (above < -12 * noise) & (np.asarray(cv2.erode(filled, ring), np.float32) - base > least * above)
        found = odd if found is None else found | odd
    return None if found is None or not found.any() else np.asarray(found)


def without(plane: Plane, spared: Spared | None) -> Plane:
    """Give a plane without the light of cut-off stars, bridged where it is closed or NaN."""
    weight = np.where(np.isfinite(plane), np.float32(1), np.float32(0))
    if spared is None:
        return plane if weight.all() else bridge(plane, weight)
    weight *= 1 - spared.closed
    rest = plane.copy()
    for core in spared.cores:
        _take_out(rest, core, spared.fwhm)
    return bridge(rest, weight)


def _take_out(plane: Plane, core: tuple[float, float, float], fwhm: float) -> None:
    """Subtract from ``plane`` the rings of a cut-off star, as far as they stand above what is around it."""
    from scipy.interpolate import PchipInterpolator

    x, y, inner = core
    h, w = plane.shape
    far = int(min(WIDEST, 12 * fwhm + 6 * inner))
    y0, y1, x0, x1 = max(round(y) - far, 0), min(round(y) + far + 1, h), max(round(x) - far, 0), min(round(x) + far + 1, w)
    cut = plane[y0:y1, x0:x1]
    distance = np.hypot(np.arange(x0, x1)[None] - x, np.arange(y0, y1)[:, None] - y)
    # rings half a pixel wide within, where the light falls steeply, and wider ones further out
    edges = np.concatenate([np.arange(inner, inner + 6, 0.5), np.arange(inner + 6, far + 1, 1.0)])
    ring = np.digitize(distance, edges)
    there = np.isfinite(cut) & (ring > 0) & (ring < len(edges))
    order = np.argsort(ring[there], kind="stable")
    which, first = np.unique(ring[there][order], return_index=True)
    if len(which) < 8:
        return
    profile = np.array([np.median(part) for part in np.split(cut[there][order], first[1:])])
    radius = np.array([part.mean() for part in np.split(distance[there][order], first[1:])])
    level = float(np.median(profile[-max(3, len(profile) // 6) :]))
    light = np.minimum.accumulate(np.maximum(profile - level, 0)) * np.clip((far - radius) / (0.2 * far), 0, 1)
    model = PchipInterpolator(radius, light)(np.clip(distance, radius[0], radius[-1]))
    cut -= np.where(distance < far, model, 0).astype(np.float32)


def bridge(plane: Plane, weight: Plane) -> Plane:
    """Fill a plane smoothly where ``weight`` is 0, by averages over ever wider neighbourhoods, and blend where it is between.

    >>> a = np.ones((8, 8), np.float32); a[3, 3] = np.nan
    >>> float(bridge(a, np.isfinite(a).astype(np.float32))[3, 3])
    1.0
    """
    import cv2

    known = np.where(weight > 0, plane, np.float32(0)).astype(np.float32)
    sums, weights = [known * weight], [weight.astype(np.float32)]
    while min(sums[-1].shape) > 2:
        sums.append(np.asarray(cv2.pyrDown(sums[-1]), np.float32))
        weights.append(np.asarray(cv2.pyrDown(weights[-1]), np.float32))
    filled = np.full_like(sums[-1], float(sums[-1].sum()) / max(float(weights[-1].sum()), 1e-12))
    for i in range(len(sums) - 1, -1, -1):
        s, w = sums[i], weights[i]
        coarse = filled if i == len(sums) - 1 else np.asarray(cv2.pyrUp(filled, dstsize=(s.shape[1], s.shape[0])), np.float32)
        # a level speaks as far as it has data of its own; beyond that the coarser one does
        trust = w if i == 0 else np.minimum(4 * w, 1)
        filled = trust * s / np.maximum(w, 1e-6) + (1 - trust) * coarse
    return filled
