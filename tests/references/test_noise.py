"""Published values of noise and shrinkage, against ours, or against the functions ours rest on."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import pywt
from astropy.stats import signal_to_noise_oir_ccd
from scipy.special import erfc
from scipy.stats import norm
from skimage.restoration import estimate_sigma

from nebulakit.demo import make_scene
from nebulakit.pixels import geometry, starlet
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.wavelets import wavelet


def white(size: int, sigma: float = 1.0, seed: int = 6) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, (size, size)).astype(np.float32)


def test_noise_of_a_known_array() -> None:
    # skimage 0.26 estimate_sigma on N(0, 0.1), 512**2, default_rng(6): 0.100523; ours looks at more of it and must be nearer
    plane = white(512, 0.1)
    theirs, ours = estimate_sigma(plane), measure_noise(plane[None]).sigma[0]
    assert theirs == pytest.approx(0.100523, rel=0.02)
    assert ours == pytest.approx(float(plane.std()), rel=0.01)


@pytest.mark.parametrize(("k", "want"), [(2, 4.550026e-02), (3, 2.699796e-03)])
def test_share_of_noise_above_a_threshold(k: float, want: float) -> None:
    # normal distribution, two-sided; 1e6 coefficients of w_1, of which about half are independent: 4 sigma of the count
    assert erfc(k / math.sqrt(2)) == pytest.approx(want, rel=1e-5)
    (w1,), _ = starlet.transform(white(1024), 1)
    found = float((np.abs(w1) > k * starlet.white_sigmas(1)[0]).mean())
    assert found == pytest.approx(want, abs=4 * math.sqrt(2 * want / w1.size))


@pytest.mark.parametrize(("k", "want"), [(4, 6.334248e-05), (5, 5.733031e-07)])
def test_share_far_out(k: float, want: float) -> None:
    assert erfc(k / math.sqrt(2)) == pytest.approx(want, rel=1e-5)


def test_variance_left_by_thresholds() -> None:
    # analytic: hard 2 (k phi + Q), soft 2 ((1 + k^2) Q - k phi) at k = 3
    k, q, phi = 3.0, float(norm.sf(3)), float(norm.pdf(3))
    assert 2 * (k * phi + q) == pytest.approx(0.029291, abs=1e-6)
    assert 2 * ((1 + k * k) * q - k * phi) == pytest.approx(0.000407, abs=1e-6)
    (w1,), _ = starlet.transform(white(1024), 1)
    w1 = w1 / starlet.white_sigmas(1)[0]
    # 2800 coefficients are left of 1e6, half of them independent: 10 % is 4 sigma
    assert pywt.threshold(w1, k, "hard").var() == pytest.approx(0.029291, rel=0.1)
    assert pywt.threshold(w1, k, "soft").var() == pytest.approx(0.000407, rel=0.25)


def test_threshold_functions() -> None:
    # PyWavelets; Donoho & Johnstone. Hard keeps values equal to the threshold
    values = np.array([-3, -1, -0.5, 0, 0.5, 1, 3.0])
    assert pywt.threshold(values, 1, "soft").tolist() == [-2, 0, 0, 0, 0, 0, 2]
    assert pywt.threshold(values, 1, "hard").tolist() == [-3, -1, 0, 0, 0, 1, 3]
    assert pywt.threshold(values, 1, "garrote")[-1] == pytest.approx(2.666667, abs=1e-6)


def test_the_wavelet_is_the_published_one() -> None:
    # Cohen, Daubechies & Feauveau 1992, table of the 9/7 pair as in PyWavelets; exact reconstruction, moments of the filters
    w = wavelet()
    assert (len(w.low), len(w.high), len(w.back), len(w.high_back)) == (9, 7, 7, 9)
    np.testing.assert_allclose(w.low[4:] * math.sqrt(2), [0.852699, 0.377403, -0.110624, -0.023849, 0.037828], atol=1e-6)
    together = np.convolve(w.low, w.back) + np.convolve(w.high, w.high_back)
    np.testing.assert_allclose(together, np.eye(15)[7], atol=1e-9)
    assert w.low.sum() == pytest.approx(1, abs=1e-9)
    for power in range(4):  # four vanishing moments: cubics give no coefficients
        assert w.high @ np.arange(-3, 4.0) ** power == pytest.approx(0, abs=1e-8)


@pytest.mark.parametrize(("samples", "want"), [(1024, 3.723297), (512**2, 4.995328), (1024**2, 5.265538), (4096**2, 5.768108)])
def test_universal_threshold(samples: int, want: float) -> None:
    # Donoho & Johnstone 1994, Biometrika 81:425: the largest of so much noise hardly lies above it
    assert math.sqrt(2 * math.log(samples)) == pytest.approx(want, abs=1e-6)
    if samples == 1024**2:
        (w1,), _ = starlet.transform(white(1024), 1)
        assert want - 1 < np.abs(w1).max() / starlet.white_sigmas(1)[0] < want + 0.3


def test_quantisation() -> None:
    # Bennett 1948: a step adds step**2 / 12; ours takes it off again where levels are few
    step, sigma = 1.0, 0.8
    plane = white(500, sigma) + np.linspace(0, 7, 500, dtype=np.float32)
    coarse = np.round(plane)
    assert (coarse - plane).std() == pytest.approx(step / math.sqrt(12), rel=0.01)
    assert 1 / math.sqrt(12) == pytest.approx(0.288675, abs=1e-6)
    assert measure_noise(coarse[None]).sigma[0] == pytest.approx(sigma, rel=0.05)


def test_noise_after_interpolation_and_binning() -> None:
    # analytic, sqrt(sum w^2): half a pixel both ways x0.5; 2x2 mean x0.5; 3x3 mean x0.333333
    plane = white(600)
    half = cv2.filter2D(plane, -1, np.full((2, 2), 0.25, np.float32))
    assert half.std() == pytest.approx(0.5, rel=0.01)
    assert geometry.bin_planes(plane[None], 2).std() == pytest.approx(0.5, rel=0.01)
    assert geometry.bin_planes(plane[None], 3).std() == pytest.approx(1 / 3, rel=0.015)
    # and ours finds them, correlated as the first is
    assert measure_noise(half[None]).sigma[0] == pytest.approx(0.5, rel=0.03)
    assert measure_noise(geometry.bin_planes(plane[None], 2)).sigma[0] == pytest.approx(0.5, rel=0.02)


def test_signal_to_noise_grows_with_the_root_of_the_frames() -> None:
    # standard: 2000 frames 44.7214 x (4.1263 mag, 33.010 dB), 100 frames 10 x
    assert math.sqrt(2000) == pytest.approx(44.7214, abs=1e-4)
    assert 2.5 * math.log10(math.sqrt(2000)) == pytest.approx(4.1263, abs=1e-4)
    assert 20 * math.log10(math.sqrt(2000)) == pytest.approx(33.010, abs=1e-3)
    found = []
    for frames in (20, 2000):
        scene = make_scene(seed=5, shape=(240, 320), nebula="none", stars=0, bright=0, frames=frames, rotation=0.0, dither=0.0)
        found.append(measure_noise(scene.stack, scene.coverage).sigma[1])
    assert found[0] / found[1] == pytest.approx(10, rel=0.03)


def test_stack_against_one_long_exposure() -> None:
    # CCD equation (Howell, Handbook of CCD Astronomy; astropy.stats.signal_to_noise_oir_ccd): 2000 x 10 s, source 0.02 e/s,
    # sky 2, dark 0.01, read noise 1.5 e: one frame 0.042117, the stack 1.883526, one 20000 s exposure 1.985112
    one = signal_to_noise_oir_ccd(10, 0.02, 2, 0.01, 1.5, 1, 1)
    long = signal_to_noise_oir_ccd(20_000, 0.02, 2, 0.01, 1.5, 1, 1)
    assert one == pytest.approx(0.042117, abs=1e-6)
    assert one * math.sqrt(2000) == pytest.approx(1.883526, abs=2e-6)
    assert one * math.sqrt(2000) / long == pytest.approx(0.94882644, abs=1e-7)
    # the demo's stack obeys it: light of all kinds together in the sky, no resampling
    level = 10 * (0.02 + 2 + 0.01) / 18_000
    night = {"stars": 0, "bright": 0, "glow": 0.0, "rotation": 0.0, "dither": 0.0, "resampling": 0.0, "sky": (level,) * 3}
    scene = make_scene(seed=5, shape=(240, 320), nebula="none", frames=2000, electrons=18_000.0, read_noise=1.5, **night)
    middle = scene.sigma[0][120, 160]
    assert 10 * 0.02 / 18_000 / middle == pytest.approx(1.883526, rel=2e-3)
    assert measure_noise(scene.stack, scene.coverage).sigma[0] == pytest.approx(float(middle), rel=0.02)


@pytest.mark.parametrize(("ratio", "want"), [(1.0, 0.707107), (0.1, 0.953463), (0.05, 0.975900)])
def test_what_reading_out_often_costs(ratio: float, want: float) -> None:
    # algebra: 1 / sqrt(1 + RN^2 / (t b)), in the demo's stack
    level = 100 / 18_000
    night = {"stars": 0, "bright": 0, "glow": 0.0, "rotation": 0.0, "dither": 0.0, "resampling": 0.0, "sky": (level,) * 3}
    noisy, ideal = (
        make_scene(seed=5, shape=(60, 80), nebula="none", electrons=18_000.0, read_noise=read, **night).sigma[0][30, 40]
        for read in (math.sqrt(100 * ratio), 0.0)
    )
    assert ideal / noisy == pytest.approx(want, abs=2e-4)
