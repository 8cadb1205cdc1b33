"""Crop to coverage against scenes whose coverage is known, with the map, with it turned over, and without it.

    python -m tests.quality.coverage

Prints per scene the area kept over the largest possible, and the lowest and the 1 % lowest coverage kept.
"""

from __future__ import annotations

import numpy as np

import nebulakit.steps as steps
from nebulakit.image import Image
from nebulakit.pixels.rectangle import largest_rectangle
from tests.quality import beside
from tests.quality.lines import other_sensor

NEBULAE = ("shell", "ridges", "lobes", "wall", "wide")
GRADIENTS = ("tilt", "bowl", "corner")


def scenes(scene, count: int = 24):
    """Scenes of every kind: rotation, second nights, seeing, noise correlation, sensors and exposure all differ."""
    for i in range(count):
        random = np.random.default_rng(i)
        sensor = other_sensor(random)
        yield scene.Scene(
            f"{NEBULAE[i % 5]}-{GRADIENTS[i // 2 % 3]}",
            900 + i,
            shape=((600, 800), (450, 600), (900, 1200))[i % 3],
            nebula=NEBULAE[i % 5],
            gradient=GRADIENTS[i // 2 % 3],
            rotation=float(random.uniform(2, 80)),
            second_night=float(random.uniform(30, 80)) if i % 4 == 3 else 0.0,
            resample_blur=float(random.uniform(0, 0.9)),
            tilt=float(random.uniform(0.1, 0.6)),
            white=float(random.uniform(0.7, 1)),
            fwhm=float(random.uniform(2.2, 4.5)),
            beta=float(random.uniform(2.5, 4.5)),
            frames=int(random.choice([300, 1500, 4000])),
            sensor=tuple(map(tuple, sensor)),
            reflection=0.004 * (i % 2),
        )


def measure(truth, keep: float = 0.85) -> dict[str, tuple[float, float, float]]:
    """Give (area over the best, lowest coverage, 1 % lowest) with the map, with a map of rejections, and without one."""
    cover = truth["coverage"]
    best = largest_rectangle(cover >= np.float32(keep * cover.max()))
    assert best is not None
    rejections = np.where(cover > 0, 1.02 * cover.max() - cover, 0).astype(np.float32)
    out = {}
    for name, given in (("map", cover), ("rejections", rejections), ("none", None)):
        record = steps.crop_to_coverage(Image.from_array(truth["stack"], coverage=given)).record
        y0, x0, h, w = record["box"]
        kept = cover[y0 : y0 + h, x0 : x0 + w] / cover.max()
        out[name] = (h * w / best.area, float(kept.min()), float(np.percentile(kept, 1)))
    return out


def main() -> None:
    """Print the table."""
    scene = beside.generator()
    print(f"{'scene':16} {'size':>10} " + " ".join(f"{n + ': area, lowest, 1 %':>30}" for n in ("map", "rejections", "none")))
    rows = []
    for one in scenes(scene):
        found = measure(scene.build(one))
        rows.append([found[n][0] for n in found])
        shown = " ".join(f"{'{:.3f} {:.2f} {:.2f}'.format(*found[n]):>30}" for n in found)
        print(f"{one.name:16} {one.shape[1]:>5}x{one.shape[0]:<4} {shown}", flush=True)
    print(f"{'lowest area':27} " + " ".join(f"{v:>30.3f}" for v in np.min(rows, 0)))


if __name__ == "__main__":
    main()
