"""From a file to an :class:`~nebulakit.image.Image`."""

from __future__ import annotations

import dataclasses
import math
import os
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from nebulakit.errors import InputError, UsageError
from nebulakit.files.fits import fits_shape, load_fits
from nebulakit.files.pictures import jpeg_shape, load_jpeg, load_png, load_tiff, png_shape, tiff_shape
from nebulakit.files.raw import Raw, check_file, check_size, refuse
from nebulakit.image import CHANNELS, Frame, Image, Notice, beyond_reach
from nebulakit.pixels import geometry
from nebulakit.pixels.borders import empty_border

Floats = npt.NDArray[np.float32]

_KINDS = {
    "fits": (load_fits, fits_shape),
    "tiff": (load_tiff, tiff_shape),
    "png": (load_png, png_shape),
    "jpeg": (load_jpeg, jpeg_shape),
}
"""By what a file is: what reads it, and what gives its height, width and planes alone."""


def read(
    path: str | os.PathLike[str],
    *,
    coverage: str | os.PathLike[str] | npt.ArrayLike | None = None,
    pattern: str | None = None,
    assume: Literal["linear", "display"] | None = None,
) -> Image:
    """Read a FITS, TIFF, PNG or JPEG file.

    Whole numbers become 0..1 of what their type can hold; floats, and FITS integers that the header scales, are kept as
    they are, but for values whose squares could not be held: these are multiplied by a power of two, which a notice and
    the card BSCALE of the header tell; FITS is written with it. NaN, infinities, FITS blanks and an even border left by
    stacking become NaN; other zeros and negative values are values. The first row is the top of the picture; a file that
    says that its first row is the bottom is turned over, and its frame remembers the rows of the file.

    Parameters
    ----------
    path
        The file. Its kind is told from its contents, not from its name.
    coverage
        A map (file or array, (y, x)) of how many frames lie on each pixel, in any unit; must have the same size.
    pattern
        Colour pattern of a mosaic at the top left of the picture (RGGB, BGGR, GRBG, GBRG), instead of the header's.
    assume
        "linear" or "display", where the file is to be taken for something else than it seems.

    Raises
    ------
    InputError
        The file cannot be used; the sentence says why and what to do.
    """
    file = Path(path)
    if assume not in (None, "linear", "display"):
        raise UsageError(f"assume is 'linear' or 'display', found {assume!r}")
    raw = _load(file)
    if not np.isfinite(raw.planes).any():
        raise refuse(file, "there is no value in it, every pixel is empty (NaN)")
    channels = _channels(file, raw, pattern)
    lost = [name for name, plane in zip(channels, raw.planes, strict=True) if not np.isfinite(plane).any()]
    if lost:
        raise refuse(
            file,
            f"there is no value in {' and '.join(lost)}, every pixel is empty (NaN). Export the stack again; a plane that is whole can be "
            "saved alone, for the recipe one_line",
        )
    planes, header, frame = raw.planes, raw.header, Frame(raw.planes.shape[1:])
    if raw.bottom_up:
        flip = geometry.orient_matrix(planes.shape[1:], 0, "vertical")
        planes = geometry.orient(planes, 0, "vertical")
        frame = Frame(planes.shape[1:], bottom_up=True).then(flip)
        header = geometry.move_header(header, flip) if header is not None else None
    if channels == ("mosaic",):
        # a pattern speaks of the picture with its top row first, however the rows lie in the file
        header = _with_card(header, "BAYERPAT", (pattern or raw.mosaic or "").upper())
    record: dict[str, Any] = {"file_values": raw.stored, "scale_because": raw.why, **raw.record}
    record["rows_turned"] = raw.bottom_up
    scale = assume or raw.scale
    if assume is not None:
        record["assume"] = assume
    # black in a finished picture is a value, in a linear one it is where no frame lay
    empty = empty_border(planes) if scale == "linear" else None
    if empty is not None:
        planes[:, empty] = np.nan
        record["empty_border"] = round(float(empty.mean()), 6)
    image = within_reach(Image(planes, channels, scale=scale, header=header, frame=frame), file.name)
    if coverage is not None:
        image = with_coverage(image, coverage, rows_of_file=True)
    return image.noted(*raw.notices, **record)


