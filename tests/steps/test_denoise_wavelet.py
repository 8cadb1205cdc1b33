"""The step denoise_wavelet: its facts, its words, its parameters."""

from __future__ import annotations

import functools
import json

import numpy as np
import pytest

from nebulakit import steps
from nebulakit.demo import make_scene
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels.facts import Noise


@functools.cache
def layer() -> Image:
    made = make_scene(seed=8, shape=(220, 280), nebula="cove")
    planes = made.starless.copy()
    planes[:, :9, :11] = np.nan
    return Image.from_array(planes, coverage=made.coverage, content="starless", sky=(0.0, 0.0, 0.0)).measured("noise")


def line() -> Image:
    noise = layer().noise
    assert noise is not None
    return layer().replace(layer().planes[:1], channels=("ha",), noise=noise.picked(0), sky=(0.0,))


def ids(image: Image) -> list[str]:
    return [n.id for n in image.notices]


def test_noise_stays_that_of_the_stack_and_the_record_tells_what_was_done() -> None:
    after = steps.denoise_wavelet(layer())
    assert after.noise is layer().noise
    assert (after.channels, after.scale, after.content, after.sky) == (layer().channels, "linear", "starless", layer().sky)
    assert after.coverage is layer().coverage
    record = json.loads(json.dumps(after.record))
    assert record["strength"] == 1
    assert np.shape(record["noise_before"]) == (3, 6)
    assert (np.array(record["noise_after"])[:, :2] < 0.2 * np.array(record["noise_before"])[:, :2]).all()
    assert record["sigma"] == list(layer().noise.sigma)  # type: ignore[union-attr]
    assert not after.notices


def test_nothing_here_stays_nothing_and_does_not_spread() -> None:
    after = steps.denoise_wavelet(layer()).planes
    assert np.array_equal(np.isnan(after), np.isnan(layer().planes))
    empty = (layer().coverage == 0) & np.isfinite(layer().planes[0])  # type: ignore[operator]
    assert empty.any()
    assert np.array_equal(after[:, empty], layer().planes[:, empty])


def test_each_line_by_its_own_noise() -> None:
    one = steps.denoise_wavelet(line())
    assert one.channels == ("ha",)
    made = make_scene(seed=8, shape=(220, 280), nebula="cove")
    well = made.coverage > 0.7 * made.coverage.max()
    before, after = ((p[0] - made.nebula[0])[well].std() for p in (line().planes, one.planes))
    assert after < 0.5 * before


def test_brightness_and_colour_apart() -> None:
    planes = layer().planes
    bright = steps.denoise_wavelet(layer(), of="brightness").planes - planes
    colour = steps.denoise_wavelet(layer(), of="colour").planes - planes
    good = np.isfinite(planes).all(0)
    size = float(np.abs(bright[:, good]).max())
    np.testing.assert_allclose(bright[0][good], bright[1][good], atol=1e-5 * size)
    np.testing.assert_allclose(colour.mean(0)[good], 0, atol=1e-5 * size)
    both = steps.denoise_wavelet(layer()).planes - planes
    np.testing.assert_allclose((bright + colour)[:, good], both[:, good], atol=1e-5 * size)


def test_a_single_channel_has_no_colour() -> None:
    after = steps.denoise_wavelet(line(), of="colour")
    assert ids(after) == ["nothing-to-denoise"]
    assert np.array_equal(after.planes, line().planes, equal_nan=True)


def test_nothing_is_done_twice() -> None:
    once = steps.denoise_wavelet(layer())
    twice = steps.denoise_wavelet(once)
    assert ids(twice) == ["nothing-to-denoise"]
    assert "smoothed" in twice.notices[0].text
    assert np.array_equal(once.planes, twice.planes, equal_nan=True)


