from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.pixels import anchors, colour, tone

CURVES = [("asinh", 0.02), ("asinh", 0.3), ("asinh", 10.0), ("midtone", 0.5), ("midtone", 0.9), ("midtone", 0.995)]
curves = pytest.mark.parametrize(("kind", "shape"), CURVES)


def how(kind: str, shape: float, sky: float = 0.1, black: float = 0.04, ease: float = 0.0) -> tone.Stretch:
    return tone.Stretch(kind, shape, black, 1.0, sky, ease)  # type: ignore[arg-type]


def nebula(noise: float, seed: int = 3, shape: tuple[int, int] = (320, 400), peak: float = 1.0) -> np.ndarray:
    """A bright core in a wide faint shell, and noise."""
    y, x = np.mgrid[: shape[0], : shape[1]] / min(shape) - 0.5
    r = np.hypot(x, y)
    light = peak * (np.exp(-((r / 0.1) ** 2)) + 0.15 * np.exp(-((r / 0.3) ** 4)))
    return (light + np.random.default_rng(seed).normal(0, noise, shape)).astype(np.float32)[None]


@curves
def test_the_curve_rises_from_black_to_white_without_a_break(kind: str, shape: float) -> None:
    stretch = how(kind, shape)
    light = np.linspace(-stretch.reach, 3, 200001).astype(np.float32)
    level = stretch.level(light.copy())
    assert level[0] == pytest.approx(0, abs=1e-6)
    assert np.diff(level).min() >= -3e-7
    assert np.diff(level).max() < 2.2 * stretch.slope * (light[1] - light[0]) + 1e-6
    assert level[-1] < 1
    assert float(stretch.level(np.zeros(1, np.float32))[0]) == pytest.approx(0.1, abs=1e-7)
    assert float(stretch.level(np.ones(1, np.float32))[0]) == pytest.approx(0.95, abs=1e-5)


@curves
def test_the_slope_at_the_sky_is_the_same_from_both_sides(kind: str, shape: float) -> None:
    stretch = how(kind, shape)
    step = 0.002 / stretch.slope
    below, at, above = stretch.level(np.array([-step, 0, step], np.float32)).astype(float)
    assert (above - at) / step == pytest.approx(stretch.slope, rel=0.12)
    assert (at - below) / step == pytest.approx(stretch.slope, rel=0.12)


def test_roll_off_is_a_straight_line_below_its_knee_and_never_reaches_1() -> None:
    level = np.linspace(0, 8, 3001).astype(np.float32)
    got = tone.roll_off(level.copy())
    assert np.array_equal(got[level <= tone.KNEE], level[level <= tone.KNEE])
    assert (np.diff(got) > 0).all()
    assert got.max() < 0.999


@given(st.floats(1e-4, 0.9), st.floats(0.05, 0.8))
def test_anchors_are_met_exactly(dim: float, lift: float) -> None:
    found = anchors.Anchors(dim, 1.0, 1.0, 0.0, True)
    for kind, decide in (("asinh", anchors.decide_asinh), ("midtone", anchors.decide_midtone)):
        shape, white = decide(found, **{"softening" if kind == "asinh" else "bend": None}, sky=0.1, lift=lift, white=None)  # type: ignore[arg-type]
        stretch = tone.Stretch(kind, shape, 0.01, white, 0.1)  # type: ignore[arg-type]
        z = np.array([dim / white, 1 / white], np.float32)
        low, high = 0.1 + 0.9 * stretch.rise(z).astype(float)
        assert high == pytest.approx(1, abs=1e-4)
        straight = 0.1 + 0.9 * dim
        if lift > straight:  # a curve can lift, not lower
            assert low == pytest.approx(lift, abs=2e-3) or dim < 1e-3
        else:
            assert low == pytest.approx(straight, abs=4e-3)


def test_anchors_do_not_care_for_noise_nor_for_empty_sky_around() -> None:
    clean = anchors.anchors(nebula(0), (0.0,), 0.0, stars=False)
    assert clean.found
    for noise in (0.01, 0.03, 0.1):
        noisy = anchors.anchors(nebula(noise), (0.0,), noise, stars=False)
        assert noisy.bright == pytest.approx(clean.bright, rel=0.04)
        assert noisy.dim == pytest.approx(clean.dim, rel=0.1)
    wide = np.zeros((1, 960, 1200), np.float32)
    wide[:, 320:640, 400:800] = nebula(0)
    around = anchors.anchors(wide, (0.0,), 0.0, stars=False)
    assert around.bright == pytest.approx(clean.bright, rel=0.02)
    assert around.dim == pytest.approx(clean.dim, rel=0.05)


