from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest

import nebulakit.steps as steps
from nebulakit.errors import StepError
from nebulakit.files.reading import within_reach
from nebulakit.image import Image
from nebulakit.pixels import colour
from nebulakit.pixels.facts import Noise

STRETCHES = ("stretch_asinh", "stretch_midtone")
both = pytest.mark.parametrize("name", STRETCHES)


def noise(*sigma: float) -> Noise:
    return Noise(sigma, tuple((0.89 * s, 0.2 * s, 0.086 * s) for s in sigma))


@functools.cache
def light(peak: float = 60.0, shape: tuple[int, int] = (240, 320)) -> np.ndarray:
    """A nebula, in units of the noise of a nominal night: filaments in a glow that fades to nothing."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[: shape[0], : shape[1]] / min(shape) - 0.5
    import cv2

    folds = np.abs(cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 9))
    glow = np.exp(-((np.hypot(x - 0.1, y) / 0.32) ** 4))
    out = glow * (0.4 + np.exp(-folds / folds.mean() * 2))
    return np.asarray(out / np.percentile(out, 99.9) * peak, np.float32)


def line(exposure: float = 1.0, name: str = "ha", left: float = 0.3, seed: int = 0) -> Image:
    """A denoised line layer: the stack's noise is 1 at the nominal exposure, ``left`` of it is still there."""
    sigma = exposure**-0.5
    rng = np.random.default_rng(seed)
    planes = light() + rng.normal(0, left * sigma, light().shape).astype(np.float32)
    return Image(planes[None], (name,), content="starless", sky=(0.0,), noise=noise(sigma), fwhm=3.0)


TINT = np.array([0.9, 0.25, 0.12], np.float32)


def rgb(seed: int = 0) -> Image:
    planes = light() * TINT[:, None, None] + np.random.default_rng(seed).normal(0, 1, (3, *light().shape))
    return Image(planes.astype(np.float32), ("red", "green", "blue"), content="starless", sky=(0.0,) * 3, noise=noise(1, 1, 1))


def run(name: str, *images: Image, **params: Any) -> Image:
    return getattr(steps, name)(*images, **params)  # type: ignore[no-any-return]


@both
@pytest.mark.parametrize("sky", ["6%", "10%", "15%"])
def test_the_sky_comes_to_its_target(name: str, sky: str) -> None:
    target = float(sky[:-1]) / 100
    dark = light() < 0.03
    assert dark.mean() > 0.1
    for image in (line(), rgb(), line(left=1.0)):
        shown = run(name, image, sky=sky)
        assert shown.scale == "display"
        for plane in shown.planes:
            # 1 % of the target, and what 30 noise-sigma of the median of this many pixels is
            assert float(np.median(plane[dark])) == pytest.approx(target, rel=0.01, abs=0.0008)
        assert shown.sky == (target,) * len(image.channels)


@both
def test_the_sky_is_measured_where_it_is_not_known(name: str) -> None:
    bare = line().planes + np.float32(500)
    shown = run(name, bare)
    assert float(np.median(shown[0][light() < 0.03])) == pytest.approx(0.1, rel=0.05)


@both
def test_dim_light_is_lifted_and_highlights_are_not_cut(name: str) -> None:
    shown = run(name, line()).planes[0]
    lit = light() > 3
    assert 0.25 < np.percentile(shown[lit], 10) < 0.5
    assert 0.9 < np.percentile(shown, 99.9) < 0.98
    for image in (line(), line(left=1.0), rgb()):
        planes = run(name, image).planes
        assert (planes <= 0.001).any(0).mean() < 0.001
        assert (planes >= 0.999).any(0).mean() == 0


@both
def test_a_deeper_stack_looks_the_same(name: str) -> None:
    """A third and three times the exposure: noise changes, light does not."""
    looks = [run(name, line(e, seed=i)).planes[0] for i, e in enumerate((1.0, 1 / 3, 3.0))]
    labs = [colour.to_cielab(np.repeat(p[None], 3, 0)) for p in looks]
    for other in labs[1:]:
        assert colour.difference(labs[0], other).mean() < 1.5
    whole = [colour.to_cielab(run(name, rgb(seed=i)).planes) for i in range(2)]
    assert colour.difference(*whole).mean() < 8  # the noise itself, undenoised


