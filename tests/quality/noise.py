"""Noise found against noise made, and denoising against general-purpose libraries, on scenes whose truth is known.

    python -m tests.quality.noise [COUNT] [hard]

Per scene: noise found over true per channel (worst) and per starlet scale (worst of the first four, and of all six). True is
once the noise that was made, which has few independent places at the coarse scales, and once what is to be expected of such
noise on such a frame (`expected`, `exp. 1-6`); `by chance` is by how much w_6 of one noise differs from that, as a standard
deviation. `hard` measures these alone, on scenes that are crowded, deep, shallow, undersampled, small. Then gain in PSNR of
denoising and by how much it beats the best of scikit-image's wavelet, total variation and non-local means (given the true
sigma); the largest correlation of what was taken away with the nebula; by how much neighbours in it are more alike than in
the noise itself; the same gain for each line after unmixing by the true sensor matrix; and the grain left where coverage is
thin over that where it is full (both in sigma of the full coverage, before: about 1.4 to 1).
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.image import Image
from nebulakit.pixels import starlet
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.rectangle import largest_rectangle
from nebulakit.steps import denoise_wavelet
from tests.quality import beside
from tests.quality.lines import other_sensor

NEBULAE = ("shell", "ridges", "lobes", "wall", "wide", "real")
GRADIENTS = ("tilt", "bowl", "corner")


def scenes(scene: Any, count: int, shape: tuple[int, int] = (600, 800)) -> Iterator[Any]:
    """Give scenes of every kind: seeing, noise correlation, sensors, exposure, brightness and second nights all differ."""
    for i in range(count):
        random = np.random.default_rng(7000 + i)
        sensor = other_sensor(random)
        yield scene.Scene(
            f"{NEBULAE[i % 6]}-{i}",
            7000 + i,
            shape=shape,
            nebula=NEBULAE[i % 6],
            gradient=GRADIENTS[i // 2 % 3],
            ha_peak=float(random.choice([0.001, 0.0016, 0.003])),
            oiii_peak=float(random.choice([0.0003, 0.0005, 0.001])),
            second_night=float(random.uniform(30, 70)) if i % 5 == 4 else 0.0,
            resample_blur=float(random.choice([0.0, 0.3, 0.45, 0.6, 0.75, 0.9])),
            tilt=float(random.uniform(0.1, 0.6)),
            white=float(random.uniform(0.7, 1)),
            fwhm=float(random.uniform(2.2, 4.5)),
            beta=float(random.uniform(2.5, 4.5)),
            oval=float(random.uniform(0, 0.15)),
            frames=int(random.choice([500, 1500, 4000])),
            stars=int(random.choice([800, 1200, 2500])),
            sensor=tuple(map(tuple, sensor)),
            reflection=0.004 * (i % 2),
        )


def hard_scenes(scene: Any, count: int) -> Iterator[Any]:
    """Give scenes beyond the usual: crowded, deep and shallow, bright lines, strong glows, undersampled, large and small."""
    for i in range(count):
        random = np.random.default_rng(91000 + i)
        sensor = other_sensor(random)
        yield scene.Scene(
            f"{NEBULAE[i % 5]}-{i}",
            91000 + i,
            shape=((600, 800), (900, 1200), (420, 560), (700, 700), (1000, 700))[int(random.integers(5))],
            nebula=NEBULAE[i % 5],
            gradient=GRADIENTS[int(random.integers(3))],
            ha_peak=float(random.choice([0.0005, 0.001, 0.0016, 0.003, 0.006])),
            oiii_peak=float(random.choice([0.0002, 0.0005, 0.001, 0.003])),
            second_night=float(random.uniform(30, 70)) if random.random() < 0.3 else 0.0,
            resample_blur=float(random.choice([0.0, 0.3, 0.45, 0.6, 0.75, 0.9])),
            tilt=float(random.uniform(0.1, 0.9)),
            white=float(random.uniform(0.7, 1)),
            fwhm=float(random.uniform(2.0, 5)),
            beta=float(random.uniform(2.5, 4.5)),
            oval=float(random.uniform(0, 0.15)),
            frames=int(random.choice([100, 500, 1500, 4000])),
            stars=int(random.choice([500, 1200, 2500, 6000])),
            sensor=tuple(map(tuple, sensor)),
            reflection=0.004 * int(random.integers(2)),
        )


def build(scene: Any, one: Any, data: Path) -> dict[str, Any]:
    """Make a scene; a real nebula's lines are taken from observations."""
    if one.nebula != "real":
        return dict(scene.build(one))
    from astropy.io import fits
    from scipy.ndimage import median_filter

    lines = [np.nan_to_num(np.asarray(fits.getdata(data / "nebula-hh204" / f"fov2f{n}-PC.fits"), float)) for n in (656, 502)]
    return dict(scene.build(one, tuple(median_filter(p[20:780, 40:780], 3) for p in lines)))


