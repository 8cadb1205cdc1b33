"""How far the two lines stand out of the noise, in the nebula's core and in its outer shell."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.balance import SURE, box_levels, box_noise
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.glow.gradient import TYPICAL

Planes = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

CORE = 0.01  # of the frame: its brightest part
SHELL = 0.25  # of what shines: its dimmest part


class Signal(NamedTuple):
    """Signal over noise of an area as wide and high as a star: one value per line, H-alpha first; ``share`` of the frame shines."""

    core: tuple[float, ...]
    shell: tuple[float, ...]
    share: float


def line_signals(planes: Planes, noise: Noise, stars: Mask, fwhm: float) -> Signal | None:
    """Measure both lines of red, green and blue (or the one line of one plane) without sky and gradient; None where nothing shines.

    The core is the hundredth of the frame that is brightest in each line, the outer shell the dimmest quarter of what stands
    3 noises out by the light of both lines, over boxes two stars wide; of each the middle is told. Lines are parted by the response that
    cameras have on average: for telling how deep a stack is, not for measuring. ``stars`` (y, x): pixels that are left out.
    """
    side = max(2, round(2 * fwhm))
    levels = np.stack([box_levels(np.where(stars, np.float32(np.nan), p), side) for p in planes])
    sigma = np.maximum([box_noise(noise, c, side) for c in range(len(planes))], 1e-30)
    response = TYPICAL if len(planes) == 3 else np.ones((len(planes), 1))
    weighed = response / sigma[:, None]
    covariance = np.linalg.inv(weighed.T @ weighed)
    lines = np.tensordot(covariance @ weighed.T / sigma, levels, 1)
    ratio = lines / np.sqrt(np.diag(covariance))[:, None, None]
    seen = np.isfinite(ratio).all(0)
    if seen.sum() < 25:
        return None
    ratio = ratio[:, seen]
    total = np.maximum(ratio, 0).sum(0) / np.sqrt(len(ratio))
    order = np.argsort(-total, kind="stable")
    shining = int((total > SURE).sum())
    if shining < max(5, 0.002 * len(total)):
        return None
    bright = max(3, round(CORE * len(order)))
    dim = order[shining - max(3, round(SHELL * shining)) : shining]
    # a box holds (side / fwhm)^2 stars' areas, and their noise averages out
    one = fwhm / side
    return Signal(
        tuple(float(v) for v in np.median(np.sort(ratio, axis=1)[:, -bright:], axis=1) * one),
        tuple(float(v) for v in np.median(ratio[:, dim], axis=1) * one),
        shining / len(total),
    )
