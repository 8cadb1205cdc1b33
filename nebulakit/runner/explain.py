"""When it looks wrong: what people see, what causes it, how to be sure, and the line of YAML that mends it."""

from __future__ import annotations

from typing import NamedTuple


class Entry(NamedTuple):
    """One symptom or warning: what is seen, its cause, how to be sure, and what to write into the recipe."""

    seen: str
    cause: str
    sure: str
    mend: str = "nothing in the recipe: there is nothing to mend"


SYMPTOMS: dict[str, Entry] = {
    "red-mush": Entry(
        "The nebula is one flat red area without structure.",
        "H-alpha is stretched so far that red reaches its limit, or colour was strengthened until nothing is left to vary.",
        "Run with --until on the stretch of H-alpha: is the structure there in grey? Then it was lost in the colour.",
        "- stretch_asinh: {white: 3000 sigma}   # more room for bright parts; or  - saturate: {gain: 1.0}",
    ),
    "cyan-discs": Entry(
        "Round blue-green discs, often off-centre, where bright stars were.",
        "A reflection inside the filter, seen in green and blue only, so that unmixing takes it for [O III].",
        "The discs sit on the brightest stars and have all one size; they are there in oiii.fits and not in ha.fits.",
        "- separate_stars: {halos: stars}   # and, for one that is missed,  add: [{at: [41.2%, 63.0%], radius: 12 fwhm}]",
    ),
    "blotches": Entry(
        "Soft patches of brightness or colour in the sky, some tens of pixels wide.",
        "Noise of the coarse scales is left while the fine one is gone, most of all in [O III] after its gain.",
        "They have another shape in a second stack of the same field, and no counterpart in H-alpha.",
        "- denoise_wavelet: {strength: 2}   # on the [O III] layer; or a smaller gain in balance_lines",
    ),
    "dots-where-stars-were": Entry(
        "Small dark or coloured dots all over the nebula.",
        "Stars were taken out a little too deep or not deep enough, and the gain of [O III] made it visible.",
        "The dots sit on the rings of the report's picture of stars found.",
        "- separate_stars: {spare: [{at: [41.2%, 63.0%], radius: 2 fwhm}]}   # a knot that is no star; else lower balance_lines' gain",
    ),
    "crushed-blacks": Entry(
        "The sky is pure black, and the nebula ends in a hard edge.",
        "Black was set at or above the sky, so that half of the noise and all faint light is cut.",
        "The histogram after the stretch begins with a spike at 0.",
        "- stretch_asinh: {sky: 10%}   # and no 'black' of your own",
    ),
    "magenta": Entry(
        "Pink or violet where both lines are bright, or as a haze over the sky.",
        "The colours chosen for the lines mix to magenta, or the channels' sky levels differ.",
        "In the sky: look at the sky tint of level_sky in the report. In the nebula: it goes away with colours: red-teal.",
        "- bicolour: {ha: ha_bright, oiii: oiii_bright, colours: red-teal}   # then  - limit_tint: {}",
    ),
    "banding": Entry(
        "Steps in what should be a smooth fall of brightness.",
        "The stack was saved with too few levels, or a picture with 8 bits was stretched again.",
        "nebulakit inspect says few-levels. The tif with 16 bits has steps too.",
        "nothing in the recipe: export the stack as 32-bit float; finish from picture.tif, never from the jpg",
    ),
    "dark-rings": Entry(
        "Stars or knots have a dark ring round them.",
        "Sharpening went further than the noise and the star profile allow, or was run on a layer with cut-off stars.",
        "The rings are there after deconvolve and not before it.",
        "- deconvolve: {}   # only on the starless layer; skip: true where the stars' width is under 1.8 px",
    ),
    "cyan-carpet": Entry(
        "The whole sky is covered by a fine blue-green grain or weave.",
        "There is hardly any [O III], and its noise was raised to the scale of H-alpha.",
        "balance_lines says in how much of the frame [O III] stands above its noise.",
        "- balance_lines: {oiii: oiii, gain: 1.0}   # or the recipe natural, or one_line",
    ),
    "gradient-left": Entry(
        "One side or corner of the sky is brighter than the other.",
        "The skyglow has more shape than the surface fitted to it, or nebula was taken for sky.",
        "The report of remove_gradient shows which places were taken for sky.",
        "- remove_gradient: {sky: [[8%, 10%], [90%, 12%], [10%, 90%]]}   # places you know to be empty",
    ),
    "green-haze": Entry(
        "A green veil, mostly over the faint parts.",
        "Green is left where [O III] was over-estimated, or one channel's sky is too high.",
        "It fades with limit_tint at full strength.",
        "- limit_tint: {strength: 100%}",
    ),
    "lost-outer-shell": Entry(
        "The faint outer part of the nebula, known from other pictures, is missing.",
        "It was taken for skyglow and subtracted, or for noise and smoothed away.",
        "The report's picture of the gradient has the shape of the nebula.",
        "- remove_gradient: {order: 1}   # or say where sky is:  sky: [...];  and a smaller denoise strength",
    ),
}
