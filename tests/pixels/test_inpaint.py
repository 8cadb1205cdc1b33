"""Filling holes from around them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.pixels import inpaint
from nebulakit.pixels.inpaint import harmonic, push_pull

FILLS = [push_pull, harmonic]


def holes(shape, seed, share=0.2):
    rng = np.random.default_rng(seed)
    out = np.zeros(shape, bool)
    y, x = np.mgrid[: shape[0], : shape[1]]
    while out.mean() < share:
        cy, cx, r = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), rng.uniform(2, 7)
        out |= np.hypot(y - cy, x - cx) < r
    return out


@pytest.mark.parametrize("fill", FILLS)
@settings(max_examples=15)
@given(seed=st.integers(0, 100))
def test_what_is_no_hole_stays(fill, seed):
    plane = np.random.default_rng(seed).normal(0, 1, (40, 57)).astype(np.float32)
    hole = holes(plane.shape, seed)
    filled = fill(plane, hole)
    assert filled.dtype == np.float32
    assert np.array_equal(filled[~hole], plane[~hole])
    assert filled[hole].min() >= plane[~hole].min() - 1e-5
    assert filled[hole].max() <= plane[~hole].max() + 1e-5


@pytest.mark.parametrize("fill", FILLS)
def test_a_constant_is_filled_with_itself(fill):
    plane = np.full((64, 50), 7.25, np.float32)
    hole = holes(plane.shape, 3)
    broken = np.where(hole, 1e6, plane).astype(np.float32)
    assert np.abs(fill(broken, hole) - plane).max() < 1e-4


def test_a_slope_is_followed_without_bias():
    """A pyramid that is a half-pixel off per level would shift the fill along the slope."""
    y, x = np.mgrid[:120, :160].astype(np.float32)
    slope = 2 * x - y
    hole = np.hypot(y - 60, x - 80) < 15
    off = harmonic(slope, hole)[hole] - slope[hole]
    assert abs(off.mean()) < 0.05  # of the 67 that the slope covers
    assert np.abs(off).max() < 1.5
    assert abs((push_pull(slope, hole)[hole] - slope[hole]).mean()) < 0.5


def test_harmonic_fill_solves_laplace():
    """A harmonic function is its own fill: Re (x + iy)^2."""
    y, x = np.mgrid[-30:31, -30:31].astype(np.float32)
    plane = (x * x - y * y) / 30
    hole = np.hypot(y, x) < 12
    assert np.abs(harmonic(plane, hole, sweeps=200)[hole] - plane[hole]).max() < 0.25  # of a range of 10


def test_nan_counts_as_hole_and_nothing_at_all_as_zero():
    plane = np.ones((20, 20), np.float32)
    plane[3:6, 4:9] = np.nan
    assert np.array_equal(push_pull(plane, np.zeros(plane.shape, bool)), np.ones_like(plane))
    assert not push_pull(plane, np.ones(plane.shape, bool)).any()


@pytest.mark.parametrize("height", [31, 32, 33, 34, 35, 97])
def test_a_plane_is_halved_in_parts_as_in_one(monkeypatch, height):
    """A few rows at once take little memory; each needs one beyond on either side."""
    plane = np.random.default_rng(height).normal(0, 1, (height, 23)).astype(np.float32)
    hole = holes(plane.shape, height)
    whole = push_pull(plane, hole)
    monkeypatch.setattr(inpaint, "ROWS", 16)
    assert np.array_equal(push_pull(plane, hole), whole)
