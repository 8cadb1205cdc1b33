"""A quick subset of the figures in lines.py, held to the project's goals."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest


def load(name: str) -> Any:
    """Load a measuring script that lies beside this file."""
    spec = importlib.util.spec_from_file_location(f"quality_{name}", Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


lines = load("lines")


def test_lines_are_as_right_as_the_goals() -> None:
    """Four of five scenes reach every goal, none misses the leak by more than half of it, on sensors 30 % off typical."""
    rows = list(lines.made_scenes(5, shape=(420, 560), seed=4))
    assert sum(bool(lines.misses(row)) for _, row in rows) <= 1, rows
    for name, row in rows:
        assert abs(row["leak"]) < 0.03, name
        assert row["grain"] > 0.95, name
        assert row["ha"] < 1.15, name


@pytest.mark.real
def test_lines_of_other_scenes(shared: Path) -> None:
    rows = list(lines.shared_scenes(5, shared, seed=7))
    assert sum(bool(lines.misses(row)) for _, row in rows) <= 1, rows
