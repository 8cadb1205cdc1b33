"""TIFF, PNG and JPEG into planes: whole numbers scaled to 0..1, opacity dropped, linear or display as the file tells."""

from __future__ import annotations

import contextlib
import logging
import os
import struct
import warnings
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.errors import InputError
from nebulakit.files.icc import bends_tones
from nebulakit.files.raw import Raw, check_reach, check_size, first_line, full_scale, is_whole, refuse, to_planes
from nebulakit.image import Notice, Scale
from nebulakit.pixels.parallel import threads

_TURNS = {2: (True, 0), 3: (False, 2), 5: (True, 1), 6: (False, 3), 7: (True, 3), 8: (False, 1)}
"""By the values of the tag for how a picture lies in the file: whether it is mirrored, and the quarters that set it upright."""
_MAX_PAGES = 32  # looked at to find the picture; more are no pictures to be stretched


def load_tiff(path: Path) -> Raw:
    """Read the largest picture of a TIFF file; InputError says what is wrong with it."""
    import tifffile

    with _quiet() as said:
        try:
            with tifffile.TiffFile(path) as file:
                return _take(path, *_choose(path, file))
        except InputError:
            raise
        except MemoryError:
            raise refuse(path, "its picture does not fit into memory") from None
        except Exception as fault:
            # what the library says of a file helps; where it stumbled over one, its words would only puzzle
            plain = isinstance(fault, (ValueError, OSError, RuntimeError, NotImplementedError)) and str(fault).strip()
            words = f" ({first_line(fault)})" if plain else f" ({said[0][:160]})" if said else ""
            raise refuse(path, f"the TIFF is damaged, or of a kind that is not read{words}") from fault


def tiff_shape(path: Path) -> tuple[int, ...]:
    """Give the height, width and planes of the picture that :func:`load_tiff` would read."""
    import tifffile

    with _quiet(), tifffile.TiffFile(path) as file:
        page, _ = _choose(path, file)
        planes = int(page.samplesperpixel)
        return int(page.imagelength), int(page.imagewidth), 3 if planes >= 3 or int(page.photometric) == 3 else 1


@contextlib.contextmanager
def _quiet() -> Iterator[list[str]]:
    """Keep the TIFF library's warnings and log lines from the user, and hand them to the reader."""
    said: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    log, keep = logging.getLogger("tifffile"), Keep()
    before = log.propagate
    log.addHandler(keep)
    log.propagate = False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield said
    finally:
        log.removeHandler(keep)
        log.propagate = before


def _choose(path: Path, file: Any) -> tuple[Any, list[Notice]]:
    """Pick the largest page that is no preview, the first of equals."""
    pages: list[Any] = []
    more = ""
    for index in range(_MAX_PAGES):
        try:
            page = file.pages[index]
        except IndexError:
            break
        except Exception:
            if index == 0:
                raise
            break  # what comes after a good picture may be broken
        if hasattr(page, "aspage"):
            page = page.aspage()
        if index == 0 or not page.subfiletype & 1:
            pages.append(page)
    else:
        more = " or more"
    if not pages:
        raise refuse(path, "there is no picture in the TIFF")
    areas = [int(p.imagelength) * int(p.imagewidth) for p in pages]
    page = pages[int(np.argmax(areas))]
    if len(pages) == 1:
        return page, []
    text = (
        f"{path.name} holds {len(pages)}{more} pictures; number {pages.index(page) + 1}, the largest, was read. "
        "If another is meant, save that one alone."
    )
    if len(set(areas)) == 1 and all(int(p.samplesperpixel) == 1 for p in pages):
        text = (
            f"{path.name} holds {len(pages)}{more} pages of one plane each; the first alone was read. Are they frames, stack them "
            "first; are they colours, save them as one picture in colour; is another meant, save that one alone."
        )
    return page, [Notice("one-of-several-images", text)]


