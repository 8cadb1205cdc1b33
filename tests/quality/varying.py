"""Parting stars whose image varies over the frame or has rays, as glass and mounts make it, from a nebula that is known.

    python -m tests.quality.varying [LAW ...]

The scenes are those that lie beside the project, but each star is drawn by itself. Per law, and for stars that are all alike:
the figures of ``stars`` (rms, 99th percentile and bias in noise sigma), and rms within half of the way to the corners and
beyond three quarters of it.
"""

from __future__ import annotations

import itertools
import sys
from typing import Any
from unittest import mock

import numpy as np
from scipy import signal

from nebulakit.image import Image
from nebulakit.pixels.stars.separate import separate
from tests.quality import beside
from tests.quality.stars import KEYS, Truth, cut, figures

LAWS: dict[str, dict[str, float]] = {
    "all alike": {},
    "bowl 30 %": {"bowl": 0.3},
    "bowl 60 %": {"bowl": 0.6},
    "drawn out 25 %": {"out": 0.25},
    "drawn out 50 %": {"out": 0.5},
    "tilt 25 %": {"tilt": 0.25},
    "turned 1.5 px": {"turn": 1.5},
    "flared": {"flare": 0.5},
    "bowl, out, tilt": {"bowl": 0.3, "out": 0.3, "tilt": 0.12},
    "trailed 0.7 widths": {"trail": 0.7},
    "trailed 1.2 widths": {"trail": 1.2},
    "rays": {"rays": 0.01},
    "faint rays": {"rays": 0.003},
    "six rays": {"rays": 0.01, "vanes": 3},
    "rays over 15": {"rays": 0.01, "smeared": 15},
    "rays over 35": {"rays": 0.01, "smeared": 35},
    "six rays over 20": {"rays": 0.01, "smeared": 20, "vanes": 3},
}
SCENES: tuple[dict[str, Any], ...] = (
    {"seed": 700, "nebula": "shell", "fwhm": 2.0, "frames": 1500},
    {"seed": 701, "nebula": "ridges", "fwhm": 3.0, "frames": 400},
    {"seed": 704, "nebula": "wall", "fwhm": 3.0, "frames": 1500, "stars": 4000},
    {"seed": 702, "nebula": "wall", "fwhm": 4.5, "frames": 1500, "stars": 4000},
)
SHAPE = (720, 960)
HALF = 40  # px to which a star is drawn
SEEN = 0.86  # of the half diagonal: the corners of what is cut out


def image(fwhm: float, beta: float, u: float, v: float, law: dict[str, float]) -> np.ndarray:
    """Give the image (sum 1) of a star at ``u``, ``v`` from the middle, 1 at the corners."""
    r = max(float(np.hypot(u, v)), 1e-9)
    along = np.array([u, v]) / r if u or v else np.array([1.0, 0.0])
    width = fwhm * (1 + law.get("bowl", 0) * r**2) * (1 + law.get("tilt", 0) * u * np.sqrt(2))
    dy, dx = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
    parts = [(1.0, 0.0, 0.0, 1.0)]  # share, px outwards and aside, times as wide
    if "turn" in law:
        parts = [(1 / 7, 0.0, law["turn"] * r * t, 1.0) for t in np.linspace(-0.5, 0.5, 7)]
    if "flare" in law:
        parts = [(s, law["flare"] * fwhm * r * t, 0.0, 1 + 0.25 * t * r) for s, t in ((0.5, -0.35), (0.3, 0.25), (0.2, 0.9))]
    trail = np.linspace(-0.5, 0.5, 9) * law["trail"] * fwhm if "trail" in law else np.zeros(1)
    total = np.zeros(dx.shape)
    for (share, out, aside, wider), trailed in itertools.product(parts, trail):
        x, y = dx - 0.4 * trailed - out * along[0] + aside * along[1], dy - 0.92 * trailed - out * along[1] - aside * along[0]
        far, across = (x * along[0] + y * along[1]) / (1 + law.get("out", 0) * r**2), x * along[1] - y * along[0]
        alpha = width * wider / (2 * np.sqrt(2 ** (1 / beta) - 1))
        one = (1 + (far**2 + across**2) / alpha**2) ** -beta
        total += share / len(trail) * one / one.sum()
    return total


