"""A contact sheet: the same crop and scale of several pictures, each with its number and settings under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from nebulakit.runner.sweep import Variant

TEXT = 22  # px per line under each picture


def contact_sheet(variants: Sequence[Variant], path: Path, width: int = 560) -> None:
    """Write the pictures of a sweep on one PNG, each scaled to ``width``, in rows that suit the screen."""
    from PIL import Image as Pictures
    from PIL import ImageDraw, ImageFont

    font = ImageFont.load_default(15)
    columns = max(1, min(len(variants), round(math.sqrt(len(variants) * 1.4))))
    lines = 1 + max(len(v.settings) for v in variants)
    cells = []
    for v in variants:
        h, w = v.picture.shape
        size = (width, max(1, round(h * width / w)))
        shown = np.nan_to_num(np.clip(v.picture.planes, 0, 1))
        shown = np.repeat(shown, 3, axis=0) if len(shown) == 1 else shown[:3]
        small = Pictures.fromarray(np.rint(np.moveaxis(shown, 0, -1) * 255).astype(np.uint8)).resize(
            size, Pictures.Resampling.LANCZOS
        )
        cell = Pictures.new("RGB", (width, size[1] + lines * TEXT + 8), (18, 18, 18))
        cell.paste(small, (0, 0))
        pen = ImageDraw.Draw(cell)
        for n, line in enumerate([f"{v.number}", *(f"{k} = {x}" for k, x in v.settings.items())]):
            pen.text((6, size[1] + 4 + n * TEXT), line, fill=(225, 225, 225), font=font)
        cells.append(cell)
    row = max(c.height for c in cells)
    sheet = Pictures.new("RGB", (columns * (width + 8) + 8, math.ceil(len(cells) / columns) * (row + 8) + 8), (18, 18, 18))
    for n, cell in enumerate(cells):
        sheet.paste(cell, (8 + n % columns * (width + 8), 8 + n // columns * (row + 8)))
    sheet.save(path, "PNG")