def _take(path: Path, page: Any, notices: list[Notice]) -> Raw:
    """Turn a page into planes."""
    h, w, samples = int(page.imagelength), int(page.imagewidth), int(page.samplesperpixel)
    dtype = page.dtype
    if h < 1 or w < 1 or samples < 1 or dtype is None or int(page.imagedepth) != 1:
        raise refuse(path, f"the TIFF is damaged: it claims {w}x{h} px of {samples} values")
    if dtype.kind not in "iufb":
        raise refuse(path, f"its values are of the kind {dtype}, which is no brightness")
    check_size(path, (h, w, samples), dtype.itemsize)
    _check_length(path, page)
    light = int(page.photometric)
    if light not in (0, 1, 2, 3, 4, 6, 32803, 34892):
        raise refuse(
            path, f"its colours are stored as {str(getattr(page.photometric, 'name', light)).lower()}; save it as grey or RGB"
        )
    stored = page.asarray(maxworkers=threads.get())
    if stored is None or stored.size != h * w * samples:
        raise refuse(path, "the TIFF is damaged: part of the picture is missing")
    parts = _parts(stored, h, w, samples)
    if light == 3:
        parts = _palette(path, page, parts[0])
        dtype = parts[0].dtype
    last = parts[-1]
    parts, dropped = _colours(path, parts, page, light)
    bits = int(page.bitspersample) if light != 3 else 16
    factor = 1 / full_scale(dtype, bits) if is_whole(dtype) else 1.0
    record = {}
    for part in parts:
        check_reach(path, part)
    planes = to_planes(parts, factor)
    opacity = to_planes([last], factor)[0] if dropped else None
    if is_whole(dtype):
        record["full_scale"] = int(full_scale(dtype, bits))
        if light == 0:
            np.subtract(np.float32(1), planes, out=planes)  # white was stored as zero
    profile = page.tags.valueof(34675)
    scale, why = _scale(dtype, profile if isinstance(profile, bytes) else b"", light in (3, 6), 301 in page.tags)
    raw = Raw(planes, scale, why, str(dtype), record=record, notices=[*notices, *dropped], opacity=opacity)
    raw.multiplied = [int(k) for k in page.extrasamples][:1] == [1]
    raw.mosaic = _mosaic(page) if light == 32803 else None
    return _upright(raw, page.tags.valueof(274))


def _upright(raw: Raw, turn: Any) -> Raw:
    """Set a picture and its pattern of colours upright by the value of its tag; with the bottom row first it only says so."""
    raw.bottom_up = turn == 4
    mirrored, quarters = _TURNS.get(turn, (False, 0))

    def turned(planes: Any) -> Any:
        return np.ascontiguousarray(np.rot90(planes[..., ::-1] if mirrored else planes, quarters, axes=(-2, -1)))

    if raw.mosaic is not None:  # it tells the cells at the first pixel of the file
        h, w = raw.planes.shape[1:]
        cells = np.tile(np.array(list(raw.mosaic)).reshape(2, 2), (2, 2))[: 2 + h % 2, : 2 + w % 2]
        raw.mosaic = "".join((cells[::-1] if raw.bottom_up else turned(cells))[:2, :2].ravel())
    if turn in _TURNS:
        raw.planes, raw.opacity = turned(raw.planes), None if raw.opacity is None else turned(raw.opacity)
    return raw


def _check_length(path: Path, page: Any) -> None:
    """Refuse a picture whose pieces lie, as the TIFF says, behind the end of the file."""
    size = os.path.getsize(path)
    offsets, counts = list(page.dataoffsets), list(page.databytecounts)
    if not offsets or not any(counts):
        raise refuse(path, "the TIFF is damaged: it says nowhere where its picture lies")
    end = max(o + c for o, c in zip(offsets, counts, strict=False))
    if end > size:
        raise refuse(path, f"the file ends too early: {size} of {end} bytes are there (was the copy interrupted?)")


