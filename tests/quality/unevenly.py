"""What deconvolve wins and costs where the image of a star varies over the frame, on scenes of the laws of ``varying``.

    python -m tests.quality.unevenly [LAW ...]

Gas and stars are seen through the same image, that of their place. Per law, scene and region (the inner half of the way to
the corners, its last quarter, the left and the right fifth): width of the stars in px; after over before (goal 0.75 where
they are wide, none under 1.5 px); depth of the dark ring, the median and the 90th percentile over lone stars of 50 to 500
sigma, in sigma (goal 3) and in % of the star's height; light kept; and, of the starless layer as it is and of one of
thirty times as many frames, the error against the unblurred nebula, after over before (red).
"""

from __future__ import annotations

import dataclasses
import sys
from typing import Any
from unittest import mock

import numpy as np
from scipy import signal

from nebulakit.image import Image
from nebulakit.pixels.psf import fit_moffat
from nebulakit.pixels.rectangle import Box, largest_rectangle
from nebulakit.steps import deconvolve
from tests.quality import beside
from tests.quality.varying import HALF, LAWS, SCENES, SEEN, SHAPE, image, star_plane

SHOWN = ("all alike", "tilt 25 %", "bowl 30 %", "bowl 60 %", "drawn out 25 %", "drawn out 50 %")
SOME = (SCENES[0], SCENES[1], SCENES[3] | {"stars": 1600})  # in a crowd no star is lone
NODES = (9, 13)
REACH = 28  # px: of a star's cut-out


def seen(planes: Any, scene: Any, law: dict[str, float]) -> Any:
    """Give planes as they are seen through the star image of each place."""
    h, w = planes.shape[1:]
    unit = SEEN * np.hypot(h, w) / 2
    ys, xs = (np.linspace(0, n - 1, count) for n, count in zip((h, w), NODES, strict=True))
    high, wide = (np.stack([np.interp(np.arange(n), at, one) for one in np.eye(len(at))]) for n, at in ((h, ys), (w, xs)))
    pad = ((0, 0), (HALF, HALF), (HALF, HALF))
    out = np.zeros(np.pad(planes, pad).shape)
    for y, down in zip(ys, high, strict=True):
        for x, across in zip(xs, wide, strict=True):
            rows, columns = (np.flatnonzero(v)[[0, -1]] for v in (down, across))
            box = np.s_[:, rows[0] : rows[1] + 1, columns[0] : columns[1] + 1]
            kernel = image(scene.fwhm, scene.beta, (x - w / 2) / unit, (y - h / 2) / unit, law)
            part = planes[box] * (down[rows[0] : rows[1] + 1, None] * across[columns[0] : columns[1] + 1])
            made = signal.fftconvolve(part, kernel[None], "full", axes=(1, 2))
            out[:, rows[0] : rows[1] + 1 + 2 * HALF, columns[0] : columns[1] + 1 + 2 * HALF] += made
    return out[:, HALF:-HALF, HALF:-HALF]


def made(law: dict[str, float], depth: float = 1.0, **conditions: Any) -> tuple[dict[str, Any], Any]:
    """Make a scene whose stars and gas follow a law, and its gas as it was above the air."""
    generator = beside.generator()
    conditions["frames"] = round(conditions["frames"] * depth)
    scene = generator.Scene("unevenly", shape=SHAPE, rotation=12.0, **conditions)
    with mock.patch.object(generator, "star_plane", star_plane(law)):
        truth = generator.build(scene)
    with mock.patch.object(generator, "star_plane", return_value=(np.zeros((3, *SHAPE)), {})):
        above = generator.build(dataclasses.replace(scene, fwhm=0.01))["nebula"]
    gas = seen(above, scene, law)
    truth["stack"] = truth["stack"] + (gas - truth["nebula"])
    truth["nebula"] = gas
    return truth, above


def measure(law: dict[str, float], **conditions: Any) -> tuple[dict[str, dict[str, float]], Image]:
    """Give the figures of one scene by region."""
    rows: dict[str, dict[str, float]] = {}
    for depth in (1.0, 30.0):
        truth, above = made(law, depth, **conditions)
        box = largest_rectangle(truth["coverage"] >= np.float32(0.85 * truth["coverage"].max()))
        assert box is not None
        starry = Image.from_array(box.cut(truth["stack"] - truth["sky"]), coverage=box.cut(truth["coverage"]), sky=(0.0,) * 3)
        noisy = starry.replace(np.float32(box.cut(truth["nebula"] + truth["starless_noise"])), content="starless")
        calm = deconvolve(noisy, stars=starry)
        places = regions(*starry.shape)
        if depth == 1:
            rows = stars(starry, truth, box, places)
        error = [(i.planes[0] - box.cut(above)[0]) ** 2 for i in (noisy, calm)]
        for name, where in places.items():
            rows[name][f"x{depth:.0f}"] = float(np.sqrt(error[1][where].mean() / error[0][where].mean()))
    return rows, calm


