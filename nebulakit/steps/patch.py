"""Filling what does not belong: trails, dust rings, reflections."""

from __future__ import annotations

from collections.abc import Set
from typing import Annotated, Any, Literal, NamedTuple

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.pixels.facts import Noise
from nebulakit.quantity import Angle, Extent, Length, Position, extent_px


class Patched(NamedTuple):
    """What ``patch`` gives: the picture, and a mask of what was filled."""

    image: Image
    filled: Image


def _nowhere(params: Any, images: Set[str]) -> tuple[str, str] | None:
    if "where" in images:
        return None
    if params.shape == "ellipse":
        told = "where the ellipse lies is not told. Give at: [41.2%, 63.0%], or a mask with where: NAME."
        return ("at", told) if params.at is None else None
    least, found = 2 if params.shape == "line" else 3, len(params.points)
    told = f"a {params.shape} needs at least {least} points, found {found}. Give points: [[10%, 20%], [80%, 35%]], "
    return ("points", told + "or a mask with where: NAME.") if found < least else None


@step(refuses=_nowhere)
def patch(
    image: Image,
    where: Image | None = None,
    *,
    shape: Annotated[
        Literal["line", "ellipse", "polygon"],
        About(
            "line: a trail along `points`, as wide as `width`; ellipse: `radius` (and `across`, `inner`) round `at`; polygon: its corners are `points`"
        ),
    ] = "line",
    points: Annotated[
        tuple[Position, ...],
        About(
            "points along the trail, or corners of the polygon: % of the uncropped stack, px of it, or RA and Dec",
            look=False,
            example=[["10%", "20%"], ["80%", "35%"]],
        ),
    ] = (),
    width: Annotated[
        Length,
        About("how wide the trail is", 0, raise_when="edges of the trail are left", lower_when="more than the trail is filled"),
    ] = Length(4, "fwhm"),
    at: Annotated[
        Position | None, About("centre of the ellipse: % of the uncropped stack, px of it, or RA and Dec", look=False)
    ] = None,
    radius: Annotated[
        Extent,
        About(
            "radius of the ellipse, in % of the uncropped stack's width, fwhm, px or arcsec",
            0,
            raise_when="the edge of the spot is left",
            lower_when="more than the spot is filled",
        ),
    ] = Length(5, "fwhm"),
    across: Annotated[Extent | None, About("second radius of the ellipse, square to the first; null: a circle", 0)] = None,
    inner: Annotated[
        Extent | None, About("radius inside of which nothing is filled, for the ring of a dust grain; null: all is filled", 0)
    ] = None,
    angle: Annotated[
        Angle, About("direction of the first radius in the uncropped stack, from the right turning down", -360, 360)
    ] = Angle(0, "deg"),
    seed: Annotated[int, About("start of the random numbers for the grain of what is filled in", 0, look=False)] = 1,
) -> Patched:
    """Fill a trail, a dust ring or a reflection from around it, and mark what was filled.

    Filled as lost cores of stars are: the likeliest light, told from the rim, with noise like the neighbours' on top; no
    structure is invented, so a wide patch is smooth. Every other pixel keeps its bits. The place is a shape, or with
    `where` any mask (from half on, without the shape). It is found in the picture as shown; before the stars are parted
    is the best place for the step. Do not use it on what you want to measure.

    Sources: Rybicki & Press 1992, ApJ 398:169; Saydjari & Finkbeiner 2022, ApJ 933:155 (what lies behind, from the
    covariance around).

    NaN stays NaN and is not asked. Fails (StepError) where no place is told, it lies outside of the picture, or it takes
    more than three quarters of it. Where the width of the stars is not known the light is taken as blurred by 3 px.

    >>> import numpy as np
    >>> sky = np.random.default_rng(1).normal(0.1, 0.001, (96, 96)).astype(np.float32)
    >>> trail = sky + np.float32(0.05) * (abs(np.arange(96) - 40) < 3)
    >>> out, filled = patch(trail, points=[["40 px", "0 px"], ["40 px", "95 px"]], width="8 px")
    >>> bool(out.max() < 0.106), float(filled.sum()) / 96, bool((out[filled == 0] == trail[None][filled == 0]).all())
    (True, 9.0, True)
    """
    import numpy as np

    from nebulakit.pixels import masks, patching

    if where is not None:
        same_size("patch", image=image, where=where)
        hole = np.nan_to_num(where.planes).max(0) >= 0.5
    elif shape == "ellipse":
        assert at is not None
        turned, middle = angle.turned(image), at.pixel(image)
        long, short = (extent_px(e, image) for e in (radius, radius if across is None else across))
        hole = masks.ellipse(image.shape, middle, (long, short), turned) > 0
        if inner is not None:
            share = extent_px(inner, image) / max(long, 1e-6)
            hole &= masks.ellipse(image.shape, middle, (long * share, short * share), turned) == 0
    else:
        places = [p.pixel(image) for p in points]
        if shape == "line":
            known = image.measured("fwhm") if width.unit == "fwhm" and image.content == "scene" else image
            hole = masks.band(image.shape, places, width.px(known) / 2) > 0
        else:
            hole = masks.polygon(image.shape, places) > 0
    there = np.isfinite(image.planes).all(0)
    hole &= there
    share = float(hole.sum() / max(there.sum(), 1))
    if not hole.any():
        raise StepError(
            "patch: the place lies outside of the picture, or there is nothing there. Places are of the uncropped stack; "
            "the report shows the position under the pointer."
        )
    if share > 0.75:
        raise StepError(f"patch: the place takes {share:.0%} of the picture; what is told from around it would be invented.")
    known = image.measured("noise") if image.content != "mask" else image
    notices = []
    if share > 0.05:
        notices.append(Notice("large-patch", f"{share:.1%} of the picture is filled in. Say so where you show it."))
    noise = known.noise if known.noise is not None else Noise((0.0,), ((0.0,) * 3,))
    planes = patching.fill(image.planes, hole, noise, image.fwhm or 3.0, seed)
    if image.scale == "display" or image.content == "mask":
        planes = np.clip(planes, 0, 1, out=planes)
    out = image.replace(planes).noted(*notices, pixels_filled=int(hole.sum()), share_filled=share)
    return Patched(out, image.as_mask(hole.astype(np.float32)))
