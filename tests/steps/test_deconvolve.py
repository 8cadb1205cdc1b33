"""Sharpening where the image of a star varies over the frame."""

import functools

import numpy as np
import pytest

from nebulakit import steps
from nebulakit.image import Image
from nebulakit.pixels.psf import moffat_kernel

SHAPE = (300, 460)
WIDTH = 3.0
REACH = 24


def width_at(x, tilt):
    return WIDTH * (1 + tilt * (2 * x / (SHAPE[1] - 1) - 1))


@functools.cache
def night(tilt, seed=3):
    """Give a stack of noise 1 with stars of 100 to 1500 that are wider to the right; their places and heights."""
    rng = np.random.default_rng(seed)
    h, w = SHAPE
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(30, w - 25, 33), np.arange(30, h - 25, 33)))
    x, y = x + rng.uniform(-3, 3, x.shape), y + rng.uniform(-3, 3, y.shape)
    height = np.geomspace(100, 1500, len(x))[rng.permutation(len(x))]
    plane = np.zeros(SHAPE)
    for a, b, tall in zip(x, y, height, strict=True):
        px, py = round(a), round(b)
        one = moffat_kernel(width_at(a, tilt), 3.2, REACH, shift=(a - px, b - py)).astype(float)
        one *= tall / one.max()
        y0, x0, y1, x1 = max(py - REACH, 0), max(px - REACH, 0), min(py + REACH + 1, h), min(px + REACH + 1, w)
        plane[y0:y1, x0:x1] += one[y0 - py + REACH : y1 - py + REACH, x0 - px + REACH : x1 - px + REACH]
    return Image.from_array(100 + plane + rng.normal(0, 1, SHAPE), sky=(100.0,)), (x, y, height)


@functools.cache
def sharpened(tilt):
    return steps.deconvolve(night(tilt)[0])


def figures(before, after, places):
    """Give, per star: its place, the width at half of its height after over before, the depth of the dark ring, the light kept."""
    rows = []
    for x, y, _ in zip(*places, strict=True):
        px, py = round(x), round(y)
        cuts = [i.planes[0, py - 14 : py + 15, px - 14 : px + 15].astype(float) for i in (before, after)]
        r = np.hypot(*(np.mgrid[-14:15, -14:15] - np.array([y - py, x - px])[:, None, None]))
        far = [np.median(c[r > 11]) for c in cuts]
        # rings of half a pixel tell where a star has sunk to half of what it is in the middle
        edges = np.arange(0.0, 7.0, 0.5)
        halves = []
        for cut, level in zip(cuts, far, strict=True):
            profile = np.array([(cut - level)[(r >= e - 0.4) & (r < e + 0.9)].mean() for e in edges])
            halves.append(np.interp(-0.5, -profile / profile[0], edges))
        ring = far[1] - min(np.median(cuts[1][(r >= q) & (r < q + 1.5)]) for q in np.arange(1.5, 9, 0.75))
        kept = (cuts[1] - cuts[0])[r < 10].sum() / (cuts[0] - far[0])[r < 10].sum()
        rows.append((x, 2 * halves[0], 2 * halves[1], ring, kept))
    return np.array(rows)


def test_on_the_sharp_side_of_a_tilted_frame_stars_get_no_dark_rings():
    image, places = night(0.25)
    sharp = sharpened(0.25)
    x, before, after, ring, kept = figures(image, sharp, places).T
    left, right = x < 0.25 * SHAPE[1], x > 0.75 * SHAPE[1]
    assert np.quantile(ring[left], 0.9) < 3  # noises, the goal; 0.1 when written, by one star image for all 30
    assert np.quantile(ring[right], 0.9) < 3
    # read from rings of pixels, 1.14; before 1.5, by one star image for all 1.9
    assert np.median(after[right]) / np.median(after[left]) < 1.25
    assert np.median(after[right] / before[right]) < 0.75
    assert abs(np.median(kept)) < 0.005
    assert sharp.planes.sum(dtype=float) == pytest.approx(image.planes.sum(dtype=float), rel=1e-6)


def test_what_was_told_of_varying_stars_is_recorded():
    told = sharpened(0.25).record
    assert told["width_least"][0] == pytest.approx(0.75 * WIDTH, rel=0.03)
    assert told["width_in_the_middle"][0] == pytest.approx(WIDTH, rel=0.03)
    assert told["width_most"][0] == pytest.approx(1.25 * WIDTH, rel=0.03)
    assert told["drawn_out_most"][0] < 1.05
    assert "width_least" not in sharpened(0.0).record


def test_a_starless_layer_is_sharpened_by_the_stars_that_were_at_each_place():
    """Points of light stand for gas, seen through the image of their place; the stars themselves are on another layer."""
    starry, places = night(0.25)
    known = starry.measured("noise", "stars", "psf", "fwhm")
    for told in (
        steps.deconvolve(known.replace(content="starless")),  # what the layer itself knows, as after separate_stars
        steps.deconvolve(starry.replace(content="starless").measured("noise"), stars=starry),
    ):
        x, _, _, ring, _ = figures(starry, told, places).T
        assert np.quantile(ring[x < 0.25 * SHAPE[1]], 0.9) < 3  # 30 by one star image for all
