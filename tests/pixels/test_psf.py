"""The PSF is measured on stars whose law is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit import steps
from nebulakit.image import Image
from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.pixels.geometry import binned_fwhm
from nebulakit.pixels.psf import gaussian_kernel, measure_psf, moffat_kernel, psf_at
from nebulakit.pixels.stars.varying import Varying


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


def tilted(amounts, seed=0, n=100, size=500, fwhm=3.0, beta=3.2):
    """Give a field of stars whose contour's logarithm varies by these amounts (1, u, v, ...), in one channel, and their list."""
    rng = np.random.default_rng(seed)
    usual = Psf(
        moffat_kernel(fwhm, beta), fwhm, beta, varies=Varying(((size - 1) / 2,) * 2, size / math.sqrt(2), np.array(amounts))
    )
    side, r = math.ceil(math.sqrt(n)), 22
    x, y = ((np.arange(n) % side + 0.5), (np.arange(n) // side + 0.5))
    x, y = ((v * size / side + rng.uniform(-2, 2, n)) for v in (x, y))
    peak = rng.uniform(0.02, 0.4, n)
    plane = np.zeros((size + 2 * r, size + 2 * r))
    for a, b, p in zip(x, y, peak, strict=True):
        here, px, py = psf_at(usual, a, b), round(a), round(b)
        one = moffat_kernel(here.fwhm, beta, r, here.ellipticity, here.angle, (a - px, b - py)).astype(float)
        plane[py : py + 2 * r + 1, px : px + 2 * r + 1] += p * one / one.max()
    planes = 0.01 + plane[None, r:-r, r:-r] + rng.normal(0, 1e-4, (1, size, size))
    stars = StarList(x, y, peak * 10, peak, np.full(n, 8.0), np.zeros(n, bool))
    return usual, (planes.astype(np.float32), stars, Noise((1e-4,), ((1e-4,) * 6,)))


WIDER, OVAL = [[0, 0, 0], [-0.6, 0, -0.6], [0, 0, 0]], [[0, 0, 0], [-0.3, 0.2, 0.1], [0.1, -0.3, 0.2]]


@pytest.mark.parametrize("amounts", [WIDER, OVAL])
def test_it_is_told_how_stars_vary(amounts):
    usual, given = tilted(amounts)
    psf = measure_psf(*given)
    assert psf is not None
    assert psf.varies is not None
    for x, y in ((20, 30), (250, 250), (480, 40), (460, 470)):
        true, told = psf_at(usual, x, y), psf_at(psf, x, y)
        assert told.fwhm == pytest.approx(true.fwhm, rel=0.02)  # single stars are told within 1 %
        assert told.ellipticity == pytest.approx(true.ellipticity, abs=0.03)
        assert told.varies is None
        assert told.kernel.sum() == pytest.approx(1, abs=1e-5)
        true_kernel = moffat_kernel(true.fwhm, true.beta, told.kernel.shape[0] // 2, true.ellipticity, true.angle)
        assert np.abs(told.kernel - true_kernel).max() < 0.05 * true_kernel.max()  # two errors in width, and one in beta


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("fwhm", [1.8, 3.0])
def test_stars_that_are_all_alike_do_not_vary(fwhm, seed):
    psf = measure_psf(*field(fwhm, 3.0, seed, n=100, size=500))
    assert psf is not None
    assert psf.varies is None
    assert psf_at(psf, 10, 20) is psf


def test_what_the_law_leaves_of_a_kernel_is_drawn_out_with_it():
    """A star that is no Moffat star, made wider by the same law that makes its law wider."""
    y, x = np.mgrid[-20:21, -20:21]

    def star(width):  # two Gaussians, seen on pixels
        return sum(a / (s * width) ** 2 * np.exp(-(x * x + y * y) / 2 / (s * width) ** 2) for a, s in ((0.8, 1.0), (0.2, 2.2)))

    kernel, wider = (star(w) / star(w).sum() for w in (1.6, 2.0))
    varies = Varying((0.0, 0.0), 1.0, np.array([[-2 * math.log(1.25), 0.0, -2 * math.log(1.25)]]))
    there = psf_at(Psf(kernel.astype(np.float32), 4.1, 3.0, varies=varies), 0, 0)
    middle = there.kernel.shape[0] // 2
    assert there.fwhm == pytest.approx(1.25 * 4.1)
    made = there.kernel[middle - 15 : middle + 16, middle - 15 : middle + 16]
    assert np.abs(made - wider[5:36, 5:36]).max() < 0.01 * wider.max()  # the kernel ends somewhere, and so its sum differs


@pytest.mark.parametrize(
    ("step", "options"),
    [
        ("crop", {"box": [["10%", "20%"], ["70%", "90%"]]}),
        ("bin", {"factor": 2}),
        ("orient", {"turn": 90, "mirror": "none"}),
        ("orient", {"turn": 180, "mirror": "vertical"}),
        ("rotate", {"angle": "33 deg"}),
    ],
)
def test_how_stars_vary_follows_the_pixels(step, options):
    amounts = np.array([[0.1, 0, 0], [-0.3, 0.2, 0.1], [0.1, -0.3, 0.2], [0.2, 0, -0.1], [0, 0.3, 0], [0.1, 0.1, -0.2]])
    amounts = np.vstack([amounts, [[0.1, 0, 0.2], [0, 0.1, 0], [-0.2, 0, -0.1]]])
    psf = Psf(moffat_kernel(6.0, 3.0), 6.0, 3.0, 0.2, 30.0, varies=Varying((59.5, 39.5), 72.0, amounts))
    before = Image.from_array(np.zeros((80, 120)), psf=psf, fwhm=6.0)
    after = getattr(steps, step)(before, **options)
    matrix = np.array(after.frame.to_stack_matrix)  # of an uncropped stack
    for x, y in ((30.0, 31.0), (52.0, 45.0)):
        was = psf_at(psf, x, y)
        there = after.frame.from_stack(x, y)
        now = psf_at(after.psf, *there)
        # what one star's contour is at both places; the block of a bin makes it a little wider and rounder
        wide = binned_fwhm(was.fwhm, 2) if step == "bin" else was.fwhm
        assert now.fwhm == pytest.approx(wide, rel=0.01 if step == "bin" else 1e-6)
        assert now.ellipticity == pytest.approx(was.ellipticity, abs=0.03 if step == "bin" else 1e-6)
        axis = matrix[:, :2] @ [math.cos(math.radians(now.angle)), math.sin(math.radians(now.angle))]
        off = (math.degrees(math.atan2(axis[1], axis[0])) - was.angle + 90) % 180 - 90
        assert abs(off) < (1 if step == "bin" else 1e-4)
