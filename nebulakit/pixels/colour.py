"""Colour: encoded sRGB, light, OKLab, how far apart two colours look, and what fits into a picture.

Display layers hold sRGB-encoded values 0..1. *Light* is what these stand for (linear sRGB). Lightness, chroma and hue
are those of OKLab (B. Ottosson 2020, "A perceptual color space for image processing"), where a hue stays the same
colour for the eye while its lightness or chroma changes. Arrays have the channel first: (3, ...). NaN gives NaN.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.parallel import over

Array = npt.NDArray[np.float32]
Wide = npt.NDArray[np.float64]
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

TO_CONES: Matrix = (
    (0.4122214708, 0.5363325363, 0.0514459929),
    (0.2119034982, 0.6806995451, 0.1073969566),
    (0.0883024619, 0.2817188376, 0.6299787005),
)
TO_LAB: Matrix = (
    (0.2104542553, 0.7936177850, -0.0040720468),
    (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)


def _inverse(matrix: Matrix) -> Matrix:
    (a, b, c), (d, e, f), (g, h, i) = np.linalg.inv(np.array(matrix)).tolist()
    return (a, b, c), (d, e, f), (g, h, i)


FROM_CONES = _inverse(TO_CONES)
FROM_LAB = _inverse(TO_LAB)

BLOCK = 1 << 16
"""Pixels worked on at once: a few planes of them fit into a core's cache, which is most of the speed."""


