"""What is left in one line of a glow that was taken off: smooth, faint, and seen where the line itself is dark.

`gradient` fits a few terms to the whole frame, strong glows and all channels at once; what it leaves bends on the scale of
a third of the frame, and a tilt fitted to that is wrong at the other side. Here a smooth surface is let bend where sky is
seen; elsewhere it goes back to the level. Sky and nebula boxes are told apart as in `fit`.
Sources: a Gaussian process by cosines on a domain wider than the frame as in Solin & Särkkä 2020, Statistics and Computing
30:419; the one-sided mixture as in `fit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow.boxes import Boxes
from nebulakit.pixels.glow.fit import SEEN, SMOOTH, TRUST
from nebulakit.pixels.glow.gradient import decide_gradient
from nebulakit.pixels.glow.legendre import basis
from nebulakit.pixels.glow.surface import lower_mode

Plane = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

REACH = 0.7  # over which the surface bends, in halves of the frame's short side
STRENGTH = 0.15  # how strong tilt and bend are, in sigma: 0.3 follows what `gradient` leaves a tenth better, and eats faint haze
FLOOR = 0.2  # in sigma: how far boxes of sky lie from the surface
FINEST = 2.6  # wave number times REACH beyond which waves have under 3 % of the variance of the longest
BOXES = 24  # fewer tell no more than a level
ROUNDS = 20


@dataclass(frozen=True)
class Rest:
    """A surface in sigma: ``coefficients`` of :func:`_terms`, and the share of the boxes that are sky."""

    coefficients: Doubles
    sky: float


def decide_rest(plane: Plane, sigma: float) -> Rest | None:
    """Fit what is left of a glow in a linear plane (y, x) whose pixel noise is ``sigma``; None where too little sky is seen to tell.

    NaN is left out.
    """
    tilt = decide_gradient(plane[None], (sigma,), orders=(0, 1))
    boxes = tilt.boxes
    index = boxes.index
    if len(index) < BOXES:
        return None
    a, variance = _terms(boxes.x[index], boxes.y[index], plane.shape)
    level = boxes.level[0, index]
    # a tilt of more than FLOOR hides the sky from a fit that begins level; a tilt that is not there would hide it, too
    begins = [np.full(len(level), lower_mode(level, boxes.error))]
    if tilt.order:
        begins.append(basis(boxes.x[index], boxes.y[index], 1) @ tilt.coefficients[0] / sigma)
    c, sky = max((_fitted(boxes, a, variance, b) for b in begins), key=lambda f: f[0])[1:]
    empty = sky > 0.5
    if empty.mean() < SEEN:
        return None
    c[0] += np.median((level - a @ c)[empty])  # the mixture leaves sky boxes a small common offset
    return Rest(c, float(empty.mean()))


def _fitted(boxes: Boxes, a: Doubles, variance: Doubles, surface: Doubles) -> tuple[float, Doubles, Doubles]:
    """Fit by reweighting, beginning with ``surface``; give the log posterior, the coefficients and how surely each box is sky."""
    level = boxes.level[0, boxes.index]
    share, s = np.full(len(level), 0.3), max(FLOOR, boxes.error)
    prior, top = np.diag(1 / variance), float(np.ptp(level))
    c, p, told = np.zeros(len(variance)), np.zeros(len(level)), 0.0
    for _ in range(ROUNDS):
        r = level - surface
        p, likely = _mixture(r, s, share, top)
        told = TRUST * float(np.log(likely).sum()) - 0.5 * float((c**2 / variance).sum())
        share = np.clip(boxes.around(p) ** 2, 0.01, 0.99)  # a box beside nebula is likely nebula
        fine = r - boxes.around(r, 3)
        p = p * (np.sqrt(boxes.around(fine**2)) < SMOOTH * s)  # sky has no structure
        under = np.minimum(1, 3 * s / np.maximum(-r, 1e-9)) * np.maximum(p, 0.02)
        weight = np.where(r < 0, under, p) * TRUST / s**2
        c = np.linalg.solve(prior + (a.T * weight) @ a, a.T @ (weight * level))
        moved = float(np.abs(a @ c - surface).max())
        surface = a @ c
        if moved < 0.01:
            break
    return told, c, p


def apply_rest(rest: Rest, shape: tuple[int, int]) -> Plane:
    """Give the surface of every pixel (y, x), in sigma."""
    import cv2

    # at fewer places than pixels, for it is smooth; these are the middles of equal parts, as `resize` takes them
    rows, columns = (np.linspace(0, n, 2 * min(n, 96) + 1)[1::2] - 0.5 for n in shape)
    y, x = (at / max(n - 1, 1) * 2 - 1 for at, n in zip((rows, columns), shape, strict=True))
    a, _ = _terms(np.tile(x, len(y)), np.repeat(y, len(x)), shape)
    coarse = np.asarray((a @ rest.coefficients).reshape(len(y), len(x)), np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def _terms(x: Doubles, y: Doubles, shape: tuple[int, int]) -> tuple[Doubles, Doubles]:
    """Give the level, the tilts and the waves at places on [-1, 1] (places, terms), and the variance of each one's coefficient."""
    h, w = shape
    half = w / min(h, w), h / min(h, w)
    u, v = x * half[0], y * half[1]
    wide, high = (n + 1.5 * REACH for n in half)  # waves end flat: beyond the frame
    columns, variance, total = [np.ones_like(u), u, v], [1e4, STRENGTH**2, STRENGTH**2], 0.0
    for i in range(int(FINEST * 2 * wide / (math.pi * REACH)) + 1):
        for j in range(int(FINEST * 2 * high / (math.pi * REACH)) + 1):
            k = math.hypot(math.pi * i / (2 * wide), math.pi * j / (2 * high)) * REACH
            if 0 < k <= FINEST:
                square = (0.5 if i else 1.0) * (0.5 if j else 1.0)  # the mean of the wave's square
                columns.append(np.cos(math.pi * i * (u + wide) / (2 * wide)) * np.cos(math.pi * j * (v + high) / (2 * high)))
                variance.append(math.exp(-0.5 * k * k) / square**2)
                total += math.exp(-0.5 * k * k) / square
    told = np.array(variance)
    told[3:] *= STRENGTH**2 / total
    return np.stack(columns, -1), told


def _mixture(r: Doubles, s: float, share: Doubles, top: float) -> tuple[Doubles, Doubles]:
    """Give how likely boxes at levels ``r`` above the surface are sky, and how likely these levels are.

    Nebula's levels fall off as (level + 1)^-1/2 up to ``top``; below the surface both fall off alike.
    """
    high, soft = np.maximum(r, 0), max(1.0, s)
    whole = 2 * (math.sqrt(max(top, 10.0) + soft) - math.sqrt(soft))
    low = np.exp(-0.5 * np.maximum(np.minimum(r, 0) / s, -8) ** 2)
    sky = share / s / math.sqrt(2 * math.pi) * np.exp(-0.5 * (high / s) ** 2)
    nebula = (1 - share) / np.sqrt(high + soft) / whole
    return np.asarray(sky / (sky + nebula)), np.asarray((sky + nebula) * low)
