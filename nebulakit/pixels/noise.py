"""The noise of a stack: per channel, per starlet scale, and how it varies with coverage."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise

SCALES = 6


def measure_noise(planes: npt.NDArray[np.float32], coverage: npt.NDArray[np.float32] | None = None) -> Noise:
    """Measure the noise of planes (channel, y, x); NaN is left out."""
    sigma, scales = [], []
    for plane in planes:
        good = np.isfinite(plane)
        filled = np.where(good, plane, np.float32(np.median(plane[good])))
        w1 = starlet.transform(filled, 1)[0][0][good]
        s = 1.4826 * float(np.median(np.abs(w1)))
        sigma.append(s / 0.8908)
        scales.append(tuple(float(v) for v in s / 0.8908 * starlet.white_sigmas(SCALES)))
    return Noise(tuple(sigma), tuple(scales), None)
