"""Contrast by scale on display levels: edges kept, no halos; and fine sharpening that stands above the noise.

Local Laplacian filters (Paris, Hasinoff & Kautz 2011, ACM TOG 30:68) in their fast form (Aubry et al. 2014, ACM TOG
33:167): around each level the picture is changed by a curve of the difference from that level, and the Laplacian pyramids
of these pictures are put together. What differs by more than the reach of the curve is an edge and casts no halo.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from nebulakit.pixels import colour, starlet
from nebulakit.pixels.colour import Array
from nebulakit.pixels.inpaint import push_pull
from nebulakit.pixels.masks import smoothstep


def grey_level(planes: Array) -> Array:
    """Give lightness as one plane of display levels: that of the grey as light as each pixel."""
    if len(planes) == 1:
        return np.asarray(planes[0].copy())
    out = np.empty(planes.shape[1:], np.float32)

    def work(rows: slice) -> None:
        big = colour.lightness(colour.decode(np.ascontiguousarray(planes[:, rows])))
        out[rows] = colour.encode(big * big * big)

    colour.by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


def with_grey_level(planes: Array, old: Array, new: Array) -> Array:
    """Give the planes with another lightness (:func:`grey_level`): each pixel's light times one factor, fitted into the range."""
    if len(planes) == 1:
        return np.clip(new, 0, 1)[None]
    out = np.empty_like(planes)

    def work(rows: slice) -> None:
        factor = np.cbrt(colour.decode(np.clip(new[rows], 0, 1)))
        factor /= np.maximum(np.cbrt(colour.decode(old[rows])), np.float32(1e-3))
        before = colour.decode(np.ascontiguousarray(planes[:, rows]))
        lab = colour.to_lab(before)
        lab *= factor
        out[:, rows] = colour.encode(colour.fit(lab, before))

    colour.by_rows(work, (planes.shape[1], planes.shape[2]))
    return out


def _down(plane: Array) -> Array:
    import cv2

    return np.asarray(cv2.pyrDown(plane), np.float32)


def _up(plane: Array, shape: tuple[int, ...]) -> Array:
    import cv2

    return np.asarray(cv2.pyrUp(plane, dstsize=(shape[1], shape[0])), np.float32)


def local_laplacian(
    plane: Array, remap: Callable[[Array, float], Array], spacing: float, origin: float, levels: Sequence[int], rest: bool
) -> tuple[list[Array], list[Array]]:
    """Filter a plane 0..1 without NaN; give the pyramids (finest first, what is left last) as it was and as it becomes.

    ``remap(levels, g)`` is the curve round the level g; it is worked out for levels g ``spacing`` apart, one of them
    ``origin``, and pixels between them interpolated. ``levels``: which levels of the pyramid (0 the finest) are made
    anew, the others stay; ``rest`` tells whether what is left after the last of them is made anew too.
    """
    depth = max(levels) + 1
    gauss = [plane]
    for _ in range(depth):
        if min(gauss[-1].shape) < 4:
            break
        gauss.append(_down(gauss[-1]))
    depth = len(gauss) - 1
    old = [gauss[k] - _up(gauss[k + 1], gauss[k].shape) for k in range(depth)] + [gauss[depth]]
    anew = [k for k in range(depth + 1) if (rest if k == depth else k in levels)]
    made = [np.zeros_like(p) if k in anew else p for k, p in enumerate(old)]
    for n in range(-math.ceil(origin / spacing), math.ceil((1 - origin) / spacing) + 1):
        level = origin + n * spacing
        if not any((np.abs(gauss[k] - np.float32(level)) < spacing).any() for k in anew):
            continue
        finer = np.empty_like(plane)

        def work(rows: slice, out: Array = finer, g: float = level) -> None:
            out[rows] = remap(plane[rows], g)

        colour.by_rows(work, (plane.shape[0], plane.shape[1]))
        for k in range(depth + 1):
            coarser = _down(finer) if k < depth else finer
            if k in anew:
                band = finer - _up(coarser, finer.shape) if k < depth else finer
                near = np.abs(gauss[k] - np.float32(level))
                near *= np.float32(-1 / spacing)
                near += np.float32(1)
                np.maximum(near, 0, out=near)
                near *= band
                made[k] += near
            finer = coarser
    return old, made


def _collapsed(pyramid: list[Array]) -> Array:
    out = pyramid[-1]
    for band in reversed(pyramid[:-1]):
        out = _up(out, band.shape)
        out += band
    return out


def _on_half(plane: Array, change: Callable[[Array], Array]) -> Array:
    """Do a change of coarse structure on a plane of half size and add what it changed; the finest structure stays."""
    if min(plane.shape) < 32:
        return change(plane)
    half = _down(plane)
    return plane + _up(change(half) - half, plane.shape)


def _without_gaps(planes: Array, change: Callable[[Array], Array]) -> Array:
    """Run a change of the grey level of planes that may hold NaN, which stays where it is."""
    old = grey_level(planes)
    gap = np.isnan(old)
    if gap.all():
        return np.asarray(planes.copy())
    new = change(push_pull(old, gap) if gap.any() else old)
    if gap.any():
        new = new + 0 * old
    return with_grey_level(planes, old, new)


