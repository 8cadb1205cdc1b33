"""Coverage: what a map counts, and what the noise tells without one."""

import numpy as np
import pytest

from nebulakit.demo import make_scene
from nebulakit.errors import StepError
from nebulakit.pixels import coverage as cov
from nebulakit.pixels.borders import empty_border
from nebulakit.pixels.cropping import decide_crop, nebula_centre
from nebulakit.pixels.rectangle import largest_rectangle

SHAPE = (360, 480)


def turned_frames(rotation, frames=60, seed=0, shift=8.0):
    """Count the frames that lie on each pixel while the field turns."""
    random = np.random.default_rng(seed)
    h, w = SHAPE
    y, x = np.mgrid[0:h, 0:w] - np.array([h / 2, w / 2])[:, None, None]
    out = np.zeros(SHAPE, np.float32)
    for a in np.radians(np.linspace(-rotation / 2, rotation / 2, frames)):
        dx, dy = random.normal(0, shift, 2)
        p, q = (x - dx) * np.cos(a) + (y - dy) * np.sin(a), -(x - dx) * np.sin(a) + (y - dy) * np.cos(a)
        out += (np.abs(p) < 0.46 * w) & (np.abs(q) < 0.46 * h)
    return out


def stack(cover, tilt=0.3, seed=1, level=0.02, pedestal=0.0):
    """Sky with photon noise, stars and a filament; exactly 0 where no frame lies."""
    random = np.random.default_rng(seed)
    h, w = SHAPE
    x, y = np.linspace(-1, 1, w), np.linspace(-1, 1, h)[:, None]
    sky = level * (1 + tilt * (0.7 * x + 0.3 * y)) * np.array([1.0, 0.6, 0.7])[:, None, None]
    light = sky + 0.001 * np.exp(-(((x - 0.2) ** 2 + y**2 - 0.16) ** 2) / 0.004)
    yy, xx = np.mgrid[-12:13, -12:13]
    for _ in range(150):
        sy, sx = random.integers(12, h - 12), random.integers(12, w - 12)
        light[:, sy - 12 : sy + 13, sx - 12 : sx + 13] += 10 ** random.uniform(-3.5, -1) * np.exp(-(xx**2 + yy**2) / 2 / 1.4**2)
    noise = random.standard_normal((3, h, w)) * np.sqrt(light / 18000 / np.maximum(cover, 1) / 10)
    return np.where(cover > 0, light + noise - pedestal, 0).astype(np.float32)


# --- the sense of a map -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rotation", [15, 40, 75])
@pytest.mark.parametrize("pedestal", [0.0, 0.015])
def test_sense_of_the_map_is_found_from_the_noise(rotation, pedestal):
    frames = turned_frames(rotation)
    planes, there = stack(frames, pedestal=pedestal), frames > 0
    assert cov.sense_of(frames, planes, there).meaning == "frames"
    assert cov.sense_of(np.where(there, 60 - frames, 0), planes, there).meaning == "rejections"


def test_variance_maps_are_told_from_counts():
    frames = turned_frames(60)
    planes, there = stack(frames, tilt=0.0), frames > 0
    assert cov.sense_of(np.where(there, 1 / np.maximum(frames, 1), 0).astype(np.float32), planes, there).meaning == "variance"


def test_a_map_of_something_else_is_set_aside_with_a_warning():
    frames = turned_frames(40)
    other = np.random.default_rng(4).random(SHAPE).astype(np.float32)
    found = decide_crop(stack(frames), other, keep=0.85)
    assert [name for name, _ in found.doubts] == ["coverage-unrelated"]
    assert found.source == "noise"
    assert found.coverage is None


@pytest.mark.parametrize("meaning", ["rejections", "variance"])
def test_turned_maps_give_nearly_the_crop_of_the_frames(meaning):
    frames = turned_frames(50)
    planes = stack(frames, tilt=0.0)
    there = frames > 0
    given = np.where(there, 60 - frames if meaning == "rejections" else 1 / np.maximum(frames, 1), 0).astype(np.float32)
    found = decide_crop(planes, given, keep=0.85)
    assert [name for name, _ in found.doubts] == ["coverage-inverted"]
    best = largest_rectangle(frames >= 0.85 * frames.max())
    assert best is not None
    # how many frames there were is only known from the noise, to some per cent
    assert found.box.area == pytest.approx(best.area, rel=0.1 if meaning == "rejections" else 1e-9)


