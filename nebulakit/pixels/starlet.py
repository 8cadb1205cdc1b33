"""The starlet (isotropic undecimated wavelet) transform with the B3 spline.

Source: Starck, Fadili & Murtagh 2007, IEEE TIP 16:297; Starck & Murtagh 2006, Astronomical Image and Data Analysis.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over

Plane = npt.NDArray[np.float32]

B3 = np.array([1, 4, 6, 4, 1], np.float64) / 16

_ROWS = 128  # rows worked on at once, so that they stay in the processor's cache
_LONGEST = 6  # filter2D skips the zeros between the taps, but leaves that way for kernels longer than this scale's


def smooth(plane: Plane, scale: int) -> Plane:
    """Smooth a (y, x) plane once by the B3 spline with 2**(scale-1) - 1 zeros between the taps; mirror borders.

    The plane holds no NaN (see :func:`fill_gaps`).

    >>> float(smooth(np.ones((9, 9), np.float32), 2).max())
    1.0
    """
    import cv2

    gap, (height, width) = 2 ** (scale - 1), plane.shape
    reach = 2 * gap
    taps = np.zeros(4 * gap + 1, np.float32)
    taps[::gap] = B3
    out = np.empty_like(plane)

    def narrow(y: int) -> None:
        n = min(step, height - y)
        top = max(0, y - reach)
        part = plane[top : min(height, y + n + reach)]
        if scale == 1:
            out[y : y + n] = cv2.sepFilter2D(part, -1, taps, taps, borderType=cv2.BORDER_REFLECT_101)[y - top : y - top + n]
            return
        down = cv2.filter2D(part, -1, taps[:, None], borderType=cv2.BORDER_REFLECT_101)[y - top : y - top + n]
        out[y : y + n] = cv2.filter2D(down, -1, taps[None], borderType=cv2.BORDER_REFLECT_101)

    def wide(y: int) -> None:
        n = min(step, height - y)
        down = framed[y + gap : y + gap + n] + framed[y + 3 * gap : y + 3 * gap + n]
        down *= 4
        down += framed[y : y + n]
        down += framed[y + 4 * gap : y + 4 * gap + n]
        down += 6 * framed[y + reach : y + reach + n]
        across = down[:, gap : gap + width] + down[:, 3 * gap : 3 * gap + width]
        across *= 4
        across += down[:, :width]
        across += down[:, 4 * gap :]
        across += 6 * down[:, reach : reach + width]
        np.multiply(across, np.float32(1 / 256), out=out[y : y + n])

    if scale <= _LONGEST:
        step = max(_ROWS, 2 * reach, _ROWS * 1024 // width)
        over(narrow, range(0, height, step))
    else:
        step = _ROWS // 4
        framed = cv2.copyMakeBorder(plane, reach, reach, reach, reach, cv2.BORDER_REFLECT_101)
        over(wide, range(0, height, step))
    return out


def transform(plane: Plane, scales: int) -> tuple[list[Plane], Plane]:
    """Give ([w_1..w_J], c_J) of a (y, x) plane without NaN; their sum is the plane again."""
    planes, rest = [], plane
    for w, rest in descend(plane, scales):  # noqa: B007
        planes.append(w)
    return planes, rest


def descend(plane: Plane, scales: int) -> Iterator[tuple[Plane, Plane]]:
    """Give (w_j, c_j) for j = 1..J one after the other, so that no more than two planes are held."""
    for j in range(1, scales + 1):
        coarse = smooth(plane, j)
        yield plane - coarse, coarse
        plane = coarse


def fill_gaps(plane: Plane) -> tuple[Plane, npt.NDArray[np.bool_] | None]:
    """Give a plane without NaN and where it had values (None: everywhere), so that filters can cross the gaps.

    Gaps take the mean of what lies around them, from the finest of a pyramid of halved planes that reaches them
    ("pull-push", Gortler et al. 1996). This is for filters only: no picture shows it. A plane of nothing becomes 0.
    """
    good = np.isfinite(plane)
    if good.all():
        return plane, None
    import cv2

    value, weight = np.where(good, plane, np.float32(0)), good.astype(np.float32)
    levels = [(value, weight)]
    while min(weight.shape) > 1 and weight.min() == 0:
        half = (max(1, weight.shape[1] // 2), max(1, weight.shape[0] // 2))
        small = cv2.resize(weight, half, interpolation=cv2.INTER_AREA)
        mean = cv2.resize(value * weight, half, interpolation=cv2.INTER_AREA) / np.maximum(small, np.float32(1e-12))
        value, weight = np.where(small > 0, mean, np.float32(0)), (small > 0).astype(np.float32)
        levels.append((value, weight))
    known = levels[-1][1] > 0
    value = np.where(known, levels[-1][0], levels[-1][0][known].mean() if known.any() else np.float32(0)).astype(np.float32)
    for finer, weight in reversed(levels[:-1]):
        up = cv2.resize(value, weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
        value = np.where(weight > 0, finer, up)
    return value, good


def white_sigmas(scales: int) -> npt.NDArray[np.float64]:
    """Give the standard deviation of w_1..w_J of unit white noise in two dimensions, exactly, from the filter alone.

    >>> white_sigmas(3).round(7).tolist()
    [0.8907963, 0.2006639, 0.0855075]
    """
    return kernel_sigmas(np.ones(1), scales)[0]


def kernel_sigmas(kernel: npt.NDArray[np.float64], scales: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Give the standard deviations of w_1..w_J and of c_0..c_J for white noise filtered by ``kernel`` along both axes.

    ``kernel`` is one-dimensional, symmetric, of odd length; the unfiltered noise has standard deviation 1.
    """
    fine, coarse = [], []
    finer = kernel
    for j in range(1, scales + 1):
        taps = np.zeros(4 * 2 ** (j - 1) + 1)
        taps[:: 2 ** (j - 1)] = B3
        coarser = np.convolve(finer, taps)
        padded = np.pad(finer, (len(coarser) - len(finer)) // 2)
        fine.append(np.sqrt(max(0.0, (finer @ finer) ** 2 - 2 * (padded @ coarser) ** 2 + (coarser @ coarser) ** 2)))
        coarse.append(finer @ finer)
        finer = coarser
    coarse.append(finer @ finer)
    return np.array(fine), np.array(coarse)
