"""The starlet: the same by any route, whole again when summed, blind to what is not known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from nebulakit.pixels import starlet
from nebulakit.pixels.parallel import threads

planes = hnp.arrays(np.float32, hnp.array_shapes(min_dims=2, max_dims=2, max_side=40), elements=st.floats(-100, 100, width=32))


def plainly(plane: np.ndarray, scale: int) -> np.ndarray:
    """Smooth by padding and adding, in float64."""
    gap = 2 ** (scale - 1)
    for _ in range(2):
        wide = np.pad(plane.astype(float), ((0, 0), (2 * gap, 2 * gap)), mode="reflect" if plane.shape[1] > 1 else "edge")
        plane = sum(b * wide[:, k * gap : k * gap + plane.shape[1]] for k, b in enumerate(starlet.B3)).T
    return plane


@pytest.mark.parametrize("scale", range(1, 9))
@pytest.mark.parametrize("shape", [(300, 90), (40, 33), (3, 5), (1, 7)])
def test_smoothing_is_what_it_says(scale: int, shape: tuple[int, int]) -> None:
    plane = np.random.default_rng(scale).normal(size=shape).astype(np.float32)
    np.testing.assert_allclose(starlet.smooth(plane, scale), plainly(plane, scale), atol=2e-6)


@pytest.mark.parametrize("scale", [1, 3, 6, 7])
def test_the_same_bits_with_two_threads(scale: int) -> None:
    plane = np.random.default_rng(2).normal(size=(700, 50)).astype(np.float32)
    one = starlet.smooth(plane, scale)
    token = threads.set(2)
    try:
        assert np.array_equal(one, starlet.smooth(plane, scale))
    finally:
        threads.reset(token)


@given(planes, st.integers(1, 7))
def test_the_parts_are_the_whole(plane: np.ndarray, scales: int) -> None:
    parts, rest = starlet.transform(plane, scales)
    assert len(parts) == scales
    np.testing.assert_allclose(sum(parts) + rest, plane, atol=1e-4)  # 100 in float32 is known to 4e-6, times the sums


@given(planes)
def test_smoothing_stays_between_the_extremes(plane: np.ndarray) -> None:
    smooth = starlet.smooth(plane, 2)
    assert plane.min() - 1e-4 <= smooth.min()
    assert smooth.max() <= plane.max() + 1e-4


def test_descending_gives_the_transform() -> None:
    plane = np.random.default_rng(3).normal(size=(60, 50)).astype(np.float32)
    parts, rest = starlet.transform(plane, 4)
    stepwise = list(starlet.descend(plane, 4))
    assert all(np.array_equal(a, b) for a, (b, _) in zip(parts, stepwise, strict=True))
    assert np.array_equal(rest, stepwise[-1][1])


def test_gaps_are_filled_from_their_surroundings_and_only_they() -> None:
    plane = np.tile(np.arange(80, dtype=np.float32), (60, 1))
    holed = plane.copy()
    holed[10:18, 30:38] = np.nan
    holed[:, :3] = np.nan
    filled, good = starlet.fill_gaps(holed)
    assert good is not None
    assert np.array_equal(filled[good], plane[good])
    assert np.abs(filled - plane)[10:18, 30:38].max() < 8
    assert np.isfinite(filled).all()


def test_no_gaps_cost_nothing_and_nothing_becomes_zero() -> None:
    plane = np.ones((4, 4), np.float32)
    assert starlet.fill_gaps(plane)[0] is plane
    assert starlet.fill_gaps(plane)[1] is None
    filled, good = starlet.fill_gaps(np.full((3, 5), np.nan, np.float32))
    assert not filled.any()
    assert good is not None
    assert not good.any()


def test_noise_of_a_kernel_is_that_of_filtered_noise() -> None:
    taps = np.array([0.25, 0.5, 0.25])
    fine, coarse = starlet.kernel_sigmas(taps, 3)
    noise = np.random.default_rng(4).standard_normal((700, 700)).astype(np.float32)
    import cv2

    parts, rest = starlet.transform(cv2.sepFilter2D(noise, -1, taps, taps), 3)
    np.testing.assert_allclose([p.std() for p in parts], fine, rtol=0.02)  # 1e5 independent values at the third scale at least
    assert rest.std() == pytest.approx(coarse[3], rel=0.05)
    assert coarse[0] == pytest.approx(0.375)
