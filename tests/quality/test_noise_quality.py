"""A quick subset of the figures in noise.py, held to the project's goals."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from nebulakit.pixels import starlet
from tests.quality import noise as figures


@pytest.mark.real
@pytest.mark.parametrize("which", [3, 12])
def test_noise_and_denoising_reach_the_goals(scene: Any, shared: Path, which: int) -> None:
    one = list(figures.scenes(scene, which + 1, (600, 800)))[which]
    found = figures.measure(figures.build(scene, one, shared / "data"))
    assert found["sigma"] < 0.03
    assert found["scales1-4"] < 0.08
    # the noise that was made holds too few independent values on scales 5 and 6 to compare with: by chance alone it is 5 % off
    assert found["exp. 1-6"] < 0.08
    assert found["over"] > 1.5  # dB over the best of three general-purpose methods
    assert found["|r|"] < 0.05
    assert found["alike"] < 0.02
    assert min(found["ha"], found["oiii"]) > 1.0


@pytest.mark.real
@pytest.mark.parametrize("which", [6, 8, 18])  # crowded; small and shallow; crowded under a bright nebula
def test_noise_is_found_on_hard_scenes(scene: Any, which: int) -> None:
    one = list(figures.hard_scenes(scene, which + 1))[which]
    found = figures.noise_found(figures.well_covered(scene.build(one)), one.resample_blur)
    assert found["sigma"] < 0.03
    assert found["expected"] < 0.03
    assert found["exp. 1-6"] < 0.08


def test_what_is_expected_of_noise_is_what_is_made() -> None:
    variance = np.linspace(1, 4, 40)[:, None] * np.linspace(1, 2, 50)
    expected = figures.expectation(variance, 0.6, 3)
    random, total = np.random.default_rng(5), np.zeros(4)
    wide = np.sqrt(np.pad(variance, 8, mode="edge"))
    for _ in range(200):
        pixels = gaussian_filter(random.standard_normal(wide.shape) * wide, 0.6)[8:-8, 8:-8].astype(np.float32)
        total += [np.square(p).mean() for p in (pixels, *starlet.transform(pixels, 3)[0])]
    # of w_3, 200 times some 60 independent values: 1.3 %; 3 of that
    np.testing.assert_allclose(total / 200, [v.mean() for v in expected], rtol=0.04)
