"""What the pixels of a stack give to doubt: levels, noise, stars, colours."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image, Notice
from nebulakit.pixels import signs, star_signs
from nebulakit.pixels.facts import StarList

NAMES = ("red", "green", "blue")
_ENOUGH = 6_000_000  # pixels of the middle tell noise and stars well enough
_CROWD = 0.6  # of the frame: where stars reach over more, what lies between them cannot be told
_UNEVEN = 0.3  # untouched 0.06 to 0.15 in two channels, denoised 0.45 to 1.1 where the other signs are silent
_RIM = 5  # px beside what is empty: where a stack was turned afterwards, these are mixed with nothing


def of_pixels(image: Image) -> Iterator[Notice]:
    """Doubt the pixels: levels, noise, stars, colours."""
    import cv2

    from nebulakit.pixels.borders import empty_border

    border = empty_border(image.planes) if image.coverage is None else None
    good = image.covered() if border is None else image.covered() & ~border
    if good.sum() < 4096:
        return
    empty = np.pad((~good).astype(np.uint8), 1)
    good &= cv2.dilate(empty, np.ones((2 * _RIM + 1,) * 2, np.uint8))[1:-1, 1:-1] == 0
    if good.sum() < 4096:
        return
    part = (slice(None), *signs.middle(image.planes, _ENOUGH))
    planes, inside = image.planes[part], good[part[1:]]
    covered = None if image.coverage is None else image.coverage[part[1:]]
    known = Image(np.where(inside, planes, np.float32(np.nan)), image.channels, coverage=covered, fwhm=image.fwhm).measured(
        "noise", "sky", "white"
    )
    noise, sky = known.noise, known.sky
    assert noise is not None and sky is not None
    sigma = noise.sigma

    steps = [signs.step_of_values(p[inside]) for p in planes]
    coarse = [c for c, (step, s) in enumerate(zip(steps, sigma, strict=True)) if step > max(s, 1e-12)]
    if coarse:
        c = max(coarse, key=lambda k: steps[k])
        told = f"neighbouring values lie {steps[c]:.2g} apart, the noise is about {sigma[c]:.2g}"
        if not np.isfinite(steps[c]):
            told = "all of the sky, 80% of the pixels, is one value"
        yield Notice(
            "few-levels",
            f"the stack was saved with too few levels: {told} (in {image.channels[c]}). Faint light and noise cannot be "
            "told apart, smooth skies will show steps. Export the stack again as 32-bit float; nothing in a recipe "
            "brings it back.",
        )
        return  # noise and all that rests on it mean nothing here
    cut = [signs.at_lowest(p, inside, s) for p, s in zip(planes, sigma, strict=True)]
    if max(cut) > 0.001:
        c = int(np.argmax(cut))
        yield Notice(
            "blacks-cut",
            f"{cut[c]:.1%} of the pixels hold exactly the lowest value of {image.channels[c]}, scattered among others: "
            "the stacking program cut the sky off, and faint light with it. Noise and sky are told wrongly. Stack "
            "again with an offset kept (no clipping at 0).",
        )
    stretched = list(_stretched(known, inside)) if image.record.get("assume") != "linear" else []
    yield from stretched
    yield from _noise_doubts(image, known, inside, bool(stretched), max(cut) > 0.001)
    yield from _star_doubts(image, known, inside, bool(stretched))


def _stretched(known: Image, inside: npt.NDArray[np.bool_]) -> Iterator[Notice]:
    """Doubt that the data are linear: light brings noise, so noise cannot fall where there is more of it."""
    from nebulakit.pixels import coverage

    size = int(np.clip(min(inside.shape) // 36, 8, 64))
    blocks = coverage.block_noise(known.planes, inside, size)
    frames = None
    if known.coverage is not None:
        rows, cols = blocks.variance.shape[1:]
        frames = np.median(known.coverage[: rows * size, : cols * size].reshape(rows, size, cols, size), axis=(1, 3)).ravel()
    found = [
        signs.noise_by_level(v.ravel(), level.ravel(), None if frames is None else np.asarray(frames, float))
        for v, level in zip(blocks.variance, blocks.level, strict=True)
    ]
    slope = float(np.median([f[1] for f in found]))
    if slope < -0.12:
        rank = float(np.median([f[0] for f in found]))
        yield Notice(
            "already-stretched",
            f"noise falls where there is more light (as the power {slope:.2f} of the level, rank correlation "
            f"{rank:+.2f}; linear data have 0 to +0.5): the picture seems to be stretched already, and no line can be "
            "parted in it. Export the stack before any stretch; or use the recipe finish (with --assume display). If "
            "you know it to be linear, say  --assume linear",
        )


def _noise_doubts(image: Image, known: Image, inside: npt.NDArray[np.bool_], stretched: bool, cut: bool) -> Iterator[Notice]:
    """Doubt what the sky and the noise say."""
    from nebulakit.runner.examine import gradient

    noise, sky = known.noise, known.sky
    assert noise is not None and sky is not None
    heights = [abs(level) / s if s > 0 else np.inf for level, s in zip(sky, noise.sigma, strict=True)]
    negative = float((known.planes[:, inside] < 0).mean())
    rise = min(gradient(known))  # nebula raises one colour or two, skyglow all
    if max(heights) < 3 and negative > 0.05 and not cut:
        yield Notice(
            "sky-removed",
            f"the sky stands at 0 (within {max(heights):.1f} sigma, {negative:.0%} of the pixels are negative): sky or "
            f"gradient were removed before. Negative values are kept as values. The sky still rises by {rise:.1f} "
            "sigma across the frame; under 3, take it as done:  - remove_gradient: {}  with  skip: true",
        )
    elif rise < 3.0 and not cut and not stretched:
        yield Notice(
            "gradient-removed",
            f"the sky is even to {rise:.1f} sigma across the frame: a gradient was removed before, or there was none. "
            "A second surface can only take nebula away:  - remove_gradient: {}  with  skip: true",
        )
    if stretched or not image.is_rgb:
        return
    middle = signs.middle(known.planes)
    between = signs.likeness(known.planes[(slice(None), *middle)], inside[middle])
    k = int(np.argmin(between))
    if between[k] < -0.05:
        pair = ((0, 1), (0, 2), (1, 2))[k]
        yield Notice(
            "channels-mixed",
            f"the noise of {NAMES[pair[0]]} and {NAMES[pair[1]]} is opposed (correlation {between[k]:+.2f}; a camera "
            "gives 0 or more): a colour matrix was applied. The sensor's own answer to the lines no longer holds; "
            "stack without colour calibration, or leave  - unmix_lines: {sensor: auto}",
        )


def _star_doubts(image: Image, known: Image, inside: npt.NDArray[np.bool_], stretched: bool) -> Iterator[Notice]:
    """Doubt stars, and what rests on knowing where they are."""
    known = known.measured("stars", "psf")
    noise, stars, psf = known.noise, known.stars, known.psf
    assert noise is not None
    mega = float(inside.sum()) / 1e6
    top = float(np.nanmax(known.planes))
    if known.white is None and top > 1.5:
        yield Notice(
            "values-beyond-one",
            f"values reach {top:.5g} and no star is cut off at a common level: what counts as full is not known, "
            "and a level in % of it means nothing. Write levels in sigma (such as  above: 4 sigma), or scale the stack "
            "so that full is 1 when you export it.",
        )
    number = 0 if stars is None else len(stars)
    if number < max(6, 25 * mega):
        yield _why_so_few(number, known, inside)
    elif stars is not None:
        ring, centre, used = star_signs.star_ring(known.planes, stars.x, stars.y, stars.peak, stars.saturated, known.fwhm or 3.0)
        yield from _width_doubts(image, known, stretched, ring, inside)
        if used >= 5 and centre < 0.85:
            yield Notice(
                "out-of-focus",
                f"the middle of the stars is darker than their rim ({centre:.0%} of it, {used} stars): they are out of "
                f"focus. Take  - deconvolve: {{}}  out.",
            )
        if psf is not None and psf.ellipticity > 0.35:
            yield Notice(
                "trailed",
                f"stars are drawn out: their long axis is {1 / (1 - min(psf.ellipticity, 0.9)):.1f} times the short "
                f"one, at {psf.angle:.0f} degrees ({psf.stars} stars). Guiding or wind: leave single bad frames out of "
                "the stack. Do not sharpen: take  - deconvolve: {}  out.",
            )
        yield from _white_doubts(known, stars, stretched)
        if image.is_rgb and not stretched:
            yield from _colour_doubts(known, inside)
    lone = signs.lone_points(known.planes, noise.sigma)
    if lone > max(15, 80 * mega):
        yield Notice(
            "hot-pixels",
            f"{lone} points sharper than any star, in one colour each ({lone / mega:.0f} per million pixels): hot "
            "pixels, darks were missing or the frames not dithered. They may pass for stars. Stack again with darks "
            "and rejection.",
        )


def _why_so_few(number: int, known: Image, inside: npt.NDArray[np.bool_]) -> Notice:
    """Say why hardly a star was found: they are rings, or were taken out."""
    assert known.noise is not None
    total = float(np.sqrt(np.square(known.noise.sigma).sum()))
    depth, spots = star_signs.dips(np.asarray(known.planes.sum(0)), total, max(15, min(inside.shape) // 60))
    if spots >= 4 and depth < 0.9:
        return Notice(
            "out-of-focus",
            f"{spots} bright spots have a dark middle ({depth:.0%} of their rim): the stars are out of focus. They are neither found nor "
            "sharpened well; nothing in a recipe makes them points. Take  - deconvolve: {}  out, and keep only nights in focus.",
        )
    return Notice(
        "stars-removed",
        f"{number} stars in {inside.sum() / 1e6:.1f} million pixels: the stars were taken out before. Lengths in fwhm then have no measure: "
        "say the stars' width with --fwhm, and leave separate_stars out of the recipe.",
    )


def _width_doubts(image: Image, known: Image, stretched: bool, ring: float, inside: npt.NDArray[np.bool_]) -> Iterator[Notice]:
    """Doubt the sampling: the stars' width against how alike the noise of neighbours is."""
    noise, fwhm = known.noise, known.fwhm
    assert noise is not None
    if fwhm is None:
        return
    ratios = [row[1] / row[0] if row[0] > 0 else 0.0 for row in noise.scales]
    # one channel smoothed far beyond what resampling does is enough
    coarse = max(ratios) if max(ratios) > 1.2 else float(np.median(ratios))
    if fwhm > 5 and coarse > 0.75:
        yield Notice(
            "enlarged",
            f"stars are {fwhm:.1f} px wide and the noise of neighbouring pixels is alike (scale 2 to scale 1: "
            f"{coarse:.2f}; untouched 0.23 to 0.6): the stack was enlarged (or smoothed a lot), and holds no more "
            "detail for it. Begin with  - bin: {factor: 2}",
        )
    elif fwhm < 1.6:
        yield Notice(
            "undersampled",
            f"stars are only {fwhm:.1f} px wide: binned, or a short focus. Hot pixels look like stars and sharpening "
            "makes points of nothing: take  - deconvolve: {}  out; do not bin further.",
        )
    elif smoothed := _smoothed(image, known, stretched, coarse, inside):
        yield Notice(
            "smoothed-already",
            f"{smoothed}. The noise is told too small. Export the stack untouched; else leave out  - denoise_wavelet: {{}}",
        )
    if ring < -0.008 and not stretched:
        yield Notice(
            "sharpened-already",
            f"stars have a dark ring ({ring:.1%} of their height, seen on the brightest that are not cut off): the "
            "stack was sharpened before. Export it untouched; else take  - deconvolve: {}  out, for it would deepen "
            "the rings.",
        )