def regions(h: int, w: int) -> dict[str, Any]:
    """Give what of a picture lies in the middle, the corners, and on each side."""
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    far = np.hypot(y * h, x * w) / np.hypot(h, w)
    return {"middle": far < 0.5, "corners": far > 0.75, "left": x < -0.6, "right": x > 0.6}


def stars(starry: Image, truth: dict[str, Any], box: Box, places: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Compare lonely stars before and after in each region."""
    sharp = deconvolve(starry)
    sigma = float(np.median(box.cut(truth["sigma"])[1]))
    cat, k = truth["catalogue"], REACH
    x, y = cat["x"] - box.x0, cat["y"] - box.y0
    found: dict[str, list[tuple[float, ...]]] = {name: [] for name in places}
    grid = np.mgrid[-k : k + 1, -k : k + 1]
    for i in range(len(x)):
        xi, yi = round(float(x[i])), round(float(y[i]))
        if not (k < xi < box.width - k and k < yi < box.height - k):
            continue
        near = (np.hypot(x - x[i], y - y[i]) < 20) & (cat["flux"] > 0.05 * cat["flux"][i])
        was, now = (p.planes[1, yi - k : yi + k + 1, xi - k : xi + k + 1].astype(float) for p in (starry, sharp))
        r = np.hypot(*(grid - np.array([y[i] - yi, x[i] - xi])[:, None, None]))
        far = [float(np.median(p[r > 22])) for p in (was, now)]
        height = float(was[r < 1.5].max() - far[0]) / sigma
        if near.sum() > 1 or not 50 < height < 500:
            continue
        lowest = min(float(np.median(now[(r >= q) & (r < q + 1.5)])) for q in np.arange(1.5, 11, 0.75))
        ring = (far[1] - lowest) / sigma
        cuts = np.stack([was, now])[:, k - 10 : k + 11, k - 10 : k + 11]
        law = fit_moffat(cuts, np.tile([x[i] - xi, y[i] - yi], (2, 1)), 3.0)
        det = np.maximum(law[:, 3] * law[:, 5] - law[:, 4] ** 2, 1e-9)
        wide = 2 * np.sqrt(2 ** np.exp(-law[:, 6]) - 1) / det**0.25
        inside = r < min(3.5 * wide[0], 20)
        kept = (now[inside] - far[1]).sum() / (was[inside] - far[0]).sum()
        for name, where in places.items():
            if where[yi, xi]:
                found[name].append((wide[0], wide[1], ring, 100 * ring / height, kept))
    out = {}
    for name, some in found.items():
        a = np.array(some or [(np.nan,) * 5])
        out[name] = {
            "n": float(len(some)),
            "fwhm": float(np.median(a[:, 0])),
            "after": float(np.median(a[:, 1] / a[:, 0])),
            "px": float(np.median(a[:, 1])),
            "ring": float(np.median(a[:, 2])),
            "ring90": float(np.quantile(a[:, 2], 0.9)),
            "% 90": float(np.quantile(a[:, 3], 0.9)),
            "flux": float(np.median(a[:, 4])),
        }
    return out


def main() -> None:
    """Print the table."""
    begun = False
    for name in sys.argv[1:] or SHOWN:
        for conditions in SOME:
            rows, sharp = measure(LAWS[name], **conditions)
            for region, row in rows.items():
                if not begun:
                    print(f"{'law':15} {'scene':14} {'region':8} " + " ".join(f"{k:>7}" for k in row))
                begun = True
                kind = f"{conditions['nebula']} {conditions['fwhm']} px"
                print(f"{name:15} {kind:14} {region:8} " + " ".join(f"{v:7.3f}" for v in row.values()), flush=True)
            told = {k: v for k, v in sharp.record.items() if "width" in k}
            print(f"{name:15} {told}", flush=True)


if __name__ == "__main__":
    main()
