"""Every figure of the made scenes' scorer, on scenes drawn at random: where is a goal missed that the known scenes meet?

    python -m tests.quality.survey SEED[-SEED] ... [--task TASK ...] [--real] [--with NAME=VALUE ...] [--json FILE]
    python -m tests.quality.survey SEED[-SEED] ... --stretched CURVE ... [--with NAME=VALUE ...]

A seed draws everything: nebula, glow, seeing, oval stars, halos, reflections, white level, sensor, noise, nights; with ``--real``
the nebula is an observed one that fills the frame. ``--with`` sets a condition alike for all: what a scene declares
(``white=0.06``: stars are cut off near the sky), ``pedestal=0.1`` (added to the stack), ``levels=65535`` (of which the stack's
values are whole multiples), ``unit=65535`` (what full well is called); ``defocus=1.5`` (px: the radius of the disc that a point is
spread to), ``hole=0.45`` (of that radius, which is dark), ``haze=0.03`` (of a star's light, in an aureole of 6 px): no Moffat stars.
Per scene and task the missed goals are printed, with the conditions of a scene that misses any; ``--json`` keeps all figures, a
line each scene.

With ``--stretched``, instead, the scenes' stars are parted under each of these curves (those of ``stretched``), and what the starless
picture is off by is given in the scene's own sigma, as of linear ones; the noise of its pixels is less where it was resampled.
"""

from __future__ import annotations

import argparse
import ast
import dataclasses
import itertools
import json
import math
import tempfile
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from scipy.signal import fftconvolve

from tests.quality import beside, glow, noise, stars, stretched
from tests.quality.lines import other_sensor

NEBULAE = tuple(kind for kind in noise.NEBULAE if kind != "real")
FINER, AUREOLE = 8, 6.0  # parts of a pixel that a disc is made in; px
FREE = ("shell", "lobes")  # leave sky free
GOALS: dict[str, dict[str, tuple[float, float]]] = {
    "crop": {"area": (0.99, math.inf), "worst_coverage": (0.85, 1), "pixels_and_wcs_agree": (1, 1)},
    "stars": {
        "foot_rms": (0, 1.6),
        "foot_p99": (0, 5),
        "texture": (0.8, 1.2),
        "structure": (0.5, 1),
        "foot_bias": (-0.3, 0.3),
        "outside_against_untouched": (0, 1),
        "not_lossless": (0, 0),
    },
    "denoise": {"over_best_library": (1.5, math.inf)},
    "lines": {"ha_leak_in_oiii": (-0.02, 0.02), "oiii_grain": (0.9, math.inf)},
    "sharpen": {"narrowed": (0, 0.75), "ring_depth_sigma": (-math.inf, 3), "star_flux_kept": (0.995, 1.005)},
    "picture": {
        "colour_truth": (0.9, 1),
        "sky_level": (0.06, 0.15),
        "clipped_white": (0, 0.005),
        "clipped_black": (0, 0.005),
    },
}


def scene(seed: int) -> Any:
    """Give the scene that a seed draws."""
    random = np.random.default_rng([seed, 77])

    def uniform(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 3)

    nebula = NEBULAE[seed % len(NEBULAE)]
    sensor = other_sensor(random)
    return beside.generator().Scene(
        f"{seed}-{nebula}",
        seed,
        nebula=nebula,
        gradient=str(random.choice(["tilt", "bowl", "corner"])),
        tilt=uniform(0.2, 0.5),
        sky_mix=uniform(0.05, 0.25),
        ha_peak=float(random.choice([0.001, 0.0016, 0.0016, 0.003])),
        fwhm=uniform(2.2, 4.5),
        beta=uniform(2.5, 4.5),
        halo=float(random.choice([0.002, 0.004, 0.004, 0.008])),
        halo_scale=uniform(20, 36),
        oval=float(random.choice([0, 0, 0.12, 0.2])),
        widths=tuple(uniform(0.96, 1.1) for _ in range(3)),
        reflection=float(random.choice([0, 0, 0.004, 0.008])),
        white=uniform(0.7, 1),
        resample_blur=float(random.choice([0, 0.45, 0.45, 0.8])),
        frames=int(random.choice([700, 1500, 3000])),
        second_night=float(random.choice([0, 0, 0, 50])),
        stars=int(random.choice([800, 1200, 1200, 2000])),
        bright=int(random.choice([6, 12, 12, 20])),
        sensor=tuple(map(tuple, np.round(sensor, 4).tolist())),
    )


def as_stored(truth: dict[str, Any], pedestal: float = 0, levels: int | None = None, unit: float = 1) -> dict[str, Any]:
    """Give a scene as a file may hold it: over a pedestal, in whole levels, in another unit."""
    told = dict(truth, stack=truth["stack"] + np.float32(pedestal))
    if levels:
        told["stack"] = np.round(told["stack"] * levels) / np.float32(levels)
    for name in ("stack", "clean", "nebula", "stars", "sky", "sigma", "starless_noise", "ha", "oiii"):
        told[name] = np.asarray(told[name] * np.float32(unit), np.float32)
    told["clean"], told["sky"] = (told[name] + np.float32(pedestal * unit) for name in ("clean", "sky"))
    return told


