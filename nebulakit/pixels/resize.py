"""Make a picture smaller without jagged edges, dark rings or lost starlight."""

from __future__ import annotations

import functools
import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over

Floats = npt.NDArray[np.float32]


def shrink(planes: Floats, shape: tuple[int, int], *, encoded: bool = False) -> Floats:
    """Scale planes (channel, y, x) down to ``shape`` (height, width).

    A windowed sinc (Lanczos, three lobes) as wide as the new pixels passes what they can show and stops what would turn
    into moire. Its negative lobes would draw dark rings round stars; so no new pixel leaves the range of the old ones
    under it and its neighbours. ``encoded``: the planes are sRGB-encoded and are averaged as light, which keeps small
    stars as bright as they look from afar. NaN counts as black.
    """
    out = np.empty((len(planes), *shape), np.float32)

    def one(channel: int) -> None:
        out[channel] = _shrink(_to_light(planes[channel]) if encoded else np.nan_to_num(planes[channel], nan=0.0), shape)

    over(one, range(len(planes)))
    if encoded:
        np.clip(out, 0, 1, out=out)
        low = out <= 0.0031308
        out = np.where(low, out * np.float32(12.92), np.float32(1.055) * out ** np.float32(1 / 2.4) - np.float32(0.055))
    return out


def _shrink(plane: Floats, shape: tuple[int, int]) -> Floats:
    """Scale one plane without NaN."""
    import cv2
    from PIL import Image

    h, w = plane.shape
    made: Floats = np.array(Image.fromarray(plane).resize((shape[1], shape[0]), Image.Resampling.LANCZOS))
    reach = [2 * math.ceil(old / new) + 1 for old, new in zip((w, h), (shape[1], shape[0]), strict=True)]
    box = cv2.getStructuringElement(cv2.MORPH_RECT, reach)
    rows, cols = (((np.arange(new) + 0.5) * old / new).astype(int) for old, new in zip((h, w), shape, strict=True))
    at = np.ix_(rows, cols)
    np.maximum(made, cv2.erode(plane, box)[at], out=made)
    np.minimum(made, cv2.dilate(plane, box)[at], out=made)
    return made


@functools.cache
def _table() -> Floats:
    """Light of each of 65536 encoded values."""
    v = np.linspace(0, 1, 65536)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _to_light(plane: Floats) -> Floats:
    """Undo the sRGB curve; a table of 65536 steps is finer than any file that is written from it."""
    table, out = _table(), np.empty_like(plane)
    for y in range(0, len(plane), 64):
        band = np.nan_to_num(plane[y : y + 64], nan=0.0)
        np.take(table, (np.clip(band, 0, 1) * np.float32(65535) + np.float32(0.5)).astype(np.uint16), out=out[y : y + 64])
    return out
