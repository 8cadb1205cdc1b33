"""Noise reduction by wavelets, against the measured noise."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.image import Image, Notice, largest
from nebulakit.pixels.facts import Noise

_SMOOTHED = 0.4  # a layer whose finest grain is less than this share of what the stack's noise should be was smoothed before
_STEEPEST = 1.5


@step()
def denoise_wavelet(
    image: Image,
    *,
    strength: Annotated[
        float,
        About(
            "how much noise is reckoned with, as a multiple of what was measured; 0 changes nothing",
            0,
            5,
            raise_when="grain or blotches are left",
            lower_when="faint structure is wiped out or looks like plastic",
        ),
    ] = 1.0,
    by_scale: Annotated[
        tuple[float, float, float, float, float, float],
        About(
            "the same for structure of about 1, 2, 4, 8, 16 and 32 px, multiplied with strength",
            0,
            5,
            raise_when="noise of that size is left (blotches: the last numbers; grain: the first)",
            lower_when="structure of that size is lost",
        ),
    ] = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
    of: Annotated[
        Literal["both", "brightness", "colour"],
        About(
            "what of an RGB picture is changed: brightness (the mean of the channels), colour (what differs from it), or both",
            raise_when="",
            lower_when="",
        ),
    ] = "both",
) -> Image:
    """Lower the noise where nothing stands out of it, and leave alone what does.

    An undecimated wavelet transform, each coefficient shrunk by how far the energy round it stands above the noise
    that was measured for its size and place: first from the layer itself, then once more with the first result as
    guide (local shrinkage after Mihcak et al. 1999; empirical Wiener filter after Ghael, Sayeed & Baraniuk 1997). How
    much of the two results, and of the layer itself, is best for each size of structure is told from the layer without
    knowing the truth (Stein 1981; Ramani, Blu & Unser 2008). Where frames are fewer the noise is larger, and more is
    taken. Channels are worked on together along the axes on which their light is least spread. The noise that steps go
    by stays that of the linear stack: `4 sigma` means the same before and after.

    On a stretched layer the noise is measured there, with how it varies from place to place. NaN stays NaN, and so do
    values without coverage; neither spreads. Nothing is done, and said so, where there is no noise to win: on a layer that
    was smoothed already, or has none. Do it after unmixing the lines, each by its own noise, and before the stretch.

    Noise that runs in streaks is found by its direction, taken as such, and said.

    It fails, leaving noise, where noise is correlated in a way unlike smoothing and straight streaks (curved ones, rows and
    columns of a sensor), and round bright stars, whose light hides it: take the stars out first.

    >>> noisy = np.random.default_rng(1).normal(0, 1, (1, 200, 200)).astype(np.float32)
    >>> bool(denoise_wavelet(noisy).std() < 0.1)
    True
    """
    from nebulakit.pixels import denoise, noise, starlet
    from nebulakit.pixels.streaks import measure_streaks

    if strength == 0 or not any(by_scale):
        return image.replace().noted(_nothing("the strength is 0, so the layer stayed as it was."))
    if of == "colour" and len(image.planes) == 1:
        return image.replace().noted(
            _nothing("the layer has a single channel and no colour, so it stayed as it was. Use of: both.")
        )
    level = _noise(image)
    if not any(s > 0 for s in level.sigma):
        return image.replace().noted(
            _nothing("no noise was found in this layer, so it stayed as it was."), noise_before=_rows(level.scales)
        )
    # a channel without noise beside noisy ones has a thousandth of theirs, so that their ratio is a number; what is finer than
    # 32-bit floats hold of the largest value is rounding
    least = max(1e-3 * max(level.sigma), 1e-9 * largest(image.planes))
    reckoned = Noise(tuple(max(s, least) for s in level.sigma), level.scales, level.map)
    if image.noise is not None and image.scale == "linear":
        grain = float(np.max(noise.fine_noise(image.planes) / np.maximum(noise.fine_share(level), 1e-30)))
        if grain < _SMOOTHED:
            why = (
                f"the finest grain of this layer is {grain:.0%} of what the stack's noise should be: it was smoothed already, "
                "so it stayed as it was. Take out an earlier noise reduction, or one that was done before stacking."
            )
            return image.replace().noted(_nothing(why), noise_before=_rows(level.scales), grain_share=grain)

    there = image.covered()
    whole = bool(there.all())
    planes = (
        image.planes if whole else np.stack([starlet.fill_gaps(np.where(there, p, np.float32(np.nan)))[0] for p in image.planes])
    )
    streaks = measure_streaks(image.planes, image.coverage)
    calm = denoise.apply_denoise(planes, denoise.decide_denoise(planes, reckoned, strength, by_scale, streaks), level.map)
    if of != "both":
        calm = denoise.only(of, planes, calm)
    if image.scale == "display":
        calm = np.clip(calm, min(0.0, float(planes.min())), max(1.0, float(planes.max())))
    out = calm if whole else np.where(there, calm, image.planes)
    after = noise.quiet_scales(out, len(level.scales[0]))
    notices, found = [], {}
    if streaks:
        found["streaks"] = {"angle": streaks.angle, "length": streaks.length, "blur": streaks.blur, "share": list(streaks.share)}
        notices.append(
            Notice(
                "streaked-noise",
                f"The noise runs in streaks at {streaks.angle:.0f} degrees from the rows, alike over {streaks.length:.0f} px, "
                f"{max(streaks.share):.0%} of its finest grain: the sensor's pattern, drawn out by frames that drifted the same way. It was "
                "reckoned with, and more noise of that direction was taken. Moving the frames about at random (dither) prevents it.",
            )
        )
    return image.replace(out).noted(
        *notices,
        **found,
        strength=strength,
        by_scale=list(by_scale),
        of=of,
        sigma=[float(s) for s in level.sigma],
        noise_before=_rows(level.scales),
        noise_after=[
            [min(float(a), float(b)) for a, b in zip(*pair, strict=True)] for pair in zip(after, level.scales, strict=True)
        ],
    )


def _noise(image: Image) -> Noise:
    """Give the noise to go by: the stack's on a linear layer, what is found on a stretched one, where it changes with level."""
    from nebulakit.pixels import noise

    told = image.noise
    if told is not None and image.scale == "linear":
        return Noise(tuple(max(s, 1e-30) if any(told.sigma) else s for s in told.sigma), told.scales, told.map)
    found = noise.measure_noise(image.planes, image.coverage)
    if told is None:
        return found
    # a stretch is steepest at the sky: nowhere is there much more noise than the stack's has become there
    most = [_STEEPEST * t if t > 0 else s for s, t in zip(found.sigma, told.sigma, strict=True)]
    fewer = [min(1.0, m / s) if s > 0 else 1.0 for s, m in zip(found.sigma, most, strict=True)]
    level = found.scaled(fewer)
    if level.map is None or not any(level.sigma):
        return level
    top = max(m / s for s, m in zip(level.sigma, most, strict=True) if s > 0)
    return Noise(level.sigma, level.scales, np.minimum(level.map, np.float32(top)))


def _rows(scales: tuple[tuple[float, ...], ...]) -> list[list[float]]:
    return [[float(v) for v in row] for row in scales]


def _nothing(why: str) -> Notice:
    return Notice("nothing-to-denoise", "denoise_wavelet: " + why)
