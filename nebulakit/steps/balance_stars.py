"""The colours of the stars."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Share


@step(takes="rgb")
def balance_stars(
    image: Image,
    *,
    colour: Annotated[
        Share,
        About(
            "how much of the stars' own colour differences stays; 0 makes all stars white",
            0,
            2,
            raise_when="the stars look grey",
            lower_when="the stars look gaudy: behind a line filter their colours mean little",
        ),
    ] = Share(100, "%"),
    rims: Annotated[
        Literal["even", "keep"],
        About("even: a star has one colour from core to rim; keep: its rim keeps the colour that wider channels give it"),
    ] = "even",
    gains: Annotated[
        tuple[float, float, float] | Literal["auto"],
        About("factors of red, green and blue; auto: so that the middle star colour becomes white", 0.2, 5),
    ] = "auto",
) -> Image:
    """Make the stars' mean colour white, keep their differences, and give each star one colour from core to rim.

    For a layer of stars, linear or stretched (it is worked on in light either way). Behind a line filter star colours
    mean little, so white on average is as true as any. The colour of every star is measured within 0.8 fwhm, of a star
    whose core is cut off on the ring around it, beside what whole stars have there (a wider channel has more of it); the factors
    bring the median of the whole stars to white and keep its
    light. Where channels differ in star width, rims are coloured; with ``rims: even`` every pixel takes the colour of
    the stars whose light falls on it, each by its share, and keeps its brightness. Method: own.

    NaN stays NaN. Raises StepError on a layer without stars' light (content starless). With fewer than five whole stars
    the factors are 1 and a notice says so. It fails on pictures with nebula, whose colour it would turn as well.

    >>> import numpy as np
    >>> y, x = np.mgrid[:64, :64]
    >>> light = sum(np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a in (10, 32, 54) for b in (12, 33, 52))
    >>> stars = np.stack([light, 0.8 * light, 0.5 * light]).astype(np.float32)
    >>> stars += np.random.default_rng(0).normal(0, 1e-3, stars.shape)
    >>> white = balance_stars(stars, fwhm=3.5)
    >>> bool(abs(white[0, 33, 32] / white[2, 33, 32] - 1) < 0.02)
    True
    """
    from nebulakit.pixels import colour as light_of
    from nebulakit.pixels import starcolour

    if image.content == "starless":
        raise StepError("balance_stars: this layer has no stars; name the star layer, for example `from: stars`.")
    known = image.measured("noise", "white", "stars", "fwhm")
    shown = image.scale == "display"
    planes = np.asarray(light_of.decode(known.planes), np.float32) if shown else known.planes
    stars, fwhm = known.stars, known.fwhm if known.fwhm is not None else 3.0
    white = (0.9,) * 3 if shown else known.white
    fluxes, whole = (
        starcolour.star_fluxes(planes, stars, fwhm, white) if stars is not None else (np.zeros((0, 3)), np.zeros(0, bool))
    )
    notices = []
    factors = starcolour.decide_balance(fluxes, _clear(known, fluxes, whole, fwhm)) if gains == "auto" else gains
    if factors is None:
        factors = (1.0, 1.0, 1.0)
        notices.append(
            Notice(
                "too-few-stars",
                f"Only {int(whole.sum())} whole stars were found, too few to balance their colours; they stay as they are. "
                "Give the factors by hand, for example `gains: [1, 1.1, 0.9]`.",
            )
        )
    if image.content == "scene" and gains == "auto" and not notices:
        notices.append(
            Notice(
                "not-a-star-layer",
                "The stars were balanced on a layer that is not known to hold stars alone; nebula in it changed colour as well. "
                "Use it on the star layer that separate_stars gives.",
            )
        )
    matrix = starcolour.colour_matrix(factors, colour.fraction)
    even = stars if rims == "even" else None
    out = starcolour.apply_balance(planes, matrix, even, fluxes, fwhm)
    gap = ~np.isfinite(known.planes)
    out[gap] = np.nan
    if shown:
        out = np.clip(light_of.encode(np.clip(out, 0, 1)), 0, 1)
    facts = _after(known, matrix, shown)
    return known.replace(out, **facts).noted(*notices, gains=list(factors), stars_used=int(whole.sum()))


def _clear(image: Image, fluxes: np.ndarray, whole: np.ndarray, fwhm: float) -> np.ndarray:
    """Tell which whole stars stand clearly out of the noise: their colour is known to a few percent."""
    if image.scale == "display" or image.noise is None:
        return whole
    area = np.pi * (0.8 * fwhm) ** 2
    return np.asarray(whole & (fluxes > 10 * np.sqrt(area) * np.asarray(image.noise.sigma)).all(1))


def _after(image: Image, matrix: np.ndarray, shown: bool) -> dict[str, object]:
    """Give the facts that follow the colours."""
    from nebulakit.pixels import colour as light_of

    def after(levels: tuple[float, ...] | None) -> tuple[float, ...] | None:
        if levels is None:
            return None
        if not shown:
            return tuple(float(f) for f in matrix @ np.asarray(levels))
        light = np.clip(matrix @ np.asarray(light_of.decode(np.asarray(levels, np.float32)), float), 0, 1)
        return tuple(float(v) for v in light_of.encode(light.astype(np.float32)))

    noise = None if image.noise is None or shown else image.noise.mixed(matrix)
    return {"sky": after(image.sky), "white": after(image.white), "noise": noise}
