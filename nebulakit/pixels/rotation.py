"""Turn a picture by any angle: interpolation by cubic splines, and what that does to the noise."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, Psf
from nebulakit.pixels.geometry import blur_of
from nebulakit.pixels.parallel import over

Floats = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.floating[Any]]

_BAND = 64  # rows that are looked up at once


def rotation(shape: tuple[int, int], degrees: float, whole: bool) -> tuple[Matrix, tuple[int, int]]:
    """Give the matrix (new pixel to old) of a clockwise turn about the middle, and the shape of the result.

    ``whole``: large enough for all of the picture; else of the same shape.
    """
    h, w = shape
    a = math.radians(degrees)
    c, s = math.cos(a), math.sin(a)
    # a hair less, so that rounding does not add an empty row
    around = (math.ceil(abs(w * s) + abs(h * c) - 1e-6), math.ceil(abs(w * c) + abs(h * s) - 1e-6))
    new = around if whole else shape
    turn = np.array([[c, s], [-s, c]])
    middle_old, middle_new = np.array([(w - 1) / 2, (h - 1) / 2]), np.array([(new[1] - 1) / 2, (new[0] - 1) / 2])
    return np.column_stack([turn, middle_old - turn @ middle_new]), new


def resample(planes: Floats, new_to_old: Matrix, shape: tuple[int, int], *, outside: float = math.nan) -> Floats:
    """Give planes (channel, y, x) at new pixels; ``outside`` where the old ones do not reach.

    Cubic splines (Unser 1999, IEEE Signal Process. Mag. 16:22) keep more of the detail than a cubic kernel of the same
    cost. A new pixel that draws on an empty one (NaN), or lies outside, is empty: the rim loses up to two pixels.
    """
    from scipy import ndimage as ndi

    from nebulakit.pixels import splines

    matrix = np.asarray(new_to_old, np.float64)
    out = np.empty((len(planes), *shape), np.float32)
    for plane, turned in zip(planes, out, strict=True):
        holes = ~np.isfinite(plane)
        if not holes.any():
            holes = np.zeros((0, 0), bool)
        knots = ndi.spline_filter(_without_holes(plane, holes), 3, np.float32, mode="mirror")
        bands = [slice(y, y + _BAND) for y in range(0, shape[0], _BAND)]
        over(lambda b, k=knots, g=holes, t=turned: splines.look_up(k, g, matrix, b.start, np.float32(outside), t[b]), bands)  # type: ignore[misc]
    return out


def _without_holes(plane: Floats, holes: npt.NDArray[np.bool_]) -> Floats:
    """Give the mean of the surroundings where holes are: what stands there must not ring into them."""
    import cv2

    if not holes.size:
        return plane
    there = (~holes).astype(np.float32)
    known = np.where(holes, np.float32(0), plane)
    weight = cv2.blur(there, (9, 9), borderType=cv2.BORDER_REFLECT)
    mean = cv2.blur(known, (9, 9), borderType=cv2.BORDER_REFLECT) / np.maximum(weight, np.float32(1e-6))
    far = np.float32(np.median(plane[~holes][::7])) if there.any() else np.float32(0)
    return np.where(holes, np.where(weight > 1e-3, mean, far), known)


def resample_map(plane: Floats, new_to_old: Matrix, shape: tuple[int, int], outside: float) -> Floats:
    """Give a smooth map (y, x) at new pixels, linearly between four old ones; ``outside`` where the old ones do not reach.

    NaN counts as ``outside``.
    """
    from scipy import ndimage as ndi

    # scipy counts (y, x)
    matrix = np.asarray(new_to_old)[::-1]
    known = np.nan_to_num(plane, nan=outside)
    out: Floats = ndi.affine_transform(known, matrix[:, 1::-1], matrix[:, 2], shape, np.float32, order=1, mode="nearest")
    y, x = np.arange(shape[0], dtype=np.float32)[:, None], np.arange(shape[1], dtype=np.float32)
    for row, size in zip(matrix, plane.shape, strict=True):
        at = np.float32(row[0]) * x + np.float32(row[1]) * y + np.float32(row[2])
        out[(at < -0.5) | (at > size - 0.5)] = outside
    return out


def turn_noise(noise: Noise, new_to_old: Matrix, shape: tuple[int, int]) -> Noise:
    """Give the noise after the turn: interpolation averages neighbours, so it falls, most at the finest scale.

    By how much is measured on made noise of the same correlation, which goes through the same interpolation.
    """
    from scipy import ndimage as ndi

    turn = np.asarray(new_to_old)[:, :2]
    size = 384
    middle = np.full(2, (size - 1) / 2)
    # the place between pixels varies all over a turned picture; so it does here
    matrix = np.column_stack([turn, middle - turn @ middle])
    sigma, scales = [], []
    for s, row in zip(noise.sigma, noise.scales, strict=True):
        drawn = np.random.default_rng(0).standard_normal((size, size)).astype(np.float32)
        width = blur_of(row[1] / row[0]) if len(row) > 1 and row[0] > 0 else 0.0
        drawn = ndi.gaussian_filter(drawn, width, mode="wrap") if width > 0 else drawn
        turned = resample(drawn[None], matrix, (size, size))[0]
        part = np.s_[size // 4 : -(size // 4), size // 4 : -(size // 4)]
        sigma.append(s * float(turned[part].std() / drawn[part].std()))
        count = len(row)
        before, after = (starlet.transform(np.nan_to_num(p), min(count, 3))[0] for p in (drawn, turned))
        change = [float(a[part].std() / b[part].std()) for a, b in zip(after, before, strict=True)]
        # coarse scales pass unchanged
        scales.append(tuple(v * (change[j] if j < len(change) else 1.0) for j, v in enumerate(row)))
    map_ = None if noise.map is None else resample_map(noise.map, new_to_old, shape, 1.0)
    return Noise(tuple(sigma), tuple(scales), map_)


def rotate_psf(psf: Psf, degrees: float) -> Psf:
    """Give the PSF after a clockwise turn (as seen, first row on top)."""
    matrix, _ = rotation(psf.kernel.shape, degrees, False)
    kernel = resample(psf.kernel[None], matrix, psf.kernel.shape, outside=0.0)[0]
    return dataclasses.replace(psf, kernel=kernel / kernel.sum(), angle=(psf.angle + degrees) % 180)


def north_angle(wcs: Any, shape: tuple[int, int]) -> tuple[float, bool]:
    """Give the clockwise turn that brings north to the top, and whether the picture is mirrored (east would be right)."""
    h, w = shape
    x, y = (w - 1) / 2, (h - 1) / 2
    ra, dec = (float(v) for v in wcs.all_pix2world([[x, y]], 0)[0])
    step = 1 / 3600
    north = wcs.all_world2pix([[ra, dec + step]], 0, quiet=True)[0] - [x, y]
    east = wcs.all_world2pix([[ra + step / max(math.cos(math.radians(dec)), 1e-6), dec]], 0, quiet=True)[0] - [x, y]
    # up is -y; the turn takes the direction of north there
    angle = math.degrees(math.atan2(-float(north[0]), -float(north[1])))
    turned = math.radians(angle)
    right = math.cos(turned) * float(east[0]) - math.sin(turned) * float(east[1])
    return angle, right > 0