@both
def test_hues_are_those_of_the_light(name: str) -> None:
    image = rgb()
    shown = run(name, image)
    # a channel that noise brings below the sky holds no light
    before, after = colour.to_lab(np.maximum(image.planes, 0)), colour.to_lab(colour.decode(shown.planes))
    turned = np.degrees(np.arctan2(before[2], before[1]) - np.arctan2(after[2], after[1]))
    off = np.abs((turned + 180) % 360 - 180)
    seen = (image.planes.mean(0) > 5) & (shown.planes.max(0) < 0.95)
    assert seen.mean() > 0.2
    assert np.percentile(off[seen], 99) < 0.1
    assert off[seen].max() < 1


@both
def test_two_lines_are_stretched_alike(name: str) -> None:
    ha, oiii = line(), line(name="oiii", seed=4)
    oiii = oiii.replace(oiii.planes * np.float32(0.3))
    alike = run(name, oiii, ha)
    alone = run(name, oiii)
    first = run(name, ha)
    for key in ("black", "white", "softening", "bend"):
        assert alike.record.get(key) == first.record.get(key)
    assert np.percentile(alike.planes, 99) < np.percentile(alone.planes, 99) - 0.2
    level = np.interp(ha.planes[0].ravel()[:500], *(np.sort(p[0].ravel()) for p in (ha.planes, first.planes)))
    np.testing.assert_allclose(first.planes[0].ravel()[:500], level, atol=1e-5)


@both
def test_values_given_back_give_the_same_pixels(name: str) -> None:
    for image in (line(), rgb()):
        shown = run(name, image)
        keys = ("softening", "bend", "black", "white", "sky", "lift")
        again = run(name, image, **{k: shown.record[k] for k in keys if k in shown.record})
        assert np.array_equal(shown.planes, again.planes)


@both
def test_black_and_white_are_kept_to(name: str) -> None:
    shown = run(name, line(), black=-20.0, white=40.0)
    assert shown.record["black"] == -20.0
    assert shown.record["white"] == 40.0
    ramp = Image(np.linspace(-30, 80, 1101, dtype=np.float32)[None, None], ("ha",), sky=(0.0,), noise=noise(1.0))
    shape = {"softening": 0.1} if name == "stretch_asinh" else {"bend": 0.8}
    got = run(name, ramp, black=-20.0, white=40.0, **shape).planes[0, 0]
    assert got[100] == pytest.approx(0, abs=1e-6)
    assert got[110] > 0
    assert got[700] == pytest.approx(0.95, abs=1e-4)
    assert got[300] == pytest.approx(0.1, abs=1e-6)


