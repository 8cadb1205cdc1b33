from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.pixels import colour, contrast, curves
from nebulakit.pixels.facts import Noise


@st.composite
def rising_points(draw: st.DrawFn) -> list[tuple[float, float]]:
    n = draw(st.integers(2, 7))
    steps = st.lists(st.floats(0.02, 1), min_size=n - 1, max_size=n - 1)
    x, y = (np.concatenate([[0], np.cumsum(draw(steps))]) for _ in range(2))
    return [(float(a), float(b)) for a, b in zip(x / x[-1], y / y[-1], strict=True)]


@given(rising_points())
def test_a_curve_goes_through_its_points_and_never_turns_back(points: list[tuple[float, float]]) -> None:
    curve = curves.Curve(points)
    x, y = (np.array(v, np.float32) for v in zip(*points, strict=True))
    np.testing.assert_allclose(curve(x), y, atol=2e-6)
    dense = curve(np.linspace(-0.2, 1.2, 3001).astype(np.float32))
    assert np.diff(dense).min() > -1e-6
    assert dense.min() >= -1e-6
    assert dense.max() <= 1 + 1e-6


@given(rising_points())
def test_a_curve_is_the_one_scipy_makes(points: list[tuple[float, float]]) -> None:
    from scipy.interpolate import PchipInterpolator

    x = np.linspace(0, 1, 501)
    want = PchipInterpolator(*zip(*points, strict=True))(x)
    np.testing.assert_allclose(curves.Curve(points)(x.astype(np.float32)), want, atol=2e-5)  # steep pieces amplify float32


def test_a_straight_curve_changes_nothing() -> None:
    planes = np.random.default_rng(0).random((3, 30, 40), np.float32)
    straight = curves.Curve([(0, 0), (0.3, 0.3), (1, 1)])
    np.testing.assert_allclose(curves.lightness_curve(planes, straight), planes, atol=3e-5)
    np.testing.assert_allclose(curves.channel_curve(planes, straight, [0, 1, 2]), planes, atol=1e-6)


def test_colours_at_the_edge_of_what_can_be_shown_are_not_left_to_rounding() -> None:
    """A channel at black or white: the last bit once decided between no change and up to 0.19."""
    planes, which = np.random.default_rng(0).random((3, 60, 80), np.float32), np.random.default_rng(1).integers(0, 3, (3, 60, 80))
    planes[which == 1], planes[which == 2] = 0, 1
    straight = curves.Curve([(0, 0), (1, 1)])
    level = contrast.grey_level(planes)
    for same in (curves.lightness_curve(planes, straight), contrast.with_grey_level(planes, level, level)):
        np.testing.assert_allclose(same, planes, atol=1e-4)  # as inside the edge, and GRAIN of light is 3e-5 at black


def test_a_curve_of_lightness_keeps_hue_and_purity() -> None:
    planes = (0.3 + 0.3 * np.random.default_rng(0).random((3, 30, 40))).astype(np.float32)
    lighter = curves.lightness_curve(planes, curves.Curve([(0, 0), (0.4, 0.5), (1, 1)]))
    one, other = (colour.to_lab(colour.decode(p)) for p in (planes, lighter))
    np.testing.assert_allclose(other[1:] / other[0], one[1:] / one[0], atol=1e-4)
    grey = np.full((3, 1, 1), 0.4, np.float32)
    np.testing.assert_allclose(curves.lightness_curve(grey, curves.Curve([(0, 0), (0.4, 0.5), (1, 1)])), 0.5, atol=1e-5)


@given(st.floats(0, 0.99), st.floats(0, 0.5))
def test_dark_levels_are_lowered_without_an_edge_and_none_is_cut(dark: float, to: float) -> None:
    lowered = curves.Lowered(dark, to)
    x = np.linspace(0, 1, 4001, dtype=np.float32)
    y = lowered(x)
    assert y[0] == pytest.approx(x[0], abs=1e-6)
    assert y[-1] == pytest.approx(1, abs=1e-5)
    assert np.diff(y).min() > -1e-6
    assert (y <= x + 1e-6).all()
    slope = np.diff(y) * 4000
    assert slope.max() < curves.STEEPEST + 0.01  # float32 at 1, times 4000
    lit = x[1:] > 0.05 * dark
    # the power under the level is 1.5 / DEEPEST at most, so that its slope changes by no more than that over the level
    assert np.abs(np.diff(slope)[lit[1:]]).max() < 9 * 5 / (4000 * max(dark, 0.01)) + 0.004
    if to >= dark:
        np.testing.assert_allclose(y, x, atol=2e-6)
    else:
        goal = max(to, curves.DEEPEST * dark, 1 - curves.STEEPEST * (1 - dark))
        assert float(lowered(np.array([dark], np.float32))[0]) == pytest.approx(min(goal, dark), abs=1e-5)


