"""What one was given: the facts of a stack, measured, and which shipped recipe suits it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.runner.depth import more_hours, signal
from nebulakit.runner.keys import plain


def examine(image: Image) -> dict[str, Any]:
    """Measure a stack as it was read; give plain values for a table or JSON.

    Size, planes, whether it is linear and why, noise and sky per channel, the gradient in sigma, stars, star width,
    white level, cut-off share, coverage, signal-to-noise of the lines (per area of a star), and the recipe that suits.
    """
    height, width = image.shape
    facts: dict[str, Any] = {
        "width": width,
        "height": height,
        "planes": list(image.channels),
        "stored_as": image.record.get("file_values"),
        "scale": image.scale,
        "scale_because": image.record.get("scale_because"),
        "covered": float(image.covered().mean()),
    }
    if image.channels == ("mosaic",):
        facts["pattern"] = image.header.get("BAYERPAT") if image.header is not None else None
        facts["recipe"] = "none yet: put collapse_bayer first"
        return facts
    known = image.measured("noise", "sky", "white", "stars", "fwhm")
    noise, sky, stars = known.noise, known.sky, known.stars
    assert noise is not None and sky is not None
    facts |= {
        "noise": list(noise.sigma),
        "sky_level": list(sky),
        "gradient_sigma": gradient(known),
        "stars": len(stars) if stars is not None else 0,
        "fwhm": known.fwhm,
        "ellipticity": known.psf.ellipticity if known.psf else None,
        "white_level": list(known.white) if known.white else None,
        "cut_off": cut_off(known),
        "coverage": coverage(known),
        "arcsec_per_px": known.arcsec_per_px(),
        "mirrored": {True: "yes", False: "no", None: "cannot be told, there is no sky position in the header"}[mirrored(known)],
    }
    facts |= more_hours(known.header)
    facts |= signal(known)
    facts["recipe"], facts["recipe_because"] = suits(known)
    return dict(plain(facts))


def mirrored(image: Image) -> bool | None:
    """Tell whether the stack is a mirror image of the sky by the position in its header; None without one."""
    wcs = image.wcs()
    if wcs is None:
        return None
    turn = float(np.linalg.det(wcs.pixel_scale_matrix))
    # where the header says which row is the top, the picture as it is shown is meant; else FITS counts from the bottom
    told = image.header is not None and "ROWORDER" in image.header
    return turn < 0 if told else turn > 0


def gradient(image: Image) -> list[float]:
    """Give how far the sky rises across the frame per channel, in noise sigma: the spread of the level of 5x5 tiles' dark parts."""
    assert image.noise is not None
    out = []
    for plane, sigma in zip(image.planes, image.noise.sigma, strict=True):
        tiles = [t for rows in np.array_split(plane, 5, axis=0) for t in np.array_split(rows, 5, axis=1)]
        dark = [float(np.nanpercentile(t[::2, ::2], 20)) for t in tiles if t.size and np.isfinite(t).mean() > 0.5]
        out.append((max(dark) - min(dark)) / sigma if dark and sigma > 0 else 0.0)
    return out


def cut_off(image: Image) -> float:
    """Give the share of pixels that reach the white level in any channel, 0 where nothing is cut off."""
    if image.white is None:
        return 0.0
    top = np.asarray(image.white, np.float32)[:, None, None] * np.float32(0.985)
    return float((image.planes >= top).any(axis=0).mean())


def coverage(image: Image) -> Mapping[str, Any]:
    """Tell how the coverage map varies."""
    if image.coverage is None:
        return {"known": False}
    c = image.coverage
    best = float(c.max())
    return {
        "known": True,
        "best": best,
        "share_above_85_percent": float((c >= 0.85 * best).mean()) if best > 0 else 0.0,
        "empty": float((c <= 0).mean()),
    }


def suits(image: Image) -> tuple[str, str]:
    """Name the shipped recipe that suits, and why."""
    if image.scale == "display" and not image.is_rgb:
        return (
            "none as it is: one of your own with  extends: finish  and  skip: [saturate]",
            "the picture is stretched already, and grey",
        )
    if image.scale == "display":
        return "finish", "the picture is stretched already"
    if not image.is_rgb:
        return "one_line", "there is one plane"
    return "bicolour", "a linear colour stack"


def first_look(image: Image) -> Image:
    """Give a picture to look at: the stack stretched as it is, each channel's sky at one level; a mosaic as a colour picture of half the size."""
    from nebulakit import steps

    if image.channels == ("mosaic",):
        image = steps.collapse_bayer(image)
    if image.scale == "display":
        return image
    known = image.measured("noise", "sky")
    assert known.sky is not None
    level = np.asarray(known.sky, np.float32)[:, None, None]
    shown: Image = steps.stretch_asinh(known.replace(known.planes - level, sky=(0.0,) * len(known.channels)))
    return shown
