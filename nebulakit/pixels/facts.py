"""Facts measured on pixels: noise, PSF, stars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.stars.varying import Varying


@dataclass(frozen=True)
class Noise:
    """The noise of the linear stack, propagated to this layer.

    ``sigma``: standard deviation of one pixel per channel, in the layer's own units, where ``map`` is 1.
    ``scales``: per channel the standard deviation of its starlet planes w_1..w_J (correlated noise included).
    ``map``: (y, x) float32, noise relative to ``sigma`` (median 1; more where fewer frames lie); None means even.
    """

    sigma: tuple[float, ...]
    scales: tuple[tuple[float, ...], ...]
    map: npt.NDArray[np.float32] | None = None

    def scaled(self, factors: npt.ArrayLike) -> Noise:
        """Give the noise after each channel was multiplied by its factor (one for all, or one each)."""
        f = np.broadcast_to(np.abs(np.asarray(factors, float)), (len(self.sigma),))
        return Noise(
            tuple(float(s * k) for s, k in zip(self.sigma, f, strict=True)),
            tuple(tuple(float(s * k) for s in row) for row, k in zip(self.scales, f, strict=True)),
            self.map,
        )

    def mixed(self, matrix: npt.ArrayLike) -> Noise:
        """Give the noise of ``matrix @ planes`` (out, in), taking the channels' noise as independent."""
        square = np.asarray(matrix, float) ** 2
        sigma = np.sqrt(square @ np.asarray(self.sigma) ** 2)
        scales = np.sqrt(square @ np.asarray(self.scales) ** 2)
        return Noise(tuple(map(float, sigma)), tuple(tuple(map(float, row)) for row in scales), self.map)

    def picked(self, *channels: int) -> Noise:
        """Give the noise of some channels only."""
        return Noise(tuple(self.sigma[c] for c in channels), tuple(self.scales[c] for c in channels), self.map)


@dataclass(frozen=True)
class Psf:
    """The star image: ``kernel`` (y, x) float32, odd size, sum 1, and the Moffat law fitted to it.

    Where it ``varies`` over the picture all this is the usual star's; :func:`nebulakit.pixels.psf.psf_at` gives another's.
    """

    kernel: npt.NDArray[np.float32]
    fwhm: float
    beta: float
    ellipticity: float = 0.0
    angle: float = 0.0  # degrees, of the long axis, from +x towards +y
    stars: int = 0  # how many it was measured on
    varies: Varying | None = None  # in pixels of the layer


@dataclass(frozen=True)
class StarList:
    """Stars found: positions in pixels of the layer that carries the list (0 = centre of the first pixel); arrays (n,).

    ``flux`` and ``peak`` are summed over the channels, above the sky; ``radius`` is where the star's light sinks under
    half a noise sigma; ``saturated`` marks cores cut at the white level.
    """

    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    flux: npt.NDArray[np.float64]
    peak: npt.NDArray[np.float64]
    radius: npt.NDArray[np.float64]
    saturated: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.x)

    def take(self, which: npt.NDArray[np.int_] | npt.NDArray[np.bool_]) -> StarList:
        """Give those with these numbers, in that order, or those for which a mask holds."""
        return StarList(
            self.x[which], self.y[which], self.flux[which], self.peak[which], self.radius[which], self.saturated[which]
        )
