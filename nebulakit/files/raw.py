"""What a reader hands on: planes as floats, what they are, and what was noticed; and the checks all readers share."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from nebulakit.errors import InputError
from nebulakit.image import Notice, Planes, Scale

Plane = npt.NDArray[np.float32]

_FLOOR = 64 << 20  # bytes any file may unpack to, however small it is
_SMALLEST = 1e-37  # what is smaller keeps ever fewer digits as a 32-bit float
_RATIO = 5000  # no format read here packs a picture tighter than this


@dataclass
class Raw:
    """A picture as it stood in the file: planes float32 (channel, y, x), rows as in the file."""

    planes: Planes
    scale: Scale
    why: str  # why it is taken for linear or display
    stored: str  # what the numbers were in the file, such as uint16
    mosaic: str | None = None  # colour pattern of a mosaic, as the header states it
    opacity: Plane | None = None  # (y, x), 0..1, where the file holds one beside its colours
    multiplied: bool = False  # the colours are multiplied by it already
    bottom_up: bool = False  # the file says that its first row is the bottom of the picture
    header: Any = None
    notices: list[Notice] = field(default_factory=list)
    record: dict[str, Any] = field(default_factory=dict)


def first_line(fault: BaseException) -> str:
    """Give the beginning of what a library says of a file, to be told in brackets."""
    return (str(fault).strip() or type(fault).__name__).splitlines()[0][:160].rstrip(".")


def refuse(path: Path, why: str) -> InputError:
    """Give the error that names the file and says why it cannot be used."""
    return InputError(f"{path.name or path}: {why}")


def check_file(path: Path) -> Literal["tiff", "png", "jpeg", "fits"]:
    """Give what a file is by its first bytes (a packed one is taken for FITS); refuse what is no file that can be opened, and others.

    A pipe gives its contents only once, and may be waited for without end.
    """
    if os.path.isdir(path):  # no fault where the name is none that a file can have
        raise refuse(path, "this is a folder, not a file")
    if os.path.exists(path) and not os.path.isfile(path):
        raise refuse(path, "this is a pipe or a device, not a file. Save the picture as a file, and give that")
    try:
        with open(path, "rb") as file:
            head = file.read(8)
    except FileNotFoundError:
        if os.path.islink(path):
            raise refuse(path, f"this is a link to {os.readlink(path)}, which is not there") from None
        raise InputError(f"there is no file {path.name} in {path.parent}") from None
    except (OSError, ValueError) as fault:  # a name with a zero byte is the latter
        raise refuse(path, f"it cannot be opened ({getattr(fault, 'strerror', None) or fault})") from None
    if not head:
        raise refuse(path, "the file is empty")
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if head == b"\x89PNG\r\n\x1a\n":
        return "png"
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:6] == b"SIMPLE" or head[:2] == b"\x1f\x8b":
        return "fits"
    raise refuse(path, "this is neither FITS, TIFF, PNG nor JPEG. Save it as FITS or TIFF and give that.")


def check_size(path: Path, shape: tuple[int, ...], itemsize: int) -> None:
    """Refuse a file that claims a picture far larger than its bytes could ever hold, before memory is taken for it."""
    size, claimed = os.path.getsize(path), int(np.prod([int(n) for n in shape], dtype=object)) * itemsize
    if claimed > max(_FLOOR, size * _RATIO):
        wide = " x ".join(str(n) for n in shape)
        raise refuse(path, f"it claims to hold {wide} values, but the whole file is only {size} bytes; it is damaged")


def check_reach(path: Path, stored: npt.NDArray[Any], scale: float = 1.0, zero: float = 0.0, blank: int | None = None) -> None:
    """Refuse values (y, x) that :func:`to_float` would bring where a 32-bit float holds nothing, or only a few digits."""
    if stored.dtype.kind != "f" and scale == 1.0:
        return
    largest = 0.0
    for y in range(0, len(stored), 256):
        band = stored[y : y + 256]
        known = np.isfinite(band) if blank is None else band != blank
        # as floats: the least whole number has no counterpart above 0
        size = np.abs(band if band.dtype.kind == "f" and zero == 0 else band.astype(np.float64) + zero)
        largest = max(largest, float(np.max(size, where=known, initial=0)) * abs(scale))
    if largest > np.finfo(np.float32).max or 0 < largest < _SMALLEST:
        raise refuse(
            path,
            f"its largest value is {largest:.3g}, beyond what 32-bit floats hold. Multiply it by a plain factor and save it again.",
        )


def is_whole(dtype: np.dtype[Any]) -> bool:
    """Whether values of this type are whole numbers."""
    return dtype.kind in "iu"


def full_scale(dtype: np.dtype[Any], bits: int | None = None) -> float:
    """Give the largest value whole numbers of ``bits`` (by default all) can have: it becomes 1.0.

    Signed numbers are scaled by their positive half, so that negative values stay negative.

    >>> full_scale(np.dtype("u2")), full_scale(np.dtype("i2")), full_scale(np.dtype("u2"), 12)
    (65535.0, 32767.0, 4095.0)
    """
    n = bits if bits else dtype.itemsize * 8
    return float(2 ** (n - (dtype.kind == "i")) - 1)


def to_float(
    stored: npt.NDArray[Any], out: npt.NDArray[np.float32], scale: float = 1.0, zero: float = 0.0, blank: int | None = None
) -> None:
    """Write ``(zero + stored) * scale`` into ``out``, both (y, x); the value ``blank`` and what is not finite become NaN.

    Works in bands of rows: whole numbers need float64 on the way, and that for 26 megapixels is memory not to be taken at once.
    """
    plain = scale == 1.0 and zero == 0.0 and blank is None
    with np.errstate(over="ignore", invalid="ignore"):
        for y in range(0, len(out), 256):
            band, part = stored[y : y + 256], out[y : y + 256]
            if plain and band.dtype.kind == "f":
                part[...] = band
            else:
                wide = band.astype(np.float64)
                part[...] = (wide + zero) * scale
            if blank is not None:
                part[band == blank] = np.nan
            if band.dtype.kind == "f":
                part[~np.isfinite(part)] = np.nan


def to_planes(parts: Sequence[npt.NDArray[Any]], scale: float = 1.0) -> Planes:
    """Give parts (y, x) of a file as planes, by :func:`to_float`."""
    planes = np.empty((len(parts), *parts[0].shape), np.float32)
    for out, part in zip(planes, parts, strict=True):
        to_float(part, out, scale)
    return planes


def slim(shape: tuple[int, ...]) -> tuple[int, ...]:
    """Leave out lengths of one, but for sides of a colour picture that is one pixel wide or high.

    What could be either, (1, n, 3), is a plane: a first length of one is what files add to such.

    >>> slim((1, 400, 600)), slim((1, 3, 400, 600)), slim((3, 1, 1)), slim((400, 1, 3)), slim((1, 400, 3)), slim((1, 1))
    ((400, 600), (3, 400, 600), (3, 1, 1), (400, 1, 3), (400, 3), (1, 1))
    """
    left = list(shape)
    while 1 in left and (len(left) > 3 or (len(left) == 3 and left[0] not in (3, 4) and (left[0] == 1 or left[2] not in (3, 4)))):
        left.remove(1)
    return tuple(left)


def arrange(shape: tuple[int, ...]) -> str | None:
    """Say how an array without lengths of one is laid out: "yx", "cyx", "yxc", or None where it is no picture.

    >>> arrange((400, 600)), arrange((3, 400, 600)), arrange((400, 600, 4)), arrange((7, 10, 11))
    ('yx', 'cyx', 'yxc', None)
    """
    if len(shape) == 2:
        return "yx"
    if len(shape) != 3:
        return None
    return "cyx" if shape[0] in (3, 4) else "yxc" if shape[2] in (3, 4) else None
