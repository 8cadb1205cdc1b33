"""Published and exact values of the starlet transform, each with its source. Ours is float32: 1e-6 is what that leaves."""

from __future__ import annotations

import numpy as np
import pytest

from nebulakit.pixels import starlet

# analytic, from the impulse responses; the same digits stand in public tables (the books' Monte-Carlo ones agree to 0.002)
EXACT = [0.8907963, 0.2006639, 0.0855075, 0.0412174, 0.0204250, 0.0101898, 0.0050920, 0.0025457]
# Starck, Murtagh & Bijaoui 1998; Starck & Murtagh 2006 (from memory)
PUBLISHED = [0.889, 0.200, 0.086, 0.041, 0.020, 0.010, 0.005]


def test_the_b3_kernel() -> None:
    # Starck & Murtagh, Astronomical Image and Data Analysis (2006); Starck, Fadili & Murtagh 2007, IEEE TIP 16:297 (from memory)
    assert starlet.B3.tolist() == [1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16]
    assert float(starlet.B3 @ starlet.B3) == 0.2734375
    assert float(starlet.B3 @ np.arange(-2, 3) ** 2) == 1.0  # variance: 1 px**2


def test_standard_deviations_of_white_noise() -> None:
    np.testing.assert_allclose(starlet.white_sigmas(8), EXACT, atol=1e-7)
    np.testing.assert_allclose(starlet.white_sigmas(7), PUBLISHED, atol=0.002)
    assert starlet.white_sigmas(1)[0] == pytest.approx(np.sqrt(1 - 2 * (6 / 16) ** 2 + (70 / 256) ** 2), abs=1e-12)


def test_a_commonly_copied_table_is_wrong_in_its_last_entries() -> None:
    # its seventh entry is a border artefact, its eighth is not w_8 but c_7 of a smaller transform: do not copy it
    copied = [0.8907963, 0.20066385, 0.08550751, 0.04121745, 0.02042497, 0.01018976, 0.00504662, 0.00368314]
    ours = starlet.white_sigmas(8)
    np.testing.assert_allclose(ours[:6], copied[:6], atol=1e-7)
    assert ours[6] == pytest.approx(0.0050920, abs=1e-7)
    assert ours[7] == pytest.approx(0.0025457, abs=1e-7)
    assert starlet.kernel_sigmas(np.ones(1), 7)[1][7] == pytest.approx(0.0037451, abs=1e-7)


def test_standard_deviations_in_one_dimension() -> None:
    # exact values, recomputed; the table copied in public codes (0.700, 0.323, 0.210, ...) does not verify
    want = [0.7235, 0.2855, 0.1779, 0.1222, 0.0858, 0.0606, 0.0428]
    random = np.random.default_rng(5)
    row = np.repeat(random.standard_normal((1, 2**21)).astype(np.float32), 1, axis=0)
    planes, _ = starlet.transform(np.repeat(row, 3, axis=0), 5)  # rows alike: the other axis does nothing
    # 2**21 values, of which 2**(j+1) hang together: 1 % is 3 sigma at j = 5
    np.testing.assert_allclose([p[1].std() for p in planes], want[:5], rtol=0.012)


def test_noise_of_the_smooth_plane() -> None:
    # analytic, (a_J . a_J): recomputed with direct impulse responses
    want = [0.273438, 0.123474, 0.060359, 0.030015, 0.014987, 0.007491]
    np.testing.assert_allclose(starlet.kernel_sigmas(np.ones(1), 6)[1][1:], want, atol=1e-6)


def test_monte_carlo_of_white_noise() -> None:
    # numpy's default_rng(1), wrapped borders there, mirrored here; few independent samples at coarse scales: the published tolerances
    plane = np.random.default_rng(1).standard_normal((512, 512)).astype(np.float32)
    planes, _ = starlet.transform(plane, 5)
    for found, want, tolerance in zip(
        planes, [0.8898, 0.1999, 0.0856, 0.0415, 0.0199], [0.01, 0.01, 0.02, 0.03, 0.06], strict=True
    ):
        assert found.std() == pytest.approx(want, rel=tolerance)


