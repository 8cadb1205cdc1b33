"""The starlet (isotropic undecimated wavelet) transform with the B3 spline.

Source: Starck, Fadili & Murtagh 2007, IEEE TIP 16:297; Starck & Murtagh 2006, Astronomical Image and Data Analysis.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

B3 = np.array([1, 4, 6, 4, 1], np.float64) / 16


def smooth(plane: npt.NDArray[np.float32], scale: int) -> npt.NDArray[np.float32]:
    """Smooth a (y, x) plane once by the B3 spline with 2**(scale-1) - 1 zeros between the taps; mirror borders.

    >>> float(smooth(np.ones((9, 9), np.float32), 2).max())
    1.0
    """
    import cv2

    gap = 2 ** (scale - 1)
    taps = np.zeros(4 * gap + 1, np.float32)
    taps[::gap] = B3
    return cv2.sepFilter2D(plane, -1, taps, taps, borderType=cv2.BORDER_REFLECT_101)  # type: ignore[return-value]


def transform(plane: npt.NDArray[np.float32], scales: int) -> tuple[list[npt.NDArray[np.float32]], npt.NDArray[np.float32]]:
    """Give ([w_1..w_J], c_J) of a (y, x) plane without NaN; their sum is the plane again."""
    planes, rest = [], plane
    for w, rest in descend(plane, scales):  # noqa: B007
        planes.append(w)
    return planes, rest


def descend(plane: npt.NDArray[np.float32], scales: int) -> Iterator[tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]]:
    """Give (w_j, c_j) for j = 1..J one after the other, so that no more than two planes are held."""
    for j in range(1, scales + 1):
        coarse = smooth(plane, j)
        yield plane - coarse, coarse
        plane = coarse


def white_sigmas(scales: int) -> npt.NDArray[np.float64]:
    """Give the standard deviation of w_1..w_J of unit white noise in two dimensions, exactly, from the filter alone.

    >>> white_sigmas(3).round(7).tolist()
    [0.8907963, 0.2006639, 0.0855075]
    """
    out = []
    finer = np.ones(1)
    for j in range(1, scales + 1):
        taps = np.zeros(4 * 2 ** (j - 1) + 1)
        taps[:: 2 ** (j - 1)] = B3
        coarser = np.convolve(finer, taps)
        padded = np.pad(finer, (len(coarser) - len(finer)) // 2)
        out.append(np.sqrt((finer @ finer) ** 2 - 2 * (padded @ coarser) ** 2 + (coarser @ coarser) ** 2))
        finer = coarser
    return np.array(out)
