"""Where one of the two lines dominates."""

from __future__ import annotations

from typing import Annotated, Literal

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Length


@step(gives="mask", takes="line")
def line_mask(
    ha: Image,
    oiii: Image,
    *,
    of: Annotated[Literal["ha", "oiii"], About("the line whose realm the mask shows")] = "oiii",
    ratio: Annotated[
        float,
        About(
            "how many times brighter than the other line it must be; the mask is 0.5 there and soft over an octave",
            0.01,
            100,
            raise_when="the mask takes in parts where both lines shine",
            lower_when="parts where the line is plainly seen are left out",
        ),
    ] = 1.0,
    sure: Annotated[
        float,
        About(
            "noises by which the line must stand above the sky (smoothed over 1 fwhm); half of that counts as nothing",
            0,
            100,
            raise_when="the mask is speckled in the sky",
            lower_when="faint outer parts are left out",
        ),
    ] = 5.0,
    feather: Annotated[
        Length,
        About(
            "how softly the mask ends: the sigma of the Gaussian that blurs it",
            0,
            raise_when="edges of the mask show in the picture",
            lower_when="the mask spills over",
        ),
    ] = Length(1, "fwhm"),
) -> Image:
    """Make a mask of where one of the two lines dominates the other.

    Both layers are smoothed by a Gaussian of 1 fwhm, compared above their skies as they stand (balance the lines, or
    stretch them alike, before), and gated by how surely the line is seen in the noise of the linear stack. On stretched
    layers levels are compared as they are shown. Own method.

    NaN in either stays NaN and does not spread. Fails (StepError) on layers of different size or scale. Where the stars'
    width is not known it is taken as 3 px, and a notice says so.

    >>> import numpy as np
    >>> ha, oiii = np.full((2, 40, 40), 0.1, np.float32)
    >>> ha[:, :20], oiii[:, 20:] = 0.5, 0.5
    >>> mask = line_mask(ha, oiii, fwhm=1, feather="0 px")
    >>> [round(float(v), 2) for v in mask[0, 20, (3, 17, 22, 36)]]
    [0.0, 0.0, 1.0, 1.0]
    """
    import numpy as np

    from nebulakit.pixels import balance, masks

    same_size("line_mask", ha=ha, oiii=oiii)
    if "mask" in (ha.content, oiii.content):
        raise StepError("line_mask: needs the two line layers, but one of them is a mask.")
    red, blue = ha.measured("noise", "sky"), oiii.measured("noise", "sky")
    assert red.noise and red.sky and blue.noise and blue.sky
    fwhm = ha.fwhm or oiii.fwhm
    notices = []
    if fwhm is None:
        fwhm = 3.0
        notices.append(
            Notice("fwhm-assumed", "The width of the stars is not known here and was taken as 3 px. Tell it with --fwhm.")
        )
    smooth = [balance.smoothed(i.planes[0], fwhm) for i in (red, blue)]
    side = max(1, round(3.5 * fwhm))  # a Gaussian averages as many pixels as a box of 2 sqrt(pi) sigma
    noises = [balance.box_noise(i.noise, 0, side) for i in (red, blue) if i.noise]
    first, second = (0, 1) if of == "ha" else (1, 0)
    skies = (red.sky[0], blue.sky[0])
    plane = balance.dominance(
        smooth[first], smooth[second], (skies[first], skies[second]), (noises[first], noises[second]), ratio, sure
    )
    plane = masks.feathered(plane, feather.px(ha.replace(fwhm=fwhm)))
    there = np.isfinite(plane)
    return ha.as_mask(plane).noted(*notices, share_covered=float(plane[there].mean()) if there.any() else 0.0)
