"""How a layer is written: the choices an entry of ``outputs`` may make, checked before any pixel is read.

Loads no numerical library, so that a recipe can be checked at once.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

Kind = Literal["fits", "tiff", "png", "jpeg"]

SUFFIXES: dict[str, Kind] = {
    ".fits": "fits",
    ".fit": "fits",
    ".fts": "fits",
    ".fits.gz": "fits",
    ".fit.gz": "fits",
    ".fts.gz": "fits",
    ".tif": "tiff",
    ".tiff": "tiff",
    ".png": "png",
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
}
"""What may be written, by the end of the file's name (in small letters)."""

BITS: dict[Kind, tuple[int, ...]] = {"fits": (32,), "tiff": (16, 8, 32), "png": (16, 8), "jpeg": (8,)}
"""Bits per value each kind of file can hold; the first is used where none are asked for."""

_STRICT = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)
_SIZE = r"\s*(\d+(?:\.\d+)?)\s*(mm|cm|in)\s*"
_INCHES = {"mm": 1 / 25.4, "cm": 1 / 2.54, "in": 1.0}


def _inches(width: str) -> float:
    """Give a width as written in inches, 0 where it is none."""
    found = re.fullmatch(_SIZE, width)
    return float(found[1]) * _INCHES[found[2]] if found else 0.0


class PrintSize(BaseModel):
    """How large a picture is to be printed."""

    model_config = _STRICT

    width: Annotated[str | None, Field(pattern=f"^{_SIZE}$", description="width on paper, such as 30 cm, 300 mm or 12 in")] = None
    dpi: Annotated[
        float, Field(ge=30, le=4800, description="pixels per inch on paper; a larger picture is scaled down to it")
    ] = 300.0

    @field_validator("width", mode="before")
    @classmethod
    def _is_width(cls, value: object) -> object:
        """Say in words what the pattern, which is for editors, asks for."""
        if value is not None and not (isinstance(value, str) and 0.1 <= _inches(value) <= 4000):
            raise ValueError("expected a width such as 30 cm, 300 mm or 12 in")
        return value

    @property
    def inches(self) -> float | None:
        """The width in inches, or None where none is asked for."""
        return None if self.width is None else _inches(self.width)


class WriteOptions(BaseModel):
    """What an entry of ``outputs`` may say beside its layer and file.

    >>> WriteOptions(bits=8, longest=2048).longest
    2048
    """

    model_config = _STRICT

    bits: Annotated[
        Literal[8, 16, 32] | None,
        Field(description="bits per value, 32 being floats; by default 16 for tif and png, 8 for jpg, 32 for fits"),
    ] = None
    longest: Annotated[
        int | None, Field(ge=16, le=100_000, description="scale down until the longer side has this many pixels; never enlarged")
    ] = None
    quality: Annotated[int, Field(ge=1, le=100, description="quality of a jpg; colour is always kept at full resolution")] = 92
    print: Annotated[PrintSize | None, Field(description="size on paper: sets the resolution written into the file")] = None


def kind_of(file: str) -> Kind:
    """Give the kind of file a name stands for; ValueError where it is none that can be written.

    >>> kind_of("out/picture.TIF")
    'tiff'
    """
    name = PurePosixPath(file.replace("\\", "/")).name.lower()
    for suffix, kind in SUFFIXES.items():
        if name.endswith(suffix) and len(name) > len(suffix):
            return kind
    shown = [s for s in SUFFIXES if not s.endswith(".gz")]
    raise ValueError(f"cannot tell the kind of file {file!r}: its name must end in one of {', '.join(shown)}")


LONGEST_NAME = 255
"""Bytes of a file's or folder's name that the common file systems hold."""


def check_output(file: str, options: WriteOptions) -> None:
    """Refuse, with a ValueError, a file name that leaves its folder and options its kind of file cannot follow.

    >>> check_output("picture.jpg", WriteOptions(bits=16))
    Traceback (most recent call last):
    ValueError: a jpg file ('picture.jpg') holds 8 bits per value, not 16; use tif or png
    """
    if not file or any(ord(c) < 32 for c in file):
        raise ValueError(f"{file!r} is no file name")
    for part in file.split("/"):
        if len(part.encode(errors="replace")) > LONGEST_NAME:
            raise ValueError(f"the name {part[:30]!r}... is too long; file systems hold {LONGEST_NAME} bytes")
    if "\\" in file or ":" in file or file.startswith(("/", "~")):
        raise ValueError(
            f"{file!r} must be a name inside the output folder, no drive, '\\' or leading '/', '~'; choose the folder with -o"
        )
    if ".." in file.split("/"):
        raise ValueError(f"{file!r} would leave the output folder; choose the folder with -o")
    kind, known = kind_of(file), BITS[kind_of(file)]
    shown = {"fits": "fits", "tiff": "tif", "png": "png", "jpeg": "jpg"}[kind]
    if options.bits is not None and options.bits not in known:
        instead = "use tif or png" if options.bits < 32 else "use tif or fits"
        held = " or ".join(str(b) for b in sorted(known))
        raise ValueError(f"a {shown} file ({file!r}) holds {held} bits per value, not {options.bits}; {instead}")
    if kind == "fits":
        if options.longest is not None:
            raise ValueError(f"'longest' scales pictures, and {file!r} holds data; put a step bin into the recipe instead")
        if options.print is not None:
            raise ValueError(f"'print' is for pictures, and {file!r} holds data; use tif, png or jpg")
    if kind != "jpeg" and "quality" in options.model_fields_set:
        raise ValueError(f"'quality' is for jpg files; {file!r} loses nothing and has none")
