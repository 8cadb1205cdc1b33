"""FITS files: any image in any extension in, one float image with its header out."""

from __future__ import annotations

import gzip
import os
import re
import warnings
import zlib
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from nebulakit.errors import InputError
from nebulakit.files.raw import Raw, arrange, check_reach, check_size, first_line, full_scale, refuse, slim, to_float
from nebulakit.image import Image, Notice
from nebulakit.pixels.geometry import PATTERNS, move_pattern, shift_matrix

# cards that tell how this one file is laid out; they are written anew
_LAYOUT = re.compile(
    r"(SIMPLE|XTENSION|BITPIX|NAXIS\d*|EXTEND|PCOUNT|GCOUNT|GROUPS|BSCALE|BZERO|BLANK|DATAMIN|DATAMAX|CHECKSUM|DATASUM|DATE|END"
    r"|INHERIT|EXTNAME|EXTVER|EXTLEVEL|Z(IMAGE|BITPIX|NAXIS\d*|TILE\d+|CMPTYPE|NAME\d+|VAL\d+|QUANTIZ|DITHER0|BLANK|SIMPLE|EXTEND|TENSION"
    r"|PCOUNT|GCOUNT|HECKSUM|DATASUM)|T(FIELDS|TYPE\d+|FORM\d+|UNIT\d+|DIM\d+|HEAP)|ROWORDER|ROW_ORDER|TRANSFER)$"
)
# a third axis (colour) has no place on the sky, and tables of distortion are not carried
_AXIS3 = re.compile(r"(C(TYPE|RPIX|RVAL|DELT|UNIT|ROTA)[3-9]|(CD|PC)([3-9]_\d|\d_[3-9]))[A-Z]?$")
_TABLES = re.compile(r"(CPDIS\d|CPERR\d|DP\d.*|D2IMDIS\d|D2IMERR\d|D2IM\d.*|AXISCORR|D2IMEXT)$")
_ROWS = ("ROWORDER", "ROW_ORDER", "ROWORDR")
_UNSIGNED = {8: -128, 16: 32768, 32: 2**31, 64: 2**63}


def load_fits(path: Path) -> Raw:
    """Read the largest image of a FITS file; InputError says why there is none."""
    from astropy.io import fits

    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            # opened here, not by the library, which forgets to close a file it stumbles over
            packed = _is_gz(path)
            with (
                gzip.open(path) if packed else open(path, "rb") as file,
                fits.open(file, mode="readonly", memmap=not packed, do_not_scale_image_data=True) as hdus,
            ):
                hdu, notices = _choose(path, hdus)
                return _take(path, hdu, hdus[0], notices)
        except InputError:
            raise
        except MemoryError:
            raise refuse(path, "its image does not fit into memory") from None
        except Exception as fault:
            words = [str(w.message) for w in said if "truncated" in str(w.message)]
            if words or isinstance(fault, EOFError) or _ends_early(path):
                raise refuse(path, "the file ends too early (was the copy interrupted?)") from fault
            raise refuse(path, f"not a FITS file that can be read ({first_line(fault)})") from fault


def fits_shape(path: Path) -> tuple[int, ...]:
    """Give the height, width and planes of the image that :func:`load_fits` would read; of a file packed as a whole, of the first."""
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if _is_gz(path):
            with gzip.open(path) as unpacked:
                header = fits.Header.fromfile(unpacked)  # opened as FITS, all of it would be unpacked
            shape = slim(tuple(int(header[f"NAXIS{n}"]) for n in range(int(header["NAXIS"]), 0, -1)))
        else:
            with open(path, "rb") as file, fits.open(file, mode="readonly", memmap=True) as hdus:
                shape = slim(tuple(int(n) for n in _choose(path, hdus)[0].shape))
    return {"yx": (*shape, 1), "cyx": (*shape[1:], *shape[:1]), "yxc": shape}[arrange(shape) or ""]


def _is_gz(path: Path) -> bool:
    """Say whether a file is packed as a whole."""
    with open(path, "rb") as f:
        return f.read(2) == b"\x1f\x8b"


def _ends_early(path: Path) -> bool:
    """Say whether a file ends before its header does or, packed, before its own end: the library tells neither from damage."""
    if not _is_gz(path):
        return os.path.getsize(path) < 2880
    begun = False
    try:
        with gzip.open(path) as file:
            begun = file.read(6) == b"SIMPLE"
            while begun and file.read(1 << 24):
                pass
    except EOFError:
        return begun
    except (OSError, zlib.error):
        pass
    return False


