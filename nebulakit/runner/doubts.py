"""What each doubt about a stack and its files means: what is seen, what causes it, how to be sure, and what to write."""

from __future__ import annotations

from nebulakit.runner.explain import Entry

DOUBTS: dict[str, Entry] = {
    "alpha-dropped": Entry(
        "A fourth plane was not used.", "The file holds an opacity beside its colours.", "The plane is constant, or a mask."
    ),
    "already-stretched": Entry(
        "A stack that is said to be stretched already.",
        "The file was saved after a stretch, or a program applied a curve on export.",
        "In a linear stack the sky and most of the nebula look black, and noise grows with light; here it falls.",
        "nothing in the recipe: export the stack before any stretch; else run finish with --assume display",
    ),
    "blacks-cut": Entry(
        "Many scattered pixels hold exactly the lowest value.",
        "The stacking program subtracted a sky and cut what fell below 0.",
        "The histogram of the linear stack begins with a spike instead of a slope.",
        "nothing in the recipe: stack again with an offset, so that no value is cut at 0",
    ),
    "channels-mixed": Entry(
        "The noise of two colours is opposed: where one is high the other is low.",
        "A colour matrix (colour calibration) subtracted the channels from each other.",
        "Independent pixels cannot have opposed noise; stack again without colour calibration and the number goes to 0.",
        "- unmix_lines: {sensor: auto}   # better: a stack without colour calibration",
    ),
    "channels-rescaled": Entry(
        "Stars are cut off at another level in each colour.",
        "A white balance multiplied the channels.",
        "Read the three values of white level in nebulakit inspect: one factor between each two.",
        "- unmix_lines: {sensor: auto}   # measures the answer of the sensor anew; do not name a sensor",
    ),
    "colour-lost": Entry(
        "A mosaic whose four cells are all alike.",
        "Frames were turned and averaged before colour was made of them.",
        "Binned 2x2, nothing is lost; no cell is brighter than the others anywhere.",
        "nothing in the recipe: make colour of each frame, then stack",
    ),
    "coverage-grainy": Entry(
        "The coverage map is grainy.",
        "It counts what was rejected pixel by pixel, or is noisy itself.",
        "Look at it at full size: neighbouring pixels differ.",
        "nothing in the recipe: export a smooth map of frames or weights",
    ),
    "coverage-spike": Entry(
        "A few odd pixels of the coverage map are far above the rest.",
        "A map of weights with an outlier; the field is judged by what most pixels reach.",
        "The maximum of the map stands alone in its histogram.",
    ),
    "coverage-inverted": Entry(
        "The coverage map is larger where the noise is larger.",
        "It counts rejected frames or variance instead of frames.",
        "In the corners, where few frames lie, the map is large.",
        "- crop_to_coverage: {map_counts: rejections}   # or variance",
    ),
    "coverage-unrelated": Entry(
        "The coverage map has nothing to do with the noise.",
        "The map belongs to another stack, or was turned over.",
        "The map's edges do not lie where the stack's noise rises.",
        "nothing in the recipe: give the right map with --input coverage=FILE, or none",
    ),
    "distortion-table-dropped": Entry(
        "A table of distortion in the header was not used.",
        "Its form does not follow a crop or a turn.",
        "Positions in RA and Dec may be off by some pixels at the edges.",
        "nothing in the recipe: give positions in % instead of RA and Dec",
    ),
    "enlarged": Entry(
        "Stars are wide and the noise is soft.",
        "The stack was enlarged (on purpose while stacking, or afterwards) beyond what the optics show.",
        "Binned by two it looks just as sharp.",
        "- bin: {factor: 2}",
    ),
    "few-levels": Entry(
        "The sky is made of a few steps.",
        "The stack was saved with 8 bits, or with 16 and very little light in them.",
        "Stretched hard, the histogram of the sky is a comb.",
        "nothing in the recipe: export the stack as 32-bit float",
    ),
    "gradient-removed": Entry(
        "The sky is even to less than three sigma.",
        "A gradient was removed before, or there was none.",
        "Bin the stack strongly and look at it: no side is brighter.",
        "- remove_gradient: {order: 0}   # or give the step  skip: true",
    ),
    "hot-pixels": Entry(
        "Many single bright pixels of one colour.",
        "Hot pixels of the sensor: no darks, no dither, or no rejection while stacking.",
        "They are one pixel wide and have no counterpart in the other channels.",
        "nothing in the recipe: stack again with darks and rejection",
    ),
    "mirrored": Entry(
        "The sky position in the header is that of a mirror image.",
        "A mirror in the light path, or rows turned over on the way.",
        "Compare with a known picture of the object: no turn makes them match.",
        "- orient: {mirror: horizontal}",
    ),
    "nebula-green": Entry(
        "The nebula shines in green alone.",
        "The colour pattern was taken for one shifted by a pixel, so that H-alpha landed in green.",
        "Only [O III] gives green, and it gives blue as well.",
        "- collapse_bayer: {pattern: RGGB}   # or BGGR, GRBG, GBRG, on the mosaic",
    ),
    "no-line-light": Entry(
        "What lies between the stars has the stars' colour.",
        "Starlight scattered by dust, a galaxy, or no line filter.",
        "The picture by the recipe natural shows no red.",
        "nothing in the recipe: use the recipe natural",
    ),
    "one-of-several-images": Entry(
        "The file holds several images and one was taken.",
        "Stack, map and preview were saved in one file.",
        "The warning names what was taken.",
        "nothing in the recipe: export the wanted image into a file of its own",
    ),
    "out-of-focus": Entry(
        "Stars are rings.",
        "The focus was off.",
        "The middle of the brightest stars that are not cut off is darker than their rim.",
        "nothing in the recipe: leave out the frames that are not in focus",
    ),
    "not-looked-through": Entry(
        "The stack was not looked through for signs of trouble.",
        "A fault of nebulakit while it looked; the steps do not rest on it.",
        "The same is told by nebulakit inspect.",
        "nothing in the recipe: report the sentence to the place you have nebulakit from",
    ),
    "pattern-missing": Entry(
        "A mosaic passes for a grey picture, since its header states no pattern.",
        "The program that saved it left the card BAYERPAT out.",
        "Looked at closely, even sky is a fine chequered ground.",
        "- collapse_bayer: {pattern: RGGB}   # or BGGR, GRBG, GBRG: the warning names the two that fit",
    ),
    "red-and-blue-swapped": Entry(
        "The nebula shines in blue where it should shine in red.",
        "Red and blue changed places: order of the planes, or the colour pattern taken for its opposite.",
        "Look at the first look of nebulakit inspect --picture: H-alpha nebulae must come out red.",
        "- mix_channels: {matrix: [[0, 0, 1], [0, 1, 0], [1, 0, 0]]}   # swaps red and blue back",
    ),
    "several-nights": Entry(
        "The coverage map has more than one flat part.",
        "Frames of several nights, turned or shifted against each other, lie in one stack.",
        "Look for straight edges where the noise changes.",
        "- crop_to_coverage: {keep: 85%}",
    ),
    "sharpened-already": Entry(
        "Stars have dark rings in the linear stack.",
        "It was sharpened before.",
        "The rings are there in the first look of nebulakit inspect --picture.",
        "nothing in the recipe: leave deconvolve out of it, or export the stack unsharpened",
    ),
    "sky-removed": Entry(
        "The sky stands at 0.",
        "Sky or gradient were subtracted before.",
        "About half of the sky's pixels are negative.",
        "- remove_gradient: {order: 0}   # or give the step  skip: true",
    ),
    "smoothed-already": Entry(
        "The finest noise is missing.",
        "The stack was smoothed or denoised before.",
        "At 4 times enlargement the sky looks soft, with spots wider than two pixels.",
        "- denoise_wavelet: {strength: 0.3}   # better: an untouched stack",
    ),
    "stars-removed": Entry(
        "Hardly any star is found.",
        "Stars were taken out before.",
        "The first look of nebulakit inspect --picture shows none.",
        "nothing in the recipe: leave separate_stars out of it and give the width with --fwhm",
    ),
    "three-equal-planes": Entry(
        "Red, green and blue are the same.",
        "A grey picture was saved as colour.",
        "Every pixel is grey.",
        "nothing in the recipe: use the recipe one_line",
    ),
    "trailed": Entry(
        "Stars are drawn out in one direction.",
        "Guiding, wind, or frames exposed too long.",
        "All stars point the same way, in the middle of the frame as well.",
        "nothing in the recipe: leave the worst frames out of the stack, and deconvolve out of the recipe",
    ),
    "undersampled": Entry(
        "Stars are hardly wider than a pixel.",
        "Short focal length, large pixels, or a binned stack.",
        "Stars look square at 4 times enlargement.",
        "nothing in the recipe: leave deconvolve and bin out of it",
    ),
    "values-beyond-one": Entry(
        "Values reach far above 1 and no star shows where full is.",
        "The stack holds counts, or was scaled by a program that does not keep 1 as full.",
        "nebulakit inspect shows no white level.",
        "- level_mask: {above: 4 sigma}   # levels in sigma do not need to know what full is",
    ),
    "values-scaled": Entry(
        "Values so small or so large that the work would lose them.",
        "The stack was saved in physical units, such as W per square metre.",
        "The warning says the largest value and the power of two, which changes no digit.",
        "nothing in the recipe: levels written as plain numbers are of the multiplied values",
    ),
    "white-unknown": Entry(
        "Stars were cut off at a level that cannot be told.",
        "Cut-off stars were blurred, turned, rescaled or averaged afterwards, so that no top is flat.",
        "Cut through a bright star: its flanks are as wide as those of a star far higher than it.",
        "- separate_stars: {spare: [{at: [50%, 50%], radius: 8 fwhm}]}   # for one whose middle comes out dark or coloured",
    ),
    "wrong-pattern": Entry(
        "The colour pattern in the header does not fit the mosaic.",
        "Another program turned or cropped the mosaic and left the header as it was.",
        "The two green cells of every 2x2 show the same; see which diagonal that is.",
        "- collapse_bayer: {pattern: RGGB}   # the one the warning names",
    ),
}
