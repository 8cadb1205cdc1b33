from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.pixels import colour

LEVEL = st.floats(0, 1, width=32)


def colours(n: int = 4000, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).random((3, 1, n), np.float32)


def turn(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.abs((one - other + 180) % 360 - 180)


def hue(lab: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan2(lab[2], lab[1]))


def chroma(lab: np.ndarray) -> np.ndarray:
    return np.hypot(lab[1], lab[2])


def test_encoding_and_decoding_undo_each_other() -> None:
    levels = np.linspace(0, 1, 70001, dtype=np.float32)[None]
    assert np.abs(colour.encode(colour.decode(levels)) - levels).max() < 1e-6  # a sixteenth of a 16-bit step
    assert (np.diff(colour.encode(levels)[0]) > 0).all()


def test_encoding_keeps_nan_and_goes_straight_on_below_zero() -> None:
    got = colour.encode(np.array([[np.nan, -0.01, 0]], np.float32))[0]
    assert np.isnan(got[0])
    assert got[1:] == pytest.approx([-0.1292, 0], abs=1e-7)


def test_oklab_and_back() -> None:
    light = colours()
    assert np.abs(colour.from_lab(colour.to_lab(light)) - light).max() < 3e-6
    np.testing.assert_allclose(colour.lightness(light), colour.to_lab(light)[0], atol=1e-6)


@given(LEVEL)
def test_grey_has_no_chroma(level: float) -> None:
    lab = colour.to_lab(np.full((3, 1), level, np.float32))
    assert chroma(lab)[0] < 1e-6
    assert lab[0, 0] == pytest.approx(level ** (1 / 3), abs=1e-6)


def test_fit_keeps_hue_and_lightness_and_takes_no_more_chroma_than_it_must() -> None:
    lab = colour.to_lab(colours())
    wanted = lab.copy()
    wanted[1:] *= 2
    light = colour.fit(wanted.copy())
    got = colour.to_lab(light)
    assert light.min() >= 0
    assert light.max() <= 1
    assert np.abs(got[0] - lab[0]).max() < 1e-4  # rounding of float32 light that is cut at 0
    strong = chroma(got) > 0.02
    assert turn(hue(got), hue(lab))[strong].max() < 0.02
    less = chroma(got) < chroma(wanted) * 0.999
    assert less.any()
    edge = np.minimum(light.min(0), 1 - light.max(0))
    assert edge[less].max() < 2e-4  # those that lost chroma stand at the border
    assert np.allclose(got[:, ~less], wanted[:, ~less], atol=1e-4)


def test_fit_leaves_nan_alone() -> None:
    lab = colour.to_lab(colours(10))
    lab[:, 0, 3] = np.nan
    light = colour.fit(lab)
    assert np.isnan(light[:, 0, 3]).all()
    assert np.isfinite(np.delete(light, 3, axis=2)).all()


@pytest.mark.parametrize("angle", [0, 25, 85, 109.8, 142.5, 205, 264, 330, 359.9])
def test_cusp_is_the_most_a_hue_can_have(angle: float) -> None:
    big, most = colour.cusp(angle)
    inside = np.array(colour.light_of(big, most, angle))
    assert inside.min() > -1e-6
    assert inside.max() < 1 + 1e-6
    for other in np.linspace(0.05, 0.99, 95):
        beyond = colour.light_of(float(other), most * 1.002, angle)
        assert min(beyond) < 0 or max(beyond) > 1


@given(st.floats(0, 360), st.floats(0, 1))
def test_the_light_of_a_line_has_its_hue_and_fills_the_range(angle: float, purity: float) -> None:
    light = colour.line_light(angle, purity)
    assert max(light) == pytest.approx(1, abs=1e-6)
    assert min(light) >= 0
    _, c, h = colour.lch([colour.encode1(v) for v in light])
    assert c == pytest.approx(purity * colour.cusp(angle)[1], abs=1e-3)
    if c > 0.02:
        assert turn(np.array(h), np.array(angle)) < 0.5


def test_difference_is_zero_for_the_same_and_symmetric() -> None:
    one = colour.to_cielab(colours(300)[:, 0])
    other = colour.to_cielab(colours(300, seed=2)[:, 0])
    assert np.abs(colour.difference(one, one)).max() == 0
    np.testing.assert_allclose(colour.difference(one, other), colour.difference(other, one), atol=1e-9)
    assert colour.difference(one, other).min() > 0


def test_rows_cover_the_whole_once() -> None:
    seen = np.zeros((1237, 5000), int)

    def count(rows: slice) -> None:
        seen[rows] += 1

    colour.by_rows(count, (1237, 5000))
    assert (seen == 1).all()