def measure(truth: dict[str, Any]) -> dict[str, float]:
    """Give the figures of one scene."""
    cut = well_covered(truth)
    return {
        **noise_found(cut, truth["scene"]["resample_blur"]),
        **gains(truth, cut),
        **lines(truth, cut),
        "even": evenness(truth),
    }


def well_covered(truth: dict[str, Any]) -> dict[str, Any]:
    """Cut a scene to where at least 85 % of the frames lie."""
    cover = truth["coverage"]
    box = largest_rectangle(cover >= np.float32(0.85 * cover.max()))
    assert box is not None
    return {k: np.ascontiguousarray(box.cut(v)) for k, v in truth.items() if isinstance(v, np.ndarray)}


def noise_found(cut: dict[str, Any], blur: float) -> dict[str, float]:
    """Compare measured noise with stack - clean, away from stars, each pixel's over the map (sigma is told for a map of 1)."""
    found = measure_noise(cut["stack"], cut["coverage"])
    even = np.ones(cut["coverage"].shape) if found.map is None else found.map
    made, expected = [], []
    for c in range(3):
        noise = ((cut["stack"][c] - cut["clean"][c]) / even).astype(np.float32)
        far = (cut["stars"][c] < cut["sigma"][c]) & (cut["coverage"] > 0)
        told = np.array([found.sigma[c], *found.scales[c]])
        made.append(told / [w[far].std() for w in (noise, *starlet.transform(noise, 6)[0])] - 1)
        expected.append(told / [np.sqrt(v[far].mean()) for v in expectation((cut["sigma"][c] / even) ** 2, blur)] - 1)
    worst, sure = np.abs(made).max(0), np.abs(expected).max(0)
    return {
        "sigma": float(worst[0]),
        "scales1-4": float(worst[1:5].max()),
        "scales1-6": float(worst.max()),
        "expected": float(sure[0]),
        "exp. 1-6": float(sure.max()),
        "by chance": chance(even.shape, blur),
    }


def lines_of(n: int, blur: float, scales: int = 6) -> list[Any]:
    """Give what makes c_0..c_J of a line of n pixels out of white noise that reaches over its ends, as matrices."""
    from scipy.ndimage import convolve1d, gaussian_filter1d

    over = 8
    out = [gaussian_filter1d(np.eye(n + 2 * over), blur, axis=0)[over:-over] if blur else np.eye(n + 2 * over)[over:-over]]
    for j in range(scales):
        taps = np.zeros(4 * 2**j + 1)
        taps[:: 2**j] = starlet.B3
        out.append(convolve1d(out[-1], taps, axis=0, mode="mirror"))
    return out


def expectation(variance: Any, blur: float, scales: int = 6) -> list[Any]:
    """Give the expected variance (y, x) of pixels and of w_1..w_J for white noise of a variance (y, x), then blurred; exact."""
    down, across = (lines_of(n, blur, scales) for n in variance.shape)
    wide = np.pad(variance.astype(float), 8, mode="edge")

    def both(i: int, k: int) -> Any:
        return (down[i] * down[k]) @ wide @ (across[i] * across[k]).T

    return [both(0, 0), *(both(j, j) - 2 * both(j, j + 1) + both(j + 1, j + 1) for j in range(scales))]


def chance(shape: tuple[int, ...], blur: float, scale: int = 6) -> float:
    """Give the relative standard deviation of the rms of w_J over a whole frame of even noise, from one noise to the next; exact."""
    a, b = (lines_of(n, blur, scale)[-2:] for n in shape)
    terms = [(i, k, 1 if i == k else -1) for i in (0, 1) for k in (0, 1)]
    p, q = ({(i, k): m[i] @ m[k].T for i, k, _ in terms} for m in (a, b))
    total = sum(s * np.trace(p[i, k]) * np.trace(q[i, k]) for i, k, s in terms)
    square = sum(s * t * np.vdot(p[i, k], p[m, n]) * np.vdot(q[i, k], q[m, n]) for i, k, s in terms for m, n, t in terms)
    return float(0.5 * np.sqrt(2 * square) / total)


def library(planes: Any, sigma: Any) -> list[Any]:
    """Denoise with scikit-image, given the true sigma."""
    from skimage import restoration as r

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        axis = 0 if planes.ndim == 3 else None
        each = [planes] if planes.ndim == 2 else list(planes)
        tv = [r.denoise_tv_chambolle(p, weight=1.5 * s) for p, s in zip(each, sigma, strict=True)]
        nl = [
            r.denoise_nl_means(p, patch_size=5, patch_distance=6, h=0.8 * s, sigma=s, fast_mode=True)
            for p, s in zip(each, sigma, strict=True)
        ]
        wavelet = r.denoise_wavelet(planes, channel_axis=axis, method="BayesShrink", rescale_sigma=True)
    return [wavelet, *(np.stack(v) if planes.ndim == 3 else v[0] for v in (tv, nl))]


