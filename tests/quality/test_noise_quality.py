"""A quick subset of the figures in noise.py, held to the project's goals."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest


def load(name: str, path: Path) -> Any:
    """Load a module from its file."""
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


figures = load("quality_noise", Path(__file__).with_name("noise.py"))


@pytest.mark.real
@pytest.mark.parametrize("which", [3, 12])
def test_noise_and_denoising_reach_the_goals(shared: Path, which: int) -> None:
    scene = load("scene_of_known_truth", shared / "score" / "scene.py")
    one = list(figures.scenes(scene, which + 1, (600, 800)))[which]
    found = figures.measure(figures.build(scene, one, shared / "data"))
    assert found["sigma"] < 0.03
    assert found["scales1-4"] < 0.08  # beyond them a scene of this size holds too few independent values to compare with
    assert found["over"] > 1.5  # dB over the best of three general-purpose methods
    assert found["|r|"] < 0.05
    assert found["alike"] < 0.02
    assert min(found["ha"], found["oiii"]) > 1.0