def of_other_form(
    moffat: Callable[..., np.ndarray], defocus: float = 0, hole: float = 0, haze: float = 0
) -> Callable[..., np.ndarray]:
    """Give, in place of the function that makes a star of unit light, one that makes it out of focus and in haze."""

    def star(fwhm: float, beta: float, radius: int, oval: float = 0.0) -> np.ndarray:
        made = moffat(fwhm, beta, radius, oval)
        if defocus:
            fine = (np.arange((2 * radius + 1) * FINER) + 0.5) / FINER - radius - 0.5
            far = np.hypot(fine[:, None], fine)
            spot = ((far < defocus) & (far >= hole * defocus)).reshape(2 * radius + 1, FINER, 2 * radius + 1, FINER).mean((1, 3))
            made = np.maximum(fftconvolve(made, spot / spot.sum(), "same"), 0)
        span = np.arange(-radius, radius + 1)
        aureole = np.exp(-np.hypot(span[:, None], span) / AUREOLE)
        return np.asarray((1 - haze) * made / made.sum() + haze * aureole / aureole.sum())

    return star


def misses(nebula: str, task: str, figures: dict[str, Any]) -> Iterator[str]:
    """Give the figures of a task that are not within their goals, each as text."""
    goals = dict(GOALS.get(task, {}))
    told = dict(figures)
    if "failed" in told:
        yield f"{task}: {told['failed']}"
        return
    if task == "gradient":
        goals["error_sigma"] = 0, glow.GOALS[nebula]
    if task == "sharpen":
        told["narrowed"] = told["fwhm_after"] / told["fwhm_before"]
    if task == "lines":
        for line in ("ha", "oiii"):
            told[f"{line}_over_best"] = told[f"{line}_error"] / told[f"{line}_error_if_sensor_known"]
            goals[f"{line}_over_best"] = 0, 1.1
    if task == "picture" and nebula in FREE:
        goals["sky_tint"] = 0, 0.01
    for name, (low, high) in goals.items():
        if not low - 1e-6 <= told[name] <= high + 1e-6:
            yield f"{task} {name} {told[name]:.3g} (goal {low:g} to {high:g})"


def under_curves(seeds: list[int], curves: list[str], told: dict[str, Any]) -> None:
    """Part stars and nebula of the scenes of these seeds, stretched; print the figures."""
    missed = 0
    for seed, how in itertools.product(seeds, curves):
        one = dataclasses.replace(scene(seed), **told)
        conditions = {k: v for k, v in dataclasses.asdict(one).items() if k not in ("name", "shape")}
        truth = stars.made(one.shape, **conditions)
        row = stretched.measure(stretched.show(truth, how))
        noise = float(np.median([stars.spread(p) / np.median(s) for p, s in zip(truth.noise, truth.sigma, strict=True)]))
        found = {**row, **{k: noise * row[k] for k in ("rms", "p99", "bias")}}
        keys = {"rms": "foot_rms", "p99": "foot_p99", "grain": "texture", "structure": "structure", "bias": "foot_bias"}
        within = all(low <= found[key] <= high for key, name in keys.items() for low, high in [GOALS["stars"][name]])
        missed += not within
        print(f"{one.name:14s} {how:40s}", *(f"{key} {found[key]:.2f}" for key in keys), row["record"]["parted_in"], flush=True)
    print(f"missed, of {len(seeds) * len(curves)}: {missed}")


def main() -> None:
    """Run the scorer's tasks on the scenes of these seeds."""
    generator = beside.generator()  # puts the scorer on the path, too
    import score

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", nargs="+")
    parser.add_argument("--task", nargs="+", choices=list(score.TASKS), default=list(score.TASKS))
    parser.add_argument("--real", action="store_true")
    parser.add_argument("--with", nargs="+", default=[], dest="conditions", metavar="NAME=VALUE")
    parser.add_argument("--json")
    parser.add_argument("--stretched", nargs="+", metavar="CURVE", choices=[*stretched.CURVES_AND_HUES, *stretched.OURS])
    args = parser.parse_args()
    seeds = [n for text in args.seeds for a, _, b in [text.partition("-")] for n in range(int(a), int(b or a) + 1)]
    told = {name: ast.literal_eval(value) for name, _, value in (text.partition("=") for text in args.conditions)}
    stars_of = {name: told.pop(name) for name in ("defocus", "hole", "haze") if name in told}
    if stars_of:
        generator.moffat = of_other_form(generator.moffat, **stars_of)
    if args.stretched:
        under_curves(seeds, args.stretched, told)
        return
    stored = {name: told.pop(name) for name in ("pedestal", "levels", "unit") if name in told}
    bad = dict.fromkeys(args.task, 0)
    for seed in seeds:
        one = scene(seed)
        if args.real:
            one = dataclasses.replace(one, name=f"{seed}-real", nebula="real")
        one = dataclasses.replace(one, **told)
        case, table = score.Case(as_stored(noise.build(generator, one, beside.FOLDER / "data"), **stored)), {}
        for task in args.task:
            with tempfile.TemporaryDirectory() as folder:
                try:
                    table[task] = score.TASKS[task](case, folder)
                except (RuntimeError, ValueError) as fault:
                    table[task] = {"failed": str(fault)}
        lines = {task: list(misses(one.nebula, task, figures)) for task, figures in table.items()}
        for task, found in lines.items():
            bad[task] += bool(found)
        listed = [line for found in lines.values() for line in found]
        print(one.name, *(listed or ["all within"]), sep="\n  " if listed else ": ", flush=True)
        if listed:
            plain = dataclasses.asdict(generator.Scene("", 0))
            other = {k: v for k, v in dataclasses.asdict(one).items() if plain[k] != v and k not in ("name", "seed")}
            print("  of", ", ".join(f"{k} {v}" for k, v in other.items()), flush=True)
        if args.json:
            with open(args.json, "a") as file:
                file.write(json.dumps({"scene": one.name, "seed": seed, "figures": table}) + "\n")
    print(f"missed, of {len(seeds)}:", ", ".join(f"{task} {count}" for task, count in bad.items()))


if __name__ == "__main__":
    main()
