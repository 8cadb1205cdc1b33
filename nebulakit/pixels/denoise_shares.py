"""How much of other results is mixed into the second result of denoising, level by level.

What is best differs from picture to picture: where nearly all is noise, the second result shrunk by its gains once more;
beside sharp edges some of the first result; where texture is nowhere clear, some of the noisy plane. The error of a
mixture is expected without knowing the truth (Stein 1981, Ann. Statist. 9:1135): what it changes of the plane is known,
and so is how far it follows the noise, from a second run on a slightly noisier plane (Ramani, Blu & Unser 2008, IEEE TIP
17:1540). The least over mixtures is a small quadratic problem (Luisier, Blu & Unser 2007, IEEE TIP 16:593). All is told
on a few tiles, from the smoothest to the most structured.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import wavelets
from nebulakit.pixels.parallel import over
from nebulakit.pixels.shrinkage import SECOND, Share, inverse_variances, shrink

Plane = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Tile = tuple[slice, slice]
Bands = list[list[Plane]]  # of each level

_MIXED = 4  # so many of the finest levels: all six gain 0.00-0.02 dB more, and take a third longer
_TILES, SIDE = 12, 128  # px; half as many leave 0.01-0.02 dB
_NUDGE = 0.1  # so much noise is added, in sigma: 0.3 changes gains out of proportion (0.07 dB), little drowns in rounding
_WARY = 1.05  # noise variance is told within some 5 %; what is told too low, the noisy plane would bring back everywhere
_STEPS = 20  # shares are told to a twentieth: finer ones gain nothing
_ALLOWED = np.array([s for s in np.ndindex(*3 * [_STEPS + 1]) if sum(s) <= _STEPS]) / _STEPS


def find_shares(
    plane: Plane, variances: list[list[float]], power: Floats, factor: Floats, noise_map: Plane | None, seed: int
) -> list[Share]:
    """Give the shares of each level of a plane with noise of a power over frequency (``SIDE``, ``SIDE``).

    ``variances`` (level, band) are those that are reckoned with: of ``factor`` (level) times that noise.
    """
    tiles = _choose_tiles(plane)

    def of(i: int) -> Floats:
        there = None if noise_map is None else noise_map[tiles[i]]
        white = np.random.default_rng([seed, i]).standard_normal((SIDE, SIDE))
        probe = np.fft.ifft2(np.fft.fft2(white) * np.sqrt(power)).real.astype(np.float32)
        return _equations(plane[tiles[i]], variances[:_MIXED], factor[:_MIXED], there, probe)

    mixed = _least(np.sum(over(of, range(len(tiles))), axis=0)) if tiles else []
    return mixed + [SECOND] * (len(variances) - len(mixed))


def _choose_tiles(plane: Plane) -> list[Tile]:
    """Give tiles of a plane, evenly from the one with the least to the one with the most structure; none of a tiny one."""
    if min(plane.shape) < SIDE // 2:
        return []
    down, across = ([slice(at, at + SIDE) for at in range(0, max(1, n - SIDE + 1), SIDE)] for n in plane.shape)
    tiles = sorted(((y, x) for y in down for x in across), key=lambda tile: float(plane[tile][::4, ::4].std()))
    return [tiles[i] for i in np.unique(np.linspace(0, len(tiles) - 1, _TILES).round().astype(int))]


def _equations(tile: Plane, variances: list[list[float]], factor: Floats, noise_map: Plane | None, probe: Plane) -> Floats:
    """Give a tile's part in the normal equations (level, way, way or truth) of the shares.

    A way leads from the second result to another one; given are its products with the ways and with the way to the truth,
    where noise differs from place to place in units of it.
    """
    nudge = np.float32(_NUDGE) * probe[: tile.shape[0], : tile.shape[1]]
    if noise_map is not None:
        nudge *= noise_map
    inverse = inverse_variances(noise_map, len(variances))
    now, then = (_results(t, variances, inverse) for t in (tile, tile + nudge))
    if inverse[0] is not None:  # in units of the noise of each place: else corners with few frames speak for the whole
        even = np.sqrt(inverse[0])
        nudge *= even
        now, then = (results * even.ravel() for results in (now, then))
    ways = now[:, 1:] - now[:, :1]
    moved = then[:, 1:] - then[:, :1] - ways
    to_noisy = ways[:, -1].sum(0)
    ways, moved = (w.reshape(-1, tile.size) for w in (ways, moved))
    # the truth is the noisy plane less its noise, of which a way holds as much as it follows the nudge
    held = moved @ nudge.ravel() / _NUDGE**2
    # all results know already that more noise is to be reckoned with; the noisy plane alone does not
    held *= np.ravel([[min(1.0, f**2), min(1.0, f**2), _WARY * f**2] for f in factor])
    return np.column_stack([ways @ ways.T, ways @ to_noisy - held])


def _results(plane: Plane, variances: list[list[float]], inverse: list[Plane | None]) -> Floats:
    """Give (level, kind, pixel) of the second result, that shrunk once more, the first result and the plane itself."""

    def shrunk(*parts: Bands) -> Bands:
        return [
            shrink(list(bands), variances[level], inverse[max(0, level - 1)], level)
            for level, bands in enumerate(zip(*parts, strict=True))
        ]

    low, noisy = wavelets.apart(plane, len(variances))
    _, first = wavelets.apart(wavelets.together(low, shrunk(noisy)), len(variances))
    second = shrunk(noisy, first)
    twice = [[_once_more(s, b) for s, b in zip(*bands, strict=True)] for bands in zip(second, noisy, strict=True)]
    # as planes, not as bands, which hold more: of what they are off by, a part is gone when they are put together
    kinds = enumerate(zip(second, twice, first, noisy, strict=True))
    return np.array([[_alone(bands, level, plane.shape).ravel() for bands in each] for level, each in kinds], np.float64)


def _alone(bands: list[Plane], level: int, shape: tuple[int, ...]) -> Plane:
    """Give what the bands of one level make of the plane."""
    plane = wavelets.level_back(None, bands, 2 if level else 1)
    for below in range(level - 1, -1, -1):
        if below:
            plane = wavelets.between(plane, tuple(-(-n // 2 ** (below - 1)) for n in shape))
        plane = wavelets.smooth_back(plane, 2 if below else 1)
    return plane


def _once_more(second: Plane, noisy: Plane) -> Plane:
    """Give a band shrunk by its gain once more."""
    gain = np.divide(second, noisy, out=np.zeros_like(noisy), where=noisy != 0)
    gain *= second
    return gain


def _least(equations: Floats) -> list[Share]:
    """Give the shares of each level that leave the least error."""
    square, towards = equations[:, :-1], equations[:, -1]
    n, found = _ALLOWED.shape[1], np.zeros(len(towards))
    for at in [slice(i, i + n) for i in range(0, len(towards), n)] * 2:  # levels hardly depend on each other
        own = square[at, at]
        left = towards[at] - square[at] @ found + own @ found[at]
        found[at] = _ALLOWED[int(np.argmin(np.einsum("ij,jk,ik->i", _ALLOWED, own, _ALLOWED) - 2 * _ALLOWED @ left))]
    return [(twice, first, noisy) for twice, first, noisy in found.reshape(-1, n).tolist()]