def under_the_sky(image: Image, depth: tuple[float, ...]) -> Image:
    """Pull a corner, an eighth of the frame wide, under the sky, as a glow that was told too high does."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]] / max(image.shape)
    corner = np.exp(-(np.hypot(1 - x, image.shape[0] / max(image.shape) - y) ** 2) / 0.125**2)
    # of a nebula so bright that its stretch is gentle: a steep one shows black whatever lies twelve noises under the sky
    bright = image.planes + 4 * light() * (TINT[:, None, None] if len(depth) == 3 else np.float32(1))
    return image.replace(bright - (np.array(depth)[:, None, None] * corner).astype(np.float32))


@both
def test_a_corner_under_the_sky_is_not_cut_off(name: str) -> None:
    """With black at 4 sigma, deep as the noise, it was a black hole."""
    for image, depth in ((line(), (12.0,)), (rgb(), (14.0, 11.0, 11.0))):
        shown = run(name, under_the_sky(image, depth))
        assert (shown.planes <= 0.001).any(0).mean() < 0.002
        assert shown.record["black"] < -16
        dark = light() < 0.03
        assert np.median(shown.planes[:, dark]) == pytest.approx(0.1, abs=0.01)  # the corner is dark, too
    for image in (line(), rgb()):
        assert run(name, image).record["black"] == pytest.approx(-4)


@both
def test_one_channel_under_the_sky_makes_no_colour_of_its_own(name: str) -> None:
    """Red alone far under the sky was cut at black, and left a corner of pure teal."""
    shown = run(name, under_the_sky(rgb(), (9.0, 0.0, 0.0))).planes
    assert (shown <= 0.001).any(0).mean() < 0.002
    y, x = 230, 310
    corner = np.median(shown[:, y:, x:], (1, 2))
    assert corner[0] > 0.15 * corner[1:].max()  # at a quarter of the mean, 0.18


@both
def test_units_of_levels(name: str) -> None:
    one = run(name, line(), black="-5 sigma", white=50.0)
    other = run(name, line(), black=-5.0, white=50.0)
    assert np.array_equal(one.planes, other.planes)


def star_layer(sigma: float = 1.0) -> Image:
    planes = np.zeros((3, 120, 160), np.float32)
    y, x = np.mgrid[:120, :160]
    rng = np.random.default_rng(3)
    for cy, cx, peak in zip(rng.uniform(5, 115, 40), rng.uniform(5, 155, 40), 6 * 1000 ** rng.random(40), strict=True):
        star = peak * (1 + ((y - cy) ** 2 + (x - cx) ** 2) / 4) ** -3
        planes += np.where(star > 0.3, star, 0).astype(np.float32) * np.array([1.2, 1, 0.8], np.float32)[:, None, None]
    noisy = planes + np.where(planes > 0, rng.normal(0, sigma, planes.shape), 0).astype(np.float32)
    return Image(noisy, ("red", "green", "blue"), content="stars", sky=(0.0,) * 3, noise=noise(*(sigma,) * 3))


@both
def test_a_layer_of_stars_keeps_its_sky_black_and_shows_its_faintest(name: str) -> None:
    image = star_layer()
    shown = run(name, image)
    nothing = (image.planes == 0).all(0)
    assert nothing.mean() > 0.5
    assert (shown.planes[:, nothing] == 0).all()
    assert shown.sky == (0.0,) * 3
    six = Image(np.full((1, 1, 1), 6.0, np.float32), ("grey",), content="stars", sky=(0.0,), noise=noise(1.0))
    whole = image.replace(image.planes[1:2], channels=("grey",), sky=(0.0,), noise=noise(1.0))
    assert float(run(name, six, whole.replace(whole.planes[:, :1, :1] * 0 + 5000)).planes.item()) == pytest.approx(0.12, abs=2e-3)
    assert shown.planes.max() > 0.9
    # noise left round the stars does not lift the sky as a carpet
    rim = ~nothing & (image.planes.mean(0) < 1.5)
    assert rim.mean() > 0.02
    assert float(shown.planes[:, rim].mean()) < 0.04


@both
def test_facts_follow(name: str) -> None:
    image = line(left=1.0)
    shown = run(name, image)
    sky = light() < 0.03
    assert shown.noise is not None
    assert float(np.std(shown.planes[0][sky])) == pytest.approx(shown.noise.sigma[0], rel=0.15)  # the toe under the sky is bent
    assert shown.fwhm == image.fwhm
    assert shown.content == "starless"
    white = run(name, image.replace(white=(1000.0,)))
    assert white.white is not None
    assert 0.95 < white.white[0] < 1


@both
def test_what_cannot_be_is_refused(name: str) -> None:
    with pytest.raises(StepError, match="black is at 5, above the sky at 0"):
        run(name, line(), black=5.0)
    with pytest.raises(StepError, match="white is at -1, not above the sky"):
        run(name, line(), white=-1.0)
    with pytest.raises(StepError, match="must have the same size"):
        run(name, line(), line().replace(line().planes[:, :50]))
    with pytest.raises(StepError, match="linear"):
        run(name, run(name, line()))


@both
def test_no_nebula_is_said(name: str) -> None:
    planes = np.random.default_rng(0).normal(0, 1, (1, 200, 240)).astype(np.float32)
    shown = run(name, Image(planes, ("ha",), content="starless", sky=(0.0,), noise=noise(1.0)))
    assert [n.id for n in shown.notices] == ["no-light-to-stretch"]
    assert shown.planes.std() < 0.11
    assert not run(name, line()).notices


@both
@pytest.mark.parametrize("channels", [1, 3])
def test_a_pixel_however_far_over_white_is_white(name: str, channels: int) -> None:
    """It became NaN, that is black: its square fits into no 32-bit float."""
    planes = np.random.default_rng(0).normal(0.02, 1e-3, (channels, 64, 64)).astype(np.float32)
    planes[:, 20, 20] = 1e30
    out = getattr(steps, name)(within_reach(Image.from_array(planes), "planes")).planes
    assert np.isfinite(out).all()
    assert (out[:, 20, 20] > 0.9).all()  # rolled off, colours twice
