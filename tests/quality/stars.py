"""Parting stars and nebula against scenes whose nebula is known: the figures of every kind of night.

    python -m tests.quality.stars [--shared] [--mixed] [--crowded] [--fast] [--stretched [--before]]

Scenes are the project's own, and with ``--shared`` also those of the made scenes that lie beside the project, with ``--mixed``
ten of these under conditions drawn at random, with ``--crowded`` the same ten full of stars; with ``--stretched`` smaller ones
under curves instead (see ``stretched``). Per scene:
error in the stars' footprints (rms and 99th percentile, in noise sigma), grain and 3-12 px structure there against the
truth's, bias, error outside against what untouched faint wings leave, how far the [O III] line unmixed from the nebula
differs between a footprint and its rim (median over footprints, in sigma of the line), seconds of one processor.
"""

from __future__ import annotations

import argparse
import time
from typing import Any, NamedTuple

import numpy as np
from scipy import ndimage as ndi

from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.pixels.rectangle import largest_rectangle
from nebulakit.pixels.stars.separate import separate
from tests.quality import beside
from tests.quality.lines import other_sensor


class Truth(NamedTuple):
    """A well-covered cut of a scene: what was seen, and what it was made of."""

    stack: np.ndarray
    coverage: np.ndarray
    nebula: np.ndarray
    sky: np.ndarray
    stars: np.ndarray
    noise: np.ndarray
    sigma: np.ndarray
    sensor: np.ndarray


def cut(parts: dict[str, Any], sensor: Any) -> Truth:
    """Cut the well-covered box out of a scene."""
    cover = parts["coverage"]
    box = largest_rectangle(cover >= np.float32(0.85 * cover.max()))
    assert box is not None
    part = {k: np.ascontiguousarray(v[..., box.y0 : box.y0 + box.height, box.x0 : box.x0 + box.width]) for k, v in parts.items()}
    sigma = np.median(part["sigma"], (1, 2))[:, None, None]
    noise = part["stack"] - part["clean"]
    return Truth(part["stack"], part["coverage"], part["nebula"], part["sky"], part["stars"], noise, sigma, np.asarray(sensor))


KEYS = ("stack", "coverage", "nebula", "sky", "stars", "clean", "sigma")


def own(shape: tuple[int, int] = (700, 900), **conditions: Any) -> Truth:
    """Make a scene of the project's own kind."""
    scene = make_scene(shape=shape, **conditions)
    return cut({k: getattr(scene, k) for k in KEYS}, scene.sensor)


OWN: dict[str, dict[str, Any]] = {
    "cove": {"seed": 1, "nebula": "cove"},
    "bubble, narrow, ghosts": {"seed": 2, "nebula": "bubble", "fwhm": 2.3, "white": 0.8, "reflection": 0.006},
    "fans, wide, oval": {"seed": 3, "nebula": "fans", "fwhm": 4.2, "beta": 2.6, "oval": 0.15},
    "veil, white noise": {"seed": 4, "nebula": "veil", "widths": (1.1, 1.0, 1.04), "resampling": 0.0},
    "lantern, crowded": {"seed": 5, "nebula": "lantern", "stars": 2500, "halo": 0.008},
}

MADE: dict[str, dict[str, Any]] = {
    "shell, narrow": {"seed": 21, "nebula": "shell", "fwhm": 2.2, "beta": 3.5, "white": 0.8, "gradient": "bowl"},
    "ridges, wide": {"seed": 22, "nebula": "ridges", "fwhm": 4.5, "beta": 2.5, "white": 0.7, "halo": 0.006, "halo_scale": 22.0},
    "lobes, ghosts": {"seed": 23, "nebula": "lobes", "reflection": 0.008, "white": 0.75, "widths": (1.1, 1.0, 1.05)},
    "wall, oval": {"seed": 24, "nebula": "wall", "oval": 0.25, "fwhm": 3.2, "beta": 4.5, "frames": 900, "resample_blur": 0.9},
    "wide, white noise": {"seed": 25, "nebula": "wide", "resample_blur": 0.0, "fwhm": 2.7, "beta": 2.8, "reflection": 0.005},
    "ridges, two nights": {"seed": 26, "nebula": "ridges", "second_night": 60.0, "rotation": 25.0, "oval": 0.12, "fwhm": 3.6},
    "wall, many bright": {"seed": 27, "nebula": "wall", "bright": 25, "white": 0.9, "reflection": 0.01, "ha_peak": 0.003},
    "lobes, few frames": {"seed": 28, "nebula": "lobes", "stars": 2000, "frames": 400, "halo": 0.0},
}


def mixed(count: int = 10) -> dict[str, dict[str, Any]]:
    """Give conditions drawn at random: all kinds of nebula, seeing, halos, reflections, sensors, noise and nights."""
    rng = np.random.default_rng(20261126)
    out: dict[str, dict[str, Any]] = {}
    for i in range(count):
        nebula = ("shell", "ridges", "lobes", "wall", "wide")[i % 5]
        sensor = other_sensor(rng)
        out[f"{i} {nebula}"] = {
            "seed": 100 + i,
            "nebula": nebula,
            "gradient": str(rng.choice(["tilt", "bowl", "corner"])),
            "fwhm": float(rng.uniform(2.2, 4.5)),
            "beta": float(rng.uniform(2.5, 4.5)),
            "halo": float(rng.choice([0, 0.002, 0.004, 0.008])),
            "halo_scale": float(rng.uniform(18, 36)),
            "oval": float(rng.uniform(0, 0.25)),
            "widths": tuple(float(v) for v in rng.uniform(0.95, 1.1, 3)),
            "reflection": float(rng.choice([0, 0, 0.004, 0.008])),
            "white": float(rng.uniform(0.7, 1)),
            "resample_blur": float(rng.choice([0, 0.45, 0.45, 0.8])),
            "frames": int(rng.choice([500, 1500, 3000])),
            "second_night": float(rng.choice([0, 0, 0, 50])),
            "stars": int(rng.choice([800, 1200, 1200, 2000])),
            "sensor": tuple(map(tuple, sensor.tolist())),
        }
    return out