@pytest.mark.parametrize("options", [{"strength": 0.0}, {"by_scale": (0.0,) * 6}])
def test_strength_zero_changes_nothing(options: dict[str, object]) -> None:
    after = steps.denoise_wavelet(layer(), **options)
    assert ids(after) == ["nothing-to-denoise"]
    assert np.array_equal(after.planes, layer().planes, equal_nan=True)


@pytest.mark.parametrize("value", [0.0, 0.3, np.nan])
def test_an_even_layer_has_nothing_to_win(value: float) -> None:
    even = np.full((1, 40, 50), value, np.float32)
    after = steps.denoise_wavelet(Image.from_array(even))
    assert ids(after) == ["nothing-to-denoise"]
    assert np.array_equal(after.planes, even, equal_nan=True)


@pytest.mark.parametrize("scale", ["linear", "display"])
def test_a_channel_without_noise_stays_beside_noisy_ones(scale: str) -> None:
    planes = np.random.default_rng(3).normal(0.2, 0.005, (3, 120, 160)).astype(np.float32)
    planes[1] = 0.3
    calm = steps.denoise_wavelet(Image.from_array(planes, scale=scale))
    assert np.abs(calm.planes[1] - 0.3).max() < 1e-5  # 0.002 of the others' noise
    assert calm.planes[[0, 2]].std((1, 2)).max() < 0.001


def test_a_stretched_layer_goes_by_the_noise_it_has() -> None:
    made = make_scene(seed=8, shape=(220, 280), nebula="cove")
    known = layer()
    assert known.noise is not None
    soft = 8 * np.array(known.noise.sigma, np.float32)[:, None, None]

    def shown(planes: np.ndarray) -> np.ndarray:
        return np.clip(0.1 + 0.9 * np.arcsinh(planes / soft) / np.float32(np.arcsinh(300)), 0, 1).astype(np.float32)

    noise = known.noise.scaled((0.9 / soft / np.arcsinh(300)).ravel())
    image = known.replace(shown(known.planes), scale="display", noise=noise, sky=(0.1,) * 3)
    after = steps.denoise_wavelet(image)
    well = made.coverage > 0.7 * made.coverage.max()
    before, left = ((p - shown(made.nebula))[:, well].std() for p in (image.planes, after.planes))
    assert left < 0.4 * before
    assert after.scale == "display"
    assert np.nanmin(after.planes) >= 0
    assert np.nanmax(after.planes) <= 1


def test_streaked_noise_is_said() -> None:
    random = np.random.default_rng(4)
    planes = random.standard_normal((1, 300, 300)).astype(np.float32)
    rows = np.cumsum(np.pad(random.standard_normal((300, 320)), ((0, 0), (1, 0))), axis=1)
    planes[0] += (rows[:, 20:] - rows[:, :-20])[:, :300] / np.float32(20**0.5) * 0.6  # runs of 20 px along the rows
    after = steps.denoise_wavelet(Image.from_array(planes))
    assert ids(after) == ["streaked-noise"]
    assert after.record["streaks"]["angle"] in (0.0, 0.5, 179.5)
    assert after.planes.std() < 0.2


@pytest.mark.parametrize(
    "options", [{"strength": -1}, {"strength": 6.0}, {"by_scale": (1.0,) * 5}, {"of": "hue"}, {"amount": 0.5}]
)
def test_what_cannot_be_is_refused(options: dict[str, object]) -> None:
    with pytest.raises(StepError, match="denoise_wavelet"):
        steps.denoise_wavelet(layer(), **options)


def test_noise_finer_than_32_bits_hold_leaves_the_layer_alone() -> None:
    """The square of values in units of it overflowed."""
    planes = np.random.default_rng(0).random((2, 60, 70), np.float32)
    told = Noise((1e-17,) * 2, ((1e-20,) * 6,) * 2)
    out = steps.denoise_wavelet(Image.from_array(planes).replace(noise=told)).planes
    np.testing.assert_allclose(out, planes, atol=1e-6)  # rounding of bands that are taken apart and added