def test_the_planes_add_up_to_the_image() -> None:
    # Starck et al. 2007: telescoping, any border; 4 ulp of float32 for 7 sums
    plane = np.random.default_rng(2).normal(3, 1, (75, 90)).astype(np.float32)
    planes, rest = starlet.transform(plane, 7)
    np.testing.assert_allclose(sum(planes) + rest, plane, atol=4e-6)


def test_a_paraboloid_gives_minus_two_times_four_to_the_scale() -> None:
    # analytic: the kernel's variance at scale j is 4**(j-1) per axis; values up to 3e4 leave 5e-3 of float32
    y, x = np.mgrid[-90:91, -90:91].astype(np.float32)
    planes, _ = starlet.transform(x**2 + y**2, 4)
    for plane, want in zip(planes, [-2.0, -8.0, -32.0, -128.0], strict=True):
        np.testing.assert_allclose(plane[80:101, 80:101], want, atol=0.02)


@pytest.mark.parametrize("surface", ["plane", "saddle"])
def test_planes_and_saddles_give_nothing(surface: str) -> None:
    # analytic: h is symmetric with unit sum; float32 of values up to 1e4 leaves 2e-3
    y, x = np.mgrid[-90:91, -90:91].astype(np.float32)
    planes, _ = starlet.transform(3 + 2 * x - y if surface == "plane" else x * y, 4)
    for plane in planes:
        np.testing.assert_allclose(plane[80:101, 80:101], 0, atol=5e-3)


GAUSSIANS = [
    (1, [0.516722, 0.326498, 0.114389, 0.031564, 0.008105, 0.002040]),
    (2, [0.204220, 0.363724, 0.280946, 0.109155, 0.031157, 0.008077]),
    (4, [0.059238, 0.182708, 0.337076, 0.271216, 0.107915, 0.031057]),
    (8, [0.015414, 0.057471, 0.177902, 0.330913, 0.268871, 0.107609]),
]


@pytest.mark.parametrize(("sigma", "want"), GAUSSIANS)
def test_centre_of_a_gaussian(sigma: float, want: list[float]) -> None:
    # computed on a 257 px grid; doubling sigma moves the largest value up one scale
    y, x = np.mgrid[-128:129, -128:129]
    planes, _ = starlet.transform(np.exp(-(x**2 + y**2) / (2 * sigma**2)).astype(np.float32), 6)
    found = [float(p[128, 128]) for p in planes]
    np.testing.assert_allclose(found, want, atol=2e-6)
    assert int(np.argmax(found)) == {1: 0, 2: 1, 4: 2, 8: 3}[sigma]
    approximate = [sigma**2 / (sigma**2 + (4**j - 1) / 3) - sigma**2 / (sigma**2 + (4 ** (j + 1) - 1) / 3) for j in range(6)]
    np.testing.assert_allclose(found, approximate, atol=0.017)


def test_centre_of_an_impulse() -> None:
    # analytic, a_{j-1}(0)**2 - a_j(0)**2; every w_j sums to 0, c_J to 1
    plane = np.zeros((257, 257), np.float32)
    plane[128, 128] = 1
    planes, rest = starlet.transform(plane, 5)
    np.testing.assert_allclose([p[128, 128] for p in planes], [0.859375, 0.111084, 0.022488, 0.005310, 0.001308], atol=1e-6)
    np.testing.assert_allclose([p.sum(dtype=float) for p in planes], 0, atol=1e-5)
    assert rest.sum(dtype=float) == pytest.approx(1, abs=1e-5)


def test_support_of_the_planes() -> None:
    # 2 (2**j - 1) px to either side
    plane = np.zeros((601, 601), np.float32)
    plane[300, 300] = 1
    for j, w in enumerate(starlet.transform(plane, 7)[0], 1):
        far = np.flatnonzero(np.abs(w).max(0) > 1e-12)
        assert max(300 - far[0], far[-1] - 300) == [2, 6, 14, 30, 62, 126, 254][j - 1]
