"""Parting stars and nebula in stretched pictures: made scenes under many curves, and under what no curve undoes.

    python -m tests.quality.stars --stretched [--shared] [--fast] [--before]

Every scene (440 x 580) is stretched by some of the curves below, saved with 16 bits, parted as the step does, and compared
with the starless scene under the same curve. The unit of errors is the noise of that starless picture: the robust spread, over
the whole frame, of what noise makes of it. ``--before`` parts as where no curve can be told.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable
from typing import Any, NamedTuple
from unittest import mock

import numpy as np
from scipy import ndimage as ndi

from nebulakit.image import Image
from nebulakit.steps import separate_stars, stretch_asinh, stretch_midtone
from tests.quality import stars as quality

Curve = Callable[[np.ndarray], np.ndarray]  # of light over the level of white


def asinh(softening: float) -> Curve:
    """Straight below ``softening``, a logarithm above."""
    return lambda z: np.arcsinh(z / softening) / math.asinh(1 / softening)


def power(exponent: float) -> Curve:
    """A power of the light."""
    return lambda z: np.sign(z) * np.abs(z) ** exponent


def rational(slope: float) -> Curve:
    """A midtone curve with this slope at 0; on the other side of 0 as steep, turned."""
    return lambda z: slope * z / ((slope - 1) * np.abs(z) + 1)


def srgb(z: np.ndarray) -> np.ndarray:
    """The curve of IEC 61966-2-1."""
    return np.where(z <= 0.0031308, 12.92 * z, 1.055 * np.maximum(z, 1e-9) ** (1 / 2.4) - 0.055)


def then(*curves: Curve) -> Curve:
    """One curve after the other."""

    def whole(z: np.ndarray) -> np.ndarray:
        for curve in curves:
            z = curve(z)
        return z

    return whole


def bent(strength: float) -> Curve:
    """A curve as an S, for contrast."""
    return lambda z: z - strength * np.sin(2 * math.pi * np.minimum(z, 1)) / (2 * math.pi)


class Stretch(NamedTuple):
    """A curve, the level it shows as white, the level at which the sky is shown (None: wherever the curve shows it), and if glow is off."""

    curve: Curve
    white: float = 1.0
    sky: float | None = 0.1
    flat: bool = True
    steps: int = 65535

    def __call__(self, light: np.ndarray, level: np.ndarray) -> np.ndarray:
        """Stretch planes whose sky is at ``level`` (channel, 1, 1)."""
        zero = 0.0 if self.sky is None else level
        shown = self.curve((np.asarray(light, np.float64) - zero) / (self.white - zero))
        if self.sky is not None:
            shown = self.sky + (1 - self.sky) * shown
        return (np.rint(np.clip(shown, 0, 1) * self.steps) / self.steps).astype(np.float32)


CURVES: dict[str, Stretch] = {
    "asinh 0.02": Stretch(asinh(0.02)),
    "asinh 0.002": Stretch(asinh(0.002)),
    "asinh 0.0003": Stretch(asinh(0.0003)),
    "asinh 0.001, white 0.3": Stretch(asinh(0.001 / 0.3), white=0.3),
    "asinh 0.01, glow": Stretch(asinh(0.01), sky=None, flat=False),
    "rational 30, glow": Stretch(rational(30), sky=None, flat=False),
    "rational 400": Stretch(rational(400)),
    "rational 150, white 0.4": Stretch(rational(150), white=0.4),
    "power 0.45, glow": Stretch(power(0.45), sky=None, flat=False),
    "power 0.25": Stretch(power(0.25), sky=None),
    "sRGB, glow": Stretch(srgb, sky=None, flat=False),
    "sRGB, white 0.2": Stretch(srgb, white=0.2, sky=None),
    "asinh, contrast": Stretch(then(asinh(0.003), bent(0.5))),
    "asinh 0.0003, 8 bits": Stretch(asinh(0.0003), steps=255),
}


class Kept(NamedTuple):
    """One curve for all channels of a pixel: the curve of their ``mean``, ``luma`` or ``most`` gives one factor, which keeps hues.

    ``sky``: the level at which the sky is shown. Black lies as far under it as the curve has it, or (``apart``) the sky is the
    curve's zero and the level is added at the end. What goes beyond white is cut off, or (``scaled``) brought down by one factor
    as well. ``encoded``: factors are of light, levels are its sRGB encoding.
    """

    curve: Curve
    of: str = "mean"
    white: float = 1.0
    sky: float = 0.1
    apart: bool = False
    scaled: bool = False
    encoded: bool = False
    flat: bool = True

    def __call__(self, light: np.ndarray, level: np.ndarray) -> np.ndarray:
        """Stretch planes whose sky is at ``level`` (channel, 1, 1)."""
        ramp = np.linspace(0, 1, 1_000_001) ** 4
        under = 0.0 if self.apart else float(np.interp(self.sky, self.curve(ramp), ramp))
        z = under + (1 - under) * (np.asarray(light, np.float64) - level) / (self.white - level)
        one = {"mean": z.mean(0), "luma": np.tensordot([0.2126, 0.7152, 0.0722], z, 1), "most": z.max(0)}[self.of]
        one = np.where(np.abs(one) < 1e-9, 1e-9, one)
        factor = np.where(one > 0, self.curve(np.abs(one)) / np.abs(one), self.curve(np.float64(1e-9)) / 1e-9)
        shown = z * factor
        if self.apart:
            shown = self.sky + (1 - self.sky) * shown
        if self.scaled:
            shown = shown / np.maximum(shown.max(0), 1)
        if self.encoded:
            shown = srgb(np.maximum(shown, 0))
        return (np.rint(np.clip(shown, 0, 1) * 65535) / 65535).astype(np.float32)


HUES: dict[str, Kept] = {
    "hues, asinh 0.002 of luma": Kept(asinh(0.002), "luma"),
    "hues, asinh 0.0005, scaled": Kept(asinh(0.0005), scaled=True),
    "hues, rational 150 of most, white 0.4": Kept(rational(150), "most", white=0.4),
    "hues, asinh 0.003, over the sky": Kept(asinh(0.003), apart=True),
    "hues, asinh 0.01, encoded": Kept(asinh(0.01), sky=0.01, encoded=True),
}


CURVES_AND_HUES: dict[str, Stretch | Kept] = {**CURVES, **HUES}


def local_contrast(planes: np.ndarray) -> np.ndarray:
    """Lift what differs from the surroundings."""
    wide = ndi.gaussian_filter(planes, (0, 25, 25))
    return np.clip(planes + np.float32(0.5) * (planes - wide), 0, 1)


def calmed(planes: np.ndarray) -> np.ndarray:
    """Take noise away, as a median does."""
    return np.asarray(ndi.median_filter(planes, (1, 3, 3)))


def smoothed(planes: np.ndarray) -> np.ndarray:
    """Take noise away where levels are alike, as a bilateral filter does."""
    import cv2

    return np.stack([cv2.bilateralFilter(p, 7, 4 * quality.spread(p - ndi.gaussian_filter(p, 1)), 2.0) for p in planes])


def saturated(planes: np.ndarray) -> np.ndarray:
    """Pull the channels apart."""
    grey = planes.mean(0)
    return np.clip(grey + np.float32(1.5) * (planes - grey), 0, 1)


AFTER: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "local contrast": local_contrast,
    "median": calmed,
    "bilateral": smoothed,
    "saturation": saturated,
}
OURS = {"stretch_asinh": stretch_asinh, "stretch_midtone": stretch_midtone}


class Shown(NamedTuple):
    """A stretched picture; the same without stars, without and with noise; in units of light: stars, and where they are seen."""

    picture: Image
    clean: np.ndarray
    noisy: np.ndarray
    light: np.ndarray


def show(truth: quality.Truth, how: str) -> Shown:
    """Stretch a scene by the curve of this name, with what follows a ``+`` done to it after."""
    name, *after = how.split(" + ")
    level = truth.sky.mean((1, 2), keepdims=True)
    flat = truth.sky - level if name in OURS or CURVES_AND_HUES[name].flat else np.zeros_like(truth.sky)
    starless = truth.nebula + truth.sky - flat
    if name in OURS:
        linear = Image.from_array(truth.stack - flat, coverage=truth.coverage)

        def stretched(light: np.ndarray) -> np.ndarray:
            return OURS[name](Image.from_array(light.astype(np.float32), coverage=truth.coverage), like=linear).planes

    else:

        def stretched(light: np.ndarray) -> np.ndarray:
            return CURVES_AND_HUES[name](light, level)

    made = [stretched(light) for light in (truth.stack - flat, starless, starless + truth.noise)]
    for more in after:
        made = [AFTER[more](planes) for planes in made]
    picture = (
        OURS[name](linear) if name in OURS and not after else Image.from_array(made[0], coverage=truth.coverage, scale="display")
    )
    return Shown(picture, made[1], made[2], (truth.stars / truth.sigma).max(0))


def figures(shown: Shown, nebula: np.ndarray) -> dict[str, float]:
    """Compare a starless layer with the truth."""
    sigma = 1.4826 * np.median(np.abs(shown.noisy - shown.clean), axis=(1, 2))[:, None, None]
    sigma = np.maximum(sigma, 1e-6)
    foot = shown.light > 2
    error = ((nebula - shown.clean) / sigma)[:, foot]

    def smooth(planes: np.ndarray, width: float) -> np.ndarray:
        return ndi.gaussian_filter(planes, (0, width, width))

    def grain(planes: np.ndarray) -> float:
        return quality.spread((planes - smooth(planes, 1.0))[:, foot])

    def band(planes: np.ndarray) -> np.ndarray:
        return (smooth(planes, 1.5) - smooth(planes, 6.0))[:, foot]

    structure = [np.corrcoef(a, b)[0, 1] for a, b in zip(band(nebula), band(shown.noisy), strict=True)]
    core = shown.light > 300
    far = ~foot
    return {
        "rms": float(np.sqrt((error**2).mean())),
        "p99": float(np.percentile(np.abs(error), 99)),
        "grain": grain(nebula) / max(grain(shown.noisy), 1e-9),
        "structure": float(np.mean(structure)),
        "bias": float(np.median(error)),
        "core": float(np.sqrt((((nebula - shown.clean) / sigma)[:, core] ** 2).mean())),
        "outside": float(np.sqrt((((nebula - shown.clean) / sigma)[:, far] ** 2).mean())),
    }


def measure(shown: Shown, part: Callable[[Image], Any] = separate_stars) -> dict[str, Any]:
    """Part a stretched picture and give its figures; raises where the promises of the step are broken."""
    start = time.process_time()
    nebula, stars, filled = part(shown.picture)
    seconds = time.process_time() - start
    if not np.array_equal(nebula.planes + stars.planes, shown.picture.planes):
        raise AssertionError("nebula + stars is not what came in")
    away = filled.planes[0] == 0
    if not np.array_equal(nebula.planes[:, away], shown.picture.planes[:, away]):
        raise AssertionError("something changed outside the mask")
    found = figures(shown, nebula.planes)
    return {**found, "touched": float(filled.planes.mean()), "seconds": seconds, "record": dict(nebula.record)}


PAIRS: tuple[tuple[str, str], ...] = (
    ("cove", "asinh 0.002"),
    ("bubble, narrow, ghosts", "rational 400"),
    ("fans, wide, oval", "asinh 0.0003"),
    ("veil, white noise", "power 0.45, glow"),
    ("lantern, crowded", "asinh 0.001, white 0.3"),
    ("cove", "sRGB, glow"),
    ("bubble, narrow, ghosts", "asinh, contrast"),
    ("fans, wide, oval", "power 0.25"),
    ("veil, white noise", "asinh 0.02"),
    ("bubble, narrow, ghosts", "asinh 0.0003, 8 bits"),
    ("cove", "stretch_asinh"),
    ("bubble, narrow, ghosts", "stretch_midtone"),
    ("cove", "asinh 0.002 + local contrast"),
    ("fans, wide, oval", "rational 400 + median"),
    ("bubble, narrow, ghosts", "asinh 0.002 + saturation"),
    ("cove", "hues, asinh 0.002 of luma"),
    ("bubble, narrow, ghosts", "hues, asinh 0.0005, scaled"),
    ("fans, wide, oval", "hues, rational 150 of most, white 0.4"),
    ("veil, white noise", "hues, asinh 0.003, over the sky"),
    ("lantern, crowded", "hues, asinh 0.01, encoded"),
)
SHARED: tuple[tuple[str, str], ...] = (
    ("shell, narrow", "asinh 0.0003"),
    ("ridges, wide", "asinh 0.01, glow"),
    ("lobes, ghosts", "rational 150, white 0.4"),
    ("wall, oval", "asinh 0.002"),
    ("wide, white noise", "rational 30, glow"),
    ("ridges, two nights", "power 0.25"),
    ("wall, many bright", "rational 400"),
    ("lobes, few frames", "sRGB, white 0.2"),
    ("shell, narrow", "power 0.45, glow"),
    ("ridges, wide", "asinh 0.001, white 0.3"),
    ("lobes, ghosts", "stretch_asinh"),
    ("wall, oval", "asinh 0.0003 + local contrast"),
    ("wide, white noise", "asinh, contrast"),
    ("lobes, few frames", "asinh 0.002 + median"),
    ("shell, narrow", "hues, asinh 0.002 of luma"),
    ("wall, oval", "hues, asinh 0.0005, scaled"),
    ("wall, many bright", "hues, rational 150 of most, white 0.4"),
    ("lobes, few frames", "hues, asinh 0.003, over the sky"),
    ("wide, white noise", "hues, asinh 0.01, encoded"),
)
# under these, on all four scenes
HARD = ("stretch_asinh + local contrast", "sRGB, glow + bilateral", "rational 400 + local contrast", "rational 400 + saturation")
SHAPE = (440, 580)


def table(shared: bool, fast: bool, before: bool) -> None:
    """Print the figures of all pairs of scene and curve."""
    pairs = PAIRS + tuple((name, how) for name in ("cove", "veil, white noise") for how in HARD)
    if shared:
        pairs += SHARED + tuple((name, how) for name in ("lobes, ghosts", "wall, oval") for how in HARD)
    keys = ("rms", "p99", "grain", "structure", "bias", "core", "outside", "touched")
    print(f"{'':56s}" + "".join(f"{key[:6]:>7s}" for key in keys) + "      s  way")
    for name, how in pairs[:2] if fast else pairs:
        truth = quality.own(SHAPE, **quality.OWN[name]) if name in quality.OWN else quality.made(SHAPE, **quality.MADE[name])
        with mock.patch("nebulakit.pixels.stars.separate.straighten", return_value=[]) if before else contextlib.nullcontext():
            row = measure(show(truth, how))
        values = "".join(f"{row[key]:7.2f}" for key in keys)
        print(f"{name + ' | ' + how:56s}{values} {row['seconds']:6.1f}  {row['record']['parted_in']}", flush=True)
