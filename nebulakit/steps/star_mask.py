"""A mask of the stars."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np

from nebulakit.declare import About, step
from nebulakit.image import Image, Notice
from nebulakit.quantity import Length, Level


@step(gives="mask", makes="line")
def star_mask(
    image: Image,
    *,
    reach: Annotated[
        Length,
        About(
            "how far beyond its own visible rim every star is covered",
            0,
            50,
            raise_when="rims of stars stick out of the mask",
            lower_when="the mask covers too much of the nebula",
        ),
    ] = Length(0.5, "fwhm"),
    feather: Annotated[
        Length,
        About("width of the soft rim", 0, 50, raise_when="the mask's rim shows in the picture", lower_when="the mask is blurred"),
    ] = Length(0.5, "fwhm"),
    brighter_than: Annotated[
        Level,
        About(
            "only stars whose peak is above this level, mean of the channels",
            raise_when="faint stars should stay out of the mask",
            lower_when="stars are missing in the mask",
        ),
    ] = Level(0, "sigma"),
) -> Image:
    """Make a mask that is 1 on the stars, out to where their light sinks into the noise, and 0 elsewhere.

    The stars are those the layer knows (a starless layer still knows them), or they are found on it. Each is a disc of
    its own radius, where its light falls under half of the noise, grown by ``reach``; the rim is feathered by a
    Gaussian outside the disc, so the star itself stays fully covered. Method: own.

    NaN is 0 in the mask. Where no star is known or found the mask is empty, and a notice says so.

    >>> import numpy as np
    >>> from nebulakit.pixels.facts import StarList
    >>> one = [np.array([v]) for v in (20.0, 12.0, 1.0, 0.5, 4.0)]
    >>> sky = Image.from_array(np.zeros((40, 40)), stars=StarList(*one, np.array([False])), fwhm=3.0)
    >>> mask = star_mask(sky, reach="0 px", feather="0 px", brighter_than=-1)
    >>> mask.planes[0, 12, [15, 16, 20, 24, 25]].tolist()
    [0.0, 1.0, 1.0, 1.0, 0.0]
    """
    from nebulakit.pixels import masks, morphology

    known = image.measured("stars")
    if "fwhm" in (reach.unit, feather.unit):
        known = known.measured("fwhm")
    stars, notices = known.stars, []
    if stars is None or not len(stars):
        notices.append(Notice("no-stars-found", "No stars are known or found here, so the star mask is empty."))
        plane, count = np.zeros(image.shape, np.float32), 0
    else:
        chosen = _above(known, brighter_than)
        count = int(chosen.sum())
        soft = _px(feather, known)
        # the feather lies outside: blurred discs would uncover the stars
        radius = stars.radius[chosen] + _px(reach, known)
        plane = morphology.star_discs(image.shape, stars.x[chosen], stars.y[chosen], radius + soft)
        if soft > 0:
            plane = np.clip(masks.feathered(plane, soft / 2), 0, 1)
            plane = np.maximum(plane, morphology.star_discs(image.shape, stars.x[chosen], stars.y[chosen], radius))
    plane = np.where(np.isfinite(image.planes).all(0), plane, np.float32(0))
    return known.as_mask(plane).noted(*notices, stars_covered=count, share=round(float(plane.mean()), 5))


def _px(length: Length, image: Image) -> float:
    """Give a length in px; none is none, whatever its unit."""
    return length.px(image) if length.number else 0.0


def _above(image: Image, level: Level) -> np.ndarray:
    """Tell which stars have a peak above a level, on the pixels of this layer."""
    from nebulakit.pixels.morphology import dilated, disc

    assert image.stars is not None
    if level.unit == "sigma" and level.number == 0:
        return np.ones(len(image.stars), bool)
    h, w = image.shape
    bright = dilated(np.nan_to_num(image.planes, nan=-math.inf).mean(0, dtype=np.float32), disc(1))
    y, x = (np.clip(np.rint(v).astype(int), 0, n - 1) for v, n in ((image.stars.y, h), (image.stars.x, w)))
    return np.asarray(bright[y, x] > float(np.mean(level.value(image))))