def test_where_light_fills_the_frame_its_lanes_are_not_lifted_like_a_faint_shell() -> None:
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:240, :320]
    gas = np.exp(0.8 * (np.sin(x / 19) * np.cos(y / 23) + np.sin((x + y) / 31))).astype(np.float32)[None]
    noise = rng.normal(0, 0.01, gas.shape).astype(np.float32)
    alone = np.where((abs(x - 160) < 60) & (abs(y - 120) < 60), gas, 0).astype(np.float32)
    whole, part = (anchors.anchors(planes + noise, (0.0,), 0.01, stars=False) for planes in (gas, alone))
    light = np.sort(gas.ravel().astype(float))
    share = np.searchsorted(light, [whole.dim, part.dim]), np.cumsum(light) / light.sum()
    below = [float(share[1][k]) for k in share[0]]
    assert below[0] == pytest.approx(0.5, abs=0.05)
    assert below[1] < 0.2
    # and the hues of a picture made of it still know how it was stretched
    soft, white = anchors.decide_asinh(whole, sky=0.1, lift=0.4, softening=None, white=None)
    shown = tone.stretched(gas + noise, (0.0,), tone.Stretch("asinh", soft, 0.0, white, 0.1))
    assert anchors.softening_of(shown[0], 0.1) == pytest.approx(soft, rel=0.1)


def test_anchors_scale_with_the_light() -> None:
    one, other = (anchors.anchors(nebula(0.01) * k, (0.0,), 0.01 * k, stars=False) for k in (np.float32(1), np.float32(65535)))
    assert other.bright == pytest.approx(one.bright * 65535, rel=1e-5)
    assert other.dim == pytest.approx(one.dim * 65535, rel=1e-5)


def test_stars_do_not_decide_where_the_nebula_does() -> None:
    planes = nebula(0.01)
    bare = anchors.anchors(planes, (0.0,), 0.01, stars=True)
    starry = planes.copy()
    rng = np.random.default_rng(5)
    for y, x in zip(rng.integers(4, 316, 150), rng.integers(4, 396, 150), strict=True):
        starry[0, y - 1 : y + 2, x - 1 : x + 2] += 50
    assert anchors.anchors(starry, (0.0,), 0.01, stars=True).bright == pytest.approx(bare.bright, rel=0.05)


def test_what_is_weaker_than_noise_is_not_stretched_to_white() -> None:
    """An uneven sky of less than a noise is left dark, as one continuous change from what is bright enough."""
    planes = nebula(0.0)
    free = anchors.anchors(planes, (0.0,), 0.0, stars=False)
    at, under, far = (anchors.anchors(planes, (0.0,), 0.0, stars=False, least=k * free.bright) for k in (0.999, 1.5, 20))
    assert (at.dim, at.bright, at.found) == (free.dim, free.bright, True)
    assert (under.bright, under.found) == pytest.approx((1.5 * free.bright, True))
    assert 1.5 * free.dim < under.dim <= under.bright / 3
    assert (far.dim, far.bright) == pytest.approx((20 / 3 * free.bright, 20 * free.bright))
    assert not far.found


def test_noise_alone_is_said_to_hold_no_light() -> None:
    noise = np.random.default_rng(1).normal(0, 1, (1, 300, 300)).astype(np.float32)
    found = anchors.anchors(noise, (0.0,), 1.0, stars=False)
    assert not found.found
    soft, white = anchors.decide_asinh(found, sky=0.1, lift=0.4, softening=None, white=None)
    assert tone.Stretch("asinh", soft, 4.0, white, 0.1).slope <= anchors.VISIBLE * 1.001


def test_pixel_noise() -> None:
    rng = np.random.default_rng(2)
    planes = rng.normal(0, 2, (3, 400, 500)).astype(np.float32)
    planes[:, :50] = np.nan
    assert anchors.pixel_noise(planes[:1]) == pytest.approx(2, rel=0.02)
    assert anchors.pixel_noise(planes) == pytest.approx(2 / math.sqrt(3), rel=0.02)
    assert anchors.pixel_noise(np.full((1, 9, 9), np.nan, np.float32)) == 0


