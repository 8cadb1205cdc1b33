"""What the nebula would be inside a small disc, told from around it, and how sure that is.

The light behind a star is taken as a Gaussian random field: a power-law spectrum cut by the seeing, with a locally
measured strength, plus the noise with its own correlation. Its expectation inside the disc is linear in the pixels around.

Sources: Rybicki & Press 1992, ApJ 398:169 (interpolation and constrained realisations of noisy data);
Saydjari & Finkbeiner 2022, ApJ 933:155 (the light behind stars from the local covariance).
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int_]

GRID = 256
LONGEST = 80.0  # px: structure beyond that is a level and a slope to a disc of a few px
STRENGTHS = 0.003 * 4.0 ** np.arange(9)  # variance of the nebula's third starlet scale, in noise variances
RING = 4.6
# what every pixel has of its own: of the noise variance, and of the nebula's. Without it blurred noise, whose finest
# structure is nearly nothing, lets a disc be told from its ring by weights of some hundreds, and what the ring is off by
# (a neighbour's light, a law that is not quite right) comes in so many times larger
FLOOR, LOOSE = 0.05, 2e-3
FURTHEST = 2 * GRID  # px between two pixels
MIDDLE = FURTHEST * (2 * FURTHEST + 2)


def _codes(y: Ints, x: Ints) -> Ints:
    """Give numbers whose differences, counted from :data:`MIDDLE`, are places in a table of distances."""
    return np.asarray(y * (2 * FURTHEST + 1) + x, np.int_)


@dataclass(frozen=True)
class Disc:
    """The pixels of a disc (``ky``, ``kx``) and of the ring around (``ry``, ``rx``), from its middle.

    ``weights`` (strength, disc, ring) give the expectation in the disc, ``spread`` (strength, disc, disc) its
    covariance; ``told`` are the strengths for which they do.
    """

    ky: Ints
    kx: Ints
    ry: Ints
    rx: Ints
    weights: npt.NDArray[np.float32]
    spread: npt.NDArray[np.float32]
    told: set[int]


class Field:
    """Covariances of nebula and noise, in units of the noise variance of one pixel."""

    def __init__(self, noise_blur: float, seeing: float, slope: float = 3.2) -> None:
        """Take the blur of the noise and the seeing (Gaussian sigma, px), and the slope of the nebula's power spectrum."""
        frequency = np.asarray(2 * np.pi * np.fft.fftfreq(GRID), np.float64)
        k = np.maximum(np.hypot(frequency[:, None], frequency[None]), 2 * np.pi / LONGEST)
        power = k**-slope * np.exp(-((k * seeing) ** 2))
        self.scale_powers = np.array([float((power * _band(frequency, j) ** 2).mean()) for j in range(1, 6)])
        self.covariance = np.fft.ifft2(power).real / self.scale_powers[2]
        self.scale_powers /= self.scale_powers[2]
        self.noise_blur = max(noise_blur, 0.05)
        # both by the distance in rows and columns, in tables that need no sign and no modulus: looked up very often
        d = np.arange(-FURTHEST, FURTHEST + 1)
        line = np.exp(-(d**2) / (4 * self.noise_blur**2))
        self._noise = (line[:, None] * line[None]).ravel()
        self._nebula = self.covariance[np.ix_(d % GRID, d % GRID)].ravel()
        self._discs: dict[float, Disc] = {}
        self._lock = threading.Lock()

    def between(self, y1: Ints, x1: Ints, y2: Ints, x2: Ints, strength: float) -> Array:
        """Give the covariances (n, m) of nebula and noise at n pixels with those at m others."""
        at = _codes(y1, x1)[:, None] - _codes(y2, x2)[None] + MIDDLE
        out = self._nebula.take(at)
        out *= strength
        out += self._noise.take(at)
        out += 1e4  # an unknown level, and an unknown slope
        out += 1e2 * (np.multiply.outer(y1, y2) + np.multiply.outer(x1, x2))
        return np.asarray(out, np.float64)

    def noise(self, dy: Ints, dx: Ints) -> Array:
        """Give the covariance of the noise of two pixels so far apart."""
        return np.asarray(self._noise.take(_codes(dy, dx) + MIDDLE), np.float64)

    def own(self, strength: float) -> float:
        """Give the variance that every pixel has of its own."""
        return FLOOR + LOOSE * strength * float(self.covariance[0, 0])

    def among(self, y: Ints, x: Ints, strength: float) -> Array:
        """Give the covariances (n, n) of nebula and noise at n pixels, with what each has of its own: what predictions rest on."""
        out = self.between(y, x, y, x, strength)
        out[np.diag_indices(len(y))] += self.own(strength)
        return out

    def table(self, strength: float, reach: int, noise: bool) -> Array:
        """Give the covariances of two pixels by their distance, (2 reach + 1, 2 reach + 1), with the noise's or without."""
        part = slice(FURTHEST - reach, FURTHEST + reach + 1)
        nebula, own = (t.reshape(2 * FURTHEST + 1, -1)[part, part] for t in (self._nebula, self._noise))
        if reach > GRID // 2:  # the covariance repeats: without the taper pixels GRID apart would be taken for neighbours
            taper = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (GRID / 4)) ** 2)
            nebula = nebula * np.outer(taper, taper)
        return np.asarray(strength * nebula + own if noise else strength * nebula)

    def disc(self, radius: float, strengths: Iterable[int] = range(len(STRENGTHS))) -> Disc:
        """Give the weights and covariances for a disc of this radius, at least for these of :data:`STRENGTHS`."""
        with self._lock:
            if radius not in self._discs:
                self._discs[radius] = self._empty(radius)
            disc = self._discs[radius]
            for k in set(strengths) - disc.told:
                around = self.among(disc.ry, disc.rx, STRENGTHS[k])
                across = self.between(disc.ky, disc.kx, disc.ry, disc.rx, STRENGTHS[k])
                w = np.linalg.solve(around, across.T).T
                v = self.between(disc.ky, disc.kx, disc.ky, disc.kx, STRENGTHS[k]) - w @ across.T
                disc.weights[k] = w
                disc.spread[k] = (v + v.T) / 2 + self.own(STRENGTHS[k]) * np.eye(len(disc.ky))
                disc.told.add(k)
        return disc

    @staticmethod
    def _empty(radius: float) -> Disc:
        half = math.ceil(radius + RING)
        yy, xx = np.mgrid[-half : half + 1, -half : half + 1]
        far = np.hypot(yy, xx)
        core, ring = far <= radius + 0.01, (far > radius + 0.01) & (far <= radius + RING)
        ky, kx, ry, rx = yy[core], xx[core], yy[ring], xx[ring]
        n, strengths = len(ky), len(STRENGTHS)
        return Disc(ky, kx, ry, rx, np.zeros((strengths, n, len(ry)), np.float32), np.zeros((strengths, n, n), np.float32), set())


