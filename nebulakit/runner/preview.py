"""What a preview begins with: an input binned, and stars that cells as large as they are would leave as points."""

from __future__ import annotations

import math

import numpy as np

from nebulakit.errors import InputError
from nebulakit.image import Image, Notice

NARROW, WIDENED = 1.6, 1.9  # px: stars of a preview are widened to the second where they are narrower than the first
MIDDLE = 1500  # px of the stack, along each side, that tell how wide its stars are
CUT_OFF = 0.6  # of the white level of the stack: what reaches it when binned and softened was cut off


def previewed(image: Image, factor: int, *, collapsed: bool, stack: bool) -> Image:
    """Give an input binned ``factor`` times; ``collapsed``: it is a mosaic though it names no pattern. Of the stack it is noted."""
    small = _binned(image, factor, collapsed)
    if not stack:
        return small
    what = f"the stack was binned {factor} times, so this is a preview: for the composition only"
    return _softened(small, image, factor).noted(
        Notice("preview", f"{what}. Noise, stars and detail come out otherwise in the whole.")
    )


def _binned(image: Image, factor: int, collapsed: bool) -> Image:
    """Bin an input for a preview; a mosaic by whole cells, so that it stays one."""
    from nebulakit import steps
    from nebulakit.pixels import geometry

    cells = image.channels == ("mosaic",) or (collapsed and len(image.channels) == 1)
    if min(image.shape) < (2 if cells else 1) * factor:
        h, w = image.shape
        what = f"one block of {factor} {'cells' if cells else 'pixels'}"
        raise InputError(
            f"an input has {w} x {h} pixels, fewer than {what} for --preview {factor}. Take a smaller number, or leave it out"
        )
    if not cells:
        plainly: Image = steps.bin(image, factor=factor)
        return plainly.noted(*image.notices)
    cover = None if image.coverage is None else geometry.bin_cells(np.nan_to_num(image.coverage, nan=0.0), factor)
    small = image.moved(
        geometry.bin_cells(image.planes, factor),
        geometry.bin_matrix(factor),
        channels=("mosaic",),
        coverage=cover,
        # pixels of one colour lie two apart
        fwhm=None if image.fwhm is None else 2 * geometry.binned_fwhm(image.fwhm / 2, factor),
        notices=image.notices,
    )
    if image.header is not None and "BAYERPAT" in image.header:
        small.header["BAYERPAT"] = image.header["BAYERPAT"]
    return small


def _softened(image: Image, full: Image, factor: int) -> Image:
    """Give a linear preview with stars as wide as it takes to tell them from the nebula.

    Cells as large as the stars leave points; with those, the nebula was lost, too. Where stars were cut off, the soft ones
    no longer show by a flat top: the level of the whole stack tells.
    """
    from nebulakit.pixels import geometry, psf

    if image.scale != "linear" or image.channels == ("mosaic",):
        return image
    # points tell no width; a part of the whole does, and in less time
    y, x = (slice(max(0, (n - MIDDLE) // 2), (n + MIDDLE) // 2) for n in full.shape)
    seen = Image.from_array(full.planes[:, y, x], fwhm=full.fwhm).measured("fwhm").fwhm
    width = None if seen is None else geometry.binned_fwhm(seen, factor)
    if width is None or width >= NARROW:
        return image
    sigma = math.sqrt(WIDENED**2 - width**2) / psf.FWHM_PER_SIGMA
    white = full.measured("white").white
    if white is not None:
        sky = np.nanmedian(image.planes, axis=(1, 2))
        white = tuple(float(s + CUT_OFF * (w - s)) for s, w in zip(sky, white, strict=True))
    soft = image.replace(
        geometry.soften(image.planes, sigma), white=white, fwhm=None if image.fwhm is None else WIDENED, notices=image.notices
    )
    return soft.noted(
        Notice(
            "preview-softened",
            f"Binned, the stars are only {width:.2g} px wide, too little to tell them from the nebula; they were widened to {WIDENED:.2g} px. "
            "Stars and detail of the whole are finer.",
        )
    )
