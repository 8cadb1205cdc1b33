"""Published values of star images, each with its source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nebulakit.pixels import narrowing
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.psf import (
    FWHM_PER_SIGMA,
    fit_moffat,
    gaussian_kernel,
    measure_psf,
    moffat_encircled,
    moffat_fwhm,
    moffat_kernel,
)


def test_gaussian_width() -> None:
    # 2 sqrt(2 ln 2), astropy.stats.gaussian_sigma_to_fwhm
    assert pytest.approx(2.354820045031, abs=1e-12) == FWHM_PER_SIGMA


@pytest.mark.parametrize(("beta", "width"), [(2.5, 1.130501), (4.765, 0.791401), (3.0, 1.019649)])
def test_moffat_width(beta: float, width: float) -> None:
    # 2 sqrt(2^(1/beta) - 1): Moffat 1969, A&A 3:455; beta = 4.765 for turbulence: Trujillo et al. 2001, MNRAS 328:977
    assert moffat_fwhm(1.0, beta) == pytest.approx(width, abs=1e-6)


def test_light_of_a_star_of_peak_one() -> None:
    # 2 pi sigma^2 and pi alpha^2 / (beta - 1), analytic; a sampled star is as bright as the true one to what its samples miss
    assert 1 / float(gaussian_kernel(2 * FWHM_PER_SIGMA, 20).max()) == pytest.approx(25.132741, rel=1e-6)
    kernel = moffat_kernel(moffat_fwhm(3.0, 3.0), 3.0, 150)
    assert 1 / float(kernel.max()) == pytest.approx(14.137167, rel=1e-3)  # beyond r = 150 px lies (1 + r^2/a^2)^(1 - b)


def test_light_of_a_gaussian_within_a_radius() -> None:
    # 1 - exp(-r^2 / 2 sigma^2), analytic: half the light within FWHM/2, 15/16 within FWHM; at sigma = 20 px pixels are fine
    sigma = 20.0
    kernel = gaussian_kernel(sigma * FWHM_PER_SIGMA, 120).astype(float)
    r = np.hypot(*np.mgrid[-120:121, -120:121])
    radii = [sigma * FWHM_PER_SIGMA / 2, sigma, 2 * sigma, sigma * FWHM_PER_SIGMA]
    got = [kernel[r <= q].sum() for q in radii]
    np.testing.assert_allclose(got, [0.5, 0.393469, 0.864665, 0.9375], atol=2e-3)


def test_light_of_a_moffat_within_a_radius() -> None:
    # 1 - (1 + r^2/alpha^2)^(1 - beta) at beta = 2.5, analytic
    np.testing.assert_allclose([moffat_encircled(q, 1.0, 2.5) for q in (1, 2, 3)], [0.646447, 0.910557, 0.968377], atol=1e-6)


def test_widths_add_in_quadrature() -> None:
    # Gaussians of FWHM 3 and 4 make one of 5; told by second moments
    from scipy.signal import fftconvolve

    both = fftconvolve(gaussian_kernel(3.0, 20).astype(float), gaussian_kernel(4.0, 20).astype(float))
    x = np.arange(both.shape[0]) - both.shape[0] // 2
    assert FWHM_PER_SIGMA * math.sqrt((both.sum(0) * x**2).sum()) == pytest.approx(5.0, abs=1e-3)


def test_wiener_gain_on_a_perfect_image() -> None:
    # W = H* / (|H|^2 + K), H = 1, K = 0.25: gain 1 / (1 + K) = 0.8 (Gonzalez & Woods, from memory; skimage 0.26 wiener with reg = 1)
    one = np.ones((8, 8), complex)
    gain = narrowing._difference(one, 2 * one, math.sqrt(0.25))  # asked to add as much as there is
    np.testing.assert_allclose(gain, 0.8, atol=1e-12)
    np.testing.assert_allclose(narrowing._difference(one, one, 0.5), 0, atol=1e-12)  # nothing to be won: nothing done


def test_place_and_width_of_a_noise_free_star() -> None:
    # Gaussian sigma 2, peak 100, at (30.3, 29.6): sep 1.4.1 finds 30.30000, 29.60000 and a = b = 1.9999 without filter
    yy, xx = np.mgrid[:61, :61]
    plane = 100 * np.exp(-((xx - 30.3) ** 2 + (yy - 29.6) ** 2) / 8)
    law = fit_moffat(plane[None, 18:43, 18:43], np.zeros((1, 2)), 4.0)[0]
    assert 30 + law[1] == pytest.approx(30.3, abs=1e-3)
    assert 30 + law[2] == pytest.approx(29.6, abs=1e-3)
    fwhm = moffat_fwhm((law[3] * law[5] - law[4] ** 2) ** -0.25, math.exp(law[6]))
    assert fwhm / FWHM_PER_SIGMA == pytest.approx(2.0, rel=5e-3)  # a Moffat law is a Gaussian only for beta without end


def test_light_of_a_measured_star() -> None:
    # 800 pi = 2513.2741 for that star (sep: 2513.2668 at a threshold); amplitude over the kernel's peak is its light
    rng = np.random.default_rng(0)
    plane = rng.normal(0, 1e-3, (160, 160))
    yy, xx = np.mgrid[:160, :160]
    x, y = (rng.uniform(-0.5, 0.5, 9) + v.ravel() for v in np.meshgrid([30.0, 80, 130], [30.0, 80, 130]))
    for a, b in zip(x, y, strict=True):
        plane += 100 * np.exp(-((xx - a) ** 2 + (yy - b) ** 2) / 8)
    ones = np.ones(9)
    stars = StarList(x, y, 2513 * ones, 100 * ones, 12 * ones, ones < 0)
    psf = measure_psf(plane[None].astype(np.float32), stars, Noise((1e-3,), ((1e-3,) * 6,)))
    assert psf is not None
    assert psf.fwhm == pytest.approx(2 * FWHM_PER_SIGMA, rel=5e-3)
    assert 100 / float(psf.kernel.max()) == pytest.approx(2513.2741, rel=0.01)
