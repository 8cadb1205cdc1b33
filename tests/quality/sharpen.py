"""What deconvolve wins and costs, on scenes whose unblurred nebula is known, from single frames to deep stacks.

    python -m tests.quality.sharpen [COUNT]

Per scene: star width after over before (goal 0.75; not under the 1.6 px that pixels can hold), depth of the dark ring
round stars in sigma (goal 3), flux of the stars kept (goal within 0.5 %), and the error against the nebula before the
seeing blurred it, after over before, of the starless layer (goal: never over 1) for three depths: frames as they are, a
thirtieth of them, and thirty times as many.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.pixels.rectangle import Box, largest_rectangle
from nebulakit.steps import deconvolve
from tests.quality import noise

DEPTHS = (1 / 30, 1.0, 30.0)


def unblurred(scene: Any, one: Any, data: Path) -> Any:
    """Give the nebula (3, y, x) of a scene as it was above the air."""
    sharp = dataclasses.replace(one, fwhm=0.01)
    return noise.build(scene, sharp, data)["nebula"]


def measure(scene: Any, one: Any, data: Path) -> dict[str, float]:
    """Give the figures of one scene."""
    above, row = unblurred(scene, one, data), {}
    for depth in DEPTHS:
        truth = noise.build(scene, dataclasses.replace(one, frames=max(1, round(one.frames * depth))), data)
        box = largest_rectangle(truth["coverage"] >= np.float32(0.85 * truth["coverage"].max()))
        assert box is not None
        starry = Image.from_array(box.cut(truth["stack"] - truth["sky"]), coverage=box.cut(truth["coverage"]), sky=(0.0,) * 3)
        if depth == 1:
            row |= stars(starry, truth, box)
        noisy = Image.from_array(
            box.cut(truth["nebula"] + truth["starless_noise"]), content="starless", sky=(0.0,) * 3, coverage=starry.coverage
        )
        after = deconvolve(noisy, stars=starry).planes
        wanted = box.cut(above)
        errors = [np.sqrt(((p - wanted) ** 2).mean((1, 2))) for p in (noisy.planes, after)]
        row[f"x{depth:.3g}"] = float((errors[1] / errors[0]).max())
    return row


def stars(starry: Image, truth: dict[str, Any], box: Box) -> dict[str, float]:
    """Compare lonely stars before and after: width, ring and flux, medians over stars of the green channel."""
    before = starry.measured("fwhm")
    sharp = deconvolve(before)
    after = sharp.replace(fwhm=None, psf=None).measured("fwhm")
    sigma = float(np.median(box.cut(truth["sigma"])[1]))
    cat = truth["catalogue"]
    x, y = cat["x"] - box.x0, cat["y"] - box.y0
    rings, kept = [], []
    for i in np.nonzero((cat["peak"] > 0.005) & (cat["peak"] < 0.4))[0]:
        near = (np.hypot(x - x[i], y - y[i]) < 20) & (cat["flux"] > 0.05 * cat["flux"][i])
        k = 20
        xi, yi = round(float(x[i])), round(float(y[i]))
        inside = k < xi < box.width - k and k < yi < box.height - k
        if not inside or near.sum() > 1:
            continue
        was, now = (p.planes[1, yi - k : yi + k + 1, xi - k : xi + k + 1] for p in (before, sharp))
        r = np.hypot(*(np.mgrid[-k : k + 1, -k : k + 1] - np.array([y[i] - yi, x[i] - xi])[:, None, None]))
        far = [float(np.median(p[r > 14])) for p in (was, now)]
        lowest = min(float(np.median(now[(r >= q) & (r < q + 1.5)])) for q in np.arange(1.5, 11, 0.75))
        rings.append((far[1] - lowest) / sigma)
        kept.append(float((now[r < 8] - far[1]).sum() / (was[r < 8] - far[0]).sum()))
    assert before.fwhm
    width = (after.fwhm or before.fwhm) / before.fwhm
    return {"fwhm": before.fwhm, "width": width, "ring": middle(rings), "flux": middle(kept), "n": len(rings)}


def middle(values: list[float]) -> float:
    """Give the median; NaN of nothing."""
    return float(np.median(values)) if values else float("nan")


def main() -> None:
    """Print the table."""
    shared = Path(__file__).resolve().parents[3] / "shared"
    sys.path.insert(0, str(shared / "score"))
    import scene

    rows = []
    for one in noise.scenes(scene, int(sys.argv[1]) if len(sys.argv) > 1 else 12):
        row = measure(scene, one, shared / "data")
        if not rows:
            print(f"{'scene':12} " + " ".join(f"{k:>7}" for k in row))
        rows.append(list(row.values()))
        print(f"{one.name:12} " + " ".join(f"{v:7.3f}" for v in row.values()), flush=True)
    for name, take in (("median", np.nanmedian), ("least", np.nanmin), ("most", np.nanmax)):
        print(f"{name:12} " + " ".join(f"{v:7.3f}" for v in take(rows, axis=0)))


if __name__ == "__main__":
    main()
