"""How deep a stack is by its header, and what more hours would bring."""

from __future__ import annotations

import math
from typing import Any

from nebulakit.image import Image

MORE = 3.0  # hours that are reckoned with
UNKNOWN = 1e-9  # of the brightest: less noise than 32-bit floats resolve is that of a sky saved in too few levels


def hours(header: Any) -> float | None:
    """Give the hours of exposure a header tells: a total, or seconds per frame times frames; None where it does not."""
    whole = _number(header, "TOTALEXP", "EXPTOTAL", "LIVETIME")
    if whole is not None:
        return whole / 3600
    frames, one = frames_of(header)
    # without a number of frames it is not known whether one frame or the night is meant
    return one * frames / 3600 if one is not None and frames is not None else None


def frames_of(header: Any) -> tuple[float | None, float | None]:
    """Give how many frames a header tells, and the seconds of each; None for what it does not."""
    return _number(header, "STACKCNT", "NCOMBINE", "NFRAMES", "STACKED"), _number(header, "EXPTIME", "EXPOSURE")


def _number(header: Any, *keys: str) -> float | None:
    for key in keys if header is not None else ():
        try:
            value = float(header[key])
        except (KeyError, TypeError, ValueError):
            continue
        if math.isfinite(value) and value > 0:
            return value
    return None


def more_hours(header: Any) -> dict[str, Any]:
    """Give the hours and by what three more would raise the signal-to-noise, which grows as the square root of time."""
    told = hours(header)
    gain = f"signal-to-noise x{_factor(told):.2f}" if told else "unknown"
    return {"hours": told if told is not None else "unknown", "three_more_hours": gain}


def _factor(told: float) -> float:
    return math.sqrt((told + MORE) / told)


def signal(image: Image) -> dict[str, Any]:
    """Give the signal-to-noise of the lines in core and outer shell, per area of a star, now and after three more hours.

    ``image`` is linear, with noise, stars and width known. Empty where nothing shines, stars have no width or the sky no noise.
    """
    import numpy as np

    from nebulakit.pixels.glow import gradient, legendre
    from nebulakit.pixels.signal import line_signals
    from nebulakit.pixels.star_signs import star_mask

    if image.scale != "linear" or image.noise is None or image.fwhm is None or len(image.channels) not in (1, 3):
        return {}
    if min(image.noise.sigma) <= UNKNOWN * float(np.nanmax(np.abs(image.planes), initial=0)):
        return {}
    gap = ~image.covered()
    sky = gradient.decide_gradient(image.planes, image.noise.sigma, left_out=gap)
    flat = image.planes - legendre.surface(sky.coefficients, image.shape, sky.order)
    stars = gap if image.stars is None else gap | star_mask(image.shape, image.stars.x, image.stars.y, image.stars.radius)
    found = line_signals(np.asarray(flat), image.noise, stars, image.fwhm)
    if found is None:
        return {}
    names = ("ha", "oiii") if len(found.core) == 2 else ("light",)

    def told(factor: float) -> dict[str, dict[str, float]]:
        rows = zip(names, found.core, found.shell, strict=True)
        return {n: {"core": round(factor * core, 1), "outer_shell": round(factor * shell, 1)} for n, core, shell in rows}

    long = hours(image.header)
    then = {"signal_to_noise_three_hours_more": told(_factor(long))} if long else {}
    return {"shines_share": found.share, "signal_to_noise": told(1.0), **then}
