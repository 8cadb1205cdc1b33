"""The page of a sweep: all pictures on a sheet, two of them under one divider, the numbers as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image
from nebulakit.pixels import look
from nebulakit.report import places
from nebulakit.report.collect import BUDGET, Shown, grid
from nebulakit.report.page import Frame, Table, render
from nebulakit.runner.sheet import Axes, thumbnail

WIDTH = 900
HEADS = {
    "sky": "sky level, %",
    "clipped_percent": "clipped, %",
    "grain": "grain in the dark, %",
    "fwhm": "width of the stars, px",
    "hue_truth": "hue against the true lines, rank correlation",
}
"""Names of the numbers of a finished picture; levels are shares of white."""


class Sheet:
    """Collects the variants of a sweep, one by one, so that no more than one picture is held; :meth:`page` gives the page."""

    def __init__(self, count: int) -> None:
        """Make room for ``count`` variants: the more there are, the smaller their pictures."""
        self._room = BUDGET / max(1, count)
        self._width = int(WIDTH * min(1.0, max(0.4, (16 / max(1, count)) ** 0.5)))
        self.frames: list[Frame] = []
        self.pictures: dict[str, str] = {}
        self.small: list[npt.NDArray[np.uint8] | None] = []  # for the contact sheet, (y, x, 3)
        self._shown: Shown | None = None
        self._places: places.Places = {}

    def add(self, number: int, settings: Mapping[str, str], image: Image) -> None:
        """Take in a finished picture."""
        small = look.shrink(image.planes, self._width)
        if self._shown is None:
            # all by one curve, where they are linear
            linear = image.scale == "linear"
            self._shown = Shown(look.view_of(small, None), tuple(look.levels(small).tolist())) if linear else Shown(None)
            self._places = places.places(image, places.side(image.shape))
        side, wcs = places.side(image.shape), image.wcs()
        views = [self._view(number, "the whole", small, False, 1, grid(image, wcs))]
        start = self._weight()
        for _, title, zoom, y, x in places.pieces(image, self._places, side):
            if self._weight() - start > 0.6 * self._room:
                break
            piece = image.planes[:, y : y + side, x : x + side]
            views.append(self._view(number, title, piece, True, zoom, grid(image, wcs, (y, x, side, side))))
        self._frame(number, settings, views)
        self.small.append(thumbnail(self._shown(image.planes)))

    def fail(self, number: int, settings: Mapping[str, str]) -> None:
        """Leave the place of a variant that failed without a picture."""
        self._frame(number, settings, [])
        self.small.append(None)

    def _frame(self, number: int, settings: Mapping[str, str], views: Sequence[Mapping[str, Any]]) -> None:
        self.frames.append(Frame(f"No. {number}", [f"{k} = {v}" for k, v in settings.items()], views))

    def page(self, recipe: str, stack: str, variants: Sequence[Mapping[str, Any]], axes: Axes | None = None) -> str:
        """Give the page; ``variants`` are the numbers of each, as written into ``sweep.json``. With ``axes`` they lie in a grid."""
        varied = list(variants[0]["settings"])
        names = measured(variants)
        rows = [
            [str(v["number"]), *(str(v["settings"][k]) for k in varied), *(_number(n, v.get(n)) for n in names)] for v in variants
        ]
        table = Table(
            "The numbers",
            ["No.", *varied, *(HEADS.get(n, n.replace("_", " ")) for n in names)],
            rows,
            "Of each finished picture. Grain is how much its levels scatter over a few pixels where it is darkest, a share of white. "
            "Press a heading to sort by it.",
            sortable=True,
        )
        return render(
            title=recipe,
            on=stack,
            lead=f"{sum(1 for f in self.frames if f.views)} pictures that differ in {', '.join(varied)}; all else is the same. "
            "To have the recipe of one of them, add --pick with its number and -o FILE to the same command.",
            notices=[(f"No. {v['number']}", "failed", v["error"]) for v in variants if "error" in v],
            sheet=self.frames,
            axes=axes,
            tables=[table],
            pictures=self.pictures,
        )

    def _weight(self) -> int:
        return sum(map(len, self.pictures.values()))

    def _view(
        self, number: int, name: str, planes: npt.NDArray[np.float32], lossless: bool, zoom: int, where: dict[str, Any]
    ) -> dict[str, Any]:
        assert self._shown is not None
        pixels = look.eight_bits(self._shown(planes))
        key = f"{number} {name}"
        self.pictures[key] = look.data_url(pixels, lossless=lossless, quality=90)
        height, width = pixels.shape[:2]
        return {"key": key, "name": name, "width": width, "height": height, "zoom": zoom, "grid": where}


def measured(variants: Sequence[Mapping[str, Any]]) -> list[str]:
    """Give the names of what was measured of any of the variants."""
    return list(dict.fromkeys(k for v in variants for k in v if k not in ("number", "settings", "error")))


def _number(name: str, value: float | None) -> str:
    if value is None:
        return "-"
    if name in ("sky", "grain"):
        return f"{100 * value:.3f}" if abs(value) >= 1e-4 or value == 0 else f"{100 * value:.2g}"  # linear ones are small
    return f"{value:.3f}"
