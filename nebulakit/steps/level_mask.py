"""Masks from levels and shapes, and masks from masks."""

from __future__ import annotations

import math
from collections.abc import Set
from typing import Annotated, Any, Literal

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Angle, Extent, Length, Level, Position, Share, extent_px, in_px


def _upside_down(params: Any, images: Set[str]) -> tuple[str, str] | None:
    above, below = params.above, params.below
    if below is None or below.unit != above.unit or below.number > above.number:
        return None
    return "below", f"below ({below}) is not above the lower level ({above}), so nothing lies between them."


@step(gives="mask", refuses=_upside_down)
def level_mask(
    image: Image,
    *,
    above: Annotated[
        Level,
        About(
            "level from which on the mask is 1",
            raise_when="the mask takes in too much of the faint parts or the sky's noise",
            lower_when="faint parts are left out",
        ),
    ] = Level(5, "sigma"),
    below: Annotated[
        Level | None,
        About(
            "level up to which the mask is 1; null: no upper limit",
            raise_when="bright parts are left out",
            lower_when="bright parts should be left out",
        ),
    ] = None,
    feather: Annotated[
        Length,
        About(
            "how softly the mask ends: the sigma of the Gaussian that blurs it",
            0,
            raise_when="edges of the mask show in the picture, or the mask is speckled by noise",
            lower_when="the mask spills over",
        ),
    ] = Length(1, "fwhm"),
) -> Image:
    """Make a mask of what is brighter than a level, or between two levels.

    1 where the mean of the channels reaches ``above`` (and stays under ``below``), else 0, then blurred by a Gaussian
    (own method, plain). In ``sigma`` the level is told above the sky in the noise of the linear stack, so it means the
    same before and after a stretch. Turn a mask round with `combine_masks: {how: not}`.

    NaN stays NaN and does not spread. Fails (StepError) where ``below`` is not above ``above``. Where the width of the
    stars is not known a feather in fwhm takes it as 3 px and says so.

    >>> import numpy as np
    >>> plane = np.zeros((40, 40), np.float32)
    >>> plane[:, 20:] = 1
    >>> [round(float(v), 2) for v in level_mask(plane, above=0.5, feather="3 px")[0, 9, 17:23]]
    [0.2, 0.31, 0.43, 0.57, 0.69, 0.8]
    """
    from nebulakit.pixels import masks

    known = image.measured("sky", "noise") if "sigma" in (above.unit, below.unit if below else "") else image
    low = _mean(above, known)
    high = None if below is None else _mean(below, known)
    if high is not None and high <= low:
        raise StepError(f"level_mask: below ({below}) is at {high:.6g}, not above the lower level ({above}) at {low:.6g}.")
    (soft,), notices = in_px(known, feather)
    plane = masks.feathered(masks.between(image.planes, low, high), soft)
    share = float(plane[plane == plane].mean()) if not (plane != plane).all() else 0.0
    return image.as_mask(plane).noted(*notices, lower_level=low, upper_level=high, share_covered=share)


def _lacks_b(params: Any, images: Set[str]) -> tuple[str, str] | None:
    if "b" in images or params.how == "not":
        return None
    return "how", f"'how: {params.how}' needs a second mask, b. Name it, or use 'how: not'."


@step(gives="mask", takes="line", refuses=_lacks_b)
def combine_masks(
    a: Image,
    b: Image | None = None,
    *,
    how: Annotated[
        Literal["and", "or", "without", "not"],
        About(
            "and: where both are; or: where either is; without: the first where the second is not; not: where none of them is",
            example="not",
        ),
    ],
) -> Image:
    """Combine two masks, or turn one round.

    Soft edges stay soft: *and* takes the smaller of both values, *or* the larger, *without* the smaller of the first and
    one less the second, *not* one less the larger, or less the only one (Zadeh 1965, Information and Control 8:338). Works on any plane of
    values 0 to 1.

    NaN in either stays NaN. Fails (StepError) where the second mask is missing, has another size or several planes.

    >>> import numpy as np
    >>> one, two = np.float32([[0, 0.4, 1]]), np.float32([[1, 0.7, 0.2]])
    >>> [combine_masks(one, two, how=h).round(1).ravel().tolist() for h in ("and", "or", "without", "not")]
    [[0.0, 0.4..., 0.2...], [1.0, 0.69..., 1.0], [0.0, 0.3..., 0.8...], [0.0, 0.3..., 0.0]]
    """
    from nebulakit.pixels import masks

    same_size("combine_masks", a=a, b=b)
    plane = masks.combined(a.planes[0], None if b is None else b.planes[0], how)
    return a.as_mask(plane.clip(0, 1))