def within_reach(image: Image, name: str) -> Image:
    """Give an image whose values are multiplied by a power of two where squares and sums of them would not fit into 32-bit floats.

    The factor goes in large strides, so that the next stack in the same units gets the same. Levels that are known follow; stretched
    values are between black and white, however dark, and stay.
    """
    top = beyond_reach(image.planes) if image.scale == "linear" else None
    if top is None:
        return image
    # 2^128 is no 32-bit float, and other programs multiply by the factor as one
    times = -32 * min(3, round(math.log2(top) / 32))
    text = (
        f"{name}: its largest value is {top:.3g}. All values were multiplied by 2^{times}, which is exact; numbers in the recipe and in "
        "run.json are of these, FITS files tell the factor."
    )
    header = _with_card(image.header, "BSCALE", 2.0**-times * (image.header or {}).get("BSCALE", 1.0))
    sky, white = (None if k is None else tuple(math.ldexp(v, times) for v in k) for k in (image.sky, image.white))
    noise = None if image.noise is None else image.noise.scaled(2.0**times)
    stars = image.stars
    if stars is not None:
        stars = dataclasses.replace(stars, flux=np.ldexp(stars.flux, times), peak=np.ldexp(stars.peak, times))
    scaled = image.replace(np.ldexp(image.planes, times), header=header, sky=sky, white=white, noise=noise, stars=stars)
    return scaled.noted(Notice("values-scaled", text))


def with_coverage(image: Image, coverage: str | os.PathLike[str] | npt.ArrayLike, *, rows_of_file: bool = False) -> Image:
    """Give a stack its map of coverage, a file or an array (y, x) of the same size; 0 where the stack holds nothing.

    An array has the rows of the image, with ``rows_of_file`` those of the file that it was read from.
    """
    name = "the coverage map"
    if isinstance(coverage, (str, os.PathLike)):
        found, name = read_map(coverage, scaled=False), f"{name} {Path(coverage).name}"
    else:
        found = Image.from_array(coverage).planes
        found = _alike(found, "that was given") if len(found) in (1, 3) else found
        found = found[..., ::-1, :] if rows_of_file and image.frame.bottom_up else found
    if found.shape != image.shape:
        size = " x ".join(str(n) for n in reversed(found.shape))
        raise InputError(
            f"{name} is {size} px, but the stack is {image.shape[1]} x {image.shape[0]} px; they must have the same size. "
            + _offset_told(found, image)
            + "Give the map that was made with this stack, before any crop."
        )
    there = np.isfinite(found) & np.isfinite(image.planes).all(0)
    return dataclasses.replace(image, coverage=np.where(there, found.astype(np.float32, copy=False), np.float32(0)))


def read_map(path: str | os.PathLike[str], *, scaled: bool = True) -> Floats:
    """Read a map or a grey picture used as a mask: float32 (y, x), top row first.

    Whole numbers become 0..1 of their type, or stay counts with ``scaled=False``; such a map has one plane, or equal ones. Of a
    colour picture it is :func:`as_mask`. Of a picture with opacity it is what is seen on black, or the opacity itself where the
    colours are even: a mask may be in the opacity alone.
    """
    file = Path(path)
    raw = _load(file)
    if scaled:
        plane = as_mask(raw.planes)
        if raw.opacity is not None and not _even(raw.opacity):
            if all(map(_even, raw.planes)):
                plane = raw.opacity
            elif not raw.multiplied:
                plane = plane * raw.opacity
    else:
        plane = _alike(raw.planes, file.name)
        if "full_scale" in raw.record:
            plane = plane * np.float32(raw.record["full_scale"])
            if raw.record["full_scale"] < 2**24:
                plane = np.rint(plane)
    return np.ascontiguousarray(plane[::-1] if raw.bottom_up else plane)