def _parts(stored: Any, h: int, w: int, samples: int) -> list[Any]:
    """Give the planes of what the library read, planes first or last."""
    if samples == 1:
        return [stored.reshape(h, w)]
    if stored.shape[-1] == samples and stored.shape[-3:-1] == (h, w):
        return [stored.reshape(h, w, samples)[..., c] for c in range(samples)]
    return list(stored.reshape(samples, h, w))


def _palette(path: Path, page: Any, indices: Any) -> list[Any]:
    """Look the colours of a palette picture up."""
    table = page.colormap
    if table is None or not is_whole(indices.dtype) or int(indices.max(initial=0)) >= table.shape[1]:
        raise refuse(path, "its palette of colours is missing or too short")
    return [row[indices] for row in table]


def _colours(path: Path, parts: list[Any], page: Any, light: int) -> tuple[list[Any], list[Notice]]:
    """Keep one plane, or red, green and blue; drop opacity with a note; refuse other planes."""
    want = 3 if light in (2, 3, 6) else 1
    extra = len(parts) - want
    if extra == 0:
        return parts, []
    if extra == 2 and want == 1:
        return parts, []  # three planes that call themselves grey
    kinds = [int(k) for k in page.extrasamples]
    if extra == 1 and (kinds[:1] in ([1], [2]) or want == 3 or (kinds and kinds[0] != 0)):
        return parts[:want], [_dropped(path)]
    raise refuse(
        path, f"it holds {len(parts)} planes, which is neither one plane nor red, green and blue. Save the planes wanted alone."
    )


def _dropped(path: Path) -> Notice:
    return Notice("alpha-dropped", f"{path.name}: the last plane is an opacity (alpha) and was dropped; colours are unchanged")


def _scale(dtype: Any, profile: bytes, coded: bool, curve: bool) -> tuple[Scale, str]:
    """Say linear or display, and why."""
    bent = bends_tones(profile) if profile else None
    if bent:
        return "display", "its colour profile has a tone curve"
    if bent is False:
        return "linear", "its colour profile is linear"
    if curve:
        return "display", "it carries a tone curve"
    if coded:
        return "display", "its kind of colour is only used for finished pictures"
    if is_whole(dtype) and dtype.itemsize == 1:
        return "display", "8 bits per value are only enough for finished pictures"
    return "linear", "nothing in the file says that it was stretched"


def _mosaic(page: Any) -> str | None:
    """Give the pattern of a colour-filter picture, where its tag tells a 2x2 one."""
    cells = page.tags.valueof(33422)
    cells = tuple(cells) if isinstance(cells, (bytes, tuple)) else ()
    return "".join("RGB"[c] if c < 3 else "?" for c in cells) if len(cells) == 4 else None


# --- PNG --------------------------------------------------------------------------------------------------------------


def png_shape(path: Path) -> tuple[int, ...]:
    """Give the height, width and planes of the picture that :func:`load_png` would read."""
    with open(path, "rb") as file:
        width, height, _, colour = struct.unpack(">IIBB", file.read(26)[16:])
    return height, width, 1 if colour in (0, 4) else 3


