"""Chroma and hue, by range of hues."""

from __future__ import annotations

from typing import Annotated, Literal

from nebulakit.declare import About, step
from nebulakit.image import Image
from nebulakit.quantity import Angle, Level

Range = Annotated[
    tuple[Angle, Angle] | Literal["all"],
    About(
        "range of hues to work on, from and to, going up (OKLCh: 25 red, 85 gold, 145 green, 205 teal, 260 blue, 330 magenta); "
        "[340, 60] goes through 0",
        0,
        360,
    ),
]
Feather = Annotated[
    Angle,
    About(
        "how softly the range of hues ends on either side",
        0,
        180,
        raise_when="a colour breaks where the range ends",
        lower_when="hues beside the range change too",
    ),
]


@step(reads="display", takes="rgb")
def saturate(
    image: Image,
    *,
    gain: Annotated[
        float,
        About(
            "factor of the chroma: 1 leaves it, 0 makes grey",
            0,
            10,
            raise_when="colours look washed out",
            lower_when="colours look painted or noise turns colourful",
        ),
    ] = 1.25,
    hues: Range = "all",
    feather: Feather = Angle(20, "deg"),
    above: Annotated[
        Level,
        About(
            "level from which on colour is strengthened in full; it fades in from the sky up (gains over 1 only)",
            raise_when="the sky's noise turns colourful",
            lower_when="faint parts of the nebula stay pale",
        ),
    ] = Level(4, "sigma"),
) -> Image:
    """Strengthen or weaken colour, in all hues or in a range of them, without turning a hue or changing lightness.

    Chroma in OKLCh (B. Ottosson 2020) is multiplied by ``gain``. Where a picture could not show so much it grows less
    and less, up to what fits at that lightness and hue: clipping channels one by one would turn the hue. Near the sky, where colour is noise,
    a gain over 1 fades out.

    NaN stays NaN. Reds of H-alpha lie near the limit of what sRGB can show: raise their lightness (`curve`) rather than
    the gain.

    >>> import numpy as np
    >>> picture = np.full((3, 40, 40), 0.1, np.float32)
    >>> picture[:, :9, :9] = np.float32([[[0.6]], [[0.4]], [[0.4]]])
    >>> [round(float(v), 3) for v in saturate(picture, gain=1.5)[:, 0, 0]]
    [0.66, 0.362, 0.368]
    """
    from nebulakit.pixels import hues as work

    known = image.measured("sky", "noise") if gain > 1 else image
    sky = sum(known.sky) / 3 if known.sky else 0.0
    full = float(above.value(known).mean()) if gain > 1 else 0.0
    window = None if hues == "all" else work.Window(hues[0].degrees, hues[1].degrees, feather.degrees)
    return known.mapped(lambda planes: work.saturated(planes, gain, window, sky, full))


@step(reads="display", takes="rgb")
def turn_hue(
    image: Image,
    *,
    by: Annotated[
        Angle,
        About(
            "how far to turn; up goes from red to gold, green, blue",
            -180,
            180,
            raise_when="the colour should go further on",
            lower_when="the colour should go back or the other way",
            example="20 deg",
        ),
    ],
    hues: Range = "all",
    feather: Feather = Angle(30, "deg"),
) -> Image:
    """Turn hues, all or a range of them, for instance red towards gold or blue towards teal.

    Turned in OKLCh (B. Ottosson 2020): lightness stays, and chroma too unless a picture cannot show it in the new hue.
    The range ends softly over ``feather``, so that no edge is seen; hues beside it are turned less.

    NaN stays NaN. A range narrower than its turn can bring two hues to one: keep ``by`` below ``feather`` for smooth results.

    >>> import numpy as np
    >>> picture = np.full((3, 40, 40), 0.1, np.float32)
    >>> picture[:, :9, :9] = np.float32([[[0.6]], [[0.4]], [[0.4]]])
    >>> [round(float(v), 3) for v in turn_hue(picture, by="60 deg", hues=[0, 50])[:, 0, 0]]
    [0.544, 0.445, 0.281]
    """
    from nebulakit.pixels import hues as work

    window = None if hues == "all" else work.Window(hues[0].degrees, hues[1].degrees, feather.degrees)
    pair = image.line_hues
    if pair is not None:
        pair = work.hue_turned(pair[0], by.degrees, window), work.hue_turned(pair[1], by.degrees, window)
    return image.mapped(lambda planes: work.turned(planes, by.degrees, window)).replace(line_hues=pair)
