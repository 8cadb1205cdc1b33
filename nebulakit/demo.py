"""An invented nebula at an invented place, made from the physics, with its whole truth kept.

A star of far-ultraviolet light stands in turbulent gas. Along every ray it ionises the gas until its photons are used up
(recombinations go as density squared), so bright rims, pillars with shadows and blown-open sides come about by
themselves; H-alpha shines where hydrogen is ionised, [O III] only in the inner part where the light is still hard.
Then: seeing, a colour sensor behind a dual-band filter, stars with halos, skyglow, frames that turn during the night,
photon and read noise, resampling. Seeded: the same call gives the same pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image
from nebulakit.pixels.facts import StarList

Planes = npt.NDArray[np.float32]
Kind = Literal["cove", "bubble", "fans", "veil", "lantern", "ember", "none"]
"""cove: a cavity blown into a cloud that fills half the frame. bubble: a shell with knots and free sky around it. fans: two
lobes. veil: gas over the whole frame. lantern: a small shell in which [O III] wins. ember: no [O III]. none: no nebula."""

TYPICAL = ((0.96, 0.030), (0.060, 0.780), (0.022, 0.620))


@dataclass(frozen=True)
class Conditions:
    """The night and the camera. 1.0 is the level at which a pixel is full; lengths in px, densities per million pixels."""

    ha_peak: float = 0.0018  # 99.9 % quantile of each line
    oiii_peak: float | None = None  # None: a third of H-alpha's, three times it where [O III] wins
    dust: float = 0.0  # peak of starlight scattered by dust, seen in all channels
    stars: int = 1200  # per million pixels
    bright: int = 10  # of these, stars that fill their pixels, per million pixels (at least two)
    fwhm: float = 3.0
    beta: float = 3.2  # of the Moffat law
    oval: float = 0.0  # 1 - short axis / long axis
    widths: tuple[float, float, float] = (1.0, 1.0, 1.0)  # star width per channel over fwhm
    halo: float = 0.004  # share of a star's light in its wide halo
    halo_scale: float = 9.0  # e-folding radius of the halo, in fwhm
    reflection: float = 0.0  # share of a bright star's light in a disc beside it, green and blue only
    white: float = 1.0  # level at which stars are cut off
    sky: tuple[float, float, float] = (0.020, 0.012, 0.013)
    glow: float = 0.4  # how much brighter the sky is on the lamps' side, relative to its level
    tint: float = 0.15  # how much the glow differs in shape between the channels
    frames: int = 1500
    electrons: float = 18000.0  # in a full pixel
    read_noise: float = 1.5  # electrons per frame
    rotation: float = 35.0  # degrees the field turns during the night
    second_night: float = 0.0  # degrees between this night's turn and another's; 0 means one night
    dither: float = 0.012  # of the short side
    resampling: float = 1.0  # noise correlation: 0 none, 1 as bilinear resampling leaves it, up to 1.5
    sensor: tuple[tuple[float, float], tuple[float, float], tuple[float, float]] = TYPICAL  # rows R G B, columns H-alpha, [O III]
    empty: float = 0.0  # the value where no frame lies; NaN is possible


@dataclass(frozen=True, eq=False)
class Scene:
    """A stack and its truth, float32, (channel, y, x) or (y, x); lines, nebula and stars are seen through the seeing.

    ``sigma`` is the true standard deviation of the noise of each pixel of ``stack``; ``starless`` is what the same night
    would have given without stars and sky. ``catalogue`` lists all stars, the brightest first.
    """

    stack: Planes
    coverage: Planes
    ha: Planes
    oiii: Planes
    dust: Planes
    nebula: Planes
    stars: Planes
    sky: Planes
    clean: Planes
    sigma: Planes
    starless: Planes
    catalogue: StarList
    kind: Kind
    seed: int
    conditions: Conditions

    @property
    def sensor(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """The sensor's response to the two lines: rows red, green, blue; columns H-alpha, [O III]."""
        return self.conditions.sensor

    def image(self, **facts: Any) -> Image:
        """Give the stack as an :class:`Image` with its coverage and a header; ``facts`` are further fields of it."""
        return Image.from_array(self.stack, **{"coverage": self.coverage, "header": self.header(), **facts})

    def header(self) -> Any:
        """Give the FITS header such a stack might have: what, how long, and a sky position (invented)."""
        from astropy.io.fits import Header

        h, w = self.coverage.shape
        cards: dict[str, Any] = {"OBJECT": f"invented nebula ({self.kind})", "EXPTIME": 10.0, "STACKCNT": self.conditions.frames}
        cards |= {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 318.0, "CRVAL2": 41.0, "CUNIT1": "deg", "CUNIT2": "deg"}
        cards |= {"CRPIX1": (w + 1) / 2, "CRPIX2": (h + 1) / 2, "CDELT1": -6.6e-4, "CDELT2": 6.6e-4}
        return Header(cards)


