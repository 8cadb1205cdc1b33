"""Laying one layer over another."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.quantity import Share


@step()
def blend(
    image: Image,
    other: Image,
    *,
    mode: Annotated[
        Literal["normal", "screen", "lighten", "darken", "add", "subtract", "multiply"],
        About(
            "how the other layer acts: in place of the image, as two lights on one screen, only where lighter or darker, or by plain sums"
        ),
    ] = "normal",
    opacity: Annotated[
        Share,
        About(
            "how much of the result is taken, the rest is the image as it was",
            0,
            1,
            raise_when="the other layer should act more",
            lower_when="the other layer should act less",
        ),
    ] = Share(50, "%"),
) -> Image:
    """Lay another layer over the image.

    The result is (1 - opacity) image + opacity mode(image, other), channel by channel; another layer of one plane acts on
    every channel. On display layers the result is kept within 0..1. Where the blending should act only in places, give
    the step a mask. Source: ISO 32000-1, 11.3.5 (screen, lighten, darken, multiply).

    NaN in either is NaN in the result. Fails (StepError) on layers of different size, scale or channels, and for
    screen and multiply on linear data, where 1 is no white.

    >>> import numpy as np
    >>> one, two = np.full((2, 2), 0.4), np.full((2, 2), 0.5)
    >>> round(float(blend(one, two, mode="screen", opacity=1, scale="display")[0, 0, 0]), 3)
    0.7
    """
    from nebulakit.pixels import curves

    same_size("blend", image=image, other=other)
    n, m = len(image.channels), len(other.channels)
    if mode in ("screen", "multiply") and image.scale == "linear" and image.content != "mask":
        raise StepError(
            f"blend: {mode} needs stretched data, where 1 is white, but the image is linear. Stretch both layers, or use mode: add."
        )
    limit = image.scale == "display" or image.content == "mask"
    share = opacity.fraction
    planes = curves.blended(image.planes, other.planes, mode, share, limit)
    facts: dict[str, Any] = {"sky": None, "noise": None, "white": None}
    if image.sky is not None and other.sky is not None:
        above = other.sky if m == n else other.sky * n
        pair = [np.array(v, np.float32)[:, None, None] for v in (image.sky, above)]
        facts["sky"] = tuple(float(v) for v in curves.blended(pair[0], pair[1], mode, share, limit)[:, 0, 0])
        if image.noise is not None and other.noise is not None:
            matrix = np.zeros((n, n + m))
            for c in range(n):
                matrix[c, c], matrix[c, n + (c if m == n else 0)] = curves.mode_slopes(mode, image.sky[c], above[c], share)
            facts["noise"] = curves.noise_of_both(image.noise, other.noise).mixed(matrix)
    if image.content != other.content and "mask" not in (image.content, other.content):
        facts["content"] = "scene"
    for fact in ("fwhm", "psf", "stars", "coverage"):
        if getattr(image, fact) is None:
            facts[fact] = getattr(other, fact)
    return image.replace(planes, **facts)