def by_rows(work: Callable[[slice], None], shape: tuple[int, int]) -> None:
    """Call ``work`` with slices of rows that together are the whole; their borders depend on the shape alone."""
    height, width = shape
    rows = max(1, BLOCK // max(1, width))
    over(work, [slice(y, min(y + rows, height)) for y in range(0, height, rows)])


def choose(condition: npt.NDArray[np.bool_], yes: Array, no: Array) -> Array:
    """Give ``yes`` where the condition holds, else ``no``; changes and returns ``no``. Many times faster than np.where."""
    import cv2

    if no.ndim == 2 and no.flags.c_contiguous and yes.flags.c_contiguous:
        cv2.copyTo(yes, condition.view(np.uint8), no)
    else:
        np.copyto(no, yes, where=condition)
    return no


def power(base: Array, exponent: float) -> Array:
    """Raise values >= 0 to a power by logarithm and exponential, which numpy has as vector code on every machine."""
    out = np.maximum(base, np.float32(1e-30))
    np.log(out, out=out)
    out *= np.float32(exponent)
    return np.exp(out, out=out)


def encode(light: Array) -> Array:
    """Encode light as sRGB (IEC 61966-2-1): 12.92 x up to 0.0031308 and below zero, then 1.055 x^(1/2.4) - 0.055."""
    out = power(light, 1 / 2.4)
    out *= np.float32(1.055)
    out -= np.float32(0.055)
    return choose(light <= np.float32(0.0031308), light * np.float32(12.92), out)


def decode(shown: Array) -> Array:
    """Give the light of sRGB-encoded values: the inverse of :func:`encode`."""
    out = shown + np.float32(0.055)
    out *= np.float32(1 / 1.055)
    out = power(out, 2.4)
    return choose(shown <= np.float32(0.04045), shown * np.float32(1 / 12.92), out)


def encode1(light: float) -> float:
    """Do :func:`encode` for one number, in double precision.

    >>> round(encode1(0.18), 6)
    0.461356
    """
    return 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055


def decode1(shown: float) -> float:
    """Do :func:`decode` for one number, in double precision.

    >>> round(decode1(0.5), 6)
    0.214041
    """
    return shown / 12.92 if shown <= 0.04045 else float(((shown + 0.055) / 1.055) ** 2.4)


def mixed(matrix: Sequence[Sequence[float]], planes: Array) -> Array:
    """Give ``matrix @ planes`` along the first axis, without a BLAS: the same bits however many pixels there are."""
    out = np.empty((len(matrix), *planes.shape[1:]), np.float32)
    part = np.empty(planes.shape[1:], np.float32)
    for row, made in zip(matrix, out, strict=True):
        np.multiply(planes[0], np.float32(row[0]), out=made)
        for factor, plane in zip(row[1:], planes[1:], strict=True):
            np.multiply(plane, np.float32(factor), out=part)
            made += part
    return out


def to_lab(light: Array) -> Array:
    """Give OKLab (L, a, b) of light (red, green, blue)."""
    cones = mixed(TO_CONES, light)
    return mixed(TO_LAB, np.cbrt(cones, out=cones))


def from_lab(lab: Array) -> Array:
    """Give the light (red, green, blue) of OKLab (L, a, b); outside 0..1 where no picture can show it."""
    cones = mixed(FROM_LAB, lab)
    cube = cones * cones
    cube *= cones
    return mixed(FROM_CONES, cube)


def lightness(light: Array) -> Array:
    """Give OKLab's L alone."""
    cones = mixed(TO_CONES, light)
    return np.asarray(mixed(TO_LAB[:1], np.cbrt(cones, out=cones))[0])


def lch(shown: Sequence[float]) -> tuple[float, float, float]:
    """Give lightness, chroma and hue in degrees (OKLCh) of one encoded colour.

    >>> [round(v, 3) for v in lch((1, 0, 0))]
    [0.628, 0.258, 29.234]
    """
    cones = np.cbrt(np.array(TO_CONES) @ np.array([decode1(v) for v in shown]))
    big, a, b = (np.array(TO_LAB) @ cones).tolist()
    return big, math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360


def light_of(big: float, chroma: float, hue: float) -> tuple[float, float, float]:
    """Give the light of one OKLCh colour, hue in degrees."""
    angle = math.radians(hue)
    cones = np.array(FROM_LAB) @ np.array([big, chroma * math.cos(angle), chroma * math.sin(angle)])
    r, g, b = (np.array(FROM_CONES) @ cones**3).tolist()
    return r, g, b


GRAIN = 2e-6
"""How far outside 0..1 light may lie and still count as inside: rounding of float32."""


EDGE = decode1(0.004), decode1(0.996)
"""Light a little above 0 and below 1: colours made stronger or lighter end here, so that no channel is cut."""


def fit(lab: Array, before: Array | None = None, limit: Array | None = None) -> Array:
    """Give the light of OKLab colours (3, n...), the chroma of those that no picture can show brought down until it fits.

    Lightness and hue stay; clipping each channel by itself would turn the hue. Found by halving, on these pixels only.
    ``before``: the light that the colours were made of; channels then end at EDGE, or where they were if that is beyond,
    and no higher than ``limit`` in each pixel.
    ``lab`` may be changed.
    """
    np.clip(lab[0], 0, 1, out=lab[0])
    light = from_lab(lab)
    low: float | Array = -GRAIN
    high: float | Array = 1 + GRAIN
    if before is not None:
        low, high = np.minimum(_least(before), EDGE[0]).ravel(), np.maximum(most_of(before), EDGE[1]).ravel()
        if limit is not None:
            high = np.minimum(high, limit.ravel())
        low, high = low - np.float32(GRAIN), high + np.float32(GRAIN)
    flat = light.reshape(3, -1)
    where = np.flatnonzero(_outside(flat, low, high))
    if len(where):
        picked = np.take(lab.reshape(3, -1), where, axis=1)
        if isinstance(low, np.ndarray) and isinstance(high, np.ndarray):
            low, high = low[where], high[where]
        picked[1:] *= _share_that_fits(picked, low, high)
        for plane, mended in zip(flat, from_lab(picked), strict=True):
            np.put(plane, where, mended)
    return np.clip(light, 0, 1, out=light)


def room_for(lab: Array) -> Array:
    """Give the share of each colour's chroma (3, n...), at most 1, that leaves every channel a little above 0 and below 1."""
    share = np.ones(lab.shape[1:], np.float32)
    where = np.flatnonzero(_outside(from_lab(lab), *EDGE))
    if len(where):
        np.put(share, where, _share_that_fits(np.take(lab.reshape(3, -1), where, axis=1), *EDGE))
    return share


def _share_that_fits(lab: Array, low: float | Array, high: float | Array) -> Array:
    """Give the share of the chroma of colours (3, n) up to which all channels of the light stay between two limits."""
    # along the way from grey each channel of the light is a cubic of the share
    rows = FROM_LAB
    start = [lab[0] * np.float32(r[0]) for r in rows]
    way = [lab[1] * np.float32(r[1]) + lab[2] * np.float32(r[2]) for r in rows]
    powers = [(u * u * u, 3 * u * u * k, 3 * u * k * k, k * k * k) for u, k in zip(start, way, strict=True)]
    c0, c1, c2, c3 = (mixed(FROM_CONES, np.stack(cones)) for cones in zip(*powers, strict=True))
    share = np.full(lab.shape[1], 0.5, np.float32)
    step = 0.25
    for _ in range(18):
        value = c3 * share
        for c in (c2, c1, c0):
            value += c
            if c is not c0:
                value *= share
        share += np.float32(step) - np.float32(2 * step) * _outside(value, low, high)
        step /= 2
    share -= np.float32(4 * step)
    return np.maximum(share, 0, out=share)


def most_of(light: Array) -> Array:
    """Give the brightest channel of light (3, n...)."""
    return np.asarray(np.maximum(np.maximum(light[0], light[1]), light[2]))


def _least(light: Array) -> Array:
    return np.asarray(np.minimum(np.minimum(light[0], light[1]), light[2]))


def _outside(light: Array, low: float | Array, high: float | Array) -> npt.NDArray[np.bool_]:
    """Tell where light is below ``low`` or above ``high`` in any channel; NaN is not."""
    return np.asarray((most_of(light) > np.asarray(high, np.float32)) | (_least(light) < np.asarray(low, np.float32)))


def cusp(hue: float) -> tuple[float, float]:
    """Give lightness and chroma of the most colourful light a picture can show in a hue (degrees).

    >>> [round(v, 3) for v in cusp(29.234)]
    [0.628, 0.258]
    """
    # the most colourful lights have one channel at 1, one at 0: walk round the six edges of the cube and halve
    corners = [(1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 1, 1), (0, 0, 1), (1, 0, 1), (1, 0, 0)]
    hues = [_hue_of(c) for c in corners]
    for start, end, h0, h1 in zip(corners[:-1], corners[1:], hues[:-1], hues[1:], strict=True):
        span, ahead = (h1 - h0) % 360, (hue - h0) % 360
        if ahead > span:
            continue
        low, high = 0.0, 1.0
        for _ in range(50):
            half = (low + high) / 2
            point = tuple(s + (e - s) * half for s, e in zip(start, end, strict=True))
            low, high = (half, high) if (_hue_of(point) - h0) % 360 < ahead else (low, half)
        big, chroma, _ = lch([encode1(s + (e - s) * low) for s, e in zip(start, end, strict=True)])
        return big, chroma
    raise AssertionError("the edges of the cube go round all hues")


def _hue_of(light: Sequence[float]) -> float:
    return lch([encode1(v) for v in light])[2]


def line_light(hue: float, purity: float) -> tuple[float, float, float]:
    """Give the brightest light of a hue with the share ``purity`` of the chroma that hue can have at most; one channel is 1.

    >>> [round(v, 2) for v in line_light(29.234, 1.0)]
    [1.0, 0.0, 0.0]
    """
    big, most = cusp(hue)
    chroma = purity * most
    low, high = big, 1.0
    for _ in range(50):
        half = (low + high) / 2
        low, high = (half, high) if max(light_of(half, chroma, hue)) <= 1 else (low, half)
    r, g, b = (min(1.0, max(0.0, v)) for v in light_of(low, chroma, hue))
    return r, g, b


def to_cielab(shown: npt.NDArray[np.floating]) -> Wide:
    """Give CIE 1976 L*a*b* (D65, 2 degrees) of encoded values (3, ...), for measuring how pictures differ."""
    v = np.asarray(shown, np.float64)
    light = np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4)
    # primaries of sRGB and white D65 as in IEC 61966-2-1, six digits
    to_xyz = np.array([[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]])
    white = np.array([0.95047, 1.0, 1.08883])
    x, y, z = (np.tensordot(row, light, 1) / w for row, w in zip(to_xyz, white, strict=True))
    knee = (6 / 29) ** 3
    fx, fy, fz = (np.where(t > knee, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29) for t in (x, y, z))
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])


