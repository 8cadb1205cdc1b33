"""From an :class:`~nebulakit.image.Image` to a file: whole or not at all, and the same bytes for the same layer."""

from __future__ import annotations

import contextlib
import errno
import gzip
import math
import os
import re
import struct
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from nebulakit.errors import ResourceError, UsageError
from nebulakit.files.icc import srgb_profile
from nebulakit.files.options import BITS, WriteOptions, check_output, kind_of
from nebulakit.files.whole import whole
from nebulakit.image import Image, Notice
from nebulakit.pixels.resize import shrink

_SOFTWARE = "nebulakit"
_DITHER_SEED = 20_250_101  # any number; always the same one


def write(
    image: Image,
    path: str | os.PathLike[str],
    options: WriteOptions | None = None,
    *,
    steps_done: Sequence[str] | None = None,
    text: str = "",
) -> tuple[Notice, ...]:
    """Write a layer to a FITS, TIFF, PNG or JPEG file, told by the end of its name.

    A FITS file holds the layer as it is: float32, planes first, with header and sky position, and a HISTORY entry for
    each of ``steps_done`` (by default the image's own history); a picture has the same in its description. A picture
    holds display layers with the sRGB profile, in three channels; of a linear layer 0..1 is kept in whole numbers, all of
    it in floats. NaN is black in whole numbers.
    8-bit values are dithered by half a level, so that smooth sky does not break into bands.

    The file appears whole or not at all. Pictures hold no date, place, observer or serial number, unless ``text`` tells
    them: it is put into a picture as its description.

    Returns
    -------
    tuple of Notice
        What was lost, if anything: clipped light, a picture smaller than asked for.

    Raises
    ------
    ValueError
        The options do not suit the kind of file.
    """
    if not isinstance(image, Image):
        raise UsageError(
            f"write takes an Image, and was given {type(image).__name__}. Of an array make one that says what it holds: "
            "nebulakit.Image.from_array(array, scale='display'), or 'linear'"
        )
    options = options or WriteOptions()
    target = Path(path)
    check_output(target.name, options)
    kind = kind_of(target.name)
    bits = options.bits or BITS[kind][0]
    history = list(image.history if steps_done is None else steps_done)
    if kind == "fits":
        from nebulakit.files.fits import write_fits

        packed = target.name.lower().endswith(".gz")
        with _whole(target) as to, gzip.GzipFile("", "wb", 6, to, mtime=0) if packed else contextlib.nullcontext(to) as inner:
            write_fits(inner, image, history)  # type: ignore[arg-type]
        return ()
    planes, dpi, notices = _sized(image, options)
    # a picture is shown in colour also where its channels are equal; masks and linear data stay one plane
    profile = srgb_profile() if image.scale == "display" and image.content != "mask" else None
    values, more = _values(planes, image, bits, target.name)
    if profile and len(values) == 1:
        values = np.repeat(values, 3, axis=0)
    # a copy in any case: of a single pixel each order passes for contiguous, but not with the PNG library
    pixels = np.moveaxis(values, 0, -1).copy("C") if len(values) > 1 else values[0]
    made_by = _made_by(history, text)
    with _whole(target) as to:
        if kind == "tiff":
            _tiff(to, pixels, profile, dpi, made_by)
        elif kind == "png":
            to.write(_png(pixels, profile, dpi, made_by))
        else:
            _jpeg(to, pixels, profile, dpi, made_by, options.quality)
    return (*notices, *more)


