"""Published values of flat morphology, each with its source; recomputed with scikit-image 0.26, scipy 1.17 and OpenCV 5."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.pixels.morphology import dilated, disc, domes, eroded, opened, peaks


def square(size: int) -> np.ndarray:
    return np.ones((size, size), np.uint8)


def noise() -> np.ndarray:
    return np.random.default_rng(0).random((40, 40)).astype(np.float32)


def test_pixels_of_discs() -> None:
    # Gauss circle problem, OEIS A000328 (from memory); skimage.morphology.disk
    assert [int(disc(r).sum()) for r in (1, 2, 3, 4, 5, 10)] == [5, 13, 29, 49, 81, 317]


def test_a_square_eroded_dilated_opened() -> None:
    # 5x5 ones, 3x3 element: Serra 1982; the same in three libraries
    plane = np.zeros((15, 15), np.float32)
    plane[5:10, 5:10] = 1
    assert [int(f(plane, square(3)).sum()) for f in (eroded, dilated, opened)] == [9, 49, 25]
    assert int(opened(plane, square(7)).sum()) == 0


def test_top_hat_of_a_spike_on_a_ramp() -> None:
    # skimage 0.26 white_tophat: 10 under a 5x5 square, 9 under a disc of radius 2, whose one-pixel tip climbs one step
    ramp = np.tile(np.arange(15, dtype=np.float32), (15, 1))
    ramp[7, 7] += 10
    for shape, height in ((square(5), 10.0), (disc(2), 9.0)):
        got = (ramp - opened(ramp, shape))[3:-3, 3:-3]
        assert float(got.max()) == height
        got[4, 4] = 0
        assert not got.any()


def test_erosion_and_top_hat_of_noise() -> None:
    # default_rng(0).random((40, 40)) by a disc of radius 2: the same sums in three libraries; ours in float32
    assert float(eroded(noise(), disc(2)).sum(dtype=float)) == pytest.approx(120.990712, abs=1e-4)
    assert float((noise() - opened(noise(), disc(2))).sum(dtype=float)) == pytest.approx(531.473437, abs=1e-4)


@settings(max_examples=30)
@given(st.integers(0, 999), st.integers(1, 4), st.floats(0.1, 5), st.floats(-1, 1))
def test_identities(seed: int, radius: int, gain: float, offset: float) -> None:
    # Serra 1982; Soille 2003: order, idempotence, duality, and that openings follow gain and offset
    plane = np.random.default_rng(seed).random((24, 30)).astype(np.float32)
    shape = disc(radius)
    low, open_, high = eroded(plane, shape), opened(plane, shape), dilated(plane, shape)
    closed = 1 - opened(1 - plane, shape)
    assert (low <= open_).all()
    assert (open_ <= plane).all()
    assert (plane <= closed + 1e-6).all()
    assert (closed <= high + 1e-6).all()
    assert np.array_equal(opened(open_, shape), open_)
    np.testing.assert_allclose(1 - low, dilated(1 - plane, shape), atol=1e-6)
    wider = np.float32(gain) * plane + np.float32(offset)
    np.testing.assert_allclose(opened(wider, shape), np.float32(gain) * open_ + np.float32(offset), atol=2e-6)


def test_domes_of_a_line() -> None:
    # f - R_f(f - h), Vincent 1993, IEEE TIP 2:176; skimage reconstruction
    line = np.array([[0, 1, 3, 2, 0, 4, 4, 0, 0]], np.float32)
    assert domes(line, 1)[0].tolist() == [0, 0, 1, 0, 0, 1, 1, 0, 0]
    x, y = peaks(line, 1)
    assert (x.tolist(), y.tolist()) == ([5.5, 2.0], [0.0, 0.0])


@pytest.mark.parametrize(("radius", "peak"), [(1, 0.882497), (2, 0.606531)])
def test_erosion_of_a_star(radius: int, peak: float) -> None:
    # a Gaussian star of sigma 2 keeps exp(-r^2/8) of its peak, and its half-maximum radius shrinks by about r; analytic
    y, x = np.mgrid[-15:16, -15:16]
    star = np.exp(-(x * x + y * y) / 8.0).astype(np.float32)
    got = eroded(star, disc(radius))
    assert float(got.max()) == pytest.approx(peak, abs=1e-6)
    # on the axis the value is the one r further out
    np.testing.assert_allclose(got[15, 15:25], star[15, 15 + radius : 25 + radius], atol=1e-7)
