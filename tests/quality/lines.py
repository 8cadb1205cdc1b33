"""How well the two lines are unmixed: `python -m tests.quality.lines [--made N] [--shared N]` prints a table.

Scenes are invented by the project's own generator and, where it lies beside the project, by the one in ../shared/score
(its real nebula too); every entry of the sensor differs from typical by up to 30 %. The scene is the starless nebula with
the noise of the night, the sky at zero. Columns: errors of both lines over those with the true sensor (goal 1.1), H-alpha
left in [O III] beyond what the true sensor leaves (goal 2 %), grain over that with the true sensor (goal 0.9), and how many
of its own deviations the leak is. The line below each table counts the scenes that miss a goal.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.demo import TYPICAL, make_scene
from nebulakit.image import Image
from nebulakit.pixels.unmix import weights
from nebulakit.steps import unmix_lines
from tests.quality import beside

GOALS = {"ha": 1.1, "oiii": 1.1, "leak": 0.02, "grain": 0.9}
KINDS = ("cove", "bubble", "fans", "veil", "lantern")


def figures(planes: Any, ha: Any, oiii: Any, sensor: Any, sigma: Any, coverage: Any = None) -> dict[str, float]:
    """Unmix one scene with the step's defaults and compare with its truth."""
    image = Image.from_array(planes, coverage=coverage, content="starless", sky=(0.0, 0.0, 0.0))
    lines = unmix_lines(image)
    best = np.tensordot(weights(sensor, sigma), planes.astype(float), 1)
    truth = [np.asarray(p, float).ravel() for p in (ha, oiii)]
    got = [line.planes[0].astype(float).ravel() for line in lines]

    def off(line: Any, true: Any) -> float:
        return math.sqrt(max(1 - np.corrcoef(line.ravel(), true)[0, 1] ** 2, 0.0))

    def parts(line: Any) -> Any:
        return np.linalg.lstsq(np.stack([np.ones(line.size), truth[1], truth[0]], 1), line.ravel(), rcond=None)[0]

    def grain(line: Any) -> float:
        plane = np.asarray(line).reshape(ha.shape)
        fine = plane[:, 1:-1] - 0.5 * (plane[:, :-2] + plane[:, 2:])
        return float(np.median(np.abs(fine - np.median(fine))))

    k, b = parts(got[1]), parts(best[1])
    leak = float(k[2] / k[1] - b[2] / b[1])
    return {
        "ha": off(got[0], truth[0]) / off(best[0], truth[0]),
        "oiii": off(got[1], truth[1]) / off(best[1], truth[1]),
        "leak": leak,
        "grain": grain(got[1]) / k[1] / (grain(best[1]) / b[1]),
        "doubt": abs(leak) / float(lines.ha.record["leak"]),
    }


def misses(row: dict[str, float]) -> list[str]:
    """Name the goals a row of figures misses."""
    over = [k for k in ("ha", "oiii") if row[k] > GOALS[k]]
    return over + (["leak"] if abs(row["leak"]) > GOALS["leak"] else []) + (["grain"] if row["grain"] < GOALS["grain"] else [])


def other_sensor(rng: np.random.Generator) -> Any:
    """A sensor whose every entry differs from typical by up to 30 %."""
    return np.asarray(TYPICAL) * rng.uniform(0.7, 1.3, (3, 2))


