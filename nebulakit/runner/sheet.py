"""A contact sheet: the same crop and scale of several pictures, each with its number and settings under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import look

TEXT = 22  # px per line of text
SIDE = 190  # px: how wide the names of rows may be
GROUND, INK = (18, 18, 18), (225, 225, 225)

Axes = Sequence[tuple[str, Sequence[str]]]
"""Two names with their values, that of the rows first."""


def thumbnail(shown: npt.NDArray[np.float32], width: int = 560) -> npt.NDArray[np.uint8]:
    """Give planes 0..1 (channel, y, x) as a small picture, (y, x, 3), ``width`` px wide."""
    from PIL import Image as Pictures

    h, w = shown.shape[1:]
    picture = Pictures.fromarray(look.eight_bits(shown)).convert("RGB")
    return np.asarray(picture.resize((width, max(1, round(h * width / w))), Pictures.Resampling.LANCZOS))


def contact_sheet(
    pictures: Sequence[tuple[npt.NDArray[np.uint8] | None, Sequence[str]]], path: Path, axes: Axes | None = None
) -> None:
    """Write small pictures of one size with the lines that belong under each on one PNG, in rows that suit the screen.

    One that is None leaves its place dark. With ``axes`` they lie in a grid, row by row, with the values beside the rows and above the columns.
    """
    from PIL import Image as Pictures
    from PIL import ImageDraw, ImageFont

    font = ImageFont.load_default(15)
    columns = len(axes[1][1]) if axes else max(1, min(len(pictures), round(math.sqrt(len(pictures) * 1.4))))
    cells = []
    h, w = next(pixels.shape[:2] for pixels, _ in pictures if pixels is not None)
    labels = [_broken(told, font, w - 12) for _, told in pictures]
    lines = max(map(len, labels))
    for (pixels, _), told in zip(pictures, labels, strict=True):
        if pixels is not None:
            h, w = pixels.shape[:2]
        cell = Pictures.new("RGB", (w, h + lines * TEXT + 8), GROUND)
        if pixels is not None:
            cell.paste(Pictures.fromarray(pixels), (0, 0))
        pen = ImageDraw.Draw(cell)
        for n, line in enumerate(told):
            pen.text((6, h + 4 + n * TEXT), line, fill=INK, font=font)
        cells.append(cell)
    width, height = max(c.width for c in cells) + 8, max(c.height for c in cells) + 8
    left = top = 8
    if axes:
        beside, above = (
            [_broken([name, f"= {value}"], font, room) for value in values]
            for (name, values), room in zip(axes, (SIDE, width - 16), strict=True)
        )
        left += 8 + math.ceil(max(font.getlength(line) for told in beside for line in told))
        top += TEXT * max(map(len, above))
    sheet = Pictures.new("RGB", (left + columns * width, top + math.ceil(len(cells) / columns) * height), GROUND)
    for n, cell in enumerate(cells):
        sheet.paste(cell, (left + n % columns * width, top + n // columns * height))
    if axes:
        pen = ImageDraw.Draw(sheet)
        for n, told in enumerate(above):
            pen.text((left + n * width, 6), "\n".join(told), fill=INK, font=font, spacing=6)
        for n, told in enumerate(beside):
            pen.text((8, top + n * height), "\n".join(told), fill=INK, font=font, spacing=6)
    sheet.save(path, "PNG")


def _broken(lines: Sequence[str], font: Any, room: float) -> list[str]:
    """Break lines of text so that none is wider than ``room`` px, at signs if need be: names and values hold few spaces."""
    out = []
    for line in lines:
        while len(line) > 1 and font.getlength(line) > room:
            fits = next(n for n in range(len(line) - 1, 0, -1) if n == 1 or font.getlength(line[:n]) <= room)
            out.append(line[:fits])
            line = line[fits:]
        out.append(line)
    return out