def _choose(path: Path, hdus: Any) -> tuple[Any, list[Notice]]:
    """Pick the image with the most pixels, the first of equals."""
    found: list[tuple[int, Any, tuple[int, ...]]] = []
    seen: list[str] = []
    for index, hdu in enumerate(hdus):
        groups = type(hdu).__name__ == "GroupsHDU"
        shape = tuple(int(n) for n in hdu.shape) if hdu.is_image and not groups and hdu.header.get("NAXIS", 0) else ()
        if not shape or 0 in shape:
            seen.append("random groups" if groups else "a table" if not hdu.is_image else "a header without data")
            continue
        thin = slim(shape)
        if arrange(thin) is None:
            seen.append(" x ".join(str(n) for n in reversed(shape)) + " values")
        else:
            found.append((index, hdu, thin))
    if not found:
        cube = [s for s in seen if s.endswith("values")]
        if cube:
            raise refuse(
                path,
                f"it holds {', '.join(cube)}, which is neither one plane nor red, green and blue. "
                "Save the planes wanted as one image of 1 or 3 planes.",
            )
        raise refuse(path, f"there is no image in it, only {', '.join(dict.fromkeys(seen)) or 'a header'}")
    areas = [int(np.prod(sorted(t)[-2:], dtype=object)) for _, _, t in found]
    index, hdu, _ = found[int(np.argmax(areas))]
    if len(found) == 1:
        return hdu, []
    name = f"{index} ({hdu.name})" if hdu.name and hdu.name != "PRIMARY" else str(index)
    text = (
        f"{path.name} holds {len(found)} images; the one in extension {name} was read, "
        f"{hdu.shape[-1]}x{hdu.shape[-2]} px, the {'first ' if areas.count(max(areas)) > 1 else ''}largest. "
        "If another is meant, save that one as a file of its own."
    )
    return hdu, [Notice("one-of-several-images", text)]


