"""Published values of robust statistics, against what the noise is measured with."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy import stats
from scipy.stats import median_abs_deviation, norm, truncnorm

from nebulakit.pixels import noise, noise_blocks
from nebulakit.pixels.noise_blocks import robust, spread

WORKED = np.array([2, 3, 5, 7, 11, 13, 17, 19, 23, 1000], float)


def normal(size: int, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((1, size)).astype(np.float32)


def test_from_the_median_deviation_to_sigma() -> None:
    # 1 / Phi^-1(3/4); astropy.stats.mad_std, scipy.stats.median_abs_deviation(scale="normal")
    factor = 1 / norm.ppf(0.75)
    assert factor == pytest.approx(1.482602218506, abs=1e-12)
    ones = np.array([[-1.0, 1.0, -1.0, 1.0, -1.0, 1.0]], np.float32)
    assert robust(ones)[0] == pytest.approx(factor, abs=3e-6)  # ours is written with five digits
    assert robust(normal(900_000))[0] == pytest.approx(1, abs=5e-3)  # a third of the values: 3 sigma of the estimate


def test_the_worked_array() -> None:
    # astropy.stats
    assert np.median(WORKED) == 12
    assert np.mean(WORKED) == 110
    assert median_abs_deviation(WORKED) == 7
    assert stats.mad_std(WORKED) == pytest.approx(10.378216, abs=1e-6)


def test_biweight_of_the_worked_array() -> None:
    # Beers, Flynn & Gebhardt 1990, AJ 100:32; astropy 8.0.2
    assert stats.biweight_location(WORKED, c=6) == pytest.approx(11.111935013, abs=1e-8)
    assert stats.biweight_scale(WORKED, c=9) == pytest.approx(7.742268276, abs=1e-8)


@pytest.mark.parametrize(("k", "want"), [(2, 0.879626), (2.5, 0.954597), (3, 0.986578), (4, 0.999465)])
def test_what_one_clip_leaves(k: float, want: float) -> None:
    # truncated normal (Johnson, Kotz & Balakrishnan)
    assert math.sqrt(1 - 2 * k * norm.pdf(k) / (2 * norm.cdf(k) - 1)) == pytest.approx(want, abs=1e-6)
    assert truncnorm.std(-k, k) == pytest.approx(want, abs=1e-6)


def test_ours_makes_up_for_what_clipping_takes() -> None:
    # clipped at 3 sigma and divided by 0.986578 a normal sample has its own deviation: 1e6 values, 4 sigma of the estimate
    values = normal(1_000_000)
    assert spread(values, np.ones(values.shape, bool), np.ones(1), False)[0] == pytest.approx(1, abs=3e-3)


@pytest.mark.parametrize(("k", "want"), [(2.5, 0.936557), (3, 0.984846)])
def test_clipping_to_convergence(k: float, want: float) -> None:
    # fixed point of s = tr(k s); astropy.stats.sigma_clipped_stats(maxiters=None)
    _, _, found = stats.sigma_clipped_stats(normal(1_000_000)[0].astype(float), sigma=k, maxiters=None, cenfunc="mean")
    assert found == pytest.approx(want, abs=2e-3)
    s = 1.0
    for _ in range(200):
        s = float(truncnorm.std(-k * s, k * s))
    assert s == pytest.approx(want, abs=1e-5)


def test_efficiency_of_median_and_median_deviation() -> None:
    # Huber & Ronchetti, Robust Statistics (from memory): 0.6366 and 0.3675; 20000 samples of 301 give 2 %
    samples = np.random.default_rng(4).standard_normal((20_000, 301))
    medians = np.median(samples, axis=1)
    assert 1 / (301 * medians.var()) == pytest.approx(0.6366, rel=0.03)
    deviations = median_abs_deviation(samples, axis=1, scale="normal")
    assert 1 / (2 * 301 * deviations.var()) == pytest.approx(0.3675, rel=0.04)


def test_the_quantile_of_quiet_blocks() -> None:
    # of a normal distribution, so many standard deviations below its middle
    assert -norm.ppf(noise._QUIET) == pytest.approx(noise._QUIET_Z, abs=1e-4)


def test_no_clip_where_levels_are_few() -> None:
    # values of three levels: a robust guess is 0 or a whole level, the plain deviation is right
    values = np.repeat(np.array([-1, 0, 0, 0, 0, 0, 0, 1], np.float32), 100)[None]
    assert noise_blocks.spread(values, np.ones(values.shape, bool), np.zeros(1), True)[0] == pytest.approx(0.5, abs=1e-6)