@pytest.mark.parametrize("meaning", ["frames", "rejections", "variance"])
@pytest.mark.parametrize("nothing", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_in_a_map_counts_as_not_covered(meaning, nothing):
    frames = turned_frames(50)
    planes = stack(frames, tilt=0.0)
    there = frames > 0
    turned = {"frames": frames, "rejections": 60 - frames, "variance": 1 / np.maximum(frames, 1)}[meaning]
    given = np.where(there, turned, 0).astype(np.float32)
    given[:60, 200:230] = nothing
    found = decide_crop(planes, given, keep=0.6, counts=meaning)
    assert found.source == "map"
    assert found.coverage is not None
    assert np.isfinite(found.coverage).all()
    assert not found.coverage[:60, 200:230].any()
    best = largest_rectangle((frames >= 0.6 * frames.max()) & np.isfinite(given))
    assert best is not None
    # of rejections how many frames there were is only known from the noise
    assert found.box.area == pytest.approx(best.area, rel=0.1 if meaning == "rejections" else 1e-9)


# --- with a map -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("keep", [0.5, 0.85, 1.0])
def test_with_a_map_the_crop_is_exact(keep):
    frames = turned_frames(35)
    found = decide_crop(stack(frames), frames, keep=keep)
    best = largest_rectangle(frames >= np.float32(keep * frames.max()))
    assert best is not None
    assert found.box.area == best.area
    assert found.box.cut(frames).min() >= keep * frames.max()


def test_a_spike_in_the_map_does_not_decide():
    frames = turned_frames(35)
    spiked = frames.copy()
    spiked[200, 200] = 1000
    found = decide_crop(stack(frames), spiked, keep=0.85)
    assert found.box == decide_crop(stack(frames), frames, keep=0.85).box
    assert "coverage-spike" in [name for name, _ in found.doubts]


def test_a_grainy_map_is_smoothed_and_said():
    frames = turned_frames(35)
    grain = np.random.default_rng(2).random(SHAPE) < 0.01
    found = decide_crop(stack(frames), np.where(grain, frames * 0.5, frames).astype(np.float32), keep=0.85)
    best = largest_rectangle(frames >= 0.85 * frames.max())
    assert best is not None
    assert "coverage-grainy" in [name for name, _ in found.doubts]
    assert found.box.area == pytest.approx(best.area, rel=0.05)


def test_keep_auto_weighs_area_against_coverage():
    frames = turned_frames(35)
    found = decide_crop(stack(frames), frames, keep=None)
    there = {k: largest_rectangle(frames >= k * frames.max()) for k in np.arange(0.4, 1, 0.05)}
    worth = {k: k * box.area for k, box in there.items() if box}
    assert found.keep * found.box.area >= 0.98 * max(worth.values())


def test_uncovered_pixels_and_centres_are_refused():
    frames = turned_frames(35)
    with pytest.raises(StepError, match="shall be the centre is not covered"):
        decide_crop(stack(frames), frames, keep=0.85, centre=(2, 2))
    with pytest.raises(StepError, match="no pixel with a value"):
        decide_crop(np.full((3, 20, 20), np.nan, np.float32), None, keep=0.85)
    with pytest.raises(StepError, match="zero wherever"):
        decide_crop(np.ones((3, 20, 20), np.float32), np.zeros((20, 20), np.float32), keep=0.85, counts="frames")


# --- without a map ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rotation", [5, 35, 70])
@pytest.mark.parametrize("tilt", [0.0, 0.4])
def test_without_a_map_the_noise_tells(rotation, tilt):
    frames = turned_frames(rotation, seed=rotation)
    found = decide_crop(stack(frames, tilt), None, keep=0.85)
    best = largest_rectangle(frames >= 0.85 * frames.max())
    assert best is not None
    assert found.source == "noise"
    assert found.box.cut(frames).min() > 0  # nothing of the empty border
    # the quality goal: nine tenths of what could be had; no more than a fifth beyond
    assert 0.9 <= found.box.area / best.area <= 1.2


def test_even_coverage_is_left_whole():
    frames = np.full(SHAPE, 60, np.float32)
    assert decide_crop(stack(frames), None, keep=0.85).box[2:] == SHAPE


def test_display_data_without_a_map_are_only_freed_of_nan():
    planes = np.random.default_rng(0).random((3, 60, 80), np.float32)
    planes[:, :, :7] = np.nan
    planes[:, :20] = 0  # black is a value in a picture
    found = decide_crop(planes, None, keep=0.85, linear=False)
    assert found.source == "border"
    assert found.box == (0, 7, 60, 73) or found.box == (0, 0, 60, 80)
    assert np.isfinite(found.box.cut(planes)).all()


def test_border_and_scattered_zeros_are_told_apart():
    planes = np.random.default_rng(0).normal(0, 1, (3, 200, 300)).astype(np.float32)
    assert empty_border(planes) is None
    planes[:, :, :11] = 0
    planes[:, 100, 200] = 0
    found = empty_border(planes)
    assert found is not None
    assert found[:, :11].all()
    assert found.sum() == 200 * 11
    thin = np.random.default_rng(1).normal(0, 1, (3, 200, 300)).astype(np.float32)
    thin[:, 0] = 0
    found = empty_border(thin)
    assert found is not None
    assert found.sum() == 300


def test_nebula_is_found_behind_a_gradient_and_stars():
    frames = np.full(SHAPE, 60, np.float32)
    planes = stack(frames, tilt=0.4)
    h, w = SHAPE
    y, x = np.mgrid[0:h, 0:w]
    planes[0] += 0.004 * np.exp(-((x - 150) ** 2 + (y - 220) ** 2) / 2 / 45**2)
    found = nebula_centre(planes, frames > 0)
    # the faint ring of the made stack pulls a little; a tenth of the field is what a composition needs
    assert found == pytest.approx((150, 220), abs=40)
    assert nebula_centre(np.zeros((3, 200, 300), np.float32), np.ones((200, 300), bool)) is None


@pytest.mark.parametrize("shape", [(5, 300), (17, 33), (64, 65)])
def test_a_picture_of_one_value_has_no_nebula(shape):
    assert nebula_centre(np.full((3, *shape), 0.25, np.float32), np.ones(shape, bool)) is None


@pytest.mark.parametrize(("kind", "seed"), [("bubble", 6), ("lantern", 5), ("fans", 5)])
def test_the_middle_of_a_nebula_is_found_under_a_glow_hundreds_of_times_as_strong(kind, seed):
    night = make_scene(seed, (300, 400), kind)
    y, x = np.nonzero(night.ha > 0.1 * night.ha.max())
    found = nebula_centre(night.stack, night.coverage > 0)
    # an eighth of the short side: the glow left in a frame this small pulls; before, the brightest stars and the lamps won
    assert np.hypot(found[0] - x.mean(), found[1] - y.mean()) < 300 / 8
