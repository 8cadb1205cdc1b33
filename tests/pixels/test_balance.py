"""How much light a line has, what noise is left in it, and the gain between two lines."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit.image import Image
from nebulakit.pixels import balance, starlet
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.noise import measure_noise
from nebulakit.steps import balance_lines, denoise_wavelet, stretch_asinh


def white(sigma: float) -> Noise:
    return Noise((sigma,), (tuple(float(v) for v in sigma * starlet.white_sigmas(6)),))


@pytest.mark.parametrize("blur", [0.0, 0.7, 1.2])
@pytest.mark.parametrize("side", [6, 8, 16])
def test_noise_of_boxes_from_the_scales(blur: float, side: int) -> None:
    """White and correlated noise: the deviation of real box means within 15 % (a starlet scale is no box)."""
    import cv2

    plane = np.random.default_rng(1).normal(0, 1, (768, 768)).astype(np.float32)
    if blur:
        plane = cv2.GaussianBlur(plane, (0, 0), blur)
    told = balance.box_noise(measure_noise(plane[None]), 0, side)
    assert told == pytest.approx(float(balance.block_means(plane, side).std()), rel=0.15)


@given(st.integers(1, 40), st.integers(1, 40), st.integers(1, 9))
def test_boxes_are_means(h: int, w: int, side: int) -> None:
    plane = np.random.default_rng(h * 41 + w).random((h, w), dtype=np.float32)
    side = min(side, h, w)
    got = balance.box_levels(plane, side)
    assert got.shape == (h // side, w // side)
    assert got[-1, -1] == pytest.approx(
        float(plane[(h // side - 1) * side : h // side * side, (w // side - 1) * side : w // side * side].mean()), abs=1e-6
    )


def test_boxes_beside_nothing() -> None:
    plane = np.ones((8, 8), np.float32)
    plane[:4, :3] = np.nan
    plane[4:, :1] = np.nan
    got = balance.box_levels(plane, 4)
    assert math.isnan(got[0, 0])
    assert got[1, 0] == got[0, 1] == 1


def test_share_and_height_of_light() -> None:
    rng = np.random.default_rng(2)
    plane = rng.normal(0, 1, (240, 320)).astype(np.float32)
    assert balance.light(plane, white(1.0), 0.0, 8).share < 0.003
    plane[:60] += 5
    found = balance.light(plane, white(1.0), 0.0, 8)
    # a row of boxes is cut by the border of the light; 60 / 240 is a quarter
    assert found.share == pytest.approx(0.25, abs=0.035)
    assert found.bright == pytest.approx(5, abs=0.4)
    assert balance.light(plane + np.float32(2), white(1.0), 2.0, 8).share == pytest.approx(found.share, abs=0.003)
    assert balance.light(np.full((20, 20), np.nan, np.float32), white(1.0), 0.0, 8).share == 0


def test_what_one_line_leaves_in_the_other_is_no_light() -> None:
    """One percent of a bright H-alpha passed for [O III], and was lifted 25 times."""
    rng = np.random.default_rng(4)
    ha = rng.normal(0, 1, (240, 320)).astype(np.float32)
    ha[100:140, 100:160] += 300
    left = np.float32(0.01) * ha + rng.normal(0, 0.3, ha.shape).astype(np.float32)
    assert balance.light(left, white(0.3), 0.0, 8).share > 0.02
    assert balance.light(left, white(0.3), 0.0, 8, ha).share < 0.001
    own = left.copy()
    own[100:140, 100:160] += 9  # 4 % in all
    alone, beside = (balance.light(own, white(0.3), 0.0, 8, *other) for other in ((), (ha,)))
    assert (beside.share, beside.bright) == (pytest.approx(alone.share, abs=0.001), alone.bright)
    assert balance.light(own + np.float32(7), white(0.3), 7.0, 8, ha + np.float32(5), 5.0).share == pytest.approx(
        beside.share, abs=0.001
    )


def beside_ha(plane: np.ndarray, sigma: float = 1.0) -> balance.Light:
    """The light of a denoised [O III] layer (its grain is a twentieth of what the stack had) beside an even H-alpha."""
    rng = np.random.default_rng(11)
    plane = plane + rng.normal(0, 0.05 * sigma, plane.shape)
    return balance.light(plane.astype(np.float32), white(sigma), 0.0, 6, np.full(plane.shape, 5, np.float32))


def test_what_a_glow_leaves_is_no_light() -> None:
    """A corner of 6 noises that fades over a fifth of the frame was lifted 10 to 20 times; so was a strip of 1.3 in its middle."""
    y, x = np.mgrid[0:300, 0:400]
    corner = 6 * np.exp(-np.hypot(x, y) / 80)
    found = beside_ha(corner)
    assert found.share == 0
    assert found.smooth > 0.05
    for steep in (np.hypot(x, y), y):  # as the halo of a giant beyond the corner, or a strip along the edge
        assert beside_ha(6 * np.exp(-steep / 27)).share == 0
    band = 1.4 * np.exp(-(((y - 150) / 60) ** 2))
    assert beside_ha(band).share == 0
    # as bright and as wide, but uneven as gas is; and away from the edges
    gas = everywhere(3) / everywhere(3).mean()
    for real in (corner * gas, 6 * np.exp(-np.hypot(x - 200, y - 150) / 80)):
        found = beside_ha(real)
        assert found.share > 0.05
        assert found.smooth < 0.1 * found.share


def test_a_nebula_in_a_large_frame_may_be_smooth_in_small_boxes() -> None:
    """Waves 126 px long: a glow over 900 px bends no such way, one over 300 px might."""
    y, x = np.mgrid[0:900, 0:1200]
    waves = 3 * np.exp(-x / 500) * (1 + 0.5 * np.sin(x / 20) * np.sin(y / 20))
    assert beside_ha(waves).share > 0.1
    assert beside_ha(waves[:300, :400]).share == 0
    assert beside_ha(3 * np.exp(-x / 500)).share == 0


def test_what_a_star_leaves_is_no_light() -> None:
    """Four boxes of 6 px made a gain of 39."""
    plane = np.zeros((240, 320))
    plane[114:126, 150:162] = 5
    assert beside_ha(plane).share == 0
    plane[114:132, 150:174] = 5
    assert beside_ha(plane).share > 0


def test_a_speck_beside_a_large_nebula_is_nothing_and_a_small_nebula_is_not() -> None:
    speck = balance.Light(0.0015, 1.0, 6)
    assert balance.nothing(speck, balance.Light(0.3, 5.0, 1200))
    assert not balance.nothing(speck, balance.Light(0.002, 5.0, 8))
    assert not balance.nothing(balance.Light(0.0025, 1.0, 10), balance.Light(0.3, 5.0, 1200))
    assert balance.nothing(balance.Light(0.0, 0.0, 0), balance.Light(0.0, 0.0, 0))


def test_a_speck_is_not_lifted() -> None:
    """What a star left, 18 px wide, was told to be nothing to show, and lifted all the same."""
    rng = np.random.default_rng(12)
    y, x = np.mgrid[0:480, 0:640]
    ha, oiii = (
        Image.from_array(p.astype(np.float32), noise=white(1.0), sky=(0.0,), fwhm=3.0, content="starless")
        for p in (50 * np.exp(-np.hypot(x - 300, y - 200) / 90), rng.normal(0, 0.05, x.shape))
    )
    oiii.planes[0, 300:318, 402:420] += 8
    told = balance_lines(ha, oiii)[0]
    assert 0 < told.record["oiii_share"] < 0.002
    assert told.record["gain"] == 1
    assert [n.id for n in told.notices] == ["no-oiii"]


def test_structure_that_the_other_line_left_makes_no_gas_of_a_glow() -> None:
    y, x = np.mgrid[0:300, 0:400]
    ha = (100 * everywhere(1)).astype(np.float32)
    left = 6 * np.exp(-np.hypot(x, y) / 80) + 0.015 * (ha - ha.mean())
    grain = np.random.default_rng(11).normal(0, 0.05, ha.shape)
    found = balance.light((left + grain).astype(np.float32), white(1.0), 0.0, 6, ha)
    assert found.share == 0
    assert found.smooth > 0.05


def test_noise_of_a_layer_that_is_not_denoised_makes_no_gas_of_a_glow() -> None:
    y, x = np.mgrid[0:300, 0:400]
    plane = 6 * np.exp(-np.hypot(x, y) / 80) + np.random.default_rng(11).normal(0, 1, x.shape)
    found = balance.light(plane.astype(np.float32), white(1.0), 0.0, 6, np.full(x.shape, 5, np.float32))
    assert found.share < 0.1 * found.smooth


def test_light_as_faint_as_a_doubtful_sky_is_none() -> None:
    """Half a noise everywhere is no light: the sky is not known better."""
    plane = np.random.default_rng(3).normal(0.5, 1, (200, 200)).astype(np.float32)
    assert balance.light(plane, white(1.0), 0.0, 16).share < 0.01


def test_noise_left_sees_blotches_and_not_the_nebula() -> None:
    import cv2

    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:400, 0:500]
    nebula = 30 * np.exp(-((x - 250) ** 2 + (y - 200) ** 2) / 2 / 60**2)
    grain = rng.normal(0, 1, (400, 500)).astype(np.float32)
    assert balance.noise_left((grain + nebula + 0.01 * x).astype(np.float32)).noise == pytest.approx(1, rel=0.05)
    blotches = cv2.GaussianBlur(rng.normal(0, 40, (400, 500)).astype(np.float32), (0, 0), 8)
    left = balance.noise_left(blotches).noise
    assert 0.5 * blotches.std() < left < 1.1 * blotches.std()
    assert balance.noise_left(np.full((100, 100), np.nan, np.float32)).noise == 0
    assert balance.noise_left(np.zeros((100, 100), np.float32)).noise == 0


def lines(peak: float, noise: float, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:300, 0:400]
    ha = 100 * np.exp(-((x - 180) ** 2 + (y - 150) ** 2) / 2 / 60**2)
    oiii = peak * np.exp(-((x - 220) ** 2 + (y - 150) ** 2) / 2 / 40**2)
    return (ha + rng.normal(0, noise, ha.shape)).astype(np.float32), (oiii + rng.normal(0, noise, ha.shape)).astype(np.float32)


def gain(peak: float, noise: float, most: float = 0.01) -> balance.Gain:
    ha, oiii = lines(peak, noise)
    lights = tuple(balance.light(p, white(noise), 0.0, 6) for p in (ha, oiii))
    return balance.decide_gain(ha, oiii, (0.0, 0.0), (white(noise), white(noise)), (lights[0], lights[1]), most)


def test_without_noise_in_the_way_heights_become_equal() -> None:
    found = gain(25, 0.001)
    assert found.gain == found.wanted
    # light down to 3 noises takes in different parts of the two Gaussians: equal within a third
    assert found.gain == pytest.approx(4, rel=0.33)


def test_noise_holds_the_gain() -> None:
    quiet, loud = gain(10, 0.05), gain(10, 0.5)
    assert loud.gain < quiet.gain <= quiet.wanted
    assert loud.limit * loud.noise_left * loud.slope == pytest.approx(0.01, rel=1e-6)
    assert loud.gain == loud.limit < 1  # as it is, it would show more than was allowed
    assert gain(10, 0.5, most=0.05).gain > loud.gain


def test_a_stronger_oiii_is_dimmed() -> None:
    found = gain(300, 0.1)
    assert found.gain == found.wanted < 0.6


def test_no_oiii_is_not_lifted() -> None:
    assert gain(0, 0.05).gain == 1
    found = gain(0, 0.5)
    assert found.gain * found.noise_left * found.slope <= 0.01 * (1 + 1e-9)


def everywhere(seed: int) -> np.ndarray:
    """Light of 0.15 to 1 with structure in every block, no sky: waves of many lengths, folded into ridges."""
    rng = np.random.default_rng(seed)
    k = np.hypot(np.fft.fftfreq(300)[:, None], np.fft.rfftfreq(400)[None])
    power = np.where(k > 0, np.maximum(k, 1e-3) ** -1.2 * np.exp(-((8 * k) ** 2)), 0)
    waves = np.fft.irfft2(power * np.exp(2j * np.pi * rng.random(k.shape)), s=(300, 400))
    return np.asarray(0.15 + 0.85 * np.exp(-np.abs(waves / waves.std()) * 1.5), np.float32)


def test_structure_all_over_the_frame_is_not_taken_for_noise() -> None:
    """The noise left is told within a factor 2; [O III], three times as faint, is lifted as if there were no noise."""
    ha, oiii = (Image.from_array(k * everywhere(s), noise=white(0.004), sky=(0.0,), fwhm=3.0) for k, s in ((3, 1), (1, 2)))
    rng = np.random.default_rng(3)
    seen = oiii.replace(oiii.planes + rng.normal(0, 0.004, oiii.planes.shape).astype(np.float32))
    calm = denoise_wavelet(seen)
    true = balance.noise_left((calm.planes - oiii.planes)[0]).noise
    assert 0.5 < balance.noise_left(calm.planes[0], white(0.004)).noise / true < 2
    assert balance.noise_left(calm.planes[0]).noise > 5 * true  # which is why what was there before must be asked
    told = balance_lines(ha, calm)[0].record
    assert told["why"] == "equal heights"
    assert told["gain"] == pytest.approx(3, rel=0.1)


def test_what_stars_and_glow_left_is_told_by_what_lies_under_the_sky() -> None:
    """Where structure hides coarse noise, a tenth of the stack's was told for it; now less, unless a glow was told too high."""
    import cv2

    plane = cv2.GaussianBlur(5 * everywhere(2), (0, 0), 6)
    plane += cv2.GaussianBlur(np.random.default_rng(5).normal(0, 1, plane.shape).astype(np.float32), (0, 0), 6)
    calm, sunk = (balance.noise_left(plane, white(1.0), float(plane.min()) + under).noise for under in (0, 6))
    assert calm < 0.2  # 0.25 with a tenth
    assert sunk > 0.3


