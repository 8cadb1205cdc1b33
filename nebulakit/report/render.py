"""Layers as small pictures: one display stretch for before and after, so that a change is seen and not a rescaling."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image

Bytes8 = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class View:
    """How linear values are shown: ``asinh((x - sky) / soft)``, from ``-black`` to ``white`` above each layer's own sky."""

    soft: float
    black: float
    white: float


def shrink(planes: npt.NDArray[np.float32], width: int) -> npt.NDArray[np.float32]:
    """Average planes (channel, y, x) down to ``width`` px; NaN counts as 0. Smaller ones are left as they are."""
    import cv2

    h, w = planes.shape[1:]
    if w <= width:
        return np.nan_to_num(planes)
    size = (width, max(1, round(h * width / w)))
    return np.stack([cv2.resize(np.nan_to_num(p), size, interpolation=cv2.INTER_AREA) for p in planes])


def levels(small: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Give the level per channel from which a layer is shown: the lower quarter of its values."""
    return np.asarray(np.percentile(small, 25, axis=(1, 2)), np.float32)


def view_of(small: npt.NDArray[np.float32], sigma: float | None) -> View:
    """Choose how a linear layer is shown, from a shrunken copy and its noise."""
    rest = small - levels(small)[:, None, None]
    top = float(np.percentile(rest, 99.8))
    soft = 3 * sigma if sigma else max(top, 1e-9) / 40
    return View(soft, 2 * soft, max(top, 4 * soft))


def to_display(
    planes: npt.NDArray[np.float32], image: Image, view: View | None, sky: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    """Give planes of ``image`` as values 0..1 to look at."""
    if image.scale == "display" or image.content == "mask" or view is None:
        return np.clip(planes, 0, 1)
    low, high = math.asinh(-view.black / view.soft), math.asinh(view.white / view.soft)
    curved = np.arcsinh((planes - sky[:, None, None]) / np.float32(view.soft))
    return np.asarray(np.clip((curved - low) / (high - low), 0, 1), np.float32)


def eight_bits(shown: npt.NDArray[np.float32]) -> Bytes8:
    """Give (y, x, 3) bytes of planes 0..1, one plane shown grey."""
    rgb = np.repeat(shown[:1], 3, axis=0) if len(shown) != 3 else shown
    return np.rint(np.nan_to_num(np.moveaxis(rgb, 0, -1)) * 255).astype(np.uint8)


def data_url(pixels: Bytes8, lossless: bool, quality: int = 84) -> str:
    """Give a picture as a ``data:`` URL: PNG, or JPEG with full colour resolution where nothing is judged on it."""
    from PIL import Image as Pictures

    buffer = io.BytesIO()
    picture = Pictures.fromarray(pixels)
    if lossless:
        picture.save(buffer, "PNG", optimize=False, compress_level=6)
    else:
        picture.save(buffer, "JPEG", quality=quality, subsampling=0)
    kind = "png" if lossless else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(buffer.getvalue()).decode()}"


def cut(image: Image, x: float, y: float, size: int) -> npt.NDArray[np.float32] | None:
    """Cut ``size`` px around a stack position out of a layer's planes, moved inside; None where it lies outside the layer."""
    px, py = image.frame.from_stack(x, y)
    h, w = image.shape
    if not (-0.25 * size <= px < w + 0.25 * size and -0.25 * size <= py < h + 0.25 * size) or min(h, w) < size:
        return None
    x0 = int(min(max(round(px) - size // 2, 0), w - size))
    y0 = int(min(max(round(py) - size // 2, 0), h - size))
    return image.planes[:, y0 : y0 + size, x0 : x0 + size]


def places(image: Image, size: int) -> dict[str, tuple[float, float]]:
    """Choose where to look closely: a star, a filament, empty sky, the rim; positions (x, y) in the stack.

    By block means and maxima, so that it costs next to nothing: the star is the block whose maximum stands out most
    without being cut off, the filament where the means are most structured, the sky where they are lowest.
    """
    import cv2

    block = max(4, min(16, min(image.shape) // 40))
    h, w = image.shape
    bh, bw = h // block, w // block
    if bh < 6 or bw < 6:
        return {}
    mean = np.nan_to_num(np.mean(image.planes[:, : bh * block, : bw * block], axis=0))
    tiles = mean.reshape(bh, block, bw, block)
    level, top = np.median(tiles, axis=(1, 3)).astype(np.float32), tiles.max(axis=(1, 3)).astype(np.float32)
    level -= cv2.GaussianBlur(level, (0, 0), max(bh, bw) / 5)
    inner = np.zeros((bh, bw), bool)
    m = max(1, math.ceil(size / 2 / block))
    inner[m : bh - m, m : bw - m] = True
    if not inner.any():
        return {}
    excess = np.where(inner & (top < 0.6 * float(top.max())), top - level, -np.inf)
    texture = cv2.GaussianBlur(np.abs(cv2.GaussianBlur(level, (0, 0), 1) - cv2.GaussianBlur(level, (0, 0), 3)), (0, 0), 2)
    calm = cv2.GaussianBlur(level, (0, 0), 2.5) + 0.2 * cv2.GaussianBlur(top - level, (0, 0), 2.5)
    corners = {(m, m), (m, bw - 1 - m), (bh - 1 - m, m), (bh - 1 - m, bw - 1 - m)}
    covered = image.coverage if image.coverage is not None else np.isfinite(image.planes[0]).astype(np.float32)

    def at(where: tuple[int, int]) -> tuple[float, float]:
        return image.frame.to_stack((where[1] + 0.5) * block - 0.5, (where[0] + 0.5) * block - 0.5)

    def best(score: npt.NDArray[np.float32]) -> tuple[int, int]:
        y, x = np.unravel_index(int(np.argmax(score)), score.shape)
        return int(y), int(x)

    rim = min(sorted(corners), key=lambda c: float(covered[c[0] * block, c[1] * block]))
    chosen = {
        "star": best(excess),
        "filament": best(np.where(inner, texture, -np.inf)),
        "sky": best(np.where(inner, -calm, -np.inf)),
        "rim": rim,
    }
    return {name: at(where) for name, where in chosen.items()}
