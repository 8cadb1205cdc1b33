"""Linear light to display levels: two curves, anchored alike."""

from __future__ import annotations

import math
from collections.abc import Set
from typing import Annotated, Any, Literal

import numpy as np

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Level, Share

Auto = Literal["auto"]

Sky = Annotated[
    Share,
    About(
        "display level at which the sky is shown; on a layer of stars alone the sky stays black",
        0,
        0.5,
        raise_when="the sky looks dead black and the faintest nebula drowns in it",
        lower_when="the picture looks foggy",
    ),
]
Lift = Annotated[
    Share | Auto,
    About(
        "display level of dim light: the nebula's dimmest tenth, more if it fills the frame (auto: 40%); on a layer of stars, a star of 6 sigma (auto: 12%)",
        0,
        0.95,
        raise_when="the outer nebula or the faint stars are too dark",
        lower_when="noise shows, the nebula looks flat, or stars crowd the picture",
    ),
]
Black = Annotated[
    Level | Auto,
    About(
        "level shown black; auto: 4 sigma under the sky, so that no noise is cut off, or deeper where parts of the frame lie there",
        raise_when="the sky looks grainy and nothing dark is lost by cutting deeper",
        lower_when="dark spots in the sky are pure black",
    ),
]
White = Annotated[
    Level | Auto,
    About(
        "level shown almost white (brighter light is rolled off); auto: 2% of the nebula's light is brighter, "
        "on a layer of stars alone a thirtieth of the level at which stars are cut off",
        raise_when="bright parts lose their structure",
        lower_when="nothing in the picture is bright",
    ),
]


def _upside_down(params: Any, images: Set[str]) -> tuple[str, str] | None:
    black, white = params.black, params.white
    if black != "auto" and black.unit == "sigma" and black.number > 0:
        return "black", f"black is at {black}, above the sky, so that the sky would be cut off. Give black a lower level."
    if white != "auto" and white.unit == "sigma" and white.number <= 0:
        return "white", f"white is at {white}, not above the sky. Give white a higher level."
    if "auto" in (black, white) or black.unit != white.unit or black.number < white.number:
        return None
    return "white", f"white ({white}) is not above black ({black}). Give white a higher level, or black a lower one."


@step(reads="linear", gives="display", refuses=_upside_down)
def stretch_asinh(
    image: Image,
    like: Image | None = None,
    *,
    sky: Sky = Share(10, "%"),
    lift: Lift = "auto",
    softening: Annotated[
        float | Auto,
        About(
            "where the curve turns from straight to logarithmic, as a share of sky to white; auto: found from `lift`",
            1e-9,
            10,
            raise_when="noise in the dark parts is lifted too much",
            lower_when="faint light stays dark",
        ),
    ] = "auto",
    black: Black = "auto",
    white: White = "auto",
) -> Image:
    """Make dark linear data visible by an asinh curve that reaches a target sky level and keeps colours.

    The sky is shown at ``sky``, exactly; from there up to ``white`` runs asinh(z/a)/asinh(1/a), a the softening, found so
    that the nebula's dim light comes to ``lift``. Light, not noise, decides this, so that a deeper stack of the same
    nebula looks the same. Under the sky a power leads down to ``black``, deeper than its noise where a glow that was told too high
    left places under the sky. Levels above 0.9 are rolled off and never reach
    1. The three channels of a pixel are multiplied by one factor (in light), so hues stay; where light sinks into the
    noise, colour fades into grey. On a layer of stars alone the sky stays 0, a star of 6 sigma comes to ``lift``
    and what is fainter is drawn down to black.
    With ``like``, a layer of the same size, everything is decided on that layer: two lines stretched alike.

    The reference is the sky level known from earlier steps (0 after `remove_gradient`), else the sky is measured. Where
    the nebula fills the frame no sky is left to see: what is at the reference is still shown at ``sky``, and the nebula
    above it. Source: Lupton, Gunn & Szalay 1999, AJ 118:1406; Lupton et al. 2004, PASP 116:133.

    NaN stays NaN; a colour pixel with NaN in one channel becomes NaN in all. Result in sRGB-encoded values 0..1.
    Fails (StepError) where black lies above the sky or white under it, and on layers of different size. It looks poor
    where noise was not lowered before: what is faint then shows as grain.

    >>> import numpy as np
    >>> ramp = np.linspace(0, 1, 4096, dtype=np.float32).reshape(64, 64) ** 4
    >>> shown = stretch_asinh(ramp, black=-0.1, white=1, softening=0.1)
    >>> [round(float(v), 3) for v in shown[0, (0, 31, 63), (0, 63, 63)]]
    [0.1, 0.277, 0.95]
    """
    return _stretch("asinh", image, like, sky, lift, softening, black, white)


