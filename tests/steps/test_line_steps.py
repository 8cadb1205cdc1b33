"""unmix_lines, balance_lines, line_mask, mix_channels: facts, records, notices and refusals."""

from __future__ import annotations

import functools
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nebulakit import steps
from nebulakit.demo import Scene, make_scene
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels import unmix

CUT = np.s_[..., 45:-45, 60:-60]


@functools.cache
def scene(kind: Any = "bubble", **conditions: Any) -> Scene:
    return make_scene(seed=23, shape=(320, 430), nebula=kind, **conditions)


@functools.cache
def starless(kind: Any = "bubble", **conditions: Any) -> Image:
    s = scene(kind, **conditions)
    facts = {"coverage": s.coverage[CUT], "content": "starless", "sky": (0.0, 0.0, 0.0), "fwhm": 3.0}
    return Image.from_array(s.starless[CUT], **facts).measured("noise")


@functools.cache
def lines(kind: Any = "bubble", **conditions: Any) -> Any:
    return steps.unmix_lines(starless(kind, **conditions))


def ids(image: Image) -> set[str]:
    return {n.id for n in image.notices}


# -- unmix_lines --------------------------------------------------------------------------------------------------------


def test_lines_are_the_nebulas() -> None:
    ha, oiii = lines()
    s = scene()
    assert (ha.channels, oiii.channels) == (("ha",), ("oiii",))
    for line, true, main in ((ha, s.ha, 0.96), (oiii, s.oiii, 0.78)):
        seen = true[CUT] > 20 * line.noise.sigma[0]
        # in units of the main channel: what red sees of H-alpha, green of [O III]
        assert np.median(line.planes[0][seen] / true[CUT][seen]) == pytest.approx(main, rel=0.04)
    assert not ids(ha)


def test_facts_go_along() -> None:
    image = starless().replace(sky=(0.001, 0.002, 0.003), white=(1.0, 1.0, 1.0))
    ha, oiii = steps.unmix_lines(image.replace(image.planes + np.float32([0.001, 0.002, 0.003])[:, None, None]), sensor="typical")
    for line, weights in zip((ha, oiii), unmix.weights(unmix.normalised(unmix.TYPICAL), image.noise.sigma), strict=True):
        assert line.sky == pytest.approx([weights @ [0.001, 0.002, 0.003]])
        assert line.white is None
        assert (line.fwhm, line.content, line.frame) == (3.0, "starless", image.frame)
        assert line.coverage is image.coverage
        measured = line.replace(noise=None).measured("noise").noise.sigma[0]
        assert line.noise.sigma[0] == pytest.approx(measured, rel=0.05)  # two ways, each good to 3 %
        assert line.noise.map is image.noise.map


def test_the_record_says_what_was_found_and_how_sure() -> None:
    record = lines()[0].record
    assert np.shape(record["sensor"]) == np.shape(record["trust"]) == (3, 2)
    assert record["method"].startswith("auto: plane")
    assert 0 < record["leak"] < 0.02
    assert 0.02 < record["oiii_share"] < record["ha_share"] + 0.3 < 1


def test_a_recorded_sensor_gives_the_same_bits() -> None:
    first = lines()
    again = steps.unmix_lines(starless(), sensor=tuple(tuple(r) for r in first[0].record["sensor"]))
    assert all(np.array_equal(a.planes, b.planes) for a, b in zip(first, again, strict=True))
    assert again[0].record["method"] == "given"


def test_too_faint_falls_back_with_a_notice() -> None:
    rng = np.random.default_rng(1)
    image = Image.from_array(rng.normal(0, 1e-5, (3, 150, 200)), sky=(0.0, 0.0, 0.0), content="starless")
    ha, _ = steps.unmix_lines(image)
    assert "sensor-fallback" in ids(ha)
    assert np.allclose(ha.record["sensor"], unmix.normalised(unmix.TYPICAL))


def test_no_second_line_is_said() -> None:
    assert {"sensor-fallback", "little-oiii"} <= ids(lines("ember")[0])


def test_a_third_light_is_said() -> None:
    assert "third-light" in ids(lines("bubble", dust=6e-4, frames=9000)[0])
    assert "third-light" not in ids(lines("bubble")[0])


