"""What deconvolve wins and costs, on scenes whose unblurred nebula is known, from single frames to deep stacks.

    python -m tests.quality.sharpen [COUNT]

Per scene: star width after over before (goal 0.75; not under the 1.5 px that pixels can hold), depth of the dark ring
round stars in sigma (goal 3), flux of the stars kept (goal within 0.5 %), and the error against the nebula before the
seeing blurred it, after over before, of the starless layer (goal: never over 1) for three depths: frames as they are, a
thirtieth of them, and thirty times as many. `detail` is, for frames as they are, the strength of structure of 2-6 px where
the nebula is bright over what a star image as narrow as the one reached would show of it (above 1: too sharp), `false` the
error of that structure as a share of it, and `was` the same share before.

The scenes' nebula is blurred by a Gaussian, their stars are not; here it is seen through the image of the stars, as in the sky.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.pixels import starlet
from nebulakit.pixels.rectangle import Box, largest_rectangle
from nebulakit.steps import deconvolve, denoise_wavelet
from tests.quality import beside, noise

DEPTHS = (1 / 30, 1.0, 30.0)


def unblurred(scene: Any, one: Any, data: Path) -> Any:
    """Give the nebula (3, y, x) of a scene as it was above the air."""
    sharp = dataclasses.replace(one, fwhm=0.01)
    return noise.build(scene, sharp, data)["nebula"]


def measure(scene: Any, one: Any, data: Path) -> dict[str, float]:
    """Give the figures of one scene."""
    above, row = unblurred(scene, one, data), {}
    gas = seen(above, scene.moffat(one.fwhm, one.beta, 40, one.oval))
    for depth in DEPTHS:
        truth = noise.build(scene, dataclasses.replace(one, frames=max(1, round(one.frames * depth))), data)
        truth["stack"] = truth["stack"] + (gas - truth["nebula"])
        truth["nebula"] = gas
        box = largest_rectangle(truth["coverage"] >= np.float32(0.85 * truth["coverage"].max()))
        assert box is not None
        starry = Image.from_array(box.cut(truth["stack"] - truth["sky"]), coverage=box.cut(truth["coverage"]), sky=(0.0,) * 3)
        if depth == 1:
            row |= stars(starry, truth, box)
        noisy = Image.from_array(
            box.cut(truth["nebula"] + truth["starless_noise"]), content="starless", sky=(0.0,) * 3, coverage=starry.coverage
        )
        sharp = deconvolve(noisy, stars=starry)
        wanted = box.cut(above)
        errors = [np.sqrt(((p - wanted) ** 2).mean((1, 2))) for p in (noisy.planes, sharp.planes)]
        row[f"x{depth:.3g}"] = float((errors[1] / errors[0]).max())
        if depth == 1:
            row |= detail(noisy, starry, wanted, box.cut(gas))
    return row


def seen(planes: Any, kernel: Any) -> Any:
    """Give planes as they are seen through a star image."""
    import cv2

    return np.stack([cv2.filter2D(np.asarray(p, np.float32), -1, kernel, borderType=cv2.BORDER_REFLECT) for p in planes])


def detail(noisy: Image, starry: Image, above: Any, gas: Any) -> dict[str, float]:
    """Compare fine structure of the bright fifth, denoised and sharpened as in the recipes, with that of the truth; red."""
    calm = denoise_wavelet(noisy, strength=1.5)
    sharp = deconvolve(calm, stars=starry)
    assert sharp.psf is not None
    smooth = starlet.transform(np.ascontiguousarray(gas[0]), 3)[1]
    bright = smooth > np.quantile(smooth, 0.8)

    def fine(plane: Any) -> Any:
        return sum(starlet.transform(np.ascontiguousarray(plane), 2)[0])[bright]

    true, narrow = fine(gas[0]), fine(seen(above[:1], sharp.psf.kernel)[0])
    before, after = fine(calm.planes[0]), fine(sharp.planes[0])
    return {
        "detail": float(after.std() / narrow.std()),
        "false": float((after - narrow).std() / narrow.std()),
        "was": float((before - true).std() / true.std()),
    }


def stars(starry: Image, truth: dict[str, Any], box: Box) -> dict[str, float]:
    """Compare lonely stars before and after: width, ring and flux, medians over stars of the green channel."""
    before = starry.measured("fwhm")
    sharp = deconvolve(before)
    after = sharp.replace(fwhm=None, psf=None).measured("fwhm")
    sigma = float(np.median(box.cut(truth["sigma"])[1]))
    cat = truth["catalogue"]
    x, y = cat["x"] - box.x0, cat["y"] - box.y0
    rings, kept = [], []
    assert before.fwhm
    # light is drawn in from within two widths: what a star keeps is told beyond, and no neighbour may draw any out from there
    reach = max(8.0, 2.5 * before.fwhm)
    k = max(20, math.ceil(reach + 2 * before.fwhm))
    for i in np.nonzero((cat["peak"] > 0.005) & (cat["peak"] < 0.4))[0]:
        near = (np.hypot(x - x[i], y - y[i]) < k) & (cat["flux"] > 0.05 * cat["flux"][i])
        xi, yi = round(float(x[i])), round(float(y[i]))
        inside = k < xi < box.width - k and k < yi < box.height - k
        if not inside or near.sum() > 1:
            continue
        was, now = (p.planes[1, yi - k : yi + k + 1, xi - k : xi + k + 1] for p in (before, sharp))
        r = np.hypot(*(np.mgrid[-k : k + 1, -k : k + 1] - np.array([y[i] - yi, x[i] - xi])[:, None, None]))
        far = [float(np.median(p[r > 0.7 * k])) for p in (was, now)]
        lowest = min(float(np.median(now[(r >= q) & (r < q + 1.5)])) for q in np.arange(1.5, 11, 0.75))
        rings.append((far[1] - lowest) / sigma)
        kept.append(float((now[r < reach] - far[1]).sum() / (was[r < reach] - far[0]).sum()))
    width = (after.fwhm or before.fwhm) / before.fwhm
    return {"fwhm": before.fwhm, "width": width, "ring": middle(rings), "flux": middle(kept), "n": len(rings)}


def middle(values: list[float]) -> float:
    """Give the median; NaN of nothing."""
    return float(np.median(values)) if values else float("nan")


def main() -> None:
    """Print the table."""
    scene = beside.generator()
    rows = []
    for one in noise.scenes(scene, int(sys.argv[1]) if len(sys.argv) > 1 else 12):
        row = measure(scene, one, beside.FOLDER / "data")
        if not rows:
            print(f"{'scene':12} " + " ".join(f"{k:>7}" for k in row))
        rows.append(list(row.values()))
        print(f"{one.name:12} " + " ".join(f"{v:7.3f}" for v in row.values()), flush=True)
    for name, take in (("median", np.nanmedian), ("least", np.nanmin), ("most", np.nanmax)):
        print(f"{name:12} " + " ".join(f"{v:7.3f}" for v in take(rows, axis=0)))


if __name__ == "__main__":
    main()
