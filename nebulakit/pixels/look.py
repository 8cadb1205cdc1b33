"""How planes are shown to the eye: one curve for layers that are compared, small copies, bytes for a page."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import lower_quarter

Planes = npt.NDArray[np.float32]
Bytes8 = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class View:
    """A curve for linear light: ``asinh((x - zero) / soft)``, drawn from ``-black`` to ``white`` above a layer's zero."""

    soft: float
    black: float
    white: float

    def alike(self, other: View) -> bool:
        """Say whether two views are near enough to stand for each other: a factor of three in softening and in white."""
        return 1 / 3 < self.white / other.white < 3 and 1 / 3 < self.soft / other.soft < 3


def shrink(planes: Planes, width: int) -> Planes:
    """Average planes (channel, y, x) down to ``width`` px; NaN counts as 0. Narrower ones keep their size."""
    import cv2

    h, w = planes.shape[1:]
    if w <= width:
        return np.nan_to_num(planes)
    size = (width, max(1, round(h * width / w)))

    def one(plane: Planes) -> Planes:
        made = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        if np.isnan(made).any():
            made = cv2.resize(np.nan_to_num(plane), size, interpolation=cv2.INTER_AREA)
        return np.asarray(made, np.float32)

    return np.stack([one(p) for p in planes])


def thin(planes: Planes, most: int = 100_000) -> Planes:
    """Give every n-th row and column of planes, so that at most about ``most`` pixels are left of each: enough for a percentile."""
    n = max(1, math.isqrt(planes[0].size // most))
    return planes[:, ::n, ::n]


def levels(small: Planes) -> Planes:
    """Give the level per channel that a layer is shown from: the lower quarter of its values."""
    return np.asarray(lower_quarter(thin(small).reshape(len(small), -1)), np.float32)


def view_of(small: Planes, sigma: float | None) -> View:
    """Choose the curve for a linear layer from a small copy of it and the noise of its pixels (None: not known)."""
    rest = thin(small) - levels(small)[:, None, None]
    top = float(np.percentile(rest, 99.8))
    soft = 3 * sigma if sigma else max(top, 1e-9) / 40
    return View(soft, 2 * soft, max(top, 4 * soft))


def curved(planes: Planes, view: View, zero: Planes) -> Planes:
    """Give linear planes as levels 0..1; ``zero`` is the level per channel that counts as 0. NaN stays NaN."""
    low, high = math.asinh(-view.black / view.soft), math.asinh(view.white / view.soft)
    bent = np.arcsinh((planes - zero[:, None, None]) / np.float32(view.soft))
    return np.asarray(np.clip((bent - np.float32(low)) / np.float32(high - low), 0, 1), np.float32)


def eight_bits(shown: Planes) -> Bytes8:
    """Give (y, x, 3) bytes of three planes 0..1, (y, x) of any other number: the first is shown grey. NaN is black."""
    planes = np.moveaxis(shown, 0, -1) if len(shown) == 3 else shown[0]
    return np.asarray(np.rint(np.nan_to_num(np.clip(planes, 0, 1)) * np.float32(255)), np.uint8)


def data_url(pixels: Bytes8, *, lossless: bool, quality: int = 84) -> str:
    """Give a picture as a ``data:`` URL: PNG, or JPEG with full colour resolution where no noise is judged."""
    from PIL import Image

    buffer = io.BytesIO()
    picture = Image.fromarray(pixels)
    if lossless:
        picture.save(buffer, "PNG", compress_level=4)
    else:
        picture.save(buffer, "JPEG", quality=quality, subsampling=0)
    kind = "png" if lossless else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(buffer.getvalue()).decode()}"


def thumbnail(planes: Planes, *, linear: bool, width: int, sigma: float | None = None) -> str:
    """Give a small picture of planes as a lossless data URL: linear ones by a curve of their own, others as they are."""
    small = shrink(planes, width)
    return data_url(eight_bits(curved(small, view_of(small, sigma), levels(small)) if linear else small), lossless=True)