def test_a_star_layer_is_used() -> None:
    """With the stars left in, the estimate survives if it is told where they are."""
    s = scene()
    sky = s.sky
    stack = Image.from_array((s.stack - sky)[CUT], content="scene", sky=(0.0, 0.0, 0.0), noise=starless().noise, fwhm=3.0)
    layer = stack.replace(s.stars[CUT], content="stars")
    true = unmix.normalised(scene().sensor)
    with_layer = np.array(steps.unmix_lines(stack.replace(content="starless"), layer)[0].record["sensor"])
    assert abs(with_layer[1, 0] - true[1, 0]) < 0.02
    assert with_layer[2, 1] == pytest.approx(true[2, 1], rel=0.05)


@pytest.mark.parametrize("name", ["typical", "infrared-cut", "infrared-open"])
def test_named_responses(name: str) -> None:
    record = steps.unmix_lines(starless(), sensor=name)[0].record
    assert record["method"] == name
    assert np.allclose(record["sensor"], unmix.normalised(unmix.RESPONSES[name]))


@pytest.mark.parametrize(
    ("sensor", "words"),
    [
        (((1, 1), (0.5, 0.5), (0.2, 0.2)), "cannot be told apart"),
        (((0, 0.1), (0.1, 1), (0.1, 0.6)), "no answer to H-alpha"),
        (((1, 0.1), (0.1, 0), (0.1, 0.6)), "none to \\[O III\\]"),
        (((1, 0.1), (0.1, 1)), "sensor"),
        (((1, 0.1), (0.1, 1), (0.1, -0.6)), "at least 0"),
        ("typicl", "typical"),
    ],
)
def test_sensors_that_cannot_be(sensor: Any, words: str) -> None:
    with pytest.raises(StepError, match=words):
        steps.unmix_lines(starless(), sensor=sensor)


def test_channels_can_be_picked_by_the_sensor() -> None:
    """Red and green taken as the lines, for those who want no unmixing."""
    ha, oiii = steps.unmix_lines(starless(), sensor=((1, 0), (0, 1), (0, 0)))
    assert np.allclose(ha.planes[0], starless().planes[0], atol=1e-9)
    assert np.allclose(oiii.planes[0], starless().planes[1], atol=1e-9)


# -- balance_lines ------------------------------------------------------------------------------------------------------


def denoised(image: Image, left: float = 0.05) -> Image:
    """The line as it would be with a share of its noise left (the truth helps: this is no test of denoising)."""
    s = scene()
    true = (s.ha * 0.96 if image.channels == ("ha",) else s.oiii * 0.78)[CUT]
    return image.replace(true + np.float32(left) * (image.planes[0] - true)[None])


def test_oiii_is_lifted_and_the_rest_left_alone() -> None:
    ha, oiii = (denoised(i) for i in lines())
    same, lifted = steps.balance_lines(ha, oiii)
    gain = same.record["gain"]
    assert gain > 1
    assert same.planes is ha.planes or np.array_equal(same.planes, ha.planes)
    assert np.array_equal(lifted.planes, oiii.planes * np.float32(gain))
    assert lifted.noise.sigma[0] == pytest.approx(gain * oiii.noise.sigma[0])
    assert same.record["oiii_noise_shown"] <= 0.0101


def test_noise_left_holds_the_gain() -> None:
    ha, oiii = (denoised(i, 0.6) for i in lines())
    held = steps.balance_lines(ha, oiii)[0]
    assert held.record["gain"] < steps.balance_lines(*(denoised(i) for i in lines()))[0].record["gain"]
    assert held.record["why"] == "held by noise"
    assert "gain-held" in ids(held)
    more = steps.balance_lines(ha, oiii, noise_shown="10%")[0]
    assert more.record["gain"] > held.record["gain"]


@pytest.mark.parametrize("left", [0.05, 0.1])
def test_what_shows_at_the_sky_is_what_was_allowed(left: float) -> None:
    """In the layer as `stretch_asinh` makes it of the lifted line, where there is no light."""
    same, lifted = steps.balance_lines(*(denoised(i, left) for i in lines()))
    assert same.record["why"] == "held by noise"
    assert same.record["gain"] > 1
    shown = steps.stretch_asinh(lifted, same).planes[0]
    empty = (scene().oiii[CUT] < 1e-6) & (scene().ha[CUT] < 1e-6)
    assert empty.sum() > 10_000
    spread = 1.4826 * np.median(np.abs(shown[empty] - np.median(shown[empty])))
    # the noise left is told by blocks of the sky to some 10 %
    assert spread == pytest.approx(0.01, rel=0.15)


def test_nothing_to_lift_is_said() -> None:
    ha, oiii = lines("ember")
    told = steps.balance_lines(ha, oiii)[0]
    assert told.record["gain"] <= 1
    assert told.record["oiii_noise_shown"] <= 0.0101
    assert "no-oiii" in ids(told)
    assert "one_line" in told.notices[0].text
    assert "natural" in told.notices[0].text
    assert "no-oiii" in ids(steps.balance_lines(ha, oiii, gain=5)[0])


