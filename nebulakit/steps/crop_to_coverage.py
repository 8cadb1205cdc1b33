"""The step that keeps the well-covered part of a stack."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.pixels.geometry import shift_matrix
from nebulakit.quantity import Position, Share


@step(reads="any", gives="same", resizes=True)
def crop_to_coverage(
    image: Image,
    *,
    keep: Annotated[
        Share | Literal["auto"],
        About(
            "Coverage that every pixel kept must have, as a share of the best; auto weighs area against coverage.",
            0.01,
            1,
            raise_when="the rim of the picture is noisier than its middle",
            lower_when="too much of the field is cut off",
        ),
    ] = Share(85, "%"),
    aspect: Annotated[
        tuple[float, float] | None,
        About("Shape of the rectangle, width and height, such as [3, 2]; none: whatever is largest.", 0.01, 1000),
    ] = None,
    centre: Annotated[
        Position | Literal["nebula"] | None,
        About("What shall lie in the middle: a position, or the nebula (the middle of its light); none: whatever is largest."),
    ] = None,
    map_counts: Annotated[
        Literal["auto", "frames", "rejections", "variance"],
        About(
            "What the coverage map counts: frames (more is better), rejections or variance (less is better); auto asks the noise.",
            look=False,
        ),
    ] = "auto",
    rim: Annotated[
        Share,
        About(
            "Left around the rectangle, as a share of its shorter side, for steps that should see what lies just outside; "
            "`crop: {box: inside}` takes it off.",
            0,
            0.25,
            raise_when="dots or glows are left at the edges by stars that are cut through",
            lower_when="time counts more than the edges",
        ),
    ] = Share(0, "%"),
) -> Image:
    """Keep the largest rectangle in which coverage is good enough everywhere.

    Field rotation and dither leave a stack with fewer frames, so with more noise, towards its edges. With a coverage map
    the rectangle is found exactly (Vandevoorde 1998), and no pixel of it lies below ``keep``; the best coverage is the
    map's maximum unless only a few odd pixels reach it. Whether the map counts frames or rejections is found from the
    local noise. Without a map coverage is estimated from the noise itself, which falls with more frames and follows the
    level of the sky: within some 10 % of the area, less surely where the sky was already subtracted or uneven, or where
    several fields were joined. An empty border is never kept. On display data without a map only that is cut off. A ``rim``
    is as wide as asked for, but on each side only as far as every pixel has a value and a
    sixth of the best coverage.

    NaN counts as not covered. Raises StepError where nothing is covered well enough, or the centre is not.

    >>> cover = np.ones((40, 60)); cover[:, :20] = 0.5
    >>> crop_to_coverage(np.zeros((3, 40, 60)), coverage=cover).shape
    (3, 40, 40)
    """
    from nebulakit.pixels.cropping import decide_crop
    from nebulakit.pixels.rectangle import widened

    place = _place(image, centre)
    wanted = None if isinstance(keep, str) else keep.fraction
    shape = None if aspect is None else aspect[0] / aspect[1]
    found = decide_crop(
        image.planes, image.coverage, keep=wanted, aspect=shape, centre=place, counts=map_counts, linear=image.scale == "linear"
    )
    box = found.box
    notices = [Notice(name, text) for name, text in found.doubts]
    share = box.area / (image.shape[0] * image.shape[1])
    if share < 0.5:
        lower = f"; a lower keep than {found.keep:.0%} leaves more, with a noisier rim" if found.source != "border" else ""
        notices.append(
            Notice("little-field-left", f"the crop leaves {share:.0%} of the field ({box.width}x{box.height} px){lower}")
        )
    inner = box
    if rim.number:
        box = widened(box, round(rim.fraction * min(box.height, box.width)), found.there)
    cover = None if found.coverage is None else np.ascontiguousarray(box.cut(found.coverage))
    moved = image.rearranged(box.cut, shift_matrix(box.x0, box.y0), coverage=cover)
    if box != inner:
        left, top = image.frame.to_stack(inner.x0 - 0.5, inner.y0 - 0.5)
        right, bottom = image.frame.to_stack(inner.x0 + inner.width - 0.5, inner.y0 + inner.height - 0.5)
        moved = moved.replace(frame=dataclasses.replace(moved.frame, inside=(left, top, right, bottom)))
    return moved.noted(
        *notices,
        keep=str(Share(round(100 * found.keep, 4), "%")),
        box=list(moved.frame.bounding_box(moved.shape)),
        field_share=round(share, 4),
        coverage_from=found.source,
        **({"centre_px": [round(place[0], 2), round(place[1], 2)]} if place else {}),
        **found.record,
    )


def _place(image: Image, centre: Position | str | None) -> tuple[float, float] | None:
    """Give the pixel that shall be the middle."""
    if centre is None:
        return None
    if isinstance(centre, Position):
        return centre.pixel(image)
    from nebulakit.pixels.cropping import nebula_centre

    found = nebula_centre(image.planes, image.covered())
    if found is None:
        raise StepError("no nebula stands out of the sky far enough to be put into the middle; give the centre as a position")
    return found
