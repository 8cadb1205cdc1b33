"""The part of a large picture that tells of the whole."""

import numpy as np
import pytest

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.stars import windows as module
from nebulakit.pixels.stars.windows import windows

SHAPE = (700, 900)


@pytest.fixture
def picture(monkeypatch):
    """Planes of which every value is there once, with nothing in a corner; coverage that tells the place; stars."""
    monkeypatch.setattr(module, "ENOUGH", 150_000)
    rng = np.random.default_rng(1)
    planes = rng.permutation(3 * SHAPE[0] * SHAPE[1]).reshape(3, *SHAPE).astype(np.float32)
    planes[:, :200, :150] = np.nan
    coverage = np.arange(SHAPE[0] * SHAPE[1], dtype=np.float32).reshape(SHAPE)
    x, y = (np.rint(rng.uniform(0, n - 1, 300)) for n in SHAPE[::-1])
    peak = np.linspace(300, 1, 300)
    return planes, coverage, StarList(x, y, peak, peak, np.full(300, 3.0), np.zeros(300, bool))


def test_windows_hold_what_tells(picture):
    planes, coverage, stars = picture
    part, covered, there = windows(planes, coverage, stars, np.arange(300), 4.0)
    assert np.isfinite(part[0]).sum() < 1.1 * 150_000
    assert np.array_equal(np.nanmax(part, axis=(1, 2)), np.nanmax(planes, axis=(1, 2)))
    assert np.array_equal(np.nanmin(part, axis=(1, 2)), np.nanmin(planes, axis=(1, 2)))
    # a star and its coverage lie where they lay
    assert len(there) > 30
    ys, xs = there.y.astype(int), there.x.astype(int)
    index = (300 - there.peak).round().astype(int)
    assert np.array_equal(covered[ys, xs], coverage[stars.y[index].astype(int), stars.x[index].astype(int)])
    held = np.isfinite(part[:, ys, xs])
    assert np.array_equal(part[:, ys, xs][held], planes[:, stars.y[index].astype(int), stars.x[index].astype(int)][held])
    assert held.mean() > 0.9
    # and the same again
    assert np.array_equal(part, windows(planes, coverage, stars, np.arange(300), 4.0)[0], equal_nan=True)


def test_the_brightest_stars_are_there(picture):
    planes, _, stars = picture
    lone = np.nonzero((stars.y > 250) & (stars.x > 200) & (stars.y < 600) & (stars.x < 800))[0]
    _, covered, there = windows(planes, None, stars, lone, 4.0)
    assert covered is None
    # those that stand in the middle of a window are asked for, brightest first
    assert np.isin(stars.peak[lone[:3]], there.peak).sum() >= 2


def test_a_small_picture_is_its_own_window(picture):
    planes, coverage, stars = picture
    small = planes[:, :300, :400]
    assert windows(small, coverage, stars, np.arange(300), 4.0)[0] is small