def test_smooth_light_at_the_edge_is_not_lifted_and_that_is_said() -> None:
    ha, oiii = lines("ember")
    y, x = np.mgrid[0 : oiii.shape[0], 0 : oiii.shape[1]]
    corner = 5 * oiii.noise.sigma[0] * np.exp(-np.hypot(x, y) / 100)
    told = steps.balance_lines(ha, oiii.replace(oiii.planes * np.float32(0.05) + corner.astype(np.float32)))[0]
    assert told.record["gain"] == 1
    assert told.record["why"] == "no light in [O III]"
    assert told.record["oiii_smooth"] > 0.02
    assert "smooth-oiii" in ids(told)
    assert "skyglow" in told.notices[-1].text


def test_an_object_of_oiii_is_dimmed() -> None:
    told = steps.balance_lines(*lines("lantern"))[0]
    assert told.record["gain"] < 0.7
    assert told.record["why"] == "[O III] is the stronger line"


def test_a_given_gain_is_taken_and_its_noise_told() -> None:
    ha, oiii = lines()
    told, lifted = steps.balance_lines(ha, oiii, gain=30)
    assert told.record["gain"] == 30
    assert told.record["why"] == "given"
    assert "noise-lifted" in ids(told)
    assert np.array_equal(lifted.planes, oiii.planes * np.float32(30))


def test_sky_and_white_follow_the_gain() -> None:
    ha, oiii = lines()
    _, lifted = steps.balance_lines(ha, oiii.replace(sky=(0.5,), white=(2.0,)), gain=4)
    assert (lifted.sky, lifted.white) == ((2.0,), (8.0,))


def test_lines_of_different_size_are_refused() -> None:
    ha, oiii = lines()
    small = Image.from_array(oiii.planes[:, 5:], channels=("oiii",))
    for step in (steps.balance_lines, steps.line_mask):
        with pytest.raises(StepError, match="same size"):
            step(ha, small)
        with pytest.raises(StepError, match="single plane"):
            step(ha, starless())


# -- line_mask ----------------------------------------------------------------------------------------------------------


