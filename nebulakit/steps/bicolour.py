"""From two lines to one colour picture, and keeping it to the colours two lines can make."""

from __future__ import annotations

from typing import Annotated, Literal

from nebulakit.declare import About, same_size, step
from nebulakit.image import Image
from nebulakit.quantity import Angle, Share

Colours = Annotated[
    Literal["red-teal", "gold-blue", "rose-cyan"],
    About("the two lines' colours, H-alpha first; `ha_hue` and `oiii_hue` choose any others"),
]
LineHue = Annotated[
    Angle | Literal["auto"],
    About(
        "hue of this line's colour (OKLCh: 25 red, 85 gold, 145 green, 205 teal, 260 blue, 330 magenta); auto: as `colours` says",
        0,
        360,
        raise_when="the colour should go on from red towards gold, green, blue",
        lower_when="the colour should go the other way",
    ),
]


@step(reads="display", takes="line", makes="rgb")
def bicolour(
    ha: Image,
    oiii: Image,
    *,
    colours: Colours = "red-teal",
    ha_hue: LineHue = "auto",
    oiii_hue: LineHue = "auto",
    purity: Annotated[
        Share,
        About(
            "chroma of a single line's light, as a share of the most its hue can have; what is missing leaves room for lightness",
            0,
            1,
            raise_when="the picture looks pastel",
            lower_when="bright parts turn into flat areas of one colour",
        ),
    ] = Share(85, "%"),
    softening: Annotated[
        float | Literal["auto"],
        About(
            "softening of the asinh stretch that made the lines, undone before their ratio is taken; auto: found from H-alpha",
            1e-3,
            10,
            raise_when="faint parts have the colour of the weaker line",
            lower_when="bright parts have the colour of the weaker line or are pale",
        ),
    ] = "auto",
) -> Image:
    """Make a colour picture of two stretched lines, each in its own hue, bright where either is and pale where both are.

    In light (sRGB decoded): the line that is ahead gives the brightness, of which the share that the other line has of it
    is white and the rest has the colour of the line ahead. The share is that before the stretch, which is told from H-alpha
    itself (the softening with which its dim light came to 40%) and undone, so that the same gas has the same hue where it is bright and where it is
    faint. Both lines together go towards white whatever the hues, the sky of both is a neutral grey at H-alpha's sky
    level, and no channel can leave 0..1. Where the line ahead stands less than 0.6 noises above its sky the colour fades: what is left
    of a skyglow would tint the sky there. Stretch both lines alike (`like`) before, else the colours tell of the stretch
    and not of the nebula. Own method; hues of B. Ottosson 2020, OKLab.

    A pixel with NaN in either line is NaN. Fails (StepError) on layers of different size. Where a line holds only noise
    the noise is painted in its colour: lower the noise first.

    >>> import numpy as np
    >>> ha, oiii = np.full((4, 4), 0.1), np.full((4, 4), 0.1)
    >>> ha[0], oiii[1] = 0.7, 0.7
    >>> picture = bicolour(ha, oiii)
    >>> [[round(float(v), 2) for v in picture[:, row, 0]] for row in range(3)]
    [[0.7, 0.24, 0.25], [0.28, 0.66, 0.7], [0.1, 0.1, 0.1]]
    """
    from nebulakit.pixels import anchors, curves, hues

    same_size("bicolour", ha=ha, oiii=oiii)
    ha, oiii = ha.measured("sky", "noise"), oiii.measured("sky", "noise")
    assert ha.sky and oiii.sky and ha.noise and oiii.noise
    pair = _hues(colours, ha_hue, oiii_hue)
    soft = anchors.softening_of(ha.planes[0], ha.sky[0]) if softening == "auto" else softening
    noises = (ha.noise.sigma[0], oiii.noise.sigma[0])
    planes = hues.two_lines(ha.planes[0], oiii.planes[0], (ha.sky[0], oiii.sky[0]), pair, purity.fraction, soft, noises)
    return ha.replace(
        planes,
        channels=("red", "green", "blue"),
        content=ha.content if ha.content == oiii.content else "scene",
        sky=(ha.sky[0],) * 3,
        noise=curves.noise_of_both(ha.noise, oiii.noise).mixed(hues.two_lines_noise(pair, purity.fraction)),
        white=None,
        line_hues=pair,
        coverage=ha.coverage if ha.coverage is not None else oiii.coverage,
    ).noted(ha_hue=pair[0], oiii_hue=pair[1], softening=soft)


@step(reads="display", takes="rgb")
def limit_tint(
    image: Image,
    *,
    colours: Annotated[
        Literal["auto", "red-teal", "gold-blue", "rose-cyan"],
        About(
            "the two lines' colours, H-alpha first; auto: as `bicolour` made them, else red-teal; `ha_hue` and `oiii_hue` choose any others"
        ),
    ] = "auto",
    ha_hue: LineHue = "auto",
    oiii_hue: LineHue = "auto",
    width: Annotated[
        Angle,
        About(
            "how far from a line's hue a colour may lie and still be taken for that line's",
            0,
            90,
            raise_when="wanted tones such as orange or blue are lost",
            lower_when="a green haze or magenta stays",
        ),
    ] = Angle(30, "deg"),
    strength: Annotated[
        Share,
        About(
            "how far casts are taken back",
            0,
            1,
            raise_when="casts are still seen",
            lower_when="the picture is left too strictly in two colours",
        ),
    ] = Share(100, "%"),
) -> Image:
    """Take back hues that two lines cannot make: green haze, magenta where noise or a residue tints.

    Colours within ``width`` of one of the two hues stay as they are. Others are pulled to the edge of that range and lose
    chroma on the way, all of it 40 degrees further, so that a cast goes to grey and nothing jumps. Between lines less than
    120 degrees apart all hues of the shorter way stay. Lightness stays. Method: own, in OKLCh (B. Ottosson 2020).

    NaN stays NaN. Wrong for pictures whose colours do not come from two lines, such as those of `natural`.

    >>> import numpy as np
    >>> picture = np.zeros((3, 2, 2), np.float32) + 0.2
    >>> picture[1, 0] = 0.3
    >>> [round(float(v), 3) for v in limit_tint(picture)[:, 0, 0]]
    [0.256, 0.275, 0.269]
    """
    from nebulakit.pixels import hues

    made = image.line_hues if colours == "auto" else None
    pair = _hues("red-teal" if colours == "auto" else colours, ha_hue, oiii_hue, made)
    out = image.mapped(lambda planes: hues.tint_limited(planes, pair, width.degrees, strength.fraction))
    return out.noted(ha_hue=pair[0], oiii_hue=pair[1])


def _hues(
    colours: str, ha: Angle | Literal["auto"], oiii: Angle | Literal["auto"], made: tuple[float, float] | None = None
) -> tuple[float, float]:
    from nebulakit.pixels.hues import COLOURS

    first, second = COLOURS[colours] if made is None else made
    return float(first) if ha == "auto" else ha.degrees, float(second) if oiii == "auto" else oiii.degrees
