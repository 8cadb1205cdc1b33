"""Contrast by scale, fine sharpening, and a bright core beside a faint shell."""

from __future__ import annotations

import math
from collections.abc import Set
from typing import Annotated, Any, Literal

from nebulakit.declare import About, step
from nebulakit.image import Image
from nebulakit.pixels.facts import Noise
from nebulakit.quantity import Length, Share, in_px


def _upside_down(params: Any, images: Set[str]) -> tuple[str, str] | None:
    finest, coarsest = params.finest, params.coarsest
    if finest.unit != coarsest.unit or finest.number <= coarsest.number:
        return None
    return "finest", f"finest ({finest}) is larger than coarsest ({coarsest}), so no structure lies between them."


@step(reads="display", refuses=_upside_down)
def local_contrast(
    image: Image,
    *,
    strength: Annotated[
        float,
        About(
            "how much contrast is strengthened: 1 about doubles that of faint structure",
            0,
            5,
            raise_when="the nebula looks flat",
            lower_when="the nebula looks harsh or blotchy",
        ),
    ] = 0.5,
    finest: Annotated[
        Length,
        About(
            "size of the smallest structure that is strengthened",
            0,
            raise_when="grain comes out",
            lower_when="fine filaments stay flat",
        ),
    ] = Length(2, "fwhm"),
    coarsest: Annotated[
        Length,
        About(
            "size of the largest structure that is strengthened",
            0,
            raise_when="large shapes stay flat",
            lower_when="the sky turns uneven",
        ),
    ] = Length(20, "fwhm"),
    edge: Annotated[
        Share,
        About(
            "height, in display levels, from which on a difference is an edge and stays as it is",
            0.02,
            1,
            raise_when="strong structure is left out",
            lower_when="bright edges are overdone",
        ),
    ] = Share(30, "%"),
) -> Image:
    """Strengthen contrast between two sizes of structure, without halos along edges and without lifting noise.

    A fast local Laplacian filter (Paris, Hasinoff & Kautz 2011, ACM TOG 30:68; Aubry et al. 2014, ACM TOG 33:167) on
    lightness, colours kept. Differences under the noise of the layer stay as they are, and so does the sky.

    NaN stays NaN. Fails (StepError) where ``finest`` is larger than ``coarsest`` in the same unit. Where blotches were left by the noise
    reduction they are strengthened too: lower the noise better, or raise ``finest``. Where the width of the stars is not known,
    lengths in fwhm take it as 3 px and the step says so.

    >>> import numpy as np
    >>> wave = 0.4 + 0.03 * np.sin(np.arange(256) / 9)[None] * np.ones((128, 1))
    >>> round(float(np.ptp(local_contrast(wave, scale="display")) / np.ptp(wave)), 1)
    1.2
    """
    from nebulakit.pixels import contrast

    known = image.measured("sky", "noise")
    assert known.sky and known.noise
    sizes, notices = in_px(image, finest, coarsest)
    planes = contrast.local_contrast(
        image.planes,
        strength,
        (sizes[0], sizes[1]),
        edge.fraction,
        _by_scale(known.noise),
        _sky(known.sky),
    )
    return image.replace(planes, sky=known.sky, noise=known.noise).noted(*notices)