def test_the_darkest_level_is_that_of_the_light_and_not_of_the_grain() -> None:
    y, x = np.mgrid[:240, :320] / 240
    level = (0.2 + 0.3 * np.sin(5 * x + 3 * y) ** 2).astype(np.float32)
    planes = np.stack([level, 0.5 * level, 0.5 * level])
    grey = colour.encode(colour.lightness(colour.decode(planes)) ** 3)
    want = float(np.quantile(grey, 0.05))
    assert curves.darkest_level(planes) == pytest.approx(want, abs=0.003)
    grainy = planes + np.random.default_rng(0).normal(0, 0.05, planes.shape).astype(np.float32)
    # a twentieth of the pixels by themselves would lie at 0.06 less
    assert curves.darkest_level(grainy) == pytest.approx(want, abs=0.01)
    planes[:, :60] = np.nan
    assert curves.darkest_level(planes) == pytest.approx(float(np.quantile(grey[60:], 0.05)), abs=0.003)
    assert curves.darkest_level(np.full((3, 5, 5), np.nan, np.float32)) == 0


@pytest.mark.parametrize("hue", [25.0, 80.0, 205.0])
def test_bright_colours_are_made_lighter_without_an_edge(hue: float) -> None:
    """From dim to bright of one hue its purity falls smoothly; it bent all at once where a channel had come to white."""
    full = np.array(colour.line_light(hue, 0.95))
    ramp = np.linspace(0.2, 0.98, 400)
    planes = colour.encode((full[:, None, None] * ramp**2.4).astype(np.float32))
    lighter = curves.lightness_curve(planes, curves.Curve([(0, 0), (0.12, 0.115), (0.5, 0.55), (0.85, 0.9), (1, 1)]))
    lab = colour.to_lab(colour.decode(lighter))[:, 0].astype(float)
    purity = np.hypot(lab[1], lab[2]) / lab[0]
    slope = np.diff(np.convolve(purity, np.ones(9) / 9, "valid")) / np.diff(ramp[4:-4])
    # how much the slope changes over a hundredth of the range, in purity per range
    assert np.abs(slope[5:] - slope[:-5]).max() < 0.25
    assert lighter.max() < 1


def test_only_the_named_channel_changes() -> None:
    planes = np.random.default_rng(0).random((3, 30, 40), np.float32)
    got = curves.channel_curve(planes, curves.Curve([(0, 0), (0.5, 0.7), (1, 1)]), [1])
    assert np.array_equal(got[[0, 2]], planes[[0, 2]])
    assert (got[1] >= planes[1] - 1e-6).all()


level = st.floats(0, 1, width=32)


@given(level, level, st.sampled_from(sorted(curves.MODES)), st.floats(0, 1))
def test_blending_grows_as_told_and_stays_in_range(a: float, b: float, mode: str, opacity: float) -> None:
    def at(x: float, y: float, limit: bool = False) -> float:
        below, above = (np.array([[[v]]], np.float32) for v in (x, y))
        return float(curves.blended(below, above, mode, opacity, limit).item())

    assert 0 <= at(a, b, True) <= 1
    assert curves.blended(np.full((1, 1, 1), a, np.float32), np.ones((1, 1, 1), np.float32), mode, 0.0, False).item() == a
    if mode in ("lighten", "darken") and abs(a - b) < 0.02:
        return
    down, up = curves.mode_slopes(mode, a, b, opacity)
    assert (at(a + 0.01, b) - at(a - 0.01, b)) / 0.02 == pytest.approx(down, abs=1e-3)
    assert (at(a, b + 0.01) - at(a, b - 0.01)) / 0.02 == pytest.approx(up, abs=1e-3)


def test_one_plane_lies_over_all_channels() -> None:
    below = np.random.default_rng(0).random((3, 5, 6), np.float32)
    above = np.full((1, 5, 6), 0.5, np.float32)
    np.testing.assert_allclose(curves.blended(below, above, "screen", 1.0, True), 1 - (1 - below) * 0.5, atol=1e-6)


def test_nan_in_either_stays() -> None:
    below, above = np.full((1, 2, 2), 0.5, np.float32), np.full((1, 2, 2), 0.5, np.float32)
    below[0, 0, 0] = above[0, 1, 1] = np.nan
    for mode in curves.MODES:
        for opacity in (0.5, 1.0):
            got = curves.blended(below, above, mode, opacity, True)
            assert np.isnan(got[0]).tolist() == [[True, False], [False, True]]


def test_slopes_are_those_of_the_change() -> None:
    got = curves.slopes((0.2, 0.5), lambda p: np.stack([p[0] * 2, p[0] - p[1], p[1] ** 2]).astype(np.float32))
    np.testing.assert_allclose(got, [[2, 0], [1, -1], [0, 1]], atol=1e-3)


def test_noise_of_both_keeps_the_scales_both_have() -> None:
    both = curves.noise_of_both(Noise((1.0,), ((1.0, 0.5, 0.2),)), Noise((2.0,), ((2.0, 1.0),)))
    assert both.sigma == (1.0, 2.0)
    assert both.scales == ((1.0, 0.5), (2.0, 1.0))
