"""Crop, turn, bin: what becomes of pixels, of their place on the sky, of the PSF and of the noise.

A change of geometry is told by the 2x3 matrix ``new_to_old`` that takes a pixel (x, y) of the result to the place it
came from; 0 is the centre of the first pixel.
"""

from __future__ import annotations

import dataclasses
import math
import re
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.facts import Noise, Psf, StarList

Matrix = npt.NDArray[np.floating[Any]]
Floats = npt.NDArray[np.float32]

# cards that speak of the detector's pixels in ways a changed picture makes untrue
_STALE = re.compile(r"(LTV\d|LTM\d_\d|(DATA|CCD|TRIM|BIAS|DET|AMP)SEC\d?|NAXIS\d?|CHECKSUM|DATASUM)$")
_PER_PIXEL = ("XBINNING", "YBINNING", "XPIXSZ", "YPIXSZ", "PIXSCALE", "SECPIX", "SECPIX1", "SECPIX2")


def shift_matrix(x0: float, y0: float) -> Matrix:
    """Give the matrix of a crop whose first pixel was (x0, y0)."""
    return np.array([[1.0, 0.0, x0], [0.0, 1.0, y0]])


def bin_matrix(factor: int) -> Matrix:
    """Give the matrix of binning by ``factor``.

    >>> bin_matrix(2) @ [0, 0, 1]
    array([0.5, 0.5])
    """
    k, h = float(factor), (factor - 1) / 2
    return np.array([[k, 0.0, h], [0.0, k, h]])


def orient_matrix(shape: tuple[int, int], turn: int, mirror: str) -> Matrix:
    """Give the matrix of :func:`orient` for planes of ``shape`` (height, width) before it."""
    h, w = shape
    new_h, new_w = (w, h) if turn % 180 else (h, w)
    flip = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1]])
    if mirror == "horizontal":
        flip = np.array([[-1.0, 0, new_w - 1], [0, 1, 0], [0, 0, 1]])
    elif mirror == "vertical":
        flip = np.array([[1.0, 0, 0], [0, -1, new_h - 1], [0, 0, 1]])
    # clockwise: the new top right corner was the old top left one
    back = {
        0: [[1.0, 0, 0], [0, 1, 0]],
        90: [[0.0, 1, 0], [-1, 0, h - 1]],
        180: [[-1.0, 0, w - 1], [0, -1, h - 1]],
        270: [[0.0, -1, w - 1], [1, 0, 0]],
    }[turn]
    turned: Matrix = np.array(back) @ flip
    return turned


