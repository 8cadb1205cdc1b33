"""Figures of a layer before and after a step: sky, unevenness, noise, star width, clipped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image
from nebulakit.pixels import look
from nebulakit.pixels.median import median

Planes = npt.NDArray[np.float32]

ORDER = ("sky level", "unevenness", "noise", "σ of the stack", "star width", "cut at white", "cut at black")
MIDDLE = 640
"""Noise and star width are measured on the middle of a layer, at most this many px wide and high."""


@dataclass(frozen=True)
class Figures:
    """What is measured of a layer as it is now, per channel where there are several."""

    display: bool
    sky: list[float]
    unevenness: list[float]
    noise: list[float]
    stack_noise: list[float] | None  # that of the linear stack, propagated
    width: float | None
    white: float | None  # share of the pixels cut off at white
    black: float | None  # and at black
    covers: float | None = None  # a mask's mean


def figures(image: Image, small: Planes, small_zero: Planes) -> Figures:
    """Measure a layer; ``small`` is a small copy of it and ``small_zero`` the lower quarter of that."""
    if image.content == "mask":
        return Figures(True, [], [], [], None, None, None, None, float(np.nanmean(small)))
    rows, columns = (slice(max(0, n // 2 - MIDDLE // 2), n // 2 + MIDDLE // 2) for n in image.shape)
    middle = image.planes[:, rows, columns]
    tiles = [t for band in np.array_split(small, 4, axis=1) for t in np.array_split(band, 4, axis=2) if t.size]
    corners = np.stack([look.levels(look.thin(t, 10_000)) for t in tiles])
    display = image.scale == "display"
    return Figures(
        display,
        [float(v) for v in small_zero],
        [float(v) for v in np.ptp(corners, axis=0)],
        pixel_noise(middle),
        list(image.noise.sigma) if image.noise is not None else None,
        None if image.content == "starless" else image.fwhm if not display and image.fwhm else star_width(middle),
        *_clipped(image),
    )


def rows(before: Figures | None, after: Figures) -> list[tuple[str, str, str]]:
    """Give the figures as (what, before, after), as texts. Linear levels are told in the stack's noise, stretched ones in percent."""
    if after.covers is not None:
        return [("covers", "", f"{100 * after.covers:.1f} %")]
    sides = [_side(f, _unit(f, before or after)) if f and f.covers is None else {} for f in (before, after)]
    return [(name, sides[0].get(name, ""), sides[1].get(name, "")) for name in ORDER if name in sides[0] or name in sides[1]]


def _unit(one: Figures, other: Figures) -> list[float]:
    """Give the noise that levels of ``one`` are told in: its own propagated one, else that measured before the step."""
    return one.stack_noise or (other.noise if not other.display and len(other.noise) == len(one.noise) else one.noise)


def _side(f: Figures, unit: list[float]) -> dict[str, str]:
    def written(values: Sequence[float]) -> str:
        if f.display:
            return joined([100 * v for v in values]) + " %"
        return joined([v / u if u > 0 else math.nan for v, u in zip(values, unit, strict=True)]) + " σ"

    out = {"sky level": written(f.sky), "unevenness": written(f.unevenness), "noise": written(f.noise)}
    if not f.display:
        out["σ of the stack"] = powers(unit)
    if f.width is not None:
        out["star width"] = f"{f.width:.2f} px"
    out |= {f"cut at {end}": f"{100 * v:.2f} %" for end, v in (("white", f.white), ("black", f.black)) if v is not None}
    return out


def joined(values: Sequence[float]) -> str:
    """Write values side by side, each to three digits or to thousandths.

    >>> joined([1046.2, 12.34, 0.5, 0.0042, 0.0])
    '1046 / 12.3 / 0.50 / 0.004 / 0'
    """

    def one(v: float) -> str:
        size = abs(v)
        shown = f"{v:.{0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.1 else 3}f}"
        return "0" if float(shown) == 0 else shown

    return " / ".join(map(one, values))


def powers(values: Sequence[float]) -> str:
    """Write values with one power of ten.

    >>> powers([1.66e-5, 1.27e-5])
    '1.66 / 1.27 ×10⁻⁵'
    >>> powers([0.0, 0.0])
    '0 / 0'
    """
    top = max((abs(v) for v in values if math.isfinite(v)), default=0.0)
    if top == 0:
        return " / ".join("0" for _ in values)
    n = math.floor(math.log10(top))
    if -2 <= n <= 3:
        return " / ".join(f"{v:.3g}" for v in values)
    sign = str(n).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return " / ".join(f"{v / 10.0**n:.2f}" for v in values) + f" ×10{sign}"