def test_each_line_has_its_realm() -> None:
    ha, oiii = steps.balance_lines(*(denoised(i) for i in lines()), gain=4)
    s = scene()
    true = np.log2(np.maximum(oiii.planes[0], 1e-9) / np.maximum(ha.planes[0], 1e-9))
    bright = s.oiii[CUT] > 8 * oiii.noise.sigma[0]
    masks = {of: steps.line_mask(ha, oiii, of=of).planes[0] for of in ("ha", "oiii")}
    assert masks["oiii"][bright & (true > 1.5)].mean() > 0.8
    assert masks["oiii"][(s.ha[CUT] > 8 * ha.noise.sigma[0]) & (true < -1.5)].mean() < 0.2
    assert masks["ha"][(s.ha[CUT] > 8 * ha.noise.sigma[0]) & (true < -1.5)].mean() > 0.8
    dark = (s.ha + s.oiii)[CUT] < 0.1 * ha.noise.sigma[0]
    far = cv2.erode(dark.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0  # smoothing and feather reach over the rim
    assert far.mean() > 0.1
    assert max(m[far].mean() for m in masks.values()) < 0.01


def test_a_higher_ratio_and_more_certainty_make_it_smaller() -> None:
    ha, oiii = lines()
    covered = [steps.line_mask(ha, oiii, ratio=r).record["share_covered"] for r in (0.25, 1.0, 4.0)]
    assert covered[0] > covered[1] > covered[2]
    covered = [steps.line_mask(ha, oiii, sure=s).record["share_covered"] for s in (2.0, 8.0, 30.0)]
    assert covered[0] > covered[1] > covered[2]


def test_the_same_before_and_after_a_stretch() -> None:
    """Levels are compared as shown, and both curves rise: where one line leads clearly it leads in both."""
    ha, oiii = lines()
    shown = steps.stretch_asinh(ha), steps.stretch_asinh(oiii, ha)
    a, b = (steps.line_mask(*pair, of="ha").planes[0] for pair in ((ha, oiii), shown))
    assert (a > 0.99).mean() > 0.01
    assert b[a > 0.99].min() > 0
    assert a[b > 0.99].mean() > 0.9


def test_no_mask_is_a_line() -> None:
    ha, _ = lines()
    with pytest.raises(StepError, match="mask"):
        steps.line_mask(ha, ha.replace(channels=("mask",), content="mask"))


# -- mix_channels -------------------------------------------------------------------------------------------------------

rows = st.tuples(*[st.floats(-2, 2)] * 3)


@given(rows, rows, rows)
def test_mixing_is_matrix_algebra(a: Any, b: Any, c: Any) -> None:
    image = starless().replace(starless().planes[:, :20, :20], coverage=None, noise=None, white=None)
    got = steps.mix_channels(image.replace(sky=(1.0, 2.0, 3.0)), matrix=(a, b, c))
    m = np.array([a, b, c])
    assert np.allclose(got.planes, np.einsum("ab,byx->ayx", m, image.planes.astype(float)), atol=1e-8)
    assert got.sky == pytest.approx(tuple(m @ [1, 2, 3]))


def test_mixing_there_and_back() -> None:
    m = np.array([[1.2, -0.1, 0], [0.1, 0.9, 0.1], [0, -0.2, 1.1]])
    there = steps.mix_channels(starless(), matrix=tuple(map(tuple, m.tolist())))
    back = steps.mix_channels(there, matrix=tuple(map(tuple, np.linalg.inv(m).tolist())))
    assert np.allclose(back.planes, starless().planes, atol=1e-8)  # float32 at levels of 2e-3
    assert there.noise.sigma == pytest.approx(np.sqrt(m**2 @ np.square(starless().noise.sigma)))
    assert there.white is None


def test_swapped_channels_keep_their_white() -> None:
    image = starless().replace(white=(0.9, 0.8, 0.7))
    assert steps.mix_channels(image, matrix=((0, 0, 2), (0, 1, 0), (1, 0, 0))).white == pytest.approx((1.4, 0.8, 0.9))


def test_stretched_channels_are_mixed_in_light() -> None:
    from nebulakit.pixels import colour

    shown = steps.stretch_asinh(starless())
    grey = steps.mix_channels(shown, matrix=((0.3, 0.4, 0.3),) * 3)
    assert np.array_equal(grey.planes[0], grey.planes[2])
    light = np.einsum("b,byx->yx", [0.3, 0.4, 0.3], colour.decode(shown.planes).astype(float))
    assert np.allclose(colour.decode(grey.planes[0]), light, atol=1e-5)
    assert np.median(grey.planes[0][:40, :40]) == pytest.approx(grey.sky[0], abs=0.01)
    bright = steps.mix_channels(shown, matrix=((9, 0, 0), (0, 9, 0), (0, 0, -9)))
    assert bright.planes.max() <= 1
    assert bright.planes.min() >= 0
    # noise at the sky, through both curves: measured on a flat patch of sky with noise
    rng = np.random.default_rng(8)
    flat = Image.from_array(0.1 + rng.normal(0, 0.004, (3, 200, 200)), scale="display", sky=(0.1,) * 3).measured("noise")
    mixed = steps.mix_channels(flat, matrix=((0.3, 0.4, 0.3), (0, 2, 0), (0, 0, 1)))
    assert mixed.noise.sigma == pytest.approx(mixed.planes.std((1, 2)).tolist(), rel=0.03)


# -- from a mosaic ------------------------------------------------------------------------------------------------------


def test_lines_of_a_mosaic_are_as_right_as_those_of_colours() -> None:
    """collapse_bayer interpolates nothing, so the noise stays each channel's own and the sensor is found as well."""
    s = make_scene(seed=23, shape=(480, 640), nebula="bubble")
    plane = np.choose(np.add(*np.indices(s.coverage.shape) % 2), s.starless)  # R G / G B
    image = Image.from_array(plane[60:-60, 80:-80], channels=("mosaic",), sky=(0.0,), fwhm=3.0)
    colours = steps.collapse_bayer(image, pattern="RGGB")
    colours = colours.replace(content="starless", sky=(0.0, 0.0, 0.0), noise=None).measured("noise")
    ha, oiii = steps.unmix_lines(colours)
    assert np.array_equal(unmix.correlation(colours.planes), np.eye(3))
    for line, true, k in ((ha, s.ha, 0), (oiii, s.oiii, 1)):
        half = true[60:-60, 80:-80].reshape(180, 2, 240, 2).mean((1, 3)).ravel().astype(float)
        best = unmix.apply_unmix(colours.planes, s.sensor, colours.noise.sigma)[k]
        off = [1 - np.corrcoef(p.ravel().astype(float), half)[0, 1] ** 2 for p in (line.planes[0], best)]
        assert off[0] <= 1.1**2 * off[1]
