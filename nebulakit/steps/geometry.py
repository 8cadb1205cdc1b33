"""Steps that change the geometry by plain rules: crop, bin, orient, collapse_bayer."""

from __future__ import annotations

import dataclasses
import math
from typing import Annotated, Any, Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import CHANNELS, Image, Notice
from nebulakit.pixels import geometry
from nebulakit.quantity import Position


@step(reads="any", gives="same", resizes=True)
def crop(
    image: Image,
    *,
    box: Annotated[
        tuple[Position, Position] | Literal["inside"],
        About(
            "Two opposite corners, each x and y: [[10%, 12%], [85%, 90%]] of the uncropped stack, in px of it, or RA and Dec in "
            "deg; inside: take off the rim that crop_to_coverage left.",
            example=[["10%", "10%"], ["90%", "90%"]],
        ),
    ],
) -> Image:
    """Keep the pixels inside a box told in positions of the uncropped stack.

    So the box names the same piece of sky whatever was cropped, binned or turned by quarters before; after a turn by
    another angle it stands upright between the two corners, which are still those places. A pixel is kept when its centre
    lies at or after the first and before the last corner: [[0 px, 0 px], [100 px, 50 px]] are the first 100 columns and
    50 rows. What reaches beyond the picture is cut off, with a note; where no rim was left, ``inside`` cuts nothing off.
    NaN stays where it is.

    Raises StepError where the box and the picture have no pixel in common, where RA and Dec are given without a WCS, and
    for ``inside`` after a turn by an odd angle.

    >>> crop(np.arange(12.0).reshape(1, 3, 4), box=[["25%", "0%"], ["75%", "100%"]])[0]
    array([[ 1.,  2.],
           [ 5.,  6.],
           [ 9., 10.]], dtype=float32)
    """
    if isinstance(box, str):
        frame = image.frame
        if frame.inside is None:
            return _cut(image, np.s_[:, :], 0, 0)
        (a, b, _), (d, e, _) = frame.to_stack_matrix
        if min(max(abs(a), abs(e)), max(abs(b), abs(d))) > 1e-9:
            raise StepError(
                f"box: inside takes off a rim that lies along the sides, and the picture was turned by {math.degrees(math.atan2(-d, a)):.4g} "
                "degrees since the rim was left. Put crop: {box: inside} before rotate"
            )
        left, top, right, bottom = frame.inside
        trimmed = _within(image, box, [frame.from_stack(left, top), frame.from_stack(right, bottom)])
        return trimmed.replace(frame=dataclasses.replace(trimmed.frame, inside=None))
    return _within(image, box, [corner.pixel(image) for corner in box])


def _within(image: Image, box: Any, corners: list[tuple[float, float]]) -> Image:
    """Give the part between two pixel positions."""
    height, width = image.shape
    xs, ys = zip(*corners, strict=True)
    # a pixel belongs to the side on which its centre lies; the tiny shift keeps sums of rounded numbers from deciding
    (x0, x1), (y0, y1) = (tuple(int(np.ceil(v - 1e-6)) for v in (min(pair), max(pair))) for pair in (xs, ys))
    inside = (max(x0, 0), max(y0, 0), min(x1, width), min(y1, height))
    if inside[0] >= inside[2] or inside[1] >= inside[3]:
        raise StepError(
            f"the box {box[0]} to {box[1]} covers columns {x0} to {x1} and rows {y0} to {y1} of this picture, which has {width} x {height} "
            "pixels: there is nothing left. Its positions are of the uncropped stack; give corners inside the picture"
        )
    notices: tuple[Notice, ...] = ()
    if inside != (x0, y0, x1, y1):
        text = f"the box {box[0]} to {box[1]} reaches beyond the picture and was cut off at its edge"
        notices = (Notice("box-cut-off", text),)
    part = np.s_[inside[1] : inside[3], inside[0] : inside[2]]
    return _cut(image, part, inside[0], inside[1]).noted(*notices)


def _cut(image: Image, part: Any, x0: int, y0: int) -> Image:
    """Give a part of an image with all its facts."""
    moved = image.rearranged(lambda pixels: pixels[(..., *part)], geometry.shift_matrix(x0, y0))
    return moved.noted(box_px=list(moved.frame.bounding_box(moved.shape)))


@step(reads="any", gives="same", resizes=True)
def bin(
    image: Image,
    *,
    factor: Annotated[
        int,
        About(
            "How many pixels along each side become one.",
            2,
            16,
            raise_when="stars are wider than 5 px",
            lower_when="stars become narrower than 2 px",
        ),
    ] = 2,
) -> Image:
    """Average blocks of pixels into one, for stacks whose stars are far wider than two pixels.

    Signal to noise per pixel rises by less than ``factor`` where neighbouring pixels share noise, as they do in a resampled
    stack; the noise is carried along by its spectrum. NaN is left out of the mean; a block of NaN stays NaN. Rows and
    columns that fill no block are cut off at the bottom and right. Coverage is averaged, empty pixels counting as 0.

    Raises StepError for a mosaic, and where less than a block is there.

    >>> bin(np.array([[[1.0, 2.0, 9.0], [3.0, np.nan, 9.0]]]))
    array([[[2.]]], dtype=float32)
    """
    if image.channels == ("mosaic",):
        raise StepError("bin would mix the colours of a mosaic; put the step collapse_bayer before it")
    if min(image.shape) < factor:
        raise StepError(f"the picture has {image.shape[1]} x {image.shape[0]} pixels, fewer than one block of {factor}")
    planes = geometry.bin_planes(image.planes, factor)
    stars = None if image.stars is None else geometry.bin_stars(image.stars, factor, image.fwhm)
    cover = None
    if image.coverage is not None:
        cover = geometry.bin_planes(np.nan_to_num(image.coverage, nan=0.0), factor)
    return image.moved(
        planes,
        geometry.bin_matrix(factor),
        coverage=cover,
        stars=stars,
        noise=None if image.noise is None else geometry.bin_noise(image.noise, factor),
        fwhm=None if image.fwhm is None else geometry.binned_fwhm(image.fwhm, factor),
        psf=None if image.psf is None else geometry.bin_psf(image.psf, factor),
    ).noted(factor=factor)


