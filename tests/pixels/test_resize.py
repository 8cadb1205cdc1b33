"""Scaling down: no moire, no rings, no lost light."""

import numpy as np
import pytest

from nebulakit.pixels.resize import shrink


@pytest.mark.parametrize("period", [2.5, 3.5, 5.0])
def test_what_the_new_pixels_cannot_show_vanishes(period):
    """Stripes finer than two new pixels: the triangle passes (sin(x)/x)^2, 5.5 % at 1.25 new pixels."""
    x = np.arange(800, dtype=np.float32)
    stripes = np.broadcast_to(np.sin(2 * np.pi * x / period), (800, 800)).astype(np.float32)[None].copy()
    assert shrink(stripes, (200, 200)).std() < 0.06 * stripes.std()


def test_what_the_new_pixels_can_show_stays():
    """Stripes of four new pixels: (sin(x)/x)^2 at a quarter is 0.81, the old sampling costs little more."""
    x = np.arange(800, dtype=np.float32)
    stripes = np.broadcast_to(np.sin(2 * np.pi * x / 16), (800, 800)).astype(np.float32)[None].copy()
    assert shrink(stripes, (200, 200))[0, 5:-5, 5:-5].std() > 0.78 * stripes.std()


def test_stars_get_no_dark_rings_and_keep_their_light():
    y, x = np.mgrid[0:200, 0:200]
    star = np.exp(-((x - 100.3) ** 2 + (y - 99.6) ** 2) / 2 / 1.3**2)
    light = (0.01 + 0.9 * star).astype(np.float32)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055).astype(np.float32)[None]
    small = shrink(encoded, (50, 50), encoded=True)[0]
    assert small.min() >= encoded.min() - 2e-5
    back = np.where(small <= 0.04045, small / 12.92, ((small + 0.055) / 1.055) ** 2.4)
    assert (back - 0.01).sum() * 16 == pytest.approx((light - 0.01).sum(), rel=0.002)


def test_even_stays_even_and_nothing_is_black():
    flat = np.full((3, 101, 77), 0.3, np.float32)
    assert np.allclose(shrink(flat, (40, 30), encoded=True), 0.3, atol=2e-5)
    assert np.allclose(shrink(flat, (40, 30)), 0.3, atol=1e-6)
    flat[:, :50] = np.nan
    assert np.isfinite(shrink(flat, (40, 30))).all()
    assert np.all(shrink(flat, (40, 30))[:, :15] == 0)
