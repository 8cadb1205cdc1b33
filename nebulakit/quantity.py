"""Values with a unit, as they stand in a recipe: ``3 fwhm``, ``4 sigma``, ``85%``, ``30 arcsec``, positions.

A recipe travels from night to night because lengths are told in star widths and levels in noise. A quantity therefore
keeps its unit until a step resolves it against the :class:`~nebulakit.image.Image` it works on.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Self

from nebulakit.errors import StepError

if TYPE_CHECKING:
    import numpy as np
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic_core import CoreSchema

    from nebulakit.image import Image, Notice

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"


LARGEST = 1e15
"""Of any quantity: what is reckoned from it still fits into 32-bit floats."""


@dataclass(frozen=True, order=False)
class Quantity:
    """A number and a unit; subclasses say which units there are and what a bare number means."""

    number: float
    unit: str

    UNITS: ClassVar[tuple[str, ...]] = ()
    BARE: ClassVar[str | None] = ""  # the unit of a number without one; None: a unit must stand there

    def __post_init__(self) -> None:
        if self.unit not in self.UNITS:
            raise ValueError(f"unknown unit {self.unit!r}; known here: {', '.join(filter(None, self.UNITS)) or 'none'}")
        if not math.isfinite(self.number):
            raise ValueError(f"{self.number} is not a finite number")
        if abs(self.number) > LARGEST:
            raise ValueError(f"{self.number:.3g} is larger than any length, level or share ({LARGEST:g} at most)")

    @classmethod
    def parse(cls, value: Any) -> Self:
        """Read ``value``, a number or a text such as ``3 fwhm``; ValueError says what would be understood."""
        if isinstance(value, cls):
            return value
        if isinstance(value, (int, float)) and not isinstance(value, bool) and cls.BARE is not None:
            return cls(float(value) if abs(value) < 2**1023 else math.inf, cls.BARE)
        found = re.fullmatch(rf"\s*({_NUMBER})\s*(%|[A-Za-z]*)\s*", value) if isinstance(value, str) else None
        if not found:
            raise ValueError(f"expected {cls.hint()}, found {value!r}")
        unit = found[2] or cls.BARE
        if unit is None or unit not in cls.UNITS:
            raise ValueError(f"expected {cls.hint()}, found {value!r}")
        return cls(float(found[1]), unit)

    @classmethod
    def hint(cls) -> str:
        """Tell a person what may be written."""
        units = [u for u in cls.UNITS if u]
        return ("a number with " if cls.BARE is None else "a number, or a number with ") + " or ".join(units)

    def __str__(self) -> str:
        number = f"{self.number:.12g}"
        return number if not self.unit else f"{number}%" if self.unit == "%" else f"{number} {self.unit}"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let a parameter model check and print quantities by :meth:`parse` and ``str``."""
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(
            cls.parse, serialization=core_schema.plain_serializer_function_ser_schema(str, when_used="always")
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe what may be written, for editors."""
        unit = "|".join(re.escape(u) for u in cls.UNITS if u)
        bare = "?" if cls.BARE is not None else ""
        text = {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*({unit}){bare}\s*$"}
        return {"anyOf": [{"type": "number"}, text]} if cls.BARE is not None else text


class Length(Quantity):
    """A length in the picture: ``3 fwhm`` (star widths), ``12 px`` (of the stack), ``30 arcsec`` (needs a sky position in the header).

    Pixels are those of the stack as it was read, as for positions: so a length means the same after ``bin`` and in a preview.
    """

    UNITS = ("fwhm", "px", "arcsec")
    BARE = None

    def px(self, image: Image) -> float:
        """Give the length in pixels of ``image``; StepError where the star width or the scale is not known."""
        if self.unit == "px":
            return self.number / image.frame.scale
        if self.unit == "fwhm":
            if image.fwhm is None:
                raise StepError(
                    f"'{self}' needs the width of the stars, which is neither known nor measurable here (no usable stars). "
                    "Give the length in px, or tell the width with --fwhm (in Python: fwhm=...)."
                )
            return self.number * image.fwhm
        scale = image.arcsec_per_px()
        if scale is None:
            raise StepError(
                f"'{self}' needs a sky position (WCS) in the stack's header, and there is none. Give the length in px or fwhm."
            )
        return self.number / scale


def in_px(image: Image, *lengths: Length) -> tuple[list[float], list[Notice]]:
    """Give lengths in pixels; in place of a width of the stars that is neither known nor measurable 3 px are taken, and told."""
    from nebulakit.image import Notice

    notices: list[Notice] = []
    told = ", ".join(str(v) for v in lengths if v.unit == "fwhm")
    if told and image.content == "scene":
        image = image.measured("fwhm")
    if told and image.fwhm is None:
        image = image.replace(fwhm=3.0)
        text = f"The width of the stars is not known here, so {told} was taken with 3 px. Tell it with --fwhm."
        notices.append(Notice("fwhm-assumed", text))
    return [v.px(image) for v in lengths], notices


class Level(Quantity):
    """A brightness: ``4 sigma`` (above the sky, in noise), ``12%`` (of the white level), or a plain pixel value."""

    UNITS = ("sigma", "%", "")
    BARE = ""

    def value(self, image: Image) -> np.ndarray:
        """Give the pixel value per channel of ``image``, float64 (channels,)."""
        import numpy as np

        known = image.measured("noise", "sky") if self.unit == "sigma" else image
        if self.unit == "sigma":
            assert known.sky is not None and known.noise is not None
            return np.asarray(known.sky) + self.number * np.asarray(known.noise.sigma)
        if self.unit == "%":
            white = image.white if image.white is not None and image.scale == "linear" else (1.0,) * len(image.channels)
            return np.asarray(white) * self.number / 100
        return np.full(len(image.channels), self.number)


class Share(Quantity):
    """A part of the whole: ``85%`` or ``0.85``."""

    UNITS = ("%", "")
    BARE = ""

    @property
    def fraction(self) -> float:
        """The share as a number, 1.0 for the whole."""
        return self.number / 100 if self.unit == "%" else self.number


class Angle(Quantity):
    """An angle: ``25 deg`` or a plain number of degrees."""

    UNITS = ("deg", "")
    BARE = "deg"

    @property
    def degrees(self) -> float:
        """The angle in degrees."""
        return self.number

    def turned(self, image: Image) -> float:
        """Give the direction, in degrees in ``image``, that points so in the uncropped stack as it is seen."""
        frame, turn = image.frame, math.radians(self.number)
        x0, y0 = frame.from_stack(*frame.upright(0, 0))
        x1, y1 = frame.from_stack(*frame.upright(math.cos(turn), math.sin(turn)))
        return math.degrees(math.atan2(y1 - y0, x1 - x0))


Extent = Share | Length
"""A size in the picture: a length, or a share of the uncropped stack's width."""


def extent_px(extent: Extent, image: Image) -> float:
    """Give a size in pixels of ``image``; StepError where the star width or the scale it needs is not known."""
    if isinstance(extent, Length):
        return extent.px(image.measured("fwhm") if extent.unit == "fwhm" else image)
    return extent.fraction * image.frame.stack_shape[1] / image.frame.scale


@dataclass(frozen=True)
class Position:
    """A place: ``[41.2%, 63.0%]`` of the uncropped stack (x, y), ``[812 px, 406 px]`` of it, or ``[83.82 deg, -5.39 deg]`` (RA, Dec).

    Shares count from the left and from the top of the picture as it is seen; px count columns and rows as they lie in the
    file, whose first row is the bottom where it says so.
    """

    x: float
    y: float
    unit: str  # "%", "px" or "deg"

    @classmethod
    def parse(cls, value: Any) -> Position:
        """Read a pair; ValueError says what would be understood."""
        if isinstance(value, Position):
            return value
        wanted = "two values with one unit, such as [41.2%, 63.0%], [812 px, 406 px] or [83.82 deg, -5.39 deg]"
        if not isinstance(value, (list, tuple)) or len(value) != 2:
            raise ValueError(f"expected {wanted}, found {value!r}")
        a, b = (re.fullmatch(rf"\s*({_NUMBER})\s*(%|px|deg)\s*", v) if isinstance(v, str) else None for v in value)
        if a is None or b is None or a[2] != b[2]:
            raise ValueError(f"expected {wanted}, found {value!r}")
        return cls(float(a[1]), float(b[1]), a[2])

    def pixel(self, image: Image) -> tuple[float, float]:
        """Give (x, y) in pixels of ``image``, 0 the centre of the first pixel; may lie outside."""
        if self.unit == "deg":
            found = image.pixel_of_sky(self.x, self.y)
            if found is None:
                raise StepError(
                    f"position {self} is RA and Dec, but the stack's header has no sky position (WCS). Give it in % or px."
                )
            return found
        height, width = image.frame.stack_shape
        if self.unit == "px":
            return image.frame.from_stack(self.x, self.y)
        return image.frame.from_stack(*image.frame.upright(self.x / 100 * width - 0.5, self.y / 100 * height - 0.5))

    def __str__(self) -> str:
        return f"[{', '.join(self.as_list())}]"

    def as_list(self) -> list[str]:
        """Give the pair as it would stand in a recipe."""
        unit = self.unit if self.unit == "%" else f" {self.unit}"
        return [f"{self.x:.12g}{unit}", f"{self.y:.12g}{unit}"]

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let a parameter model check and print positions."""
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(
            cls.parse, serialization=core_schema.plain_serializer_function_ser_schema(Position.as_list, when_used="always")
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe what may be written, for editors."""
        item = {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*(%|px|deg)\s*$"}
        return {"type": "array", "items": item, "minItems": 2, "maxItems": 2}
