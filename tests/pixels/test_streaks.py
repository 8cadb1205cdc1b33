"""Streaks: found where they are, at their angle and strength, and not where noise is only correlated."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nebulakit.demo import make_scene
from nebulakit.pixels import denoise, noise_model
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.streaks import Streaks, measure_streaks, spectrum


def drawn_out(shape: tuple[int, int], angle: float, length: int, seed: int) -> np.ndarray:
    """White noise drawn out along a line, standard deviation 1."""
    line = np.zeros((2 * length + 1, 2 * length + 1), np.float32)
    for t in np.linspace(-length / 2, length / 2, 8 * length):
        x, y = length + t * np.cos(np.deg2rad(angle)), length + t * np.sin(np.deg2rad(angle))
        j, i = int(x), int(y)
        for dy, dx in ((0, 0), (0, 1), (1, 0), (1, 1)):
            line[i + dy, j + dx] += (1 - abs(x - j - dx)) * (1 - abs(y - i - dy))
    out = cv2.filter2D(np.random.default_rng(seed).standard_normal(shape).astype(np.float32), -1, line)
    return np.asarray(out / out.std())


def streaked(angle: float, strength: float = 0.5) -> np.ndarray:
    return np.stack(
        [
            np.random.default_rng(c).standard_normal((400, 500)) + strength * drawn_out((400, 500), angle, 25, 7 + c)
            for c in range(3)
        ]
    ).astype(np.float32)


@pytest.mark.parametrize("angle", [0.0, 25.0, 45.0, 90.0, 140.0])
def test_angle_and_strength(angle: float) -> None:
    planes = streaked(angle)
    found = measure_streaks(planes)
    assert found
    assert abs((found.angle - angle + 90) % 180 - 90) < 3
    assert 6 <= found.length <= 26
    for sigma, plane in zip(measure_noise(planes).sigma, planes, strict=True):
        assert sigma == pytest.approx(float(plane.std()), rel=0.04)


@pytest.mark.parametrize("width", [0.0, 0.45, 0.8, 1.3])
def test_correlated_noise_is_not_streaked(width: float) -> None:
    taps = noise_model.kernel(width)
    white = np.random.default_rng(1).standard_normal((3, 400, 500)).astype(np.float32)
    assert not measure_streaks(np.stack([cv2.sepFilter2D(p, -1, taps, taps) for p in white]))


@pytest.mark.parametrize("nebula", ["cove", "bubble", "veil", "fans", "lantern"])
def test_filaments_and_stars_are_not_streaks(nebula: str) -> None:
    scene = make_scene(seed=2, shape=(420, 560), nebula=nebula)  # type: ignore[arg-type]
    assert not measure_streaks(scene.stack, scene.coverage)
    assert not measure_streaks(scene.starless[:1])


@pytest.mark.parametrize(
    "planes", [np.zeros((1, 300, 300)), np.full((3, 200, 200), np.nan), np.ones((1, 20, 20)), np.zeros((1, 1, 1))]
)
def test_nothing_is_found_in_nothing(planes: np.ndarray) -> None:
    assert not measure_streaks(planes.astype(np.float32))


def test_a_spectrum_has_mean_one_and_lies_across() -> None:
    power = spectrum(Streaks(0.0, 10.0, 0.0, (0.1,)), 64)
    assert power.mean() == pytest.approx(1)
    assert power[:, [-2, -1, 0, 1, 2]].sum() > 0.9 * power.sum()  # alike along the rows: what there is varies down the columns


def test_denoising_takes_them_as_such() -> None:
    scene = make_scene(seed=3, shape=(400, 500), nebula="bubble")
    noise = measure_noise(scene.starless, scene.coverage)
    planes = (scene.starless + np.stack([0.5 * s * drawn_out((400, 500), 0, 25, c) for c, s in enumerate(noise.sigma)])).astype(
        np.float32
    )
    level, found = measure_noise(planes, scene.coverage), measure_streaks(planes, scene.coverage)
    well = scene.coverage > 0.7 * scene.coverage.max()
    errors = []
    for told in (None, found):
        after = denoise.apply_denoise(planes, denoise.decide_denoise(planes, level, streaks=told), level.map)
        errors.append(float(((after - scene.nebula)[:, well] ** 2).mean()))
    assert errors[1] < 0.9 * errors[0]


@pytest.mark.parametrize("unit", [1e-40, 1e-42, 1e-44])
def test_noise_that_is_hardly_a_number_is_measured_without_a_warning(unit):
    plane = unit * np.random.default_rng(1).standard_normal((1, 200, 200))
    plane[0, ::9, ::7] += 1
    assert not measure_streaks(plane.astype(np.float32))
