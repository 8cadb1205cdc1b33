"""How far the bands of a wavelet are shrunk: by their own energy, or by that of a first result.

Sources: Mihcak, Kozintsev, Ramchandran & Moulin 1999, IEEE SPL 6:300; Ghael, Sayeed & Baraniuk 1997, Proc. SPIE 3169:389.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]

# Of the second result shrunk by its gains once more, of the first result, of the noisy plane; the rest is the second result's.
# All four are alike where structure is clear, so that it stays whatever is best for all the rest.
Share = tuple[float, float, float]
SECOND: Share = (0.0, 0.0, 0.0)

# First pass: energy is taken over so many pixels (fine levels, coarse levels, what halving leaves); a coefficient is kept
# by what lies over the noise by more than 1 + _DOUBT, less where a wider neighbourhood shows structure too.
_NEAR, _WIDE, _DOUBT, _TRUST = (7, 5, 3), (21, 11, 9), 2.0, 4.0
# Second pass: energy over so many pixels; gain x(x+a)/(x(x+a)+1) of the ratio x of light to noise, which leaves clear
# structure more fully alone than Wiener's x/(x+1): what is taken away looks less like the nebula.
_PILOT, _LIFT = (11, 7, 3), 0.3
# What stands out of the noise as far as this is light; products of two such ratios still fit into 32-bit floats.
_CLEAR = 1e15
# Faint texture, too weak to be seen in one place: its share is found over so many pixels from energies that single
# structures cannot raise above _CAP; by less than _SURE it is taken for chance. Then Wiener's gain is the least that is kept.
_FAINT, _CAP, _SURE = (47, 25, 15), 3.0, 0.2
_NONE = 1e-6  # of a pixel's noise variance: where no more is reckoned with bands stay as they are, for over nothing bright light is infinite


def inverse_variances(noise_map: Plane | None, levels: int) -> list[Plane | None]:
    """Give one over the squared noise map for the grid of the first levels and of each halved one."""
    if noise_map is None:
        return [None] * levels
    import cv2

    square: Plane = np.square(noise_map)
    out: list[Plane | None] = []
    for _ in range(levels):
        out.append(np.reciprocal(np.maximum(square, np.float32(1e-6))))
        half = ((square.shape[1] + 1) // 2, (square.shape[0] + 1) // 2)
        square = np.asarray(cv2.resize(square, half, interpolation=cv2.INTER_AREA), np.float32)
    return out


def shrink(
    parts: list[list[Plane]], variances: list[float], inverse: Plane | None, level: int, share: Share = SECOND
) -> list[Plane]:
    """Shrink the bands of one level: by their own energy, or by that of the pilot's bands, the second of ``parts``."""
    kinds = [(slice(3), 0 if level < 2 else 1), (slice(3, len(parts[0])), 2)]  # the second is empty where nothing was halved
    return [b for of, size in kinds for b in _shrink([p[of] for p in parts], variances[of], inverse, size, share)]


def _shrink(parts: list[list[Plane]], variances: list[float], inverse: Plane | None, size: int, share: Share) -> list[Plane]:
    """Shrink the bands of one level: by their own energy, or by that of the pilot's bands, the second of ``parts``."""
    import cv2

    if all(v < _NONE for v in variances):
        return parts[0]
    if len(parts) == 1:
        return [_by_own_energy(band, variance, inverse, size) for band, variance in zip(parts[0], variances, strict=True)]
    ratios = [
        _ratio(np.square(band), variance, inverse, _PILOT[size]) for band, variance in zip(parts[1], variances, strict=True)
    ]
    for ratio in ratios:
        cv2.threshold(ratio, _CLEAR, 0.0, cv2.THRESH_TRUNC, dst=ratio)
    if len(ratios) > 1:  # where one direction holds structure the others are likelier to, too
        together = sum(ratios[1:], ratios[0])
        together *= np.float32(1 / len(ratios))
        for ratio in ratios:
            ratio *= together
            np.sqrt(ratio, out=ratio)
    return [
        _guided(band, pilot, ratio, _faint(np.square(band), variance, inverse, _FAINT[size]), share)
        for band, pilot, ratio, variance in zip(*parts, ratios, variances, strict=True)
    ]


