"""What ``amount`` and ``mask`` beside a step leave of it, and that the facts of a layer stay true."""

import numpy as np
import pytest

import nebulakit
from nebulakit import steps
from nebulakit.image import Image
from nebulakit.runner.blended import blend_back

SKY, NOISE = np.array([0.10, 0.20, 0.15]), 0.004


def picture(scale: str) -> Image:
    """Sky and its noise in three quarters of a picture, a plateau in the rest, and a few places that are cut off."""
    rng = np.random.default_rng(5)
    planes = SKY[:, None, None] + rng.normal(0, NOISE, (3, 120, 160))
    planes[:, 90:] += 0.3
    planes[:, 100:110, ::8] = 0.9
    return Image.from_array(planes, scale=scale, white=(0.9, 0.9, 0.9))


def measured(image: Image) -> tuple[np.ndarray, np.ndarray]:
    """The middle and the spread of the sky's part."""
    part = image.planes[:, :80].reshape(3, -1)
    return np.median(part, axis=1), part.std(axis=1)


STEPS = {
    "level_sky": ("linear", lambda image: steps.level_sky(image)),
    "mix_channels": ("linear", lambda image: steps.mix_channels(image, matrix=[[2, 0, 0], [0, 0.5, 0], [0, 0, 1]])),
    "curve": ("display", lambda image: steps.curve(image, points=[[0.1, 0.3], [0.5, 0.7]])),
}


@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("amount", [0.3, 0.8])
@pytest.mark.parametrize("known", [False, True])
def test_sky_and_noise_of_a_blend_are_what_they_are(name: str, amount: float, known: bool) -> None:
    scale, do = STEPS[name]
    before = picture(scale)
    before = before.measured("sky", "noise") if known else before
    blended = blend_back(before, do(before), None, amount)
    sky, spread = measured(blended)
    told = blended.measured("sky", "noise")  # what the step left unknown is measured
    assert told.sky == pytest.approx(tuple(sky), abs=0.1 * NOISE)  # medians of 12800 pixels
    assert told.noise is not None
    assert told.noise.sigma == pytest.approx(tuple(spread), rel=0.05)  # of the measured noise, and of a curve's bend over it


def test_behind_a_mask_the_sky_is_that_of_where_it_lies() -> None:
    before = picture("linear").measured("sky", "noise", "white")
    after = steps.level_sky(before)
    mask = np.zeros((120, 160), np.float32)
    mask[:95] = 0.5
    blended = blend_back(before, after, Image.from_array(mask, content="mask", channels=("mask",)), 1.0)
    assert blended.sky == pytest.approx(tuple(SKY / 2), abs=0.2 * NOISE)
    assert blended.white == before.white  # cut off are only places that the mask leaves alone


def test_where_a_mask_leaves_no_sky_to_see_the_sky_is_not_known() -> None:
    before = picture("linear").measured("sky", "noise")
    before = before.replace(sky=tuple(v - 0.08 for v in before.sky or ()))
    after = steps.mix_channels(before, matrix=[[2, 0, 0], [0, 2, 0], [0, 0, 2]])
    mask = Image.from_array(np.linspace(0, 1, 120 * 160).reshape(120, 160), content="mask", channels=("mask",))
    assert blend_back(before, after, mask, 1.0).sky is None


def test_work_on_colours_behind_a_mask_leaves_the_sky_known_where_none_is_to_see() -> None:
    before = picture("display").replace(sky=(0.05,) * 3).measured("noise")  # a nebula all over, far above the sky
    after = before.replace(sky=(0.05, 0.05 + 1e-7, 0.05))  # what rounding makes of a grey whose colour is changed
    mask = Image.from_array(np.ones((120, 160)), content="mask", scale="display")
    assert blend_back(before, after, mask, 1.0).sky == pytest.approx((0.05,) * 3, abs=1e-6)
    moved = before.replace(sky=(0.06,) * 3)
    assert blend_back(before, moved, mask, 1.0).sky is None


def test_a_stretch_after_half_a_step_reaches_its_sky() -> None:
    text = """version: 1
steps:
  - level_sky: {}
    amount: 60%
  - stretch_asinh: {}
outputs:
  - {layer: last, file: picture.tif}
"""
    sky = measured(nebulakit.run(text, picture("linear"))["last"])[0]
    assert sky == pytest.approx([0.1] * 3, abs=0.004)  # a hundredth of the level below a curve's bend over the noise
