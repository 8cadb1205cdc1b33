"""Published values of stretches, each with its source; ours are float32, hence 1e-6."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nebulakit.pixels.anchors import midtone_through
from nebulakit.pixels.tone import asinh_rise, midtone_rise

QUARTERS = np.array([0, 0.25, 0.5, 0.75, 1], np.float32)


def at(x: float) -> np.ndarray:
    return np.array([x], np.float32)


def test_asinh() -> None:
    # astropy 8.0.2, visualization/tests/test_stretch.py: AsinhStretch(a=0.1)
    want = [0.000000, 0.549402, 0.771270, 0.904691, 1.000000]
    np.testing.assert_allclose(asinh_rise(QUARTERS, 0.1), want, atol=1e-6)


@pytest.mark.parametrize(("softening", "want"), [(0.1, 0.033298), (0.01, 0.166349), (0.001, 0.394456)])
def test_asinh_of_faint_light(softening: float, want: float) -> None:
    # astropy 8.0.2, asinh(x/a)/asinh(1/a) at 0.01
    assert float(asinh_rise(at(0.01), softening)[0]) == pytest.approx(want, abs=1e-6)


def test_asinh_undoes_the_sinh_stretch() -> None:
    # astropy 8.0.2: SinhStretch(a=1/3) at the quarters; asinh with a = 1/sinh(3) is its inverse
    sinh = np.array([0.000000, 0.082085, 0.212548, 0.468280, 1.000000], np.float32)
    np.testing.assert_allclose(asinh_rise(sinh, 1 / math.sinh(3)), QUARTERS, atol=3e-6)  # the table has 6 digits


def lupton(light: np.ndarray, stretch: float = 5, q: float = 8) -> np.ndarray:
    """0.1 asinh(Q I / stretch) / asinh(0.1 Q), through our curve."""
    return np.asarray(0.1 * asinh_rise(np.asarray(light * np.float32(10 / stretch), np.float32), 10 / q))


def test_lupton_form() -> None:
    # Lupton et al. 2004, PASP 116:133, eq. 2-3, as astropy 8.0.2 normalises it (stretch 5, Q 8)
    light = np.array([0, 1, 5, 10, 50], np.float32)
    np.testing.assert_allclose(lupton(light), [0.0, 0.170471, 0.378954, 0.473162, 0.692703], atol=1e-6)


def test_lupton_colours() -> None:
    # astropy 8.0.2 make_lupton_rgb(minimum=0, stretch=5, Q=8), one count of 255 for its rounding
    r, g, b = np.array([[[0, 1], [5, 100]], [[0, 0.5], [5, 10]], [[0, 0.25], [5, 1]]], np.float32)
    mean = (r + g + b) / 3
    rgb = np.stack([r, g, b]) * lupton(mean) / np.maximum(mean, 1e-9)
    rgb /= np.maximum(rgb.max(0), 1)
    want = [[[0, 0, 0], [49, 24, 12]], [[96, 96, 96], [255, 25, 2]]]
    np.testing.assert_allclose(rgb.transpose(1, 2, 0) * 255, want, atol=1)


def test_lupton_slope_at_zero() -> None:
    # the astropy form has slope 0.21837987 at 0 for stretch 5, Q 8 (the paper's form 0.2: ratio 0.1 Q / asinh(0.1 Q))
    slope = float(lupton(at(1e-3))[0]) / 1e-3
    assert slope == pytest.approx(0.21837987, rel=1e-4)
    assert slope / 0.2 == pytest.approx(1.091899, rel=1e-4)


@pytest.mark.parametrize(
    ("b", "zero", "tenfold"),
    [(1.4e-10, 24.63, 22.12), (0.9e-10, 25.11, 22.60), (1.2e-10, 24.80, 22.29), (1.8e-10, 24.36, 21.85), (7.4e-10, 22.83, 20.32)],
)
def test_asinh_magnitudes(b: float, zero: float, tenfold: float) -> None:
    # Lupton, Gunn & Szalay 1999, AJ 118:1406; SDSS table of b, zero-flux magnitude and that at 10 b (from memory)
    def magnitude(flux: float) -> float:
        a = 1e-3
        asinh = float(asinh_rise(at(flux / (2 * b) * a), a)[0]) * math.asinh(1 / a)
        return -2.5 / math.log(10) * (asinh + math.log(b))

    assert magnitude(0) == pytest.approx(zero, abs=0.005)
    assert magnitude(10 * b) == pytest.approx(tenfold, abs=0.01)


BENDS = [0.5, 0.6, 0.75, 0.9, 0.99]


@pytest.mark.parametrize("b", BENDS)
def test_schlick_bias(b: float) -> None:
    # Schlick 1994, Graphics Gems IV p. 401 (from memory): bias_b(1/2) = b, bias_b(1 - b) = 1/2
    np.testing.assert_allclose(midtone_rise(np.array([0, 0.5, 1 - b, 1], np.float32), b), [0, b, 0.5, 1], atol=1e-6)


def test_midtone_form() -> None:
    # algebra: M_m = bias_(1-m), k = (1-m)/m; m = 0.25 is k = 3: 3x/(1+2x)
    x = np.array([0.1, 0.25, 0.5, 0.9], np.float32)
    np.testing.assert_allclose(midtone_rise(x, 0.75), [0.25, 0.5, 0.75, 0.964286], atol=1e-6)


@pytest.mark.parametrize("b", BENDS)
def test_midtone_identities(b: float) -> None:
    # algebra: odds are multiplied by k; inverse and complement; slopes k and 1/k at the ends
    x = np.linspace(0.01, 0.99, 50).astype(np.float32)
    k = b / (1 - b)
    y = midtone_rise(x, b).astype(float)
    np.testing.assert_allclose(y / (1 - y), k * x / (1 - x), rtol=5e-4)  # the odds of a y near 1 keep 4 digits
    np.testing.assert_allclose(midtone_rise(y.astype(np.float32), 1 - b), x, atol=2e-5)  # back from a y near 1
    np.testing.assert_allclose(1 - midtone_rise(1 - x, b), midtone_rise(x, 1 - b), atol=2e-6)
    assert float(midtone_rise(at(1e-5), b)[0]) / 1e-5 == pytest.approx(k, rel=2e-3)
    assert (1 - float(midtone_rise(at(1 - 1e-3), b)[0])) / 1e-3 == pytest.approx(1 / k, rel=5e-3)  # 1 - y keeps 2-3 digits


def test_midtone_composition() -> None:
    # algebra: k3 = k1 k2
    x = np.linspace(0, 1, 21).astype(np.float32)
    np.testing.assert_allclose(midtone_rise(midtone_rise(x, 2 / 3), 3 / 4), midtone_rise(x, 6 / 7), atol=1e-6)


def test_midtone_through_a_point() -> None:
    # algebra: x = 0.02 -> y = 0.25 needs k = 16.333333, m = 0.057692308
    k = midtone_through(0.02, 0.25)
    assert k == pytest.approx(16.333333, abs=1e-6)
    assert 1 / (1 + k) == pytest.approx(0.057692308, abs=1e-9)
    assert float(midtone_rise(at(0.02), k / (1 + k))[0]) == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("b", BENDS)
def test_schlick_gain_is_half_a_bias(b: float) -> None:
    # Schlick 1994 (from memory): gain_b(t) = bias_b(2t)/2 below a half, so gain_b(1/4) = b/2
    assert float(midtone_rise(at(2 * 0.25), b)[0]) / 2 == pytest.approx(b / 2, abs=1e-6)