def _lacks_points(params: Any, images: Set[str]) -> tuple[str, str] | None:
    points, n = params.points, len(params.points)
    if params.shape == "polygon" and n < 3:
        return "points", f"a polygon needs at least three points, found {n}. Give points: [[x, y], ...]."
    if params.shape == "ramp" and n != 2:
        return "points", f"a ramp needs two points, its start and its end, found {n}. Give points: [[x, y], [x, y]]."
    if params.shape == "ramp" and points[0] == points[1]:
        return "points", "a ramp needs two points, its start and its end, but both are the same."
    return None


@step(gives="mask", refuses=_lacks_points)
def region_mask(
    image: Image,
    *,
    shape: Annotated[
        Literal["ellipse", "polygon", "ramp"],
        About(
            "ellipse: `radius` (and `across`) round `at`; polygon: its corners are `points`; ramp: from 0 at the first of two `points` to 1 at the second"
        ),
    ] = "ellipse",
    at: Annotated[Position, About("centre of the ellipse: % of the uncropped stack, px of it, or RA and Dec")] = Position(
        50, 50, "%"
    ),
    radius: Annotated[
        Extent,
        About(
            "radius of the ellipse, in % of the uncropped stack's width, fwhm, px or arcsec",
            0,
            raise_when="more should lie in the mask",
            lower_when="less should lie in the mask",
        ),
    ] = Share(25, "%"),
    across: Annotated[Extent | None, About("second radius of the ellipse, square to the first; null: a circle", 0)] = None,
    angle: Annotated[
        Angle, About("direction of the first radius in the uncropped stack, from the right turning down", -360, 360)
    ] = Angle(0, "deg"),
    points: Annotated[tuple[Position, ...], About("corners of the polygon, or start and end of the ramp")] = (),
    feather: Annotated[
        Length,
        About(
            "how softly the mask ends: the sigma of the Gaussian that blurs it",
            0,
            raise_when="the edge of the mask shows in the picture",
            lower_when="the mask spills over",
        ),
    ] = Length(4, "fwhm"),
) -> Image:
    """Make a mask of a shape: an ellipse, a polygon, or a ramp across the picture.

    Places are told in % of the uncropped stack (from the left, from the top, as seen), in its pixels or as RA and Dec, so that
    they stay on the same nebula when the crop changes. The shape is 1 inside and 0 outside, blurred by a Gaussian; a ramp
    rises smoothly (3t^2 - 2t^3) and is not blurred. Own method, plain geometry.

    NaN of the image stays NaN. Fails (StepError) on a polygon of fewer than three points and a ramp without two, and on
    units that need a star width or a sky position that is not there; a feather in fwhm takes 3 px for it and says so.

    >>> import numpy as np
    >>> mask = region_mask(np.zeros((60, 80)), radius="25%", feather="0 px")
    >>> float(mask.sum()), [round(float(v)) for v in mask[0, 30, (18, 22, 57, 62)]]
    (1264.0, [0, 1, 1, 0])
    """
    import numpy as np

    from nebulakit.pixels import masks

    places = [p.pixel(image) for p in points]
    notices: list[Notice] = []
    if shape == "ellipse":
        sizes = [extent_px(e, image) for e in (radius, radius if across is None else across)]
        turned = angle.turned(image)
        plane = masks.ellipse(image.shape, at.pixel(image), (sizes[0], sizes[1]), turned)
    elif shape == "polygon":
        plane = masks.polygon(image.shape, places)
    else:
        if places[0] == places[1]:
            raise StepError("region_mask: a ramp needs two points, its start and its end, but both are the same.")
        plane = masks.ramp(image.shape, places[0], places[1])
    if shape != "ramp":
        (soft,), notices = in_px(image, feather)
        plane = masks.feathered(plane, soft)
    plane = np.where(np.isnan(image.planes).any(0), np.float32(np.nan), plane)
    return image.as_mask(plane).noted(*notices)


def _mean(level: Level, image: Image) -> float:
    return math.fsum(level.value(image)) / len(image.channels)
