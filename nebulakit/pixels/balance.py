"""How much light a line has, and by how much one line may be lifted beside the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import anchors, colour, masks, starlet, tone
from nebulakit.pixels.facts import Noise

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

SURE = 3.0
"""A box with this much light, in its own noise, shines."""
_LEAK = 0.02  # of one line's light that may be left in the other: fainter than that beside it is no light of its own
_SKY = 0.25  # how well the sky's level is known, in a pixel's noise: light below SURE times this is no light
# of its own light, what a box of gas differs in the mean from a bent surface through its neighbours: 0.017-0.3 in 150 layers
# with [O III], what glows and halos leave 0-0.013; in boxes of twice the size 0.04-0.4 and 0-0.024
_ROUGH = 0.015
# times as bright as light must be at least: what bulges of a fitted glow far from the edges reached 3.0, true lumps 6
_LUMP = 4.0
_FEW = 6  # fewer boxes side by side than this are what a star leaves
_EDGE = 8  # a glow, fitted, is held from all sides where it is farther than this part of the short side from the edges
_COARSE = 75  # boxes this many times smaller than the frame's short side are the largest that a glow is straight across


_SCALES = 4  # coarser ones hardly fit into a block of 48 px
# what stars and glow leave at coarser scales, in noises: 0-0.043 on 50 frames with nothing under the sky, and from there on more
# by 0.004-0.1, 0.024 in the median, for each noise that places lie under it
_REST, _UNDER = 0.03, 0.03
# what can just be seen rises with the contrast of what lies over it to this power (Legge & Foley 1980, JOSA 70:1458; value
# from memory)
_MASKING = 0.62
_SURELY = 0.9  # of what deviates must be noise, or it is chance that the rest is structure
_QUIET = 2.5  # how much noisier a typical block of empty sky is than the quietest tenth, after denoising


@dataclass(frozen=True)
class Light:
    """What a line's boxes hold: ``share`` of the frame that shines, ``bright`` the 95 % quantile of these above the sky.

    ``smooth``: the share that is as bright, but is not believed to be the line's.
    """

    share: float
    bright: float
    boxes: int
    smooth: float = 0.0


@dataclass(frozen=True)
class Left:
    """Noise that is left in a plane, and by how much ``structure`` is stronger where it is calmest: 1 where there is none."""

    noise: float
    structure: float = 1.0


@dataclass(frozen=True)
class Gain:
    """The gain of [O III], what was ``wanted``, the ``limit`` that noise sets, and what they rest on."""

    gain: float
    wanted: float
    limit: float
    noise_left: float
    slope: float


def nothing(one: Light, other: Light) -> bool:
    """Say whether a line shines in so little of the frame, and of where the other does, that there is none to show.

    What a few stars leave is as much; a small nebula alone in a large frame shines in both lines.
    """
    return not one.boxes or one.share < min(0.002, other.share / 50)


def box_noise(noise: Noise, channel: int, side: int) -> float:
    """Give the noise of a mean over ``side`` x ``side`` pixels: neighbours alike count as the coarser scales show.

    >>> white = Noise((2.0,), (tuple(2 * starlet.white_sigmas(5)),))
    >>> round(box_noise(white, 0, 8), 3)
    0.25
    """
    sigma, scales = noise.sigma[channel], noise.scales[channel]
    j = min(len(scales), max(1, round(math.log2(max(side, 2)))))
    if not scales or sigma <= 0:
        return sigma / side
    return float(scales[j - 1] / starlet.white_sigmas(j)[j - 1]) / side


def block_means(plane: Plane, side: int) -> Floats:
    """Give the means of whole blocks of ``side`` px (rows, columns) of a plane without NaN; what is left over at the end is not used."""
    import cv2

    rows, cols = plane.shape[0] // side, plane.shape[1] // side
    part = plane[: rows * side, : cols * side]
    return np.asarray(cv2.resize(part, (cols, rows), interpolation=cv2.INTER_AREA), np.float64).reshape(rows, cols)


def box_levels(plane: Plane, side: int) -> Floats:
    """Give the means of boxes (rows, columns); NaN where more than half of a box is NaN."""
    side = max(1, min(side, *plane.shape))
    there = np.isfinite(plane)
    if there.all():
        return block_means(plane, side)
    count = block_means(there.astype(np.float32), side)
    total = block_means(np.where(there, plane, np.float32(0)), side)
    return np.where(count >= 0.5, total / np.maximum(count, 1e-9), np.nan)


def light(plane: Plane, noise: Noise, sky: float, side: int, other: Plane | None = None, other_sky: float = 0.0) -> Light:
    """Measure a line (y, x): boxes of ``side`` px that lie more than :data:`SURE` of their noise above ``sky``.

    With the ``other`` line, of which 2 % may be left in this one: boxes with less than that of its light do not shine, and
    what is as smooth as what a glow leaves does not either.
    """
    levels = box_levels(plane, side) - sky
    floor = _floor(plane, noise, side)
    seen = np.isfinite(levels)
    total = int(seen.sum())
    if not total:
        return Light(0.0, 0.0, 0)
    lit = seen & (np.nan_to_num(levels) > floor)
    believed = lit
    if other is not None:
        lit &= ~(levels < _LEAK * (box_levels(other, side) - other_sky))
        believed = lit & _believed(plane, noise, sky, side, other, other_sky, lit.shape)
    boxes, bright = int(believed.sum()), 0.0
    if boxes:  # what is not believed is lifted along, and not to stand higher than the rest
        bright = max(float(np.quantile(levels[part], 0.95)) for part in (believed, lit))
    return Light(boxes / total, bright, boxes, (int(lit.sum()) - boxes) / total)


def _floor(plane: Plane, noise: Noise, side: int) -> Floats:
    """Give per box what light in it must be above to be seen."""
    thin = box_levels(noise.map, side) if noise.map is not None else np.ones(box_levels(plane, side).shape)
    return SURE * math.hypot(box_noise(noise, 0, side), _SKY * noise.sigma[0]) * np.where(np.isfinite(thin), thin, 1.0)


def _believed(
    plane: Plane, noise: Noise, sky: float, side: int, other: Plane, other_sky: float, shape: tuple[int, ...]
) -> npt.NDArray[np.bool_]:
    """Say which boxes hold light that neither glow nor star nor the other line has left.

    Larger boxes are asked, too: as long as a glow is straight across them, and once more where it begins to bend, when twice
    as much must be uneven. All are believed in a plane too small to say.
    """
    import cv2

    out = np.full(shape, min(shape) < 5)
    size, straight = side, max(side, min(plane.shape) // _COARSE)
    while size <= 2 * straight:
        levels, beside = box_levels(plane, size) - sky, box_levels(other, size) - other_sky
        if min(levels.shape) < 5:
            break
        bent = max(1.0, size / straight)
        good = _own(levels, beside, _floor(plane, noise, size), box_noise(noise, 0, size), bent).astype(np.uint8)
        rows, cols = (min(n, m * (size // side)) for n, m in zip(shape, good.shape, strict=True))
        out[:rows, :cols] |= cv2.resize(good, (cols, rows), interpolation=cv2.INTER_NEAREST) > 0
        size *= 2
    return out


def _own(levels: Floats, beside: Floats, floor: Floats, sigma: float, bent: float) -> npt.NDArray[np.bool_]:
    """Say which boxes above ``floor`` hold a line's own light; ``beside`` is the other line, ``sigma`` a box's noise before denoising.

    Gas is uneven at every scale; what is left of a glow is not, beyond the noise. So each connected patch is compared with
    bent surfaces through its boxes' neighbours: what it deviates by, less what the other line may have left, is held against
    its light (``bent`` times as much is asked for in boxes that are so many times as large as those a glow is straight across)
    and against the same where the layer is calmest. In smaller ones smooth light is believed where it is brightest away from the
    frame's edges, and four times as bright as at the patch's rim: a fitted glow is held there from all sides.
    """
    import cv2

    known = np.isfinite(levels)
    away = cv2.distanceTransform(np.pad(known.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1] > min(levels.shape) / _EDGE
    rough, leak = np.nan_to_num(_unevenness(levels)), np.nan_to_num(_unevenness(beside))
    # where structure lies all over, the calmest tenth holds some, too: noise is no more than the stack had
    calm = float(np.quantile(cv2.blur(np.abs(rough), (7, 7), borderType=cv2.BORDER_REFLECT_101), 0.1))
    grain = min(calm, math.sqrt(2 / math.pi * 19 / 25) * sigma)
    shine = known & (np.nan_to_num(levels) > floor) & ~(levels < _LEAK * beside)
    if not shine.any():
        return shine
    _, patches = cv2.connectedComponents(shine.astype(np.uint8), connectivity=8)
    # all boxes that shine, patch by patch, the faintest first
    of, shown = patches[shine] - 1, levels[shine]
    order = np.lexsort((shown, of))
    of, shown = of[order], shown[order]
    own, foreign, middle, low = (x[shine][order] for x in (rough, leak, away, floor))

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(of, values), np.float64)

    boxes = total(np.ones(len(of)))
    part = np.clip(total(own * foreign) / np.maximum(total(foreign**2), 1e-30), -_LEAK, _LEAK)
    uneven = total(np.abs(own - part[of] * foreign)) / boxes
    last = np.cumsum(boxes).astype(int) - 1
    high = last - (0.05 * boxes).astype(int)
    lump = (bent <= 1) & middle[last] & (shown[high] > _LUMP * total(low) / boxes)
    gas = uneven > np.hypot(bent * _ROUGH * total(shown) / boxes, grain * (1 + SURE / np.sqrt(boxes)))
    return np.asarray(np.append(False, (boxes >= _FEW) & (lump | gas))[patches], bool)


def _unevenness(levels: Floats) -> Floats:
    """Give what boxes differ by from the bent surface (of second order) through the 5 x 5 boxes around; NaN beside NaN."""
    import cv2

    axis = np.arange(5) - 2.0
    y, x = (a.ravel() for a in np.meshgrid(axis, axis, indexing="ij"))
    basis = np.stack([np.ones(25), x, y, x * x, x * y, y * y], axis=1)
    kernel = (basis @ np.linalg.pinv(basis))[12].reshape(5, 5)
    # mirrored about the edge's own level, or a slope would have a kink there
    wide = np.pad(levels, 2, mode="reflect", reflect_type="odd")
    return levels - cv2.filter2D(wide, cv2.CV_64F, kernel)[2:-2, 2:-2]


def noise_left(plane: Plane, before: Noise | None = None, sky: float = 0.0) -> Left:
    """Measure the noise that is in a plane now, blotches included: the deviation within blocks of 48 px.

    It is what is left after denoising, where the noise of the linear stack is what was there before. The darkest third
    of the blocks speaks for the sky; where even these hold structure, the quietest tenth does, times the usual ratio.
    Where all hold structure that would still be taken for noise: ``before``, the noise of the linear stack, says how much
    there can be of each scale, and the rest is structure. What a glow left at coarse scales is told by what lies under the ``sky``.
    """
    side = 48
    h, w = plane.shape
    if min(h, w) < side:
        side = max(1, min(h, w))
    rows, cols = h // side, w // side
    if side < 4:
        return Left(0.0)
    every = max(1, math.ceil(math.sqrt(rows * cols / 600)))  # enough of them for a quantile
    found = []
    for y in range(0, rows, every):
        for x in range(0, cols, every):
            cell = plane[y * side : (y + 1) * side, x * side : (x + 1) * side]
            if np.isfinite(cell).all():
                found.append(cell)
    if not found:
        return Left(0.0)
    cells = np.asarray(found, np.float64)
    axis = np.arange(side) - (side - 1) / 2
    level = cells.mean((1, 2), keepdims=True)
    dark = np.argsort(level.ravel(), kind="stable")[: max(1, len(cells) // 3)]
    cells = cells - level
    unit = float((axis**2).mean())
    for a in (axis[None, :, None], axis[None, None, :]):  # a tilt is no noise
        cells = cells - (cells * a).mean((1, 2), keepdims=True) / unit * a

    def typical(parts: Floats) -> float:
        deviation = np.sqrt((parts**2).mean((1, 2)))
        return min(float(np.median(deviation[dark])), _QUIET * float(np.quantile(deviation, 0.1)))

    left = typical(cells)
    known = before.scales[0] if before is not None else ()
    scales = min(len(known), _SCALES, int(math.log2(side)) - 1)
    if before is None or scales < 1:
        return Left(left)
    parts = [starlet.transform(np.ascontiguousarray(c, np.float32), scales) for c in cells]
    bands = [np.stack([w[j] for w, _ in parts]) for j in range(scales)] + [np.stack([c for _, c in parts])]
    seen = [typical(b.astype(np.float64)) for b in bands]
    # what is coarser than the last scale looked at: each further scale has half of the one before; stars and glow leave some
    under = max(0.0, sky - float(np.quantile(level, 0.02)))
    most = [*known[:scales], math.hypot(known[scales - 1] / math.sqrt(3), _REST * before.sigma[0] + _UNDER * under)]
    # bands overlap, so that only the share tells
    share = math.hypot(*map(min, seen, most)) / max(math.hypot(*seen), 1e-30)
    return Left(left * share, max(_SURELY / max(share, 1e-3), 1.0))


def decide_gain(
    ha: Plane,
    oiii: Plane,
    skies: tuple[float, float],
    noises: tuple[Noise, Noise],
    lights: tuple[Light, Light],
    most: float,
) -> Gain:
    """Decide by how much [O III] is multiplied; ``noises`` are those of the linear stack in these layers.

    Wanted: that the brightest parts of both lines stand equally high (their 95 % quantiles), and no more of the light of
    [O III] is burnt than the stretch of H-alpha burns of that (where [O III] shines bright in one place and faintly all
    over, quantiles of boxes tell the faint part). Limit: the noise left in [O III], lifted by the gain and shown by that
    stretch (sky at a tenth), stays under ``most`` of the display's range at the sky level; where structure lies all over,
    the more so the stronger that is, for it hides grain. [O III] that is too noisy as it is gets less than 1. Where there is
    nothing to show (:func:`nothing`) no more than 1 is wanted.
    """
    found = noise_left(oiii, noises[1], skies[1])
    left = found.noise
    first, second = (_anchors(p, s, n.sigma[0]) for p, s, n in zip((ha, oiii), skies, noises, strict=True))
    slope = _slope(first)
    limit = most * found.structure**_MASKING / (slope * left) if slope * left > 0 else math.inf
    a, b = lights
    wanted = min(a.bright / b.bright, first.bright / second.bright) if a.boxes and not nothing(b, a) else 1.0
    return Gain(min(wanted, limit), wanted, limit, left, slope)


def sky_slope(plane: Plane, sky: float, noise: float) -> float:
    """Give the slope (display level per light) at the sky of the stretch that `stretch_asinh` would choose for ``plane``.

    ``noise`` is that of the linear stack in this layer.
    """
    return _slope(_anchors(plane, sky, noise))


def _anchors(plane: Plane, sky: float, noise: float) -> anchors.Anchors:
    grain = anchors.pixel_noise(plane[None])
    return anchors.anchors(plane[None], (sky,), grain, stars=False, least=anchors.FAINTEST * noise)


def _slope(found: anchors.Anchors) -> float:
    softening, white = anchors.decide_asinh(found, sky=0.1, lift=0.4, softening=None, white=None)
    return tone.Stretch("asinh", softening, 0.0, white, 0.1).slope


def smoothed(plane: Plane, sigma: float) -> Plane:
    """Smooth by a Gaussian of ``sigma`` px, beside NaN by what is there alone; NaN stays NaN."""
    gap = np.isnan(plane)
    if not gap.any():
        return masks.blurred(plane, sigma)
    weight = masks.blurred((~gap).astype(np.float32), sigma)
    out = masks.blurred(np.where(gap, np.float32(0), plane), sigma) / np.maximum(weight, np.float32(1e-6))
    out[gap] = np.nan
    return np.asarray(out, np.float32)


def dominance(
    one: Plane, other: Plane, skies: tuple[float, float], noises: tuple[float, float], ratio: float, sure: float
) -> Plane:
    """Give 0..1: where ``one`` is more than ``ratio`` times ``other`` (soft over an octave) and stands ``sure`` noises above its sky."""
    out = np.empty_like(one)
    floor, other_floor = (np.float32(max(n, 1e-30)) for n in noises)

    def part(ys: slice) -> None:
        a, b = one[ys] - np.float32(skies[0]), other[ys] - np.float32(skies[1])
        lead = np.log2(np.maximum(a, floor) / (np.maximum(b, other_floor) * np.float32(ratio))) + np.float32(0.5)
        made = masks.smoothstep(lead)
        if sure > 0:
            made *= masks.smoothstep(a * np.float32(2 / (sure * float(floor))) - np.float32(1))
        out[ys] = made

    colour.by_rows(part, (one.shape[0], one.shape[1]))
    return out
