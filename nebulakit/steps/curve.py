"""A curve of display levels."""

from __future__ import annotations

import math
from collections.abc import Set
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, Literal

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Planes
from nebulakit.quantity import Share

if TYPE_CHECKING:
    from nebulakit.pixels.colour import Array


def _complete(points: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    """Give the points with both ends."""
    found = list(points)
    if not found or found[0][0] > 0:
        found.insert(0, (0.0, 0.0))
    if found[-1][0] < 1:
        found.append((1.0, 1.0))
    return found


def _at_odds(params: Any, images: Set[str]) -> tuple[str, str] | None:
    """Say which of the points turns back, or that dark parts are lowered by their lightness alone."""
    if params.darkest != "kept" and params.of != "lightness":
        return (
            "darkest",
            f"darkest: {params.darkest} works on lightness, but of is {params.of}. Use of: lightness, or darkest: kept.",
        )
    for (x0, y0), (x1, y1) in pairwise(_complete(params.points)):
        if x1 <= x0 or y1 < y0:
            return (
                "points",
                f"the point [{x1:g}, {y1:g}] follows [{x0:g}, {y0:g}], but both numbers must rise from point to point.",
            )
    return None


@step(reads="display", refuses=_at_odds)
def curve(
    image: Image,
    *,
    points: Annotated[
        tuple[tuple[float, float], ...],
        About(
            "points [from, to] of the curve, levels 0 to 1, both rising; [0, 0] and [1, 1] are added where an end is missing",
            0,
            1,
            raise_when="these levels should be lighter (raise the second number)",
            lower_when="these levels should be darker",
        ),
    ] = ((0, 0), (0.15, 0.14), (0.5, 0.52), (0.8, 0.84), (1, 1)),
    of: Annotated[
        Literal["lightness", "each", "red", "green", "blue"],
        About("what the curve works on: lightness alone (colours stay), each channel by itself, or one channel"),
    ] = "lightness",
    darkest: Annotated[
        Share | Literal["auto", "kept"],
        About(
            "level that is brought down to the sky's before the points, where it lies above: for pictures without sky; auto: "
            "the darkest twentieth's; kept: nothing is brought down",
            0,
            1,
            raise_when="lanes in a nebula that fills the frame look foggy",
            lower_when="they look too black",
        ),
    ] = "kept",
) -> Image:
    """Lighten or darken by a smooth curve through points, which never turns back or swings over.

    The monotone cubic through the points (PCHIP; Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238). On a colour
    picture ``of: lightness`` curves OKLab's lightness, told as the level of the grey that is as light; hue and purity
    stay, and what a picture cannot show loses chroma. On a layer of one plane every choice but a colour does the same.
    The default is a gentle rise of contrast.

    A nebula that fills the frame leaves no sky to see, and its darkest places lie above the level at which sky would be
    shown. ``darkest: auto`` measures how light the darkest twentieth of the picture is, all channels together, and brings
    that down to the sky's level; lighter levels are spread evenly up to white, by half at most, darker ones fall to black by
    a power. Where sky fills a twentieth, that is the darkest, and nothing changes. The sky's level is the one known from
    the stretch, else it is measured. Own method.

    NaN stays NaN. Fails (StepError) where the points do not rise. A curve that lifts dark levels much lifts their noise.

    >>> import numpy as np
    >>> grey = np.full((1, 2, 2), 0.5, np.float32)
    >>> round(float(curve(grey, points=[[0.5, 0.7]])[0, 0, 0]), 3)
    0.7
    """
    from nebulakit.pixels import curves

    if of in ("red", "green", "blue") and not image.is_rgb:
        raise StepError(f"curve: there is no {of} in a layer with {', '.join(image.channels)}. Use of: lightness.")
    through = curves.Curve(_complete(points))
    lowered: curves.Lowered | None = None
    if darkest != "kept":
        image = image.measured("sky")
        assert image.sky
        dark = curves.darkest_level(image.planes) if darkest == "auto" else darkest.fraction
        lowered = curves.Lowered(dark, math.fsum(image.sky) / len(image.sky))

    def shape(level: Array) -> Array:
        return through(level if lowered is None else lowered(level))

    def change(planes: Planes) -> Planes:
        if len(planes) == 3 and of == "lightness":
            return curves.lightness_curve(planes, shape)
        which = {"red": [0], "green": [1], "blue": [2]}.get(of, list(range(len(planes))))
        return curves.channel_curve(planes, shape, which)

    out = image.mapped(change)
    return out if lowered is None else out.noted(darkest=lowered.dark, darkest_lowered_to=min(lowered.to, lowered.dark))
