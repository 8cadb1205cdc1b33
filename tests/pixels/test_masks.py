from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.pixels import masks


@pytest.mark.parametrize("sigma", [0.5, 3, 11, 14, 40, 90])
def test_a_feathered_step_is_the_gaussian_one(sigma: float) -> None:
    from scipy.special import ndtr

    edge = np.zeros((64, 900), np.float32)
    edge[:, 450:] = 1
    got = masks.feathered(edge, sigma)[32]
    want = ndtr((np.arange(900) - 449.5) / np.sqrt(max(sigma**2 - 1 / 12, 1e-3)))
    # half a percent where wide blurs go by an averaged plane
    assert np.abs(got - want).max() < (0.012 if sigma < 1 else 1e-3 if sigma < 12 else 6e-3)
    assert np.diff(got).min() > -1e-6


def test_feathering_does_not_spread_nothing() -> None:
    mask = np.ones((60, 80), np.float32)
    mask[:, :30] = np.nan
    got = masks.feathered(mask, 4)
    assert np.isnan(got[:, :30]).all()
    np.testing.assert_allclose(got[:, 30:], 1, atol=1e-5)


def test_feathering_keeps_the_total() -> None:
    mask = np.zeros((300, 300), np.float32)
    mask[140:160, 150:170] = 1
    for sigma in (2, 20):
        assert masks.feathered(mask, sigma).sum() == pytest.approx(400, rel=0.01)


def test_between_takes_the_mean_of_the_channels() -> None:
    planes = np.array([[[0.0, 1, 2, np.nan]], [[0.0, 3, 2, 1]]], np.float32)
    assert masks.between(planes, 1.5, None)[0, :3].tolist() == [0, 1, 1]
    assert masks.between(planes, -1, 1.5)[0, :3].tolist() == [1, 0, 0]
    assert np.isnan(masks.between(planes, 0, 1)[0, 3])


unit = st.floats(0, 1, width=32)


@given(unit, unit)
def test_combinations_follow_the_rules_of_sets(a: float, b: float) -> None:
    one, two = np.array([a], np.float32), np.array([b], np.float32)
    both, either, without, none = (masks.combined(one, two, how) for how in ("and", "or", "without", "not"))
    assert both <= min(a, b)
    assert either >= max(a, b)
    assert none == pytest.approx(1 - either)
    assert without == masks.combined(one, masks.combined(two, None, "not"), "and")
    assert masks.combined(masks.combined(one, None, "not"), None, "not") == pytest.approx(one, abs=1e-7)
    # De Morgan
    left = masks.combined(both, None, "not")
    right = masks.combined(masks.combined(one, None, "not"), masks.combined(two, None, "not"), "or")
    assert left == pytest.approx(right)


def test_ellipse() -> None:
    got = masks.ellipse((200, 300), (150, 100), (80, 40), 30)
    assert got.sum() == pytest.approx(np.pi * 80 * 40, rel=0.01)
    y, x = np.nonzero(got)
    assert (x.mean(), y.mean()) == pytest.approx((150, 100), abs=0.1)
    along = np.cov(x, y)
    assert np.degrees(np.arctan2(*np.linalg.eigh(along)[1][:, 1][::-1])) % 180 == pytest.approx(30, abs=0.5)


def test_polygon() -> None:
    got = masks.polygon((100, 120), [(20, 10), (80, 10), (80, 60), (20, 60)])
    assert got[35, 50] == 1
    assert got[5, 50] == got[35, 90] == 0
    assert got.sum() == 60 * 50
    # corners between pixels, on the way out of the picture and far outside; the area is that of the shoelace formula
    corners = [(5.3, 4.1), (33.7, 12.2), (14.9, 35.4)]
    x, y = np.array(corners).T
    area = abs(x @ np.roll(y, 1) - y @ np.roll(x, 1)) / 2
    assert masks.polygon((40, 40), corners).sum() == pytest.approx(area, abs=0.1)  # places are told to 1/16 px down, 1/256 across
    assert masks.polygon((40, 30), [(-3e3, -3e3), (19.5, -3e3), (19.5, 3e3), (-3e3, 3e3)]).sum() == 40 * 20
    # what lies on neither side of a common edge is nothing, what lies on both is nothing either
    left, right = ([(20.2, -9), (31.7, 70), (far, 70), (far, -9)] for far in (-9, 90))
    np.testing.assert_allclose(masks.polygon((60, 70), left) + masks.polygon((60, 70), right), 1, atol=1e-6)


def test_a_polygon_may_cross_itself() -> None:
    """Held against whether the middle of each sixteenth of a pixel lies on the inner side of an odd number of edges."""
    star = [(30 + 25 * np.cos(a), 30 + 25 * np.sin(a)) for a in np.radians(144 * np.arange(5) + 10)]
    y, x = (np.mgrid[: 60 * 16, : 62 * 16] + 0.5) / 16 - 0.5
    inside = np.zeros(x.shape, bool)
    for (x0, y0), (x1, y1) in zip(star, [*star[1:], star[0]], strict=True):
        inside ^= ((y0 <= y) != (y1 <= y)) & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    # each of up to three edges in a pixel may be off by half a sixteenth on each of the sixteen lines
    np.testing.assert_allclose(masks.polygon((60, 62), star), inside.reshape(60, 16, 62, 16).mean((1, 3)), atol=0.1)
    assert masks.polygon((60, 62), star)[30, 30] == 0


def test_ramp() -> None:
    got = masks.ramp((50, 100), (20, 25), (80, 25))
    assert got[:, :21].max() == 0
    assert got[:, 80:].min() == 1
    assert got[10, 50] == pytest.approx(0.5)
    assert np.ptp(got, axis=0).max() == 0