def rays(fwhm: float, beta: float, law: dict[str, float]) -> np.ndarray:
    """Give the image (sum 1) of the rays alone: what narrow vanes scatter, smeared over as many degrees as the field turned."""
    half, long = 210, law.get("long", 80.0)
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    total, vanes = np.zeros(dx.shape), int(law.get("vanes", 2))
    for turned in np.linspace(0, law.get("smeared", 0.0), max(1, int(2 * law.get("smeared", 0.0)))):
        for k in range(vanes):
            angle = np.deg2rad(20 + turned + 180 * k / vanes)
            along, aside = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
            total += np.clip(1 - np.abs(aside) / 0.7, 0, 1) * np.sinc(along / long) ** 2
    total = np.clip(signal.fftconvolve(total, image(fwhm, beta, 0, 0, {}), "same"), 0, None)
    return np.asarray(total / total.sum())


def star_plane(law: dict[str, float]) -> Any:
    """Give what draws the stars of a scene by this law."""

    def draw(scene: Any, rng: np.random.Generator) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        h, w = scene.shape
        n = int(scene.stars * h * w / (900 * 1200))
        flux = np.minimum(0.02 * (1 - rng.random(n)) ** (-1 / 1.1), 25)
        flux[: scene.bright] = rng.uniform(25, 220, scene.bright)
        xs, ys, warm = rng.uniform(0, w, n), rng.uniform(0, h, n), rng.normal(0, 0.28, n)
        colours = np.stack([0.9 * np.exp(0.5 * warm), np.ones(n), 0.85 * np.exp(-0.5 * warm)], 1)
        pad, unit = HALF + 2, SEEN * np.hypot(h, w) / 2
        out, points = np.zeros((3, h + 2 * pad, w + 2 * pad)), np.zeros((3, h + 1, w + 1))
        for x, y, light in zip(xs, ys, flux[:, None] * colours, strict=True):
            one = image(scene.fwhm, scene.beta, (x - w / 2) / unit, (y - h / 2) / unit, law)
            fx, fy = x - int(x), y - int(y)
            for j, i, share in ((0, 0, (1 - fx) * (1 - fy)), (0, 1, fx * (1 - fy)), (1, 0, (1 - fx) * fy), (1, 1, fx * fy)):
                row, col = int(y) + j, int(x) + i
                box = np.s_[:, row + 2 : row + 2 * HALF + 3, col + 2 : col + 2 * HALF + 3]
                out[box] += (1 - scene.halo) * share * light[:, None, None] * one
                points[:, row, col] += share * light
        yy, xx = np.mgrid[-150:151, -150:151]
        halo = np.exp(-np.hypot(yy, xx) / scene.halo_scale)
        wide = [signal.fftconvolve(p[:h, :w], halo / halo.sum(), "same") for p in points]
        light, share = out[:, pad:-pad, pad:-pad] + scene.halo * np.stack(wide), law.get("rays", 0.0)
        if share:
            thin = rays(scene.fwhm, scene.beta, law)
            light = (1 - share) * light + share * np.stack([signal.fftconvolve(p[:h, :w], thin, "same") for p in points])
        return np.clip(light, 0, None), {"x": xs, "y": ys, "flux": flux}

    return draw


def made(law: dict[str, float], **conditions: Any) -> Truth:
    """Make a scene whose stars follow a law."""
    generator = beside.generator()
    with mock.patch.object(generator, "star_plane", star_plane(law)):
        built = generator.build(generator.Scene("varying", shape=SHAPE, rotation=12.0, **conditions))
    return cut({k: built[k] for k in KEYS}, built["scene"]["sensor"])


def measure(truth: Truth) -> dict[str, float]:
    """Part a scene and give its figures."""
    found = Image.from_array(truth.stack, coverage=truth.coverage).measured("noise", "white", "stars")
    assert found.noise is not None
    nebula = separate(found.planes, found.noise, found.coverage, found.white, found.stars).nebula
    error, foot = (nebula - truth.nebula - truth.sky) / truth.sigma, (truth.stars / truth.sigma).max(0) > 2
    h, w = foot.shape
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    far = np.hypot(y * h, x * w) / np.hypot(h, w)
    within = {"middle": far < 0.5, "corners": far > 0.75}
    return figures(truth, nebula) | {k: float(np.sqrt((error[:, foot & v] ** 2).mean())) for k, v in within.items()}


def main() -> None:
    """Print the table."""
    print(f"{'':16s} {'':18s} {'rms':>7s} {'p99':>6s} {'bias':>6s} {'middle':>7s} {'corners':>7s}")
    for name in sys.argv[1:] or LAWS:
        for conditions in SCENES:
            row = measure(made(LAWS[name], **conditions))
            kind = f"{conditions['nebula']} {conditions['fwhm']} px"
            print(
                f"{name:16s} {kind:18s} {row['rms']:7.2f} {row['p99']:6.1f} {row['bias']:6.2f} {row['middle']:7.2f} {row['corners']:7.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
