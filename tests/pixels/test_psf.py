"""The PSF is measured on stars whose law is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.psf import gaussian_kernel, measure_psf, moffat_kernel


def field(fwhm, beta, seed=0, n=40, ellipticity=0.0, angle=0.0, sigma=1e-4, size=400):
    """Stars of one law at fractional places on a tilted sky with noise, in three channels, and their list."""
    rng = np.random.default_rng(seed)
    side = math.ceil(math.sqrt(n))
    step = size / side
    spots = [(i, j) for i in range(side) for j in range(side)][:n]
    x = np.array([(j + 0.5) * step + rng.uniform(-2, 2) for i, j in spots])
    y = np.array([(i + 0.5) * step + rng.uniform(-2, 2) for i, j in spots])
    peak = rng.uniform(0.02, 0.4, n)
    plane = np.zeros((size, size))
    r = 24
    for a, b, p in zip(x, y, peak, strict=True):
        xi, yi = round(a), round(b)
        stamp = moffat_kernel(fwhm, beta, r, ellipticity, angle, (a - xi, b - yi)).astype(float)
        y0, x0 = max(yi - r, 0), max(xi - r, 0)
        cut = stamp[y0 - yi + r : size - yi + r, x0 - xi + r : size - xi + r][: yi + r + 1 - y0, : xi + r + 1 - x0]
        plane[y0 : y0 + cut.shape[0], x0 : x0 + cut.shape[1]] += p * cut / moffat_kernel(fwhm, beta, r).max()
    ramp = 0.01 + 1e-5 * np.arange(size)[:, None]
    planes = np.stack([plane * c + ramp for c in (1.0, 0.8, 0.6)]) + rng.normal(0, sigma, (3, size, size))
    flux = peak * 10
    stars = StarList(x, y, flux, peak * 2.4, np.full(n, 8.0), np.zeros(n, bool))
    return planes.astype(np.float32), stars, Noise((sigma,) * 3, ((sigma,) * 6,) * 3)


@pytest.mark.parametrize(("fwhm", "beta"), [(1.8, 3.0), (2.2, 4.5), (3.0, 2.5), (4.5, 3.2), (6.0, 3.0)])
def test_width_and_law_of_known_stars(fwhm, beta):
    psf = measure_psf(*field(fwhm, beta))
    assert psf is not None
    assert psf.fwhm == pytest.approx(fwhm, rel=0.01)  # S/N of the faintest used star is 200: 40 of them give better than 1 %
    assert psf.beta == pytest.approx(beta, rel=0.1)
    assert psf.ellipticity < 0.02
    assert psf.kernel.dtype == np.float32
    assert psf.kernel.shape[0] % 2 == 1
    assert psf.kernel.sum() == pytest.approx(1, abs=1e-5)
    assert psf.kernel.min() >= 0
    truth = moffat_kernel(fwhm, beta, psf.kernel.shape[0] // 2)
    assert np.abs(psf.kernel - truth).max() < 0.02 * truth.max()


@settings(deadline=None, max_examples=8)
@given(e=st.floats(0.08, 0.3), angle=st.floats(-85, 85), seed=st.integers(0, 99))
def test_long_axis_and_its_angle(e, angle, seed):
    psf = measure_psf(*field(3.2, 3.0, seed, ellipticity=e, angle=angle))
    assert psf is not None
    assert psf.ellipticity == pytest.approx(e, abs=0.02)
    off = (psf.angle - angle + 90) % 180 - 90
    assert abs(off) < 4


def test_a_star_that_is_no_moffat_keeps_its_own_kernel():
    """Two Gaussians of different width: no Moffat law fits, the stacked residual must make up for it."""
    planes, stars, noise = field(3.0, 3.0, sigma=2e-5)
    rng = np.random.default_rng(1)
    plane = np.zeros(planes.shape[1:])
    yy, xx = np.mgrid[-20:21, -20:21]

    def law(dx, dy):
        r2 = (xx - dx) ** 2 + (yy - dy) ** 2
        return np.exp(-r2 / (2 * 1.3**2)) + 0.12 * np.exp(-r2 / (2 * 3.6**2))

    for a, b, p in zip(stars.x, stars.y, stars.peak, strict=True):
        xi, yi = round(a), round(b)
        plane[yi - 20 : yi + 21, xi - 20 : xi + 21] += p * law(a - xi, b - yi)
    planes = (plane[None] + rng.normal(0, 2e-5, planes.shape)).astype(np.float32)
    psf = measure_psf(planes, stars, noise)
    assert psf is not None
    r = psf.kernel.shape[0] // 2
    truth = law(0, 0)
    truth = truth[20 - r : 21 + r, 20 - r : 21 + r] / truth.max()
    alone = moffat_kernel(psf.fwhm, psf.beta, r)
    inner = np.hypot(*np.mgrid[-r : r + 1, -r : r + 1]) < 2 * psf.fwhm

    def miss(kernel):
        return np.sqrt(np.mean((kernel / kernel.max() - truth)[inner] ** 2))

    assert miss(psf.kernel) < 0.4 * miss(alone)


def test_saturated_double_and_odd_entries_do_not_count():
    planes, stars, noise = field(3.0, 3.0)
    planes = np.minimum(planes, 0.2)  # half of the stars are cut off
    psf = measure_psf(planes, stars, noise, (0.2, 0.2, 0.2))
    assert psf is not None
    assert psf.fwhm == pytest.approx(3.0, rel=0.02)
    hot = np.random.default_rng(3).integers(20, 380, (2, 8))
    planes[:, hot[0], hot[1]] += 0.15
    more = StarList(
        np.append(stars.x, hot[1]),
        np.append(stars.y, hot[0]),
        np.append(stars.flux, np.full(8, 0.3)),
        np.append(stars.peak, np.full(8, 0.4)),
        np.append(stars.radius, np.full(8, 3.0)),
        np.append(stars.saturated, np.zeros(8, bool)),
    )
    psf = measure_psf(planes, more, noise, (0.2, 0.2, 0.2))
    assert psf is not None
    assert psf.fwhm == pytest.approx(3.0, rel=0.02)


def test_too_few_stars_or_holes_give_none():
    planes, stars, noise = field(3.0, 3.0, n=4)
    assert measure_psf(planes, stars, noise) is None
    planes, stars, noise = field(3.0, 3.0)
    planes[:] = np.nan
    assert measure_psf(planes, stars, noise) is None


def test_nan_near_some_stars_is_left_out():
    planes, stars, noise = field(3.0, 3.0)
    planes[:, :, :120] = np.nan
    psf = measure_psf(planes, stars, noise)
    assert psf is not None
    assert psf.fwhm == pytest.approx(3.0, rel=0.01)
    assert np.isfinite(psf.kernel).all()


def test_gaussian_kernel_has_the_width_it_was_asked_for():
    k = gaussian_kernel(4.0, 14).astype(float)
    x = np.arange(-14, 15)
    assert math.sqrt((k.sum(0) * x**2).sum()) == pytest.approx(4 / 2.354820045, rel=1e-3)