def _smoothed(image: Image, known: Image, stretched: bool, coarse: float, inside: npt.NDArray[np.bool_]) -> str:
    """Say by what sign the noise was smoothed before; empty where there is none."""
    if not stretched:
        middle, between, spread = signs.middle(known.planes), 0.0, 0.0
        if image.is_rgb:
            alike = signs.likeness(known.planes[(slice(None), *middle)], inside[middle], (0.1, 0.02))
            between, spread = float(alike[:, 0].min()), float((alike[:, 0] - alike[:, 1]).min())
        if coarse > 0.95 or between > 0.4:
            return (
                f"the finest noise is missing (scale 2 to scale 1: {coarse:.2f}, untouched 0.23 to 0.9; what is left there is alike in all "
                f"channels by {between:.2f}): the stack was smoothed or denoised before"
            )
        if spread > _UNEVEN:
            return (
                "what is left of the finest detail is as alike in two channels as chance has it, and differs by "
                f"{spread:.2f} among the least alike places (untouched noise by 0.1): the stack was denoised before"
            )
    equal, expected = signs.repeats(known.planes, inside), signs.repeats_by_levels(known.planes, inside)
    if equal > 0.008 + 3 * expected:
        return (
            f"{equal:.1%} of all pixels are equal to their neighbour to the last bit (untouched {expected:.1%}): "
            "a median was taken over neighbours"
        )
    return ""


