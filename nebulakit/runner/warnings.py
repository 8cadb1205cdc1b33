"""What each warning of a run means, its doubts about the stack included."""

from __future__ import annotations

from nebulakit.runner.doubts import DOUBTS
from nebulakit.runner.explain import Entry

WARNINGS: dict[str, Entry] = {
    **DOUBTS,
    "box-cut-off": Entry(
        "A box reached beyond the picture and was cut off.",
        "Its position or size is for another crop.",
        "The warning says what is left.",
        "nothing in the recipe: give the box in % of the stack",
    ),
    "fwhm-assumed": Entry(
        "The stars' width was taken as 3 px.",
        "It is not known on this layer.",
        "nebulakit inspect shows no fwhm.",
        "nothing in the recipe: give it with --fwhm",
    ),
    "gain-held": Entry(
        "[O III] was lifted less than to H-alpha's height.",
        "More gain would show its noise.",
        "Give a larger gain and look at the sky at full size.",
        "- denoise_wavelet: {strength: 2}   # on [O III], before balance_lines; or more hours",
    ),
    "gradient-looks-like-nebula": Entry(
        "The gradient has the shape of the nebula.",
        "Nebula fills so much of the frame that part of it was taken for sky.",
        "The picture of the gradient in the report.",
        "- remove_gradient: {sky: [[8%, 10%], [90%, 88%]]}   # places you know to be empty",
    ),
    "kept-layer-damaged": Entry(
        "A kept layer could not be read.",
        "The disk was full, or a run was ended while it wrote.",
        "It is computed again, and then kept.",
    ),
    "large-patch": Entry(
        "A large part of the picture is filled in.",
        "The place given to patch is wide, or its mask is.",
        "Look at its result filled: 1 where pixels are not the camera's.",
        "- patch: {shape: line, points: [[10%, 20%], [80%, 35%]], width: 4 fwhm}   # as narrow as what is to go",
    ),
    "layers-not-kept": Entry(
        "Finished layers were not kept.",
        "The disk of the folder for kept layers is full, or must not be written to.",
        "The pictures are whole; only the next run begins anew.",
        "nothing in the recipe: make room (nebulakit cache trim), or run with --cache FOLDER or --no-cache",
    ),
    "linear-cut": Entry(
        "A linear layer lost values when it was written.",
        "The format holds 0 to 1 only, and the layer goes beyond.",
        "The warning says what share.",
        "- stretch_asinh: {}   # or write fits, which keeps all values",
    ),
    "little-field-left": Entry(
        "The crop leaves little of the field.",
        "Few frames share the whole of it: field rotation, several nights.",
        "Look at the coverage map.",
        "- crop_to_coverage: {keep: 60%}",
    ),
    "little-oiii": Entry(
        "[O III] stands out in a small part of the frame only.",
        "There is little of it, or the exposure is short.",
        "balance_lines in the report says in how much.",
        "- balance_lines: {oiii: oiii, gain: 1.0}   # or the recipes natural and one_line",
    ),
    "little-to-sharpen": Entry(
        "Nothing was sharpened: all fine detail is noise.",
        "The layer is faint.",
        "At full size it shows grain only.",
        "- deconvolve: {caution: 2}   # or leave it out",
    ),
    "mask-empty": Entry(
        "A mask that was given is black all over, so the step does nothing.",
        "It was saved empty, from the wrong layer, or what is painted lies outside of the crop.",
        "Open it: places where the step acts are white.",
        "nothing in the recipe: paint the mask anew, or take it away",
    ),
    "mirrored-sky": Entry(
        "With north on top, east lies on the right.",
        "The picture is a mirror image of the sky.",
        "Compare with a known picture.",
        "- orient: {mirror: horizontal}",
    ),
    "no-ha": Entry(
        "H-alpha hardly stands out.",
        "An object of [O III], such as a planetary nebula; or red and blue are swapped.",
        "Look at both lines in the report.",
        "nothing in the recipe: use one_line on the [O III] layer",
    ),
    "no-light-to-stretch": Entry(
        "The stretch had noise alone to go by.",
        "No nebula is there, or the gradient step took it away.",
        "Compare before and after remove_gradient in the report.",
        "- remove_gradient: {order: 1}   # a surface too simple to follow a nebula",
    ),
    "no-oiii": Entry(
        "No [O III] stands out.",
        "The object has none, or the exposure is too short for it.",
        "The [O III] layer, binned four times, shows no shape.",
        "nothing in the recipe: use one_line or natural",
    ),
    "no-sky-seen": Entry(
        "Nebula fills the frame: no empty sky was seen.",
        "The field is smaller than the nebula, so the skyglow's level rests on the nebula's own structure.",
        "The report's picture of the gradient has no place marked as sky.",
        "- remove_gradient: {sky: [[8%, 10%], [90%, 88%]]}   # places you know to be empty",
    ),
    "no-stars": Entry(
        "No stars were found to separate.",
        "They were taken out before, or are too wide or too few.",
        "nebulakit inspect counts the stars.",
        "nothing in the recipe: give the step  skip: true",
    ),
    "no-stars-found": Entry(
        "No stars were found on this layer.",
        "It is a starless layer, or stars are not known on it.",
        "See 'from' of the step.",
        "nothing in the recipe: name the star layer with  from:",
    ),
    "noise-lifted": Entry(
        "The gain given shows the noise of [O III].",
        "It was set by hand above what the noise allows.",
        "The sky at full size has a blue-green grain.",
        "- balance_lines: {oiii: oiii}   # without a gain of your own",
    ),
    "not-a-star-layer": Entry(
        "Stars were balanced on a layer with more than stars.",
        "The step reads the picture instead of the star layer.",
        "See 'from' of the step.",
        "- balance_stars: {}   # with  from: stars",
    ),
    "nothing-to-denoise": Entry(
        "Nothing was denoised.",
        "No noise was found or left.",
        "The record says how much there is.",
        "nothing in the recipe: leave the step out",
    ),
    "pattern-overruled": Entry("Another colour pattern than the header's was used.", "You said so.", "The nebula comes out red."),
    "preview": Entry(
        "Everything is smaller, noise and detail are not those of the stack.",
        "The run was made with --preview, on binned data.",
        "The folder's name ends in -preview, and run.json tells the factor.",
        "nothing in the recipe: run it without --preview",
    ),
    "preview-softened": Entry(
        "The stars of a preview are wider, and its nebula softer, than the factor alone makes them.",
        "Binned by so much, stars were narrower than 1.6 px: points that cannot be told from the nebula.",
        "The same recipe with a smaller --preview shows finer stars.",
        "nothing in the recipe: take a smaller factor, or run the whole",
    ),
    "print-too-large": Entry(
        "The picture has too few pixels for the print.",
        "Size times dpi asks for more pixels than there are.",
        "Count them: width in inches times dpi.",
        "nothing in the recipe: print it smaller, or with fewer dpi",
    ),
    "psf-unknown": Entry(
        "Nothing was sharpened: how wide stars are is not known.",
        "There are no stars on the layer, and none were measured before.",
        "nebulakit inspect shows no fwhm.",
        "- deconvolve: {width: 3 px}",
    ),
    "seams-followed": Entry(
        "The sky had steps of level along straight edges, and they were taken out.",
        "Nights or fields with skyglow of their own end there.",
        "The report's picture of the gradient shows the zones; their edges are those of the coverage map.",
        "- remove_gradient: {seams: off}   # if an edge can be seen that was not there before",
    ),
    "sensor-doubt": Entry(
        "The crosstalk of H-alpha rests on what sensors are like.",
        "No part of the nebula shines in H-alpha alone.",
        "Filaments of H-alpha show in [O III], dark or bright.",
        "- unmix_lines: {sensor: infrared-cut}   # or your camera's own numbers",
    ),
    "sensor-fallback": Entry(
        "A typical sensor was taken.",
        "The nebula is too faint to find the response in it.",
        "The record of unmix_lines says what was found.",
        "- unmix_lines: {sensor: typical}   # or your camera's own numbers",
    ),
    "smooth-oiii": Entry(
        "Smooth light in [O III] was not taken for [O III].",
        "It is what is left of a skyglow, or an [O III] so faint and even that nothing tells it from that.",
        "Look at the [O III] layer before balance_lines: gas has lumps and edges, a glow has none.",
        "- balance_lines: {oiii: oiii, gain: 6}   # where you know that it is the nebula's",
    ),
    "stars-too-narrow": Entry(
        "Stars are so narrow that little can be told about them.",
        "Short focal length, large pixels, or a binned stack.",
        "nebulakit inspect says fwhm under 1.8.",
        "nothing in the recipe: do not bin, and leave deconvolve out",
    ),
    "stars-trailed": Entry(
        "Nothing was sharpened: stars are trailed.",
        "Guiding, wind, or long frames.",
        "All stars are long in one direction.",
        "nothing in the recipe: leave the worst frames out of the stack",
    ),
    "streaked-noise": Entry(
        "The noise runs in streaks.",
        "The frames drifted the same way all night, and drew out the sensor's fixed pattern.",
        "Stretch the dark sky hard: fine parallel lines show, at the angle that is told.",
        "- denoise_wavelet: {}   # reckons with them; next time move the frames about at random (dither)",
    ),
    "third-light": Entry(
        "Light of a third colour lies over the nebula.",
        "Starlight on dust, or skyglow left over.",
        "It is there in both lines with one shape.",
        "- remove_gradient: {}   # with sky told by hand; or the recipe natural",
    ),
    "stars-of-unknown-origin": Entry(
        "Stars from a file were laid on a stretched picture as on one screen.",
        "A file does not tell whether its stars were parted before or after the stretch.",
        "Stars that were taken out of a stretched picture come back a little too dim on bright nebula.",
        "nothing in the recipe: parted before the stretch all is well; else blend them on with mode: add and opacity: 100%",
    ),
    "too-few-stars": Entry(
        "Too few stars to balance their colours.",
        "Most are cut off or faint.",
        "The report's picture of the star layer.",
        "- balance_stars: {gains: [1.0, 1.1, 0.9]}",
    ),
}
