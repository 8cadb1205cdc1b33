"""Masks from levels, and masks from masks."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Length, Level


@step(gives="mask")
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
    notices: list[Notice] = []
    sigma = feather.number
    if sigma > 0:
        wide = known.measured("fwhm") if feather.unit == "fwhm" and known.content == "scene" else known
        if feather.unit == "fwhm" and wide.fwhm is None:
            wide = wide.replace(fwhm=3.0)
            notices.append(
                Notice(
                    "fwhm-assumed",
                    f"The width of the stars is not known here, so {feather} was taken with 3 px. Tell it with --fwhm.",
                )
            )
        sigma = feather.px(wide)
    plane = masks.feathered(masks.between(image.planes, low, high), sigma)
    share = float(plane[plane == plane].mean()) if not (plane != plane).all() else 0.0
    return _as_mask(image, plane).noted(*notices, lower_level=low, upper_level=high, share_covered=share)


@step(gives="mask", takes="line")
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

    if b is None and how != "not":
        raise StepError(f"combine_masks: 'how: {how}' needs a second mask, b. Name it, or use 'how: not'.")
    if b is not None and len(b.channels) != 1:
        raise StepError(f"combine_masks: b is no mask but has {len(b.channels)} channels ({', '.join(b.channels)}).")
    same_size("combine_masks", a=a, b=b)
    plane = masks.combined(a.planes[0], None if b is None else b.planes[0], how)
    return _as_mask(a, plane.clip(0, 1))


def _mean(level: Level, image: Image) -> float:
    return math.fsum(level.value(image)) / len(image.channels)


def _as_mask(image: Image, plane: object) -> Image:
    """Give a mask that lies where the image lies."""
    return image.replace(plane[None], channels=("mask",), content="mask", sky=None, noise=None, white=None)  # type: ignore[index]
