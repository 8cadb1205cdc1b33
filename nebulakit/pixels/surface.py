"""Skyglow: the level of the sky and smooth surfaces fitted to it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Noise


def sky_level(planes: npt.NDArray[np.float32], noise: Noise, coverage: npt.NDArray[np.float32] | None = None) -> tuple[float, ...]:
    """Give the level of the empty sky per channel: PLACEHOLDER to be replaced."""
    return tuple(float(np.nanpercentile(p, 25)) for p in planes)