def _take(path: Path, hdu: Any, primary: Any, notices: list[Notice]) -> Raw:
    """Turn the chosen image into planes."""
    header = hdu.header
    bits = int(header["BITPIX"])
    check_size(path, hdu.shape, abs(bits) // 8)
    _check_length(path, hdu, abs(bits) // 8)
    stored = hdu.data
    if stored is None:
        raise refuse(path, "the file ends before its image begins")
    stored = stored.reshape(slim(stored.shape))
    layout = arrange(stored.shape)
    parts = [stored] if layout == "yx" else list(stored) if layout == "cyx" else [stored[..., c] for c in range(stored.shape[-1])]
    zero, scale = float(header.get("BZERO", 0) or 0), float(header.get("BSCALE", 1) or 1)
    blank = header.get("BLANK") if bits > 0 else None
    kind, factor = _kind(bits, zero, scale)
    record = {"full_scale": round(1 / factor)} if bits > 0 and factor is not None else {}
    planes = np.empty((len(parts), *parts[0].shape), np.float32)
    for out, part in zip(planes, parts, strict=True):
        if factor is not None:
            to_float(part, out, factor, zero, blank)
        else:
            check_reach(path, part, scale, zero / scale, blank)
            to_float(part, out, scale, zero / scale, blank)
    opacity = planes[3] if len(parts) == 4 else None
    if opacity is not None:
        planes, note = _without_fourth(path, planes)
        notices = [*notices, note]
    tidy = _tidy(header, primary.header if header.get("INHERIT") is True else None)
    if any(_TABLES.match(k) for k in header):
        text = "its sky position is refined by a distortion table, which is left out; positions may be off by a pixel or so"
        notices = [*notices, Notice("distortion-table-dropped", f"{path.name}: {text}")]
    display = str(header.get("TRANSFER", "")).strip().upper() == "SRGB"
    raw = Raw(planes, "display" if display else "linear", "stated by its header" if display else "FITS data are linear", kind)
    order = next((str(header[k]) for k in _ROWS if k in header), "")
    raw.bottom_up = re.sub(r"[^A-Z]", "", order.upper()) == "BOTTOMUP"
    raw.mosaic = _pattern(tidy) if len(planes) == 1 else None
    if order:
        tidy["ROWORDER"] = "TOP-DOWN"  # so it will be once the image is read
    raw.header, raw.notices, raw.record, raw.opacity = tidy, notices, record, opacity
    return raw


def _kind(bits: int, zero: float, scale: float) -> tuple[str, float | None]:
    """Say what type of number is stored, and the factor that brings whole numbers to 0..1.

    Whole numbers whose BZERO only shifts the sign are counts. With any other BSCALE or BZERO the header itself says
    which physical values are meant; these are kept as they are, like floats (no factor).
    """
    if bits < 0:
        return f"float{-bits}", None
    signed = bits > 8
    if scale == 1 and zero == 0:
        name = f"{'' if signed else 'u'}int{bits}"
    elif scale == 1 and zero == _UNSIGNED[bits]:
        name = f"{'u' if signed else ''}int{bits}"
    else:
        return f"int{bits} scaled by the header", None
    return name, 1 / full_scale(np.dtype(name))


def _check_length(path: Path, hdu: Any, itemsize: int) -> None:
    """Refuse a file cut short, where that can be told before reading."""
    if _is_gz(path) or type(hdu).__name__ == "CompImageHDU":
        return
    start = hdu.fileinfo()["datLoc"]
    need, there = int(np.prod([int(n) for n in hdu.shape], dtype=object)) * itemsize, os.path.getsize(path) - start
    if there < need:
        raise refuse(path, f"the file ends too early: {there} of {need} bytes of the image are there (was the copy interrupted?)")


def _without_fourth(path: Path, planes: Any) -> tuple[Any, Notice]:
    """Drop a fourth plane that is plainly an opacity or a mask; refuse any other."""
    extra = planes[3]
    good = extra[np.isfinite(extra)]
    levels = np.unique(good[:: max(1, good.size // 100_000)])
    if len(levels) > 2 and not (good.min() >= 0 and good.max() <= 1 and (good == 1).mean() > 0.5):
        raise refuse(
            path,
            "it holds four planes, and the fourth is no opacity. Save red, green and blue (or one plane) as an image of its own.",
        )
    return planes[:3], Notice(
        "alpha-dropped", f"{path.name}: the fourth plane is an opacity (alpha) and was dropped; colours are unchanged"
    )


def _pattern(header: Any) -> str | None:
    """Give the mosaic pattern at the first pixel, and write it so into the header."""
    said = str(header.get("BAYERPAT", "")).strip().upper()
    if said not in PATTERNS:
        return None
    shift = [int(header.get(k, 0) or 0) if isinstance(header.get(k, 0), (int, float)) else 0 for k in ("XBAYROFF", "YBAYROFF")]
    pattern = move_pattern(said, shift_matrix(shift[0] % 2, shift[1] % 2))
    header["BAYERPAT"] = pattern
    for key in ("XBAYROFF", "YBAYROFF"):
        header.remove(key, ignore_missing=True)
    return pattern


def _tidy(header: Any, inherited: Any) -> Any:
    """Give the cards worth keeping: none that only describe the file's layout, none that cannot be read."""
    from astropy.io.fits import Header

    kept = Header()
    for source in (header, inherited):
        for card in source.cards if source is not None else ():
            try:
                key, value, comment = card.keyword, card.value, card.comment
                if _LAYOUT.match(key) or _AXIS3.match(key) or _TABLES.match(key) or (source is inherited and key in kept):
                    continue
                if source is inherited and key in ("COMMENT", "HISTORY", ""):
                    continue
                probe = Header([(key, value, comment)])
                probe.tostring()
                if key in ("COMMENT", "HISTORY", "") or key not in kept:
                    kept.append((key, value, comment), end=True)
            except Exception:  # a card that cannot be read or written again is not worth an evening
                continue
    axes = kept.get("WCSAXES")
    if isinstance(axes, int) and axes > 2:
        kept["WCSAXES"] = 2
    return kept


def write_fits(to: BinaryIO, image: Image, history: list[str]) -> None:
    """Write a float32 FITS image: planes first, header and WCS kept, one HISTORY entry per step.

    The bytes are made here, in bands of rows: the library would swap the bytes of the image's own planes for a while.
    """
    from astropy.io import fits

    planes = image.planes[0] if len(image.channels) == 1 else image.planes
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        header = fits.Header(
            [("SIMPLE", True, "conforms to FITS standard"), ("BITPIX", -32, "32-bit floats"), ("NAXIS", planes.ndim)]
        )
        for axis, length in enumerate(reversed(planes.shape), 1):
            header.append((f"NAXIS{axis}", length), end=True)
        for card in _tidy(image.header, None).cards if image.header is not None else ():
            header.append(card, end=True)
        if image.scale == "display":
            header["TRANSFER"] = ("sRGB", "stretched: values are sRGB-encoded, 0 to 1")
        elif image.header is not None and "BSCALE" in image.header:
            header["BSCALE"] = (image.header["BSCALE"], "times this, values are those of the stack")
        if image.header is not None and "ROWORDER" in image.header:
            header["ROWORDER"] = ("TOP-DOWN", "the first row is the top of the picture")
        for line in history:
            header.add_history("".join(c if 32 <= ord(c) < 127 else "?" for c in line.replace("\n", " ")))
        to.write(header.tostring(sep="", endcard=True, padding=True).encode("ascii"))
    size = 0
    for plane in image.planes:
        for y in range(0, len(plane), 512):
            size += to.write(plane[y : y + 512].astype(">f4").tobytes())
    to.write(b"\0" * (-size % 2880))
