"""How right stretch and colour are: `python -m tests.quality.tone [--made N] [--shared N]` prints a table.

Scenes are invented by the project's own generator and, where it lies beside the project, by the one in ../shared/score
(its real nebula too). What is stretched is the starless nebula with the noise of the night, the sky at zero; for pictures
the lines are unmixed with the true sensor, denoised as the recipes do it, and balanced by the step's defaults; the curve is
the recipe's. Columns:

sky     how far, beyond chance, the sky's level is off its target, % of it, worst of red, green, blue and of both curves (goal 1; only
        where a thousandth of the frame holds less nebula than a hundredth of the noise)
hue     turn of the hue by the stretch, degrees, 99th percentile over light above 5 sigma outside highlights (goal 1)
cut     share of pixels with a channel at 0 or 1, %, worst of stretched colour and bicolour picture (goal 0.5)
look    mean CIEDE2000 between the picture and that from a third and from three times the exposure, the worse (goal 3)
calm    the same after both were smoothed by 4 px: what is left of it without the grain, which differs between nights
lit     share of the frame, %, on which the next is judged: H-alpha above 5 sigma, [O III] above 2
truth   rank correlation of (B - R)/(B + R) of the picture with the true [O III]/H-alpha (goal 0.9 or 0.02 under the next)
limit   that of the denoised lines' plain ratio: where the gas has one ratio all over, noise alone ranks it
dark    level of the picture where H-alpha is truly darkest, 5 % of the frame (goal 0.06-0.15)
tint    range of the sky's medians in red, green and blue of the picture (goal 0.01; where there is sky)
gain    turn of a hue by `saturate`, degrees, largest over all colours (goal 0.1), inf where it leaves the gamut
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit import steps
from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.pixels import colour
from nebulakit.pixels.noise import measure_noise
from tests.quality import beside

GOALS = {"sky": 1.0, "hue": 1.0, "cut": 0.5, "look": 3.0, "truth": 0.9, "tint": 0.01, "gain": 0.1}
DARK = 0.06, 0.15
CONTRAST = ((0.12, 0.115), (0.5, 0.53), (0.85, 0.88))
KINDS = ("cove", "bubble", "fans", "veil", "lantern")


def turn(one: Any, other: Any) -> Any:
    return np.abs((np.degrees(one - other) + 180) % 360 - 180)


def hue(lab: Any) -> Any:
    return np.arctan2(lab[2], lab[1])


def picture_of(planes: Any, sensor: Any, sigma: Any) -> tuple[Image, Any]:
    """Unmix with the true sensor, weighted by the noise; then the steps of the recipe up to the picture.

    Also the lines' ratio before the stretch.
    """
    unmix = np.linalg.pinv(np.asarray(sensor) / np.asarray(sigma)[:, None]) / np.asarray(sigma)
    found = []
    for name, row in zip(("ha", "oiii"), unmix, strict=True):
        plane = np.tensordot(row, planes, 1).astype(np.float32)[None]
        line = Image(plane, (name,), content="starless", sky=(0.0,), noise=measure_noise(plane), fwhm=3.0)
        found.append(steps.denoise_wavelet(line, strength=1.5))  # as the recipe does
    ha, oiii = steps.balance_lines(*found)
    picture = steps.limit_tint(steps.bicolour(steps.stretch_asinh(ha), steps.stretch_asinh(oiii, ha)))
    picture = steps.curve(picture, points=CONTRAST, darkest="auto")
    return picture, oiii.planes[0] / np.maximum(ha.planes[0], 1e-9)


def figures(night: Any) -> dict[str, float]:
    """Measure one scene: ``night(exposure)`` gives planes, nebula, ha, oiii, sensor and sigma of a night that long."""
    from scipy import ndimage, stats

    planes, nebula, ha, oiii, sensor, sigma = night(1.0)
    image = Image(planes, ("red", "green", "blue"), content="starless", sky=(0.0,) * 3, noise=measure_noise(planes), fwhm=3.0)
    sky = (nebula / sigma[:, None, None]).max(0) < 0.01
    has_sky = sky.mean() > 0.001
    row = {"sky": 0.0, "hue": 0.0, "cut": 0.0}

    def cut(p: Any) -> float:
        return 100 * float(((p <= 0.001) | (p >= 0.999)).any(0).mean())

    before = colour.to_lab(np.maximum(planes, 0))  # a channel that noise brings below the sky holds no light
    for stretch in (steps.stretch_asinh, steps.stretch_midtone):
        shown = stretch(image).planes
        if has_sky:
            chance = 4 * shown[:, sky].std(1) / math.sqrt(sky.sum())  # three deviations of the median
            off = np.abs(np.median(shown[:, sky], 1) - 0.1) - chance
            row["sky"] = max(row["sky"], float(off.max()) * 1000)
        turned = turn(hue(before), hue(colour.to_lab(colour.decode(shown))))
        lit = (planes.mean(0) > 5 * sigma.mean()) & (shown.max(0) < 0.9)
        row["hue"] = max(row["hue"], float(np.percentile(turned[lit], 99)))
        row["cut"] = max(row["cut"], cut(shown))

    made, ratio = picture_of(planes, sensor, sigma)
    row["cut"] = max(row["cut"], cut(made.planes))
    lab = colour.to_cielab(made.planes)
    row["look"] = row["calm"] = 0.0
    for exposure in (1 / 3, 3.0):
        deeper, _ = picture_of(night(exposure)[0], sensor, sigma / math.sqrt(exposure))
        other_lab = colour.to_cielab(deeper.planes)
        row["look"] = max(row["look"], float(colour.difference(lab, other_lab).mean()))
        calm = [np.stack([ndimage.gaussian_filter(c, 4) for c in one]) for one in (lab, other_lab)]
        row["calm"] = max(row["calm"], float(colour.difference(*calm).mean()))
    ok = (ha > 5 * sigma.mean()) & (oiii > 2 * sigma.mean())
    row["lit"] = 100 * float(ok.mean())
    told = (made.planes[2] - made.planes[0]) / (made.planes[2] + made.planes[0] + 1e-6)
    for name, plane in (("truth", told), ("limit", ratio)):
        row[name] = float(stats.spearmanr((oiii[ok] / ha[ok]).ravel(), plane[ok].ravel())[0]) if ok.sum() > 9 else 1.0
    row["dark"] = float(np.median(made.planes[:, ha <= np.percentile(ha, 5)]))
    row["tint"] = float(np.ptp(np.median(made.planes[:, sky], 1))) if has_sky else 0.0

    one = colour.to_lab(colour.decode(made.planes))
    more = steps.saturate(made).planes
    other = colour.to_lab(colour.decode(more))
    strong = np.hypot(one[1], one[2]) > 0.02
    outside = more.min() < 0 or more.max() > 1 or cut(more) > cut(made.planes) + 1e-6
    row["gain"] = math.inf if outside else float(turn(hue(one), hue(other))[strong].max())
    return row


def misses(row: dict[str, float]) -> list[str]:
    """Name the goals a row of figures misses."""
    over = [k for k, goal in GOALS.items() if k != "truth" and not row[k] <= goal]
    over += [] if DARK[0] <= row["dark"] <= DARK[1] else ["dark"]
    told = row["truth"] >= min(GOALS["truth"], row["limit"] - 0.02) or row["lit"] < 0.5
    return over + ([] if told else ["truth"])


def made_scenes(count: int, shape: tuple[int, int] = (480, 640), seed: int = 1) -> Iterator[tuple[str, dict[str, float]]]:
    """Invented scenes of every kind, depth and seeing."""
    rng = np.random.default_rng(seed)
    cut = np.s_[..., shape[0] // 7 : -shape[0] // 7, shape[1] // 7 : -shape[1] // 7]
    for i in range(count):
        kind, peak = KINDS[i % len(KINDS)], 0.0018 * math.exp(rng.uniform(-1, 1))
        options = {
            "ha_peak": peak,
            "oiii_peak": peak * (2.5 if kind == "lantern" else rng.uniform(0.2, 0.6)),
            "fwhm": rng.uniform(2.2, 4.5),
            "resampling": (1.0, 0.0, 1.5)[i % 3],
        }

        def night(exposure: float, kind: Any = kind, options: Any = options, i: int = i) -> Any:
            scene = make_scene(seed * 1000 + i, shape, kind, frames=round(1500 * exposure), **options)
            noise = (scene.starless - scene.nebula)[cut]
            planes = scene.nebula[cut] + (noise if exposure == 1 else -noise)  # else all nights had the same noise
            sigma = np.median(scene.sigma[cut], (1, 2))
            return np.ascontiguousarray(planes), scene.nebula[cut], scene.ha[cut], scene.oiii[cut], scene.sensor, sigma

        yield f"{kind} {i}", figures(night)


def shared_scenes(count: int, folder: Path, seed: int = 2) -> Iterator[tuple[str, dict[str, float]]]:
    """Scenes of the other generator, every sixth with the structure of a real nebula."""
    from astropy.io import fits

    other = beside.generator()
    real = [
        np.nan_to_num(fits.getdata(folder / f"data/nebula-hh204/fov2f{f}-PC.fits").astype(float))[90:, 90:] for f in (656, 502)
    ]
    rng = np.random.default_rng(seed)
    kinds = ("shell", "ridges", "lobes", "wall", "wide", "real")
    shape = (480, 640)
    cut = np.s_[..., shape[0] // 7 : -shape[0] // 7, shape[1] // 7 : -shape[1] // 7]
    for i in range(count):
        kind = kinds[i % 6]
        conditions = other.Scene(
            f"{kind} {i}",
            seed * 1000 + i,
            shape=shape,
            nebula="shell" if kind == "real" else kind,
            fwhm=rng.uniform(2.2, 4.5),
            ha_peak=0.0016 * math.exp(rng.uniform(-1, 1)),
            oiii_peak=0.0005 * math.exp(rng.uniform(-0.6, 0.7)),
            resample_blur=(0.0, 0.45, 0.7, 0.9)[i % 4],
        )

        def night(exposure: float, conditions: Any = conditions, kind: str = kind) -> Any:
            longer = dataclasses.replace(conditions, frames=round(conditions.frames * exposure))
            truth = other.build(longer, real if kind == "real" else None)
            noise = truth["starless_noise"][cut]
            planes = truth["nebula"][cut] + (noise if exposure == 1 else -noise)
            blur = 1 / (1 + 4 * math.pi * conditions.resample_blur**2) ** 0.5 if conditions.resample_blur > 0.4 else 1
            sigma = np.median(truth["sigma"][cut], (1, 2)) * blur
            return (
                np.ascontiguousarray(planes),
                truth["nebula"][cut],
                truth["ha"][cut],
                truth["oiii"][cut],
                conditions.sensor,
                sigma,
            )

        yield conditions.name, figures(night)


def table(scenes: Iterator[tuple[str, dict[str, float]]]) -> int:
    """Print a table; give how many scenes miss a goal."""
    bad, total = 0, 0
    columns = ["sky", "hue", "cut", "look", "calm", "lit", "truth", "limit", "dark", "tint", "gain"]
    print(f"{'scene':12s} " + " ".join(f"{k:>7s}" for k in columns))
    for name, row in scenes:
        missed = misses(row)
        bad, total = bad + bool(missed), total + 1
        print(f"{name:12s} " + " ".join(f"{row[k]:7.3f}" for k in columns) + "  " + " ".join(missed), flush=True)
    print(f"{bad} of {total} scenes miss a goal\n")
    return bad


def main() -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--made", type=int, default=10)
    parser.add_argument("--shared", type=int, default=12)
    given = parser.parse_args()
    bad = table(made_scenes(given.made))
    if given.shared and beside.FOLDER.is_dir():
        bad += table(shared_scenes(given.shared, beside.FOLDER))
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