@step(reads="any", gives="same", resizes=True)
def orient(
    image: Image,
    *,
    turn: Annotated[
        Literal[0, 90, 180, 270], About("Quarter turns, in degrees clockwise as seen with the first row on top.")
    ] = 0,
    mirror: Annotated[
        Literal["none", "horizontal", "vertical"],
        About("After the turn: horizontal swaps left and right, vertical swaps top and bottom."),
    ] = "none",
) -> Image:
    """Turn by quarters and mirror; no pixel changes its value.

    NaN, coverage, WCS, mosaic pattern, PSF and stars follow exactly.

    >>> orient(np.array([[[1.0, 2.0], [3.0, 4.0]]]), turn=90)
    array([[[3., 1.],
            [4., 2.]]], dtype=float32)
    """
    return image.oriented(turn, mirror).noted(turn=turn, mirror=mirror)


@step(reads="linear", gives="same", takes="mosaic", makes="rgb", resizes=True)
def collapse_bayer(
    image: Image,
    *,
    pattern: Annotated[
        Literal["auto", "RGGB", "BGGR", "GRBG", "GBRG"],
        About(
            "Colours of the first two pixels of the first two rows of the stack, top row first; auto: as the header states.",
            look=False,
        ),
    ] = "auto",
) -> Image:
    """Make one colour pixel of each 2x2 cell of a mosaic, its two greens averaged; nothing is interpolated.

    Suits single frames and stacks of frames that were never turned; after turning, the colours of a stacked mosaic are
    mixed for good. Red, green and blue are sampled half a pixel apart, as in the sensor. A cell without one of its values is NaN in that
    channel (in green, where one of both is missing). Coverage is averaged over the cell.

    Raises StepError where no pattern is known, or the mosaic was scaled or turned by odd angles before.

    >>> collapse_bayer(np.array([[1.0, 2.0], [4.0, 3.0]]), pattern="RGGB").ravel()
    array([1., 3., 3.], dtype=float32)
    """
    stated = str(image.header.get("BAYERPAT", "")).strip().upper() if image.header is not None else ""
    used: str | None = stated
    if pattern != "auto":
        # a pattern told by hand is that of the whole stack, its top row first: follow what was cropped and turned since
        used = geometry.move_pattern(pattern, _to_cells_as_seen(image))
        if used is None:
            raise StepError(
                "the mosaic was binned or turned by an odd angle before collapse_bayer, so its colours are mixed; put collapse_bayer first"
            )
    if used not in geometry.PATTERNS:
        raise StepError(
            "the header states no colour pattern (card BAYERPAT), so it must be told: collapse_bayer: {pattern: RGGB}, "
            "or BGGR, GRBG, GBRG, whichever shows the nebula red and grey things grey"
        )
    if min(image.shape) < 2:
        raise StepError(f"the mosaic has {image.shape[1]} x {image.shape[0]} pixels, fewer than one 2x2 cell")
    cover = None if image.coverage is None else geometry.bin_planes(np.nan_to_num(image.coverage, nan=0.0), 2)
    moved = image.moved(
        geometry.collapse(image.planes[0], used),
        geometry.bin_matrix(2),
        channels=CHANNELS[3],
        coverage=cover,
        # facts measured on a mosaic are those of mixed colours
        sky=None,
        noise=None,
        psf=None,
        stars=None,
        # a width was told, since none can be measured there
        fwhm=None if image.fwhm is None else image.fwhm / 2,
        white=None if image.white is None else image.white * 3,
    )
    notices: tuple[Notice, ...] = ()
    if pattern != "auto" and stated in geometry.PATTERNS and stated != used:
        notices = (Notice("pattern-overruled", f"the header states {stated}, but {used} was told and used"),)
    return moved.noted(*notices, pattern=pattern if pattern != "auto" else used)


def _to_cells_as_seen(image: Image) -> Any:
    """Give the matrix from the image's pixels to the stack's, its rows counted from the top as seen.

    A mosaic was binned by whole cells, if at all: then it leads to the pixels of the stack binned so.
    """
    matrix = np.asarray(image.frame.to_stack_matrix)
    if image.frame.bottom_up:
        matrix = matrix * [[1], [-1]] + [[0, 0, 0], [0, 0, image.frame.stack_shape[0] - 1]]
    scale = image.frame.scale
    if image.channels == ("mosaic",) and scale > 1:
        matrix = (matrix - [[0, 0, (scale - 1) / 2]] * 2) / scale
    return matrix