def load_png(path: Path) -> Raw:
    """Read a PNG of 1 to 16 bits; InputError says what is wrong with it."""
    import imagecodecs

    content = path.read_bytes()
    chunks = _chunks(path, content)
    found = dict(chunks)
    head = found.get(b"IHDR", b"")
    if len(head) != 13 or chunks[0][0] != b"IHDR":
        raise refuse(path, "the PNG is damaged: its header is missing")
    w, h, depth, kind = struct.unpack(">IIBB", head[:10])
    samples = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}.get(kind, 0)
    if not samples or not 0 < w < 2**31 or not 0 < h < 2**31:
        raise refuse(path, f"the PNG is damaged: it claims {w}x{h} px of an unknown kind")
    check_size(path, (h, w, samples), 2 if depth == 16 else 1)
    try:
        stored = np.asarray(imagecodecs.png_decode(content))
    except Exception as fault:
        raise refuse(path, f"the PNG is damaged ({str(fault)[:120]})") from fault
    full = full_scale(stored.dtype)
    parts = list(np.moveaxis(stored.reshape(h, w, -1), -1, 0))
    notices, opacity = [], None
    if len(parts) in (2, 4):
        notices.append(_dropped(path))
        opacity = to_planes([parts.pop()], 1 / full)[0]
    scale, why = _scale(stored.dtype, _png_profile(found), kind == 3, False)
    gamma = struct.unpack(">I", found[b"gAMA"])[0] / 1e5 if len(found.get(b"gAMA", b"")) == 4 else None
    if b"iCCP" not in found and (b"sRGB" in found or gamma is not None):
        bent = b"sRGB" in found or abs((gamma or 1) - 1) > 0.05
        scale, why = (
            ("display", "it says that it is stretched (gamma)") if bent else ("linear", "it says that it is linear (gamma)")
        )
    record = {"full_scale": int(full)}
    raw = Raw(to_planes(parts, 1 / full), scale, why, str(stored.dtype), record=record, notices=notices, opacity=opacity)
    return _upright(raw, _png_turn(found.get(b"eXIf", b"")))


def _png_turn(exif: bytes) -> Any:
    """Give the value of the tag for how a picture lies in the file; None where there is none, or none that can be read."""
    from PIL import Image as Pictures

    told = Pictures.Exif()
    with warnings.catch_warnings(), contextlib.suppress(Exception):
        warnings.simplefilter("ignore")
        told.load(exif)
        return told.get(274)
    return None


def _chunks(path: Path, content: bytes) -> list[tuple[bytes, bytes]]:
    """Walk the PNG's chunks and check each; the picture itself is not copied."""
    at, found = 8, []
    while at + 12 <= len(content):
        size, name = struct.unpack(">I4s", content[at : at + 8])
        body = memoryview(content)[at + 8 : at + 8 + size]
        if at + 12 + size > len(content):
            break
        if zlib.crc32(body, zlib.crc32(name)) != struct.unpack(">I", content[at + 8 + size : at + 12 + size])[0]:
            raise refuse(path, "the PNG is damaged: a checksum in it is wrong")
        found.append((name, b"" if name == b"IDAT" else bytes(body)))
        if name == b"IEND":
            return found
        at += 12 + size
    raise refuse(path, "the PNG ends too early (was the copy interrupted?)")


def _png_profile(found: dict[bytes, bytes]) -> bytes:
    """Unpack the colour profile, at most a few megabytes of it."""
    body = found.get(b"iCCP", b"")
    packed = body[body.find(b"\0") + 2 :]
    try:
        return zlib.decompressobj().decompress(packed, 4 << 20) if packed else b""
    except zlib.error:
        return b""


# --- JPEG -------------------------------------------------------------------------------------------------------------


def jpeg_shape(path: Path) -> tuple[int, ...]:
    """Give the height, width and planes of the picture that :func:`load_jpeg` would read."""
    from PIL import Image as Pictures

    with Pictures.open(path, formats=["JPEG"]) as picture:
        return picture.height, picture.width, len(picture.getbands())


def load_jpeg(path: Path) -> Raw:
    """Read a JPEG, which can only be a finished picture."""
    from PIL import Image as Pictures
    from PIL import ImageOps

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Pictures.open(path, formats=["JPEG"]) as file:
                check_size(path, (file.height, file.width, 3), 1)
                if file.mode not in ("L", "RGB"):
                    raise refuse(path, f"its colours are stored as {file.mode}; save it as grey or RGB")
                stored = np.asarray(ImageOps.exif_transpose(file))
        except InputError:
            raise
        except Exception as fault:
            raise refuse(path, f"the JPEG is damaged ({str(fault)[:120]})") from fault
    planes = to_planes(list(np.moveaxis(np.atleast_3d(stored), -1, 0)), 1 / 255)
    return Raw(planes, "display", "a JPEG is a finished picture", "uint8", record={"full_scale": 255})