def made_scenes(count: int, shape: tuple[int, int] = (600, 800), seed: int = 1) -> Iterator[tuple[str, dict[str, float]]]:
    """Invented scenes of every kind, depth and seeing."""
    rng = np.random.default_rng(seed)
    for i in range(count):
        kind, sensor, ha = KINDS[i % len(KINDS)], other_sensor(rng), 0.0018 * math.exp(rng.uniform(-0.6, 0.6))
        scene = make_scene(
            seed * 1000 + i,
            shape,
            kind,  # type: ignore[arg-type]
            sensor=tuple(map(tuple, sensor.tolist())),
            ha_peak=ha,
            oiii_peak=ha * (2.5 if kind == "lantern" else rng.uniform(0.2, 0.6)),
            frames=int(1500 * math.exp(rng.uniform(-1.1, 1.1))),
            fwhm=rng.uniform(2.2, 4.5),
            resampling=(1.0, 0.0, 1.5)[i % 3],
        )
        cut = np.s_[..., shape[0] // 7 : -shape[0] // 7, shape[1] // 7 : -shape[1] // 7]
        sigma = np.median(scene.sigma[cut], (1, 2))
        yield f"{kind} {i}", figures(scene.starless[cut], scene.ha[cut], scene.oiii[cut], sensor, sigma, scene.coverage[cut])


def shared_scenes(count: int, folder: Path, seed: int = 2) -> Iterator[tuple[str, dict[str, float]]]:
    """Scenes of the other generator, every fifth with the structure of a real nebula."""
    from astropy.io import fits

    other = beside.generator()
    real = [
        np.nan_to_num(fits.getdata(folder / f"data/nebula-hh204/fov2f{f}-PC.fits").astype(float))[90:, 90:] for f in (656, 502)
    ]
    turns = (lambda p: p, lambda p: p[::-1], lambda p: p.T, lambda p: p[:, ::-1])
    rng = np.random.default_rng(seed)
    kinds = ("shell", "ridges", "lobes", "wall", "wide")
    for i in range(count):
        planes = tuple(np.ascontiguousarray(turns[i // 5 % 4](p)) for p in real) if i % 5 == 4 else None
        sensor = other_sensor(rng)
        conditions = other.Scene(
            f"{'real' if planes else kinds[i % 4 if i % 2 else i % 5]} {i}",
            seed * 1000 + i,
            shape=(600, 800),
            nebula=kinds[i % 4 if i % 2 else i % 5],
            fwhm=rng.uniform(2.2, 4.5),
            ha_peak=0.0016 * math.exp(rng.uniform(-0.6, 0.6)),
            oiii_peak=0.0005 * math.exp(rng.uniform(-0.6, 0.7)),
            frames=int(1500 * math.exp(rng.uniform(-1.1, 1.1))),
            resample_blur=(0.0, 0.45, 0.7, 0.9)[i % 4],
            sensor=tuple(map(tuple, sensor)),
        )
        truth = other.build(conditions, planes)
        covered = truth["coverage"] >= 0.85 * truth["coverage"].max()
        rows, columns = covered[:, covered.shape[1] // 2].nonzero()[0], covered[covered.shape[0] // 2].nonzero()[0]
        h, w = (len(rows) * 4) // 5, (len(columns) * 4) // 5
        y, x = int(rows[0]) + len(rows) // 10, int(columns[0]) + len(columns) // 10
        cut = np.s_[..., y : y + h, x : x + w]
        planes3 = (truth["nebula"] + truth["starless_noise"])[cut]
        sigma = np.median(truth["sigma"][cut], (1, 2))
        yield conditions.name, figures(planes3, truth["ha"][cut], truth["oiii"][cut], sensor, sigma, truth["coverage"][cut])


def table(scenes: Iterator[tuple[str, dict[str, float]]]) -> int:
    """Print a table; give how many scenes miss a goal."""
    bad, total = 0, 0
    print(f"{'scene':12s}  H-alpha  [O III]   leak   grain  leak/doubt")
    for name, row in scenes:
        missed = misses(row)
        bad, total = bad + bool(missed), total + 1
        print(
            f"{name:12s}  {row['ha']:7.3f}  {row['oiii']:7.3f}  {row['leak']:+.4f}  {row['grain']:.3f}  {row['doubt']:6.1f}  {' '.join(missed)}",
            flush=True,
        )
    print(f"{bad} of {total} miss a goal")
    return bad


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--made", type=int, default=15, help="how many invented scenes")
    ap.add_argument("--shared", type=int, default=15, help="how many of ../shared, if it is there")
    told = ap.parse_args()
    table(made_scenes(told.made))
    if told.shared and beside.FOLDER.is_dir():
        table(shared_scenes(told.shared, beside.FOLDER))
