"""remove_gradient and level_sky as a user meets them."""

import numpy as np
import pytest

from nebulakit import steps
from nebulakit.demo import make_scene
from nebulakit.errors import StepError
from nebulakit.image import Image
from tests.pixels.test_gradient import all_over


@pytest.fixture(scope="module")
def scene():
    return make_scene(4, (260, 340), "bubble", rotation=6.0)


@pytest.fixture(scope="module")
def image(scene) -> Image:
    return steps.crop_to_coverage(scene.image())


@pytest.fixture(scope="module")
def flattened(image):
    return steps.remove_gradient(image)


def test_image_and_model_are_what_came_in(image, flattened):
    assert np.allclose(
        flattened.image.planes + flattened.model.planes, image.planes, atol=1e-7, equal_nan=True
    )  # one float32 rounding of 0.02
    assert flattened.image.sky == (0.0, 0.0, 0.0)
    assert flattened.image.noise.sigma == image.measured("noise").noise.sigma  # what is subtracted has none


def test_the_sky_is_flat_and_at_zero(image, scene, flattened):
    y0, x0, h, w = image.frame.bounding_box(image.shape)
    cut = (slice(y0, y0 + h), slice(x0, x0 + w))
    empty = (scene.nebula[0][cut] < 0.2 * scene.sigma[0][cut]) & (scene.stars.max(0)[cut] < 0.2 * scene.sigma[0][cut])
    left = [np.median(p[empty]) / np.median(scene.sigma[c][cut]) for c, p in enumerate(flattened.image.planes)]
    assert np.abs(left).max() < 0.75  # half of the 1.5 sigma that the whole glow may be off


def test_what_was_decided_is_told_and_can_be_given_back(image, flattened):
    record = flattened.image.record
    assert record["order"] in (1, 2, 3, 4, 6)
    assert len(record["gradient_sigma"]) == 3
    assert 0 < len(record["samples"]) <= 400
    again = steps.remove_gradient(image, order=record["order"])
    assert np.array_equal(again.image.planes, flattened.image.planes, equal_nan=True)


def test_what_is_protected_is_not_taken_for_sky(image):
    none_left = Image.from_array(np.ones(image.shape), channels=("mask",), content="mask")
    untouched = steps.remove_gradient(image, none_left)
    assert untouched.image.record["order"] == 0
    with pytest.raises(StepError, match="same size"):
        steps.remove_gradient(image, Image.from_array(np.ones((5, 5)), channels=("mask",), content="mask"))


def test_dividing_keeps_the_level_and_needs_a_sky_above_zero(image):
    divided = steps.remove_gradient(image, by="divide").image
    assert np.nanmedian(divided.planes[0]) == pytest.approx(np.nanmedian(image.planes[0]), rel=0.2)
    with pytest.raises(StepError, match="divide"):
        steps.remove_gradient(image.replace(image.planes - np.nanmedian(image.planes)), by="divide")


def test_positions_called_sky_are_accepted(image):
    flat = steps.remove_gradient(image, sky=[["20%", "20%"], ["80%", "80%"]]).image
    assert np.isfinite(flat.planes).any()


def test_a_box_called_sky_keeps_light_out_of_the_glow(scene):
    """Faint light over three quarters of the frame, which looks like glow, is kept where a box says what is sky."""
    h, w = scene.coverage.shape
    x = np.mgrid[0:h, 0:w][1].astype(np.float32)
    sigma = float(np.median(scene.sigma))
    light = 30 * sigma * np.clip((x / w - 0.25) / 0.75, 0, 1)
    noise = np.random.default_rng(5).normal(0, sigma, (3, h, w)).astype(np.float32)
    image = Image.from_array((0.02 + light + noise).astype(np.float32))
    with_box = steps.remove_gradient(image, order=1, sky=[[["1%", "1%"], ["24%", "99%"]]]).image
    by_points = steps.remove_gradient(image, order=1, sky=[["12%", "15%"], ["12%", "50%"], ["12%", "85%"]], reach="10%").image
    kept = [float(np.nanmedian(p.planes[0][:, int(0.9 * w) :])) / sigma for p in (with_box, by_points)]
    alone = float(np.nanmedian(steps.remove_gradient(image, order=1).image.planes[0][:, int(0.9 * w) :])) / sigma
    assert min(kept) > alone + 10