def test_structure_all_over_the_frame_hides_grain() -> None:
    """More of it may show than at a sky: no place is dark and even enough to see a carpet of it."""
    ha, oiii = (Image.from_array(k * everywhere(s), noise=white(0.05), sky=(0.0,), fwhm=3.0) for k, s in ((3, 1), (1, 2)))
    grain = np.random.default_rng(3).normal(0, 0.05, oiii.planes.shape).astype(np.float32)
    told = balance_lines(ha, oiii.replace(oiii.planes + grain))[0].record
    assert told["oiii_noise_shown"] > 0.0125
    sky = balance_lines(ha, oiii.replace(grain))[0].record
    assert sky["oiii_noise_shown"] <= 0.01 * (1 + 1e-9)


def test_noise_of_a_sky_is_told_as_it_is() -> None:
    """What there was before says no more than the most there can be, of fine grain and of blotches alike."""
    grain = np.random.default_rng(4).normal(0, 1, (400, 500)).astype(np.float32)
    assert balance.noise_left(grain, white(1.0)).noise == pytest.approx(balance.noise_left(grain).noise, rel=0.02)
    calm = starlet.smooth(starlet.smooth(grain, 1), 2)
    assert balance.noise_left(calm, white(1.0)).noise == pytest.approx(balance.noise_left(calm).noise, rel=0.05)


