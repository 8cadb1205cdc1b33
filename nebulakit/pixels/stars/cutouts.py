"""Where stars lie and how high they are, told from small cut-outs around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.maxima import BETA, CHUNK

Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]


def _cutouts(plane: Plane, x: Floats, y: Floats, half: int) -> tuple[npt.NDArray[np.float32], Floats, Floats]:
    """Give (n, 2 half + 1, 2 half + 1) pixels around the stars, and their distances dx, dy from each; edges are repeated."""
    h, w = plane.shape
    span = np.arange(-half, half + 1)
    cy, cx = np.rint(y).astype(int), np.rint(x).astype(int)
    rows, cols = np.clip(cy[:, None] + span, 0, h - 1), np.clip(cx[:, None] + span, 0, w - 1)
    return (
        plane[rows[:, :, None], cols[:, None, :]],
        (cx - x)[:, None, None] + span[None, None, :],
        (cy - y)[:, None, None] + span[None, :, None],
    )


def centroids(light: Plane, x: Floats, y: Floats, width: Floats) -> tuple[Floats, Floats]:
    """Refine positions by centroids under a Gaussian window of the star's own width, above the ring around."""
    x, y = x.copy(), y.copy()
    for half, chosen in _by_size(np.ceil(2.5 * width + 1.5).astype(int)):
        for part in np.array_split(chosen, -(-len(chosen) // CHUNK)):
            stamp, dx, dy = _cutouts(light, x[part], y[part], half + 2)
            span = np.arange(-half - 2, half + 3)
            ground = median(stamp[:, np.hypot(span[:, None], span) > half + 0.5], axis=1)
            above = stamp - ground[:, None, None]
            ox, oy = np.zeros(len(part)), np.zeros(len(part))
            for _ in range(8):
                ux, uy = dx - ox[:, None, None], dy - oy[:, None, None]
                window = np.exp(-(ux**2 + uy**2) / (2 * width[part][:, None, None] ** 2))
                weight = (window * above).sum((1, 2))
                sure = weight > 0
                scale = np.where(sure, 2 / np.where(sure, weight, 1), 0)
                ox = np.clip(ox + scale * (window * above * ux).sum((1, 2)), -2, 2)
                oy = np.clip(oy + scale * (window * above * uy).sum((1, 2)), -2, 2)
            x[part] += ox
            y[part] += oy
    return x, y


def _by_size(half: npt.NDArray[np.int_]) -> list[tuple[int, npt.NDArray[np.intp]]]:
    """Group stars by the size of their cut-outs."""
    return [(int(v), np.nonzero(half == v)[0]) for v in np.unique(half)]


def peaks_at(planes: Planes, bad: npt.NDArray[np.bool_], x: Floats, y: Floats, r_sat: Floats, fwhm: float) -> Floats:
    """Give (channel, n) heights of the stars above their surroundings: a Moffat star and a level fitted to each.

    For a cut-off star only the flank outside the plateau is used, so its height is an extrapolation.
    """
    out = np.zeros((len(planes), len(x)))
    alpha2 = fwhm**2 / (4 * (2 ** (1 / BETA) - 1))
    inner = np.where(r_sat > 0, r_sat + 1.0, 0)
    outer = inner + 1.5 * fwhm + 1
    for half, chosen in _by_size(np.ceil(outer).astype(int)):
        for part in np.array_split(chosen, -(-len(chosen) // CHUNK)):
            for c, plane in enumerate(planes):
                stamp, dx, dy = _cutouts(plane, x[part], y[part], half)
                hidden = _cutouts(bad.view(np.uint8), x[part], y[part], half)[0] > 0
                r2 = dx**2 + dy**2
                use = ((r2 <= outer[part][:, None, None] ** 2) & (r2 >= inner[part][:, None, None] ** 2) & ~hidden).astype(
                    np.float64
                )
                star = (1 + r2 / alpha2) ** -BETA
                value = np.where(use > 0, stamp, 0).astype(np.float64)
                n, s, ss = use.sum((1, 2)), (use * star).sum((1, 2)), (use * star * star).sum((1, 2))
                v, sv = value.sum((1, 2)), (value * star).sum((1, 2))
                det = n * ss - s * s
                out[c, part] = np.where(det > 1e-12 * np.maximum(n * ss, 1e-300), (n * sv - s * v) / np.where(det > 0, det, 1), 0)
    return out