def test_colour_is_multiplied_by_one_factor() -> None:
    rng = np.random.default_rng(4)
    light = (rng.random((3, 40, 50)) * rng.random((1, 40, 50)) * 0.5 + 1e-3).astype(np.float32)
    shown = tone.stretched(light, (0.0,) * 3, how("asinh", 0.1, sky=0.0, black=0.0))
    ratio = colour.decode(shown.reshape(3, -1)) / light.reshape(3, -1)
    assert (shown > 0.01).any()
    dim = shown.reshape(3, -1).max(0) < tone.KNEE
    assert dim.any()
    np.testing.assert_allclose(ratio[1, dim] / ratio[0, dim], 1, atol=2e-2)  # the darkest channels lie at the rounding of light
    np.testing.assert_allclose(np.median(ratio[1, dim] / ratio[0, dim]), 1, atol=1e-4)


@pytest.mark.parametrize("faint", [0.0, 0.02, 0.05])
def test_a_channel_below_the_sky_turns_no_red_into_olive(faint: float) -> None:
    """Faint red light over a glow that is a little off in green and blue: the hue stays that of the light there is.

    Less than no light would be a hue of no light, which ends in olive or violet and steps where another channel sinks.
    """
    below = np.linspace(0, 0.04, 200, dtype=np.float32)
    light = np.stack([np.full_like(below, 0.2), np.full_like(below, faint), -below])[:, None]
    light[1, 0, 100:] -= 0.06
    shown = tone.stretched(light, (0.0,) * 3, tone.Stretch("asinh", 0.1, 0.01, 1.0, 0.1))
    lab = colour.to_lab(colour.decode(shown))[:, 0].astype(float)
    hue = np.degrees(np.arctan2(lab[2], lab[1]))
    own = colour.to_lab(np.array([0.2, faint, 0.0], np.float32)[:, None])[:, 0].astype(float)
    assert np.hypot(lab[1], lab[2]).min() > 0.05
    # between the hue of what is there and that of red alone, give or take a degree of rounding
    assert hue.min() > 29.2 - 1
    assert hue.max() < math.degrees(math.atan2(own[2], own[1])) + 1


@pytest.mark.parametrize("channels", [1, 3])
def test_noise_at_the_sky_comes_out_as_told(channels: int) -> None:
    stretch = how("asinh", 0.2)
    noise = np.random.default_rng(6).normal(0, 1e-3, (channels, 200, 250)).astype(np.float32)
    shown = tone.stretched(noise, (0.0,) * channels, stretch)
    told = np.sqrt((np.array(tone.noise_matrix(channels, stretch)) ** 2).sum(1)) * 1e-3
    np.testing.assert_allclose(shown.std((1, 2)), told, rtol=0.1)  # colour fades by a law that is not quite linear


@pytest.mark.parametrize("peak", [10.0, 100.0])
def test_the_softening_is_told_from_what_it_made(peak: float) -> None:
    planes = nebula(0.002, peak=1.0) * np.float32(peak)
    found = anchors.anchors(planes, (0.0,), 0.002 * peak, stars=False)
    soft, white = anchors.decide_asinh(found, sky=0.1, lift=0.4, softening=None, white=None)
    shown = tone.stretched(planes, (0.0,), tone.Stretch("asinh", soft, 0.01 * peak, white, 0.1))
    assert anchors.softening_of(shown[0], 0.1) == pytest.approx(soft, rel=0.05)
    assert anchors.softening_of(np.full((50, 60), 0.1, np.float32), 0.1) == 0.3
    assert anchors.softening_of(np.full((50, 60), np.nan, np.float32), 0.1) == 0.3
    assert anchors.softening_of(np.ones((50, 60), np.float32), 1.0) == 0.3  # white all over: it was divided by what is left above


def test_roll_off_is_undone() -> None:
    level = np.linspace(0, 3.9, 400).astype(np.float32)
    np.testing.assert_allclose(tone.unrolled(tone.roll_off(level.copy())), level, atol=2e-4)