def test_a_frame_without_sky_is_told(flattened):
    stack = Image.from_array(sum(all_over(4, 3.0, 0.4)).astype(np.float32))
    told = [n for n in steps.remove_gradient(stack).image.notices if n.id == "no-sky-seen"]
    assert len(told) == 1
    assert "none of the small boxes" in told[0].text
    assert "no-sky-seen" not in [n.id for n in flattened.image.notices]


def test_level_sky_brings_every_channel_to_one_level(image, flattened):
    lifted = flattened.image.replace(flattened.image.planes + np.float32([[[0.001]], [[0.002]], [[-0.001]]]), sky=None)
    level = steps.level_sky(lifted, to=0.0005)
    sky = level.replace(sky=None).measured("sky").sky
    assert sky == pytest.approx((0.0005,) * 3, abs=0.3 * max(image.measured("noise").noise.sigma))


@pytest.mark.parametrize(("scale", "order"), [("linear", 0), ("linear", 1), ("display", 0)])
def test_the_level_at_which_stars_are_cut_off_moves_with_the_sky(scale, order):
    """Cut-off stars lie at the level told, whether the sky was lowered or lifted; nothing shown is lighter than white."""
    rng = np.random.default_rng(5)
    stack = (0.3 + rng.normal(0, 0.001, (1, 120, 160))).astype(np.float32)
    stack[:, 55:65, 70:90] = 1.0
    image = Image(stack, ("grey",), scale, white=(1.0,))
    low, high = steps.level_sky(image, to=0.05, order=order), steps.level_sky(image, to=0.4, order=order)
    for level in (low, high):
        assert level.white == pytest.approx((float(level.planes.max()),), abs=1e-3)  # the noise of the sky
    assert low.white == pytest.approx((0.75,), abs=1e-3)


@pytest.mark.parametrize("by", ["subtract", "divide"])
def test_under_a_bright_glow_every_plateau_is_at_white_after_it_was_taken_off(by):
    """White lies at three times the sky: what is taken off differs by a tenth of that from side to side, and more if divided."""
    scene = make_scene(4, (340, 440), "bubble", rotation=6.0, white=0.06, glow=0.6, bright=40)
    image = steps.crop_to_coverage(scene.image()).measured("white")
    flat = steps.remove_gradient(image, by=by).image
    for before, after, old, new in zip(image.planes, flat.planes, image.white, flat.white, strict=True):
        cut = before > 0.99 * old  # by the noise of a single pixel
        assert cut.sum() > 100
        assert after[cut].min() > 0.97 * new  # the glow is told at a pixel as right as that
        assert np.ptp(after[cut]) > 0.05 * new


def test_a_tilt_left_in_a_line_is_taken_off():
    rng = np.random.default_rng(3)
    _, x = np.mgrid[-1:1:200j, -1:1:260j].astype(np.float32)
    plane = 3 * x + rng.normal(0, 1, x.shape).astype(np.float32)
    flat = steps.level_sky(plane, order=1)
    assert abs(np.polyfit(x[0], flat[0].mean(0), 1)[0]) < 0.2
    assert abs(np.polyfit(x[0], steps.level_sky(plane, order=0)[0].mean(0), 1)[0] - 3) < 0.1