def make_scene(seed: int = 7, shape: tuple[int, int] = (800, 1200), nebula: Kind = "cove", **conditions: Any) -> Scene:
    """Make a scene: ``nebula`` says of which kind, ``conditions`` are the fields of :class:`Conditions`.

    Nebula, stars, sky, frames and noise draw from streams of their own, so that changing one thing (the exposure, the
    seeing) leaves the rest alone. Shapes scale with ``shape``, star counts with its area.

    >>> scene = make_scene(seed=3, shape=(60, 80), nebula="bubble")
    >>> scene.stack.shape, scene.coverage.shape, scene.stack.dtype
    ((3, 60, 80), (60, 80), dtype('float32'))
    """
    import cv2

    night = Conditions(**conditions)
    stream = [np.random.default_rng([seed, k]) for k in range(5)]
    ha, oiii, dust = (seen(p, night) for p in gas(shape, nebula, night, stream[0]))
    light = np.asarray(night.sensor, np.float32)[:, :, None, None] * np.stack([ha, oiii])
    neb = light.sum(1) + dust * np.array([0.9, 1.0, 0.9], np.float32)[:, None, None]
    sky = skyglow(shape, night, stream[2])
    coverage = turned_frames(shape, night, stream[3])
    stars, drawn = star_field(shape, night, stream[1])

    def variance(level: Planes) -> Planes:
        return np.asarray(
            (level * night.electrons + night.read_noise**2) / (np.maximum(coverage, 1) * night.electrons**2), np.float32
        )

    # bilinear resampling at random sub-pixel shifts leaves an autocorrelation of 1/6, 2/3, 1/6 along each axis,
    # which this two-tap filter has as well
    b = 0.5 - math.sqrt(max(0.25 - night.resampling / 6, 0.0))
    taps = np.array([b, 1 - b, 0])
    unit = stream[4].standard_normal((3, *shape), dtype=np.float32)

    def noise(level: Planes) -> Planes:
        return np.stack([cv2.sepFilter2D(u * s, -1, taps, taps) for u, s in zip(unit, np.sqrt(variance(level)), strict=True)])

    clean = np.minimum(neb + stars + sky, np.float32(night.white))
    there = coverage > 0
    sigma = np.sqrt(variance(clean)) * np.float32((taps**2).sum())
    starless = np.where(there, neb + noise(neb + sky), np.float32(night.empty))
    stack = np.where(there, clean + noise(clean), np.float32(night.empty))
    peak = drawn["peak"].max(1) + np.mean(night.sky)
    catalogue = StarList(
        drawn["x"],
        drawn["y"],
        drawn["flux"].sum(1),
        drawn["peak"].sum(1),
        _reach(drawn, night, float(np.median(sigma))),
        peak >= night.white,
    )
    return Scene(stack, coverage, ha, oiii, dust, neb, stars, sky, clean, sigma, starless, catalogue, nebula, seed, night)


