"""Parting stars and nebula."""

from __future__ import annotations

import math
from functools import partial
from typing import Annotated, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Length, Position


class Spot(BaseModel):
    """A round place: its middle and its radius."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    at: Position
    radius: Length


class Separated(NamedTuple):
    """What ``separate_stars`` gives: the nebula, the stars, and a mask of all that was touched."""

    nebula: Image
    stars: Image
    filled: Image


@step()
def separate_stars(
    image: Image,
    *,
    halos: Annotated[
        Literal["stars", "nebula", "dropped"],
        About(
            "whose the wide halos and reflections of bright stars are: stars (taken out with them), nebula (left where they "
            "are), or dropped (in neither layer: the stars come back without them)",
            look=True,
        ),
    ] = "stars",
    add: Annotated[
        tuple[Spot, ...],
        About(
            "places to fill as if a star stood there, each {at: [41.2%, 63.0%], radius: 3 fwhm}; for what was missed",
            example=[{"at": ["41.2%", "63%"], "radius": "3 fwhm"}],
        ),
    ] = (),
    spare: Annotated[
        tuple[Spot, ...],
        About(
            "places where nothing is a star, each {at: [41.2%, 63.0%], radius: 3 fwhm}; for knots and planetary cores",
            example=[{"at": ["41.2%", "63%"], "radius": "3 fwhm"}],
        ),
    ] = (),
    seed: Annotated[int, About("start of the random numbers for the grain of what is filled in", 0, look=False)] = 1,
) -> Separated:
    """Part the picture into nebula and stars, so that each can be worked on alone.

    Stars are subtracted, not painted over: what shines through them stays. All are fitted together, each with its own
    height, place and small deviations from the law that the stars of a channel share; the wings and halos of that law
    are learned from the brightest, and so are diffraction spikes, thin or smeared by a field that turned, where three bright
    stars or more agree about them (`spikes_deg` is recorded: between which angles, from the x axis towards y). Stars
    that were all trailed alike are told as round ones drawn out (`trailed`, their length over their width, and `trailed_deg`).
    Channels tell of each other: wings and flanks are read where a mixture of channels shows hardly a nebula, and a star's height in
    one channel follows from the others as far as the colours of clear stars do
    (close pairs and stars of strange colours are taken as they are). Only where nothing is seen behind a star (cut-off or
    very bright cores) the nebula is told from around it, with noise like the neighbours' on top. Where halos are not
    dropped, nebula and stars add up to what came in, to the last bit (under a sky many sigma below zero, to half the last
    bit of the larger of the two); outside `filled` no bit of the nebula differs from it.

    In a stretched picture light does not add up, but every star still tells how it was stretched: in light all stars have
    one law, and noise is nearly even. Where bright and faint stars and the noise agree on one rising curve for each channel,
    or on one of the brightness that gave one factor for all channels to keep hues (`curve_of`), the picture is parted in
    its light, and what is told is stretched by that curve again (`parted_in` is recorded as light). Where they do not
    (fewer than 12 stars that stand alone; hues kept and highlights rolled off by the brightest channel, as `stretch_asinh`
    does; strong local tone or noise reduction), no law holds (`parted_in`: levels; what was tried before is recorded as
    `given_up`): each star is followed
    outward until its rings fall no more, and what lies behind is told from around that disc, within the range of the levels
    there; wide halos then stay partly visible. Either way the stars are what the picture's levels are above the nebula's, and
    `add_stars` sums them. Better still, part stars before any stretch.

    Sources: Anderson & King 2000, PASP 112:1360 (an empirical law for all stars); Stetson 1987, PASP 99:191 (fitting
    crowded stars together); Alard & Lupton 1998, ApJ 503:325 (deviations as a small kernel); Saydjari & Finkbeiner
    2022, ApJ 933:155, and Rybicki & Press 1992, ApJ 398:169 (what lies behind, from the covariance around); from memory:
    Bunclark & Irwin 1983, ESA SP-201:195, and Matsushita & Lin 2007, CVPR (a curve from images of stars, and from noise).

    NaN stays NaN in nebula and stars, is 0 in ``filled``, and holds no star. Fails (StepError) where every pixel is NaN. It is at its limits where
    stars are narrower than 1.8 px, where they fill the picture (clusters, globulars), and for halos wider than a fifth
    of the frame, which are left to the nebula. Behind the core of a giant on a bright, uneven nebula a level can be off by
    half a percent of the star's flank. Stars may be out of focus, or in haze, as long as they are round or drawn out alike: bright ones
    with a tail to one side (coma) leave a part of it. Not for photometry.

    >>> import numpy as np
    >>> y, x = np.mgrid[0:96, 0:96]
    >>> sky = np.random.default_rng(1).normal(0.1, 0.001, (96, 96))
    >>> star = 0.3 * np.exp(-((y - 40.3) ** 2 + (x - 50.6) ** 2) / 4)
    >>> nebula, stars, filled = separate_stars((sky + star).astype(np.float32))
    >>> bool((nebula + stars == (sky + star).astype(np.float32)).all()), bool(nebula.max() < 0.11), bool(stars.max() > 0.25)
    (True, True, True)
    """
    import numpy as np

    from nebulakit.pixels.stars.separate import separate, separate_shown

    if image.content == "mask":
        raise StepError("separate_stars: a mask holds no stars; give it the picture itself.")
    if not np.isfinite(image.planes).any():
        raise StepError("separate_stars: every pixel is NaN (no data); there is nothing to part.")
    known = image.measured("noise", "white", "stars", "psf", "fwhm")
    assert known.noise is not None
    where = [[(*s.at.pixel(known), s.radius.px(known)) for s in spots] for spots in (add, spare)]
    facts = (known.planes, known.noise, known.coverage)
    linear, shown = partial(separate, *facts, known.white, known.stars), partial(separate_shown, *facts, known.fwhm)
    part = shown if known.scale == "display" else linear
    parted = part(halos=halos, add=where[0], spare=where[1], seed=seed)
    notices = []
    if not parted.found.x.size and not add:
        notices.append(
            Notice("no-stars", "No stars were found, so the nebula is the picture itself. Have they been taken out already?")
        )
    if known.fwhm is not None and known.fwhm < 1.8 and len(parted.found):
        notices.append(
            Notice(
                "stars-too-narrow",
                f"The stars are only {known.fwhm:.1f} px wide (FWHM): hot pixels look like them, and their cores cannot be told well. "
                "Look at the nebula layer closely.",
            )
        )
    record = dict(parted.record)
    if known.white is not None:
        record["white"] = [float(v) for v in known.white]
    if known.fwhm is not None and math.isfinite(known.fwhm):
        record["fwhm"] = float(known.fwhm)
    nebula = known.replace(parted.nebula, content="starless", stars=parted.found).noted(*notices, **record)
    white = known.white
    if white is not None and known.sky is not None and known.scale == "linear":
        white = tuple(w - s for w, s in zip(white, known.sky, strict=True))
    stars = known.replace(
        parted.stars,
        content="stars",
        sky=(0.0,) * len(known.channels),
        white=white,
        stars=parted.found,
        by_levels=known.scale == "display",
    )
    filled = known.replace(
        parted.touched[None].astype(np.float32),
        channels=("mask",),
        content="mask",
        sky=None,
        noise=None,
        white=None,
        stars=parted.found,
    )
    return Separated(nebula, stars, filled)