@step(reads="linear", gives="display", refuses=_upside_down)
def stretch_midtone(
    image: Image,
    like: Image | None = None,
    *,
    sky: Sky = Share(10, "%"),
    lift: Lift = "auto",
    bend: Annotated[
        float | Auto,
        About(
            "where half of white is shown between sky (0) and white (1): 0.5 is a straight line; auto: found from `lift`",
            0.5,
            0.999999,
            raise_when="faint light stays dark",
            lower_when="noise is lifted too much, or bright parts lose contrast",
        ),
    ] = "auto",
    black: Black = "auto",
    white: White = "auto",
) -> Image:
    """Make dark linear data visible by a rational bias curve: softer highlights than asinh, the same anchors.

    As `stretch_asinh` in everything but the curve, which is z / ((1/b - 2)(1 - z) + 1) with b the ``bend``: it rises as
    steeply at the sky but flattens more towards white, which suits bright nebulae of little range. ``bend`` follows in
    closed form. Source: Schlick 1994, Graphics Gems IV; Barron 2020, arXiv 2010.09714.

    NaN, errors and limits as in `stretch_asinh`.

    >>> import numpy as np
    >>> ramp = np.linspace(0, 1, 4096, dtype=np.float32).reshape(64, 64) ** 4
    >>> shown = stretch_midtone(ramp, black=-0.1, white=1, bend=0.75)
    >>> [round(float(v), 3) for v in shown[0, (0, 31, 63), (0, 63, 63)]]
    [0.1, 0.25, 0.95]
    """
    return _stretch("midtone", image, like, sky, lift, bend, black, white)


def _stretch(
    kind: Literal["asinh", "midtone"],
    image: Image,
    like: Image | None,
    sky: Share,
    lift: Share | Auto,
    shape: float | Auto,
    black: Level | Auto,
    white: Level | Auto,
) -> Image:
    from nebulakit.pixels import anchors, tone

    name = f"stretch_{kind}"
    same_size(name, image=image, like=like)
    image = image.measured("sky", "noise")
    guide = image if like is None else like.measured("sky", "noise")
    assert image.sky and image.noise and guide.sky and guide.noise
    stars = guide.content == "stars"
    target = 0.0 if stars else sky.fraction
    sigma = _typical(guide.noise.sigma)
    grain = anchors.pixel_noise(image.planes)
    zero = math.fsum(guide.sky) / len(guide.sky)
    notices: list[Notice] = []

    under = _level(black, guide)
    fading = 4 * max(sigma, _typical(image.noise.sigma if guide.content == image.content else ()))
    if under is None:
        lies = 0.0 if stars else max(anchors.deepest(i.planes, i.sky) for i in (guide, image) if i.sky)
        under = zero if stars else zero - max(fading, lies)
    if under > zero + 1e-6 * abs(zero):
        raise StepError(
            f"{name}: black is at {under:.6g}, above the sky at {zero:.6g}, so that the sky would be cut off. Give black a lower level."
        )
    given = _level(white, guide)
    if given is not None and given <= zero:
        raise StepError(f"{name}: white is at {given:.6g}, not above the sky at {zero:.6g}. Give white a higher level.")

    wanted = (0.12 if stars else 0.4) if lift == "auto" else lift.fraction
    fixed = None if shape == "auto" else shape
    above = None if given is None else given - zero
    if stars:
        own = _mean_noise(guide.noise.sigma)
        above = anchors.star_white(guide.planes, guide.sky, guide.white, own) if above is None else above
        faint = 6 * own
        if fixed is None:
            fixed = (
                anchors.decide_faint(kind, faint=faint, shown=wanted, bright=above)
                if faint > 0
                else 0.1
                if kind == "asinh"
                else 0.9
            )
    elif fixed is None or above is None:
        found = anchors.anchors(
            guide.planes,
            guide.sky,
            grain if like is None else anchors.pixel_noise(like.planes),
            stars=guide.content == "scene",
            least=anchors.FAINTEST * _mean_noise(guide.noise.sigma),
        )
        decide = anchors.decide_asinh if kind == "asinh" else anchors.decide_midtone
        fixed, above = decide(found, sky=target, lift=wanted, **{"softening" if kind == "asinh" else "bend": fixed}, white=above)
        if not found.found:
            notices.append(
                Notice(
                    "no-light-to-stretch",
                    "No nebula stands out of the noise, so the stretch was chosen by the noise alone. "
                    "If there should be one, look whether the gradient step took it away (protect it there) or raise `lift`.",
                )
            )
    # what is used is what is recorded, so that recorded values give the same picture to the last bit
    top = zero + above
    how = tone.Stretch(
        kind, fixed, max(zero - under, 0.0), top - zero, target, 6 * _mean_noise(image.noise.sigma) if stars else 0.0, fading
    )
    planes = tone.stretched(image.planes, image.sky, how)
    count = len(image.channels)
    ends = None
    if image.white is not None:
        ends = tuple(
            float(how.level(np.full((1, 1), w - s, np.float32))[0, 0]) for w, s in zip(image.white, image.sky, strict=True)
        )
    return image.replace(
        planes,
        scale="display",
        sky=(target,) * count,
        noise=image.noise.mixed(tone.noise_matrix(count, how)),
        white=ends,
    ).noted(
        *notices,
        **{"softening" if kind == "asinh" else "bend": fixed, "black": under, "white": top, "sky": target, "lift": wanted},
        sky_level=zero,
        slope_at_sky=how.slope,
        noise_shown=how.slope * grain,
    )


def _level(level: Level | Auto, image: Image) -> float | None:
    """Give a level as one number for all channels: their mean."""
    if level == "auto":
        return None
    values = [float(v) for v in level.value(image)]
    return values[0] if len(set(values)) == 1 else math.fsum(values) / len(values)


def _typical(sigma: tuple[float, ...]) -> float:
    """Give the noise of a typical channel."""
    return math.sqrt(math.fsum(s * s for s in sigma) / len(sigma)) if sigma else 0.0


def _mean_noise(sigma: tuple[float, ...]) -> float:
    """Give the noise of the channels' mean."""
    return _typical(sigma) / math.sqrt(len(sigma))
