from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.pixels import colour, hues, tone


def picture(seed: int = 1, n: int = 5000) -> np.ndarray:
    return np.random.default_rng(seed).random((3, 20, n // 20), np.float32)


def lch(planes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lab = colour.to_lab(colour.decode(planes))
    return lab[0], np.hypot(lab[1], lab[2]), np.degrees(np.arctan2(lab[2], lab[1])) % 360


def turn(one: np.ndarray, other: np.ndarray | float) -> np.ndarray:
    return np.abs((one - other + 180) % 360 - 180)


level = st.floats(0, 1, width=32)


@given(level, level, st.floats(0, 360), st.floats(0, 360), st.floats(0, 1))
def test_two_lines_stay_in_range_and_meet_in_grey(a: float, b: float, first: float, second: float, purity: float) -> None:
    ha, oiii = (np.array([[v, max(a, b)]], np.float32) for v in (a, b))
    got = hues.two_lines(ha, oiii, (0.1, 0.1), (first, second), purity, 0.28)
    assert got.min() >= -1e-6
    assert got.max() <= 1 + 1e-6
    np.testing.assert_allclose(got[:, 0, 1], max(a, b), atol=2e-6)  # both alike: grey of that level


@pytest.mark.parametrize("colours", list(hues.COLOURS))
def test_each_line_has_its_hue_and_the_first_one_ahead_turns_it(colours: str) -> None:
    pair = hues.COLOURS[colours]
    up = np.linspace(0.1, 1, 40, dtype=np.float32)[None]
    down = up[:, ::-1].copy()
    got = hues.two_lines(up, down, (0.0, 0.0), pair, 0.85, 0.28)
    _, c, h = lch(got)
    strong = c[0] > 0.05
    ahead = (up > down)[0]
    assert turn(h[0, strong & ahead], pair[0]).max() < 12  # what both share adds white light, which turns OKLab's hue a little
    assert turn(h[0, strong & ~ahead], pair[1]).max() < 12
    alone = hues.two_lines(up, np.zeros_like(up), (0.0, 0.0), pair, 0.85, 0.28)
    assert turn(lch(alone)[2][0, 5:], pair[0]).max() < 2.5


def test_the_sky_of_both_is_neutral_at_the_first_ones_level() -> None:
    ha, oiii = np.full((2, 2), 0.12, np.float32), np.full((2, 2), 0.07, np.float32)
    got = hues.two_lines(ha, oiii, (0.12, 0.07), (25, 205), 0.85, 0.28)
    np.testing.assert_allclose(got, 0.12, atol=2e-6)


def test_blue_over_red_tells_the_ratio_of_the_lines() -> None:
    rng = np.random.default_rng(3)
    ha, oiii = (0.1 + 0.8 * rng.random((2, 60, 60))).astype(np.float32)
    got = hues.two_lines(ha, oiii, (0.1, 0.1), hues.COLOURS["red-teal"], 0.85, 0.28)
    ratio = (colour.decode(oiii) / colour.decode(ha)).ravel()
    told = ((got[2] - got[0]) / (got[2] + got[0])).ravel()
    rank = lambda v: np.argsort(np.argsort(v))  # noqa: E731
    assert np.corrcoef(rank(ratio), rank(told))[0, 1] > 0.995


@given(st.floats(0, 6), st.integers(0, 50))
def test_saturation_keeps_hue_and_lightness_and_never_clips(gain: float, seed: int) -> None:
    before = picture(seed, 400)
    after = hues.saturated(before, gain, None, 0.0, 0.0)
    (l0, c0, h0), (l1, c1, h1) = lch(before), lch(after)
    assert after.min() >= 0
    assert after.max() <= 1
    assert np.abs(l1 - l0).max() < 1e-4
    assert turn(h1, h0)[c1 > 0.02].max(initial=0) < 0.05
    assert (c1 <= c0 * gain + 2e-4).all() if gain <= 1 else (c1 >= c0 - 2e-4).all()
    cut = ((after <= 0.001) | (after >= 0.999)).any(0) & ~((before <= 0.01) | (before >= 0.99)).any(0)
    assert not cut.any()


def test_saturation_leaves_the_sky_alone() -> None:
    rng = np.random.default_rng(2)
    sky = (0.1 + 0.01 * rng.standard_normal((3, 40, 40))).astype(np.float32)
    after = hues.saturated(sky, 2.0, None, 0.1, 0.14)
    assert np.std(after - after.mean(0)) < 1.12 * np.std(sky - sky.mean(0))
    brighter = hues.saturated(sky + np.float32(0.3), 2.0, None, 0.1, 0.14)
    assert np.std(brighter - brighter.mean(0)) > 1.8 * np.std(sky - sky.mean(0))


def test_a_window_takes_its_hues_and_no_others() -> None:
    angles = np.radians(np.arange(0, 360, 0.5)).astype(np.float32)
    lab = np.stack([np.ones_like(angles), np.cos(angles), np.sin(angles)])[:, None]
    weight = hues.Window(340, 60, 20).weight(lab)[0]
    degrees = np.arange(0, 360, 0.5)
    away = np.maximum(turn(degrees, 20.0) - 40, 0)
    np.testing.assert_allclose(weight, np.where(away < 20, 0.5 + 0.5 * np.cos(np.pi * away / 20), 0), atol=1e-4)
    assert set(np.unique(hues.Window(0, 90, 0).weight(lab))) == {0.0, 1.0}
    assert (hues.Window(0, 360, 20).weight(lab) == 1).all()
    assert (hues.Window(0, 0, 20).weight(lab)[0] == 0).sum() > 600  # of 720: from a hue to itself is no way round


def test_turning_hues_turns_them_and_nothing_else() -> None:
    before = picture() * np.float32(0.2) + np.float32(0.4)
    for window in (None, hues.Window(0, 120, 10)):
        (l0, c0, h0), (l1, c1, h1) = lch(before), lch(hues.turned(before, 40, window))
        inside = (c0 > 0.01) & ((h0 < 120) if window else True)
        beside = (h0 > 135) & (h0 < 345) & bool(window)
        assert turn(h1, h0 + 40)[inside].max() < 0.1
        assert turn(h1, h0)[beside & (c0 > 0.01)].max(initial=0) < 0.05
        assert np.abs(l1 - l0).max() < 1e-4
        assert np.abs(c1 - c0).max() < 1e-4


def test_gaps_are_the_hues_two_lines_do_not_make() -> None:
    assert hues.gaps((25, 205), 30) == [(55, 120), (235, 120)]
    assert hues.gaps((40, 100), 20) == [(120, 260)]  # all hues between near lines are made by both
    assert hues.gaps((25, 205), 90) == []


@pytest.mark.parametrize("pair", [(25.0, 205.0), (80.0, 255.0), (40.0, 100.0)])
def test_tints_off_the_lines_lose_their_colour_without_a_jump(pair: tuple[float, float]) -> None:
    degrees = np.arange(0, 360, 0.25)
    lab = np.stack([np.full(degrees.size, 0.6), 0.06 * np.cos(np.radians(degrees)), 0.06 * np.sin(np.radians(degrees))])
    before = colour.encode(colour.from_lab(lab.astype(np.float32)[:, None]))
    after = hues.tint_limited(before, pair, 30, 1.0)
    _, c, h = lch(after)
    allowed = np.minimum(turn(degrees, pair[0]), turn(degrees, pair[1])) <= 29.9
    np.testing.assert_allclose(after[:, 0, allowed], before[:, 0, allowed], atol=3e-5)
    for start, extent in hues.gaps(pair, 30):
        middle = round((start + extent / 2) % 360 / 0.25) % degrees.size
        assert c[0, middle] < 0.002
    far = c[0] > 0.002
    gaps = [(s, e) for s, e in hues.gaps(pair, 30)]
    for s, e in gaps:
        assert not (((h[0, far] - s) % 360 > 0.5) & ((h[0, far] - s) % 360 < e - 0.5)).any()
    jump = np.abs(np.diff(np.concatenate([after, after[:, :, :1]], 2), axis=2)).max()
    assert jump < 6 * np.abs(np.diff(before, axis=2)).max()
    assert np.array_equal(hues.tint_limited(before, pair, 30, 0.0), hues.on_lab(before, lambda lab, rows: None))


def test_nan_stays_where_it_is() -> None:
    planes = picture(n=400)
    planes[:, 3, 4] = np.nan
    for made in (
        hues.saturated(planes, 1.5, hues.Window(0, 90, 10), 0.1, 0.2),
        hues.turned(planes, 30, None),
        hues.tint_limited(planes, (25, 205), 30, 1.0),
        hues.two_lines(planes[0], planes[1], (0.1, 0.1), (25, 205), 0.85, 0.28),
    ):
        assert np.isnan(made[:, 3, 4]).all()
        assert np.isnan(made).sum() == 3


@pytest.mark.parametrize("softening", [0.03, 0.3, 5.0])
def test_the_same_ratio_has_the_same_colour_bright_or_faint(softening: float) -> None:
    light = np.geomspace(0.02, 1, 60).astype(np.float32)[None]

    def shown(part: float) -> np.ndarray:
        return np.asarray(0.1 + 0.8 * tone.asinh_rise(light * np.float32(part), softening), np.float32)

    for ratio in (0.3, 0.7):
        got = colour.decode(hues.two_lines(shown(1), shown(ratio), (0.1, 0.1), (25, 205), 0.85, softening))
        bright = light[0] > (0.05 if softening < 0.1 else 0.25)
        told = (got[2] / got[0])[0, bright]
        assert np.ptp(told) < 0.15 * told.mean()  # near the sky grey is added
