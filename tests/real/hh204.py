"""A colour stack of a real nebula: HH 204 as the Hubble Space Telescope saw it, through an invented camera.

Images: WFPC2, filters F656N (H-alpha), F502N ([O III]), F547M (continuum); credit NASA, ESA and STScI, public domain.
"""

from pathlib import Path

import cv2
import numpy as np
from astropy.io import fits

SENSOR = np.array([[0.95, 0.03], [0.07, 0.77], [0.025, 0.63]])


def make_stack(folder: Path, seed: int = 4) -> dict[str, np.ndarray]:
    """Give stack (3, y, x), coverage, and the truth: ha, oiii, sky; 1.0 is full well."""
    planes = {name: fits.getdata(folder / f"fov2f{name}-PC.fits").astype(np.float32) for name in ("656", "502", "547")}
    # the L-shaped border that was never exposed is cut away, and the star whose spikes are the telescope's, not a small camera's
    part = (slice(60, 480), slice(60, 780))
    ha, oiii, star = (np.nan_to_num(planes[n][part]) for n in ("656", "502", "547"))
    rng = np.random.default_rng(seed)
    scale = 700 / ha.shape[0]

    def seen(plane: np.ndarray) -> np.ndarray:
        # a 5-pixel median takes cosmic rays and bad pixels; the blur is the small camera's seeing, and hides the noise of the original
        plane = cv2.medianBlur(plane, 5)
        return cv2.GaussianBlur(cv2.resize(plane, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), (0, 0), 3.0)

    # lines without the continuum that shines through their filters; what is negative then is noise
    ha, oiii, star = seen(ha), seen(oiii), seen(star)
    lines = []
    for plane, peak in ((ha, 0.0024), (oiii, 0.0014)):
        low = np.percentile(plane, 1)
        plane = np.clip(plane - low, 0, np.percentile(plane, 99.8) - low)
        lines.append(plane / plane.max() * peak)
    h, w = lines[0].shape
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    sky = np.stack([s * (1 + 0.3 * (0.7 * x + a * y) + 0.1 * x * y) for s, a in ((0.021, 0.5), (0.012, 0.4), (0.013, 0.45))])
    stars = np.zeros((3, h, w))
    n = 350
    flux = np.minimum(0.02 * (1 - rng.random(n)) ** (-1 / 1.1), 30)
    flux[:5] = rng.uniform(30, 120, 5)
    colour = np.exp(rng.normal(0, 0.15, (n, 1)) * np.array([1, 0, -1]))
    yy, xx = np.mgrid[-60:61, -60:61]
    for cx, cy, f, c in zip(rng.uniform(0, w, n), rng.uniform(0, h, n), flux, colour, strict=True):
        fx, fy = cx - int(cx), cy - int(cy)
        profile = (1 + ((xx - fx) ** 2 + (yy - fy) ** 2) / 1.9**2) ** -3.1
        y0, x0 = int(cy), int(cx)
        inside = (slice(max(y0 - 60, 0), min(y0 + 61, h)), slice(max(x0 - 60, 0), min(x0 + 61, w)))
        cut = (
            slice(inside[0].start - y0 + 60, inside[0].stop - y0 + 60),
            slice(inside[1].start - x0 + 60, inside[1].stop - x0 + 60),
        )
        stars[(slice(None), *inside)] += f * c[:, None, None] * (profile / profile.sum())[cut]
    coverage = np.zeros((h, w), np.float32)
    for turn in np.deg2rad(np.linspace(-14, 14, 40)):
        u, v = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
        coverage += (np.abs(u) < 0.93) & (np.abs(v) < 0.93)
    coverage *= 1200 / coverage.max()
    clean = np.clip(np.tensordot(SENSOR, np.stack(lines), 1) + sky + stars, 0, 1)
    sigma = np.sqrt((clean * 18000 + 2.25) / np.maximum(coverage, 1)) / 18000
    noise = np.stack([cv2.GaussianBlur(p, (0, 0), 0.45) for p in rng.standard_normal(clean.shape) * sigma])
    stack = np.where(coverage > 0, clean + noise, 0).astype(np.float32)
    return {"stack": stack, "coverage": coverage, "ha": lines[0], "oiii": lines[1], "sky": sky, "sigma": sigma, "stars": stars}