def local_contrast(
    planes: Array, strength: float, sizes: tuple[float, float], edge: float, noise: Sequence[float], sky: float
) -> Array:
    """Strengthen contrast between ``sizes`` px, of structure up to about ``edge`` high, where it stands out of the noise.

    A difference d from the surrounding level becomes d (1 + strength exp(-4 (d / edge)^2)). ``noise``: standard deviation
    of each starlet scale; what is gained in a level of the pyramid fades in from 1 to 3 times that of its scale, and from
    the sky up.
    """

    def remap(level: Array, g: float) -> Array:
        d = level - np.float32(g)
        more = d * d
        more *= np.float32(-4 / edge**2)
        np.exp(more, out=more)
        more *= np.float32(strength)
        more *= d
        return np.asarray(level + more)

    def change(half: Array) -> Array:
        first, last = (max(0, round(math.log2(max(size, 1) / 4))) for size in sizes)
        levels = range(first, max(first, last) + 1)
        old, made = local_laplacian(half, remap, edge / 3, sky, levels, False)
        level = half
        for k in range(len(old) - 1):
            if k in levels:
                gained = made[k] - old[k]
                gained *= _stands_out(old[k], noise[min(k + 1, len(noise) - 1)])
                gained *= smoothstep((level - np.float32(sky)) * np.float32(1 / 0.05))
                made[k] = old[k] + gained
            level = _down(level)
        return _collapsed(made)

    return _without_gaps(planes, lambda level: _on_half(level, change))


def _stands_out(band: Array, sigma: float) -> Array:
    """Give 0 where the size of a band is that of its noise, 1 from three times that on."""
    import cv2

    size = cv2.GaussianBlur(np.abs(band), (0, 0), 1.5)  # of noise 0.8 sigma
    return smoothstep((size - np.float32(sigma)) * np.float32(1 / max(1.4 * sigma, 1e-5)))


def compressed(planes: Array, strength: float, sky: float, bright: float, detail: float, coarsest: float) -> Array:
    """Draw a bright core and a faint shell together: the coarse light follows a curve, detail up to ``detail`` high stays.

    From the sky (which stays) to ``bright`` (which stays) the coarse level x, 0..1, becomes (1 + k) x / (1 + k x).
    ``coarsest`` px is the size from which on structure counts as coarse.
    """
    k = np.float32(2 * strength / (1 - strength)) if strength < 1 else np.float32(1e3)
    span = np.float32(max(bright - sky, 1e-3))

    def curve(level: Array) -> Array:
        x = np.clip((level - np.float32(sky)) * (1 / span), 0, None)
        gained = (1 + k) * x / (1 + k * x) - x
        np.maximum(gained, 0, out=gained)  # beyond bright nothing is taken
        return np.asarray(level + gained * span)

    def remap(level: Array, g: float) -> Array:
        # near g differences stay as they are, round what the curve makes of g; far from it all follows the curve
        d = level - np.float32(g)
        far = curve(level)
        out = d + curve(np.array([[g]], np.float32))
        far -= out
        far *= smoothstep(np.abs(d) * np.float32(0.5 / detail))
        out += far
        return out

    def change(half: Array) -> Array:
        last = max(1, round(math.log2(max(coarsest, 4) / 4)))
        return _collapsed(local_laplacian(half, remap, min(detail, 0.1), sky, range(last + 1), True)[1])

    return _without_gaps(planes, lambda level: _on_half(level, change))


def coarse_bright(planes: Array) -> float:
    """Give the level of the brightest coarse light: 99.8 % of the averaged picture is darker."""
    import cv2

    level = grey_level(planes)
    side = max(1, round(math.sqrt(level.size / 200_000)))
    small = cv2.resize(level, (max(1, level.shape[1] // side), max(1, level.shape[0] // side)), interpolation=cv2.INTER_AREA)
    good = small[np.isfinite(small)]
    return float(np.quantile(good, 0.998)) if good.size else 1.0


def sharpened(planes: Array, strength: float, scales: int, noise: Sequence[float]) -> Array:
    """Strengthen the finest starlet scales where they stand out of the noise; nothing goes past what is around it.

    ``noise``: standard deviation of each scale's plane. A coefficient w gains strength * w * s(|w| / noise), s rising from
    0 at 2 to 1 at 5. The result stays between the least and the most of the 5x5 pixels around, which only a pixel that
    differs from their median may pass by a quarter of that difference: no rings form where the sky meets a star.
    """
    import cv2

    def change(level: Array) -> Array:
        gained = np.zeros_like(level)
        for (w, _), sigma in zip(starlet.descend(level, scales), noise, strict=False):
            shown = np.abs(w)
            shown *= np.float32(1 / max(sigma, 1e-6))
            shown -= np.float32(2)
            shown *= np.float32(1 / 3)
            gained += w * smoothstep(shown)
        gained *= np.float32(strength)
        kernel = np.ones((5, 5), np.uint8)
        low, high = cv2.erode(level, kernel), cv2.dilate(level, kernel)
        room = level - cv2.medianBlur(level, 5)
        room *= np.float32(0.25)
        np.add(low, np.minimum(room, 0), out=low)
        np.maximum(room, 0, out=room)
        room *= np.minimum(2 - 2 * level, 1)  # a star near white is not driven into it
        np.add(high, room, out=high)
        return np.asarray(np.clip(level + gained, low, high))

    return _without_gaps(planes, change)