def decibels(a: Any, truth: Any, peak: float) -> float:
    """Peak signal to noise."""
    return float(10 * np.log10(peak**2 / ((a - truth) ** 2).mean()))


def gains(truth: dict[str, Any], cut: dict[str, Any]) -> dict[str, float]:
    """Denoise the starless colour stack with the step's defaults."""
    noisy, clean = cut["nebula"] + cut["starless_noise"], cut["nebula"]
    peak = float(np.percentile(clean, 99.9))
    image = Image.from_array(noisy, coverage=cut["coverage"], content="starless")
    after = denoise_wavelet(image).planes
    best = max(decibels(p * peak, clean, peak) for p in library(noisy / peak, np.median(cut["sigma"], (1, 2)) / peak))
    taken = noisy - after
    like = [abs(np.corrcoef(taken[c].ravel(), clean[c].ravel())[0, 1]) for c in range(3)]
    alike = [neighbours(taken[c], s) - neighbours(cut["starless_noise"][c], s) for c in range(3) for s in (1, 2, 3, 5, 10)]
    reached = decibels(after, clean, peak)
    return {"gain": reached - decibels(noisy, clean, peak), "over": reached - best, "|r|": max(like), "alike": max(alike)}


def neighbours(plane: Any, step: int) -> float:
    """Give the correlation of values so many pixels apart."""
    return float(np.corrcoef(plane[:, step:].ravel(), plane[:, :-step].ravel())[0, 1])


def lines(truth: dict[str, Any], cut: dict[str, Any]) -> dict[str, float]:
    """Denoise each line after unmixing by the true matrix, against the libraries on the same plane."""
    noisy, sigma = cut["nebula"] + cut["starless_noise"], np.median(cut["sigma"], (1, 2))
    inverse = np.linalg.pinv(np.array(truth["scene"]["sensor"]) / sigma[:, None]) / sigma
    noise = measure_noise(noisy, cut["coverage"]).mixed(inverse)
    out = {}
    for k, name in enumerate(("ha", "oiii")):
        plane, clean = (np.tensordot(inverse[k].astype(np.float32), p, 1) for p in (noisy, cut["nebula"]))
        peak, spread = float(np.percentile(clean, 99.9)), float(np.sqrt((inverse[k] ** 2 * sigma**2).sum()))
        image = Image.from_array(plane, channels=(name,), coverage=cut["coverage"], content="starless", noise=noise.picked(k))
        after = denoise_wavelet(image).planes[0]
        best = max(decibels(p * peak, clean, peak) for p in library(plane / peak, [spread / peak]))
        out[name] = decibels(after, clean, peak) - best
    return out


def evenness(truth: dict[str, Any]) -> float:
    """Denoise the whole stack: grain left where a third to two thirds of the frames lie over that under the full number."""
    noisy, cover = truth["nebula"] + truth["starless_noise"], truth["coverage"] / truth["coverage"].max()
    after = denoise_wavelet(Image.from_array(noisy, coverage=truth["coverage"], content="starless")).planes
    left = np.abs(after - truth["nebula"]).sum(0)
    empty = truth["nebula"].max(0) < np.quantile(truth["nebula"].max(0)[cover > 0.9], 0.4)
    thin, thick = empty & (cover > 0.35) & (cover < 0.65), empty & (cover > 0.9)
    return float(np.median(left[thin]) / np.median(left[thick])) if min(thin.sum(), thick.sum()) > 500 else float("nan")


def main() -> None:
    """Print the table."""
    scene = beside.generator()
    rows: list[list[float]] = []
    hard = "hard" in sys.argv
    for one in (hard_scenes if hard else scenes)(scene, int(sys.argv[1]) if len(sys.argv) > 1 else 18):
        truth = build(scene, one, beside.FOLDER / "data")
        found = noise_found(well_covered(truth), one.resample_blur) if hard else measure(truth)
        if not rows:
            print(f"{'scene':12} {'blur':>5} {'fwhm':>5} " + " ".join(f"{k:>9}" for k in found))
        rows.append(list(found.values()))
        print(
            f"{one.name:12} {one.resample_blur:5.2f} {one.fwhm:5.2f} " + " ".join(f"{v:9.3f}" for v in found.values()), flush=True
        )
    print(f"{'median':24} " + " ".join(f"{v:9.3f}" for v in np.nanmedian(rows, 0)))
    print(f"{'least':24} " + " ".join(f"{v:9.3f}" for v in np.nanmin(rows, 0)))
    print(f"{'most':24} " + " ".join(f"{v:9.3f}" for v in np.nanmax(rows, 0)))


if __name__ == "__main__":
    main()