def gas(shape: tuple[int, int], kind: Kind, night: Conditions, rng: np.random.Generator) -> tuple[Planes, Planes, Planes]:
    """Give H-alpha, [O III] and dust of the nebula before the seeing."""
    h, w = shape
    side = min(shape)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    cx, cy = (w / 2 + side * rng.uniform(-0.05, 0.05), h / 2 + side * rng.uniform(-0.05, 0.05))
    turn = rng.uniform(0, 2 * math.pi)
    u, v = (x - np.float32(cx)) / side, (y - np.float32(cy)) / side
    p = u * math.cos(turn) + v * math.sin(turn)
    q = v * math.cos(turn) - u * math.sin(turn)
    rough, clumps, lanes, wisps = (turbulence(shape, rng, slope) for slope in (3.2, 2.5, 3.0, 2.8))
    r = np.hypot(u, v) * np.exp(0.13 * rough)
    swirl = np.exp(0.55 * clumps + 0.25 * wisps)
    reach, hard, thin = 0.3, 0.55, 0.0
    skin: Any = 0.0
    if kind == "none":
        nothing = np.zeros(shape, np.float32)
        return nothing, nothing, nothing
    if kind == "cove":
        face = p + 0.09 * rough + 0.10 - 0.22 * np.exp(-((q / 0.3) ** 2))
        cloud = _soft(face, 0.03)
        # gas streams off the face into the open
        density = cloud * swirl + 0.22 * np.exp(np.minimum(face, 0) / 0.13) * np.exp(0.4 * wisps + 0.2 * clumps) + 0.004
        skin = 0.10 * cloud * swirl  # the near side of the cloud, lit from elsewhere
        reach, hard, thin = 0.36, 0.45, 0.6
    elif kind == "bubble":
        knots = np.exp(1.1 * np.maximum(clumps, 0))
        density = 0.22 * swirl * _soft(0.34 - r, 0.02) + knots * np.exp(-(((r - 0.30) / 0.035) ** 2))
        reach, hard = 0.34, 0.22
    elif kind == "fans":
        ring = np.exp(-((p / (0.03 + 0.25 * np.abs(q))) ** 2))  # a dense waist that shades the plane across the axis
        wall = np.exp(-(((np.hypot(p * 0.8, q * 1.9) * np.exp(0.1 * rough) - 0.27) / 0.04) ** 2))
        density = (0.25 * swirl + 1.1 * wall * swirl) * _soft(0.38 - np.hypot(p * 0.8, q * 1.7), 0.02) + 2.5 * ring * _soft(
            0.14 - r, 0.015
        )
        reach, hard = 0.36, 0.40
    elif kind == "veil":
        density = 0.45 * swirl + 0.8 * np.exp(-2.5 * np.abs(wisps)) + 0.25
        reach, hard = 2.6, 0.006
        skin = 0.12 * (1 + np.tanh(lanes))
    elif kind == "lantern":
        density = (0.45 * np.exp(0.25 * clumps) + np.exp(-(((r - 0.15) / 0.025) ** 2))) * _soft(0.19 - r, 0.012)
        reach, hard = 0.20, 0.6
    else:  # ember
        density = np.exp(-((r / 0.33) ** 2)) * swirl + 0.02
        reach, hard = 0.30, 0.0
    ha, oiii = ionised(density.astype(np.float32), (cx, cy), reach * side, hard, thin)
    ha = ha + skin
    shade = 1 - 0.6 * _soft(lanes - 1.2 + 0.2 * wisps, 0.12)  # cool dust in front of both lines
    ha, oiii = ha * shade, oiii * shade
    dust = density * np.exp(-((r / 0.5) ** 2))
    peak = night.oiii_peak if night.oiii_peak is not None else night.ha_peak * (3 if kind == "lantern" else 1 / 3)
    return _scaled(ha, night.ha_peak), _scaled(oiii, peak if hard else 0.0), _scaled(dust, night.dust)


