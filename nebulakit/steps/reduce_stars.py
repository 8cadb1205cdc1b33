"""Smaller and fewer stars."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Share


@step(reads="display")
def reduce_stars(
    image: Image,
    *,
    size: Annotated[
        Share,
        About(
            "width of the stars afterwards, as a share of what it is; no star is made narrower than 1.6 px",
            0.3,
            1,
            raise_when="the stars look like pinpricks",
            lower_when="the stars still draw the eye from the nebula",
        ),
    ] = Share(80, "%"),
    number: Annotated[
        Share,
        About(
            "share of the stars that stay; the faintest go first, those on the brink are dimmed",
            0,
            1,
            raise_when="the sky looks empty",
            lower_when="a carpet of faint stars lies over the nebula",
        ),
    ] = Share(100, "%"),
) -> Image:
    """Make stars smaller about their own middles, and leave out the faintest, in their own colours and without rings.

    On a layer of stars, or on a whole picture inside the stars' footprints only; all else keeps every bit. Every star,
    cut-off and blown-up ones as well, becomes narrower by the same share: the value at a radius becomes the one further
    out (an erosion that knows where the middle is), so brightness still falls everywhere and nothing dark can appear. On a star
    layer each star's profile is told apart from its neighbours', and one factor dims all channels of a pixel. In a picture the
    surroundings move in behind the star, with their own colour and grain. Stars are those of the star list; on a star layer
    also peaks that the list left out.

    Source: erosion of stars, Serra 1982; the radial form is our own; profiles by simultaneous reconstruction, Gilbert 1972.
    Where nothing is (NaN, no coverage, in a picture also black corners that end in a step) nothing changes, and stars beside
    it shrink as if they were whole.
    Raises StepError on a layer without stars. It fails where two stars are one peak and the list holds one: they shrink as one.

    >>> import numpy as np
    >>> y, x = np.mgrid[-20:21, -20:21]
    >>> star = 0.9 * np.exp(-(x**2 + y**2) / 18).astype(np.float32)
    >>> layer = Image.from_array(star, scale="display", content="stars")
    >>> small = reduce_stars(layer, size="70%").planes
    >>> (star > 0.45).sum().item(), (small > 0.45).sum().item(), round(float(small.max()), 2)
    (37, 21, 0.9)
    """
    from nebulakit.pixels import shrinking

    if image.content == "starless":
        raise StepError(
            "reduce_stars: this layer has no stars; name the star layer or a picture that holds stars, for example `from: stars`."
        )
    alone = image.content == "stars"
    seen = (image if alone else _without_black(image)).measured("stars")
    plan = shrinking.decide_reduce(seen.planes, seen.stars, size.fraction, number.fraction, alone, ~seen.covered())
    known = seen.replace(image.planes)
    if not len(plan.x):
        return known.noted(
            Notice("no-stars-found", "No stars were found here, so none was made smaller. Is this the star layer?"),
            stars_reduced=0,
        )
    out = shrinking.apply_reduce(known.planes, plan, alone)
    bright = plan.width[plan.peak >= np.median(plan.peak)]
    ratio = float(np.median(plan.scale[plan.peak >= np.median(plan.peak)]))
    fwhm = None if known.fwhm is None else max(known.fwhm * ratio, min(known.fwhm, shrinking.SMALLEST))
    return known.replace(out, fwhm=fwhm, psf=None).noted(
        stars_reduced=int((plan.scale < 1).sum()),
        stars_faded=int((plan.light < 0.5).sum()),
        shown_width=[round(float(np.median(bright)), 3), round(float(np.median(bright)) * ratio, 3)],
    )


def _without_black(image: Image) -> Image:
    """Give a picture with nothing in its black corners: their edges would be measured as stars, and as noise."""
    from nebulakit.pixels.borders import black_border

    black = black_border(image.planes)
    if black is None:
        return image
    return image.replace(np.where(black, np.float32(np.nan), image.planes), stars=None, noise=None)
