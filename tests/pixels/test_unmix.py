"""Unmixing: the algebra exactly, the estimate of the sensor against invented nebulae with known truth."""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.demo import Scene, make_scene
from nebulakit.pixels import response, unmix
from nebulakit.pixels.noise import measure_noise

OTHER = ((0.80, 0.036), (0.070, 0.62), (0.018, 0.70))  # a sensor whose every entry differs from the typical one


@functools.cache
def scene(kind: Any, **conditions: Any) -> Scene:
    return make_scene(seed=41, shape=(420, 560), nebula=kind, **{"sensor": OTHER, "fwhm": 2.8, **conditions})


@functools.cache
def seen(kind: Any, **conditions: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The well covered middle of the night without stars and sky: planes, H-alpha, [O III], the channels' noise."""
    s = scene(kind, **conditions)
    cut = np.s_[..., 60:-60, 80:-80]
    return s.starless[cut], s.ha[cut], s.oiii[cut], np.median(s.sigma[cut], (1, 2))


def errors(kind: Any, matrix: Any, **conditions: Any) -> tuple[float, float, float]:
    """Errors of both lines over those with the true sensor, and H-alpha left in [O III] beyond it (as share of H-alpha)."""
    planes, ha, oiii, sigma = seen(kind, **conditions)
    flat = planes.reshape(3, -1).astype(float)
    truth = [ha.ravel().astype(float), oiii.ravel().astype(float)]
    got, best = (unmix.weights(m, sigma) @ flat for m in (matrix, OTHER))

    def off(line: np.ndarray, true: np.ndarray) -> float:
        return math.sqrt(1 - np.corrcoef(line, true)[0, 1] ** 2)

    def leak(line: np.ndarray) -> float:
        k = np.linalg.lstsq(np.stack([np.ones_like(line), truth[1], truth[0]], 1), line, rcond=None)[0]
        return float(k[2] / k[1])

    return (
        off(got[0], truth[0]) / off(best[0], truth[0]),
        off(got[1], truth[1]) / off(best[1], truth[1]),
        leak(got[1]) - leak(best[1]),
    )


# -- algebra ------------------------------------------------------------------------------------------------------------

small = st.floats(0.0, 0.4)
large = st.floats(0.5, 2.0)
noises = st.tuples(*[st.floats(0.1, 10.0)] * 3)


@given(large, small, small, small, large, large, noises)
def test_weights_take_the_response_back(rh: float, gh: float, bh: float, ro: float, go: float, bo: float, sigma: Any) -> None:
    m = np.array([[rh, ro], [gh, go], [bh, bo]])
    assert np.allclose(unmix.weights(m, sigma) @ m, np.eye(2), atol=1e-9)


@given(noises, st.floats(0.01, 100))
def test_only_ratios_of_noises_count(sigma: Any, factor: float) -> None:
    assert np.allclose(unmix.weights(unmix.TYPICAL, sigma), unmix.weights(unmix.TYPICAL, np.array(sigma) * factor), rtol=1e-9)


def test_no_other_weights_have_less_noise() -> None:
    """Gauss-Markov: any other unbiased pair of weights is noisier. Tried on random ones."""
    rng = np.random.default_rng(1)
    m, sigma = np.asarray(unmix.TYPICAL), np.array([1.0, 2.0, 0.7])
    best = unmix.weights(m, sigma)
    across = np.cross(m[:, 0], m[:, 1])  # adding this to a row leaves it unbiased
    for _ in range(50):
        other = best + rng.normal(0, 0.3, (2, 1)) * across
        assert np.allclose(other @ m, np.eye(2), atol=1e-9)
        assert (np.sqrt(other**2 @ sigma**2) >= np.sqrt(best**2 @ sigma**2)).all()


def test_lines_come_back_exactly_and_nan_stays_in_place() -> None:
    rng = np.random.default_rng(2)
    lines = rng.random((2, 30, 40))
    planes = np.einsum("cl,lyx->cyx", unmix.normalised(OTHER), lines).astype(np.float32)
    planes[1, 4, 5] = np.nan
    got = unmix.apply_unmix(planes, OTHER_NORMALISED, (1, 2, 3))
    assert np.isnan(got[:, 4, 5]).all()
    assert np.isnan(got).sum() == 2
    there = ~np.isnan(got)
    assert np.abs(got - lines)[there].max() < 1e-6  # a few units in the last place of float32


OTHER_NORMALISED = unmix.normalised(OTHER)


def test_columns_are_normalised_to_their_main_channels() -> None:
    m = unmix.normalised(OTHER)
    assert (m[0, 0], m[1, 1]) == (1.0, 1.0)
    assert m[2, 1] == pytest.approx(0.70 / 0.62)


# -- the estimate -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["cove", "bubble", "fans", "veil"])
def test_the_sensor_is_found(kind: str) -> None:
    planes, _, _, sigma = seen(kind)
    found = response.decide_unmix(planes, sigma)
    typical = errors(kind, unmix.TYPICAL)
    ha, oiii, leak = errors(kind, found.matrix)
    # the project's goals: within a tenth of the best possible, 2 % of H-alpha
    assert ha <= 1.1
    assert oiii <= 1.1
    assert abs(leak) <= 0.02
    assert oiii <= max(1.02, typical[1] + 0.02), "worse than not estimating at all"
    assert found.evidence.startswith("plane")


def test_a_place_of_pure_h_alpha_is_made_use_of() -> None:
    """Outside the hard light of its star the veil is pure H-alpha: crosstalk to a few parts in a thousand."""
    planes, _, _, sigma = seen("veil")
    found = response.decide_unmix(planes, sigma)
    true = unmix.normalised(OTHER)
    assert found.evidence == "plane and edge"
    assert abs(errors("veil", found.matrix)[2]) < 0.008
    assert found.matrix[1][0] == pytest.approx(true[1, 0], abs=0.012)


def test_doubts_are_told_and_are_true() -> None:
    """Each entry lies within three of its deviations; where there is no [O III] its colour stays as uncertain as sensors are."""
    true = unmix.normalised(OTHER)
    for kind in ("cove", "bubble", "fans", "veil", "lantern"):
        planes, _, _, sigma = seen(kind)
        found = response.decide_unmix(planes, sigma)
        for row, column in ((1, 0), (2, 0), (2, 1), (0, 1)):
            off = abs(math.log(found.matrix[row][column] / true[row, column]))
            assert off < 3 * max(found.trust[row][column], 0.005), (kind, row, column)
        assert abs(errors(kind, found.matrix)[2]) < 4 * found.leak, kind


def test_without_light_it_falls_back() -> None:
    rng = np.random.default_rng(3)
    found = response.decide_unmix(rng.normal(0, 1e-5, (3, 200, 260)).astype(np.float32), (1e-5, 1e-5, 1e-5))
    assert found.evidence == "prior"
    assert np.allclose(found.matrix, unmix.normalised(unmix.TYPICAL))
    assert found.leak > 0.01
    for odd in (np.zeros((3, 50, 50), np.float32), np.full((3, 50, 50), np.nan, np.float32), np.zeros((3, 2, 2), np.float32)):
        assert response.decide_unmix(odd, (1e-5,) * 3).evidence == "prior"


def test_one_line_alone_leaves_the_other_typical() -> None:
    planes, _, _, sigma = seen("ember")
    found = response.decide_unmix(planes, sigma)
    assert found.evidence == "one line"
    assert found.matrix[2][1] == pytest.approx(0.62 / 0.78, rel=0.1)
    assert found.matrix[1][0] == pytest.approx(unmix.normalised(OTHER)[1, 0], abs=0.02)
    assert found.trust[2][1] > 0.1


def test_units_do_not_matter() -> None:
    planes, _, _, sigma = seen("bubble")
    a, b = (response.decide_unmix(planes * np.float32(k), sigma * k) for k in (1, 4096))  # a power of two: exact in float32
    assert np.allclose(a.matrix, b.matrix, rtol=1e-6)


def test_a_left_over_sky_hardly_matters() -> None:
    """Half a noise of a different tilt and level in each channel: the plane is found as before, the crosstalk stays near."""
    planes, _, _, sigma = seen("bubble")
    h, w = planes.shape[1:]
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    glow = np.stack([0.5 * x + 0.2, -0.4 * y - 0.3, 0.3 * x * y + 0.3]) * sigma[:, None, None]
    before, after = (response.decide_unmix(p.astype(np.float32), sigma) for p in (planes, planes + glow))
    assert after.matrix[2][1] == pytest.approx(before.matrix[2][1], rel=0.02)
    assert abs(errors("bubble", after.matrix)[2]) <= 0.02


def test_a_pedestal_is_noticed() -> None:
    planes, _, _, sigma = seen("bubble")
    sky = np.array([0.020, 0.012, 0.013], np.float32)[:, None, None]
    found = response.decide_unmix(planes + sky, sigma)
    assert abs(errors("bubble", found.matrix)[2]) <= 0.03  # against 0.5 and more where it is taken for light


def test_places_left_out_do_not_count() -> None:
    planes, _, _, sigma = seen("veil")
    spoilt = planes.copy()
    spoilt[1, 100:160, 100:160] += 0.01
    keep = np.ones(planes.shape[1:], bool)
    keep[96:164, 96:164] = False
    found = response.decide_unmix(spoilt, sigma, keep)
    assert abs(errors("veil", found.matrix)[2]) < 0.01


def test_stars_are_kept_out() -> None:
    s = scene("bubble")
    stack = s.stack - s.sky
    sigma = np.median(s.sigma, (1, 2))
    keep = response.free_of_stars(stack, sigma, None, True)
    assert keep is not None
    bright = s.stars.min(0) > 40 * sigma.max()
    assert keep[bright & (s.coverage > 0)].mean() < 0.1
    assert keep.mean() > 0.6
    told = response.free_of_stars(stack, sigma, s.stars, False)
    assert told is not None
    assert not told[s.stars.max(0) > 1.01 * sigma.min()].any()
    without = response.free_of_stars(s.starless, sigma, None, True)
    assert without is None or without[40:-40, 50:-50].mean() > 0.95  # knots of the rim may be taken for some
    assert response.free_of_stars(stack, sigma, None, False) is None


# -- noise --------------------------------------------------------------------------------------------------------------


def test_noise_of_the_lines_is_theirs() -> None:
    """Channels with noise of their own, and with noise mixed by a colour matrix: told within 3 %, as is measured."""
    rng = np.random.default_rng(5)
    own = rng.normal(0, 1, (3, 300, 300))
    for mix in (np.eye(3), np.array([[1.4, -0.3, 0], [-0.2, 1.3, -0.2], [0, -0.5, 1.6]])):
        planes = np.einsum("ab,byx->ayx", mix, own).astype(np.float32)
        noise = measure_noise(planes)
        two = unmix.weights(unmix.TYPICAL, noise.sigma)
        told = unmix.noise_of_lines(noise, two, unmix.correlation(planes))
        true = np.einsum("kc,cyx->kyx", two, planes.astype(float)).std((1, 2))
        assert np.allclose(told.sigma, true, rtol=0.03)
        assert np.allclose([s[1] / s[0] for s in told.scales], [s[1] / s[0] for s in noise.scales[:2]], rtol=0.1)


def test_independent_channels_are_taken_as_such() -> None:
    planes = np.random.default_rng(6).normal(0, 1, (3, 200, 200)).astype(np.float32)
    assert np.array_equal(unmix.correlation(planes), np.eye(3))


# -- the mosaic ---------------------------------------------------------------------------------------------------------


def test_a_mosaic_gives_the_same_without_interpolation() -> None:
    """One pixel per 2x2 cell: red and blue as they are, green the mean of two; the lines at half size come out as well."""
    s = scene("bubble")
    planes = s.starless[:, : s.starless.shape[1] // 2 * 2, : s.starless.shape[2] // 2 * 2]
    cells = np.stack([planes[0, 0::2, 0::2], 0.5 * (planes[1, 0::2, 1::2] + planes[1, 1::2, 0::2]), planes[2, 1::2, 1::2]])
    inner = np.s_[..., 30:-30, 40:-40]
    cells = cells[inner]

    def half(plane: np.ndarray) -> np.ndarray:
        return plane.reshape(plane.shape[0] // 2, 2, plane.shape[1] // 2, 2).mean((1, 3))[inner].astype(float)

    ha, oiii = half(s.ha), half(s.oiii)
    sigma = np.array(measure_noise(cells).sigma)
    found = response.decide_unmix(cells, sigma)
    got, best = (unmix.apply_unmix(cells, m, sigma).astype(float) for m in (found.matrix, OTHER))
    for k, true in enumerate((ha, oiii)):
        off = [math.sqrt(1 - np.corrcoef(p[k].ravel(), true.ravel())[0, 1] ** 2) for p in (got, best)]
        assert off[0] <= 1.1 * off[1]
    assert sigma[1] < 0.85 * sigma[0] * np.sqrt(0.6)  # two greens: less noise, and with it more weight
