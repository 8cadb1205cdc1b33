"""Making every star smaller about its own middle.

An erosion (Serra 1982) that knows where each star's middle is: the value at a radius becomes the one further out, by the share of
the radius that makes the star as much smaller as was asked for. ``plan`` says what becomes of each star. On a layer of stars
(``layer``) each has a profile of its own (``profiles``). In a picture (``picture``) large stars are taken by their rings and
apart from what lies on them, and around small ones the pixels move.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.shrinking.layer import layer_reduced
from nebulakit.pixels.shrinking.picture import picture_reduced
from nebulakit.pixels.shrinking.plan import FADE, FOOTPRINT, SMALLEST, Shrinking, decide_reduce

__all__ = ["FADE", "FOOTPRINT", "SMALLEST", "Shrinking", "apply_reduce", "decide_reduce"]

Planes = npt.NDArray[np.float32]


def apply_reduce(planes: Planes, plan: Shrinking, alone: bool) -> Planes:
    """Make the stars of a picture (channel, y, x) smaller about their middles; outside their footprints not a bit changes.

    ``alone``: a layer of stars, of which every pixel is dimmed by one factor for all channels, so that its colour stays. In a
    picture that holds for the cores only; around them the pixels themselves move inwards, so that what comes free has the
    colour and the grain of the nebula.
    """
    if not len(plan.x):
        return planes.copy()
    return layer_reduced(planes, plan) if alone else picture_reduced(planes, plan)