def test_a_bright_place_in_a_faint_field_is_not_burnt() -> None:
    """The boxes of [O III] tell of the field; no more of its light is to be over white than of H-alpha's."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[0:300, 0:400]
    bright = 1 / (1 + np.exp(np.hypot(x - 200, y - 150) - 32))
    ha, oiii = (
        Image.from_array(p, noise=white(0.01), sky=(0.0,), fwhm=3.0, content="starless") for p in (everywhere(1), 0.1 + bright)
    )
    same, lifted = balance_lines(ha, oiii.replace(oiii.planes + rng.normal(0, 1e-4, oiii.planes.shape).astype(np.float32)))
    assert same.record["why"] == "no more burnt than H-alpha"
    white_at = stretch_asinh(ha).record["white"]
    light = lifted.planes[0].clip(0)
    # the place is even, so that it comes to white as a whole; white is told by averaged pixels
    assert light[light > 1.1 * white_at].sum() < 0.02 * light.sum()


def test_the_slope_is_that_of_the_stretch() -> None:
    """What is called the slope at the sky is the one that the stretch step, left to itself, records for H-alpha."""
    ha, _ = lines(10, 0.2)
    shown = stretch_asinh(Image.from_array(ha, noise=white(0.2), sky=(0.0,)))
    assert shown.record["slope_at_sky"] == pytest.approx(balance.sky_slope(ha, 0.0, 0.0), rel=0.02)


def test_one_line_before_the_other() -> None:
    one, other = np.full((30, 60), 10, np.float32), np.full((30, 60), 10, np.float32)
    one[:, :30] = 80
    found = balance.dominance(one, other, (0.0, 0.0), (0.1, 0.1), 1.0, 5.0)
    assert np.allclose(found[:, :30], 1)
    assert np.allclose(found[:, 30:], 0.5)
    assert np.allclose(balance.dominance(one, other, (0.0, 0.0), (0.1, 0.1), 8.0, 5.0)[:, :30], 0.5)
    # and not at all where it is not surely seen
    assert np.allclose(balance.dominance(one, other, (0.0, 0.0), (100.0, 0.1), 1.0, 5.0), 0)
    assert np.allclose(balance.dominance(other * 0, other * 0 - 1, (0.0, 0.0), (0.1, 0.1), 1.0, 5.0), 0)


def test_smoothing_keeps_gaps() -> None:
    plane = np.ones((20, 20), np.float32)
    plane[5:8, 5:8] = np.nan
    got = balance.smoothed(plane, 2)
    assert np.array_equal(np.isnan(got), np.isnan(plane))
    assert np.allclose(got[~np.isnan(got)], 1)