def _white_doubts(known: Image, stars: StarList, stretched: bool) -> Iterator[Notice]:
    """Doubt the level at which stars are cut off."""
    if known.white is None:
        if stretched:
            return
        beyond = star_signs.beyond_tops(known.planes, stars.x, stars.y, known.fwhm or 3.0)
        if beyond.number:
            s = "s" if beyond.number > 1 else ""
            yield Notice(
                "white-unknown",
                f"{beyond.number} star{s} would be up to {beyond.times:.1f} times as high as the highest top in the picture, by "
                f"the light of their flanks (known to {beyond.doubt:.0%}), but no top is flat: they were cut off, and then "
                "blurred, turned or averaged. The level they were cut at is not known; bright stars may keep dark or coloured "
                "middles after separate_stars. Export the stack with its full range; else look at the brightest stars, and "
                "leave them in the picture:  - separate_stars: {spare: [{at: [50%, 50%], radius: 8 fwhm}]}",
            )
        return
    if len(known.white) < 3 or stretched:
        return
    # a sky of another brightness in each channel is no factor: told by the level itself, and by how far it lies above the sky
    white = np.asarray(known.white)
    factors = min((level / level[1] for level in (white, white - known.sky)), key=lambda f: float(np.abs(np.log(f)).max()))
    # only cut-off stars tell a factor: each channel must have a pile-up of its own
    own = [float((p > w * 0.97).sum()) >= 9 for p, w in zip(known.planes, known.white, strict=True)]
    if all(own) and np.abs(np.log(factors)).max() > 0.08:
        yield Notice(
            "channels-rescaled",
            f"stars are cut off at different levels: red x{factors[0]:.2f}, blue x{factors[2]:.2f} of green. The "
            "channels were multiplied (white balance). Leave  - unmix_lines: {sensor: auto} , which measures the "
            "answer anew; a named sensor does not fit any more.",
        )