def pixel_noise(planes: Planes) -> list[float]:
    """Give the noise from pixel to pixel per channel as it is now: 1.4826 MAD of second differences along rows, over sqrt(6).

    Correlation between neighbours makes it smaller than the noise of a pixel; it tells what the eye sees as grain.
    """
    planes = planes[:, :: 2 if planes.shape[1] > 300 else 1]
    d = planes[:, :, :-2] - 2 * planes[:, :, 1:-1] + planes[:, :, 2:]
    sizes = (size[~np.isnan(size)] for size in np.abs(d).reshape(len(d), -1))
    return [float(1.4826 * median(size) / math.sqrt(6)) if size.size else 0.0 for size in sizes]


def star_width(planes: Planes, most: int = 48, fewest: int = 6) -> float | None:
    """Give the full width at half maximum of round bright points, px: the median over the stars in ``planes`` (channel, y, x).

    The area above half of the peak is counted on stamps enlarged four times, so that it suits layers of any scale; a
    quick look, to compare layers by. None with fewer than ``fewest`` round points that are not cut off.
    """
    import cv2

    plane = np.nan_to_num(np.mean(planes, axis=0, dtype=np.float32))
    r = 10
    h, w = plane.shape
    if min(h, w) <= 4 * r:
        return None
    noise = max(pixel_noise(plane[None])[0], 1e-12)
    peaks = (plane == cv2.dilate(plane, np.ones((9, 9), np.uint8))) & (
        plane > cv2.blur(plane, (2 * r + 1, 2 * r + 1)) + np.float32(20 * noise)
    )
    peaks[:r] = peaks[-r:] = False
    peaks[:, :r] = peaks[:, -r:] = False
    ys, xs = np.nonzero(peaks)
    height = plane[ys, xs]
    usable = height < 0.7 * height.max(initial=0)  # the brightest may be cut off
    order = np.argsort(-height[usable], kind="stable")[:most]
    widths = []
    for y, x in zip(ys[usable][order], xs[usable][order], strict=True):
        stamp = plane[y - r : y + r + 1, x - r : x + r + 1]
        fine = cv2.resize(stamp - np.median(stamp), None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
        c = fine.shape[0] // 2
        _, labels, stats, _ = cv2.connectedComponentsWithStats(
            (fine > fine[c - 3 : c + 3, c - 3 : c + 3].max() / 2).astype(np.uint8)
        )
        left, top, wide, high, area = stats[labels[c, c]]
        inside = labels[c, c] > 0 and left > 0 and top > 0 and left + wide < len(fine) and top + high < len(fine)
        if inside and max(wide, high) < 1.6 * min(wide, high):
            widths.append(2 * math.sqrt(area / math.pi) / 4)
    return float(np.median(widths)) if len(widths) >= fewest else None


def _clipped(image: Image) -> tuple[float | None, float | None]:
    """Give the shares of the pixels with a channel at white and at black; of stars alone black is what lies between them."""
    part = np.nan_to_num(image.planes[:, ::3, ::3])
    if image.scale == "display":
        black = None if image.content == "stars" else float((part <= 0.001).any(axis=0).mean())
        return float((part >= 0.999).any(axis=0).mean()), black
    if image.white is None or image.content == "starless":
        return None, None
    white = np.asarray(image.white, np.float32)[:, None, None]
    return float((part >= np.float32(0.999) * white).any(axis=0).mean()), None


UNITS = (("_px", "px"), ("_sigma", "σ"), ("_percent", "%"), ("_hue", "°"), ("width", "px"), ("widths", "px"), ("fwhm", "px"))
"""Ends of the names under which steps record values, and the unit that they stand for."""


def told(name: str, value: Any) -> tuple[str, str]:
    """Write a recorded value for people, with its unit where its name says one.

    >>> told("gradient_sigma", [847.04, 471.2]), told("share_touched", 0.811), told("by", "subtract")
    (('gradient', '847, 471.2 σ'), ('share touched', '81.1 %'), ('by', 'subtract'))
    """
    share = "share" in name.split("_") and isinstance(value, (float, list))
    if share:
        value = [100 * v if isinstance(v, float) else v for v in value] if isinstance(value, list) else 100 * value
    unit = "%" if share else next((u for end, u in UNITS if name.endswith(end) and _is_number(value)), "")
    short = next((name.removesuffix(end) for end, _ in UNITS if unit and end.startswith("_") and name.endswith(end)), name)
    return short.replace("_", " "), text(value) + (f" {unit}" if unit and unit != "°" else unit)


def _is_number(value: Any) -> bool:
    return (
        all(map(_is_number, value))
        if isinstance(value, list)
        else isinstance(value, (int, float)) and not isinstance(value, bool)
    )


def text(value: Any) -> str:
    """Write a value for people.

    >>> text([1.0, 0.25]), text({"a": True}), text(None), text([[1.0, 0.5], [0.0, 2e-6]])
    ('1, 0.25', 'a yes', 'none', '(1, 0.5), (0, 2e-06)')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return ", ".join(f"({text(v)})" if isinstance(v, list) else text(v) for v in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{str(k).replace('_', ' ')} {text(v)}" for k, v in value.items())
    return "none" if value is None else str(value)
