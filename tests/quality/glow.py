"""What remove_gradient leaves of a glow, and how much of a nebula it keeps, on scenes whose glow is known.

    python -m tests.quality.glow [COUNT] [large]

``large``: frames of 900 x 1200 under glows of 20 to 50 % instead of 600 x 800 under up to 60 %.
Per scene: the error of the glow taken off, in noise sigma, worst channel and root mean square of all (its level does not
count), with the goal of its kind (1.5 where the nebula leaves sky free, 3 where it fills the frame, 4 where half of the
frame is nebula; held against the worst channel, with ``large`` against the mean square); the error of its level in red; how much of
the nebula's light is kept, as the slope of kept against true light over all star-free pixels, worst channel among those
where it stands 3 sigma out (goal 0.85 for faint ones that leave sky free);
the order that was chosen.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.pixels.rectangle import largest_rectangle
from nebulakit.steps import remove_gradient
from tests.quality import beside, noise

GOALS = {"shell": 1.5, "lobes": 1.5, "faint": 1.5, "wall": 4.0, "ridges": 3.0, "wide": 3.0, "real": 3.0}


def measure(truth: dict[str, Any]) -> dict[str, float]:
    """Give the figures of one scene."""
    box = largest_rectangle(truth["coverage"] >= np.float32(0.85 * truth["coverage"].max()))
    assert box is not None
    stack, sky, nebula, stars, sigma = (box.cut(truth[k]) for k in ("stack", "sky", "nebula", "stars", "sigma"))
    flat = remove_gradient(Image.from_array(stack, coverage=box.cut(truth["coverage"]))).image
    sigma = np.median(sigma, (1, 2))
    error = (stack - flat.planes - sky) / sigma[:, None, None]
    free = stars.max(0) < sigma.min()
    slopes = []
    for kept, true, s in zip(flat.planes - stars, nebula, sigma, strict=True):
        if np.ptp(true[free]) > 3 * s:  # where a channel sees no nebula there is nothing to keep
            slopes.append(float(np.polyfit(true[free], kept[free], 1)[0]))
    return {
        "error": float(error.std((1, 2)).max()),
        "rms": float(np.sqrt(error.var((1, 2)).mean())),
        "level": float(np.median(error[0])),
        "kept": min(slopes, default=1.0),
        "order": flat.record["order"],
    }


def large(scene: Any, count: int) -> Iterator[Any]:
    """Give scenes of every kind on large frames, with glows that differ more from channel to channel."""
    for i, one in enumerate(noise.scenes(scene, count, shape=(900, 1200))):
        random = np.random.default_rng(51000 + i)
        yield dataclasses.replace(
            one,
            gradient=noise.GRADIENTS[i // 6 % 3],
            tilt=float(random.uniform(0.2, 0.5)),
            sky_mix=float(random.uniform(0.1, 0.3)),
            frames=int(random.choice([400, 1500, 1500, 4000])),
        )


def main() -> None:
    """Print the table."""
    scene = beside.generator()
    found: dict[str, list[dict[str, float]]] = {}
    count, wide = int(next((a for a in sys.argv[1:] if a.isdigit()), "36")), "large" in sys.argv
    held = "rms" if wide else "error"
    for i, one in enumerate((large if wide else noise.scenes)(scene, count)):
        kind = one.nebula
        if i % 6 == 2 and not wide:  # a wide nebula, hardly brighter than the noise
            one, kind = dataclasses.replace(one, nebula="shell", ha_peak=0.0003, oiii_peak=0.0001), "faint"
        row = measure(noise.build(scene, one, beside.FOLDER / "data"))
        found.setdefault(kind, []).append(row)
        told = " ".join(f"{v:8.3f}" for v in row.values())
        missed = [n for n, bad in (("error", row[held] > GOALS[kind]), ("kept", kind == "faint" and row["kept"] < 0.85)) if bad]
        print(f"{one.name:12} {kind:7} {told}  {' '.join(missed)}", flush=True)
    for kind, rows in found.items():
        errors, kept = [r[held] for r in rows], [r["kept"] for r in rows]
        print(f"{kind:7} error {np.median(errors):5.2f} / {max(errors):5.2f} (goal {GOALS[kind]})   kept {min(kept):5.2f}")


if __name__ == "__main__":
    main()
