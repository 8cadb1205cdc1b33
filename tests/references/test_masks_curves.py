"""Published values of masks and curves, each with its source."""

from __future__ import annotations

import numpy as np
import pytest

from nebulakit.pixels import curves, masks


def test_monotone_curve() -> None:
    # PCHIP of scipy 1.17.1 (Fritsch & Carlson 1980; Fritsch & Butland 1984); ours float32
    curve = curves.Curve([(0, 0), (0.25, 0.15), (0.75, 0.85), (1, 1)])
    got = curve(np.array([0.1, 0.5, 0.6, 0.9], np.float32))
    np.testing.assert_allclose(got, [0.045498, 0.500000, 0.665021, 0.954502], atol=1e-6)
    slope = (curve(np.array([0.2505], np.float32)) - curve(np.array([0.2495], np.float32)))[0] / 1e-3
    assert slope == pytest.approx(0.804255, abs=1e-3)  # (w1 + w2) / (w1 / d0 + w2 / d1), w1 = 1.25, w2 = 1


def test_smoothstep() -> None:
    # 3t^2 - 2t^3 (Ebert et al., Texturing and Modeling; Perlin), algebra
    got = masks.smoothstep(np.array([0, 0.25, 0.5, 0.75, 1], np.float32))
    np.testing.assert_allclose(got, [0, 0.15625, 0.5, 0.84375, 1], atol=1e-7)


def test_screen_and_its_inverse() -> None:
    # ISO 32000-1, 11.3.5 (from memory): 1 - (1 - a)(1 - b)
    a, b = np.array([[[0.4]]], np.float32), np.array([[[0.5]]], np.float32)
    s = curves.blended(a, b, "screen", 1.0, True)
    assert float(s.item()) == pytest.approx(0.7, abs=1e-6)
    assert float((1 - (1 - s) / (1 - b)).item()) == pytest.approx(0.4, abs=1e-6)


def test_lighten_and_part_of_a_layer() -> None:
    # ISO 32000-1, 11.3.5 (from memory): lighten is the larger; m a + (1 - m) b
    a, b = np.array([[[0.4]]], np.float32), np.array([[[0.5]]], np.float32)
    assert float(curves.blended(a, b, "lighten", 1.0, True).item()) == pytest.approx(0.5, abs=1e-7)
    assert float(curves.blended(b, a, "normal", 0.25, True).item()) == pytest.approx(0.25 * 0.4 + 0.75 * 0.5, abs=1e-6)


def test_feathered_edge() -> None:
    # a step under a sampled Gaussian of sigma 3 px, scipy gaussian_filter1d(truncate=6); Phi((i + 1/2)/sqrt(sigma^2 - 1/12))
    edge = np.zeros((101, 101), np.float32)
    edge[:, 50:] = 1
    got = masks.feathered(edge, 3)[50, [47, 49, 50, 52]]
    np.testing.assert_allclose(got, [0.201233, 0.433510, 0.566490, 0.798767], atol=1e-5)
    assert float(got[1] + got[2]) == pytest.approx(1, abs=1e-6)
