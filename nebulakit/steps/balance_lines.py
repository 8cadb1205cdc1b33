"""Bringing the weaker line to the scale of the other, no further than its noise allows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

from nebulakit.declare import About, finite, same_size, step
from nebulakit.image import Image, Notice
from nebulakit.quantity import Share

if TYPE_CHECKING:
    from nebulakit.pixels.balance import Gain, Light


class Balanced(NamedTuple):
    """What ``balance_lines`` gives: both lines, on one scale."""

    ha: Image
    oiii: Image


@step(reads="linear", takes="line", makes="line")
def balance_lines(
    ha: Image,
    oiii: Image,
    *,
    gain: Annotated[
        float | Literal["auto"],
        About(
            "by how much [O III] is multiplied; auto: up to H-alpha's height, held where the noise left would show",
            0.01,
            1000,
            raise_when="the picture is all red though [O III] is there",
            lower_when="the sky or the red parts are tinted by noise",
        ),
    ] = "auto",
    noise_shown: Annotated[
        Share,
        About(
            "how strong the noise left in [O III] may show at the sky, as a share of the display's range",
            0.0001,
            0.2,
            raise_when="faint [O III] should be seen and some grain is welcome",
            lower_when="a carpet of coloured noise lies over the sky",
        ),
    ] = Share(1, "%"),
) -> Balanced:
    """Bring [O III] to H-alpha's display scale, so that a stretch alike for both shows two colours.

    The gain wanted makes the brightest parts equal: the 95 % quantiles of the boxes (2 fwhm wide) that shine more than 3
    noises above the sky (in [O III] also 2 % of H-alpha, of which so much may be left in it), but no more of the light of [O
    III] comes over white than of H-alpha's (2 %). Patches as smooth as what a skyglow leaves are not taken for [O III], unless
    they are brightest away from the frame's edges; without [O III] the gain is 1 at most. It is held where the noise that is
    still in [O III] (after denoising, so denoise before; never more than the stack had at that scale) would show more than
    ``noise_shown`` at the sky, in the stretch that `stretch_asinh` chooses for H-alpha with the sky at a tenth; where
    structure fills the frame and hides grain, at several times that. Where [O III] is the stronger line the gain lies below 1
    and dims it. How much of the frame shines in each line is recorded, and said in words where another recipe suits better.
    Own method, from quantiles; how structure hides grain: Legge & Foley 1980, JOSA 70:1458.

    NaN stays NaN. H-alpha is passed on as it is. Fails (StepError) on layers of different size. Stars left in the lines
    are taken for nebula.

    >>> import numpy as np
    >>> ha, oiii = np.zeros((2, 90, 90), np.float32)
    >>> ha[30:60, 30:60], oiii[40:70, 40:70] = 0.6, 0.2
    >>> same, lifted = balance_lines(ha, oiii, gain=3)
    >>> round(float(lifted.max()), 4), bool((same == ha).all())
    (0.6, True)
    """
    from nebulakit.pixels import balance

    same_size("balance_lines", ha=ha, oiii=oiii)
    red, blue = ha.measured("noise", "sky"), oiii.measured("noise", "sky")
    assert red.noise and red.sky and blue.noise and blue.sky
    side = max(4, round(2 * (ha.fwhm or oiii.fwhm or 3.0)))
    lights = (
        balance.light(red.planes[0], red.noise, red.sky[0], side),
        balance.light(blue.planes[0], blue.noise, blue.sky[0], side, red.planes[0], red.sky[0]),
    )
    found = balance.decide_gain(
        red.planes[0],
        blue.planes[0],
        (red.sky[0], blue.sky[0]),
        (red.noise, blue.noise),
        lights,
        noise_shown.fraction,
    )
    used = found.gain if gain == "auto" else gain
    lifted = oiii.replace(
        oiii.planes * float(used),
        sky=None if oiii.sky is None else (oiii.sky[0] * used,),
        noise=None if oiii.noise is None else oiii.noise.scaled(used),
        white=None if oiii.white is None else (oiii.white[0] * used,),
    )
    return Balanced(
        ha.replace().noted(
            *_verdict(lights, found, used, gain == "auto"),
            gain=float(used),
            gain_wanted=float(found.wanted),
            gain_limit=finite(found.limit),
            why=_why(lights, found, gain == "auto"),
            ha_share=lights[0].share,
            oiii_share=lights[1].share,
            oiii_smooth=lights[1].smooth,
            noise_left=found.noise_left,
            slope_at_sky=found.slope,
            oiii_noise_shown=found.noise_left * found.slope * used,
        ),
        lifted,
    )


def _why(lights: tuple[Light, Light], found: Gain, auto: bool) -> str:
    from nebulakit.pixels import balance

    if not auto:
        return "given"
    if found.gain < 0.999 * found.wanted:
        return "held by noise"
    a, b = lights
    if not a.boxes or balance.nothing(b, a):
        return "no light in " + ("[O III]" if a.boxes else "H-alpha")
    if found.wanted * b.bright < 0.8 * a.bright:  # both ways of telling heights differ by some tenths
        return "no more burnt than H-alpha"
    return "[O III] is the stronger line" if found.wanted < 1 else "equal heights"


def _verdict(lights: tuple[Light, Light], found: Gain, used: float, auto: bool) -> list[Notice]:
    """Say in words how much [O III] there is, and what to do about it."""
    from nebulakit.pixels import balance

    a, b = lights
    shown = 100 * found.noise_left * found.slope * used
    notices = []
    if balance.nothing(b, a):
        notices.append(
            Notice(
                "no-oiii",
                f"[O III] stands out of the noise in {100 * b.share:.1f} % of the frame: there is none to show. "
                f"The gain is {used:.3g}; `one_line` (H-alpha alone) or `natural` suit this object better."
                if auto and used <= 1
                else f"[O III] stands out of the noise in {100 * b.share:.1f} % of the frame: what a gain of {used:.3g} lifts is noise. "
                "`one_line` (H-alpha alone) or `natural` suit this object better.",
            )
        )
    elif b.share < 0.02:
        notices.append(
            Notice(
                "little-oiii",
                f"[O III] found in {100 * b.share:.1f} % of the frame; gain {used:.3g}. "
                "Consider `natural` or `one_line`, or more hours for [O III].",
            )
        )
    elif auto and found.wanted > 1.5 * used:
        notices.append(
            Notice(
                "gain-held",
                f"[O III] (in {100 * b.share:.0f} % of the frame) would need a gain of {found.wanted:.3g} to stand as high as H-alpha; "
                f"it was held at {used:.3g}, for its noise shows {shown:.1f} % at the sky then. "
                "Denoise [O III] more before this step, or raise `noise_shown` and accept the grain.",
            )
        )
    if auto and b.smooth >= max(0.002, b.share / 4):
        notices.append(
            Notice(
                "smooth-oiii",
                f"Light in {100 * b.smooth:.1f} % of the [O III] layer was not taken for [O III]: it is as smooth as what is left of a "
                "skyglow, and no lump of its own away from the frame's edges. Where you know that it is the nebula's, give a gain.",
            )
        )
    if a.share < 0.002 and b.share >= 0.002:
        notices.append(
            Notice(
                "no-ha",
                f"H-alpha stands out of the noise in {100 * a.share:.1f} % of the frame only: this is an object of [O III]. "
                "`one_line` on the [O III] layer may suit it better.",
            )
        )
    if not auto and found.limit < used and math.isfinite(found.limit):
        notices.append(
            Notice(
                "noise-lifted",
                f"With a gain of {used:.3g} the noise of [O III] shows {shown:.1f} % at the sky; up to {found.limit:.3g} it would hardly be seen.",
            )
        )
    return notices