def difference(one: npt.NDArray[np.floating], other: npt.NDArray[np.floating]) -> Wide:
    """Give CIEDE2000 between CIELAB colours (3, ...): 1 is just seen side by side.

    Source: Sharma, Wu & Dalal 2005, Color Research and Application 30:21 (all weights 1).

    >>> a, b = np.array([50.0, 2.6772, -79.7751]), np.array([50.0, 0.0, -82.7485])
    >>> round(float(difference(a, b)), 4)
    2.0425
    """
    big1, a1, b1 = np.asarray(one, np.float64)
    big2, a2, b2 = np.asarray(other, np.float64)
    mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    grow = 1.5 - 0.5 * np.sqrt(mean7 / (mean7 + 25.0**7))
    c1, c2 = np.hypot(grow * a1, b1), np.hypot(grow * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, grow * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    turn = (h2 - h1 + 180) % 360 - 180
    turn = np.where(np.isclose(np.abs(h2 - h1), 180), h2 - h1, turn)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(np.where(grey, 0, turn)) / 2)
    total = h1 + h2
    hue = np.where(np.abs(h1 - h2) <= 180, total / 2, np.where(total < 360, total / 2 + 180, total / 2 - 180))
    hue = np.where(grey, total, hue)
    big, c = (big1 + big2) / 2, (c1 + c2) / 2

    def cos(times: float, off: float) -> Wide:
        return np.asarray(np.cos(np.radians(times * hue + off)))

    weight = 1 - 0.17 * cos(1, -30) + 0.24 * cos(2, 0) + 0.32 * cos(3, 6) - 0.20 * cos(4, -63)
    s_big = 1 + 0.015 * (big - 50) ** 2 / np.sqrt(20 + (big - 50) ** 2)
    s_c, s_hue = 1 + 0.045 * c, 1 + 0.015 * c * weight
    turned = -np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2)))) * 2 * np.sqrt(c**7 / (c**7 + 25.0**7))
    x, y, z = (big2 - big1) / s_big, (c2 - c1) / s_c, d_hue / s_hue
    return np.asarray(np.sqrt(x * x + y * y + z * z + turned * y * z))
