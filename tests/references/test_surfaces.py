"""Surfaces against published fits. Sources stand beside each check."""

import numpy as np
import pytest

from nebulakit.pixels.glow.gradient import decide_gradient
from nebulakit.pixels.glow.legendre import basis, surface, terms


def fit(x: np.ndarray, y: np.ndarray, order: int) -> np.ndarray:
    """Fit a polynomial of one variable by our Legendre products on [-1, 1]; give the plain coefficients of x."""
    u = (x - x.min()) / (x.max() - x.min()) * 2 - 1
    along = [n for n, (_, j) in enumerate(terms(order)) if j == 0]
    c = np.linalg.lstsq(basis(u, np.zeros_like(u), order)[:, along], y, rcond=None)[0]
    return np.polynomial.Legendre(c, domain=[x.min(), x.max()]).convert(kind=np.polynomial.Polynomial).coef


X = np.arange(21.0)


def test_wampler1():
    # NIST StRD Wampler1: y = sum of x^k, k = 0..5, x = 0..20; every certified coefficient is 1, residual 0
    y = sum(X**k for k in range(6))
    assert fit(X, y, 5) == pytest.approx(np.ones(6), rel=1e-6)  # the conversion back to powers of x loses digits, not the fit


def test_wampler2():
    # NIST StRD Wampler2: y = sum of (x / 10)^k; certified coefficients 1, .1, .01, 1e-3, 1e-4, 1e-5
    y = sum((X / 10) ** k for k in range(6))
    assert fit(X, y, 5) == pytest.approx([10.0**-k for k in range(6)], rel=1e-7)


def test_wampler4():
    # NIST StRD Wampler4 (data and certified values): coefficients 1 in spite of wild noise, their standard deviations as given
    certified = (
        "75901 -204794 204863 -204436 253665 -200894 214131 -185192 221249 -138370 315911 -27644 455253 197434 "
        "783995 608816 1370781 1303798 2205519 2408860 3444321"
    )
    y = np.array(certified.split(), float)
    assert fit(X, y, 5) == pytest.approx(np.ones(6), rel=1e-4)  # against values of 1e6: 1e-10 of them
    u = X / 10 - 1
    along = [n for n, (_, j) in enumerate(terms(5)) if j == 0]
    a = basis(u, np.zeros_like(u), 5)[:, along]
    r = y - a @ np.linalg.lstsq(a, y, rcond=None)[0]
    powers = np.vander(X, 6, increasing=True)
    scale = np.sqrt((r @ r) / 15)
    sd = scale * np.sqrt(np.diag(np.linalg.inv(powers.T @ powers)))
    certified = [215232.624678170, 236355.173469681, 77934.3524331583, 10147.5507550350, 564.566512170752, 11.2324854679312]
    assert sd == pytest.approx(certified, rel=1e-6)


def test_legendre_products():
    # NIST Digital Library of Mathematical Functions, 18: x^2 = (2 P2 + P0) / 3
    x = np.linspace(-1, 1, 41)
    b = basis(x, np.zeros_like(x), 2)
    p2 = b[:, terms(2).index((2, 0))]
    assert (2 * p2 + b[:, 0]) / 3 == pytest.approx(x**2, abs=1e-14)


@pytest.mark.parametrize(("order", "count"), [(1, 3), (2, 6), (3, 10), (4, 15), (5, 21)])
def test_number_of_terms(order, count):
    # (d + 1)(d + 2) / 2, as astropy's Polynomial2D has
    assert len(terms(order)) == count


def test_a_quadratic_in_two_variables_is_recovered():
    # algebra: x^2 and y^2 in Legendre products
    y, x = (v.ravel() for v in np.mgrid[-1:1:40j, -1:1:60j])
    z = 3 - 0.25 * x - 0.5 * y + 0.5 * x * y + 0.0625 * x**2 + 0.125 * y**2
    c = dict(zip(terms(2), np.linalg.lstsq(basis(x, y, 2), z, rcond=None)[0], strict=True))
    assert c[0, 0] == pytest.approx(3 + 0.0625 / 3 + 0.125 / 3)
    assert (c[1, 0], c[0, 1], c[1, 1]) == pytest.approx((-0.25, -0.5, 0.5))
    assert (c[2, 0], c[0, 2]) == pytest.approx((0.0625 * 2 / 3, 0.125 * 2 / 3))


def test_a_plane_under_sixty_stars():
    # scene: numpy default_rng(12345), truth 100 + .05 x + .02 y, noise 3; formal error of a slope s sqrt(12) / N^2 = 1.6e-4 (regression
    # theory); half the pixels are under stars or near them, so five of those are allowed
    rng = np.random.default_rng(12345)
    y, x = np.mgrid[0:256, 0:256].astype(float)
    scene = 100 + 0.05 * x + 0.02 * y + rng.normal(0, 3, (256, 256))
    for _ in range(60):
        cx, cy = rng.uniform(5, 250, 2)
        scene += rng.uniform(50, 2000) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.8**2))
    assert scene.mean() == pytest.approx(128.170277)  # the scene is the one that is meant
    found = decide_gradient(scene[None].astype(np.float32), [3.0], order=1)
    plane = surface(found.coefficients, (256, 256), 1)[0]
    assert (plane[128, 255] - plane[128, 0]) / 255 == pytest.approx(0.05, abs=8e-4)
    assert (plane[255, 128] - plane[0, 128]) / 255 == pytest.approx(0.02, abs=8e-4)
    assert plane[0, 0] == pytest.approx(100, abs=0.3)