@contextlib.contextmanager
def _whole(target: Path) -> Any:
    """Open a file that takes the place of ``target`` when it is whole and on the disk; ResourceError says why it cannot be written."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole(target, mode="xb+") as to:
            yield to
            to.flush()
            os.fsync(to.fileno())
    except OSError as fault:
        do = "Make room there, or choose" if fault.errno == errno.ENOSPC else "Choose"
        why = f"{fault.strerror or fault}. {do} another place"
        raise ResourceError(f"{target.name} could not be written to {target.parent}: {why}") from fault


def _sized(image: Image, options: WriteOptions) -> tuple[npt.NDArray[np.float32], float | None, list[Notice]]:
    """Scale down to what was asked for; give the planes and the dots per inch to be written."""
    h, w = image.shape
    scale, dpi, notices = 1.0, None, []
    if options.longest is not None:
        scale = min(scale, options.longest / max(h, w))
    if options.print is not None:
        dpi = options.print.dpi
        inches = options.print.inches
        if inches is not None:
            scale = min(scale, max(1.0, inches * options.print.dpi) / w)
            dpi = max(1, round(w * scale)) / inches
            if dpi < 0.999 * options.print.dpi:
                found = f"{options.print.width} wide the picture has {dpi:.0f} pixels per inch, not {options.print.dpi:g}"
                notices.append(Notice("print-too-large", f"{found}; print it smaller, or softer: it is never enlarged"))
    if scale >= 1:
        return image.planes, dpi, notices
    shape = (max(1, round(h * scale)), max(1, round(w * scale)))
    return shrink(image.planes, shape, encoded=image.scale == "display" and image.content != "mask"), dpi, notices


def _values(planes: npt.NDArray[np.float32], image: Image, bits: int, name: str) -> tuple[npt.NDArray[Any], list[Notice]]:
    """Bring planes to the numbers of the file."""
    if bits == 32:
        return planes, []
    notices, white = [], 1.0
    if image.scale == "linear" and image.content != "mask":
        top = float(np.nanmax(planes)) if np.isfinite(planes).any() else 1.0
        if top > 2:  # values in electrons or counts: their own white is the end of the scale
            white = max(image.white) if image.white is not None else top
        shown = planes[:, :: max(1, planes.shape[1] // 2000), :: max(1, planes.shape[2] // 2000)]
        there = shown[np.isfinite(shown)]
        lost = float(((there < 0) | (there > white * 1.0001)).mean()) if there.size else 0.0
        text = (
            f"{name} holds linear data in {bits} bits: 0 to {white:.6g} became its range, {lost:.2%} of the values were cut off"
        )
        if lost > 1e-4 or white != 1.0 or bits == 8:
            notices.append(
                Notice("linear-cut", text + ". Write fits, or tif with bits: 32, to keep all of it; or stretch first.")
            )
    top_level = (1 << bits) - 1
    out = np.empty(planes.shape, np.uint8 if bits == 8 else np.uint16)
    dither = bits == 8 and image.content != "mask"
    for channel, plane in enumerate(planes):
        random = np.random.default_rng((_DITHER_SEED, channel))
        for y in range(0, len(plane), 256):
            band = np.nan_to_num(plane[y : y + 256], nan=0.0, posinf=white, neginf=0.0)
            band = np.clip(band * np.float32(1 / white), 0, 1) * np.float32(top_level)
            band += random.random(band.shape, np.float32) if dither else np.float32(0.5)
            # the last step up of float32 may round to the level above
            out[channel, y : y + 256] = np.minimum(band, np.float32(top_level)).astype(out.dtype)
    return out, notices


def _made_by(history: Sequence[str], text: str = "") -> str:
    """Put the steps that made a picture into one line of plain signs, and ``text`` below, as long as a JPEG comment may be."""
    told = "\n".join(filter(None, ["; ".join(history).replace("\n", " "), text]))
    return "".join(c if " " <= c <= "~" or c == "\n" else "?" for c in told)[:60_000]


def _tiff(to: BinaryIO, pixels: npt.NDArray[Any], profile: bytes | None, dpi: float | None, made_by: str) -> None:
    """Write a baseline TIFF of one page; larger than 4 GB as BigTIFF."""
    import tifffile

    tifffile.imwrite(
        to,
        pixels,
        photometric="rgb" if pixels.ndim == 3 else "minisblack",
        planarconfig="contig" if pixels.ndim == 3 else None,
        metadata=None,
        description=made_by or None,
        software=_SOFTWARE,
        iccprofile=profile,
        resolution=(dpi, dpi) if dpi else (72, 72),
        resolutionunit="INCH",
        byteorder="<",
    )


def _png(pixels: npt.NDArray[Any], profile: bytes | None, dpi: float | None, made_by: str) -> bytes:
    """Make a PNG, and put profile and resolution into it."""
    import imagecodecs

    # noise does not pack: runs of equal bytes are all there is to win, and looking for more takes three times as long
    made = bytes(imagecodecs.png_encode(pixels, level=1, strategy=3))
    end = 8 + 4 + 4 + 13 + 4  # signature and header; what follows is the picture
    extra = b""
    if profile:
        extra += _chunk(b"iCCP", b"sRGB\0\0" + zlib.compress(profile, 9))
    if dpi:
        extra += _chunk(b"pHYs", struct.pack(">IIB", *[round(dpi / 0.0254)] * 2, 1))
    extra += _chunk(b"tEXt", b"Software\0" + _SOFTWARE.encode())
    if made_by:
        extra += _chunk(b"tEXt", b"Description\0" + made_by.encode("ascii"))
    return made[:end] + extra + made[end:]


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(body, zlib.crc32(name)))


def _jpeg(to: BinaryIO, pixels: npt.NDArray[Any], profile: bytes | None, dpi: float | None, made_by: str, quality: int) -> None:
    """Write a JPEG with colour as finely sampled as brightness (4:4:4)."""
    from PIL import Image as Pictures

    extra: dict[str, Any] = {"icc_profile": profile} if profile else {}
    if dpi:
        extra["dpi"] = (math.floor(dpi + 0.5),) * 2
    if made_by:
        extra["comment"] = made_by.encode("ascii")
    Pictures.fromarray(pixels).save(to, "JPEG", quality=quality, subsampling=0, **extra)


_STRUCTURE = re.compile(r"SIMPLE|BITPIX|NAXIS\d*|EXTEND|BSCALE|BZERO|BLANK|END|HISTORY|COMMENT|CHECKSUM|DATASUM|")
_ON_SKY = re.compile(
    r"(CTYPE|CRVAL|CRPIX|CDELT|CUNIT|CROTA)\d|CD\d_\d|PC\d_\d|PV\d_\d+|WCSAXES|LONPOLE|LATPOLE|[AB]P?_(\d_\d|ORDER)"
)


def header_text(header: Any) -> str:
    """Put into lines what a header tells of the night: place, observer, devices, dates; what only describes the pixels is left out.

    ``header`` is an :class:`astropy.io.fits.Header` or None; None gives an empty text.

    >>> header_text({"NAXIS1": 600, "OBSERVER": "A. Nonym", "SITELAT": 12.5, "CRVAL1": 318.0})
    'OBSERVER = A. Nonym\\nSITELAT = 12.5'
    """
    if header is None:
        return ""
    told = ((key, header[key]) for key in dict.fromkeys(header) if not (_STRUCTURE.fullmatch(key) or _ON_SKY.fullmatch(key)))
    return "\n".join(f"{key} = {value}" for key, value in told)