def _ratio(square: Plane, variance: float, inverse: Plane | None, n: int) -> Plane:
    """Give the mean energy of ``n`` x ``n`` pixels over that of the noise."""
    mean = _mean(square, n)
    mean *= np.float32(1 / max(variance, 1e-12))
    if inverse is not None:
        mean *= inverse
    return mean


def _mean(plane: Plane, n: int) -> Plane:
    """Give the mean over ``n`` x ``n`` pixels of what is not negative; running sums leave a trace below 0 beside bright light."""
    import cv2

    mean = np.asarray(cv2.boxFilter(plane, -1, (n, n), borderType=cv2.BORDER_REFLECT_101), np.float32)
    cv2.threshold(mean, 0.0, 0.0, cv2.THRESH_TOZERO, dst=mean)
    return mean


def _faint(square: Plane, variance: float, inverse: Plane | None, n: int) -> Plane:
    """Give the ratio of light to noise of faint texture, 0 where there is none to be sure of.

    The mean of a normal variable's square, cut at 3, is 0.858 and rises by 0.608 of what is added to its variance; the
    fraction follows it as far as it matters. ``square`` is used up.
    """
    import cv2

    square *= np.float32(1 / max(variance, 1e-12))
    if inverse is not None:
        square *= inverse
    cv2.threshold(square, _CAP, 0.0, cv2.THRESH_TRUNC, dst=square)
    mean = _mean(square, n)
    room = np.float32(_CAP + 1e-3) - mean
    mean -= np.float32(0.8582)
    mean *= np.float32((_CAP - 0.8582) / 0.6084)
    mean /= room
    mean -= np.float32(_SURE)
    cv2.threshold(mean, 0.0, 0.0, cv2.THRESH_TOZERO, dst=mean)
    return mean


def _by_own_energy(band: Plane, variance: float, inverse: Plane | None, size: int) -> Plane:
    """Shrink a band by the energy round every coefficient."""
    import cv2

    square: Plane = np.square(band)
    doubt = _ratio(square, variance, inverse, _WIDE[size])
    doubt -= np.float32(1)
    cv2.threshold(doubt, 0.0, 0.0, cv2.THRESH_TOZERO, dst=doubt)
    doubt *= np.float32(_TRUST)
    doubt += np.float32(1)
    np.divide(np.float32(_DOUBT), doubt, out=doubt)
    doubt += np.float32(1)
    gain = _ratio(square, variance, inverse, _NEAR[size])
    gain -= doubt
    cv2.threshold(gain, 0.0, 0.0, cv2.THRESH_TOZERO, dst=gain)
    np.add(gain, np.float32(1), out=doubt)
    gain /= doubt
    gain *= band
    return gain


def _guided(band: Plane, pilot: Plane, ratio: Plane, faint: Plane, share: Share) -> Plane:
    """Shrink a band where the ratio of light to noise is told, of clear structure and of faint texture; then mix by shares."""
    import cv2

    lifted = ratio + np.float32(_LIFT)
    ratio *= lifted
    cv2.max(ratio, faint, dst=ratio)  # both gains are x / (x + 1)
    np.add(ratio, np.float32(1), out=lifted)
    ratio /= lifted
    if not any(share):
        ratio *= band
        return ratio
    twice, first, noisy = share
    np.multiply(ratio, np.float32(twice), out=lifted)
    lifted += np.float32(1 - sum(share))
    ratio *= lifted
    ratio += np.float32(noisy)
    ratio *= band
    np.multiply(pilot, np.float32(first), out=lifted)
    ratio += lifted
    return ratio