def orient(planes: npt.NDArray[Any], turn: int, mirror: str) -> npt.NDArray[Any]:
    """Turn (..., y, x) clockwise by quarter turns as seen with the first row on top, then mirror it.

    >>> orient(np.array([[1, 2], [3, 4]]), 90, "none")
    array([[3, 1],
           [4, 2]])
    """
    out = np.rot90(planes, -turn // 90, axes=(-2, -1))
    if mirror == "horizontal":
        out = out[..., ::-1]
    elif mirror == "vertical":
        out = out[..., ::-1, :]
    return np.ascontiguousarray(out)


def bin_planes(planes: Floats, factor: int) -> Floats:
    """Average (..., y, x) over blocks of ``factor`` x ``factor`` pixels; rows and columns left over are cut off.

    NaN is left out of the mean; a block without any value stays NaN.
    """
    *lead, h, w = planes.shape
    rows, cols = h // factor, w // factor
    total = np.zeros((*lead, rows, cols), np.float32)
    count: Any = 0
    holes = bool(np.isnan(planes).any())
    if holes:
        count = np.zeros_like(total)
    for dy in range(factor):
        for dx in range(factor):
            part = planes[..., dy : rows * factor : factor, dx : cols * factor : factor]
            if holes:
                there = ~np.isnan(part)
                count += there
                part = np.where(there, part, np.float32(0))
            total += part
    total /= np.maximum(count, np.float32(1)) if holes else np.float32(factor * factor)
    if holes:
        total[count == 0] = np.nan
    return total


def soften(planes: Floats, sigma: float) -> Floats:
    """Blur (channel, y, x) by a Gaussian of ``sigma`` px; NaN is left out, and stays."""
    import cv2

    out = np.empty_like(planes)
    for plane, soft in zip(planes, out, strict=True):
        there = np.isfinite(plane)
        known, share = (
            cv2.GaussianBlur(p, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
            for p in (np.where(there, plane, np.float32(0)), there.astype(np.float32))
        )
        soft[:] = np.where(there, known / np.maximum(share, np.float32(1e-6)), np.float32(np.nan))
    return out


def bin_cells(planes: Floats, factor: int) -> Floats:
    """Average a mosaic (..., y, x) over blocks of ``factor`` x ``factor`` cells of 2x2 pixels, each pixel of the cell by itself: again a mosaic.

    >>> bin_cells(np.tile(np.float32([[1, 2], [4, 3]]), (2, 3)), 2)
    array([[1., 2.],
           [4., 3.]], dtype=float32)
    """
    *lead, h, w = planes.shape
    rows, cols = h // (2 * factor), w // (2 * factor)
    out = np.empty((*lead, 2 * rows, 2 * cols), np.float32)
    for y in (0, 1):
        for x in (0, 1):
            out[..., y::2, x::2] = bin_planes(planes[..., y::2, x::2], factor)[..., :rows, :cols]
    return out


def bin_psf(psf: Psf, factor: int) -> Psf:
    """Give the PSF of an image binned by ``factor``, for a star in the middle of a binned pixel."""
    kernel, centre = np.asarray(psf.kernel, float), psf.kernel.shape[0] // 2
    reach = max(1, math.ceil((centre + 1) / factor))
    n = 2 * centre + 1
    if factor % 2 == 0:
        # the middle of a block lies between pixels: look at the kernel there (cubic, four pixels)
        between = np.zeros((n + 1, n))
        for tap, weight in zip((-2, -1, 0, 1), (-1 / 16, 9 / 16, 9 / 16, -1 / 16), strict=True):
            for i in range(max(0, -tap), min(n + 1, n - tap)):
                between[i, i + tap] = weight
    else:
        between = np.eye(n)
    old = np.arange(len(between)) - (len(between) - 1) / 2
    share = (np.round(old / factor)[None] == np.arange(-reach, reach + 1)[:, None]) @ between
    binned = share @ kernel @ share.T
    width = binned_fwhm(psf.fwhm, factor)
    varies = psf.varies
    if varies is not None:  # what the block adds is the same all over
        varies = dataclasses.replace(varies, amounts=varies.amounts * (psf.fwhm / (width * factor)) ** 2)
    return dataclasses.replace(psf, kernel=(binned / binned.sum()).astype(np.float32), fwhm=width, varies=varies)


def binned_fwhm(fwhm: float, factor: int) -> float:
    """Give the star width after binning: the block adds its own variance, (factor^2 - 1)/12 px^2, then the pixels grow."""
    return math.sqrt(fwhm**2 + 8 * math.log(2) * (factor**2 - 1) / 12) / factor


def unbinned_fwhm(fwhm: float, factor: int) -> float:
    """Give the star width before binning, of which :func:`binned_fwhm` makes ``fwhm``; 0 where none does.

    >>> round(unbinned_fwhm(binned_fwhm(3.5, 2), 2), 9)
    3.5
    """
    return math.sqrt(max((fwhm * factor) ** 2 - 8 * math.log(2) * (factor**2 - 1) / 12, 0.0))


def bin_stars(stars: StarList, factor: int, fwhm: float | None) -> StarList:
    """Give light and size of stars in an image binned by ``factor``; positions are moved elsewhere."""
    lower = 1.0 if fwhm is None else (fwhm / (binned_fwhm(fwhm, factor) * factor)) ** 2
    return dataclasses.replace(stars, flux=stars.flux / factor**2, peak=stars.peak * lower, radius=stars.radius / factor)


def bin_noise(noise: Noise, factor: int) -> Noise:
    """Give the noise of an image binned by ``factor``.

    Neighbouring pixels of a stack share noise, so binning wins less than ``factor``. The noise is taken as white noise
    blurred by a Gaussian whose width follows from the ratio of the first two starlet scales; its power spectrum is
    carried through the block mean and the decimation, exactly and without drawing numbers.
    """
    sigma, scales = [], []
    for s, row in zip(noise.sigma, noise.scales, strict=True):
        width = blur_of(row[1] / row[0]) if len(row) > 1 and row[0] > 0 else 0.0
        n = 1024
        whole = np.fft.fftfreq(n * factor)
        block = np.divide(
            np.sin(math.pi * whole * factor), factor * np.sin(math.pi * whole), out=np.ones(n * factor), where=whole != 0
        )
        power = _spectrum(whole, width)
        binned = (power * block**2).reshape(factor, n).mean(0)  # frequencies that fall on each other add
        sigma.append(s * float(binned.mean() / power.mean()))
        old = _scales(power / power.mean(), whole, 1)[0]
        new = _scales(binned / power.mean(), np.fft.fftfreq(n), len(row))
        scales.append(tuple(float(v) / old * row[0] for v in new))
    return Noise(tuple(sigma), tuple(scales), None if noise.map is None else bin_planes(noise.map, factor))


def _spectrum(freq: Matrix, width: float) -> Matrix:
    """Power along one axis of white noise blurred by a Gaussian of ``width`` px."""
    power: Matrix = np.exp(-((2 * math.pi * freq * width) ** 2))
    return power


def _scales(power: Matrix, freq: Matrix, count: int) -> list[float]:
    """Standard deviation of the starlet planes of noise whose power is ``power(x) * power(y)``."""
    passed, out = [np.ones_like(freq)], []
    for j in range(count):
        turn = 2 * math.pi * freq * 2**j
        passed.append(passed[-1] * (6 + 8 * np.cos(turn) + 2 * np.cos(2 * turn)) / 16)
        a, b = passed[-2], passed[-1]
        ends = [float((power * p).mean()) ** 2 for p in (a * a, a * b, b * b)]
        out.append(math.sqrt(max(ends[0] - 2 * ends[1] + ends[2], 0.0)))
    return out


def blur_of(ratio: float) -> float:
    """Give the Gaussian width whose noise has this ratio of the second starlet scale to the first."""
    freq, low, high = np.fft.fftfreq(512), 0.0, 3.0
    for _ in range(40):
        middle = (low + high) / 2
        first, second = _scales(_spectrum(freq, middle), freq, 2)
        low, high = (middle, high) if second / first < ratio else (low, middle)
    return (low + high) / 2


def move_stars(stars: StarList, new_to_old: Matrix, shape: tuple[int, int]) -> StarList:
    """Give the list of those stars whose centres lie in the new picture of ``shape``, at their new places."""
    back = inverse(new_to_old)
    x = back[0, 0] * stars.x + back[0, 1] * stars.y + back[0, 2]
    y = back[1, 0] * stars.x + back[1, 1] * stars.y + back[1, 2]
    keep = (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)
    other = {f.name: getattr(stars, f.name)[keep] for f in dataclasses.fields(stars) if f.name not in ("x", "y")}
    return StarList(x=x[keep], y=y[keep], **other)


def inverse(matrix: Matrix) -> Matrix:
    """Give the 2x3 matrix of the way back."""
    return np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]


def turn_psf(psf: Psf, turn: int, mirror: str) -> Psf:
    """Give the PSF after :func:`orient`."""
    m = inverse(orient_matrix((1, 1), turn, mirror))[:, :2]
    a = math.radians(psf.angle)
    x, y = m @ [math.cos(a), math.sin(a)]
    return dataclasses.replace(psf, kernel=orient(psf.kernel, turn, mirror), angle=math.degrees(math.atan2(y, x)) % 180)


# --- the header's sky position ----------------------------------------------------------------------------------------


def move_header(header: Any, new_to_old: Matrix) -> Any:
    """Give a copy of a FITS header whose sky position (WCS, with SIP) and mosaic pattern describe the new pixels, exactly.

    A shift changes only CRPIX; a change of scale also CDELT or CD; anything else writes the CD matrix.
    """
    new = header.copy()
    m, back = new_to_old[:, :2], inverse(new_to_old)
    scale = math.sqrt(abs(float(np.linalg.det(m))))
    whole = np.allclose(m, np.eye(2), atol=0, rtol=0)
    for key in [k for k in new if _STALE.fullmatch(k)]:
        del new[key]
    for key in _PER_PIXEL:
        if scale != 1 and isinstance(new.get(key), (int, float)) and not isinstance(new[key], bool):
            new[key] = new[key] * (int(scale) if scale == int(scale) else scale)
    if "BAYERPAT" in new:
        pattern = move_pattern(str(new["BAYERPAT"]), new_to_old)
        if pattern is None:
            del new["BAYERPAT"]
        else:
            new["BAYERPAT"] = pattern
    for letter in [""] + [chr(c) for c in range(ord("A"), ord("Z") + 1)]:
        if f"CRPIX1{letter}" in new or f"CTYPE1{letter}" in new:
            old = np.array([_number(new, f"CRPIX{i}{letter}", 0.0) - 1 for i in (1, 2)])
            at = back @ [*old, 1.0] + 1
            new[f"CRPIX1{letter}"], new[f"CRPIX2{letter}"] = _short(at[0]), _short(at[1])
            if not whole:
                _turn_wcs(new, letter, m)
    if not whole:
        _turn_sip(new, m)
    return new


def _number(header: Any, key: str, default: float) -> float:
    """Read a card as a number."""
    value = header.get(key, default)
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else default


def _short(value: float) -> float:
    """Round away the last digits that matrix inversion leaves: far below a thousandth of a milliarcsecond."""
    near = round(float(value), 9)
    return near if abs(near - value) < 1e-10 else float(value)


def _turn_wcs(header: Any, letter: str, m: Matrix) -> None:
    """Put ``m`` behind the linear part of one WCS."""
    cd = [[f"CD{i}_{j}{letter}" for j in (1, 2)] for i in (1, 2)]
    pc = [[f"PC{i}_{j}{letter}" for j in (1, 2)] for i in (1, 2)]
    delt = [f"CDELT{i}{letter}" for i in (1, 2)]
    has_cd = any(k in header for row in cd for k in row)
    even = m[0, 0] == m[1, 1] and m[0, 1] == 0 and m[1, 0] == 0 and m[0, 0] > 0
    if has_cd:
        linear = np.array([[_number(header, k, 0.0) for k in row] for row in cd])
    else:
        steps = [_number(header, k, 1.0) for k in delt]
        if even:
            header[delt[0]], header[delt[1]] = steps[0] * m[0, 0], steps[1] * m[0, 0]
            return
        turned = math.radians(_number(header, f"CROTA2{letter}", 0.0))
        if any(k in header for row in pc for k in row) or not turned:
            linear = np.array([[_number(header, k, float(i == j)) for j, k in enumerate(row)] for i, row in enumerate(pc)])
            linear = np.diag(steps) @ linear
        else:
            c, s = math.cos(turned), math.sin(turned)
            linear = np.array([[steps[0] * c, -steps[1] * s], [steps[0] * s, steps[1] * c]])
        for key in [k for row in pc for k in row] + [*delt, f"CROTA1{letter}", f"CROTA2{letter}"]:
            header.remove(key, ignore_missing=True, remove_all=True)
    linear = linear @ m
    for i in (0, 1):
        for j in (0, 1):
            header[cd[i][j]] = float(linear[i, j])


def _turn_sip(header: Any, m: Matrix) -> None:
    """Rewrite the SIP polynomials for pixels turned or scaled by ``m``: new(u) = m^-1 old(m u), of the same order."""
    back = np.linalg.inv(m)
    for a, b in (("A", "B"), ("AP", "BP")):
        pair, order = [], 0
        for name in (a, b):
            terms: dict[tuple[int, int], float] = {}
            for key in [k for k in header if re.fullmatch(rf"{name}_\d_\d", k)]:
                p, q = int(key[-3]), int(key[-1])
                for (i, j), value in _substitute(p, q, m).items():
                    terms[i, j] = terms.get((i, j), 0.0) + value * _number(header, key, 0.0)
                del header[key]
            order = max([order, int(_number(header, f"{name}_ORDER", 0))])
            pair.append(terms)
        if not any(pair):
            continue
        for name, row in ((a, back[0]), (b, back[1])):
            header[f"{name}_ORDER"] = order
            header.remove(f"{name}_DMAX", ignore_missing=True, remove_all=True)
            for i, j in sorted({*pair[0], *pair[1]}):
                value = float(row[0] * pair[0].get((i, j), 0.0) + row[1] * pair[1].get((i, j), 0.0))
                if value:
                    header[f"{name}_{i}_{j}"] = value


def _substitute(p: int, q: int, m: Matrix) -> dict[tuple[int, int], float]:
    """Expand (m00 u + m01 v)^p (m10 u + m11 v)^q into terms u^i v^j."""
    terms: dict[tuple[int, int], float] = {}
    for k in range(p + 1):
        for n in range(q + 1):
            value = math.comb(p, k) * m[0, 0] ** k * m[0, 1] ** (p - k) * math.comb(q, n) * m[1, 0] ** n * m[1, 1] ** (q - n)
            terms[k + n, p + q - k - n] = terms.get((k + n, p + q - k - n), 0.0) + float(value)
    return terms


# --- mosaics ----------------------------------------------------------------------------------------------------------

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def move_pattern(pattern: str, new_to_old: Matrix) -> str | None:
    """Give the 2x2 colour pattern at the first pixel of the new picture, or None where it has none any more.

    >>> move_pattern("RGGB", shift_matrix(1, 0))
    'GRBG'
    """
    if pattern not in PATTERNS or not np.array_equal(np.abs(np.linalg.det(new_to_old[:, :2])), 1.0):
        return None
    out = ""
    for y in (0, 1):
        for x in (0, 1):
            old = new_to_old @ [x, y, 1.0]
            if not np.array_equal(old, np.round(old)):
                return None
            out += pattern[int(old[1]) % 2 * 2 + int(old[0]) % 2]
    return out


def collapse(mosaic: Floats, pattern: str) -> Floats:
    """Give red, green and blue (3, y/2, x/2) of a mosaic (y, x): one pixel per cell, its two greens averaged.

    >>> collapse(np.array([[1, 2], [4, 3]], np.float32), "RGGB").ravel()
    array([1., 3., 3.], dtype=float32)
    """
    h, w = (n // 2 * 2 for n in mosaic.shape)
    cells = [mosaic[k // 2 : h : 2, k % 2 : w : 2] for k in range(4)]
    red, blue = cells[pattern.index("R")], cells[pattern.index("B")]
    one, two = (cells[k] for k in range(4) if pattern[k] == "G")
    return np.stack([red, (one + two) * np.float32(0.5), blue])
