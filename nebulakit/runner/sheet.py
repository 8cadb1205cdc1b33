"""A contact sheet: the same crop and scale of several pictures, each with its number and settings under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image

TEXT = 22  # px per line under each picture


def thumbnail(picture: Image, width: int = 560) -> npt.NDArray[np.uint8]:
    """Give a picture as it looks, (y, x, 3), ``width`` px wide."""
    from PIL import Image as Pictures

    h, w = picture.shape
    shown = np.nan_to_num(np.clip(picture.planes, 0, 1))
    shown = np.repeat(shown[:1], 3, axis=0) if len(shown) < 3 else shown[:3]
    levels = np.rint(np.moveaxis(shown, 0, -1) * 255).astype(np.uint8)
    size = (width, max(1, round(h * width / w)))
    return np.asarray(Pictures.fromarray(levels).resize(size, Pictures.Resampling.LANCZOS))


def contact_sheet(pictures: Sequence[tuple[npt.NDArray[np.uint8], Sequence[str]]], path: Path) -> None:
    """Write small pictures of one size with the lines that belong under each on one PNG, in rows that suit the screen."""
    from PIL import Image as Pictures
    from PIL import ImageDraw, ImageFont

    font = ImageFont.load_default(15)
    columns = max(1, min(len(pictures), round(math.sqrt(len(pictures) * 1.4))))
    lines = max(len(told) for _, told in pictures)
    cells = []
    for pixels, told in pictures:
        h, w = pixels.shape[:2]
        cell = Pictures.new("RGB", (w, h + lines * TEXT + 8), (18, 18, 18))
        cell.paste(Pictures.fromarray(pixels), (0, 0))
        pen = ImageDraw.Draw(cell)
        for n, line in enumerate(told):
            pen.text((6, h + 4 + n * TEXT), line, fill=(225, 225, 225), font=font)
        cells.append(cell)
    width, height = max(c.width for c in cells) + 8, max(c.height for c in cells) + 8
    sheet = Pictures.new("RGB", (columns * width + 8, math.ceil(len(cells) / columns) * height + 8), (18, 18, 18))
    for n, cell in enumerate(cells):
        sheet.paste(cell, (8 + n % columns * width, 8 + n // columns * height))
    sheet.save(path, "PNG")