def ionised(density: Planes, star: tuple[float, float], reach: float, hard: float, thin: float = 0.0) -> tuple[Planes, Planes]:
    """Give the H-alpha and [O III] light of gas around a star at ``star`` (x, y).

    Photons of the star are used up as density squared times distance squared; the typical ray ends at ``reach`` px.
    O++ lives where less than the share ``hard`` of them is used up. Thin gas is hotter and shines more in [O III] for its
    H-alpha: by the power ``thin`` of the density.
    """
    import cv2

    h, w = density.shape
    radii = math.ceil(max(math.hypot(cx, cy) for cx in (star[0], w - star[0]) for cy in (star[1], h - star[1]))) + 2
    angles = max(64, int(2.5 * max(h, w)))
    polar = cv2.warpPolar(density, (radii, angles), star, radii, cv2.INTER_LINEAR | cv2.WARP_FILL_OUTLIERS)
    used = np.cumsum(polar**2 * (np.arange(radii, dtype=np.float32) + 0.5) ** 2, axis=1)
    supply = float(np.median(used[:, min(round(reach), radii - 1)]))
    used /= np.float32(max(supply, 1e-12))
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    along = np.hypot(x - np.float32(star[0]), y - np.float32(star[1]))
    row = (
        np.mod(np.arctan2(y - np.float32(star[1]), x - np.float32(star[0])), np.float32(2 * math.pi))
        * np.float32(angles / (2 * math.pi))
        + 1
    )
    wrapped = np.concatenate([used[-1:], used, used[:1]])
    spent = cv2.remap(wrapped, along, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    shine = density**2
    ha = shine * _soft(1.0 - spent, 0.12)
    hot = shine * np.maximum(density, np.float32(1e-6)) ** np.float32(-thin) if thin else shine
    oiii = hot * _soft(hard - spent, 0.15 * hard) if hard else np.zeros_like(ha)
    return ha, oiii


def turbulence(shape: tuple[int, int], rng: np.random.Generator, slope: float) -> Planes:
    """Give a Gaussian field with a power-law spectrum, mean 0 and deviation 1, without structure wider than the frame."""
    from scipy import fft

    size = [fft.next_fast_len(n + n // 8, real=True) for n in shape]  # a margin, so that opposite edges do not match
    ky = fft.fftfreq(size[0])[:, None].astype(np.float32)
    kx = fft.rfftfreq(size[1])[None, :].astype(np.float32)
    k2 = ky**2 + kx**2
    k2[0, 0] = 1
    power = (k2 + np.float32((1.5 / min(shape)) ** 2)) ** np.float32(-slope / 4)
    power[0, 0] = 0
    phase = rng.random(k2.shape, dtype=np.float32) * np.float32(2 * math.pi)
    field = fft.irfft2(power * (np.cos(phase) + 1j * np.sin(phase)), s=size)[: shape[0], : shape[1]]
    field -= field.mean()
    return np.asarray(field / field.std(), np.float32)


def seen(plane: Planes, night: Conditions) -> Planes:
    """Blur by the seeing: gas is seen through the same air as stars, so by their image, wings and all (their halo is the glass's).

    A Gaussian of the same width would not do: sharpening goes by the stars, and would take back wings that are not there.
    """
    import cv2

    r = math.ceil(8 * night.fwhm)  # 0.1 % of the light goes further where wings are as strong as usual
    star = np.zeros((2 * r + 1, 2 * r + 1), np.float32)
    _add_star(star, r, r, 1.0, night.fwhm, night.beta, night.oval, r)
    # transforms leave traces below 0 beside bright light
    return np.asarray(np.maximum(cv2.filter2D(plane, -1, star / star.sum(), borderType=cv2.BORDER_REFLECT), 0), np.float32)


def skyglow(shape: tuple[int, int], night: Conditions, rng: np.random.Generator) -> Planes:
    """Give the sky of each channel: lamps below one side, a little more of a broad second source, each in its own colour."""
    y, x = np.meshgrid(
        np.linspace(-1, 1, shape[0], dtype=np.float32), np.linspace(-1, 1, shape[1], dtype=np.float32), indexing="ij"
    )
    side = rng.uniform(0, 2 * math.pi)
    towards = (x * math.cos(side) + y * math.sin(side)) / math.sqrt(2)
    lamps = np.exp(1.2 * towards)
    planes = []
    for level in night.sky:
        other = rng.uniform(0, 2 * math.pi)
        broad = ((x - 0.6 * math.cos(other)) ** 2 + (y - 0.6 * math.sin(other)) ** 2) / 2
        glow = lamps + night.tint * rng.uniform(0.6, 1.4) * broad
        planes.append(level * (1 + night.glow * rng.uniform(0.8, 1.2) * (glow - glow.mean())))
    return np.stack(planes).astype(np.float32)


def turned_frames(shape: tuple[int, int], night: Conditions, rng: np.random.Generator) -> Planes:
    """Count the frames over each pixel: a rectangle that turns about the middle and is dithered."""
    import cv2

    h, w = shape
    steps = 48
    turns = np.linspace(-night.rotation / 2, night.rotation / 2, steps)
    if night.second_night:
        turns = np.concatenate([turns[::2] - night.second_night / 2, turns[::2] + night.second_night / 2])
    count = np.zeros(shape, np.float32)
    for turn in np.deg2rad(turns):
        cx, cy = np.array([w - 1, h - 1]) / 2 + rng.normal(0, night.dither * min(shape), 2)
        c, s = math.cos(turn), math.sin(turn)
        sides = ((-0.47 * w, -0.47 * h), (0.47 * w, -0.47 * h), (0.47 * w, 0.47 * h), (-0.47 * w, 0.47 * h))
        corners = [(cx + c * a - s * b, cy + s * a + c * b) for a, b in sides]
        frame = np.zeros(shape, np.uint8)
        cv2.fillConvexPoly(frame, np.round(corners).astype(np.int32), 1)
        count += frame
    return np.round(count / len(turns) * night.frames).astype(np.float32)


def star_field(
    shape: tuple[int, int], night: Conditions, rng: np.random.Generator
) -> tuple[Planes, dict[str, npt.NDArray[np.float64]]]:
    """Give the light of the stars (3, y, x) and where they are, the brightest first; they may lie outside the frame."""
    import cv2

    h, w = shape
    margin = 10 * night.fwhm
    area = (h + 2 * margin) * (w + 2 * margin) / 1e6
    n_bright = max(2, round(night.bright * area)) if night.bright else 0
    n = max(round(night.stars * area) - n_bright, 0)
    flux = np.minimum(0.015 * (1 - rng.random(n)) ** (-1 / 1.05), 12 * night.white)  # counts double per half magnitude or so
    flux = np.concatenate([rng.uniform(20, 200, n_bright) * night.white, flux])
    x = np.concatenate([rng.uniform(0, w - 1, n_bright), rng.uniform(-margin, w + margin, n)])
    y = np.concatenate([rng.uniform(0, h - 1, n_bright), rng.uniform(-margin, h + margin, n)])
    warmth = rng.normal(0, 0.3, n + n_bright)
    colour = np.array([0.9, 1.0, 0.85]) * np.exp(np.outer(warmth, [0.5, 0.0, -0.5]))
    light = flux[:, None] * colour
    rank = np.argsort(-light.sum(1), kind="stable")
    x, y, light = x[rank], y[rank], light[rank]

    out = np.zeros((3, *shape), np.float32)
    tops = np.zeros_like(light)
    a = night.fwhm / 2 / math.sqrt(2 ** (1 / night.beta) - 1)
    wide = 60 * night.fwhm
    for c, width in enumerate(night.widths):
        grid = np.zeros((h + 2, w + 2), np.float32)
        for i in range(len(x)):
            tops[i, c] = light[i, c] * (1 - night.halo) * moffat_top(night.fwhm * width, night.beta)
            # drawn until its light falls far below the noise
            core = min(wide, 2 + a * width * max(tops[i, c] / 5e-7, 1) ** (0.5 / night.beta))
            _add_star(out[c], x[i], y[i], light[i, c] * (1 - night.halo), night.fwhm * width, night.beta, night.oval, core)
            xi, yi = round(float(x[i])), round(float(y[i]))
            if -1 <= xi <= w and -1 <= yi <= h:
                grid[yi + 1, xi + 1] += light[i, c] * night.halo
        if night.halo:
            scale = night.halo_scale * night.fwhm
            r = round(7 * scale)
            k = np.exp(-np.hypot(*np.mgrid[-r : r + 1, -r : r + 1]) / scale).astype(np.float32)
            out[c] += np.maximum(cv2.filter2D(grid, -1, k / k.sum(), borderType=cv2.BORDER_CONSTANT)[1:-1, 1:-1], 0)
    if night.reflection:
        radius, dx, dy = 8 * night.fwhm, 1.4 * night.fwhm, -1.1 * night.fwhm
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        for i in np.flatnonzero(light.max(1) >= 20 * night.white).tolist():
            disc = _soft(radius - np.hypot(xx - np.float32(x[i] + dx), yy - np.float32(y[i] + dy)), 0.4 * night.fwhm)
            for c, share in ((1, 0.6), (2, 1.0)):
                out[c] += disc * np.float32(night.reflection * share * light[i, c] / (math.pi * radius**2))
    return out, {"x": x, "y": y, "flux": light, "peak": tops}


def moffat_top(fwhm: float, beta: float) -> float:
    """Give the peak of a Moffat star of flux 1."""
    a2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    return (beta - 1) / (math.pi * a2)


def _add_star(plane: Planes, x: float, y: float, flux: float, fwhm: float, beta: float, oval: float, reach: float) -> None:
    """Add one Moffat star to a plane, at its exact place, out to ``reach`` px."""
    h, w = plane.shape
    x0, x1 = max(0, math.ceil(x - reach)), min(w, math.floor(x + reach) + 1)
    y0, y1 = max(0, math.ceil(y - reach)), min(h, math.floor(y + reach) + 1)
    if x0 >= x1 or y0 >= y1:
        return
    u = np.arange(x0, x1, dtype=np.float32)[None, :] - np.float32(x)
    v = np.arange(y0, y1, dtype=np.float32)[:, None] - np.float32(y)
    a2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    if oval:  # trailed along a diagonal, the area kept
        k = math.sqrt(1 - oval)
        u, v = (u + v) * np.float32(math.sqrt(0.5 * k)), (v - u) * np.float32(math.sqrt(0.5 / k))
    q = 1 + (u**2 + v**2) / np.float32(a2)
    plane[y0:y1, x0:x1] += np.float32(flux * moffat_top(fwhm, beta)) * np.power(q, np.float32(-beta))


def _reach(drawn: dict[str, npt.NDArray[np.float64]], night: Conditions, sigma: float) -> npt.NDArray[np.float64]:
    """Give the radius at which each star's core sinks under half a sigma (at least one fwhm)."""
    a = night.fwhm / 2 / math.sqrt(2 ** (1 / night.beta) - 1)
    over = np.maximum(drawn["peak"].max(1) / (0.5 * max(sigma, 1e-12)), 1)
    return np.asarray(np.maximum(a * np.sqrt(over ** (1 / night.beta) - 1), night.fwhm))


def _soft(x: Any, width: float) -> Any:
    """A step from 0 to 1 at x = 0, soft over ``width``."""
    return 0.5 + 0.5 * np.tanh(x / np.float32(2 * width))


def _scaled(plane: Planes, peak: float) -> Planes:
    """Bring the brightest thousandth to ``peak``."""
    top = float(np.percentile(plane, 99.9))
    return np.asarray(plane * np.float32(peak / top if top > 0 else 0.0), np.float32)


def write_scene(scene: Scene, folder: Path) -> tuple[Path, Path]:
    """Write a scene into ``folder``: stack.fits, coverage.fits, and the truth of lines, stars and sky in truth/.

    Gives the paths of the stack and of its coverage map.
    """
    from nebulakit import files

    facts = {"header": scene.header()}
    truth = folder / "truth"
    truth.mkdir(parents=True, exist_ok=True)
    stack, coverage = folder / "stack.fits", folder / "coverage.fits"
    files.write(Image.from_array(scene.stack, **facts), stack)
    files.write(Image.from_array(scene.coverage, channels=("grey",), **facts), coverage)
    for name, channel in (("ha", ("ha",)), ("oiii", ("oiii",)), ("nebula", None), ("stars", None), ("sky", None)):
        files.write(Image.from_array(getattr(scene, name), channels=channel, **facts), truth / f"{name}.fits")
    return stack, coverage