def test_the_darkest_nebula_is_no_sky():
    """Where light fills the frame and the sky is known already, nothing is taken off; where sky is seen it is levelled."""
    rng = np.random.default_rng(8)
    noise = rng.normal(0, 1, (1, 240, 320)).astype(np.float32)
    y, x = np.mgrid[0:240, 0:320]
    filled = (30 + 14 * np.sin(x / 23) * np.cos(y / 31) + 10 * np.sin((x + y) / 57)).astype(np.float32)
    known = Image(noise + filled, ("ha",), content="starless", sky=(0.0,))
    left = steps.level_sky(known, order=1)
    assert np.array_equal(left.planes, known.planes)
    assert left.record["left_alone"] == ["ha"]
    with_sky = Image(noise + np.float32(3) + np.where(x > 200, filled, 0), ("ha",), content="starless", sky=(0.0,))
    levelled = steps.level_sky(with_sky)
    assert levelled.record["left_alone"] == []
    assert abs(float(np.median(levelled.planes[0][:, :150]))) < 0.1  # a tenth of the noise


def bent(shape=(240, 360)):
    """What is left of a glow on one side of a frame (y, x), in noises: 0.8 under the sky at the left edge, nothing elsewhere."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return -0.8 * np.exp(-(((x + 1) / 0.35) ** 2) - (y / 0.8) ** 2), x, y


def sky_error(level, truth, free, size=40):
    """Root mean square of the blocks' median errors where there is sky (most of a block)."""
    error = np.where(free, level - truth, np.nan)
    h, w = (n // size * size for n in error.shape)
    blocks = error[:h, :w].reshape(h // size, size, w // size, size).swapaxes(1, 2).reshape(-1, size * size)
    return float(np.sqrt(np.mean(np.nanmedian(blocks[np.isfinite(blocks).mean(1) > 0.5], 1) ** 2)))


@pytest.mark.parametrize("seed", [1, 2])
def test_what_a_glow_left_on_one_side_is_not_spread_over_the_frame(seed):
    left, x, y = bent()
    nebula = 30 * np.exp(-((x - 0.1) ** 2 + y**2) / 0.08)
    plane = (left + nebula + np.random.default_rng(seed).normal(0, 1, left.shape)).astype(np.float32)
    free = nebula < 0.1
    level = steps.level_sky(plane, order="free")
    assert sky_error(level[0], nebula, free) < 0.5 * sky_error(steps.level_sky(plane, order=1)[0], nebula, free)
    assert sky_error(level[0], nebula, free & (x > 0.3)) < 0.06  # a block's median is uncertain by 1.25 / 40


def test_faint_light_over_half_a_frame_is_no_rest_of_a_glow():
    _, x, y = bent()
    rng = np.random.default_rng(4)
    for peak in (3.0, 10.0):
        nebula = peak * np.exp(-((x - 0.2) ** 2 + y**2) / 0.3)
        plane = (nebula + rng.normal(0, 1, x.shape)).astype(np.float32)
        level = steps.level_sky(plane, order="free")[0]
        assert np.polyfit(nebula.ravel(), level.ravel(), 1)[0] > 0.85


@pytest.mark.parametrize("tilt", [0.5, 6.0])
def test_a_tilt_is_followed_however_steep(tilt):
    _, x, _ = bent()
    plane = (tilt * x + np.random.default_rng(5).normal(0, 1, x.shape)).astype(np.float32)
    level = steps.level_sky(plane, order="free")
    assert level.dtype == np.float32
    assert sky_error(level[0], 0, x < 2) < 0.1


def test_no_surface_where_too_little_sky_is_seen():
    rng = np.random.default_rng(6)
    _, x, y = bent()
    image = Image((rng.normal(0, 1, x.shape) + 30 + 14 * np.sin(9 * x) * np.cos(7 * y)).astype(np.float32)[None], ("ha",))
    level = steps.level_sky(image, order="free")
    assert level.record["order"] == 0
    assert level.record["taken_sigma"] == [0.0]
    small = steps.level_sky(rng.normal(5, 1, (1, 20, 20)).astype(np.float32), order="free")
    assert abs(float(np.median(small))) < 0.2