def _band(frequency: Array, scale: int) -> Array:
    """Give the frequency response of starlet scale ``scale``."""
    out = np.ones((len(frequency), len(frequency)))
    for j in range(1, scale + 1):
        line = (3 + 4 * np.cos(frequency * 2 ** (j - 1)) + np.cos(2 * frequency * 2 ** (j - 1))) / 8
        low = line[:, None] * line[None]
        out = out * (low if j < scale else 1 - low)
    return out


def strength_class(variance: npt.ArrayLike) -> Ints:
    """Give the index into :data:`STRENGTHS` nearest to a measured variance of the third starlet scale.

    >>> strength_class([0.0, 0.003, 0.05, 1e9]).tolist()
    [0, 0, 2, 8]
    """
    ratio = np.maximum(np.asarray(variance, np.float64), STRENGTHS[0]) / STRENGTHS[0]
    return np.asarray(np.clip(np.rint(np.log(ratio) / math.log(4)), 0, len(STRENGTHS) - 1), np.int_)


_BLURS = np.linspace(0.0, 1.6, 33)


def noise_blur(second_to_first: float) -> float:
    """Give the Gaussian blur (px) of white noise whose second and first starlet scales have this ratio of sigmas.

    >>> noise_blur(0.2007 / 0.8908)
    0.0
    """
    frequency = np.asarray(2 * np.pi * np.fft.fftfreq(64), np.float64)
    w1, w2 = _band(frequency, 1) ** 2, _band(frequency, 2) ** 2
    # the blur acts on pixels: its taps are a sampled Gaussian, not a continuous one
    n = np.arange(-8, 9)
    ratios = []
    for blur in _BLURS:
        taps = np.exp(-(n**2) / (2 * max(blur, 0.05) ** 2))
        response = np.abs((taps / taps.sum()) @ np.exp(-1j * n[:, None] * frequency[None]))
        power = (response[:, None] * response[None]) ** 2
        ratios.append(math.sqrt(float((power * w2).mean() / (power * w1).mean())))
    found = float(np.interp(second_to_first, ratios, _BLURS))
    return 0.0 if second_to_first <= ratios[0] + 1e-4 else found