def as_mask(planes: Floats) -> Floats:
    """Give the mean (y, x) of those colours (channel, y, x) that hold anything: a mask may be in red alone.

    Less than a tenth of what the fullest holds is nothing: packing as JPEG leaves some of a red mask in green and blue.
    """
    light = np.nansum(np.abs(planes), axis=(1, 2), dtype=np.float64)
    mean: Floats = planes[light >= 0.1 * light.max()].mean(0)
    return mean


def _even(plane: Floats) -> bool:
    """Say whether a plane holds one value all over."""
    return bool((plane == plane[0, 0]).all())


def _alike(planes: Floats, name: str) -> Floats:
    """Give the one plane of a coverage map, be it saved in grey or in equal colours; refuse a colour picture."""
    if not all(np.array_equal(planes[0], p, equal_nan=True) for p in planes[1:]):
        raise InputError(
            f"the coverage map {name} is a colour picture: its {len(planes)} planes differ. A map has one, telling how many frames lie on "
            "each pixel; give the map that was made with this stack"
        )
    one: Floats = planes[0]
    return one


def count_values(path: str | os.PathLike[str]) -> int | None:
    """Give width x height x planes of a picture as its header tells, without reading it; None where that is not cheaply known."""
    file = Path(path)
    try:
        shape = _KINDS[check_file(file)][1](file)
        check_size(file, shape, 1)
        return math.prod(shape) or None
    except Exception:  # whatever it is, reading the file will say so
        return None


def _load(path: Path) -> Raw:
    return _KINDS[check_file(path)][0](path)


def _channels(path: Path, raw: Raw, pattern: str | None) -> tuple[str, ...]:
    """Name the planes."""
    if pattern is not None and pattern.upper() not in geometry.PATTERNS:
        raise refuse(path, f"{pattern!r} is no colour pattern; known are {', '.join(geometry.PATTERNS)}")
    if len(raw.planes) == 1 and (pattern is not None or raw.mosaic is not None):
        return ("mosaic",)
    if pattern is not None:
        raise refuse(
            path, f"a colour pattern ({pattern}) was given, but the file holds {len(raw.planes)} planes and is no mosaic"
        )
    return CHANNELS[len(raw.planes)]


def _with_card(header: Any, key: str, value: str | float) -> Any:
    """Write into the header what travels with the pixels there: the pattern of a mosaic, the factor to a file's own values."""
    from astropy.io.fits import Header

    new = Header() if header is None else header.copy()
    new[key] = value
    return new


def _offset_told(found: Floats, image: Image) -> str:
    """Say by what offset a map of another size would fit, if its outline is that of the stack; else nothing."""
    there: npt.NDArray[np.bool_] = np.asarray(np.isfinite(image.planes).all(0))
    border = empty_border(image.planes)
    if border is not None:
        there &= ~border
    covered = np.isfinite(found) & (found > 0)
    if found.ndim != 2 or there.all() or not (there.any() and covered.any()):
        return ""
    (y0, x0, *high), (top, left, *wide) = _box(there), _box(covered)
    if high != wide:
        return ""
    inside = np.s_[y0 : y0 + high[0], x0 : x0 + high[1]], np.s_[top : top + high[0], left : left + high[1]]
    if (there[inside[0]] != covered[inside[1]]).mean() > 0.01:
        return ""
    dx, dy = x0 - left, y0 - top
    return (
        f"Their outlines are alike: moved by {dx:+d} px to the right and {dy:+d} px down the map fits, so the stack or the map was "
        "cropped or framed. "
    )


def _box(mask: npt.NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Give the first row and column of what is True, and the number of both."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    return int(rows[0]), int(columns[0]), int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