@step(reads="display")
def compress_range(
    image: Image,
    *,
    strength: Annotated[
        Share,
        About(
            "how far bright and faint light are drawn together",
            0,
            0.95,
            raise_when="the core is burnt out while the shell is dark",
            lower_when="the nebula looks flat",
        ),
    ] = Share(30, "%"),
    bright: Annotated[
        Share | Literal["auto"],
        About("display level of the brightest large parts, which stays as it is; auto: measured", 0.05, 1),
    ] = "auto",
    detail: Annotated[
        Share,
        About(
            "height, in display levels, up to which differences count as detail and are kept",
            0.01,
            0.5,
            raise_when="detail in the core is lost",
            lower_when="the effect is too weak",
        ),
    ] = Share(8, "%"),
    coarsest: Annotated[
        Length,
        About(
            "size from which on structure counts as coarse",
            0,
            raise_when="bright rims lose their form",
            lower_when="the core stays flat",
        ),
    ] = Length(40, "fwhm"),
) -> Image:
    """Show a bright core and a faint shell together: coarse light is drawn together, detail stays as strong as it was.

    The coarse level x, 0 at the sky and 1 at ``bright``, becomes (1 + k) x / (1 + k x), k = 2 strength / (1 - strength), so
    both ends stay and what is between is lifted; then a curve or the detail of the core has room. A local Laplacian
    filter (Paris, Hasinoff & Kautz 2011, ACM TOG 30:68) keeps edges without halos. On lightness, colours kept.

    NaN stays NaN. Faint gradients left in the sky are lifted too. Where the width of the stars is not known, lengths in
    fwhm take it as 3 px and the step says so.

    >>> import numpy as np
    >>> planes = np.full((1, 90, 120), 0.1, np.float32)
    >>> planes[:, :, 40:], planes[:, :, 80:] = 0.3, 0.9
    >>> [round(float(v), 1) for v in compress_range(planes, strength="50%", coarsest="60 px")[0, 45, [20, 60, 100]]]
    [0.1, 0.5, 0.9]
    """
    from nebulakit.pixels import contrast

    known = image.measured("sky", "noise")
    assert known.sky
    sky = _sky(known.sky)
    top = contrast.coarse_bright(image.planes) if bright == "auto" else bright.fraction
    top = min(1.0, max(top, sky + 0.05, 0.05))
    (size,), notices = in_px(image, coarsest)
    planes = contrast.compressed(image.planes, strength.fraction, sky, top, detail.fraction, size)
    return image.replace(planes, sky=known.sky, noise=known.noise).noted(*notices, bright=top)


@step(reads="display")
def sharpen(
    image: Image,
    *,
    strength: Annotated[
        float,
        About(
            "how much the finest structure is strengthened: 1 doubles it where it stands clear of the noise",
            0,
            5,
            raise_when="fine structure looks soft",
            lower_when="edges look drawn with a pen or grain comes out",
        ),
    ] = 0.5,
    coarsest: Annotated[
        Length,
        About(
            "size up to which structure is strengthened",
            0,
            raise_when="filaments stay soft",
            lower_when="broad structure changes",
        ),
    ] = Length(1, "fwhm"),
) -> Image:
    """Strengthen the finest structure of a stretched picture where it stands out of the noise, without rings.

    The finest starlet planes (Starck, Fadili & Murtagh 2007, IEEE TIP 16:297) of lightness are added once more, each
    coefficient by how far it exceeds the noise of its scale (not under 2 sigma, in full from 5). The result stays within
    the lightest and darkest of the pixels around, so that no star or edge gets a ring. Colours are kept.

    NaN stays NaN. This only draws fine contrast: to undo the blur of the seeing use `deconvolve` on the linear layer.
    Where the width of the stars is not known, lengths in fwhm take it as 3 px and the step says so.

    >>> import numpy as np
    >>> wave = 0.4 + 0.1 * np.sin(np.arange(256) / 1.2)[None] * np.ones((128, 1))
    >>> round(float(np.std(sharpen(wave, scale="display")) / np.std(wave)), 1)
    1.2
    """
    from nebulakit.pixels import contrast

    known = image.measured("noise")
    assert known.noise
    (size,), notices = in_px(image, coarsest)
    scales = max(1, min(round(math.log2(max(size, 1))), 5))
    planes = contrast.sharpened(image.planes, strength, scales, _by_scale(known.noise))
    return image.replace(planes, noise=known.noise).noted(*notices)


def _sky(levels: tuple[float, ...]) -> float:
    """Give the level of the grey as light as the sky, whatever its colour."""
    import numpy as np

    from nebulakit.pixels import contrast

    return float(contrast.grey_level(np.array(levels, np.float32)[:, None, None])[0, 0])


def _by_scale(noise: Noise) -> list[float]:
    """Give the noise of each starlet scale of lightness: green makes most of it, so it is three quarters of a channel's."""
    share = 0.75 if len(noise.sigma) == 3 else 1
    return [share * math.sqrt(math.fsum(s * s for s in scale) / len(scale)) for scale in zip(*noise.scales, strict=True)]
