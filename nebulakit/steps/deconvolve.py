"""Sharpening of linear data by what the stars tell about the blur."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Length, Share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from nebulakit.pixels.facts import Psf, StarList
    from nebulakit.pixels.spared import Spared

LINES = {"ha": (0,), "oiii": (1, 2)}  # which colours of a star layer saw the line


@step(reads="linear")
def deconvolve(
    image: Image,
    stars: Image | None = None,
    *,
    size: Annotated[
        Share,
        About(
            "width of the stars to be reached, as a share of what it is; never under 1.5 px",
            0.35,
            0.95,
            raise_when="the result looks hard, or stars get faint dark rims",
            lower_when="the seeing was steady, the signal is strong, and more could be won",
        ),
    ] = Share(60, "%"),
    caution: Annotated[
        float,
        About(
            "how far, in units of chance, structure must stand out of the noise before it is sharpened",
            0,
            20,
            raise_when="noise was sharpened into worms or grain",
            lower_when="faint structure stayed soft",
        ),
    ] = 4.0,
    width: Annotated[
        Length | Literal["auto"],
        About("width of the stars now, where it cannot be measured; auto: measured on them", 0.5, 60, look=False),
    ] = "auto",
    beta: Annotated[
        float,
        About("power of the Moffat law that goes with a given `width`: 2.5 has wide wings, 5 hardly any", 1.3, 20, look=False),
    ] = 3.0,
) -> Image:
    """Sharpen linear data to narrower stars, where the signal bears it, without dark rings and with all light kept.

    The PSF comes from the stars of the image, channel by channel; on a layer without stars from the layer ``stars``, else
    from what the layer still knows of the stars it once held. The light is brought to one narrower, round star image in
    all channels (whose far wings stay as they are), not to points. Only what stands out of the measured noise in its
    starlet band is sharpened, by the dose and the regularisation with the least expected error; the noise itself stays
    as it is, neither sharper nor smoother, so that a denoise after this step finds it as measured. Cut-off cores and
    hot pixels are bridged and keep their look. The width reached is that of the median star: at 1.5 px, on the corner of four
    pixels, a star may pass for up to a third narrower, as there is no pixel on its peak.

    Sources: Wiener filtering dosed by a multiresolution support (Starck & Murtagh 1994, A&A 288:342); a narrower star
    image as goal (Magain, Courbin & Sohy 1998, ApJ 494:472); filters that vary over the picture (Nagy & O'Leary 1998,
    SIAM J. Sci. Comput. 19:1063).

    NaN stays NaN and is bridged. Nothing is done, and a notice says so, where stars are narrower than 1.7 px or trailed,
    where the PSF is not known, or where nothing stands out. Raises StepError where ``stars`` has another size.

    Where at least 25 lone stars tell that their image varies over the picture (wider or drawn out towards corners or one
    side) every part is sharpened by its own star image, all parts to one width as far as they bear it, and the step tells
    the widths it found. It fails where the PSF varies otherwise than smoothly over the whole picture (single nights or
    panels beside each other, coma within a hundred px), or where too few stars tell: stars over 8 % narrower than was
    taken get faint dark rings.

    >>> import numpy as np
    >>> y, x = np.mgrid[-30:31, -30:31]
    >>> star = np.exp(-(x**2 + y**2) / (2 * 1.7**2)) + np.random.default_rng(1).normal(0, 1e-3, (61, 61))
    >>> sharp = deconvolve(star, width="4 px", beta=20.0)
    >>> bool(sharp.max() > 1.2 * star.max()), bool(abs(sharp.sum() / star.sum() - 1) < 1e-3)
    (True, True)
    """
    from nebulakit.pixels import deconvolution, deconvolution_plan

    same_size("deconvolve", image=image, stars=stars)
    if stars is not None and stars.scale != "linear":
        raise StepError(
            "deconvolve: the layer 'stars' is already stretched; name the linear star layer, the star width is measured on it."
        )
    known = image.measured("noise")
    assert known.noise is not None
    psfs, found = _psfs(known, stars, width, beta)
    facts: dict[str, Any] = {"star_width": [_rounded(p.fwhm if p else None) for p in psfs], "star_count": found}
    present = [p for p in psfs if p is not None]
    ends = [None if p is None else deconvolution_plan.extremes(p, known.shape) for p in psfs]
    widest = max((end[1].fwhm for end in ends if end is not None), default=0.0)
    facts |= _varying(psfs, known.shape)
    why_not = _why_not(present, widest)
    if why_not is not None:
        return known.replace().noted(why_not, **facts)
    plans = deconvolution_plan.decide_deconvolve(psfs, known.noise, size.fraction, known.shape)
    spared = _spared(known, [None if end is None else end[0] for end in ends], widest)
    planes, shares = deconvolution.apply_deconvolve(known.planes, plans, known.noise, spared, caution)
    reached = [plan.reached for plan in plans if plan is not None]
    after = _typical(reached) if reached else known.psf
    star_list = known.stars
    if known.content != "starless" and star_list is not None and reached:
        from nebulakit.pixels.psf import measure_psf

        star_list = _sharper(star_list, known.planes, planes)
        white = known.white and tuple(2 * w for w in known.white)
        after = measure_psf(planes, star_list, known.noise, white) or after
        assert after is not None
        # how far a star was sharpened goes with its brightness, which may pass for a place
        after = dataclasses.replace(after, varies=None)
    out = known.replace(planes, psf=after, fwhm=after.fwhm if after else known.fwhm, stars=star_list).noted(
        **facts,
        reached_width=_rounded(after.fwhm if after else None),
        sharpened_share=[_rounded(s) for s in shares],
        bridged_share=_rounded(0.0 if spared is None else float(np.mean(spared.closed))),
    )
    if max(shares) < 0.001:
        out = out.noted(
            Notice(
                "little-to-sharpen",
                "Hardly anything stands out of the noise at the scales that sharpening acts on, so the layer stayed as it was. "
                "Leave the step out, or try `caution: 2`.",
            )
        )
    return out


def _varying(psfs: Sequence[Psf | None], shape: tuple[int, int]) -> dict[str, Any]:
    """Tell how stars vary over the picture, where they do: widths in px, and how many times as long as wide they are."""
    from nebulakit.pixels.deconvolution_plan import extremes
    from nebulakit.pixels.psf import psf_at

    if all(p is None or p.varies is None for p in psfs):
        return {}
    h, w = shape
    places = [(x, y) for y in np.linspace(0, h - 1, 9) for x in np.linspace(0, w - 1, 9)]
    told: dict[str, list[float | None]] = {k: [] for k in ("width_in_the_middle", "width_least", "width_most", "drawn_out_most")}
    for p in psfs:
        values: list[float | None] = [None] * 4
        if p is not None:
            least, most = extremes(p, shape)
            values = [psf_at(p, (w - 1) / 2, (h - 1) / 2).fwhm, least.fwhm, most.fwhm]
            values.append(max(1 / (1 - psf_at(p, *at).ellipticity) for at in places))
        for one, value in zip(told.values(), values, strict=True):
            one.append(_rounded(value))
    return told


def _why_not(psfs: list[Psf], widest: float) -> Notice | None:
    """Say why nothing can be sharpened; None where it can."""
    from nebulakit.pixels.deconvolution_plan import NARROWEST

    if not psfs:
        return Notice(
            "psf-unknown",
            "Nothing was sharpened: the width of the stars is not known here and there are no stars to measure it on. "
            "Tell it, for example `width: 3 px`, or name the star layer: `stars: stars`.",
        )
    if widest < NARROWEST / 0.95:
        return Notice(
            "stars-too-narrow",
            f"Nothing was sharpened: the stars are {widest:.2f} px wide, and under {NARROWEST} px they would lose their shape. "
            "There is no finer detail in such data.",
        )
    trailed = max(p.ellipticity for p in psfs)
    if trailed > 0.4:
        return Notice(
            "stars-trailed",
            f"Nothing was sharpened: the stars are trailed (long axis {1 / (1 - trailed):.1f} times the short one). "
            "Sharpening cannot bring back what motion smeared; leave out the trailed frames when stacking.",
        )
    return None


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 4)


def _psfs(image: Image, stars: Image | None, width: Length | Literal["auto"], beta: float) -> tuple[list[Psf | None], int]:
    """Give the PSF of every channel, from the best source there is, and on how many stars it rests."""
    from nebulakit.pixels.facts import Psf
    from nebulakit.pixels.psf import measure_psf, moffat_kernel

    n = len(image.channels)
    if isinstance(width, Length):
        px = width.px(image.measured("fwhm") if width.unit == "fwhm" else image)
        return [Psf(moffat_kernel(px, beta), px, beta)] * n, 0
    source = stars if stars is not None else image
    if source.content in ("scene", "stars") and (stars is not None or image.content != "starless"):
        source = source.measured("noise", "white", "stars", "psf")
        if source.stars is not None and source.noise is not None and len(source.stars):
            of = source.channels
            found: list[Psf | None] = []
            for name in image.channels:
                own = (of.index(name),) if name in of else LINES.get(name, ()) if len(of) == 3 else ()
                one = list(own) or list(range(len(of)))
                white = None if source.white is None else tuple(source.white[c] for c in one)
                found.append(measure_psf(source.planes[one], source.stars, source.noise.picked(*one), white) or source.psf)
            if any(found):
                return found, max(p.stars for p in found if p is not None)
    psf = image.psf or (stars.psf if stars is not None else None)
    if psf is None and image.fwhm is not None:
        psf = Psf(moffat_kernel(image.fwhm, beta), image.fwhm, beta)
    return [psf] * n, psf.stars if psf is not None else 0


def _spared(image: Image, psfs: Sequence[Psf | None], fwhm: float) -> Spared | None:
    """Find what must keep its look: cut-off stars, and what is sharper than a star."""
    from nebulakit.pixels.spared import spare

    levels = None
    if image.content != "starless":
        image = image.measured("noise", "white", "sky")
        if image.white is not None and image.sky is not None:
            levels = [sky + 0.9 * (white - sky) for white, sky in zip(image.white, image.sky, strict=True)]
    assert image.noise is not None
    return spare(image.planes, image.noise.sigma, psfs, levels, fwhm)


def _typical(psfs: list[Psf]) -> Psf:
    """Give the middle one of several star images by width."""
    return sorted(psfs, key=lambda p: p.fwhm)[len(psfs) // 2]


def _sharper(stars: StarList, before: np.ndarray, after: np.ndarray) -> StarList:
    """Let the peaks of the star list follow the pixels."""
    h, w = before.shape[1:]
    x, y = (np.clip(np.rint(v).astype(int), 0, n - 1) for v, n in ((stars.x, w), (stars.y, h)))
    ratio = np.nan_to_num(after[:, y, x].sum(0), nan=1.0) / np.maximum(np.nan_to_num(before[:, y, x].sum(0), nan=1.0), 1e-30)
    return dataclasses.replace(stars, peak=stars.peak * np.clip(ratio, 1, 10))