def made(shape: tuple[int, int] = (700, 900), **conditions: Any) -> Truth:
    """Make a scene of the kind that lies beside the project."""
    scene = beside.generator()
    built = scene.build(scene.Scene("own", shape=shape, **conditions))
    return cut({k: built[k] for k in KEYS}, built["scene"]["sensor"])


def spread(values: np.ndarray) -> float:
    """Give the robust standard deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def figures(truth: Truth, nebula: np.ndarray) -> dict[str, float]:
    """Compare a starless layer with the truth."""
    error = (nebula - truth.nebula - truth.sky) / truth.sigma
    foot = (truth.stars / truth.sigma).max(0) > 2
    ideal = truth.nebula + truth.noise

    def smooth(planes: np.ndarray, sigma: float) -> np.ndarray:
        return ndi.gaussian_filter(planes, (0, sigma, sigma))

    def grain(planes: np.ndarray) -> float:
        return spread((planes - smooth(planes, 1.0))[:, foot])

    def band(planes: np.ndarray) -> np.ndarray:
        return (smooth(planes, 1.5) - smooth(planes, 6.0))[:, foot]

    structure = [np.corrcoef(a, b)[0, 1] for a, b in zip(band(nebula), band(ideal), strict=True)]
    before = (truth.stack - truth.nebula - truth.sky) / truth.sigma
    return {
        "rms": float(np.sqrt((error[:, foot] ** 2).mean())),
        "p99": float(np.percentile(np.abs(error[:, foot]), 99)),
        "grain": grain(nebula) / grain(ideal),
        "structure": float(np.mean(structure)),
        "bias": float(np.median(error[:, foot])),
        "outside": float(np.sqrt((error[:, ~foot] ** 2).mean() / (before[:, ~foot] ** 2).mean())),
        "dots": dots(truth, nebula, foot),
    }


def dots(truth: Truth, nebula: np.ndarray, foot: np.ndarray) -> float:
    """Give the median over footprints of the [O III] line's mean inside less its mean on the rim, in sigma of the line."""
    unmix = np.linalg.pinv(truth.sensor / truth.sigma[:, :, 0])

    def oiii(planes: np.ndarray) -> np.ndarray:
        return np.tensordot(unmix, planes / truth.sigma, 1)[1]

    error = oiii(nebula - truth.nebula - truth.sky)
    labels, count = ndi.label(foot)
    if not count:
        return 0.0
    grown = np.where(foot, 0, ndi.grey_dilation(labels, size=9))
    index = np.arange(1, count + 1)
    there = np.bincount(grown.ravel(), minlength=count + 1)[1:] > 0
    inside, rim = ndi.mean(error, labels, index[there]), ndi.mean(error, grown, index[there])
    return float(np.median(inside - rim) / spread(oiii(truth.noise)))


def measure(truth: Truth) -> dict[str, float]:
    """Part a scene and give its figures; raises where the promises of the step are broken."""
    image = Image.from_array(truth.stack, coverage=truth.coverage).measured("noise", "white", "stars")
    assert image.noise is not None
    start = time.process_time()
    parted = separate(image.planes, image.noise, image.coverage, image.white, image.stars)
    seconds = time.process_time() - start
    if not np.array_equal(parted.nebula + parted.stars, truth.stack):
        raise AssertionError("nebula + stars is not what came in")
    if not np.array_equal(parted.nebula[:, ~parted.touched], truth.stack[:, ~parted.touched]):
        raise AssertionError("something changed outside the mask")
    return {**figures(truth, parted.nebula), "touched": float(parted.touched.mean()), "seconds": seconds}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shared", action="store_true", help="also the made scenes that lie beside the project")
    parser.add_argument("--mixed", action="store_true", help="also such scenes under conditions drawn at random")
    parser.add_argument("--crowded", action="store_true", help="also these with five times as many stars")
    parser.add_argument("--fast", action="store_true", help="only the first two scenes")
    parser.add_argument("--stretched", action="store_true", help="stretched pictures instead")
    parser.add_argument("--before", action="store_true", help="with --stretched: as where no curve can be told")
    given = parser.parse_args()
    if given.stretched:
        from tests.quality import stretched

        stretched.table(shared=given.shared, fast=given.fast, before=given.before)
        return
    rows = [(name, own, options) for name, options in OWN.items()]
    if given.shared:
        rows += [(name, made, options) for name, options in MADE.items()]
    if given.mixed:
        rows += [(name, made, options) for name, options in mixed().items()]
    if given.crowded:
        rows += [(f"{name}, crowded", made, options | {"stars": 6000, "bright": 6}) for name, options in mixed().items()]
    print(
        f"{'':24s} {'rms':>6s} {'p99':>6s} {'grain':>6s} {'struct':>6s} {'bias':>6s} {'outs':>6s} {'dots':>6s} {'share':>6s} {'s':>5s}"
    )
    for name, make, options in rows[:2] if given.fast else rows:
        row = measure(make(**options))
        values = [row[k] for k in ("rms", "p99", "grain", "structure", "bias", "outside", "dots", "touched")]
        print(f"{name:24s} " + " ".join(f"{v:6.2f}" for v in values) + f" {row['seconds']:5.1f}", flush=True)


if __name__ == "__main__":
    main()