def _colour_doubts(known: Image, inside: npt.NDArray[np.bool_]) -> Iterator[Notice]:
    """Doubt the colours of what lies between the stars."""
    noise, stars = known.noise, known.stars
    assert noise is not None and stars is not None
    mask = star_signs.star_mask(inside.shape, stars.x, stars.y, stars.radius)
    if mask[inside].mean() > _CROWD:  # the light between so many stars is theirs
        return
    light = signs.structure(known.planes, inside, mask, noise.sigma)
    if light.significance.max() < 6:
        return
    red, _, blue = light.ratio
    c = light.correlation
    own = star_signs.star_colour(known.planes, stars.x, stars.y, stars.saturated)
    if c[0, 1] > 0.96 and c[1, 2] > 0.96 and np.isfinite(own).all() and max(abs(red / own[0] - 1), abs(blue / own[2] - 1)) < 0.15:
        yield Notice(
            "no-line-light",
            f"what lies between the stars has the stars' own colour (red {red:.2f}, blue {blue:.2f} of green; stars "
            f"{own[0]:.2f} and {own[2]:.2f}): starlight from dust or a galaxy, or no line filter. There are no lines "
            "to part: use the recipe natural.",
        )
    elif (blue > 1.9 and blue > 1.2 * red) or (c[0, 1] > 0.9 and c[0, 1] > c[1, 2] + 0.1 and blue < 0.4 and red > 0.4):
        yield Notice(
            "red-and-blue-swapped",
            f"the nebula is strongest in blue, or seen in green and red but not in blue (red {red:.2f}, blue "
            f"{blue:.2f} of green): H-alpha sits in the blue plane. Red and blue were swapped, or the colour pattern "
            "is wrong (RGGB for BGGR). Export with the right order, or for a mosaic say which with  - collapse_bayer: "
            "{pattern: RGGB}  (or BGGR, GRBG, GBRG).",
        )
    elif abs(red) < 0.45 and abs(blue) < 0.45:
        yield Notice(
            "nebula-green",
            f"the nebula is seen in green and hardly in red or blue (red {red:.2f}, blue {blue:.2f} of green): no line "
            "does that, the order of the planes or the colour pattern is wrong. For a mosaic say which with  - "
            "collapse_bayer: {pattern: RGGB}  (or BGGR, GRBG, GBRG).",
        )
