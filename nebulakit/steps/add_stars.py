"""Putting the stars back."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from nebulakit.declare import About, same_size, step
from nebulakit.image import Image, Notice
from nebulakit.quantity import Share


@step()
def add_stars(
    image: Image,
    stars: Image,
    *,
    brightness: Annotated[
        Share,
        About(
            "share of the stars' light that is added",
            0,
            2,
            raise_when="the stars look pale against the nebula",
            lower_when="the stars outshine the nebula",
        ),
    ] = Share(100, "%"),
) -> Image:
    """Put the stars back: as a sum of light on linear layers, by screening on stretched ones.

    Screen, 1 - (1 - nebula)(1 - stars), never clips and leaves a picture without stars as it is. Stars that `separate_stars`
    took out of a picture that was stretched already are differences of levels: these are summed, up to white, so that with
    nothing changed the picture comes back. Only a layer of the same run is known for such; from a file it is screened, and a notice says so.
    A grey star layer is laid on all channels. The result knows the nebula's sky and noise, and the stars' list, width and PSF.

    NaN in the nebula stays NaN; NaN among the stars is no star. Raises StepError where the layers differ in size or
    scale, or where coloured stars meet a single channel. Source: the screen blend mode, ISO 32000-1, 11.3.5.

    >>> import numpy as np
    >>> shown = add_stars(np.float32([[0.4, 0.2]]), np.float32([[0.5, 0.0]]), scale="display")
    >>> [round(float(v), 3) for v in shown[0, 0]]
    [0.7, 0.2]
    """
    same_size("add_stars", image=image, stars=stars)
    light = np.nan_to_num(stars.planes) * np.float32(brightness.fraction)
    screened = image.scale == "display" and not stars.by_levels
    if screened:
        light = np.clip(light, 0, 1)
        planes = image.planes + light * (1 - image.planes)
    else:
        planes = image.planes + light
        if image.scale == "display":
            np.clip(planes, 0, 1, out=planes)  # NaN stays
    out = image.replace(
        planes,
        content="mask" if image.content == "mask" else "scene",
        stars=stars.stars if stars.stars is not None else image.stars,
        fwhm=stars.fwhm if stars.fwhm is not None else image.fwhm,
        psf=stars.psf,
        sky=_sky(image, stars, brightness.fraction, screened),
        white=image.white if image.white is not None else stars.white,
    )
    if not screened or stars.content == "stars":
        return out
    text = (
        "of this layer of stars it is not known whether they were parted before or after the stretch; they were screened, as is right for "
        "the first. If they were taken out of a stretched picture, lay them on with  - blend: {mode: add, opacity: 100%}"
    )
    return out.noted(Notice("stars-of-unknown-origin", text))


def _sky(image: Image, stars: Image, share: float, screened: bool) -> tuple[float, ...] | None:
    """Give the level of the sky in the sum."""
    if image.sky is None or stars.sky is None:
        return image.sky
    more = stars.sky if len(stars.sky) == len(image.sky) else stars.sky * len(image.sky)
    left = [1 - a if screened else 1.0 for a in image.sky]
    return tuple(a + share * b * k for a, b, k in zip(image.sky, more, left, strict=True))
